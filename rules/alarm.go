package rules

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"lampward/rules/span"
)

// The states of an alarm, in the terms of ISA-18.2 (from memory). They are the
// State of life-cycle events.
const (
	AlarmNormal         = "normal"                  // nothing to tell
	AlarmUnacknowledged = "unacknowledged"          // active, and nobody has acknowledged it
	AlarmAcknowledged   = "acknowledged"            // active, and a person knows
	AlarmReturned       = "returned_unacknowledged" // over before anybody acknowledged it
	AlarmShelved        = "shelved"                 // a person wants to hear nothing for a time
	AlarmOutOfService   = "out_of_service"          // a person wants to hear nothing until further notice
)

// Reasons of Event.Quiet.
const (
	QuietShelved    = "shelved"
	QuietService    = "out of service"
	QuietChattering = "chattering"
	QuietAsked      = "a person asked for it"
)

// conditions is the set of abnormal conditions that an alarm stands for; it is
// active while there is one.
type conditions uint8

const (
	condLamp    conditions = 1 << iota // the lamp shows its alarm state
	condFault                          // its sensor fails
	condSilent                         // the device is silent
	condBattery                        // its battery is low
	condChatter                        // it changes too often
)

const maxChatterCount = 50

// alarm is the life cycle of the alerts of one lamp or device.
//
// A condition that begins makes it unacknowledged, acknowledged or not before,
// because it is news. Reminders and escalation run while it is active and
// unacknowledged, and end when it returns to normal, is acknowledged, shelved
// or taken out of service. They name each condition that lasts and was not
// acknowledged, the newest first, and end with the last of them. While shelved or out of service its events are
// history only; afterwards an active and unacknowledged one is told again at
// once. A configuration in force from now on changes deadlines that are set
// from now on.
type alarm struct {
	key string
	s   alarmState
}

// alarmState is what a snapshot keeps.
type alarmState struct {
	Conds     conditions    `json:"conds,omitempty"`
	News      conditions    `json:"news,omitempty"`   // those that are not acknowledged
	Newest    int64         `json:"newest,omitempty"` // when the newest of all news came: Unix ms, or later, for no two are equal
	Told      []condition   `json:"told,omitempty"`   // the words of each that is active, the newest last
	Unacked   bool          `json:"unacked,omitempty"`
	Escalated bool          `json:"escalated,omitempty"` // in this unacknowledged spell
	Shelved   bool          `json:"shelved,omitempty"`
	Out       bool          `json:"out,omitempty"`
	Text      string        `json:"text,omitempty"`     // of the latest condition
	Last      string        `json:"last,omitempty"`     // of the latest change that chattering may hide
	Since     time.Time     `json:"since,omitzero"`     // when the latest condition began
	Remind    time.Time     `json:"remind,omitzero"`    // deadlines; zero: none
	Escalate  time.Time     `json:"escalate,omitzero"`  //
	ShelfEnd  time.Time     `json:"shelf_end,omitzero"` //
	Settle    time.Time     `json:"settle,omitzero"`    //
	SettleFor time.Duration `json:"settle_for,omitempty"`
	Starts    []time.Time   `json:"starts,omitempty"` // of the latest conditions, to find chattering
}

// condition is what was told of one when it began.
type condition struct {
	Cond  conditions `json:"cond"`
	Text  string     `json:"text,omitempty"`
	Since time.Time  `json:"since,omitzero"`
}

func newAlarm(key string) *alarm { return &alarm{key: key} }

// state names the alarm's state.
func (a *alarm) state() string {
	switch s := &a.s; {
	case s.Out:
		return AlarmOutOfService
	case s.Shelved:
		return AlarmShelved
	case s.Conds != 0 && s.Unacked:
		return AlarmUnacknowledged
	case s.Conds != 0:
		return AlarmAcknowledged
	case s.Unacked:
		return AlarmReturned
	}
	return AlarmNormal
}

// effect tells which condition an event begins, and which it ends.
func (a *alarm) effect(cfg *AlarmConfig, e *Event) (begins, ends conditions) {
	dark := e.Lamp != "" && darkIsAlarm(cfg, e.Lamp)
	switch e.Kind {
	case Lit:
		if dark {
			return 0, condLamp
		}
		return condLamp, 0
	case Dark:
		if dark {
			return condLamp, 0
		}
		return 0, condLamp
	case Blinking:
		return condLamp, 0
	case Learned:
		// A state found anew, without a change to announce, can end an alert
		// but not begin one.
		if e.State == string(Dark) && !dark || e.State == string(Lit) && dark {
			return 0, condLamp
		}
	case Unlearned:
		return 0, condLamp
	case Fault:
		return condFault, 0
	case FaultOver:
		return 0, condFault
	case Silent:
		return condSilent, 0
	case Returned:
		return 0, condSilent
	case BatteryLow:
		return condBattery, 0
	case BatteryHolds, BatteryNew:
		return 0, condBattery
	}
	return 0, 0
}

func darkIsAlarm(cfg *AlarmConfig, lamp string) bool { return slices.Contains(cfg.DarkIsAlarm, lamp) }

// end ends conditions. One that is over is named no more where another lasts, and
// nobody need acknowledge it.
func (a *alarm) end(c conditions) {
	s := &a.s
	if c &= s.Conds; c == 0 {
		return
	}
	s.Conds, s.News = s.Conds&^c, s.News&^c
	s.Told = slices.DeleteFunc(s.Told, func(t condition) bool { return t.Cond&c != 0 })
	if s.Conds != 0 {
		s.Unacked = s.News != 0
		a.headline()
	}
	if s.Conds == 0 || !s.Unacked {
		a.disarm()
	}
}

// begin notes what was told of a condition. What chattering hides is not what the
// alarm is named by.
func (a *alarm) begin(c conditions, text string, since time.Time) {
	s := &a.s
	s.Told = slices.DeleteFunc(s.Told, func(t condition) bool { return t.Cond == c })
	at := len(s.Told)
	if c&(condLamp|condSilent) != 0 && s.Conds&condChatter != 0 {
		at = slices.IndexFunc(s.Told, func(t condition) bool { return t.Cond == condChatter })
	}
	s.Conds |= c
	s.Told = slices.Insert(s.Told, at, condition{c, clip(text), since})
	a.headline()
}

// news notes that there is something that nobody can have seen before at.
func (a *alarm) news(c conditions, at time.Time) {
	a.s.News |= c
	a.s.Newest = max(at.UnixMilli(), a.s.Newest+1)
}

// acknowledge notes that somebody knows of these conditions.
func (a *alarm) acknowledge(c conditions) {
	s := &a.s
	s.News &^= c
	if s.Unacked = s.News != 0; !s.Unacked {
		a.disarm()
	}
}

// mark stands for all news so far.
func (a *alarm) mark() string { return strconv.FormatInt(a.s.Newest, 10) }

// open returns what lasts and is not acknowledged, the newest first, and of two with
// the same words, as older versions kept them, one.
func (a *alarm) open() (out []condition) {
	for _, t := range slices.Backward(a.s.Told) {
		known := slices.ContainsFunc(out, func(o condition) bool { return o.Text == t.Text })
		if t.Cond&a.s.News != 0 && !known {
			out = append(out, t)
		}
	}
	return out
}

// headline has the alarm named by the newest condition that lasts.
func (a *alarm) headline() {
	s := &a.s
	newest := s.Told[len(s.Told)-1]
	s.Text, s.Since = newest.Text, newest.Since
}

// began returns when the condition began that an event tells of.
func (e *Event) began() time.Time {
	if e.Since.IsZero() || e.Since.After(e.At) { // the date of a flat battery is to come
		return e.At
	}
	return e.Since
}

// event takes one event of the alarm's source and appends it, marked if it is
// not to be sent, and what follows from it.
func (a *alarm) event(cfg *AlarmConfig, e *Event, out []Event) []Event {
	s := &a.s
	begins, ends := a.effect(cfg, e)
	often := (begins|ends)&(condLamp|condSilent) != 0 && e.Kind != Learned && e.Kind != Unlearned
	hidden := often && s.Conds&condChatter != 0
	if often || e.Kind == Unlearned {
		s.Last = clip(e.Text)
	}
	if begins != 0 && !hidden {
		waiting := s.Conds != 0 && s.Unacked
		s.Unacked = true
		a.news(begins, e.At)
		if !waiting {
			s.Escalated, s.Escalate = false, time.Time{}
		}
		a.arm(cfg, e.At)
	}
	if begins != 0 {
		a.begin(begins, e.Text, e.began())
	}
	a.end(ends)
	began := !hidden && often && begins != 0 && a.chatters(cfg, e.At)
	if hidden || began {
		s.Settle = e.At.Add(s.SettleFor)
	}
	quiet := a.quiet()
	if quiet == "" && (hidden || began) {
		quiet = QuietChattering
	}
	if e.Kind.Alerts() {
		e.Quiet = cmp.Or(quiet, e.Quiet)
	}
	out = append(out, *e)
	if began {
		n := a.make(Chattering, e.At)
		n.Text = a.name() + " changes too often; it is told again when it settles"
		n.Why = fmt.Sprintf("%d alerts began within %s; until %s pass without a change, single changes are kept in the history and not sent.",
			cfg.ChatterCount, span.Text(chatterWithin(cfg)), span.Text(s.SettleFor))
		n.Quiet = a.quiet()
		a.news(condChatter, e.At)
		a.begin(condChatter, n.Text, e.At)
		out = append(out, n)
	}
	return out
}

// quiet is why nothing of this alarm is sent at present.
func (a *alarm) quiet() string {
	switch {
	case a.s.Out:
		return QuietService
	case a.s.Shelved:
		return QuietShelved
	}
	return ""
}

func chatterWithin(cfg *AlarmConfig) time.Duration {
	if cfg.ChatterWithin > 0 {
		return cfg.ChatterWithin
	}
	return time.Hour
}

// chatters notes that an alert began and tells whether chattering began with
// it.
func (a *alarm) chatters(cfg *AlarmConfig, at time.Time) bool {
	s := &a.s
	n := min(cfg.ChatterCount, maxChatterCount)
	if n <= 0 {
		s.Starts = nil
		return false
	}
	s.Starts = append(s.Starts, at)
	within := chatterWithin(cfg)
	s.Starts = slices.DeleteFunc(s.Starts, func(t time.Time) bool { return at.Sub(t) >= within })
	if len(s.Starts) < n {
		return false
	}
	s.Starts = nil
	if s.SettleFor = cfg.ChatterSettle; s.SettleFor <= 0 {
		s.SettleFor = within
	}
	return true
}

// arm sets the deadlines of an alert that was told at the time at.
func (a *alarm) arm(cfg *AlarmConfig, at time.Time) {
	s := &a.s
	if a.quiet() != "" {
		return
	}
	s.Remind = time.Time{}
	if cfg.RemindEvery > 0 {
		s.Remind = at.Add(cfg.RemindEvery)
	}
	if cfg.EscalateAfter > 0 && !s.Escalated && s.Escalate.IsZero() {
		s.Escalate = at.Add(cfg.EscalateAfter)
	}
}

func (a *alarm) disarm() { a.s.Remind, a.s.Escalate = time.Time{}, time.Time{} }

// action takes InAck, InShelve or InService. One that changes nothing, such as
// a second acknowledgement, gives no event; nor does one of a person who was shown
// less than there is.
func (a *alarm) action(cfg *AlarmConfig, in *Input, out []Event) []Event {
	s := &a.s
	switch {
	case in.Kind == InAck && in.Word != "" && in.Word != a.mark():
	case in.Kind == InAck && s.Unacked:
		a.acknowledge(s.News)
		out = append(out, a.did(Acknowledged, in, "acknowledged", "No more reminders are sent for what is known now; a new change is told again."))
	case in.Kind == InShelve && in.For > 0 && !s.Out:
		s.Shelved = true
		s.ShelfEnd = in.At.Add(in.For)
		a.disarm()
		out = append(out, a.did(Shelved, in, "shelved for "+span.Text(in.For), "Its events are kept in the history and not sent until the time is over."))
	case in.Kind == InShelve && in.For <= 0 && s.Shelved:
		out = a.resume(cfg, Unshelved, in, out)
	case in.Kind == InService && in.Word == "out" && !s.Out:
		s.Out, s.Shelved, s.ShelfEnd = true, false, time.Time{}
		a.disarm()
		out = append(out, a.did(OutOfService, in, "out of service", "Its events are kept in the history and not sent until it is back in service."))
	case in.Kind == InService && in.Word == "in" && s.Out:
		out = a.resume(cfg, InServiceNow, in, out)
	}
	return out
}

// resume ends the time on the shelf or out of service. What came and went
// meanwhile is over; what is still active and unacknowledged is told.
func (a *alarm) resume(cfg *AlarmConfig, kind Kind, in *Input, out []Event) []Event {
	s := &a.s
	s.Shelved, s.ShelfEnd, s.Out = false, time.Time{}, false
	if s.Conds == 0 {
		s.Unacked = false
	}
	what := "no longer shelved"
	if kind == InServiceNow {
		what = "back in service"
	}
	out = append(out, a.did(kind, in, what, "Its events are sent again."))
	if s.Conds != 0 && s.Unacked {
		s.Escalated, s.Escalate = false, time.Time{}
		a.arm(cfg, in.At)
		out = append(out, a.reminder(in.At, "It is "+what+", and this is not acknowledged."))
	}
	return out
}

// next returns the earliest deadline.
func (a *alarm) next() (at time.Time, ok bool) {
	for _, t := range [...]time.Time{a.s.ShelfEnd, a.s.Settle, a.s.Escalate, a.s.Remind} {
		if !t.IsZero() && (!ok || t.Before(at)) {
			at, ok = t, true
		}
	}
	return at, ok
}

// fire acts on every deadline at or before at, each once.
func (a *alarm) fire(cfg *AlarmConfig, at time.Time, out []Event) []Event {
	s := &a.s
	due := func(t *time.Time) bool {
		if t.IsZero() || t.After(at) {
			return false
		}
		*t = time.Time{}
		return true
	}
	// What is due now is read first, so that what one deadline sets does not
	// count as due here, however the two stand.
	shelf, settle, escalate, remind := due(&s.ShelfEnd), due(&s.Settle), due(&s.Escalate), due(&s.Remind)
	if settle {
		if lasts := s.Conds & (condLamp | condSilent); s.News&condChatter != 0 && lasts&^s.News != 0 {
			a.news(lasts, at)
		}
		s.Text = s.Last
		a.end(condChatter)
		n := a.make(Settled, at)
		n.Text = a.name() + " has settled; the latest: " + s.Last
		n.Why = fmt.Sprintf("No change for %s.", span.Text(s.SettleFor))
		n.Quiet = a.quiet()
		out = append(out, n)
		if lasts := s.Conds & (condLamp | condSilent); n.Quiet != "" && lasts != 0 {
			s.Unacked = true // nobody is told of it now, so it is told when the shelf ends
			a.news(lasts, at)
		}
	}
	if shelf {
		return a.resume(cfg, Unshelved, &Input{At: at}, out)
	}
	if s.Conds == 0 || !s.Unacked || a.quiet() != "" {
		return out
	}
	if escalate && cfg.EscalateAfter > 0 {
		s.Escalated = true
		n := a.make(Escalated, at)
		open := a.open()
		texts, first := make([]string, len(open)), s.Since
		for i, t := range open {
			texts[i], first = t.Text, earliest(first, t.Since)
		}
		n.Text = "Nobody has acknowledged: " + strings.Join(texts, "; ")
		n.Why = fmt.Sprintf("It has lasted %s and was not acknowledged within %s.", span.Text(at.Sub(first)), span.Text(cfg.EscalateAfter))
		if len(open) > 1 {
			n.Why = fmt.Sprintf("The first of them has lasted %s, and none was acknowledged within %s.", span.Text(at.Sub(first)), span.Text(cfg.EscalateAfter))
		}
		out = append(out, n)
	}
	if remind && cfg.RemindEvery > 0 {
		out = append(out, a.reminder(at, fmt.Sprintf("It is not acknowledged; the next reminder is in %s.", span.Text(cfg.RemindEvery))))
		s.Remind = at.Add(cfg.RemindEvery)
	}
	return out
}

// rearm is called when the daemon starts. Reminders, escalation and shelf ends
// that fell due while it was down are due now, once; that nothing was seen to
// change is no evidence of having settled.
func (a *alarm) rearm(at time.Time) {
	s := &a.s
	for _, t := range [...]*time.Time{&s.ShelfEnd, &s.Escalate, &s.Remind} {
		if !t.IsZero() && t.Before(at) {
			*t = at
		}
	}
	if !s.Settle.IsZero() {
		s.Settle = at.Add(s.SettleFor)
	}
}

func (a *alarm) marshal() []byte {
	b, err := json.Marshal(&a.s)
	if err != nil {
		panic("rules: alarm state: " + err.Error()) // plain values and times of this era: cannot fail
	}
	return b
}

// unmarshal restores what marshal wrote; nothing at all is a new alarm. After an
// error the alarm is of no use.
func (a *alarm) unmarshal(b []byte) error {
	a.s = alarmState{}
	if len(b) == 0 {
		return nil
	}
	if err := json.Unmarshal(b, &a.s); err != nil {
		return fmt.Errorf("alarm of %s: %w", a.key, err)
	}
	a.complete()
	return nil
}

// complete adds what older versions did not keep: which conditions are news, and
// what was told of each.
func (a *alarm) complete() {
	s := &a.s
	if s.Unacked && s.News == 0 {
		s.News = s.Conds
	}
	var known conditions
	for _, t := range s.Told {
		known |= t.Cond
	}
	for c := condLamp; c <= condChatter; c <<= 1 {
		if s.Conds&c&^known != 0 {
			s.Told = append(s.Told, condition{Cond: c, Text: s.Text, Since: s.Since})
		}
	}
}

// name is the lamp's or device's name.
func (a *alarm) name() string {
	_, name, _ := strings.Cut(a.key, "/")
	return name
}

// make returns an event of this alarm.
func (a *alarm) make(kind Kind, at time.Time) Event {
	e := Event{At: at, Kind: kind, Confidence: 1, State: a.state(), Since: a.s.Since}
	if sort, name, _ := strings.Cut(a.key, "/"); sort == "lamp" {
		e.Lamp = name
	} else {
		e.Device = name
	}
	return e
}

func (a *alarm) did(kind Kind, in *Input, what, why string) Event {
	e := a.make(kind, in.At)
	e.Text, e.Why, e.By = a.name()+": "+what, why, in.By
	if in.By != "" {
		e.Text += ", by " + in.By
	}
	return e
}

func (a *alarm) reminder(at time.Time, why string) Event {
	e := a.make(Reminder, at)
	open := a.open()
	texts := make([]string, len(open))
	for i, t := range open {
		lasts := span.Text(at.Sub(t.Since))
		how := "for " + lasts
		switch t.Cond {
		case condBattery:
			how = "told " + lasts + " ago" // its text says for how long the battery lasts
		case condSilent, condFault:
			how = "by now for " + lasts // its text may say for how long it did
		}
		texts[i] = fmt.Sprintf("%s (%s)", t.Text, how)
	}
	e.Text, e.Why = "Reminder: "+strings.Join(texts, "; "), why
	return e
}

// clip bounds a text that a snapshot keeps, in bytes.
func clip(s string) string {
	const most = 300
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "")
}
