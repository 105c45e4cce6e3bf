package learn

import (
	"math"
	"slices"
)

// Until the lamp's step is known, and to keep knowing it, the learner collects
// sharp edges: eight readings on one level, then eight on another, with the
// cut in between. A lamp makes edges of one size, up and down in turn; clouds
// make them of all sizes.

const (
	half   = 8          // readings on either side of a cut
	nBuf   = 2*half + 4 // readings kept
	nEdges = 48
)

// edge is one sharp change of level.
type edge struct {
	At   int64   // time of the first reading after it, Unix ms
	Size float64 // counts, signed
	SD   float64 // standard deviation of the readings about their two levels
	From float64 // level before
	Leap float64 // how much of |Size| came from one reading to the next, counts
	Act  float64 // movement of the ambient in the hours before, as a share of |Size|
}

// edges is the detector and its memory.
type edges struct {
	bend
	V      [nBuf]float64 // last readings, newest last
	T      [nBuf]int64
	N      uint32 // readings in V
	E      [nEdges]edge
	NE     uint32  // edges in E, oldest first
	Wait   uint32  // readings to wait before the next edge may be seen
	Whole  uint32  // readings since some were mended
	Ripple float64 // of the edge the last reading made plain, as ripples has it; -1: there was none
	Passer float64 // size of a light that is only lit (below 0: dark) for moments, counts; 0: none is known
	Next   change  // a small one that has yet to show that it holds; Next.N is 0 if none
}

func (e *edges) push(ms int64, y float64) {
	copy(e.V[:], e.V[1:])
	copy(e.T[:], e.T[1:])
	e.V[nBuf-1], e.T[nBuf-1] = y, ms
	e.Ripple = -1
	e.Whole = min(e.Whole+1, math.MaxUint32-1)
	if e.N < nBuf {
		e.N++
	}
}

// mend puts the reading before them in place of a few readings at the lower end of the
// converter's range, once the reading after them is back at it: a battery gave way for a
// moment, or a contact was loose. What does so again and again may be the lamp.
func (e *edges) mend() {
	const again = 60 // readings
	i := nBuf - 2
	for i > nBuf-2-loose && e.V[i] == e.V[nBuf-2] {
		i--
	}
	level := e.V[i]
	if e.N < nBuf || e.Whole < again || !isEnd(math.Abs(e.V[nBuf-2])) || e.V[nBuf-2] >= level || math.Abs(e.V[nBuf-1]-level) > mul(0.3, level-e.V[nBuf-2]) {
		return
	}
	for j := i + 1; j < nBuf-1; j++ {
		e.V[j] = level
	}
	e.Whole = 0
}

// level is the mean and variance of eight readings without the two farthest
// from their median; the variance is that of a Gaussian cut so.
func level(v [half]float64) (mean, variance float64) {
	slices.Sort(v[:])
	s := v[:]
	for range 2 {
		n := len(s)
		if med := mul(0.5, s[(n-1)/2]+s[n/2]); med-s[0] > s[n-1]-med {
			s = s[1:]
		} else {
			s = s[:n-1]
		}
	}
	for _, x := range s {
		mean += x
	}
	mean /= half - 2
	for _, x := range s {
		variance += sq(x - mean)
	}
	return mean, variance / (half - 3) * 1.9
}

// detect looks for an edge whose first new reading lies half readings back.
func (e *edges) detect(floor float64, still bool) (edge, bool) {
	waits := e.Wait > 0
	if waits {
		e.Wait--
	}
	const cut = nBuf - half // first reading of the new level
	if e.N < nBuf {
		return edge{}, false
	}
	post, vPost := level([half]float64(e.V[cut:]))
	pre, vPre := level([half]float64(e.V[cut-half : cut]))
	size := post - pre
	s2 := math.Max(0.5*(vPre+vPost), floor)
	least := s2
	if s2 < 2*floor { // no more than chance would do
		least = floor
	}
	if sq(size) < 9*least || waits && (e.NE == 0 || math.Abs(size) < 4*math.Abs(e.E[e.NE-1].Size)) {
		return edge{}, false
	}
	// the cut is between exactly these two readings, but one reading may lie
	// in between: a sensor that averages over its interval
	a, b := (e.V[cut-1]-pre)/size, (e.V[cut]-pre)/size
	if !(a < 0.5 && b >= 0.5) && !(a < 0.3 && b > 0.3) {
		return edge{}, false
	}
	if sq(size) < 81*s2 && e.later(cut, pre, size) {
		return edge{}, false
	}
	// nearly all readings are on their side
	wrong := 0
	for i := cut - half; i < nBuf; i++ {
		if ((e.V[i]-pre)/size > 0.5) != (i >= cut) {
			wrong++
		}
	}
	if wrong > 2 {
		return edge{}, false
	}
	e.Ripple = e.ripples(cut, size, floor, vPre, vPost)
	// a cloud's edge ends in a slope: the new level must be as flat as noise
	// or as the old level was; and a steady slope is no edge
	sPre, sPost, most := 0.0, 0.0, 0.3*math.Abs(size)
	for i := range half {
		x := float64(i) - 3.5
		sPre += mul(x, clamp(e.V[cut-half+i]-pre, -most, most))
		sPost += mul(x, clamp(e.V[cut+i]-post, -most, most))
	}
	sPre, sPost = sPre/42, sPost/42 // 42 is the sum of x*x
	least2 := 2.0                   // squared standard errors
	if still {
		least2 = 6
	}
	// The reading in between of a board that averages over its interval tells
	// no slope. Where the light moves it may well be a cloud's.
	common := mul(0.5, sPre+sPost)
	if d := e.V[cut-1] - pre; a > 0.1 && s2 < 2*floor && sq(d) > 9*s2 {
		common -= mul(0.5*3.5/42, clamp(d, -most, most))
	}
	if d := e.V[cut] - post; b < 0.9 && s2 < 2*floor && sq(d) > 9*s2 {
		common += mul(0.5*3.5/42, clamp(d, -most, most))
	}
	if e.Ripple <= 0 && (common > 0) == (size > 0) && sq(common) > least2*s2/84 {
		size -= mul(half, common)
		if sq(size) < 9*least || math.Abs(size) < half*math.Abs(common) {
			return edge{}, false
		}
	}
	if turn := sq(sPost - sPre); e.Ripple <= 0 && !e.abrupt(cut, size, floor) && (mul(turn, half*half) > mul(0.12, sq(size)) && turn > mul(12.0/42, s2) ||
		vPost > 9*math.Max(vPre, floor) && vPost > mul(0.005, sq(size))) {
		return edge{}, false
	}
	e.Wait = half - 1
	return edge{At: e.T[cut], Size: size, Leap: e.leap(cut), SD: math.Sqrt(s2), From: pre}, true
}

// fades tells whether the change half readings back is that of a board that smooths by a share:
// each of its differences is the same share (stay) of the one before it. left is what its first
// reading lacks of the new level.
func (e *edges) fades(floor, quantum float64) (stay, left float64, ok bool) {
	const (
		cut = nBuf - half
		of  = 4 // differences
	)
	sd := math.Max(math.Sqrt(floor), mul(0.6, quantum)) // of a few of the converter's steps nobody can tell
	var d [of]float64
	for i := range d {
		d[i] = e.V[cut+i] - e.V[cut+i-1]
	}
	if e.N < nBuf || math.Abs(d[0]) < mul(8, sd) {
		return 0, 0, false
	}
	var xy, xx float64
	for i := 1; i < of; i++ {
		xy += mul(d[i], d[i-1])
		xx += sq(d[i-1])
	}
	// More is hardly over within half readings, and clouds go by like that, too.
	const least, most = 0.12, 0.65
	if stay = xy / xx; stay < least || stay > most {
		return 0, 0, false
	}
	for i := 1; i < of; i++ {
		if math.Abs(d[i]-mul(stay, d[i-1])) > mul(4, sd)+mul(0.03, math.Abs(d[0])) {
			return 0, 0, false
		}
	}
	return stay, mul(stay/(1-stay), d[0]), true
}

// settle makes a change from one reading to the next of what fades found.
func (e *edges) settle(stay, left float64) {
	for i := nBuf - half; i < nBuf; i++ {
		e.V[i] += left
		left = mul(stay, left)
	}
}

// ripples is what the variance of the lit level is more than that of the dark one, as a share
// of size squared, as of a lamp that flickers with the mains and is read at chance moments: the
// dark level is as flat as noise, and the readings of the lit one differ by chance, none of them
// near the dark one. 0 where they do not, -1 where the light moves and nobody knows.
func (e *edges) ripples(cut int, size, floor, vPre, vPost float64) float64 {
	// A lamp that swings between dark and bright a hundred times a second, before a sensor of
	// some tens of milliseconds, makes a twentieth at most (common practice, no source).
	const most = 0.05
	dark, lit, vDark, vLit := e.V[cut-half:cut], e.V[cut:cut+half], vPre, vPost
	if size < 0 {
		dark, lit, vDark, vLit = lit, dark, vPost, vPre
	}
	if vDark > mul(3, floor) {
		return -1
	}
	if vLit < 4*math.Max(vDark, floor) || slices.Min(lit)-slices.Max(dark) < mul(0.4, math.Abs(size)) {
		return 0
	}
	mean, sum, turns := 0.0, 0.0, 0.0
	for _, y := range lit {
		mean += mul(1.0/half, y)
	}
	for i, y := range lit {
		sum += sq(y - mean)
		if i > 0 {
			turns += sq(y - lit[i-1])
		}
	}
	if turns < 0.8*sum { // by chance twice that (von Neumann's ratio), of a slope far less
		return 0
	}
	// A blinking lamp before a board that averages reads bright, and now and then less.
	v := [half]float64(lit)
	slices.Sort(v[:])
	if v[half-1]-mul(0.5, v[half/2-1]+v[half/2]) < mul(0.15, v[half-1]-v[0]) {
		return 0
	}
	if share := (sum/(half-1) - vDark) / sq(size); share < most {
		return share
	}
	return 0
}

// later tells whether a cut up to four readings after this one divides the two levels
// better: noise near half of a small size may put a reading on either side.
func (e *edges) later(cut int, pre, size float64) bool {
	sum := 0.0
	for _, v := range e.V[cut : cut+4] {
		sum += clamp((v-pre)/size, -0.5, 1.5) - 0.5
		if sum < 0 {
			return true
		}
	}
	return false
}

// abrupt tells whether all of size came from reading k-1 to k, many times what
// the readings on either side changed from one to the next: however restless
// the light, it did not do that.
func (e *edges) abrupt(k int, size, floor float64) bool {
	jump, most := math.Abs(e.V[k]-e.V[k-1]), 0.0
	for i := k - half + 1; i < nBuf; i++ {
		if i != k {
			most = math.Max(most, math.Abs(e.V[i]-e.V[i-1]))
		}
	}
	return jump > 5*most && jump > mul(0.8, math.Abs(size)) && sq(jump) > beyondRoom*beyondRoom*floor
}

// leap is how far the readings jump from k-1 to k and stay: the least of the
// differences that a single outlier could make large; 0 if they disagree.
func (e *edges) leap(k int) float64 {
	a, b, c := e.V[k]-e.V[k-1], e.V[k+1]-e.V[k-1], e.V[k]-e.V[k-2]
	if (a > 0) != (b > 0) || (a > 0) != (c > 0) {
		return 0
	}
	return math.Min(math.Abs(a), math.Min(math.Abs(b), math.Abs(c)))
}

// brief tells whether a leap at k is the beginning or the end of two readings off
// their level, which are outliers and no jump of the light.
func (e *edges) brief(k int, leap float64) bool {
	before, after := [5]float64(e.V[k-5:k]), [5]float64(e.V[k:k+5])
	slices.Sort(before[:])
	slices.Sort(after[:])
	return math.Abs(after[2]-before[2]) < mul(0.3, leap)
}

// returned counts the readings kept from after the edge that lie on its old
// level.
func (e *edges) returned(x edge) (n int) {
	for i, v := range e.V {
		if e.T[i] >= x.At && (v-x.From)/x.Size < 0.3 {
			n++
		}
	}
	return n
}

// ended tells whether all readings since the edge hold its new level but for the
// last, which is back on the old: the end of a short visit, whose beginning is
// told with it. It asks for a large one.
func (e *edges) ended(x edge, sd float64) bool {
	back := (e.V[nBuf-1] - x.From) / x.Size
	return math.Abs(x.Size) > mul(beyondRoom, sd) && e.returned(x) == 1 && math.Abs(back) < 0.2
}

// has tells whether an edge of about this size was recorded.
func (e *edges) has(size float64) bool {
	for i := range e.E[:e.NE] {
		if math.Abs(math.Abs(e.E[i].Size)-size) < 0.07*size {
			return true
		}
	}
	return false
}

// eldest is the edge to be dropped for the next one: the oldest that tells nothing,
// else the oldest of those amid moving light, if they are the most, else the oldest.
// Clouds make so many that they would push out all that the lamp showed in still light.
func (e *edges) eldest() int {
	moving, n := 0, 0
	for i := nEdges - 1; i >= 0; i-- {
		if e.E[i].credit() < 1 {
			moving = i
			n++
		}
	}
	if i := slices.IndexFunc(e.E[:], func(x edge) bool { return !x.tells() }); i >= 0 {
		return i
	}
	if n > nEdges/2 {
		return moving
	}
	return 0
}

func (e *edges) record(x edge) {
	if e.NE == nEdges {
		old := e.eldest()
		copy(e.E[old:], e.E[old+1:])
		e.NE--
	}
	e.E[e.NE] = x
	e.NE++
}

// credit is how credible an edge is by itself: all for one in still light,
// none for one amid moving light, unless it is very sharp: a part, and more if
// all of it came from one reading to the next.
func (x *edge) credit() float64 {
	least := 0.0
	if math.Abs(x.Size) > beyondRoom*x.SD {
		least = 0.3
		if x.Leap > 0.9*math.Abs(x.Size) {
			least = 0.6
		}
	}
	return clamp((0.5-x.Act)/0.25, least, 1)
}

// halfSharp tells whether all of an edge came from one reading to the next, though the light
// flickers beside it, as it does by day: it speaks for a bend, where others do as well.
func (x *edge) halfSharp() bool {
	return math.Abs(x.Size) > 12*x.SD && x.Leap > 0.9*math.Abs(x.Size)
}

// tells tells whether anything follows from the edge, be it of a bend only.
func (x *edge) tells() bool { return x.credit() > 0 || x.halfSharp() }

// unrest is what an edge counts less for amid moving light: 1 in still light.
func (x *edge) unrest() float64 { return 1 + sq(mul(6, x.Act)) }

// opening looks for an edge among the very first readings, so few that detect
// cannot see it: at least three (before) on one level, eight on another right
// after, or after one in between. The noise is hardly known yet, so it asks
// for a large one.
func (e *edges) opening(floor float64) (x edge, before int, ok bool) {
	for k := 3; k < nBuf-half; k++ {
		s := [nBuf]float64(e.V)
		slices.Sort(s[:k])
		pre, spread := mul(0.5, s[(k-1)/2]+s[k/2]), s[k-1]-s[0]
		for at := k; at <= k+1 && at+half <= nBuf; at++ {
			post, vPost := level([half]float64(e.V[at : at+half]))
			size := post - pre
			s2 := math.Max(vPost, floor)
			clear := sq(size) > 225*s2 && spread < 0.3*math.Abs(size)
			for i := at; i < at+half; i++ {
				clear = clear && (e.V[i]-pre)/size > 0.8
			}
			between := (e.V[k] - pre) / size
			if clear && (at == k || between > 0.12 && between < 0.88) {
				return edge{At: e.T[k], Size: size, Leap: e.leap(k), SD: math.Sqrt(s2), From: pre}, k, true
			}
		}
	}
	return edge{}, 0, false
}

// flicker is the variance of the last readings about a level where neighbours
// differ now up, now down, as by light that changes within the interval; 0
// where they do not, or where it is less than least. It is that of most of
// them, not of a few large ones, and changes of the lamp (step) do not count.
func (e *edges) flicker(step, least float64) float64 {
	var d [nBuf]float64
	turns, all, n := 0.0, 0.0, 0
	for i := 2; i < nBuf; i++ {
		a, b := e.V[i-1]-e.V[i-2], e.V[i]-e.V[i-1]
		if math.Abs(a) > mul(0.6, step) || math.Abs(b) > mul(0.6, step) {
			continue
		}
		turns -= mul(a, b)
		all += mul(0.5, sq(a)+sq(b))
		d[n] = math.Abs(b)
		n++
	}
	v := math.Min(turns/float64(n), sq(0.2*step))
	if n < 14 || e.N < nBuf || turns < mul(0.3, all) || v < least {
		return 0
	}
	slices.Sort(d[:n])
	// the median of a Gaussian difference is 0.954 of a reading's deviation
	if v = math.Min(v, sq(d[n/2]/0.954)); v < least {
		return 0
	}
	return v
}

// calmRun is the number of readings that show that nobody handles the sensor any
// more.
const calmRun = 5

// handled tells whether the last calmRun readings lie calm, and among those before
// them three jumps, at least, of different sizes led from level to level. Single
// outliers lead back to where they came from, and a lamp makes jumps of one size.
func (e *edges) handled() bool {
	const first = nBuf - calmRun
	oldest := nBuf - int(e.N)
	span := func(v []float64) float64 { return slices.Max(v) - slices.Min(v) }
	// a board that repeats readings looks calm between the noise's own jumps
	least := math.Max(mul(10, math.Max(span(e.V[first:]), 2)), mul(0.15, span(e.V[oldest:])))
	var sizes [nBuf]float64
	n := 0
next:
	for k := oldest + 1; k <= first; k++ {
		d := math.Abs(e.V[k] - e.V[k-1])
		if d < least || math.Abs(e.V[k+1]-e.V[k-1]) < least || k > oldest+1 && math.Abs(e.V[k]-e.V[k-2]) < least {
			continue // an outlier, or back from one
		}
		for _, x := range sizes[:n] {
			if math.Abs(x-d) < mul(0.2, math.Max(x, d)) {
				continue next
			}
		}
		sizes[n] = d
		n++
	}
	return n >= 3
}

// oldLevel is the median of the five oldest readings kept: before an edge
// that is seen only now.
func (e *edges) oldLevel() float64 {
	s := [5]float64(e.V[:5])
	slices.Sort(s[:])
	return s[2]
}
