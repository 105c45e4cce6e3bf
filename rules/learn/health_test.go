package learn

import (
	"math"
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
	fade(0.85).wantFaults(t) // control: a little dust
}
