package rules

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// refAlarm is a reference model of the life cycle: plain words, counted minute
// by minute, with no deadline and no bit in it.
type refAlarm struct {
	cfg AlarmConfig
	// what is wrong
	lamp, fault, silent, battery, chattering bool
	unacked, escalated, shelved, out         bool
	news                                     map[string]bool // what nobody acknowledged, of what lasts
	newsCame                                 int             // how often there was some
	was                                      map[string]bool // what lasted before

	sinceTold, waiting, shelfLeft, unchanged int // minutes
	starts                                   []int
	now                                      int
}

// step is one line of the output of either side.
type alarmLine struct {
	Minute int
	Kind   Kind
	Quiet  string
	State  string // "" for the source's own events
	By     string
}

func minutes(d time.Duration) int { return int(d / time.Minute) }

func (r *refAlarm) active() bool {
	return r.lamp || r.fault || r.silent || r.battery || r.chattering
}

// over is called when something has ended: what else lasts may be acknowledged.
func (r *refAlarm) over() {
	last := map[string]bool{"lamp": r.lamp, "fault": r.fault, "silent": r.silent, "battery": r.battery, "chattering": r.chattering}
	ended, news := false, false
	for k, on := range last {
		if !on && r.was[k] {
			ended = true
		}
		r.was[k] = on
		if !on {
			delete(r.news, k)
		}
		news = news || r.news[k]
	}
	if ended && r.active() {
		r.unacked = news
	}
}

func (r *refAlarm) state() string {
	switch {
	case r.out:
		return "out_of_service"
	case r.shelved:
		return "shelved"
	case r.active() && r.unacked:
		return "unacknowledged"
	case r.active():
		return "acknowledged"
	case r.unacked:
		return "returned_unacknowledged"
	}
	return "normal"
}

func (r *refAlarm) quiet() string {
	if r.out {
		return "out of service"
	}
	if r.shelved {
		return "shelved"
	}
	return ""
}

func (r *refAlarm) line(k Kind, quiet, by string) alarmLine {
	return alarmLine{Minute: r.now, Kind: k, Quiet: quiet, State: r.state(), By: by}
}

// minute is called once for each minute that lampward runs, before the
// minute's inputs.
func (r *refAlarm) minute() (out []alarmLine) {
	if r.chattering && r.unchanged >= r.settle() {
		r.chattering = false
		if r.news["chattering"] {
			if r.lamp && !r.news["lamp"] || r.silent && !r.news["silent"] {
				r.newsCame++
			}
			r.news["lamp"], r.news["silent"] = r.lamp, r.silent
		}
		r.over()
		out = append(out, r.line(Settled, r.quiet(), ""))
		if r.quiet() != "" && (r.lamp || r.silent) {
			r.unacked = true
			r.newsCame++
			r.news["lamp"], r.news["silent"] = r.lamp, r.silent
		}
	}
	if r.shelved && r.shelfLeft <= 0 {
		return r.back(Unshelved, "", out)
	}
	if r.active() && r.unacked && r.quiet() == "" {
		if e := minutes(r.cfg.EscalateAfter); e > 0 && !r.escalated && r.waiting >= e {
			r.escalated = true
			out = append(out, r.line(Escalated, "", ""))
		}
		if e := minutes(r.cfg.RemindEvery); e > 0 && r.sinceTold >= e {
			r.sinceTold = 0
			out = append(out, r.line(Reminder, "", ""))
		}
	}
	return out
}

// pass lets a minute go by, watched or not.
func (r *refAlarm) pass() {
	r.now++
	r.sinceTold++
	r.waiting++
	r.shelfLeft--
	r.unchanged++
}

func (r *refAlarm) settle() int {
	switch {
	case r.cfg.ChatterSettle > 0:
		return minutes(r.cfg.ChatterSettle)
	case r.cfg.ChatterWithin > 0:
		return minutes(r.cfg.ChatterWithin)
	}
	return 60
}

func (r *refAlarm) back(k Kind, by string, out []alarmLine) []alarmLine {
	r.shelved, r.out = false, false
	if !r.active() {
		r.unacked = false
	}
	out = append(out, r.line(k, "", by))
	if r.active() && r.unacked {
		r.escalated, r.sinceTold, r.waiting = false, 0, 0
		out = append(out, r.line(Reminder, "", ""))
	}
	return out
}

func (r *refAlarm) event(k Kind, state string) (out []alarmLine) {
	darkBad := len(r.cfg.DarkIsAlarm) > 0
	lampBad := map[Kind]bool{Lit: !darkBad, Dark: darkBad, Blinking: true}
	was := r.active() && r.unacked
	changes, begins := false, false
	hidden := r.chattering
	switch k {
	case Lit, Dark, Blinking:
		changes, begins, r.lamp = true, lampBad[k], lampBad[k]
	case Silent, Returned:
		changes, begins, r.silent = true, k == Silent, k == Silent
	case Fault, FaultOver:
		begins, r.fault = k == Fault, k == Fault
	case BatteryLow, BatteryHolds, BatteryNew:
		begins, r.battery = k == BatteryLow, k == BatteryLow
	case Unlearned:
		r.lamp = false
	case Learned:
		if state == "dark" && !darkBad || state == "lit" && darkBad {
			r.lamp = false
		}
	}
	if begins && !(changes && hidden) {
		r.newsCame++
		r.news[map[Kind]string{Fault: "fault", Silent: "silent", BatteryLow: "battery"}[k]] = true
		if changes && k != Silent {
			r.news["lamp"] = true
		}
		if r.unacked, r.sinceTold = true, 0; !was {
			r.escalated, r.waiting = false, 0
		}
	}
	began := false
	if changes && hidden {
		r.unchanged = 0
	} else if changes && begins && r.cfg.ChatterCount > 0 {
		r.starts = append(r.starts, r.now)
		within, n := minutes(r.cfg.ChatterWithin), 0
		if within == 0 {
			within = 60
		}
		for _, t := range r.starts {
			if r.now-t < within {
				n++
			}
		}
		if n >= r.cfg.ChatterCount {
			began, r.chattering, r.starts, r.unchanged = true, true, nil, 0
			r.news["chattering"] = true
			r.newsCame++
		}
	}
	r.over()
	l := alarmLine{Minute: r.now, Kind: k}
	if k.Alerts() {
		if l.Quiet = r.quiet(); l.Quiet == "" && (changes && hidden || began) {
			l.Quiet = "chattering"
		}
	}
	out = append(out, l)
	if began {
		out = append(out, r.line(Chattering, r.quiet(), ""))
	}
	return out
}

func (r *refAlarm) action(in Input) []alarmLine {
	switch {
	case in.Kind == InAck && r.unacked:
		r.unacked, r.news = false, map[string]bool{}
		return []alarmLine{r.line(Acknowledged, "", in.By)}
	case in.Kind == InShelve && in.For > 0 && !r.out:
		r.shelved, r.shelfLeft = true, minutes(in.For)
		return []alarmLine{r.line(Shelved, "", in.By)}
	case in.Kind == InShelve && in.For <= 0 && r.shelved:
		return r.back(Unshelved, in.By, nil)
	case in.Kind == InService && in.Word == "out" && !r.out:
		r.out, r.shelved = true, false
		return []alarmLine{r.line(OutOfService, "", in.By)}
	case in.Kind == InService && in.Word == "in" && r.out:
		return r.back(InServiceNow, in.By, nil)
	}
	return nil
}

// play runs one random history through the machine and the model, and returns
// the first difference, or "". hurt is called on the machine after each input;
// it is nil but in the negative controls.
func playAlarm(seed uint64, hurt func(*alarm)) (diff string, lines int) {
	rnd := rand.New(rand.NewPCG(seed, 7))
	pick := func(ds ...int) time.Duration { return time.Duration(ds[rnd.IntN(len(ds))]) * time.Minute }
	cfg := AlarmConfig{
		RemindEvery: pick(0, 7, 30), EscalateAfter: pick(0, 20, 45),
		ChatterCount: []int{0, 2, 4}[rnd.IntN(3)], ChatterWithin: pick(0, 10, 30), ChatterSettle: pick(0, 5, 15),
	}
	if rnd.IntN(4) == 0 {
		cfg.DarkIsAlarm = []string{"salt", "tank"}
	}
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	a, r := newAlarm("lamp/tank"), &refAlarm{cfg: cfg, news: map[string]bool{}, was: map[string]bool{}}
	kinds := []Kind{Lit, Lit, Dark, Dark, Blinking, Fault, FaultOver, Silent, Returned, BatteryLow, BatteryHolds, BatteryNew, Learned, Unlearned}
	busy := rnd.IntN(12) + 2
	shown, shownCame := "", 0 // what a person was shown last
	check := func(got []Event, want []alarmLine, what string) bool {
		lines += len(want)
		var have []alarmLine
		for i := range got {
			e := &got[i]
			l := alarmLine{Minute: minutes(e.At.Sub(start)), Kind: e.Kind, Quiet: e.Quiet, By: e.By}
			switch e.Kind {
			case Reminder, Escalated, Chattering, Settled, Acknowledged, Shelved, Unshelved, OutOfService, InServiceNow:
				l.State = e.State
				if e.Text == "" || strings.HasSuffix(e.Text, ": ") || e.Why == "" || e.Lamp != "tank" || e.Confidence != 1 {
					diff = fmt.Sprintf("incomplete event %+v", *e)
				}
			}
			have = append(have, l)
		}
		if fmt.Sprint(have) != fmt.Sprint(want) {
			diff = fmt.Sprintf("seed %d, minute %d, %s, %+v:\nmachine %v\nmodel   %v", seed, r.now, what, cfg, have, want)
		}
		if a.state() != r.state() && diff == "" {
			diff = fmt.Sprintf("seed %d, minute %d, %s: machine is %s, model %s", seed, r.now, what, a.state(), r.state())
		}
		if hurt != nil {
			hurt(a)
		}
		return diff == ""
	}
	for r.now < 1500 {
		r.pass()
		if rnd.IntN(200) == 0 { // lampward is down for a while
			for range rnd.IntN(300) {
				r.pass()
			}
			b, err := restoredAlarm(a.key, a.marshal())
			if err != nil {
				return err.Error(), lines
			}
			a = b
			a.rearm(start.Add(time.Duration(r.now) * time.Minute))
			r.unchanged = 0
		}
		at := start.Add(time.Duration(r.now) * time.Minute)
		var out []Event
		for {
			next, ok := a.next()
			if !ok || next.After(at) {
				break
			}
			if len(out) > 10 {
				return fmt.Sprintf("seed %d: deadlines without end at %s", seed, next), lines
			}
			out = a.fire(&cfg, next, out)
		}
		if !check(out, r.minute(), "deadlines") {
			return diff, lines
		}
		for rnd.IntN(busy) == 0 {
			if rnd.IntN(4) > 0 {
				e := Event{At: at, Kind: kinds[rnd.IntN(len(kinds))], Lamp: "tank", Text: "text", Why: "why"}
				if e.Kind == Learned {
					e.State = []string{"lit", "dark", "blinking"}[rnd.IntN(3)]
				}
				if !check(a.event(&cfg, &e, nil), r.event(e.Kind, e.State), "event "+string(e.Kind)) {
					return diff, lines
				}
				continue
			}
			in := Input{At: at, Lamp: "tank", By: "anna"}
			switch rnd.IntN(4) {
			case 0, 1:
				if in.Kind = InAck; rnd.IntN(2) == 0 {
					if in.Word = shown; shown != "" && shownCame != r.newsCame {
						if !check(a.action(&cfg, &in, nil), nil, "acknowledging what was shown before there was news") {
							return diff, lines
						}
						continue
					}
				}
			case 2:
				in.Kind, in.For = InShelve, pick(0, -5, 10, 60)
			case 3:
				in.Kind, in.Word = InService, []string{"out", "in", "in", ""}[rnd.IntN(4)]
			}
			if !check(a.action(&cfg, &in, nil), r.action(in), fmt.Sprintf("action %s %s %s", in.Kind, in.Word, in.For)) {
				return diff, lines
			}
		}
		if rnd.IntN(20) == 0 {
			shown, shownCame = a.status().Mark, r.newsCame
		}
		if rnd.IntN(50) == 0 {
			a, _ = restoredAlarm(a.key, a.marshal())
		}
	}
	return "", lines
}

// Random histories of events, actions, restarts and downtime give the same
// from the machine as from the reference model.
func TestAlarmModel(t *testing.T) {
	lines := 0
	for seed := range uint64(400) {
		diff, n := playAlarm(seed, nil)
		require.Empty(t, diff)
		lines += n
	}
	t.Logf("400 histories, %d lines compared", lines)
}

// Negative control: each of these faults is found by the model.
func TestAlarmModelFindsFaults(t *testing.T) {
	for name, hurt := range map[string]func(*alarm){
		"acknowledging does nothing":    func(a *alarm) { a.s.Unacked = a.s.Unacked || a.s.Conds != 0 },
		"a reminder is forgotten":       func(a *alarm) { a.s.Remind = time.Time{} },
		"a reminder comes late":         func(a *alarm) { a.s.Remind = push(a.s.Remind) },
		"escalation is forgotten":       func(a *alarm) { a.s.Escalate = time.Time{} },
		"escalation repeats":            func(a *alarm) { a.s.Escalated = false },
		"the shelf never ends":          func(a *alarm) { a.s.ShelfEnd = time.Time{} },
		"the shelf hides nothing":       func(a *alarm) { a.s.Shelved = false },
		"chattering is not seen":        func(a *alarm) { a.s.Starts = nil },
		"chattering never settles":      func(a *alarm) { a.s.Settle = time.Time{} },
		"what is over stays news":       func(a *alarm) { a.s.News |= a.s.Conds },
		"a fault is taken for over":     func(a *alarm) { a.s.Conds &^= condFault },
		"news leave no mark":            func(a *alarm) { a.s.Newest = 1 },
		"out of service forgets itself": func(a *alarm) { a.s.Out = false },
	} {
		found := false
		for seed := range uint64(50) {
			if diff, _ := playAlarm(seed, hurt); diff != "" {
				found = true
				break
			}
		}
		require.True(t, found, name)
	}
}

func push(t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return t.Add(time.Minute)
}

// A short life in full, to read.
func TestAlarmStory(t *testing.T) {
	start := time.Date(2026, 1, 1, 20, 0, 0, 0, time.UTC)
	cfg := &AlarmConfig{RemindEvery: 30 * time.Minute, EscalateAfter: time.Hour}
	a := newAlarm("lamp/tank")
	at := func(m int) time.Time { return start.Add(time.Duration(m) * time.Minute) }
	var out []Event
	out = a.event(cfg, &Event{At: at(0), Kind: Lit, Lamp: "tank", Text: "tank is lit"}, out)
	for range 3 {
		next, ok := a.next()
		require.True(t, ok)
		out = a.fire(cfg, next, out)
	}
	out = a.action(cfg, &Input{At: at(91), Kind: InAck, By: "anna"}, out)
	_, ok := a.next()
	require.False(t, ok, "acknowledged: no more reminders")
	out = a.event(cfg, &Event{At: at(100), Kind: Dark, Lamp: "tank", Text: "tank is dark"}, out)
	out = a.action(cfg, &Input{At: at(110), Kind: InShelve, For: 2 * time.Hour, By: "anna"}, out)
	out = a.event(cfg, &Event{At: at(120), Kind: Lit, Lamp: "tank", Text: "tank is lit"}, out)
	next, ok := a.next()
	require.True(t, ok)
	out = a.fire(cfg, next, out)
	var got []string
	for _, e := range out {
		got = append(got, fmt.Sprintf("%s %s %s|%s|%s", e.At.Format("15:04"), e.Kind, e.Text, e.State, e.Quiet))
	}
	require.Equal(t, []string{
		"20:00 lit tank is lit||",
		"20:30 reminder Reminder: tank is lit (for 30 min)|unacknowledged|",
		"21:00 escalated Nobody has acknowledged: tank is lit|unacknowledged|",
		"21:00 reminder Reminder: tank is lit (for 60 min)|unacknowledged|",
		"21:30 reminder Reminder: tank is lit (for 90 min)|unacknowledged|",
		"21:31 acknowledged tank: acknowledged, by anna|acknowledged|",
		"21:40 dark tank is dark||",
		"21:50 shelved tank: shelved for 2 h, by anna|shelved|",
		"22:00 lit tank is lit||shelved",
		"23:50 unshelved tank: no longer shelved|unacknowledged|",
		"23:50 reminder Reminder: tank is lit (for 110 min)|unacknowledged|",
	}, got)
}

// What ended is not named any more where something else lasts, and what was
// acknowledged is not reminded of because something else came and went.
func TestAlarmNamesWhatLasts(t *testing.T) {
	start := time.Date(2026, 1, 1, 20, 0, 0, 0, time.UTC)
	cfg := &AlarmConfig{RemindEvery: time.Hour, EscalateAfter: 90 * time.Minute}
	at := func(m int) time.Time { return start.Add(time.Duration(m) * time.Minute) }
	for _, acked := range []bool{false, true} {
		a := newAlarm("device/board")
		out := a.event(cfg, &Event{At: at(0), Kind: BatteryLow, Device: "board", Text: "board: battery flat in 3 d", Since: at(3 * 24 * 60)}, nil)
		if acked {
			out = a.action(cfg, &Input{At: at(1), Kind: InAck, By: "anna"}, out)
		}
		out = a.event(cfg, &Event{At: at(10), Kind: Silent, Device: "board", Text: "board has been silent for 5 min", Since: at(5)}, out)
		require.Equal(t, "board has been silent for 5 min", a.status().Text)
		out = a.event(cfg, &Event{At: at(20), Kind: Returned, Device: "board", Text: "board reports again"}, out)
		require.Equal(t, "board: battery flat in 3 d", a.status().Text)
		a, err := restoredAlarm(a.key, a.marshal())
		require.NoError(t, err)
		from := len(out)
		for {
			next, ok := a.next()
			if !ok || next.After(at(100)) {
				break
			}
			out = a.fire(cfg, next, out)
		}
		if acked {
			require.Equal(t, AlarmAcknowledged, a.state())
			require.Empty(t, out[from:])
			continue
		}
		require.Len(t, out[from:], 2)
		require.Equal(t, "Reminder: board: battery flat in 3 d (told 70 min ago)", out[from].Text)
		require.Equal(t, "Nobody has acknowledged: board: battery flat in 3 d", out[from+1].Text)
		require.Equal(t, "It has lasted 90 min and was not acknowledged within 90 min.", out[from+1].Why)
	}
}

// A reminder, an escalation and who looks are told all that lasts and is not
// acknowledged.
func TestAlarmNamesAll(t *testing.T) {
	start := time.Date(2026, 1, 1, 20, 0, 0, 0, time.UTC)
	cfg := &AlarmConfig{RemindEvery: 2 * time.Hour, EscalateAfter: time.Hour}
	at := func(m int) time.Time { return start.Add(time.Duration(m) * time.Minute) }
	a := newAlarm("device/board")
	a.event(cfg, &Event{At: at(0), Kind: BatteryLow, Device: "board", Text: "board: battery flat in 3 d", Since: at(3 * 24 * 60)}, nil)
	require.Empty(t, a.status().Also)
	a.event(cfg, &Event{At: at(40), Kind: Silent, Device: "board", Text: "board has been silent for 5 min", Since: at(35)}, nil)
	require.Equal(t, "board has been silent for 5 min", a.status().Text)
	require.Equal(t, []string{"board: battery flat in 3 d"}, a.status().Also)
	var out []Event
	for range 2 {
		next, ok := a.next()
		require.True(t, ok)
		out = a.fire(cfg, next, out)
	}
	require.Equal(t, []Kind{Escalated, Reminder}, []Kind{out[0].Kind, out[1].Kind})
	require.Equal(t, "Nobody has acknowledged: board has been silent for 5 min; board: battery flat in 3 d", out[0].Text)
	require.Equal(t, "The first of them has lasted 60 min, and none was acknowledged within 60 min.", out[0].Why)
	require.Equal(t, "Reminder: board has been silent for 5 min (by now for 2 h 5 min); board: battery flat in 3 d (told 2 h 40 min ago)", out[1].Text)

	// What was acknowledged is not named with what came later.
	a = newAlarm("device/board")
	a.event(cfg, &Event{At: at(0), Kind: BatteryLow, Device: "board", Text: "board: battery flat in 3 d"}, nil)
	a.action(cfg, &Input{At: at(1), Kind: InAck}, nil)
	a.event(cfg, &Event{At: at(40), Kind: Silent, Device: "board", Text: "board has been silent for 5 min"}, nil)
	require.Empty(t, a.status().Also)
	next, ok := a.next()
	require.True(t, ok)
	out = a.fire(cfg, next, nil)
	require.Equal(t, "Nobody has acknowledged: board has been silent for 5 min", out[0].Text)
}

// Older versions kept one text for all that lasted; nothing is said of it twice.
func TestAlarmOfOlderVersion(t *testing.T) {
	b := fmt.Appendf(nil, `{"conds": %d, "unacked": true, "text": "board has been silent for 5 min", "since": "2026-01-01T20:00:00Z", "remind": "2026-01-01T22:00:00Z", "escalate": "2026-01-01T22:00:00Z"}`, condSilent|condBattery)
	a, err := restoredAlarm("device/board", b)
	require.NoError(t, err)
	require.Empty(t, a.status().Also)
	next, ok := a.next()
	require.True(t, ok)
	out := a.fire(&AlarmConfig{RemindEvery: 2 * time.Hour, EscalateAfter: time.Hour}, next, nil)
	require.Equal(t, []Kind{Escalated, Reminder}, kinds(out))
	require.Equal(t, "Nobody has acknowledged: board has been silent for 5 min", out[0].Text)
	require.Equal(t, 1, strings.Count(out[1].Text, "board has been silent"), out[1].Text)
}

// Who was shown less than there is acknowledges nothing.
func TestAckOfWhatWasShown(t *testing.T) {
	at := epoch
	cfg := &AlarmConfig{}
	a := newAlarm("lamp/tank")
	tell := func(k Kind) {
		a.event(cfg, &Event{At: at, Kind: k, Lamp: "tank", Text: "tank is " + string(k)}, nil)
	}
	ack := func(mark string) bool {
		return len(a.action(cfg, &Input{At: at, Kind: InAck, Word: mark, By: "anna"}, nil)) == 1
	}
	tell(Lit)
	lit := a.status().Mark
	tell(Blinking) // in the same millisecond
	require.False(t, ack(lit))
	require.Equal(t, AlarmUnacknowledged, a.state())
	require.True(t, ack(a.status().Mark))
	require.Equal(t, AlarmAcknowledged, a.state())

	tell(Lit)
	lit = a.status().Mark
	tell(Dark) // that it is over is no news to wait for
	require.Equal(t, AlarmReturned, a.state())
	require.True(t, ack(lit))

	tell(Lit)
	lit = a.status().Mark
	tell(Dark)
	tell(Lit)
	require.False(t, ack(lit), "it lit once more")
	tell(Dark)
	require.False(t, ack(lit), "which nobody was shown, though it is over")
	b, err := restoredAlarm(a.key, a.marshal())
	require.NoError(t, err)
	require.Equal(t, a.status().Mark, b.status().Mark)
	require.True(t, ack(""), "all there is")
}

// A reminder does not say two spans of time as if both were of now.
func TestReminderOfSilence(t *testing.T) {
	at := time.Date(2026, 1, 1, 20, 0, 0, 0, time.UTC)
	a := newAlarm("device/board")
	cfg := &AlarmConfig{RemindEvery: 2 * time.Hour}
	a.event(cfg, &Event{At: at, Kind: Silent, Device: "board", Text: "board has been silent for 8 min", Since: at.Add(-8 * time.Minute)}, nil)
	next, ok := a.next()
	require.True(t, ok)
	out := a.fire(cfg, next, nil)
	require.Len(t, out, 1)
	require.Equal(t, "Reminder: board has been silent for 8 min (by now for 2 h 8 min)", out[0].Text)
}

// A snapshot of an older version knows of no condition what was told of it.
func TestAlarmOfOlderSnapshot(t *testing.T) {
	cfg := &AlarmConfig{RemindEvery: time.Hour}
	at := time.Date(2026, 1, 1, 20, 0, 0, 0, time.UTC)
	a, err := restoredAlarm("lamp/tank", []byte(`{"conds":3,"unacked":true,"text":"tank: sensor trouble","since":"2026-01-01T19:00:00Z","remind":"2026-01-01T21:00:00Z"}`))
	require.NoError(t, err)
	a.event(cfg, &Event{At: at, Kind: FaultOver, Lamp: "tank", Text: "tank: the sensor works again"}, nil)
	require.Equal(t, AlarmUnacknowledged, a.state())
	a.event(cfg, &Event{At: at, Kind: Dark, Lamp: "tank", Text: "tank is dark"}, nil)
	require.Equal(t, AlarmReturned, a.state())
	_, ok := a.next()
	require.False(t, ok)
}

// What fell due while lampward was down comes once, at the start.
func TestAlarmDowntime(t *testing.T) {
	start := time.Date(2026, 1, 1, 20, 0, 0, 0, time.UTC)
	cfg := &AlarmConfig{RemindEvery: time.Minute, EscalateAfter: 2 * time.Minute}
	a := newAlarm("device/board")
	a.event(cfg, &Event{At: start, Kind: Silent, Device: "board", Text: "board is silent"}, nil)
	back := start.Add(1000 * time.Minute)
	a.rearm(back)
	var out []Event
	for {
		next, ok := a.next()
		if !ok || next.After(back) {
			break
		}
		out = a.fire(cfg, next, out)
	}
	require.Len(t, out, 2)
	require.Equal(t, Escalated, out[0].Kind)
	require.Equal(t, Reminder, out[1].Kind)
	next, _ := a.next()
	require.Equal(t, back.Add(time.Minute), next)
}

// A snapshot is small, whatever the texts.
func TestAlarmSnapshotSize(t *testing.T) {
	cfg := &AlarmConfig{RemindEvery: time.Minute, EscalateAfter: time.Minute, ChatterCount: 1000}
	a := newAlarm("lamp/tank")
	long := ""
	for range 1000 {
		long += "é\x00\""
	}
	at := time.Date(2026, 1, 1, 20, 0, 0, 0, time.UTC)
	for i := range 49 {
		a.event(cfg, &Event{At: at.Add(time.Duration(i) * time.Second), Kind: Lit, Lamp: "tank", Text: long}, nil)
	}
	b := a.marshal()
	require.Less(t, len(b), 6<<10)
	c, err := restoredAlarm(a.key, b)
	require.NoError(t, err)
	require.Equal(t, a.s.Remind, c.s.Remind)
	_, err = restoredAlarm(a.key, []byte("{"))
	require.Error(t, err)
}

// An event that changes nothing costs next to nothing.
func BenchmarkAlarmEvent(b *testing.B) {
	cfg := &AlarmConfig{RemindEvery: time.Hour, EscalateAfter: time.Hour, ChatterCount: 5}
	a := newAlarm("lamp/tank")
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	var out []Event
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		at = at.Add(time.Hour)
		e := Event{At: at, Kind: []Kind{Lit, Dark}[i%2], Lamp: "tank", Text: "text"}
		out = a.event(cfg, &e, out[:0])
	}
}

// A lamp that lit while it chattered, and settled on the shelf, is told when
// the shelf ends.
func TestSettledOnTheShelf(t *testing.T) {
	cfg := &AlarmConfig{ChatterCount: 3, ChatterSettle: 10 * time.Minute}
	a := newAlarm("lamp/tank")
	at := epoch
	var out []Event
	for i := range 6 {
		at = at.Add(time.Minute)
		out = a.event(cfg, &Event{At: at, Kind: []Kind{Lit, Dark}[i%2], Lamp: "tank", Text: []string{"tank is lit", "tank is dark"}[i%2]}, out)
	}
	out = a.action(cfg, &Input{At: at, Kind: InAck, By: "anna"}, out)
	out = a.event(cfg, &Event{At: at, Kind: Lit, Lamp: "tank", Text: "tank is lit"}, out)
	out = a.action(cfg, &Input{At: at, Kind: InShelve, For: time.Hour, By: "anna"}, out)
	from := len(out)
	for {
		next, ok := a.next()
		if !ok {
			break
		}
		out = a.fire(cfg, next, out)
	}
	told := 0
	for _, e := range out[from:] {
		if e.Kind.Alerts() && e.Quiet == "" {
			told++
			require.Contains(t, e.Text, "tank is lit")
		}
	}
	require.Equal(t, 1, told)
}

// restoredAlarm makes an alarm of what marshal wrote.
func restoredAlarm(key string, b []byte) (*alarm, error) {
	a := newAlarm(key)
	return a, a.unmarshal(b)
}
