package lab

import (
	"math"
	"slices"
	"time"

	"lampward/rules/learn"
)

// Event is one announced change.
type Event struct {
	At         time.Time
	State      learn.State
	Confidence float64
}

// Result is how the events of a trace compare with its truth.
//
// A change of the truth to state S is found if an event of kind S comes at or
// after the change's first reading, no later than Tolerance readings after it,
// and no later than Grace readings after the truth has moved on. Each event
// matches one change at most and each change one event. A change that no event
// matches is missed; an event that matches no change is false, so a second lit
// while already lit is false. The state at the first reading is no change. The
// delay counts readings from the first of the new truth to the deciding one.
type Result struct {
	Changes, Missed, False int
	EarlyMissed            int // missed changes within the first day, counted in Missed as well
	EarlyFalse             int // false events within the first day, counted in False as well
	Delay, BlinkDelay      []int
	Found                  []bool // for each event, whether it was right
}

// The scorer's tolerances, in readings.
const (
	Tolerance = 30
	Grace     = 3
)

// Score compares events, in order of time, with the truth of a trace.
func Score(tr *Trace, events []Event) Result {
	var res Result
	type change struct {
		i, next int // first reading of the new state and of the one after
		to      learn.State
		found   bool
	}
	var ch []change
	pts := tr.Points
	for i := 1; i < len(pts); i++ {
		if pts[i].Truth != pts[i-1].Truth {
			if n := len(ch); n > 0 {
				ch[n-1].next = i
			}
			ch = append(ch, change{i: i, next: len(pts), to: pts[i].Truth})
		}
	}
	res.Changes = len(ch)
	day := pts[0].At.Add(24 * time.Hour)
	j := 0
	for _, e := range events {
		for j < len(pts)-1 && pts[j].At.Before(e.At) {
			j++
		}
		ok := false
		for c := range ch {
			x := &ch[c]
			if !x.found && x.to == e.State && j >= x.i && j <= min(x.i+Tolerance, x.next+Grace) {
				x.found, ok = true, true
				if x.to == learn.Blinking {
					res.BlinkDelay = append(res.BlinkDelay, j-x.i)
				} else {
					res.Delay = append(res.Delay, j-x.i)
				}
				break
			}
		}
		if !ok {
			res.False++
			if e.At.Before(day) {
				res.EarlyFalse++
			}
		}
		res.Found = append(res.Found, ok)
	}
	for _, x := range ch {
		if !x.found {
			// a change in the last readings of the trace cannot be told any more
			if len(pts)-x.i <= 15 {
				res.Changes--
				continue
			}
			res.Missed++
			if pts[x.i].At.Before(day) {
				res.EarlyMissed++
			}
		}
	}
	return res
}

// Add sums two results.
func (r *Result) Add(o Result) {
	r.Changes += o.Changes
	r.Missed += o.Missed
	r.False += o.False
	r.EarlyMissed += o.EarlyMissed
	r.EarlyFalse += o.EarlyFalse
	r.Delay = append(r.Delay, o.Delay...)
	r.BlinkDelay = append(r.BlinkDelay, o.BlinkDelay...)
}

// Median of whole numbers; -1 if there are none.
func Median(v []int) int {
	if len(v) == 0 {
		return -1
	}
	v = slices.Sorted(slices.Values(v))
	return v[len(v)/2]
}

// Run lets a fresh learner watch a trace.
func Run(tr *Trace) []Event {
	l := learn.New(learn.Config{LitLower: tr.LitLower})
	var out []Event
	for i := range tr.Points {
		if v := l.Observe(tr.Points[i].At, tr.Points[i].Value); v.Changed {
			out = append(out, Event{tr.Points[i].At, v.State, v.Confidence})
		}
	}
	return out
}

// Hindsight is the best that one fixed threshold can do with a debounce of two
// readings, chosen with the truth at hand to make missed plus false least.
func Hindsight(tr *Trace) Result {
	v := make([]float64, 0, len(tr.Points))
	for _, p := range tr.Points {
		v = append(v, p.Value)
	}
	slices.Sort(v)
	var tried []float64
	lo, hi := v[len(v)/1000], v[len(v)-1-len(v)/1000]
	for i := range 40 {
		tried = append(tried, lo+(hi-lo)*(float64(i)+0.5)/40+0.013)
		tried = append(tried, v[int(float64(len(v)-1)*(float64(i)+0.5)/40)]+0.013)
	}
	best, bad := Result{}, math.MaxInt
	for _, th := range tried {
		if r := Score(tr, Threshold(tr, th)); r.Missed+r.False < bad {
			best, bad = r, r.Missed+r.False
		}
	}
	return best
}

// Threshold announces lit and dark by one threshold with a debounce of two.
func Threshold(tr *Trace, th float64) []Event {
	var out []Event
	state, run := learn.Learning, 0
	for _, p := range tr.Points {
		s := learn.Dark
		if (p.Value > th) != tr.LitLower {
			s = learn.Lit
		}
		if s == state {
			run = 0
			continue
		}
		if run++; run >= 2 {
			if state != learn.Learning {
				out = append(out, Event{p.At, s, 1})
			}
			state, run = s, 0
		}
	}
	return out
}

// Clairvoyant is a hidden Markov filter that is told what no learner can know:
// the ambient light of every moment without noise, the lamp's step, the noise,
// the spike rate, how long the board averages, for how much of a period a blinking
// lamp shines, and the mean lengths of the episodes. It announces a state when its
// chance passes 0.9995, blinking a little sooner.
func Clairvoyant(tr *Trace) []Event {
	s := &tr.Spec
	const sure = 0.9995
	n := [4]float64{}
	sw := 1.0
	for i := 1; i < len(tr.Points); i++ {
		n[tr.Points[i].Truth]++
		if tr.Points[i].Truth != tr.Points[i-1].Truth {
			sw++
		}
	}
	rate := sw / float64(len(tr.Points))
	share := [4]float64{}
	for k := 1; k < 4; k++ {
		share[k] = (n[k] + 1) / (float64(len(tr.Points)) + 3)
	}
	var p [4]float64
	p[1], p[2], p[3] = share[1], share[2], share[3]
	if s.BlinkShare == 0 {
		p[3] = 0
	}
	sd := math.Sqrt(s.Noise*s.Noise + 1.0/12)
	span, duty := 12*s.Step, s.duty()
	blur := math.Min(2*1.25*s.Window, 0.9) // share of readings in between, at the mean rate of 1.25 Hz
	density := func(y, mean float64) float64 {
		z := (y - mean) / sd
		g := math.Exp(-z*z/2) / (sd * math.Sqrt(2*math.Pi))
		if mean <= 0 && y <= 0 || mean >= s.Rail && y >= s.Rail {
			g = 0.5 // clipped: a lump
		}
		return (1-s.Spikes-1e-6)*g + (s.Spikes+1e-6)/span
	}
	var out []Event
	var last *Point
	state := learn.Learning
	for i := range tr.Points {
		pt := &tr.Points[i]
		if last != nil && pt.Value == last.Value && pt.At.Sub(last.At) < 8*time.Second {
			continue
		}
		last = pt
		fd, fl := density(pt.Value, pt.Dark), density(pt.Value, pt.LitAs)
		between := 0.0
		if step := pt.LitAs - pt.Dark; (pt.Value-pt.Dark)/step > 0 && (pt.Value-pt.Dark)/step < 1 {
			between = blur / math.Abs(step)
		}
		some := (1-duty)*fd + duty*fl
		// blinking begins with the first reading that shows it
		into := [4][4]float64{
			1: {1: (1 - rate) * fd, 2: rate * 0.5 * fl, 3: rate * 0.5 * ((1-blur)*fl + between)},
			2: {1: rate * 0.5 * fd, 2: (1 - rate) * fl, 3: rate * 0.5 * ((1-blur)*fd + between)},
			3: {1: rate * 0.5 * fd, 2: rate * 0.5 * fl, 3: (1 - rate) * ((1-blur)*some + between)},
		}
		var q [4]float64
		for j := 1; j < 4; j++ {
			for k := 1; k < 4; k++ {
				if k < 3 || s.BlinkShare > 0 {
					q[k] += p[j] * into[j][k]
				}
			}
		}
		sum := q[1] + q[2] + q[3]
		for k := 1; k < 4; k++ {
			p[k] = q[k] / sum
			enough := sure
			if k == 3 { // it may have ended with any reading
				enough = math.Min(sure, 1-8*rate)
			}
			if p[k] > enough && learn.State(k) != state {
				if state != learn.Learning {
					out = append(out, Event{pt.At, learn.State(k), p[k]})
				}
				state = learn.State(k)
			}
		}
	}
	return out
}
