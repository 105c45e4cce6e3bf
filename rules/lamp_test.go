package rules

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules/learn"
)

// lampHouse is a house with a lamp on each board; the boards' own reports carry
// no value of it.
func lampHouse(t *testing.T, seed uint64, intervals ...time.Duration) *house {
	cfg := Config{Alarm: AlarmConfig{RemindEvery: 24 * time.Hour}}
	for i := range intervals {
		board := fmt.Sprint("board", i+1)
		cfg.Devices = append(cfg.Devices, DeviceConfig{Name: board})
		cfg.Lamps = append(cfg.Lamps, LampConfig{Name: fmt.Sprint("lamp", i+1), Device: board})
	}
	return newHouse(t, seed, cfg, intervals...)
}

// runWith runs for d, and every step each living board sends its lamp's value.
func runWith(h *house, d, every time.Duration) (out []Event) {
	for end := h.now.Add(d); h.now.Before(end); {
		out = append(out, h.run(every)...)
		for i, b := range h.boards {
			if !b.dead && !b.deaf {
				out = append(out, h.step(Input{Kind: InReading, Lamp: fmt.Sprint("lamp", i+1), Value: 200 + float64(h.r.IntN(9))})...)
			}
		}
	}
	return out
}

// What is not known of an event's counts does not pass for known.
func TestCounts(t *testing.T) {
	known := func(kind Kind, state string, value, on, off float64) string {
		v, x, y := (&Event{Kind: kind, State: state, Value: value, OnAbove: on, OffBelow: off}).Counts()
		out := ""
		for _, p := range []*float64{v, x, y} {
			if p == nil {
				out += "- "
			} else {
				out += fmt.Sprint(*p, " ")
			}
		}
		return out
	}
	assert.Equal(t, "640 470 380 ", known(Lit, "lit", 640, 470, 380))
	assert.Equal(t, "500 500 500 ", known(Dark, "dark", 500, 500, 500), "levels by hand may be equal")
	assert.Equal(t, "0 -1 -5 ", known(Blinking, "blinking", 0, -1, -5))
	assert.Equal(t, "640 - - ", known(Unlearned, "learning", 640, 0, 0))
	assert.Equal(t, "512 - - ", known(FaultOver, "none", 512, 512, 512))
	assert.Equal(t, "512 470 380 ", known(FaultOver, "none", 512, 470, 380))
	assert.Equal(t, "1023 470 380 ", known(Fault, "stuck_rail", 1023, 470, 380))
	assert.Equal(t, "- - - ", known(Fault, NoValue, 0, 0, 0))
	for _, k := range []Kind{Reminder, Silent, ManySilent, Shelved, Chattering, Downtime} {
		assert.Equal(t, "- - - ", known(k, "", 0, 0, 0), k)
	}
}

// A lamp of which its board sends no value any more is told after about as long as
// a silent board, once, and that it is watched again.
func TestNoValue(t *testing.T) {
	h := lampHouse(t, 1, time.Minute)
	require.Empty(t, runWith(h, 24*time.Hour, time.Minute))
	d, _ := h.m.DeviceStatus("board1", h.now)
	last := h.now
	got := h.run(12 * time.Hour)
	require.Equal(t, []Kind{Fault}, kinds(got))
	e := got[0]
	assert.Equal(t, "lamp1", e.Lamp)
	assert.Equal(t, NoValue, e.State)
	assert.Equal(t, last, e.Since)
	assert.GreaterOrEqual(t, e.At.Sub(last), d.Limit)
	assert.Less(t, e.At.Sub(last), 2*d.Limit+2*time.Minute)
	a, _ := h.m.LampAlarm("lamp1")
	assert.Equal(t, AlarmUnacknowledged, a.State)
	s, _ := h.m.LampStatus("lamp1")
	assert.Equal(t, NoValue, s.Fault)
	require.Empty(t, h.restart(time.Minute))
	assert.Empty(t, h.run(time.Hour), "told once, over a restart too")
	got = runWith(h, time.Hour, time.Minute)
	require.Equal(t, []Kind{FaultOver}, kinds(got))
	a, _ = h.m.LampAlarm("lamp1")
	assert.NotEqual(t, AlarmUnacknowledged, a.State)
	s, _ = h.m.LampStatus("lamp1")
	assert.Empty(t, s.Fault)
}

// Where each report of a board carried the lamp's value, that is missed as a report
// would be, though the lamp is new; and no cadence of its own is kept for it.
func TestNoValueOfANewLamp(t *testing.T) {
	m := New()
	at := epoch
	var got []Event
	step := func(n int, in Input) {
		for range n {
			at = at.Add(time.Minute - 20*time.Millisecond) // as measured, never quite round
			in.At, in.Kind, in.Device = at, InReading, "tank"
			got = append(got, m.Step(in)...)
		}
	}
	m.Step(Input{At: at, Kind: InConfig, Config: &Config{Lamps: []LampConfig{{Name: "tank"}}}})
	m.Step(Input{At: at, Kind: InStart})
	step(30, Input{Lamp: "tank", Value: 300})
	require.Nil(t, m.lamps[0].values)
	parts, err := m.Snapshot()
	require.NoError(t, err)
	m, err = Restore(parts)
	require.NoError(t, err)
	d, _ := m.DeviceStatus("tank", at)
	failed := at
	require.Empty(t, got)
	step(60, Input{})
	require.Equal(t, []Kind{Fault}, kinds(got))
	assert.Equal(t, failed, got[0].Since)
	assert.Less(t, got[0].At.Sub(failed), d.Limit+2*time.Minute)
	assert.Contains(t, got[0].Why, "where one every 60 s is usual")
	got = nil
	step(60, Input{Lamp: "tank", Value: 300})
	require.Equal(t, []Kind{FaultOver}, kinds(got))
	require.NotNil(t, m.lamps[0].values, "from then on its own is learned")
}

// A lamp whose value never came is told once its board is known.
func TestNoValueYet(t *testing.T) {
	h := lampHouse(t, 2, time.Minute)
	got := h.run(12 * time.Hour)
	require.Equal(t, []Kind{Fault}, kinds(got))
	assert.Equal(t, "lamp1: no readable value yet", got[0].Text)
	assert.WithinDuration(t, epoch.Add(neverRead), got[0].At, 10*time.Minute)
	assert.Equal(t, []Kind{FaultOver}, kinds(runWith(h, 3*time.Hour, time.Minute)))
}

// A lamp whose value comes far less often than its board reports lacks none; nor
// does one whose board is away, or that nobody could hear.
func TestNoValueIsMissed(t *testing.T) {
	h := lampHouse(t, 3, 10*time.Second, time.Minute)
	noFault := func(what string, got []Event) {
		t.Helper()
		assert.NotContains(t, kinds(got), Fault, what)
	}
	noFault("seldom", runWith(h, 3*24*time.Hour, 20*time.Minute))
	h.all(func(b *board) { b.dead = true })
	noFault("dead", h.run(7*time.Hour))
	h.all(func(b *board) { b.dead, b.next = false, h.now.Add(time.Second) })
	noFault("back", runWith(h, 5*time.Hour, 20*time.Minute))
	noFault("down", h.restart(9*time.Hour))
	noFault("up", runWith(h, 5*time.Hour, 20*time.Minute))
	h.step(Input{Kind: InUplink, Word: UplinkDown})
	h.all(func(b *board) { b.deaf = true })
	noFault("cut off", h.run(8*time.Hour))
	h.step(Input{Kind: InUplink, Word: UplinkUp})
	h.all(func(b *board) { b.deaf = false })
	noFault("heard again", runWith(h, 5*time.Hour, 20*time.Minute))
	// Readings of hours ago, saved up.
	for range 600 {
		h.now = h.now.Add(time.Minute)
		noFault("late", h.step(Input{Kind: InReading, Device: "board2", Word: ReadingLate}))
	}
	h.all(func(b *board) { b.next = h.now.Add(time.Second) })
	noFault("in time", runWith(h, 5*time.Hour, 20*time.Minute))
	// The control.
	assert.Contains(t, kinds(h.run(7*24*time.Hour)), Fault)
}

// What a sensor is suspected of, and that no value of it comes, are one alert:
// it ends with both.
func TestNoValueOfAFrozenSensor(t *testing.T) {
	f := litTank(t)
	status := func(n int) (out []Event) {
		for range n {
			f.at = f.at.Add(time.Minute)
			out = append(out, f.m.Step(Input{At: f.at, Kind: InReading, Device: "tank"})...)
		}
		return out
	}
	faults := func(events []Event) (out []string) {
		for _, e := range events {
			if e.Kind == Fault || e.Kind == FaultOver {
				out = append(out, string(e.Kind)+" "+e.State)
			}
		}
		return out
	}
	require.Equal(t, []string{"fault frozen"}, faults(f.frozen(80, 583)))
	assert.Equal(t, []string{"fault no_value"}, faults(status(40)))
	f.m.Step(Input{At: f.at, Kind: InTeach, Lamp: "tank", Word: Anew})
	assert.NotZero(t, f.alarm()&condFault, "learned anew or not, no value comes")
	assert.Equal(t, []string{"fault_over "}, faults(f.stay(5, 580)))
	assert.Zero(t, f.alarm()&condFault)

	f = litTank(t)
	f.frozen(80, 583)
	status(40)
	assert.Equal(t, []string{"fault frozen"}, faults(f.frozen(5, 583)), "what is still so is said again")
	assert.Equal(t, []string{"fault_over "}, faults(f.stay(5, 580)))
}

// A snapshot of before there was such a part is read, and a damaged part is not.
func TestSnapshotWithoutValues(t *testing.T) {
	f := litTank(t)
	parts, err := f.m.Snapshot()
	require.NoError(t, err)
	var older []Part
	for i, p := range parts {
		if p.Key != "values/tank" {
			older = append(older, p)
			continue
		}
		for _, bad := range [][]byte{nil, {0}, []byte("rubbish")} {
			parts[i].Data = bad
			_, err = Restore(parts)
			assert.ErrorContains(t, err, "values/tank")
		}
	}
	require.Len(t, older, len(parts)-1)
	f.m, err = Restore(older)
	require.NoError(t, err)
	f.m.Step(Input{At: f.at, Kind: InStart})
	assert.NotContains(t, kinds(f.stay(30, 580)), Fault)
}

// What is set by hand of a board's reports says nothing of how often each lamp's
// value comes with them; and a board that was silent, of which the first of two
// lamps is heard, does not lack the second.
func TestNoValueBesideWhatIsSetByHand(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	steady := func(every time.Duration) func() time.Duration { return func() time.Duration { return every } }
	for name, c := range map[string]struct {
		board DeviceConfig
		gap   func() time.Duration
		salt  int // comes with one report in so many
	}{
		"silent_after is shorter than its interval": {DeviceConfig{SilentAfter: 5 * time.Minute}, steady(time.Minute), 15},
		"so is report_every":                        {DeviceConfig{ReportEvery: 10 * time.Second}, steady(10 * time.Second), 120},
		"silent_after is shorter than many gaps": {DeviceConfig{SilentAfter: 15 * time.Minute},
			func() time.Duration { return time.Duration(r.ExpFloat64()*600e3) * time.Millisecond }, 1},
	} {
		t.Run(name, func(t *testing.T) {
			c.board.Name = "board"
			cfg := Config{Devices: []DeviceConfig{c.board}, Lamps: []LampConfig{{Name: "tank", Device: "board"}, {Name: "salt", Device: "board"}}}
			h := newHouse(t, 1, cfg)
			report := func(i int) {
				h.run(c.gap())
				h.step(Input{Kind: InReading, Lamp: "tank", Value: 200 + float64(i*5%11)})
				if i%c.salt == 0 {
					h.step(Input{Kind: InReading, Lamp: "salt", Value: 300 + float64(i*7%11)})
				}
			}
			for i := range 3000 {
				report(i)
			}
			assert.NotContains(t, kinds(h.events), Fault)
			c.salt = 1 << 20 // the control
			for i := range 3000 {
				report(1 + i)
			}
			assert.Contains(t, kinds(h.events), Fault)
		})
	}
}

// A value that comes less often than hourly is hardly taken for missing before its
// cadence is known: once at most, and never again after.
func TestNoValueOfOneThatIsSeldom(t *testing.T) {
	for _, every := range []time.Duration{90 * time.Minute, 2 * time.Hour, 5 * time.Hour, 12 * time.Hour} {
		for _, first := range []time.Duration{time.Second, 30 * time.Minute, every} {
			h := lampHouse(t, 9, time.Minute)
			value := func() []Event { return h.step(Input{Kind: InReading, Lamp: "lamp1", Value: 200}) }
			got := h.run(first)
			got = append(got, value()...)
			got = append(got, runWith(h, 20*every, every)...)
			n := 0
			for _, k := range kinds(got) {
				if k == Fault {
					n++
				}
			}
			assert.Equal(t, 1, n, "every %s, the first after %s: %v", every, first, kinds(got))
			last := h.now
			got = h.run(10 * every)
			require.NotEmpty(t, got, "the control: it comes no more")
			assert.Equal(t, Fault, got[0].Kind)
			assert.Less(t, got[0].At.Sub(last), 5*every)
		}
	}
}

// A sensor that stands at an end of its range is explained by where it was before.
func TestStuckSaysSinceWhen(t *testing.T) {
	h := lampHouse(t, 1, time.Minute)
	read := func(n int, value func() float64) (out []Event) {
		for range n {
			h.run(time.Minute)
			out = append(out, h.step(Input{Kind: InReading, Lamp: "lamp1", Value: value()})...)
		}
		return out
	}
	dead := func() float64 { return 0 }
	alive := func() float64 { return 200 + float64(h.r.IntN(9)) }
	got := read(1500, dead)
	require.Equal(t, []Kind{Fault}, kinds(got))
	assert.Equal(t, "lamp1: sensor trouble, stuck rail", got[0].Text)
	assert.Contains(t, got[0].Why, "nothing but 0 since the first reading")
	assert.Contains(t, kinds(read(100, alive)), FaultOver)

	h = lampHouse(t, 1, time.Minute)
	require.Empty(t, read(6000, alive))
	got = read(3000, dead)
	require.Equal(t, []Kind{Dark, Fault}, kinds(got))
	assert.Contains(t, got[1].Why, "where it hardly ever was before")
}

// What a person would have a lamp's states called is what is told; else it is named.
func TestOwnWords(t *testing.T) {
	own := newLamp(LampConfig{Name: "tank", SayLit: "The tank is full", SayDark: "The tank is empty", SayBlinking: "The tank leaks"})
	plain := newLamp(LampConfig{Name: "tank"})
	for state, want := range map[learn.State][2]string{
		learn.Lit:      {"The tank is full", "tank is lit"},
		learn.Dark:     {"The tank is empty", "tank is dark"},
		learn.Blinking: {"The tank leaks", "tank is blinking"},
	} {
		assert.Equal(t, want, [2]string{own.say(state), plain.say(state)})
	}
}
