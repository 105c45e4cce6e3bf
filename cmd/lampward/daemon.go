package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"lampward/cmd/lampward/config"
	"lampward/notify"
	"lampward/rules"
	"lampward/store"
)

// daemon feeds what the broker hears to the rules, the store and the outbox.
// Its loop is the only goroutine that touches the machine.
type daemon struct {
	cfg    *config.Config
	log    *slog.Logger
	clock  clock
	store  keeper
	worker *notify.Worker
	routes *routes
	// linkKey signs the links in messages.
	linkKey []byte
	// tap is told of each input and its events as they are decided, for those
	// who watch live; it must not block. nil: nobody.
	tap func(in rules.Input, events []rules.Event)
	// keeps is told of what holds events and was stored, in the loop. nil: nobody.
	keeps func(recs []store.Record)
	// progress is told how much of long work at the start is done, in per cent.
	// nil: nobody.
	progress func(doing string, done int64)

	jobs *queue
	// dones holds channels for job.done, to be used again. Not one pool for
	// all daemons: tests that fake time may not share channels.
	dones sync.Pool

	machine *rules.Machine
	intake  *intake
	links   links
	uplink  string // the newest word of InUplink; "": none yet
	wall    wallWatch

	stepped  atomic.Int64   // inputs given to the rules since the start
	pending  []store.Record // stepped, not yet stored
	waiting  []chan<- error // who waits for pending to be durable
	storing  *batch         // stepped before pending, being stored now; nil: nothing
	began    time.Time      // engine time when storing it began
	stored   chan outcome   // tells what became of storing
	spare    *batch         // stored, its memory to be used again
	flushAt  time.Time      // engine time by which pending must be stored; zero: none pending
	seq      int64          // of the newest stored input
	snapAt   time.Time      // engine time of the next snapshot
	snapSeq  int64          // of the newest snapshot
	tried    int64          // seq when a snapshot was tried last
	pruned   chan struct{}  // closed once the newest prune has ended; nil: none began
	broken   error          // why memory could not follow the disk; readings are refused meanwhile
	mendAt   time.Time      // when to try again
	refusals int            // since broken
	rebuilt  bool           // since broken, and those who watch were told
	stray    bool           // adopt did not do all; the next snapshot has it try again
	handOn   bool           // adopt may have something to do now

	said map[string]time.Time // since broken, when each cause was logged last

	damage atomic.Pointer[string] // what the newest inspection found; nil: nothing
	again  bool                   // it was before the start: the next is to be at once
	cutOff atomic.Pointer[string] // why an external broker sends nothing; nil: it does. Set by the broker's goroutine
}

// keeper is what the daemon needs of the store. Tests put something between.
type keeper interface {
	Append(ctx context.Context, recs []store.Record, sync bool) (firstSeq int64, err error)
	Inputs(ctx context.Context, afterSeq int64, fn func(seq int64, in rules.Input, events [][]byte) error) error
	LoadSnapshot(ctx context.Context, fn func(store.Part) error) (seq int64, err error)
	SaveSnapshot(ctx context.Context, seq int64, each func(func(store.Part) error) error) error
	Prune(ctx context.Context, now time.Time) error
	CorrectWall(ctx context.Context, fromSeq int64, offset time.Duration) error
	Held(ctx context.Context, line string) ([]rules.Delivery, error)
	Hold(ctx context.Context, id int64, due time.Time, note string) error
	Follow(ctx context.Context, routes []store.RouteMark) ([]store.RouteName, error)
	Stray(ctx context.Context, routes []string, after int64, limit int) ([]rules.Delivery, error)
	Reroute(ctx context.Context, at time.Time, moves []store.Move) (moved int, err error)
	Owed(ctx context.Context) (store.Owed, error)
	ID() string
	LastSeq() int64
	LastAt() time.Time
	LastOffset() time.Duration
	LastDoubted() bool

	// For the page, the meters and the daily inspection:
	Events(ctx context.Context, f store.EventFilter) ([]store.StoredEvent, error)
	Trace(ctx context.Context, lamp string, from, to time.Time, points int) ([]store.Point, error)
	Deliveries(ctx context.Context, f store.DeliveryFilter) ([]store.DeliveryRow, error)
	Resend(ctx context.Context, id int64, due time.Time) error
	ResendDead(ctx context.Context, due time.Time) (n int, err error)
	Size(ctx context.Context) (store.Size, error)
	Check(ctx context.Context) (store.Report, error)
	Gone() error
}

const (
	snapshotEvery = time.Hour       // a restart replays at most the inputs since the last one
	snapshotAfter = 20_000          // inputs, or snapshotEach a lamp if that is more, for a fleet too busy for snapshotEvery
	snapshotEach  = 200             // inputs a lamp, whose part of a snapshot is of some 6 kB
	storeTakes    = time.Minute     // no disk that works takes longer for one batch
	mendEvery     = 2 * time.Second // between attempts to store again after a failure
	maxBatch      = 4000            // inputs for which a transaction begins though nobody waits for it
	maxPending    = 2 * maxBatch    // inputs for which the loop waits for the transaction before
	longGap       = 30 * 24 * time.Hour
)

// loop steps whatever arrives until ctx ends, then stores what is pending and
// a snapshot. While one batch is being stored it steps the next. Open
// rules.Machine.Step, store.Append and notify.Worker next.
func (d *daemon) loop(ctx context.Context) error {
	for {
		wake, cancel := d.nextWake()
		select {
		case <-ctx.Done():
			cancel()
			return d.stop()
		case <-d.jobs.more:
		case o := <-d.stored:
			d.settle(o)
		case <-wake:
		}
		cancel()
		d.takeAll(d.jobs.take())
		d.tick()
		d.commit(ctx)
	}
}

// tick steps what the passage of time brought about, once nothing older waits
// in the queue.
func (d *daemon) tick() {
	if d.broken != nil || d.jobs.len() > 0 {
		return
	}
	d.wall.check(d)
	if d.broken != nil { // found out by the check: the machine is of no use
		return
	}
	now := d.clock.Now()
	if at, ok := d.machine.Next(); ok && !at.After(now) {
		d.step(rules.Input{Kind: rules.InTick}, now)
	}
}

// takeAll steps the inputs of jobs.
func (d *daemon) takeAll(jobs []entry) {
	if len(jobs) == 0 {
		return
	}
	d.wall.check(d) // the machine may have slept: what it hears first is dated right
	for _, j := range jobs {
		d.take(j)
	}
}

// take steps the inputs of one job.
func (d *daemon) take(j entry) {
	if len(j.inputs) == 1 && j.inputs[0].Kind == rules.InUplink {
		d.uplink = j.inputs[0].Word
	}
	switch {
	case j.look != nil:
		j.look(d.machine)
		if j.done != nil {
			j.done <- nil
		}
		return
	case j.link != nil:
		d.links.note(*j.link, j.at)
	case d.broken != nil:
		d.refusals++
		if j.done != nil {
			j.done <- d.broken
		}
		return
	}
	before := len(d.pending)
	for _, in := range j.inputs {
		d.links.heard(in.Device, j.client, j.at)
		d.step(in, j.at)
	}
	switch {
	case j.done == nil:
	case d.cfg.Store.EarlyAck && len(j.inputs) > 0 && quiet(d.pending[before:]): // without inputs, it waits for those of others
		j.done <- nil
	default:
		d.waiting = append(d.waiting, j.done)
	}
}

// quiet tells whether records are readings that changed nothing.
func quiet(recs []store.Record) bool {
	for i := range recs {
		if recs[i].Input.Kind != rules.InReading || len(recs[i].Events) > 0 {
			return false
		}
	}
	return true
}

// step gives one input to the rules and keeps what came of it for commit. News
// of connections goes before a deadline that it may explain.
func (d *daemon) step(in rules.Input, at time.Time) {
	if due, ok := d.machine.Next(); ok && !due.After(at) {
		for _, news := range d.links.flush() {
			d.record(news, earliest(news.Was, due.Add(-engineResolution)))
		}
	}
	d.record(in, at)
}

func (d *daemon) record(in rules.Input, at time.Time) {
	in.At = at
	if last := d.machine.At(); at.Before(last) {
		in.At = last
	}
	now := in.At
	var before map[string]bool
	if in.Kind == rules.InConfig {
		before = d.waits(now)
	}
	events := d.machine.Step(in)
	d.stepped.Add(1)
	if in.Kind == rules.InTick && len(events) == 0 {
		return // nothing to replay
	}
	rec := store.Record{Input: in, Offset: d.wall.offset, WallUncertain: d.wall.doubted}
	if len(events) > 0 {
		rec.Events = append([]rules.Event(nil), events...)
		rec.Routes = d.targets(rec.Events, now)
		rec.Void = d.void(rec.Events)
	}
	if before != nil {
		rec.Void = append(rec.Void, d.voidOver(before, now)...)
	}
	d.pending = append(d.pending, rec)
	if d.tap != nil {
		d.tap(in, rec.Events)
	}
	if len(rec.Events) > 0 || in.Kind != rules.InReading {
		d.flushAt = now
	} else if by := now.Add(d.cfg.Store.Flush); d.flushAt.IsZero() || by.Before(d.flushAt) {
		d.flushAt = by
	}
}

// targets says where each event is to be sent, and when.
func (d *daemon) targets(events []rules.Event, now time.Time) [][]store.Target {
	wall := now.Add(d.wall.offset)
	out := make([][]store.Target, len(events))
	for i, e := range events {
		out[i] = d.plan(e, now, wall)
	}
	return out
}

// plan says where an event goes at the wall time wall, and when.
func (d *daemon) plan(e rules.Event, now, wall time.Time) (to []store.Target) {
	for _, t := range notify.Plan(e, wall, d.routes.policies) {
		to = append(to, store.Target{Route: t.Route, Key: t.Key, Due: now.Add(t.Delay)})
	}
	return to
}

// void takes back the reminders of an alert that wait, be it for the end of quiet
// hours or for a service that takes none, once there is a newer one, or somebody has
// acknowledged or shelved it, or it is over.
func (d *daemon) void(events []rules.Event) (out []store.Void) {
	for i := range events {
		e := &events[i]
		a, ok := d.machine.LampAlarm(e.Lamp)
		if e.Lamp == "" {
			a, ok = d.machine.DeviceAlarm(e.Device)
		}
		kinds, note := []rules.Kind{rules.Reminder, rules.Escalated}, "it was acknowledged, shelved or over by then"
		switch {
		case !ok:
			continue
		case e.Kind == rules.Reminder && a.State == rules.AlarmUnacknowledged:
			kinds, note = kinds[:1], "a newer reminder goes in its place"
		case a.State == rules.AlarmUnacknowledged:
			continue
		}
		out = append(out, voidOf(e.Key(), kinds, note)...)
	}
	return out
}

// voidOf takes back what waits about a subject, be it held or not.
func voidOf(subject string, kinds []rules.Kind, note string) (out []store.Void) {
	for _, line := range []string{subject, notify.HeldLine + subject} {
		out = append(out, store.Void{Key: line, Kinds: kinds, Note: note})
	}
	return out
}

// waits are the lamps and boards, by key, and whether what is told of each waits for
// somebody to acknowledge it.
func (d *daemon) waits(now time.Time) map[string]bool {
	out := map[string]bool{}
	for _, l := range d.machine.Config().Lamps {
		a, _ := d.machine.LampAlarm(l.Name)
		out[key(l.Name, "")] = a.State == rules.AlarmUnacknowledged
	}
	for _, b := range d.machine.Devices(now) {
		a, _ := d.machine.DeviceAlarm(b.Name)
		out[key("", b.Name)] = a.State == rules.AlarmUnacknowledged
	}
	return out
}

// voidOver takes back the reminders of lamps and boards that a configuration does not
// have any more, and of those whose state it does not call an alert any more.
func (d *daemon) voidOver(before map[string]bool, now time.Time) (out []store.Void) {
	after := d.waits(now)
	for _, k := range slices.Sorted(maps.Keys(before)) {
		note := ""
		if waits, have := after[k]; !have {
			note = "it was not in the configuration any more by then"
		} else if before[k] && !waits {
			note = "by the configuration it was no alert any more by then"
		}
		if note != "" {
			out = append(out, voidOf(k, []rules.Kind{rules.Reminder, rules.Escalated}, note)...)
		}
	}
	return out
}

// rebuild makes the machine of the last snapshot and the inputs since.
func (d *daemon) rebuild(ctx context.Context) error {
	var parts rules.Restorer
	seq, bad, err := loadSnapshot(ctx, d.store, func(p rules.Part) error {
		switch {
		case p.Key != clocksPart:
			return parts.Add(p)
		case d.machine == nil: // a start; later the intake knows more
			d.intake.recall(p.Data, d.clock.Now())
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("reading the snapshot: %w", err)
	}
	m := rules.New()
	if seq > 0 {
		if bad == nil {
			m, bad = parts.Machine()
		}
		if bad != nil {
			d.log.Warn("the snapshot cannot be used; relearning from the stored readings", "error", bad)
			m, seq = rules.New(), 0
		} else if err := d.relearn(ctx, m, parts.Stale(), seq); err != nil {
			return err
		}
	}
	d.snapSeq, d.seq, d.tried = seq, seq, seq
	differs := 0
	passed := d.way(ctx, "replaying what came since the last snapshot", d.store.LastSeq())
	err = d.store.Inputs(ctx, seq, func(seq int64, in rules.Input, stored [][]byte) error {
		if err := passed(seq); err != nil {
			return err
		}
		d.seq = seq
		told, err := eventsOf(stored)
		if err != nil {
			return fmt.Errorf("the events of input %d: %w", seq, err)
		}
		if events, same := m.Replay(in, told); !same || !sameEvents(events, stored) {
			if differs++; differs == 1 {
				d.log.Warn("replay decides otherwise than it was decided live (normal once after an upgrade); if a lamp shows otherwise than what was told last, that is told now", "input", seq)
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("replaying stored inputs: %w", err)
	}
	if bad != nil {
		if err := d.recall(ctx, m); err != nil {
			return fmt.Errorf("reading what was told last: %w", err)
		}
	}
	d.machine = m
	d.snapAt = d.clock.Now()
	if len(parts.Stale()) == 0 && bad == nil { // else at once, so that it is not done again
		d.snapAt = d.snapAt.Add(snapshotEvery)
	}
	return nil
}

// recall reminds a machine that had no snapshot to begin with of what was told last
// of each lamp's state, of boards that are silent, and of what is out of service. The
// input by which that was decided may be gone.
func (d *daemon) recall(ctx context.Context, m *rules.Machine) error {
	last := func(key string, kinds ...rules.Kind) (e store.StoredEvent, err error) {
		list, err := d.store.Events(ctx, store.EventFilter{Key: key, Kinds: kinds, Limit: 1})
		if len(list) == 1 {
			e = list[0]
		}
		return e, err
	}
	one := func(key string, kinds ...rules.Kind) error {
		service, err := last(key, rules.OutOfService, rules.InServiceNow)
		if err != nil {
			return err
		}
		told, err := last(key, kinds...)
		if err != nil {
			return err
		}
		acked, err := last(key, rules.Acknowledged)
		if err != nil {
			return err
		}
		m.Recall(service.Event, false)
		m.Recall(told.Event, acked.Row > told.Row)
		return nil
	}
	for _, b := range m.Devices(m.At()) {
		if err := one(key("", b.Name), rules.Silent, rules.Returned); err != nil {
			return err
		}
	}
	for _, l := range m.Config().Lamps {
		if err := one(key(l.Name, ""), rules.Lit, rules.Dark, rules.Blinking, rules.Learned, rules.Unlearned); err != nil {
			return err
		}
	}
	return nil
}

// loadSnapshot calls add for each part of the newest snapshot, while the store
// reads the next ones. It returns the last input that the snapshot covers, 0
// without one; bad, an error of add, says that the snapshot is of no use, err that
// the store cannot be read.
func loadSnapshot(ctx context.Context, from keeper, add func(rules.Part) error) (seq int64, bad, err error) {
	const many = 64 // parts handed over at once: one by one, the handing over took longest
	type chunk struct {
		parts []store.Part
		n     int // of them in use; the others' memory waits to be used again
	}
	free, full := make(chan *chunk, 3), make(chan *chunk, 3)
	for range cap(free) {
		free <- &chunk{parts: make([]store.Part, many)}
	}
	added := make(chan error)
	go func() {
		var bad error
		for c := range full {
			for i := 0; i < c.n && bad == nil; i++ {
				bad = add(c.parts[i])
			}
			c.n = 0
			free <- c
		}
		added <- bad
	}()
	c := <-free
	seq, err = from.LoadSnapshot(ctx, func(p store.Part) error {
		to := &c.parts[c.n]
		to.Key, to.Data = p.Key, append(to.Data[:0], p.Data...) // p is valid in this call only
		if c.n++; c.n == many {
			full <- c
			c = <-free
		}
		return nil
	})
	full <- c
	close(full)
	return seq, <-added, err
}

// relearn has the named lamps learn again from what is stored up to seq: their
// learned state was written by a version that learned in another way.
func (d *daemon) relearn(ctx context.Context, m *rules.Machine, lamps []string, seq int64) error {
	if len(lamps) == 0 {
		return nil
	}
	d.log.Info("this version learns in another way; learning again from the stored readings", "lamps", len(lamps))
	stale := map[string]bool{}
	for _, name := range lamps {
		stale[name] = true
	}
	passed := d.way(ctx, "learning again from the stored readings", seq)
	enough := errors.New("enough")
	begun := false // what comes before the first to learn from takes no time
	err := d.store.Inputs(ctx, 0, func(at int64, in rules.Input, _ [][]byte) error {
		if at > seq {
			return enough
		}
		begun = begun || stale[in.Lamp]
		if !begun {
			return nil
		}
		if err := passed(at); err != nil {
			return err
		}
		if stale[in.Lamp] || in.Kind == rules.InConfig {
			m.Relearn(in)
		}
		return nil
	})
	if err != nil && !errors.Is(err, enough) {
		return fmt.Errorf("learning again from the stored readings: %w", err)
	}
	return nil
}

// way returns what is to be called with the number of each input, from the first
// that is stepped to last. It tells of every hundredth that is done, and once a
// minute at least; and it fails when ctx ends, so that a start may be ended.
func (d *daemon) way(ctx context.Context, doing string, last int64) func(seq int64) error {
	before, told := int64(-1), int64(0) // older inputs may be gone
	var toldAt, logged time.Time
	return func(seq int64) error {
		if d.progress == nil {
			return nil
		}
		now := d.clock.Now()
		if before < 0 {
			before, toldAt, logged = seq-1, now, now
		}
		done := (seq - before) * 100 / max(last-before, 1)
		if done > told || now.Sub(toldAt) >= time.Minute {
			told, toldAt = done, now
			d.progress(doing, done)
		}
		if now.Sub(logged) >= time.Minute {
			logged = now
			d.log.Info(doing, "percent", done)
		}
		return ctx.Err()
	}
}

// eventsOf reads stored events.
func eventsOf(stored [][]byte) ([]rules.Event, error) {
	if len(stored) == 0 {
		return nil, nil
	}
	events := make([]rules.Event, len(stored))
	for i, b := range stored {
		if err := json.Unmarshal(b, &events[i]); err != nil {
			return nil, err
		}
	}
	return events, nil
}

// sameEvents compares events with their stored form.
func sameEvents(events []rules.Event, stored [][]byte) bool {
	if len(events) != len(stored) {
		return false
	}
	for i, e := range events {
		b, err := json.Marshal(e)
		if err != nil || !bytes.Equal(b, stored[i]) {
			return false
		}
	}
	return true
}

// snapshot stores the machine's state, so that a restart need not replay
// everything, and has what is past its time dropped.
func (d *daemon) snapshot(ctx context.Context, now time.Time) {
	d.snapAt = now.Add(snapshotEvery)
	if err := d.store.Gone(); err != nil {
		d.log.Error("what is stored will be lost", "error", err)
	}
	d.flush(ctx)
	if d.stray && d.broken == nil {
		d.adopt(ctx, now)
		d.worker.Wake()
	}
	if d.broken != nil || d.seq == d.snapSeq {
		return
	}
	d.tried = d.seq
	if err := d.store.SaveSnapshot(context.WithoutCancel(ctx), d.seq, d.eachPart); err != nil {
		d.log.Warn("cannot store a snapshot; a restart will take longer", "error", err)
		return
	}
	d.snapSeq = d.seq
	d.prune(ctx, now)
}

// clocksPart is the key of what a snapshot holds beside the parts of the machine: how
// the boards' clocks go.
const clocksPart = "clocks"

// eachPart calls fn for each part of a snapshot.
func (d *daemon) eachPart(fn func(store.Part) error) error {
	if err := d.machine.EachPart(fn); err != nil {
		return err
	}
	if b := d.intake.clocks(); b != nil {
		return fn(store.Part{Key: clocksPart, Data: b})
	}
	return nil
}

// prune has another goroutine drop what is past its time, for that may take
// seconds; unless it still does, and then the next prune does the rest.
func (d *daemon) prune(ctx context.Context, now time.Time) {
	if d.pruned != nil {
		select {
		case <-d.pruned:
		default:
			return
		}
	}
	done := make(chan struct{})
	d.pruned = done
	go func() {
		defer close(done)
		if err := d.store.Prune(ctx, now); err != nil && !errors.Is(err, context.Canceled) {
			d.log.Warn("cannot prune old readings", "error", err)
		}
	}()
}

// waitPruned waits until nothing is being pruned.
func (d *daemon) waitPruned() {
	if d.pruned != nil {
		<-d.pruned
	}
}

// boot brings the machine up to date and tells it that the daemon started. When
// ctx ends meanwhile, nothing was changed.
func (d *daemon) boot(ctx context.Context) error {
	if err := d.rebuild(ctx); err != nil {
		return err
	}
	d.wall.begin(d)
	now := d.clock.Now()
	want, err := json.Marshal(d.cfg.Rules)
	if err != nil {
		return err
	}
	if have, err := json.Marshal(d.machine.Config()); err != nil || !bytes.Equal(have, want) {
		d.step(rules.Input{Kind: rules.InConfig, Config: &d.cfg.Rules}, now)
	}
	if err := d.follow(ctx); err != nil {
		return err
	}
	d.wall.rehold(d) // before adopt, for what that holds was held by nobody so far
	if d.broken != nil {
		return d.broken
	}
	stray := d.adopt(ctx, now)
	d.step(rules.Input{Kind: rules.InStart, Word: d.caughtUp(ctx, now, stray)}, now)
	if d.cfg.Broker.URL == "" && d.machine.UplinkDown() { // of a configuration before
		d.step(rules.Input{Kind: rules.InUplink, Word: rules.UplinkNone}, now)
	}
	d.flush(ctx)
	return d.broken
}

// stop stores what is pending and a snapshot. Broker and page have stopped by
// now, so no job arrives any more.
func (d *daemon) stop() error {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	d.takeAll(d.jobs.take())
	d.wait()
	d.waitPruned() // it ends early, for the loop's context has ended
	if d.broken != nil {
		return fmt.Errorf("stopped while storing did not work: %w", d.broken)
	}
	d.step(rules.Input{Kind: rules.InStop}, d.clock.Now())
	d.flush(ctx)
	d.snapshot(ctx, d.clock.Now())
	defer time.AfterFunc(pruneAtStop, cancel).Stop() // the next run does the rest
	d.waitPruned()
	return d.broken
}

// pruneAtStop is for how long a stop prunes: one that takes too long is cut short by
// whoever asked for it, and then looks like a failure.
const pruneAtStop = 5 * time.Second

// nextWake returns when the loop must act even if nothing arrives.
func (d *daemon) nextWake() (<-chan time.Time, func()) {
	if d.broken != nil {
		return d.clock.After(d.mendAt)
	}
	at := d.clock.Now().Add(wallCheckEvery)
	if d.storing == nil { // else what comes of it wakes the loop
		at = earliest(at, d.snapAt)
		if !d.flushAt.IsZero() {
			at = earliest(at, d.flushAt)
		}
	}
	if next, ok := d.machine.Next(); ok {
		at = earliest(at, next)
	}
	return d.clock.After(at)
}

func earliest(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// healthy tells why the daemon cannot do its job now; nil: it can. One of several
// ways to people that fails is for the page to show: an outside watcher that is
// left to wonder for weeks over a full mailbox would not tell of the power cut.
func (d *daemon) healthy() error {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	var broken error
	if err := d.alive(ctx, func(*rules.Machine) { broken = d.broken }); err != nil {
		return err
	}
	if err := cmp.Or(broken, d.store.Gone()); err != nil {
		return err
	}
	if text := d.damage.Load(); text != nil {
		return errors.New(*text)
	}
	failing := d.failing(muteAfter)
	fails := func(route string) bool {
		return slices.ContainsFunc(failing, func(t notify.Trouble) bool { return t.Route == route })
	}
	if len(failing) > 0 && (d.cfg.Beat.AllRoutes || len(notify.Unreached(d.routes.policies, fails)) > 0) {
		var all []string
		for _, t := range failing {
			all = append(all, fmt.Sprintf("messages to %s have not got through for %s: %s", t.Route, d.clock.Now().Sub(t.Since).Round(time.Minute), t.Note))
		}
		return errors.New(strings.Join(all, "; "))
	}
	return nil
}

const (
	failsAfter = 5 * time.Minute  // for which a route has not worked before it is shown, if it may work again by itself
	muteAfter  = 30 * time.Minute // and before an outside watcher is left to wonder
)

// failing are the routes that have not worked for so long.
func (d *daemon) failing(since time.Duration) []notify.Trouble {
	now := d.clock.Now()
	return slices.DeleteFunc(d.worker.Troubles(), func(t notify.Trouble) bool { return now.Sub(t.Since) < since })
}

// shownFailing are the routes that people are to see as failing.
func (d *daemon) shownFailing() []notify.Trouble {
	now := d.clock.Now()
	return slices.DeleteFunc(d.worker.Troubles(), func(t notify.Trouble) bool { return !t.Mistake && now.Sub(t.Since) < failsAfter })
}

// alive has the loop call look, and tells if it does not, or if the disk that
// it stores to hangs.
func (d *daemon) alive(ctx context.Context, look func(*rules.Machine)) error {
	var hangs error
	err := d.do(ctx, job{look: func(m *rules.Machine) {
		hangs = d.hangs()
		look(m)
	}})
	if err != nil {
		return fmt.Errorf("the loop does not answer: %w", err)
	}
	return hangs
}

// hangs tells whether the disk takes longer to store than one that works; it is
// for the loop.
func (d *daemon) hangs() error {
	if d.storing == nil {
		return nil
	}
	if takes := d.clock.Now().Sub(d.began); takes > storeTakes {
		return fmt.Errorf("the disk has not stored a batch of readings for %s: check it, and the file system of %s", takes.Round(time.Second), d.cfg.Store.Dir)
	}
	return nil
}

// inspectEvery is how often the whole database is read through while running:
// what decays on a memory card is to be known while there is a backup. The first time
// is sooner, for some machines are started anew each night.
const (
	inspectEvery = 24 * time.Hour
	inspectFirst = time.Hour
)

// inspect reads the database through once a day until ctx ends. Damage is logged, and
// for the page, the commands and the heartbeat to tell.
func (d *daemon) inspect(ctx context.Context) error {
	first := inspectFirst
	if d.again {
		first = 0
	}
	t := time.NewTimer(first)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
			t.Reset(inspectEvery)
		}
		switch _, err := d.store.Check(ctx); {
		case ctx.Err() != nil:
			return nil
		case err == nil:
			d.keepDamage(nil)
		case errors.Is(err, store.ErrDamaged):
			d.keepDamage(err)
			d.log.Error("the database is damaged", "error", err,
				"do", "stop lampward, and restore a backup with `lampward restore`")
		default: // what could not be read may be well
			d.log.Warn("the database could not be read through; that is tried again in a day", "error", err)
		}
	}
}

// enqueue hands a job with inputs to the loop.
func (d *daemon) enqueue(ctx context.Context, j job, inputs ...rules.Input) error {
	j.at = d.clock.Now()
	return d.jobs.put(ctx, j, inputs)
}

// do hands a job with inputs to the loop and waits until they are durable.
func (d *daemon) do(ctx context.Context, j job, inputs ...rules.Input) error {
	done, _ := d.dones.Get().(chan error)
	if done == nil {
		done = make(chan error, 1)
	}
	j.done = done
	if err := d.enqueue(ctx, j, inputs...); err != nil {
		return err
	}
	select {
	case err := <-done:
		d.dones.Put(done)
		return err
	case <-ctx.Done(): // the loop may still answer: done is not used again
		return ctx.Err()
	}
}
