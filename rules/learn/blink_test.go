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
