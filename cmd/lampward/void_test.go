package main

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/cmd/lampward/config"
	"lampward/rules"
	"lampward/store"
)

// Of the reminders of a night, the morning brings the newest, and none if somebody
// has acknowledged meanwhile, or if it is over; and so it is with those that wait for
// a service.
func TestRemindersOfTheNight(t *testing.T) {
	const text = harnessConfig + `name = "phone"
quiet_hours = ["00:00-07:00 UTC"]
[[webhook]]
name = "down" # it never takes any
url = "http://192.0.2.1/never-sent-in-this-test"
[alarm]
remind_every = "1h"
`
	says := func(in rules.Input) func(*harness) {
		return func(h *harness) { require.NoError(h.t, h.turn(&entry{job{}, []rules.Input{in}})) }
	}
	for what, c := range map[string]struct {
		then func(h *harness)
		want []string
	}{
		"nobody knows of it": {func(*harness) {}, []string{"pending Reminder: freezer is lit (for 5 h 2 min)"}},
		"acknowledged":       {says(rules.Input{Kind: rules.InAck, Lamp: "freezer"}), nil},
		"shelved":            {says(rules.Input{Kind: rules.InShelve, Lamp: "freezer", For: 9 * time.Hour}), nil},
		"over": {func(h *harness) {
			for range 20 {
				h.clock.Advance(time.Minute)
				require.NoError(h.t, h.publish("cellar/freezer", "100"))
			}
		}, []string{"pending freezer is dark"}},
		"another lamp's": {says(rules.Input{Kind: rules.InShelve, Lamp: "tank", For: time.Hour}),
			[]string{"pending Reminder: freezer is lit (for 5 h 2 min)"}},
	} {
		h := newHarness(t, text)
		for i := range 5*60 + 10 {
			h.clock.Advance(time.Minute)
			require.NoError(t, h.publish("cellar/freezer", []string{"100", "800"}[min(1, i/5)]))
			require.NoError(t, h.turn(nil))
		}
		c.then(h)
		for _, route := range []string{"phone", "down"} {
			list, err := h.st.Deliveries(t.Context(), store.DeliveryFilter{Key: "lamp/freezer", Route: route})
			require.NoError(t, err)
			var got []string
			left := 0
			for _, d := range list {
				switch {
				case d.State == store.Sent:
					require.Zero(t, d.Attempts)
					require.Equal(t, rules.Reminder, d.Event.Kind)
					left++
				case d.Event.Kind != rules.Lit:
					got = append(got, string(d.State)+" "+d.Event.Text)
				}
			}
			require.Equal(t, c.want, got, what)
			require.Equal(t, 5, left+strings.Count(strings.Join(got, " "), "Reminder"), what)
		}
	}
}

// So it is with a board: of the night's reminders that it is silent one waits, and none
// once somebody has acknowledged that.
func TestRemindersOfABoard(t *testing.T) {
	h := newHarness(t, harnessConfig+`name = "phone"
quiet_hours = ["00:00-07:00 UTC"]
quiet_through = ["lit"]
[alarm]
remind_every = "1h"
`)
	waiting := func() (got []string) {
		list, err := h.st.Deliveries(t.Context(), store.DeliveryFilter{Key: "device/freezer", State: store.Pending})
		require.NoError(t, err)
		for _, d := range list {
			if d.Event.Kind == rules.Reminder {
				got = append(got, d.Event.Text)
			}
		}
		return got
	}
	for i := range 5 * 60 {
		h.clock.Advance(time.Minute)
		if i < 60 {
			require.NoError(t, h.publish("cellar/freezer", "100"))
		}
		require.NoError(t, h.turn(nil))
	}
	require.Len(t, waiting(), 1)
	require.Contains(t, waiting()[0], "Reminder: freezer has been silent")
	require.NoError(t, h.turn(&entry{job{}, []rules.Input{{Kind: rules.InAck, Device: "freezer"}}}))
	require.Empty(t, waiting())
}

// A lamp or board that is taken out of the configuration in the night is not reminded of
// in the morning, nor is a lamp whose state is no alert by it any more; one that stays is.
func TestNoRemindersOfWhatIsGone(t *testing.T) {
	const text = harnessConfig + `quiet_hours = ["00:00-07:00 UTC"]
quiet_through = ["lit"]
[alarm]
remind_every = "1h"
`
	for change, want := range map[string]map[string]int{
		`name = "freezer"`:                     {"lamp/freezer": 1, "device/freezer": 1},
		`name = "chest"`:                       {},
		"name = \"freezer\"\nnormal = \"lit\"": {"device/freezer": 1},
	} {
		h := newHarness(t, text)
		for i := range 5 * 60 {
			h.clock.Advance(time.Minute)
			if i < 100 { // then the board is silent, too
				require.NoError(t, h.publish("cellar/freezer", []string{"100", "800"}[min(1, i/5)]))
			}
			require.NoError(t, h.publish("cellar/tank", "300"))
		}
		waiting := func() map[string]int {
			n := map[string]int{}
			list, err := h.st.Deliveries(t.Context(), store.DeliveryFilter{State: store.Pending})
			require.NoError(t, err)
			for _, d := range list {
				if d.Event.Kind == rules.Reminder {
					n[d.Event.Key()]++
				}
			}
			return n
		}
		before := waiting()
		require.Equal(t, map[string]int{"lamp/freezer": 1, "device/freezer": 1}, before)
		require.NoError(t, h.d.stop())
		h.crash()
		with := strings.Replace(text, `name = "freezer"`, change, 1) // the lamp
		if change == `name = "chest"` {
			with = strings.ReplaceAll(text, `name = "freezer"`, change)
		}
		cfg, err := config.Parse("test.toml", []byte(with))
		require.NoError(t, err)
		cfg.Store.Dir = h.dir
		h.cfg = cfg
		h.boot()
		require.Equal(t, want, waiting(), change)
	}
}
