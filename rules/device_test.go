package rules

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules/battery"
)

func f64(v float64) *float64 { return &v }

// one is a house with a single board on a minute, a day old.
func one(t testing.TB, cfg DeviceConfig) (*house, *board) {
	cfg.Name = "freezer"
	h := newHouse(t, 7_002_000, Config{Devices: []DeviceConfig{cfg}}, time.Minute)
	return h, h.boards[0]
}

func link(h *house, words ...string) {
	for _, w := range words {
		h.step(Input{Kind: InLink, Device: "freezer", Word: w})
	}
}

// A board that sent twice at once and fell silent has an interval that rounds to none.
func TestUsualInterval(t *testing.T) {
	for every, want := range map[time.Duration]string{
		3 * time.Millisecond:              ", where several a second are usual",
		600 * time.Millisecond:            ", where one every 1 s is usual",
		time.Minute - 20*time.Millisecond: ", where one every 60 s is usual",
		15*time.Minute + time.Second:      ", where one every 15 min is usual",
	} {
		assert.Equal(t, want, usually(every))
	}
}

func TestCauseIsRankedWithEvidence(t *testing.T) {
	battery := DeviceConfig{Battery: BatteryConfig{Chemistry: "lithium_ion"}}
	for _, c := range []struct {
		name   string
		cfg    DeviceConfig
		before func(h *house, b *board) // at the death
		cause  string
		why    []string // in this order
	}{
		{"nothing known", DeviceConfig{}, nil, CauseUnknown, []string{"Nothing tells why"}},
		{"flat by voltage", battery, func(h *house, b *board) {
			b.volts = f64(3.02)
			h.run(3 * time.Hour)
			link(h, LinkUp, LinkLost)
		}, CauseBattery, []string{"flat battery (3.02 V", "power or radio lost"}},
		{"good battery, weak radio", battery, func(h *house, b *board) {
			b.volts, b.rssi = f64(4.0), f64(-90)
			h.run(3 * time.Hour)
		}, CauseRadio, []string{"weak radio (its last report came at -90 dBm)"}},
		{"flat battery before weak radio", battery, func(h *house, b *board) {
			b.volts, b.rssi = f64(2.9), f64(-84)
			h.run(3 * time.Hour)
		}, CauseBattery, []string{"flat battery (2.90 V", "weak radio"}},
		{"strong radio is no cause", DeviceConfig{}, func(h *house, b *board) {
			b.rssi = f64(-60)
			h.run(time.Hour)
		}, CauseUnknown, []string{"Nothing tells why"}},
		{"goodbye", DeviceConfig{}, func(h *house, b *board) {
			link(h, LinkUp)
			h.run(time.Hour)
			link(h, LinkClosed)
		}, CauseGoodbye, []string{"it said goodbye to the broker"}},
		{"cut", DeviceConfig{}, func(h *house, b *board) {
			link(h, LinkUp)
			h.run(time.Hour)
			link(h, LinkLost, LinkWill)
		}, CauseLost, []string{"the connection ended without a goodbye"}},
		{"offline", DeviceConfig{}, func(h *house, b *board) {
			h.run(time.Hour)
			link(h, LinkOffline)
		}, CauseLost, []string{"power or radio lost, or switched off (what came last says that it is offline"}},
		{"back after it was offline", DeviceConfig{}, func(h *house, b *board) {
			link(h, LinkOffline)
			h.run(time.Hour)
		}, CauseUnknown, []string{"Nothing tells why"}},
		{"hangs", DeviceConfig{}, func(h *house, b *board) {
			link(h, LinkUp)
			h.run(time.Hour)
		}, CauseStuck, []string{"the connection to the broker still stands"}},
		{"capacity used up", DeviceConfig{Battery: BatteryConfig{CapacityMAh: 100, CurrentMA: 4}}, func(h *house, b *board) {
			h.run(7 * time.Hour)
		}, CauseBattery, []string{"its flat date by capacity and current passed"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			h, b := one(t, c.cfg)
			h.run(24 * time.Hour)
			if c.before != nil {
				c.before(h, b)
			}
			b.dead = true
			got := h.run(2 * time.Hour)
			require.NotEmpty(t, got)
			e := got[len(got)-1]
			require.Equal(t, Silent, e.Kind)
			assert.Equal(t, c.cause, e.Cause, e.Why)
			at := 0
			for _, w := range c.why {
				i := strings.Index(e.Why[at:], w)
				require.GreaterOrEqual(t, i, 0, "%q in %q", w, e.Why)
				at += i
			}
			assert.Contains(t, e.Text, "freezer has been silent for")
			s, _ := h.m.DeviceStatus("freezer", h.now)
			assert.True(t, s.Silent)
			assert.Equal(t, c.cause == CauseUnknown, len(s.Causes) == 0)
			t.Log(e.Text, "|", e.Why)
		})
	}
}

// TestSleepersGoodbyeIsNoEvidence: a board that disconnects after every report
// says nothing by doing so once more.
func TestSleepersGoodbyeIsNoEvidence(t *testing.T) {
	for lasted, cause := range map[time.Duration]string{
		2 * time.Second: CauseUnknown, 59 * time.Second: CauseUnknown, time.Hour: CauseGoodbye, 0: CauseGoodbye,
	} {
		h, b := one(t, DeviceConfig{})
		h.run(24 * time.Hour)
		link(h, LinkUp)
		h.step(Input{Kind: InLink, Device: "freezer", Word: LinkClosed, For: lasted})
		b.dead = true
		got := h.run(time.Hour)
		require.Equal(t, []Kind{Silent}, kinds(got))
		assert.Equal(t, cause, got[0].Cause, lasted)
	}
}

func TestLinkIsNoSignOfLife(t *testing.T) {
	h, b := one(t, DeviceConfig{})
	h.run(24 * time.Hour)
	b.dead = true
	s, _ := h.m.DeviceStatus("freezer", h.now)
	for range 30 {
		link(h, LinkUp)
		h.run(10 * time.Second)
	}
	got := h.run(time.Hour)
	require.Equal(t, []Kind{Silent}, kinds(h.events))
	assert.Equal(t, s.Due, h.events[0].At)
	assert.NotNil(t, got)
}

func TestHandSetLimit(t *testing.T) {
	h, b := one(t, DeviceConfig{SilentAfter: 10 * time.Minute})
	h.run(24 * time.Hour)
	s, _ := h.m.DeviceStatus("freezer", h.now)
	b.dead = true
	got := h.run(time.Hour)
	require.Equal(t, []Kind{Silent}, kinds(got))
	assert.Equal(t, s.Heard.Add(10*time.Minute), got[0].At)
	assert.Contains(t, got[0].Why, "the limit of 10 min is set by hand")
}

func TestNeverReported(t *testing.T) {
	h, b := one(t, DeviceConfig{ReportEvery: time.Minute})
	b.dead = true
	got := h.run(3 * time.Hour)
	require.Equal(t, []Kind{Silent}, kinds(got))
	assert.Contains(t, got[0].Text, "has not reported yet")
	b.dead, b.next = false, h.now
	assert.Equal(t, []Kind{Returned}, kinds(h.run(time.Hour)))

	h, b = one(t, DeviceConfig{})
	b.dead = true
	assert.Empty(t, h.run(week), "nothing is expected of a board that nothing is known of")
}

func TestBatteryIsWarnedOfOnceAndAhead(t *testing.T) {
	h, _ := one(t, DeviceConfig{Battery: BatteryConfig{CapacityMAh: 2500, CurrentMA: 5}})
	got := h.run(30 * 24 * time.Hour)
	require.Equal(t, []Kind{BatteryLow}, kinds(got))
	flat := epoch.Add(time.Duration(16.6667 * 24 * float64(time.Hour)))
	assert.WithinDuration(t, flat, got[0].Since, 2*time.Minute)
	assert.GreaterOrEqual(t, flat.Sub(got[0].At), 72*time.Hour)
	assert.Contains(t, got[0].Text, "battery flat in")
	assert.Contains(t, got[0].Why, "taken to have been fresh at the first report")

	got = h.step(Input{Kind: InBattery, Device: "freezer", By: "Ada"})
	require.Equal(t, []Kind{BatteryNew}, kinds(got))
	assert.Equal(t, "Ada", got[0].By)
	got = h.run(30 * 24 * time.Hour)
	require.Equal(t, []Kind{BatteryLow}, kinds(got), "and of the next one again")
}

func TestBatteryByVoltage(t *testing.T) {
	h, b := one(t, DeviceConfig{Battery: BatteryConfig{Chemistry: "lithium_ion", Cells: 1}})
	for i := range 20 * 24 {
		b.volts = f64(4.15 - 1.15*float64(i)/(20*24))
		if got := h.run(time.Hour); len(got) > 0 {
			require.Equal(t, []Kind{BatteryLow}, kinds(got))
			assert.Contains(t, got[0].Why, "By its voltage")
			break
		}
	}
	require.Len(t, h.events, 1)
	s, _ := h.m.DeviceStatus("freezer", h.now)
	require.NotNil(t, s.Battery)
	assert.Equal(t, "voltage", s.Battery.Basis)
	assert.NotNil(t, s.Charge)
	b.volts = f64(4.15)
	got := h.run(5 * time.Hour)
	require.Equal(t, []Kind{BatteryNew}, kinds(got))
	assert.Contains(t, got[0].Text, "changed or charged")
}

// A battery that shows less for some cold days is warned of too soon, for its end looks
// the same at first. That is taken back once it is warm, and the end is told of, too.
func TestBatteryInTheCold(t *testing.T) {
	const life = 150 * 24 // h
	volts := func(chemistry string, charge float64) float64 {
		low, high := 0.8, 1.6
		for range 40 {
			mid := (low + high) / 2
			if c, _ := battery.Charge(chemistry, mid); c < charge {
				low = mid
			} else {
				high = mid
			}
		}
		return low
	}
	for name, c := range map[string]struct {
		chemistry string
		stop      float64 // V
		day, days float64 // d: when the cold begins, and for how long it lasts
		cold      float64 // V that the cell shows less, from a day after that to a day before the end
		want      []Kind
	}{
		"alkaline":    {"alkaline", 0.9, 60, 8, 0.080, []Kind{BatteryLow, BatteryHolds, BatteryLow}},
		"nimh":        {"nimh", 1.0, 35, 16, 0.080, []Kind{BatteryLow, BatteryNew, BatteryLow}}, // the warmth looks like a charge; in the cold nothing is taken back
		"the control": {"alkaline", 0.9, 60, 8, 0, []Kind{BatteryLow}},
	} {
		h, b := one(t, DeviceConfig{Name: "freezer", ReportEvery: 30 * time.Minute,
			Battery: BatteryConfig{Chemistry: c.chemistry, Cells: 1}})
		b.every = 30 * time.Minute
		var end time.Time
		for hour := range life {
			x := float64(hour)/24 - c.day
			v := volts(c.chemistry, 1-float64(hour)/life) - c.cold*max(0, min(1, x, c.days-x))
			if v < c.stop {
				end = h.now
				break
			}
			b.volts = f64(v + 0.003*math.Sin(float64(hour*hour)))
			h.run(time.Hour)
			if hour%24 == 0 {
				parts, err := h.m.Snapshot()
				require.NoError(t, err)
				h.m, err = Restore(parts)
				require.NoError(t, err)
				h.step(Input{Kind: InStart})
			}
		}
		require.Equal(t, c.want, kinds(h.events), name)
		last := h.events[len(h.events)-1]
		assert.InDelta(t, 5, end.Sub(last.At).Hours()/24, 4, "%s: days ahead of the end", name)
		if c.want[1%len(c.want)] != BatteryHolds {
			continue
		}
		taken := h.events[1]
		assert.Less(t, taken.At.Sub(h.events[0].At), 12*24*time.Hour)
		assert.Regexp(t, `^freezer: battery not flat soon after all, but in \d+ d`, taken.Text)
		assert.Contains(t, taken.Why, "By its voltage it goes flat in ")
		assert.Contains(t, taken.Why, "in the cold a battery shows less")
		a, _ := h.m.DeviceAlarm("freezer")
		assert.Equal(t, AlarmUnacknowledged, a.State, "the second warning")
	}
}

// Who sets right what is known of a battery after it was warned of is warned again when
// it is time.
func TestBatteryIsLargerThanWasSaid(t *testing.T) {
	cfg := DeviceConfig{Name: "freezer", Battery: BatteryConfig{CapacityMAh: 1250, CurrentMA: 5}}
	h, _ := one(t, cfg)
	require.Equal(t, []Kind{BatteryLow}, kinds(h.run(8*24*time.Hour)))
	cfg.Battery.CapacityMAh = 5000
	require.Empty(t, h.step(Input{Kind: InConfig, Config: &Config{Devices: []DeviceConfig{cfg}}}))
	got := h.run(7 * 24 * time.Hour)
	require.Equal(t, []Kind{BatteryHolds}, kinds(got))
	assert.NotContains(t, got[0].Why, "cold")
	a, _ := h.m.DeviceAlarm("freezer")
	assert.False(t, a.State == AlarmUnacknowledged || a.State == AlarmAcknowledged, a.State)
	assert.Equal(t, []Kind{BatteryLow}, kinds(h.run(30*24*time.Hour)))
}

// A board that runs on mains from now on is not warned of by how long its batteries
// lasted, shows none, and what was told of the last is over; on a battery again, it is
// warned of.
func TestBatteryGone(t *testing.T) {
	cfg := DeviceConfig{Name: "freezer", ReportEvery: 10 * time.Minute, Battery: BatteryConfig{Chemistry: "lithium_ion"}}
	h, b := one(t, cfg)
	b.every = 10 * time.Minute
	drain := func() {
		b.volts = f64(4.1)
		h.step(Input{Kind: InBattery, Device: "freezer"})
		for i := 0; h.m.alarms[0].s.Conds&condBattery == 0; i++ {
			require.Less(t, i, 40*24)
			b.volts = f64(4.1 - 1.1*float64(i)/(40*24))
			h.run(time.Hour)
		}
	}
	drain()
	drain()
	require.Equal(t, []Kind{BatteryNew, BatteryLow, BatteryNew, BatteryLow}, kinds(h.events))
	set := func(chemistry string) []Event {
		cfg.Battery.Chemistry = chemistry
		return h.step(Input{Kind: InConfig, Config: &Config{Devices: []DeviceConfig{cfg}}})
	}
	got := set(battery.None)
	require.Equal(t, []Kind{BatteryNew}, kinds(got))
	assert.Equal(t, "freezer: no battery any more", got[0].Text)
	a, _ := h.m.DeviceAlarm("freezer")
	assert.False(t, a.State == AlarmUnacknowledged || a.State == AlarmAcknowledged, a.State)
	require.Empty(t, set(battery.None), "it is said once")
	for _, volts := range []*float64{f64(3.0), f64(5.0), f64(3.1), nil} { // of the supply
		b.volts = volts
		require.Empty(t, h.run(20*24*time.Hour))
		s, _ := h.m.DeviceStatus("freezer", h.now)
		require.Nil(t, s.Volts)
		require.Nil(t, s.Charge)
		require.Nil(t, s.Battery)
		parts, err := h.m.Snapshot()
		require.NoError(t, err)
		h.m, err = Restore(parts)
		require.NoError(t, err)
		require.Empty(t, h.step(Input{Kind: InStart}))
	}
	b.dead = true
	got = h.run(time.Hour)
	require.Equal(t, []Kind{Silent}, kinds(got))
	assert.NotContains(t, got[0].Why, "battery")
	b.dead, b.next = false, h.now
	require.Equal(t, []Kind{Returned}, kinds(h.run(time.Hour)))

	require.Empty(t, set("lithium_ion"))
	h.run(time.Hour)
	s, _ := h.m.DeviceStatus("freezer", h.now)
	require.NotNil(t, s.Battery)
	assert.Equal(t, "swaps", s.Battery.Basis)
	assert.WithinDuration(t, h.now, s.Battery.Since, 2*time.Hour)
	assert.Equal(t, []Kind{BatteryLow}, kinds(h.run(60*24*time.Hour)))
}

// A board that reports its charge in per cent needs no chemistry, and is told of in
// per cent.
func TestBatteryByCharge(t *testing.T) {
	cfg := DeviceConfig{Battery: BatteryConfig{InPercent: true}}
	h, b := one(t, cfg)
	last := 0.0
	for i := range 20 * 24 {
		last = math.Round(100 - 100*float64(i)/(20*24))
		b.volts = f64(last)
		if got := h.run(time.Hour); len(got) > 0 {
			require.Equal(t, []Kind{BatteryLow}, kinds(got))
			assert.Contains(t, got[0].Why, "By the charge that it reports it goes flat in ")
			assert.Contains(t, got[0].Why, " It reports "+strconv.Itoa(int(last))+" %.")
			break
		}
	}
	require.Len(t, h.events, 1)
	s, _ := h.m.DeviceStatus("freezer", h.now)
	require.NotNil(t, s.Battery)
	assert.Equal(t, "charge", s.Battery.Basis)
	assert.Nil(t, s.Volts)
	require.NotNil(t, s.Charge)
	assert.Equal(t, last/100, *s.Charge)

	b.volts = f64(4)
	h.run(5 * time.Hour)
	b.dead = true
	got := h.run(time.Hour)
	require.Equal(t, []Kind{Silent}, kinds(got))
	assert.Equal(t, CauseBattery, got[0].Cause)
	assert.Contains(t, got[0].Why, "flat battery (it reported 4 %)")
	b.dead, b.next, b.volts = false, h.now, f64(99)
	got = h.run(5 * time.Hour)
	require.Equal(t, []Kind{Returned, BatteryNew}, kinds(got))
	assert.Regexp(t, `Its charge rose within the last hours,.* to 99 %\.`, got[1].Why)

	// Who names the place of a voltage from now on has none of that taken for volts.
	cfg.Name, cfg.Battery = "freezer", BatteryConfig{Chemistry: "lithium_ion"}
	h.step(Input{Kind: InConfig, Config: &Config{Devices: []DeviceConfig{cfg}}})
	s, _ = h.m.DeviceStatus("freezer", h.now)
	assert.Nil(t, s.Volts)
	assert.Nil(t, s.Charge)
	assert.True(t, s.Battery == nil || s.Battery.Basis != "voltage")
}

func TestNonsenseFromTheBoardIsIgnored(t *testing.T) {
	d := newDevice(DeviceConfig{Name: "x"})
	d.report(&Input{At: epoch, Volts: f64(math.NaN()), RSSI: f64(math.Inf(-1))}, nil)
	s := d.status(epoch)
	assert.Nil(t, s.Volts)
	assert.Nil(t, s.RSSI)
	assert.NotPanics(t, func() { d.marshal() })
}

func TestReportAllocatesNothing(t *testing.T) {
	d := newDevice(DeviceConfig{Name: "x", Battery: BatteryConfig{Chemistry: "alkaline"}})
	in := &Input{At: epoch, Volts: f64(3), RSSI: f64(-70)}
	assert.Zero(t, testing.AllocsPerRun(3000, func() {
		in.At = in.At.Add(time.Minute)
		d.report(in, nil)
		d.next()
	}))
}

func BenchmarkDeviceReport(b *testing.B) {
	d := newDevice(DeviceConfig{Name: "x", Battery: BatteryConfig{Chemistry: "alkaline"}})
	in := &Input{At: epoch, Volts: f64(3), RSSI: f64(-70)}
	b.ReportAllocs()
	for b.Loop() {
		in.At = in.At.Add(time.Minute)
		d.report(in, nil)
		d.next()
	}
}

func FuzzUnmarshalDevice(f *testing.F) {
	h, b := one(f, DeviceConfig{Battery: BatteryConfig{Chemistry: "alkaline"}})
	b.volts, b.rssi = f64(4.4), f64(-80)
	h.run(50 * time.Hour)
	link(h, LinkUp, LinkLost)
	f.Add(h.m.devices[0].marshal())
	b.dead = true
	h.run(2 * time.Hour)
	f.Add(h.m.devices[0].marshal())
	f.Fuzz(func(t *testing.T, b []byte) {
		d, err := restoredDevice(DeviceConfig{Name: "x", Battery: BatteryConfig{Chemistry: "nimh"}}, b)
		if err != nil {
			return
		}
		if _, err := restoredDevice(d.cfg, d.marshal()); err != nil {
			t.Fatalf("what was taken cannot be written again: %v", err)
		}
		at := epoch
		for i := range 50 {
			at = at.Add(time.Duration(i) * time.Minute)
			d.report(&Input{At: at, Volts: f64(3)}, nil)
			if due, ok := d.next(); ok {
				d.fire(due, nil)
				if again, ok := d.next(); ok && !again.After(due) {
					t.Fatalf("a deadline that does not move on: %v", due)
				}
			}
			d.status(at)
		}
	})
}

// After a restart no connection stands from before it.
func TestNoConnectionStandsOverRestart(t *testing.T) {
	h, b := one(t, DeviceConfig{})
	link(h, LinkUp)
	h.run(24 * time.Hour)
	b.dead = true
	h.restart(10 * time.Minute)
	got := h.run(3 * time.Hour)
	require.Equal(t, []Kind{Silent}, kinds(got))
	assert.Equal(t, CauseUnknown, got[0].Cause, got[0].Why)
}

// TestDailyBoardIsMissed: a board that sleeps for a day at a time dies, where
// lampward is restarted each night, or loses the broker for a moment.
func TestDailyBoardIsMissed(t *testing.T) {
	for name, night := range map[string]func(h *house){
		"restart": func(h *house) { h.restart(5 * time.Second) },
		"restart, other broker": func(h *house) {
			h.restart(5 * time.Second)
			h.run(3 * time.Second)
			h.step(Input{Kind: InUplink, Word: UplinkUp})
		},
		"broker away": func(h *house) {
			h.step(Input{Kind: InUplink, Word: UplinkDown})
			h.run(5 * time.Second)
			h.step(Input{Kind: InUplink, Word: UplinkUp})
		},
	} {
		for _, every := range []time.Duration{0, 24 * time.Hour} {
			h := newHouse(t, 7_003_400, Config{Devices: []DeviceConfig{{Name: "sleeper", ReportEvery: every}}}, 24*time.Hour)
			nights := func(n int) []Event {
				from := len(h.events)
				for range n {
					h.run(24*time.Hour - 5*time.Second)
					night(h)
				}
				return h.events[from:]
			}
			assert.Empty(t, nights(60), "%s: it is well", name)
			h.boards[0].dead = true
			assert.Equal(t, []Kind{Silent}, kinds(nights(14)), "%s, every %s", name, every)
		}
	}
}

// TestFlatBatteryTeachesThoughSaidLate: the battery goes flat, somebody changes it,
// and says so before the board reports or after. How long it lasted is learned all the
// same, and not the time until they came.
func TestFlatBatteryTeachesThoughSaidLate(t *testing.T) {
	for _, late := range []bool{true, false} {
		h, b := one(t, DeviceConfig{Battery: BatteryConfig{CapacityMAh: 2500, CurrentMA: 1}}) // 83 days: the current is wrong
		h.step(Input{Kind: InBattery, Device: "freezer"})
		for range 3 {
			h.run(10 * 24 * time.Hour)
			b.dead = true
			h.run(2 * 24 * time.Hour)
			if !late {
				h.step(Input{Kind: InBattery, Device: "freezer"})
			}
			b.dead, b.next = false, h.now
			h.run(10 * time.Minute)
			if late {
				h.step(Input{Kind: InBattery, Device: "freezer"})
			}
		}
		s, _ := h.m.DeviceStatus("freezer", h.now)
		require.NotNil(t, s.Battery)
		assert.Equal(t, "swaps", s.Battery.Basis)
		assert.WithinDuration(t, h.now.Add(10*24*time.Hour), s.Battery.Flat, time.Hour, "said late: %t", late)
	}
}

// A battery is changed before it is flat, on a day on which the network was down:
// its age is no life.
func TestBatteryChangedAfterAnOutage(t *testing.T) {
	for _, during := range []bool{false, true} {
		h := newHouse(t, 7_002_800, Config{}, everyMinute(4)...)
		h.step(Input{Kind: InBattery, Device: "board1"})
		h.run(100 * 24 * time.Hour)
		h.step(Input{Kind: InBattery, Device: "board1"}) // flat or not, it says something
		f, ok := h.m.devices[0].cell.Forecast()
		require.True(t, ok)
		require.WithinDuration(t, h.now.Add(100*24*time.Hour), f.Flat, time.Hour)
		h.run(20 * 24 * time.Hour)
		h.all(func(b *board) { b.deaf = true })
		require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
		if during {
			h.step(Input{Kind: InBattery, Device: "board1"})
		}
		h.all(func(b *board) { b.deaf = false })
		require.Equal(t, []Kind{ManyReturned}, kinds(h.run(time.Hour)))
		if !during {
			h.step(Input{Kind: InBattery, Device: "board1"})
		}
		f, _ = h.m.devices[0].cell.Forecast()
		assert.WithinDuration(t, h.now.Add(100*24*time.Hour), f.Flat, 24*time.Hour)
	}
}

// A board that is silent is not said to go flat in some days; nor is one that is
// back, until who put a battery in had the time to say so.
func TestSilentBoardIsNotWarnedOf(t *testing.T) {
	for _, said := range []bool{true, false} {
		h, b := one(t, DeviceConfig{ReportEvery: 10 * time.Minute})
		b.every = 10 * time.Minute
		life := func(days int) []Event {
			from := len(h.events)
			h.run(time.Duration(days) * 24 * time.Hour)
			b.dead = true
			h.run(30 * 24 * time.Hour)
			b.dead, b.next = false, h.now
			h.run(30 * time.Minute)
			if said {
				h.step(Input{Kind: InBattery, Device: "freezer"})
			}
			return h.events[from:]
		}
		h.step(Input{Kind: InBattery, Device: "freezer"})
		h.run(80 * 24 * time.Hour)
		h.step(Input{Kind: InBattery, Device: "freezer"})
		want := []Kind{Silent, Returned}
		if said {
			want = append(want, BatteryNew)
		}
		require.Equal(t, want, kinds(life(60)))
		back := h.now.Add(-30 * time.Minute)
		got := h.run(2 * 24 * time.Hour)
		if said {
			assert.Empty(t, got)
			continue
		}
		require.Equal(t, []Kind{BatteryLow}, kinds(got), "the control: nobody changed it")
		assert.WithinDuration(t, back.Add(24*time.Hour), got[0].At, time.Second)
	}
}

// A board that stops at 3.35 V, which nobody set, is known to do so once its
// battery was changed after it fell silent.
func TestSecondBatteryIsForecastBetter(t *testing.T) {
	volts := func(charge float64) float64 { // of the table
		lo, hi := 2.5, 4.2
		for range 40 {
			mid := (lo + hi) / 2
			if c, _ := battery.Charge("lithium_ion", mid); c < charge {
				lo = mid
			} else {
				hi = mid
			}
		}
		return lo
	}
	m := New()
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	m.Step(Input{At: at, Kind: InConfig, Config: &Config{Devices: []DeviceConfig{
		{Name: "b", ReportEvery: 30 * time.Minute, SilentAfter: 4 * time.Hour, Battery: BatteryConfig{Chemistry: "lithium_ion"}}}}})
	m.Step(Input{At: at, Kind: InStart})
	var middle time.Time // what was forecast at half of the second battery's time
	var end time.Time
	for cycle := range 2 {
		for h := 0; ; h++ {
			v := volts(1 - float64(h)/(40*24))
			if v < 3.35 {
				break
			}
			at = at.Add(time.Hour)
			m.Step(Input{At: at, Kind: InReading, Device: "b", Volts: &v})
			end = at
			if s, _ := m.DeviceStatus("b", at); cycle == 1 && h == 20*24 {
				require.NotNil(t, s.Battery)
				middle = s.Battery.Flat
			}
		}
		at = at.Add(24 * time.Hour)
		m.Step(Input{At: at, Kind: InTick})
	}
	assert.WithinDuration(t, end, middle, 36*time.Hour)
}

// restoredDevice makes a device of what marshal wrote.
func restoredDevice(cfg DeviceConfig, b []byte) (*device, error) {
	d := newDevice(cfg)
	return d, d.unmarshal(b)
}
