// Package bench holds the sums to do before a sensor is built: which resistor
// goes with a light sensor, how many counts it will swing, how long a battery
// lasts, and what the report interval trades against what.
//
// Start with [Divider] and [Supply]; [TradeOff] makes the table. All functions
// are pure; resistances are in ohm, voltages in V, currents in mA, capacities
// in mAh.
package bench

import (
	"errors"
	"fmt"
	"math"
	"time"

	"lampward/rules/silence"
)

// e24 is one decade of the E24 series of IEC 60063 (from memory).
var e24 = [...]float64{
	1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
	3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
}

// Nearest returns the E24 value with the smallest ratio to r ohm, r > 0.
func Nearest(r float64) float64 {
	decade := math.Pow(10, math.Floor(math.Log10(r)))
	best := e24[0] * decade
	try := func(v float64) {
		if math.Abs(math.Log(v/r)) < math.Abs(math.Log(best/r)) {
			best = v
		}
	}
	for _, v := range e24 {
		try(v * decade)
	}
	try(10 * decade)
	// Products such as 6.8 * 1000 are off in the last bits.
	scale := decade / 100
	return math.Round(best/scale) * scale
}

// BestFixed returns the fixed resistor of a divider that swings most between
// two resistances of the sensor: their geometric mean, where the derivative of
// R/(R+a) - R/(R+b) by R is zero.
func BestFixed(a, b float64) float64 { return math.Sqrt(a * b) }

// Ratio returns the share of the supply that lies across the fixed resistor,
// with the sensor between it and the supply.
func Ratio(sensor, fixed float64) float64 { return fixed / (fixed + sensor) }

// Divider is a light sensor over a fixed resistor, read by a converter across
// the fixed resistor: more light, lower resistance, more counts.
type Divider struct {
	Lit, Dark float64 // ohm; the sensor's resistance with the lamp lit and dark
	Fixed     float64 // ohm; 0: the E24 value nearest to the best
	Bits      int     // of the converter; 0: 10
	Supply    float64 // V across the divider; 0: 3.3
	Reference float64 // V at which the converter is full; 0: Supply
	Noise     float64 // counts, one standard deviation of a reading with the lamp steady; 0: 2 (common practice, no source)
	Day       float64 // ohm; the sensor's resistance by day with the lamp dark, for [Divider.ByDay]; 0: unknown
}

// Exponents are the least and the most that a photoresistor's resistance falls by with
// the light to the power of: the gamma of data sheets of cadmium sulphide cells (from memory).
var Exponents = [2]float64{0.6, 0.9}

// Reading is what a Divider will read.
type Reading struct {
	Best      float64 // ohm; the fixed resistor with the widest swing
	Fixed     float64 // ohm; the one used
	Lit, Dark float64 // counts, not rounded
	Swing     float64 // counts; |Lit - Dark|
	Most      float64 // counts; Swing with the best resistor and the reference at the supply
	Margin    float64 // half the swing in standard deviations of the noise: how far a level midway is from both
	WrongEach float64 // chance that one reading falls on the wrong side of that level, normal noise
	Clipped   bool    // a level lies at the converter's end
}

// Work checks the divider and works it out; d.Day does not matter.
func (d Divider) Work() (Reading, error) {
	if err := d.check(); err != nil {
		return Reading{}, err
	}
	return d.read(), nil
}

// ByDay checks the divider and works out what it reads in daylight, of a photoresistor with
// this exponent: R falls as light^-exponent. The lamp adds as much light as without daylight,
// so with r = R^(-1/exponent), which is proportional to the light, the lit sensor has
// r = r(d.Day) + r(d.Lit) - r(d.Dark). Best and Most are those of the widest swing by day;
// the fixed resistor is the one of Work.
func (d Divider) ByDay(exponent float64) (Reading, error) {
	err := errors.Join(d.check(), positive("dark resistance by day", d.Day, "ohm"), positive("exponent", exponent, ""))
	if err == nil && d.Lit > d.Dark {
		err = errors.New("the lit resistance is over the dark one: how a photoresistor does by day can be worked out only if the lamp adds light to it")
	}
	if err != nil {
		return Reading{}, err
	}
	if d.Fixed == 0 {
		d.Fixed = Nearest(BestFixed(d.Lit, d.Dark))
	}
	added := math.Pow(d.Day/d.Dark, 1/exponent) * (math.Pow(d.Dark/d.Lit, 1/exponent) - 1) // shares of the daylight
	d.Lit, d.Dark = d.Day*math.Pow(1+added, -exponent), d.Day
	return d.read(), nil
}

func (d *Divider) check() error {
	if d.Bits == 0 {
		d.Bits = 10
	}
	if d.Supply == 0 {
		d.Supply = 3.3
	}
	if d.Reference == 0 {
		d.Reference = d.Supply
	}
	if d.Noise == 0 {
		d.Noise = 2
	}
	err := errors.Join(
		positive("lit resistance", d.Lit, "ohm"), positive("dark resistance", d.Dark, "ohm"),
		notNegative("fixed resistor", d.Fixed, "ohm"),
		positive("supply", d.Supply, "V"), positive("reference", d.Reference, "V"),
		positive("noise", d.Noise, "counts"),
	)
	if d.Bits < 1 || d.Bits > 24 {
		err = errors.Join(err, fmt.Errorf("the converter has 1 to 24 bits, not %d", d.Bits))
	}
	if err == nil && d.Lit == d.Dark {
		err = errors.New("the lit and dark resistances are the same: such a sensor does not see the lamp")
	}
	return err
}

// read works out a divider that was checked.
func (d *Divider) read() Reading {
	r := Reading{Best: BestFixed(d.Lit, d.Dark), Fixed: d.Fixed}
	if r.Fixed == 0 {
		r.Fixed = Nearest(r.Best)
	}
	full := math.Ldexp(1, d.Bits)
	counts := func(sensor float64) float64 {
		c := Ratio(sensor, r.Fixed) * d.Supply / d.Reference * full
		if c > full-1 {
			r.Clipped = true
			c = full - 1
		}
		return c
	}
	r.Lit, r.Dark = counts(d.Lit), counts(d.Dark)
	r.Swing = math.Abs(r.Lit - r.Dark)
	r.Most = math.Abs(Ratio(d.Lit, r.Best)-Ratio(d.Dark, r.Best)) * full
	r.Margin = r.Swing / 2 / d.Noise
	r.WrongEach = math.Erfc(r.Margin/math.Sqrt2) / 2
	return r
}

// Supply is a battery and what the board takes from it.
type Supply struct {
	CapacityMAh float64       // mAh; the rated capacity
	Derate      float64       // usable share of it; 0: 0.8 (common practice, no source)
	MeanMA      float64       // mA; mean current as measured; 0: from the four below
	SleepMA     float64       // mA between reports
	ActiveMA    float64       // mA while awake to report
	Awake       time.Duration // awake for one report
	Every       time.Duration // from report to report
}

// Mean checks the supply and returns the mean current in mA.
func (s Supply) Mean() (float64, error) {
	if s.MeanMA != 0 {
		return s.MeanMA, positive("mean current", s.MeanMA, "mA")
	}
	err := errors.Join(
		notNegative("sleep current", s.SleepMA, "mA"), positive("active current", s.ActiveMA, "mA"),
		positive("time awake", s.Awake.Seconds(), "s"), positive("report interval", s.Every.Seconds(), "s"),
	)
	if err != nil {
		return 0, err
	}
	if s.Every <= s.Awake {
		return s.ActiveMA, nil // it never gets to sleep
	}
	share := s.Awake.Seconds() / s.Every.Seconds()
	return s.SleepMA*(1-share) + s.ActiveMA*share, nil
}

// Life checks the supply and returns how many days the battery lasts.
func (s Supply) Life() (days float64, err error) {
	if s.Derate == 0 {
		s.Derate = 0.8
	}
	mean, err := s.Mean()
	err = errors.Join(err, positive("capacity", s.CapacityMAh, "mAh"))
	if !(s.Derate > 0 && s.Derate <= 1) {
		err = errors.Join(err, fmt.Errorf("the derating is a share over 0, at most 1, not %v", s.Derate))
	}
	if err != nil {
		return 0, err
	}
	return s.CapacityMAh * s.Derate / mean / 24, nil
}

// BlinkReadings is how many readings a sequential probability ratio test
// (Wald 1945, from memory) needs on average to call a blinking lamp blinking:
// half of the readings lit, at random, against one in a hundred that differs
// from the one before by noise, errors of one in ten thousand. The test
// recomputes it.
const BlinkReadings = 6.8

// Row is one report interval and what it means.
type Row struct {
	Every      time.Duration
	Change     time.Duration // from the lamp's change to its second reading, on average
	ChangeMost time.Duration // and at worst, no reading lost
	Blink      time.Duration // until a blinking lamp is known to blink, on average
	SilentNew  time.Duration // until a dead board is called silent, in its first hours
	Silent     time.Duration // and after a month without a lost report
	Days       float64       // battery life
	Year       float64       // readings a year
}

// Intervals are the report intervals that TradeOff shows.
var Intervals = []time.Duration{
	10 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute,
	10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour,
}

// TradeOff works out a row for each interval; s.Every does not matter. An
// interval is left out if the board would have no time to sleep in it.
func TradeOff(s Supply, intervals []time.Duration) ([]Row, error) {
	var rows []Row
	for _, every := range intervals {
		s.Every = every
		if s.MeanMA == 0 && every <= s.Awake {
			continue
		}
		days, err := s.Life()
		if err != nil {
			return nil, err
		}
		r := Row{
			Every: every, Change: every * 3 / 2, ChangeMost: 2 * every,
			Blink: time.Duration(BlinkReadings * float64(every)),
			Days:  days, Year: (365 * 24 * time.Hour).Seconds() / every.Seconds(),
		}
		r.SilentNew, r.Silent = patience(every)
		rows = append(rows, r)
	}
	return rows, nil
}

// patience asks the estimator itself, with a regular board.
func patience(every time.Duration) (young, old time.Duration) {
	e := silence.New(silence.Config{})
	at := time.UnixMilli(0)
	n := int(30 * 24 * time.Hour / every)
	for i := range n {
		e.Report(at)
		at = at.Add(every)
		if i == min(40, n-1) {
			young, _ = e.Limit()
		}
	}
	old, _ = e.Limit()
	return young, old
}

func positive(what string, v float64, unit string) error {
	if v > 0 && !math.IsInf(v, 0) {
		return nil
	}
	return fmt.Errorf("the %s must be over 0 %s, not %v", what, unit, v)
}

func notNegative(what string, v float64, unit string) error {
	if v >= 0 && !math.IsInf(v, 0) {
		return nil
	}
	return fmt.Errorf("the %s cannot be under 0 %s: %v", what, unit, v)
}
