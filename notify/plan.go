package notify

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lampward/rules"
)

// Policy says what a route wants to hear, and when.
type Policy struct {
	// Route is the route's name.
	Route string
	// Kinds are the kinds of event that it takes; empty: all that
	// rules.Kind.Alerts reports true for.
	Kinds []rules.Kind
	// Escalation marks a second route: it takes only what was escalated, and
	// tests. As long as there is one, the other routes do not take escalated
	// events, unless their Kinds name them.
	Escalation bool
	// Quiet are the hours in which messages are held until their end.
	Quiet []QuietHours
	// Through are the kinds that quiet hours do not hold; nil: those of
	// DefaultThrough; empty but not nil: none.
	Through []rules.Kind
	// DarkIsAlarm names the lamps whose dark state is the alert: by default
	// quiet hours let their dark through, and hold their lit.
	DarkIsAlarm []string
}

// DefaultThrough returns the kinds that quiet hours do not hold by default:
// what may need someone now.
func DefaultThrough() []rules.Kind {
	return []rules.Kind{rules.Lit, rules.Blinking, rules.ManySilent, rules.Escalated, rules.Test}
}

// QuietHours is a stretch of every day, by the clock on the wall there: it
// begins when the clock shows From or later and ends when it shows To. To
// before From reaches over midnight; equal, it is the whole day. When the
// clocks are put forward over its end, it ends at the change; when they are
// put back, the hour that comes twice counts both times as the clock shows it.
type QuietHours struct {
	From, To int            // minutes after midnight, 0 to 1439
	Days     []time.Weekday // the days on which it begins; empty: every day
	Location *time.Location // nil: UTC
}

// ParseQuietHours reads "22:00-07:00", "22:00-07:00 Europe/Berlin" or
// "sat,sun 00:00-10:00 Europe/Berlin". Without a zone it is that of def.
func ParseQuietHours(s string, def *time.Location) (QuietHours, error) {
	q := QuietHours{Location: def}
	bad := func(what string) (QuietHours, error) {
		return QuietHours{}, fmt.Errorf(`quiet hours %q: %s; write for example "22:00-07:00" or "sat,sun 23:00-09:30 Europe/Berlin"`, s, what)
	}
	fields := strings.Fields(s)
	if len(fields) > 0 && !strings.Contains(fields[0], ":") {
		for _, d := range strings.Split(strings.ToLower(fields[0]), ",") {
			i := slices.IndexFunc(weekdays, func(w string) bool { return w == d })
			if i < 0 {
				return bad(fmt.Sprintf("%q is no day of the week (mon, tue, wed, thu, fri, sat, sun)", d))
			}
			q.Days = append(q.Days, time.Weekday(i))
		}
		fields = fields[1:]
	}
	if len(fields) == 0 || len(fields) > 2 {
		return bad("a time span and, after it, a time zone at most are wanted")
	}
	from, to, ok := strings.Cut(fields[0], "-")
	if !ok {
		return bad("the two times need a hyphen between them")
	}
	for _, p := range []struct {
		text string
		to   *int
	}{{from, &q.From}, {to, &q.To}} {
		t, err := time.Parse("15:04", p.text)
		if err != nil {
			return bad(fmt.Sprintf("%q is no time of day", p.text))
		}
		*p.to = t.Hour()*60 + t.Minute()
	}
	if len(fields) == 2 {
		loc, err := time.LoadLocation(fields[1])
		if err != nil {
			return bad(fmt.Sprintf("the time zone %q is not known here", fields[1]))
		}
		q.Location = loc
	}
	return q, nil
}

var weekdays = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// holds tells whether the hours hold at the wall time t.
func (q *QuietHours) holds(t time.Time) bool {
	loc := q.Location
	if loc == nil {
		loc = time.UTC
	}
	t = t.In(loc)
	clock, day := t.Hour()*60+t.Minute(), t.Weekday()
	on := func(d time.Weekday) bool { return len(q.Days) == 0 || slices.Contains(q.Days, d) }
	yesterday := (day + 6) % 7
	if q.From < q.To {
		return q.From <= clock && clock < q.To && on(day)
	}
	return clock >= q.From && on(day) || clock < q.To && on(yesterday)
}

// maxHold is the longest that quiet hours hold a message, however they are
// set: an alert is never held for good.
const maxHold = 24 * time.Hour

// firstTrust is the earliest wall time that is believed: a board without a
// clock battery starts years back, and must not hold an alert for an hour that
// it does not know.
var firstTrust = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// hold returns how long a message of the wall time wall is held.
func hold(quiet []QuietHours, wall time.Time) time.Duration {
	holds := func(t time.Time) bool {
		return slices.ContainsFunc(quiet, func(q QuietHours) bool { return q.holds(t) })
	}
	if wall.Before(firstTrust) || !holds(wall) {
		return 0
	}
	// Minute by minute, for the clock on the wall does not run evenly where it
	// is put forward and back.
	t := wall.Truncate(time.Minute)
	for t.Sub(wall) < maxHold {
		t = t.Add(time.Minute)
		if !holds(t) {
			return t.Sub(wall)
		}
	}
	return maxHold
}

// Target is one route that an event goes to.
type Target struct {
	Route string
	Delay time.Duration // how long it is held from now on; 0: not at all
	// Key is the Delivery.Key to store it under: the event's own, or another
	// for what is held, so that a held message does not hold up a later one
	// that breaks through.
	Key string
}

// HeldLine begins the Key of what is held.
const HeldLine = "held/"

// Hold returns how long the message of an event that has been held for so long
// already is to be held from now on, at the wall time wall: until the quiet hours end, and
// never for more than a day in all.
func (p *Policy) Hold(e *rules.Event, wall time.Time, already time.Duration) time.Duration {
	return max(0, min(p.hold(e, wall), maxHold-already))
}

func (p *Policy) hold(e *rules.Event, wall time.Time) time.Duration {
	through, kind := p.Through, e.Kind
	if through == nil {
		through = DefaultThrough()
		if slices.Contains(p.DarkIsAlarm, e.Lamp) {
			switch kind { // what dark is to others, lit is to them
			case rules.Lit:
				kind = rules.Dark
			case rules.Dark:
				kind = rules.Lit
			}
		}
	}
	if slices.Contains(through, kind) {
		return 0
	}
	return hold(p.Quiet, wall)
}

// Plan returns the routes that an event goes to, in the order of routes, at
// the wall time wall, the zero time if that is unknown. Events that are not
// alerts, or were kept quiet by their life cycle, go nowhere.
func Plan(e rules.Event, wall time.Time, routes []Policy) []Target {
	if !e.Kind.Alerts() || e.Quiet != "" {
		return nil
	}
	second := slices.ContainsFunc(routes, func(p Policy) bool { return p.Escalation })
	var out []Target
	for i := range routes {
		p := &routes[i]
		if !p.takes(e.Kind, second) {
			continue
		}
		t := Target{Route: p.Route, Key: e.Key(), Delay: p.hold(&e, wall)}
		if t.Delay > 0 {
			t.Key = HeldLine + t.Key
		}
		out = append(out, t)
	}
	return out
}

// Unreached returns the kinds of alert of which each route that takes them fails,
// so that one of them would reach nobody now. Kinds that no route takes are wanted
// by nobody.
func Unreached(routes []Policy, fails func(route string) bool) (out []rules.Kind) {
	second := slices.ContainsFunc(routes, func(p Policy) bool { return p.Escalation })
	for _, k := range rules.Kinds() {
		if !k.Alerts() || k == rules.Test {
			continue
		}
		taken, reached := false, false
		for i := range routes {
			if routes[i].takes(k, second) {
				taken = true
				reached = reached || !fails(routes[i].Route)
			}
		}
		if taken && !reached {
			out = append(out, k)
		}
	}
	return out
}

// takes tells whether the route wants a kind; second tells that there is a
// route for escalation.
func (p *Policy) takes(k rules.Kind, second bool) bool {
	switch {
	case k == rules.Test:
		return true
	case p.Escalation:
		return k == rules.Escalated
	case len(p.Kinds) > 0:
		return slices.Contains(p.Kinds, k)
	}
	return k != rules.Escalated || !second
}
