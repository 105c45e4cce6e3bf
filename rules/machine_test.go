package rules

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules/learn"
)

var epoch = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func cellar() Config {
	return Config{
		Lamps: []LampConfig{
			{Name: "tank", Device: "tank-board", SayLit: "The tank is full"},
			{Name: "salt", Learn: learn.Config{LitLower: true}},
			{Name: "freezer", Device: "tank-board"},
		},
		Devices: []DeviceConfig{
			{Name: "tank-board", ReportEvery: time.Minute, Battery: BatteryConfig{CapacityMAh: 2500, CurrentMA: 5}},
			{Name: "hall"},
		},
		Alarm: AlarmConfig{RemindEvery: 3 * time.Hour, EscalateAfter: time.Hour},
	}
}

// logged is one stored input with its events as they were stored.
type logged struct {
	in     Input
	events []string
}

func encode(t testing.TB, events []Event) []string {
	var out []string
	for _, e := range events {
		b, err := json.Marshal(e)
		require.NoError(t, err)
		out = append(out, string(b))
	}
	return out
}

// roundTrip is what storing and reading back does to an input.
func roundTrip(t testing.TB, in Input) Input {
	b, err := json.Marshal(in)
	require.NoError(t, err)
	var out Input
	require.NoError(t, json.Unmarshal(b, &out))
	return out
}

// history lives through random days with random crashes and clean restarts
// and returns what was stored.
func history(t testing.TB, seed uint64, steps int) []logged {
	rng := rand.New(rand.NewPCG(seed, 1))
	var log []logged
	m := New()
	now := epoch
	var saved []Part
	savedAt := 0
	step := func(in Input) {
		in.At = now
		events := encode(t, m.Step(in))
		if in.Kind != InTick || len(events) > 0 {
			log = append(log, logged{roundTrip(t, in), events})
		}
	}
	boot := func() {
		if saved != nil {
			var err error
			m, err = Restore(saved)
			require.NoError(t, err)
		} else {
			m = New()
		}
		for _, l := range log[savedAt:] {
			require.Equal(t, l.events, encode(t, m.Step(l.in)), "rebuilding, seed %d", seed)
		}
	}
	cfg := cellar()
	step(Input{Kind: InConfig, Config: &cfg})
	step(Input{Kind: InStart})
	level := map[string]float64{"tank": 200, "salt": 700, "freezer": 1500}
	lit := map[string]bool{}
	quiet := map[string]bool{}
	lamps := []string{"tank", "salt", "freezer"}
	for range steps {
		now = now.Add(time.Duration(rng.IntN(40_000)) * time.Millisecond)
		if at, ok := m.Next(); ok && !at.After(now) {
			step(Input{Kind: InTick})
		}
		lamp := lamps[rng.IntN(3)]
		switch n := rng.IntN(1000); {
		case n < 8:
			lit[lamp] = !lit[lamp]
		case n < 11:
			quiet[lamp] = !quiet[lamp]
		case n < 14:
			step(Input{Kind: InLink, Device: "tank-board", Word: []string{LinkUp, LinkClosed, LinkLost, LinkWill, LinkOffline}[rng.IntN(5)], Was: now})
		case n < 16:
			step(Input{Kind: InTeach, Lamp: lamp, Word: []string{"lit", "dark"}[rng.IntN(2)], By: "me"})
		case n < 18:
			step(Input{Kind: InAck, Lamp: lamp, By: "me"})
		case n < 19:
			step(Input{Kind: InShelve, Lamp: lamp, For: time.Duration(rng.IntN(3)) * time.Hour})
		case n < 20:
			step(Input{Kind: InBattery, Device: "tank-board"})
		case n < 21:
			step(Input{Kind: InService, Lamp: lamp, Word: []string{"in", "out"}[rng.IntN(2)]})
		case n < 23:
			step(Input{Kind: InUplink, Word: []string{UplinkUp, UplinkDown}[rng.IntN(2)]})
		case n < 24: // the configuration changes at a restart
			boot()
			changed := cellar()
			changed.Devices[0].ReportEvery = time.Duration(1+rng.IntN(3)) * time.Minute
			changed.Lamps[1].Learn.LitLower = changed.Devices[0].ReportEvery > time.Minute
			if rng.IntN(3) == 0 {
				changed.Lamps = changed.Lamps[:2]
			}
			step(Input{Kind: InConfig, Config: &changed})
			step(Input{Kind: InStart})
		case n < 27: // a crash, or a clean stop with a snapshot, and some downtime
			if rng.IntN(2) == 0 {
				step(Input{Kind: InStop})
				var err error
				saved, err = m.Snapshot()
				require.NoError(t, err)
				savedAt = len(log)
			}
			boot()
			now = now.Add(time.Duration(rng.IntN(7200)) * time.Second)
			step(Input{Kind: InStart})
		default:
			if quiet[lamp] {
				continue
			}
			v := level[lamp] + 6*rng.NormFloat64()
			if lit[lamp] {
				v += 300
				if lamp == "salt" {
					v -= 600
				}
			}
			if rng.IntN(300) == 0 {
				v += 900
			}
			in := Input{Kind: InReading, Lamp: lamp, Value: float64(int(v))}
			if rng.IntN(4) == 0 {
				volts, rssi := 3.2+rng.Float64(), -50-30*rng.Float64()
				in.Volts, in.RSSI = &volts, &rssi
			}
			step(in)
		}
	}
	return log
}

// Stored inputs, stepped again from the beginning, give the stored events
// byte for byte, whatever restarts lay between.
func TestReplayEqualsLive(t *testing.T) {
	kinds := map[Kind]int{}
	for seed := range uint64(40) {
		log := history(t, seed, 4000)
		require.Empty(t, firstDifference(t, log), "seed %d", seed)
		for _, l := range log {
			for _, e := range l.events {
				var x Event
				require.NoError(t, json.Unmarshal([]byte(e), &x))
				kinds[x.Kind]++
			}
		}
	}
	t.Log(kinds)
	for _, k := range []Kind{Lit, Dark, Silent, Returned, Fault, FaultOver, Downtime} {
		assert.NotZero(t, kinds[k], "the histories must contain %s, else they prove little", k)
	}
}

// The control: a log with a fault in it must not pass for a faithful one.
func TestReplayControl(t *testing.T) {
	spoil := map[string]func([]logged) []logged{
		"starts are not logged": func(log []logged) []logged {
			return without(log, func(l logged) bool { return l.in.Kind == InStart })
		},
		"ticks with events are not logged": func(log []logged) []logged {
			return without(log, func(l logged) bool { return l.in.Kind == InTick })
		},
		"one reading in fifty is lost": func(log []logged) []logged {
			n := 0
			return without(log, func(l logged) bool { n++; return l.in.Kind == InReading && n%50 == 0 })
		},
		"times are cut to seconds": func(log []logged) []logged {
			for i := range log {
				log[i].in.At = log[i].in.At.Truncate(time.Second)
			}
			return log
		},
	}
	for name, f := range spoil {
		t.Run(name, func(t *testing.T) {
			assert.NotEmpty(t, firstDifference(t, f(history(t, 3, 4000))))
		})
	}
}

func without(log []logged, drop func(logged) bool) []logged {
	var out []logged
	for _, l := range log {
		if !drop(l) {
			out = append(out, l)
		}
	}
	return out
}

func firstDifference(t *testing.T, log []logged) string {
	m := New()
	for i, l := range log {
		if got := encode(t, m.Step(l.in)); fmt.Sprint(got) != fmt.Sprint(l.events) {
			return fmt.Sprintf("input %d %+v:\nstored %v\nreplay %v", i, l.in, l.events, got)
		}
	}
	return ""
}

// ofOldVersion is a snapshot of m whose learned states of some lamps are of
// another version, restored.
func ofOldVersion(t *testing.T, m *Machine, lamps ...string) *Machine {
	var r Restorer
	require.NoError(t, m.EachPart(func(p Part) error {
		if name, ok := strings.CutPrefix(p.Key, "lamp/"); ok && slices.Contains(lamps, name) {
			p.Data[len("lampward learner ")]-- // the version
		}
		return r.Add(p)
	}))
	require.Equal(t, lamps, r.Stale())
	again, err := r.Machine()
	require.NoError(t, err)
	return again
}

// A learned state of another version is learned again from what was stored; all
// else of the snapshot is kept. The control leaves a lamp out.
func TestRelearn(t *testing.T) {
	m := New()
	cfg := cellar()
	m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
	rng := rand.New(rand.NewPCG(8, 2))
	var log []Input
	for i := range 3000 {
		at := epoch.Add(time.Duration(i) * time.Minute)
		for k, lamp := range []string{"tank", "salt"} {
			in := Input{At: at, Kind: InReading, Lamp: lamp, Value: 300 + 6*rng.NormFloat64()}
			if (i/(200+50*k))%2 == 1 {
				in.Value += 80
			}
			log = append(log, in)
		}
		if i == 900 {
			log = append(log, Input{At: at, Kind: InTeach, Lamp: "tank", Word: "dark", By: "me"}, Input{At: at, Kind: InAck, Lamp: "salt", By: "me"})
		}
	}
	for _, in := range log {
		m.Step(in)
	}
	whole, err := m.Snapshot()
	require.NoError(t, err)
	again := ofOldVersion(t, m, "tank", "salt")
	parts := func() map[string][]byte {
		list, err := again.Snapshot()
		require.NoError(t, err)
		out := map[string][]byte{}
		for _, p := range list {
			out[p.Key] = p.Data
		}
		return out
	}
	have := parts()
	for _, p := range whole {
		if p.Key == "lamp/tank" || p.Key == "lamp/salt" {
			assert.NotEqual(t, p.Data, have[p.Key], p.Key)
		} else {
			assert.Equal(t, p.Data, have[p.Key], p.Key)
		}
	}
	for _, in := range log {
		if in.Lamp == "tank" {
			again.Relearn(in)
		}
	}
	have = parts()
	for _, p := range whole {
		if p.Key == "lamp/salt" {
			assert.NotEqual(t, p.Data, have[p.Key], "the control")
		} else {
			assert.Equal(t, p.Data, have[p.Key], p.Key)
		}
	}
}

// What was stored of a lamp before it was out of the configuration for a time is of
// another sensor, and not learned from again either.
func TestRelearnForgetsTheLampOfBefore(t *testing.T) {
	cfg := cellar()
	without := cfg
	without.Lamps = slices.DeleteFunc(slices.Clone(cfg.Lamps), func(c LampConfig) bool { return c.Name == "tank" })
	rng := rand.New(rand.NewPCG(8, 3))
	log := []Input{{At: epoch, Kind: InConfig, Config: &cfg}}
	at := epoch
	live := func(n int, dark, step float64) {
		for i := range n {
			at = at.Add(time.Minute)
			for _, lamp := range []string{"tank", "salt"} {
				log = append(log, Input{At: at, Kind: InReading, Lamp: lamp, Value: dark + step*float64(i/100%2) + 4*rng.NormFloat64()})
			}
		}
	}
	live(1000, 300, 80)
	at = at.Add(time.Hour)
	log = append(log, Input{At: at, Kind: InConfig, Config: &without})
	at = at.Add(60 * 24 * time.Hour)
	log = append(log, Input{At: at, Kind: InConfig, Config: &cfg})
	live(550, 150, 400)
	m := New()
	for _, in := range log {
		m.Step(in)
	}
	whole, err := m.Snapshot()
	require.NoError(t, err)
	again := ofOldVersion(t, m, "tank", "salt")
	for _, in := range log {
		again.Relearn(in)
	}
	have, err := again.Snapshot()
	require.NoError(t, err)
	require.Equal(t, whole, have)
}

// A new version that sees a lamp otherwise than the old one did says so once,
// at the start; one that sees the same says nothing.
func TestRelearnTellsTheDifference(t *testing.T) {
	for name, c := range map[string]struct {
		old, now bool // lit at the end
		want     []Kind
	}{
		"lit":       {false, true, []Kind{Lit}},
		"dark":      {true, false, []Kind{Dark}},
		"same lit":  {true, true, nil},
		"same dark": {false, false, nil},
		"unknown":   {true, false, []Kind{Unlearned}},
	} {
		cfg := cellar()
		rng := rand.New(rand.NewPCG(8, 2))
		inputs := func(lit bool) (out []Input) {
			for i := range 3060 {
				in := Input{At: epoch.Add(time.Duration(i) * time.Minute), Kind: InReading, Lamp: "tank", Value: 300 + 6*rng.NormFloat64()}
				if i < 3000 && (i/200)%2 == 1 || i >= 3000 && lit {
					in.Value += 80
				}
				out = append(out, in)
			}
			return out
		}
		m := New()
		m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
		for _, in := range inputs(c.old) {
			m.Step(in)
		}
		again := ofOldVersion(t, m, "tank")
		for _, in := range inputs(c.now) {
			if name == "unknown" && in.At.After(epoch.Add(time.Hour)) {
				break
			}
			again.Relearn(in)
		}
		var got []Kind
		for range 2 {
			for _, e := range again.Step(Input{At: epoch.Add(3061 * time.Minute), Kind: InStart}) {
				assert.Equal(t, "tank", e.Lamp)
				assert.NotEmpty(t, e.Why)
				got = append(got, e.Kind)
			}
		}
		assert.Equal(t, c.want, got, name)
	}
}

// clouds are minutes of readings that look like a faint lamp at first, and then
// cannot be one.
func clouds(see func(in Input)) {
	rng := rand.New(rand.NewPCG(1, 2))
	minute := 0
	stay := func(n int, level float64) {
		for range n {
			see(Input{At: epoch.Add(time.Duration(minute) * time.Minute), Kind: InReading, Lamp: "tank", Value: level + 6*rng.NormFloat64()})
			minute++
		}
	}
	stay(300, 200)
	stay(40, 226)
	for i := range 72 {
		stay(25, 200+float64((i*37+i/24*11)%70))
		stay(25, 200)
	}
}

// What was announced of something that is no lamp is taken back, once, and the
// alert ends; a lamp is never taken back.
func TestUnlearned(t *testing.T) {
	run := func(readings func(see func(in Input))) (kinds []Kind) {
		cfg := cellar()
		m := New()
		m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
		state := ""
		readings(func(in Input) {
			for _, e := range m.Step(in) {
				switch e.Kind {
				case Lit, Dark, Blinking, Learned:
					state = e.State
				case Unlearned:
					assert.NotEmpty(t, state, "only what was known can be taken back")
					assert.True(t, e.Kind.Alerts())
					assert.Contains(t, e.Text, "tank")
					assert.NotEmpty(t, e.Why)
					assert.Equal(t, learn.Learning, m.lamps[m.lampAt["tank"]].learner.Verdict().State)
					assert.Zero(t, m.alarms[m.lampAt["tank"]].s.Conds&condLamp, "the alert is over")
					state = ""
				default:
					continue
				}
				kinds = append(kinds, e.Kind)
			}
		})
		return kinds
	}
	got := run(clouds)
	require.Contains(t, got, Lit)
	assert.Contains(t, got, Unlearned)
	got = run(func(see func(in Input)) {
		rng := rand.New(rand.NewPCG(1, 2))
		for i := range 5000 {
			see(Input{At: epoch.Add(time.Duration(i) * time.Minute), Kind: InReading, Lamp: "tank", Value: 200 + 26*float64(i/100%2) + 6*rng.NormFloat64()})
		}
	})
	require.Greater(t, len(got), 40)
	assert.NotContains(t, got, Unlearned)
}

// A person's word that the sensor was moved takes back what was told of the lamp,
// in the person's name; a hand's readings do so with another reason. Relearning
// the same inputs leads to the same.
// A board that reads a lamp in the place of another, and is never heard, is missed: the
// lamp is watched by nobody. One that reports, be it late, is not, nor is one of which
// nothing is known.
func TestNewBoardIsMissed(t *testing.T) {
	config := func(board string, lamps ...string) *Config {
		cfg := &Config{}
		for _, name := range lamps {
			cfg.Lamps = append(cfg.Lamps, LampConfig{Name: name, Device: board})
		}
		return cfg
	}
	for name, c := range map[string]struct {
		every time.Duration // of the board before
		then  *Config
		hears time.Duration // after that; 0: never
		want  []Kind
	}{
		"never heard":             {time.Minute, config("new", "tank", "salt"), 0, []Kind{Silent}},
		"heard in time":           {time.Minute, config("new", "tank"), 50 * time.Minute, nil},
		"heard late":              {time.Minute, config("new", "tank"), 90 * time.Minute, []Kind{Silent, Returned}},
		"in the place of a slow":  {10 * time.Minute, config("new", "tank"), 3 * time.Hour, nil},
		"another lamp":            {time.Minute, config("new", "salt"), 0, nil},
		"nothing known of before": {0, config("new", "tank"), 0, nil},
	} {
		m, at := New(), epoch
		m.Step(Input{At: at, Kind: InConfig, Config: config("old", "tank")})
		m.Step(Input{At: at, Kind: InStart})
		for range 100 {
			if c.every == 0 {
				break
			}
			at = at.Add(c.every)
			m.Step(Input{At: at, Kind: InReading, Lamp: "tank", Value: 300})
		}
		m.Step(Input{At: at, Kind: InStop})
		m.Step(Input{At: at, Kind: InConfig, Config: c.then})
		m.Step(Input{At: at, Kind: InStart})
		var got []Event
		changed := at
		for end := at.Add(5 * time.Hour); at.Before(end); at = at.Add(time.Minute) {
			parts, err := m.Snapshot()
			require.NoError(t, err)
			m, err = Restore(parts)
			require.NoError(t, err)
			in := Input{At: at, Kind: InTick}
			if at.Sub(changed) == c.hears && c.hears > 0 {
				in = Input{At: at, Kind: InReading, Lamp: "tank", Value: 300}
			}
			got = append(got, m.Step(in)...)
		}
		require.Equal(t, len(c.want), len(got), name)
		if len(c.want) > 0 {
			require.Equal(t, c.want, kinds(got), name)
		}
		if len(got) > 0 {
			assert.Equal(t, "new has not reported yet", got[0].Text, name)
			assert.Contains(t, got[0].Why, "reads what another board read before, and no report of it has come within 60 min", name)
			assert.Equal(t, changed.Add(time.Hour), got[0].At, name)
		}
	}
}

func TestAnew(t *testing.T) {
	reading := func(i int, v float64) Input {
		return Input{At: epoch.Add(time.Duration(i) * time.Minute), Kind: InReading, Lamp: "tank", Value: v}
	}
	start := func() *Machine {
		cfg := cellar()
		m := New()
		m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
		return m
	}
	rng := rand.New(rand.NewPCG(1, 2))
	var log []Input
	for i := range 500 {
		log = append(log, reading(i, 200+math.Round(380*float64(i/100%2)+4*rng.NormFloat64())))
	}
	log = append(log, Input{At: epoch.Add(500 * time.Minute), Kind: InTeach, Lamp: "tank", Word: Anew, By: "ann"})
	m, again := start(), start()
	var got []Event
	for _, in := range log {
		got = append(got, m.Step(in)...)
		again.Relearn(in)
	}
	require.NotEmpty(t, got)
	e := got[len(got)-1]
	assert.Equal(t, Unlearned, e.Kind)
	assert.Equal(t, "ann", e.By)
	assert.Equal(t, "tank: learning the lamp anew", e.Text)
	assert.Contains(t, e.Why, "mounted, moved or changed")
	assert.Equal(t, QuietAsked, e.Quiet, "who did it knows, as with what is acknowledged")
	l := func(m *Machine) *learn.Learner { return m.lamps[m.lampAt["tank"]].learner }
	assert.Equal(t, learn.Learning, l(m).Verdict().State)
	want, err := l(m).MarshalBinary()
	require.NoError(t, err)
	snap, err := l(again).MarshalBinary()
	require.NoError(t, err)
	assert.Equal(t, want, snap)
	assert.Empty(t, m.Step(log[len(log)-1]), "nothing more to take back")

	m, got = start(), nil
	for i := range 30 {
		got = append(got, m.Step(reading(i, 900+float64(i%3)))...)
	}
	for i := range 15 {
		got = append(got, m.Step(reading(30+i, 200+float64(i%3)))...)
	}
	require.Len(t, got, 1, "a hand over the sensor passes for a change")
	for i, v := range []float64{640, 50, 980, 300, 300, 301, 299, 300} {
		got = append(got, m.Step(reading(45+i, v))...)
	}
	require.Len(t, got, 2)
	assert.Equal(t, Unlearned, got[1].Kind)
	assert.Contains(t, got[1].Why, "wires, aims or mounts")
}

// The same state gives the same snapshot, and a snapshot restores all of it.
func TestSnapshot(t *testing.T) {
	log := history(t, 5, 3000)
	m := New()
	for _, l := range log {
		m.Step(l.in)
	}
	a, err := m.Snapshot()
	require.NoError(t, err)
	restored, err := Restore(a)
	require.NoError(t, err)
	b, err := restored.Snapshot()
	require.NoError(t, err)
	assert.Equal(t, a, b)
	for _, p := range a {
		assert.Less(t, len(p.Data), 8<<10, p.Key)
	}

	// A part that cannot be written ends it, and is told.
	for n := range a {
		full, had := errors.New("disk full"), 0
		err := m.EachPart(func(Part) error {
			if had++; had > n {
				return full
			}
			return nil
		})
		require.ErrorIs(t, err, full, a[n].Key)
		require.Equal(t, n+1, had, a[n].Key)
	}

	// Nothing of a part is kept: its bytes may be used again.
	var r Restorer
	for _, p := range a {
		data := bytes.Clone(p.Data)
		require.NoError(t, r.Add(Part{p.Key, data}))
		for i := range data {
			data[i] = 'x'
		}
	}
	restored, err = r.Machine()
	require.NoError(t, err)
	b, err = restored.Snapshot()
	require.NoError(t, err)
	assert.Equal(t, a, b)

	_, err = Restore(a[:len(a)-1])
	assert.ErrorContains(t, err, "missing")
	_, err = Restore(nil)
	assert.ErrorContains(t, err, `"machine" is missing`)
	_, err = Restore(a[1:])
	assert.ErrorContains(t, err, "must come first")
	a[2].Data = []byte("rubbish")
	_, err = Restore(a)
	assert.ErrorContains(t, err, a[2].Key)
}

// Deadlines in the past are fired before the input, each at its own time, and
// a start fires none.
func TestDeadlinesFireFirst(t *testing.T) {
	feed := func(m *Machine) time.Time {
		cfg := Config{Lamps: []LampConfig{{Name: "tank"}},
			Devices: []DeviceConfig{{Name: "tank", ReportEvery: time.Minute, SilentAfter: 10 * time.Minute}}}
		m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
		m.Step(Input{At: epoch, Kind: InStart})
		at := epoch
		for range 60 {
			at = at.Add(time.Minute)
			m.Step(Input{At: at, Kind: InReading, Lamp: "tank", Value: 200})
		}
		return at
	}
	m := New()
	last := feed(m)
	events := m.Step(Input{At: last.Add(time.Hour), Kind: InReading, Lamp: "tank", Value: 200})
	require.Len(t, events, 2)
	assert.Equal(t, Silent, events[0].Kind)
	assert.Equal(t, last.Add(10*time.Minute), events[0].At)
	assert.Equal(t, Returned, events[1].Kind)

	m = New()
	last = feed(m)
	events = m.Step(Input{At: last.Add(time.Hour), Kind: InStart})
	require.Len(t, events, 1)
	assert.Equal(t, Downtime, events[0].Kind, "an hour of downtime is told, and no device blamed")
	assert.Equal(t, last, events[0].Since)
	at, ok := m.Next()
	require.True(t, ok)
	assert.Equal(t, last.Add(time.Hour+10*time.Minute), at, "the wait begins anew")
}

// Inputs nobody can place change nothing; time never runs backward.
func TestOddInputs(t *testing.T) {
	m := New()
	cfg := cellar()
	m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
	m.Step(Input{At: epoch.Add(time.Hour), Kind: InStart})
	before, err := m.Snapshot()
	require.NoError(t, err)
	for _, in := range []Input{
		{Kind: InReading, Lamp: "nowhere", Value: 1},
		{Kind: InTeach, Lamp: "tank", Word: "purple"},
		{Kind: InLink, Device: "nobody", Word: LinkLost},
		{Kind: InAck, Lamp: "nowhere"},
		{Kind: InConfig},
		{Kind: InConfig, Config: &cfg}, // the same again
		{Kind: "unheard of"},
		{},
	} {
		assert.Empty(t, m.Step(in), "%+v", in)
	}
	after, err := m.Snapshot()
	require.NoError(t, err)
	assert.Equal(t, before, after)
	assert.Equal(t, epoch.Add(time.Hour), m.At())
}

// The alert of a board, and that of a lamp, is reminded of until somebody
// acknowledges that one, by its own name.
func TestAckStopsReminders(t *testing.T) {
	board := newHouse(t, 7_004_500, Config{Alarm: AlarmConfig{RemindEvery: 24 * time.Hour}}, time.Minute)
	board.run(24 * time.Hour)
	board.boards[0].dead = true
	lamp := lampHouse(t, 7_004_501, time.Minute)
	runWith(lamp, 24*time.Hour, time.Minute) // and from then on no value
	for _, c := range []struct {
		h       *house
		ack     Input
		begins  Kind
		another Input
	}{
		{board, Input{Kind: InAck, Device: "board1", By: "ann"}, Silent, Input{Kind: InAck, Device: "board2", By: "ann"}},
		{lamp, Input{Kind: InAck, Lamp: "lamp1", By: "ann"}, Fault, Input{Kind: InAck, Device: "board1", By: "ann"}},
	} {
		require.Equal(t, []Kind{c.begins, Reminder}, kinds(c.h.run(36*time.Hour)))
		assert.Empty(t, c.h.step(c.another))
		require.Equal(t, []Kind{Reminder}, kinds(c.h.run(24*time.Hour)))
		got := c.h.step(c.ack)
		require.Equal(t, []Kind{Acknowledged}, kinds(got))
		assert.Equal(t, "ann", got[0].By)
		assert.Empty(t, c.h.run(72*time.Hour))
	}
}

// Arbitrary inputs never panic, and never make time run backward.
func FuzzStep(f *testing.F) {
	f.Add([]byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13}, int64(60_000), 200.0)
	f.Fuzz(func(t *testing.T, script []byte, gap int64, value float64) {
		kinds := []InputKind{InReading, InTick, InStart, InStop, InConfig, InLink, InUplink, InTeach, InBattery, InAck, InShelve, InService}
		words := []string{"", "up", "down", "lost", "lit", "dark", "in", "out"}
		m := New()
		cfg := cellar()
		for i := range cfg.Devices {
			cfg.Devices[i].Battery.InPercent = len(script)%2 == 1
		}
		m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
		at := epoch
		for i, b := range script {
			at = at.Add(time.Duration(gap%86_400_000) * time.Millisecond)
			in := Input{
				At: at, Kind: kinds[int(b)%len(kinds)], Word: words[int(b/16)%len(words)],
				Lamp: cfg.Lamps[i%3].Name, Value: value * float64(i%3), For: time.Duration(gap),
			}
			if b&1 == 1 {
				in.Lamp, in.Device = "", "tank-board"
			}
			if value != value || value > 1e12 || value < -1e12 {
				in.Value = 0 // the daemon lets only finite readings in
			}
			if b&2 == 2 {
				in.Volts, in.RSSI = &in.Value, &in.Value
			}
			was := m.At()
			for _, e := range m.Step(in) {
				require.False(t, e.Confidence < 0 || e.Confidence > 1)
				_, err := json.Marshal(e)
				require.NoError(t, err)
			}
			require.False(t, m.At().Before(was))
		}
		parts, err := m.Snapshot()
		require.NoError(t, err)
		_, err = Restore(parts)
		require.NoError(t, err)
	})
}

func BenchmarkStep(b *testing.B) {
	m := New()
	cfg := cellar()
	m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
	at := epoch
	rng := rand.New(rand.NewPCG(1, 2))
	values := make([]float64, 1024)
	for i := range values {
		values[i] = float64(int(200 + 6*rng.NormFloat64()))
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		at = at.Add(time.Minute)
		m.Step(Input{At: at, Kind: InReading, Lamp: "tank", Value: values[i%len(values)]})
	}
}

// While a lamp is lit the configuration makes dark its alert: nobody is reminded of
// what is as it should be.
func TestDarkBecomesTheAlert(t *testing.T) {
	cfg := AlarmConfig{RemindEvery: time.Hour}
	m := New()
	c := Config{Lamps: []LampConfig{{Name: "salt"}}, Devices: []DeviceConfig{{Name: "salt", SilentAfter: 24 * time.Hour}}, Alarm: cfg}
	m.Step(Input{At: epoch, Kind: InConfig, Config: &c})
	m.Step(Input{At: epoch, Kind: InStart})
	m.Step(Input{At: epoch, Kind: InTeach, Lamp: "salt", Word: "dark"})
	at := epoch
	for i := range 60 {
		at = at.Add(time.Minute)
		m.Step(Input{At: at, Kind: InReading, Lamp: "salt", Value: 200 + float64(i%5) + 400*float64(i/50)})
	}
	s, _ := m.LampAlarm("salt")
	require.Equal(t, AlarmUnacknowledged, s.State)
	d := c
	d.Alarm.DarkIsAlarm = []string{"salt"}
	m.Step(Input{At: at, Kind: InConfig, Config: &d})
	m.Step(Input{At: at, Kind: InStart})
	assert.Empty(t, m.Step(Input{At: at.Add(3 * time.Hour), Kind: InTick}), "lit is as it should be now")
}

// The configuration was changed while lampward was down: the input that says so
// comes before the start, and blames nobody either.
func TestConfigChangedWhileDown(t *testing.T) {
	h := newHouse(t, 7_004_000, Config{}, everyMinute(2)...)
	h.run(24 * time.Hour)
	last := h.m.At()
	parts, err := h.m.Snapshot()
	require.NoError(t, err)
	h.m, err = Restore(parts)
	require.NoError(t, err)
	h.now = h.now.Add(10 * time.Hour)
	cfg := h.m.Config()
	cfg.Alarm.RemindEvery = time.Hour
	assert.Empty(t, h.step(Input{Kind: InConfig, Config: &cfg}))
	got := h.step(Input{Kind: InStart})
	require.Equal(t, []Kind{Downtime}, kinds(got))
	assert.Equal(t, last, got[0].Since)
	h.all(func(b *board) { b.next = h.now.Add(time.Minute) })
	assert.Empty(t, h.run(time.Hour))
}

// Other news in the same number is a difference too, and stands.
func TestReplayComparesTheNews(t *testing.T) {
	m := New()
	for _, l := range history(t, 5, 3000) {
		parts, err := m.Snapshot()
		require.NoError(t, err)
		told := slices.Clone(m.Step(l.in))
		at := slices.IndexFunc(told, func(e Event) bool { return e.Kind == Lit })
		if at < 0 {
			continue
		}
		for _, change := range []func(*Event){func(*Event) {}, func(e *Event) { e.Kind = Learned }, func(e *Event) { e.State = "dark" }} {
			other := slices.Clone(told)
			change(&other[at])
			again, err := Restore(parts)
			require.NoError(t, err)
			got, same := again.Replay(l.in, other)
			assert.Equal(t, other[at].Kind == Lit && other[at].State == "lit", same)
			assert.Equal(t, []string{string(other[at].Kind), other[at].State}, []string{string(got[at].Kind), got[at].State})
		}
		return
	}
	require.Fail(t, "no lamp was ever lit")
}

// What an older version told after its last snapshot stands, whatever this one
// makes of the same readings: the next start tells how the lamp shows, if that is
// otherwise, once, also if the start after it replays the same again. So it is
// with a version whose learned state is of the same form.
func TestReplayTellsTheDifference(t *testing.T) {
	cfg := cellar()
	begin := epoch.Add(3000 * time.Minute)
	reading := func(rng *rand.Rand, i int, lit bool) Input {
		in := Input{At: epoch.Add(time.Duration(i) * time.Minute), Kind: InReading, Lamp: "tank", Value: 300 + 6*rng.NormFloat64()}
		if lit {
			in.Value += 80
		}
		return in
	}
	news := func(k Kind, at int) Event {
		return Event{At: begin.Add(time.Duration(at) * time.Minute), Kind: k, Lamp: "tank", State: string(k), Text: "tank is " + string(k), Why: "as told", Confidence: 1}
	}
	for name, c := range map[string]struct {
		lit  [2]int // minutes of the tail in which the lamp is lit
		told []Event
		want []Kind
	}{
		"lit, and nobody was told":      {[2]int{10, 40}, nil, []Kind{Lit}},
		"lit, told later":               {[2]int{10, 40}, []Event{news(Lit, 30)}, nil},
		"lit, told earlier":             {[2]int{10, 40}, []Event{news(Lit, 5)}, nil},
		"never lit, and told so":        {[2]int{40, 40}, []Event{news(Lit, 20)}, []Kind{Dark}},
		"dark again, which nobody told": {[2]int{5, 20}, []Event{news(Lit, 8)}, []Kind{Dark}},
		"lit and dark, both told":       {[2]int{5, 20}, []Event{news(Lit, 8), news(Dark, 30)}, nil},
		"nothing happened":              {[2]int{40, 40}, nil, nil},
	} {
		for _, stale := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s, another form %v", name, stale), func(t *testing.T) {
				// restored is the machine of the snapshot.
				restored := func() *Machine {
					rng := rand.New(rand.NewPCG(8, 2))
					m := New()
					m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
					var log []Input
					for i := range 3000 {
						log = append(log, reading(rng, i, (i/200)%2 == 1 && i < 2800))
						m.Step(log[i])
					}
					if !stale {
						return m
					}
					m = ofOldVersion(t, m, "tank")
					for _, in := range log {
						m.Relearn(in)
					}
					return m
				}
				tail := func(m *Machine) (differs int) {
					rng := rand.New(rand.NewPCG(3, 4))
					for i := range 40 {
						var told []Event
						for _, e := range c.told {
							if e.At.Equal(begin.Add(time.Duration(i) * time.Minute)) {
								told = append(told, e)
							}
						}
						got, same := m.Replay(reading(rng, 3000+i, i >= c.lit[0] && i < c.lit[1]), told)
						assert.Equal(t, encode(t, told), encode(t, got), "what was told stands")
						if !same {
							differs++
						}
						if i == 35 { // the older version found its disk full, say
							start := Input{At: begin.Add(time.Duration(i) * time.Minute), Kind: InStart}
							if got, same := m.Replay(start, nil); !same {
								differs++
							} else {
								assert.Empty(t, got)
							}
						}
					}
					return differs
				}
				m := restored()
				if differs := tail(m); stale {
					assert.Zero(t, differs, "it is known of a lamp that is learned anew")
				} else {
					assert.Equal(t, name != "nothing happened", differs == 1, "it begins once")
				}
				start := Input{At: begin.Add(time.Hour), Kind: InStart}
				first := append([]Event(nil), m.Step(start)...)
				var got []Kind
				for _, e := range first {
					if e.Lamp != "" {
						got = append(got, e.Kind)
					}
				}
				assert.Equal(t, c.want, got)
				for _, e := range m.Step(Input{At: begin.Add(2 * time.Hour), Kind: InStart}) {
					assert.Empty(t, e.Lamp, "told once")
				}

				m = restored()
				tail(m)
				again, _ := m.Replay(start, first)
				assert.Equal(t, encode(t, first), encode(t, again))
				for _, e := range m.Step(Input{At: begin.Add(2 * time.Hour), Kind: InStart}) {
					assert.Empty(t, e.Lamp, "told before")
				}
			})
		}
	}
}
