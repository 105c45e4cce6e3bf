package physical

import (
	"math"
	"slices"
	"testing"
	"time"
)

const seeds = 2

// episodes counts the intervals of readings whose truth is not dark, and the
// changes of truth.
func episodes(rs []Reading) (notDark, changes int) {
	before := dark
	for _, r := range rs {
		if r.Truth != before {
			changes++
			if before == dark {
				notDark++
			}
		}
		before = r.Truth
	}
	return notDark, changes
}

func median(x []float64) float64 {
	x = slices.Clone(x)
	slices.Sort(x)
	return x[len(x)/2]
}

// edges gives, for every change between dark and lit, the step of the value,
// positive if the count rises when the lamp is lit. Each side is the mean of
// up to five readings of the steady lamp next to the change.
func edges(rs []Reading) []float64 {
	var out []float64
	for i := 6; i+6 < len(rs); i++ {
		a, b := rs[i-1].Truth, rs[i].Truth
		if a == b || a == blinking || b == blinking {
			continue
		}
		var before, after []float64
		for k := 1; k <= 5; k++ {
			if rs[i-k].Truth == a && rs[i+k].Truth == b {
				before, after = append(before, rs[i-k].Value), append(after, rs[i+k].Value)
			}
		}
		if len(before) == 0 {
			continue
		}
		step := mean(after) - mean(before)
		if b == dark {
			step = -step
		}
		out = append(out, step)
	}
	return out
}

func mean(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// noise estimates the standard deviation of the noise from the second
// differences at night-like stretches where the truth does not change.
func noise(rs []Reading) float64 {
	var d []float64
	for i := 2; i < len(rs); i++ {
		if rs[i].Truth == dark && rs[i-1].Truth == dark && rs[i-2].Truth == dark {
			d = append(d, math.Abs(rs[i].Value-2*rs[i-1].Value+rs[i-2].Value))
		}
	}
	return median(d) / 0.6745 / math.Sqrt(6)
}

func TestFamilies(t *testing.T) {
	if len(Families) != 15 {
		t.Fatalf("%d families", len(Families))
	}
	for _, family := range Families {
		for seed := range uint64(seeds) {
			rs := Generate(family, seed)
			if !slices.Equal(rs, Generate(family, seed)) {
				t.Fatalf("%s %d: two traces of one seed differ", family, seed)
			}
			if slices.Equal(rs, Generate(family, seed+1)) {
				t.Errorf("%s %d: the next seed gives the same trace", family, seed)
			}
			n, changes := episodes(rs)
			var share [3]float64
			least, most := math.Inf(1), math.Inf(-1)
			for i, r := range rs {
				share[r.Truth] += 1 / float64(len(rs))
				least, most = math.Min(least, r.Value), math.Max(most, r.Value)
				if i > 0 && !r.At.After(rs[i-1].At) {
					t.Fatalf("%s %d: reading %d is not after the one before", family, seed, i)
				}
				if i > 0 && family != "lossy" {
					if dt := r.At.Sub(rs[i-1].At); dt < 50*time.Second || dt > 70*time.Second {
						t.Fatalf("%s %d: %v between two readings", family, seed, dt)
					}
				}
			}
			step := 0.0
			if e := edges(rs); len(e) > 0 {
				step = median(e)
			}
			w := newWorld(family, seed)
			t.Logf("%-10s %2d: %d readings %d episodes %d changes, lit %.3f blinking %.3f, counts %.1f-%.1f of %.0f, step %.2f, noise %.2f, window %.3f, resolution %.1f, slow %.2f",
				family, seed, len(rs), n, changes, share[lit], share[blinking], least, most, w.rail, step, noise(rs), w.window, w.resolution, w.slowShare)

			if span := rs[len(rs)-1].At.Sub(rs[0].At); span < 718*time.Hour || span > 720*time.Hour+time.Minute {
				t.Errorf("%s %d: spans %v", family, seed, span)
			}
			if family == "lossy" {
				if len(rs) < 36000 || len(rs) > 44500 {
					t.Errorf("lossy %d: %d readings", seed, len(rs))
				}
			} else if len(rs) < 43080 || len(rs) > 43320 {
				t.Errorf("%s %d: %d readings", family, seed, len(rs))
			}
			if (family == "blink") != (share[blinking] > 0) {
				t.Errorf("%s %d: share blinking %v", family, seed, share[blinking])
			}
			if least < 0 || most > w.rail || family != "clipped" && family != "spikes" && (least == 0 || most == w.rail) {
				t.Errorf("%s %d: counts %v-%v of %v", family, seed, least, most, w.rail)
			}
			switch family {
			case "still":
				if n != 0 {
					t.Errorf("still %d: %d episodes", seed, n)
				}
				continue
			case "rare":
				i := slices.IndexFunc(rs, func(r Reading) bool { return r.Truth == lit })
				if d := rs[i].At.Sub(rs[0].At).Hours() / 24; d < 8.99 || d > 14.01 {
					t.Errorf("rare %d: first lit after %v days", seed, d)
				}
				for _, g := range w.segments {
					if l := (g.to - g.from) / hour; l < 3 || l > 5 {
						t.Errorf("rare %d: lit for %v hours", seed, l)
					}
				}
			case "mostly_lit":
				if share[lit] < 0.75 || share[lit] > 0.995 || rs[0].Truth != lit {
					t.Errorf("mostly_lit %d: lit %v", seed, share[lit])
				}
			default:
				if n < 4 || share[dark] < 0.1 || rs[0].Truth != dark {
					t.Errorf("%s %d: %d episodes, dark %v", family, seed, n, share[dark])
				}
			}
			for i, g := range w.segments {
				if g.to-g.from < shortest-1 || i > 0 && g.from < w.segments[i-1].to {
					t.Errorf("%s %d: segment %d is %v", family, seed, i, g)
				}
				if g.state == blinking && (g.freq < 0.5 || g.freq > 2 || g.to-g.from < 10*minute || g.to-g.from > day+1) {
					t.Errorf("%s %d: blinking segment %v", family, seed, g)
				}
			}
			want, tol := 380.0, 12.0
			switch family {
			case "faint":
				want, tol = 26, 4
			case "coarse":
				want, tol = 4, 0.5
			case "daylight":
				want, tol = 300, 40
			case "inverted":
				want = -380
			case "sag":
				want, tol = 365, 20
			case "clipped":
				want = w.rail - w.base
			}
			if math.Abs(step-want) > tol {
				t.Errorf("%s %d: step %.2f, want %v", family, seed, step, want)
			}
			sd := 6.0
			if family == "coarse" {
				sd = 0 // whole counts hide it
			}
			if s := noise(rs); sd > 0 && share[dark] > 0.5 && math.Abs(s-sd) > 1 && family != "daylight" && family != "leak" {
				t.Errorf("%s %d: noise %.2f, want %v", family, seed, s, sd)
			}
		}
	}
}

func TestNoise(t *testing.T) {
	// All of the noise, the slow part with it, has the stated deviation.
	for seed := range uint64(seeds) {
		rs, w := Generate("rare", seed), newWorld("rare", seed)
		var sum, n float64
		for _, r := range rs {
			if at := r.At.Sub(w.start).Seconds(); at < 9*day {
				x := r.Value - w.base - w.ambient.at(at)
				sum, n = sum+x*x, n+1
			}
		}
		if sd := math.Sqrt(sum / n); sd < 5.8 || sd > 6.2 {
			t.Errorf("seed %d: noise %.2f", seed, sd)
		}
	}
}

func TestDriftAndSag(t *testing.T) {
	darkMean := func(rs []Reading) float64 {
		var x []float64
		for _, r := range rs {
			if r.Truth == dark {
				x = append(x, r.Value)
			}
		}
		return mean(x)
	}
	for seed := range uint64(seeds) {
		rs := Generate("drift", seed)
		if d := darkMean(rs[42200:]) - darkMean(rs[:1000]); d > -570 || d < -615 {
			t.Errorf("drift %d: %v", seed, d)
		}
		rs, w := Generate("sag", seed), newWorld("sag", seed)
		var light, counts float64
		for _, r := range rs[42200:] {
			at := r.At.Sub(w.start).Seconds()
			_, share := w.lampAt(at)
			light += w.base + w.ambient.at(at) + w.lamp*share
			counts += r.Value
		}
		if g := counts/light - 1; g > -0.074 || g < -0.081 {
			t.Errorf("sag %d: gain %v", seed, g)
		}
	}
}

func TestBlinkingReadings(t *testing.T) {
	for seed := range uint64(seeds) {
		w := newWorld("blink", seed)
		var on, partly, n float64
		for _, r := range Generate("blink", seed) {
			if r.Truth != blinking {
				continue
			}
			x := (r.Value - w.base) / w.lamp
			on, n = on+x, n+1
			if x > 0.1 && x < 0.9 {
				partly++
			}
		}
		t.Logf("seed %d: mean share on %.3f, %.3f of the readings in between", seed, on/n, partly/n)
		if on/n < 0.45 || on/n > 0.55 {
			t.Errorf("seed %d: on for %.3f of the blinking", seed, on/n)
		}
	}
}

func TestSpikes(t *testing.T) {
	for seed := range uint64(seeds) {
		rs, w := Generate("spikes", seed), newWorld("spikes", seed)
		n, last := 0, -2
		for i, r := range rs {
			at := r.At.Sub(w.start).Seconds()
			_, share := w.lampAt(at)
			d := math.Abs(r.Value - w.base - w.ambient.at(at) - w.lamp*share)
			if d < 40 {
				continue
			}
			if d < 1.5*380-40 || d > 6*380+40 {
				t.Errorf("seed %d: spike of %v", seed, d)
			}
			if i == last+1 {
				t.Errorf("seed %d: two spikes on end at %d", seed, i)
			}
			n, last = n+1, i
		}
		if p := float64(n) / float64(len(rs)); p < 0.0085 || p > 0.0115 {
			t.Errorf("seed %d: %.4f of the readings are spikes", seed, p)
		}
	}
}

func TestLossy(t *testing.T) {
	for seed := range uint64(seeds) {
		rs := Generate("lossy", seed)
		dup, gaps := 0, 0
		longest := time.Duration(0)
		for i := 1; i < len(rs); i++ {
			switch dt := rs[i].At.Sub(rs[i-1].At); {
			case dt <= 3*time.Second:
				dup++
				if dt < 100*time.Millisecond || rs[i].Value != rs[i-1].Value {
					t.Errorf("seed %d: duplicate %v after %v", seed, rs[i], dt)
				}
			case dt < 32*time.Second:
				t.Errorf("seed %d: %v between two readings", seed, dt)
			case dt > 85*time.Second:
				gaps++
				longest = max(longest, dt)
			}
		}
		t.Logf("seed %d: %d readings, %d duplicates, %d gaps, longest %v", seed, len(rs), dup, gaps, longest)
		if dup < 300 || gaps < 20 {
			t.Errorf("seed %d: %d duplicates, %d gaps", seed, dup, gaps)
		}
	}
}

func TestDaylight(t *testing.T) {
	for _, c := range []struct {
		family    string
		low, high float64
	}{{"leak", 150, 200}, {"daylight", 550, 700}, {"still", 50, 200}} {
		for seed := range uint64(seeds) {
			w := newWorld(c.family, seed)
			var most, night, jump float64
			big, last := 0, 0.0
			night = math.Inf(1)
			for i := range 43200 {
				x := w.sun.counts(float64(i) * minute)
				most, night = math.Max(most, x), math.Min(night, x)
				if i > 0 {
					jump = math.Max(jump, math.Abs(x-last))
					if math.Abs(x-last) > w.sun.most*0.2 {
						big++
					}
				}
				last = x
			}
			t.Logf("%s %d: sun %.1f-%.1f, largest change in a minute %.0f, %d above a fifth", c.family, seed, night, most, jump, big)
			if most < c.low || most > c.high || night < 0 || night > 1 {
				t.Errorf("%s %d: sun %.1f-%.1f", c.family, seed, night, most)
			}
		}
	}
}
