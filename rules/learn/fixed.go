package learn

import "math"

// Go may fuse x*y + z into one rounding on some architectures (arm64, ppc64,
// s390x, riscv64) and not on others (amd64), which would make the same
// readings give different answers on a server and on a Raspberry Pi. The
// language specification says that an explicit conversion rounds, so every
// product that a sum may follow goes through mul. math.Exp and math.Log have
// assembly versions on some architectures; exp and log here have one version
// for all. math.Sqrt, Abs, Floor, Max and Min are exact everywhere.

// mul is a*b, rounded by itself.
func mul(a, b float64) float64 { return float64(a * b) }

func sq(a float64) float64 { return float64(a * a) }

func finite(x float64) bool { return x-x == 0 } // infinite less infinite is no number

func clamp(x, lo, hi float64) float64 {
	if x < lo {
		return lo
	}
	if x > hi {
		return hi
	}
	return x
}

// exp is e**x for x <= 0 or little above, the same on every architecture;
// relative error below 1e-12. Below -700 it is 0.
func exp(x float64) float64 {
	if !(x > -700) {
		return 0
	}
	if x > 700 {
		x = 700
	}
	// x = k ln2 + r, |r| <= ln2/2; ln2 split so that k*hi is exact
	const hi, lo = 6.93147180369123816490e-01, 1.90821492927058770002e-10
	k := math.Floor(mul(x, 1/math.Ln2) + 0.5)
	r := (x - mul(k, hi)) - mul(k, lo)
	// Taylor series by Horner; 12 terms leave r^13/13! < 2e-16
	s := 1.0
	for i := 13.0; i >= 1; i-- {
		s = 1 + float64(r*s)/i
	}
	return float64(s * math.Float64frombits(uint64(int64(k)+1023)<<52))
}

// ln is the natural logarithm of x > 0, the same on every architecture;
// relative error below 1e-12.
func ln(x float64) float64 {
	b := math.Float64bits(x)
	e := int64(b>>52) - 1023
	m := math.Float64frombits(b&(1<<52-1) | 1023<<52) // 1 <= m < 2
	if m > math.Sqrt2 {
		m, e = m/2, e+1
	}
	// atanh series in t = (m-1)/(m+1), |t| < 0.172
	t := (m - 1) / (m + 1)
	t2 := sq(t)
	s := 0.0
	for i := 19.0; i >= 1; i -= 2 {
		s = 1/i + mul(s, t2)
	}
	return mul(float64(e), math.Ln2) + 2*mul(t, s)
}
