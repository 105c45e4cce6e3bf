package main

import (
	"context"
	"time"

	"lampward/notify"
)

// wallCheckEvery is how often wall time is compared with engine time when
// nothing else happens.
const wallCheckEvery = time.Minute

// wallStep is the smallest difference that counts as a step of the wall clock.
const wallStep = time.Second

// wallWatch keeps the offset of wall time from engine time, and notices when
// the wall clock steps: a time server answers for the first time, a person
// sets the clock, the machine wakes from sleep.
type wallWatch struct {
	offset  time.Duration
	doubted bool  // wall stamps since fromSeq are wrong until the clock is set
	fromSeq int64 // first input of this run
	// moved tells that what quiet hours hold has its time from another clock.
	moved bool
}

// begin takes the offset at start. A wall clock that stands well before the
// newest stored time, or many years after it, or in a year before this program was
// written, has not been set yet.
func (w *wallWatch) begin(d *daemon) {
	wall := d.clock.Wall()
	w.offset = wall.Sub(d.clock.Now())
	w.fromSeq = d.seq + 1
	lastWall := d.store.LastAt().Add(d.store.LastOffset())
	ahead := !d.store.LastAt().IsZero() && !d.store.LastDoubted() && wall.Sub(lastWall) > noGap
	if lastWall.Sub(wall) >= wallStep || wall.Year() < 2026 || ahead {
		w.doubted = true
		d.log.Warn("the wall clock is not set yet; times are uncertain until it is", "wall", wall)
	}
	w.moved = !w.doubted // the machine was off, for who knows how long
}

// check compares the clocks and takes a step of wall time as the new offset.
// Engine time, and so every deadline, is not moved.
func (w *wallWatch) check(d *daemon) {
	defer w.rehold(d)
	now := d.clock.Wall().Sub(d.clock.Now())
	step := now - w.offset
	if step > -wallStep && step < wallStep {
		return
	}
	if w.doubted {
		d.wait() // what is stored after it is corrected would stay wrong
		if err := d.store.CorrectWall(context.Background(), w.fromSeq, now); err != nil {
			d.log.Warn("cannot correct the times recorded before the clock was set; will try again", "error", err)
			return // still doubted
		}
		w.doubted = false
		for i := range d.pending { // stepped, but not among what was corrected
			d.pending[i].Offset, d.pending[i].WallUncertain = now, false
		}
	}
	d.log.Info("the wall clock stepped; deadlines are not moved", "by", step.String())
	w.offset, w.moved = now, true
}

// rehold sets until when messages are held anew after the wall clock stepped:
// quiet hours end by the clock on the wall, and what is held knows only the
// engine time at which that was to be.
func (w *wallWatch) rehold(d *daemon) {
	if !w.moved || d.broken != nil {
		return
	}
	ctx := context.Background()
	d.flush(ctx) // some of what is pending may be held
	if d.broken != nil {
		return
	}
	held, err := d.store.Held(ctx, notify.HeldLine)
	if err != nil {
		d.log.Warn("cannot see what quiet hours hold; will try again", "error", err)
		return
	}
	now := d.clock.Now()
	for _, m := range held {
		route := d.routes.policy(m.Route)
		if route == nil || !m.Due.After(now) {
			continue
		}
		due := now.Add(route.Hold(&m.Event, now.Add(w.offset), now.Sub(m.Event.At)))
		if due.Sub(m.Due).Abs() < wallStep {
			continue
		}
		if err := d.store.Hold(ctx, m.ID, due, ""); err != nil {
			d.log.Warn("cannot set until when a message is held; will try again", "error", err)
			return
		}
	}
	w.moved = false
	if len(held) > 0 {
		d.worker.Wake()
	}
}
