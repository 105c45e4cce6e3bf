package learn

import "math"

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

	Block uint32  // blocks of the noise looked at
	Loud  uint32  // of them, in a row, that were too loud
	VHigh float64 // usual noise in the livelier blocks, counts squared
	Was   float64 // the lamp's step when it was first well known, counts

	Prev   float64        // the reading before this run
	Moved  bool           // the light, in the hours before it
	Calm   float64        // Equal, in the sensor's calmer hours
	Stood  float64        // the reading that StuckRail or Frozen is about
	Left   uint32         // readings until that is over, if they look well
	Near   run            // readings in a row near one end of a converter's range
	AtNear [nBands]uint64 // readings near each end, before this run
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
	if v == 0 {
		return true
	}
	for _, full := range fullScales {
		if v == full {
			return true
		}
	}
	return false
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
	f := NoFault
	switch {
	case c.Fault == StuckRail && h.Left > 0, c.stuck(ms, v):
		f = StuckRail
	case c.Fault == Frozen && h.Left > 0, c.frozen(ms):
		f = Frozen
	case c.loud():
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
	switch near := !c.Noise.Frac && band(v) > 0 && band(v) == band(h.Stood); {
	case c.Fault == StuckRail && (v == h.Stood || near): // one that flaps there and back does not work
		h.Left = settled
	case c.Fault == Frozen && v == h.Stood && h.Same > 10:
		h.Left = thawed
	case v != h.Stood && (v != h.Last || c.Fault == StuckRail):
		h.Left = max(h.Left, 1) - 1
	}
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
	if h.Seen && v == h.Last {
		if h.Same < math.MaxUint32 {
			h.Same++
		}
		return
	}
	if h.Seen { // the run that ends here becomes history
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
	h.Same, h.From, h.Last, h.Seen = 1, ms, v, true
	h.Moved = sq(c.Range.RHi-c.Range.RLo) > 4*c.Noise.steps()
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
	if x.Band == 0 || x.N < stuckRun || c.N < uint64(x.N)+120 || x.V < 9 || c.Noise.Frac {
		return false
	}
	if float64(h.AtNear[x.Band-1]) >= 0.02*float64(c.N-uint64(x.N)) ||
		x.Band > 1 && c.highest() > fullScales[x.Band-2] || x.Band == 1 && c.lowest() < -nearEnd {
		return false
	}
	return ms-x.From >= max(3*stuckTime, c.patience(x.Band > 1, true, v, x.Prev))
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

// loud: the noise of the last blocks is nine times the power of what the
// livelier ones had.
func (c *core) loud() bool {
	h := &c.Health
	n := &c.Noise
	if n.Block != h.Block && n.Block > 0 {
		h.Block = n.Block
		v := n.Now
		switch {
		case n.Block < 100:
			h.VHigh = math.Max(h.VHigh, v)
		case v > 9*math.Max(h.VHigh, n.floor()) && c.State != Blinking:
			if h.Loud < 1000 {
				h.Loud++
			}
			if h.Loud > 200 { // for a week of blocks: this is how it is now
				h.VHigh = v
			}
		default:
			h.Loud /= 2
			h.VHigh = math.Max(v, mul(h.VHigh, 0.9995))
		}
	}
	return h.Loud >= 3
}

// fading: the lamp's step fell below 0.6 of what it was.
func (c *core) fading() bool {
	h := &c.Health
	if !c.Known || c.Cfg.manual() {
		h.Was = 0
		return false
	}
	if c.NUp+c.NDown < 6 {
		return false
	}
	if h.Was == 0 || c.F.Step > h.Was {
		h.Was = c.F.Step
	}
	if c.Fault == Fading {
		return c.F.Step < 0.7*h.Was
	}
	return c.F.Step < 0.6*h.Was
}
