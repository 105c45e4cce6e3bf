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

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func clamp(x, lo, hi float64) float64 {
	if x < lo {
		return lo
	}
	if x > hi {
		return hi
	}
	return x
}
