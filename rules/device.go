package rules

import (
	"math"
	"time"

	"lampward/rules/battery"
	"lampward/rules/silence"
)

// device decides when one board is silent, why, and when its battery is flat.
type device struct {
	cfg     DeviceConfig
	lamps   []*lamp // those it reads
	cadence *silence.Estimator
	cell    *battery.Estimator

	silent bool          // called silent, whether or not a person was told
	warned bool          // BatteryLow was told of this battery
	calm   time.Time     // if warned: since when the flat date is far off; zero: it is not
	since  time.Time     // if silent: since when a report was waited for
	died   time.Time     // the newest report before the newest silence of its own that is over
	back   time.Time     // when that was over
	expect time.Duration // how long its first report may take, for another board read a lamp of its before; 0: none is expected
	away   bool          // lampward cannot hear any device now, so no lateness counts

	// The fleet's marks; see fleet.go.
	heldBack bool // silent, but not told yet
	folded   bool // part of the ManySilent that is open

	volts, rssi   float64   // newest reported, V (or per cent, see BatteryConfig.InPercent) and dBm
	voltsOK, rsOK bool      // they were reported
	word          string    // newest InLink word
	wordAt        time.Time // when it came
	gone          bool      // the connection ended and neither it nor a report came back
}

func newDevice(cfg DeviceConfig) *device {
	d := &device{cadence: silence.New(silence.Config{}), cell: battery.New(battery.Config{})}
	d.configure(cfg)
	return d
}

// configure takes a new configuration and keeps what was learned, but for the
// lamps: reads tells which they are.
func (d *device) configure(cfg DeviceConfig) {
	if cfg.Battery.InPercent != d.cfg.Battery.InPercent || cfg.Battery.Chemistry == battery.None {
		d.voltsOK = false
	}
	if cfg.Battery.Chemistry == battery.None {
		d.warned = false
	}
	d.cfg, d.lamps = cfg, nil
	d.cadence.Configure(silence.Config{
		ReportEvery: cfg.ReportEvery, SilentAfter: cfg.SilentAfter, FalseEvery: cfg.FalseEvery,
	})
	b := cfg.Battery
	d.cell.Configure(battery.Config{
		InPercent: b.InPercent, Chemistry: b.Chemistry, Cells: b.Cells, FlatVolts: b.FlatVolts,
		CapacityMAh: b.CapacityMAh, CurrentMA: b.CurrentMA, Derate: b.Derate, Warn: b.Warn,
	})
}

// reads adds a lamp that the board reads. How often its value comes is learned
// alone: what was said of the board's reports is of any of them, and some lamp's
// value may come with one in ten.
func (d *device) reads(l *lamp) {
	l.patient = silence.Config{FalseEvery: d.cfg.FalseEvery}
	if l.values != nil {
		l.values.Configure(l.patient)
	}
	d.lamps = append(d.lamps, l)
}

// report takes a fresh report of the board, whatever it carried: a sign of
// life.
func (d *device) report(in *Input, out []Event) []Event {
	last, heard := d.cadence.Last()
	if d.silent && !d.folded {
		d.cell.Returned(in.At)
	}
	d.cadence.Report(in.At)
	d.cell.Heard(in.At)
	d.gone = false
	if in.RSSI != nil && finite(*in.RSSI) {
		d.rssi, d.rsOK = *in.RSSI, true
	}
	if in.Volts != nil && finite(*in.Volts) && d.cfg.Battery.Chemistry != battery.None {
		before, had := d.volts, d.voltsOK
		d.volts, d.voltsOK = *in.Volts, true
		if d.cell.Volts(in.At, d.volts) {
			d.warned = false
			out = append(out, d.batteryRose(in.At, before, had))
		}
	}
	out = d.takeBack(in.At, out)
	if d.silent {
		d.silent, d.since = false, time.Time{}
		if !d.folded { // else it was no battery's fault
			d.died, d.back = last, in.At
		}
		out = append(out, d.returned(in.At, last, heard))
	}
	for _, l := range d.lamps {
		if l.cfg.Name != in.Lamp && in.Word != ReadingLate {
			out = l.lacks(in.At, last, d, out)
		}
	}
	return out
}

// takeBack ends a warning that was wrong, so that the battery's end is told of when
// it comes: the voltage fell for the cold, or what is known of the battery was set
// right.
func (d *device) takeBack(at time.Time, out []Event) []Event {
	switch {
	case !d.warned || !d.cell.FarOff(at):
		d.calm = time.Time{}
	case d.calm.IsZero():
		d.calm = at
	case at.Sub(d.calm) >= d.cell.CalmFor():
		d.warned, d.calm = false, time.Time{}
		out = append(out, d.batteryHolds(at))
	}
	return out
}

// link takes news of the board's connection: evidence only, for a connection
// that stands is no report.
func (d *device) link(in *Input) {
	d.word, d.wordAt = in.Word, in.At
	// One that lasted for less than the interval between reports is that of a
	// board that sleeps in between, and ends it each time.
	sleeps := in.For > 0 && in.For < d.cadence.Every()
	d.gone = in.Word != LinkUp && !sleeps
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// saidLate is how long after a board is back who put a battery in, and saw it
// report, may say so.
const saidLate = 24 * time.Hour

// battery takes a person's word that a fresh battery was put in.
func (d *device) battery(in *Input, out []Event) []Event {
	end := in.At
	if last, heard := d.cadence.Last(); heard && d.silent && !d.folded {
		end = last
	} else if !d.back.IsZero() && in.At.Sub(d.back) < saidLate {
		end = d.died
	}
	d.cell.Fresh(in.At, end)
	d.warned = false
	return append(out, d.batteryChanged(in))
}

// rearm restarts every wait at at: nobody watched since since, and no connection
// to a broker of lampward's own stands from before.
func (d *device) rearm(since, at time.Time) {
	d.away = false
	if d.word == LinkUp {
		d.word, d.wordAt = "", time.Time{}
	}
	d.unwatched(since, at)
}

// unwatched tells that nobody could hear the board from since to at.
func (d *device) unwatched(since, at time.Time) {
	d.cadence.Unwatched(since, at)
	for _, l := range d.lamps {
		if l.values != nil {
			l.values.Unwatched(since, at)
		}
	}
}

// hold tells that lampward cannot hear any device (down), or can again, as it
// could not since since; then every wait starts anew at at.
func (d *device) hold(since, at time.Time, down bool) {
	if d.away = down; !down {
		d.unwatched(since, at)
	}
}

func (d *device) silentAt() (time.Time, bool) {
	if d.silent || d.away {
		return time.Time{}, false
	}
	if at, ok := d.cadence.Deadline(); ok {
		return at, true
	}
	since, waiting := d.cadence.Waiting()
	return since.Add(d.expect), waiting && d.expected()
}

// expected tells whether the board's first report is waited for though nobody knows how
// often it reports.
func (d *device) expected() bool {
	_, heard := d.cadence.Last()
	return d.expect > 0 && !heard
}

// follows tells that the board, if it was never heard so far, reads a lamp now that old
// read: one that never is, because its topic or account is wrong, leaves the lamp
// unwatched.
func (d *device) follows(old *device, at time.Time) {
	every := old.cadence.Every()
	if _, heard := d.cadence.Last(); heard || every <= 0 {
		return
	}
	d.expect = max(d.expect, firstReport, firstReports*every)
	if _, waiting := d.cadence.Waiting(); !waiting {
		d.cadence.Rearm(at)
	}
}

// How long a board may take to report first that reads a lamp in the place of another:
// it may report less often than that did.
const (
	firstReport  = time.Hour
	firstReports = 20 // intervals of the other's reports
)

func (d *device) warnAt() (at time.Time, ok bool) {
	if d.warned || d.silent && !d.folded { // that it is silent says more
		return time.Time{}, false
	}
	at, ok = d.cell.WarnAt()
	return latest(at, d.back.Add(saidLate)), ok
}

// overdue tells whether the board is noticeably late at at, though it may not
// count as silent yet.
func (d *device) overdue(at time.Time) bool {
	late, ok := d.cadence.Late()
	since, waiting := d.cadence.Waiting()
	return ok && waiting && !d.away && !d.silent && at.Sub(since) >= late
}

// stopped returns the span of time in which the board must have stopped, if it
// did: not before its newest report, and not long after the next was due. While
// lampward was down nobody knows.
func (d *device) stopped() (from, to time.Time) {
	since, _ := d.cadence.Waiting()
	from = since
	if last, heard := d.cadence.Last(); heard {
		from = last
	}
	if d.silent {
		from, since = d.since, d.since // a later restart of lampward changes nothing about it
	}
	late, ok := d.cadence.Late()
	if !ok {
		late, _ = d.cadence.Limit()
	}
	return from, since.Add(late)
}

// recall takes e, which told that the board was silent, where no report of it is known
// any more, at at. It returns false if there is one, or if the board is part of an
// outage of many.
func (d *device) recall(e *Event, at time.Time) bool {
	if _, heard := d.cadence.Last(); heard || d.folded || d.heldBack {
		return false
	}
	if !e.Since.IsZero() {
		d.cadence.Report(e.Since)
		d.cadence.Rearm(at) // what was between is no interval of the board's
	}
	d.silent, d.since = true, e.began()
	return true
}

func (d *device) fellSilent() {
	if !d.silent {
		d.since, _ = d.stopped()
		d.silent = true
	}
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
		out = append(out, d.batteryLow(at))
	}
	if t, ok := d.silentAt(); ok && !t.After(at) {
		d.fellSilent()
		out = append(out, d.silence(at))
	}
	return out
}
