// Package silence decides when a device that reports again and again is late
// enough to be called silent.
//
// Start with [New], tell it each report with [Estimator.Report], and ask
// [Estimator.Deadline] for the moment at which the device counts as silent
// unless it reports before.
//
// The quality asked for is that of Chen, Toueg and Aguilera, "On the quality
// of service of failure detectors", IEEE Trans. Computers 51(5), 2002 (from
// memory): the mean time between false silences (their mistake recurrence
// time) is given, and the detection time is to be as short as that allows. As
// in Hayashibara et al., "The phi accrual failure detector", SRDS 2004 (from
// memory), the decision rests on the chance that a report is later than now.
// Both papers model one interval; here the whole distribution of gaps is kept,
// for what makes a healthy board late for minutes is a burst of lost reports,
// not the jitter of its clock:
//
//   - The period is the median of the last 32 gaps, each weighted by its
//     length: the gap that a random moment falls into. Duplicates and several
//     messages in a row do not move it.
//   - Gaps longer than the period are counted in a histogram of gap / period.
//     Beyond what was seen the tail is taken as exponential above a threshold
//     (peaks over threshold), with a Gamma prior on its rate, so the predicted
//     tail is of the Lomax form (1 + y/B)^-A and heavier the less was seen. The
//     longest limit that any threshold asks for is used.
//   - Gaps that come back at the same time of day (sleep at night) are learned
//     from two days on.
package silence

import (
	"math"
	"time"
)

// Config says how patient an Estimator is.
type Config struct {
	ReportEvery time.Duration // expected interval between reports, a prior for the learned one; 0: learned alone
	SilentAfter time.Duration // hand-set limit, used as it is; 0: from the learned cadence and FalseEvery
	FalseEvery  time.Duration // mean time between false silences that is tolerated; 0: five years
}

// DefaultFalseEvery is the mean time between false silences of a healthy
// device that is tolerated unless Config says otherwise.
const DefaultFalseEvery = 5 * 365 * 24 * time.Hour

const (
	ringSize = 32 // gaps that decide the period
	lag      = 8  // a gap is counted only after this many more, when the period has had time to follow a change
	octaves  = 8  // the histogram reaches to 2^octaves periods
	perOct   = 8  // bins an octave
	bins     = octaves * perOct

	needGaps = 5                // gaps before a learned cadence counts
	needTime = 5 * 60 * 1000    // ms since the first report before it does; and for which a quicker one lasts before it counts
	trustOwn = 12               // gaps from which on the learned period replaces ReportEvery
	burst    = 8                // a gap under period/burst belongs to the message before it, unless such gaps go on for longer than needTime
	weighMax = 8                // periods that one gap weighs at most in the median
	followUp = 64               // periods up to which a gap may be the first of a slower cadence
	outage   = 3                // limits; a longer gap is an outage
	connect  = 10 * 60 * 1000   // ms in which boards connect again after lampward was down
	never    = 60 * 60 * 1000   // ms to wait for the first report of a board with a set cadence
	minLimit = 5000             // ms; the shortest limit, however short an interval is expected
	aimed    = 3 * 60 * 1000    // ms; the shortest limit unless an interval of less than a third of it is
	maxGap   = 1 << 40          // ms; longer gaps are clipped, so that sums stay exact
	dayMs    = 24 * 3600 * 1000 // ms

	outageHalf = 7 * dayMs // ms after which half of the outages are forgotten
	outageMost = 3         // more outages than this are the board's way
)

// Prior knowledge of healthy boards, worth what the numbers say; common
// practice, no source.
const (
	priorReports = 1000.0  // reports that the prior is worth
	priorLosses  = 1.0     // gaps over one period among them
	priorShape   = 10.0    // shape of the tail of their excess over one period
	priorExcess  = 0.75    // mean excess, in periods
	memory       = 1 << 17 // periods remembered, give or take
	fitMost      = 16.0    // gaps from which on the prior does not help; shape of an exponential tail, as far as so few tell
	heavyLeast   = 48.0    // gaps that can tell a heavier tail
	heavyMost    = 400.0   // more gaps than this are no tail
	lateShare    = 0.02    // share of the gaps that are longer than the late mark
)

// Estimator learns the cadence of one device. The zero value is not ready;
// use New. It is not safe for concurrent use.
type Estimator struct {
	cfg Config

	ring  [ringSize]int64 // gaps in ms, oldest at head once full
	order [ringSize]uint8 // indices into ring by length; derived
	skip  uint32          // gaps in ring that are not to be counted, by bit
	n     int             // gaps in ring
	head  int             // where the next gap goes
	run   int64           // ms; short gaps in a row, their sum

	count [bins]float64    // gaps by gap/period, forgetting
	seen  float64          // time watched, in periods, forgetting
	slots *[slotCount]slot // nil: no long gap yet, as with most boards

	outages  float64 // outages, halved every outageHalf
	outageAt int64   // ms; when they were last halved

	first, last int64 // ms; first and newest report
	from        int64 // ms; when the wait began
	heard       bool  // first and last are set
	armed       bool  // from is set
	spoilt      bool  // the gap that is running was not watched throughout
	follow      int64 // ms; the gap before this one was this long and unexpected; 0 otherwise

	period int64   // ms; derived from ring
	limit  float64 // periods; derived
	late   float64 // periods; derived
	stale  int     // reports since limit was derived
}

// New returns an Estimator that has heard nothing.
func New(cfg Config) *Estimator {
	e := &Estimator{cfg: cfg}
	e.derive()
	return e
}

// Configure changes the patience and keeps what was learned, unless that is of
// another interval than the one that is expected from now on.
func (e *Estimator) Configure(cfg Config) {
	every := cfg.ReportEvery.Milliseconds()
	if every > 0 && cfg.ReportEvery != e.cfg.ReportEvery && (every > 2*e.period || e.period > 2*every) {
		e.skip, e.n, e.head, e.run, e.follow = 0, 0, 0, 0, 0
		e.count, e.seen, e.slots = [bins]float64{}, 0, nil
		e.outages, e.outageAt = 0, 0
		e.armed = false // until the next report, or until lampward watches with this
	}
	e.cfg = cfg
	e.derive()
}

// Report tells that the device reported at at. It takes constant time and
// allocates nothing.
func (e *Estimator) Report(at time.Time) {
	t := at.UnixMilli()
	if !e.heard {
		e.first = t
	} else if gap := t - e.last; gap >= 0 && !e.spoilt {
		e.learn(min(gap, maxGap), t)
	}
	e.last, e.from = t, t
	e.heard, e.armed, e.spoilt = true, true, false
}

func (e *Estimator) learn(gap, now int64) {
	if e.period > 0 && gap < e.period/burst {
		// What a board or a broker saved up comes within moments, and is no
		// cadence, however much it is.
		if e.run += gap; e.run <= needTime {
			return
		}
	} else {
		e.run = 0
	}
	skip := false // whether gap says nothing of lateness
	e.follow = 0
	if limit := e.general(); limit > 0 && gap > limit {
		habit := e.allowance(e.last) >= gap
		skip = habit || gap > outage*limit && !e.often(now)
		if gap <= followUp*e.period {
			e.follow = gap
		}
		e.slept(e.last, gap)
	} else {
		e.awake(e.last, now, gap)
	}
	if e.n > lag {
		if old := (e.head + ringSize - 1 - lag) % ringSize; e.skip>>old&1 == 0 {
			e.tally(e.ring[old])
		}
	}
	e.push(gap, skip)
	before := e.period
	e.setPeriod()
	moved := e.period > before+before/8 || e.period < before-before/8
	if e.stale++; moved || e.n < ringSize || e.stale >= 16 || gap > e.period+e.period/4 {
		e.deriveLimit()
	}
}

// often tells whether outages come so often that they are the board's way.
func (e *Estimator) often(now int64) bool {
	for ; e.outages > 0 && now-e.outageAt >= outageHalf; e.outageAt += outageHalf {
		e.outages /= 2
		if e.outages < 0.1 {
			e.outages = 0
		}
	}
	if e.outages == 0 {
		e.outageAt = now
	}
	e.outages++
	return e.outages > outageMost
}

// push puts gap into the ring in place of the oldest.
func (e *Estimator) push(gap int64, skip bool) {
	i := e.head
	e.ring[i] = gap
	e.skip &^= 1 << i
	if skip {
		e.skip |= 1 << i
	}
	e.head = (e.head + 1) % ringSize
	k := 0 // where i stands in order
	if e.n < ringSize {
		k = e.n
		e.order[k] = uint8(i)
		e.n++
	} else {
		for int(e.order[k]) != i {
			k++
		}
	}
	for ; k > 0 && e.ring[e.order[k-1]] > gap; k-- {
		e.order[k], e.order[k-1] = e.order[k-1], e.order[k]
	}
	for ; k < e.n-1 && e.ring[e.order[k+1]] < gap; k++ {
		e.order[k], e.order[k+1] = e.order[k+1], e.order[k]
	}
}

// setPeriod takes the median of the gaps weighted by their lengths.
func (e *Estimator) setPeriod() {
	if e.cfg.ReportEvery > 0 && e.n < trustOwn {
		e.period = max(e.cfg.ReportEvery.Milliseconds(), 1)
		return
	}
	top := int64(maxGap)
	if e.period > 0 && e.n >= trustOwn {
		top = weighMax * e.period
	}
	var sum, part int64
	for _, g := range e.ring[:e.n] {
		sum += min(g, top)
	}
	for _, i := range e.order[:e.n] {
		g := e.ring[i]
		if part += min(g, top); part >= sum-part {
			e.period = max(g, 1)
			return
		}
	}
}

// tally counts gap in the histogram.
func (e *Estimator) tally(gap int64) {
	x := float64(gap) / float64(e.period)
	if most := float64(1.5 * e.limit); x > most {
		// Whether a board that was gone for long was healthy all the while
		// nobody knows; it asks for some more patience, not for all of it.
		x = most
	}
	e.seen += x
	if x >= 1 {
		e.count[bin(x)]++
	}
	if e.seen > memory {
		const keep = 15.0 / 16
		e.seen *= keep
		for i := range e.count {
			e.count[i] *= keep
		}
	}
}

// bin returns the bin of x >= 1: octaves with linear bins within.
func bin(x float64) int {
	m, k := math.Frexp(x) // x = m 2^k, m in [0.5, 1)
	i := (k-1)*perOct + int(m*(2*perOct)) - perOct
	return min(i, bins-1)
}

// edge returns the lower edge of bin i.
func edge(i int) float64 {
	return math.Ldexp(float64(perOct+i%perOct), i/perOct-3)
}

func (e *Estimator) derive() {
	e.setPeriod()
	e.deriveLimit()
}

// deriveLimit finds the limit and the late mark, in periods.
func (e *Estimator) deriveLimit() {
	e.stale = 0
	e.limit, e.late = 2, 1.5
	if e.period <= 0 {
		return
	}
	every := e.cfg.FalseEvery
	if every <= 0 {
		every = DefaultFalseEvery
	}
	q := float64(e.period) / (float64(every) / 1e6) // false silences a period
	time := e.seen + priorReports
	// What a healthy board may do that it has not done yet.
	e.limit = 1 + tail(priorLosses/time/q, priorShape, priorExcess)
	// The n gaps over edge(i), and the sums of how far and how far squared.
	var n, sum, sq float64
	late := bins - 1
	for i := bins - 1; i >= 0; i-- {
		lo := edge(i)
		w := edge(i+1) - lo
		sq += float64(2*w*sum) + float64(n*w*w)
		sum += float64(n * w)
		c := e.count[i]
		n += c
		sum += float64(c * (w / 2))
		sq += float64(c * w * (w / 3))
		if n <= float64(lateShare*e.seen) {
			late = i
		}
		if c == 0 {
			continue
		}
		// Few gaps say little of the tail's shape, so the prior helps out.
		mean := sum / n
		shape := fitMost
		if n < fitMost {
			part := n / fitMost
			shape = priorShape + float64(part*(fitMost-priorShape))
			mean = priorExcess + float64(part*(mean-priorExcess))
		} else if n >= heavyLeast && n <= heavyMost {
			// Squares larger than an exponential tail has tell a heavier
			// one; the moments of the generalized Pareto give its shape.
			if cv2 := sq/n/float64(mean*mean) - 1; cv2 > 1 {
				if xi := (1 - 1/cv2) / 2; xi > 1/fitMost {
					shape = 1 / xi
				}
			}
		}
		e.limit = max(e.limit, lo+tail(n/time/q, shape, mean))
	}
	if e.seen >= 50 {
		e.late = max(edge(late), 1.125)
	}
	e.limit = max(e.limit, e.late+0.5)
}

// tail returns how far over its threshold a gap has to be to be rare, for an
// excess of the Lomax form, P(excess > y) = (1 + y/b)^-shape, with the given
// mean; ratio is how much more often the threshold itself is passed.
func tail(ratio, shape, mean float64) float64 {
	if ratio <= 1 {
		return 0
	}
	return float64(mean * (shape - 1) * (exp(ln(ratio)/shape) - 1))
}

// general returns the limit in ms without regard to the time of day; 0 while
// it is unknown.
func (e *Estimator) general() int64 {
	if e.cfg.SilentAfter > 0 {
		return max(e.cfg.SilentAfter.Milliseconds(), 1)
	}
	if e.period <= 0 || e.n < needGaps && e.cfg.ReportEvery <= 0 {
		return 0
	}
	limit := int64(e.limit * float64(e.period))
	if e.cfg.ReportEvery <= 0 && e.n < ringSize {
		limit += limit * 4 / int64(e.n) // so few gaps do not even tell the period
	}
	return max(limit, e.least())
}

// least is the shortest limit, in ms: a board that reported by the second while its
// sensor was aimed goes back to one report a minute or two, and is not silent then.
// Where a shorter interval is expected, three of it.
func (e *Estimator) least() int64 {
	if every := e.cfg.ReportEvery.Milliseconds(); every > 0 {
		return min(max(3*every, minLimit), aimed)
	}
	return aimed
}

// wait returns how long after the newest report the device counts as silent,
// in ms; 0 while that is unknown.
func (e *Estimator) wait() int64 {
	w := e.general()
	if w == 0 || e.cfg.SilentAfter > 0 {
		return w
	}
	w = max(w, e.follow+e.follow/2)
	if !e.heard {
		return max(w, never)
	}
	return max(w, e.allowance(e.last))
}

// Every returns the period, the typical interval between reports; 0 while
// unknown.
func (e *Estimator) Every() time.Duration {
	if e.n < needGaps && e.cfg.ReportEvery <= 0 {
		return 0
	}
	return ms(e.period)
}

// Longest returns the longest of the newest gaps; 0 while there is none.
func (e *Estimator) Longest() time.Duration {
	if e.n == 0 {
		return 0
	}
	return ms(e.ring[e.order[e.n-1]])
}

// Limit returns how long after its newest report the device counts as silent;
// ok is false while that is unknown.
func (e *Estimator) Limit() (limit time.Duration, ok bool) {
	w := e.wait()
	return ms(w), w > 0
}

// Late returns how long after a report the device is noticeably late, though
// far from silent: one gap in fifty is longer. ok is false while unknown.
func (e *Estimator) Late() (late time.Duration, ok bool) {
	if e.Every() <= 0 {
		return 0, false
	}
	return min(ms(int64(e.late*float64(e.period))), ms(e.wait())), true
}

// Waiting returns since when a report is waited for: the newest one, or a later
// Rearm. ok is false before the first of either.
func (e *Estimator) Waiting() (since time.Time, ok bool) {
	return time.UnixMilli(e.from).UTC(), e.armed
}

// Last returns when the device was last heard; ok is false if never.
func (e *Estimator) Last() (at time.Time, ok bool) {
	return time.UnixMilli(e.last).UTC(), e.heard
}

// Rearm restarts the wait at at: that nothing was heard before proves nothing,
// and the gap that is running teaches nothing.
func (e *Estimator) Rearm(at time.Time) {
	e.from = at.UnixMilli()
	e.armed, e.spoilt = true, true
}

// Unwatched tells that nobody watched from since to at. The wait begins anew,
// but goes on if that, and the time in which boards connect again, is short
// beside a period: one that reports once a day would else never be missed where
// lampward is restarted each night. A report that fell into it is like one lost.
// A device that was late already is given no more than that time, if hardly a
// report can have fallen into it.
func (e *Estimator) Unwatched(since, at time.Time) {
	lost, now := at.UnixMilli()-since.UnixMilli(), at.UnixMilli()
	late, ok := e.Late()
	switch {
	case e.armed && (lost+connect)*burst <= max(e.period, now-e.from):
		e.from += lost
	case e.armed && ok && lost*burst <= e.period && now-lost-e.from >= late.Milliseconds():
		e.from, e.spoilt = min(e.from+lost+connect, now), true
	default:
		e.Rearm(at)
	}
}

// Deadline returns when the device counts as silent unless it reports before;
// ok is false if that is unknown yet.
func (e *Estimator) Deadline() (at time.Time, ok bool) {
	w := e.wait()
	if w == 0 || !e.armed {
		return time.Time{}, false
	}
	due := e.from + w
	if e.cfg.SilentAfter <= 0 && e.cfg.ReportEvery <= 0 {
		due = max(due, e.first+needTime)
	}
	return time.UnixMilli(due).UTC(), true
}

func ms(n int64) time.Duration { return time.Duration(n) * time.Millisecond }
