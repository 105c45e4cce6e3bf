package silence

// A board that sleeps at night, or reports less often then, is late at the
// same time every day. The day is cut into slots; each remembers the long gap
// that began in it, and on how many days one did. Slots are counted on engine
// time: their offset to the wall clock does not matter.

const (
	slotCount = 48
	slotMs    = dayMs / slotCount
	slotReach = 2              // slots that a gap may begin early or late: an hour, for clocks that follow summer time
	slotSlack = 30 * 60 * 1000 // ms
	needDays  = 2              // days that make a habit
	dropDays  = 4              // days without it that end one
	mostDays  = 4
)

type slot struct {
	gap  int64 // ms; how long the gap lasts
	last int64 // ms; when it last began anew
	hits uint8 // days on which it began, at most mostDays; 0: none
	miss uint8 // days since, on which the device reported throughout
}

func slotOf(t int64) int { return int(mod(t, dayMs) / slotMs) }

func mod(a, b int64) int64 { return (a%b + b) % b }

// allowance returns how long a gap that begins at start may be by habit, in
// ms; 0 if there is no habit.
func (e *Estimator) allowance(start int64) int64 {
	var most int64
	if e.slots == nil {
		return 0
	}
	s := slotOf(start)
	for d := -slotReach; d <= slotReach; d++ {
		if h := &e.slots[(s+d+slotCount)%slotCount]; h.hits >= needDays {
			slack := int64(slotSlack)
			if h.gap <= slotSlack {
				// Reports at a slower cadence, which are lost like any other.
				slack = min(int64((e.limit-1)*float64(h.gap)), 4*slotSlack)
			}
			most = max(most, h.gap+h.gap/8+slack)
		}
	}
	return most
}

// near returns the habit that a gap beginning at start belongs to: the one of
// its slot, or else the nearest, or else its slot without any.
func (e *Estimator) near(start int64) *slot {
	s := slotOf(start)
	for _, d := range [...]int{0, -1, 1, -2, 2} {
		if h := &e.slots[(s+d+slotCount)%slotCount]; h.hits > 0 {
			return h
		}
	}
	return &e.slots[s]
}

// slept notes a gap longer than the limit.
func (e *Estimator) slept(start, gap int64) {
	if gap >= dayMs {
		return
	}
	if e.slots == nil {
		e.slots = new([slotCount]slot)
	}
	h := e.near(start)
	switch {
	case h.hits < needDays && (gap > 2*h.gap || h.gap > 2*gap):
		*h = slot{gap: gap, last: start, hits: 1}
	case gap > 4*h.gap:
		h.hits-- // an outage on top, or the habit has changed
	case h.gap > 2*gap:
	default:
		h.gap = max(gap, h.gap-(h.gap-gap)/256)
		h.miss = 0
		if start-h.last > dayMs/2 {
			h.last = start
			h.hits = min(h.hits+1, mostDays)
		}
	}
}

// awake notes that the gap between two reports was within the limit.
func (e *Estimator) awake(start, end, gap int64) {
	s := slotOf(start)
	if e.slots == nil || s == slotOf(end) {
		return
	}
	if h := e.near(start); h.hits >= needDays && gap >= h.gap/2 {
		h.miss = 0 // kept, though by now the limit is longer than the habit
		return
	}
	h := &e.slots[s]
	if h.hits == 0 || start-h.last <= dayMs/2 {
		return
	}
	if h.miss++; h.miss >= dropDays {
		*h = slot{}
	}
}
