// Package physical writes labelled traces of a photoresistor over an appliance's
// indicator lamp: a month of raw ADC counts, one reading a minute, with what
// the lamp really did at each reading.
//
// The model goes from cause to count. A rhythm of the appliance and the person
// who attends to it gives the lamp's state as intervals of continuous time; the
// sun, the clouds, a room light and a slow ambient wander give the other light;
// the board averages all of it over a short window, adds noise, multiplies by
// the gain of its supply, rounds and clips at the rails of the converter.
// Light adds up linearly in counts, since the families state it in counts.
//
// Its author knew the one-line descriptions of package lab's fifteen families
// only, neither that package nor the learner, so that it is a second opinion on
// both. Call Generate; all data is invented (common practice, no source), but
// for the sun's formulas, which are named where they stand, from memory.
package physical

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"
)

// Reading is one reading.
type Reading struct {
	At    time.Time // when the averaging window closed, UTC, whole milliseconds
	Value float64   // ADC counts
	Truth int       // the lamp at At: 0 dark, 1 lit, 2 blinking
}

// Families lists the fifteen kinds of trace that Generate knows.
var Families = []string{
	"clean", "faint", "leak", "daylight", "drift", "blink", "spikes", "rare",
	"inverted", "lossy", "coarse", "clipped", "mostly_lit", "sag", "still",
}

const (
	minute = 60.0
	hour   = 3600.0
	day    = 86400.0
	month  = 30 * day // length of a trace, seconds

	dark     = 0
	lit      = 1
	blinking = 2
)

// Generate makes one month of readings, about 43200 of them, in strictly
// increasing time. The same family and seed give the same trace. It panics if
// the family is not one of Families.
func Generate(family string, seed uint64) []Reading {
	if !slices.Contains(Families, family) {
		panic(fmt.Sprintf("physical: no family %q; the families are %v", family, Families))
	}
	w := newWorld(family, seed)
	return w.record()
}

// world is everything of one trace that is fixed before the first reading.
// Times inside it are seconds since the start of the trace.
type world struct {
	family string
	seed   uint64
	start  time.Time
	zone   float64 // seconds the household's clock is ahead of UTC

	rail       float64 // highest count of the converter
	base       float64 // counts with no light but the stray
	lamp       float64 // counts a lit lamp adds, negative if inverted
	sigma      float64 // standard deviation of the noise, counts
	slowShare  float64 // share of the noise variance that is correlated
	slowTau    float64 // correlation time of that share, seconds
	window     float64 // averaging window, seconds; 0 is one sample
	resolution float64 // step of the published value, counts

	visits   []float64 // when somebody comes to the appliance
	segments []segment // when the lamp is not dark
	sun      *sun      // nil if no daylight gets in
	room     *roomLight
	ambient  *ambient
}

// segment is an interval [from, to) in which the lamp is lit or blinking.
type segment struct {
	from, to float64
	state    int
	freq     float64 // blinks a second, if blinking
}

// stream gives an independent source of randomness for one part of the model,
// so that a change to one part leaves the draws of the others alone.
func (w *world) stream(part string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(w.family + "/" + part))
	return rand.New(rand.NewPCG(w.seed, h.Sum64()))
}

func uniform(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

// logUniform spreads evenly over the orders of magnitude from lo to hi.
func logUniform(r *rand.Rand, lo, hi float64) float64 {
	return lo * math.Exp(r.Float64()*math.Log(hi/lo))
}

// logNormal has the given median; spread is the standard deviation of the log.
func logNormal(r *rand.Rand, median, spread float64) float64 {
	return median * math.Exp(spread*r.NormFloat64())
}

func clamp(x, lo, hi float64) float64 { return math.Min(math.Max(x, lo), hi) }

func newWorld(family string, seed uint64) *world {
	w := &world{family: family, seed: seed}
	r := w.stream("board")

	w.zone = float64(r.IntN(19)-8) * hour
	// Boards are put up at a waking hour of the household.
	first := time.Date(2023, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, r.IntN(700))
	local := uniform(r, 8*hour, 22*hour)
	w.start = first.Add(time.Duration((local-w.zone)*1000) * time.Millisecond)

	w.lamp, w.sigma = 380, 6
	w.rail = 1023
	if r.IntN(2) == 1 {
		w.rail = 4095
	}
	twelve := w.rail == 4095
	pick := func(lo10, hi10, lo12, hi12 float64) float64 {
		if twelve {
			return uniform(r, lo12, hi12)
		}
		return uniform(r, lo10, hi10)
	}
	switch family {
	case "faint":
		w.lamp = 26
		w.base = pick(45, 800, 80, 2500)
	case "leak":
		w.base = pick(45, 250, 80, 1200)
	case "daylight":
		// Sun, lamp and base together do not fit into ten bits.
		w.lamp, w.rail = 300, 4095
		w.base = uniform(r, 60, 900)
	case "drift":
		w.rail = 4095
		w.base = uniform(r, 750, 2600)
	case "spikes":
		// Six lamp steps do not fit into ten bits.
		w.rail = 4095
		w.base = uniform(r, 200, 1000)
	case "inverted":
		w.lamp = -380
		w.base = pick(450, 960, 600, 3200)
	case "coarse":
		w.lamp, w.sigma = 4, 0.45
		w.base = pick(20, 900, 20, 2500)
	case "clipped":
		// The lamp would add its 380, but the rail comes first.
		w.base = w.rail - uniform(r, 120, 340)
	default:
		w.base = pick(45, 520, 80, 1800)
	}

	// Part of the noise comes from the supply and stays for some minutes.
	if r.IntN(3) > 0 {
		w.slowShare = uniform(r, 0.03, 0.12)
		w.slowTau = uniform(r, 3*minute, 15*minute)
	}
	w.resolution = 1
	if r.IntN(2) == 0 {
		w.window = logUniform(r, 0.01, 0.3)
		if family != "coarse" && r.IntN(2) == 0 {
			w.resolution = 0.1 // the board publishes its mean with a decimal
		}
	}

	w.visits = w.makeVisits()
	w.segments = w.makeSegments()
	w.ambient = newAmbient(w)
	switch family {
	case "leak":
		w.sun = newSun(w, 200)
		w.room = newRoomLight(w, 110)
	case "daylight":
		w.sun = newSun(w, 700)
	case "still":
		w.sun = newSun(w, uniform(w.stream("amount"), 60, 200))
	}
	return w
}

// midnight is the trace time of the household's midnight before the start.
func (w *world) midnight() float64 {
	ms := w.start.Add(time.Duration(w.zone)*time.Second).UnixMilli() % int64(day*1000)
	return -float64(ms) / 1000
}

// weekend tells whether the household's day number d of the trace is one.
func (w *world) weekend(d int) bool {
	wd := w.start.Add(time.Duration(w.zone)*time.Second).AddDate(0, 0, d).Weekday()
	return wd == time.Saturday || wd == time.Sunday
}

// makeVisits gives the times at which somebody comes by the appliance, in
// order: before work, in the evening, more loosely at weekends, and not at all
// on the odd weekend away.
func (w *world) makeVisits() []float64 {
	r := w.stream("visits")
	morning := uniform(r, 6.5*hour, 8.5*hour)
	evening := uniform(r, 17.5*hour, 21*hour)
	pMorning, pEvening := uniform(r, 0.15, 0.7), uniform(r, 0.5, 0.95)
	var v []float64
	away := false
	for d := range 32 {
		zero := w.midnight() + float64(d)*day
		if w.weekend(d) {
			if !w.weekend(d - 1) {
				away = r.Float64() < 0.12
			}
			if away {
				continue
			}
			for range 1 + r.IntN(3) {
				v = append(v, zero+uniform(r, 9*hour, 22.5*hour))
			}
			continue
		}
		if r.Float64() < pMorning {
			v = append(v, zero+morning+0.3*hour*r.NormFloat64())
		}
		if r.Float64() < pEvening {
			v = append(v, zero+clamp(evening+0.9*hour*r.NormFloat64(), 16.5*hour, 23.5*hour))
		}
	}
	sort.Float64s(v)
	return v
}

// visitAfter is the first visit at or after t.
func (w *world) visitAfter(t float64) float64 {
	i := sort.SearchFloat64s(w.visits, t)
	if i == len(w.visits) {
		return t + 2*day
	}
	return w.visits[i]
}

// rhythm gives the next interval in which the appliance's lamp is on, when it
// went dark last at t.
type rhythm func(t float64) (from, to float64)

// shortest is the least time, in seconds, that the lamp stays as it is: the
// controllers of such appliances do not switch more often.
const shortest = 8 * minute

// tank fills and lights the lamp, until somebody empties it.
func (w *world) tank(r *rand.Rand) rhythm {
	fill := logUniform(r, 8*hour, 60*hour)
	spread := 0.08
	if r.IntN(2) == 0 {
		spread = uniform(r, 0.25, 0.45) // damp days and dry days
	}
	return func(t float64) (float64, float64) {
		from := t + clamp(logNormal(r, fill, spread), fill/4, 4*fill)
		return from, w.visitAfter(from + shortest)
	}
}

// thermostat switches between two temperatures; the lamp shows that it works.
// The load is higher at one time of the day than at the other.
func (w *world) thermostat(r *rand.Rand, least float64) rhythm {
	cycle := logUniform(r, least, 7*hour)
	duty := uniform(r, 0.2, 0.5)
	spread := uniform(r, 0.03, 0.1)
	if r.IntN(2) == 0 {
		spread = uniform(r, 0.25, 0.45)
	}
	swing, peak := uniform(r, 0, 0.2), uniform(r, 0, day)
	first := true
	return func(t float64) (float64, float64) {
		load := 1 + swing*math.Cos(2*math.Pi*(t-w.midnight()-peak)/day)
		off := math.Max(shortest, logNormal(r, cycle*(1-duty)/load, spread))
		on := math.Max(shortest, logNormal(r, cycle*duty*load, spread))
		if first {
			first = false
			off = math.Max(shortest, off*r.Float64()) // put up somewhere in a dark phase
		}
		return t + off, t + off + on
	}
}

// timer runs at a set hour every few days, as a softener regenerates.
func (w *world) timer(r *rand.Rand) rhythm {
	at := uniform(r, 0, 5*hour)
	if r.IntN(3) == 0 {
		at = uniform(r, 5*hour, 24*hour)
	}
	every := 1 + r.IntN(3)
	byVolume := r.IntN(2) == 0 // the number of days follows the water drawn
	length := uniform(r, 0.6*hour, 2.5*hour)
	run := math.NaN() // midnight before the last run
	return func(t float64) (float64, float64) {
		if math.IsNaN(run) {
			run = w.midnight()
		} else {
			n := every
			if byVolume {
				n = max(1, every+r.IntN(3)-1)
			}
			run += float64(n) * day
		}
		for run+at-minute < t+shortest {
			run += day
		}
		from := run + at + clamp(20*r.NormFloat64(), -60, 60)
		return from, from + length*(1+0.04*r.NormFloat64())
	}
}

// alarm comes without a rhythm, as a freezer's that was left ajar or loaded,
// and goes when the appliance has recovered.
func (w *world) alarm(r *rand.Rand) rhythm {
	gap := uniform(r, 9*hour, 36*hour)
	length := logUniform(r, 25*minute, 100*minute)
	return func(t float64) (float64, float64) {
		from := t + hour + gap*r.ExpFloat64()
		return from, from + clamp(logNormal(r, length, 0.8), 10*minute, 8*hour)
	}
}

// rarely first lights after 9-14 days, for 3-5 hours, and again after days.
func (w *world) rarely(r *rand.Rand) rhythm {
	first := true
	return func(t float64) (float64, float64) {
		from := t + uniform(r, 4*day, 10*day)
		if first {
			first = false
			from = uniform(r, 9*day, 14*day)
		}
		return from, from + uniform(r, 3*hour, 5*hour)
	}
}

// outage is the rhythm of the dark intervals of a lamp that shows that all is
// well: a trip now and then, until it recovers or somebody resets it, or a
// rest of a timer.
func (w *world) outage(r *rand.Rand) rhythm {
	if r.IntN(4) == 0 {
		return w.timer(r)
	}
	gap := uniform(r, 14*hour, 50*hour)
	byHand := uniform(r, 0, 0.5)
	return func(t float64) (float64, float64) {
		from := t + 2*hour + gap*r.ExpFloat64()
		to := from + logUniform(r, 15*minute, 6*hour)
		if v := w.visitAfter(from + shortest); r.Float64() < byHand && v-from < 14*hour {
			to = v
		}
		return from, to
	}
}

// makeSegments lays out the month of the lamp.
func (w *world) makeSegments() []segment {
	r := w.stream("lamp")
	var next rhythm
	switch w.family {
	case "still":
		return nil
	case "rare":
		next = w.rarely(r)
	case "mostly_lit":
		var s []segment
		t, next := 0.0, w.outage(r)
		for t < month {
			from, to := next(t)
			if from > month-20*minute {
				from = month + day
			}
			s = append(s, segment{from: t, to: from, state: lit})
			t = math.Max(to, from+shortest)
		}
		// The lamp is lit from before the first reading's window.
		s[0].from = -day
		return s
	case "blink":
		for {
			if s := w.faults(r); enough(s) {
				return s
			}
		}
	default:
		switch r.IntN(6) {
		case 0, 1:
			next = w.tank(r)
		case 2, 3:
			next = w.thermostat(r, 1.2*hour)
		case 4:
			next = w.timer(r)
		default:
			next = w.alarm(r)
		}
	}
	var s []segment
	for t := 0.0; ; {
		from, to := next(t)
		if from > month-20*minute {
			return s
		}
		s = append(s, segment{from: from, to: to, state: lit})
		t = to
	}
}

// faults is a month of an appliance whose controller blinks the lamp at a
// fault, as long as the fault stays: from ten minutes to a day.
func (w *world) faults(r *rand.Rand) []segment {
	var next rhythm
	p := uniform(r, 0.3, 0.6)
	switch r.IntN(3) {
	case 0:
		next = w.tank(r)
	case 1:
		next = w.alarm(r)
	default:
		// A thermostat's lamp is lit at every cycle; most cycles are sound.
		next = w.thermostat(r, 2.5*hour)
		p = uniform(r, 0.08, 0.25)
	}
	rates := []float64{logUniform(r, 0.5, 2)}
	if r.IntN(3) == 0 {
		rates = append(rates, logUniform(r, 0.5, 2)) // a second fault's code
	}
	var s []segment
	for t := 0.0; ; {
		from, to := next(t)
		if from > month-20*minute {
			return s
		}
		if r.Float64() >= p {
			s = append(s, segment{from: from, to: to, state: lit})
			t = to
			continue
		}
		// The controller's own clock is good to a percent.
		f := clamp(rates[r.IntN(len(rates))]*(1+0.005*r.NormFloat64()), 0.5, 2)
		fault := logUniform(r, 10*minute, day)
		steady := logUniform(r, 12*minute, 4*hour)
		switch k := r.Float64(); {
		case k < 0.6: // blinks, then dark
			s = append(s, segment{from, from + fault, blinking, f})
			t = from + fault
		case k < 0.8: // lit at first, blinks when nobody came
			s = append(s, segment{from, from + steady, lit, 0},
				segment{from + steady, from + steady + fault, blinking, f})
			t = from + steady + fault
		default: // the fault is over or silenced, the lamp stays lit
			s = append(s, segment{from, from + fault, blinking, f},
				segment{from + fault, from + fault + steady, lit, 0})
			t = from + fault + steady
		}
	}
}

// enough tells whether a month has lit and blinking episodes to speak of.
func enough(s []segment) bool {
	var n [3]int
	for _, g := range s {
		n[g.state]++
	}
	return n[lit] >= 3 && n[blinking] >= 3
}

// onTime is how long of the first x seconds of a segment its lamp is on.
func (g segment) onTime(x float64) float64 {
	x = clamp(x, 0, g.to-g.from)
	if g.state == lit {
		return x
	}
	period := 1 / g.freq
	whole := math.Floor(x / period)
	return whole*period/2 + math.Min(x-whole*period, period/2)
}

// lampAt gives the state at t and the share of the window before t in which
// the lamp was on, from 0 to 1.
func (w *world) lampAt(t float64) (state int, share float64) {
	i := sort.Search(len(w.segments), func(i int) bool { return w.segments[i].to > t-w.window })
	for ; i < len(w.segments) && w.segments[i].from <= t; i++ {
		g := w.segments[i]
		inside := t >= g.from && t < g.to
		if inside {
			state = g.state
		}
		if w.window > 0 {
			share += (g.onTime(t-g.from) - g.onTime(t-w.window-g.from)) / w.window
		} else if inside {
			if g.state == lit || math.Mod((t-g.from)*g.freq, 1) < 0.5 {
				share = 1
			}
		}
	}
	return state, share
}

// ambient is the slow wander of the stray light and of the divider with the
// temperature: well below the noise in a minute, of its order in a day.
type ambient struct {
	swing, peak, midnight float64
	step                  float64
	walk                  []float64
}

func newAmbient(w *world) *ambient {
	r := w.stream("ambient")
	a := &ambient{
		swing:    uniform(r, 0.1, 0.5) * w.sigma,
		peak:     uniform(r, 12*hour, 18*hour),
		midnight: w.midnight(),
		step:     10 * minute,
	}
	sd := uniform(r, 0.1, 0.4) * w.sigma
	tau := uniform(r, 6*hour, 24*hour)
	phi := math.Exp(-a.step / tau)
	x := sd * r.NormFloat64()
	for t := 0.0; t < month+2*hour; t += a.step {
		a.walk = append(a.walk, x)
		x = phi*x + sd*math.Sqrt(1-phi*phi)*r.NormFloat64()
	}
	return a
}

func (a *ambient) at(t float64) float64 {
	i := int(t / a.step)
	f := t/a.step - float64(i)
	return a.swing*math.Cos(2*math.Pi*(t-a.midnight-a.peak)/day) +
		a.walk[i]*(1-f) + a.walk[i+1]*f
}

// sun is the daylight that reaches the sensor through a window: a part from
// the whole sky and a part of the beam while it falls through the window.
type sun struct {
	most                float64 // counts on the clearest moment of the month
	latitude            float64 // radians
	noon                float64 // trace time of a solar noon
	yearDay             float64 // day of the year at the start
	facing              float64 // azimuth of the window from south, radians
	beamShare           float64
	beamMax, skyMax, at float64 // scales that bring the clear month's most to 1
	step                float64
	beamThru, skyThru   []float32
}

func newSun(w *world, most float64) *sun {
	r := w.stream("sun")
	s := &sun{
		most:      most,
		latitude:  uniform(r, 36, 57) * math.Pi / 180,
		noon:      w.midnight() + uniform(r, 11.7*hour, 13.5*hour),
		yearDay:   float64(w.start.YearDay()),
		facing:    uniform(r, -100, 100) * math.Pi / 180,
		beamShare: uniform(r, 0.2, 0.55),
		step:      5,
	}
	var clear float64
	for t := 0.0; t < month; t += 5 * minute {
		b, k := s.sky(t)
		s.beamMax, s.skyMax = math.Max(s.beamMax, b), math.Max(s.skyMax, k)
	}
	for t := 0.0; t < month; t += 5 * minute {
		b, k := s.sky(t)
		clear = math.Max(clear, s.beamShare*b/s.beamMax+(1-s.beamShare)*k/s.skyMax)
	}
	s.at = clear
	s.weather(w)
	return s
}

// sky gives the beam on the window and the light of the sky without a cloud,
// each on a scale of its own. Elevation and azimuth are the usual spherical
// formulas with Cooper's declination; the beam is weakened by the air mass
// after Meinel, 0.7^(m^0.678).
func (s *sun) sky(t float64) (beam, diffuse float64) {
	decl := 23.45 * math.Pi / 180 * math.Sin(2*math.Pi*(284+s.yearDay+t/day)/365)
	h := 2 * math.Pi * (t - s.noon) / day
	sinEl := math.Sin(s.latitude)*math.Sin(decl) + math.Cos(s.latitude)*math.Cos(decl)*math.Cos(h)
	el := math.Asin(clamp(sinEl, -1, 1))
	// Twilight: the sky fades in over some degrees, not at once.
	deg := el * 180 / math.Pi
	soft := 2 * math.Log1p(math.Exp(deg/2))
	diffuse = math.Pow(math.Sin(math.Min(soft, 90)*math.Pi/180), 0.8)
	if deg < -12 {
		diffuse = 0
	}
	if sinEl <= 0 {
		return 0, diffuse
	}
	az := math.Atan2(math.Cos(decl)*math.Sin(h),
		math.Cos(decl)*math.Cos(h)*math.Sin(s.latitude)-math.Sin(decl)*math.Cos(s.latitude))
	inc := math.Cos(el) * math.Cos(az-s.facing)
	if inc <= 0 {
		return 0, diffuse
	}
	m := 1 / math.Max(sinEl, 0.03)
	return math.Pow(0.7, math.Pow(m, 0.678)) * inc, diffuse
}

// weather fills in what the clouds let through, every step seconds: spells of
// clear sky, of overcast and of broken clouds.
func (s *sun) weather(w *world) {
	r := w.stream("weather")
	n := int((month+2*hour)/s.step) + 2
	s.beamThru, s.skyThru = make([]float32, 0, n), make([]float32, 0, n)
	weights := [3]float64{uniform(r, 0.2, 1), uniform(r, 0.2, 1), uniform(r, 0.2, 1)}
	const (
		clear = iota
		overcast
		broken
	)
	kind := -1
	var spellEnd, cloudEnd, settle float64
	var covered bool
	var beamTo, skyTo, edge, grey, cloudLen, gapLen, wander float64
	beam, sky := 1.0, 1.0
	for i := range n {
		t := float64(i) * s.step
		if t >= spellEnd {
			old := kind
			for kind == old {
				x := r.Float64() * (weights[0] + weights[1] + weights[2])
				for kind = 0; kind < 2 && x >= weights[kind]; kind++ {
					x -= weights[kind]
				}
			}
			switch kind {
			case clear:
				spellEnd = t + logUniform(r, 3*hour, 40*hour)
			case overcast:
				spellEnd = t + logUniform(r, 3*hour, 30*hour)
				grey = uniform(r, 0.35, 0.8)
			case broken:
				spellEnd = t + logUniform(r, 1.5*hour, 14*hour)
				cloudLen = logUniform(r, 1*minute, 6*minute)
				gapLen = logUniform(r, 1.5*minute, 8*minute)
				cloudEnd = t
			}
			settle = t + 15*minute
		}
		// One slow wander of order 1 serves as haze or as texture of the grey.
		tau := 20 * minute
		if kind == broken {
			tau = 1 * minute
		}
		phi := math.Exp(-s.step / tau)
		wander = phi*wander + math.Sqrt(1-phi*phi)*r.NormFloat64()
		lag := 30.0
		switch kind {
		case clear:
			beamTo, skyTo = 1-0.03*math.Abs(wander), 1
		case overcast:
			beamTo, skyTo = 0, grey*math.Exp(0.2*wander)
		case broken:
			if t >= cloudEnd {
				covered = !covered
				// The penumbra of a cloud's edge and its drift take seconds.
				edge = logUniform(r, 4, 40)
				if covered {
					cloudEnd = t + clamp(logNormal(r, cloudLen, 0.9), 8, 40*minute)
					beamTo = uniform(r, 0.05, 0.8)
				} else {
					cloudEnd = t + clamp(logNormal(r, gapLen, 0.9), 8, 40*minute)
					beamTo = 1
				}
			}
			skyTo = 1 + 0.04*wander
			if covered {
				skyTo = 0.85 + 0.06*wander
			}
			lag = edge
		}
		if t < settle {
			lag = math.Max(lag, 4*minute) // a front comes up over minutes
		}
		k := 1 - math.Exp(-s.step/lag)
		beam += k * (beamTo - beam)
		sky += k * (skyTo - sky)
		s.beamThru = append(s.beamThru, float32(beam))
		s.skyThru = append(s.skyThru, float32(sky))
	}
}

// counts is the daylight at t, from 0 to s.most.
func (s *sun) counts(t float64) float64 {
	b, k := s.sky(t)
	i := int(t / s.step)
	f := t/s.step - float64(i)
	mix := func(a []float32) float64 { return float64(a[i])*(1-f) + float64(a[i+1])*f }
	x := s.beamShare*b/s.beamMax*mix(s.beamThru) + (1-s.beamShare)*k/s.skyMax*mix(s.skyThru)
	return s.most * math.Min(x/s.at, 1)
}

// roomLight is the lamp at the ceiling, on in the evening by habit.
type roomLight struct {
	counts float64
	warm   bool // comes up over a minute, as a compact fluorescent lamp
	on     []segment
}

func newRoomLight(w *world, counts float64) *roomLight {
	r := w.stream("room")
	l := &roomLight{counts: counts, warm: r.IntN(3) == 0}
	usual := uniform(r, 18*hour, 21*hour)
	length := logUniform(r, 25*minute, 2.5*hour)
	p := uniform(r, 0.5, 0.95)
	var on []segment
	for d := range 32 {
		zero := w.midnight() + float64(d)*day
		if r.Float64() < p {
			from := zero + clamp(usual+0.7*hour*r.NormFloat64(), 17*hour, 22.5*hour)
			on = append(on, segment{from: from,
				to: math.Min(from+clamp(logNormal(r, length, 0.5), 5*minute, 5*hour), zero+23.9*hour)})
		}
		// Who comes by in the evening puts the light on for it.
		for _, v := range w.visits {
			if v >= zero+17*hour && v < zero+day {
				on = append(on, segment{from: v - uniform(r, 1*minute, 4*minute),
					to: v + logUniform(r, 1*minute, 12*minute)})
			}
		}
	}
	sort.Slice(on, func(i, j int) bool { return on[i].from < on[j].from })
	for _, g := range on {
		// A light that is on already stays on.
		if n := len(l.on); n > 0 && g.from <= l.on[n-1].to+2*minute {
			l.on[n-1].to = math.Max(l.on[n-1].to, g.to)
			continue
		}
		l.on = append(l.on, g)
	}
	return l
}

func (l *roomLight) at(t float64) float64 {
	i := sort.Search(len(l.on), func(i int) bool { return l.on[i].to > t })
	if i == len(l.on) || t < l.on[i].from {
		return 0
	}
	if l.warm {
		return l.counts * (1 - 0.35*math.Exp(-(t-l.on[i].from)/40))
	}
	return l.counts
}

// record lets the board run for the month.
func (w *world) record() []Reading {
	clock, noise := w.stream("clock"), w.stream("noise")
	spikes, link, shape := w.stream("spikes"), w.stream("link"), w.stream("shape")

	// The board sleeps for most of a minute and is awake for as long as the
	// radio takes, so that the time between two readings varies by a second.
	mean := minute * (1 + uniform(clock, -0.002, 0.002))
	jitter := uniform(clock, 0.6, 1.5)
	bend := uniform(shape, -0.5, 0.5) // how drift and sag hurry at first or at last
	upward := uniform(spikes, 0.5, 1)
	again := uniform(link, 0.01, 0.04)
	bursts := w.bursts(link)

	var out []Reading
	slow := noise.NormFloat64()
	spiked := false
	for t := uniform(clock, 0, minute); t < month; {
		state, share := w.lampAt(t)
		x := t / month
		bent := x + bend*x*(1-x)

		light := w.base + w.ambient.at(t) + w.lamp*share
		if w.sun != nil {
			light += w.sun.counts(t)
		}
		if w.room != nil {
			light += w.room.at(t)
		}
		if w.family == "drift" {
			light -= 600 * bent
		}
		light += w.sigma * (math.Sqrt(w.slowShare)*slow + math.Sqrt(1-w.slowShare)*noise.NormFloat64())
		if w.family == "sag" {
			light *= 1 - 0.08*bent
		}
		if w.family == "spikes" {
			// A spike is a single reading: none follows another.
			spiked = !spiked && spikes.Float64() < 0.0101
			size := w.lamp * uniform(spikes, 1.5, 6)
			down := spikes.Float64() >= upward
			if spiked && down && light-size >= 0 {
				light -= size
			} else if spiked {
				light += size
			}
		}
		value := clamp(math.Round(light/w.resolution)*w.resolution, 0, w.rail)
		if w.resolution < 1 {
			value = math.Round(value*10) / 10
		}

		lost := false
		if w.family == "lossy" {
			for len(bursts) > 0 && t >= bursts[0].to {
				bursts = bursts[1:]
			}
			lost = len(bursts) > 0 && t >= bursts[0].from
		}
		if !lost {
			out = append(out, Reading{w.time(t), value, state})
			if w.family == "lossy" && link.Float64() < again {
				later := t + uniform(link, 0.1, 3)
				s, _ := w.lampAt(later)
				out = append(out, Reading{w.time(later), value, s})
			}
		}

		dt := mean + clamp(jitter*clock.NormFloat64(), -4, 4)
		if w.family == "lossy" {
			dt = uniform(clock, 35, 85)
		}
		t = math.Round((t+dt)*1000) / 1000
		if w.slowTau > 0 {
			phi := math.Exp(-dt / w.slowTau)
			slow = phi*slow + math.Sqrt(1-phi*phi)*noise.NormFloat64()
		}
	}
	return out
}

// bursts are the times, in order, at which no message gets through: a radio
// that is drowned for minutes, a router that is off for an hour.
func (w *world) bursts(r *rand.Rand) []segment {
	perDay := uniform(r, 1.5, 5)
	var b []segment
	for t := 0.0; t < month; {
		from := t + day/perDay*r.ExpFloat64()
		to := from + clamp(logNormal(r, 8*minute, 1), 2*minute, 3*hour)
		b = append(b, segment{from: from, to: to})
		t = to
	}
	return b
}

func (w *world) time(t float64) time.Time {
	return w.start.Add(time.Duration(math.Round(t*1000)) * time.Millisecond)
}
