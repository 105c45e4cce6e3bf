package learn

import (
	"math"
	"math/bits"
)

// alias knows the rhythm in which a blinking lamp is read. A lamp that blinks evenly,
// read at even intervals, does not read like a tossed coin: each reading comes by
// the same part of a period later in it (aliasing). Where that is a small part, the
// lamp seems lit for many readings and then dark for as many.
//
// No clock is so even for long, and most boards' are not even for minutes: which of
// the two, the rhythm or the coin, tells the readings better is learned.
type alias struct {
	Side, Seen uint64  // of the last 63 readings, the latest in bit 1: whether lit, and whether that is known
	Odds       float64 // of the rhythm against the coin, by the readings up to the last flip
	Since      float64 // what the readings since then make of them
}

const (
	nParts = 128 // parts of a period, up to half of one: more is like less, the other way
	slow   = 4   // of them not tried: in a rhythm of more than 28 readings of one side nobody waits to see whether it is over
	nPhase = 8   // phases tried in half a period; the others are their opposites

	leastOdds = 1e-6 // of a rhythm: chance makes of a few readings what looks like one
	mostOdds  = 100
	mostSince = 1e9 // a delay set by hand may hold the end of the blinking for a day
)

// rhythms has the sides of a lamp that blinks, for each part and phase: the next
// reading in bit 0, those before it in the bits above.
var rhythms = func() (r [nParts][nPhase]uint64) {
	const period = 4 * nParts
	for k := range r {
		for p := range r[k] {
			for i := range 64 {
				at := (2*p+1)*period/(4*nPhase) + (2*k+1)*(64-i)
				if at%period < period/2 {
					r[k][p] |= 1 << i
				}
			}
		}
	}
	return r
}()

// slips are the shares of readings tried that are on the other side than the rhythm
// has it: intervals vary a little.
var slips = [3]float64{0.02, 0.06, 0.15}

// begin starts with nothing seen: the next blinking may have another rhythm. Half of
// what was learned of there being one is forgotten.
func (a *alias) begin() {
	*a = alias{Odds: math.Max(mul(0.5, a.Odds), leastOdds), Since: 1}
}

// put takes note of a reading so many nominal intervals after the last.
func (a *alias) put(intervals uint, lit, known bool) {
	a.Side <<= intervals
	a.Seen <<= intervals
	if known {
		a.Seen |= 2
		if lit {
			a.Side |= 2
		}
	}
}

// next gives the chance that the next reading, so many nominal intervals after the
// last, is lit, by the rhythm if the lamp goes on blinking, and how much that is to
// be believed. Every rhythm tried counts by how many of the readings seen it fits.
func (a alias) next(intervals uint) (lit, weight float64) {
	a.Side <<= intervals - 1
	a.Seen <<= intervals - 1
	n := bits.OnesCount64(a.Seen)
	if n == 0 {
		return 0.5, 0
	}
	var fits [2][64]int // rhythms, by the next side and the number of readings that do not fit
	for k := slow; k < nParts; k++ {
		for _, r := range rhythms[k] {
			fits[r&1][bits.OnesCount64((r^a.Side)&a.Seen)]++
		}
	}
	var w [2]float64
	for _, slip := range slips {
		chance := 1.0
		for range n {
			chance *= 1 - slip
		}
		for off := range n + 1 {
			for side := range w {
				g := mul(float64(fits[side][off]+fits[1-side][n-off]), chance) // and their opposites
				w[side] += mul(g, 1-slip)
				w[1-side] += mul(g, slip)
			}
			chance *= slip / (1 - slip)
		}
	}
	odds := mul(a.Odds, a.Since)
	return clamp(w[1]/(w[0]+w[1]), 0.02, 0.98), odds / (1 + odds)
}

// learn takes note of a reading of a blinking lamp, whose chance to be lit was by the
// rhythm lit, and whose chance to be on the side of the last was by the coin
// again. What a run says counts when a flip from one reading to the next ended it:
// the last one may be the end of the blinking.
func (a *alias) learn(is bool, lit, again float64) {
	flip := is != (a.Side&2 != 0)
	if !is {
		lit = 1 - lit
	}
	if flip {
		again = 1 - again
	}
	a.Since = clamp(a.Since*(lit/again), 1/mostSince, mostSince)
	if flip {
		a.Odds, a.Since = clamp(mul(a.Odds, a.Since), leastOdds, mostOdds), 1
	}
}
