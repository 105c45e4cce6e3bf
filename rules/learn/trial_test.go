package learn

import (
	"math"
	"testing"
	"time"
)

// Somebody who mounted the sensor tries the lamp: each case gives the levels, in turn,
// and for how many readings, of a lamp that reads 200 dark.
func TestTrials(t *testing.T) {
	type held struct {
		n     int
		level float64
	}
	for name, c := range map[string]struct {
		noise  float64
		levels []held
		want   []State
	}{
		// Every five minutes is no blinking, though too short to be told each time.
		"switched often": {6, []held{{40, 200}, {20, 600}, {20, 200}, {6, 600}, {5, 200}, {4, 600}, {6, 200}, {5, 600}, {120, 200}},
			[]State{Lit, Dark, Lit, Dark}},
		// A lamp that blinks does so in its first hours, too.
		"blinks": {6, []held{{40, 200}, {20, 600}, {20, 200},
			{1, 600}, {2, 200}, {1, 600}, {1, 200}, {2, 600}, {1, 200}, {1, 600}, {3, 200}, {2, 600}, {1, 200}, {1, 600}, {2, 200}, {1, 600}, {60, 200}},
			[]State{Lit, Dark, Blinking, Dark}},
		// A visit of a few minutes left no edge, and was taken for light that moves.
		"short visits": {9, []held{{30, 200}, {6, 340}, {30, 200}, {12, 340}, {12, 200}, {12, 340}, {12, 200}, {12, 340}, {40, 200}}, []State{Lit, Dark, Lit, Dark}},
		// A light that was on at the first reading goes out: that may be the lamp. Once
		// another size comes, it was somebody's who saw to the sensor.
		"a room's light": {6, []held{{30, 900}, {60, 200}, {30, 500}, {60, 200}, {30, 500}, {60, 200}}, []State{Dark, Lit, Dark, Lit, Dark}},
		"the lamp":       {6, []held{{30, 500}, {60, 200}, {30, 500}, {60, 200}, {30, 500}, {60, 200}}, []State{Dark, Lit, Dark, Lit, Dark}},
	} {
		t.Run(name, func(t *testing.T) {
			f := feed(Config{}, time.Minute, c.noise)
			for _, x := range c.levels {
				f.read(x.n, flat(x.level), 1)
			}
			f.want(t, c.want...)
		})
	}
}

// A torch held in a hand is restless, and no lamp's light; one that is as steady before as
// after may be the lamp's.
func TestTorch(t *testing.T) {
	for name, c := range map[string]struct {
		restless float64 // counts, either way
		want     []State
	}{
		"held":   {60, []State{Lit, Dark}},
		"steady": {0, []State{Dark, Lit, Dark}},
	} {
		f := feed(Config{}, time.Minute, 6)
		f.read(7, func(i int) float64 { return 900 + c.restless*math.Cos(float64(2*i)) }, 1)
		f.read(30, flat(200), 1)
		f.read(30, flat(500), 1)
		f.read(30, flat(200), 1)
		t.Log(name)
		f.want(t, c.want...)
	}
}

// A lamp that was tried within the first minutes, too soon for an edge to be seen, is
// learned by its next changes; what it did before is no light that moves.
func TestTriedSoon(t *testing.T) {
	told := 0
	for seed := range uint64(100) {
		f := feed(Config{}, time.Minute, 6).seed(seed, 7)
		for i, n := range []int{5, 10, 20, 15, 20, 15, 20, 15, 40} {
			f.read(n, flat(200+90*float64(i%2)), 1)
		}
		if len(f.got) > 0 {
			told++
		}
	}
	if told < 80 {
		t.Errorf("told %d of 100, want 80 at least", told)
	}
}
