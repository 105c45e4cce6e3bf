package learn

import "math"

// Whoever comes to a room that is seldom visited switches a light on for some minutes, or
// holds a torch, and that may be brighter at the sensor than the lamp: of two lights the
// larger one is not the lamp's then. But it never shines for long, and an appliance's lamp
// does, until somebody sees to it.

const (
	moment = 20 * 60_000 // ms: a light that never shines for longer may be a visitor's
	stays  = 20 * 60_000 // ms: one that shines for as long is none
)

// lasted takes note of how long the state that ends at this time, Unix ms, lasted by the step
// in use.
func (c *core) lasted(until int64) {
	if c.Told > 0 && (c.State == Dark || c.State == Lit) {
		p := &c.Lasts[c.State-Dark]
		*p = max(*p, until-c.Since)
	}
}

// glimpsed takes note of how long the state before this edge, the first of a new step, lasted, if
// the readings kept show its beginning.
func (c *core) glimpsed(e edge) {
	i, oldest := nBuf-1, nBuf-int(c.Edges.N)
	for i > oldest && c.Edges.T[i] >= e.At {
		i--
	}
	last := i
	for i > oldest && math.Abs(c.Edges.V[i]-e.From) < 0.3*math.Abs(e.Size) {
		i--
	}
	if i == last || math.Abs(c.Edges.V[i]-(e.From+e.Size)) > 0.3*math.Abs(e.Size) {
		return
	}
	s := Dark
	if e.Size < 0 {
		s = Lit
	}
	c.Lasts[s-Dark] = e.At - c.Edges.T[i+1]
}

// passedBy takes the light of the step in use for a visitor's.
func (c *core) passedBy() {
	c.Edges.Passer = c.F.Step
	if lit := c.Lasts[Lit-Dark]; lit == 0 || lit > moment {
		c.Edges.Passer = -c.F.Step
	}
}

// passes tells whether the step in use is that of a light that was never lit, or never dark,
// for longer than moments.
func (c *core) passes() bool {
	if !c.Known || c.NBlink > 0 || c.Taught[0] && c.Taught[1] {
		return false
	}
	for i, lasts := range c.Lasts {
		if lasts > 0 && lasts <= moment && (c.State != Dark+State(i) || c.At-c.Since <= moment) {
			return true
		}
	}
	return false
}

// passing tells whether a light of this size is known to shine for moments only.
func (e *edges) passing(size float64) bool {
	p := math.Abs(e.Passer)
	return p > 0 && math.Abs(math.Abs(size)-p) < 0.15*p
}

// stayedOn tells whether the last edge is that of a light that has stayed since, though it was
// taken for a visitor's, or is smaller than the step in use, which is one's.
func (c *core) stayedOn() bool {
	if c.Edges.NE == 0 || c.Edges.N < nBuf {
		return false
	}
	x := c.Edges.E[c.Edges.NE-1]
	switch {
	case c.At-x.At < stays, c.At-x.At > 2*stays, c.Edges.T[0] < x.At, c.Edges.returned(x) > 0:
		return false
	case c.Edges.passing(x.Size):
		return (x.Size > 0) == (c.Edges.Passer > 0)
	}
	return c.passes() && math.Abs(c.Edges.straight(x).Size) < muchLess*c.F.Step && x.Act <= 0.15 && c.crisp(x) && !c.Edges.daily(math.Abs(x.Size))
}
