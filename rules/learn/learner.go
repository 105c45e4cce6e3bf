package learn

import (
	"math"
	"slices"
	"time"
)

// Learner learns one lamp. Make it with New. It is not safe for concurrent use.
type Learner struct {
	c core
}

// core is everything a Learner knows, in fixed-size fields only, so that a
// snapshot is its plain binary image. Levels in it are in the sense that lit
// reads higher; sign turns them round.
type core struct {
	Cfg config

	Begin int64   // time of the first reading, Unix ms
	N     uint64  // readings taken, duplicates not counted
	At    int64   // time of the last reading, Unix ms
	Val   float64 // last reading as published
	IV    float64 // usual interval, ms

	Smooth  smoother
	Noise   noise
	Edges   edges
	Prelude prelude
	Range   ambient
	Hours   hours
	Known   bool // the lamp's step is known
	F       filter

	NUp, NDown uint32  // edges that taught the step
	Matched    int64   // time of the last of them, Unix ms
	Taught     [2]bool // a person said that the lamp was dark, lit
	TaughtAs   [2]float64
	TaughtAt   [2]int64 // Unix ms
	Told       uint32   // changes announced since this step is used
	Refuted    float64  // largest step that turned out not to be a lamp's, counts
	NLit       uint32   // announced changes from lit to dark or back
	NBlink     uint32   // announced blinking
	Lasts      [2]int64 // longest that the lamp was told dark, lit by this step, ms

	State   State
	Since   int64
	Prov    bool
	Changed bool
	Settled bool
	Conf    float64
	Man     sides

	Why why

	Fault        Fault
	FaultChanged bool
	Health       health
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

// Reconfigure changes the configuration and keeps what was learned, unless
// the lamp's direction turned round.
func (l *Learner) Reconfigure(cfg Config) {
	c := &l.c
	was := c.Cfg
	c.Cfg = config{cfg.LitLower, cfg.Manual.OnAbove, cfg.Manual.OffBelow, int64(cfg.OnDelay), int64(cfg.OffDelay), int64(cfg.FalseEvery)}
	switch {
	case c.Cfg.LitLower != was.LitLower:
		*c = core{Cfg: c.Cfg}
	case c.Cfg.manual() != was.manual():
		c.F, c.Known, c.Man = filter{}, false, sides{}
		if !c.Cfg.manual() {
			c.relearn()
		}
	}
}

func (c *core) sign() float64 {
	if c.Cfg.LitLower {
		return -1
	}
	return 1
}

// Observe takes one fresh reading: at never decreases, value is the raw count
// (one that is not finite is ignored, one beyond 1e12 is taken as 1e12).
// Constant time, no allocation.
func (l *Learner) Observe(at time.Time, value float64) Verdict {
	c := &l.c
	if !finite(value) {
		c.Changed, c.Settled, c.FaultChanged = false, false, false
		return l.Verdict()
	}
	return l.take(at.UnixMilli(), clamp(value, -1e12, 1e12), true)
}

// take takes a reading, as the board sent it or (else) with its smoothing taken out.
func (l *Learner) take(ms int64, value float64, sent bool) Verdict {
	c := &l.c
	told, known, kind := c.Changed, c.State != Learning, c.Smooth.Kind
	c.Changed, c.Settled, c.FaultChanged = false, false, false
	gap := float64(ms - c.At)
	if c.Begin == 0 {
		c.Begin = ms
	}
	if c.N > 0 {
		// The same number again after a fraction of the interval is a
		// duplicate and tells nothing new. Readings that come by the second
		// are a person trying things out: there nothing is dropped.
		if value == c.Val && c.N > 3 && c.IV > 2000 && gap < 0.25*c.IV {
			return l.Verdict()
		}
		c.cadence(gap)
	}
	dt := 1.0
	if c.N > 0 {
		dt = clamp(gap/math.Max(c.IV, 1), 0.2, 1e4)
	}
	c.N++
	c.At, c.Val = ms, value
	y := mul(c.sign(), value)
	switch {
	case c.Cfg.manual(): // a person set levels for what the board sends
		c.Smooth = smoother{}
	case sent:
		y = c.measured(y, gap/math.Max(c.IV, 1))
	}
	ripples := c.Known && c.ripple(c.F.stepNow()) > c.F.R // those differences tell nothing of the noise
	c.Noise.observe(y, c.Health.Equal, c.Health.Same, ripples || c.flips(y), c.Range.RHi-c.Range.RLo < mul(3, math.Sqrt(c.Noise.steps())))
	if c.Known && c.Noise.Quantum > mul(0.125, c.F.stepNow()) { // it may well be the lamp's
		c.Noise.Steps = 0
	}
	if c.Edges.N == nBuf && !c.Known {
		c.Prelude.add(c.Edges.V[0])
	}
	c.Edges.push(ms, y)
	if !c.Known {
		c.Edges.mend()
	}
	if c.Cfg.manual() {
		l.manual(ms, y)
		l.inspect(ms, value)
		c.explain()
		return l.Verdict()
	}
	if c.handled(ms) {
		l.again(calmRun)
		v := l.Verdict()
		v.GivenUp, v.Handled = known, known
		return v
	}
	if n := c.torch(); n > 0 {
		l.again(n)
		return l.Verdict()
	}
	if told {
		c.refute()
	}
	l.edge(ms)
	minutes := mul(dt, c.IV) / 60000
	c.Range.observe(&c.Edges, minutes, math.Sqrt(c.Noise.variance()))
	if c.Range.Minutes > 180 {
		c.Hours.move(ms, c.Range.Span, minutes)
	}
	if c.Known {
		l.filter(ms, y, dt, minutes)
	} else if c.Edges.N == nBuf {
		c.Hours.learn(ms, c.Edges.oldLevel(), minutes)
	}
	l.inspect(ms, value)
	c.explain()
	v := l.Verdict()
	v.GivenUp = known && v.State == Learning
	v.Smooths = v.GivenUp && c.Smooth.Kind != kind
	return v
}

// Smoothed tells whether the board is known to send a running mean of what it measures.
func (l *Learner) Smoothed() bool { return l.c.Smooth.Kind != notSmoothed }

// setup is how long after the first reading somebody may still be handling the
// sensor: wiring, aiming, putting the lid on.
const setup = 3 * 3_600_000 // ms

// handled tells whether somebody handled the sensor until a few readings ago,
// within its first hours, and the lamp is not yet known by more than that.
func (c *core) handled(ms int64) bool {
	return ms-c.Begin < setup && !c.Taught[0] && !c.Taught[1] && c.NUp+c.NDown < 4 && c.NBlink == 0 && c.State != Blinking && c.Edges.handled()
}

// torch is how many readings there are since somebody's light went out that shone on the
// sensor when it was mounted, held in a hand: it was restless, and the level after it is
// calm. 0: none was seen.
func (c *core) torch() uint32 {
	if c.N != nBuf || c.Edges.N != nBuf || c.Known || c.Taught[0] || c.Taught[1] {
		return 0
	}
	e, before, ok := c.Edges.opening(c.Noise.floor())
	if !ok || e.Size > 0 {
		return 0
	}
	pre := c.Edges.V[:before]
	if slices.Max(pre)-slices.Min(pre) < mul(8, e.SD)+mul(2, c.Noise.unit()) {
		return 0
	}
	for before < nBuf && (c.Edges.V[before]-e.From)/e.Size < 0.9 {
		before++
	}
	return uint32(nBuf - before)
}

// again learns anew from the last n readings.
func (l *Learner) again(n uint32) {
	c := &l.c
	old := *c
	*c = core{Cfg: old.Cfg, Begin: old.Begin, Smooth: old.Smooth}
	for i := nBuf - min(n, old.Edges.N); i < nBuf; i++ {
		l.take(old.Edges.T[i], mul(c.sign(), old.Edges.V[i]), false)
	}
	c.Val = old.Val // as it was sent
	c.FaultChanged = c.Fault != old.Fault
}

// Anew forgets all that was learned and taught, but for the last reading: the
// sensor was mounted, moved or changed. Levels set by hand stay. GivenUp of the
// Verdict tells that the lamp had been known.
func (l *Learner) Anew() Verdict {
	c := &l.c
	c.Changed, c.Settled, c.FaultChanged = false, false, false
	if c.Cfg.manual() {
		return l.Verdict()
	}
	old, known := *c, c.State != Learning
	*c = core{Cfg: old.Cfg}
	if old.N > 0 {
		l.take(old.At, old.Val, true)
	}
	c.FaultChanged = c.Fault != old.Fault
	v := l.Verdict()
	v.GivenUp = known
	return v
}

// cadence tracks the median interval.
func (c *core) cadence(gap float64) {
	switch {
	case gap <= 0:
	case c.N == 1:
		c.IV = gap
	default:
		k := 0.02 + 1/float64(min(c.N, 1000))
		if gap > c.IV {
			c.IV *= 1 + k
		} else {
			c.IV *= 1 - k
		}
	}
	c.IV = clamp(c.IV, 1, 1e9)
}

// levels are the switching levels now, in the lit-is-higher sense.
func (c *core) levels() (on, off float64) {
	switch {
	case c.Cfg.manual():
		return mul(c.sign(), c.Cfg.OnAbove), mul(c.sign(), c.Cfg.OffBelow)
	case !c.Known:
		y := mul(c.sign(), c.Val)
		return y, y
	}
	m := c.F.best().M
	step := c.F.step(m)
	return m + mul(0.6, step), m + mul(0.4, step)
}

// Teach takes a person's word that the lamp is Dark or Lit at this moment;
// other states are ignored. It never announces a change, for the person knows;
// Settled tells that the state shown became another by it. Once both were
// taught, the lamp's step is known.
func (l *Learner) Teach(at time.Time, s State) Verdict {
	c := &l.c
	c.Changed, c.Settled, c.FaultChanged = false, false, false
	if (s != Dark && s != Lit) || c.N == 0 {
		return l.Verdict()
	}
	ms := max(at.UnixMilli(), c.At)
	y := c.Edges.V[nBuf-1]
	c.Taught[s-Dark], c.TaughtAs[s-Dark], c.TaughtAt[s-Dark] = true, y, ms
	switch {
	case c.Cfg.manual():
		c.Man = sides{N: 1, Side: s == Lit, Run: 1, Since: ms}
		if s == Lit {
			c.Man.Last = 1
		}
	case c.Known && c.State == s && c.F.best().S == s:
	case c.Known:
		c.F.start(s, c.F.ambient(y, s == Lit), ms)
		c.F.H[0].P = c.F.Tau2 + c.F.R
	}
	if !c.Cfg.manual() && c.Taught[0] && c.Taught[1] {
		step := c.TaughtAs[1] - c.TaughtAs[0]
		if step > 3*math.Sqrt(c.Noise.variance()) && (!c.Known || c.NUp == 0 || c.NDown == 0 || c.contradicted(step)) {
			step = mul(step, c.Edges.ratio(c.TaughtAs[0]))
			c.adopt(step, 0)
			c.F.Tau2 = sq(0.15 * step)
			c.F.start(s, c.F.ambient(y, s == Lit), ms)
			c.NUp, c.NDown, c.F.Darkest = 1, 1, c.TaughtAs[0]
		}
	}
	c.Prov, c.Conf = false, 1
	if s != c.State {
		c.State, c.Since = s, ms
		l.settle(ms, byTeaching)
	}
	return l.Verdict()
}

// contradicted tells whether a person taught both states within a week, by a step
// quite unlike the one in use: that was not seen since, for the sensor was moved; or edges
// of what was taught were, and twice as large, so it is a room's light.
func (c *core) contradicted(step float64) bool {
	from, to := min(c.TaughtAt[0], c.TaughtAt[1]), max(c.TaughtAt[0], c.TaughtAt[1])
	seen := slices.ContainsFunc(c.Edges.E[:c.Edges.NE], func(x edge) bool {
		return x.credit() > 0 && math.Abs(math.Abs(x.Size)-step) < 0.2*step
	})
	use := c.F.step(c.TaughtAs[0])
	return to-from < 7*dayMS && math.Abs(step-use) > 0.25*use && (c.Matched < from || step > outshone*use && seen)
}

// Verdict is what the last Observe, Teach or Anew returned.
func (l *Learner) Verdict() Verdict {
	c := &l.c
	on, off := c.levels()
	v := Verdict{State: c.State, Changed: c.Changed, Settled: c.Settled, Provisional: c.Prov,
		OnAbove: mul(c.sign(), on), OffBelow: mul(c.sign(), off), Fault: c.Fault, FaultChanged: c.FaultChanged}
	if c.State != Learning {
		v.Confidence = clamp(c.Conf, 0, 0.9999) // nothing is certain
		v.Since = time.UnixMilli(c.Since).UTC()
	}
	return v
}
