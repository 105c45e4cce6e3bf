package learn

import (
	"math"
)

// held announces a small first change, seen by detect or not, once the new
// level has held for sixteen readings, or eleven where the step is larger: where
// no light moved so far by itself. A dawn goes on rising, a cloud's edge slides,
// and a room's light is brighter. Where the readings do not tell at once
// whether the light slid, twice as many do.
func (l *Learner) held(ms int64, floor float64) {
	c := &l.c
	if c.Edges.Next.N > 0 {
		l.longer(ms, floor)
		return
	}
	sd := math.Sqrt(floor)
	pre, seen := c.Range.M+c.Range.Off, -1 // by all readings before, not the last few
	for i := int(c.Edges.NE) - 1; i >= 0 && c.Edges.E[i].At >= c.Edges.T[1]; i-- {
		pre -= c.Edges.E[i].Size
		seen = i
	}
	cut := nBuf - 16
	x, ok := c.Edges.held(cut, pre, floor, 3)
	if !ok {
		cut = nBuf - 11
		x, ok = c.Edges.held(cut, pre, floor, 6.5)
	}
	e := x.Edge
	a := math.Abs(e.Size)
	if !ok || seen >= 0 && (seen < int(c.Edges.NE)-1 || math.Abs(c.Edges.E[seen].Size-e.Size) > mul(2, sd)) { // or more than this happened
		return
	}
	quiet := mul(1.7, sd)
	quiet += mul(0.5, c.Noise.unit()) // rounding
	quiet -= c.Range.RHi - c.Range.RLo
	calm, lively, known := c.Hours.moves()
	e.Act = clamp((c.moved(e.At)-calm-mul(1.2, sd))/a, 0, 100)
	x.Edge = e
	if seen < 0 { // large ones are for detect
		if a > mul(beyondSmall, sd) || quiet < 0 {
			return
		}
		c.Edges.record(e)
		c.Range.edge(e.Size, uint32(cut))
	}
	switch {
	case quiet < 0, e.Act > 0.2, known && lively+c.Range.Swing > mul(2.2, sd), !c.twoLevels(a, sd), !c.surpasses(e):
	case a < 2*c.Refuted, a > mul(beyondNoise, sd) || c.Noise.Block < 2 && a > mul(beyondSmall, sd), a > mul(beyondSmall, sd) && e.Leap < a-mul(2.2, sd):
	case a < mul(7, sd) && (c.Range.Minutes < 50 || e.Size < 0 && c.Range.Minutes < 60): // the noise is hardly known
	case !x.holds(floor):
		if x.N == 16 {
			c.Edges.Next = x
		}
	default:
		l.adoptFirst(e, ms, x.N)
	}
}

// longer looks again at a small first change that was in doubt, when twice as
// many readings or so tell the slope.
func (l *Learner) longer(ms int64, floor float64) {
	c := &l.c
	x := &c.Edges.Next
	x.add(c.Edges.V[nBuf-1])
	if x.N < 28 {
		return
	}
	e, held, holds := x.Edge, x.N, x.holds(floor)
	e.Size = x.size()
	*x = change{}
	if holds {
		l.adoptFirst(e, ms, held)
	}
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
func (x *change) variance() float64 { return sampleVariance(float64(x.N), x.S, x.SS) }

// slope is how far the new level rose on, all over, by least squares, as a
// share of the size.
func (x *change) slope() float64 { return risen(float64(x.N), x.S, x.I) / x.size() }

// sampleVariance is the variance of a sample of n numbers by their sum and that of their squares.
func sampleVariance(n, sum, squares float64) float64 { return math.Max(squares-sq(sum)/n, 0) / (n - 1) }

// risen is how far the straight line through n readings, by least squares, rises over all
// of them, by their sum and that weighted by their number from 0.
func risen(n, sum, weighted float64) float64 {
	return (weighted - mul(mul(0.5, n-1), sum)) * 12 / (sq(n) - 1)
}

// slid is how much speaks for light that slid within five readings: 0 for a change from
// one reading to the next, 0.45 for such light. It is told by the readings on either
// side of the cut, which are off their levels by 0.2 and 0.4 of the size then (together,
// as Brink weighs them, 0.4), and by the first two of the new level, for which it rises
// by 0.2 of the size over sixteen: what that tells beside the others is a quarter. At a
// step of 4.3 standard deviations it is known to 0.16.
func (x *change) slid() float64 {
	return (x.Brink+mul(0.6, x.Post+x.S/float64(x.N)))/x.size() + mul(0.27, x.slope())
}

// mostSlid is the most of it for a change of the lamp.
const mostSlid = 0.25

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
	v, slope := x.variance(), x.slope()
	if v > 3*floor || slope > 0.8 || slope < -0.8 || x.slid() > mostSlid { // one that goes on is a dawn
		return change{}, false
	}
	x.Edge = edge{At: e.T[cut], Size: size, Leap: e.leap(cut), SD: math.Sqrt(math.Max(v, floor)), From: pre}
	return x, true
}

// steep is the largest slope of a level that holds.
const steep = 0.4

// holds tells whether the new level is as flat and as quiet as it should be, by
// the readings so far: a half more is what chance makes of the noise.
func (x *change) holds(floor float64) bool {
	return x.slope() < steep && x.slope() > -0.4 && x.variance() < mul(1+6/math.Sqrt(float64(x.N)), floor) && x.slid() < mostSlid
}
