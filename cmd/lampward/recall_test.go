package main

import (
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules"
	"lampward/store"
)

// A snapshot that is of no use, and a log that begins when a lamp had long been lit:
// that is not told again, and not forgotten, be it acknowledged or not.
func TestToldBeforeTheLogBegins(t *testing.T) {
	for _, acked := range []bool{true, false} {
		t.Run(fmt.Sprintf("acknowledged %v", acked), func(t *testing.T) {
			h := newHarness(t, harnessConfig+"[alarm]\nremind_every = \"30h\"\n")
			report := func(lit bool) {
				h.clock.Advance(3 * time.Minute)
				v := 220
				if lit {
					v = 720
				}
				for i, topic := range []string{"cellar/freezer", "cellar/tank"} { // by hand, and learned
					require.NoError(t, h.publish(topic, fmt.Sprint(v+int(h.clock.Now().Unix()/180)%(5+i))))
				}
				require.NoError(t, h.turn(nil))
			}
			for i := range 3 * 480 {
				report(i > 333 || i > 100 && i < 200)
			}
			if acked {
				for _, lamp := range []string{"freezer", "tank"} {
					require.NoError(t, h.turn(&entry{inputs: []rules.Input{{Kind: rules.InAck, Lamp: lamp}}}))
				}
			}
			for _, in := range []rules.Input{{Lamp: "salt"}, {Device: "salt"}} {
				in.Kind, in.Word = rules.InService, "out"
				require.NoError(t, h.turn(&entry{inputs: []rules.Input{in}}))
			}
			for range 2 * 480 {
				report(true)
			}
			told := len(h.events())
			want := rules.AlarmUnacknowledged
			if acked {
				want = rules.AlarmAcknowledged
			}
			status := func(lamp string) rules.AlarmStatus {
				a, ok := h.d.machine.LampAlarm(lamp)
				require.True(t, ok)
				return a
			}
			before := status("freezer")
			require.Equal(t, want, before.State)
			require.NoError(t, h.st.SaveSnapshot(t.Context(), h.d.seq, func(fn func(store.Part) error) error {
				return h.d.machine.EachPart(func(p store.Part) error {
					if p.Key == "lamp/salt" {
						p.Data = []byte("?")
					}
					return fn(p)
				})
			}))
			h.crash()
			st, err := store.Open(t.Context(), store.Options{Dir: h.dir, KeepReadings: 24 * time.Hour, Log: slog.New(slog.DiscardHandler)})
			require.NoError(t, err)
			require.NoError(t, st.Prune(t.Context(), h.clock.Now()))
			left := 0
			require.NoError(t, st.Inputs(t.Context(), 0, func(_ int64, in rules.Input, _ [][]byte) error {
				if in.Kind == rules.InReading {
					left++
				}
				return nil
			}))
			require.Less(t, left, 2*2*480, "what told the changes is gone")
			require.NoError(t, st.Close())
			h.boot()
			require.Equal(t, told, len(h.events()), "told again: %v", h.events())
			for _, lamp := range []string{"freezer", "tank"} {
				assert.Equal(t, want, status(lamp).State, lamp)
			}
			salt, _ := h.d.machine.LampAlarm("salt")
			board, _ := h.d.machine.DeviceAlarm("salt")
			assert.Equal(t, []string{rules.AlarmOutOfService, rules.AlarmOutOfService}, []string{salt.State, board.State})
			assert.Equal(t, before.Text, status("freezer").Text)
			assert.Equal(t, before.Since, status("freezer").Since)
			for range 31 * 20 {
				report(true)
			}
			events := h.events()[told:]
			if acked {
				assert.Empty(t, events)
			} else {
				assert.Len(t, events, 2, "a reminder of each")
			}
			for range 20 {
				report(false)
			}
			for _, e := range h.events()[told+len(events):] {
				assert.Equal(t, rules.Dark, e.Event.Kind)
			}
			assert.Len(t, h.events(), told+len(events)+2)
		})
	}
}
