package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// What is known of the connection to an external broker outlasts a disk that
// refuses to store for a while: it is told once, and nobody sends it again. No
// board is blamed while no board can be heard, and each is watched once it can.
func TestUplinkOutlastsDiskTrouble(t *testing.T) {
	for _, c := range []struct {
		name          string
		before, while []bool // news of the connection
		down, silent  int    // events
		back          int
	}{
		{"down before", []bool{false}, nil, 1, 0, 0},
		{"down while it refuses", nil, []bool{false}, 1, 0, 0},
		{"up again while it refuses", []bool{false}, []bool{true}, 0, 1, 0},
		{"up again, after an hour, while it refuses", []bool{false}, []bool{true}, 1, 1, 1},
		{"never down", []bool{true}, nil, 0, 1, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHarness(t, harnessConfig)
			news := func(ups []bool) {
				for _, up := range ups {
					h.d.Uplink(t.Context(), up, "in a test")
					h.d.takeAll(h.d.jobs.take())
					require.NoError(t, h.turn(nil))
				}
			}
			for range 20 {
				h.clock.Advance(time.Minute)
				require.NoError(t, h.publish("cellar/freezer", "200"))
			}
			news(c.before)
			if c.back > 0 {
				h.clock.Advance(time.Hour)
				require.NoError(t, h.turn(nil))
			}
			*h.failing = true
			require.ErrorIs(t, h.publish("cellar/freezer", "200"), errDisk)
			news(c.while)
			*h.failing = false
			for range 180 {
				h.clock.Advance(time.Minute)
				require.NoError(t, h.turn(nil))
			}
			difference, kinds := h.replayAll()
			assert.Empty(t, difference)
			assert.Equal(t, c.silent, kinds[rules.Silent], "boards called silent")
			assert.Equal(t, c.down, kinds[rules.ManySilent], "that the broker is out of reach")
			assert.Equal(t, c.back, kinds[rules.ManyReturned], "that it is back")
		})
	}
}
