package learn

import "math"

// Sizes of edges and steps, as the lab and the generators of CHOICE.md showed them.
const (
	beyondNoise = 14.0 // standard deviations: no noise comes near, not even with heavy tails
	justSeen    = 3.4  // standard deviations: detect sees edges from 3 on, and noise makes them just so large
	beyondSmall = 9.0  // standard deviations: such an edge is seen by its readings
	beyondRoom  = 25.0 // standard deviations: more than a room's light made, measured in calm hours

	muchLess, muchMore = 0.77, 1.3 // of a step: beyond these it is another one
)

// edge looks for a sharp edge and learns the step from it.
func (l *Learner) edge(ms int64) {
	c := &l.c
	floor := c.Noise.variance()
	sd := math.Sqrt(floor)
	if !c.Known && (l.blinksAlready(ms, floor) || l.visit(ms, floor)) {
		return
	}
	e, hold, ok := c.newEdge(floor)
	if !ok {
		if c.stayedOn() {
			x := c.Edges.E[c.Edges.NE-1]
			is := true // the lamp
			if c.Edges.passing(x.Size) {
				c.Edges.Passer = 0
				is = c.alone(x, c.surpasses(x)) && (!c.Known || c.givesWay(x, sd))
			} else {
				c.passedBy()
			}
			if is {
				l.adoptFirst(x, ms, nBuf)
			}
			return
		}
		if c.Known {
			return
		}
		if c.Range.Seen && (c.Edges.Next.N > 0 || !l.early(ms)) {
			l.held(ms, floor)
		}
		if n := c.Edges.NE; !c.Known && n > 0 && c.Edges.E[n-1].At == c.Edges.T[0] {
			l.stayed(c.Edges.E[n-1], ms)
		}
		return
	}
	if !c.Range.Seen || c.tried(e) { // what was before it is all the light known
		c.Range.begin(e.From)
	}
	c.weigh(&e, floor)
	first := c.Edges.NE == 0 || c.surpasses(e)
	c.Edges.record(e)
	c.Range.edge(e.Size, hold)
	ended := c.Edges.ended(e, sd)
	if to, step, ok := c.Edges.unbent(c.Range.Minutes/60, c.Noise.rail()); ok {
		c.follow(c.Edges.referred(to, step, c.Noise.rail()))
	}
	if c.Known && l.ofKnown(e, sd, ms) {
		return
	}
	if c.Known {
		c.F.otherLight(c.Edges.other(c.F.Step, c.Noise.rail()), c.Edges.straight(e))
	}
	if c.Known && c.Edges.daily(c.F.Step) && c.Edges.dwarfed(c.F.Step) {
		// a room's light was taken for the lamp
		c.forget()
	}
	if c.Known && c.mounting(e, sd) {
		c.unmount(e)
		first = c.surpasses(e)
	}
	a := math.Abs(e.Size)
	step, ev := c.believed(e, sd)
	switch {
	case a < 2*c.Refuted && step == 0, c.Edges.passing(a):
	case (a < mul(beyondSmall, sd) || c.Edges.returned(e) == 0 || ended) && (c.alone(e, first) && (!c.Known || c.givesWay(e, sd)) || c.outshines(e)):
		if ended && c.Edges.Wait > 0 { // the next edge is a reading nearer than others may be
			c.Edges.Wait--
		}
		if to, ok := c.grown(&e); ok {
			c.Edges.bend = to
			l.relearned(math.Abs(e.Size), e, ms)
			return
		}
		l.adoptFirst(e, ms, half)
	case step > 0 && !c.Known,
		step > muchMore*c.F.Step && ev > 6,
		step > 0 && step < muchLess*c.F.Step && c.outgrown(step, ms, ev):
		l.relearned(step, e, ms)
	}
}

// givesWay tells whether the step in use may make way for this edge alone, for the edge is
// larger: little speaks for the step, and few edges taught it or it is small; or another
// light made it.
func (c *core) givesWay(e edge, sd float64) bool {
	few, small := c.NUp+c.NDown < 12, c.F.Step < mul(beyondSmall, sd)
	x := c.Edges.straight(e)
	return math.Abs(x.Size) > 1.5*c.F.Step && ((few || small) && c.weak() && !c.both(x) || c.unlike(e))
}

// grown tells whether this edge, which is larger than the step in use, is the same lamp's in less
// light than it was seen in so far, read through a divider, and by which bend.
func (c *core) grown(e *edge) (to bend, ok bool) {
	const fewest = 4 // edges
	f := &c.F
	if !c.Known || f.Bend != 0 || c.NUp+c.NDown < fewest {
		return to, false
	}
	day, n := edge{}, 0.0 // what taught the step, on average
	for i := range c.Edges.E[:c.Edges.NE] {
		if x, a := &c.Edges.E[i], math.Abs(c.Edges.E[i].Size); math.Abs(a-f.Step) < 0.25*f.Step && x.Leap > 0.8*a && !x.cut(c.Noise.rail()) {
			day.From += x.dark()
			day.Size += a
			n++
		}
	}
	if n < fewest {
		return to, false
	}
	day = edge{From: day.From / n, Size: day.Size / n, Leap: day.Size / n}
	if e.dark() > day.From || !squeezed(e, &day) {
		return to, false
	}
	return through(math.Abs(e.Size), day.Size, day.From-e.dark(), e.dark()), true
}

// both tells whether an edge is as large as the step in use and another light's change
// together, which was seen twice at least.
func (c *core) both(e edge) bool {
	n, rest := 0, math.Abs(e.Size)-c.F.Step
	for i := range c.Edges.E[:c.Edges.NE] {
		if x := c.Edges.at(i); x.speaks(rest) && !x.speaks(c.F.Step) {
			n++
		}
	}
	return n > 1
}

// blinksAlready begins with a lamp that is first seen blinking.
func (l *Learner) blinksAlready(ms int64, floor float64) bool {
	c := &l.c
	lo, hi, flips, ok := c.Edges.blinks(floor)
	step, sd, went := hi-lo, math.Sqrt(floor), c.Range.RHi-c.Range.RLo
	if !ok || went >= 1.2*step || flips < 8 && !c.calmer(step) ||
		c.wanders(step, sd) || c.Noise.Block <= 1 && sq(step) <= 150*floor || c.clouded(lo, hi, flips, floor) {
		return false
	}
	lo, hi = c.Edges.sharpened(lo, hi, floor)
	c.adopt(mul(c.Edges.ratio(lo), hi-lo), 0)
	c.F.start(Blinking, lo, c.Edges.T[0])
	c.F.PB = 0.5
	if c.N < nBuf+half && c.Edges.firstFlip(0.5*(lo+hi)) <= 4 {
		// it blinks since the start: that is no change
		c.State, c.Prov, c.Conf, c.Since = Blinking, true, 0.95, c.Edges.T[0]
		c.NBlink++
		l.settle(ms, byLearning)
		return true
	}
	l.announce(Blinking, ms, c.Edges.T[0], nBuf, 0.95)
	return true
}

// clouded tells whether broken clouds may be what lets the light flicker between two
// levels not far apart, so many times in the last readings: where the light goes half as
// far at this hour, or did lately, they seldom come less often than a lamp would blink.
// Elsewhere they do, and are not so sharp. In the first two hours nobody knows whether
// the light moves.
func (c *core) clouded(lo, hi float64, flips int, floor float64) bool {
	step, sd := hi-lo, math.Sqrt(floor)
	if step > mul(beyondRoom, sd) {
		return false
	}
	if by, known := c.stirs(c.At); known && by > mul(0.5, step) {
		return true
	}
	moves := c.Range.RHi-c.Range.RLo > mul(0.25, step)+mul(1.2, sd) || !c.calmer(0.5*step)
	return flips < 9 && (c.Range.Minutes < 120 || moves || c.Edges.scatter(lo, hi) > 1.5*floor)
}

// visit begins with a lamp that shows itself for a few minutes only: by the first
// visit that it is known from, the lamp is dark again.
func (l *Learner) visit(ms int64, floor float64) bool {
	c := &l.c
	e, first, ok := c.Edges.pulse(floor)
	if !ok || math.Abs(e.Size) <= 2*c.Refuted {
		return false
	}
	if v := c.Edges.V[nBuf-half-1]; e.Size > 0 && c.Noise.end(v) && c.Edges.V[nBuf-half-2] == v && c.Edges.V[nBuf-half-3] == v {
		return false // it went down to the end of the range: a loose contact, not a lamp that was off for minutes
	}
	if c.Range.Jump <= first && c.Range.Jump > 0.9*first { // that was its own
		c.Range.Jump = 0
	}
	if !c.quiet(e) {
		return false
	}
	if n := c.Edges.NE; n > 0 && c.Edges.E[n-1].At >= c.Edges.T[0] { // its first edge was recorded
		c.Range.edge(e.Size, nBuf-half)
	} else {
		c.Range.Hold = nBuf - half
	}
	c.Edges.record(e)
	// what the hours know is the level after it, not the one before as with a
	// lone edge
	c.Hours.shift(-e.Size)
	l.adoptFirst(e, ms, half)
	c.NLit = brief
	return true
}

// newEdge is the edge that the last reading made plain, and the readings until it
// has left the window.
func (c *core) newEdge(floor float64) (e edge, hold uint32, ok bool) {
	still := c.Range.Minutes > 60 && c.Range.RHi-c.Range.RLo < mul(1.7, math.Sqrt(floor))
	wait := c.Edges.Wait
	if e, ok = c.Edges.detect(floor, still); !ok {
		if stay, left, fades := c.fades(floor); fades {
			sent := c.Edges.V
			c.Edges.settle(stay, left)
			c.Edges.Wait = wait
			e, ok = c.Edges.detect(floor, still)
			c.Edges.V = sent
		}
	}
	if ok || c.Known || c.N != nBuf || c.Edges.N != nBuf {
		return e, nBuf - half, ok
	}
	e, before, ok := c.Edges.opening(floor)
	return e, uint32(before), ok
}

// fades tells whether the change half readings back may be the lamp's before a board that
// smooths and of which nothing else is known yet, and how (see edges.fades). Else the lamp's
// first changes, which show how it smooths, would pass for clouds'. Where the light moves they
// may be.
func (c *core) fades(floor float64) (stay, left float64, ok bool) {
	if c.Known || c.Smooth.Kind != notSmoothed {
		return 0, 0, false
	}
	stay, left, ok = c.Edges.fades(floor, c.Noise.Quantum)
	return stay, left, ok && c.moved(c.At) <= mul(0.1, math.Abs(left)/stay)+mul(1.2, math.Sqrt(floor))
}

// weigh says how restless the light is about an edge, and measures it anew if it is.
// Noise alone makes the smoothed level range over about a standard deviation;
// readings that spread more than noise are moving light, too.
func (c *core) weigh(e *edge, floor float64) {
	sd := math.Sqrt(floor)
	move, _ := c.stirs(e.At)
	a := math.Abs(e.Size)
	if c.own(*e) {
		move = 0
	}
	if a > mul(beyondNoise, sd) { // it may be a room's light, and what slides be daylight
		move += c.Range.Slid
	}
	rough := clamp((e.SD/a-0.05)/0.1, 0, 1)
	if c.Edges.Ripple > 0 {
		rough = 0
	}
	e.Act = clamp((move-mul(1.2, sd))/a+mul(rough, 0.2*math.Max(sq(e.SD)/floor-1.7, 0)), 0, 100)
	if e.Act > 0.1 && e.Leap > 0.85*a && a > mul(15, sd) {
		// amid moving light the two levels tell less than the jump itself, which
		// is the least of three differences, 1.2 deviations less than their mean
		e.Size = math.Copysign(e.Leap+mul(1.2, sd), e.Size)
	}
}

// own tells whether all that the light seems to have moved by in the first hours may be
// the lamp's: changes by just the jump of this edge, of which no edge was seen, for they
// came too soon after the first reading or after each other, as when somebody tries it.
func (c *core) own(e edge) bool {
	a, sd := math.Abs(e.Size), math.Sqrt(c.Noise.variance())
	return c.At-c.Begin < setup && c.crisp(e) &&
		math.Abs(c.Range.Jump+mul(1.2, sd)-a) < mul(0.05, a)+mul(2, sd) && math.Max(c.Range.Hi-c.Range.Lo, c.Range.RHi-c.Range.RLo) < a+mul(3, sd)
}

// mounting tells whether the step in use is that of a light which shone at the first
// reading, went out within an hour and did not come again, as somebody's who mounted the
// sensor, now that this edge leads up by another size.
func (c *core) mounting(e edge, sd float64) bool {
	const hour = 3_600_000 // ms
	x, a := &c.Edges.E[0], math.Abs(e.Size)
	return c.State == Dark && c.Told == 1 && c.NUp+c.NDown == 0 && !c.Taught[0] && !c.Taught[1] &&
		x.Size < 0 && c.Matched == x.At && x.At-c.Begin < hour && e.At-c.Begin < dayMS &&
		e.Size > mul(beyondSmall, sd) && e.Act < 0.2 && e.Leap > a-mul(3, sd) && math.Abs(a-c.F.Step) > 0.25*c.F.Step
}

// unmount forgets the step in use and all that was seen of that light, now that this edge
// leads up from the light there is without it.
func (c *core) unmount(e edge) {
	c.Edges.NE = uint32(copy(c.Edges.E[:], c.Edges.E[1:c.Edges.NE]))
	c.Range.Hi = math.Min(c.Range.Hi, c.Range.RHi+c.Range.Off-e.Size)
	c.forget()
}

// tried tells whether this edge is the first seen, among the first readings, sharp and
// between levels as flat as noise. The light that was known till now was of a few
// readings: the lamp may have changed among them, too soon to be seen, or somebody's
// light have gone out. The level before the edge is better known.
func (c *core) tried(e edge) bool { return c.Edges.NE == 0 && c.N < 3*nBuf && c.crisp(e) }

// crisp tells whether an edge is beyond a small one, from one reading to the next, and
// between levels as flat as noise.
func (c *core) crisp(e edge) bool {
	a, sd := math.Abs(e.Size), math.Sqrt(c.Noise.variance())
	return a > mul(beyondSmall, sd) && e.Leap > a-mul(3, sd) && sq(e.SD) < 2*sq(sd)
}

// ofKnown takes a recorded edge for one of the known lamp's, or sees by it that the
// lamp became much smaller.
func (l *Learner) ofKnown(raw edge, sd float64, ms int64) bool {
	c := &l.c
	e := c.Edges.straight(raw)
	a := math.Abs(e.Size)
	d := math.Abs(a - c.F.Step)
	// amid moving light only an edge of just the size is taken for the lamp's
	if d < math.Max(0.1*c.F.Step, 2*e.SD) || e.credit() > 0.2 && d < math.Max(0.3*c.F.Step, 3*e.SD) {
		c.teachStep(raw)
		c.F.learnRipple(c.Edges.Ripple)
		c.F.Hazard = math.Min(c.F.Hazard+recent/e.unrest(), often)
		if c.untold(sd) {
			l.relearned(c.F.Step, raw, ms)
		}
		return true
	}
	if a < muchLess*c.F.Step && a > mul(6, sd) && c.Edges.replaced(a, c.F.Step, ms) && c.Edges.replacedAsRead(math.Abs(raw.Size), c.F.Step, ms) && !c.wanders(a, sd) && !c.elsewhen(a) {
		was := math.Max(c.Health.Was, c.F.Step)
		_, mean, _ := c.Edges.evidence(a, c.Range.Minutes/60, 0)
		l.relearned(mean, raw, ms)
		c.Health.Was = was // that it became so much smaller is worth a warning
		return true
	}
	return false
}

// elsewhen tells whether a step much smaller than the one in use comes within some hours of
// the day only, as a room's light does, and that in use at others, too.
func (c *core) elsewhen(step float64) bool {
	at, n := c.Edges.hours(step)
	used, m := c.Edges.hours(c.F.Step)
	hours := crowd(at[:n], n)
	n += copy(at[n:], used[:m])
	return c.F.Step > outshone*step && hours < atHome && crowd(at[:n], n) > hours+1
}

// believed is the step that all edges together speak for, the last one being e,
// and how strongly (as edges.evidence); 0 if for none.
func (c *core) believed(e edge, sd float64) (step, ev float64) {
	a := math.Abs(e.Size)
	calm, lively, known := c.Hours.moves()
	moves := lively - calm
	if !known {
		moves = math.Inf(1)
	}
	step, ev = c.Edges.fit(c.Range.Minutes/60, c.still(sd), c.smooth(sd), moves, sd)
	switch {
	case known && step > 0 && moves > 0.4*step && ev < 15 && !c.byNight(step, calm+mul(0.3, moves)),
		c.wanders(step, sd),
		// So small a step could be the light's own doing, unless it comes by
		// night as well or the light never moves; and where even the calm hours
		// move it by half as much, it is the noise that wanders.
		step < 8*sd && (known && (moves > 0.5*step || calm > 0.55*step && (ev < 50 || step < mul(4.5, sd))) ||
			c.Edges.spread(step, 1.0/8) < 11 && (moves >= 0.15*step || moves+c.Range.Swing >= 0.5*step && !c.byNight(step, calm+mul(0.3, moves)))),
		c.slides(step, ev, sd):
		step = 0
	}
	if step == 0 && !known && a > mul(20, sd) && (c.quiet(e) || c.own(e)) {
		// where no light moved by itself so far, there and back is enough: a
		// room's light is fainter
		if back, mean, n := c.Edges.evidence(math.Abs(c.Edges.straight(e).Size), c.Range.Minutes/60, 0); n > 1 && back > 2.5 {
			step, ev = mean, back
		}
	}
	if ev < 15 && (step < 2*c.Refuted || step < mul(justSeen, sd)) {
		step = 0
	}
	return step, ev
}

// slides tells whether the light goes so far by smooth slopes that a small step with
// this evidence might be a cloud's after all. What the light does beside them must be
// little, or the evidence overwhelming, and its edges sharp. Noise that wanders
// makes edges just large enough to be seen.
func (c *core) slides(step, ev, sd float64) bool {
	calm, lively, known := c.Hours.moves()
	moves := lively - calm
	if !known || step > 8*sd || moves+c.Range.Swing < 0.5*step {
		return false
	}
	share, _ := c.Edges.sharp(step, sd)
	return share < 0.85 || math.Max(1.2*moves, calm) > 0.35*step && (ev < 60 || step < 4*sd)
}

// adopt takes a step as the lamp's.
func (c *core) adopt(step, sd float64) {
	if c.Noise.Block == 0 { // all readings so far were saturated: the edge's tell the noise
		c.Noise.V = sq(sd)
	}
	r := c.Noise.variance()
	c.F = freshFilter(c.Edges.bend, step, r)
	c.F.C = math.Max(r, sq(sd))
	c.F.learnRipple(c.Edges.Ripple)
	c.Known = true
	c.Edges.Next = change{}
	c.NUp, c.NDown, c.Told, c.Lasts = 0, 0, 0, [2]int64{}
	c.NLit, c.NBlink = 0, 0 // what was told by another step tells nothing of this lamp's habits
	c.Health.Was = 0
}

// relearned starts anew with the step that the collected edges speak for.
func (l *Learner) relearned(step float64, e edge, ms int64) {
	c := &l.c
	c.adopt(step, e.SD)
	last, ok := c.teachAll(step)
	if c.NUp+c.NDown > 1 { // the lamp shone unknown: what the hours were taken for may be its light
		c.Hours.forget()
	}
	s := Dark
	if ok && last.Size > 0 {
		s = Lit
	}
	level := e.From + e.Size
	c.F.start(s, c.F.ambient(level, s == Lit), e.At)
	if ok && last.At == e.At && s != c.State {
		l.announce(s, ms, e.At, half, 0.95)
	} else if s != c.State {
		c.State, c.Prov, c.Conf = s, false, 0.9
		c.Since = ms
		if ok {
			c.Since = last.At
		}
		l.settle(ms, byLearning)
	}
}

// relearn begins again from the collected edges, after hand-set levels were
// taken away.
func (c *core) relearn() {
	step, _ := c.Edges.fit(c.Range.Minutes/60, false, false, 0, 0)
	if step == 0 || c.State == Learning {
		return
	}
	c.adopt(step, 0)
	c.teachAll(step)
	m := mul(c.sign(), c.Val)
	c.F.start(c.State, c.F.ambient(m, c.State == Lit), c.Since)
}

// teachAll refines the step by all collected edges of about its size and
// gives the last of them.
func (c *core) teachAll(step float64) (last edge, ok bool) {
	for i := range c.Edges.E[:c.Edges.NE] {
		if x := c.Edges.at(i); math.Abs(math.Abs(x.Size)-step) <= 0.2*step {
			last, ok = x, true
			c.teachStep(c.Edges.E[i])
		}
	}
	return last, ok
}

// teachStep lets a matching edge refine the step.
func (c *core) teachStep(raw edge) {
	e := c.Edges.straight(raw)
	a := math.Abs(e.Size)
	if e.Size > 0 {
		c.NUp++
	} else {
		c.NDown++
	}
	c.Matched = e.At
	c.unsqueezed(raw.dark(), a)
	d := a - c.F.Step
	if d < 0 && raw.cut(c.Noise.rail()) {
		return // cut short by saturation
	}
	// a board that averages shows a reading in between at nearly every edge; so
	// do clouds
	trust := 1 / e.unrest()
	if e.Leap < 0.8*a && a > 15*e.SD {
		c.F.Part += mul(0.2, mul(trust, 0.6-c.F.Part))
	} else {
		c.F.Part += mul(0.1, mul(trust, 0.01-c.F.Part))
	}
	if c.Edges.Bend != 0 {
		c.follow(c.Edges.refit(c.F.Step, c.Noise.rail()))
	} else {
		c.remeasure(d)
	}
	// moving light makes sizes scatter, too
	c.F.Tau2 += mul(0.1, mul(trust, sq(d)-c.F.Tau2))
	c.F.Tau2 = clamp(c.F.Tau2, sq(0.03*c.F.Step), sq(0.15*c.F.Step))
}

// unsqueezed takes note of an edge of the lamp, of this size, above this dark level: in more light
// than where the step was seen, daylight would squeeze it, by about two fifths of a count
// for each, if the lamp is read through a divider.
func (c *core) unsqueezed(dark, size float64) {
	f := &c.F
	light := (dark - f.Darkest) / f.Step
	switch {
	case c.NUp+c.NDown == 1 || light < 0:
		f.Darkest = dark
	case light > 0.25 && size > mul(f.Step, 1-mul(0.18, light)):
		f.Straight += math.Min(sq(light/0.7), 1)
	}
}

// remeasure takes the step from its last edges, the newest of which differs by d.
func (c *core) remeasure(d float64) {
	was := c.F.Step
	if mean, ok := c.Edges.measure(c.F.Step); ok && c.NUp+c.NDown > 3 && c.NBlink == 0 {
		c.F.Step = mean
	} else {
		c.F.Step += mul(math.Max(1/float64(c.NUp+c.NDown+1), 0.1), d)
	}
	for i := range int(c.F.N) { // while lit it is the lit level that is known
		if h := &c.F.H[i]; h.S == Lit {
			h.M -= c.F.Step - was
		}
	}
}

// untold tells whether the last four edges of the step, up and down in turn in
// still light, all came after the last change that was told: the filter took
// lit for dark, or the lamp's light for the room's, and what it learned of the
// hours since keeps it from seeing so. Noise (sd) may make edges of a small
// step, and the short visits of a lamp that blinks are rightly not told.
func (c *core) untold(sd float64) bool {
	if c.NBlink > 0 || c.F.Step < mul(beyondNoise, sd) {
		return false
	}
	n, last := 0, 0.0
	for i := int(c.Edges.NE) - 1; i >= 0 && n < 4; i-- {
		x := c.Edges.at(i)
		if !x.speaks(c.F.Step) {
			continue
		}
		if x.At <= c.Since || x.Act > 0.25 || last != 0 && (x.Size > 0) == (last > 0) {
			return false
		}
		last = x.Size
		n++
	}
	return n == 4
}

// byNight tells whether one in five of the edges of this step, at least, was seen
// at an hour at which the light moves by less than move. A lamp changes at all
// hours; the light keeps to its own.
func (c *core) byNight(step, move float64) bool {
	night, all := 0, 0
	for i := range c.Edges.E[:c.Edges.NE] {
		x := c.Edges.at(i)
		if !x.speaks(step) {
			continue
		}
		all++
		if h := c.Hours.at(x.At); h.Move < move && h.Moves > 50 {
			night++
		}
	}
	return 5*night >= all
}

// refute gives the step up when it was learned from something else. From then on a
// lamp must show more than such a step at once, or more often.
func (c *core) refute() {
	if c.refuted() {
		c.Refuted = math.Max(c.Refuted, c.F.Step)
		c.forget()
	}
}

// refuted tells whether the edges of the changes announced by the step do not agree
// on it: it was learned from clouds, a room's light or noise.
func (c *core) refuted() bool {
	if !c.Known || c.Told < 4 || c.Taught[0] && c.Taught[1] {
		return false
	}
	sd := math.Sqrt(c.Noise.variance())
	if rail := c.Noise.rail(); rail != 0 && math.Max(c.Range.Hi, c.F.best().M+c.F.stepNow()) > rail-mul(3, sd) {
		return false // its edges are cut short; outliers alone may saturate as well
	}
	step := c.F.Step
	share, n := c.Edges.sharp(step, sd)
	matched := c.NUp + c.NDown
	ev, _, _ := c.Edges.evidence(step, c.Range.Minutes/60, 0)
	if c.F.Bend == 0 && matched > 0 && step > mul(beyondNoise, sd) { // they may agree on one that daylight squeezes
		for _, lost := range [...]float64{0.3, 0.5} {
			bent := c.Edges.by(bending(lost, step, c.F.Darkest))
			other, _, _ := bent.evidence(step, c.Range.Minutes/60, 0)
			ev = math.Max(ev, other)
		}
	}
	calm, lively, known := c.Hours.moves()

	// A small one whose edges slide, and which few agree on, where the light goes as far in
	// the first day, or by a slope.
	if step < mul(beyondSmall, sd) && n > 0 && share < 0.85 && ev < 4 && c.NBlink*4 <= c.Told &&
		math.Max(c.Range.Swing, c.firstWay()) > mul(0.9, step) {
		return true
	}
	if c.Told < 6 {
		return false
	}
	if ev < 15 { // half of the most that slid counts, unless the edges agree: a lamp's edges that were not seen slide, too
		lively += mul(0.5, c.Range.Swing)
	}
	if c.wanders(step, sd) {
		return true
	}
	if c.NBlink*4 > c.Told && ev > -3 {
		return false // a blinking lamp has few edges, but those agree
	}
	alone := known && lively-calm < mul(0.25, step) && calm < mul(0.45, step) // nothing else moves here
	if step < mul(12, sd) && n >= 6 && share < 0.62 && !alone {
		return true // the light slides, and no lamp does, unless its board averages
	}
	// the light goes as far by itself, and not by changes of the lamp that were
	// not seen as edges
	if step < mul(8, sd) && known && lively-calm > step && (ev < 6 || lively-calm > 2*step || n >= 6 && share < 0.8) {
		return true
	}
	// a lamp changes at other hours than those of moving light, too
	if step < mul(beyondNoise, sd) && known && lively-calm > mul(0.33, step) &&
		n >= 8 && c.Edges.days() > 2 && c.Edges.spread(step, 0) < clamp(float64(n), 9, 11) && ev < 15 {
		return true
	}
	if alone {
		return false
	}
	if ev > 0 || c.Told < 12 && (ev > -2 && 5*matched >= c.Told || 2*matched > c.Told) {
		return false
	}
	// Amid moving light the sizes of a lamp's edges scatter. What no cloud did so
	// far, or nearly every change had a sharp edge of, is no cloud's.
	nearly := 4*matched >= 3*c.Told
	large := step > mul(beyondRoom, sd) && (nearly || c.Range.Jump < 0.45*step || n >= 3 && share > 0.9)
	sharp := n >= 6 && (share > 0.72 && nearly || share > 0.85 && 2*matched >= c.Told) // of small ones many are not seen
	return !large && !sharp
}

// firstWay is the way that the light went by itself in the first day; 0 after it, for it adds
// up.
func (c *core) firstWay() float64 {
	if c.Range.Minutes > 1440 {
		return 0
	}
	return c.Range.Way
}

// forget goes back to learning, with the edges seen so far.
func (c *core) forget() {
	c.Known, c.F, c.State, c.Prov, c.Since = false, filter{}, Learning, false, 0
}

// outgrown tells whether a smaller step with this evidence may replace the one
// in use: an established one only when it was not seen for ten days. What comes at
// the same hours each day is a room's light.
func (c *core) outgrown(step float64, ms int64, ev float64) bool {
	if c.Edges.daily(step) {
		return false
	}
	if from := c.Edges.oldest(step); c.F.Step > outshone*step && c.Edges.spread(step, 0) < atHome && (from < c.Edges.oldest(c.F.Step) || ms-from > dayMS) {
		return ev > 30 && ms-c.Matched > 10*dayMS // it made way for the one in use (unlike), or would
	}
	room := c.brightRoom()
	// a lamp that was told to and fro does not make way for what a room's light may be
	toAndFro := c.Told >= 2 && c.NUp+c.NDown > 0 && c.F.Step > room && step < room
	if c.NUp+c.NDown < 4 && !c.shown() && !toAndFro {
		return ev > 10 && c.weak()
	}
	return ev > 30 && ms-c.Matched > 10*dayMS
}

// unlike tells whether the step in use, no larger than a room's light makes or than half of
// this edge, came within some hours of the day only, and the edge comes at another: people
// switch a room's light while they are up, a lamp goes by itself. A light half as bright the
// sensor does not sit on: there one change of it is enough, be it of the first day, and the
// larger one may come within those hours the second time.
func (c *core) unlike(e edge) bool {
	e = c.Edges.straight(e)
	room := c.brightRoom()
	faint := math.Abs(e.Size) > outshone*c.F.Step
	if c.Taught[0] && c.Taught[1] || !faint && c.F.Step > room || e.Leap < math.Max(room, 0.85*math.Abs(e.Size)) || e.Act > 0.3 {
		return false
	}
	at, n := c.Edges.hours(c.F.Step)
	if n == 0 || !faint && (n < 6 || e.At-c.Edges.oldest(c.F.Step) < 2*dayMS) {
		return false
	}
	hours := crowd(at[:n], n)
	at[n] = e.At % dayMS
	_, _, seen := c.Edges.evidence(math.Abs(e.Size), c.Range.Minutes/60, 0)
	return hours < atHome && (crowd(at[:n+1], n+1) > hours+1 || faint && seen > 1)
}

// outshines tells whether an edge that is not to be told alone, for the light moves, is that
// of a lamp beside which the step in use is a room's light.
func (c *core) outshines(e edge) bool {
	return c.surpasses(e) && math.Abs(c.Edges.straight(e).Size) > outshone*c.F.Step && c.unlike(e)
}

// atHome is the hours of the day, at most, within which people switch a room's light.
const atHome = 10

// outshone is how many times as large as a light's change the lamp's is, at least, for the
// light to be another: where both change at once, their sum is half as large again.
const outshone = 1.9

// shown tells whether the lamp was seen to change both ways, each time from one
// reading to the next in still light and by more than a room's light makes; once is
// enough if both were told, for whoever comes to see to it may switch a light.
func (c *core) shown() bool {
	up, down := false, false
	for i := range c.Edges.E[:c.Edges.NE] {
		x := c.Edges.at(i)
		if a := math.Abs(x.Size); x.speaks(c.F.Step) && x.Act < 0.15 && x.Leap > 0.85*a && a > mul(beyondRoom, x.SD) {
			up, down = up || x.Size > 0, down || x.Size < 0
		}
	}
	return up && down || (up || down) && c.Told >= 2
}

// weak tells whether little speaks for the step in use.
func (c *core) weak() bool {
	ev, _, _ := c.Edges.evidence(c.F.Step, c.Range.Minutes/60, 0)
	return ev < 10
}
