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

// A lamp need not shine for half of each period: one that flashes for a quarter of it, or is
// out for a sixth, is told once for each time it blinks, too, and once when it is over. Until
// its share is known it may be told again; taken for a half, that goes on for ever, and of half
// of the lamps here 10 to 29 changes are told in place of 8.
func TestLampThatFlashes(t *testing.T) {
	for _, duty := range []float64{0.25, 0.5, 0.75, 0.85} {
		for seed := range uint64(4) {
			f := feed(Config{}, time.Minute, 6).seed(seed, 11)
			flashes := func(int) float64 { return 200 + 380*float64(btoi(f.r.Float64() < duty)) }
			f.read(400, flat(200), 1)
			for range 3 { // it becomes known
				f.read(300, flashes, 1)
				f.read(150, flat(200), 1)
			}
			f.got = nil
			for range 4 {
				f.read(300, flashes, 1)
				f.read(150, flat(200), 1)
			}
			if len(f.got) != 8 || f.times(Blinking) != 4 || f.times(Dark) != 4 {
				t.Errorf("lit for %.2f of each period: %d changes told, %d of them blinking, %d dark; want 8, 4 and 4", duty, len(f.got), f.times(Blinking), f.times(Dark))
			}
		}
	}
}

// A pause too short to be one was a long flash: its readings tell how long the lamp dwells.
func TestPauseThatWasNone(t *testing.T) {
	for n, want := range map[int]bool{20: true, 60: false} {
		f := habits(t, 5, 2)
		flash := func(i int) float64 { return 200 + 380*float64((i*7/4)%2) }
		f.read(80, flash, 1)
		f.read(n, flat(200), 1)
		f.want(t, Blinking, Dark)
		was := f.l.c.F.Sides[0]
		f.read(6, flash, 1)
		f.want(t, Blinking, Dark, Blinking)
		if got := f.l.c.F.Sides[0] > was+15; got != want {
			t.Errorf("a pause of %d readings: %v readings dark instead of %v", n, f.l.c.F.Sides[0], was)
		}
	}
}
