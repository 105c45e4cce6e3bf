package learn

import (
	"math"
	"testing"
	"time"
)

// scales are what boards publish of a level on a 12-bit converter, in counts, and what that
// is rounded to; 0: it is not.
var scales = map[string]struct {
	of    func(level float64) float64
	unit  float64
	grain float64 // the same in counts, roughly
}{
	"counts":            {math.Round, 1, 1},
	"counts in eights":  {func(l float64) float64 { return 8 * math.Round(l/8) }, 8, 8},
	"volts":             {func(l float64) float64 { return math.Round(l) / 4095 * 3.3 }, 3.3 / 4095, 1},
	"volts, single":     {func(l float64) float64 { return float64(float32(math.Round(l) / 4095 * 3.3)) }, 3.3 / 4095, 1},
	"millivolts":        {func(l float64) float64 { return math.Round(math.Round(l) / 4095 * 3300) }, 1, 1},
	"per cent":          {func(l float64) float64 { return math.Round(math.Round(l)/4095*1000) / 10 }, 0.1, 4},
	"per cent, 8 bits":  {func(l float64) float64 { return math.Round(l/16) * 100 / 255 }, 100.0 / 255, 16},
	"a share":           {func(l float64) float64 { return math.Round(math.Round(l)/4095*1000) / 1000 }, 0.001, 4},
	"a share, single":   {func(l float64) float64 { return float64(float32(math.Round(math.Round(l)/4095*1000) / 1000)) }, 0.001, 4},
	"a mean of sixteen": {func(l float64) float64 { return math.Round(l*16) / 16 }, 1.0 / 16, 1.0 / 16},
	"unrounded":         {func(l float64) float64 { return l }, 0, 1},
}

// Boards publish counts, or volts, per cent, or a share of the full scale. Noise smaller than
// what that is rounded to makes two numbers of a dark lamp's reading, now the one and now the
// other, and no others: that is no blinking. Without what the unit tells, 5 to 9 of the 40 lamps
// of each scale pass for blinking on the first day, but of counts and of those not rounded.
func TestRoundingIsNoBlinking(t *testing.T) {
	for name, s := range scales {
		for _, noise := range []float64{0.05, 0.3, 0.6, 1.5} {
			wrong := 0
			for seed := range uint64(10) {
				f := feed(Config{}, time.Minute, 0).seed(seed, 13)
				at := func(level float64) func(int) float64 {
					return func(i int) float64 {
						return s.of(level + 0.002*float64(i) + noise*f.r.NormFloat64())
					}
				}
				dark := 200 + 300*f.r.Float64()
				f.read(1500, at(dark), 0)
				if f.l.c.State != Learning || len(f.got) > 0 {
					wrong++
					continue
				}
				f.read(100, at(dark+380), 0)
				f.read(100, at(dark), 0)
				f.want(t, Lit, Dark)
			}
			if wrong > 0 {
				t.Errorf("%s, noise of %v counts: %d of 10 dark lamps are known as anything", name, noise, wrong)
			}
		}
	}
}

func TestUnit(t *testing.T) {
	for name, s := range scales {
		f := feed(Config{}, time.Minute, 0)
		f.read(300, func(int) float64 { return s.of(304 + 0.6*s.grain*f.r.NormFloat64()) }, 0)
		switch u := f.l.c.Noise.unit(); {
		case s.unit == 0 && u > 0.01:
			t.Errorf("%s: rounded to %v", name, u)
		case s.unit > 0 && math.Abs(u-s.unit) > 1e-4*s.unit:
			t.Errorf("%s: rounded to %v, not to %v", name, u, s.unit)
		}
	}
	// the lamp's changes are all that the board ever reads, without noise: its step is a few
	// counts, or a tenth from nothing, for what has one decimal place need not be rounded to it
	for _, c := range []struct {
		dark, lit    float64
		times, every int
	}{{300, 304, 12, 40}, {0, 0.1, 6, 60}} {
		f := feed(Config{}, time.Minute, 0)
		f.read(600, flat(c.dark), 0)
		for range c.times {
			f.read(c.every, flat(c.lit), 0)
			f.read(c.every, flat(c.dark), 0)
		}
		if f.times(Lit) != c.times || f.times(Dark) != c.times {
			t.Errorf("a step from %v to %v was told %d and %d times", c.dark, c.lit, f.times(Lit), f.times(Dark))
		}
	}
	// a lamp that is all the board ever read, twice as bright: its step is no converter's
	f := feed(Config{}, time.Minute, 0)
	f.read(600, flat(0.4217171717), 0)
	f.read(60, flat(0.8412121212), 0)
	f.want(t, Lit)
}
