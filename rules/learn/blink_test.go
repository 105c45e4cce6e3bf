package learn

import (
	"math"
	"testing"
	"time"
)

// habits gives a feeder whose lamp is known, dark, with a past of so many
// announced blinkings and changes between lit and dark.
func habits(t *testing.T, blinks, steady uint32) *feeder {
	t.Helper()
	f := feed(Config{}, time.Minute, 6)
	known(f, 200, 380)
	f.read(60, flat(200), 1)
	if v := f.l.Verdict(); v.State != Dark {
		t.Fatalf("it is %v", v.State)
	}
	f.l.c.NBlink, f.l.c.NLit = blinks, steady
	f.got = nil
	return f
}

// Lit that may be the beginning of blinking is waited for, ten readings at
// most where the lamp does both; a lamp that never blinked is told at once.
func TestLitOrBeginningOfBlinking(t *testing.T) {
	for _, c := range []struct {
		blinks, steady uint32
		least, most    int // readings until lit is told
	}{
		{0, 40, 1, 2},
		{0, 1, 4, 5},
		{1, 8, 8, 10},
		{5, 10, 10, 10},
		{10, 5, 10, 11},
	} {
		f := habits(t, c.blinks, c.steady)
		n := 0
		for f.times(Lit) == 0 && n < 40 {
			f.read(1, flat(580), 1)
			n++
		}
		if n < c.least || n > c.most {
			t.Errorf("%d blinkings, %d changes: lit told after %d readings, want %d to %d", c.blinks, c.steady, n, c.least, c.most)
		}
	}
	// by chance the first nine readings of blinking are all lit
	f := habits(t, 5, 10)
	f.read(40, func(i int) float64 { return 200 + 380*float64(min((0x1ff|0x2d4b96a5<<10)>>i&1, 1)) }, 1)
	f.want(t, Blinking)
}

// Waiting for the third state is no doubt that stays: it does not lower the
// confidence.
func TestConfidenceAfterWaiting(t *testing.T) {
	f := habits(t, 20, 2)
	f.read(20, flat(580), 1)
	f.want(t, Lit)
	if v := f.got[0]; v.Confidence < 0.99 {
		t.Errorf("confidence %v", v.Confidence)
	}
}

// From dark, half of the changes between lit and dark count: the others began
// while lit.
func TestPriorBlink(t *testing.T) {
	c := &core{NBlink: 100, NLit: 200}
	for s, want := range map[State]float64{Dark: 0.5, Lit: 1.0 / 3} {
		c.State = s
		if p := c.priorBlink(); math.Abs(p-want) > 0.001 {
			t.Errorf("%v: share of blinking %.4f, want %.4f", s, p, want)
		}
	}
}

// Histories that agree are kept once.
func TestEqualHistoriesMerge(t *testing.T) {
	f := habits(t, 1, 10)
	for range 4 {
		f.read(40, flat(580), 1)
		f.read(40, flat(200), 1)
		h := f.l.c.F.H[:f.l.c.F.N]
		for i := range h {
			for j := range i {
				if h[i].S != Blinking && h[i].S == h[j].S && math.Abs(h[i].M-h[j].M) < 1 {
					t.Fatalf("%v about %.0f is kept twice", h[i].S, h[i].M)
				}
			}
		}
	}
}

// A lamp that reads lit, dark, lit, dark for days does not make its step pass for
// noise: its end is seen, and the next beginning.
func TestBlinkingForDays(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(600, flat(300), 1)
	blinks := func(i int) float64 { return 300 + 380*float64((i+i/37)%2) }
	f.read(8*1440, blinks, 1)
	f.read(300, flat(300), 1)
	f.read(300, blinks, 1)
	f.want(t, Blinking, Dark, Blinking)
	if sd := math.Sqrt(f.l.c.Noise.variance()); sd > 9 {
		t.Errorf("the noise passes for %.1f, it is 6", sd)
	}
}
