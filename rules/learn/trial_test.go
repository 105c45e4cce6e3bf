package learn

import (
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
