package rules

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"lampward/rules/battery"
	"lampward/rules/silence"
)

// device decides when one board is silent, why, and when its battery is flat.
type device struct {
	cfg     DeviceConfig
	cadence *silence.Estimator
	cell    *battery.Estimator

	silent bool // called silent, whether or not a person was told
	warned bool // BatteryLow was told of this battery
	away   bool // lampward cannot hear any device now, so no lateness counts

	// The fleet's marks; see fleet.go.
	heldBack bool // silent, but not told yet
	folded   bool // part of the ManySilent that is open

	volts, rssi *float64  // newest reported
	word        string    // newest InLink word
	wordAt      time.Time // when it came
}

func newDevice(cfg DeviceConfig) *device {
	d := &device{cadence: silence.New(silence.Config{}), cell: battery.New(battery.Config{})}
	d.configure(cfg)
	return d
}

func (d *device) configure(cfg DeviceConfig) {
	d.cfg = cfg
	d.cadence.Configure(silence.Config{
		ReportEvery: cfg.ReportEvery, SilentAfter: cfg.SilentAfter, FalseEvery: cfg.FalseEvery,
	})
	b := cfg.Battery
	d.cell.Configure(battery.Config{
		Chemistry: b.Chemistry, CapacityMAh: b.CapacityMAh, CurrentMA: b.CurrentMA, Derate: b.Derate, Warn: b.Warn,
	})
}

// report takes a fresh report of the board, whatever it carried.
func (d *device) report(in *Input, out []Event) []Event {
	last, heard := d.cadence.Last()
	d.cadence.Report(in.At)
	if in.RSSI != nil {
		v := *in.RSSI
		d.rssi = &v
	}
	if in.Volts != nil {
		v := *in.Volts
		d.volts = &v
		d.cell.Volts(in.At, v)
	}
	if d.silent {
		d.silent = false
		e := Event{At: in.At, Kind: Returned, Device: d.cfg.Name, Confidence: 1}
		if heard {
			e.Since = last
			e.Text = d.cfg.Name + " reports again after " + spell(in.At.Sub(last))
			e.Why = "A fresh report came; the one before it is " + spell(in.At.Sub(last)) + " old."
		} else {
			e.Text = d.cfg.Name + " reports"
			e.Why = "Its first report came."
		}
		out = append(out, e)
	}
	return out
}

// link takes news of the board's connection: evidence only.
func (d *device) link(in *Input, out []Event) []Event {
	d.word, d.wordAt = in.Word, in.At
	return out
}

// battery takes a person's word that a fresh battery was put in.
func (d *device) battery(in *Input, out []Event) []Event {
	d.cell.Fresh(in.At)
	d.warned = false
	return append(out, Event{
		At: in.At, Kind: BatteryNew, Device: d.cfg.Name, By: in.By, Confidence: 1,
		Text: d.cfg.Name + ": battery changed", Why: "A person said so.",
	})
}

// rearm restarts every wait at at: nobody watched before.
func (d *device) rearm(at time.Time) { d.cadence.Rearm(at) }

// hold tells that lampward cannot hear any device (down), or can again; then
// every wait starts anew at at.
func (d *device) hold(at time.Time, down bool) {
	d.away = down
	d.cadence.Rearm(at)
}

func (d *device) silentAt() (time.Time, bool) {
	if d.silent || d.away {
		return time.Time{}, false
	}
	return d.cadence.Deadline()
}

func (d *device) warnAt() (time.Time, bool) {
	if d.warned {
		return time.Time{}, false
	}
	return d.cell.WarnAt()
}

// next returns the earliest deadline of the device's own.
func (d *device) next() (time.Time, bool) {
	s, ok := d.silentAt()
	w, warn := d.warnAt()
	if !ok || warn && w.Before(s) {
		return w, warn
	}
	return s, ok
}

// fire acts on what is due at at.
func (d *device) fire(at time.Time, out []Event) []Event {
	if t, ok := d.warnAt(); ok && !t.After(at) {
		d.warned = true
		f, _ := d.cell.Forecast()
		out = append(out, Event{
			At: at, Kind: BatteryLow, Device: d.cfg.Name, Since: f.Flat, Confidence: 0.9,
			Text: fmt.Sprintf("%s: battery flat in about %s", d.cfg.Name, spell(f.Flat.Sub(at))),
			Why:  "By " + f.Basis + ".",
		})
	}
	if t, ok := d.silentAt(); ok && !t.After(at) {
		d.silent = true
		out = append(out, d.silence(at))
	}
	return out
}

// silence makes the Silent event.
func (d *device) silence(at time.Time) Event {
	e := Event{At: at, Kind: Silent, Device: d.cfg.Name, Confidence: 1}
	last, heard := d.cadence.Last()
	if heard {
		e.Since = last
		e.Text = d.cfg.Name + " is silent for " + spell(at.Sub(last))
	} else {
		e.Text = d.cfg.Name + " has never reported"
	}
	e.Why = "It is later than a healthy board would ever be."
	return e
}

const deviceVersion = 1

// marshal returns the device's state, the same bytes for the same state.
func (d *device) marshal() []byte {
	b := []byte{deviceVersion, flags(d.silent, d.warned, d.away, d.heldBack, d.folded)}
	c, _ := d.cadence.AppendBinary(nil)
	b = append(binary.AppendUvarint(b, uint64(len(c))), c...)
	c, _ = d.cell.AppendBinary(nil)
	return append(binary.AppendUvarint(b, uint64(len(c))), c...)
}

func flags(bits ...bool) (b byte) {
	for i, on := range bits {
		if on {
			b |= 1 << i
		}
	}
	return b
}

func unmarshalDevice(cfg DeviceConfig, b []byte) (*device, error) {
	if len(b) < 2 || b[0] != deviceVersion {
		return nil, errors.New("device: state of an unknown version")
	}
	d := newDevice(cfg)
	f := b[1]
	d.silent, d.warned, d.away, d.heldBack, d.folded = f&1 != 0, f&2 != 0, f&4 != 0, f&8 != 0, f&16 != 0
	b = b[2:]
	take := func(to interface{ UnmarshalBinary([]byte) error }) error {
		n, k := binary.Uvarint(b)
		if k <= 0 || n > uint64(len(b)-k) {
			return errors.New("device: state is cut short")
		}
		part := b[k : k+int(n)]
		b = b[k+int(n):]
		return to.UnmarshalBinary(part)
	}
	if err := take(d.cadence); err != nil {
		return nil, err
	}
	if err := take(d.cell); err != nil {
		return nil, err
	}
	return d, nil
}
