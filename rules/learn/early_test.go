package learn

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// A faint lamp that somebody tries out soon after the start is told by its first change,
// lit or dark first, whatever a dozen readings made of the noise; not if the light was
// on its way before, nor if something else happened.
func TestEarly(t *testing.T) {
	const base, step = 200.0, 27.0
	count := func(first State, level func(i int) float64) (told int) {
		for seed := range uint64(100) {
			f := feed(Config{}, time.Minute, 6).seed(seed, 77)
			f.read(45, level, 1)
			if len(f.got) > 0 && f.got[0].State == first {
				told++
			}
		}
		return told
	}
	for name, c := range map[string]struct {
		first       State
		level       func(i int) float64
		least, most int
	}{
		"lit": {Lit, func(i int) float64 {
			if i < 12 {
				return base
			}
			return base + step
		}, 60, 100},
		"dark": {Dark, func(i int) float64 {
			if i < 22 {
				return base + step
			}
			return base
		}, 60, 100},
		"dawn": {Lit, func(i int) float64 { return base + 2*float64(i) }, 0, 3},
		"dawn before": {Lit, func(i int) float64 {
			if i < 22 {
				return base + 3*float64(i)
			}
			return base + 66 + step
		}, 0, 3},
		"three levels": {Lit, func(i int) float64 {
			switch {
			case i < 6:
				return base - step
			case i < 18:
				return base
			}
			return base + step
		}, 0, 3},
	} {
		if told := count(c.first, c.level); told < c.least || told > c.most {
			t.Errorf("%s: told %d of 100, want %d to %d", name, told, c.least, c.most)
		} else {
			t.Logf("%s: told %d of 100", name, told)
		}
	}
}

// The mean, the variance of a sample and the line of least squares, each against its
// definition.
func TestPreludeLevel(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for n := 4; n < 200; n += 13 {
		var p prelude
		var y []float64
		for i := range n {
			y = append(y, 1e5+0.7*float64(i)+9*r.NormFloat64())
			p.add(y[i])
		}
		mean, x := 0.0, float64(n-1)/2
		for _, v := range y {
			mean += v / float64(n)
		}
		ss, xy, xx := 0.0, 0.0, 0.0
		for i, v := range y {
			ss += sq(v - mean)
			xy += (float64(i) - x) * (v - mean)
			xx += sq(float64(i) - x)
		}
		m, v, rise := p.level()
		want := []float64{mean, ss / float64(n-1), xy / xx * float64(n)}
		if !slices.EqualFunc([]float64{m, v, rise}, want, func(a, b float64) bool { return math.Abs(a-b) < 1e-6*math.Max(1, math.Abs(b)) }) {
			t.Errorf("%d readings: %v %v %v, want %v", n, m, v, rise, want)
		}
	}
}
