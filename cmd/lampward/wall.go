package main

import (
	"context"
	"time"
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
}

// begin takes the offset at start. A wall clock that stands before the newest
// stored time, or in a year before this program was written, has not been set
// yet.
func (w *wallWatch) begin(d *daemon) {
	wall := d.clock.Wall()
	w.offset = wall.Sub(d.clock.Now())
	w.fromSeq = d.seq + 1
	lastWall := d.store.LastAt().Add(d.store.LastOffset())
	if wall.Before(lastWall) || wall.Year() < 2026 {
		w.doubted = true
		d.log.Warn("the wall clock is not set yet; times are uncertain until it is", "wall", wall)
	}
}

// check compares the clocks and takes a step of wall time as the new offset.
// Engine time, and so every deadline, is not moved.
func (w *wallWatch) check(d *daemon) {
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
	w.offset = now
}
