package learn

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// firmware is what a board sends for each measurement.
type firmware func(x float64) float64

// byShareOf sends the last number and a share of the way to what was measured.
func byShareOf(share float64) firmware {
	y, begun := 0.0, false
	return func(x float64) float64 {
		if !begun {
			y, begun = x, true
		}
		y += share * (x - y)
		return y
	}
}

// meanOf sends the mean of the last n.
func meanOf(n int) firmware {
	var v []float64
	return func(x float64) float64 {
		if v = append(v, x); len(v) > n {
			v = v[1:]
		}
		sum := 0.0
		for _, y := range v {
			sum += y
		}
		return sum / float64(len(v))
	}
}

// asItIs sends what was measured.
func asItIs(x float64) float64 { return x }

// sent feeds n readings of a level as a board sends them, in whole counts.
func (f *feeder) sent(board firmware, n int, level float64, noise float64) {
	f.read(n, func(int) float64 { return board(level + noise*f.r.NormFloat64()) }, 1)
}

// What the board measured is got back from what it sends. The forward way is the one above.
func TestSmoothingIsTakenOut(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for name, c := range map[string]struct {
		s     smoother
		board firmware
		near  float64 // a mean forgets a tenth of its errors a reading, and so as much of what it lags by
	}{
		"a share of a half":   {smoother{Kind: byShare, Stay: 0.5, Fits: 40}, byShareOf(0.5), 1e-9},
		"a share of a tenth":  {smoother{Kind: byShare, Stay: 0.9, Fits: 40}, byShareOf(0.1), 1e-9},
		"by the noise alone":  {smoother{Kind: byShare, Stay: 0.3, Hint: 0.8}, byShareOf(0.2), 1e-9},
		"a mean of two":       {smoother{Kind: byMean, Long: 2}, meanOf(2), 60},
		"a mean of ten":       {smoother{Kind: byMean, Long: 10}, meanOf(10), 60},
		"not smoothed at all": {smoother{}, asItIs, 0},
	} {
		x, last, off := 200.0, c.board(200), 0.0
		for i := range c.s.X {
			c.s.X[i] = x
		}
		for i := range 600 {
			if i%40 == 0 {
				x = 200 + 400*float64(i/40%2)
			}
			was := x + 6*r.NormFloat64()
			y := c.board(was)
			off = math.Max(off, math.Abs(c.s.measured(last, y, 1)-was))
			last = y
		}
		if off > c.near+1e-9 {
			t.Errorf("%s: off by %.1f", name, off)
		}
	}
	// three readings lost: what it measured meanwhile counts as alike
	board := byShareOf(0.3)
	s := smoother{Kind: byShare, Stay: 0.7, Fits: 40}
	last, y := board(100), 0.0
	for range 4 {
		y = board(500)
	}
	if got := s.measured(last, y, 4.2); math.Abs(got-500) > 1e-9 {
		t.Errorf("after a gap: %v", got)
	}
}

// The correlations of the differences of smoothed white noise are those of the formulas (Box
// and Jenkins, from memory), and tell how it was smoothed before any lamp changed.
func TestSmoothedNoiseIsKnown(t *testing.T) {
	for _, stay := range []float64{0.7, 0.75, 0.8} {
		f := feed(Config{}, time.Minute, 0)
		f.sent(byShareOf(1-stay), 4000, 300, 6)
		s := &f.l.c.Smooth
		if s.Kind != byShare || math.Abs(s.stays()-stay) > 0.08 {
			t.Errorf("a share of %.1f: kind %d, %.2f stays", 1-stay, s.Kind, s.stays())
		}
		for k := uint32(1); k < 4; k++ {
			if want := -(1 - stay) / 2 * math.Pow(stay, float64(k-1)); math.Abs(s.apart(k)-want) > 0.15 {
				t.Errorf("a share of %.1f: a correlation of %.2f of differences %d apart, not %.2f", 1-stay, s.apart(k), k, want)
			}
		}
		if sd := math.Sqrt(f.l.c.Noise.variance()); sd < 4.8 || sd > 7.5 {
			t.Errorf("a share of %.1f: noise %.1f, it is 6", 1-stay, sd)
		}
	}
	for _, n := range []uint32{2, 3, 5, 8} {
		f := feed(Config{}, time.Minute, 0)
		f.sent(meanOf(int(n)), 2000, 300, 6)
		s := &f.l.c.Smooth
		if s.Kind != byMean || s.Long != n || math.Abs(s.apart(n)+0.5) > 0.15 {
			t.Errorf("a mean of %d: kind %d, a mean of %d, correlation %.2f", n, s.Kind, s.Long, s.apart(n))
		}
		if n <= 5 {
			if sd := math.Sqrt(f.l.c.Noise.variance()); sd < 4.8 || sd > 10 { // the rounding of the mean counts n times
				t.Errorf("a mean of %d: noise %.1f, it is 6", n, sd)
			}
		}
	}
}

// days feeds a lamp that is lit for 20 to 200 minutes, again and again, and returns how many of
// its changes after the first day were not told within so many readings, and how often something
// was told that was none of them.
func (f *feeder) days(board firmware, n int, step, noise float64, within time.Duration) (missed, wrong int) {
	type change struct {
		at time.Time
		to State
	}
	var all []change
	f.sent(board, 500, 300, noise)
	end := f.at.Add(time.Duration(n) * 24 * time.Hour)
	for f.at.Before(end) {
		for _, to := range []State{Lit, Dark} {
			all = append(all, change{f.at, to})
			level := 300.0
			if to == Lit {
				level += step
			}
			f.sent(board, 20+f.r.IntN(180), level, noise)
		}
	}
	told := 0
	for _, c := range all {
		if c.at.Sub(t0) < 24*time.Hour {
			continue
		}
		found := false
		for _, v := range f.got {
			if d := v.Since.Sub(c.at); v.State == c.to && d > -2*time.Minute && d <= within {
				found = true
				told++
				break
			}
		}
		if !found {
			missed++
		}
	}
	for _, v := range f.got {
		if v.Since.Sub(t0) > 24*time.Hour {
			wrong++
		}
	}
	return missed, wrong - told
}

// A lamp before a board that smooths is told as before one that does not. Without the smoother
// nearly all of its changes are missed, but for a mean of two.
func TestBoardsThatSmooth(t *testing.T) {
	for name, board := range map[string]func() firmware{
		"as it is":     func() firmware { return asItIs },
		"share 0.7":    func() firmware { return byShareOf(0.7) },
		"share 0.5":    func() firmware { return byShareOf(0.5) },
		"share 0.3":    func() firmware { return byShareOf(0.3) },
		"share 0.2":    func() firmware { return byShareOf(0.2) },
		"share 0.1":    func() firmware { return byShareOf(0.1) },
		"mean of two":  func() firmware { return meanOf(2) },
		"mean of five": func() firmware { return meanOf(5) },
		"mean of ten":  func() firmware { return meanOf(10) },
	} {
		t.Run(name, func(t *testing.T) {
			f := feed(Config{}, time.Minute, 0)
			if missed, wrong := f.days(board(), 6, 300, 6, 3*time.Minute); missed+wrong > 2 {
				t.Errorf("%d missed, %d wrong; kind %d", missed, wrong, f.l.c.Smooth.Kind)
			}
			last := f.why[len(f.why)-1]
			if smoothed := f.l.c.Smooth.Kind != notSmoothed; strings.Contains(last, "running mean") != smoothed {
				t.Errorf("smoothed %v, and the reason is %q", smoothed, last)
			}
			if name == "share 0.3" && !strings.Contains(f.l.Aim().Hint, "running mean") {
				t.Errorf("aim says %q", f.l.Aim().Hint)
			}
		})
	}
}

// Where the smoothing comes before the noise, as by a filter before the converter, or a lamp that
// takes minutes to come up, the noise has no mark of it, and changes that are all alike have to do.
// Without that 33 to 155 of some 155 changes are missed, and up to 20 wrong ones told.
func TestSmoothedBeforeTheNoise(t *testing.T) {
	for _, c := range []struct{ share, noise float64 }{{0.6, 0.7}, {0.5, 0.7}, {0.5, 2}, {0.4, 0.7}, {0.3, 0.7}, {0.2, 0.7}} {
		t.Run(fmt.Sprintf("share %v, noise %v", c.share, c.noise), func(t *testing.T) {
			f := feed(Config{}, time.Minute, 0)
			board := byShareOf(c.share)
			missed, wrong := f.days(func(x float64) float64 { return board(x) + c.noise*f.r.NormFloat64() }, 12, 100, 0, 5*time.Minute)
			if s := f.l.c.Smooth; missed+wrong > 8 || s.Kind != byShare {
				t.Errorf("%d missed, %d wrong; kind %d, %v stays, %v fit, %v alike", missed, wrong, s.Kind, s.Stay, s.Fits, s.Alike)
			}
		})
	}
}

// A lamp's first changes before a board that smooths are told as they come, though nothing is
// known of the smoothing yet, and it is known on when that shows: its mark is in the noise, or is
// not, where it comes before that. Without looking for the shape of such changes, 113 of the 144
// are told, without keeping the lamp 124, with both 142.
func TestFirstChangesSmoothed(t *testing.T) {
	told, n := 0, 0
	for _, share := range []float64{0.7, 0.6, 0.5} {
		for _, before := range []bool{false, true} {
			for seed := range uint64(4) {
				f := feed(Config{}, time.Minute, 0).seed(seed, 3)
				board := byShareOf(share)
				sends := func(x float64) float64 { return board(x + 6*f.r.NormFloat64()/math.Sqrt(share/(2-share))) }
				if before {
					sends = func(x float64) float64 { return board(x) + 6*f.r.NormFloat64() }
				}
				f.sent(sends, 60+f.r.IntN(1000), 300, 0)
				for i := range 6 {
					f.got = nil
					f.sent(sends, 60+f.r.IntN(200), 300+180*float64((i+1)%2), 0)
					n++
					if len(f.got) == 1 && f.got[0].State == []State{Lit, Dark}[i%2] && f.got[0].Changed {
						told++
					}
				}
			}
		}
	}
	if n != 144 || told < 138 {
		t.Errorf("%d of %d told", told, n)
	}
}

// What fades so where the light moves anyway may be a cloud, and is no lamp's first change.
func TestFadesAmidMovingLight(t *testing.T) {
	for name, c := range map[string]struct {
		moves float64
		want  []State
	}{"still": {0, []State{Lit}}, "moving": {40, nil}} {
		t.Log(name)
		f := feed(Config{}, time.Minute, 3)
		sky := func(i int) float64 { return 300 + c.moves*math.Sin(float64(i)/7) }
		f.read(400, sky, 1)
		cloud := byShareOf(0.5)
		cloud(0)
		f.read(40, func(i int) float64 { return sky(400+i) + cloud(220) }, 1)
		f.want(t, c.want...)
	}
}

// Clouds that come and go like that go by all sizes, and are no smoothing.
func TestCloudsThatFade(t *testing.T) {
	for seed := range uint64(16) {
		f := feed(Config{}, time.Minute, 0).seed(seed, 3)
		cloud, lamp, light := byShareOf(0.5), 0.0, 500.0
		for range 400 {
			if light = 200 + 700*f.r.Float64(); f.r.IntN(12) == 0 {
				lamp = 300 - lamp
			}
			f.read(20+f.r.IntN(40), func(int) float64 { return cloud(light) + lamp + 6*f.r.NormFloat64() }, 1)
			if s := f.l.c.Smooth; s.Kind != notSmoothed {
				t.Fatalf("seed %d: taken for a board that smooths: %v fit, %v alike", seed, s.Fits, s.Alike)
			}
		}
	}
}

// A faint lamp before such a board is known by its noise: no difference of its changes is beyond
// ten deviations.
func TestFaintLampSmoothed(t *testing.T) {
	for _, share := range []float64{0.3, 0.25} {
		f := feed(Config{}, time.Minute, 0)
		f.sent(byShareOf(share), 1500, 300, 6)
		if missed, wrong := f.days(byShareOf(share), 8, 40, 6, 6*time.Minute); missed > 3 || wrong > 0 {
			t.Errorf("share %.1f: %d missed, %d wrong", share, missed, wrong)
		}
	}
}

// Noise that comes in such runs by itself looks like a board's smoothing until changes of the lamp
// prove sharp, be they too small to tell a share by. Such a board is read as it is then, and one
// that does smooth stays known for what it is.
func TestNoiseInRunsAndAFaintLamp(t *testing.T) {
	for seed := range uint64(6) {
		f := feed(Config{}, time.Minute, 0).seed(seed, 5)
		x, found, lost, was, raw := 0.0, false, false, uint8(notSmoothed), [half]float64{}
		runs := func(y float64) float64 {
			k := f.l.c.Smooth.Kind
			if found = found || k != notSmoothed; was != notSmoothed && k == notSmoothed {
				if v := [half]float64(f.l.c.Edges.V[nBuf-half:]); math.Abs(v[0]-raw[0]) > 1 || math.Abs(v[half-1]-raw[half-1]) > 1 {
					t.Errorf("seed %d: the last readings are %.0f, were %.0f", seed, v, raw)
				}
			}
			was = k
			x = 0.7*x + math.Sqrt(1-sq(0.7))*6*f.r.NormFloat64()
			copy(raw[:], raw[1:])
			raw[half-1] = math.Round(y + x)
			return y + x
		}
		f.sent(runs, 1000, 300, 0)
		f.days(runs, 5, 30, 0, time.Hour)
		if k := f.l.c.Smooth.Kind; !found || k != notSmoothed {
			t.Errorf("seed %d, noise in runs: found out %v, kind %d after five days", seed, found, k)
		}

		f = feed(Config{}, time.Minute, 0).seed(seed, 5)
		board, found := byShareOf(0.3), false
		share := func(y float64) float64 {
			if k := f.l.c.Smooth.Kind; k == byShare {
				found = true
			} else if found {
				lost = true
			}
			return board(y)
		}
		f.sent(share, 1000, 300, 6)
		f.days(share, 10, 40, 6, time.Hour)
		if !found || lost {
			t.Errorf("seed %d, a share: found out %v, lost again %v", seed, found, lost)
		}
	}
}

// A lamp that blinks before a board that sends a mean leaves ramps of all lengths. As long as the
// noise shows the mean, they do not speak against it.
func TestBlinkingBeforeAMean(t *testing.T) {
	for _, n := range []int{2, 5} {
		f := feed(Config{}, time.Minute, 0)
		board, found, lost := meanOf(n), false, 0
		watched := func(x float64) float64 {
			if k := f.l.c.Smooth.Kind; k == byMean {
				found = true
			} else if found {
				lost++
			}
			return board(x + 6*f.r.NormFloat64())
		}
		for range 30 {
			f.sent(watched, 300, 300, 0)
			f.read(100, func(int) float64 { return watched(300 + 300*float64(f.r.IntN(2))) }, 1)
		}
		if !found || lost > 0 {
			t.Errorf("a mean of %d: found out %v, lost for %d readings", n, found, lost)
		}
	}
}

// What the board sent is got back from what it was thought to measure.
func TestSentAgain(t *testing.T) {
	s, r := smoother{Kind: byShare, Stay: 0.5, Fits: 40}, rand.New(rand.NewPCG(7, 8))
	var sent, v [nBuf]float64
	var at [nBuf]int64
	last, now, most, off := 200.0, int64(0), 0.0, 0.0
	for i := range v {
		sent[i] = 200 + 300*float64(i/10%2) + 6*r.NormFloat64()
		times := 1 + 2*int64(btoi(i == 14)) // two were lost
		now += times * 60_000
		at[i], v[i] = now, s.measured(last, sent[i], float64(times))
		last = sent[i]
		most = math.Max(most, math.Abs(v[i]-sent[i]))
	}
	asSent(v[:], at[:], 60_000, s.stays())
	for i := 8; i < nBuf; i++ {
		off = math.Max(off, math.Abs(v[i]-sent[i]))
	}
	if off > 0.1 || most < 100 {
		t.Errorf("off by %.2f, was %.0f", off, most)
	}
}

// How far the light goes by itself is learned anew once the smoothing is found out, for the lamp's
// own slopes passed for it: the lamp's next change is told, though its first was forgotten.
func TestNextChangeIsTold(t *testing.T) {
	missed := 0
	for seed := range uint64(10) {
		f := feed(Config{}, time.Minute, 0).seed(seed, 21)
		board := meanOf(3)
		f.sent(board, 300, 300, 6)
		f.sent(board, 200, 1200, 6)
		if f.l.c.Smooth.Kind != byMean {
			t.Fatalf("seed %d: not found out", seed)
		}
		f.got = nil
		f.sent(board, 40, 300, 6)
		if len(f.got) != 1 || f.got[0].State != Dark {
			missed++
		}
	}
	if missed > 0 {
		t.Errorf("%d of 10 not told", missed)
	}
}

// Outliers decay before a board that smooths as changes do, and go the other way; one of them or
// two amid a change look sharp, and do not hide for good how the board smooths.
func TestOutliersBeforeSmoothing(t *testing.T) {
	for _, share := range []float64{0.3, 0.2} {
		for seed := range uint64(3) {
			f := feed(Config{}, time.Minute, 0).seed(seed, 15)
			board := byShareOf(share)
			outliers := func(y float64) float64 {
				if f.r.IntN(100) == 0 {
					y += 100
				}
				return board(y)
			}
			f.sent(outliers, 1000, 300, 6)
			missed, wrong := f.days(outliers, 10, 60, 6, 10*time.Minute)
			if k := f.l.c.Smooth.Kind; k != byShare || missed+wrong > 40 {
				t.Errorf("share %.1f, seed %d: kind %d, %d missed, %d wrong", share, seed, k, missed, wrong)
			}
		}
	}
}

// Boards that do not smooth are not taken for such: a lamp that is sharp, that blinks, or whose
// board averages over its interval; clouds, also such as fade by the same share each minute,
// though they are many more than the lamp's changes; noise in runs.
func TestPlainBoards(t *testing.T) {
	turned := func(name string, f *feeder) {
		t.Helper()
		if k := f.l.c.Smooth.Kind; k != notSmoothed {
			t.Errorf("%s: kind %d", name, k)
		}
	}
	f := feed(Config{}, time.Minute, 6)
	for i := range 60 {
		f.read(70, flat(300+380*float64(i%2)), 1)
		turned("sharp", f)
	}
	f = feed(Config{}, time.Minute, 6)
	for i := range 40 {
		f.read(100, anywhere(uint64(i), 300, 380), 1)
		f.read(60, flat(300), 1)
		turned("blinking before a board that averages", f)
	}
	f = feed(Config{}, time.Minute, 6)
	for i := range 80 {
		from, to := 300+380*float64(i%2), 680-380*float64(i%2)
		f.read(60, flat(from), 1)
		f.read(1, flat(from+(to-from)*f.r.Float64()), 1)
		turned("averaging over the interval", f)
	}
	f = feed(Config{}, time.Minute, 6)
	cloud, sun := 0.0, 0.0
	for d := range 5 {
		f.read(700, flat(200), 1) // night
		for range 24 {
			sun = 700 * f.r.Float64()
			f.read(30, func(int) float64 { cloud += 0.3 * (sun - cloud); return 200 + cloud }, 1)
		}
		sun = 0
		f.read(20, func(int) float64 { cloud += 0.3 * (sun - cloud); return 200 + cloud }, 1)
		turned(fmt.Sprint("clouds that fade, day ", d), f)
	}
	f = feed(Config{}, time.Minute, 0)
	x := 0.0
	f.read(8000, func(int) float64 { x = 0.3*x + 6*f.r.NormFloat64(); return 300 + x }, 1)
	turned("noise in runs", f)
}

// A board whose smoothing is taken out of its firmware is read as it is soon after, and one that
// restarts, and begins with what it measures, is not.
func TestSmoothingEnds(t *testing.T) {
	f := feed(Config{}, time.Minute, 0)
	f.days(byShareOf(0.3), 3, 300, 6, time.Hour)
	if f.l.c.Smooth.Kind != byShare {
		t.Fatal("not known")
	}
	for range 10 {
		f.sent(byShareOf(0.3), 300, 300, 6)
	}
	if f.l.c.Smooth.Kind != byShare {
		t.Error("a board that restarts is taken for another one")
	}
	f.got = nil
	if missed, wrong := f.days(asItIs, 6, 300, 6, 3*time.Minute); missed > 26 || wrong > 3 {
		t.Errorf("%d missed, %d wrong", missed, wrong)
	}
	if f.l.c.Smooth.Kind != notSmoothed {
		t.Error("it is still thought to smooth")
	}
}

// Levels that a person set are for what the board sends.
func TestSmoothedByHand(t *testing.T) {
	f := feed(Config{Manual: Levels{OnAbove: 500, OffBelow: 400}}, time.Minute, 0)
	board := byShareOf(0.3)
	f.sent(board, 2000, 300, 1)
	for i := range 8 {
		f.sent(board, 60, 300+300*float64((i+1)%2), 1)
	}
	if f.l.c.Smooth != (smoother{}) || len(f.got) != 8 {
		t.Errorf("%+v, %d told", f.l.c.Smooth, len(f.got))
	}
}

// Lit and dark as a person says are what the board measured, and not what it sends.
func TestTeachSmoothed(t *testing.T) {
	f := feed(Config{}, time.Minute, 0)
	board := byShareOf(0.3)
	f.sent(board, 2000, 300, 6)
	if f.l.c.Smooth.Kind != byShare {
		t.Fatal("not known")
	}
	f.l.Teach(f.at, Dark)
	f.sent(board, 2, 600, 6)
	f.l.Teach(f.at, Lit)
	if step := f.l.c.F.Step; math.Abs(step-300) > 60 {
		t.Errorf("the step is %.0f", step)
	}
}

// Where the light slides all the time its differences are alike, and next to no noise is left.
func TestSlopeHasNoNegativeNoise(t *testing.T) {
	s := smoother{Kind: byShare, Stay: 0.94, Fits: 40, Weight: 100}
	s.Lag[0], s.Lag[1] = 900, 905
	if v := s.variance(); v != 0 {
		t.Errorf("variance %v", v)
	}
}

// A sensor handled in the first hours is learned anew, and how its board smooths is not.
func TestHandledSmoothed(t *testing.T) {
	f := feed(Config{}, time.Minute, 0)
	f.l.c.Smooth = smoother{Kind: byShare, Stay: 0.7, Fits: 30, N: 100, Y: 300, Usual: 1, Blocks: 9, Low: 0.6, Weight: 100}
	f.l.c.Smooth.Lag[0] = 380
	board := byShareOf(0.3)
	f.sent(board, 30, 300, 6)
	before, anew := f.l.c.N, false
	for _, x := range []float64{900, 500, 800, 300} { // taken off, turned, put on
		f.sent(board, 3, x, 6)
	}
	for range 6 {
		n := f.l.c.N
		f.sent(board, 1, 300, 6)
		if f.l.c.N < n { // the last reading is shown as it was sent
			anew = true
			if got, sent := f.l.Aim().Value, f.l.c.Smooth.Y; got != sent {
				t.Errorf("the last reading is %v, it was sent as %v", got, sent)
			}
		}
	}
	if !anew {
		t.Error("it is not learned anew")
	}
	if s := &f.l.c.Smooth; f.l.c.N > before || s.Kind != byShare || s.N != 148 {
		t.Errorf("%d readings, kind %d, %d smoothed", f.l.c.N, s.Kind, s.N)
	}
	for i, v := range f.l.c.Edges.V[nBuf-int(f.l.c.Edges.N):] {
		if math.Abs(v-300) > 30 {
			t.Errorf("reading %d is %.0f", i, v)
		}
	}
}

// Steps of the converter that hide the noise do not hide how a large lamp changes.
func TestCoarselySmoothed(t *testing.T) {
	f := feed(Config{}, time.Minute, 0)
	board := byShareOf(0.4)
	eights := func(x float64) float64 { return math.Round(board(x)/8) * 8 }
	if missed, wrong := f.days(eights, 6, 900, 1, 3*time.Minute); missed+wrong > 2 || f.l.c.Smooth.Low != -1 {
		t.Errorf("%d missed, %d wrong; low %v", missed, wrong, f.l.c.Smooth.Low)
	}
}

// Noise that hardly goes back, as light that slides leaves it, makes no share of nothing.
func TestHintIsBounded(t *testing.T) {
	s := smoother{Kind: byShare, Hint: 0.8, Blocks: 30, Weight: 100}
	s.Lag[0] = 100
	s.marks()
	if x := s.measured(300, 300, 1); s.Hint > mostStay || x != 300 {
		t.Errorf("%v stays, and 300 after 300 is %v", s.Hint, x)
	}
}

// Whatever comes once it is known that a board smooths, nothing that is learned by it is no
// number, or one that a snapshot would not take.
func TestSmoothedExtremes(t *testing.T) {
	for name, board := range map[string]func() firmware{"share": func() firmware { return byShareOf(0.2) }, "mean": func() firmware { return meanOf(6) }} {
		for _, lower := range []bool{false, true} {
			f := feed(Config{LitLower: lower}, time.Minute, 0)
			f.sent(board(), 1500, 300, 6)
			kind := f.l.c.Smooth.Kind
			if kind == notSmoothed {
				t.Fatalf("%s: not known", name)
			}
			for i, x := range []float64{300, 1e12, -1e12, 0, 1e-300, 5e11, 300, 300.5, 4095, 0, 4095} {
				for _, n := range []int{1, 700, 3} {
					f.read(n, flat(x), 0)
				}
				f.at = f.at.Add(time.Duration(i) * time.Hour)
				b, err := f.l.MarshalBinary()
				if err == nil {
					err = new(Learner).UnmarshalBinary(b)
				}
				if err != nil {
					t.Fatalf("%s, lower %v, after %g: %v", name, lower, x, err)
				}
			}
			if v := f.l.Verdict(); !finite(v.OnAbove) || !finite(v.OffBelow) || !finite(f.l.Aim().Separation) {
				t.Errorf("%s: %+v", name, v)
			}
		}
	}
}
