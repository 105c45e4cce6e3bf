package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
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

// That an external broker is out of reach is over once lampward is the broker.
func TestUplinkGivenUp(t *testing.T) {
	h := newHarness(t, "[broker]\nurl = \"mqtt://broker.test\"\n"+harnessConfig)
	h.d.Uplink(t.Context(), false, "in a test")
	h.d.takeAll(h.d.jobs.take())
	require.NoError(t, h.turn(nil))
	h.clock.Advance(time.Hour)
	require.NoError(t, h.turn(nil))
	boot := func(text string) (kinds map[rules.Kind]int) {
		require.NoError(t, h.d.stop())
		require.NoError(t, h.st.Close())
		cfg, err := config.Parse("test.toml", []byte(text))
		require.NoError(t, err)
		cfg.Store.Dir = h.dir
		h.cfg = cfg
		h.boot()
		difference, kinds := h.replayAll()
		require.Empty(t, difference)
		require.Equal(t, 1, kinds[rules.ManySilent])
		return kinds
	}
	assert.Zero(t, boot("[broker]\nurl = \"mqtt://another.test\"\n" + harnessConfig)[rules.ManyReturned])
	assert.Equal(t, 1, boot(harnessConfig)[rules.ManyReturned])
	assert.Equal(t, 1, boot(harnessConfig)[rules.ManyReturned], "told once")
}

// What is known of the boards' connections, which stand all the while, outlasts
// a disk that refuses to store, too: it tells why a board is silent.
func TestLinkNewsOutlastsDiskTrouble(t *testing.T) {
	for word, cause := range map[string]string{broker.LinkLost: rules.CauseLost, broker.LinkUp: rules.CauseStuck} {
		h := newHarness(t, harnessConfig)
		minutes := func(n int, topics ...string) {
			for range n {
				h.clock.Advance(time.Minute)
				require.NoError(t, h.turn(nil))
				for _, topic := range topics {
					_ = h.publish(topic, "200") // the disk may refuse it
				}
			}
		}
		causes := func() (out []string) {
			for _, e := range h.events() {
				if e.Event.Kind == rules.Silent {
					out = append(out, e.Event.Device+" "+e.Event.Cause)
				}
			}
			return out
		}
		minutes(60, "cellar/freezer", "cellar/tank")
		h.d.Link(t.Context(), broker.Link{Client: "cellar/freezer-client", Word: broker.LinkUp})
		h.d.Link(t.Context(), broker.Link{Client: "cellar/tank-client", Word: word})
		h.d.takeAll(h.d.jobs.take())
		*h.failing = true
		minutes(30) // the tank's board was to be called silent
		*h.failing = false
		minutes(30, "cellar/freezer")
		require.Equal(t, []string{"tank " + cause}, causes())
		*h.failing = true // by now it was stored
		minutes(1, "cellar/freezer")
		*h.failing = false
		minutes(60)
		require.Equal(t, []string{"tank " + cause, "freezer " + rules.CauseStuck}, causes())
		difference, _ := h.replayAll()
		require.Empty(t, difference)
	}
}

// A board that sleeps between its reports ends its connection after each. That it
// did so after the last one, too, does not explain its silence.
func TestSleepersGoodbyeExplainsNothing(t *testing.T) {
	for _, c := range []struct {
		name           string
		sleeps, starts bool
		cause          string
	}{
		{"sleeps", true, false, rules.CauseUnknown},
		{"sleeps, and lampward was just started", true, true, rules.CauseUnknown},
		{"stays connected, the control", false, false, rules.CauseGoodbye},
	} {
		h := newHarness(t, harnessConfig)
		link := func(word string) {
			h.d.Link(t.Context(), broker.Link{Client: "cellar/tank-client", Word: word})
			h.d.takeAll(h.d.jobs.take())
		}
		report := func() {
			h.clock.Advance(time.Minute)
			if c.sleeps {
				link(broker.LinkUp)
			}
			require.NoError(t, h.publish("cellar/tank", "200"))
			if c.sleeps {
				h.clock.Advance(2 * time.Second)
				link(broker.LinkClosed)
			}
		}
		for range 600 {
			report()
		}
		if c.starts {
			h.crash()
			h.boot()
			report()
		}
		link(broker.LinkClosed)
		for range 60 {
			h.clock.Advance(time.Minute)
			require.NoError(t, h.turn(nil))
		}
		var silent []string
		for _, e := range h.events() {
			if e.Event.Kind == rules.Silent && e.Event.Device == "tank" {
				silent = append(silent, e.Event.Cause)
			}
		}
		require.Equal(t, []string{c.cause}, silent, c.name)
		difference, _ := h.replayAll()
		require.Empty(t, difference)
	}
}
