package learn

import (
	"math"
	"slices"
)

// flips tells whether the reading is at the other level of a lamp that blinks.
func (c *core) flips(y float64) bool {
	return c.Known && c.F.best().S == Blinking && math.Abs(y-c.Noise.Last) > mul(0.5, c.F.stepNow())
}

// blinks looks at the last readings for two levels that alternate.
func (e *edges) blinks(floor float64) (lo, hi float64, flips int, ok bool) {
	if e.N < nBuf {
		return 0, 0, 0, false
	}
	// A flip is a jump by the gap, which is at least 2.5 standard deviations.
	// Most lamps are told here, before anything is sorted.
	for i := 1; i < nBuf; i++ {
		if sq(e.V[i]-e.V[i-1]) >= 6.2*floor {
			flips++
		}
	}
	if flips < 5 {
		return 0, 0, 0, false
	}
	s := e.V
	slices.Sort(s[:])
	// six readings at least on either level: four or five of twenty may be
	// outliers, all alike where the converter saturates
	gap, at := 0.0, 0
	for i := 6; i < nBuf-5; i++ {
		if g := s[i] - s[i-1]; g > gap {
			gap, at = g, i
		}
	}
	if at == 0 {
		return 0, 0, 0, false
	}
	for _, x := range s[:at] {
		lo += x
	}
	for _, x := range s[at:] {
		hi += x
	}
	lo /= float64(at)
	hi /= float64(nBuf - at)
	v := 0.0
	for i, x := range s {
		if i < at {
			v += sq(x - lo)
		} else {
			v += sq(x - hi)
		}
	}
	v = math.Max(v/(nBuf-2), floor)
	if sq(hi-lo) < 25*v || gap < 0.5*(hi-lo) {
		return e.blurs(s, floor)
	}
	mid := 0.5 * (s[at-1] + s[at])
	flips = 0
	for i := 1; i < nBuf; i++ {
		if (e.V[i] > mid) != (e.V[i-1] > mid) {
			flips++
		}
	}
	return lo, hi, flips, flips >= 5
}

// scatter is the variance of the readings kept about the nearer of two levels.
func (e *edges) scatter(lo, hi float64) float64 {
	v := 0.0
	for _, y := range e.V {
		v += math.Min(sq(y-lo), sq(y-hi))
	}
	return v / nBuf
}

// sharpened gives the two levels of a blinking lamp, of which lo and hi are the
// means, without what a board that averages blurred: that lies towards the middle.
func (e *edges) sharpened(lo, hi, floor float64) (float64, float64) {
	s := e.V
	slices.Sort(s[:])
	low := 0
	for low < nBuf && s[low] < mul(0.5, lo+hi) {
		low++
	}
	if sq(hi-lo) < 100*floor || low == 0 || low == nBuf { // noise would do more than blurring
		return lo, hi
	}
	return s[low/3], s[nBuf-1-(nBuf-low)/3]
}

// blurs looks for a lamp that blinks before a board that averages for a part of a
// flash: s, the sorted readings kept, crowd at either end (but for one outlier),
// with others in between. Light that flickers seldom comes back to just the same
// two levels.
func (e *edges) blurs(s [nBuf]float64, floor float64) (lo, hi float64, flips int, ok bool) {
	width := mul(6, math.Sqrt(floor))
	low, high := 0, 0
	for _, x := range s {
		switch {
		case math.Abs(x-s[1]) < width:
			low++
			lo += x
		case math.Abs(x-s[nBuf-2]) < width:
			high++
			hi += x
		}
	}
	if low < 5 || high < 5 || low+high > nBuf-2 { // alike and nothing in between: outliers
		return 0, 0, 0, false
	}
	lo /= float64(low)
	hi /= float64(high)
	mid := 0.5 * (lo + hi)
	for i := 1; i < nBuf; i++ {
		if (e.V[i] > mid) != (e.V[i-1] > mid) {
			flips++
		}
	}
	// more flips than 7 would speak for a lamp amid moving light, too
	return lo, hi, 7, flips > 7 && sq(hi-lo) > beyondRoom*beyondRoom*floor
}

// firstFlip is how many of the readings kept, from the oldest, lie on one side
// of mid before the first on the other.
func (e *edges) firstFlip(mid float64) int {
	i := 1
	for i < nBuf && (e.V[i] > mid) == (e.V[0] > mid) {
		i++
	}
	return i
}

// pulse looks for a visit to another level that was too short for detect: three
// to seven readings, the same level before and for eight readings after. It
// gives the visit's last edge and the leap of its first, and asks for a large
// one.
func (e *edges) pulse(floor float64) (x edge, first float64, ok bool) {
	const back = nBuf - half // first reading after it
	size := e.V[back] - e.V[back-1]
	if e.N < nBuf || sq(size) < 400*floor {
		return edge{}, 0, false
	}
	start := back - 1
	for start > 0 && math.Abs(e.V[start-1]-e.V[back-1]) < 0.3*math.Abs(size) {
		start--
	}
	if n := back - start; n < 3 || n > 7 || e.NE > 0 && e.E[e.NE-1].At >= e.T[0] && e.E[e.NE-1].At != e.T[start] {
		return edge{}, 0, false
	}
	level, variance := level([half]float64(e.V[back:]))
	var s [nBuf]float64
	n := copy(s[:], e.V[start:back])
	slices.Sort(s[:n])
	size = level - s[n/2]
	s2 := math.Max(variance, floor)
	if sq(size) < beyondRoom*beyondRoom*s2 {
		return edge{}, 0, false
	}
	for i, v := range e.V {
		if (i < start || i >= back) && math.Abs(v-level) > 0.2*math.Abs(size) {
			return edge{}, 0, false
		}
	}
	return edge{At: e.T[back], Size: size, Leap: e.leap(back), SD: math.Sqrt(s2), From: level - size}, e.leap(start), true
}
