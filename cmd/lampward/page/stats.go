package page

import (
	"slices"
	"strconv"
	"time"
)

// stretch is a time during which a lamp's state did not change.
type stretch struct {
	State    string // learning, dark, lit or blinking
	From, To time.Time
}

// stateOf is the state that an event brings about; empty: none.
func stateOf(e Event) string {
	switch e.Kind {
	case "lit", "dark", "blinking":
		return e.Kind
	case "learned", "unlearned":
		return e.State
	}
	return ""
}

// stretches cuts a time into stretches. events are those of the lamp in it,
// newest first; before is the state that held when it began.
func stretches(events []Event, before string, from, to time.Time) []stretch {
	if before == "" {
		before = "learning"
	}
	out := []stretch{{State: before, From: from}}
	for _, e := range slices.Backward(events) {
		state := stateOf(e)
		last := &out[len(out)-1]
		if state == "" || state == last.State {
			continue
		}
		// The change is counted from when it was decided, not from when it is
		// thought to have begun, so that stretches never overlap.
		at := e.Time
		if at.Before(last.From) {
			at = last.From
		}
		if !at.Before(to) {
			break
		}
		last.To = at
		out = append(out, stretch{State: state, From: at})
	}
	out[len(out)-1].To = to
	return slices.DeleteFunc(out, func(s stretch) bool { return !s.From.Before(s.To) })
}

// tally sums up one state over a time.
type tally struct {
	State   string
	Times   int           // stretches that began in the time
	Total   time.Duration //
	Share   float64       // of the time in which the state was known
	Mean    time.Duration // length of those that both began and ended in the time; 0: none did
	Longest time.Duration // of all, as far as they lie in the time
	Between time.Duration // mean time from one beginning to the next; 0: fewer than two
}

// tallies sums up lit, blinking and dark, those that occurred.
func tallies(list []stretch) []tally {
	var known time.Duration
	for _, s := range list {
		if s.State != "learning" {
			known += s.To.Sub(s.From)
		}
	}
	var out []tally
	for _, state := range []string{"lit", "blinking", "dark"} {
		t := tally{State: state}
		var whole time.Duration
		var wholes int
		var first, last time.Time
		for i, s := range list {
			if s.State != state {
				continue
			}
			d := s.To.Sub(s.From)
			t.Total += d
			t.Longest = max(t.Longest, d)
			if i == 0 {
				continue // began before
			}
			t.Times++
			if first.IsZero() {
				first = s.From
			}
			last = s.From
			if i < len(list)-1 {
				whole += d
				wholes++
			}
		}
		if t.Total == 0 {
			continue
		}
		if known > 0 {
			t.Share = float64(t.Total) / float64(known)
		}
		if wholes > 0 {
			t.Mean = whole / time.Duration(wholes)
		}
		if t.Times > 1 {
			t.Between = last.Sub(first) / time.Duration(t.Times-1)
		}
		out = append(out, t)
	}
	return out
}

// sums is a table of tallies: a row for each figure, a column for each state.
func sums(list []tally) [][]string {
	if len(list) == 0 {
		return nil
	}
	orNone := func(d time.Duration) string {
		if d == 0 {
			return "–"
		}
		return Long(d)
	}
	head := []string{""}
	for _, t := range list {
		head = append(head, t.State)
	}
	out := [][]string{head}
	for _, row := range []struct {
		word string
		say  func(tally) string
	}{
		{"times", func(t tally) string { return strconv.Itoa(t.Times) }},
		{"in all", func(t tally) string { return Long(t.Total) }},
		{"share", func(t tally) string { return percent(t.Share) }},
		{"mean length", func(t tally) string { return orNone(t.Mean) }},
		{"longest", func(t tally) string { return Long(t.Longest) }},
		{"mean time between", func(t tally) string { return orNone(t.Between) }},
	} {
		cells := []string{row.word}
		for _, t := range list {
			cells = append(cells, row.say(t))
		}
		out = append(out, cells)
	}
	return out
}
