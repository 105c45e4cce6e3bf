package learn

import (
	"math/rand/v2"
	"testing"
	"time"
)

// jumping is noise that jumps between two levels in four places at once, each for
// a quarter of an hour to an hour, as of loose contacts or a transistor's popcorn
// noise (common practice, no source), on white noise.
func jumping() func(int) float64 {
	r := rand.New(rand.NewPCG(5, 6))
	var on [4]bool
	return func(int) float64 {
		x := 300.0
		for k := range on {
			if r.Float64() < 1/float64(15*(k+1)) {
				on[k] = !on[k]
			}
			if on[k] {
				x += 12 * (0.8 + 0.1*float64(k))
			}
		}
		return x
	}
}

// Noise that moves the level at all hours makes edges of one size, up and down in
// turn, but is no lamp; and it takes no lamp's place that is seldom lit.
func TestWanderingIsNoLamp(t *testing.T) {
	for name, c := range map[string]struct {
		step float64
		want int // announcements
	}{
		"no lamp": {0, 0},
		"a lamp":  {600, 4},
	} {
		f := feed(Config{}, time.Minute, 2.5)
		noise := jumping()
		f.read(25*1440, func(i int) float64 {
			lit := i > 2000 && i < 2120 || i > 34000 && i < 34120
			return noise(i) + c.step*float64(btoi(lit))
		}, 1)
		if n := len(f.got); n != c.want {
			t.Errorf("%s: %d announcements", name, n)
		}
	}
}

// Neither one edge, nor blinking, nor edges that took a larger step's place are
// believed where the level goes farther by itself; and what was told is taken
// back.
func TestWanderingIsNotBelieved(t *testing.T) {
	for _, wanders := range []bool{false, true} {
		move := 0.0
		if wanders {
			move = 100
		}
		want := !wanders
		f := feed(Config{}, time.Minute, 2)
		f.read(2000, flat(300), 1)
		f.l.moves(move, 0, 23)
		f.read(60, flat(345), 1)
		if got := f.l.c.Known; got != want {
			t.Errorf("one edge, wandering %v: known %v", wanders, got)
		}

		f = feed(Config{}, time.Minute, 2)
		f.read(2000, flat(300), 1)
		f.l.moves(move, 0, 23)
		f.read(40, func(i int) float64 { return 300 + 45*float64(i*5/3%2) }, 1)
		if got := f.l.c.Known; got != want {
			t.Errorf("blinking, wandering %v: known %v", wanders, got)
		}

		f = feed(Config{}, time.Minute, 2)
		known(f, 300, 380)
		for range 8 {
			f.l.moves(move, 0, 23)
			f.read(150, flat(340), 1)
			f.read(60, flat(385), 1)
		}
		if got := f.l.c.F.Step < 100; got != want {
			t.Errorf("a smaller step, wandering %v: step %.0f", wanders, f.l.c.F.Step)
		}

		l := given(45, 2, 12, func(i int) edge {
			return edge{At: int64(i) * dayMS / 7, Size: 45 * float64(1-2*(i%2)), SD: 2, Leap: 45}
		})
		l.moves(move, 0, 23)
		l.c.refute()
		if got := l.c.Known; got != want {
			t.Errorf("told by, wandering %v: known %v", wanders, got)
		}
	}
}

// A step is given up, and not learned, where the calmest hours move the level by
// more; where they move it less, by the lamp's changes that were not seen, or the
// step is a large one, it stays.
func TestWanders(t *testing.T) {
	for name, c := range map[string]struct {
		step, move float64
		want       bool
	}{
		"wanders":   {24, 36, true},
		"a lamp's":  {24, 26, false},
		"large":     {180, 300, false},
		"one large": {140, 300, true},
	} {
		l := New(Config{})
		l.moves(c.move, 0, 23)
		if got := l.c.wanders(c.step, 6); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}
