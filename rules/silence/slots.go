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
	day  int64 // day on which it last began
	hits uint8 // days on which it began, at most mostDays; 0: none
	miss uint8 // days since, on which the device reported throughout
}

func slotOf(t int64) int { return int(mod(t, dayMs) / slotMs) }

func dayOf(t int64) int64 { return (t - mod(t, dayMs)) / dayMs }

func mod(a, b int64) int64 { return (a%b + b) % b }

// allowance returns how long a gap that begins at start may be by habit, in
// ms; 0 if there is no habit.
func (e *Estimator) allowance(start int64) int64 {
	var most int64
	s := slotOf(start)
	for d := -slotReach; d <= slotReach; d++ {
		if h := &e.slots[(s+d+slotCount)%slotCount]; h.hits >= needDays {
			// somewhat longer, or one report of a slower cadence lost
			most = max(most, h.gap+h.gap/8+min(h.gap, slotSlack))
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
	h := e.near(start)
	switch {
	case h.hits < needDays && (gap > 2*h.gap || h.gap > 2*gap):
		*h = slot{gap: gap, day: dayOf(start), hits: 1}
	case gap > 2*h.gap:
		h.hits-- // an outage on top, or the habit has changed
	case h.gap > 2*gap:
	default:
		e.kept(h, start, gap)
	}
}

func (e *Estimator) kept(h *slot, start, gap int64) {
	h.gap = max(gap, h.gap-(h.gap-gap)/64)
	h.miss = 0
	if day := dayOf(start); day != h.day {
		h.day = day
		h.hits = min(h.hits+1, mostDays)
	}
}

// awake notes that the gap between two reports was within the limit.
func (e *Estimator) awake(start, end, gap int64) {
	s := slotOf(start)
	if s == slotOf(end) {
		return
	}
	if h := e.near(start); h.hits > 0 && gap >= h.gap/2 && gap <= 2*h.gap {
		e.kept(h, start, gap)
		return
	}
	h := &e.slots[s]
	if h.hits == 0 || h.day == dayOf(start) {
		return
	}
	if h.miss++; h.miss >= dropDays {
		*h = slot{}
	}
}
