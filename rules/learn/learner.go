package learn

import (
	"fmt"
	"math"
	"time"
)

// Learner learns one lamp. Make it with New. It is not safe for concurrent use.
type Learner struct {
	c core
}

// core is everything a Learner knows, in fixed-size fields only, so that a
// snapshot is its plain binary image.
type core struct {
	Cfg  config
	N    uint64 // readings seen
	At   int64  // time of the last reading, Unix ms
	Val  float64
	Lo   float64 // tracked lower and upper level (in lit-is-higher sense)
	Hi   float64
	Dev  float64 // mean absolute difference of neighbours
	Seen [2]bool // dark, lit

	State     State
	Since     int64
	Pend      State
	PendAt    int64
	PendN     uint32
	Flips     uint16 // sides of the last 16 readings
	Side      bool
	Prov      bool
	Changed   bool
	Settled   bool
	WhyState  State
	WhyVal    float64
	WhyLevel  float64
	WhyAt     int64
	WhySince  int64
	WhyN      uint32
	WhyConf   float64
	WhyProv   bool
	WhyTaught bool
}

// config is Config in fixed-size fields.
type config struct {
	LitLower                      bool
	OnAbove, OffBelow             float64
	OnDelay, OffDelay, FalseEvery int64
}

// New makes a Learner that knows nothing yet.
func New(c Config) *Learner {
	l := &Learner{}
	l.Reconfigure(c)
	return l
}

// Reconfigure changes the configuration and keeps what was learned.
func (l *Learner) Reconfigure(c Config) {
	if c.LitLower != l.c.Cfg.LitLower {
		l.c = core{} // everything learned had the other sign
	}
	l.c.Cfg = config{c.LitLower, c.Manual.OnAbove, c.Manual.OffBelow, int64(c.OnDelay), int64(c.OffDelay), int64(c.FalseEvery)}
}

func (c *core) sign() float64 {
	if c.Cfg.LitLower {
		return -1
	}
	return 1
}

// Observe takes one fresh reading: at never decreases, value is the raw count
// (a value that is not finite is ignored). Constant time, no allocation.
func (l *Learner) Observe(at time.Time, value float64) Verdict {
	c := &l.c
	c.Changed, c.Settled = false, false
	if !finite(value) {
		return l.Verdict()
	}
	value = clamp(value, -1e12, 1e12)
	y := c.sign() * value
	ms := at.UnixMilli()
	if c.N > 0 && ms-c.At < 10_000 && value == c.Val {
		return l.Verdict() // a duplicate tells nothing new
	}
	if c.N == 0 {
		c.Lo, c.Hi = y, y
	} else {
		d := math.Min(math.Abs(y-c.sign()*c.Val), math.Max(6*c.Dev, 1))
		c.Dev += mul(0.03, d-c.Dev)
	}
	c.N++
	c.At, c.Val = ms, value
	on, off := c.levels()
	if y < c.Lo {
		c.Lo += mul(0.3, y-c.Lo)
	} else if y < off {
		c.Lo += mul(0.02, y-c.Lo)
	}
	if y > c.Hi {
		c.Hi += mul(0.3, y-c.Hi)
	} else if y > on {
		c.Hi += mul(0.02, y-c.Hi)
	}
	if c.Cfg.manual() || (c.N > 60 && c.Hi-c.Lo > 14*math.Max(c.Dev, 0.1)) {
		l.step(ms, y)
	}
	return l.Verdict()
}

func (c *config) manual() bool { return c.OnAbove != 0 || c.OffBelow != 0 }

// levels are the switching levels in the lit-is-higher sense.
func (c *core) levels() (on, off float64) {
	if c.Cfg.manual() {
		return c.sign() * c.Cfg.OnAbove, c.sign() * c.Cfg.OffBelow
	}
	return c.Lo + mul(0.6, c.Hi-c.Lo), c.Lo + mul(0.4, c.Hi-c.Lo)
}

func (l *Learner) step(ms int64, y float64) {
	c := &l.c
	on, off := c.levels()
	switch {
	case y >= on:
		c.Side = true
	case y <= off:
		c.Side = false
	}
	c.Flips <<= 1
	if c.Side {
		c.Flips |= 1
	}
	flips := 0
	for i := range 11 {
		if (c.Flips>>i)&1 != (c.Flips>>(i+1))&1 {
			flips++
		}
	}
	want := Dark
	if c.Side {
		want = Lit
	}
	if flips >= 4 || (c.State == Blinking && flips >= 1) {
		want = Blinking
	}
	if want != c.Pend {
		c.Pend, c.PendAt, c.PendN = want, ms, 0
	}
	c.PendN++
	need, delay := uint32(3), c.Cfg.OnDelay
	if want == Dark {
		delay = c.Cfg.OffDelay
	}
	if delay > 0 {
		need = 1
	}
	if want == c.State || c.PendN < need || (ms-c.PendAt)*1e6 < delay {
		return
	}
	c.Prov = c.State == Learning && !(c.Seen[0] && c.Seen[1])
	if c.State == Learning && want == Dark && !c.Seen[0] && !c.Seen[1] {
		c.Settled = true
	} else {
		c.Changed = true
		c.WhyState, c.WhyVal, c.WhyLevel, c.WhyAt, c.WhySince, c.WhyN = want, c.Val, on, ms, c.PendAt, c.PendN
		if want == Dark {
			c.WhyLevel = off
		}
		c.WhyConf, c.WhyProv, c.WhyTaught = 0.9, c.Prov, false
	}
	if want == Dark {
		c.Seen[0] = true
	} else {
		c.Seen[1] = true
	}
	c.State, c.Since = want, c.PendAt
}

// Teach takes a person's word that the lamp is dark or lit at this moment.
func (l *Learner) Teach(at time.Time, s State) Verdict {
	c := &l.c
	c.Changed, c.Settled = false, false
	if (s != Dark && s != Lit) || c.N == 0 {
		return l.Verdict()
	}
	if s != c.State {
		c.Settled = c.State == Learning
		c.State, c.Since, c.Prov = s, at.UnixMilli(), false
	}
	c.Seen[s-Dark] = true
	y := c.sign() * c.Val
	if s == Dark {
		c.Lo = y
		c.Hi = math.Max(c.Hi, y)
	} else {
		c.Hi = y
		c.Lo = math.Min(c.Lo, y)
	}
	return l.Verdict()
}

// Verdict is what the last Observe or Teach returned.
func (l *Learner) Verdict() Verdict {
	c := &l.c
	on, off := c.levels()
	v := Verdict{State: c.State, Changed: c.Changed, Settled: c.Settled, Provisional: c.Prov,
		OnAbove: c.sign() * on, OffBelow: c.sign() * off}
	if c.State != Learning {
		v.Confidence = 0.9
		v.Since = time.UnixMilli(c.Since).UTC()
	}
	return v
}

// Why says in one plain sentence why the last change was announced; empty if
// none was.
func (l *Learner) Why() string {
	c := &l.c
	if c.WhyState == Learning {
		return ""
	}
	word := "above the on level"
	if c.WhyState == Dark {
		word = "below the off level"
	}
	return fmt.Sprintf("reading %.6g is %s %.6g, held for %d readings", c.WhyVal, word, c.sign()*c.WhyLevel, c.WhyN)
}

// Aim tells how well the two levels can be told apart right now.
func (l *Learner) Aim() Aim {
	c := &l.c
	noise := 0.886 * c.Dev
	a := Aim{Value: c.Val, Dark: c.sign() * c.Lo, Lit: c.sign() * c.Hi, Noise: noise, Grade: "unknown",
		Hint: "let the lamp change once, or teach it"}
	if c.Seen[0] && c.Seen[1] {
		a.Separation = math.Min((c.Hi-c.Lo)/math.Max(noise, 1e-9), 1e9)
		a.Grade, a.Hint = "good", ""
	}
	return a
}
