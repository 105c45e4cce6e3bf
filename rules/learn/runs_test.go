package learn

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// Noise that comes in runs is measured at its full size, though neighbours differ by
// less: white noise as it is, and light that moves does not pass for such noise.
// The noise is a first-order autoregression, whose variance is known by
// construction (Box and Jenkins, Time Series Analysis, from memory).
func TestNoiseInRuns(t *testing.T) {
	const sd = 6
	for _, rho := range []float64{0, 0.2, 0.4} {
		r, x := rand.New(rand.NewPCG(3, 4)), 0.0
		f := feed(Config{}, time.Minute, 0)
		f.read(4000, func(int) float64 {
			x = rho*x + math.Sqrt(1-rho*rho)*sd*r.NormFloat64()
			return 300 + x
		}, 1)
		n := &f.l.c.Noise
		if got := math.Sqrt(n.variance()); got < 0.85*sd || got > 1.15*sd {
			t.Errorf("correlation %v: the noise passes for %.2f, it is %v", rho, got, sd)
		}
		if rho == 0 && n.Rho > 0.02 || rho > 0.3 && math.Abs(n.Rho-rho) > 0.12 {
			t.Errorf("correlation %v passes for %.2f", rho, n.Rho)
		}
	}
	f := feed(Config{}, time.Minute, 6)
	f.read(600, func(i int) float64 { return 700 + 60*math.Sin(float64(i)*math.Pi/12) }, 1)
	if got := f.l.c.Noise.Rho; got != 0 {
		t.Errorf("light that moves passes for a correlation of %.2f", got)
	}
}

// Amid light that moves nothing is learned of the noise's correlation.
func TestRunsAmidMovingLight(t *testing.T) {
	r, x := rand.New(rand.NewPCG(3, 4)), 0.0
	f := feed(Config{}, time.Minute, 0)
	f.read(3000, func(i int) float64 {
		x = 0.4*x + 5.5*r.NormFloat64()
		return 700 + 200*math.Sin(float64(i)*math.Pi/75) + x
	}, 1)
	if got := f.l.c.Noise.Rho; got != 0 {
		t.Errorf("a correlation of %.2f", got)
	}
}

// A faint lamp that changes every 40 readings, and outliers, do not pass for correlation.
func TestChangesAreNoRuns(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(4000, func(i int) float64 {
		return 300 + 26*float64(i/40%2) + 300*float64(btoi(i%50 == 7))
	}, 1)
	if got := f.l.c.Noise.Rho; got > 0.1 {
		t.Errorf("changes pass for a correlation of %.2f", got)
	}
}
