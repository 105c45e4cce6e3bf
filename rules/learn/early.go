package learn

import "math"

// prelude sums up the readings from the first one on that have left the window, for as
// long as the lamp is not known: the light before a change in the first hours, when
// little else is known of it.
type prelude struct {
	N, S, I, SS float64 // number; of their differences from the first: sum, sum weighted by their number from 0, sum of squares
	First       float64
}

func (p *prelude) add(y float64) {
	if p.N == 0 {
		p.First = y
	}
	d := y - p.First
	p.S += d
	p.I += mul(p.N, d)
	p.SS += sq(d)
	p.N++
}

// level is the mean of the readings, their variance, and how far a straight line
// through them, by least squares, rises over all of them.
func (p *prelude) level() (mean, variance, rise float64) {
	return p.First + p.S/p.N, sampleVariance(p.N, p.S, p.SS), risen(p.N, p.S, p.I)
}

// early announces a small first change in the first two hours, before the light and the
// noise are known well enough for held: all readings from the first one on, eight at
// least, lie flat on one level, the sixteen after it on another, and both together tell
// the noise. It tells whether it made anything of the reading.
func (l *Learner) early(ms int64) bool {
	const (
		soon   = 120 // minutes
		fewest = 8   // readings before the change
		held   = 16  // readings after it
		cut    = nBuf - held
	)
	c := &l.c
	p, q := c.Prelude, prelude{}
	if c.Range.Minutes > soon || p.N+cut < fewest {
		return false
	}
	for _, y := range c.Edges.V[:cut] {
		p.add(y)
	}
	for _, y := range c.Edges.V[cut:] {
		q.add(y)
	}
	pre, vPre, rise := p.level()
	post, vPost, _ := q.level()
	floor := math.Max((mul(p.N-1, vPre)+mul(q.N-1, vPost))/(p.N+q.N-2), c.Noise.floor())
	sd, a := math.Sqrt(floor), math.Abs(post-pre)
	if a < mul(3.5, sd) || a > mul(beyondSmall, sd) || a < 2*c.Refuted ||
		math.Abs(rise) > math.Max(0.3*a, 2*sd*math.Sqrt(12/p.N)) {
		return false
	}
	x, ok := c.Edges.held(cut, pre, floor, 3)
	if !ok {
		return false
	}
	switch n := c.Edges.NE; {
	case n == 0:
		c.Edges.record(x.Edge)
		c.Range.edge(x.Edge.Size, cut)
	case n > 1, math.Abs(c.Edges.E[0].Size-x.Edge.Size) > mul(2, sd), c.Edges.E[0].At < c.Edges.T[cut-1], c.Edges.E[0].At > c.Edges.T[cut+1]:
		return false // more than this happened
	}
	if x.holds(floor) {
		l.adoptFirst(x.Edge, ms, x.N)
	} else {
		c.Edges.Next = x
	}
	return true
}
