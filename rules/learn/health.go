package learn

import (
	"math"
	"slices"
)

// health watches the sensor rather than the lamp.
type health struct {
	Same   uint32  // readings in a row that are exactly equal
	From   int64   // time of the first of them, Unix ms
	Last   float64 // the reading
	Seen   bool
	Max    float64 // largest and smallest reading before this run
	Min    float64
	AtMax  uint64 // readings at exactly Max, Min, before this run
	AtMin  uint64
	Longer uint32  // longest run that ended by itself, away from Max and Min
	Equal  float64 // how often a reading equals the one before, by the last 200 or so, runs that ended

	Block uint32  // blocks of the noise looked at, warmUp at most
	Loud  uint32  // of late that were too loud; from manyLoud on it is a fault
	VHigh float64 // usual noise in the livelier blocks, counts squared
	Was   float64 // the lamp's step when it was first well known, counts

	Prev   float64        // the reading before this run
	Moved  bool           // the light, in the hours before it
	Calm   float64        // Equal, in the sensor's calmer hours
	Stood  float64        // the reading that StuckRail or Frozen is about
	Left   uint32         // readings until that is over, if they look well
	Near   run            // readings in a row near one end of a converter's range
	AtNear [nBands]uint64 // readings near each end, before this run

	Best   float64 // Was, while it is a fault that it is no more
	Wait   uint32  // readings of the block so far
	Aged   uint32  // blocks since one that told Lo and Hi
	Quiet  uint32  // blocks in a row since the last loud one
	Lo, Hi float64 // range of the dark level over some days

	End      uint8          // of the range, at which readings are again and again
	Flapping bool           // and that is a fault
	Flap     float64        // the share of them
	Shook    int64          // when it was last more than next to nothing, Unix ms
	Flaps    int64          // since when it is more than a few, Unix ms
	At       bool           // the last one was
	Turns    uint32         // changes of that since Flaps
	There    uint32         // readings since then
	Flapped  uint64         // readings at End, while it is more than a few
	AtEnd    [nBands]uint64 // and at each end, before
	Other    float64        // the reading in between
}

// run is a number of readings in a row near an end of a converter's range.
type run struct {
	Band uint8  // which end; 0: none
	N    uint32 // readings
	From int64  // time of the first of them, Unix ms
	Prev float64
	V    float64 // variance of the readings when it began, counts squared
}

const (
	stuckRun  = 30        // readings
	stuckTime = hour      // ms
	settled   = 20        // readings that show that a sensor is not stuck any more
	thawed    = 3         // other numbers that show that it is not frozen
	hour      = 3_600_000 // ms
)

// fullScales are the largest counts of the converters in use: 8, 10, 12, 14, 15 and
// 16 bits.
var fullScales = [...]float64{1<<8 - 1, 1<<10 - 1, 1<<12 - 1, 1<<14 - 1, 1<<15 - 1, 1<<16 - 1}

// nearEnd is how far from the end of its range a converter may read that is driven
// beyond it, counts.
const nearEnd = 3

const nBands = len(fullScales) + 1

// isEnd tells whether v is exactly an end of a converter's range.
func isEnd(v float64) bool {
	return v == 0 || slices.Contains(fullScales[:], v)
}

// band is 1 for a reading near 0, 2 and more for one near a full scale, else 0.
func band(v float64) uint8 {
	if math.Abs(v) <= nearEnd {
		return 1
	}
	for i, full := range fullScales {
		if v <= full && v >= full-nearEnd {
			return uint8(i + 2)
		}
	}
	return 0
}

// inspect looks for faults after a reading.
func (l *Learner) inspect(ms int64, v float64) {
	c := &l.c
	h := &c.Health
	h.count(ms, v, c)
	f, loud := NoFault, c.noisy(ms, v)
	switch {
	case c.Fault == StuckRail && h.Left > 0, c.stuck(ms, v):
		f = StuckRail
	case c.Fault == Frozen && h.Left > 0, c.frozen(ms):
		f = Frozen
	case loud:
		f = Noisy
	case c.fading():
		f = Fading
	}
	if f != c.Fault {
		h.pardon(c.Fault)
		c.Fault, c.FaultChanged = f, true
		h.Stood, h.Left = v, settled
		if f == Frozen {
			h.Left = thawed
		}
	}
}

// count keeps the runs of readings that are equal, or near an end of the range.
func (h *health) count(ms int64, v float64, c *core) {
	faulty := c.Fault == StuckRail || c.Fault == Frozen
	h.mend(v, c)
	h.countNear(ms, v, c, faulty)
	if h.Seen && v == h.Last {
		if h.Same < math.MaxUint32 {
			h.Same++
		}
		return
	}
	if h.Seen {
		h.runEnds(c, faulty)
	}
	h.Same, h.From, h.Last, h.Seen = 1, ms, v, true
	h.Moved = sq(c.Range.RHi-c.Range.RLo) > 4*c.Noise.steps()
}

// mend counts down to the end of a fault while the readings look well.
func (h *health) mend(v float64, c *core) {
	switch near := c.Noise.counts() && band(v) > 0 && band(v) == band(h.Stood); {
	case c.Fault == StuckRail && (v == h.Stood || near): // one that flaps there and back does not work
		h.Left = settled
	case c.Fault == Frozen && v == h.Stood && h.Same > 10:
		h.Left = thawed
	case v != h.Stood && (v != h.Last || c.Fault == StuckRail):
		h.Left = max(h.Left, 1) - 1
	}
}

// countNear keeps the run of readings near one end of the range; those of a fault do
// not make that end a usual one.
func (h *health) countNear(ms int64, v float64, c *core, faulty bool) {
	if b := band(v); h.Seen && b > 0 && b == h.Near.Band {
		h.Near.N = min(h.Near.N, math.MaxUint32-1) + 1
	} else {
		if h.Near.Band > 0 && !faulty {
			h.AtNear[h.Near.Band-1] += uint64(h.Near.N)
		}
		h.Near = run{}
		if b > 0 {
			h.Near = run{b, 1, ms, h.Last, c.Noise.steps()}
		}
	}
}

// runEnds makes history of the run of equal readings that the newest one ends; that
// of a fault leaves no more than its number.
func (h *health) runEnds(c *core, faulty bool) {
	first := c.N <= uint64(h.Same)+1
	n := uint64(h.Same)
	if faulty {
		n = 0
	}
	switch {
	case h.Last > h.Max || first:
		h.Max, h.AtMax = h.Last, n
	case h.Last == h.Max:
		h.AtMax += n
	}
	switch {
	case h.Last < h.Min || first:
		h.Min, h.AtMin = h.Last, n
	case h.Last == h.Min:
		h.AtMin += n
	}
	if h.Last != h.Max && h.Last != h.Min {
		h.Longer = max(h.Longer, uint32(n))
	}
	if !isEnd(h.Last) && !faulty { // there the lamp's light may saturate the converter
		h.Equal = 1 - mul(1-h.Equal, exp(mul(-0.005, float64(h.Same-1))))
		h.Equal -= mul(0.005, h.Equal)
		h.Calm = math.Max(mul(h.Calm, 1-1e-6), h.Equal)
	}
	h.Prev = h.Last
}

// pardon takes what stood for a fault that is over for a little more usual, in case it
// was none.
func (h *health) pardon(was Fault) {
	const some = 6 * 60 // readings
	switch {
	case was == Frozen:
		h.Longer = max(2*h.Longer, stuckRun)
	case was != StuckRail:
		return
	case h.Stood == h.Max:
		h.AtMax += some
	case h.Stood == h.Min:
		h.AtMin += some
	}
	if b := band(h.Stood); b > 0 && was == StuckRail {
		h.AtNear[b-1] += some
	}
}

// leaps tells whether two readings are farther apart than noise makes them.
func (c *core) leaps(a, b float64) bool {
	return math.Abs(a-b) > 3+mul(6, math.Sqrt(c.Noise.variance()))
}

// repeats tells that a run of so many equal readings is nothing that chance would do
// to this sensor, even in its calmer hours.
func (h *health) repeats() bool {
	return h.Calm < 0.9 && mul(float64(h.Same), ln(clamp(h.Calm, 0.05, 0.9))) < -20
}

// stuck: at an end of the converter's range, or beyond all that was read before, and
// without noise, though readings hardly ever were there; for so long that neither
// the lamp nor the night explains it.
func (c *core) stuck(ms int64, v float64) bool {
	h := &c.Health
	if c.N == uint64(h.Same) {
		return isEnd(v) && h.Same >= stuckRun && ms-h.From >= 24*hour
	}
	if h.Same >= stuckRun && c.N >= uint64(h.Same)+120 && (isEnd(v) || h.repeats()) {
		few := 0.02 * float64(c.N-uint64(h.Same))
		top := v > h.Max || v == h.Max && float64(h.AtMax) < few
		bottom := v < h.Min || v == h.Min && float64(h.AtMin) < few
		if (top || bottom) && ms-h.From >= c.patience(top, v > h.Max || v < h.Min, v, h.Prev) {
			return true
		}
	}
	x := &h.Near
	if x.Band == 0 || x.N < stuckRun || c.N < uint64(x.N)+120 || x.V < 9 || !c.Noise.counts() {
		return false
	}
	if float64(h.AtNear[x.Band-1]) >= 0.02*float64(c.N-uint64(x.N)) ||
		x.Band > 1 && c.highest() > fullScales[x.Band-2] || x.Band == 1 && c.lowest() < -nearEnd {
		return false
	}
	return ms-x.From >= max(3*stuckTime, c.patience(x.Band > 1, !c.shoneAt(v, x.From), v, x.Prev))
}

// shoneAt tells whether the lamp lit up to about v before, or went out from there, three
// times: it drives the reading to the end of the range. A fault that is over may have
// done so once.
func (c *core) shoneAt(v float64, before int64) bool {
	n := 0
	for i := range c.Edges.E[:c.Edges.NE] {
		x := c.Edges.at(i)
		lit := math.Max(x.From, x.From+c.Edges.E[i].Size)
		if x.At < before && x.speaks(c.F.Step) && math.Abs(mul(c.sign(), v)-lit) <= nearEnd+mul(3, x.SD) {
			n++
		}
	}
	return n >= 3
}

// OneNumber tells whether every reading so far was the same number.
func (l *Learner) OneNumber() bool { return l.c.N > 0 && l.c.N == uint64(l.c.Health.Same) }

// highest and lowest are the largest and the smallest reading.
func (c *core) highest() float64 { return math.Max(c.Health.Max, c.Health.Last) }
func (c *core) lowest() float64  { return math.Min(c.Health.Min, c.Health.Last) }

// patience is how long a reading may stand at an end (the top one, or the bottom)
// before that is called a fault, ms; beyond says that it was never there before, v
// and prev are the reading and the one before it got there.
func (c *core) patience(top, beyond bool, v, prev float64) int64 {
	lit := top != c.Cfg.LitLower // the lamp's light drives the reading there
	seen := c.NUp+c.NDown >= 3 || c.Cfg.manual() && c.Told >= 3
	switch calm, lively, known := c.Hours.moves(); {
	// A lamp that saturates the converter when lit looks just like this, the
	// first time: some are lit until somebody comes. And one that was lit till
	// now may be dark in a dark place.
	case !seen && lit:
		return 48 * hour
	case !seen:
		return 24 * hour
	// One whose light was seen before does not shine beyond that of a sudden,
	// but with the sun's it may.
	case lit && c.State != Dark && c.State != Learning && beyond:
		return 12 * hour
	case lit && c.State == Lit:
		return math.MaxInt64
	// night falls slowly, and the sun comes by the day
	case !c.leaps(v, prev), !known && c.At-c.Begin < 72*hour:
		return 16 * hour
	case top && known && lively-calm > mul(4, math.Sqrt(c.Noise.variance())):
		return 12 * hour
	}
	return stuckTime
}

// frozen: one number, away from the ends, for far longer than ever and than
// chance allows. A board that repeats an old reading repeats one of the level
// that it read last; another level may be quieter, and so may the first night.
func (c *core) frozen(ms int64) bool {
	h := &c.Health
	if h.Same < stuckRun || ms-h.From < stuckTime || h.Same < 3*h.Longer || h.Last >= h.Max || h.Last <= h.Min || !h.repeats() {
		return false
	}
	switch young := h.From-c.Begin < 24*hour && (h.Moved || c.Noise.steps() < 4); {
	case c.leaps(h.Last, h.Prev) && c.NUp+c.NDown < 3:
		return ms-h.From >= 48*hour
	case c.leaps(h.Last, h.Prev), young:
		return ms-h.From >= 16*hour
	}
	return true
}

// Blocks of nBuf readings by which the noise is judged.
const (
	warmUp   = 144 // until the usual noise is known: two days
	manyLoud = 3   // that begin a fault
	manyCalm = 9   // that end it
)

// noisy: readings scatter far more than they used to, or an end of the range shows up
// among them again and again.
func (c *core) noisy(ms int64, v float64) bool {
	h := &c.Health
	c.flaps(ms, v)
	if h.Wait++; h.Wait >= nBuf && c.Edges.N == nBuf {
		h.Wait = 0
		c.loud()
	}
	return h.Loud >= manyLoud || h.Flapping
}

// loud takes note of a block that scatters far more than the livelier ones did, and
// in a way that no lamp does: beyond the two levels. One that blinks before a
// board that averages reads anything between them, but nothing else.
func (c *core) loud() {
	h := &c.Health
	v := math.Max(rough(c.Edges.V), c.Noise.floor())
	s := c.Edges.V
	slices.Sort(s[:])
	if h.Block < warmUp {
		if c.State != Blinking || h.Block == 0 {
			h.VHigh = math.Max(h.VHigh, v)
		}
		h.Block++
	}
	calm := v <= 4*h.VHigh
	h.Aged = min(h.Aged+1, 1000)
	if calm {
		c.dwell(&s)
		h.Aged = 0
	}
	step, known := 0.0, c.Cfg.manual() && c.Told >= 3
	if c.Known && c.NUp+c.NDown >= 3 {
		step, known = c.F.Step, true
	}
	// the levels may drift while the lamp blinks for long
	m := mul(3+mul(0.08, float64(h.Aged)), math.Sqrt(h.VHigh))
	below, above := s[2] < h.Lo-m, s[nBuf-3] > h.Hi+mul(1.1, step)+m
	beyond := below && above || known && (below || above)
	// slowly: a noise that grows over weeks must not become usual
	switch {
	case v > h.VHigh:
		h.VHigh = math.Min(v, mul(h.VHigh, 1.0007))
	default:
		h.VHigh = math.Max(v, mul(h.VHigh, 0.9998))
	}
	switch {
	case h.Loud >= manyLoud && v > 1.5*h.VHigh:
		h.Quiet = 0
	case h.Loud >= manyLoud:
		if h.Quiet++; h.Quiet >= manyCalm {
			h.Loud, h.Quiet = 0, 0
		}
	case v > 9*h.VHigh && beyond && h.Block == warmUp:
		h.Loud++
	case calm:
		h.Loud /= 2
	}
}

// dwell takes note of the range of the dark level over some days, or of all levels
// while the lamp is not known, from the sorted readings kept.
func (c *core) dwell(s *[nBuf]float64) {
	h := &c.Health
	m := mul(0.5, s[half+1]+s[half+2])
	if c.Known {
		m = c.F.best().M
	}
	if h.Block <= 1 {
		h.Lo, h.Hi = m, m
	}
	h.Lo = math.Min(m, h.Lo+mul(0.005, m-h.Lo))
	h.Hi = math.Max(m, h.Hi+mul(0.005, m-h.Hi))
}

// rough is the variance of readings about whatever may explain them: two levels, with
// an outlier on either side; or any that hold from one reading to the next now and
// then.
func rough(y [nBuf]float64) float64 {
	s := y
	slices.Sort(s[:])
	x := s[1 : nBuf-1]
	sum, all := 0.0, 0.0
	for _, v := range x {
		sum += v - x[0]
		all += sq(v - x[0])
	}
	// the sum of squares about two means is least for the cut that takes off most
	n := float64(len(x))
	low, most := 0.0, sq(sum)/n
	for i := 1; i < len(x); i++ {
		low += x[i-1] - x[0]
		most = math.Max(most, sq(low)/float64(i)+sq(sum-low)/(n-float64(i)))
	}
	v := math.Max(all-most, 0) / (n - 2)
	const m = nBuf - 1
	var d [m]float64
	for i := range d {
		d[i] = sq(y[i+1] - y[i])
	}
	slices.Sort(d[:])
	const k = m * 2 / 5
	part := 0.0
	for _, z := range d[:k] {
		part += z
	}
	return math.Min(v, part/(k*2*0.0883)) // as for the noise
}

// flaps watches for readings that jump to an end of the range and back, again and
// again for hours, where they hardly ever were before: a loose contact.
func (c *core) flaps(ms int64, v float64) {
	h := &c.Health
	b := band(v)
	if !c.Noise.counts() && !isEnd(v) {
		b = 0
	}
	is := 0.0
	if (b == h.End) != h.At {
		h.At = !h.At
		h.Turns++
	}
	switch {
	case b == 0:
		h.Other += mul(0.1, v-h.Other)
	case h.Flap < 0.02:
		h.End, is = b, 1
	case b == h.End:
		is = 1
	}
	h.Flap += mul(0.025, is-h.Flap)
	if h.Flap >= 0.02 {
		h.Shook = ms
	} else if ms-h.Shook >= 24*hour { // by day it may be held
		h.Flapping = false
	}
	if h.Flap < 0.1 {
		h.Flaps, h.There, h.Turns = ms, 0, 0
		if !h.Flapping && h.End > 0 {
			h.AtEnd[h.End-1] += h.Flapped
		}
		h.Flapped = 0
		return
	}
	if is == 1 {
		h.Flapped++
	}
	h.There++
	end := 0.0
	if h.End > 1 {
		end = fullScales[h.End-2]
	}
	if h.There >= 180 && h.Turns > h.There/10 && ms-h.Flaps >= 3*stuckTime && float64(h.AtEnd[h.End-1]) < 0.02*float64(c.N-h.Flapped) &&
		(h.End == 1 || c.highest() <= end) && (h.End > 1 || c.lowest() >= -nearEnd) &&
		ms-h.Flaps >= c.patience(h.End > 1, true, end, h.Other) {
		h.Flapping = true
	}
}

// fading: the lamp's step fell below 0.7 of what it was, or 0.6. Once that is told, only a
// larger step ends it: a lamp that is hardly seen any more is learned anew by
// smaller ones.
func (c *core) fading() bool {
	h := &c.Health
	if c.Cfg.manual() {
		h.Was, h.Best = 0, 0
		return false
	}
	least := 0.7
	if sq(h.Was) < sq(beyondNoise)*c.Noise.variance() { // a faint one's is not known so well
		least = 0.6
	}
	if c.Fault == Fading && h.Best > 0 && (!c.Known || c.F.Step < 0.8*h.Best) {
		return true
	}
	h.Best = 0
	if !c.Known || c.NUp+c.NDown < 6 {
		return false
	}
	h.Was = math.Max(h.Was, c.F.Step)
	if c.F.Step < least*h.Was {
		h.Best = h.Was
		return true
	}
	return false
}
