package silence

import "math"

// The functions of package math differ in the last bit between processors
// (some are in assembly), and a Machine must decide alike on all of them.
// These use only operations that IEEE 754 rounds exactly; products are wrapped
// in float64() so that no compiler fuses them with a sum.

// ln returns the natural logarithm of x > 0, to about 1e-15 relative.
func ln(x float64) float64 {
	m, k := math.Frexp(x)
	if m < math.Sqrt2/2 {
		m *= 2
		k--
	}
	// ln m = 2 atanh((m-1)/(m+1)); |s| < 0.172
	s := (m - 1) / (m + 1)
	s2 := float64(s * s)
	sum := 0.0
	for i := 21; i >= 1; i -= 2 {
		sum = float64(sum*s2) + 1/float64(i)
	}
	return float64(2*s*sum) + float64(float64(k)*math.Ln2)
}

// exp returns e^x, to about 1e-15 relative; 0 below -700, and what 700 gives
// above.
func exp(x float64) float64 {
	switch {
	case x < -700:
		return 0
	case x > 700:
		x = 700
	}
	k := math.Floor(float64(x/math.Ln2) + 0.5)
	r := x - float64(k*math.Ln2) // |r| < 0.347
	sum := 1.0
	for i := 13; i >= 1; i-- {
		sum = 1 + float64(sum*r)/float64(i)
	}
	return math.Ldexp(sum, int(k))
}
