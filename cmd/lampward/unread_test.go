package main

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules"
	"lampward/store"
)

// A will that an external broker publishes for a board is no sign of life, on the
// lamp's topic or the board's, if it is the usual word; any other text is one.
func TestWillIsNoSignOfLife(t *testing.T) {
	for payload, alive := range map[string]bool{
		"offline": false, `"offline"`: false, " Offline\n": false,
		"online": true, "off": true, "null": true, "": true, `{"tank": "offline"}`: true, "offline, mostly": true,
	} {
		for _, topic := range []string{"cellar/tank", "cellar/board"} {
			h := newHarness(t, `
[[lamp]]
name = "tank"
topic = "cellar/tank"
device = "board"
[[device]]
name = "board"
topic = "cellar/board"
`)
			for i := range 100 {
				h.clock.Advance(time.Minute)
				require.NoError(t, h.publish("cellar/tank", fmt.Sprint(200+i*5%11)))
			}
			last := h.clock.Now()
			h.clock.Advance(90 * time.Second)
			require.NoError(t, h.publish(topic, payload))
			board, ok := h.d.machine.DeviceStatus("board", h.clock.Now())
			require.True(t, ok)
			assert.Equal(t, alive, board.Heard.After(last), "%q on %s", payload, topic)
		}
	}
}

// A board that goes on talking, but whose lamp has no readable value any more, is
// not silent; who is told that the lamp is not watched learns the true cause, and
// that it is watched again.
func TestUnreadableValueIsNoSilence(t *testing.T) {
	h := newHarness(t, `
[[lamp]]
name = "tank"
topic = "cellar/state"
value = "/tank"
device = "board"
[[lamp]]
name = "salt"
topic = "cellar/state"
value = "/salt"
device = "board"
[[device]]
name = "board"
volts = "/battery"
`)
	say := func(n int, payload func(i int) string) {
		for i := range n {
			h.clock.Advance(time.Minute)
			require.NoError(t, h.publish("cellar/state", payload(i)))
		}
	}
	told := func() (out []rules.Event) {
		events, err := h.st.Events(t.Context(), store.EventFilter{Limit: 100})
		require.NoError(t, err)
		for _, e := range events {
			out = append(out, e.Event)
		}
		return out
	}
	both := func(i int) string {
		return fmt.Sprintf(`{"tank": %d, "salt": %d, "battery": 3.7}`, 200+i*5%11, 300+i*7%11)
	}
	say(600, both)
	require.Empty(t, told())
	say(30, func(int) string { return `{"tank": null, "salt": null, "battery": 3.6}` })
	got := told()
	require.Len(t, got, 2, "one for each lamp, and none for the board")
	for _, e := range got {
		assert.Equal(t, rules.Fault, e.Kind)
		assert.Contains(t, e.Text, e.Lamp+": no readable value for ")
		assert.Contains(t, e.Why, "board reports")
		assert.Contains(t, e.Why, "one every 60 s is usual")
	}
	m := h.d.machine
	board, ok := m.DeviceStatus("board", m.At())
	require.True(t, ok)
	assert.False(t, board.Silent)
	assert.Equal(t, 3.6, *board.Volts)
	tank, ok := m.LampStatus("tank")
	require.True(t, ok)
	assert.Equal(t, rules.NoValue, tank.Fault)
	say(5, both)
	got = told()
	require.Len(t, got, 4)
	over := map[string]bool{}
	for _, e := range got {
		if e.Kind == rules.FaultOver {
			over[e.Lamp] = true
		}
	}
	assert.Equal(t, map[string]bool{"tank": true, "salt": true}, over)
	// One lamp of two.
	say(30, func(i int) string { return fmt.Sprintf(`{"tank": %d, "salt": "?"}`, 200+i*5%11) })
	got = told()
	require.Len(t, got, 5)
	difference, kinds := h.replayAll()
	assert.Empty(t, difference)
	assert.Equal(t, map[rules.Kind]int{rules.Fault: 3, rules.FaultOver: 2}, kinds)
}
