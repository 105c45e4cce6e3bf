package learn

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// A board may read without noise: one that averages for long, or somebody who tries
// lampward out by hand. Changes of the lamp are told for ever, and are not taken for
// noise.
func TestWithoutNoise(t *testing.T) {
	for name, c := range map[string]struct {
		noise     float64
		dark, lit float64
	}{
		"none":               {0, 200, 600},
		"hardly any":         {0.15, 200.3, 600.4},
		"of coarse readings": {0, 8, 12},
		"to the rail":        {0, 500, 1023},
		"from nought":        {0, 0, 64},
		"other light, too":   {0, 200, 600},
	} {
		f := feed(Config{}, time.Minute, c.noise)
		if name == "other light, too" {
			f.read(2, func(i int) float64 { return 1000 * float64(i) }, 1)
		}
		for range 20 {
			f.read(120, flat(c.dark), 1)
			f.read(30, flat(c.lit), 1)
		}
		if n := len(f.got) - f.times(Blinking); n < 38 || n > 39 || n != len(f.got) { // a small first one may be missed
			t.Errorf("%s: %d told, %d of them lit, want 39 and 20", name, len(f.got), f.times(Lit))
		}
		if hint := f.l.Aim().Hint != ""; hint != (name == "to the rail") {
			t.Errorf("%s: %q", name, f.l.Aim().Hint)
		}
		most := 1.0
		if name == "other light, too" {
			most = sq(1000.0 / 16)
		}
		if s := f.l.c.Noise.steps(); s > most {
			t.Errorf("%s: a variance of %v", name, s)
		}
	}
}

// So it is with outliers, and with a lamp that blinks.
func TestWithoutNoiseButOutliers(t *testing.T) {
	f := feed(Config{}, time.Minute, 0)
	outliers := func(y float64) func(int) float64 {
		return func(int) float64 {
			if f.r.Float64() < 0.01 {
				return y + math.Round(300+500*f.r.Float64())
			}
			return y
		}
	}
	for range 10 {
		f.read(300, outliers(200), 1)
		f.read(60, outliers(350), 1)
	}
	if len(f.got) < 18 || len(f.got) > 19 {
		t.Errorf("%d changes told, want 18 or 19", len(f.got))
	}
}

func TestBlinkingWithoutNoise(t *testing.T) {
	f := feed(Config{}, time.Minute, 0)
	for range 6 {
		f.read(200, flat(214), 1)
		f.read(80, func(int) float64 { return 214 + 200*float64(f.r.IntN(2)) }, 1)
	}
	f.read(200, flat(214), 1)
	if b, d := f.times(Blinking), f.times(Dark); b != 6 || d != 6 || len(f.got) != 12 {
		t.Errorf("%d told, blinking %d, dark %d", len(f.got), b, d)
	}
}

// A converter of few bits, or whose counts are scaled up, flickers between two of its
// steps: that is no lamp, whether it ever read anything else or not.
func TestFlickerOfTheConverter(t *testing.T) {
	for _, step := range []float64{1, 10, 16, 64, 256} {
		for _, others := range []bool{false, true} {
			f := feed(Config{}, time.Minute, 0.05*step)
			if others {
				f.read(3, func(i int) float64 { return []float64{0, 20, 9}[i] * step }, step)
			}
			f.read(300, flat(7.2*step), step)
			f.noise *= 4
			f.read(3*1440, flat(7.45*step), step)
			if len(f.got) != 0 {
				t.Errorf("steps of %v, others %v: %d told", step, others, len(f.got))
			}
		}
	}
}

func TestQuantum(t *testing.T) {
	for _, c := range []struct {
		differences []float64
		want        float64
	}{
		{[]float64{0, 0}, 0},
		{[]float64{400, 400, 0, 400}, 400},
		{[]float64{400, 1}, 1},
		{[]float64{32, 48, 16, 80}, 16},
		{[]float64{30, 50}, 10},
		{[]float64{7, 3}, 1},
		{[]float64{2.49, 0.83, 1.66}, 0.83},
	} {
		var n noise
		for _, d := range c.differences {
			n.quantum(d)
		}
		if math.Abs(n.Quantum-c.want) > 1e-9 {
			t.Errorf("%v: %v, want %v", c.differences, n.Quantum, c.want)
		}
	}
	var n noise // differences beside which a step would overflow are none
	for _, d := range []float64{5e-324, 1e12, 9e-314, 3, 1e-300, 2} {
		n.quantum(d)
	}
	if n.Quantum != 1 {
		t.Errorf("amid differences of next to nothing: %v, want 1", n.Quantum)
	}
	n = noise{} // of a board that sends any number there is no step, but a number all the same
	for i, r := 0, rand.New(rand.NewPCG(1, 1)); i < 100_000; i++ {
		n.quantum(math.Abs(r.NormFloat64()) * math.Pow(10, float64(r.IntN(16)-4)))
		if !(n.Quantum > 1e-20) || math.IsInf(n.Quantum, 0) {
			t.Fatalf("%v after %d differences", n.Quantum, i+1)
		}
	}
}

// While the converter saturates, for days, nobody sees the ambient light; it is where it
// is at this hour, and a lamp that goes out is told at once.
func TestSaturatedForDays(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	saturated := func(n int) {
		f.noise = 0
		f.read(n, flat(4095), 1)
		f.noise = 6
	}
	for range 4 {
		f.read(900, flat(3914), 1)
		saturated(300)
	}
	f.read(900, flat(3922), 1) // and so the lamp shines beyond the converter's range
	saturated(10000)
	f.got = nil
	f.read(8, flat(3918), 1)
	f.want(t, Dark)
}
