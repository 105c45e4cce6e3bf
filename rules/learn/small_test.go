package learn

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// A small lamp that shines at the same two hours every day is believed; edges
// all over the daylight and never at night count for less than those of all hours.
func TestFixedHours(t *testing.T) {
	evidence := func(hour func(i int) int) float64 {
		r := rand.New(rand.NewPCG(1, 2))
		e := edges{}
		for i := range 12 {
			size := 26 + 3*r.NormFloat64()
			if i%2 == 1 {
				size = -size
			}
			e.record(edge{At: int64(i/2)*dayMS + int64(hour(i))*3_600_000, Size: size, SD: 6, From: 200})
		}
		ev, _, _ := e.evidence(26, 144, 0)
		return ev
	}
	fixed := evidence(func(i int) int { return 6 + 2*(i%2) })
	daylight := evidence(func(i int) int { return 8 + 7*i%10 })
	all := evidence(func(i int) int { return 7 * i % 24 })
	if fixed < 3 {
		t.Errorf("evidence for a lamp of fixed hours %.1f", fixed)
	}
	if daylight > all-3 {
		t.Errorf("evidence for edges by day %.1f, at all hours %.1f", daylight, all)
	}
}

// The hours before a fall were lit, unless the lamp was seen to rise before.
func TestHoursBeforeAFall(t *testing.T) {
	for rose, kept := range map[bool]bool{false: true, true: false} {
		f := feed(Config{}, time.Minute, 6)
		f.read(120, flat(200), 1)
		at := f.at.UnixMilli()
		if rose {
			f.l.c.Edges.record(edge{At: at - 3_600_000, Size: 24, SD: 6, From: 200})
		}
		f.l.adoptFirst(edge{At: at, Size: -26, SD: 6, From: 226}, at, 8)
		if got := f.l.c.Hours.at(t0.UnixMilli()).Minutes > 0; got != kept {
			t.Errorf("rose %v: hours kept %v, want %v", rose, got, kept)
		}
	}
}

// Readings that are off by half a small step come in twos and threes where the
// noise has heavy tails or comes in runs. They are not announced, and the lamp
// still is.
func TestNoiseIsNoGaussian(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	was := 0.0
	for name, c := range map[string]struct {
		noise func() float64
		most  int // announced in 20 days
	}{
		"Laplace": {func() float64 {
			return math.Copysign(6/math.Sqrt2*r.ExpFloat64(), r.Float64()-0.5)
		}, 0},
		"in runs": {func() float64 {
			was = 0.3*was + 6*math.Sqrt(1-0.3*0.3)*r.NormFloat64()
			return was
		}, 2},
	} {
		r, was = rand.New(rand.NewPCG(5, 6)), 0
		f := feed(Config{}, time.Minute, 0)
		at := func(x float64) func(int) float64 { return func(int) float64 { return x + c.noise() } }
		f.read(300, at(200), 1)
		f.l.Teach(f.at, Dark)
		f.l.c.adopt(26, 6)
		f.l.c.F.start(Dark, 200, f.at.UnixMilli())
		f.l.c.State = Dark
		f.read(1440, at(200), 1) // to know the noise
		f.got = nil
		f.read(20*1440, at(200), 1)
		if len(f.got) > c.most {
			t.Errorf("%s: %d announced in 20 dark days", name, len(f.got))
		}
		f.got = nil
		for range 10 {
			f.read(60, at(226), 1)
			f.read(60, at(200), 1)
		}
		if len(f.got) != 20 {
			t.Errorf("%s: %d of 20 changes announced", name, len(f.got))
		}
	}
}

// A small first step whose sixteen readings rise by chance is told when twelve
// more are flat; not if they go on, nor if the step itself slid.
func TestHoldsLonger(t *testing.T) {
	at := func(lvl func(i int) float64) (told int) {
		f := feed(Config{}, time.Minute, 6)
		f.read(196, flat(200), 0)
		f.noise = 0
		f.read(4, flat(200), 0)
		for i := range 40 {
			swing := []float64{0, 0, 6, -4, -6, 4, 7, -7, 0, 0}[i%10] // as noise would
			f.read(1, func(int) float64 { return lvl(i) + swing }, 0)
			if len(f.got) > 0 {
				return i + 1
			}
		}
		return 0
	}
	for name, c := range map[string]struct {
		level func(i int) float64 // from the step on
		told  int                 // readings after it; 0: not at all
	}{
		"at once":         {flat(226), 16},
		"rises by chance": {func(i int) float64 { return 220 + 9*math.Min(float64(max(i-2, 0)), 9)/9 }, 28},
		"goes on":         {func(i int) float64 { return 219 + 10*float64(i)/15 }, 0},
		"slid":            {func(i int) float64 { return 206 + 6*math.Min(float64(i), 3) }, 0},
		"comes back":      {func(i int) float64 { return 219 + 10*float64(i%22)/15 - 22*float64(i/22) }, 0},
	} {
		if told := at(c.level); told != c.told {
			t.Errorf("%s: told after %d readings, want %d", name, told, c.told)
		}
	}
}

// A small lamp whose changes come so fast that many are not seen as edges moves
// the level by itself, as far as light would. It is not given up for that.
func TestNotGivenUpForItsOwnChanges(t *testing.T) {
	for seed := range uint64(40) {
		f := feed(Config{}, 3*time.Minute, 6).seed(seed, 9)
		f.read(60, flat(271), 1)
		lost := 0
		for range 120 {
			known := f.l.c.Known
			f.read(12+int(6*f.r.ExpFloat64()), flat(297), 1)
			f.read(12+int(10*f.r.ExpFloat64()), flat(271), 1)
			if known && !f.l.c.Known {
				lost++
			}
		}
		if lost > 0 || !f.l.c.Known {
			t.Errorf("seed %d: given up %d times, known %v", seed, lost, f.l.c.Known)
		}
	}
}

// A lamp of four counts that shines at the same hour of every other night, before a board that
// averages, is not given up for its edges, which slide, where no other light moves. If it is, 177 of
// the 224 changes here are told.
func TestFewCountsAtFixedHours(t *testing.T) {
	told := 0
	for seed := range uint64(8) {
		f := feed(Config{}, 30*time.Second, 0.4).seed(seed, 9)
		slow := func(from, to float64) func(int) float64 {
			return func(i int) float64 { return from + (to-from)*math.Min(float64(i+1)/5, 1) }
		}
		f.read(480, flat(109.3), 1) // until four
		for range 14 {
			f.read(156, slow(109.3, 113.1), 1)
			f.read(2*2880-156, slow(113.1, 109.3), 1)
		}
		told += len(f.got)
		if n := f.times(Lit) - f.times(Dark); n > 1 || n < -1 || len(f.got) > 28 {
			t.Errorf("lit was told %d times, dark %d times, of 14 each", f.times(Lit), f.times(Dark))
		}
	}
	if told < 200 {
		t.Errorf("%d of 224 changes were told", told)
	}
}
