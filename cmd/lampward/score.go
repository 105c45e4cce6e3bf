package main

import (
	"fmt"
	"io"

	"lampward/rules"
	"lampward/rules/lab"
	"lampward/rules/learn"
	"lampward/rules/span"
)

// scorer compares the events of a replay with the truth of its trace.
type scorer struct {
	trace  lab.Trace
	events []lab.Event
	right  int // readings whose state was the true one
}

func (s *scorer) event(e *rules.Event) {
	var state learn.State
	switch e.Kind {
	case rules.Lit:
		state = learn.Lit
	case rules.Dark:
		state = learn.Dark
	case rules.Blinking:
		state = learn.Blinking
	default:
		return
	}
	s.events = append(s.events, lab.Event{At: e.At, State: state, Confidence: e.Confidence})
}

func (s *scorer) reading(r traceRow, state learn.State) {
	s.trace.Points = append(s.trace.Points, lab.Point{At: r.at, Value: r.value, Truth: r.truth})
	if state == r.truth {
		s.right++
	}
}

func (s *scorer) report(w io.Writer) {
	if len(s.trace.Points) == 0 {
		fmt.Fprintln(w, "no readings")
		return
	}
	r := lab.Score(&s.trace, s.events)
	fmt.Fprintf(w, "readings        %d\n", len(s.trace.Points))
	fmt.Fprintf(w, "states right    %.2f %% (learning counts as wrong)\n", 100*float64(s.right)/float64(len(s.trace.Points)))
	fmt.Fprintf(w, "changes         %d\n", r.Changes)
	fmt.Fprintf(w, "missed          %d\n", r.Missed)
	fmt.Fprintf(w, "false           %d\n", r.False)
	fmt.Fprintf(w, "median delay    %s\n", delay(r.Delay))
	fmt.Fprintf(w, "  of blinking   %s\n", delay(r.BlinkDelay))
}

func delay(d []int) string {
	if len(d) == 0 {
		return "-"
	}
	return span.Count(lab.Median(d), "reading")
}
