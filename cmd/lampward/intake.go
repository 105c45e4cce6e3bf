package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/rules"
	"lampward/rules/battery"
	"lampward/rules/span"
)

// intake turns MQTT messages into inputs. It knows which lamps and device
// each topic feeds, and keeps out what is no fresh reading.
type intake struct {
	topics map[string]*topic
	quiet  *broker.Quiet
	strays *broker.Quiet // for topics that nobody configured; apart, for there is no end of them
	count  counters
	copies func() uint64   // second copies that the broker kept out; nil: not known
	barred func() []string // topics that an external broker does not let lampward read; nil: none
}

// counts returns what became of messages so far.
func (t *intake) counts() Counts {
	c := Counts{
		Readings: t.count.readings.Load(), Unknown: t.count.unknown.Load(), Retained: t.count.retained.Load(),
		Late: t.count.late.Load(), Malformed: t.count.malformed.Load(),
	}
	if t.copies != nil {
		c.Repeated = int64(t.copies())
	}
	return c
}

// counters count what became of messages; see Counts.
type counters struct {
	readings, unknown, retained, late, malformed atomic.Int64
}

// Counts are totals since the daemon started.
type Counts struct {
	Readings  int64 `json:"readings"`  // taken
	Unknown   int64 `json:"unknown"`   // on a topic that no lamp or device uses
	Retained  int64 `json:"retained"`  // old state that an external broker keeps: no sign of life
	Repeated  int64 `json:"repeated"`  // second copies of messages that were taken; the broker keeps them out
	Late      int64 `json:"late"`      // measured long before it arrived
	Malformed int64 `json:"malformed"` // no finite number in it
}

// topic is one topic and who reads what from its payloads.
type topic struct {
	device string
	lamps  []topicLamp
	status *broker.DecodeOptions // where battery and signal strength are
	cell   cell                  // how to take what it tells of its battery

	mu sync.Mutex // guards what late keeps
	// lead is engine time minus payload time of the quickest reading.
	lead   time.Duration
	onTime time.Time // of the newest reading that was not late; zero: none yet
	// Late ones after it, one after another, that are late by about as much:
	lates     int
	lateSince time.Time     // of the first of them
	lateLead  time.Duration // its lead
	livedAt   time.Time     // when a late one last counted as a sign of life
	recalled  time.Time     // when onTime was taken up at a start; zero: it is of this run
	// Readings, one after another, in whose times the board's clock hardly goes on:
	stood      int
	stoodSince time.Time // when the first of them came
	stoodAt    time.Time // its own time
}

type topicLamp struct {
	name   string
	device string // mostly that of the topic
	decode broker.DecodeOptions
}

// cell is what a board tells of its battery: volts, or a charge in per cent.
type cell struct {
	milli   bool    // in mV
	percent bool    // the charge, in per cent
	none    bool    // there is no battery
	most    float64 // V, or per cent; more cannot be
}

// The lowest and highest voltage that a board's battery can have, in V: less is volts
// in place of millivolts, or a battery that is not connected; where the number of
// cells is a guess less, so that a charge in per cent is not taken for volts:
// four lithium cells in series are full at 16.8 V.
const (
	leastVolts  = 0.1
	mostVolts   = 1000
	mostGuessed = 18
)

func cellOf(v config.Device, b rules.BatteryConfig) cell {
	c := cell{milli: v.Millivolts, percent: b.InPercent, most: mostVolts}
	switch {
	case b.Chemistry == battery.None:
		c.none = true
	case b.InPercent:
		c.most = 100
	case b.Chemistry != "" && b.Cells == 0:
		c.most = mostGuessed
	}
	return c
}

// take returns what rules.Input.Volts is to be; wrong says why it can be none.
func (c cell) take(told float64) (v *float64, wrong string) {
	if c.none {
		return nil, ""
	}
	got := told
	if c.milli {
		got /= 1000
	}
	least := leastVolts
	if c.percent { // what is less is a share of 1; and who is warned at 1 % needs no fraction of it
		least = 1
	}
	switch {
	case got >= least && got <= c.most, got == 0 && c.percent:
		return &got, ""
	case c.percent:
		return nil, "what stands in place of the battery's charge can be none and is dropped: charge takes per cent, 0 to 100, and not 0.87 for 87; for a voltage name its place by volts or millivolts"
	}
	return nil, "what stands in place of the battery's voltage can be none and is dropped: volts takes volts, millivolts takes millivolts; name the place of a charge in per cent by charge; for a battery of more than 18 V set cells in its [device.battery]"
}

func newIntake(cfg *config.Config, log *slog.Logger) *intake {
	t := &intake{topics: map[string]*topic{}, quiet: broker.NewQuiet(log, 0), strays: broker.NewQuiet(log, 20)}
	device := map[string]config.Device{}
	cells := map[string]cell{}
	for i, v := range cfg.Devices {
		device[v.Name] = v
		cells[v.Name] = cellOf(v, cfg.Rules.Devices[i].Battery)
	}
	at := func(name, owner string) *topic {
		x := t.topics[name]
		if x == nil {
			x = &topic{device: owner}
			t.topics[name] = x
		}
		v := device[owner]
		o := broker.DecodeOptions{Value: broker.NoValue}
		alone := name == v.BatteryTopic || name == v.RSSITopic
		if name == v.BatteryTopic || v.BatteryTopic == "" && !alone {
			o.Battery = v.Battery
		}
		if name == v.RSSITopic || v.RSSITopic == "" && !alone {
			o.RSSI = v.RSSI
		}
		if o.Battery != "" || o.RSSI != "" {
			x.status, x.cell = &o, cells[owner]
		}
		return x
	}
	for i, l := range cfg.Lamps {
		board := cfg.Rules.Lamps[i].Board()
		x := at(l.Topic, board)
		x.lamps = append(x.lamps, topicLamp{l.Name, board, broker.DecodeOptions{Value: l.Value}})
	}
	for _, v := range cfg.Devices {
		for _, name := range v.Topics() {
			at(name, v.Name)
		}
	}
	return t
}

// names lists the topics, for the subscription to an external broker.
func (t *intake) names() []string {
	out := make([]string, 0, len(t.topics))
	for name := range t.topics {
		out = append(out, name)
	}
	return out
}

// inputs appends what one message says to out; now is engine time. What cannot be
// read is no error: it is counted, logged once, and acknowledged, for sending it
// again would not better it.
func (t *intake) inputs(out []rules.Input, m broker.Message, now func() time.Time) []rules.Input {
	x := t.topics[m.Topic]
	switch {
	case x == nil:
		t.count.unknown.Add(1)
		t.strays.Note("topic", m.Topic, "no_such_topic", "a message came on a topic that no lamp or board has; compare it with the configuration, letter by letter")
		return out
	case m.Retained:
		t.count.retained.Add(1)
		return out
	case offline(m.Payload):
		t.count.malformed.Add(1)
		t.quiet.Note("topic", m.Topic, "offline", "a message says that the board is offline, as a will does; it is no sign of life")
		if m.Client == "" { // else lampward's own broker tells more of the connection
			out = append(out, rules.Input{Kind: rules.InLink, Device: x.device, Word: rules.LinkOffline, Was: now()})
		}
		return out
	}
	trouble := func(err error) {
		t.quiet.Note("topic", m.Topic, string(broker.ReasonOf(err)), "a payload cannot be read as configured; what cannot be read is dropped", "error", err)
	}
	// Any message is a sign of life, so what is wrong with the status spoils
	// nothing else.
	status := rules.Input{Kind: rules.InReading, Device: x.device}
	if x.status != nil {
		if samples, err := broker.Decode(m.Payload, *x.status); err != nil {
			trouble(err)
		} else {
			s := samples[0] // without a value there is one
			status.RSSI = s.RSSI
			if s.Battery != nil {
				var wrong string
				if status.Volts, wrong = x.cell.take(*s.Battery); wrong != "" {
					t.quiet.Note("device", x.device, "battery", wrong, "value", *s.Battery)
				}
			}
			if s.Warn != nil {
				trouble(s.Warn)
			}
		}
	}
	add := func(l topicLamp, v float64) {
		in := rules.Input{Kind: rules.InReading, Lamp: l.name, Device: l.device, Value: v}
		if len(out) == 0 {
			in.Volts, in.RSSI = status.Volts, status.RSSI
		}
		out = append(out, in)
	}
	late := false
	for _, l := range x.lamps {
		if l.decode == (broker.DecodeOptions{}) {
			if v, ok := broker.WholeNumber(m.Payload); ok { // as Decode would say, at more cost
				add(l, v)
				continue
			}
		}
		samples, err := broker.Decode(m.Payload, l.decode)
		if err != nil {
			t.count.malformed.Add(1)
			trouble(err)
			continue
		}
		// The newest first: it tells by how much the board's clock is off, if
		// nothing did before, and the others are late by comparison.
		first := len(samples)
		if at := samples[first-1].At; !at.IsZero() {
			x.follow(now(), at)
		}
		for _, s := range slices.Backward(samples) {
			if s.Ago > lateAfter || !s.At.IsZero() && x.late(now(), s.At) {
				t.count.late.Add(1)
				t.quiet.Note("topic", m.Topic, "late", "a reading came more than ten minutes late by the time that it carries: it tells nothing of now, and is dropped", whenMeasured(s)...)
				late = true
				continue
			}
			first--
			samples[first] = s
		}
		for _, s := range samples[first:] {
			add(l, s.Value)
		}
	}
	if len(x.lamps) == 0 {
		out = append(out, status)
	}
	switch {
	case len(out) > 0:
		t.count.readings.Add(1)
	case !late: // whether the lamps miss their values is for the rules to judge
		out = append(out, status)
	case x.lives(now()):
		out = append(out, rules.Input{Kind: rules.InReading, Device: x.device, Word: rules.ReadingLate})
	}
	return out
}

// whenMeasured says for the log what a sample itself says of its time.
func whenMeasured(s broker.Sample) []any {
	if s.At.IsZero() {
		return []any{"measured", span.Text(s.Ago) + " before it was sent"}
	}
	return []any{"measured", s.At.Format(time.RFC3339)}
}

// offline tells whether a payload is the word that a board's will usually is
// (common practice, no source). An external broker publishes a will like any other
// message, and the board is dead by then.
func offline(payload []byte) bool {
	if len(payload) > 32 || len(payload) < len("offline") {
		return false
	}
	return bytes.EqualFold(bytes.Trim(bytes.TrimSpace(payload), `"`), []byte("offline"))
}

// lateAfter is how much later than its fellows a reading may arrive and still
// tell what the lamp does now.
const lateAfter = 10 * time.Minute

// lateLife is how often late readings count as a sign of life: the board that
// sends them is not silent, but those of a backlog are no cadence. Without one
// that is not late for lateLong, nobody watches the lamp, and that is to be told.
const (
	lateLife = 30 * time.Second
	lateLong = time.Hour
)

const (
	// lateFew is how many late readings, over more than lateAfter, tell that a
	// clock was set, if all are late by as much, to lateSame: those of a backlog
	// come quicker than they were measured, or with fresh ones in between.
	lateFew  = 3
	lateSame = 2 * time.Minute
	// standsPart is the part of the time by which a clock may go on and still be
	// said to stand: some go on while the board is awake.
	standsPart = 4
	// leadDrift is how much slower than ours a board's clock may run, one part
	// in so many; the crystals of small boards are off by a tenth of it.
	leadDrift = 1000
)

// late judges a reading that carries its own time by how long it was under
// way, compared to the quickest reading of this topic: a board whose clock is
// hours off is late by the same amount each time, and not late at all. now is
// engine time, for a step of our wall clock makes no reading late; that a
// board's clock was set back is found out after lateAfter.
func (x *topic) late(now, measured time.Time) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	lead := now.Sub(measured)
	quickest := x.lead + now.Sub(x.onTime)/leadDrift
	switch {
	case x.onTime.IsZero() || lead <= quickest:
		quickest = lead
	case lead-quickest <= lateAfter:
	case !x.clockSet(now, lead):
		return true
	default:
		quickest = lead
	}
	x.lead, x.onTime, x.lates = quickest, now, 0
	return false
}

// follow looks whether a board's clock stands: that of a board that starts anew for
// each report begins at the same date each time, if it has no battery, and so each
// reading seems to be under way for longer than the one before. In a backlog it
// goes on, and mostly faster than ours.
func (x *topic) follow(now, measured time.Time) {
	x.mu.Lock()
	defer x.mu.Unlock()
	passed, went := now.Sub(x.stoodSince), measured.Sub(x.stoodAt)
	if x.stood == 0 || went < -lateSame || went > max(lateSame, passed/standsPart) {
		x.stood, x.stoodSince, x.stoodAt = 1, now, measured
		return
	}
	if x.stood++; x.stood >= lateFew && passed > lateAfter {
		x.lead, x.onTime, x.lates = now.Sub(measured), now, 0
	}
}

// keptClock is how a board's clock goes, as it outlasts a restart.
type keptClock struct {
	Lead   int64 `json:"lead"`    // topic.lead, ms
	OnTime int64 `json:"on_time"` // topic.onTime, Unix ms
}

// clocks returns what is known of the boards' clocks, for the next start: what they
// saved up while lampward was away is late. nil: nothing is known.
func (t *intake) clocks() []byte {
	kept := map[string]keptClock{}
	for name, x := range t.topics {
		x.mu.Lock()
		if !x.onTime.IsZero() {
			kept[name] = keptClock{x.lead.Milliseconds(), x.onTime.UnixMilli()}
		}
		x.mu.Unlock()
	}
	if len(kept) == 0 {
		return nil
	}
	b, err := json.Marshal(kept)
	if err != nil {
		return nil // whole numbers: cannot fail
	}
	return b
}

// recall takes up, at the start, what clocks returned before it. What it cannot read it
// does not need.
func (t *intake) recall(b []byte, now time.Time) {
	var kept map[string]keptClock
	if json.Unmarshal(b, &kept) != nil {
		return
	}
	for name, k := range kept {
		if x := t.topics[name]; x != nil {
			x.mu.Lock()
			x.lead, x.onTime = time.Duration(k.Lead)*time.Millisecond, time.UnixMilli(k.OnTime).UTC()
			x.recalled = now
			x.mu.Unlock()
		}
	}
}

// lives tells whether a message with nothing but late readings counts as a sign
// of life.
func (x *topic) lives(now time.Time) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	onTime := x.onTime
	if onTime.Before(x.recalled) { // nobody listened in between
		onTime = x.recalled
	}
	if now.Sub(x.livedAt) < lateLife || now.Sub(onTime) > lateLong {
		return false
	}
	x.livedAt = now
	return true
}

// clockSet takes a late reading and tells whether those so far are late because a
// clock was set.
func (x *topic) clockSet(now time.Time, lead time.Duration) bool {
	if x.lates == 0 || (lead-x.lateLead).Abs() > lateSame {
		x.lates, x.lateSince, x.lateLead = 0, now, lead
	}
	x.lates++
	return x.lates >= lateFew && now.Sub(x.lateSince) > lateAfter
}

// Publish implements broker.Sink: it returns nil once the reading is stored.
func (d *daemon) Publish(ctx context.Context, m broker.Message) error {
	var few [4]rules.Input
	inputs := d.intake.inputs(few[:0], m, d.clock.Now)
	if len(inputs) == 0 {
		return nil
	}
	j := job{client: m.Client}
	if m.QoS > 0 {
		return d.do(ctx, j, inputs...)
	}
	return d.enqueue(ctx, j, inputs...) // nobody waits for a QoS 0 reading to be stored
}

// PublishLater implements broker.LaterSink.
func (d *daemon) PublishLater(ctx context.Context, m broker.Message, done chan<- error) error {
	var few [4]rules.Input
	inputs := d.intake.inputs(few[:0], m, d.clock.Now)
	if len(inputs) == 0 {
		done <- nil
		return nil
	}
	return d.enqueue(ctx, job{client: m.Client, done: done}, inputs...)
}

// Link implements broker.Sink.
func (d *daemon) Link(ctx context.Context, l broker.Link) {
	_ = d.enqueue(ctx, job{link: &l}) // lost only if the daemon stops
}

// Uplink implements broker.Sink.
func (d *daemon) Uplink(ctx context.Context, up bool, reason string) {
	word, why := rules.UplinkUp, &reason
	if up {
		why = nil
	}
	if was := d.cutOff.Swap(why); !up {
		if was != nil {
			return // it is down, whatever keeps it from coming back; the broker logs that
		}
		word = rules.UplinkDown
		d.log.Warn("the connection to the broker is down", "reason", reason)
	}
	_ = d.enqueue(ctx, job{}, rules.Input{Kind: rules.InUplink, Word: word}) // lost only if the daemon stops
}

// links keeps the newest news of each device's connection in memory and hands
// it to the rules only when a deadline is due: a board that connects for each
// reading would otherwise cost two stored inputs more a reading.
type links struct {
	boards  map[string]*boardLink // by device
	devices map[string][]string   // those that a client speaks for; never more than there are devices
	waiting []*boardLink          // those with news that the rules do not have
}

// boardLink is what is known of one device's connection.
type boardLink struct {
	client  string      // that last spoke for the device
	up, end time.Time   // engine time at which its newest connection began, as far as is known, and ended; end zero: it stands
	news    rules.Input // the newest; no Word: none
	waits   bool        // it is among waiting
}

func (l *links) wait(b *boardLink) {
	if !b.waits {
		b.waits = true
		l.waiting = append(l.waiting, b)
	}
}

// heard notes that client spoke for device.
func (l *links) heard(device, client string, at time.Time) {
	b := l.boards[device]
	if device == "" || client == "" || b != nil && b.client == client {
		return
	}
	// Copied, for both may point into the broker's buffers.
	device, client = strings.Clone(device), strings.Clone(client)
	if l.boards == nil {
		l.boards, l.devices = map[string]*boardLink{}, map[string][]string{}
	}
	if b == nil {
		b = &boardLink{}
		l.boards[device] = b
	} else if rest := slices.DeleteFunc(l.devices[b.client], func(d string) bool { return d == device }); len(rest) > 0 {
		l.devices[b.client] = rest
	} else {
		delete(l.devices, b.client)
	}
	// What is known is of a connection that the board uses no more.
	*b = boardLink{client: client, up: at, waits: b.waits}
	l.devices[client] = append(l.devices[client], device)
}

// note keeps news of a client for each device it spoke for.
func (l *links) note(n broker.Link, at time.Time) {
	for _, device := range l.devices[n.Client] {
		b := l.boards[device]
		news := rules.Input{Kind: rules.InLink, Device: device, Word: n.Word, Was: at}
		if n.Word == broker.LinkUp {
			b.up, b.end = at, time.Time{}
		} else {
			if b.end.IsZero() {
				b.end = at
			}
			news.For = max(b.end.Sub(b.up), 1)
		}
		// The will comes with the loss that published it and says more.
		if !b.waits || b.news.Word != broker.LinkWill || n.Word != broker.LinkLost {
			b.news = news
		}
		l.wait(b)
	}
}

// flush returns the news that the rules do not have yet.
func (l *links) flush() (out []rules.Input) {
	for _, b := range l.waiting {
		b.waits = false
		if b.news.Word != "" {
			out = append(out, b.news)
		}
	}
	l.waiting = nil
	return out
}

// again has flush return all there is: the rules begin anew.
func (l *links) again() {
	for _, b := range l.boards {
		l.wait(b)
	}
	slices.SortFunc(l.waiting, func(a, b *boardLink) int {
		return cmp.Or(a.news.Was.Compare(b.news.Was), cmp.Compare(a.news.Device, b.news.Device))
	})
}
