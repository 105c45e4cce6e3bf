package learn

import (
	"math"
	"time"
)

// sides is what hand-set levels remember.
type sides struct {
	N     uint32 // readings in Last
	Last  uint32 // sides of the last readings, bit 0 newest, 1: lit
	Side  bool
	Run   uint32 // readings of this side in a row
	Since int64  // time of the first of them, Unix ms
}

func (c *config) manual() bool { return c.OnAbove != 0 || c.OffBelow != 0 }

// Hand-set levels: readings of one side that make a change when no delay is
// set, readings looked at for blinking, and changes of side that make it.
const (
	manualRun   = 3
	blinkWindow = 10
	blinkFlips  = 4
)

// manual decides by hand-set levels, so plainly that a person can foretell it:
// a side must be held for the delay (or three readings); four changes of side
// within ten readings are blinking, ten readings of one side its end.
func (l *Learner) manual(ms int64, y float64) {
	c := &l.c
	on, off := c.levels()
	m := &c.Man
	side := m.Side
	switch {
	case y >= on:
		side = true
	case y <= off:
		side = false
	case m.N == 0:
		return // in the deadband from the start: not known yet
	}
	if m.N == 0 || side != m.Side {
		m.Run, m.Since = 0, ms
	}
	m.Side = side
	m.Last <<= 1
	if side {
		m.Last |= 1
	}
	if m.Run < math.MaxUint32 {
		m.Run++
	}
	if m.N < blinkWindow {
		m.N++
	}
	flips, first := 0, 0
	for i := range int(m.N) - 1 {
		if (m.Last>>i)&1 != (m.Last>>(i+1))&1 {
			flips, first = flips+1, i
		}
	}
	want, delay, enter := Dark, c.Cfg.OffDelay, m.Since
	if side {
		want, delay = Lit, c.Cfg.OnDelay
	}
	held := m.Run
	switch {
	case flips >= blinkFlips && (c.State != Learning || m.N == blinkWindow):
		want, delay, held = Blinking, 0, uint32(first)+1
		enter = ms - int64(mul(float64(first), c.IV))
	case c.State == Blinking && m.Run < blinkWindow:
		c.Conf = 0.9
		return
	}
	c.Conf = 0.99
	switch {
	case c.State == Learning:
		c.State, c.Since, c.Conf = want, enter, 0.9
		l.settle(ms, byHand)
	case want == c.State, delay > 0 && (ms-m.Since)*int64(time.Millisecond) < delay,
		delay == 0 && want != Blinking && m.Run < manualRun:
	default:
		l.announce(want, ms, enter, held, 0.99)
	}
}
