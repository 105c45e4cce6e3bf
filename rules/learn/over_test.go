package learn

import (
	"math/rand/v2"
	"testing"
	"time"
)

// anywhere is what a board reads that averages for half a period of a blinking
// lamp: any count between the levels. The step that is learned of it is too small.
func anywhere(seed uint64, dark, step float64) func(int) float64 {
	r := rand.New(rand.NewPCG(seed, 4))
	return func(int) float64 { return dark + step*r.Float64() }
}

// visits gives the states in which a lamp is left, one visit after another, each of
// 100 blinking readings and then dark ones, and how often it was told to be lit.
func visits(dark float64) (left map[State]int, lit int) {
	left = map[State]int{}
	for seed := range uint64(40) {
		f := feed(Config{}, time.Minute, 6)
		f.read(600, flat(dark), 1)
		for i := range uint64(4) {
			f.read(100, anywhere(seed*10+i, dark, 380), 1)
			f.read(40, flat(dark), 1)
			left[f.l.c.State]++
			f.read(200, flat(dark), 1)
		}
		for _, v := range f.got {
			if v.State == Lit {
				lit++
			}
		}
	}
	return left, lit
}

// Blinking that is over for certain does not go on because it is not certain what
// came after it. Without the rule, 15 of 160 visits went on.
func TestBlinkingIsOver(t *testing.T) {
	left, lit := visits(800)
	if left[Blinking] > 0 || left[Dark] < 100 || lit > 12 {
		t.Errorf("left in these states: %v; lit was told %d times", left, lit)
	}
}

// No converter counts below zero: where the dark level is less than the step above it,
// it is not taken for the lit one: without that, eleven times.
func TestNoCountsBelowZero(t *testing.T) {
	left, lit := visits(90)
	if left[Blinking] > 0 || lit > 2 {
		t.Errorf("left in these states: %v; lit was told %d times", left, lit)
	}
	for name, c := range map[string]struct {
		lower       bool
		noise       noise
		least, most bool // is there one
	}{
		"counts":                {false, noise{Min: 3, Max: 900}, true, false},
		"a number below zero":   {false, noise{Min: -3, Max: 900}, false, false},
		"lit reads lower":       {true, noise{Min: -900, Max: -3}, false, true},
		"lower, and below zero": {true, noise{Min: -900, Max: 3}, false, false},
	} {
		l := core{Cfg: config{LitLower: c.lower}, Noise: c.noise, F: filter{Step: 100, R: 36}}
		least, most := l.possible()
		if (least > -100) != c.least || (most < 100) != c.most {
			t.Errorf("%s: from %v to %v", name, least, most)
		}
	}
}

// A lamp that begins to blink when hardly a reading was quiet hides no noise by it.
func TestNoiseBesideBlinking(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(13, flat(300), 1)
	f.read(60, blurred(300, 380, 0.4), 1)
	f.want(t, Blinking)
	if sd := f.l.c.Noise.V; sd > 4000 {
		t.Errorf("a variance of %.0f", sd)
	}
}
