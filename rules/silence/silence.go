// Package silence decides when a device that reports again and again is late
// enough to be called silent.
//
// Start with New, tell it each report with Report, and ask Deadline for the
// moment at which the device counts as silent unless it reports before.
package silence

import (
	"encoding/binary"
	"errors"
	"time"
)

// Config says how patient an Estimator is.
type Config struct {
	ReportEvery time.Duration // expected interval between reports; 0: learned alone
	SilentAfter time.Duration // hand-set limit; 0: from the learned cadence and FalseEvery
	FalseEvery  time.Duration // mean time between false silences that is tolerated; 0: five years
}

// Estimator learns the cadence of one device.
type Estimator struct {
	cfg    Config
	period int64
	n      int64
	last   int64
	from   int64
	heard  bool
	armed  bool
	spoilt bool
}

// New returns an Estimator that has heard nothing.
func New(cfg Config) *Estimator { return &Estimator{cfg: cfg} }

// Configure changes the patience and keeps what was learned.
func (e *Estimator) Configure(cfg Config) { e.cfg = cfg }

// Report tells that the device reported at at.
func (e *Estimator) Report(at time.Time) {
	t := at.UnixMilli()
	if e.heard && !e.spoilt {
		gap := t - e.last
		if e.n == 0 {
			e.period = gap
		} else {
			e.period += (gap - e.period) / 8
		}
		e.n++
	}
	e.last, e.from, e.heard, e.armed, e.spoilt = t, t, true, true, false
}

// Rearm restarts the wait at at: what happened before is no evidence.
func (e *Estimator) Rearm(at time.Time) {
	e.from = at.UnixMilli()
	e.spoilt = true
	e.armed = e.heard
}

// Limit returns how long after a report the device counts as silent; false
// while its cadence is unknown.
func (e *Estimator) Limit() (time.Duration, bool) {
	if e.cfg.SilentAfter > 0 {
		return e.cfg.SilentAfter, true
	}
	if p := e.Every(); p > 0 {
		return 5 * p, true
	}
	return 0, false
}

// Every returns the typical interval between reports, 0 while unknown.
func (e *Estimator) Every() time.Duration {
	if e.n < 5 {
		return e.cfg.ReportEvery
	}
	return time.Duration(e.period) * time.Millisecond
}

// Late returns how long after a report a device is noticeably late, though
// not yet silent; false while its cadence is unknown.
func (e *Estimator) Late() (time.Duration, bool) {
	if p := e.Every(); p > 0 {
		return p * 3 / 2, true
	}
	return 0, false
}

// Last returns when the device was last heard.
func (e *Estimator) Last() (time.Time, bool) { return time.UnixMilli(e.last).UTC(), e.heard }

// Deadline returns when the device counts as silent unless it reports before.
func (e *Estimator) Deadline() (time.Time, bool) {
	l, ok := e.Limit()
	if !ok || !e.armed {
		return time.Time{}, false
	}
	return time.UnixMilli(e.from).UTC().Add(l), true
}

// AppendBinary appends the learned state to b.
func (e *Estimator) AppendBinary(b []byte) ([]byte, error) {
	for _, v := range []int64{e.period, e.n, e.last, e.from, flag(e.heard), flag(e.armed), flag(e.spoilt)} {
		b = binary.AppendVarint(b, v)
	}
	return b, nil
}

// UnmarshalBinary restores what AppendBinary wrote; the Config stays.
func (e *Estimator) UnmarshalBinary(b []byte) error {
	var v [7]int64
	for i := range v {
		x, n := binary.Varint(b)
		if n <= 0 {
			return errors.New("silence: state is cut short")
		}
		v[i], b = x, b[n:]
	}
	e.period, e.n, e.last, e.from = v[0], v[1], v[2], v[3]
	e.heard, e.armed, e.spoilt = v[4] != 0, v[5] != 0, v[6] != 0
	return nil
}

func flag(b bool) int64 {
	if b {
		return 1
	}
	return 0
}
