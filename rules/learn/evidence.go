package learn

import (
	"math"
	"slices"
)

// evidence weighs, as the logarithm of a likelihood ratio, how much better a
// lamp of this step explains the edges of about its size than clouds do.
//
// Clouds would spread the sizes log-uniformly, so that among n others between
// 1/1.6 and 1.6 times the size n*width/(size*ln 2.56) would fall as close as
// these; a lamp's edges come on top of that (Poisson), scatter no more than
// their readings do, come at all hours (watched tells for how many they could have),
// and alternate in sign except where one went unseen. An edge of another size
// amid moving light counts for other: clouds that make sharp edges at all make
// them of this size, too. By a bend edges of many sizes are those of one step: there one that
// begins where the last one the same way ended is another light's beside the lamp, which does
// not light twice in a row.
func (e *edges) evidence(size, watched, other float64) (ev, mean float64, n int) {
	const never = 20 // times as much against it as one change unseen in between
	k, others, turns, wrong := 0.0, 1.0, 0.0, 0.0
	width, sum, sum2, spread := 0.0, 0.0, 0.0, 0.0
	var last *edge // of this size, as it was read
	var at [nEdges]int64
	for i := range e.E[:e.NE] {
		x := e.at(i)
		a := math.Abs(x.Size)
		if a < size/1.6 || a > 1.6*size {
			continue
		}
		w := x.credit()
		if e.Bend != 0 && x.halfSharp() {
			w = math.Max(w, halfCredit)
		}
		tol := x.tolerance(size)
		d := a - size
		if math.Abs(d) > tol {
			others += math.Max(w, other)
			continue
		}
		if w == 0 { // no evidence, but it may be the turn between two that are
			last = &e.E[i]
			continue
		}
		at[n] = x.At % dayMS
		n++
		k += w
		sum += mul(w, d)
		sum2 += mul(w, sq(d))
		spread += mul(w, sq(0.4*tol))
		width += mul(w, 2*tol)
		if last != nil {
			switch {
			case (x.Size > 0) != (last.Size > 0):
				turns += w
			case e.Bend != 0 && math.Abs(x.From-(last.From+last.Size)) < 0.15*math.Abs(e.E[i].Size):
				wrong += mul(never, w)
			case math.Abs(x.From-last.From) > 0.1*size: // else it went back in between, unseen
				wrong += w
			}
		}
		last = &e.E[i]
	}
	if n == 0 {
		return 0, 0, 0
	}
	chance := others * (width / k) / (size * 0.94)
	if k > chance {
		ev = mul(k, ln(k/chance)) - (k - chance)
	}
	// scatter beyond what the readings' noise explains (chi square)
	if excess := (sum2 - sq(sum)/k) / (spread / k); excess > k {
		ev -= mul(0.5, excess-k)
	}
	// Clouds come by day: their edges crowd into a part of it. They do not keep
	// to less than eight hours for days on end: that is a lamp of fixed hours.
	const daylight = 8
	if share := math.Max(crowd(at[:n], n), daylight) / math.Min(watched, 24); share > 0 && share < 1 {
		ev += math.Min(mul(k/float64(n), ln(float64(n))+mul(float64(n-1), ln(share))), 0)
	}
	// a lamp alternates 9 times in 10, clouds 7 times in 10
	return ev + mul(0.25, turns) - mul(1.1, wrong), size + sum/k, n
}

// halfCredit is how much an edge that is half sharp speaks for a bend.
const halfCredit = 0.3

const dayMS = 86_400_000

// crowd is the length, in hours, of the shortest part of the day that holds so many of
// these times of the day (ms).
func crowd(at []int64, many int) float64 {
	slices.Sort(at)
	least := int64(dayMS)
	for i := range at {
		last := i + many - 1
		d := at[last%len(at)] - at[i]
		if last >= len(at) {
			d += dayMS
		}
		least = min(least, d)
	}
	return math.Max(float64(least)/3_600_000, 1)
}

// hours gives the times of the day, ms, of the credible edges of this size, with room
// for one more.
func (e *edges) hours(step float64) (at [nEdges + 1]int64, n int) {
	for i := range e.E[:e.NE] {
		if x := e.at(i); x.speaks(step) {
			at[n] = x.At % dayMS
			n++
		}
	}
	return at, n
}

// spread is the shortest part of the day, in hours, that holds the credible edges of this
// size, but for a share of them, which noise may have made at any hour.
func (e *edges) spread(step, but float64) float64 {
	at, n := e.hours(step)
	if n == 0 {
		return 0
	}
	return crowd(at[:n], n-int(but*float64(n)))
}

// oldest is the time of the oldest credible edge of this size, Unix ms; beyond all times
// if there is none.
func (e *edges) oldest(step float64) int64 {
	if i := slices.IndexFunc(e.E[:e.NE], func(x edge) bool { x = e.straight(x); return x.speaks(step) }); i >= 0 {
		return e.E[i].At
	}
	return math.MaxInt64
}

// days is how many days the collected edges span.
func (e *edges) days() float64 {
	if e.NE == 0 {
		return 0
	}
	return float64(e.E[e.NE-1].At-e.E[0].At) / dayMS
}

// tolerance is how far from size the edge may be to be of that size: 2.5
// standard errors and a little.
func (x *edge) tolerance(size float64) float64 { return mul(0.03, size) + mul(1.5, x.SD) }

// is tells whether it is an edge of this size, credible or not.
func (x *edge) is(size float64) bool { return math.Abs(math.Abs(x.Size)-size) <= x.tolerance(size) }

// speaks tells whether it is a credible edge of this size.
func (x *edge) speaks(size float64) bool { return x.is(size) && x.credit() > 0 }

// measure gives the mean of the last edges of about this step, each by its
// trust: one in still light tells the step to a part of the noise, one amid
// clouds hardly anything.
func (e *edges) measure(step float64) (mean float64, ok bool) {
	sw, fade := 0.0, 1.0
	for i := int(e.NE) - 1; i >= 0; i-- {
		x := e.at(i)
		d := math.Abs(x.Size) - step
		if math.Abs(d) > 0.25*step {
			continue
		}
		w := fade / (mul(0.36, sq(x.SD)) + sq(mul(0.15, mul(x.Act, step))) + sq(0.005*step))
		sw += w
		mean += mul(w, d)
		fade *= 1 - 0.1/x.unrest() // what clouds teach does not age what was seen in still light
	}
	if sw == 0 {
		return step, false
	}
	return step + mean/sw, true
}

// dwarfed tells whether credible edges were seen that are much larger, and no visitor's.
func (e *edges) dwarfed(step float64) bool {
	for i := range e.E[:e.NE] {
		if x := e.at(i); math.Abs(x.Size) > 1.5*step && x.credit() > 0.4 && !e.passing(x.Size) {
			return true
		}
	}
	return false
}

// daily tells whether the edges of this size come at the same hours on
// several days, as those of a room's light do. One of eight may come at another:
// a cloud's edge of the same size.
func (e *edges) daily(step float64) bool {
	var at [2][nEdges]int64
	var n [2]int
	for i := range e.E[:e.NE] {
		x := e.at(i)
		if !x.speaks(step) {
			continue
		}
		k := 0
		if x.Size < 0 {
			k = 1
		}
		at[k][n[k]] = x.At
		n[k]++
	}
	all := n[0] + n[1]
	return all >= 3 && all-together(at[0][:n[0]])-together(at[1][:n[1]]) <= all/8
}

// together is the largest number of these times (ms, ascending) that lie within an
// hour and a half of one time of the day, one a day.
func together(at []int64) (most int) {
	const slack = 5_400_000 // ms
	for _, ref := range at {
		n, last := 0, int64(math.MinInt64/2)
		for _, t := range at {
			d := (t - ref) % dayMS
			if d < 0 {
				d += dayMS
			}
			if (d <= slack || d >= dayMS-slack) && t-last >= dayMS/2 {
				n, last = n+1, t
			}
		}
		most = max(most, n)
	}
	return most
}

// other is the size of another light's edges, such as a room's: the most frequent one
// beside the step's, of four edges at least, up and down; 0 if there is none. Those that
// end at the converter's rail (0: unknown), cut short, may be the lamp's.
func (e *edges) other(step, rail float64) float64 {
	beside := func(i int) bool {
		x := e.at(i)
		return math.Abs(math.Abs(x.Size)-step) > 0.25*step && !e.E[i].cut(rail)
	}
	best, most := 0.0, 3
	for i := range e.E[:e.NE] {
		if !beside(i) {
			continue
		}
		size := math.Abs(e.at(i).Size)
		n, up, sum := 0, 0, 0.0
		for k := range e.E[:e.NE] {
			if x := e.at(k); x.speaks(size) && beside(k) {
				n++
				sum += math.Abs(x.Size)
				if x.Size > 0 {
					up++
				}
			}
		}
		if n > most && up > 0 && up < n {
			best, most = sum/float64(n), n
		}
	}
	return best
}

// fit finds the step that the collected edges speak for, with its evidence.
// Of two that qualify it takes the larger: room lights are no lamps. Where the
// light is known never to move by itself (still), or by slopes only (smooth), less
// evidence will do, for slopes if it does not come at the same hours. Where
// it moves (by moves counts; infinite if that is not known yet) nearly as far as
// the step, edges that slide are no lamp's; and of edges in two readings each,
// which may be a cloud's or of a board that averages, many are asked for if they
// come at the same hours each day. sd is the readings' noise.
func (e *edges) fit(watched float64, still, smooth bool, moves, sd float64) (step, evidence float64) {
	const other = 0.3
	for i := range e.E[:e.NE] {
		x := e.at(i)
		ev, mean, n := e.evidence(math.Abs(x.Size), watched, other)
		least := 6.0
		switch {
		case n == 2:
			least = 4.5
		case still, smooth && e.spread(mean, 0) > 8:
			least = 2
		}
		if n < 2 || ev < least || e.passing(mean) {
			continue
		}
		daily := e.daily(mean)
		if moves > 0.4*mean {
			if share, _ := e.sharp(mean, sd); share < 0.7 || share < 0.85 && daily && n < 16 {
				continue
			}
		}
		if e.dwarfed(mean) && (daily || ev < 12) || daily && n < 8 {
			continue
		}
		if step == 0 || mean > muchMore*step || mean > muchLess*step && ev > evidence {
			step, evidence = mean, ev
		}
	}
	return step, evidence
}

// sharp is the mean share of their size that the edges of about this step made
// from one reading to the next, allowing for the readings' noise (sd), and how
// many they are: about 1 for a lamp, 0.75 where the board averages over its
// interval, less for light that slides.
func (e *edges) sharp(step, sd float64) (share float64, n int) {
	for i := range e.E[:e.NE] {
		x := e.at(i)
		if a := math.Abs(x.Size); math.Abs(a-step) < 0.25*step {
			// the least of three differences is by 1.2 sd less than their mean
			share += clamp((x.Leap+mul(1.2, sd))/a, 0, 1.2)
			n++
		}
	}
	if n > 0 {
		share /= float64(n)
	}
	return share, n
}

// replaced tells whether edges of this smaller step, hardly seen before the last of
// the old step, have come in its place since, up and down in turn, though the old
// one came so often that its absence is no chance: the sensor slipped or was moved.
func (e *edges) replaced(step, old float64, now int64) bool {
	from, to, n := int64(0), int64(0), 0
	for i := range e.E[:e.NE] {
		x := e.at(i)
		if x.speaks(old) || math.Abs(math.Abs(x.Size)-old) < 0.1*old {
			if n == 0 {
				from = x.At
			}
			to = x.At
			n++
		}
	}
	if n < 2 || float64(now-to)*float64(n-1) < 6*float64(to-from) {
		return false
	}
	since, odd, last := 0, 0, 0.0
	for i := range e.E[:e.NE] {
		x := e.at(i)
		if !x.speaks(step) {
			continue
		}
		switch {
		case x.At <= to, (x.Size > 0) == (last > 0) && last != 0:
			odd++
		case x.Act < 0.25:
			since++
		}
		last = x.Size
	}
	return since >= max(5, 12-2*n) && 4*odd <= since && !e.daily(step)
}
