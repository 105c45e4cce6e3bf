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
	Equal  float64 // how often a reading equals the one before, away from Max and Min

	Block uint32  // blocks of the noise looked at
	Loud  uint32  // of them, in a row, that were too loud
	VHigh float64 // usual noise in the livelier blocks, counts squared
	Was   float64 // the lamp's step when it was first well known, counts
}

const (
	stuckRun  = 30        // readings
	stuckTime = 3_600_000 // ms
)

// inspect looks for faults after a reading.
func (l *Learner) inspect(ms int64, v float64) {
	c := &l.c
	h := &c.Health
	h.count(ms, v, c.N)
	f := NoFault
	switch {
	case c.stuck(ms, v):
		f = StuckRail
	case h.frozen(ms):
		f = Frozen
	case c.loud():
		f = Noisy
	case c.fading():
		f = Fading
	}
	if f != c.Fault {
		c.Fault, c.FaultChanged = f, true
	}
}

// count keeps the runs of equal readings.
func (h *health) count(ms int64, v float64, n uint64) {
	if h.Seen && v == h.Last {
		if h.Same < math.MaxUint32 {
			h.Same++
		}
		if v != h.Max && v != h.Min {
			h.Equal += mul(0.005, 1-h.Equal)
		}
		return
	}
	if h.Seen { // the run that ends here becomes history
		switch {
		case h.Last > h.Max || n <= uint64(h.Same)+1:
			h.Max, h.AtMax = h.Last, uint64(h.Same)
		case h.Last == h.Max:
			h.AtMax += uint64(h.Same)
		}
		switch {
		case h.Last < h.Min || n <= uint64(h.Same)+1:
			h.Min, h.AtMin = h.Last, uint64(h.Same)
		case h.Last == h.Min:
			h.AtMin += uint64(h.Same)
		}
		if h.Last != h.Max && h.Last != h.Min {
			h.Longer = max(h.Longer, h.Same)
			h.Equal -= mul(0.005, h.Equal)
		}
	}
	h.Same, h.From, h.Last, h.Seen = 1, ms, v, true
}

// stuck: at or beyond the ends of all that was read before, exactly equal for
// an hour, though readings hardly ever were there; unless the lamp explains it.
func (c *core) stuck(ms int64, v float64) bool {
	h := &c.Health
	if h.Same < stuckRun || ms-h.From < stuckTime || c.N < uint64(h.Same)+120 {
		return false
	}
	before := float64(c.N - uint64(h.Same))
	top := v >= h.Max && (v > h.Max || float64(h.AtMax) < 0.02*before)
	bottom := v <= h.Min && (v < h.Min || float64(h.AtMin) < 0.02*before)
	if !top && !bottom {
		return false
	}
	// A lamp that saturates the converter when lit looks just like this, the
	// first time: some are lit until somebody comes. One whose light was seen
	// before does not shine beyond that of a sudden, but with the sun's it may.
	if c.Known && c.State == Lit && top != c.Cfg.LitLower {
		switch known := c.NUp+c.NDown >= 3; {
		case !known:
			return ms-h.From > 48*stuckTime
		case v > h.Max || v < h.Min:
			return ms-h.From > 12*stuckTime
		}
		return false
	}
	return true
}

// frozen: one number, away from the ends, for far longer than ever and than
// chance allows.
func (h *health) frozen(ms int64) bool {
	if h.Same < stuckRun || ms-h.From < stuckTime || h.Same < 3*h.Longer || h.Last == h.Max || h.Last == h.Min ||
		h.Last > h.Max || h.Last < h.Min {
		return false
	}
	// chance of such a run: Equal**Same
	return mul(float64(h.Same), ln(clamp(h.Equal, 0.05, 0.99))) < -20
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
