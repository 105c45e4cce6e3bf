package rules

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// crowd is a house of seven boards, one with two lamps, of different cadences.
func crowd() Config {
	cfg := Config{Alarm: AlarmConfig{RemindEvery: 3 * time.Hour, EscalateAfter: time.Hour, ChatterCount: 5}}
	for i := range 7 {
		d := DeviceConfig{Name: fmt.Sprint("board", i)}
		if i%2 == 0 {
			d.Battery = BatteryConfig{Chemistry: "lithium_ion", CapacityMAh: 2500, CurrentMA: 5}
		}
		cfg.Devices = append(cfg.Devices, d)
	}
	cfg.Lamps = []LampConfig{{Name: "tank", Device: "board0"}, {Name: "salt", Device: "board0"}, {Name: "freezer", Device: "board1"}}
	return cfg
}

// crowdInputs are random days of that house: boards that die and come back, alone
// and together, and what people and connections do.
func crowdInputs(seed uint64, days int) (ins []Input) {
	rng := rand.New(rand.NewPCG(seed, 6))
	cfg := crowd()
	now := epoch
	put := func(in Input) { in.At = now; ins = append(ins, in) }
	put(Input{Kind: InConfig, Config: &cfg})
	put(Input{Kind: InStart})
	every := []time.Duration{20 * time.Second, time.Minute, time.Minute, time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute}
	next := make([]time.Time, len(every))
	back := make([]time.Time, len(every)) // not heard before
	lit := map[string]bool{}
	volts := 4.1
	for i := range next {
		next[i] = now.Add(time.Duration(rng.Int64N(int64(every[i]))))
	}
	for now.Before(epoch.Add(time.Duration(days) * 24 * time.Hour)) {
		i := 0
		for j := range next {
			if next[j].Before(next[i]) {
				i = j
			}
		}
		now = next[i].Truncate(time.Millisecond)
		next[i] = next[i].Add(every[i] + time.Duration(rng.NormFloat64()*float64(every[i])/50))
		switch n := rng.IntN(4000); {
		case n < 12: // some at once
			for j := range back {
				if rng.IntN(2) == 0 {
					back[j] = now.Add(time.Duration(rng.IntN(240)) * time.Minute)
				}
			}
		case n < 13:
			back[rng.IntN(len(back))] = now.Add(time.Duration(rng.IntN(300)) * time.Minute)
		case n < 14:
			lamp := cfg.Lamps[rng.IntN(3)].Name
			lit[lamp] = !lit[lamp]
		case n < 17:
			put(Input{Kind: InUplink, Word: []string{UplinkUp, UplinkUp, UplinkDown}[rng.IntN(3)]})
		case n < 20:
			put(Input{Kind: InLink, Device: cfg.Devices[rng.IntN(7)].Name, Word: []string{LinkUp, LinkLost, LinkClosed}[rng.IntN(3)], Was: now})
		case n < 22:
			put(Input{Kind: InAck, Device: cfg.Devices[rng.IntN(7)].Name})
		case n < 23:
			put(Input{Kind: InShelve, Device: cfg.Devices[rng.IntN(7)].Name, For: time.Hour})
		case n < 24:
			put(Input{Kind: InBattery, Device: cfg.Devices[rng.IntN(7)].Name})
		case n < 25:
			now = now.Add(time.Duration(rng.IntN(60)) * time.Minute)
			put(Input{Kind: InStart})
		case n < 26:
			changed := crowd()
			changed.Devices = changed.Devices[:5+rng.IntN(3)]
			put(Input{Kind: InConfig, Config: &changed})
			put(Input{Kind: InStart})
		case n < 28:
			volts = 3.2 + 0.9*rng.Float64()
		case n < 30:
			put(Input{Kind: InTeach, Lamp: "tank", Word: []string{"lit", "dark"}[rng.IntN(2)]})
		}
		if now.Before(back[i]) {
			continue
		}
		in := Input{Kind: InReading, Device: cfg.Devices[i].Name}
		if i%2 == 0 {
			volts -= 0.0001
			in.Volts = f64(volts + 0.01*rng.NormFloat64())
			in.RSSI = f64(-70 - 20*rng.Float64())
		}
		said := false
		for _, l := range cfg.Lamps {
			if l.Device == in.Device {
				in.Lamp, in.Value = l.Name, float64(int(200+6*rng.NormFloat64()))
				if lit[l.Name] {
					in.Value += 300
				}
				put(in)
				in.Volts, in.RSSI, said = nil, nil, true
			}
		}
		if !said {
			put(in)
		}
	}
	return ins
}

// A Machine that is made anew of its snapshot, wherever between two inputs,
// goes on as the one that never was.
func TestRestoreAnywhere(t *testing.T) {
	count := map[Kind]int{}
	for seed := uint64(40); seed < 52; seed++ {
		rng := rand.New(rand.NewPCG(seed, 9))
		live, again := New(), New()
		for i, in := range crowdInputs(seed, 3) {
			want := encode(t, live.Step(in))
			for _, e := range live.out {
				require.NotEqual(t, NoValue, e.State, "a board that is away lacks no value: seed %d, input %d %+v", seed, i, e)
				count[e.Kind]++
			}
			require.Equal(t, want, encode(t, again.Step(in)), "seed %d, input %d %+v", seed, i, in)
			if rng.IntN(300) == 0 {
				parts, err := again.Snapshot()
				require.NoError(t, err)
				whole, err := live.Snapshot()
				require.NoError(t, err)
				require.Equal(t, whole, parts, "seed %d, input %d", seed, i)
				again, err = Restore(parts)
				require.NoError(t, err)
			}
		}
	}
	t.Log(count)
	for _, k := range []Kind{Lit, Dark, Silent, Returned, ManySilent, ManyReturned, BatteryLow, BatteryNew, Reminder, Escalated, Downtime} {
		require.NotZero(t, count[k], "the histories must contain %s, else they prove little", k)
	}
}

// A Machine that is ticked at each deadline gives the same events as one that is not,
// and hears of the time with the next input only.
func TestTicksDecideNothing(t *testing.T) {
	late := 0
	for seed := uint64(60); seed < 66; seed++ {
		ticked, left := New(), New()
		var want, got []string
		for i, in := range crowdInputs(seed, 3) {
			if in.Kind == InReading && i/3000%2 == 1 {
				continue // nobody reports
			}
			for in.Kind != InStart && in.Kind != InConfig {
				at, ok := ticked.Next()
				if !ok || !at.Before(in.At) {
					break
				}
				want = append(want, encode(t, ticked.Step(Input{Kind: InTick, At: at}))...)
			}
			want = append(want, encode(t, ticked.Step(in))...)
			events := encode(t, left.Step(in))
			if len(events) > 1 {
				late++
			}
			got = append(got, events...)
			require.Equal(t, want, got, "seed %d, input %d %+v", seed, i, in)
			want, got = want[:0], got[:0]
		}
	}
	require.NotZero(t, late, "else this proves little")
}

// The alert of a silent board ends when the board reports, whether it was told by
// itself, with others, or both.
func TestSilentAlertEnds(t *testing.T) {
	for seed := range uint64(12) {
		m := New()
		for i, in := range crowdInputs(seed, 3) {
			m.Step(in)
			for j, d := range m.devices {
				if a := m.alarms[len(m.lamps)+j]; a.s.Conds&condSilent != 0 && !d.silent {
					require.Fail(t, "reports, and its alert goes on", "seed %d, input %d, %s", seed, i, d.cfg.Name)
				}
			}
		}
	}
}

// What a person believes of each board, who hears no more than the alerts, is
// what is so: silent is who was told silent, and nobody else once the outages
// are over.
func TestBelief(t *testing.T) {
	told := 0
	for seed := range uint64(12) {
		m := New()
		silent, many := map[string]bool{}, map[string]bool{} // many: told with others
		for i, in := range crowdInputs(seed, 3) {
			names := func(text string) (out []string) {
				for _, d := range m.devices {
					if strings.Contains(text, d.cfg.Name) {
						out = append(out, d.cfg.Name)
					}
				}
				return out
			}
			for _, e := range m.Step(in) {
				told++
				switch e.Kind {
				case Silent:
					require.False(t, silent[e.Device], "seed %d, input %d: told twice: %+v", seed, i, e)
					silent[e.Device] = true
				case Returned:
					require.True(t, silent[e.Device], "seed %d, input %d: %+v", seed, i, e)
					silent[e.Device] = false
				case ManySilent:
					for _, n := range names(e.Text) {
						require.False(t, silent[n], "seed %d, input %d: told twice: %s in %+v", seed, i, n, e)
						silent[n], many[n] = true, true
					}
				case ManyReturned:
					if e.Cause == CauseNetwork {
						continue
					}
					_, missing, _ := strings.Cut(e.Text, "still silent")
					for n := range many {
						silent[n] = false
					}
					clear(many)
					for _, n := range names(missing) {
						silent[n] = true
					}
				}
			}
			for _, d := range m.devices {
				if d.silent && !d.heldBack && !d.folded {
					require.True(t, silent[d.cfg.Name], "seed %d, input %d %+v: %s is silent, and nobody knows", seed, i, in, d.cfg.Name)
				}
				require.False(t, d.heldBack && m.fleet.s.HoldUntil.IsZero(), "seed %d, input %d %+v: %s waits for others, for ever", seed, i, in, d.cfg.Name)
				require.False(t, d.folded && !m.fleet.s.Open, "seed %d, input %d %+v: %s is part of no outage", seed, i, in, d.cfg.Name)
				if !d.silent && !m.fleet.s.Open {
					require.False(t, silent[d.cfg.Name], "seed %d, input %d %+v: %s reports, and nobody knows", seed, i, in, d.cfg.Name)
				}
			}
			if in.Kind == InConfig {
				for n := range silent {
					if _, ok := m.deviceAt[n]; !ok {
						delete(silent, n)
						delete(many, n)
					}
				}
			}
		}
	}
	require.NotZero(t, told)
}
