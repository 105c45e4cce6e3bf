package learn

import (
	"math"
	"testing"
	"time"
)

// The noise rises by readings off by more than three deviations, alone or three
// together, and falls slowly otherwise; outliers and blinking tell nothing of
// it, nor does what is cut short by saturation.
func TestFollowTail(t *testing.T) {
	const sd = 6.0
	for name, c := range map[string]struct {
		h    hyp
		rail float64
		last [3]float64
		want float64 // -1: falls, 1: rises, 0: stays
	}{
		"on the dark level": {hyp{S: Dark, M: 200, Age: 9}, 0, [3]float64{200, 200, 200}, -1},
		"on the lit level":  {hyp{S: Lit, M: 200, Age: 9}, 0, [3]float64{260, 260, 260}, -1},
		"one off":           {hyp{S: Lit, M: 200, Age: 9}, 0, [3]float64{260, 260, 260 + 4*sd}, 1},
		"three off":         {hyp{S: Dark, M: 200, Age: 9}, 0, [3]float64{200 + 2*sd, 200 + 2*sd, 200 + 2*sd}, 1},
		"two off":           {hyp{S: Dark, M: 200, Age: 9}, 0, [3]float64{200, 200 + 2*sd, 200 + 2*sd}, -1},
		"outlier":           {hyp{S: Dark, M: 200, Age: 9}, 0, [3]float64{200, 200, 200 + 6*sd}, 0},
		"just changed":      {hyp{S: Lit, M: 200, Age: 7}, 0, [3]float64{200, 260, 260}, 0},
		"blinking":          {hyp{S: Blinking, M: 200, Age: 9}, 0, [3]float64{200, 260, 260}, 0},
		"saturated":         {hyp{S: Lit, M: 200, Age: 9}, 260 - 4*sd, [3]float64{260 - 4*sd, 260 - 4*sd, 260 - 4*sd}, -1},
		"dark below a rail": {hyp{S: Dark, M: 200, Age: 9}, 230, [3]float64{200, 200, 200 + 4*sd}, 1},
		"lit, but below it": {hyp{S: Lit, M: 200, Age: 9}, 300, [3]float64{260, 260, 260 - 4*sd}, 1},
	} {
		f := filter{Step: 60, R: 40, Rail: c.rail}
		f.followTail(append(c.last[:], 0, 0, 0, 0), &c.h, sd*sd, sd*sd) // the last four may be a change that begins
		if got := f.R - 40; (got > 0) != (c.want > 0) || (got < 0) != (c.want < 0) {
			t.Errorf("%s: the noise changes by %v", name, got)
		}
	}
	f := filter{Step: 60, R: 36}
	for range 1000 {
		f.followTail([]float64{200, 200, 224, 200, 200, 200, 200}, &hyp{S: Dark, M: 200, Age: 9}, 36, 36)
	}
	if f.R != heavy*36 {
		t.Errorf("the noise rises to %v", f.R)
	}
}

// While a small step's lit level is cut short by saturation, the readings on the
// rail do not pass for noise.
func TestFollowTailAtTheRail(t *testing.T) {
	f := feed(Config{}, time.Minute, 0)
	const rail = 1000
	board := func(level float64) func(int) float64 {
		return func(int) float64 { return math.Min(math.Round(level+6*f.r.NormFloat64()), rail) }
	}
	f.read(300, board(900), 1)
	f.l.Teach(f.at, Dark)
	f.read(40, board(960), 1)
	f.l.Teach(f.at, Lit)
	for i := range 400 { // dark, ever brighter, until lit would read beyond the rail
		f.read(1, board(900+float64(min(i, 300))/5), 1)
	}
	f.read(60, board(1020), 1) // the rail is found
	f.read(60, board(960), 1)
	f.read(300, board(1020), 1)
	c := &f.l.c
	if c.State != Lit || c.F.Rail != rail || c.F.best().M+c.F.Step < rail+15 || sq(c.F.Step) > 196*c.Noise.variance() {
		t.Fatalf("%v, rail %v, level %v, step %v: proves nothing", c.State, c.F.Rail, c.F.best().M+c.F.Step, c.F.Step)
	}
	if c.F.R > 1.5*c.Noise.variance() {
		t.Errorf("noise %v, by the differences %v", c.F.R, c.Noise.variance())
	}
}

// Against a step that no noise comes near, the noise is that of the differences,
// whatever its tail was taken for.
func TestTailAgainstALargeStep(t *testing.T) {
	for step, kept := range map[float64]bool{60: true, 380: false} {
		f := feed(Config{}, time.Minute, 6)
		f.read(200, flat(200), 1)
		c := &f.l.c
		c.adopt(step, 6)
		c.F.start(Dark, 200, f.at.UnixMilli())
		c.State = Dark
		c.F.R = 3 * c.Noise.variance()
		f.read(1, flat(200), 1)
		if got := c.F.R > 2*c.Noise.variance(); got != kept {
			t.Errorf("step %v: noise %v, by the differences %v", step, c.F.R, c.Noise.variance())
		}
	}
}

// A small lamp that changes all the time does not make its own changes, which
// are not recognized at once, pass for noise with a heavy tail: the noise stays
// what it is, and the changes are told.
func TestTailOfFrequentChanges(t *testing.T) {
	f := feed(Config{}, 3*time.Minute, 6)
	f.read(300, flat(200), 1)
	f.l.Teach(f.at, Dark)
	f.l.c.adopt(26, 6)
	f.l.c.F.start(Dark, 200, f.at.UnixMilli())
	f.l.c.State = Dark
	f.got = nil
	const visits = 200
	for range visits {
		f.read(14, flat(226), 1)
		f.read(14, flat(200), 1)
	}
	if r := f.l.c.F.R / f.l.c.Noise.variance(); r > 1.6 {
		t.Errorf("the noise passes for %.1f times what it is", r)
	}
	if len(f.got) < 2*visits-2 || len(f.got) > 2*visits {
		t.Errorf("%d changes told of %d", len(f.got), 2*visits)
	}
}
