package main

import (
	"sync"
	"time"
)

// clock is the engine clock and its relation to wall time. The daemon runs on
// the first kind, the demo on one that a simulation moves.
type clock interface {
	// Now returns engine time: UTC, whole milliseconds, never decreasing,
	// running on the machine's monotonic clock so that a wall clock that jumps
	// (a board computer without a clock battery meets its time server) moves no
	// deadline.
	Now() time.Time
	// Wall returns wall time. Wall minus Now is the offset stored with inputs.
	Wall() time.Time
	// After returns a channel that is sent to once engine time reaches at, and
	// a function that gives up waiting.
	After(at time.Time) (<-chan time.Time, func())
}

// engineResolution is the precision of engine time, and of stored times.
const engineResolution = time.Millisecond

// machineClock is the clock of a real daemon.
type machineClock struct {
	wall  func() time.Time // time.Now, or a test's own
	start time.Time        // holds a monotonic reading
	base  time.Time        // engine time at start
}

// newMachineClock starts an engine clock that continues after last, the
// newest stored engine time, and agrees with wall time minus offset where
// that is later.
func newMachineClock(wall func() time.Time, last time.Time, offset time.Duration) *machineClock {
	base := wall().Round(0).UTC().Add(-offset).Truncate(engineResolution)
	if floor := last.Add(engineResolution); !last.IsZero() && base.Before(floor) {
		base = floor
	}
	return &machineClock{wall: wall, start: time.Now(), base: base}
}

// noGap is how long no machine was off: a wall clock that is further ahead is wrong.
const noGap = 10 * 365 * 24 * time.Hour

// resumeClock is newMachineClock for what a store holds. Where the clocks cannot tell
// for how long the machine was off, for one of them was not set, no time has passed:
// else years that never were would count for all deadlines, and be told.
func resumeClock(wall func() time.Time, st keeper) *machineClock {
	last, offset := st.LastAt(), st.LastOffset()
	gap := wall().Sub(last.Add(offset))
	if !last.IsZero() && (gap > noGap || gap > longGap && st.LastDoubted()) {
		offset = wall().Sub(last)
	}
	return newMachineClock(wall, last, offset)
}

// Now cannot go back: time.Since is of the machine's monotonic clock.
func (c *machineClock) Now() time.Time {
	return c.base.Add(time.Since(c.start).Truncate(engineResolution))
}

func (c *machineClock) Wall() time.Time { return c.wall().Round(0).UTC().Truncate(engineResolution) }

func (c *machineClock) After(at time.Time) (<-chan time.Time, func()) {
	t := time.NewTimer(at.Sub(c.Now()))
	return t.C, func() { t.Stop() }
}

// simClock is moved by a simulation; see demo.go.
type simClock struct {
	mu    sync.Mutex
	now   time.Time
	waits []simWait
}

type simWait struct {
	at time.Time
	c  chan time.Time
}

func (c *simClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *simClock) Wall() time.Time { return c.Now() }

func (c *simClock) After(at time.Time) (<-chan time.Time, func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	ch := make(chan time.Time, 1)
	if !at.After(c.now) {
		ch <- c.now
		return ch, func() {}
	}
	c.waits = append(c.waits, simWait{at, ch})
	return ch, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		for i, w := range c.waits {
			if w.c == ch {
				c.waits = append(c.waits[:i], c.waits[i+1:]...)
				return
			}
		}
	}
}

// Advance moves time on and wakes whoever waited for it.
func (c *simClock) Advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
	rest := c.waits[:0]
	for _, w := range c.waits {
		if w.at.After(c.now) {
			rest = append(rest, w)
		} else {
			w.c <- c.now
		}
	}
	c.waits = rest
}
