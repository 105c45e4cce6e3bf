package lab

import (
	"math"

	"lampward/rules/learn"
)

// Otsu gives the level that splits a histogram best into two classes, the
// lower with levels <= it, and eta, the share of the variance that lies
// between the classes (Otsu, IEEE Trans. SMC 9 (1979) 62-66).
func Otsu(hist []float64) (level int, eta float64) {
	n, sum, sum2 := 0.0, 0.0, 0.0
	for i, c := range hist {
		n += c
		sum += c * float64(i)
		sum2 += c * float64(i) * float64(i)
	}
	mean := sum / n
	total := sum2/n - mean*mean
	best, w, s := -1.0, 0.0, 0.0
	for i, c := range hist[:len(hist)-1] {
		w += c
		s += c * float64(i)
		if w == 0 || w == n {
			continue
		}
		d := s/w - (sum-s)/(n-w)
		if between := w / n * (n - w) / n * d * d; between > best {
			best, level = between, i
		}
	}
	return level, best / total
}

// MinError gives the level that splits a histogram into the two Gaussians
// that err least (Kittler and Illingworth, Pattern Recognition 19 (1986)
// 41-47; formula from memory): least J = 1 + P1 ln s1^2 + P2 ln s2^2 - 2(P1 ln
// P1 + P2 ln P2).
func MinError(hist []float64) (level int, j float64) {
	j = math.Inf(1)
	for t := range len(hist) - 1 {
		var p, m, v [2]float64
		side := func(i int) int {
			if i <= t {
				return 0
			}
			return 1
		}
		n := 0.0
		for i, c := range hist {
			p[side(i)] += c
			m[side(i)] += c * float64(i)
			n += c
		}
		if p[0] == 0 || p[1] == 0 {
			continue
		}
		m[0], m[1] = m[0]/p[0], m[1]/p[1]
		for i, c := range hist {
			d := float64(i) - m[side(i)]
			v[side(i)] += c * d * d
		}
		v[0], v[1] = v[0]/p[0], v[1]/p[1]
		p[0], p[1] = p[0]/n, p[1]/n
		if v[0] <= 0 || v[1] <= 0 {
			continue
		}
		x := 1 + p[0]*math.Log(v[0]) + p[1]*math.Log(v[1]) - 2*(p[0]*math.Log(p[0])+p[1]*math.Log(p[1]))
		if x < j {
			j, level = x, t
		}
	}
	return level, j
}

// Mixture is two Gaussians, the lower first.
type Mixture struct {
	Weight, Mean, SD [2]float64
	LogLik           float64
}

// FitMixture fits two Gaussians by expectation maximisation, begun at the
// lower and upper halves' means; equal asks for one variance for both.
func FitMixture(x []float64, equal bool) Mixture {
	n := float64(len(x))
	mean, v := 0.0, 0.0
	for _, y := range x {
		mean += y / n
	}
	for _, y := range x {
		v += (y - mean) * (y - mean) / n
	}
	m := Mixture{Weight: [2]float64{0.5, 0.5}, Mean: [2]float64{mean - math.Sqrt(v), mean + math.Sqrt(v)},
		SD: [2]float64{math.Sqrt(v) / 2, math.Sqrt(v) / 2}, LogLik: math.Inf(-1)}
	for range 10000 {
		var w, s, q [2]float64
		ll := 0.0
		for _, y := range x {
			var f [2]float64
			for k := range f {
				z := (y - m.Mean[k]) / m.SD[k]
				f[k] = m.Weight[k] * math.Exp(-z*z/2) / (m.SD[k] * math.Sqrt(2*math.Pi))
			}
			ll += math.Log(f[0] + f[1])
			for k := range f {
				r := f[k] / (f[0] + f[1])
				w[k] += r
				s[k] += r * y
				q[k] += r * y * y
			}
		}
		done := ll-m.LogLik < 1e-11*math.Abs(ll)
		m.LogLik = ll
		if done {
			return m
		}
		var vv [2]float64
		for k := range w {
			m.Weight[k], m.Mean[k] = w[k]/n, s[k]/w[k]
			vv[k] = q[k]/w[k] - m.Mean[k]*m.Mean[k]
		}
		if equal {
			c := m.Weight[0]*vv[0] + m.Weight[1]*vv[1]
			vv = [2]float64{c, c}
		}
		m.SD = [2]float64{math.Sqrt(vv[0]), math.Sqrt(vv[1])}
	}
	return m
}

// Split is what a clever threshold does without the truth: Otsu's level of the
// whole trace, refused unless the classes are separate by Ashman's D > 2, with
// a debounce of two.
func Split(tr *Trace) []Event {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range tr.Points {
		lo, hi = math.Min(lo, p.Value), math.Max(hi, p.Value)
	}
	const bins = 512
	width := (hi - lo) / bins
	hist := make([]float64, bins)
	for _, p := range tr.Points {
		hist[min(int((p.Value-lo)/width), bins-1)]++
	}
	t, _ := Otsu(hist)
	level := lo + width*float64(t+1)
	var n, m, q [2]float64
	for _, p := range tr.Points {
		k := 0
		if p.Value > level {
			k = 1
		}
		n[k]++
		m[k] += p.Value
		q[k] += p.Value * p.Value
	}
	var sd [2]float64
	for k := range n {
		m[k] /= n[k]
		sd[k] = math.Sqrt(math.Max(q[k]/n[k]-m[k]*m[k], 1e-9))
	}
	if learn.AshmanD(m[0], sd[0], m[1], sd[1]) <= 2 {
		return nil
	}
	return Threshold(tr, level)
}
