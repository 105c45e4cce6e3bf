package notify

import (
	"slices"
	"testing"
	"time"
	_ "time/tzdata" // the zones of these tests, wherever they run

	"lampward/rules"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func quiet(t *testing.T, s string) []QuietHours {
	t.Helper()
	q, err := ParseQuietHours(s, time.UTC)
	require.NoError(t, err)
	return []QuietHours{q}
}

// A kind of alert is unreached when each route that takes it fails, and some does.
func TestUnreached(t *testing.T) {
	ann, ben := Policy{Route: "ann"}, Policy{Route: "ben"}
	some := Policy{Route: "some", Kinds: []rules.Kind{rules.Silent, rules.BatteryLow}}
	second := Policy{Route: "second", Escalation: true}
	for name, c := range map[string]struct {
		routes []Policy
		fails  []string
		want   []rules.Kind // some of them
		not    []rules.Kind
		none   bool
	}{
		"none is configured":          {nil, nil, nil, nil, true},
		"both work":                   {[]Policy{ann, ben}, nil, nil, nil, true},
		"one of two":                  {[]Policy{ann, ben}, []string{"ann"}, nil, nil, true},
		"both":                        {[]Policy{ann, ben}, []string{"ann", "ben"}, []rules.Kind{rules.Lit, rules.Silent, rules.Escalated}, []rules.Kind{rules.Test, rules.Acknowledged}, false},
		"one with a few kinds":        {[]Policy{ann, some}, []string{"some"}, nil, nil, true},
		"the one that takes the rest": {[]Policy{ann, some}, []string{"ann"}, []rules.Kind{rules.Lit, rules.Dark}, []rules.Kind{rules.Silent, rules.BatteryLow}, false},
		"what nobody takes":           {[]Policy{some}, nil, nil, nil, true},
		"the second route":            {[]Policy{ann, second}, []string{"second"}, []rules.Kind{rules.Escalated}, []rules.Kind{rules.Lit}, false},
	} {
		got := Unreached(c.routes, func(r string) bool { return slices.Contains(c.fails, r) })
		assert.Subset(t, got, c.want, name)
		assert.Equal(t, c.none, len(got) == 0, name)
		for _, k := range c.not {
			assert.NotContains(t, got, k, name)
		}
	}
}

func TestPlanRoutes(t *testing.T) {
	wall := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
	names := func(e rules.Event, ps ...Policy) (out []string) {
		for _, x := range Plan(e, wall, ps) {
			out = append(out, x.Route)
			assert.Zero(t, x.Delay)
			assert.Equal(t, e.Key(), x.Key)
		}
		return
	}
	all := Policy{Route: "all"}
	some := Policy{Route: "some", Kinds: []rules.Kind{rules.Silent, rules.Escalated}}
	second := Policy{Route: "second", Escalation: true}
	ev := func(k rules.Kind) rules.Event { return rules.Event{Kind: k, Lamp: "tank"} }

	assert.Equal(t, []string{"all"}, names(ev(rules.Lit), all, some, second))
	assert.Equal(t, []string{"all", "some"}, names(ev(rules.Silent), all, some, second))
	assert.Equal(t, []string{"some", "second"}, names(ev(rules.Escalated), all, some, second))
	assert.Equal(t, []string{"all", "some"}, names(ev(rules.Escalated), all, some), "without a second route escalation stays with the first")
	assert.Equal(t, []string{"all", "some", "second"}, names(ev(rules.Test), all, some, second))
	for _, k := range []rules.Kind{rules.Learned, rules.Acknowledged, rules.Shelved, rules.Unshelved, rules.OutOfService, rules.BatteryNew} {
		assert.Empty(t, names(ev(k), all, some, second), k)
	}
	e := ev(rules.Lit)
	e.Quiet = rules.QuietShelved
	assert.Empty(t, names(e, all, some, second))
}

// Quiet hours hold until their end, by the clock on the wall, over midnight,
// weekdays and both changes of summer time. In 2026 Berlin's clocks go forward
// on 29 March at 01:00 UTC (02:00 becomes 03:00) and back on 25 October at
// 01:00 UTC (03:00 becomes 02:00): EU directive 2000/84/EC, from memory.
func TestQuietHours(t *testing.T) {
	const berlin = " Europe/Berlin"
	for _, c := range []struct {
		quiet, at, until string // until is empty if nothing is held
	}{
		{"22:00-07:00", "2026-03-04T21:59:59Z", ""},
		{"22:00-07:00", "2026-03-04T22:00:00Z", "2026-03-05T07:00:00Z"},
		{"22:00-07:00", "2026-03-04T23:12:13Z", "2026-03-05T07:00:00Z"},
		{"22:00-07:00", "2026-03-05T06:59:59.999Z", "2026-03-05T07:00:00Z"},
		{"22:00-07:00", "2026-03-05T07:00:00Z", ""},
		{"12:00-13:00", "2026-03-05T12:30:00Z", "2026-03-05T13:00:00Z"},
		{"22:00-07:00" + berlin, "2026-01-04T20:59:00Z", ""},
		{"22:00-07:00" + berlin, "2026-01-04T21:00:00Z", "2026-01-05T06:00:00Z"},
		{"22:00-07:00" + berlin, "2026-07-04T20:00:00Z", "2026-07-05T05:00:00Z"},
		// The night is an hour shorter, then an hour longer.
		{"22:00-07:00" + berlin, "2026-03-28T21:30:00Z", "2026-03-29T05:00:00Z"},
		{"22:00-07:00" + berlin, "2026-10-24T20:30:00Z", "2026-10-25T06:00:00Z"},
		// The end, 02:30, does not exist on 29 March: it ends at the change.
		{"22:00-02:30" + berlin, "2026-03-28T23:30:00Z", "2026-03-29T01:00:00Z"},
		// 02:30 comes twice on 25 October, and so does 02:10.
		{"22:00-02:30" + berlin, "2026-10-24T23:30:00Z", "2026-10-25T00:30:00Z"},
		{"22:00-02:30" + berlin, "2026-10-25T00:40:00Z", ""},
		{"22:00-02:30" + berlin, "2026-10-25T01:10:00Z", "2026-10-25T01:30:00Z"},
		// Half an hour of summer time, and a zone of 45 minutes.
		{"22:00-07:00 Australia/Lord_Howe", "2026-04-04T12:00:00Z", "2026-04-04T20:30:00Z"},
		{"22:00-07:00 Asia/Kathmandu", "2026-04-04T16:15:00Z", "2026-04-05T01:15:00Z"},
		// Days on which it begins: the small hours of Monday are Sunday's.
		{"sat,sun 22:00-10:00", "2026-03-06T23:00:00Z", ""}, // a Friday
		{"sat,sun 22:00-10:00", "2026-03-07T09:00:00Z", ""},
		{"sat,sun 22:00-10:00", "2026-03-07T23:00:00Z", "2026-03-08T10:00:00Z"},
		{"sat,sun 22:00-10:00", "2026-03-09T09:00:00Z", "2026-03-09T10:00:00Z"},
		{"sat,sun 22:00-10:00", "2026-03-10T09:00:00Z", ""},
		// Never for good.
		{"00:00-00:00", "2026-03-10T09:00:00Z", "2026-03-11T09:00:00Z"},
		// A clock that was never set holds nothing.
		{"22:00-07:00", "1970-01-01T23:00:00Z", ""},
		{"22:00-07:00", "0001-01-01T00:00:00Z", ""},
	} {
		wall, err := time.Parse(time.RFC3339, c.at)
		require.NoError(t, err)
		want := time.Duration(0)
		if c.until != "" {
			until, err := time.Parse(time.RFC3339, c.until)
			require.NoError(t, err)
			want = until.Sub(wall)
		}
		p := Policy{Route: "r", Quiet: quiet(t, c.quiet)}
		got := Plan(rules.Event{Kind: rules.Dark, Lamp: "tank"}, wall, []Policy{p})
		require.Len(t, got, 1)
		assert.Equal(t, want, got[0].Delay, "%s at %s", c.quiet, c.at)
		assert.Equal(t, want > 0, got[0].Key == "held/lamp/tank")
	}
}

func TestQuietHoursBreakThrough(t *testing.T) {
	night := time.Date(2026, 3, 4, 23, 0, 0, 0, time.UTC)
	held := func(p Policy, k rules.Kind) bool {
		p.Route, p.Quiet = "r", quiet(t, "22:00-07:00")
		return Plan(rules.Event{Kind: k, Lamp: "tank"}, night, []Policy{p})[0].Delay > 0
	}
	for k, want := range map[rules.Kind]bool{
		rules.Lit: false, rules.Blinking: false, rules.Escalated: false, rules.Test: false, rules.ManySilent: false,
		rules.Dark: true, rules.Silent: true, rules.Returned: true, rules.Reminder: true, rules.BatteryLow: true,
		rules.Settled: true, rules.Downtime: true, rules.FaultOver: true,
	} {
		assert.Equal(t, want, held(Policy{}, k), k)
	}
	assert.True(t, held(Policy{Through: []rules.Kind{}}, rules.Lit))
	assert.False(t, held(Policy{Through: []rules.Kind{rules.Dark}}, rules.Dark))
	assert.True(t, held(Policy{Through: []rules.Kind{rules.Dark}}, rules.Lit))
	for lamp, dark := range map[string]bool{"tank": true, "salt": false} { // whose dark is the alert
		p := Policy{DarkIsAlarm: []string{lamp}}
		assert.Equal(t, !dark, held(p, rules.Dark), lamp)
		assert.Equal(t, dark, held(p, rules.Lit), lamp)
		assert.False(t, held(p, rules.Blinking), lamp)
		p.Through = []rules.Kind{rules.Lit} // what a person wrote is kept to
		assert.True(t, held(p, rules.Dark), lamp)
	}

	// Several stretches that touch hold until the last of them ends.
	p := Policy{Route: "r", Quiet: append(quiet(t, "22:00-02:00"), quiet(t, "02:00-06:30")...)}
	got := Plan(rules.Event{Kind: rules.Dark}, night, []Policy{p})
	assert.Equal(t, 7*time.Hour+30*time.Minute, got[0].Delay)
}

// However the clock was set meanwhile, nothing is held for more than a day in all. Hours
// without a zone are UTC's.
func TestHoldInAll(t *testing.T) {
	wall := time.Date(2026, 3, 4, 22, 0, 0, 0, time.UTC)
	always := Policy{Route: "r", Quiet: []QuietHours{{}}}
	night := Policy{Route: "r", Quiet: []QuietHours{{From: 22 * 60, To: 7 * 60}}}
	for _, c := range []struct {
		p             Policy
		kind          rules.Kind
		already, want time.Duration
	}{
		{night, rules.Dark, 0, 9 * time.Hour},
		{night, rules.Dark, 20 * time.Hour, 4 * time.Hour},
		{always, rules.Dark, 0, 24 * time.Hour},
		{always, rules.Dark, 23 * time.Hour, time.Hour},
		{always, rules.Dark, 25 * time.Hour, 0},
		{always, rules.Lit, 0, 0},
	} {
		assert.Equal(t, c.want, c.p.Hold(&rules.Event{Kind: c.kind, Lamp: "tank"}, wall, c.already), "%+v", c)
	}
}

func TestParseQuietHoursErrors(t *testing.T) {
	for _, s := range []string{"", "22:00", "22:00-24:00", "22:00-7", "xyz 22:00-07:00", "22:00-07:00 Nowhere/Land", "22:00-07:00 Europe/Berlin x", "mon,"} {
		_, err := ParseQuietHours(s, time.UTC)
		require.ErrorContains(t, err, "write for example", s)
	}
	q, err := ParseQuietHours("Mon,FRI 09:05-17:00", time.UTC)
	require.NoError(t, err)
	assert.Equal(t, QuietHours{From: 545, To: 1020, Days: []time.Weekday{time.Monday, time.Friday}, Location: time.UTC}, q)
}

func BenchmarkPlanHeld(b *testing.B) {
	q, _ := ParseQuietHours("22:00-07:00 Europe/Berlin", time.UTC)
	p := []Policy{{Route: "r", Quiet: []QuietHours{q}}}
	e := rules.Event{Kind: rules.Dark, Lamp: "tank"}
	wall := time.Date(2026, 3, 4, 22, 0, 0, 0, time.UTC)
	for b.Loop() {
		Plan(e, wall, p)
	}
}
