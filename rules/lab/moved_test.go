package lab

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"lampward/rules/learn"
)

// handled is what a board publishes while somebody wires, aims or mounts its
// sensor, n readings of it.
func handled(r *rand.Rand, n int, rail float64) []float64 {
	kind, level := r.IntN(3), uni(r, 0, rail)
	v := make([]float64, n)
	for i := range v {
		noise := 10.0
		switch {
		case kind == 0: // never still
			level = uni(r, 0, rail)
		case kind == 1 && r.Float64() < 0.3: // held here and there: on the bench, in the hand
			level = uni(r, 0, rail)
		case kind == 2: // covered, or in front of a torch
			noise = 3
			if r.Float64() < 0.25 {
				level = pick(r, 0, rail, 0.9*rail, rail*uni(r, 0.3, 0.7))
			}
		}
		v[i] = math.Round(math.Min(math.Max(level+noise*r.NormFloat64(), 0), rail))
	}
	return v
}

// mounting is a month of a lamp whose sensor was handled for 3 to 120 readings
// first. The second result is the first reading after that.
func mounting(seed uint64) (*Trace, int) {
	r := rand.New(rand.NewPCG(seed, 77))
	tr := Generate(Families()[pick(r, 0, 0, 2, 6, 8)], seed) // clean, leak, spikes, inverted
	n := int(math.Exp(uni(r, math.Log(3), math.Log(120))))
	pts := make([]Point, 0, n+len(tr.Points))
	for i, v := range handled(r, n, tr.Spec.Rail) {
		pts = append(pts, Point{At: tr.Points[0].At.Add(-time.Duration(n-i) * tr.Spec.Interval), Value: v, Truth: tr.Points[0].Truth})
	}
	tr.Points = append(pts, tr.Points...)
	return tr, n
}

// moved is a month of a lamp whose sensor is moved after 0.3 to 12 days, so that
// lamp and light count 0.2 to 4 times as much as before, from another level on.
// The second result is the first reading after that.
func moved(seed uint64) (*Trace, int) {
	r := rand.New(rand.NewPCG(seed, 78))
	tr := Generate(Families()[pick(r, 0, 0, 2, 6, 8)], seed)
	from := min(int(uni(r, 0.3, 12)*1440), len(tr.Points)-200)
	factor, shift := math.Exp(uni(r, math.Log(0.2), math.Log(4))), uni(r, -60, 600)
	hands := handled(r, int(math.Exp(uni(r, 0, math.Log(15)))), tr.Spec.Rail)
	level := tr.Points[from].Dark
	for i := range tr.Points[from:] {
		p := &tr.Points[from+i]
		noise, lamp := p.Value-p.Dark, 0.0
		if p.Truth == learn.Lit {
			noise, lamp = p.Value-p.LitAs, p.LitAs-p.Dark
		}
		if p.Value = math.Round(level + shift + factor*(p.Dark-level+lamp) + noise); i < len(hands) {
			p.Value = hands[i]
		}
	}
	return tr, from + len(hands)
}

// after scores a learner on what follows reading from; with anew it was told then
// that the sensor is in place.
func after(tr *Trace, from int, anew bool) Result {
	l := learn.New(learn.Config{LitLower: tr.LitLower})
	var ev []Event
	for i, p := range tr.Points {
		if i == from && anew {
			l.Anew()
		}
		if v := l.Observe(p.At, p.Value); v.Changed && i >= from {
			ev = append(ev, Event{p.At, v.State, v.Confidence})
		}
	}
	rest := *tr
	rest.Points = tr.Points[from:]
	return Score(&rest, ev)
}

// TestMoved measures what a sensor costs that was handled before it was in place,
// or was moved later, with and without a person's word for it. With -full it
// prints more months of it.
func TestMoved(t *testing.T) {
	n, from := 12, uint64(1)
	if *full {
		n, from = *seeds, *first
	}
	for _, c := range []struct {
		name   string
		make   func(uint64) (*Trace, int)
		anew   bool
		missed int // of a hundred changes, at most
	}{
		{"mounting", mounting, false, 3},
		{"mounting, told", mounting, true, 1},
		{"moved", moved, false, 10},
		{"moved, told", moved, true, 2},
	} {
		var sum Result
		for s := range n {
			tr, i := c.make(from + uint64(s))
			sum.Add(after(tr, i, c.anew))
		}
		if *full {
			fmt.Println(row(c.name, sum))
			continue
		}
		t.Log(row(c.name, sum))
		if 100*sum.Missed > c.missed*sum.Changes {
			t.Errorf("the learner became worse: %s", row(c.name, sum))
		}
	}
}
