package learn

import (
	"fmt"
	"math"
	"strings"
	"time"

	"lampward/rules/span"
)

// why is what the sentence about the last announced change is made of.
type why struct {
	State, From    State
	At, Enter      int64
	Held           uint32 // readings since Enter, both ends counted
	Flips          uint32 // Blinking: changes of side in those readings
	Value, On, Off float64
	Step           float64
	Conf           float64
	Prov, Manual   bool
	Beyond         bool  // Value is beyond the level of State
	Smoothed       bool  // Value is what the board measured, and not what it sent
	How            uint8 // how the state became known without a change; 0: by a change
}

const (
	byChange = iota
	byLearning
	byTeaching
	byHand
)

// Why says in one plain sentence why the last change was announced, or how the
// state became known without one; empty while neither happened.
func (l *Learner) Why() string {
	c := &l.c
	w := &c.Why
	if w.State == Learning {
		return ""
	}
	switch w.How {
	case byTeaching:
		return fmt.Sprintf("a person said so at reading %s", num(w.Value))
	case byHand:
		return fmt.Sprintf("reading %s lies on this side of the hand-set levels %s and %s", num(w.Value), num(w.On), num(w.Off))
	case byLearning:
		return fmt.Sprintf("both levels are known now: the lamp makes %s counts of difference, and reading %s lies against an on level of %s and an off level of %s",
			num(w.Step), num(w.Value), num(w.On), num(w.Off))
	}
	var b strings.Builder
	held := (time.Duration(w.At-w.Enter) * time.Millisecond).Round(time.Second)
	set := ""
	if w.Manual {
		set = "hand-set "
	}
	beyond, back := "above", "below"
	if c.Cfg.LitLower {
		beyond, back = back, beyond
	}
	switch w.State {
	case Blinking:
		fmt.Fprintf(&b, "the last %s changed sides %s in %s, %s the %son level %s and %s the off level %s in turn",
			span.Count(w.Held, "reading"), span.Count(w.Flips, "time"), span.Text(held), beyond, set, num(w.On), back, num(w.Off))
	case Lit, Dark:
		side, name, level := beyond, "on", w.On
		if w.State == Dark {
			side, name, level = back, "off", w.Off
		}
		switch {
		case w.Beyond:
		case w.Manual: // within the deadband for longer than readings are kept
			side = "not back from"
		default:
			side = "on the way to"
		}
		fmt.Fprintf(&b, "reading %s is %s the %s%s level %s, held for %s (%s)", num(w.Value), side, set, name, num(level), span.Count(w.Held, "reading"), span.Text(held))
	}
	if !w.Manual && w.State != Blinking {
		fmt.Fprintf(&b, "; the lamp makes %s counts of difference", num(w.Step))
	}
	if w.Smoothed {
		b.WriteString("; the board sends a running mean of what it measures, which is taken out here")
	}
	fmt.Fprintf(&b, "; %s sure", Sure(w.Conf))
	if w.Prov {
		b.WriteString(", provisional until both states were seen")
	}
	return b.String()
}

// explain gives the reason of a change just announced the levels as they are now, and
// the newest of the readings since it began, or of those kept, that lies beyond its
// level: the last one may be an outlier, or within the deadband. Beyond is no level
// if there is none.
func (c *core) explain() {
	w := &c.Why
	if !c.Changed || w.State != Lit && w.State != Dark {
		return
	}
	on, off := c.levels()
	w.On, w.Off = mul(c.sign(), on), mul(c.sign(), off)
	w.Beyond, w.Smoothed = false, c.Smooth.Kind != notSmoothed
	for i := nBuf - 1; i >= nBuf-int(c.Edges.N) && c.Edges.T[i] >= w.Enter; i-- {
		if y := c.Edges.V[i]; w.State == Lit && y >= on || w.State == Dark && y <= off {
			w.Beyond, w.Value = true, mul(c.sign(), y)
			return
		}
	}
}

// num writes a count as short as it may be.
func num(x float64) string {
	if a := math.Abs(x); a >= 100 || x == math.Trunc(x) {
		return fmt.Sprintf("%.0f", x)
	}
	return fmt.Sprintf("%.1f", x)
}

// Sure writes a chance, 0 to 1, for people. It never says 100 %: nothing is that sure.
func Sure(p float64) string {
	switch {
	case p > 0.999:
		return "over 99.9 %"
	case p > 0.99:
		return fmt.Sprintf("%.1f %%", math.Floor(p*1000)/10)
	}
	return fmt.Sprintf("%.0f %%", p*100)
}

// Aim tells how well the two levels can be told apart right now.
//
// Separation is Ashman's D = sqrt(2)|m1-m2|/sqrt(s1^2+s2^2), where s2 is larger than
// s1 for a lamp that flickers; above 2 two levels are cleanly separate (Ashman, Bird
// and Zepf, Astronomical Journal 108 (1994) 2348, from memory). One reading
// then still errs once in six, so the grades ask for more.
func (l *Learner) Aim() Aim {
	c := &l.c
	sd := math.Sqrt(c.Noise.variance())
	a := Aim{Value: c.Val, Dark: c.Val, Lit: c.Val, Noise: sd, Grade: "unknown",
		Hint: "only one level seen so far: switch the lamp once, or teach lit and dark"}
	var dark, lit float64
	bright := sd // noise while the lamp shines
	switch {
	case c.Cfg.manual():
		a.Dark, a.Lit = c.Cfg.OffBelow, c.Cfg.OnAbove
		a.Hint = "levels are set by hand"
		return a
	case c.Known:
		dark = c.F.best().M
		step := c.F.step(dark)
		lit, bright = dark+step, math.Sqrt(sq(sd)+mul(c.F.Ripple, sq(step)))
	case c.Taught[0] && c.Taught[1]:
		dark, lit = c.TaughtAs[0], c.TaughtAs[1]
		if lit <= dark {
			reads := "lower"
			if c.Cfg.LitLower {
				reads = "higher"
			}
			a.Hint = fmt.Sprintf("lit was taught at a reading not beyond dark: teach both again, or write lit_reads = %q for this lamp", reads)
			return a
		}
	default:
		return a
	}
	a.Dark, a.Lit = mul(c.sign(), dark), mul(c.sign(), lit)
	a.Separation = math.Min(AshmanD(dark, sd, lit, bright), 1e6)
	a.Hint = ""
	switch d := a.Separation; {
	case d < 3:
		a.Grade, a.Hint = "too weak", "move the sensor closer to the lamp and shield it from other light; then try another divider resistor"
	case d < 6:
		a.Grade, a.Hint = "weak", "it works, but slower: closer to the lamp or better shielded would help"
	case d < 15:
		a.Grade = "good"
	default:
		a.Grade = "excellent"
	}
	// Without noise readings pile up wherever the lamp's light is.
	if rail := c.Noise.rail(); rail != 0 && lit > rail-mul(3, sd) && (isEnd(mul(c.sign(), rail)) || c.Noise.steps() > 1) {
		a.Hint = "lit reads at the end of the converter's range: another divider resistor would leave room for daylight"
	}
	if a.Hint == "" && c.Smooth.Kind != notSmoothed {
		a.Hint = "the board sends a running mean of what it measures: lampward takes that out, but single readings tell more, and sooner"
	}
	return a
}

// Swapped says what tells that lit and dark are the wrong way round, if a person
// sees that the lamp is s: a clause, or nothing. Ask before Teach. That the lamp
// changed after the newest reading looks the same.
func (l *Learner) Swapped(s State) string {
	c := &l.c
	if s != Dark && s != Lit || c.N == 0 || s == c.State {
		return ""
	}
	other := Dark + Lit - s
	y, way := mul(c.sign(), c.Val), 1.0
	if s == Dark {
		way = -1
	}
	switch on, off := c.levels(); {
	case c.Cfg.manual():
		if s == Lit && y <= off || s == Dark && y >= on {
			return fmt.Sprintf("its newest reading, %s, is %s by the levels set by hand", num(c.Val), other)
		}
	case c.Known:
		// How far the reading is beyond the middle, on the side of s, in steps.
		if mul(way, y-mul(0.5, on+off))/c.F.stepNow() < -0.25 {
			return fmt.Sprintf("its newest reading, %s, lies where it is known as %s", num(c.Val), other)
		}
	case c.Taught[other-Dark]:
		if at := c.TaughtAs[other-Dark]; mul(way, y-at) < -3*math.Sqrt(c.Noise.variance()) {
			than := "lower"
			if c.Val > mul(c.sign(), at) {
				than = "higher"
			}
			return fmt.Sprintf("its newest reading, %s, is %s than that at which it was taught as %s, %s", num(c.Val), than, other, num(mul(c.sign(), at)))
		}
	}
	return ""
}

// AshmanD is Ashman's separation of two Gaussian levels with means m1, m2 and
// standard deviations s1, s2 > 0.
func AshmanD(m1, s1, m2, s2 float64) float64 {
	return math.Sqrt2 * math.Abs(m1-m2) / math.Sqrt(sq(s1)+sq(s2))
}
