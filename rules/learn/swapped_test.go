package learn

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Who says what the lamp shows while the reading says the opposite may have a sensor
// that reads the other way.
func TestSwapped(t *testing.T) {
	for name, lower := range map[string]bool{"reads higher": false, "reads lower": true} {
		t.Run(name, func(t *testing.T) {
			at := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
			feed := func(l *Learner, n int, level float64) {
				for i := range n {
					at = at.Add(time.Minute)
					l.Observe(at, level+float64(i%5))
				}
			}
			dark, lit := 1000.0, 3000.0
			if lower {
				dark, lit = lit, dark
			}
			l := New(Config{LitLower: lower})
			require.Empty(t, l.Swapped(Lit), "no reading")
			feed(l, 60, dark)
			require.Empty(t, l.Swapped(Lit), "nothing is known")
			for range 3 {
				feed(l, 60, lit)
				feed(l, 60, dark)
			}
			require.Equal(t, Dark, l.Verdict().State)
			require.Empty(t, l.Swapped(Dark))
			require.Contains(t, l.Swapped(Lit), "lies where it is known as dark")
			feed(l, 1, lit) // it may have lit just now
			require.Empty(t, l.Swapped(Lit))
			feed(l, 20, lit)
			require.Empty(t, l.Swapped(Lit))
			require.Contains(t, l.Swapped(Dark), "lies where it is known as lit")
			require.Empty(t, l.Swapped(Blinking))

			l = New(Config{LitLower: lower})
			feed(l, 60, lit)
			l.Teach(at, Dark)
			require.Empty(t, l.Swapped(Lit), "at the same reading one of the two is a mistake, whichever way it reads")
			feed(l, 1, dark)
			word := "lower"
			if lower {
				word = "higher"
			}
			require.Contains(t, l.Swapped(Lit), word+" than that at which it was taught as dark")

			m := Levels{OnAbove: 2500, OffBelow: 2000}
			if lower {
				m = Levels{OnAbove: 2000, OffBelow: 2500}
			}
			l = New(Config{LitLower: lower, Manual: m})
			feed(l, 10, dark)
			require.Contains(t, l.Swapped(Lit), "is dark by the levels set by hand")
			require.Empty(t, l.Swapped(Dark))
			feed(l, 1, 2200)
			require.Empty(t, l.Swapped(Lit), "between the levels")
		})
	}
}
