package main

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// Lamps of one topic are of the board that a [[device]] describes, whichever of
// them it is named after: it is not missed while it reports, and its battery is
// watched.
func TestSharedTopicWithDescribedBoard(t *testing.T) {
	for _, more := range []string{"", "[[device]]\nname = \"tank\"\nreport_every = \"1m\"\n"} {
		sharedTopic(t, more)
	}
}

func sharedTopic(t *testing.T, more string) {
	h := newHarness(t, `
[[lamp]]
name = "tank"
topic = "cellar/state"
value = "/a"
[[lamp]]
name = "salt"
topic = "cellar/state"
value = "/b"
[[device]]
name = "salt"
volts = "/battery"
report_every = "1m"
`+more)
	for i := range 300 {
		h.clock.Advance(time.Minute)
		require.NoError(t, h.publish("cellar/state", fmt.Sprintf(`{"a": %d, "b": 300, "battery": 3.7}`, 200+i%7)))
		require.NoError(t, h.turn(nil))
	}
	for _, e := range h.events() {
		require.NotEqual(t, rules.Silent, e.Event.Kind, e.Event.Text)
	}
	if more != "" { // two boards, of which one topic tells: check doubts that
		return
	}
	s, ok := h.d.machine.DeviceStatus("salt", h.clock.Now())
	require.True(t, ok)
	require.NotNil(t, s.Volts)
	require.Equal(t, 3.7, *s.Volts)
}
