// Package simple writes labelled month-long traces of a light sensor over the
// indicator lamp of an appliance: the fifteen families of package lab, each made
// in the shortest plausible way. Its author knew the families' one-line
// descriptions only, neither package lab nor the learner, so that it is a second
// opinion on both. Call Generate; all data is invented (common practice, no source).
package simple

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// Reading is one reading; Truth 0 dark, 1 lit, 2 blinking.
type Reading struct {
	At    time.Time
	Value float64 // raw ADC counts, whole
	Truth int
}

// Families lists the families Generate knows.
var Families = []string{
	"clean", "faint", "leak", "daylight", "drift", "blink", "spikes", "rare",
	"inverted", "lossy", "coarse", "clipped", "mostly_lit", "sag", "still",
}

const (
	minute = 60.0
	hour   = 3600.0
	day    = 24 * hour
	month  = 30 * day
)

// episode is one stretch of lamp activity, in seconds from the start.
type episode struct {
	from, to      float64
	blink         bool
	period, phase float64 // of the square wave, seconds and fraction of a period
}

// source adds a few distributions to the seeded generator.
type source struct{ *rand.Rand }

func (r source) uni(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
func (r source) chance(p float64) bool      { return r.Float64() < p }

// Generate makes one month; the same family and seed give the same trace.
// It panics at a family that is not in Families.
func Generate(family string, seed uint64) []Reading {
	if !slices.Contains(Families, family) {
		panic("simple: unknown family " + family)
	}
	h := fnv.New64a()
	h.Write([]byte(family))
	r := source{rand.New(rand.NewPCG(seed, h.Sum64()))}

	full, base := 4095.0, r.uni(100, 1500)
	if r.chance(0.5) {
		full, base = 1023, r.uni(60, 300)
	}
	lamp, noise, drift, sag, sunPeak, roomLight := 380.0, 6.0, 0.0, 0.0, 0.0, 0.0
	switch family {
	case "faint":
		lamp = 26
	case "leak":
		sunPeak, roomLight = r.uni(120, 200), 110
	case "daylight":
		full, base, lamp, sunPeak = 4095, r.uni(100, 1500), 300, 700
	case "drift":
		full, base, drift = 4095, r.uni(900, 2500), -600
	case "spikes":
		full, base = 4095, r.uni(600, 1500)
	case "inverted":
		base, lamp = full*r.uni(0.5, 0.9), -380
	case "coarse":
		lamp, noise = 4, 0.45
	case "clipped":
		base = full - r.uni(100, 320)
	case "sag":
		sag = 0.08
	case "still":
		sunPeak = r.uni(30, 300)
	}

	// The day begins anywhere: midnight is rarely when the board is switched on.
	start := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC).
		Add(time.Duration(r.IntN(330*1440)) * time.Minute)
	startHour := float64(start.Hour()) + float64(start.Minute())/60

	eps := episodes(r, family)
	sun := sunlight(r, startHour)
	room := evenings(r, startHour)
	times := readingTimes(r, family)

	spiked := false
	out := make([]Reading, 0, len(times))
	for _, t := range times {
		on, truth := lampAt(eps, t)
		v := base + drift*t/month
		if sunPeak > 0 {
			v += sunPeak * sun(t)
		}
		if inAny(room, t) {
			v += roomLight
		}
		if on {
			v += lamp
		}
		v = v*(1-sag*t/month) + noise*r.NormFloat64()
		if spiked = family == "spikes" && !spiked && r.chance(0.01); spiked {
			v += lamp * r.uni(1.5, 6) * float64(1-2*r.IntN(2))
		}
		v = min(max(math.Round(v), 0), full)
		out = append(out, Reading{start.Add(seconds(t)), v, truth})
	}
	if family == "lossy" {
		out = lose(r, out, start, eps)
	}
	return out
}

// episodes draws when the lamp is lit: an exponential gap and a uniform length.
func episodes(r source, family string) (eps []episode) {
	shortest, longest := r.uni(15, 45)*minute, r.uni(1.5, 6)*hour
	meanGap := r.uni(5, 42) * hour
	pBlink := r.uni(0.3, 0.6)
	gap := func() float64 { return 30*minute + meanGap*r.ExpFloat64() }
	length := func() float64 { return r.uni(shortest, longest) }
	t := gap()
	switch family {
	case "still":
		return nil
	case "rare":
		t = r.uni(9, 14) * day
		gap = func() float64 { return r.uni(3, 9) * day }
		length = func() float64 { return r.uni(3, 5) * hour }
	case "mostly_lit":
		gap, length, t = length, gap, -hour // lit before the first reading
	}
	for t < month {
		e := episode{from: t, to: t + length(), period: r.uni(0.5, 2), phase: r.Float64()}
		e.blink = family == "blink" && r.chance(pBlink)
		eps = append(eps, e)
		t = e.to + gap()
	}
	if family == "blink" && !slices.ContainsFunc(eps, func(e episode) bool { return e.blink }) {
		eps[len(eps)/2].blink = true
	}
	return eps
}

// lampAt tells whether the lamp shines at second t, and the truth to record.
func lampAt(eps []episode, t float64) (on bool, truth int) {
	for _, e := range eps {
		if t < e.from || t >= e.to {
			continue
		}
		if !e.blink {
			return true, 1
		}
		_, frac := math.Modf((t-e.from)/e.period + e.phase)
		return frac < 0.5, 2
	}
	return false, 0
}

// sunlight gives the share of the clear noon sun. The function it returns must
// be called with rising times about a minute apart, as the clouds move on.
func sunlight(r source, startHour float64) func(t float64) float64 {
	noon, half, width := r.uni(11.5, 14), r.uni(4.5, 7.5), r.uni(1.5, 2.8)
	bell, ar := r.chance(0.5), r.chance(0.5)
	phi, sd := r.uni(0.9, 0.99), r.uni(0.08, 0.25)
	meanCloud, lag := r.uni(10, 60)*minute, r.uni(2, 6)
	x, target, cloud, next, today, weather := 0.0, 1.0, 1.0, 0.0, -1, 1.0
	return func(t float64) float64 {
		clock := startHour + t/hour
		if d := int(clock / 24); d != today {
			today, weather = d, r.uni(0.4, 1)
		}
		if ar {
			x = phi*x + math.Sqrt(1-phi*phi)*sd*r.NormFloat64()
			cloud = min(max(weather+x, 0.05), 1)
		} else {
			if t >= next {
				next = t + meanCloud*r.ExpFloat64()
				target = 1
				if r.chance(1.2 - weather) {
					target = r.uni(0.2, 0.9)
				}
			}
			// A shadow takes a few minutes to cross; its edge is not a step.
			cloud += (target - cloud) / lag
		}
		from := math.Mod(clock, 24) - noon
		if bell {
			return cloud * math.Exp(-from*from/(2*width*width))
		}
		return cloud * math.Max(0, math.Cos(from/half*math.Pi/2)) * step(half-math.Abs(from))
	}
}

func step(x float64) float64 {
	if x > 0 {
		return 1
	}
	return 0
}

// evenings draws when the room light is on, at about the same hours each evening.
func evenings(r source, startHour float64) (on []episode) {
	from, length := r.uni(17.5, 20.5), r.uni(1, 4)
	scatter, often := r.uni(0.1, 0.6), r.uni(0.75, 1.05)
	for d := range 31 {
		if !r.chance(often) {
			continue
		}
		a := float64(24*d) - startHour + from + scatter*r.NormFloat64()
		b := a + max(0.25, length+scatter*r.NormFloat64())
		on = append(on, episode{from: a * hour, to: b * hour})
	}
	return on
}

func inAny(eps []episode, t float64) bool {
	return slices.ContainsFunc(eps, func(e episode) bool { return t >= e.from && t < e.to })
}

// readingTimes gives seconds from the start: once a minute with a little
// jitter, or 35-85 s apart for the lossy family.
func readingTimes(r source, family string) (ts []float64) {
	if family == "lossy" {
		for t := 0.0; t < month; t += r.uni(35, 85) {
			ts = append(ts, t)
		}
		return ts
	}
	jitter := r.uni(0.05, 0.5)
	for i := range int(month / minute) {
		ts = append(ts, float64(i)*minute+min(max(jitter*r.NormFloat64(), -2), 2))
	}
	return ts
}

// lose drops bursts of readings and repeats some of those that are left.
func lose(r source, in []Reading, start time.Time, eps []episode) (out []Reading) {
	meanGap, longest, twice := r.uni(6, 36)*hour, r.uni(20, 90)*minute, r.uni(0.01, 0.05)
	from := meanGap * r.ExpFloat64()
	to := from + r.uni(3*minute, longest)
	for _, v := range in {
		t := v.At.Sub(start).Seconds()
		for t >= to {
			from = to + meanGap*r.ExpFloat64()
			to = from + r.uni(3*minute, longest)
		}
		if t >= from {
			continue
		}
		out = append(out, v)
		if r.chance(twice) {
			again := t + r.uni(0.1, 3)
			_, truth := lampAt(eps, again)
			out = append(out, Reading{start.Add(seconds(again)), v.Value, truth})
		}
	}
	return out
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
