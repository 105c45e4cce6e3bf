package learn

import "math"

// A photoresistor in a divider answers to light less and less the more there is of it:
// counts are full*u/(1+u), where u grows as the light to the power of 0.5 to 0.9 (data
// sheets of cadmium sulphide cells, from memory). So the lamp, which adds as much light at
// noon as at night, adds fewer counts in daylight, down to a half or a third. To a few parts
// in a hundred its step falls off as (1-Bend*(dark-Ref)/Power)^Power, where dark is the level
// without the lamp. Edges are compared as they would be at Ref.

// bend is how the lamp's step depends on the light beside it.
type bend struct {
	Bend  float64 // share of the step that a count of light takes away, at Ref; 0: none, as far as is known
	Power float64
	Ref   float64 // dark level at which the step is counted
}

// LeastShare is the share of its step without daylight that a lamp is taken to keep in
// daylight, at least.
const LeastShare = 1.0 / 5

const (
	mostBent  = 1.0 / 0.8 // of the step at Ref, in the dark, at most
	mostLost  = 0.9       // most of a count of light that the lit level does not show
	leastLost = 0.05      // as little as is worth while
)

// bending is the bend of a lamp of this step at ref, whose lit level does not show so much of
// a count of light there. The more that is, the straighter the step falls: an exponential for
// little of it, a straight line for all.
func bending(lost, step, ref float64) bend {
	lost = clamp(lost, leastLost, mostLost)
	return bend{lost / step, 1 / sq(lost), ref}
}

// root is what the step's Power-th root comes to, as a share of that at Ref.
func (b *bend) root(dark float64) float64 {
	return math.Max(1-mul(b.Bend, dark-b.Ref)/b.Power, 0.1)
}

// pow is x to the power of n, x > 0.
func pow(x, n float64) float64 { return exp(mul(n, ln(x))) }

// share is the step at this dark level, as a share of that at Ref, and whether it is that of
// all levels beyond as well.
func (b *bend) share(dark float64) (share float64, flat bool) {
	share = pow(b.root(dark), b.Power)
	return clamp(share, LeastShare, mostBent), share <= LeastShare || share >= mostBent
}

// ratio is how many times as large the step is at Ref as at this dark level.
func (b *bend) ratio(dark float64) float64 {
	if b.Bend == 0 {
		return 1
	}
	share, _ := b.share(dark)
	return 1 / share
}

// slope is how many counts the lit level of a lamp of this step rises by with the dark one.
func (b *bend) slope(dark, step float64) float64 {
	if b.Bend == 0 {
		return 1
	}
	share, flat := b.share(dark)
	if flat {
		return 1
	}
	return math.Max(1-mul(mul(b.Bend, step), share)/b.root(dark), 1-mostLost)
}

// under is the dark level under which a lamp of this step reads y when lit: by Newton's
// method, for the lit level rises with the dark one.
func (b *bend) under(y, step float64) float64 {
	if b.Bend == 0 {
		return y - step
	}
	low, high := y-mul(mostBent, step), y
	x := y - mul(LeastShare, step)
	for range 10 {
		share, _ := b.share(x)
		off := x + mul(share, step) - y
		if off > 0 {
			high = x
		} else {
			low = x
		}
		if x -= off / b.slope(x, step); x < low || x > high {
			x = mul(0.5, low+high)
		}
	}
	return x
}

// straight is the edge as it would be at Ref.
func (b *bend) straight(x edge) edge {
	if b.Bend != 0 {
		r := b.ratio(x.dark())
		x.Size, x.SD, x.Leap = mul(r, x.Size), mul(r, x.SD), mul(r, x.Leap)
	}
	return x
}

// dark is the lower of the edge's two levels.
func (x *edge) dark() float64 { return x.From + math.Min(x.Size, 0) }

// cut tells whether the edge ends where the converter saturates (0: unknown), or begins
// there: it is larger than it looks.
func (x *edge) cut(rail float64) bool {
	return rail != 0 && math.Max(x.From, x.From+x.Size) > rail-mul(3, x.SD)
}

// by is the edges by another bend.
func (e *edges) by(b bend) edges {
	x := *e
	x.bend = b
	return x
}

// at is edge i as it would be at Ref.
func (e *edges) at(i int) edge { return e.straight(e.E[i]) }

// unbent looks for a bend by which many more of the edges kept agree on one step than by the
// one in use: through the last of them and one before it, at another light; or none, after
// the sensor was moved.
func (e *edges) unbent(watched, rail float64) (to bend, step float64, ok bool) {
	const (
		fewest = 6    // edges
		byDay  = 3    // of them in more light: a cloud makes two of a size, coming and going
		apart  = 1.25 // times, at least, that one is as large as the other
		other  = 0.3  // as in fit
		margin = 8    // more evidence, for a bend may be chosen to suit
		least  = 12   // as much, at least
	)
	if e.NE < fewest {
		return to, 0, false
	}
	plain := func(x *edge) bool {
		return !x.cut(rail) && (x.credit() > 0.1 || x.halfSharp()) && math.Abs(x.Size) > mul(beyondSmall, x.SD) && x.Leap+mul(1.2, x.SD) > mul(0.8, math.Abs(x.Size))
	}
	last := &e.E[e.NE-1]
	if !plain(last) {
		return to, 0, false
	}
	best := 0.0 // evidence to be surpassed, of steps not much smaller; 0: not worked out, for in most places nothing asks for it
	smallest := mul(0.5, math.Abs(last.Size))
	bar := func() float64 {
		ev, _ := e.most(smallest, watched, other)
		return math.Max(ev+margin, least)
	}
	if e.Bend != 0 {
		best = bar()
		none := e.by(bend{})
		if ev, mean := none.most(smallest, watched, other); ev > best {
			best, step, ok = ev+margin, mean, true
		}
	}
	for i := range e.E[:e.NE-1] {
		dim, bright := &e.E[i], last
		if dim.dark() > bright.dark() {
			dim, bright = bright, dim
		}
		full, little, light := math.Abs(dim.Size), math.Abs(bright.Size), bright.dark()-dim.dark()
		if !plain(&e.E[i]) || light < mul(0.25, math.Abs(last.Size)) || full < mul(apart, little) || mul(LeastShare, full) > little || e.unbending(bright) {
			continue
		}
		b := through(full, little, light, dim.dark())
		if b.ratio(bright.dark()) < mul(0.98, full/little) { // no bend does as much
			continue
		}
		if best == 0 {
			best = bar()
		}
		bent := e.by(b)
		if ev, mean, n := bent.evidence(full, watched, other); n >= fewest && ev > best && bent.byDay(dim.dark()+mul(0.5, light), mean, byDay) {
			best, to, step, ok = ev, b, mean, true
		}
	}
	return to, step, ok
}

// most is the evidence for the step, no smaller than least at Ref, that most speaks for, and that step.
func (e *edges) most(least, watched, other float64) (most, step float64) {
	for i := range e.E[:e.NE] {
		x := e.at(i)
		if math.Abs(x.Size) < least {
			continue
		}
		if ev, mean, _ := e.evidence(math.Abs(x.Size), watched, other); ev > most {
			most, step = ev, mean
		}
	}
	return most, step
}

// byDay tells whether so many edges of this step were seen, at least, where it is lighter than
// mid, and others before and after one of them where it is darker, or the other way round: the
// light comes and goes, and where it never does the sensor was moved.
func (e *edges) byDay(mid, step float64, least int) bool {
	n, turns, last := 0, 0, 0
	for i := range e.E[:e.NE] {
		x := e.at(i)
		if !x.is(step) || !x.tells() {
			continue
		}
		side := -1
		if x.dark() > mid {
			side = 1
			n++
		}
		if last != 0 && side != last {
			turns++
		}
		last = side
	}
	return n >= least && turns > 1
}

// through is the bend of a lamp with the step full at ref, of which little is left where there
// are so many counts of light more.
func through(full, little, light, ref float64) bend {
	least, most := leastLost, mostLost
	for range 12 {
		lost := mul(0.5, least+most)
		if b := bending(lost, full, ref); b.ratio(ref+light) < full/little {
			least = lost
		} else {
			most = lost
		}
	}
	return bending(most, full, ref)
}

// replacedAsRead is replaced by the sizes as they were read: where they tell another tale it is
// the bend that is wrong.
func (e *edges) replacedAsRead(step, old float64, now int64) bool {
	read := e.by(bend{})
	return read.replaced(step, old, now)
}

// referred is a bend, and the step, at the darkest of the edges of this step; without a bend
// the same.
func (e *edges) referred(to bend, step, rail float64) (bend, float64) {
	if to.Bend == 0 {
		return to, step
	}
	bent := e.by(to)
	return bent.refit(step, rail)
}

// unbending tells whether two changes of this edge's size, or more, were seen where it is
// darker by half of that, too: they are another light's, beside the lamp or without it.
func (e *edges) unbending(x *edge) bool {
	n, a := 0, math.Abs(x.Size)
	for i := range e.E[:e.NE] {
		if y := &e.E[i]; y.speaks(a) && y.dark() < x.dark()-mul(0.5, a) {
			n++
		}
	}
	return n > 1
}

// refit is the bend, and the step, that suit the edges of this step best: the straight line
// through the roots of their sizes, by weighted least squares. What most dividers do counts
// with them, for edges at one light tell nothing of the bend.
func (e *edges) refit(step, rail float64) (to bend, at float64) {
	const (
		usual, unsure = 0.4, 0.3 // lost of a count, and how far dividers differ
		fade          = 0.97
	)
	to, at = e.bend, step
	s0, s1, s2, t0, t1 := 0.0, 0.0, 0.0, 0.0, 0.0
	n, low, weight := 0, 0.0, 1.0
	for i := int(e.NE) - 1; i >= 0; i-- {
		x, raw := e.at(i), &e.E[i]
		if !x.speaks(step) || raw.cut(rail) {
			continue
		}
		root := pow(math.Abs(raw.Size)/step, 1/to.Power)
		w := mul(mul(weight, x.credit())/(mul(0.36, sq(x.SD/x.Size))+sq(0.02)), sq(to.Power/root))
		d := (raw.dark() - e.Ref) / step
		s0 += w
		s1 += mul(w, d)
		s2 += mul(w, sq(d))
		t0 += mul(w, root)
		t1 += mul(w, mul(d, root))
		low = math.Min(low, d) // never up: that the step is smaller there is no fault
		weight *= fade
		n++
	}
	if n < 4 {
		return to, at
	}
	mean, prior := s1/s0, sq(to.Power/unsure)
	falls := (mul(usual/to.Power, prior) - (t1 - mul(mean, t0))) / (prior + s2 - mul(mean, s1))
	base := t0/s0 + mul(falls, mean-low) // at the darkest of them
	if falls <= 0 || base <= 0 {
		return to, at
	}
	at = mul(step, pow(base, to.Power))
	return bending(mul(mul(to.Power, falls)/base, at/step), at, e.Ref+mul(low, step)), at
}

// explains tells whether most of the edges of the step in use are of this step by this bend.
func (c *core) explains(to bend, step float64) bool {
	n, same, bent := 0, 0, c.Edges.by(to)
	for i := range c.Edges.E[:c.Edges.NE] {
		x, y := c.Edges.at(i), bent.at(i)
		if !x.speaks(c.F.Step) {
			continue
		}
		n++
		if y.speaks(step) {
			same++
		}
	}
	return 2*same >= n
}

// follow takes it that the lamp's step depends on the light in this way, and that it is so
// large at the bend's Ref, unless another step is in use. A bend that is given up makes way for
// no step that is much smaller.
func (c *core) follow(to bend, step float64) {
	f := &c.F
	if c.Known {
		switch {
		case to.Bend != 0 && (f.Step > 1.15*step || f.Step < mul(mul(0.95, LeastShare), step)):
			return
		case to.Bend == 0 && step < muchLess*f.Step: // another light's: the bend goes, the step stays
			step = f.Step
		case to.Bend != 0 && !c.weak() && !c.explains(to, step): // another light's again
			return
		}
		for i := range int(f.N) { // while lit it is the lit level that is known
			if h := &f.H[i]; h.shines() {
				h.M = to.under(h.M+f.step(h.M), step)
			}
		}
		f.bend, f.Step = to, step
	}
	c.Edges.bend = to
}
