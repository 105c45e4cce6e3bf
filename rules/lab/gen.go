// Package lab measures the learner: seeded generators of labelled traces for
// fifteen hard families of lamps and for mixtures of them, a scorer, and two
// baselines. Call Families, then Generate and Score; `go test ./rules/lab -run
// TestTable -v -full` prints the whole table.
//
// All data here is invented; the generators are the project's own picture of
// what a photoresistor over a lamp delivers (common practice, no source).
package lab

import (
	"math"
	"math/rand/v2"
	"time"

	"lampward/rules/learn"
)

// Point is one reading of a trace with what was really the case.
type Point struct {
	At    time.Time
	Value float64     // counts, as published
	Truth learn.State // what the lamp did; the learner never sees it
	// Dark is what the sensor would have read, without noise, with the lamp
	// dark, and LitAs what it would have read lit: for the clairvoyant only.
	Dark, LitAs float64
}

// Trace is one lamp's month.
type Trace struct {
	Name     string
	LitLower bool
	Spec     Spec
	Points   []Point
}

// Clouds is how the sky dims the daylight.
type Clouds int

// The skies. Each gives the daylight's factor of transmission over time.
const (
	NoClouds  Clouds = iota
	Mild             // mean-reverting, correlation time 5 to 60 minutes
	Wandering        // bounded random walk, a few per cent a minute
	Patches          // clear or covered, with edges of 3 to 8 minutes
	Flicker          // mean-reverting over a few minutes, small
)

// Spec is everything a generator needs besides the seed. Counts are for a lamp
// that reads higher when lit; Inverted turns the result round.
type Spec struct {
	Days     float64
	Rail     float64 // largest count of the converter: 1023 or 4095
	Base     float64 // dark reading at night
	Step     float64 // counts that the lamp adds
	Noise    float64 // standard deviation, counts
	Integers bool    // the board publishes whole counts
	Interval time.Duration
	Jitter   float64 // standard deviation of the reporting time, s
	WideJit  bool    // intervals uniform in 0.58..1.42 of Interval instead
	StartsAt float64 // hour of the day of the first reading

	On, Off    time.Duration // median lengths of episodes
	Spread     float64       // log standard deviation of the lengths
	BlinkShare float64       // share of the lit episodes that blink
	LitFirst   bool
	FirstLit   float64 // days until the first episode; 0: at random
	OnlyOnce   bool    // one episode only
	OneLength  time.Duration
	Never      bool

	Sun       float64 // daylight at noon under a clear sky, counts
	Sky       Clouds
	Room      float64 // room light in the evening, counts
	Drift     float64 // counts over the whole trace
	Sag       float64 // relative loss of gain over the whole trace
	Spikes    float64 // chance of an outlier a reading
	Burst     float64 // chance that a burst of loss begins, a reading
	Lose      float64 // chance of a single loss
	Duplicate float64 // chance of a duplicate
	Inverted  bool
	Gamma     float64 // exponent of the photoresistor in its divider: counts squeeze together in much light; 0: they do not
	Duty      float64 // share of each period for which a blinking lamp shines; 0: half
	Window    float64 // the board averages for so long, s; a flash's edge in it reads in between
}

func uni(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

func pick[T any](r *rand.Rand, v ...T) T { return v[r.IntN(len(v))] }

// minutes draws a duration, log-uniform between two numbers of minutes.
func minutes(r *rand.Rand, lo, hi float64) time.Duration {
	return time.Duration(math.Exp(uni(r, math.Log(lo), math.Log(hi))) * float64(time.Minute))
}

// plain is a clean lamp with everything that may vary varied.
func plain(r *rand.Rand) Spec {
	s := Spec{Days: 30, Rail: pick(r, 1023.0, 4095), Integers: r.Float64() < 0.8, Interval: time.Minute,
		Jitter: pick(r, 0, 0.3, 1, 3), StartsAt: uni(r, 0, 24), Spread: uni(r, 0.3, 0.9)}
	if r.Float64() < 0.2 {
		s.Interval = time.Duration(uni(r, 30, 300)) * time.Second
	}
	s.Base = uni(r, 60, 500)
	s.Step, s.Noise = 380, 6
	switch r.IntN(4) { // the rhythm of the appliance
	case 0:
		s.On, s.Off = minutes(r, 15, 60), minutes(r, 60, 240)
	case 1, 2:
		s.On, s.Off = minutes(r, 40, 300), minutes(r, 180, 900)
	case 3:
		s.On, s.Off = minutes(r, 400, 2500), minutes(r, 1000, 4000)
	}
	return s
}

// Family is a named kind of lamp.
type Family struct {
	Name string
	Spec func(*rand.Rand) Spec
}

// mod is a family that differs from the plain one by what f does.
func mod(name string, f func(r *rand.Rand, s *Spec)) Family {
	return Family{name, func(r *rand.Rand) Spec {
		s := plain(r)
		f(r, &s)
		return s
	}}
}

// Families are the fifteen hard ones.
func Families() []Family {
	return []Family{
		mod("clean", func(r *rand.Rand, s *Spec) {}),
		mod("faint", func(r *rand.Rand, s *Spec) { s.Step = 26 }),
		mod("leak", func(r *rand.Rand, s *Spec) {
			s.Step = uni(r, 180, 400)
			leak(r, s)
		}),
		mod("daylight", func(r *rand.Rand, s *Spec) { daylight(r, s) }),
		mod("drift", func(r *rand.Rand, s *Spec) { drift(r, s) }),
		mod("blink", func(r *rand.Rand, s *Spec) { blink(r, s) }),
		mod("spikes", func(r *rand.Rand, s *Spec) {
			s.Spikes = 0.01
			s.Step = uni(r, 100, 380)
		}),
		mod("rare", func(r *rand.Rand, s *Spec) {
			s.FirstLit, s.OnlyOnce = uni(r, 9, 14), r.Float64() < 0.5
			s.OneLength = time.Duration(uni(r, 3, 5) * float64(time.Hour))
			if r.Float64() < 0.5 { // some see a little daylight
				s.Sun, s.Sky = uni(r, 20, 120), sky(r)
			}
		}),
		mod("inverted", func(r *rand.Rand, s *Spec) { s.Inverted = true }),
		mod("lossy", func(r *rand.Rand, s *Spec) { lossy(r, s) }),
		mod("coarse", func(r *rand.Rand, s *Spec) { s.Step, s.Noise, s.Integers = 4, 0.45, true }),
		mod("clipped", func(r *rand.Rand, s *Spec) { clipped(r, s) }),
		mod("mostly_lit", func(r *rand.Rand, s *Spec) {
			s.On, s.Off = minutes(r, 600, 3000), minutes(r, 20, 120)
			s.LitFirst = true
		}),
		mod("sag", func(r *rand.Rand, s *Spec) { s.Sag = 0.08 }),
		mod("still", func(r *rand.Rand, s *Spec) {
			s.Never = true
			s.Sun, s.Sky = uni(r, 30, 300), sky(r)
			s.Step = uni(r, 100, 380)
		}),
	}
}

func leak(r *rand.Rand, s *Spec) { s.Sun, s.Sky, s.Room = 200, sky(r), 110 }

func daylight(r *rand.Rand, s *Spec) { s.Rail, s.Step, s.Sun, s.Sky = 4095, 300, 700, sky(r) }

func drift(r *rand.Rand, s *Spec) {
	s.Drift, s.Rail = -600, 4095
	s.Base += 650
	s.Step = uni(r, 200, 400)
}

func sky(r *rand.Rand) Clouds { return pick(r, Mild, Wandering, Patches, Flicker) }

func blink(r *rand.Rand, s *Spec) {
	s.BlinkShare = pick(r, 1.0, 1, 0.7, 0.4)
	if s.On < 40*time.Minute {
		s.On = 40 * time.Minute
	}
	s.Window = pick(r, 0, 0.02, 0.1, 0.25)
}

func lossy(r *rand.Rand, s *Spec) {
	s.Burst, s.Lose, s.Duplicate = uni(r, 0.001, 0.005), uni(r, 0.02, 0.15), uni(r, 0.02, 0.1)
	s.WideJit = true
	if s.On < 40*time.Minute {
		s.On = 40 * time.Minute
	}
}

func clipped(r *rand.Rand, s *Spec) { s.Base = s.Rail - s.Step*uni(r, 0.4, 0.9) }

// Mixtures are families at once, as real cellars have them.
func Mixtures() []Family {
	return []Family{
		mod("leak+spikes+lossy", func(r *rand.Rand, s *Spec) {
			s.Step = uni(r, 180, 400)
			leak(r, s)
			s.Spikes = 0.01
			lossy(r, s)
		}),
		mod("drift+blink", func(r *rand.Rand, s *Spec) {
			s.Rail, s.Drift, s.Base = 4095, -600, s.Base+650
			blink(r, s)
		}),
		mod("faint+inverted+lossy", func(r *rand.Rand, s *Spec) {
			s.Step, s.Inverted = 26, true
			lossy(r, s)
		}),
		mod("sag+mostly_lit+spikes", func(r *rand.Rand, s *Spec) {
			s.Sag, s.Spikes, s.LitFirst = 0.08, 0.01, true
			s.On, s.Off = minutes(r, 600, 3000), minutes(r, 20, 120)
		}),
		mod("clipped+leak", func(r *rand.Rand, s *Spec) {
			s.Step = uni(r, 300, 400)
			leak(r, s)
			clipped(r, s)
			s.Base -= 200
		}),
		mod("blink+spikes+lossy", func(r *rand.Rand, s *Spec) {
			s.Spikes = 0.01
			lossy(r, s)
			blink(r, s)
		}),
		mod("blink+duty", func(r *rand.Rand, s *Spec) {
			blink(r, s)
			s.Duty = uni(r, 0.3, 0.8) // beyond, nobody could tell within thirty readings
		}),
		mod("daylight+sag", func(r *rand.Rand, s *Spec) {
			daylight(r, s)
			s.Sag = 0.08
		}),
		mod("still+spikes", func(r *rand.Rand, s *Spec) {
			s.Never, s.Spikes = true, 0.01
			s.Sun, s.Sky, s.Step = uni(r, 30, 300), sky(r), uni(r, 100, 380)
		}),
		mod("daylight+divider", func(r *rand.Rand, s *Spec) {
			s.Base = uni(r, 60, 200)
			daylight(r, s)
			s.Gamma = uni(r, 0.6, 0.9)
		}),
		mod("leak+divider", func(r *rand.Rand, s *Spec) {
			s.Base, s.Step = uni(r, 60, 150), uni(r, 180, 300)
			leak(r, s)
			s.Gamma = uni(r, 0.6, 0.9)
		}),
		mod("drift+divider", func(r *rand.Rand, s *Spec) {
			drift(r, s)
			s.Gamma = uni(r, 0.6, 0.9)
		}),
	}
}

// duty is the share of each period for which a blinking lamp shines.
func (s *Spec) duty() float64 {
	if s.Duty == 0 {
		return 0.5
	}
	return s.Duty
}

// episode is one stretch of one state.
type episode struct {
	from, to float64 // s since the start
	state    learn.State
	freq     float64 // Hz, if blinking
	phase    float64
}

func episodes(r *rand.Rand, s *Spec) []episode {
	end := s.Days * 86400
	iv := s.Interval.Seconds()
	length := func(median time.Duration) float64 {
		return math.Max(median.Seconds()*math.Exp(s.Spread*r.NormFloat64()), 12*iv)
	}
	if s.Never {
		return []episode{{0, end, learn.Dark, 0, 0}}
	}
	var out []episode
	freq := uni(r, 0.5, 2)
	lit := func(t, l float64) episode {
		e := episode{t, t + l, learn.Lit, 0, r.Float64()}
		if r.Float64() < s.BlinkShare {
			e.state = learn.Blinking
			e.to = t + math.Max(l, 30*iv)
			e.freq = freq * uni(r, 0.98, 1.02)
			for s.Jitter < 1 && !s.WideJit { // a period that divides the interval reads constant: no one could tell
				p := math.Mod(e.freq*iv, 1)
				if p > 0.12 && p < 0.88 {
					break
				}
				e.freq = uni(r, 0.5, 2)
			}
		}
		return e
	}
	t := 0.0
	if s.FirstLit > 0 {
		t = s.FirstLit * 86400
		out = append(out, episode{0, t, learn.Dark, 0, 0}, lit(t, s.OneLength.Seconds()))
		t = out[1].to
		if s.OnlyOnce {
			return append(out, episode{t, end, learn.Dark, 0, 0})
		}
	} else if s.LitFirst {
		out = append(out, lit(0, length(s.On)))
		t = out[0].to
	}
	for t < end {
		l := length(s.Off)
		if s.BlinkShare > 0 { // a shorter pause cannot be told from chance within blinking
			l = math.Max(l, 30*iv)
		}
		if len(out) == 0 {
			l = math.Max(l*r.Float64(), 12*iv)
		}
		out = append(out, episode{t, t + l, learn.Dark, 0, 0})
		t += l
		e := lit(t, length(s.On))
		if s.FirstLit > 0 {
			e = lit(t, s.OneLength.Seconds()*uni(r, 0.5, 1.5))
		}
		out = append(out, e)
		t = e.to
	}
	return out
}

// shone is the share of light that a lamp, lit for a share (duty) of each of its periods, gave
// in the last w of them, x of them after it began; of w = 0, whether it shines: 1 or 0.
func shone(x, w, duty float64) float64 {
	lit := func(x float64) float64 { return duty*math.Floor(x) + math.Min(x-math.Floor(x), duty) }
	switch {
	case w > 0:
		return (lit(x) - lit(x-w)) / w
	case x-math.Floor(x) < duty:
		return 1
	}
	return 0
}

// weather gives the daylight's transmission each minute.
func weather(r *rand.Rand, s *Spec) []float64 {
	n := int(s.Days*1440) + 2
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	switch s.Sky {
	case Mild:
		tau, sd, mean := uni(r, 5, 60), uni(r, 0.05, 0.2), uni(r, 0.5, 0.8)
		x, k := 0.0, 1/tau
		for i := range w {
			x += -k*x + sd*math.Sqrt(2*k)*r.NormFloat64()
			w[i] = math.Min(math.Max(mean+x, 0.1), 1)
		}
	case Wandering:
		sd, x := uni(r, 0.01, 0.05), 0.7
		for i := range w {
			x = math.Min(math.Max(x+sd*r.NormFloat64(), 0.2), 1)
			w[i] = x
		}
	case Patches:
		low, edge := uni(r, 0.3, 0.7), uni(r, 3, 8)
		clear, cover := uni(r, 10, 90), uni(r, 10, 90)
		x, target, left := 1.0, 1.0, 0.0
		for i := range w {
			if left--; left <= 0 {
				if target == 1 {
					target, left = low, cover*r.ExpFloat64()
				} else {
					target, left = 1, clear*r.ExpFloat64()
				}
			}
			x += math.Min(math.Max(target-x, -(1-low)/edge), (1-low)/edge)
			w[i] = x
		}
	case Flicker:
		x, sd, mean := 0.0, uni(r, 0.02, 0.06), uni(r, 0.5, 0.9)
		for i := range w {
			x = 0.7*x + sd*r.NormFloat64()
			w[i] = math.Min(math.Max(mean+x, 0.1), 1)
		}
	}
	for d := 0; d < n; d += 1440 { // some days are dull
		dull := uni(r, 0.5, 1)
		for i := d; i < min(d+1440, n); i++ {
			w[i] *= dull
		}
	}
	return w
}

// roomLight gives, per day, when the room light is on (hours of the day).
func roomLight(r *rand.Rand, s *Spec) [][2]float64 {
	out := make([][2]float64, int(s.Days)+3)
	on, off := uni(r, 17, 19.5), uni(r, 21.5, 23.5)
	for i := range out {
		if r.Float64() < 0.9 {
			out[i] = [2]float64{on + 0.4*r.NormFloat64(), off + 0.4*r.NormFloat64()}
		}
	}
	return out
}

// divider gives the counts of an ambient light, which is stated in the counts that it would
// make if the lamp's step were the same in any light. At night, with the lamp dark and lit,
// they are as stated. The photoresistor's resistance falls as light to the power of -Gamma,
// and the divider's fixed resistor has the share full*u/(1+u) of the converter's full scale,
// where u is the one resistance by the other.
func (s *Spec) divider() func(amb float64) float64 {
	if s.Gamma == 0 {
		return func(amb float64) float64 { return amb }
	}
	light := func(counts float64) float64 { return math.Pow(counts/(s.Rail-counts), 1/s.Gamma) }
	night := s.Base + math.Min(s.Drift, 0)
	none := light(night)
	count := (light(night+s.Step) - none) / s.Step // of light, in each
	return func(amb float64) float64 {
		u := math.Pow(none+count*(amb-night), s.Gamma)
		return s.Rail * u / (1 + u)
	}
}

// Generate makes the trace of a family for one seed.
func Generate(f Family, seed uint64) *Trace {
	h := uint64(14695981039346656037)
	for _, c := range []byte(f.Name) {
		h = (h ^ uint64(c)) * 1099511628211
	}
	r := rand.New(rand.NewPCG(seed, h))
	s := f.Spec(r)
	eps := episodes(r, &s)
	w := weather(r, &s)
	room := roomLight(r, &s)
	start := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC).Add(time.Duration(s.StartsAt * float64(time.Hour))).Truncate(time.Millisecond)
	tr := &Trace{Name: f.Name, LitLower: s.Inverted, Spec: s}
	counts := s.divider()
	end, iv := s.Days*86400, s.Interval.Seconds()
	k := 0
	lost := 0
	nominal := 0.0
	for t := 0.0; t < end; {
		for k < len(eps)-1 && t >= eps[k].to {
			k++
		}
		e := &eps[k]
		hour := math.Mod(s.StartsAt+t/3600, 24)
		day := int((s.StartsAt + t/3600) / 24)
		amb := s.Base + s.Drift*t/end
		if s.Sun > 0 && hour > 6 && hour < 18 {
			m := t / 60
			i := min(int(m), len(w)-2)
			f := w[i] + (w[i+1]-w[i])*(m-float64(i))
			amb += s.Sun * math.Sin(math.Pi*(hour-6)/12) * f
		}
		if s.Room > 0 && hour >= room[day][0] && hour < room[day][1] {
			amb += s.Room
		}
		gain := 1 - s.Sag*t/end
		read := func(v float64) float64 { return math.Min(math.Max(v*gain, 0), s.Rail) }
		dark, lit := counts(amb), counts(amb+s.Step)
		v := dark
		switch e.state {
		case learn.Lit:
			v = lit
		case learn.Blinking:
			v += (lit - dark) * shone(e.freq*t+e.phase, e.freq*s.Window, s.duty())
		}
		v = v*gain + s.Noise*r.NormFloat64()
		if r.Float64() < s.Spikes {
			v += s.Step * uni(r, 1.5, 6) * pick(r, 1.0, 1, -1)
		}
		v = math.Min(math.Max(v, 0), s.Rail)
		if s.Integers {
			v = math.Round(v)
		}
		flip := func(x float64) float64 {
			if s.Inverted {
				return s.Rail - x
			}
			return x
		}
		p := Point{At: start.Add(time.Duration(t*1000) * time.Millisecond), Value: flip(v), Truth: e.state,
			Dark: flip(read(dark)), LitAs: flip(read(lit))}
		if lost == 0 && r.Float64() < s.Burst {
			lost = 1 + int(r.ExpFloat64()*8)
		}
		if lost > 0 {
			lost--
		} else if r.Float64() >= s.Lose {
			tr.Points = append(tr.Points, p)
			if r.Float64() < s.Duplicate {
				p.At = p.At.Add(time.Duration(uni(r, 0, 6000)) * time.Millisecond)
				tr.Points = append(tr.Points, p)
			}
		}
		if s.WideJit {
			t += iv * uni(r, 0.58, 1.42)
		} else {
			nominal += iv
			t = math.Max(nominal+s.Jitter*r.NormFloat64(), t+1)
		}
	}
	return tr
}
