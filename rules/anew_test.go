package rules

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules/learn"
)

// minutely feeds readings of a lamp, one a minute, and returns the events.
type minutely struct {
	m   *Machine
	at  time.Time
	n   int
	log []Input
}

func (f *minutely) read(v float64) []Event {
	f.at = f.at.Add(time.Minute)
	in := Input{At: f.at, Kind: InReading, Lamp: "tank", Value: v}
	f.log = append(f.log, in)
	return f.m.Step(in)
}

func (f *minutely) stay(n int, level float64) (out []Event) {
	for range n {
		f.n++
		out = append(out, f.read(level+float64(f.n*5%11))...)
	}
	return out
}

// frozen feeds the very same number for n minutes.
func (f *minutely) frozen(n int, v float64) (out []Event) {
	for range n {
		out = append(out, f.read(v)...)
	}
	return out
}

func (f *minutely) configure(change func(*learn.Config)) []Event {
	c := f.m.Config()
	c.Lamps = append([]LampConfig(nil), c.Lamps...)
	change(&c.Lamps[0].Learn)
	out := append([]Event(nil), f.m.Step(Input{At: f.at, Kind: InConfig, Config: &c, By: "ann"})...)
	return append(out, f.m.Step(Input{At: f.at, Kind: InStart})...)
}

// litTank is a tank whose lamp was told lit.
func litTank(t *testing.T) *minutely {
	f := &minutely{m: New(), at: epoch}
	c := Config{Lamps: []LampConfig{{Name: "tank"}}, Alarm: AlarmConfig{RemindEvery: time.Hour}}
	f.m.Step(Input{At: epoch, Kind: InConfig, Config: &c})
	f.m.Step(Input{At: epoch, Kind: InStart})
	for range 3 {
		f.stay(100, 200)
		f.stay(100, 580)
	}
	s, _ := f.m.LampState("tank")
	require.Equal(t, learn.Lit, s)
	return f
}

func (f *minutely) alarm() conditions { return f.m.alarms[0].s.Conds }

// agree checks that the alarm stands for what the learner says.
func (f *minutely) agree(t *testing.T) {
	v := f.m.lamps[0].learner.Verdict()
	assert.Equal(t, v.State == learn.Lit || v.State == learn.Blinking, f.alarm()&condLamp != 0, "%+v", v)
	assert.Equal(t, v.Fault != learn.NoFault, f.alarm()&condFault != 0, "%+v", v)
}

// Which way a lamp reads is corrected in the configuration, as the manual says:
// what was told by the wrong one is over, as when a person has the lamp learned
// anew, and so are the reminders.
func TestLitReadsCorrected(t *testing.T) {
	lower := func(c *learn.Config) { c.LitLower = true }
	f := litTank(t)
	got := f.configure(lower)
	require.Equal(t, []Kind{Unlearned}, kinds(got))
	assert.Equal(t, "ann", got[0].By)
	assert.Equal(t, QuietAsked, got[0].Quiet, "who did it knows")
	assert.Contains(t, got[0].Why, "configuration")
	f.agree(t)
	assert.Empty(t, f.m.Step(Input{At: f.at.Add(7 * time.Minute), Kind: InTick}))
	assert.NotContains(t, kinds(f.stay(180, 580)), Reminder)

	f = litTank(t)
	require.Equal(t, []Kind{Reminder, Fault}, kinds(f.frozen(80, 583)))
	assert.Equal(t, []Kind{Unlearned, FaultOver}, kinds(f.configure(lower)))
	f.agree(t)
	assert.NotContains(t, kinds(f.stay(180, 580)), Reminder)

	f = litTank(t)
	assert.Empty(t, f.configure(func(c *learn.Config) { c.OnDelay = time.Minute }), "the control")
	assert.Contains(t, kinds(f.stay(180, 580)), Reminder)
}

// Where a lamp is learned anew because somebody said so, nothing has shown that its
// sensor works again.
func TestFaultForgotten(t *testing.T) {
	lower := func(c *learn.Config) { c.LitLower = true }
	for name, anew := range map[string]func(*minutely) []Event{
		"taught":     func(f *minutely) []Event { return f.m.Step(Input{At: f.at, Kind: InTeach, Lamp: "tank", Word: Anew}) },
		"configured": func(f *minutely) []Event { return f.configure(lower) },
	} {
		f := litTank(t)
		f.frozen(80, 583)
		got := anew(f)
		require.Equal(t, []Kind{Unlearned, FaultOver}, kinds(got), name)
		assert.Equal(t, "tank: the sensor is watched anew", got[1].Text, name)
		assert.Contains(t, got[1].Why, "if it lasts, it is told again", name)
	}
	f := litTank(t)
	f.frozen(80, 583)
	got := f.stay(80, 580)
	require.Contains(t, kinds(got), FaultOver, "the control")
	for _, e := range got {
		if e.Kind == FaultOver {
			assert.Equal(t, "tank: the sensor works again", e.Text)
		}
	}
}

// Levels that are set by hand, changed, and taken away: the alarm follows what
// the lamp is taken for.
func TestLevelsByHandAndTheAlarm(t *testing.T) {
	by := func(on, off float64) func(*learn.Config) {
		return func(c *learn.Config) { c.Manual = learn.Levels{OnAbove: on, OffBelow: off} }
	}
	for name, level := range map[string]float64{"lit": 580, "dark": 200} {
		for _, on := range []float64{400, 700, 100} {
			f := litTank(t)
			f.stay(30, level)
			f.configure(by(on, on-20))
			f.stay(30, level)
			f.agree(t)
			f.configure(by(450, 440))
			f.stay(30, level)
			f.agree(t)
			f.configure(by(0, 0))
			f.agree(t)
			f.stay(100, 200)
			f.agree(t)
			f.stay(100, 580)
			f.agree(t)
			s, _ := f.m.LampState("tank")
			assert.Equal(t, learn.Lit, s, "%s, %v", name, on)
		}
	}
	f := litTank(t)
	f.frozen(80, 583)
	f.configure(by(700, 680))
	f.agree(t)
	f.stay(5, 580)
	f.agree(t)
}

// After an upgrade that learns anew the alarm stands for the fault that is, not
// for the one that was; a lamp of which no reading is stored is not known.
func TestRelearnSettlesTheFault(t *testing.T) {
	run := func(t *testing.T, was, is func(*minutely)) (got []Event, f *minutely) {
		live := litTank(t)
		was(live)
		f = &minutely{m: ofOldVersion(t, live.m, "tank"), at: live.at.Add(time.Minute)}
		if is != nil {
			seen := litTank(t)
			is(seen)
			for _, in := range seen.log {
				f.m.Relearn(in)
			}
		}
		for range 2 {
			got = append(got, f.m.Step(Input{At: f.at, Kind: InStart})...)
		}
		f.agree(t)
		return got, f
	}
	well := func(f *minutely) { f.stay(80, 580) }
	frozen := func(f *minutely) { f.frozen(80, 583) }
	for name, c := range map[string]struct {
		was, is func(*minutely)
		want    []Kind
	}{
		"well as before":    {well, well, []Kind{}},
		"frozen as before":  {frozen, frozen, []Kind{}},
		"no fault any more": {frozen, well, []Kind{FaultOver}},
		"a fault":           {well, frozen, []Kind{Fault}},
		"a fault, and dark": {well, func(f *minutely) { f.stay(20, 200); f.frozen(80, 203) }, []Kind{Dark, Fault}},
		"nothing is stored": {frozen, nil, []Kind{Unlearned, FaultOver}},
	} {
		t.Run(name, func(t *testing.T) {
			got, f := run(t, c.was, c.is)
			assert.Equal(t, c.want, kinds(got))
			if c.is == nil {
				assert.Contains(t, got[0].Why, "This version")
			}
			if f.alarm() == 0 {
				assert.Empty(t, f.m.Step(Input{At: f.at.Add(4 * time.Minute), Kind: InTick}))
			}
		})
	}
}

// A lamp that is not in the configuration any more has no state, which is history
// and no message; of one of which nothing was known there is nothing to say.
func TestLampThatIsGone(t *testing.T) {
	cfg := cellar()
	m := New()
	m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
	at := epoch
	for i := range 900 {
		at = at.Add(time.Minute)
		for _, lamp := range []string{"tank", "salt"} {
			in := Input{At: at, Kind: InReading, Lamp: lamp, Value: float64(200 + i%7)}
			if lamp == "tank" && i/100%2 == 1 {
				in.Value += 300
			}
			m.Step(in)
		}
	}
	none := cfg
	none.Lamps = nil
	at = at.Add(time.Minute)
	out := m.Step(Input{At: at, Kind: InConfig, Config: &none, By: "ann"})
	require.Len(t, out, 1)
	require.Equal(t, []any{Unlearned, "tank", "learning", QuietAsked, "ann", at}, []any{out[0].Kind, out[0].Lamp, out[0].State, out[0].Quiet, out[0].By, out[0].At})
	require.Empty(t, m.Step(Input{At: at, Kind: InConfig, Config: &none}), "once")
	require.Empty(t, m.Step(Input{At: at, Kind: InConfig, Config: &cfg}))
	s, _ := m.LampState("tank")
	require.Equal(t, learn.Learning, s)
}

// That the board proves to smooth, or does not any more, is no fault of the lamp's: it is
// said as it is. A lamp that is known as it reads is kept, if the smoothing leaves it so.
func TestBoardProvesToSmooth(t *testing.T) {
	for share, forgotten := range map[float64]bool{0.3: false, 0.08: true} {
		f := litTank(t)
		r, y := rand.New(rand.NewPCG(1, 2)), 200.0
		told := map[bool][]Event{}
		feed := func(share, level float64, n int) {
			for range n {
				y += share * (level + 6*r.NormFloat64() - y)
				for _, e := range f.read(math.Round(y)) {
					if e.Kind == Unlearned {
						told[share < 1] = append(told[share < 1], e)
					}
				}
			}
		}
		for _, share := range []float64{share, 1} {
			for i := range 60 {
				feed(share, []float64{200, 580}[i%2], 60)
			}
		}
		if !forgotten {
			require.Empty(t, told, share)
			continue
		}
		require.Len(t, told[true], 1, share)
		assert.Equal(t, "tank: learning the lamp anew", told[true][0].Text)
		assert.Contains(t, told[true][0].Why, "running mean")
		require.NotEmpty(t, told[false], share)
		assert.Contains(t, told[false][len(told[false])-1].Why, "does not smooth its readings any more")
	}
}
