package main

import (
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/rules"
	"lampward/store"
)

// A snapshot that is of no use, and a log that begins when a lamp had long been lit and
// a board been silent: that is not told again, and not forgotten, be it acknowledged or
// not.
func TestToldBeforeTheLogBegins(t *testing.T) {
	for _, acked := range []bool{true, false} {
		t.Run(fmt.Sprintf("acknowledged %v", acked), func(t *testing.T) {
			h := newHarness(t, harnessConfig+"[[lamp]]\nname = \"shed\"\ntopic = \"cellar/shed\"\n"+
				"[[device]]\nname = \"shed\"\nreport_every = \"3m\"\n[alarm]\nremind_every = \"30h\"\n")
			report := func(n int, lit func(i int) bool, more ...string) {
				var reports []entry
				for i := range n {
					h.clock.Advance(3 * time.Minute)
					v := 220
					if lit(i) {
						v = 720
					}
					for i, topic := range append([]string{"cellar/freezer", "cellar/tank"}, more...) { // by hand, and learned
						payload := fmt.Sprint(v + int(h.clock.Now().Unix()/180)%(5+i))
						inputs := h.d.intake.inputs(nil, broker.Message{Topic: topic, Payload: []byte(payload)}, h.clock.Now)
						reports = append(reports, entry{job{at: h.clock.Now(), client: topic}, inputs})
					}
					if i%20 == 19 || i == n-1 { // a write to the disk for each takes long
						h.d.takeAll(reports)
						require.NoError(t, h.turn(nil))
						reports = reports[:0]
					}
				}
			}
			always := func(int) bool { return true }
			never := func(int) bool { return false }
			report(100, never, "cellar/shed")
			report(100, always)
			report(1240, func(i int) bool { return i > 133 })
			if acked {
				for _, in := range []rules.Input{{Lamp: "freezer"}, {Lamp: "tank"}, {Device: "shed"}} {
					in.Kind = rules.InAck
					require.NoError(t, h.turn(&entry{inputs: []rules.Input{in}}))
				}
			}
			for _, in := range []rules.Input{{Lamp: "salt"}, {Device: "salt"}} {
				in.Kind, in.Word = rules.InService, "out"
				require.NoError(t, h.turn(&entry{inputs: []rules.Input{in}}))
			}
			report(2*480, always)
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
			shed := func() rules.AlarmStatus {
				a, ok := h.d.machine.DeviceAlarm("shed")
				require.True(t, ok)
				return a
			}
			before, silent := status("freezer"), shed()
			require.Equal(t, want, before.State)
			require.Equal(t, want, silent.State)
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
			assert.Equal(t, []any{silent.State, silent.Text, silent.Since}, []any{shed().State, shed().Text, shed().Since})
			report(31*20, always)
			events := h.events()[told:]
			if acked {
				assert.Empty(t, events)
			} else {
				assert.Len(t, events, 3, "a reminder of each")
			}
			report(20, never, "cellar/shed")
			var after []string
			for _, e := range h.events()[told+len(events):] {
				after = append(after, e.Event.Text)
			}
			require.Len(t, after, 3)
			assert.Equal(t, "shed reports again after 6 d 2 h", after[0])
			for _, e := range h.events()[told+len(events)+1:] {
				assert.Equal(t, rules.Dark, e.Event.Kind)
			}
		})
	}
}
