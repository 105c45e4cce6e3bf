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
	V    [nBuf]float64 // last readings, newest last
	T    [nBuf]int64
	N    uint32 // readings in V
	E    [nEdges]edge
	NE   uint32 // edges in E, oldest first
	Wait uint32 // readings to wait before the next edge may be seen
	Next change // a small one that has yet to show that it holds; Next.N is 0 if none
}

func (e *edges) push(ms int64, y float64) {
	copy(e.V[:], e.V[1:])
	copy(e.T[:], e.T[1:])
	e.V[nBuf-1], e.T[nBuf-1] = y, ms
	if e.N < nBuf {
		e.N++
	}
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
	if (common > 0) == (size > 0) && sq(common) > least2*s2/84 {
		size -= mul(half, common)
		if sq(size) < 9*least || math.Abs(size) < half*math.Abs(common) {
			return edge{}, false
		}
	}
	if turn := sq(sPost - sPre); !e.abrupt(cut, size, floor) && (mul(turn, half*half) > mul(0.12, sq(size)) && turn > mul(12.0/42, s2) ||
		vPost > 9*math.Max(vPre, floor) && vPost > mul(0.005, sq(size))) {
		return edge{}, false
	}
	e.Wait = half - 1
	return edge{At: e.T[cut], Size: size, Leap: e.leap(cut), SD: math.Sqrt(s2), From: pre}, true
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
	return jump > 5*most && jump > mul(0.8, math.Abs(size)) && sq(jump) > 625*floor
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
	return math.Abs(x.Size) > mul(25, sd) && e.returned(x) == 1 && math.Abs(back) < 0.2
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

func (e *edges) record(x edge) {
	if e.NE == nEdges { // drop the oldest that is not credible, else the oldest
		old := 0
		for i := range e.E {
			if e.E[i].credit() == 0 {
				old = i
				break
			}
		}
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
	if math.Abs(x.Size) > 25*x.SD {
		least = 0.3
		if x.Leap > 0.9*math.Abs(x.Size) {
			least = 0.6
		}
	}
	return clamp((0.5-x.Act)/0.25, least, 1)
}

// unrest is what an edge counts less for amid moving light: 1 in still light.
func (x *edge) unrest() float64 { return 1 + sq(mul(6, x.Act)) }

// evidence weighs, as the logarithm of a likelihood ratio, how much better a
// lamp of this step explains the edges of about its size than clouds do.
//
// Clouds would spread the sizes log-uniformly, so that among n others between
// 1/1.6 and 1.6 times the size n*width/(size*ln 2.56) would fall as close as
// these; a lamp's edges come on top of that (Poisson), scatter no more than
// their readings do, come at all hours (watched tells for how many they could have),
// and alternate in sign except where one went unseen. An edge of another size
// amid moving light counts for other: clouds that make sharp edges at all make
// them of this size, too.
func (e *edges) evidence(size, watched, other float64) (ev, mean float64, n int) {
	k, others, turns, wrong := 0.0, 1.0, 0.0, 0.0
	width, last, sum, sum2, spread := 0.0, 0.0, 0.0, 0.0, 0.0
	var at [nEdges]int64
	for i := range e.E[:e.NE] {
		x := &e.E[i]
		a := math.Abs(x.Size)
		if a < size/1.6 || a > 1.6*size {
			continue
		}
		w := x.credit()
		tol := x.tolerance(size)
		d := a - size
		if math.Abs(d) > tol {
			others += math.Max(w, other)
			continue
		}
		if w == 0 { // no evidence, but it may be the turn between two that are
			last = x.Size
			continue
		}
		at[n] = x.At % dayMS
		n++
		k += w
		sum += mul(w, d)
		sum2 += mul(w, sq(d))
		spread += mul(w, sq(0.4*tol))
		width += mul(w, 2*tol)
		if last != 0 {
			if (x.Size > 0) != (last > 0) {
				turns += w
			} else {
				wrong += w
			}
		}
		last = x.Size
	}
	if n == 0 {
		return 0, 0, 0
	}
	chance := others * (width / k) / (size * 0.94)
	if k > chance {
		ev = mul(k, ln(k/chance)) - (k - chance)
	}
	// scatter beyond what the readings' noise explains (chi square)
	if excess := (sum2 - sq(sum)/k) / (spread / k); excess > k {
		ev -= mul(0.5, excess-k)
	}
	// Clouds come by day: their edges crowd into a part of it. They do not keep
	// to less than eight hours for days on end: that is a lamp of fixed hours.
	const daylight = 8
	if share := math.Max(crowd(at[:n]), daylight) / math.Min(watched, 24); share > 0 && share < 1 {
		ev += math.Min(mul(k/float64(n), ln(float64(n))+mul(float64(n-1), ln(share))), 0)
	}
	// a lamp alternates 9 times in 10, clouds 7 times in 10
	return ev + mul(0.25, turns) - mul(1.1, wrong), size + sum/k, n
}

const dayMS = 86_400_000

// crowd is the length, in hours, of the shortest part of the day that holds
// all these times of the day (ms).
func crowd(at []int64) float64 {
	slices.Sort(at)
	gap := at[0] + dayMS - at[len(at)-1]
	for i := 1; i < len(at); i++ {
		gap = max(gap, at[i]-at[i-1])
	}
	return math.Max(float64(dayMS-gap)/3_600_000, 1)
}

// spread is the shortest part of the day, in hours, that holds the credible
// edges of this size.
func (e *edges) spread(step float64) float64 {
	var at [nEdges]int64
	n := 0
	for i := range e.E[:e.NE] {
		if x := &e.E[i]; x.speaks(step) {
			at[n] = x.At % dayMS
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return crowd(at[:n])
}

// days is how many days the collected edges span.
func (e *edges) days() float64 {
	if e.NE == 0 {
		return 0
	}
	return float64(e.E[e.NE-1].At-e.E[0].At) / dayMS
}

// tolerance is how far from size the edge may be to be of that size: 2.5
// standard errors and a little.
func (x *edge) tolerance(size float64) float64 { return mul(0.03, size) + mul(1.5, x.SD) }

// speaks tells whether it is a credible edge of this size.
func (x *edge) speaks(size float64) bool {
	return math.Abs(math.Abs(x.Size)-size) <= x.tolerance(size) && x.credit() > 0
}

// measure gives the mean of the last edges of about this step, each by its
// trust: one in still light tells the step to a part of the noise, one amid
// clouds hardly anything.
func (e *edges) measure(step float64) (mean float64, ok bool) {
	sw, fade := 0.0, 1.0
	for i := int(e.NE) - 1; i >= 0; i-- {
		x := &e.E[i]
		d := math.Abs(x.Size) - step
		if math.Abs(d) > 0.25*step {
			continue
		}
		w := fade / (mul(0.36, sq(x.SD)) + sq(mul(0.15, mul(x.Act, step))) + sq(0.005*step))
		sw += w
		mean += mul(w, d)
		fade *= 0.9
	}
	if sw == 0 {
		return step, false
	}
	return step + mean/sw, true
}

// dwarfed tells whether credible edges were seen that are much larger.
func (e *edges) dwarfed(step float64) bool {
	for i := range e.E[:e.NE] {
		if x := &e.E[i]; math.Abs(x.Size) > 1.5*step && x.credit() > 0.4 {
			return true
		}
	}
	return false
}

// daily tells whether the edges of this size come at the same hours on
// several days, as those of a room's light do. One of eight may come at another:
// a cloud's edge of the same size.
func (e *edges) daily(step float64) bool {
	var at [2][nEdges]int64
	var n [2]int
	for i := range e.E[:e.NE] {
		x := &e.E[i]
		if !x.speaks(step) {
			continue
		}
		k := 0
		if x.Size < 0 {
			k = 1
		}
		at[k][n[k]] = x.At
		n[k]++
	}
	all := n[0] + n[1]
	return all >= 3 && all-together(at[0][:n[0]])-together(at[1][:n[1]]) <= all/8
}

// together is the largest number of these times (ms, ascending) that lie within an
// hour and a half of one time of the day, one a day.
func together(at []int64) (most int) {
	const slack = 5_400_000 // ms
	for _, ref := range at {
		n, last := 0, int64(math.MinInt64/2)
		for _, t := range at {
			d := (t - ref) % dayMS
			if d < 0 {
				d += dayMS
			}
			if (d <= slack || d >= dayMS-slack) && t-last >= dayMS/2 {
				n, last = n+1, t
			}
		}
		most = max(most, n)
	}
	return most
}

// fit finds the step that the collected edges speak for, with its evidence.
// Of two that qualify it takes the larger: room lights are no lamps. Where the
// light is known never to move by itself (still), less evidence will do. Where
// it moves (by moves counts; infinite if that is not known yet) nearly as far as
// the step, edges that slide are no lamp's; and of edges in two readings each,
// which may be a cloud's or of a board that averages, many are asked for if they
// come at the same hours each day. sd is the readings' noise.
func (e *edges) fit(watched float64, still bool, moves, sd float64) (step, evidence float64) {
	const other = 0.3
	for i := range e.E[:e.NE] {
		x := &e.E[i]
		ev, mean, n := e.evidence(math.Abs(x.Size), watched, other)
		least := 6.0
		switch {
		case n == 2:
			least = 4.5
		case still:
			least = 2
		}
		if n < 2 || ev < least {
			continue
		}
		daily := e.daily(mean)
		if moves > 0.4*mean {
			if share, _ := e.sharp(mean, sd); share < 0.7 || share < 0.85 && daily && n < 16 {
				continue
			}
		}
		if e.dwarfed(mean) && (daily || ev < 12) || daily && n < 8 {
			continue
		}
		if step == 0 || mean > 1.3*step || mean > 0.77*step && ev > evidence {
			step, evidence = mean, ev
		}
	}
	return step, evidence
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
	return lo, hi, 7, flips > 7 && sq(hi-lo) > 625*floor
}

// sharp is the mean share of their size that the edges of about this step made
// from one reading to the next, allowing for the readings' noise (sd), and how
// many they are: about 1 for a lamp, 0.75 where the board averages over its
// interval, less for light that slides.
func (e *edges) sharp(step, sd float64) (share float64, n int) {
	for i := range e.E[:e.NE] {
		x := &e.E[i]
		if a := math.Abs(x.Size); math.Abs(a-step) < 0.25*step {
			// the least of three differences is by 1.2 sd less than their mean
			share += clamp((x.Leap+mul(1.2, sd))/a, 0, 1.2)
			n++
		}
	}
	if n > 0 {
		share /= float64(n)
	}
	return share, n
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
	if sq(size) < 625*s2 {
		return edge{}, 0, false
	}
	for i, v := range e.V {
		if (i < start || i >= back) && math.Abs(v-level) > 0.2*math.Abs(size) {
			return edge{}, 0, false
		}
	}
	return edge{At: e.T[back], Size: size, Leap: e.leap(back), SD: math.Sqrt(s2), From: level - size}, e.leap(start), true
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

// change is a small change of level, seen by what follows it.
type change struct {
	Edge  edge
	Pre   float64 // level before it, counts
	Post  float64 // mean of the readings after it, as first seen, counts
	Brink float64 // of the two readings on either side: how far they are off their levels towards the other, weighted, counts; 0.4 of the size less for light that slid
	N     uint32  // readings after it
	S, I  float64 // of them, about Post: sum, and sum weighted by their number from 0
	SS    float64 // sum of squares
}

// add takes one more reading of the new level.
func (x *change) add(y float64) {
	d := y - x.Post
	x.S += d
	x.I += mul(float64(x.N), d)
	x.SS += sq(d)
	x.N++
}

// size is the difference of the two levels.
func (x *change) size() float64 { return x.Post + x.S/float64(x.N) - x.Pre }

// variance is that of the readings after it.
func (x *change) variance() float64 {
	n := float64(x.N)
	return math.Max(x.SS-sq(x.S)/n, 0) / (n - 1)
}

// slope is how far the new level rose on, all over, by least squares, as a
// share of the size.
func (x *change) slope() float64 {
	n := float64(x.N)
	return (x.I - mul(mul(0.5, n-1), x.S)) * 12 / (sq(n) - 1) / x.size()
}

// slid is how much the readings on either side were off their levels, as a share of
// the size: 0 for a change from one reading to the next, 0.4 if the light slid
// in five readings: then the two on either side are off by 0.2 and 0.4.
func (x *change) slid() float64 { return (x.Brink + mul(0.6, x.Post+x.S/float64(x.N))) / x.size() }

// held looks for a small change of level by what follows it: the readings kept
// from cut on lie flat on a new level, at least so many (least) standard
// deviations from the one before (pre), and of all cuts between the two this
// one serves best. An edge of four standard deviations is often too blurred by
// its own readings to be seen by detect, and one reading does not tell whether
// it slid: four together do, against a slope of five.
func (e *edges) held(cut int, pre, floor, least float64) (x change, ok bool) {
	if e.N < nBuf {
		return change{}, false
	}
	post := 0.0
	for _, v := range e.V[cut:] {
		post += v / float64(nBuf-cut)
	}
	size := post - pre
	if sq(size) < mul(sq(least), floor) {
		return change{}, false
	}
	sum, best, at := 0.0, 0.0, 0
	for i, v := range e.V[:cut+4] {
		sum += mul(size, mul(0.5, pre+post)-v) // what it gains to take reading i for the old level
		if sum > best {
			best, at = sum, i+1
		}
	}
	if at != cut {
		return change{}, false
	}
	x = change{Pre: pre, Post: post}
	for _, y := range e.V[cut:] {
		x.add(y)
	}
	// the four are weighted so that a slope of five counts most
	x.Brink = mul(0.2, e.V[cut-2]-pre-e.V[cut+1]) + mul(0.4, e.V[cut-1]-pre-e.V[cut])
	v, slope, slid := x.variance(), x.slope(), x.slid()
	if v > 3*floor || slope > 0.8 || slope < -0.8 || slid > 0.2 { // one that goes on is a dawn
		return change{}, false
	}
	x.Edge = edge{At: e.T[cut], Size: size, Leap: e.leap(cut), SD: math.Sqrt(math.Max(v, floor)), From: pre}
	return x, true
}

// steep is the largest slope of a level that holds.
const steep = 0.3

// holds tells whether the new level is as flat and as quiet as it should be, by
// the readings so far: a half more is what chance makes of the noise.
func (x *change) holds(floor float64) bool {
	return x.slope() < steep && x.slope() > -0.4 && x.variance() < mul(1+6/math.Sqrt(float64(x.N)), floor) && x.slid() < 0.2
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

// replaced tells whether edges of this smaller step, hardly seen before the last of
// the old step, have come in its place since, up and down in turn, though the old
// one came so often that its absence is no chance: the sensor slipped or was moved.
func (e *edges) replaced(step, old float64, now int64) bool {
	from, to, n := int64(0), int64(0), 0
	for i := range e.E[:e.NE] {
		x := &e.E[i]
		if x.speaks(old) || math.Abs(math.Abs(x.Size)-old) < 0.1*old {
			if n == 0 {
				from = x.At
			}
			to = x.At
			n++
		}
	}
	if n < 2 || float64(now-to)*float64(n-1) < 6*float64(to-from) {
		return false
	}
	since, odd, last := 0, 0, 0.0
	for i := range e.E[:e.NE] {
		x := &e.E[i]
		if !x.speaks(step) {
			continue
		}
		switch {
		case x.At <= to, (x.Size > 0) == (last > 0) && last != 0:
			odd++
		case x.Act < 0.25:
			since++
		}
		last = x.Size
	}
	return since >= max(5, 12-2*n) && 4*odd <= since && !e.daily(step)
}
