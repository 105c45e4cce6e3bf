package learn

import (
	"math"
	"slices"
)

// noise tracks the variance of the readings about their level by the
// differences of neighbours, from the quieter stretches.
type noise struct {
	Last         float64
	D            [30]float64 // |differences| of this block
	N            uint32      // of them
	Block        uint32      // blocks seen
	V            float64     // variance of a reading
	Now          float64     // the same in the last block
	Quantum      float64     // what all differences so far are multiples of; 0: there were none
	Steps        uint8       // differences of just that, mostSteps at most
	Digits       uint8       // decimal places that the readings were given with, mostDigits+1 for more
	Max, Min     float64     // largest and smallest reading
	AtMax, AtMin uint32      // readings exactly there
	Seen         bool
	Diff         float64 // last difference
	Sq, Prod     float64 // means of the differences' squares, of the products of two in a row
	Calm         uint32  // differences these are of, nRuns at most
	Rho          float64 // correlation of neighbouring readings
}

// nRuns is the number of differences that the correlation of neighbours is learned
// from.
const nRuns = 2000

// early is the number of blocks that are simply averaged.
const early = 6

// observe takes a reading, after a run of so many that were equal; equal is how often readings
// are, flipped says that a blinking lamp's change makes the difference to the one before, or its
// flicker, calm that no light moved lately.
func (n *noise) observe(y, equal float64, run uint32, flipped, calm bool) {
	for n.Digits <= mostDigits && !whole(mul(y, powers[n.Digits])) {
		n.Digits++
	}
	switch {
	case !n.Seen || y > n.Max:
		n.Max, n.AtMax = y, 1
	case y == n.Max && n.AtMax < math.MaxUint32:
		n.AtMax++
	}
	switch {
	case !n.Seen || y < n.Min:
		n.Min, n.AtMin = y, 1
	case y == n.Min && n.AtMin < math.MaxUint32:
		n.AtMin++
	}
	// Saturated readings tell nothing of the noise, nor does what leaves them, which
	// may be the lamp's change: a board may read the lamp's levels without noise.
	piled := func(y float64) bool { return y == n.Max && n.AtMax > 5 || y == n.Min && n.AtMin > 5 }
	flat := y == n.Last && piled(y) || y != n.Last && run >= 3 && piled(n.Last) || n.blinked(y)
	if n.Seen {
		n.quantum(math.Abs(y - n.Last))
	}
	if n.Seen && !flat && !flipped {
		n.D[n.N] = math.Abs(y - n.Last)
		n.N++
		if calm && n.Block > 0 {
			n.pair(y - n.Last)
		}
	}
	n.Diff = y - n.Last
	if flat || flipped || !n.Seen { // that is not the noise's
		n.Diff = 1e15
	}
	n.Last, n.Seen = y, true
	if flat || flipped || n.N < uint32(len(n.D)) && !(n.Block == 0 && n.N == 12) {
		return
	}
	d := n.D[:n.N]
	slices.Sort(d)
	if i := n.repeats(d, equal); i > 0 {
		d = d[i:]
	}
	v, k := quiet(d), len(d)*2/5
	most := d[len(d)-1-len(d)/10] // but for the largest tenth
	switch {
	case d[k-1] == 0:
		// The converter's steps hide the noise: take half a step. Of a board that
		// reads without noise the few changes may be the lamp's.
		v = 0.25 * sq(n.Quantum)
		if d[len(d)-1-len(d)/6] == 0 {
			v = math.Min(v, sq((n.Max-n.Min)/16))
		}
	case n.Quantum > 0 && d[k-1] < 1.1*n.Quantum && most < 3.1*n.Quantum:
		// Of few steps of the converter the small ones are no measure: one difference of a
		// step among them may double the noise. Take all, the largest tenth cut short.
		v = 0
		for _, x := range d {
			v += sq(math.Min(x, most))
		}
		v /= float64(2 * len(d))
	}
	n.N = 0
	n.Block++
	n.Now = v
	step := 0.06 + 2/float64(n.Block+1)
	switch {
	case n.Block <= early:
		if n.Block > 1 { // a block in which a lamp blinked shows its step
			v = math.Min(v, 20*n.steps())
		}
		n.V += (v - n.V) / float64(n.Block)
	case v > n.V:
		n.V += math.Min(mul(n.V, 0.5*step)+mul(n.floor(), 0.05), v-n.V)
	default:
		n.V -= math.Min(mul(n.V, 0.5*step), n.V-v)
	}
}

// repeats is how many of the differences, sorted, are of readings that repeat the last one, as
// of a gateway that passes on what it has: equal readings are that often by no chance, where
// the noise is beyond some steps of the converter. Neighbours at a Gaussian noise of s steps
// are equal with a chance of 1/(2s sqrt(pi)).
func (n *noise) repeats(d []float64, equal float64) int {
	const often = 0.1 // else the noise is hardly too small for them
	i := slices.IndexFunc(d, func(x float64) bool { return x > 0 })
	if equal < often || i <= 0 || i > len(d)*2/3 {
		return 0
	}
	fresh := d[i:]
	if fresh[len(fresh)*2/5] < 2.1*n.Quantum || equal < mul(2*0.28, n.Quantum/math.Sqrt(quiet(fresh))) {
		return 0
	}
	return i
}

// quiet is the variance of a reading by differences of neighbours, sorted: by the mean square
// of the smallest 40 %, which is 0.0883 of the variance of a Gaussian difference, itself twice
// that of a reading.
func quiet(d []float64) float64 {
	k, v := len(d)*2/5, 0.0
	for _, x := range d[:k] {
		v += sq(x)
	}
	return v / (float64(k) * 2 * 0.0883)
}

// blinked tells whether a reading leads from the largest to the smallest ever, or back, by
// more than converters have for a step: a blinking lamp's, without noise.
func (n *noise) blinked(y float64) bool {
	const most = 100 // counts
	return math.Max(y, n.Last) == n.Max && math.Min(y, n.Last) == n.Min && n.Max-n.Min > most && !power(n.Max-n.Min) && n.AtMax > 2 && n.AtMin > 2
}

// power tells whether x is a power of two.
func power(x float64) bool {
	frac, _ := math.Frexp(x)
	return frac == 0.5
}

// quantum learns the converter's step by one more difference, as Euclid's algorithm
// finds a common measure.
func (n *noise) quantum(d float64) {
	const near, least = 0.01, 1e-6 // of a step, of a difference: what arithmetic does
	const finest = 1e-9            // counts: no converter's step is less, and none that a quotient could overflow by
	if d < finest {
		return
	}
	if n.Quantum == 0 {
		n.Quantum, n.Steps = d, 1
		return
	}
	for range 8 {
		times := math.Round(d / n.Quantum)
		r := math.Abs(d - mul(n.Quantum, times))
		if r <= mul(near, math.Min(d, n.Quantum)) || r < mul(least, d) || r < finest {
			if times == 1 {
				n.Steps = min(n.Steps+1, mostSteps)
			}
			return
		}
		d, n.Quantum, n.Steps = n.Quantum, r, 0
	}
}

// mostSteps is how many differences of one step show that it is the converter's.
const mostSteps = 5

// mostDigits is how many decimal places tell of rounding: a mean of sixteen counts has four.
const mostDigits = 4

// powers of ten, one for each number of decimal places.
var powers = [mostDigits + 1]float64{1, 10, 100, 1e3, 1e4}

// whole tells whether x is a whole number, to what arithmetic of single precision does.
func whole(x float64) bool { return math.Abs(x-math.Round(x)) <= 6e-8*math.Abs(x) }

// counts tells whether all readings so far were whole numbers.
func (n *noise) counts() bool { return n.Digits == 0 }

// unit is what the readings are rounded to: a board may publish counts, or per cent with one
// decimal place, or a share of the full scale with three; or the converter counts in larger
// steps. 0: it is not known.
func (n *noise) unit() float64 {
	// What was seen but a few times may be the lamp's step, and what is no small part of a
	// reading its blinking.
	const small = 1.0 / 8
	unit := 0.0
	most := mul(small, math.Max(math.Abs(n.Max), math.Abs(n.Min)))
	if n.counts() || n.Digits <= mostDigits && 1/powers[n.Digits] < most {
		unit = 1 / powers[n.Digits]
	}
	if n.Steps == mostSteps && n.Quantum < most {
		unit = math.Max(unit, n.Quantum)
	}
	return unit
}

// floor is the least variance that makes sense: rounded readings cannot be quieter
// than their rounding.
func (n *noise) floor() float64 {
	least := 0.25 * sq(n.unit())
	if n.counts() {
		return least
	}
	return math.Max(least, 1e-12+mul(1e-8, sq(n.Max)))
}

// steps is the variance by the differences of neighbours alone.
func (n *noise) steps() float64 { return math.Max(n.V, n.floor()) }

// variance is that of a reading. Where neighbours are alike (by the correlation
// rho, as of noise that comes in runs), their differences show only 1-rho of it.
func (n *noise) variance() float64 { return n.steps() / (1 - n.Rho) }

// pair takes a difference and the one before for the correlation of neighbours.
// Changes of the lamp and outliers are left out.
func (n *noise) pair(d float64) {
	if most := 14 * n.steps(); sq(d) > most || sq(n.Diff) > most {
		return
	}
	if n.Calm < nRuns {
		n.Calm++
	}
	k := 1 / float64(n.Calm)
	n.Sq += mul(k, sq(d)-n.Sq)
	n.Prod += mul(k, mul(d, n.Diff)-n.Prod)
	n.correlate()
}

// correlate finds the correlation rho of neighbouring readings. For noise of a
// first-order autoregression of variance v, the differences have the variance
// 2v(1-rho), and two in a row the covariance -v(1-rho)^2 (Box and Jenkins, Time
// Series Analysis, from memory): their ratio is -(1-rho)/2. A twentieth is taken
// off that comes of leaving out the large differences, and what chance may do.
// Differences that go the same way are moving light's.
func (n *noise) correlate() {
	if n.Calm < 100 || n.Sq == 0 {
		return
	}
	rho := 0.95 + 2*n.Prod/n.Sq
	if rho > 0.75 {
		n.Rho = 0
		return
	}
	n.Rho = clamp(rho-4/math.Sqrt(float64(n.Calm)), 0, 0.6)
}

// end tells whether a reading lies at an end of the converter's range, and nothing was
// beyond it.
func (n *noise) end(y float64) bool { return (y == n.Max || y == n.Min) && isEnd(math.Abs(y)) }

// rail is the count at which readings saturate, or 0.
func (n *noise) rail() float64 {
	if n.AtMax >= 30 {
		return n.Max
	}
	return 0
}
