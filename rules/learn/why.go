package learn

import (
	"fmt"
	"math"
)

// why is what the sentence about the last announced change is made of.
type why struct {
	State, From  State
	At, Enter    int64
	Value, Level float64
	Conf         float64
	Prov         bool
}

// Why says in one plain sentence why the last change was announced; empty if
// none was.
func (l *Learner) Why() string {
	w := &l.c.Why
	if w.State == Learning {
		return ""
	}
	return fmt.Sprintf("reading %.6g against level %.6g", w.Value, l.c.sign()*w.Level)
}

// Aim tells how well the two levels can be told apart right now.
func (l *Learner) Aim() Aim {
	c := &l.c
	a := Aim{Value: c.Val, Noise: math.Sqrt(c.Noise.variance())}
	return a
}
