package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"lampward/cmd/lampward/page"
	"lampward/notify"
	"lampward/rules"
	"lampward/rules/battery"
	"lampward/rules/learn"
	"lampward/rules/span"
	"lampward/store"
)

// pageSource shows the daemon to the page: engine time becomes wall time,
// and what a person wants becomes an input.
type pageSource struct {
	d *daemon

	once   sync.Once
	levels chan struct{} // has one token while levels are being changed
}

// look runs fn between two steps of the loop.
func (p *pageSource) look(ctx context.Context, fn func(m *rules.Machine)) error {
	most, cancel := context.WithTimeout(ctx, lookWait)
	defer cancel()
	err := p.d.do(most, job{look: fn})
	if err != nil && ctx.Err() == nil {
		return fmt.Errorf("lampward does not answer: %s", p.busy())
	}
	return err
}

// lookWait is how long who looks waits for the loop, which has never that much to do.
const lookWait = 20 * time.Second

// busy says what may keep the loop from answering, and what to do.
func (p *pageSource) busy() string {
	return "it has very much to do, or the disk that it stores to hangs; check the disk, and the file system of " + p.d.cfg.Store.Dir
}

// act hands the loop what a person wants, and waits until it is stored, on a disk that
// hangs not without end. then, unless it is nil, is called with what became of it, be
// it that nobody waits any more; what it returns is what the person is told.
func (p *pageSource) act(ctx context.Context, in rules.Input, then func(error) error) error {
	most, cancel := context.WithTimeout(ctx, lookWait)
	defer cancel()
	stored := make(chan error, 1)
	if err := p.d.enqueue(most, job{done: stored}, in); err != nil {
		err = cmp.Or(ctx.Err(), fmt.Errorf("nothing was changed, for lampward does not answer: %s", p.busy()))
		if then != nil {
			err = then(err)
		}
		return err
	}
	told := stored
	if then != nil {
		told = make(chan error, 1)
		go func() { told <- then(<-stored) }()
	}
	select {
	case err := <-told:
		return err
	case <-most.Done():
		return cmp.Or(ctx.Err(), errors.New("this is noted, but not stored yet, for the disk is slow or hangs: if lampward is stopped now, it is lost; look again before you repeat it"))
	}
}

// stored waits until everything that was taken so far is stored, so that who
// looks sees the newest reading too. While storing does not work there is
// nothing to wait for, and a disk that hangs is not waited for long.
func (p *pageSource) stored(ctx context.Context) error {
	most, cancel := context.WithTimeout(ctx, storedWait)
	defer cancel()
	_ = p.d.do(most, job{})
	return ctx.Err()
}

// storedWait is how long who looks waits for the disk: a slow memory card takes less.
const storedWait = 5 * time.Second

// told waits until every event that was decided so far is stored. For who is told of
// one and looks at once would not find it yet. Readings that wait to be stored together
// go on waiting.
func (p *pageSource) told(ctx context.Context) error {
	var waits bool
	if err := p.look(ctx, func(*rules.Machine) { waits = p.d.untold() }); err != nil || !waits {
		return err
	}
	return p.stored(ctx)
}

// wallTime turns engine time into wall time.
func wallTime(t time.Time, offset time.Duration) time.Time {
	if t.IsZero() {
		return t
	}
	return t.Add(offset)
}

func (p *pageSource) Status(ctx context.Context, only ...string) (page.Status, error) {
	var st page.Status
	err := p.look(ctx, func(m *rules.Machine) { st = p.status(m, only) })
	return st, err
}

// status is called by the loop.
func (p *pageSource) status(m *rules.Machine, only []string) page.Status {
	d := p.d
	now, offset := d.clock.Now(), d.wall.offset
	c := d.intake.counts()
	st := page.Status{
		Now: now.Add(offset), Uncertain: d.wall.doubted, Version: version(), Routes: []string{}, Failing: []page.Failing{},
		Counts: map[string]int64{"readings": c.Readings, "unknown": c.Unknown, "retained": c.Retained,
			"repeated": c.Repeated, "late": c.Late, "malformed": c.Malformed},
		Lamps: []page.Lamp{}, Boards: []page.Board{},
	}
	if err := cmp.Or(d.broken, d.hangs(), d.store.Gone()); err != nil {
		st.Broken = err.Error()
	}
	if text := d.damage.Load(); text != nil {
		st.Damaged = *text
	}
	if why := d.cutOff.Load(); why != nil {
		st.CutOff = *why
	}
	if d.intake.barred != nil {
		st.Barred = d.intake.barred()
	}
	for _, r := range d.routes.policies {
		st.Routes = append(st.Routes, r.Route)
	}
	for _, t := range d.shownFailing() {
		st.Failing = append(st.Failing, page.Failing{Route: t.Route, Since: t.Since.Add(offset), Note: t.Note})
	}
	cfg := m.Config()
	normal := map[string]string{}
	for _, name := range cfg.Alarm.DarkIsAlarm {
		normal[name] = "lit"
	}
	lampsOf := map[string][]string{}
	for _, l := range cfg.Lamps {
		b := l.Board()
		lampsOf[b] = append(lampsOf[b], l.Name)
	}
	board := func(s rules.DeviceStatus) {
		b := boardOf(s, offset)
		b.Lamps = lampsOf[s.Name]
		if a, ok := m.DeviceAlarm(s.Name); ok {
			b.Alarm = alarmOf(a, offset)
		}
		st.Boards = append(st.Boards, b)
	}
	lamp := func(s rules.LampStatus, c rules.LampConfig) {
		l := lampOf(s, c, offset)
		l.Normal = cmp.Or(normal[s.Name], "dark")
		if a, ok := m.LampAlarm(s.Name); ok {
			l.Alarm = alarmOf(a, offset)
		}
		st.Lamps = append(st.Lamps, l)
	}
	if len(only) == 0 {
		for i, s := range m.Lamps() {
			lamp(s, cfg.Lamps[i])
		}
		for _, s := range m.Devices(now) {
			board(s)
		}
		return st
	}
	seen := map[string]bool{}
	for i, c := range cfg.Lamps {
		if !slices.Contains(only, c.Name) {
			continue
		}
		if s, ok := m.LampStatus(c.Name); ok {
			lamp(s, cfg.Lamps[i])
		}
		if b := c.Board(); !seen[b] {
			seen[b] = true
			if s, ok := m.DeviceStatus(b, now); ok {
				board(s)
			}
		}
	}
	return st
}

func lampOf(s rules.LampStatus, c rules.LampConfig, offset time.Duration) page.Lamp {
	v, a := s.Verdict, s.Aim
	l := page.Lamp{
		Name: s.Name, Board: s.Device, State: v.State.String(), Since: wallTime(v.Since, offset),
		At: wallTime(s.At, offset), Value: s.Value, OnAbove: v.OnAbove, OffBelow: v.OffBelow,
		Inverted: c.Learn.LitLower, ByHand: c.Learn.Manual.IsSet(), Confidence: v.Confidence,
		Guess: v.Provisional, Fault: s.Fault,
		Aim: page.Aim{Dark: a.Dark, Lit: a.Lit, Noise: a.Noise, Separation: a.Separation, Grade: a.Grade, Hint: a.Hint},
	}
	return l
}

func boardOf(s rules.DeviceStatus, offset time.Duration) page.Board {
	b := page.Board{
		Name: s.Name, Silent: s.Silent, Cause: strings.Join(s.Causes, "; "), Last: wallTime(s.Heard, offset), Every: s.Every,
		Volts: s.Volts, Charge: s.Charge, RSSI: s.RSSI,
	}
	if f := s.Battery; f != nil {
		b.Flat = &page.Flat{At: wallTime(f.Flat, offset), Early: wallTime(f.Early, offset), Late: wallTime(f.Late, offset), Basis: f.Basis}
	}
	return b
}

func alarmOf(a rules.AlarmStatus, offset time.Duration) page.Alarm {
	return page.Alarm{State: a.State, Text: a.Text, Since: wallTime(a.Since, offset), Also: a.Also, Mark: a.Mark, Until: wallTime(a.ShelfEnd, offset)}
}

func (p *pageSource) Events(ctx context.Context, q page.EventQuery) ([]page.Event, error) {
	f := store.EventFilter{Key: key(q.Lamp, q.Board), Before: q.Before, From: q.From, To: q.To, Limit: q.Limit}
	for _, k := range q.Kinds {
		if !slices.Contains(rules.Kinds(), rules.Kind(k)) {
			var known []string
			for _, k := range rules.Kinds() {
				known = append(known, string(k))
			}
			return nil, refusal("There is no kind %.60q of event; kinds are %s.", k, strings.Join(known, ", "))
		}
		f.Kinds = append(f.Kinds, rules.Kind(k))
	}
	if err := p.told(ctx); err != nil {
		return nil, err
	}
	list, err := p.d.store.Events(ctx, f)
	if err != nil {
		return nil, err
	}
	out := make([]page.Event, len(list))
	for i, s := range list {
		e := s.Event
		value, on, off := e.Counts()
		out[i] = page.Event{
			ID: s.ID, Row: s.Row, Time: s.Wall, Uncertain: s.WallUncertain, Kind: string(e.Kind), Lamp: e.Lamp, Board: e.Device,
			Value: value, OnAbove: on, OffBelow: off, Confidence: e.Confidence, Guess: e.Provisional,
			State: e.State, Since: wallTime(e.Since, s.Wall.Sub(e.At)), Text: e.Text, Why: e.Why, By: e.By, Quiet: e.Quiet,
		}
	}
	return out, nil
}

func (p *pageSource) Trace(ctx context.Context, lamp string, from, to time.Time, points int) ([]page.Point, error) {
	if err := p.stored(ctx); err != nil {
		return nil, err
	}
	list, err := p.d.store.Trace(ctx, lamp, from, to, points)
	if err != nil {
		return nil, err
	}
	out := make([]page.Point, len(list))
	for i, x := range list {
		out[i] = page.Point{At: x.Wall, Span: x.Span, Min: x.Min, Mean: x.Mean, Max: x.Max, Count: x.Count}
	}
	return out, nil
}

func (p *pageSource) Deliveries(ctx context.Context, q page.DeliveryQuery) ([]page.Delivery, error) {
	if err := p.told(ctx); err != nil {
		return nil, err
	}
	list, err := p.d.store.Deliveries(ctx, store.DeliveryFilter{State: store.State(q.State), Route: q.Route,
		Key: key(q.Lamp, q.Board), Before: q.Before, Limit: q.Limit})
	if err != nil {
		return nil, err
	}
	var offset time.Duration
	if err := p.look(ctx, func(*rules.Machine) { offset = p.d.wall.offset }); err != nil {
		return nil, err
	}
	out := make([]page.Delivery, len(list))
	for i, x := range list {
		out[i] = page.Delivery{
			ID: x.ID, Event: x.EventID, Route: x.Route, State: string(x.State), Time: x.Wall, Kind: string(x.Event.Kind),
			Lamp: x.Event.Lamp, Board: x.Event.Device, Text: x.Event.Text, Attempts: x.Attempts, Last: x.LastWall, Note: x.Note,
		}
		if x.State == store.Pending {
			out[i].Due = wallTime(x.Due, offset)
		}
		out[i].Doubt = x.State == store.Sent && notify.Doubtful(x.Note)
		if x.State == store.Sent && x.Attempts == 0 {
			out[i].State = page.LeftOut
		}
	}
	return out, nil
}

// Do turns what a person wants into an input, or does it.
func (p *pageSource) Do(ctx context.Context, a page.Action) (string, error) {
	switch a.Verb {
	case page.Resend:
		return p.resend(ctx, a)
	case page.Try:
		return p.try(ctx)
	}
	name := a.Lamp + a.Board // one of them is empty
	var alarm rules.AlarmStatus
	var known, manual, unheard, silent, none bool
	swapped := "" // what a person says who teaches fits if lit and dark are
	err := p.look(ctx, func(m *rules.Machine) {
		if a.Lamp != "" {
			if s, ok := m.LampStatus(a.Lamp); ok {
				d, _ := m.DeviceStatus(s.Device, p.d.clock.Now())
				unheard, silent = s.At.IsZero(), d.Silent
			}
			if i := slices.IndexFunc(m.Config().Lamps, func(l rules.LampConfig) bool { return l.Name == a.Lamp }); i >= 0 {
				c := m.Config().Lamps[i].Learn
				manual = c.Manual.IsSet()
				swapped = ifSwapped(m, a, c)
			}
		}
		none = slices.ContainsFunc(m.Config().Devices, func(d rules.DeviceConfig) bool {
			return d.Name == a.Board && d.Battery.Chemistry == battery.None
		})
		alarm, known = alarmFor(m, a)
	})
	if err != nil {
		return "", err
	}
	if !known {
		return "", missing("There is no lamp or board %q.", name)
	}
	in := rules.Input{Lamp: a.Lamp, Device: a.Board, By: a.By}
	said := ""
	switch a.Verb {
	case page.Ack:
		if unseen(a, alarm) {
			return "", p.news(name, alarm)
		}
		in.Kind, in.Word, said = rules.InAck, a.Seen, name+": acknowledged."
		if alarm.State == rules.AlarmNormal || alarm.State == rules.AlarmAcknowledged {
			said = name + ": there was nothing to acknowledge."
		}
	case page.Shelve:
		in.Kind, in.For, said = rules.InShelve, a.For, fmt.Sprintf("%s: nothing is sent about it for %s.", name, page.Long(a.For))
		if alarm.State == rules.AlarmOutOfService {
			return "", refusal("%s is out of service, so nothing is sent about it anyway.", name)
		}
	case page.Unshelve:
		in.Kind, said = rules.InShelve, name+": no longer shelved."
		if alarm.State != rules.AlarmShelved {
			said = name + ": it was not shelved."
		}
	case page.Retire:
		in.Kind, in.Word, said = rules.InService, "out", name+": out of service."
	case page.Reinstate:
		in.Kind, in.Word, said = rules.InService, "in", name+": in service."
	case page.Teach:
		in.Kind, in.Word, said = rules.InTeach, a.State, fmt.Sprintf("%s: noted that it is %s now.", name, a.State)
		if a.State == page.Anew {
			in.Word = rules.Anew
			if manual {
				return "", refusal("The levels of %s are set by hand, so nothing of it is learned.", name)
			}
			said = name + ": what was learned is forgotten; it is learned from now on."
			break
		}
		// What a person sees goes with the newest reading, which must be one of now.
		switch {
		case silent:
			return "", refusal("The board of %s is silent, so there is no reading to go with what you see. Say it again once the board reports.", name)
		case unheard:
			return "", refusal("No reading of %s has come since the start, so there is none to go with what you see. Say it again after the next.", name)
		}
		said += swapped
	case page.Battery:
		if none {
			return "", refusal("%s has no battery, says the configuration. If it has one again, take chemistry = \"none\" out of its [device.battery], reload, and say so then.", name)
		}
		in.Kind, said = rules.InBattery, name+": fresh battery noted."
	case page.Levels, page.Relearn:
		return p.setLevels(ctx, a)
	default:
		return "", refusal("There is no action %q.", a.Verb)
	}
	if err := p.act(ctx, in, nil); err != nil {
		return "", err
	}
	if a.Verb == page.Ack { // something may have come before it
		if err := p.look(ctx, func(m *rules.Machine) { alarm, known = alarmFor(m, a) }); err != nil {
			return "", err
		}
		if known && unseen(a, alarm) {
			return "", p.news(name, alarm)
		}
	}
	return said, nil
}

// ifSwapped is what the answer to a person who teaches adds if the readings tell the
// opposite of what they see.
func ifSwapped(m *rules.Machine, a page.Action, c learn.Config) string {
	s, err := learn.ParseState(a.State)
	if a.Verb != page.Teach || err != nil {
		return ""
	}
	why := m.Swapped(a.Lamp, s)
	if why == "" {
		return ""
	}
	reads, levels := "lower", ""
	if c.LitLower {
		reads = "higher"
	}
	if c.Manual.IsSet() {
		levels = ", and set its levels anew"
	}
	return fmt.Sprintf(" But %s. If the lamp changed after that reading, say it again after the next; if not, lit and dark may be swapped: then write lit_reads = %q for it in the configuration%s.", why, reads, levels)
}

// alarmFor returns the alarm that an action is about.
func alarmFor(m *rules.Machine, a page.Action) (alarm rules.AlarmStatus, known bool) {
	if a.Lamp != "" {
		return m.LampAlarm(a.Lamp)
	}
	return m.DeviceAlarm(a.Board)
}

// unseen tells whether there is something to acknowledge that the person who does
// was not shown.
func unseen(a page.Action, alarm rules.AlarmStatus) bool {
	return a.Seen != "" && a.Seen != alarm.Mark && alarm.State != rules.AlarmNormal && alarm.State != rules.AlarmAcknowledged
}

func (p *pageSource) news(name string, alarm rules.AlarmStatus) error {
	return fmt.Errorf("%s: not acknowledged yet, for this came since you looked: %s (%s ago). If you know that too, acknowledge again.: %w",
		name, alarm.Text, page.Long(p.d.clock.Now().Sub(alarm.Since)), page.ErrNews)
}

func refusal(format string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(format, args...), page.ErrRefused)
}

func missing(format string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(format, args...), page.ErrUnknown)
}

// resend puts a message that was given up back in line, or all of them.
func (p *pageSource) resend(ctx context.Context, a page.Action) (said string, err error) {
	if a.All {
		var n int
		if n, err = p.d.store.ResendDead(ctx, p.d.clock.Now()); n == 0 && err == nil {
			return "There is no message that was not delivered.", nil
		}
		said = span.Count(n, "message") + " are back in line."
		if n == 1 {
			said = "1 message is back in line."
		}
	} else {
		err = p.d.store.Resend(ctx, a.ID, p.d.clock.Now())
		said = fmt.Sprintf("Message %d is back in line.", a.ID)
	}
	switch {
	case errors.Is(err, store.ErrNotFound):
		return "", missing("There is no message %d.", a.ID)
	case errors.Is(err, store.ErrSent):
		return "", refusal("Message %d was delivered already.", a.ID)
	case err != nil:
		return "", err
	}
	// It may be one of a route that was wrong, and has another name since. If the loop
	// does not answer, the next start hands it on.
	_ = p.look(ctx, func(*rules.Machine) { p.d.handOn = true })
	p.d.worker.Wake()
	return said, nil
}

// try sends a test message through every route.
func (p *pageSource) try(ctx context.Context) (string, error) {
	if len(p.d.routes.all) == 0 {
		return "", refusal("No webhook and no mail is configured, so no message leaves this machine.")
	}
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	var lines []string
	for _, r := range notify.Test(ctx, p.d.routes.all, p.d.clock.Wall()) {
		lines = append(lines, r.String())
	}
	return strings.Join(lines, "\n"), nil
}

// Link tells what the token of a link in a message stands for.
func (p *pageSource) Link(_ context.Context, token string) (page.Action, error) {
	c, err := verifyLink(p.d.linkKey, token, p.d.clock)
	if err != nil {
		return page.Action{}, refusal("%s", err)
	}
	lamp, board := subject(c.About)
	return page.Action{Verb: c.Action, Lamp: lamp, Board: board, For: c.For}, nil
}
