package learn

import (
	"math"
	"slices"
)

// adoptFirst announces, provisionally, by the first edge alone.
func (l *Learner) adoptFirst(e edge, ms int64, held uint32) {
	c := &l.c
	before := c.twins(e) // the lamp shone before, untold
	a := math.Abs(e.Size)
	if e.Act > 0.3 && e.Leap > 0.7*a { // amid moving light the two levels tell less than the jump itself
		a = e.Leap
		e.Size = math.Copysign(a, e.Size)
	}
	c.adopt(mul(c.Edges.ratio(e.dark()), a), e.SD)
	c.Matched = e.At
	c.glimpsed(e)
	s := Dark
	if e.Size > 0 {
		s = Lit
	} else if !before {
		before = slices.ContainsFunc(c.Edges.E[:c.Edges.NE], func(x edge) bool { return x.At < e.At && x.Size > mul(0.6, a) })
	}
	switch {
	case before: // what the hours were taken for may be its light
		c.Hours.forget()
	case s == Dark: // they were lit
		c.Hours.shift(-a)
	case slices.ContainsFunc(c.Edges.E[:c.Edges.NE], func(x edge) bool { return x.At < e.At && math.Abs(x.Size+e.Size) < mul(0.1, a)+mul(3, e.SD) }):
		c.Hours.forget() // it went out before, untold
	}
	c.F.start(s, e.From+math.Min(e.Size, 0), e.At)
	if w := &c.Why; w.State == s && w.How == byChange && math.Abs(float64(w.Enter-e.At)) < 3*c.IV { // it was announced, by a step since given up
		c.State, c.Conf, c.Since = s, 0.95, w.Enter
		return
	}
	l.announce(s, ms, e.At, held, 0.95)
}

// surpasses tells whether no edge so far came near this one, but for those
// of just its size.
func (c *core) surpasses(e edge) bool {
	a := math.Abs(e.Size)
	for i := range c.Edges.E[:c.Edges.NE] {
		x := &c.Edges.E[i]
		if b := math.Abs(x.Size); x.credit() > 0 && b > 0.55*a && math.Abs(b-a) > mul(0.05, a)+mul(3, e.SD) {
			return false
		}
	}
	return true
}

// stayed looks at a first edge again when all readings kept came after it: it
// was not announced for a reading that returned, an outlier or the beginning of
// blinking.
func (l *Learner) stayed(e edge, ms int64) {
	c := &l.c
	a := math.Abs(e.Size)
	if a < 2*c.Refuted || a < mul(beyondNoise, math.Sqrt(c.Noise.variance())) {
		return
	}
	if c.Edges.returned(e) == 1 && c.alone(e, c.surpasses(e)) {
		l.adoptFirst(e, ms, nBuf)
	}
}

// alone tells whether an edge may be announced before a second was seen; first
// says that no edge so far came near it.
func (c *core) alone(e edge, first bool) bool {
	if c.wanders(math.Abs(e.Size), math.Sqrt(c.Noise.variance())) {
		return false
	}
	return first && c.clear(e) || c.dark(e) || c.sudden(e) || c.twins(e)
}

// quiet tells whether no light moved by itself so far, next to this edge.
func (c *core) quiet(e edge) bool {
	a := math.Abs(e.Size)
	calm, _, _ := c.Hours.moves()
	return c.moved(e.At)+c.Range.Slid-calm < mul(2.5, math.Sqrt(c.Noise.variance())) && c.Range.Way < 0.1*a && c.Range.Jump < 0.3*a
}

// clear tells whether a single edge is so far beyond all that the ambient
// light has done that it may be announced before a second was seen.
func (c *core) clear(e edge) bool {
	a := math.Abs(e.Size)
	sd := math.Sqrt(c.Noise.variance())
	// the first evening may bring a room's light: ask for much before a day
	// and a half are over, unless the light is known never to move
	times := clamp(22-(c.Range.Minutes-1080)/77, 6, 22)
	if e.Size < 0 { // one that was on before the first reading goes out
		times = clamp(26-(c.Range.Minutes-1080)/60, 6, 26)
	}
	if c.saturates(e) { // it is larger than it looks
		times = math.Min(times, 10)
	}
	// Daylight would have shown itself by now, and an evening's light comes soon
	// after it, but may be on for hours; a dawn behind clouds slides.
	since := 240.0 // minutes
	if e.Size < 0 {
		since = 720
	}
	if c.Range.Minutes > since && c.quiet(e) && e.Leap+mul(1.2, sd) > mul(0.5, a) {
		times = math.Min(times, 8)
	}
	if c.Noise.Block < 2 { // the noise is hardly known
		sd = math.Max(sd, e.SD)
	}
	calm, lively, known := c.Hours.moves()
	still := c.still(sd)
	if still {
		times = 3.5
	}
	if !known && c.Range.Minutes > 100 && a < mul(beyondSmall, sd) && a > mul(3.2, sd) && c.back(e, sd) && c.sharp(a, sd) && c.twoLevels(a, sd) {
		return true // two levels and nothing else, the second time
	}
	act := e.Act
	if a <= mul(beyondNoise, sd) { // to be told alone, it must be no slope's either
		act += c.Range.Slid / a
	}
	if e.Size < 0 && c.Range.Minutes < 20 && (a < mul(beyondRoom, sd) || e.Leap < 0.8*a) || act > 0.2 || a < mul(times, sd) || c.Range.Jump > mul(0.6, a)+mul(2, sd) {
		return false
	}
	lively += c.Range.Swing
	if known && (lively-calm > 0.3*a && e.Leap < 0.5*a || lively-calm > 0.5*a && e.Leap < 0.85*a) {
		return false // where the light goes nearly as far, a lamp is told by its jump
	}
	if !still && c.Edges.daily(a) {
		return false // a room's light, again
	}
	if still && a < mul(beyondSmall, sd) {
		return true // a room's light is brighter: what was there before was the same lamp
	}
	to := e.From + e.Size
	odd := e.Act < 0.15 // the new level is odd for this time of day
	for d := int64(-1); d <= 1; d++ {
		h := c.Hours.at(e.At + d*3_600_000)
		off := math.Abs(to - h.Mean)
		if d == 0 && h.Minutes > 100 && off < 4*h.Dev {
			return false
		}
		if h.Minutes < 40 || off < mul(4, h.Dev)+mul(0.5, a) || (e.Size > 0) != (to > h.Mean) {
			odd = false
		}
	}
	if odd {
		return true
	}
	margin := mul(0.2, a) - mul(1.5, sd)
	return e.Size > 0 && to > c.Range.Hi+margin || e.Size < 0 && to < c.Range.Lo-margin
}

// saturates tells whether an edge leads to where the converter counts no further,
// or from there: all readings on that side of it are the largest one, to the
// count, which noise of more than a count would not allow.
func (c *core) saturates(e edge) bool {
	bright := c.Edges.V[nBuf-half+1:]
	if e.Size < 0 {
		bright = c.Edges.V[nBuf-2*half : nBuf-half-1]
	}
	return c.Noise.steps() > sq(c.Noise.unit()) && !slices.ContainsFunc(bright, func(y float64) bool { return y != c.Noise.Max })
}

// sharp tells whether the edges of about a's size took place between two
// readings, as far as the noise lets one see.
func (c *core) sharp(a, sd float64) bool {
	share, n := c.Edges.sharp(a, sd)
	return n > 0 && share > 0.75
}

// back tells whether the edge leads from where the last but one led to back to
// where that one came from, and no edge of another size was ever seen; amid
// moving light four of them are asked for.
func (c *core) back(e edge, sd float64) bool {
	n := c.Edges.NE
	if n < 2 || c.N < 150 || e.Act > 0.5 || n < 4 && (e.Act > 0.2 || c.Edges.E[n-2].Act > 0.2) {
		return false
	}
	for i := range c.Edges.E[:n-1] {
		if math.Abs(math.Abs(c.Edges.E[i].Size)-math.Abs(e.Size)) > mul(2, sd) {
			return false
		}
	}
	x := &c.Edges.E[n-2]
	return (x.Size > 0) != (e.Size > 0) && math.Abs(x.From+x.Size-e.From) < mul(1.2, sd)
}

// twoLevels tells whether all the light seen so far is one level, or two when
// edges of a's size were seen before the last one; sd is the readings' noise.
func (c *core) twoLevels(a, sd float64) bool {
	span, wide := c.Range.Hi-c.Range.Lo, mul(3.5+mul(1.5, clamp((c.Range.Minutes-360)/1440, 0, 1)), sd)
	wide += c.Noise.unit() // rounding
	return span <= wide || c.Edges.NE > 1 && span <= a+wide
}

// dark tells whether the edge leads from or to the darkest level known, where
// nothing moved for hours: no cloud can do that, for it takes away a part of
// the light that is there. It asks for more than a room's light makes.
func (c *core) dark(e edge) bool {
	sd := math.Sqrt(c.Noise.variance())
	if c.Noise.Block > 2 { // the restless light of the day may be gone
		sd = math.Min(sd, math.Max(1.5*math.Sqrt(c.Noise.Now), 0.4*sd))
	}
	r := &c.Range
	a := math.Abs(e.Size)
	if a < mul(beyondRoom, sd) || r.Minutes < 600 || r.RHi-r.RLo > math.Max(mul(2.5, sd), 0.15*a) {
		return false
	}
	return e.From+math.Min(e.Size, 0) < r.Lo+mul(4, sd)
}

// amidClouds is how many times as far as an edge is large the light may have gone in the
// hours before it, to be told from that by its sharpness: where it goes farther, clouds
// make many edges, and some sharp ones.
const amidClouds = 8

// sudden tells whether the edge is far beyond all jumps from one reading to
// the next that the light made by itself, though it went a long way: clouds
// come with a slope. It asks for more than a room's light makes.
func (c *core) sudden(e edge) bool {
	a := e.Leap
	r := &c.Range
	went := r.Way > 0.5*a || r.Jump < 0.15*a && r.Way > 0.25*a || r.Jump < 0.1*a && r.Hi-r.Lo < 0.67*a // nor has all the light there was made so much
	// or it went slowly, and lay as flat as noise on either side of the edge
	went = went || r.Jump < 0.13*a && e.Act < 0.5 && a > 0.85*math.Abs(e.Size) && sq(e.SD) < 1.4*c.Noise.variance()
	// or it went some way of late, but not like this
	went = went || r.Jump < 0.15*a && r.RHi-r.RLo > 0.2*a && a > 0.93*math.Abs(e.Size) && sq(e.SD) < 2*c.Noise.variance()
	if e.Act > amidClouds || a < 0.8*math.Abs(e.Size) || a < c.room(a) || r.Minutes < 60 || !went || r.Jump > 0.45*a {
		return false
	}
	for i := range c.Edges.E[:c.Edges.NE] {
		x := &c.Edges.E[i]
		if x.Leap > 0.45*a && math.Abs(math.Abs(x.Size)-a) > mul(0.1, a)+mul(3, e.SD) && !c.squeezes(x, &e) {
			return false
		}
	}
	return true
}

// squeezes tells whether the leaps of two edges may be those of one lamp that is read through
// a divider: in more light it makes fewer counts. Where a lamp is known, and well, one of them is
// another light's.
func (c *core) squeezes(x, y *edge) bool {
	rail := c.Noise.rail()
	return (!c.Known || c.weak()) && !x.cut(rail) && !y.cut(rail) && squeezed(x, y)
}

// squeezed tells whether of two edges the one in more light is less by what dividers take away.
func squeezed(dim, bright *edge) bool {
	const least, most = 0.15, 0.8 // lost of a count of light
	if dim.dark() > bright.dark() {
		dim, bright = bright, dim
	}
	light, less := bright.dark()-dim.dark(), dim.Leap-bright.Leap
	return light > 0.25*dim.Leap && less > mul(least, light) && less < mul(most, light) && bright.Leap > mul(LeastShare, dim.Leap)
}

// room is what a jump of a counts must surpass to be larger than a room's light makes.
// Where the light went half as far within the last hours, part of what is measured as
// noise is its.
func (c *core) room(a float64) float64 {
	if c.Range.RHi-c.Range.RLo > 0.5*a {
		return mul(21, math.Sqrt(c.Noise.variance()))
	}
	return c.brightRoom()
}

// brightRoom is more, in counts, than a room's light makes.
func (c *core) brightRoom() float64 { return mul(beyondRoom, math.Sqrt(c.Noise.variance())) }

// twins tells whether the light jumped by just as much the other way before,
// both times from one reading to the next and far beyond all else it did: what
// the clouds take away they seldom give back to a twentieth. It asks for more
// than a room's light makes.
func (c *core) twins(e edge) bool {
	a := e.Leap
	sd := math.Sqrt(c.Noise.variance())
	near := mul(0.05, a) + mul(2, sd)
	found := a >= c.brightRoom() && math.Abs(c.Range.Jump-a) < near // one that was not recorded as an edge; it had no other reason to be so large
	if e.Act > amidClouds || a < 0.75*math.Abs(e.Size) || a < math.Min(c.room(a), mul(22, sd)) || c.Range.Minutes < 60 || c.Range.Jump > 0.3*a && !found {
		return false
	}
	for i := range c.Edges.E[:c.Edges.NE] {
		x := &c.Edges.E[i]
		if x.At == e.At || x.Leap < 0.65*a {
			continue
		}
		switch {
		case math.Abs(x.Leap-a) <= near:
		case c.squeezes(x, &e):
			continue
		default:
			return false
		}
		found = found || (x.Size > 0) != (e.Size > 0)
	}
	return found
}
