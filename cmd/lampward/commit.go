package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"lampward/rules"
	"lampward/rules/span"
	"lampward/store"
)

// batch is what one transaction stores, and who waits for it.
type batch struct {
	recs    []store.Record
	waiting []chan<- error
}

// outcome is what came of storing a batch.
type outcome struct {
	first int64 // seq of its first input
	err   error
}

// commit begins to store what is pending if somebody waits for it or it is
// time, unless a batch is being stored already. State changes are on disk
// before anything else happens.
func (d *daemon) commit(ctx context.Context) {
	now := d.clock.Now()
	if d.broken != nil {
		d.mend(ctx, now)
		return
	}
	if d.storing != nil && len(d.pending) >= maxPending {
		d.wait()
	}
	if d.storing != nil { // on a disk that hangs, who waited for a snapshot would decide and show nothing
		return
	}
	if d.handOn {
		d.handOn = false
		d.adopt(ctx, now)
		d.worker.Wake()
	}
	if d.snapshotDue(now) {
		d.snapshot(ctx, now)
	}
	switch {
	case d.broken != nil:
	case len(d.pending) == 0:
		d.waiting = answer(d.waiting, nil)
	case len(d.waiting) > 0, !now.Before(d.flushAt), len(d.pending) >= maxBatch:
		d.begin(ctx)
	}
}

// snapshotDue tells whether it is time for a snapshot.
func (d *daemon) snapshotDue(now time.Time) bool {
	return !now.Before(d.snapAt) || d.seq-d.tried >= max(snapshotAfter, snapshotEach*int64(len(d.cfg.Lamps)))
}

// begin has another goroutine store what is pending. settle or wait must
// follow before the next begin.
func (d *daemon) begin(ctx context.Context) {
	if d.stored == nil {
		d.stored = make(chan outcome, 1)
	}
	b, next := &batch{d.pending, d.waiting}, d.spare
	if next == nil {
		next = new(batch)
	}
	d.storing, d.spare, d.began = b, nil, d.clock.Now()
	d.pending, d.waiting, d.flushAt = next.recs, next.waiting, time.Time{}
	ctx = context.WithoutCancel(ctx) // what was acknowledged must be stored even while the daemon is told to stop
	go func() {
		first, err := d.store.Append(ctx, b.recs, true)
		d.stored <- outcome{first, err}
	}()
}

// settle answers those who waited for the batch that was being stored.
func (d *daemon) settle(o outcome) {
	b := d.storing
	d.storing = nil
	if o.err != nil {
		d.fail(b, o.err)
		return
	}
	d.seq = o.first + int64(len(b.recs)) - 1
	b.waiting = answer(b.waiting, nil)
	if eventful(b.recs) {
		if d.keeps != nil {
			d.keeps(b.recs)
		}
		d.tellLate(b.recs)
		d.worker.Wake()
	}
	clear(b.recs)
	b.recs = b.recs[:0]
	d.spare = b
}

// tellLate tells those who watch again of events that took long to store: who looked
// when they were decided has not waited for them.
func (d *daemon) tellLate(recs []store.Record) {
	if d.tap == nil {
		return
	}
	now := d.clock.Now()
	for i := range recs {
		if r := &recs[i]; len(r.Events) > 0 && now.Sub(r.Input.At) >= storedWait {
			d.tap(r.Input, r.Events)
		}
	}
}

// eventful tells whether records hold events.
func eventful(recs []store.Record) bool {
	return slices.ContainsFunc(recs, func(r store.Record) bool { return len(r.Events) > 0 })
}

// untold tells whether events were decided that are not stored yet; it is for the loop.
func (d *daemon) untold() bool {
	return eventful(d.pending) || d.storing != nil && eventful(d.storing.recs)
}

// wait waits until nothing is being stored.
func (d *daemon) wait() {
	if d.storing != nil {
		d.settle(<-d.stored)
	}
}

// flush stores what is pending and waits for it.
func (d *daemon) flush(ctx context.Context) {
	d.wait()
	if d.broken == nil && len(d.pending) > 0 {
		d.begin(ctx)
		d.wait()
	}
}

// answer tells those who wait how it went, and returns their list, empty.
func answer(waiting []chan<- error, err error) []chan<- error {
	for i, w := range waiting {
		w <- err
		waiting[i] = nil
	}
	return waiting[:0]
}

// fail refuses what could not be stored and what was stepped since: memory is
// ahead of the disk now, so the machine is thrown away and made anew from what
// is stored.
func (d *daemon) fail(b *batch, err error) {
	err = fmt.Errorf("storing %s: %w", span.Count(len(b.recs), "reading"), err)
	d.refuse(err)
	d.refusals = len(b.recs) + len(d.pending)
	d.pending, d.flushAt = d.pending[:0], time.Time{}
	d.mendAt = d.clock.Now().Add(mendEvery)
	answer(b.waiting, err)
	d.waiting = answer(d.waiting, err)
}

// refuse has readings refused, for err. Each cause is logged once an hour: each attempt
// to store again may fail for the same reason, on a disk that is full, or for one of a
// few in turn, on one that is dying, and the disk may hold the log.
func (d *daemon) refuse(err error) {
	d.broken = err
	cause := cmp.Or(errors.Unwrap(err), err).Error() // without how many readings it was
	now := d.clock.Now()
	if at, ok := d.said[cause]; ok && now.Sub(at) < time.Hour {
		return
	}
	if d.said == nil || len(d.said) > 20 { // causes that differ each time
		d.said = map[string]time.Time{}
	}
	d.said[cause] = now
	d.log.Error("cannot store; readings are refused until it works again",
		"error", err, "do", "free space, or check the disk, in "+d.cfg.Store.Dir)
}

// mend rebuilds the machine from the store and tries to write again.
func (d *daemon) mend(ctx context.Context, now time.Time) {
	if now.Before(d.mendAt) {
		return
	}
	d.mendAt = now.Add(mendEvery)
	d.pending, d.flushAt = d.pending[:0], time.Time{} // of a machine that is no more
	if err := d.rebuild(context.WithoutCancel(ctx)); err != nil {
		d.refuse(err)
		return
	}
	// The start input is the probe: if it can be stored, readings can.
	d.broken = nil
	lost := d.refusals
	d.step(rules.Input{Kind: rules.InStart}, d.clock.Now())
	if d.uplink != "" { // a start forgets it, and nobody tells it again
		d.step(rules.Input{Kind: rules.InUplink, Word: d.uplink}, d.clock.Now())
	}
	d.links.again() // so it does the boards' connections, which stand
	d.flush(ctx)
	if d.broken == nil || !d.rebuilt {
		d.tellAll()
	}
	if d.rebuilt = d.broken != nil; d.rebuilt {
		d.refusals = lost
		return
	}
	d.log.Info("storing works again", "refused", lost)
	d.refusals, d.said = 0, nil
}

// tellAll lets those who watch know that each lamp and board may be otherwise than
// they were shown: what was refused is undone.
func (d *daemon) tellAll() {
	if d.tap == nil {
		return
	}
	for _, l := range d.machine.Config().Lamps {
		d.tap(rules.Input{Lamp: l.Name}, nil)
	}
	for _, b := range d.machine.Devices(d.clock.Now()) {
		d.tap(rules.Input{Device: b.Name}, nil)
	}
}
