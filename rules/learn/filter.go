package learn

import "math"

// The filter is a switching local-level model: a reading is
//
//	ambient + step*[lamp shines] + noise,
//
// where ambient wanders (and now and then jumps), the lamp is dark, lit or
// blinking, and a few readings are outliers. It keeps the best few histories
// ("hypotheses"), each with its own Gaussian for the ambient, lets every
// reading extend each of them in every possible way, and drops the unlikely.
// A hypothesis that mistakes a spike for a lit lamp dies one reading later.

const (
	nHyp   = 8
	maxRun = 12
)

// How a hypothesis explained its last reading.
const (
	byNormal = iota
	bySpike
	byJump
	bySwitch
	byBlur // blinking: the board averaged over a flash's edge
)

// hyp is one history, summed up.
type hyp struct {
	S, Prev State   // state now and before the last switch
	Other   State   // the other light is Lit or Dark; Learning: nobody knows
	Phase   uint8   // blinking: the lamp shone at the last reading
	Run     uint8   // blinking: readings of this phase in a row
	By      uint8   // how it explained the last reading
	Age     uint32  // readings since the last switch
	Enter   int64   // time of the first reading after it, Unix ms
	Jump    int64   // time of the last jump of the ambient, Unix ms
	Leap    float64 // size of that jump, signed
	Base    float64 // ambient before the jumps of late began; or nowhere
	M, P    float64
	W       float64
}

// filter is the decision engine for one known step.
type filter struct {
	bend
	N        uint32
	H        [nHyp]hyp
	Step     float64            // lamp's step at Ref, counts, > 0
	Darkest  float64            // dark level at which the lamp was seen to change
	Straight float64            // changes of it as large in more light: what speaks for no bend
	Tau2     float64            // variance of the step from one switch to the next
	R        float64            // variance of the reading's noise
	Q        float64            // variance of the ambient's walk over one reading
	C        float64            // recent mean square of the innovations
	Eps      float64            // chance of an outlier
	Ends     float64            // chance of one at an end of the converter's range
	Rho      float64            // chance of a jump of the ambient as seen lately
	Rho0     float64            // the same over days
	First    float64            // the same over days, after long calm
	RhoHour  float64            // the same at this hour of the day
	Jump     float64            // size of its larger jumps; 0: none seen
	Split    float64            // share of the ambient's jumps that come in two readings, the larger part second
	Main     float64            // size of that larger part; 0: none seen
	Other    float64            // size of another light's changes, such as a room's; 0: none seen
	Voted    float64            // what most jumps of the ambient are, as the last of them, signed; 0: none seen
	Votes    float64            // for it
	Part     float64            // chance that a reading averages over a change of the lamp
	Blur     float64            // share of a blinking lamp's readings that average over a flash's edge
	Runs     [2][maxRun]float64 // runs that reached this length, in this blinking: dark, lit
	Sides    [2]float64         // readings of a blinking lamp, in runs that ended: dark, lit
	Going    uint8              // length of the run going on
	Alias    alias              // the rhythm of this blinking
	Ripple   float64            // what a reading's variance is more while the lamp shines, as a share of the step squared
	Ripples  [6]float64         // the same at its last edges, newest first
	NRipple  uint32             // how many of them
	Rail     float64            // readings saturate here; 0: unknown
	PB       float64            // share of blinking among what follows dark (or lit)
	Hazard   float64            // chance of a switch a reading, from a steady state
	Calms    float64            // the same out of blinking
}

const (
	seldom = 1.0 / 250 // chance of a switch a reading from a steady state, unless more are seen
	trial  = 1.0 / 25  // the least in the first hours of a lamp that has not blinked: somebody tries it
	often  = 1.0 / 12  // the most that is learned for it
	recent = 1.0 / 500 // weight of a reading in how often that is
	calms  = 1.0 / 150 // chance of a switch a reading out of blinking
	swift  = 1.0 / 6   // either, at most, where the board reports less often than about once a minute

	tail = 1.0 / 7 // area of over beyond 1

	leastEps = 2e-3 // chance of an outlier a reading, until more are seen

	leastBlur = 0.02 // share of blurred readings, until more are seen
	mostBlur  = 0.8  // the most learned for it: beyond, a few sharp ones would end the blinking

	longest = 30 // readings that may have been lost, for which a change gets likelier

	loose = 5 // readings, at most, for which a loose contact opens at a time

	elsewhere   = 1.0 / 400 // chance of a change of another light that is known, a reading
	enoughVotes = 4         // of the ambient's jumps, for a size to be that of another light
	mostVotes   = 12

	seenTo = 0.3 // chance that the lamp changes while somebody is there

	rareJump = 1e-4 // chance of a jump of the ambient out of the blue
)

// freshFilter is a filter that knows nothing but the step and its bend, and the variance r of
// a reading's noise.
func freshFilter(b bend, step, r float64) filter {
	return filter{bend: b, Step: step, R: r, Tau2: sq(0.1 * step), Q: 0.01 * r, C: r, Eps: leastEps, Part: 0.1, Blur: leastBlur, Hazard: seldom}
}

func gauss(d, v float64) float64 {
	return exp(-0.5*sq(d)/v) / math.Sqrt(2*math.Pi*v)
}

// beyond is about the chance that a standard Gaussian is below z (logistic
// approximation, error below 0.01).
func beyond(z float64) float64 { return 1 / (1 + exp(-1.702*z)) }

// broad is a scale-free density for sizes nothing is known about: log-uniform
// over e^9, both signs.
func broad(d, sd float64) float64 {
	return 1 / (18 * math.Max(math.Abs(d), 3*sd))
}

// start begins with one hypothesis.
func (f *filter) start(s State, m float64, enter int64) {
	f.N = 1
	f.Alias.begin()
	f.H[0] = hyp{S: s, Prev: Learning, M: m, P: f.R, W: 1, Enter: enter, Age: 8}
	if s == Blinking { // a run of anything else would keep equal histories apart
		f.H[0].Run = 1
	}
}

// step is the lamp's step at this dark level.
func (f *filter) step(dark float64) float64 {
	if f.Bend == 0 {
		return f.Step
	}
	return f.Step / f.ratio(dark)
}

// stepNow is the lamp's step in the light of now.
func (f *filter) stepNow() float64 { return f.step(f.best().M) }

// ambient is the dark level at which a lamp that is lit or not reads y.
func (f *filter) ambient(y float64, lit bool) float64 {
	if lit {
		return f.under(y, f.Step)
	}
	return y
}

// learnRipple takes note of what edges.ripples gave for one more edge of the lamp. Restless
// light may look like it now and then: more than half of the last edges must.
func (f *filter) learnRipple(share float64) {
	if share < 0 {
		return
	}
	copy(f.Ripples[1:], f.Ripples[:])
	f.Ripples[0] = share
	f.NRipple = min(f.NRipple+1, uint32(len(f.Ripples)))
	sum, n := 0.0, 0
	for _, x := range f.Ripples[:f.NRipple] {
		if x > 0 {
			sum += x
			n++
		}
	}
	f.Ripple = 0
	if 2*n > int(f.NRipple) {
		f.Ripple = sum / float64(n)
	}
}

// noise is the variance of a reading while the lamp, whose step is so large here, shines or not.
func (f *filter) noise(shines bool, step float64) float64 {
	if !shines || f.Ripple == 0 {
		return f.R
	}
	return f.R + mul(f.Ripple, sq(step))
}

// shines tells whether the lamp shone at the last reading.
func (h *hyp) shines() bool { return h.S == Lit || h.S == Blinking && h.Phase == 1 }

func (f *filter) best() *hyp {
	b := &f.H[0]
	for i := 1; i < int(f.N); i++ {
		if f.H[i].W > b.W {
			b = &f.H[i]
		}
	}
	return b
}

// extension is the reading that extends the hypotheses, and what became of them.
type extension struct {
	f       *filter
	ms      int64
	y       float64
	clipped bool // the reading is at the rail
	where   *place
	gap     float64 // readings since the last one, by the usual interval, at which something may have changed unseen
	hazard  float64 // chance of a switch from the steady state of the hypothesis at hand
	step    float64 // the lamp's step at its ambient
	tau     float64 // variance of that from one switch to the next
	slope   float64 // how much of a change of its ambient shows while lit
	lit     float64 // chance that it is lit by the rhythm of this blinking
	rhythm  float64 // how much that is to be believed
	kids    [nHyp * 7]hyp
	n       int
	top     float64 // largest weight of the kids
}

// observe extends every hypothesis by reading y, dt nominal intervals after
// the last one, in every way that may explain it. lit and rhythm are what
// alias.next gave.
func (f *filter) observe(ms int64, y, dt float64, where *place, lit, rhythm float64) {
	x := extension{f: f, ms: ms, y: y, clipped: f.Rail != 0 && y >= f.Rail, where: where, lit: lit, rhythm: rhythm}
	q := mul(f.Q, dt)
	x.gap = 1
	// A reading at an end of the range may be what a board begins with that was off.
	if dt > 1.5 && !x.clipped && !where.End {
		x.gap = math.Min(dt, longest)
	}
	for i := range int(f.N) {
		h := f.H[i]
		h.W *= exp(mul(where.Weight, where.odds(h.M)))
		x.step, x.slope, x.tau = f.step(h.M), f.slope(h.M, f.Step), f.Tau2
		if f.Bend != 0 {
			x.tau /= sq(f.ratio(h.M))
		}
		x.hazard = math.Max(f.Hazard, where.Hazard)
		if where.Visits {
			x.hazard = math.Max(x.hazard, h.ends())
		}
		if x.gap > 1 { // it may have changed back, too
			x.hazard = mul(0.5, 1-exp(-2*mul(x.hazard, x.gap)))
		}
		h.P = math.Min(h.P+q, 1e20)
		if h.Age < 2 && h.Prev != Learning { // lamps warm up, and boards average
			p := mul(0.25, x.tau)
			if h.Prev == Blinking { // or did, with every flash
				p = math.Min(p, 6*f.R)
			}
			h.P += p
		}
		if h.Age < math.MaxUint32 {
			h.Age++
		}
		x.outlying(&h)
		if h.S == Blinking {
			x.blinking(&h)
		} else {
			x.steady(&h)
		}
	}
	f.prune(x.kids[:x.n], x.top)
}

// ends is the chance that a steady state which began with a switch ends with the next
// reading. Of how long a lamp shines, or pauses, nothing is known but that all lengths
// are as likely on a scale of ratios, up to two days of readings a minute: one that has
// lasted for n readings ends with a chance of 1/(n ln(most/n)). So visits come in
// groups. What lasts for less than four readings is rather outliers, or blinking.
func (h *hyp) ends() float64 {
	const least, most = 4, 2880 // readings
	n := float64(h.Age) + 1
	if n < least || h.Prev == Learning {
		return 0
	}
	return 1 / mul(n, math.Max(ln(most/n), 1))
}

// stay is the chance that a steady lamp stays as it is and the reading is ordinary.
func (x *extension) stay() float64 { return 1 - x.f.Eps - x.f.Rho - x.hazard }

func (x *extension) add(h *hyp) {
	if h.W > x.top {
		x.top = h.W
	}
	if h.W > x.top*1e-9 && x.n < len(x.kids) {
		x.kids[x.n] = *h
		x.n++
	}
}

// addJump adds h if its ambient is one that can be.
func (x *extension) addJump(h *hyp) {
	if h.M >= x.where.Least && h.M <= x.where.Most {
		x.add(h)
	}
}

// likely is how well a level explains the reading: a density, or at the rail the
// chance of being there or beyond.
func (x *extension) likely(mean, v float64) float64 {
	if x.clipped {
		// the step was learned from saturated readings: the lamp may well shine
		// brighter, and is not to be doubted for it
		return math.Max(beyond((mean-x.f.Rail)/math.Sqrt(v)+3), 1e-30)
	}
	return gauss(x.y-mean, v)
}

// update is h with the ambient that the reading speaks for, if it is expected at
// mean, with extra variance.
func (x *extension) update(h *hyp, mean, extra float64, shines bool) hyp {
	k := *h
	k.P += extra
	if x.clipped && mean >= x.f.Rail {
		k.P = math.Min(k.P, math.Max(sq(x.step), h.P))
		if w := x.where; w.Weight > 0 && math.Abs(k.M-w.Mean) < 2*w.Scale { // but the hour does
			k.P = math.Min(k.P, sq(2*w.Scale)+x.f.R)
		}
		return k // a clipped reading tells nothing of the ambient
	}
	r := x.f.noise(shines, x.step)
	g := k.P / (k.P + r)
	if x.f.Bend != 0 {
		k.M = x.f.ambient(mean+mul(g, x.y-mean), shines)
	} else {
		k.M += mul(g, x.y-mean)
	}
	k.P = mul(g, r)
	return k
}

// outlying explains the reading by an outlier, by a jump of the ambient, or by
// a jump and the lamp at once.
func (x *extension) outlying(h *hyp) {
	f, lit, level := x.f, h.M+x.step, h.M
	shines := h.shines()
	if shines {
		level = lit
	}
	r := f.noise(shines, x.step)
	sd := math.Sqrt(h.P + r)
	d := x.y - level
	if math.Abs(d) <= 2.5*sd {
		return
	}
	some := broad(d, sd)
	if x.clipped {
		some = 0.1
	}
	k := *h
	k.W, k.By = h.W*f.Eps*some, bySpike
	if x.where.End {
		k.W = math.Max(k.W, h.W*f.Ends)
	}
	x.add(&k)
	// jump of the ambient
	k = *h
	if f.Bend != 0 {
		d = f.ambient(x.y, shines) - h.M
	}
	rho := math.Max(f.Rho, f.RhoHour)
	g := mul(rareJump, some)
	if h.By == byJump { // where one came, the next is near: a cloud's edge
		rho = math.Max(rho, 0.02)
		if (d > 0) == (h.Leap > 0) && !x.clipped {
			if b := math.Abs(h.Leap); math.Abs(d) < 0.9*b {
				g += mul(0.2, 1/(0.9*b))
			}
			if f.Main > 0 { // or it was the smaller part of one
				g += mul(f.Split, sized(d, f.Main))
			}
		}
	}
	if f.Jump > 0 && !x.clipped {
		// all sizes up to the usual large one alike, hardly any beyond
		g += mul(rho, sized(d, f.Jump))
	}
	g = mul(g+x.others(h, d), x.gap)
	if shines {
		g /= x.slope
	}
	g += mul(x.undone(h, shines), x.gap)
	k.W, k.By = h.W*g*math.Min(exp(x.where.odds(h.M+d)-x.where.odds(h.M)), 1), byJump
	k.M, k.P, k.Jump, k.Leap, k.Base = h.M+d, r, x.ms, d, x.base(h)
	x.switched(&k, h, d)
	x.addJump(&k)
	if x.where.Bends {
		x.squeezed(h, sd)
	}
	// both at once: the lamp changes as a room's light does
	d2 := x.y - lit + level - h.M
	if f.Bend != 0 {
		d2 = f.ambient(x.y, !shines) - h.M
	}
	if h.S != Blinking && math.Abs(d2) > 4*sd && math.Abs(d) > 4*sd && !x.clipped {
		k = *h
		g := x.others(h, d2)
		if f.Jump > 0 {
			g += mul(rho, sized(d2, f.Jump))
		}
		g = mul(g, x.gap)
		if !shines {
			g /= x.slope
		}
		g = mul(x.hazard, g) + mul(mul(seenTo, x.undone(h, !shines)), x.gap)
		k.W = h.W * g * math.Min(exp(x.where.odds(h.M+d2)-x.where.odds(h.M)), 1)
		k.By, k.Prev, k.Enter, k.Age = bySwitch, h.S, x.ms, 0
		k.M, k.P, k.Jump, k.Leap, k.Base, k.S = h.M+d2, f.noise(!shines, x.step), x.ms, d2, x.base(h), Dark+Lit-h.S
		if k.S == Lit { // dark, its level is the ambient, to the noise
			k.P += x.tau
		}
		x.switched(&k, h, d2)
		x.addJump(&k)
	}
}

// unrest is how long after a jump of the ambient another belongs to it, ms: somebody is there.
const unrest = 60 * 60_000

// nowhere is no level that the ambient could return to: clouds, by day, make such jumps.
const nowhere = 1e30

// base is where the ambient of h was before the jumps of late, of which another is the last; nowhere
// unless they began in calm, near the darkest level known.
func (x *extension) base(h *hyp) float64 {
	const (
		few  = 0.003 // jumps a reading, at most, at this hour on other days
		dark = 0.3   // of a step, above the darkest level known
	)
	switch {
	case h.Jump != 0 && x.ms-h.Jump < unrest:
		return h.Base
	case x.f.Rho > calmRho || x.f.RhoHour > few || h.M > x.where.Darkest+mul(dark, x.f.Step):
		return nowhere
	}
	return h.M
}

// undone is how well the reading is explained by the ambient's return to where it was before
// it began to jump, the lamp shining or not: whoever came to see to it went, and switched the light
// off.
func (x *extension) undone(h *hyp, shines bool) float64 {
	const goes = 1.0 / 100 // with a reading
	v := h.P + x.f.R + sq(mul(0.02, h.Base-h.M))
	if x.clipped || h.Jump == 0 || x.ms-h.Jump > unrest || h.Base == nowhere || sq(h.Base-h.M) < 36*v {
		return 0
	}
	level := h.Base
	if shines {
		level += x.f.step(h.Base)
	}
	return mul(goes, gauss(x.y-level, v))
}

// squeezed explains the reading by the change of a lamp whose step daylight squeezes, by nobody
// knows how much: most boards read a divider. What the step lacks is taken for the
// ambient's, lower than it is for as long as the lamp shines. Where the step was seen by day
// only, it is at night that it is another, and larger.
func (x *extension) squeezed(h *hyp, sd float64) {
	const (
		chance      = 0.1        // that it does so, until more is known
		light       = 0.7        // of a step, at least, between this light and that where the step was seen
		least, most = 0.15, 0.75 // of a count lost there, as most dividers have it
	)
	if h.S == Blinking || x.clipped {
		return
	}
	size, dark := x.y-h.M, h.M
	if h.S == Lit {
		size, dark = h.M+x.step-x.y, x.y
	}
	if size < 6*sd || math.Abs(dark-x.f.Darkest) < mul(light, x.step) {
		return
	}
	full, in, at := x.step, x.f.Darkest, dark // in the dark, and what daylight leaves of it
	if dark < in {
		full, in, at = size, dark, in
	}
	little, much := bending(least, full, in), bending(most, full, in)
	to, _ := little.share(at)
	from, _ := much.share(at)
	smallest, largest := mul(from, x.step), mul(to, x.step)
	if dark < x.f.Darkest {
		smallest, largest = x.step/to, x.step/from
	}
	if size < smallest || size > largest {
		return
	}
	k := *h
	k.W = h.W * x.hazard * chance / math.Max(largest-smallest, 6*sd) // where all dividers leave the least, that is one size
	k.By, k.Prev, k.Enter, k.Age, k.S = bySwitch, h.S, x.ms, 0, Dark+Lit-h.S
	k.M, k.P, k.Jump, k.Leap, k.Base = x.y, x.f.noise(k.S == Lit, x.step), x.ms, 0, nowhere
	if k.S == Lit {
		k.M -= x.step
	}
	x.addJump(&k)
}

// others is the density of a jump of d by another light whose changes are known.
func (x *extension) others(h *hyp, d float64) float64 {
	f := x.f
	if f.Other == 0 || x.clipped || d > 0 && h.Other == Lit || d < 0 && h.Other == Dark {
		return 0
	}
	return mul(0.5*elsewhere, gauss(math.Abs(d)-f.Other, h.P+f.R+sq(0.05*f.Other)))
}

// switched takes note in k, whose ambient jumped by d from h's, if that was the
// other light.
func (x *extension) switched(k, h *hyp, d float64) {
	f := x.f
	if !f.isOther(d, h.P+f.R) {
		return
	}
	k.Other = Dark
	if d > 0 {
		k.Other = Lit
	}
}

// vote takes note of a jump of the ambient, for the size that most of them have, up and down
// in turn (after the majority vote of Boyer and Moore, from memory): where the lamp changes
// often, the edges kept are too few to know another light by. A light that counts is beyond
// small ones. Clouds are of all sizes, and each makes one vote at most, by its second edge.
func (f *filter) vote(jump float64) {
	a, usual, sd := math.Abs(jump), math.Abs(f.Voted), math.Sqrt(f.R)
	switch {
	case a > mul(10, sd) && math.Abs(a-usual) < mul(0.05, usual)+mul(2, sd):
		if jump > 0 && f.Voted < 0 {
			f.Votes = math.Min(f.Votes+1, mostVotes)
		}
		f.Voted = math.Copysign(usual+mul(0.2, a-usual), jump)
	case a < 0.5*usual: // clouds beside it
		f.Votes -= 0.25
	default:
		f.Votes -= 0.5
	}
	if f.Votes < 0 {
		f.Votes, f.Voted = 1, jump
	}
	if f.Other == 0 {
		f.Other = f.voted()
	}
}

// voted is the size of another light by the jumps of the ambient; 0 if they know none.
func (f *filter) voted() float64 {
	if f.Votes < enoughVotes {
		return 0
	}
	return math.Abs(f.Voted)
}

// isOther tells whether a jump of the ambient, known with variance v, was the other light's.
func (f *filter) isOther(jump, v float64) bool {
	return f.Other > 0 && sq(math.Abs(jump)-f.Other) <= 9*(v+sq(0.05*f.Other))
}

// otherLight takes note of the size of another light's changes by their edges (0: those know
// none), one of which the last edge (e) may be.
func (f *filter) otherLight(size float64, e edge) {
	if size == 0 {
		size = f.voted()
	}
	f.Other = size
	if size == 0 || !e.speaks(size) {
		return
	}
	for i := range int(f.N) {
		f.H[i].Other = Dark
		if e.Size > 0 {
			f.H[i].Other = Lit
		}
	}
}

// steady explains the reading by a lamp that stays dark or lit, or by its change.
func (x *extension) steady(h *hyp) {
	f, lit := x.f, h.M+x.step
	level, other, to, phase, pb := h.M, lit, Lit, uint8(1), f.PB
	if h.S == Lit {
		level, other, to, phase, pb = lit, h.M, Dark, 0, math.Min(pb, 0.1)
	}
	k := x.update(h, level, 0, h.S == Lit)
	k.W, k.By = h.W*x.stay()*x.likely(level, h.P+f.noise(h.S == Lit, x.step)), byNormal
	x.add(&k)
	// known in the counts of the one level, it is in those of the other
	if h.S == Lit {
		h.P /= sq(x.slope)
	} else {
		h.P *= sq(x.slope)
	}
	g := x.likely(other, h.P+f.noise(h.S != Lit, x.step)+x.tau)
	k = x.update(h, other, x.tau, h.S != Lit)
	g *= math.Min(exp(x.where.odds(k.M)-x.where.odds(h.M)), 1)
	k.By, k.Prev, k.Enter, k.Age = bySwitch, h.S, x.ms, 0
	k.S, k.W = to, h.W*x.hazard*(1-pb)*g
	x.add(&k)
	k.S, k.W, k.Phase, k.Run = Blinking, h.W*x.hazard*pb*g, phase, 1
	x.add(&k)
	// a board that averages over its interval reads in between when the lamp changes
	if r := (x.y - h.M) / x.step; r > 0.15 && r < 0.85 && !x.clipped {
		k = *h
		k.By, k.Prev, k.Enter, k.Age = bySwitch, h.S, x.ms, 0
		k.P += x.tau
		k.S, k.W = to, h.W*x.hazard*(1-pb)*f.Part/x.step
		x.add(&k)
		if f.between(x.y, h.M) {
			k.S, k.W, k.Phase, k.Run, k.By = Blinking, h.W*x.hazard*pb*f.Blur/x.step, phase, 1, byBlur
			x.add(&k)
		}
	}
}

// blinking explains the reading by a lamp that goes on blinking, or by the end of it.
func (x *extension) blinking(h *hyp) {
	f := x.f
	lit := f.again(h.Phase, h.Run)
	if h.Phase == 0 {
		lit = 1 - lit
	}
	lit += mul(x.rhythm, x.lit-lit)
	on := 1 - f.Eps - f.Rho - f.Calms // it goes on
	for ph := range uint8(2) {
		mean, v, p, run := h.M, h.P+f.noise(ph == 1, x.step), 1-lit, min(h.Run+1, maxRun)
		if ph == 1 {
			mean, p = h.M+x.step, lit
		}
		if ph != h.Phase {
			v += mul(0.1, x.tau)
			run = 1
		}
		g := x.likely(mean, v)
		k := x.update(h, mean, 0, ph == 1)
		k.By, k.Phase, k.Run = byNormal, ph, run
		k.W = h.W * on * p * (1 - f.Blur) * g
		x.add(&k)
		k.Prev, k.Enter, k.Age, k.By = Blinking, x.ms, 0, bySwitch
		k.S, k.W = Dark+State(ph), h.W*f.Calms*0.5*g
		k.Phase, k.Run = 0, 0
		x.add(&k)
	}
	// A board that averages for a tenth of a second meets the edge of a flash
	// now and then: it reads in between, as steady lamps never do.
	if f.between(x.y, h.M) && !x.clipped {
		k := *h
		k.By, k.Run, k.W = byBlur, 1, h.W*on*f.Blur/x.step
		x.add(&k)
	}
}

// between tells whether a reading lies between the levels, dark at m.
func (f *filter) between(y, m float64) bool {
	return y > m && y < m+f.step(m)
}

// learnEnds learns how often readings lie at an end of the converter's range, one alone or a
// few, where many outliers are all alike, from the last ones; end says that the last but one
// does.
func (f *filter) learnEnds(v []float64, end bool) {
	const pace = 0.002
	far := mul(3, math.Sqrt(f.R))
	now, out := v[len(v)-1], v[len(v)-2]
	i := len(v) - 3
	for i > len(v)-2-loose && v[i] == out {
		i--
	}
	is := 0.0
	if end && f.best().S != Blinking && math.Abs(out-v[i]) > far && math.Abs(out-now) > far && math.Abs(now-v[i]) < far {
		is = 1
	}
	f.Ends += mul(pace, is-f.Ends)
}

// learnBlur takes note whether a reading of a blinking lamp was blurred.
func (f *filter) learnBlur(was bool) {
	if was {
		f.Blur = math.Min(f.Blur+mul(0.02, 1-f.Blur), mostBlur)
	} else {
		f.Blur = math.Max(f.Blur-mul(0.02, f.Blur), leastBlur)
	}
}

// side is the chance that a blinking lamp is dark (0) or lit (1) at a reading, by what it
// showed so far: not every lamp shines for half of each period.
func (f *filter) side(phase uint8) float64 {
	const weight = 20                             // readings that one half counts for
	if sq(f.Step) < beyondNoise*beyondNoise*f.R { // it may be noise, which is on one side for longer, too
		return 0.5
	}
	return (f.Sides[phase] + 0.5*weight) / (f.Sides[0] + f.Sides[1] + weight)
}

// again is the chance that a blinking lamp reads the same again after run
// readings of one phase: a coin, as often lit as this lamp is, bent by the runs seen
// so far. Sampling a regular blink at regular times gives anything but coin tosses:
// then no run passes a certain length, and one that does is no blinking.
func (f *filter) again(phase, run uint8) float64 {
	const weight = 3 // runs that the coin counts for, at every length
	const bound = 12 // runs that ended at the greatest length, to call it the greatest
	this, that, coin := &f.Runs[phase], &f.Runs[1-phase], f.side(phase)
	alike := math.Max(0, 1-math.Abs(mul(5, coin)-2.5)) // then the runs of the other side tell of these as well
	for k := range maxRun - 1 {
		if this[k]+mul(alike, that[k]) >= bound && this[k+1]+mul(alike, that[k+1]) == 0 && int(run) > k {
			return 0.1
		}
	}
	if run >= maxRun {
		return coin
	}
	n := mul(alike, that[run-1]) + weight
	p := (mul(alike, that[run]) + mul(weight, 1-coin)) / n
	odds := mul(p/(1-p), sq(coin/(1-coin)))
	p = (this[run] + mul(n, odds/(1+odds))) / (this[run-1] + n)
	if f.Calms > calms { // at such intervals it may well be the lamp that changes, and not the phase
		p = math.Min(p, coin)
	}
	return p
}

// learnRun takes note of the runs of one phase, each when it has ended, for the last one may
// be the end of the blinking; run is the length of the one going on, of this phase.
func (f *filter) learnRun(phase, run uint8) {
	if run == 1 {
		runs := &f.Runs[1-phase]
		for i := range min(f.Going, maxRun) {
			runs[i]++
		}
		if runs[0] > 100 {
			for i := range runs {
				runs[i] *= 0.5
			}
		}
		f.Sides[1-phase] += float64(f.Going)
		if f.Sides[0]+f.Sides[1] > 400 { // the latest readings count most
			f.Sides[0], f.Sides[1] = mul(0.5, f.Sides[0]), mul(0.5, f.Sides[1])
		}
	}
	f.Going = run
}

// learnRhythm takes note of reading y of a blinking lamp, so many nominal intervals
// after the last one; lit is what alias.next gave before it.
func (f *filter) learnRhythm(y float64, intervals uint, lit float64) {
	b := f.best()
	is, known := y > b.M+mul(0.5, f.step(b.M)), b.By == byNormal || b.By == bySwitch
	if intervals == 1 && known && f.Alias.Seen&2 != 0 {
		f.Alias.learn(is, lit, f.again(uint8(f.Alias.Side>>1&1), max(f.Going, 1)))
	}
	f.Alias.put(intervals, is, known)
}

// learnSplit learns how often a jump of the ambient comes in two readings with the
// larger part second, as a cloud's hard edge may, from the last five readings
// (v); sd is their noise. Jumps of about the lamp's step are left out, for they
// may be the lamp's.
func (f *filter) learnSplit(v [5]float64, sd float64) {
	first, second := v[2]-v[1], v[3]-v[2]
	noise, step := mul(5, sd), f.stepNow()
	lamps := func(jump float64) bool { return math.Abs(math.Abs(jump)-step) < 0.12*step }
	if math.Abs(v[1]-v[0]) > noise || math.Abs(first) < math.Max(noise, 0.1*step) || lamps(first) || lamps(second) || lamps(first+second) {
		return
	}
	size := math.Abs(second)
	if (first > 0) != (second > 0) || size < math.Abs(first) || math.Abs(v[4]-v[3]) > mul(0.3, size)+noise {
		f.Split -= mul(0.05, f.Split)
		return
	}
	f.Split += mul(0.05, 1-f.Split)
	f.Main = larger(f.Main, size)
}

// larger follows the usual large size, by one more: the larger ones count more, for
// what clouds never did, the lamp may. 0 is none so far.
func larger(usual, size float64) float64 {
	switch {
	case usual == 0:
		return size
	case size > usual:
		return usual + mul(0.3, size-usual)
	default:
		return usual + mul(0.05, size-usual)
	}
}

// prune merges hypotheses that agree, keeps the best nHyp and makes the
// weights sum to one.
func (f *filter) prune(kids []hyp, top float64) {
	m := 0
	for i := range kids {
		k := &kids[i]
		if !(k.W > top*1e-9) {
			continue
		}
		low, merged := -1, false
		for j := range m {
			h := &f.H[j]
			if h.S == k.S && h.Phase == k.Phase && h.Run == k.Run && sq(h.M-k.M) < 0.25*(h.P+f.R) {
				if k.W > h.W {
					w := h.W
					*h = *k
					h.W += w
				} else {
					h.W += k.W
				}
				merged = true
				break
			}
			if low < 0 || h.W < f.H[low].W {
				low = j
			}
		}
		switch {
		case merged:
		case m < nHyp:
			f.H[m] = *k
			m++
		case k.W > f.H[low].W:
			f.H[low] = *k
		}
	}
	f.N = uint32(m)
	sum := 0.0
	for i := range m {
		sum += f.H[i].W
	}
	for i := range m {
		f.H[i].W /= sum
	}
	for i := m; i < nHyp; i++ {
		f.H[i] = hyp{}
	}
}

// chances gives the chance of each state, taking a hypothesis that has just
// left blinking as still blinking.
func (f *filter) chances() (p [4]float64) {
	for i := range int(f.N) {
		h := &f.H[i]
		s := h.S
		if h.Prev == Blinking && h.Age < 2 {
			s = Blinking
		}
		p[s] += h.W
	}
	return p
}

// sized is the density of a jump of d where the larger ones are of the usual size.
func sized(d, usual float64) float64 {
	return 0.5 / (1 + tail) / usual * over(math.Abs(d)/usual)
}

// over is how the density of the ambient's jumps falls off beyond the usual
// large one: x times that, to the power of -8.
func over(x float64) float64 {
	if x <= 1 {
		return 1
	}
	return 1 / sq(sq(sq(x)))
}
