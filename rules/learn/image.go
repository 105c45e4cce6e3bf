package learn

import (
	"encoding/binary"
	"math"
)

// image is core's plain little-endian form, the one that encoding/binary would
// write, on its way out or in. Each type names its fields once, for both ways;
// written out because a start reads thousands of images, and by reflection that
// took most of the time.
type image struct {
	b       []byte
	at      int // in b, of what is written or read next: a slice that is cut shorter each time would cost a write barrier
	reading bool
	strange bool // a number read is none that a learner writes
}

// mostWritten is beyond every number of a learner: readings are bounded by 1e12, and
// sums of their squares over all time stay far below it. Nor does its square overflow.
const mostWritten = 1e40

// next returns the next n bytes.
func (m *image) next(n int) []byte {
	m.at += n
	return m.b[m.at-n : m.at]
}

func (m *image) u8(p *uint8) {
	if b := m.next(1); m.reading {
		*p = b[0]
	} else {
		b[0] = *p
	}
}

func (m *image) u32(p *uint32) {
	if b := m.next(4); m.reading {
		*p = binary.LittleEndian.Uint32(b)
	} else {
		binary.LittleEndian.PutUint32(b, *p)
	}
}

func (m *image) u64(p *uint64) {
	if b := m.next(8); m.reading {
		*p = binary.LittleEndian.Uint64(b)
	} else {
		binary.LittleEndian.PutUint64(b, *p)
	}
}

func (m *image) bool(p *bool) {
	var v uint8
	if *p {
		v = 1
	}
	m.u8(&v)
	*p = v != 0
}

func (m *image) i64(p *int64) {
	v := uint64(*p)
	m.u64(&v)
	*p = int64(v)
}

func (m *image) f64(p *float64) {
	v := math.Float64bits(*p)
	m.u64(&v)
	*p = math.Float64frombits(v)
	m.strange = m.strange || !(math.Abs(*p) <= mostWritten)
}

func (m *image) bools(p ...*bool) {
	for _, x := range p {
		m.bool(x)
	}
}

func (m *image) u32s(p ...*uint32) {
	for _, x := range p {
		m.u32(x)
	}
}

func (m *image) i64s(p ...*int64) {
	for _, x := range p {
		m.i64(x)
	}
}

func (m *image) f64s(p ...*float64) {
	for _, x := range p {
		m.f64(x)
	}
}

func (m *image) row(p []float64) {
	for i := range p {
		m.f64(&p[i])
	}
}

func (c *core) image(m *image) {
	c.Cfg.image(m)
	m.i64(&c.Begin)
	m.u64(&c.N)
	m.i64(&c.At)
	m.f64s(&c.Val, &c.IV)
	c.Smooth.image(m)
	c.Noise.image(m)
	c.Edges.image(m)
	m.f64s(&c.Prelude.N, &c.Prelude.S, &c.Prelude.I, &c.Prelude.SS, &c.Prelude.First)
	c.Range.image(m)
	for i := range c.Hours {
		s := &c.Hours[i]
		m.f64s(&s.Mean, &s.Dev, &s.Minutes, &s.Move, &s.Moves, &s.Jumps, &s.Watched, &s.Firsts, &s.Calm)
	}
	m.bool(&c.Known)
	c.F.image(m)
	m.u32s(&c.NUp, &c.NDown)
	m.i64(&c.Matched)
	m.bools(&c.Taught[0], &c.Taught[1])
	m.row(c.TaughtAs[:])
	m.i64s(&c.TaughtAt[0], &c.TaughtAt[1])
	m.u32(&c.Told)
	m.f64(&c.Refuted)
	m.u32s(&c.NLit, &c.NBlink)
	m.i64s(&c.Lasts[0], &c.Lasts[1])
	m.u8((*uint8)(&c.State))
	m.i64(&c.Since)
	m.bools(&c.Prov, &c.Changed, &c.Settled)
	m.f64(&c.Conf)
	m.u32s(&c.Man.N, &c.Man.Last)
	m.bool(&c.Man.Side)
	m.u32(&c.Man.Run)
	m.i64(&c.Man.Since)
	c.Why.image(m)
	m.u8((*uint8)(&c.Fault))
	m.bool(&c.FaultChanged)
	c.Health.image(m)
}

func (c *config) image(m *image) {
	m.bool(&c.LitLower)
	m.f64s(&c.OnAbove, &c.OffBelow)
	m.i64s(&c.OnDelay, &c.OffDelay, &c.FalseEvery)
}

func (s *smoother) image(m *image) {
	m.u8(&s.Kind)
	m.u32(&s.N)
	m.f64s(&s.Quantum, &s.Y)
	m.row(s.D[:])
	m.f64(&s.Usual)
	m.u32(&s.Quiet)
	m.row(s.Lag[:])
	m.f64s(&s.Weight, &s.S0, &s.S1)
	m.u32s(&s.Small, &s.Blocks)
	m.f64(&s.Low)
	m.row(s.Apart[:])
	m.f64s(&s.Stay, &s.Fits, &s.Size, &s.Alike)
	m.bools(&s.Going, &s.Sharp)
	m.f64(&s.Hint)
	m.u32(&s.Long)
	m.f64(&s.Means)
	m.u32(&s.Run)
	m.f64(&s.First)
	m.row(s.X[:])
}

func (n *noise) image(m *image) {
	m.f64(&n.Last)
	m.row(n.D[:])
	m.u32s(&n.N, &n.Block)
	m.f64s(&n.V, &n.Now, &n.Quantum)
	m.u8(&n.Steps)
	m.u8(&n.Digits)
	m.f64s(&n.Max, &n.Min)
	m.u32s(&n.AtMax, &n.AtMin)
	m.bool(&n.Seen)
	m.f64s(&n.Diff, &n.Sq, &n.Prod)
	m.u32(&n.Calm)
	m.f64(&n.Rho)
}

func (b *bend) image(m *image) { m.f64s(&b.Bend, &b.Power, &b.Ref) }

func (e *edges) image(m *image) {
	e.bend.image(m)
	m.row(e.V[:])
	for i := range e.T {
		m.i64(&e.T[i])
	}
	m.u32(&e.N)
	for i := range e.E {
		e.E[i].image(m)
	}
	m.u32s(&e.NE, &e.Wait, &e.Whole)
	m.f64s(&e.Ripple, &e.Passer)
	x := &e.Next
	x.Edge.image(m)
	m.f64s(&x.Pre, &x.Post, &x.Brink)
	m.u32(&x.N)
	m.f64s(&x.S, &x.I, &x.SS)
}

func (x *edge) image(m *image) {
	m.i64(&x.At)
	m.f64s(&x.Size, &x.SD, &x.From, &x.Leap, &x.Act)
}

func (r *ambient) image(m *image) {
	m.f64s(&r.Lo, &r.Hi, &r.RLo, &r.RHi)
	for i := range r.Past {
		m.row(r.Past[i][:])
	}
	for i := range r.All {
		m.row(r.All[i][:])
	}
	m.f64s(&r.L, &r.Stretch, &r.M, &r.Jump, &r.Way, &r.Span, &r.Slid, &r.Swing, &r.Off)
	m.u32(&r.Hold)
	m.f64(&r.Minutes)
	m.bool(&r.Seen)
}

func (f *filter) image(m *image) {
	f.bend.image(m)
	m.u32(&f.N)
	for i := range f.H {
		h := &f.H[i]
		m.u8((*uint8)(&h.S))
		m.u8((*uint8)(&h.Prev))
		m.u8((*uint8)(&h.Other))
		m.u8(&h.Phase)
		m.u8(&h.Run)
		m.u8(&h.By)
		m.u32(&h.Age)
		m.i64s(&h.Enter, &h.Jump)
		m.f64s(&h.Leap, &h.Base, &h.M, &h.P, &h.W)
	}
	m.f64s(&f.Step, &f.Darkest, &f.Straight, &f.Tau2, &f.R, &f.Q, &f.C, &f.Eps, &f.Ends, &f.Rho, &f.Rho0, &f.First, &f.RhoHour, &f.Jump, &f.Split, &f.Main, &f.Other, &f.Voted, &f.Votes, &f.Part, &f.Blur)
	m.row(f.Runs[0][:])
	m.row(f.Runs[1][:])
	m.row(f.Sides[:])
	m.u8(&f.Going)
	m.u64(&f.Alias.Side)
	m.u64(&f.Alias.Seen)
	m.f64s(&f.Alias.Odds, &f.Alias.Since)
	m.f64(&f.Ripple)
	m.row(f.Ripples[:])
	m.u32(&f.NRipple)
	m.f64s(&f.Rail, &f.PB, &f.Hazard, &f.Calms)
}

func (w *why) image(m *image) {
	m.u8((*uint8)(&w.State))
	m.u8((*uint8)(&w.From))
	m.i64s(&w.At, &w.Enter)
	m.u32s(&w.Held, &w.Flips)
	m.f64s(&w.Value, &w.On, &w.Off, &w.Step, &w.Conf)
	m.bools(&w.Prov, &w.Manual, &w.Beyond, &w.Smoothed)
	m.u8(&w.How)
}

func (h *health) image(m *image) {
	m.u32(&h.Same)
	m.i64(&h.From)
	m.f64(&h.Last)
	m.bool(&h.Seen)
	m.f64s(&h.Max, &h.Min)
	m.u64(&h.AtMax)
	m.u64(&h.AtMin)
	m.u32(&h.Longer)
	m.f64(&h.Equal)
	m.u32s(&h.Block, &h.Loud)
	m.f64s(&h.VHigh, &h.Was)
	m.f64(&h.Prev)
	m.bool(&h.Moved)
	m.f64s(&h.Calm, &h.Stood)
	m.u32(&h.Left)
	x := &h.Near
	m.u8(&x.Band)
	m.u32(&x.N)
	m.i64(&x.From)
	m.f64s(&x.Prev, &x.V)
	for i := range h.AtNear {
		m.u64(&h.AtNear[i])
	}
	m.f64(&h.Best)
	m.u32s(&h.Wait, &h.Aged, &h.Quiet)
	m.f64s(&h.Lo, &h.Hi)
	m.u8(&h.End)
	m.bool(&h.Flapping)
	m.f64(&h.Flap)
	m.i64s(&h.Shook, &h.Flaps)
	m.bool(&h.At)
	m.u32s(&h.Turns, &h.There)
	m.u64(&h.Flapped)
	for i := range h.AtEnd {
		m.u64(&h.AtEnd[i])
	}
	m.f64(&h.Other)
}
