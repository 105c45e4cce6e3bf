package learn

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// flickering is what a lamp on the mains adds, read at chance moments: its light swings by so
// much of its step to either side.
func flickering(r *rand.Rand, step, swing float64) float64 {
	return step * (1 + swing*math.Sin(2*math.Pi*r.Float64()))
}

// A lamp that flickers with the mains is told as one that does not, at noise far below its
// swing. A fifth of the step is what a photoresistor of 25 ms leaves of a lamp that is lit half
// of each period of 50 Hz: its first harmonic swings by pi/2 of the mean, of which the sensor
// passes 1/sqrt(1+(2 pi 50 0.025)^2) = 1/8 (a first-order low-pass; the time constant by data
// sheets of cadmium sulphide cells, from memory). Without ripples half of the changes are
// missed, and nearly as many told that are none.
func TestFlickersWithTheMains(t *testing.T) {
	for _, lower := range []bool{false, true} {
		for _, swing := range []float64{0.06, 0.2} {
			missed, wrong, seen := 0, 0, 0.0
			for seed := range uint64(4) {
				f := feed(Config{LitLower: lower}, time.Minute, 0).seed(seed, 3)
				sign := 1.0
				if lower {
					sign = -1
				}
				board := func(x float64) float64 {
					if x > 400 { // the lamp shines: days adds no noise, this does
						x += flickering(f.r, 300, swing) - 300
					}
					return 1000*float64(btoi(lower)) + sign*(x+6*f.r.NormFloat64())
				}
				m, w := f.days(board, 6, 300, 0, 3*time.Minute)
				missed, wrong, seen = missed+m, wrong+w, math.Max(seen, f.l.c.F.Ripple)
			}
			if missed+wrong > 1 {
				t.Errorf("swing %v, lower %v: %d missed, %d wrong", swing, lower, missed, wrong)
			}
			// the variance of a sine is half of its square
			if want := sq(swing) / 2; swing > 0.1 && math.Abs(seen-want) > 0.5*want {
				t.Errorf("swing %v: a ripple of %.4f, it is %.4f", swing, seen, want)
			}
		}
	}
}

// A lamp may be restless as it lights, and steady from then on, for days: the noise is not
// thought to be next to none for that.
func TestRipplesOnlyAtFirst(t *testing.T) {
	for seed := range uint64(6) {
		f := feed(Config{}, time.Minute, 0).seed(seed, 31)
		f.sent(asItIs, 500, 300, 6)
		f.sent(asItIs, 12, 450, 18)
		f.sent(asItIs, 5000, 450, 6)
		if v := f.l.c.Noise.V; v < 20 || v > 60 {
			t.Errorf("seed %d: variance %.1f, it is 36; ripple %.3f", seed, v, f.l.c.F.Ripple)
		}
	}
}

// What ripples is told from restless light, a slope and blinking by a single edge.
func TestRipples(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	noise := func() float64 { return 6 * r.NormFloat64() }
	for name, c := range map[string]struct {
		dark, lit func(i int) float64
		low, high float64
	}{
		"steady":         {func(int) float64 { return noise() }, func(int) float64 { return 300 + noise() }, 0, 0},
		"flickers":       {func(int) float64 { return noise() }, func(int) float64 { return flickering(r, 300, 0.2) + noise() }, 0.005, 0.05},
		"restless light": {func(int) float64 { return 8 * noise() }, func(int) float64 { return 300 + 8*noise() }, -1, 0},
		"a slope after":  {func(int) float64 { return noise() }, func(i int) float64 { return 180 + 40*float64(i) + noise() }, 0, 0},
		"blurred flashes": {func(int) float64 { return noise() }, func(i int) float64 {
			return 300 - 150*float64(btoi(i%3 == 2)) + noise()
		}, 0, 0},
		"any count": {func(int) float64 { return noise() }, func(int) float64 { return 300 * r.Float64() }, 0, 0},
	} {
		n, in := 200, 0
		for range n {
			var e edges
			e.N = nBuf
			for i := range nBuf {
				if i < nBuf-half {
					e.V[i] = 200 + c.dark(i)
				} else {
					e.V[i] = 200 + c.lit(i-(nBuf-half))
				}
			}
			pre, vPre := level([half]float64(e.V[nBuf-2*half : nBuf-half]))
			post, vPost := level([half]float64(e.V[nBuf-half:]))
			up := e.ripples(nBuf-half, post-pre, 36, vPre, vPost)
			// the same backwards is the same
			v := e.V
			for i := range 2 * half {
				e.V[nBuf-1-i] = v[nBuf-2*half+i]
			}
			if down := e.ripples(nBuf-half, pre-post, 36, vPost, vPre); math.Abs(down-up) > 1e-9 {
				t.Fatalf("%s: up %v, down %v", name, up, down)
			}
			if up >= c.low && up <= c.high {
				in++
			}
		}
		if in < n*8/10 {
			t.Errorf("%s: %d of %d within %v to %v", name, in, n, c.low, c.high)
		}
	}
}

// Restless light beside few of the edges makes no ripple, and an edge amid moving light says
// nothing of it.
func TestRippleOfMostEdges(t *testing.T) {
	var f filter
	for i, c := range []struct{ share, want float64 }{
		{0.02, 0.02}, {0, 0}, {0.03, 0.025}, {-1, 0.025}, {0, 0}, {0.01, 0.02}, {0.01, 0.0175}, {0, 0},
	} {
		if f.learnRipple(c.share); math.Abs(f.Ripple-c.want) > 1e-12 {
			t.Errorf("%d: %v, not %v", i, f.Ripple, c.want)
		}
	}
	f = filter{R: 36, Ripple: 0.02}
	if f.noise(false, 300) != 36 || f.noise(true, 300) != 36+1800 {
		t.Errorf("noise %v dark, %v lit", f.noise(false, 300), f.noise(true, 300))
	}
}

// Aim shows that a lamp that flickers stands less far apart.
func TestAimAtAFlicker(t *testing.T) {
	l := New(Config{})
	l.c.Known, l.c.Noise.V = true, 36
	l.c.F = filter{N: 1, Step: 300, R: 36}
	l.c.F.H[0].S = Dark
	steady := l.Aim().Separation
	l.c.F.Ripple = 0.02
	if got, want := l.Aim().Separation, AshmanD(0, 6, 300, math.Sqrt(36+1800)); math.Abs(got-want) > 1e-9 || got > steady/3 {
		t.Errorf("%v, not %v; steady %v", got, want, steady)
	}
}
