package learn

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

func (f *feeder) wantFaults(t *testing.T, want ...Fault) {
	t.Helper()
	if len(f.fault) != len(want) {
		t.Fatalf("faults %v, want %v", f.fault, want)
	}
	for i := range want {
		if f.fault[i] != want[i] {
			t.Fatalf("faults %v, want %v", f.fault, want)
		}
	}
}

// known lets the learner see the lamp a few times.
func known(f *feeder, dark, step float64) {
	for range 6 {
		f.read(200, flat(dark), 1)
		f.read(100, flat(dark+step), 1)
	}
	f.read(200, flat(dark), 1)
}

func TestStuckRail(t *testing.T) {
	for _, rail := range []float64{0, 1023} {
		f := feed(Config{}, time.Minute, 6)
		known(f, 300, 200)
		f.noise = 0
		f.read(2000, flat(rail), 1)
		f.noise = 6
		f.read(200, flat(300), 1)
		f.wantFaults(t, StuckRail, NoFault)
	}
	// control: a lamp that saturates the converter whenever it is lit, for hours
	f := feed(Config{}, time.Minute, 6)
	for range 6 {
		f.noise = 6
		f.read(300, flat(800), 1)
		f.noise = 0
		f.read(500, flat(1023), 1)
	}
	f.wantFaults(t)
	// control: and one that is lit for nearly two days when it is first seen
	f = feed(Config{}, time.Minute, 6)
	f.read(600, flat(800), 1)
	f.noise = 0
	f.read(2700, flat(1023), 1)
	f.noise = 6
	f.read(600, flat(800), 1)
	f.wantFaults(t)
	// but a lamp that was seen before never shone like that
	f = feed(Config{}, time.Minute, 6)
	known(f, 300, 200)
	f.read(60, flat(500), 1)
	f.noise = 0
	f.read(900, flat(4095), 1)
	f.wantFaults(t, StuckRail)
	// control: a sensor that reads nought in every night
	f = feed(Config{}, time.Minute, 0)
	for range 10 {
		f.noise = 0
		f.read(720, flat(0), 1)
		f.read(720, func(i int) float64 {
			return math.Max(0, 300*math.Sin(math.Pi*float64(i)/720)+6*f.r.NormFloat64())
		}, 1)
	}
	f.wantFaults(t)
}

func TestFrozen(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	known(f, 300, 200)
	f.noise = 0
	f.read(300, flat(303), 1)
	f.noise = 6
	f.read(100, flat(300), 1)
	f.wantFaults(t, Frozen, NoFault)
	// nor does a lamp that saturates the converter make it usual
	f = feed(Config{}, time.Minute, 6)
	for range 10 {
		f.noise = 6
		f.read(300, flat(700), 1)
		f.noise = 0
		f.read(500, flat(1023), 1)
	}
	f.noise = 6
	f.read(40, flat(700), 1)
	f.noise = 0
	f.read(100, flat(703), 1)
	f.wantFaults(t, Frozen)
	// control: a coarse converter repeats itself as a matter of course
	f = feed(Config{}, time.Minute, 0.3)
	for range 30 {
		f.read(500, flat(104), 1)
		f.read(100, flat(112), 1)
	}
	f.wantFaults(t)
}

func TestNoisy(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(5*1440, flat(300), 1)
	f.noise = 60
	f.read(600, flat(300), 1)
	f.noise = 6
	f.read(600, flat(300), 1)
	f.wantFaults(t, Noisy, NoFault)
	// control: half as much again is weather; blinking is no noise
	f = feed(Config{}, time.Minute, 6)
	f.read(5*1440, flat(300), 1)
	f.noise = 9
	f.read(600, flat(300), 1)
	f.noise = 6
	f.read(600, func(int) float64 { return 300 + 200*float64(f.r.IntN(2)) }, 1)
	f.wantFaults(t)
}

func TestFading(t *testing.T) {
	fade := func(to float64) *feeder {
		f := feed(Config{}, time.Minute, 6)
		for i := range 80 {
			f.read(300, flat(300), 1)
			f.read(100, flat(300+400*(1-(1-to)*float64(i)/79)), 1)
		}
		return f
	}
	f := fade(0.4)
	f.wantFaults(t, Fading)
	if n := len(f.got); n < 155 {
		t.Fatalf("only %d of 159 changes announced while the lamp faded", n)
	}
	f.l.c.adopt(150, 6) // learned anew by a smaller step, it still is
	f.l.c.F.start(Dark, 300, f.at.UnixMilli())
	f.read(300, flat(300), 1)
	f.l.c.forget()
	f.read(30, flat(300), 1)
	f.wantFaults(t, Fading)
	fade(0.85).wantFaults(t) // control: a little dust
	f = fade(0.4)
	// over only when it is as bright as it was
	f.read(1000, flat(300), 1)
	for range 30 {
		f.read(300, flat(700), 1)
		f.read(300, flat(300), 1)
	}
	f.wantFaults(t, Fading, NoFault)
}

// A fault lasts as long as its cause does, and is told once.
func TestFaultLasts(t *testing.T) {
	for name, c := range map[string]struct {
		level float64
		noise float64 // counts; below 0 and beyond 1023 the converter ends
		fault Fault
		over  float64 // noise afterwards
	}{
		"frozen":                     {303, 0, Frozen, 6},
		"at 0":                       {0, 0, StuckRail, 6},
		"at 1023":                    {1023, 0, StuckRail, 6},
		"nearly at 0":                {0, 0.7, StuckRail, 6},
		"nearly at 1023":             {1023, 0.7, StuckRail, 6},
		"at 0, then without noise":   {0, 0, StuckRail, 0},
		"at 4095, where it never is": {4095, 0, StuckRail, 6},
	} {
		t.Run(name, func(t *testing.T) {
			f := feed(Config{}, time.Minute, 6)
			for range 3 {
				known(f, 300, 200)
			}
			f.noise = 0
			converter := func(y float64) float64 { return math.Min(math.Max(y, 0), math.Max(c.level, 1023)) }
			stuck := func(int) float64 { return converter(c.level + c.noise*f.r.NormFloat64()) }
			f.read(20*1440, func(i int) float64 {
				if i%1000 == 999 { // a spark of life, or an outlier, is none
					return c.level/2 + 100
				}
				return stuck(i)
			}, 1)
			f.wantFaults(t, c.fault)
			f.noise = c.over
			f.read(100, flat(300), 1)
			f.wantFaults(t, c.fault, NoFault)
			f.noise = 6
			f.read(3*1440, flat(300), 1)
			f.noise = 0
			f.read(1440, stuck, 1) // and again
			f.wantFaults(t, c.fault, NoFault, c.fault)
		})
	}
}

// Neither does a lamp that saturates the converter when lit, or a place that is dark
// at night, make a fault by a count or two of noise there.
func TestNearAnEndIsNoFault(t *testing.T) {
	f := feed(Config{}, time.Minute, 0)
	for range 20 {
		f.read(720, func(int) float64 { return math.Abs(0.8 * f.r.NormFloat64()) }, 1) // night
		f.read(720, func(i int) float64 {
			return math.Abs(300*math.Sin(math.Pi*float64(i)/720) + 6*f.r.NormFloat64())
		}, 1)
	}
	f.wantFaults(t)
	// begun at noon
	f = feed(Config{}, time.Minute, 0)
	for i := range 10 * 1440 {
		light := math.Max(0, 300*math.Cos(2*math.Pi*float64(i)/1440))
		noise := 0.8
		if light > 0 {
			noise = 6
		}
		f.read(1, flat(math.Abs(light+noise*f.r.NormFloat64())), 1)
	}
	f.wantFaults(t)
	for _, first := range []int{600, 2700} { // readings that it is lit for, the first time
		f = feed(Config{}, time.Minute, 0)
		f.read(2000, func(int) float64 { return 700 + 6*f.r.NormFloat64() }, 1)
		for n := first; n > 100; n = n/2 + 50 {
			f.read(n, func(int) float64 { return math.Min(1023, 1022.5+0.8*f.r.NormFloat64()) }, 1)
			f.read(500, func(int) float64 { return 700 + 6*f.r.NormFloat64() }, 1)
		}
		f.wantFaults(t)
	}
	// long known, and lit for longer than it was before
	f = feed(Config{}, time.Minute, 6)
	for _, n := range []int{30, 30, 600} {
		f.noise = 6
		f.read(8000, flat(700), 1)
		f.noise = 0
		f.read(n, flat(1023), 1)
	}
	f.wantFaults(t)
	// lit and in the sun
	f = feed(Config{}, time.Minute, 6)
	known(f, 300, 200)
	f.read(60, flat(500), 1)
	f.noise = 0
	f.read(300, flat(1023), 1)
	f.wantFaults(t)
	// known by day, before its first night
	f = feed(Config{}, time.Minute, 3)
	for range 6 {
		f.read(30, flat(300), 1)
		f.read(30, flat(600), 1)
	}
	f.noise = 0
	f.read(360, func(i int) float64 { return math.Abs(300 - 300*float64(i)/360 + 3*f.r.NormFloat64()) }, 1)
	f.read(600, flat(0), 1)
	f.wantFaults(t)
	// next to no light when dark, and noise when lit
	f = feed(Config{}, time.Minute, 0)
	for range 10 {
		f.read(300, func(int) float64 { return 400 + 6*f.r.NormFloat64() }, 1)
		f.read(300, func(int) float64 { return math.Abs(0.8 * f.r.NormFloat64()) }, 1)
	}
	f.wantFaults(t)
	// as little noise before as there
	f = feed(Config{}, time.Minute, 0.6)
	known(f, 40, 200)
	f.read(1440, func(int) float64 { return 1.5 }, 1)
	f.wantFaults(t)
	// lit for days, and then for the first time dark, for an evening, where it reads 0
	f = feed(Config{}, time.Minute, 6)
	f.read(4*1440, flat(400), 1)
	f.noise = 0
	f.read(600, flat(0), 1)
	f.wantFaults(t)
}

// What was told and was none is not told each time.
func TestFaultThatWasNone(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	for range 5 {
		f.noise = 6
		f.read(2000, flat(400), 1)
		f.noise = 0
		f.read(1800, flat(0), 1) // where the lamp is, it is dark
	}
	f.wantFaults(t, StuckRail, NoFault)
}

// A sensor that has never read anything but an end of a converter's range is worth a
// warning after a day; another number may well be a dark place's.
func TestOneNumberSinceTheStart(t *testing.T) {
	for _, level := range []float64{0, 255, 1023, 4095, 65535} {
		f := feed(Config{}, time.Minute, 0)
		f.read(1440, flat(level), 1)
		f.wantFaults(t)
		f.read(20*1440, flat(level), 1)
		f.wantFaults(t, StuckRail)
		if !f.l.OneNumber() {
			t.Error("it read nothing else")
		}
		f.read(30, flat(200), 1)
		f.wantFaults(t, StuckRail, NoFault)
		if f.l.OneNumber() {
			t.Error("it did read something else")
		}
	}
	for _, level := range []float64{1, 17, 1000, 1024} {
		f := feed(Config{}, time.Minute, 0)
		f.read(20*1440, flat(level), 1)
		f.wantFaults(t)
	}
}

// Readings with next to no noise repeat themselves, by day or night, dark or lit.
func TestRepeatingIsNoFault(t *testing.T) {
	for _, noise := range []float64{0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3} {
		for _, dark := range []float64{200, 199.6, 254} {
			for _, days := range []int{0, 10} { // before the lamp is first lit
				f := feed(Config{}, time.Minute, noise)
				f.read(200+days*1440, flat(dark), 1)
				for i := range 12 {
					f.read(100+200*(i%3), flat(dark+400), 1)
					f.read(3000/(1+i%4), flat(dark), 1)
				}
				if len(f.fault) > 0 {
					t.Errorf("noise %v on %v, lit after %d days: %v", noise, dark, days, f.fault)
				}
			}
		}
	}
	// a bright day makes noise, and a room's light in the evening none
	f := feed(Config{}, time.Minute, 0)
	for range 10 {
		f.read(480, func(i int) float64 { return 200 + 300*math.Sin(math.Pi*float64(i)/480) + 3*f.r.NormFloat64() }, 1)
		f.read(240, flat(310), 1)
		f.read(720, flat(200), 1)
	}
	f.read(280, func(i int) float64 { return 200 + 300*math.Sin(math.Pi*float64(i)/480) + 3*f.r.NormFloat64() }, 1)
	f.read(200, func(i int) float64 { return 320 + 300*math.Sin(math.Pi*float64(i+280)/480) + 3*f.r.NormFloat64() }, 1)
	f.read(2400, flat(320), 1) // lit for long
	f.wantFaults(t)
	// another level than ever, which is no end of a converter's range
	f = feed(Config{}, time.Minute, 0)
	known(f, 200, 400)
	f.read(2000, flat(150), 1)
	f.wantFaults(t)
}

// Exploding noise is told once, and that it is over when it is.
func TestNoisyLasts(t *testing.T) {
	lampLit := func(i int) float64 { // now and then
		if i%700 >= 500 {
			return 380
		}
		return 0
	}
	for name, c := range map[string]struct {
		lamp  func(int) float64
		noise func(f *feeder, i int) float64
		fault bool
	}{
		"ten times":                 {lampLit, func(f *feeder, _ int) float64 { return 60 * f.r.NormFloat64() }, true},
		"a lamp that was never lit": {flat(0), func(f *feeder, _ int) float64 { return 60 * f.r.NormFloat64() }, true},
		"anything":                  {lampLit, func(f *feeder, _ int) float64 { return 1023*f.r.Float64() - 300 }, true},
		"anything, never lit":       {flat(0), func(f *feeder, _ int) float64 { return 1023*f.r.Float64() - 300 }, true},
		"growing":                   {lampLit, func(f *feeder, i int) float64 { return 3 * float64(i) / 1440 * f.r.NormFloat64() }, true},
		"for a while": {lampLit, func(f *feeder, i int) float64 {
			if i%1440 > 40 {
				return 0
			}
			return 60 * f.r.NormFloat64()
		}, false},
		"twice": {lampLit, func(f *feeder, _ int) float64 { return 13 * f.r.NormFloat64() }, false},
		"outliers": {lampLit, func(f *feeder, _ int) float64 {
			if f.r.IntN(50) > 0 {
				return 0
			}
			return 700*f.r.Float64() - 300
		}, false},
	} {
		t.Run(name, func(t *testing.T) {
			f := feed(Config{}, time.Minute, 6)
			f.read(7*1440, func(i int) float64 { return 300 + c.lamp(i) }, 1)
			f.read(20*1440, func(i int) float64 { return math.Min(math.Max(300+c.lamp(i)+c.noise(f, i), 0), 1023) }, 1)
			if !c.fault {
				f.wantFaults(t)
				return
			}
			f.wantFaults(t, Noisy)
			f.read(2000, func(i int) float64 { return 300 + c.lamp(i) + 24*f.r.NormFloat64() }, 1)
			f.read(100, func(i int) float64 { return 300 + c.lamp(i) }, 1)
			f.wantFaults(t, Noisy)
			f.read(2*1440, func(i int) float64 { return 300 + c.lamp(i) }, 1)
			f.wantFaults(t, Noisy, NoFault)
		})
	}
}

// A loose contact reads 0 every other time.
func TestLooseContact(t *testing.T) {
	loose := func(f *feeder, n int, share, end, level float64) {
		f.read(n, func(int) float64 {
			y := level + 6*f.r.NormFloat64()
			if f.r.Float64() < share {
				return end
			}
			return math.Min(math.Max(y, 0), math.Max(end, 1023))
		}, 1)
	}
	for _, end := range []float64{0, 4095} {
		for _, share := range []float64{0.2, 0.5, 0.8} {
			f := feed(Config{}, time.Minute, 6)
			known(f, 300, 200)
			f.read(5*1440, flat(300), 1)
			f.noise = 0
			for range 10 {
				loose(f, 2000, share, end, 300)
				loose(f, 300, 0, end, 300)
			}
			f.wantFaults(t, Noisy)
			loose(f, 2000, 0, end, 300)
			f.wantFaults(t, Noisy, NoFault)
			loose(f, 5000, share, end, 300)
			f.wantFaults(t, Noisy, NoFault, Noisy)
		}
	}
	// control: a lamp that reads 0 when dark, and blinks; and one that saturates
	for _, c := range []struct{ dark, lit, end, other float64 }{{0, 300, 0, 300}, {700, 1023, 1023, 700}} {
		f := feed(Config{}, time.Minute, 0)
		for range 4 {
			loose(f, 700, 0, 0, c.dark)
			loose(f, 700, 0, 0, c.lit)
		}
		loose(f, 700, 0, 0, c.dark)
		for range 4 {
			loose(f, 600, 0.5, c.end, c.other)
			loose(f, 700, 0, 0, c.dark)
		}
		f.wantFaults(t)
	}
	// nor one that blinks and saturates when it is first seen, nor one in short visits
	f := feed(Config{}, time.Minute, 0)
	loose(f, 3000, 0, 0, 700)
	for range 4 {
		loose(f, 600, 0.5, 1023, 700)
		loose(f, 700, 0, 0, 700)
	}
	f.wantFaults(t)
	f = feed(Config{}, time.Minute, 0)
	loose(f, 3000, 0, 0, 700)
	for range 30 {
		loose(f, 30, 1, 1023, 700)
		loose(f, 40, 0, 0, 700)
	}
	f.wantFaults(t)
	// nor does what flickers where a smaller converter would end
	f = feed(Config{}, time.Minute, 6)
	known(f, 700, 1300)
	f.noise = 0
	loose(f, 600, 0.5, 1022, 700)
	f.wantFaults(t)
	// nor does a dark night, with some noise
	f = feed(Config{}, time.Minute, 0)
	for range 20 {
		loose(f, 720, 0, 0, 3)
		loose(f, 720, 0, 0, 200)
	}
	f.wantFaults(t)
}

// Whatever a lamp does between its two levels is no noise, nor is what clouds do.
func TestBlinkingIsNoNoise(t *testing.T) {
	for name, level := range map[string]func(f *feeder) float64{
		"blinking":           func(f *feeder) float64 { return 380 * float64(f.r.IntN(2)) },
		"blurred":            func(f *feeder) float64 { return 380 * math.Min(math.Max(2*f.r.Float64()-0.5, 0), 1) },
		"of all its flash":   func(f *feeder) float64 { return 380 * f.r.Float64() },
		"of many flashes":    func(f *feeder) float64 { return 190 + 100*(f.r.Float64()-0.5) },
		"beyond both levels": func(f *feeder) float64 { return 380*float64(f.r.IntN(2)) + 80*f.r.NormFloat64() }, // the control
	} {
		for _, seen := range []bool{true, false} {
			if !seen && name == "of many flashes" { // a level of its own, with noise
				continue
			}
			f := feed(Config{}, time.Minute, 6)
			if seen {
				for range 10 {
					f.read(300, flat(300), 1)
					f.read(100, flat(680), 1)
				}
			}
			f.read(5*1440, flat(300), 1)
			at := 300.0 // drifts
			for range 5 {
				f.read(1000, func(int) float64 { at -= 0.02; return at + level(f) }, 1)
				f.read(900, flat(at), 1)
			}
			if told, beyond := slices.Contains(f.fault, Noisy), name == "beyond both levels"; told && !beyond || !told && beyond && seen {
				t.Errorf("%s, lamp seen %v: %v", name, seen, f.fault)
			}
		}
	}
	f := feed(Config{}, time.Minute, 6)
	f.read(3*1440, flat(300), 1) // dull days, and then broken clouds
	for seed := range uint64(10) {
		cloud := broken(rand.New(rand.NewPCG(seed, 5)), 300, 300, 0.3)
		f.read(720, func(i int) float64 { return 300 + (cloud(i)-300)*math.Sin(math.Pi*float64(i)/720) }, 1)
		f.read(720, flat(300), 1)
	}
	f.wantFaults(t)
}

// Two levels, moving light and the lamp's own changes are not rough; noise is.
func TestRough(t *testing.T) {
	f := feed(Config{}, time.Minute, 0)
	for name, c := range map[string]struct {
		level func(i int) float64
		rough bool
	}{
		"still":        {flat(300), false},
		"in turn":      {func(i int) float64 { return 300 + 380*float64(i%2) }, false},
		"a change":     {func(i int) float64 { return 300 + 380*float64(i/13) }, false},
		"moving light": {func(i int) float64 { return 300 + 4*float64(i) }, false},
		"noise":        {func(int) float64 { return 300 + 60*f.r.NormFloat64() }, true},
		"anything":     {func(int) float64 { return 1023 * f.r.Float64() }, true},
	} {
		mean := 0.0
		for range 100 {
			var y [nBuf]float64
			for i := range y {
				y[i] = c.level(i) + 6*f.r.NormFloat64()
			}
			mean += rough(y) / 100
		}
		if t.Logf("%s: %.0f", name, mean); (mean > 70) != c.rough {
			t.Errorf("%s: %v", name, mean)
		}
	}
}

// A lamp that saturates the converter, lit for hours each week at first, may stay lit for
// days: its light was seen there. Readings that never came near the end before, or
// came there as outliers only, are no lamp's.
func TestLitAtTheRailForDays(t *testing.T) {
	for _, lower := range []bool{false, true} {
		dark, end := 885.0, 1023.0
		if lower {
			dark, end = 138, 0
		}
		visit := func(f *feeder, days, lit int) {
			f.read(days*1440, flat(dark), 1)
			f.noise = 0
			f.read(lit, flat(end), 1)
			f.noise = 6
		}
		f := feed(Config{LitLower: lower}, time.Minute, 6)
		for range 3 {
			visit(f, 6, 140)
		}
		visit(f, 7, 3*1440)
		f.read(300, flat(dark), 1)
		f.wantFaults(t)
		if f.times(Lit) != 4 || f.times(Dark) != 4 {
			t.Errorf("lit %d times, dark %d times", f.times(Lit), f.times(Dark))
		}
		// control: a lamp that does not reach the end, though outliers do
		f = feed(Config{LitLower: lower}, time.Minute, 6)
		lit := 0.6*end + 0.4*dark
		for range 4 {
			for range 20 {
				f.read(100, flat(dark), 1)
				f.exact(end)
			}
			f.read(300, flat(lit), 1)
		}
		f.read(600, flat(dark), 1)
		f.read(60, flat(lit), 1)
		f.noise = 0
		f.read(2*1440, flat(end), 1)
		f.wantFaults(t, StuckRail)
	}
}
