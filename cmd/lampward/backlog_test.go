package main

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// What an external broker kept while lampward was away, or a board while it had
// no network, comes within moments. It is no new cadence: the board reports once
// a minute after it as before, and must not be called silent in between.
func TestSavedUpReadingsAreNoCadence(t *testing.T) {
	for _, n := range []int{60, 600} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			h := newHarness(t, "[[lamp]]\nname = \"tank\"\ntopic = \"cellar/tank\"\n[[webhook]]\nurl = \"http://192.0.2.1/\"\n")
			say := func(n int, apart time.Duration) {
				for i := range n {
					h.clock.Advance(apart)
					require.NoError(t, h.publish("cellar/tank", fmt.Sprint(300+i%7)))
				}
			}
			say(5*60, time.Minute)
			h.crash()
			h.clock.Advance(time.Duration(n) * time.Minute)
			h.boot()
			say(n, 50*time.Millisecond)
			say(60, time.Minute)
			_, kinds := h.replayAll()
			assert.Zero(t, kinds[rules.Silent])
		})
	}
}
