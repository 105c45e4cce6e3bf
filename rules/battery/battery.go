// Package battery forecasts when a device's battery will be flat.
//
// Start with [New]; tell it [Estimator.Heard] when the device reports,
// [Estimator.Volts] when it reports a voltage, or else its state of charge, and
// [Estimator.Fresh] when a person puts in a fresh battery, and ask
// [Estimator.Forecast].
//
// The forecast rests on the best thing that is known:
//
//  1. the voltage: each hour's mean is turned into a state of charge through
//     the discharge curve of the chemistry (or the board tells the state of
//     charge itself), and a straight line through those
//     (a board's load hardly changes from week to week) is followed to the
//     cut-off; and where the newest voltages fall faster than ever before, they
//     alone, for many a battery ends more steeply than its curve;
//  2. else how long earlier batteries lasted;
//  3. else capacity, derated, over mean current.
//
// The interval of the first holds the scatter about the line, by bending the
// curve both ways what is not known of it, and what is not of the voltage at
// which the board stops; those of the others are rough.
package battery

import (
	"math"
	"time"
)

// Config is what is known of the battery.
type Config struct {
	InPercent   bool          // Volts takes the state of charge as the board tells it, in per cent; then Chemistry, Cells and FlatVolts count for nothing
	Chemistry   string        // one of Chemistries, or None; empty: unknown, and the voltage forecasts nothing
	Cells       int           // cells in series; 0: guessed from the highest voltage seen
	FlatVolts   float64       // V of the whole battery at which the board stops, unless it stopped at more before; 0: where it stopped before, else the usual cut-off of the chemistry
	CapacityMAh float64       // mAh; 0: unknown
	CurrentMA   float64       // mean current in mA; 0: unknown
	Derate      float64       // usable share of the capacity; 0: DefaultDerate
	Warn        time.Duration // how long ahead of the flat date to warn; 0: DefaultWarn
}

// None is the Chemistry of a device without a battery: nothing that it reports is of
// one, and nothing is forecast.
const None = "none"

const (
	// DefaultDerate is the share of the rated capacity that a board gets out
	// of a battery (common practice, no source).
	DefaultDerate = 0.8
	// DefaultWarn is how long ahead of the flat date to warn.
	DefaultWarn = 72 * time.Hour
)

// What a Forecast rests on.
const (
	FromVoltage  = "voltage"
	FromCharge   = "charge" // as the board tells it
	FromSwaps    = "swaps"
	FromCapacity = "capacity"
)

// Forecast is when the battery will be flat.
type Forecast struct {
	Flat        time.Time // the likeliest moment
	Early, Late time.Time // ends of the 90 % interval
	Basis       string    // FromVoltage, FromCharge, FromSwaps or FromCapacity
}

const (
	points     = 48      // means kept
	ends       = 24      // means kept of the newest time alone
	finer      = 8       // of those in one of the others
	leastEnd   = 2       // hours in one of them at least, so that all hold two days and nights
	hourMs     = 3600000 // ms; width of a point at first
	leastPts   = 8       // points that make a trend
	leastSpan  = 36 * hourMs
	leastFall  = 0.03 // of the charge
	leastSure  = 4.0  // standard errors that the slope is from level
	endDoubt   = 0.03 // of the time seen: where on the steep end a cell gives up; one standard deviation
	z90        = 1.645
	mostAhead  = 20 * 365 * 24 * hourMs // ms; nothing is forecast further ahead
	maxLives   = 8
	jumpShare  = 0.10 // of the range of voltage: a rise that means a fresh or charged battery
	jumpSoc    = 0.25
	jumpVolts  = 0.08 // of the voltage, when the chemistry is unknown
	stillFor   = 7 * 24 * hourMs
	stillBy    = 0.005 // of the voltage
	warnCharge = 0.4   // charge above which the voltage warns of nothing, unless Warn is a good part of the battery's life
	holdCharge = 0.25  // charge above which the voltage warns of nothing while it hardly falls
	nearFlat   = 0.20  // charge below which a battery that is changed or charged counts as used up
	nearFlatPc = 0.30  // the same of a charge in per cent, which many a board tells as too high near its end
)

// point is the mean of the voltages in one stretch of time.
type point struct {
	At    int64   // ms; mean time
	Volts float64 // V
	N     float64 // how many hours it holds
}

// Estimator follows the battery of one device. Use New. It is not safe for
// concurrent use.
type Estimator struct {
	cfg   Config
	curve *curve

	start int64 // ms; when this battery was put in, or first heard
	known bool  // start is set
	told  bool  // start is a person's word or a jump of the voltage, not just the first report

	lives [maxLives]int64 // ms; how long earlier batteries lasted, oldest first
	nLife int

	pts    []point // points long once there is a voltage
	nPts   int
	merged int64   // hours in one point
	end    []point // ends long once there is a voltage; the newest hours again, in finer points
	nEnd   int
	sum    float64 // V; of the hour that runs
	cnt    float64
	from   int64   // ms; when that hour began
	high   float64 // highest hourly mean, V; tells the number of cells

	stop  float64 // V; of the whole battery, at which the board stopped, by earlier ends; 0: unknown
	died  float64 // V; the newest voltage before the newest silence; 0: none
	awake int64   // ms; when that silence was over

	now int64 // ms; when the forecast was last worked out

	fc     Forecast // derived
	ok     bool
	warn   int64   // ms; derived
	charge float64 // of the newest point; -1 unknown; derived
}

// New returns an Estimator of a battery of unknown age.
func New(cfg Config) *Estimator {
	e := &Estimator{merged: 1}
	e.Configure(cfg)
	return e
}

// Configure changes what is known of the battery and keeps what was learned; but
// voltages say nothing of a charge in per cent, nor that of them. A device that has
// none keeps how long its batteries lasted, and counts as one with a fresh battery
// when it has one again.
func (e *Estimator) Configure(cfg Config) {
	if cfg.Chemistry == None {
		cfg = Config{Chemistry: None, InPercent: e.cfg.InPercent}
		e.clear()
		e.known, e.told, e.died = false, false, 0
	}
	if cfg.InPercent != e.cfg.InPercent {
		e.clear()
		e.stop, e.died = 0, 0
	}
	e.curve = findCurve(cfg.Chemistry)
	if cfg.InPercent && cfg.Chemistry != None {
		e.curve, cfg.Cells = &percent, 1
	}
	e.cfg = cfg
	e.derive(e.now)
}

// none tells that there is no battery.
func (e *Estimator) none() bool { return e.cfg.Chemistry == None }

// Heard tells that the device reported. The battery counts as fresh at the
// first report, unless and until somebody tells better.
func (e *Estimator) Heard(at time.Time) {
	if !e.known && !e.none() {
		e.start, e.known = at.UnixMilli(), true
		e.derive(e.start)
	}
}

// Fresh tells that a fresh battery was put in at at. The old one lasted until
// end: when the device was last heard, if it fell silent, or else at.
func (e *Estimator) Fresh(at, end time.Time) {
	if e.none() {
		return
	}
	if end.Before(at) {
		if e.awake > end.UnixMilli() { // it has reported since, by the fresh one
			e.stopped(e.died)
		} else {
			e.stopped(e.lastVolts())
		}
	}
	e.died = 0
	e.swap(at.UnixMilli(), end.UnixMilli(), end.Before(at))
	e.clear()
	e.derive(at.UnixMilli())
}

// clear forgets all voltages.
func (e *Estimator) clear() {
	e.nPts, e.merged, e.nEnd = 0, 1, 0
	e.sum, e.cnt, e.high = 0, 0, 0
}

// Returned tells that the device is back at at from a silence of its own. If it
// then shows a fresh battery, or a person says so, the old one's last voltage is
// what the board stops at.
func (e *Estimator) Returned(at time.Time) {
	e.died, e.awake = e.lastVolts(), at.UnixMilli()
}

// lastVolts returns the newest voltage, a mean of up to an hour, in V; 0 if there
// is none.
func (e *Estimator) lastVolts() float64 {
	if e.cnt > 0 {
		return e.sum / e.cnt
	}
	v, _ := e.newest()
	return v
}

// stopped notes the voltage that a board showed last before its battery was
// changed; only that of a battery that was used up tells where it stops.
func (e *Estimator) stopped(volts float64) {
	if volts <= 0 || !e.usedUp(volts) {
		return
	}
	if e.stop > 0 {
		volts = (e.stop + volts) / 2
	}
	e.stop = volts
}

// usedUp tells whether a battery that shows volts is nearly flat.
func (e *Estimator) usedUp(volts float64) bool {
	near := nearFlat
	if e.cfg.InPercent {
		near = nearFlatPc
	}
	return e.curve != nil && e.curve.charge(volts/float64(e.cells())) <= near
}

// swap notes a fresh battery. One that was not flat says only that they last
// at least so long: a life is made of it if nothing better is known or it was
// longer than was expected, else who changes at each warning would be warned
// sooner each time.
func (e *Estimator) swap(at, end int64, flat bool) {
	// How old a battery was that nobody saw put in is unknown. Within a day it
	// is the same one that is told of again.
	life, least := min(end-e.start, mostAhead), int64(24*hourMs)
	if !flat {
		least = max(7*24*hourMs, e.expected())
	}
	if e.told && life >= least {
		if e.nLife == maxLives {
			copy(e.lives[:], e.lives[1:])
			e.nLife--
		}
		e.lives[e.nLife] = life
		e.nLife++
	}
	e.start, e.known, e.told = at, true, true
}

// Volts tells the voltage that the device reported at at, in V, or its charge in
// per cent if that is configured. It returns true if that shows that the battery
// was changed or charged since the hour before.
func (e *Estimator) Volts(at time.Time, v float64) (fresh bool) {
	if e.none() {
		return false
	}
	if e.cfg.InPercent && v == 0 {
		v = 0.1 // less than one; a board that reports is not at its end
	}
	if !(v > 0 && v < 1000) {
		return false
	}
	t := at.UnixMilli()
	if e.cnt > 0 && t-e.from >= hourMs {
		fresh = e.closeHour()
	}
	if e.cnt == 0 {
		e.from = t
	}
	e.sum += v
	e.cnt++
	if e.cnt == 1 && e.nPts > 0 {
		e.derive(t)
	}
	return fresh
}

// closeHour makes a point of the hour that ran.
func (e *Estimator) closeHour() (fresh bool) {
	if e.pts == nil {
		e.pts, e.end = make([]point, points), make([]point, ends)
	}
	p := point{At: e.from + hourMs/2, Volts: e.sum / e.cnt, N: 1}
	e.sum, e.cnt = 0, 0
	// Two hours in a row tell, for one may be a single reading that was high.
	if n := e.nPts - 1; n > 0 && e.pts[n].N == 1 && e.rose(n, e.pts[n].Volts) && e.rose(n, p.Volts) {
		fresh = true
		first, last := e.pts[n], e.pts[n-1]
		if e.died > 0 && first.At-e.awake < 3*hourMs {
			e.stopped(e.died)
		}
		e.died = 0
		end, flat := last.At, true
		if e.curve != nil {
			if flat = e.usedUp(last.Volts); !flat {
				end = e.start // charged long before it was flat: no life
			}
		}
		e.swap(first.At-hourMs/2, end, flat)
		e.pts[0], e.nPts, e.merged = first, 1, 1
		e.end[0], e.nEnd = first, 1
	}
	e.addEnd(p)
	switch e.nPts { // the highest that two in a row show: one may be a single reading that was off
	case 0:
		e.high = p.Volts
	case 1:
		e.high = min(e.pts[0].Volts, p.Volts)
	default:
		e.high = max(e.high, min(e.pts[e.nPts-1].Volts, p.Volts))
	}
	if e.nPts > 0 && !e.rose(e.nPts, p.Volts) { // else it stands alone until the next hour
		if last := &e.pts[e.nPts-1]; last.N < float64(e.merged) {
			last.add(p)
			return fresh
		}
	}
	if e.nPts == points {
		for i := range points / 2 {
			a, b := e.pts[2*i], e.pts[2*i+1]
			n := a.N + b.N
			e.pts[i] = point{
				At:    a.At + int64(float64(float64(b.At-a.At)*b.N)/n),
				Volts: a.Volts + float64((b.Volts-a.Volts)*b.N)/n,
				N:     n,
			}
		}
		e.nPts = points / 2
		e.merged *= 2
	}
	e.pts[e.nPts] = p
	e.nPts++
	return fresh
}

// addEnd keeps an hour's mean among the newest.
func (e *Estimator) addEnd(p point) {
	if e.nEnd > 0 {
		if last := &e.end[e.nEnd-1]; last.N < float64(max(e.merged/finer, leastEnd)) {
			last.add(p)
			return
		}
	}
	if e.nEnd == ends {
		copy(e.end, e.end[1:])
		e.nEnd--
	}
	e.end[e.nEnd] = p
	e.nEnd++
}

// add takes another hour's mean into a point.
func (p *point) add(q point) {
	n := p.N + 1
	p.At += int64(float64(q.At-p.At) / n)
	p.Volts += (q.Volts - p.Volts) / n
	p.N = n
}

// rose tells whether a voltage is that of a fresh or charged battery beside the
// last two of the first n points: one may be a single reading that was low.
func (e *Estimator) rose(n int, volts float64) bool {
	return n > 0 && e.jumped(e.pts[n-1].Volts, volts) && (n < 2 || e.jumped(e.pts[n-2].Volts, volts))
}

// jumped tells whether a rise of the voltage means a fresh or charged battery.
func (e *Estimator) jumped(before, after float64) bool {
	if e.curve == nil {
		return after-before > float64(jumpVolts*before)
	}
	cells := float64(e.cells())
	rise := (after - before) / cells
	return rise > float64(jumpShare*(e.curve.full()-e.curve.cutoff)) &&
		e.curve.charge(after/cells)-e.curve.charge(before/cells) > jumpSoc
}

// cells returns the number of cells in series: as configured, or the fewest
// that give the highest voltage seen. A fresh cell, or a converter that is off,
// may show more than the curve; what would be flat cells at their best is one
// fewer.
func (e *Estimator) cells() int {
	if e.cfg.Cells > 0 || e.curve == nil {
		return max(e.cfg.Cells, 1)
	}
	n := max(int(math.Ceil(e.high/float64(1.03*e.curve.full()))), 1)
	if n > 1 && e.high < float64(float64(n)*e.curve.cutoff) {
		n--
	}
	return n
}

// Forecast returns the flat date; ok is false while there is nothing to go by.
func (e *Estimator) Forecast() (f Forecast, ok bool) { return e.fc, e.ok }

// Charge returns the state of charge that the newest voltage shows, 0..1; ok is
// false if there is no voltage or no chemistry.
func (e *Estimator) Charge() (charge float64, ok bool) { return max(e.charge, 0), e.charge >= 0 }

// Since returns when the battery was put in; told is false if that is only the
// first report.
func (e *Estimator) Since() (at time.Time, told bool) {
	return time.UnixMilli(e.start).UTC(), e.told
}

// WarnAt returns when to warn of the flat date: when the chance that the
// battery is flat within Warn reaches one in four.
func (e *Estimator) WarnAt() (at time.Time, ok bool) {
	return time.UnixMilli(e.warn).UTC(), e.ok
}

// ahead returns how long ahead of the flat date to warn.
func (e *Estimator) ahead() time.Duration {
	if e.cfg.Warn <= 0 {
		return DefaultWarn
	}
	return e.cfg.Warn
}

// FarOff tells whether at at a warning is not due for so long that one given before
// was wrong: twice the time ahead that it is given. The forecasts of batteries near
// their end were seen to change by a third of it.
func (e *Estimator) FarOff(at time.Time) bool {
	return e.ok && e.warn-at.UnixMilli() > 2*e.ahead().Milliseconds()
}

// CalmFor is for how long a warning must be far off until the one given before is
// taken back: as long as it is given ahead. A voltage that falls with the cold, stands
// and rises again looks far from its end more than once.
func (e *Estimator) CalmFor() time.Duration { return e.ahead() }

// derive works the forecast out anew at now; no warning is due before.
func (e *Estimator) derive(now int64) {
	e.now = now
	e.ok = false
	e.charge = -1
	if newest, ok := e.newest(); ok && e.curve != nil {
		e.charge = e.curve.charge(newest / float64(e.cells()))
		if e.charge <= nearFlat && !e.cfg.InPercent && e.regulated() {
			e.charge = -1
		}
	}
	var flat, early, late int64
	trend := e.trend(&flat, &early, &late)
	switch {
	case trend:
		e.fc.Basis = FromVoltage
		if e.cfg.InPercent {
			e.fc.Basis = FromCharge
		}
	case e.known && e.nLife > 0:
		mean, sd := e.lifeSpan()
		half := int64(z90 * sd)
		flat, early, late = e.start+mean, e.start+max(mean-half, 0), e.start+mean+half
		e.fc.Basis = FromSwaps
	case e.known && e.cfg.CapacityMAh > 0 && e.cfg.CurrentMA > 0:
		life := e.capacityLife()
		flat, early, late = e.start+life, e.start+life*3/4, e.start+life*5/4
		e.fc.Basis = FromCapacity
	default:
		e.fc = Forecast{}
		return
	}
	e.ok = true
	ahead := e.ahead()
	at := func(ms int64) time.Time { return time.UnixMilli(ms).UTC() }
	e.fc.Flat, e.fc.Early, e.fc.Late = at(flat), at(early), at(late)
	// The lower quartile of a normal distribution lies 0.674 standard
	// deviations under its mean, the early end 1.645.
	quartile := flat - (flat-early)*41/100
	e.warn = max(quartile-ahead.Milliseconds(), now)
	if trend {
		// A fresh cell falls fast at first, and may seem to go on so.
		most := max(warnCharge, 1.25*float64(ahead.Milliseconds())/float64(max(flat-e.start, 1)))
		if e.charge > most {
			e.warn = max(e.warn, now+int64(float64(flat-now)*(e.charge-most)/e.charge))
		}
		if e.charge > holdCharge && e.holds(flat) {
			e.warn = max(e.warn, now+(flat-now)/2)
		}
	}
}

// regulated tells whether the voltage has stood still for so long that it is that
// of a regulator: no battery does so that is nearly flat.
func (e *Estimator) regulated() bool {
	if e.nPts < leastPts || e.pts[e.nPts-1].At-e.pts[0].At < stillFor {
		return false
	}
	low, high := e.pts[0].Volts, e.pts[0].Volts
	for _, pts := range [...][]point{e.pts[:e.nPts], e.end[:e.nEnd]} {
		for _, p := range pts {
			low, high = min(low, p.Volts), max(high, p.Volts)
		}
	}
	return high-low <= float64(stillBy*high)
}

// newest returns the newest mean of the voltage, in V; ok is false if there is
// none.
func (e *Estimator) newest() (volts float64, ok bool) {
	switch {
	case e.nEnd > 0:
		return e.end[e.nEnd-1].Volts, true
	case e.nPts > 0: // restored from an older version
		return e.pts[e.nPts-1].Volts, true
	}
	return 0, false
}

// expected returns how long a battery should last by earlier lives, or else by
// capacity, in ms; 0: unknown.
func (e *Estimator) expected() int64 {
	switch {
	case e.nLife > 0:
		mean, _ := e.lifeSpan()
		return mean
	case e.cfg.CapacityMAh > 0 && e.cfg.CurrentMA > 0:
		return e.capacityLife()
	}
	return 0
}

// capacityLife returns the life by capacity and current, in ms.
func (e *Estimator) capacityLife() int64 {
	derate := e.cfg.Derate
	if derate <= 0 {
		derate = DefaultDerate
	}
	return int64(min(e.cfg.CapacityMAh*derate/e.cfg.CurrentMA*hourMs, mostAhead))
}

// lifeSpan returns the mean of earlier lives and the standard deviation of the
// next, in ms.
func (e *Estimator) lifeSpan() (mean int64, sd float64) {
	n := float64(e.nLife)
	var sum, sq float64
	for _, l := range e.lives[:e.nLife] {
		sum += float64(l)
	}
	m := sum / n
	for _, l := range e.lives[:e.nLife] {
		d := float64(l) - m
		sq += float64(d * d)
	}
	least := float64(0.15 * m) // two batteries of one kind differ by as much
	sd = least
	if e.nLife > 1 {
		sd = max(least, math.Sqrt(sq/(n-1)))
	}
	return int64(m), float64(sd * math.Sqrt(1+1/n))
}
