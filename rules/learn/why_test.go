package learn

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// The reason of a change names a reading that lies where it says, and the levels that
// are shown with it; that the last reading of a faint lamp is off, or lies between
// the levels, changes nothing.
func TestWhyAgrees(t *testing.T) {
	n, between := 0, 0
	for _, lower := range []bool{false, true} {
		sign := 1.0
		if lower {
			sign = -1
		}
		f := feed(Config{LitLower: lower}, time.Minute, 6).seed(7, 7)
		said := 0
		for i := range 300 {
			f.read(60, flat(500+sign*26*float64(i%2)), 1)
			for ; said < len(f.got); said++ {
				var value, level float64
				var side, name string
				if _, err := fmt.Sscanf(f.why[said], "reading %g is %s the %s level %g,", &value, &side, &name, &level); err != nil {
					between++
					if _, err := fmt.Sscanf(f.why[said], "reading %g is on the way to the %s level %g,", &value, &name, &level); err != nil {
						t.Fatal(f.why[said])
					}
				}
				v := f.got[said]
				shown, above := v.OnAbove, !lower
				if name == "off" {
					shown, above = v.OffBelow, lower
				}
				if (name == "on") != (v.State == Lit) || math.Abs(shown-level) > 0.5 {
					t.Errorf("%q beside levels %v and %v", f.why[said], v.OnAbove, v.OffBelow)
				}
				if side != "" && (side == "above" != above || value < level-0.5 && above || value > level+0.5 && !above) {
					t.Errorf("%q", f.why[said])
				}
				n++
			}
		}
	}
	if n < 590 || between > 0 {
		t.Errorf("%d reasons, %d of them without a reading beyond its level", n, between)
	}
}

// So does that of a change by levels set by hand, which readings between them do not
// end.
func TestWhyByHand(t *testing.T) {
	for _, sign := range []float64{1, -1} {
		beyond, back := "above", "below"
		if sign < 0 {
			beyond, back = back, beyond
		}
		for delay, want := range map[time.Duration][]string{
			0: {
				fmt.Sprintf("reading %g is %s the hand-set on level %g, held for 3 readings (2 min)", sign*510, beyond, sign*500),
				fmt.Sprintf("reading %g is %s the hand-set off level %g, held for 3 readings (2 min)", sign*390, back, sign*400),
			},
			30 * time.Minute: {
				fmt.Sprintf("reading %g is not back from the hand-set on level %g, held for 31 readings (30 min)", sign*450, sign*500),
				fmt.Sprintf("reading %g is not back from the hand-set off level %g, held for 31 readings (30 min)", sign*450, sign*400),
			},
		} {
			l := New(Config{LitLower: sign < 0, Manual: Levels{OnAbove: sign * 500, OffBelow: sign * 400}, OnDelay: delay, OffDelay: delay})
			at, said := t0, []string{}
			for i := range 160 {
				y := 450.0
				switch {
				case i < 40:
					y = 300
				case i == 40:
					y = 510
				case i == 100:
					y = 390
				}
				if at = at.Add(time.Minute); l.Observe(at, sign*y).Changed {
					why, _, _ := strings.Cut(l.Why(), ";")
					said = append(said, why)
				}
			}
			if fmt.Sprint(said) != fmt.Sprint(want) {
				t.Errorf("%v: %q, want %q", delay, said, want)
			}
		}
	}
}

func TestExplain(t *testing.T) {
	for name, c := range map[string]struct {
		state  State
		last   []float64 // readings since the change
		value  float64
		beyond bool
	}{
		"lit":                 {Lit, []float64{590, 610}, 610, true},
		"then an outlier":     {Lit, []float64{590, 610, 210}, 610, true},
		"between the levels":  {Lit, []float64{400, 405}, 405, false},
		"dark":                {Dark, []float64{190, 215}, 215, true},
		"dark, an outlier":    {Dark, []float64{190, 215, 900}, 215, true},
		"what was before, no": {Lit, []float64{400}, 400, false},
	} {
		l := given(400, 6, 1, func(int) edge { return edge{Size: 400, SD: 6} })
		k := &l.c
		k.F.N, k.F.H[0] = 1, hyp{S: c.state, M: 200, W: 1}
		k.Edges.N, k.Changed = nBuf, true
		for i := range k.Edges.V {
			k.Edges.T[i], k.Edges.V[i] = int64(1000+i), 600
		}
		copy(k.Edges.V[nBuf-len(c.last):], c.last)
		k.Why = why{State: c.state, Enter: k.Edges.T[nBuf-len(c.last)], Value: c.last[len(c.last)-1]}
		k.explain()
		if k.Why.Held = 1; !strings.Contains(l.Why(), "held for 1 reading (") {
			t.Errorf("%s: %s", name, l.Why())
		}
		if w := &k.Why; w.Value != c.value || w.Beyond != c.beyond || w.On != 440 || w.Off != 360 {
			t.Errorf("%s: %+v", name, *w)
		}
	}
}

// Blinking may be known from two readings, of which one changed sides.
func TestWhyOfFewFlips(t *testing.T) {
	for want, w := range map[string]why{
		"the last 2 readings changed sides 1 time in ":  {Held: 2, Flips: 1},
		"the last 3 readings changed sides 2 times in ": {Held: 3, Flips: 2},
	} {
		l := New(Config{})
		w.State, w.Enter, w.At = Blinking, 1, 60_001
		l.c.Why = w
		if got := l.Why(); !strings.HasPrefix(got, want) {
			t.Errorf("%q", got)
		}
	}
}
