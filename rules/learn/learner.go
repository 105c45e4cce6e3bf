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

	Noise noise
	Edges edges
	Range ambient
	Hours hours
	Known bool // the lamp's step is known
	F     filter

	NUp, NDown uint32  // edges that taught the step
	Matched    int64   // time of the last of them, Unix ms
	Taught     [2]bool // a person said that the lamp was dark, lit
	TaughtAs   [2]float64
	TaughtAt   [2]int64 // Unix ms
	Told       uint32   // changes announced since this step is used
	Refuted    float64  // largest step that turned out not to be a lamp's, counts
	NLit       uint32   // announced changes from lit to dark or back
	NBlink     uint32   // announced blinking

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

// sides is what hand-set levels remember.
type sides struct {
	N     uint32 // readings in Last
	Last  uint32 // sides of the last readings, bit 0 newest, 1: lit
	Side  bool
	Run   uint32 // readings of this side in a row
	Since int64  // time of the first of them, Unix ms
}

// config is Config in fixed-size fields.
type config struct {
	LitLower                      bool
	OnAbove, OffBelow             float64
	OnDelay, OffDelay, FalseEvery int64
}

func (c *config) manual() bool { return c.OnAbove != 0 || c.OffBelow != 0 }

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
	told, known := c.Changed, c.State != Learning
	c.Changed, c.Settled, c.FaultChanged = false, false, false
	if !finite(value) {
		return l.Verdict()
	}
	value = clamp(value, -1e12, 1e12)
	ms := at.UnixMilli()
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
	c.Noise.observe(y, c.flips(y), c.Range.RHi-c.Range.RLo < mul(3, math.Sqrt(c.Noise.steps())))
	c.Edges.push(ms, y)
	if c.Cfg.manual() {
		l.manual(ms, y)
		l.inspect(ms, value)
		return l.Verdict()
	}
	if c.handled(ms) {
		l.again(calmRun)
		v := l.Verdict()
		v.GivenUp, v.Handled = known, known
		return v
	}
	if told {
		c.refute()
	}
	l.edge(ms)
	minutes := mul(dt, c.IV) / 60000
	c.Range.observe(&c.Edges, minutes, math.Sqrt(c.Noise.variance()))
	if c.Range.Minutes > 180 {
		c.Hours.move(ms, c.Range.RHi-c.Range.RLo, minutes)
	}
	if c.Known {
		l.filter(ms, y, dt, minutes)
	} else if c.Edges.N == nBuf {
		c.Hours.learn(ms, c.Edges.oldLevel(), minutes)
	}
	l.inspect(ms, value)
	v := l.Verdict()
	v.GivenUp = known && v.State == Learning
	return v
}

// setup is how long after the first reading somebody may still be handling the
// sensor: wiring, aiming, putting the lid on.
const setup = 3 * 3_600_000 // ms

// handled tells whether somebody handled the sensor until a few readings ago,
// within its first hours, and the lamp is not yet known by more than that.
func (c *core) handled(ms int64) bool {
	return ms-c.Begin < setup && !c.Taught[0] && !c.Taught[1] && c.NUp+c.NDown < 4 && c.NBlink == 0 && c.State != Blinking && c.Edges.handled()
}

// again learns anew from the last n readings.
func (l *Learner) again(n uint32) {
	c := &l.c
	old := *c
	*c = core{Cfg: old.Cfg, Begin: old.Begin, Fault: old.Fault}
	for i := nBuf - min(n, old.Edges.N); i < nBuf; i++ {
		l.Observe(time.UnixMilli(old.Edges.T[i]), mul(c.sign(), old.Edges.V[i]))
	}
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
	known := c.State != Learning
	c.Begin = 0
	l.again(1)
	v := l.Verdict()
	v.GivenUp = known
	return v
}

// flips tells whether the reading is at the other level of a lamp that blinks.
func (c *core) flips(y float64) bool {
	return c.Known && c.F.best().S == Blinking && math.Abs(y-c.Noise.Last) > mul(0.5, c.F.Step)
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

// noise tracks the variance of the readings about their level by the
// differences of neighbours, from the quieter stretches.
type noise struct {
	Last         float64
	D            [30]float64 // |differences| of this block
	N            uint32      // of them
	Block        uint32      // blocks seen
	V            float64     // variance of a reading
	Now          float64     // the same in the last block
	Frac         bool        // a reading was no whole number
	Max, Min     float64     // largest and smallest reading
	AtMax, AtMin uint32      // readings exactly there
	Seen         bool
	Diff         float64 // last difference
	Sq, Prod     float64 // means of the differences' squares, of the products of two in a row
	Calm         uint32  // differences these are of, nRuns at most
	Rho          float64 // correlation of neighbouring readings
}

// nRuns is the number of differences that the correlation of neighbours is learned
// from.
const nRuns = 2000

// early is the number of blocks that are simply averaged.
const early = 6

// observe takes a reading; flipped says that a blinking lamp's change makes the
// difference to the one before, calm that no light moved lately.
func (n *noise) observe(y float64, flipped, calm bool) {
	if y != math.Floor(y) {
		n.Frac = true
	}
	switch {
	case !n.Seen || y > n.Max:
		n.Max, n.AtMax = y, 1
	case y == n.Max && n.AtMax < math.MaxUint32:
		n.AtMax++
	}
	switch {
	case !n.Seen || y < n.Min:
		n.Min, n.AtMin = y, 1
	case y == n.Min && n.AtMin < math.MaxUint32:
		n.AtMin++
	}
	// saturated readings tell nothing of the noise
	flat := y == n.Last && (y == n.Max && n.AtMax > 5 || y == n.Min && n.AtMin > 5)
	if n.Seen && !flat && !flipped {
		n.D[n.N] = math.Abs(y - n.Last)
		n.N++
		if calm && n.Block > 0 {
			n.pair(y - n.Last)
		}
	}
	n.Diff = y - n.Last
	if flat || flipped || !n.Seen { // that is not the noise's
		n.Diff = 1e15
	}
	n.Last, n.Seen = y, true
	if flat || flipped || n.N < uint32(len(n.D)) && !(n.Block == 0 && n.N == 12) {
		return
	}
	d := n.D[:n.N]
	slices.Sort(d)
	// mean square of the smallest 40 %, which is 0.0883 of the variance of a
	// Gaussian difference, itself twice that of a reading
	k := len(d) * 2 / 5
	v := 0.0
	for _, x := range d[:k] {
		v += sq(x)
	}
	v /= float64(k) * 2 * 0.0883
	most := d[len(d)-1-len(d)/10] // but for the largest tenth
	switch {
	case d[k-1] == 0: // the converter's steps hide the noise: take half a step
		for _, x := range d {
			if x > 0 {
				v = 0.25 * sq(x)
				break
			}
		}
	case d[k-1] == 1 && most <= 3 && !n.Frac:
		// Of whole counts the small ones are no measure: one difference of 1
		// among them may double the noise. Take all, the largest tenth cut short.
		v = 0
		for _, x := range d {
			v += sq(math.Min(x, most))
		}
		v /= float64(2 * len(d))
	}
	n.N = 0
	n.Block++
	n.Now = v
	step := 0.06 + 2/float64(n.Block+1)
	switch {
	case n.Block <= early:
		if n.Block > 1 { // a block in which a lamp blinked shows its step
			v = math.Min(v, 20*n.steps())
		}
		n.V += (v - n.V) / float64(n.Block)
	case v > n.V:
		n.V += math.Min(mul(n.V, 0.5*step)+mul(n.floor(), 0.05), v-n.V)
	default:
		n.V -= math.Min(mul(n.V, 0.5*step), n.V-v)
	}
}

// floor is the least variance that makes sense: whole counts cannot be
// quieter than their rounding.
func (n *noise) floor() float64 {
	if n.Frac {
		return 1e-12 + mul(1e-8, sq(n.Max))
	}
	return 0.25
}

// steps is the variance by the differences of neighbours alone.
func (n *noise) steps() float64 { return math.Max(n.V, n.floor()) }

// variance is that of a reading. Where neighbours are alike (by the correlation
// rho, as of noise that comes in runs), their differences show only 1-rho of it.
func (n *noise) variance() float64 { return n.steps() / (1 - n.Rho) }

// pair takes a difference and the one before for the correlation of neighbours.
// Changes of the lamp and outliers are left out.
func (n *noise) pair(d float64) {
	if most := 14 * n.steps(); sq(d) > most || sq(n.Diff) > most {
		return
	}
	if n.Calm < nRuns {
		n.Calm++
	}
	k := 1 / float64(n.Calm)
	n.Sq += mul(k, sq(d)-n.Sq)
	n.Prod += mul(k, mul(d, n.Diff)-n.Prod)
	n.correlate()
}

// correlate finds the correlation rho of neighbouring readings. For noise of a
// first-order autoregression of variance v, the differences have the variance
// 2v(1-rho), and two in a row the covariance -v(1-rho)^2 (Box and Jenkins, Time
// Series Analysis, from memory): their ratio is -(1-rho)/2. A twentieth is taken
// off that comes of leaving out the large differences, and what chance may do.
// Differences that go the same way are moving light's.
func (n *noise) correlate() {
	if n.Calm < 100 || n.Sq == 0 {
		return
	}
	rho := 0.95 + 2*n.Prod/n.Sq
	if rho > 0.75 {
		n.Rho = 0
		return
	}
	n.Rho = clamp(rho-4/math.Sqrt(float64(n.Calm)), 0, 0.6)
}

// rail is the count at which readings saturate, or 0.
func (n *noise) rail() float64 {
	if n.AtMax >= 30 {
		return n.Max
	}
	return 0
}

// The ambient's movement is kept in stretches of this many minutes.
const (
	nPast   = 6
	stretch = 25
)

// ambient tracks where the level has been: all that a first edge must
// surpass; and how it moves by itself, between sharp edges.
type ambient struct { // levels in counts
	Lo, Hi   float64           // range of the level over days
	RLo, RHi float64           // range over the last two hours or so of the level with sharp edges taken out
	Past     [nPast][2]float64 // the same in the stretches of those hours, newest first
	Stretch  float64           // minutes of the newest stretch
	M        float64           // that level, smoothed
	Jump     float64           // largest jump from one reading to the next of late that no edge was recorded for
	Way      float64           // way that M went
	Off      float64           // sum of the edges taken out
	Hold     uint32            // readings until the last edge has left the window
	Minutes  float64           // watched
	Seen     bool
}

func (r *ambient) observe(e *edges, minutes, sd float64) {
	minutes = math.Min(minutes, 600)
	if e.N < nBuf {
		return
	}
	r.Minutes += minutes
	slow := math.Min(minutes/7200, 1)
	r.Jump -= mul(r.Jump, 0.5*slow)
	if n := e.NE; n == 0 || e.E[n-1].At != e.T[nBuf-half-1] {
		if j := e.leap(nBuf - half - 1); j > r.Jump && !e.has(j) && !e.brief(nBuf-half-1, j) {
			r.Jump = j
		}
	}
	if r.Hold > 0 {
		r.Hold--
		return
	}
	m := e.oldLevel()
	if !r.Seen {
		r.begin(m)
	}
	r.Lo = math.Min(m, r.Lo+mul(slow, m-r.Lo))
	r.Hi = math.Max(m, r.Hi+mul(slow, m-r.Hi))
	r.M += mul(0.12, m-r.Off-r.M)
	m = r.M
	r.Stretch += minutes
	if r.Stretch > stretch {
		r.Stretch = 0
		r.Way += math.Max(r.Past[0][1]-r.Past[0][0]-mul(2, sd), 0)
		copy(r.Past[1:], r.Past[:nPast-1])
		r.Past[0] = [2]float64{m, m}
	}
	r.Past[0] = [2]float64{math.Min(m, r.Past[0][0]), math.Max(m, r.Past[0][1])}
	r.RLo, r.RHi = m, m
	for i := range r.Past {
		r.RLo, r.RHi = math.Min(r.RLo, r.Past[i][0]), math.Max(r.RHi, r.Past[i][1])
	}
}

// begin starts with a level of m.
func (r *ambient) begin(m float64) {
	r.Lo, r.Hi, r.M, r.Seen = m, m, m-r.Off, true
	for i := range r.Past {
		r.Past[i] = [2]float64{r.M, r.M}
	}
}

// edge takes a sharp edge out; it leaves the window after hold readings.
func (r *ambient) edge(size float64, hold uint32) {
	r.Hold = hold
	r.Off += size
	if math.Abs(r.Off) > 1e6*math.Abs(size) { // keep the sum exact enough for ever
		r.M, r.RLo, r.RHi = r.M+r.Off, r.RLo+r.Off, r.RHi+r.Off
		for i := range r.Past {
			r.Past[i][0] += r.Off
			r.Past[i][1] += r.Off
		}
		r.Off = 0
	}
}

// oldLevel is the median of the five oldest readings kept: before an edge
// that is seen only now.
func (e *edges) oldLevel() float64 {
	s := [5]float64(e.V[:5])
	slices.Sort(s[:])
	return s[2]
}

// edge looks for a sharp edge and learns the step from it.
func (l *Learner) edge(ms int64) {
	c := &l.c
	floor := c.Noise.variance()
	sd := math.Sqrt(floor)
	if !c.Known {
		if lo, hi, flips, ok := c.Edges.blinks(floor); ok && c.Range.RHi-c.Range.RLo < 1.2*(hi-lo) &&
			(flips >= 8 || c.calmer(hi-lo)) && !c.wanders(hi-lo, sd) && (c.Noise.Block > 1 || sq(hi-lo) > 150*floor) {
			lo, hi = c.Edges.sharpened(lo, hi, floor)
			c.adopt(hi-lo, 0)
			c.F.start(Blinking, lo, c.Edges.T[0])
			c.F.PB = 0.5
			if c.N < nBuf+half && c.Edges.firstFlip(0.5*(lo+hi)) <= 4 {
				// it blinks since the start: that is no change
				c.State, c.Prov, c.Conf, c.Since = Blinking, true, 0.95, c.Edges.T[0]
				c.NBlink++
				l.settle(ms, byLearning)
				return
			}
			l.announce(Blinking, ms, c.Edges.T[0], nBuf, 0.95)
			return
		}
	}
	if !c.Known {
		if e, first, ok := c.Edges.pulse(floor); ok && math.Abs(e.Size) > 2*c.Refuted {
			if c.Range.Jump <= first && c.Range.Jump > 0.9*first { // that was its own
				c.Range.Jump = 0
			}
			if c.quiet(e) {
				// the lamp shows itself for a few minutes only: now it is known
				if n := c.Edges.NE; n > 0 && c.Edges.E[n-1].At >= c.Edges.T[0] { // its first edge was recorded
					c.Range.edge(e.Size, nBuf-half)
				} else {
					c.Range.Hold = nBuf - half
				}
				c.Edges.record(e)
				// what the hours know is the level after it, not the one before
				// as with a lone edge
				c.Hours.shift(-e.Size)
				l.adoptFirst(e, ms, half)
				c.NLit = brief
				return
			}
		}
	}
	e, ok := c.Edges.detect(floor, c.Range.Minutes > 60 && c.Range.RHi-c.Range.RLo < mul(1.7, sd))
	hold := uint32(nBuf - half)
	if !ok && c.N == nBuf && c.Edges.N == nBuf && !c.Known {
		var before int
		if e, before, ok = c.Edges.opening(floor); ok {
			hold = uint32(before)
		}
	}
	if !ok {
		if !c.Known && c.Range.Seen {
			l.held(ms, floor)
		}
		if n := c.Edges.NE; !c.Known && n > 0 && c.Edges.E[n-1].At == c.Edges.T[0] {
			l.stayed(c.Edges.E[n-1], ms)
		}
		return
	}
	if !c.Range.Seen { // what was before it is all the light known
		c.Range.begin(e.From)
	}
	// noise alone makes the smoothed level range over about a standard
	// deviation; readings that spread more than noise are moving light too
	calm, lively, known := c.Hours.moves()
	move := c.moved(e.At) - calm
	rough := clamp((e.SD/math.Abs(e.Size)-0.05)/0.1, 0, 1)
	e.Act = clamp((move-mul(1.2, sd))/math.Abs(e.Size)+mul(rough, 0.2*math.Max(sq(e.SD)/floor-1.7, 0)), 0, 100)
	if a := math.Abs(e.Size); e.Act > 0.1 && e.Leap > 0.85*a && a > mul(15, sd) {
		// amid moving light the two levels tell less than the jump itself, which
		// is the least of three differences, 1.2 deviations less than their mean
		e.Size = math.Copysign(e.Leap+mul(1.2, sd), e.Size)
	}
	first := c.Edges.NE == 0 || l.surpasses(e)
	c.Edges.record(e)
	c.Range.edge(e.Size, hold)
	ended := c.Edges.ended(e, sd)
	a := math.Abs(e.Size)
	if c.Known {
		d := math.Abs(a - c.F.Step)
		// amid moving light only an edge of just the size is taken for the lamp's
		if d < math.Max(0.1*c.F.Step, 2*e.SD) || e.credit() > 0.2 && d < math.Max(0.3*c.F.Step, 3*e.SD) {
			c.teachStep(e)
			c.F.Hazard = math.Min(c.F.Hazard+recent/e.unrest(), often)
			if c.untold(sd) {
				l.relearned(c.F.Step, e, ms)
			}
			return
		}
	}
	if c.Known && a < 0.77*c.F.Step && a > mul(6, sd) && c.Edges.replaced(a, c.F.Step, ms) && !c.wanders(a, sd) {
		was := math.Max(c.Health.Was, c.F.Step)
		_, mean, _ := c.Edges.evidence(a, c.Range.Minutes/60, 0)
		l.relearned(mean, e, ms)
		c.Health.Was = was // that it became so much smaller is worth a warning
		return
	}
	if c.Known && c.Edges.daily(c.F.Step) && c.Edges.dwarfed(c.F.Step) {
		// a room's light was taken for the lamp
		c.forget()
	}
	still := c.still(sd)
	moves := lively - calm
	if !known {
		moves = math.Inf(1)
	}
	step, ev := c.Edges.fit(c.Range.Minutes/60, still, moves, sd)
	if known && step > 0 && moves > 0.4*step && ev < 15 && !c.byNight(step, calm+mul(0.3, moves)) {
		step = 0
	}
	if c.wanders(step, sd) {
		step = 0
	}
	if step < 8*sd {
		// so small a step could be the light's own doing, unless it comes by
		// night as well or the light never moves; and where even the calm hours
		// move it by half as much, it is the noise that wanders
		if known && moves > 0.5*step || known && calm > 0.55*step && (ev < 50 || step < mul(4.5, sd)) || c.Edges.spread(step) < 11 && moves >= 0.15*step {
			step = 0
		}
	}
	if step == 0 && !known && a > mul(20, sd) && c.quiet(e) {
		// where no light moved by itself so far, there and back is enough: a
		// room's light is fainter
		if back, mean, n := c.Edges.evidence(a, c.Range.Minutes/60, 0); n > 1 && back > 2.5 {
			step, ev = mean, back
		}
	}
	if step > 0 && step < 2*c.Refuted && ev < 15 {
		step = 0
	}
	switch {
	case a < 2*c.Refuted && step == 0:
	case (a < mul(9, sd) || c.Edges.returned(e) == 0 || ended) && c.alone(e, first) && (!c.Known || a > 1.5*c.F.Step && c.NUp+c.NDown < 12 && l.weak()):
		if ended && c.Edges.Wait > 0 { // the next edge is a reading nearer than others may be
			c.Edges.Wait--
		}
		l.adoptFirst(e, ms, half)
	case step > 0 && !c.Known,
		step > 1.3*c.F.Step && ev > 6,
		step > 0 && step < 0.77*c.F.Step && l.outgrown(step, ms, ev):
		l.relearned(step, e, ms)
	}
}

// untold tells whether the last four edges of the step, up and down in turn in
// still light, all came after the last change that was told: the filter took
// lit for dark, or the lamp's light for the room's, and what it learned of the
// hours since keeps it from seeing so. Noise (sd) may make edges of a small
// step, and the short visits of a lamp that blinks are rightly not told.
func (c *core) untold(sd float64) bool {
	if c.NBlink > 0 || c.F.Step < mul(14, sd) {
		return false
	}
	n, last := 0, 0.0
	for i := int(c.Edges.NE) - 1; i >= 0 && n < 4; i-- {
		x := &c.Edges.E[i]
		if !x.speaks(c.F.Step) {
			continue
		}
		if x.At <= c.Since || x.Act > 0.25 || last != 0 && (x.Size > 0) == (last > 0) {
			return false
		}
		last = x.Size
		n++
	}
	return n == 4
}

// byNight tells whether one in five of the edges of this step, at least, was seen
// at an hour at which the light moves by less than move. A lamp changes at all
// hours; the light keeps to its own.
func (c *core) byNight(step, move float64) bool {
	night, all := 0, 0
	for i := range c.Edges.E[:c.Edges.NE] {
		x := &c.Edges.E[i]
		if !x.speaks(step) {
			continue
		}
		all++
		if h := c.Hours.at(x.At); h.Move < move && h.Moves > 50 {
			night++
		}
	}
	return 5*night >= all
}

// refute gives the step up when the edges of the changes announced by it do
// not agree on it: it was learned from clouds. From then on a lamp must show
// more than such a step at once, or more often.
func (c *core) refute() {
	if !c.Known || c.Told < 6 || c.Taught[0] && c.Taught[1] {
		return
	}
	sd := math.Sqrt(c.Noise.variance())
	if rail := c.Noise.rail(); rail != 0 && math.Max(c.Range.Hi, c.F.best().M+c.F.Step) > rail-mul(3, sd) {
		return // its edges are cut short; outliers alone may saturate as well
	}
	step := c.F.Step
	share, n := c.Edges.sharp(step, sd)
	matched := c.NUp + c.NDown
	ev, _, _ := c.Edges.evidence(step, c.Range.Minutes/60, 0)
	calm, lively, known := c.Hours.moves()
	switch {
	case c.wanders(step, sd):
	case c.NBlink*4 > c.Told && ev > -3: // a blinking lamp has few edges, but those agree
		return
	case step < mul(12, sd) && n >= 6 && share < 0.62: // the light slides, and no lamp does
	case step < mul(8, sd) && known && lively-calm > step && // it goes as far by itself,
		(ev < 6 || lively-calm > 2*step || n >= 6 && share < 0.8): // and not by changes of the lamp that were not seen as edges
	case step < mul(14, sd) && known && lively-calm > mul(0.33, step) && // a lamp changes at other hours than those of moving light, too
		n >= 8 && c.Edges.days() > 2 && c.Edges.spread(step) < clamp(float64(n), 9, 11) && ev < 15:
	case ev > 0, c.Told < 12 && (ev > -2 && 5*matched >= c.Told || 2*matched > c.Told):
		return
	// Amid moving light the sizes of a lamp's edges scatter. What no cloud did
	// so far, or nearly every change had a sharp edge of, is no cloud's.
	case step > mul(25, sd) && (4*matched >= 3*c.Told || c.Range.Jump < 0.45*step || n >= 3 && share > 0.9),
		n >= 6 && share > 0.72 && 4*matched >= 3*c.Told,
		n >= 6 && share > 0.85 && 2*matched >= c.Told: // of small ones many are not seen
		return
	}
	c.Refuted = math.Max(c.Refuted, c.F.Step)
	c.forget()
}

// forget goes back to learning, with the edges seen so far.
func (c *core) forget() {
	c.Known, c.F, c.State, c.Prov, c.Since = false, filter{}, Learning, false, 0
}

// outgrown tells whether a smaller step with this evidence may replace the one
// in use: an established one only when it was not seen for ten days. What comes at
// the same hours each day is a room's light.
func (l *Learner) outgrown(step float64, ms int64, ev float64) bool {
	c := &l.c
	if c.Edges.daily(step) {
		return false
	}
	if c.NUp+c.NDown < 4 {
		return ev > 10 && l.weak()
	}
	return ev > 30 && ms-c.Matched > 10*dayMS
}

// weak tells whether little speaks for the step in use.
func (l *Learner) weak() bool {
	ev, _, _ := l.c.Edges.evidence(l.c.F.Step, l.c.Range.Minutes/60, 0)
	return ev < 10
}

// surpasses tells whether no edge so far came near this one, but for those
// of just its size.
func (l *Learner) surpasses(e edge) bool {
	a := math.Abs(e.Size)
	for i := range l.c.Edges.E[:l.c.Edges.NE] {
		x := &l.c.Edges.E[i]
		if b := math.Abs(x.Size); x.credit() > 0 && b > 0.55*a && math.Abs(b-a) > mul(0.05, a)+mul(3, e.SD) {
			return false
		}
	}
	return true
}

// stayed looks at a first edge again when all readings kept came after it: it
// was not announced for a reading that returned, an outlier or the beginning of
// blinking.
func (l *Learner) stayed(e edge, ms int64) {
	c := &l.c
	a := math.Abs(e.Size)
	if a < 2*c.Refuted || a < mul(14, math.Sqrt(c.Noise.variance())) {
		return
	}
	if c.Edges.returned(e) == 1 && c.alone(e, l.surpasses(e)) {
		l.adoptFirst(e, ms, nBuf)
	}
}

// held announces a small first change, seen by detect or not, once the new
// level has held for sixteen readings, or eleven where the step is larger: where
// no light moved so far by itself. A dawn goes on rising, a cloud's edge slides,
// and a room's light is brighter. Where the readings do not tell at once
// whether the light slid, twice as many do.
func (l *Learner) held(ms int64, floor float64) {
	c := &l.c
	if c.Edges.Next.N > 0 {
		l.longer(ms, floor)
		return
	}
	sd := math.Sqrt(floor)
	pre, seen := c.Range.M+c.Range.Off, -1 // by all readings before, not the last few
	for i := int(c.Edges.NE) - 1; i >= 0 && c.Edges.E[i].At >= c.Edges.T[1]; i-- {
		pre -= c.Edges.E[i].Size
		seen = i
	}
	cut := nBuf - 16
	x, ok := c.Edges.held(cut, pre, floor, 3)
	if !ok {
		cut = nBuf - 11
		x, ok = c.Edges.held(cut, pre, floor, 6.5)
	}
	e := x.Edge
	a := math.Abs(e.Size)
	if !ok || seen >= 0 && (seen < int(c.Edges.NE)-1 || math.Abs(c.Edges.E[seen].Size-e.Size) > mul(2, sd)) { // or more than this happened
		return
	}
	quiet := mul(1.7, sd)
	if !c.Noise.Frac {
		quiet += 0.5 // rounding
	}
	quiet -= c.Range.RHi - c.Range.RLo
	calm, lively, known := c.Hours.moves()
	e.Act = clamp((c.moved(e.At)-calm-mul(1.2, sd))/a, 0, 100)
	x.Edge = e
	if seen < 0 { // large ones are for detect
		if a > mul(9, sd) || quiet < 0 {
			return
		}
		c.Edges.record(e)
		c.Range.edge(e.Size, uint32(cut))
	}
	switch {
	case quiet < 0, e.Act > 0.2, known && lively > mul(2.2, sd), !c.twoLevels(a, sd), !l.surpasses(e):
	case a < 2*c.Refuted, a > mul(14, sd) || c.Noise.Block < 2 && a > mul(9, sd), a > mul(9, sd) && e.Leap < a-mul(2.2, sd):
	case a < mul(7, sd) && (c.Range.Minutes < 50 || e.Size < 0 && c.Range.Minutes < 60): // the noise is hardly known
	case !x.holds(floor):
		if x.N == 16 {
			c.Edges.Next = x
		}
	default:
		l.adoptFirst(e, ms, x.N)
	}
}

// longer looks again at a small first change that was in doubt, when twice as
// many readings or so tell the slope.
func (l *Learner) longer(ms int64, floor float64) {
	c := &l.c
	x := &c.Edges.Next
	x.add(c.Edges.V[nBuf-1])
	if x.N < 28 {
		return
	}
	e, held, holds := x.Edge, x.N, x.holds(floor)
	e.Size = x.size()
	*x = change{}
	if holds {
		l.adoptFirst(e, ms, held)
	}
}

// twoLevels tells whether all the light seen so far is one level, or two when
// edges of a's size were seen before the last one; sd is the readings' noise.
func (c *core) twoLevels(a, sd float64) bool {
	span, wide := c.Range.Hi-c.Range.Lo, mul(3.5, sd)
	if !c.Noise.Frac {
		wide++ // rounding
	}
	return span <= wide || c.Edges.NE > 1 && span <= a+wide
}

// back tells whether the edge leads from where the last but one led to back to
// where that one came from, and no edge of another size was ever seen; amid
// moving light four of them are asked for.
func (c *core) back(e edge, sd float64) bool {
	n := c.Edges.NE
	if n < 2 || c.N < 150 || e.Act > 0.5 || n < 4 && (e.Act > 0.2 || c.Edges.E[n-2].Act > 0.2) {
		return false
	}
	for i := range c.Edges.E[:n-1] {
		if math.Abs(math.Abs(c.Edges.E[i].Size)-math.Abs(e.Size)) > mul(2, sd) {
			return false
		}
	}
	x := &c.Edges.E[n-2]
	return (x.Size > 0) != (e.Size > 0) && math.Abs(x.From+x.Size-e.From) < mul(1.2, sd)
}

// adoptFirst announces, provisionally, by the first edge alone.
func (l *Learner) adoptFirst(e edge, ms int64, held uint32) {
	c := &l.c
	before := c.twins(e) // the lamp shone before, untold
	a := math.Abs(e.Size)
	if e.Act > 0.3 && e.Leap > 0.7*a { // amid moving light the two levels tell less than the jump itself
		a = e.Leap
		e.Size = math.Copysign(a, e.Size)
	}
	c.adopt(a, e.SD)
	s := Dark
	if e.Size > 0 {
		s = Lit
	} else if !before {
		before = slices.ContainsFunc(c.Edges.E[:c.Edges.NE], func(x edge) bool { return x.At < e.At && x.Size > mul(0.6, a) })
	}
	switch {
	case before: // what the hours were taken for may be its light
		c.Hours.forget()
	case s == Dark: // they were lit
		c.Hours.shift(-a)
	case slices.ContainsFunc(c.Edges.E[:c.Edges.NE], func(x edge) bool { return x.At < e.At && math.Abs(x.Size+e.Size) < mul(0.1, a)+mul(3, e.SD) }):
		c.Hours.forget() // it went out before, untold
	}
	c.F.start(s, e.From+math.Min(e.Size, 0), e.At)
	if w := &c.Why; w.State == s && w.How == byChange && math.Abs(float64(w.Enter-e.At)) < 3*c.IV { // it was announced, by a step since given up
		c.State, c.Conf, c.Since = s, 0.95, w.Enter
		return
	}
	l.announce(s, ms, e.At, held, 0.95)
}

// moved is how far the ambient moves by itself at this hour, or did lately.
func (c *core) moved(ms int64) float64 {
	move := c.Range.RHi - c.Range.RLo
	if h := c.Hours.at(ms); h.Moves > 100 {
		move = math.Max(move, h.Move)
	}
	return move
}

// still tells whether the light is known never to move by itself: at no hour, and
// no more than noise of sd makes the smoothed level move; noise that wanders
// makes it move more.
func (c *core) still(sd float64) bool {
	calm, lively, known := c.Hours.moves()
	return known && lively-calm < mul(0.35, sd) && calm < mul(2, sd)
}

// wanders tells whether the level goes farther by itself than a small step, at the
// calmest hours, too. A lamp whose edges were not seen moves it by its step at
// most; noise that wanders, or jumps between two levels as of a loose contact,
// moves it farther, and makes edges of one size up and down in turn at all hours.
func (c *core) wanders(step, sd float64) bool {
	calm, _, known := c.Hours.moves()
	return known && step < mul(25, sd) && calm > 1.3*step
}

// quiet tells whether no light moved by itself so far, next to this edge.
func (c *core) quiet(e edge) bool {
	a := math.Abs(e.Size)
	calm, _, _ := c.Hours.moves()
	return c.moved(e.At)-calm < mul(2.5, math.Sqrt(c.Noise.variance())) && c.Range.Way < 0.1*a && c.Range.Jump < 0.3*a
}

// alone tells whether an edge may be announced before a second was seen; first
// says that no edge so far came near it.
func (c *core) alone(e edge, first bool) bool {
	if c.wanders(math.Abs(e.Size), math.Sqrt(c.Noise.variance())) {
		return false
	}
	return first && c.clear(e) || c.dark(e) || c.sudden(e) || c.twins(e)
}

// calmer tells whether the ambient's movement within hours, as far as it is
// known, is less than half of a step.
func (c *core) calmer(step float64) bool {
	calm, lively, known := c.Hours.moves()
	if !known {
		return c.Range.Way < step
	}
	return lively-calm < 0.5*step
}

// clear tells whether a single edge is so far beyond all that the ambient
// light has done that it may be announced before a second was seen.
func (c *core) clear(e edge) bool {
	a := math.Abs(e.Size)
	sd := math.Sqrt(c.Noise.variance())
	// the first evening may bring a room's light: ask for much before a day
	// and a half are over, unless the light is known never to move
	times := clamp(20-(c.Range.Minutes-1080)/77, 6, 20)
	if e.Size < 0 { // one that was on before the first reading goes out
		times = clamp(24-(c.Range.Minutes-1080)/60, 6, 24)
	}
	if c.Noise.Block < 2 { // the noise is hardly known
		sd = math.Max(sd, e.SD)
	}
	calm, lively, known := c.Hours.moves()
	still := c.still(sd)
	if still {
		times = 3.5
	}
	if !known && c.Range.Minutes > 100 && a < mul(9, sd) && a > mul(3.2, sd) && c.back(e, sd) && c.sharp(a, sd) && c.twoLevels(a, sd) {
		return true // two levels and nothing else, the second time
	}
	if e.Size < 0 && c.Range.Minutes < 20 && (a < mul(25, sd) || e.Leap < 0.8*a) || e.Act > 0.2 || a < mul(times, sd) || c.Range.Jump > mul(0.6, a)+mul(2, sd) {
		return false
	}
	if known && (lively-calm > 0.3*a && e.Leap < 0.5*a || lively-calm > 0.5*a && e.Leap < 0.85*a) {
		return false // where the light goes nearly as far, a lamp is told by its jump
	}
	if !still && c.Edges.daily(a) {
		return false // a room's light, again
	}
	if still && a < mul(9, sd) {
		return true // a room's light is brighter: what was there before was the same lamp
	}
	to := e.From + e.Size
	odd := e.Act < 0.15 // the new level is odd for this time of day
	for d := int64(-1); d <= 1; d++ {
		h := c.Hours.at(e.At + d*3_600_000)
		off := math.Abs(to - h.Mean)
		if d == 0 && h.Minutes > 100 && off < 4*h.Dev {
			return false
		}
		if h.Minutes < 40 || off < mul(4, h.Dev)+mul(0.5, a) || (e.Size > 0) != (to > h.Mean) {
			odd = false
		}
	}
	if odd {
		return true
	}
	margin := mul(0.2, a) - mul(1.5, sd)
	return e.Size > 0 && to > c.Range.Hi+margin || e.Size < 0 && to < c.Range.Lo-margin
}

// sharp tells whether the edges of about a's size took place between two
// readings, as far as the noise lets one see.
func (c *core) sharp(a, sd float64) bool {
	share, n := c.Edges.sharp(a, sd)
	return n > 0 && share > 0.75
}

// dark tells whether the edge leads from or to the darkest level known, where
// nothing moved for hours: no cloud can do that, for it takes away a part of
// the light that is there. It asks for more than a room's light makes.
func (c *core) dark(e edge) bool {
	sd := math.Sqrt(c.Noise.variance())
	if c.Noise.Block > 2 { // the restless light of the day may be gone
		sd = math.Min(sd, math.Max(1.5*math.Sqrt(c.Noise.Now), 0.4*sd))
	}
	r := &c.Range
	if math.Abs(e.Size) < mul(25, sd) || r.Minutes < 600 || r.RHi-r.RLo > mul(2.5, sd) {
		return false
	}
	return e.From+math.Min(e.Size, 0) < r.Lo+mul(4, sd)
}

// sudden tells whether the edge is far beyond all jumps from one reading to
// the next that the light made by itself, though it went a long way: clouds
// come with a slope. It asks for more than a room's light makes.
func (c *core) sudden(e edge) bool {
	a := e.Leap
	r := &c.Range
	went := r.Way > 0.5*a || r.Jump < 0.15*a && r.Way > 0.25*a || r.Jump < 0.1*a && r.Hi-r.Lo < 0.67*a // nor has all the light there was made so much
	if a < 0.8*math.Abs(e.Size) || a < mul(25, math.Sqrt(c.Noise.variance())) || r.Minutes < 120 || !went || r.Jump > 0.45*a {
		return false
	}
	for i := range c.Edges.E[:c.Edges.NE] {
		x := &c.Edges.E[i]
		if x.Leap > 0.45*a && math.Abs(math.Abs(x.Size)-a) > mul(0.1, a)+mul(3, e.SD) {
			return false
		}
	}
	return true
}

// twins tells whether the light jumped by just as much the other way before,
// both times from one reading to the next and far beyond all else it did: what
// the clouds take away they seldom give back to a twentieth. It asks for more
// than a room's light makes.
func (c *core) twins(e edge) bool {
	a := e.Leap
	sd := math.Sqrt(c.Noise.variance())
	near := mul(0.05, a) + mul(2, sd)
	found := math.Abs(c.Range.Jump-a) < near // one that was not recorded as an edge; it had no other reason to be so large
	if a < 0.75*math.Abs(e.Size) || a < mul(25, sd) || c.Range.Minutes < 120 || c.Range.Jump > 0.3*a && !found {
		return false
	}
	for i := range c.Edges.E[:c.Edges.NE] {
		x := &c.Edges.E[i]
		if x.At == e.At || x.Leap < 0.65*a {
			continue
		}
		if math.Abs(x.Leap-a) > near {
			return false
		}
		found = found || (x.Size > 0) != (e.Size > 0)
	}
	return found
}

// adopt takes a step as the lamp's.
func (c *core) adopt(step, sd float64) {
	r := c.Noise.variance()
	c.F = filter{Step: step, R: r, Tau2: sq(0.1 * step), Q: 0.01 * r, C: math.Max(r, sq(sd)), Eps: leastEps, Part: 0.1, Blur: leastBlur, Hazard: seldom}
	c.Known = true
	c.Edges.Next = change{}
	c.NUp, c.NDown, c.Told = 0, 0, 0
	c.NLit, c.NBlink = 0, 0 // what was told by another step tells nothing of this lamp's habits
	c.Health.Was = 0
}

// relearned starts anew with the step that the collected edges speak for.
func (l *Learner) relearned(step float64, e edge, ms int64) {
	c := &l.c
	c.adopt(step, e.SD)
	last, ok := c.teachAll(step)
	if c.NUp+c.NDown > 1 { // the lamp shone unknown: what the hours were taken for may be its light
		c.Hours.forget()
	}
	s := Dark
	if ok && last.Size > 0 {
		s = Lit
	}
	level := e.From + e.Size
	if s == Lit {
		level -= step
	}
	c.F.start(s, level, e.At)
	if ok && last.At == e.At && s != c.State {
		l.announce(s, ms, e.At, half, 0.95)
	} else if s != c.State {
		c.State, c.Prov, c.Conf = s, false, 0.9
		c.Since = ms
		if ok {
			c.Since = last.At
		}
		l.settle(ms, byLearning)
	}
}

// relearn begins again from the collected edges, after hand-set levels were
// taken away.
func (c *core) relearn() {
	step, _ := c.Edges.fit(c.Range.Minutes/60, false, 0, 0)
	if step == 0 || c.State == Learning {
		return
	}
	c.adopt(step, 0)
	c.teachAll(step)
	m := mul(c.sign(), c.Val)
	if c.State == Lit {
		m -= step
	}
	c.F.start(c.State, m, c.Since)
}

// teachAll refines the step by all collected edges of about its size and
// gives the last of them.
func (c *core) teachAll(step float64) (last edge, ok bool) {
	for i := range c.Edges.E[:c.Edges.NE] {
		if x := c.Edges.E[i]; math.Abs(math.Abs(x.Size)-step) <= 0.2*step {
			last, ok = x, true
			c.teachStep(x)
		}
	}
	return last, ok
}

// teachStep lets a matching edge refine the step.
func (c *core) teachStep(e edge) {
	a := math.Abs(e.Size)
	if e.Size > 0 {
		c.NUp++
	} else {
		c.NDown++
	}
	c.Matched = e.At
	d := a - c.F.Step
	if rail := c.Noise.rail(); rail != 0 && math.Max(e.From, e.From+e.Size) > rail-mul(3, e.SD) && d < 0 {
		return // cut short by saturation
	}
	// a board that averages shows a reading in between at nearly every edge; so
	// do clouds
	trust := 1 / e.unrest()
	if e.Leap < 0.8*a && a > 15*e.SD {
		c.F.Part += mul(0.2, mul(trust, 0.6-c.F.Part))
	} else {
		c.F.Part += mul(0.1, mul(trust, 0.01-c.F.Part))
	}
	was := c.F.Step
	if mean, ok := c.Edges.measure(c.F.Step); ok && c.NUp+c.NDown > 3 && c.NBlink == 0 {
		c.F.Step = mean
	} else {
		c.F.Step += mul(math.Max(1/float64(c.NUp+c.NDown+1), 0.1), d)
	}
	for i := range int(c.F.N) { // while lit it is the lit level that is known
		if h := &c.F.H[i]; h.S == Lit {
			h.M -= c.F.Step - was
		}
	}
	// moving light makes sizes scatter, too
	c.F.Tau2 += mul(0.1, mul(trust, sq(d)-c.F.Tau2))
	c.F.Tau2 = clamp(c.F.Tau2, sq(0.03*c.F.Step), sq(0.15*c.F.Step))
}

// filter runs the decision engine and announces what it is sure of.
func (l *Learner) filter(ms int64, y, dt, minutes float64) {
	c := &l.c
	f := &c.F
	least := math.Max(c.Noise.variance(), sq(0.01*f.Step))
	if sq(f.Step) > 196*least { // no noise comes near it
		f.R = least
		if v := c.Edges.flicker(f.Step, math.Max(4*least, sq(f.Step)/49)); v > 0 {
			f.R, least = v, v // restless light: for now the lamp is a faint one
		}
	}
	f.R = clamp(f.R, least, heavy*least)
	f.Blur = math.Max(f.Blur, leastBlur)
	if sq(f.Step) < 100*c.Noise.variance() { // noise reads in between as well
		f.Blur = 0
	}
	if c.Edges.N == nBuf {
		f.learnSplit([5]float64(c.Edges.V[nBuf-5:]), math.Sqrt(f.R))
	}
	f.Rail = c.Noise.rail()
	f.PB = c.priorBlink()
	f.Hazard = math.Max(f.Hazard-mul(recent, f.Hazard), seldom)

	b := f.best()
	pred, v := b.M, b.P+mul(f.Q, dt)+f.R
	where := c.Hours.where(ms, minutes, f.Step, f.R)
	where.Least, where.Most = c.possible()
	was := *b
	f.RhoHour = c.Hours.jumps(ms, f.Rho0)
	f.observe(ms, y, dt, &where)
	b = f.best()
	f.followTail(c.Edges.V[:], b, v, least)
	spike := 0.0
	if b.By == bySpike {
		spike = 1
	}
	f.Eps = clamp(f.Eps+mul(5e-4, spike-f.Eps), leastEps, 0.02)
	moved := math.Abs(b.M - was.M)
	if b.S == was.S && b.Enter == was.Enter && b.Age > 3 && moved > 0.1*f.Step && sq(moved) > 16*(was.P+f.R+mul(f.Q, dt)) {
		f.Rho += mul(0.05, 1-f.Rho)
		f.Rho0 += mul(5e-4, 1-f.Rho0)
		c.Hours.jump(ms, minutes, 1)
		f.Jump = larger(f.Jump, moved)
	} else {
		f.Rho = mul(f.Rho, 0.95)
		f.Rho0 = mul(f.Rho0, 1-5e-4)
		c.Hours.jump(ms, minutes, 0)
	}
	if b.By == byNormal {
		if b.S == Lit || b.S == Blinking && b.Phase == 1 {
			pred += f.Step
		}
		if f.Rail != 0 {
			pred = math.Min(pred, f.Rail)
		}
		if b.S == Blinking { // blinking shows the step at every flip
			d := clamp(y-pred, -0.2*f.Step, 0.2*f.Step)
			if b.Phase == 0 {
				d = -d
			}
			f.Step += mul(0.03, d)
		}
		most := 6 * v
		if b.S == Blinking && f.Blur > 0.1 { // one reading in ten of no level at all: it is they that differ, not the ambient
			most = 1.5 * f.R
		}
		e2 := math.Min(sq(y-pred), most)
		f.C += mul(0.1, e2-f.C)
	}
	// no faster than the ambient moves at this hour, or did lately
	most := mul(0.1, f.R) + mul(0.25, sq(math.Max(c.moved(ms)-mul(1.5, math.Sqrt(f.R)), 0)))
	f.Q = math.Max(0.01*f.R, math.Min(f.C-2*f.R, most))
	l.decide(ms, dt)
	if b.W > 0.9 && b.Age == 12 && b.S != Blinking && b.S == c.State && b.Prev == Dark+Lit-b.S && b.Enter > c.Since && !c.Changed {
		c.NLit += 2 // there and back, too soon to be told
	}
	if b.W > 0.9 && b.S == c.State && b.Age >= 3 {
		c.Hours.learn(ms, b.M, minutes)
	}
	if c.State == Blinking && b.S == Blinking {
		if b.By == byNormal {
			f.learnRun(b.Run)
		}
		f.learnBlur(b.By != byNormal && f.between(y, was.M))
	}
}

// heavy is how much larger than by the differences of neighbours the variance
// may prove to be by its tail.
const heavy = 4

// followTail lets the noise follow how often readings are off by more than three of
// its standard deviations, one alone or the mean of the last three. Noise may
// have heavier tails than a Gaussian, or come in runs, which the differences of
// neighbours do not show: with a small step, two or three such readings would
// pass for the lamp's. v is the variance expected, least that of the differences.
// What is judged lies some readings back, for a change of the lamp is not
// recognized at once, and till then looks like such noise.
func (f *filter) followTail(last []float64, h *hyp, v, least float64) {
	const since = 4 // readings
	if sq(f.Step) > 196*least || h.S == Blinking || h.Age < since+4 {
		return
	}
	m := h.M
	if h.S == Lit {
		m += f.Step
		if f.Rail != 0 {
			m = math.Min(m, f.Rail)
		}
	}
	n := len(last) - since
	one := sq(last[n-1] - m)
	three := sq(last[n-1]+last[n-2]+last[n-3]-mul(3, m)) / 3
	// A Gaussian's are 0.005 in all; to ask for half of that makes its standard
	// deviation larger by a tenth at most.
	const share, pace = 0.0025, 0.05
	switch {
	case one > 25*v: // an outlier
	case math.Max(one, three) > 9*v:
		f.R *= 1 + pace*(1-share)
	default:
		f.R *= 1 - pace*share
	}
	f.R = clamp(f.R, least, heavy*least)
}

// brief is the number of changes that a lamp counts for that was first seen by a
// visit of a few readings: to wait longer than that for what is no blinking
// would be to miss all of them.
const brief = 8

// possible gives the least and the largest ambient that readings can be of: a
// converter counts nothing below zero, neither dark nor lit, unless it did.
func (c *core) possible() (least, most float64) {
	far := mul(3, math.Sqrt(c.F.R)) + mul(0.05, c.F.Step)
	switch {
	case !c.Cfg.LitLower && c.Noise.Min >= 0:
		return -far, math.Inf(1)
	case c.Cfg.LitLower && c.Noise.Max <= 0: // the readings' signs are turned
		return math.Inf(-1), far - c.F.Step
	}
	return math.Inf(-1), math.Inf(1)
}

// priorBlink is the share of blinking among the lamp's changes from the steady
// state it is in, with a prior that fades as the lamp shows what it does.
func (c *core) priorBlink() float64 {
	b, n := float64(c.NBlink), float64(c.NLit)
	if c.State != Lit { // what went from dark to lit came back: half of them began here
		n *= 0.5
	}
	return (b + 0.02) / (n + b + 0.2)
}

// sure is the chance that a change must reach to be announced: what is left
// over, times the announcements to come in FalseEvery, is one.
func (c *core) sure() float64 {
	every := float64(c.Cfg.FalseEvery)
	if every == 0 {
		every = float64(DefaultFalseEvery)
	}
	const between = 6 * 3600e9 // about four changes a day
	return 1 - clamp(between/every, 1e-7, 0.05)
}

func (l *Learner) decide(ms int64, dt float64) {
	c := &l.c
	if c.Changed {
		return // one announcement a reading, with its own confidence
	}
	p := c.F.chances()
	if c.State == Learning {
		for s := Dark; s <= Blinking; s++ {
			if p[s] > 0.99 {
				c.State, c.Conf, c.Since = s, p[s], ms
				l.settle(ms, byLearning)
			}
		}
		return
	}
	c.Conf = p[c.State]
	next := Learning
	for s := Dark; s <= Blinking; s++ {
		if s != c.State && (next == Learning || p[s] > p[next]) {
			next = s
		}
	}
	if p[next] < 0.5 {
		return
	}
	enter, age := ms, uint32(0)
	w := 0.0
	for i := range int(c.F.N) {
		if h := &c.F.H[i]; h.S == next && h.W > w {
			enter, age, w = h.Enter, h.Age, h.W
		}
	}
	delay := c.Cfg.OnDelay
	if next == Dark {
		delay = c.Cfg.OffDelay
	}
	if delay > 0 { // set by hand
		if p[next] > 0.9 && (ms-enter)*int64(time.Millisecond) >= delay {
			l.announce(next, ms, enter, age+1, p[next])
		}
		return
	}
	// What speaks for the old state is either outliers, which waiting
	// refutes, or ambient light that moved just so, which waiting may never
	// refute: that doubt must be small soon, or bearable later, and lowers
	// the confidence.
	outlier, moved := 0.0, 0.0
	for i := range int(c.F.N) {
		if h := &c.F.H[i]; h.S == c.State {
			if h.By == bySpike {
				outlier += h.W
			} else {
				moved += h.W
			}
		}
	}
	bearable := 0.003
	switch {
	case c.State == Blinking: // only waiting tells that it is over
		bearable = 1e-3
	case next == Blinking: // no ambient light comes and goes like that: what is against it are outliers
		bearable = 0.015
	case age >= 12:
		bearable = 0.2
	case age >= 5 && sq(c.F.Step) < 49*c.F.R: // noise in runs may look like that
		bearable = 0.03
	case age >= 5:
		bearable = 0.12
	case age >= 3:
		bearable = 0.006
	}
	if outlier > 1-c.sure() || moved > bearable {
		return
	}
	// The third state: lit may be the beginning of blinking. Each reading halves
	// that doubt, so waiting is cheap; but a lamp may show itself for some ten
	// readings only, and one that never blinked for five.
	rest := 1 - p[next] - p[c.State]
	limit := 0.001
	switch {
	case next == Blinking:
		limit = 0.01
	case c.State == Blinking && age >= 14 && p[Blinking] < 1e-4: // it is over for certain: the likelier of the other two, then
		limit = 1
	case age >= 9:
		limit = 0.0045
	case c.NBlink == 0:
		limit = 0.002
	}
	if rest > mul(limit, p[next]) {
		return
	}
	conf := p[next]
	if bearable > 0.15 && moved > 0.006 {
		// Where only the hours' habits speak, the change itself was missed:
		// of such late announcements about half were still in time (see the
		// reliability table in CHOICE.md).
		conf = mul(conf, 0.5)
	}
	l.announce(next, ms, enter, age+1, conf)
}

// announce makes s the state by a change that began at enter, held readings ago.
func (l *Learner) announce(s State, ms, enter int64, held uint32, conf float64) {
	c := &l.c
	c.F.Runs, c.F.Going = [maxRun]float64{}, 0 // the next blinking may have another rhythm
	c.Told++
	if s == Blinking {
		c.NBlink++
	} else if c.State != Blinking {
		c.NLit++
	}
	c.Prov = !c.Cfg.manual() && (c.NUp == 0 || c.NDown == 0)
	on, off := c.levels()
	c.Why = why{State: s, From: c.State, At: ms, Enter: enter, Held: held, Value: c.Val,
		On: mul(c.sign(), on), Off: mul(c.sign(), off), Step: c.F.Step, Conf: conf, Prov: c.Prov, Manual: c.Cfg.manual()}
	for i := max(1, nBuf-int(min(held, nBuf))); i < nBuf; i++ {
		if (c.Edges.V[i] > 0.5*(on+off)) != (c.Edges.V[i-1] > 0.5*(on+off)) {
			c.Why.Flips++
		}
	}
	c.State, c.Since, c.Changed, c.Conf = s, enter, true, conf
}

// settle takes note that the state became known without a change to announce.
func (l *Learner) settle(ms int64, how uint8) {
	c := &l.c
	c.Settled = true
	on, off := c.levels()
	c.Why = why{State: c.State, From: Learning, At: ms, Enter: c.Since, Value: c.Val,
		On: mul(c.sign(), on), Off: mul(c.sign(), off), Step: c.F.Step, Conf: c.Conf, How: how}
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
	return m + mul(0.6, c.F.Step), m + mul(0.4, c.F.Step)
}

// Hand-set levels: readings of one side that make a change when no delay is
// set, readings looked at for blinking, and changes of side that make it.
const (
	manualRun   = 3
	blinkWindow = 10
	blinkFlips  = 4
)

// manual decides by hand-set levels, so plainly that a person can foretell it:
// a side must be held for the delay (or three readings); four changes of side
// within ten readings are blinking, ten readings of one side its end.
func (l *Learner) manual(ms int64, y float64) {
	c := &l.c
	on, off := c.levels()
	m := &c.Man
	side := m.Side
	switch {
	case y >= on:
		side = true
	case y <= off:
		side = false
	case m.N == 0:
		return // in the deadband from the start: not known yet
	}
	if m.N == 0 || side != m.Side {
		m.Run, m.Since = 0, ms
	}
	m.Side = side
	m.Last <<= 1
	if side {
		m.Last |= 1
	}
	if m.Run < math.MaxUint32 {
		m.Run++
	}
	if m.N < blinkWindow {
		m.N++
	}
	flips, first := 0, 0
	for i := range int(m.N) - 1 {
		if (m.Last>>i)&1 != (m.Last>>(i+1))&1 {
			flips, first = flips+1, i
		}
	}
	want, delay, enter := Dark, c.Cfg.OffDelay, m.Since
	if side {
		want, delay = Lit, c.Cfg.OnDelay
	}
	held := m.Run
	switch {
	case flips >= blinkFlips && (c.State != Learning || m.N == blinkWindow):
		want, delay, held = Blinking, 0, uint32(first)+1
		enter = ms - int64(mul(float64(first), c.IV))
	case c.State == Blinking && m.Run < blinkWindow:
		c.Conf = 0.9
		return
	}
	c.Conf = 0.99
	switch {
	case c.State == Learning:
		c.State, c.Since, c.Conf = want, enter, 0.9
		l.settle(ms, byHand)
	case want == c.State, delay > 0 && (ms-m.Since)*int64(time.Millisecond) < delay,
		delay == 0 && want != Blinking && m.Run < manualRun:
	default:
		l.announce(want, ms, enter, held, 0.99)
	}
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
	y := mul(c.sign(), c.Val)
	c.Taught[s-Dark], c.TaughtAs[s-Dark], c.TaughtAt[s-Dark] = true, y, ms
	switch {
	case c.Cfg.manual():
		c.Man = sides{N: 1, Side: s == Lit, Run: 1, Since: ms}
		if s == Lit {
			c.Man.Last = 1
		}
	case c.Known && c.State == s && c.F.best().S == s:
	case c.Known:
		m := y
		if s == Lit {
			m -= c.F.Step
		}
		c.F.start(s, m, ms)
		c.F.H[0].P = c.F.Tau2 + c.F.R
	}
	if !c.Cfg.manual() && c.Taught[0] && c.Taught[1] {
		step := c.TaughtAs[1] - c.TaughtAs[0]
		if step > 3*math.Sqrt(c.Noise.variance()) && (!c.Known || c.NUp == 0 || c.NDown == 0 || c.contradicted(step)) {
			c.adopt(step, 0)
			c.F.Tau2 = sq(0.15 * step)
			m := y
			if s == Lit {
				m -= step
			}
			c.F.start(s, m, ms)
			c.NUp, c.NDown = 1, 1
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
// quite unlike the one in use, which was not seen since: the sensor was moved.
func (c *core) contradicted(step float64) bool {
	from, to := min(c.TaughtAt[0], c.TaughtAt[1]), max(c.TaughtAt[0], c.TaughtAt[1])
	return to-from < 7*dayMS && c.Matched < from && math.Abs(step-c.F.Step) > 0.25*c.F.Step
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
