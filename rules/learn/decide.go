package learn

import (
	"math"
	"time"
)

// filter runs the decision engine and announces what it is sure of.
func (l *Learner) filter(ms int64, y, dt, minutes float64) {
	c := &l.c
	f := &c.F
	step := f.stepNow()
	least := math.Max(c.Noise.variance(), sq(0.01*step))
	if sq(step) > beyondNoise*beyondNoise*least { // no noise comes near it
		f.R = least
		from := 4 * least
		if f.Ripple == 0 {
			from = math.Max(from, sq(step)/49)
		}
		if v := c.Edges.flicker(step, from) - c.ripple(step); v > from {
			f.R, least = v, v // restless light: for now the lamp is a faint one
		}
	}
	f.R = clamp(f.R, least, heavy*least)
	f.Blur = math.Max(f.Blur, leastBlur)
	if sq(step) < 100*c.Noise.variance() { // noise reads in between as well
		f.Blur = 0
	}
	if c.Edges.N == nBuf {
		f.learnSplit([5]float64(c.Edges.V[nBuf-5:]), math.Sqrt(f.R))
	}
	f.Rail = c.Noise.rail()
	f.PB = c.priorBlink()
	f.Hazard, f.Calms = math.Max(f.Hazard-mul(recent, f.Hazard), seldom), calms
	if times := c.slower(); times > 1 {
		f.Hazard = math.Max(f.Hazard, math.Min(mul(seldom, times), swift))
		if f.Blur < 0.3 { // else a few sharp readings would be the end of the blinking
			f.Calms = math.Min(mul(calms, times), swift)
		}
	}

	b := f.best()
	pred, v := b.M, b.P+mul(f.Q, dt)+f.noise(b.shines(), step)
	where := c.Hours.where(ms, minutes, step, f.R)
	where.Least, where.Most = c.possible()
	where.End = c.Noise.end(y)
	where.Bends = c.mayBend()
	where.Darkest = math.Inf(-1)
	if c.Range.RHi-c.Range.RLo < 0.15*step {
		where.Darkest = c.Range.Lo
	}
	was := *b
	calm, rate := f.Rho < calmRho, &f.Rho0
	if calm {
		rate = &f.First
	}
	f.RhoHour = c.Hours.jumps(ms, *rate, calm)
	where.Visits = calm && c.visits(ms)
	if c.NBlink == 0 && ms-c.Begin < setup && calm {
		where.Hazard = trial
	}
	intervals := uint(math.Max(1, math.Round(dt)))
	lit, rhythm := f.Alias.next(intervals)
	f.observe(ms, y, dt, &where, lit, rhythm)
	b = f.best()
	f.followTail(c.Edges.V[:], b, v, least)
	spike := 0.0
	if b.By == bySpike {
		spike = 1
	}
	f.Eps = clamp(f.Eps+mul(5e-4, spike-f.Eps), leastEps, 0.02)
	f.learnEnds(c.Edges.V[:], c.Noise.end(c.Edges.V[nBuf-2]))
	moved := math.Abs(b.M - was.M)
	shown := moved
	if b.S == Lit {
		shown = mul(moved, f.slope(b.M, f.Step))
	}
	jumped := b.S == was.S && b.Enter == was.Enter && b.Age > 3 && moved > 0.1*step && sq(shown) > 16*(was.P+f.noise(b.shines(), step)+mul(f.Q, dt))
	if jumped {
		f.vote(b.M - was.M)
	}
	if jumped && !(f.voted() > 0 && f.isOther(moved, b.P+f.R)) { // another light does not tell how far and how often clouds jump
		f.Rho += mul(0.05, 1-f.Rho)
		*rate += mul(5e-4, 1-*rate)
		c.Hours.jump(ms, minutes, 1, calm)
		f.Jump = larger(f.Jump, moved)
	} else {
		f.Rho = mul(f.Rho, 0.95)
		*rate = mul(*rate, 1-5e-4)
		c.Hours.jump(ms, minutes, 0, calm)
	}
	if b.By == byNormal {
		if b.shines() {
			pred += f.step(pred)
		}
		if f.Rail != 0 {
			pred = math.Min(pred, f.Rail)
		}
		if b.S == Blinking { // blinking shows the step at every flip
			d := clamp(y-pred, -0.2*step, 0.2*step)
			if b.Phase == 0 {
				d = -d
			}
			f.Step += mul(mul(0.03, d), f.ratio(b.M))
		}
		most := 6 * v
		if b.S == Blinking && f.Blur > 0.1 { // one reading in ten of no level at all: it is they that differ, not the ambient
			most = 1.5 * f.R
		}
		e2 := math.Min(mul(sq(y-pred), f.R/(f.R+c.ripple(step))), most)
		f.C += mul(0.1, e2-f.C)
	}
	// no faster than the ambient moves at this hour, or did lately
	most := mul(0.1, f.R) + mul(0.25, sq(math.Max(c.moved(ms)-mul(1.5, math.Sqrt(f.R)), 0)))
	f.Q = math.Max(0.01*f.R, math.Min(f.C-2*f.R, most))
	l.decide(ms, dt)
	if b.W > 0.9 && b.Age == 12 && b.S != Blinking && b.S == c.State && b.Prev == Dark+Lit-b.S && b.Enter > c.Since && !c.Changed {
		c.NLit += 2 // there and back, too soon to be told
	}
	if b.W > 0.9 && b.S == c.State && b.Age >= 3 {
		c.Hours.learn(ms, b.M, minutes)
	}
	if c.State == Blinking && !c.Changed {
		f.learnRhythm(y, intervals, lit)
	}
	if c.State == Blinking && b.S == Blinking {
		if b.By == byNormal {
			f.learnRun(b.Phase, b.Run)
		}
		f.learnBlur(b.By != byNormal && f.between(y, was.M))
	}
}

// mayBend tells whether daylight may squeeze the lamp's step, though nothing is known of it.
func (c *core) mayBend() bool {
	return c.F.Bend == 0 && c.NUp+c.NDown > 0 && c.F.Straight < 1
}

// ripple is what the variance of a reading is more now than in the dark, for the lamp, with a
// step so large, shines.
func (c *core) ripple(step float64) float64 {
	if c.F.Ripple > 0 && (c.State == Lit || c.F.best().shines()) {
		return c.F.noise(true, step) - c.F.R
	}
	return 0
}

// calmRho is the chance of a jump of the ambient, as seen lately, below which it did not
// jump for an hour of readings or so.
const calmRho = 0.0025

// slower is how many times as often a lamp changes from one reading to the next
// because the board reports less often than about once a minute: what it does in an
// hour does not depend on that.
func (c *core) slower() float64 {
	return math.Max(1, mul(1.5/60_000, c.IV)-1)
}

// heavy is how much larger than by the differences of neighbours the variance
// may prove to be by its tail.
const heavy = 4

// followTail lets the noise follow how often readings are off by more than three of
// its standard deviations, one alone or the mean of the last three. Noise may
// have heavier tails than a Gaussian, or come in runs, which the differences of
// neighbours do not show: with a small step, two or three such readings would
// pass for the lamp's. v is the variance expected, least that of the differences.
// What is judged lies some readings back, for a change of the lamp is not
// recognized at once, and till then looks like such noise.
func (f *filter) followTail(last []float64, h *hyp, v, least float64) {
	const since = 4 // readings
	step := f.step(h.M)
	if sq(step) > beyondNoise*beyondNoise*least || h.S == Blinking || h.Age < since+4 {
		return
	}
	m := h.M
	if h.S == Lit {
		m += step
		if f.Rail != 0 {
			m = math.Min(m, f.Rail)
		}
	}
	n := len(last) - since
	one := sq(last[n-1] - m)
	three := sq(last[n-1]+last[n-2]+last[n-3]-mul(3, m)) / 3
	// A Gaussian's are 0.005 in all; to ask for half of that makes its standard
	// deviation larger by a tenth at most.
	const share, pace = 0.0025, 0.05
	switch {
	case one > 25*v: // an outlier
	case math.Max(one, three) > 9*v:
		f.R *= 1 + pace*(1-share)
	default:
		f.R *= 1 - pace*share
	}
	f.R = clamp(f.R, least, heavy*least)
}

// brief is the number of changes that a lamp counts for that was first seen by a
// visit of a few readings: to wait longer than that for what is no blinking
// would be to miss all of them.
const brief = 8

// possible gives the least and the largest ambient that readings can be of: a
// converter counts nothing below zero, neither dark nor lit, unless it did.
func (c *core) possible() (least, most float64) {
	far := mul(3, math.Sqrt(c.F.R)) + mul(0.05, c.F.Step)
	switch {
	case !c.Cfg.LitLower && c.Noise.Min >= 0:
		return -far, math.Inf(1)
	case c.Cfg.LitLower && c.Noise.Max <= 0: // the readings' signs are turned
		return math.Inf(-1), far + c.F.ambient(0, true)
	}
	return math.Inf(-1), math.Inf(1)
}

// priorBlink is the share of blinking among the lamp's changes from the steady
// state it is in, with a prior that fades as the lamp shows what it does.
func (c *core) priorBlink() float64 {
	b, n := float64(c.NBlink), float64(c.NLit)
	if c.State != Lit { // what went from dark to lit came back: half of them began here
		n *= 0.5
	}
	return (b + 0.02) / (n + b + 0.2)
}

// flickers tells whether it may be broken clouds that let the light come and go, and
// not the lamp: the light goes as far by itself at this hour, and the readings
// of late do not lie on two levels.
func (c *core) flickers(ms int64) bool {
	if by, _ := c.stirs(ms); by < mul(0.5, c.F.stepNow()) {
		return false
	}
	floor := c.Noise.variance()
	lo, hi, _, ok := c.Edges.blinks(floor)
	return !ok || c.Edges.scatter(lo, hi) > 4*floor || math.Abs(hi-lo-c.F.step(lo)) > 0.2*c.F.step(lo)
}

// sure is the chance that a change must reach to be announced: what is left
// over, times the announcements to come in FalseEvery, is one.
func (c *core) sure() float64 {
	every := float64(c.Cfg.FalseEvery)
	if every == 0 {
		every = float64(DefaultFalseEvery)
	}
	const between = 6 * 3600e9 // about four changes a day
	return 1 - clamp(between/every, 1e-7, 0.05)
}

func (l *Learner) decide(ms int64, dt float64) {
	c := &l.c
	if c.Changed {
		return // one announcement a reading, with its own confidence
	}
	p := c.F.chances()
	if c.State == Learning {
		for s := Dark; s <= Blinking; s++ {
			if p[s] > 0.99 {
				c.State, c.Conf, c.Since = s, p[s], ms
				l.settle(ms, byLearning)
			}
		}
		return
	}
	c.Conf = p[c.State]
	next := Learning
	for s := Dark; s <= Blinking; s++ {
		if s != c.State && (next == Learning || p[s] > p[next]) {
			next = s
		}
	}
	if p[next] < 0.5 || next == Blinking && c.NBlink == 0 && c.flickers(ms) {
		return
	}
	enter, age := ms, uint32(0)
	w := 0.0
	for i := range int(c.F.N) {
		if h := &c.F.H[i]; h.S == next && h.W > w {
			enter, age, w = h.Enter, h.Age, h.W
		}
	}
	delay := c.Cfg.OnDelay
	if next == Dark {
		delay = c.Cfg.OffDelay
	}
	if delay > 0 { // set by hand
		if p[next] > 0.9 && (ms-enter)*int64(time.Millisecond) >= delay {
			l.announce(next, ms, enter, age+1, p[next])
		}
		return
	}
	// What speaks for the old state is either outliers, which waiting
	// refutes, or ambient light that moved just so, which waiting may never
	// refute: that doubt must be small soon, or bearable later, and lowers
	// the confidence.
	outlier, moved := 0.0, 0.0
	for i := range int(c.F.N) {
		if h := &c.F.H[i]; h.S == c.State {
			if h.By == bySpike {
				outlier += h.W
			} else {
				moved += h.W
			}
		}
	}
	bearable := 0.003
	switch {
	case c.State == Blinking: // only waiting tells that it is over
		bearable = 1e-3
	case next == Blinking: // no ambient light comes and goes like that: what is against it are outliers
		bearable = 0.015
	case age >= 12:
		bearable = 0.2
	case age >= 5 && sq(c.F.Step) < 49*c.F.R: // noise in runs may look like that
		bearable = 0.03
	case age >= 5:
		bearable = 0.12
	case age >= 3:
		bearable = 0.006
	}
	if outlier > 1-c.sure() || moved > bearable {
		return
	}
	// The third state: lit may be the beginning of blinking. Each reading halves
	// that doubt, so waiting is cheap; but a lamp may show itself for some ten
	// readings only, and one that never blinked for five.
	rest := 1 - p[next] - p[c.State]
	limit := 0.001
	switch {
	case next == Blinking:
		limit = 0.01
	case c.State == Blinking && age >= 14 && p[Blinking] < 1e-4: // it is over for certain: the likelier of the other two, then
		limit = 1
	case age >= 9:
		limit = 0.0045
	case c.NBlink == 0:
		limit = 0.002
	}
	if rest > mul(limit, p[next]) {
		return
	}
	conf := p[next]
	if bearable > 0.15 && moved > 0.006 {
		// Where only the hours' habits speak, the change itself was missed:
		// of such late announcements a third to three quarters were still in time
		// (under Confidence in CHOICE.md).
		conf = mul(conf, 0.5)
	}
	l.announce(next, ms, enter, age+1, conf)
}

// visits tells whether changes that follow each other are a lamp's visits, and neither its
// blinking, for it hardly ever does, nor the light's: that moves by less than a quarter of
// the step at this hour, or is where it is every day, to a twentieth. What a lamp does too
// briefly to leave an edge seems to move it.
func (c *core) visits(ms int64) bool {
	if 10*c.NBlink > c.NLit {
		return false
	}
	if h := c.Hours.at(ms); h.Minutes >= 60 && h.Dev < mul(0.05, c.F.step(h.Mean)) {
		return true
	}
	by, _ := c.stirs(ms)
	return by < mul(0.25, c.F.stepNow())
}

// steadyVisit tells whether the blinking that was over at this time, Unix ms, never
// changed sides between its beginning and its end, four readings later at least: such a
// visit counted as blinking would make the next one pass for blinking, too. Of real
// blinking one in eight such would look alike, but it seldom lasts for so few.
func (c *core) steadyVisit(over int64) bool {
	w := &c.Why
	return c.slower() > 1 && c.State == Blinking && w.State == Blinking && w.From == Dark &&
		float64(w.Flips)+c.F.Runs[0][0]+c.F.Runs[1][0] <= 2 && float64(over-c.Since) > mul(3.5, c.IV)
}

// guess is what an announcement of a change that daylight may have squeezed speaks against there
// being a bend: after some of a lamp's, its edges would have shown it.
const guess = 1.0 / 8

// announce makes s the state by a change that began at enter, held readings ago.
func (l *Learner) announce(s State, ms, enter int64, held uint32, conf float64) {
	c := &l.c
	if s == Dark && c.steadyVisit(enter) { // it was lit and went out, no more
		c.NBlink, c.NLit = max(c.NBlink, 1)-1, c.NLit+2
	}
	c.lasted(enter)
	c.F.Runs, c.F.Going = [2][maxRun]float64{}, 0 // the next blinking may have another rhythm
	c.F.Alias.begin()
	c.Told++
	if h := c.F.best(); h.S == s && h.Jump == h.Enter && h.Leap == 0 && c.F.Bend == 0 {
		c.F.Straight += guess
	}
	if s == Blinking {
		c.wentOn(ms, enter)
		c.NBlink++
	} else if c.State != Blinking {
		c.NLit++
	}
	c.Prov = !c.Cfg.manual() && (c.NUp == 0 || c.NDown == 0)
	on, off := c.levels()
	c.Why = why{State: s, From: c.State, At: ms, Enter: enter, Held: held, Value: c.Val,
		On: mul(c.sign(), on), Off: mul(c.sign(), off), Step: c.F.stepNow(), Conf: conf, Prov: c.Prov, Manual: c.Cfg.manual()}
	for i := max(1, nBuf-int(min(held, nBuf))); i < nBuf; i++ {
		is := c.Edges.V[i] > 0.5*(on+off)
		if is != (c.Edges.V[i-1] > 0.5*(on+off)) {
			c.Why.Flips++
		}
		if s == Blinking { // as if none of them had been lost
			c.F.Alias.put(1, is, true)
		}
	}
	c.State, c.Since, c.Changed, c.Conf = s, enter, true, conf
}

// wentOn takes note of a pause too short to be one, if there was one before the blinking to be
// announced: the blinking had gone on, and its lamp dwells on that side for longer than
// was thought. One that began before the pause never ended.
func (c *core) wentOn(ms, enter int64) {
	const pause = 30 // readings
	if enter <= c.Since {
		enter = ms
	}
	if n := float64(enter-c.Since) / c.IV; c.Why.From == Blinking && c.State != Learning && n < pause {
		c.F.Sides[c.State-Dark] += n
	}
}

// settle takes note that the state became known without a change to announce.
func (l *Learner) settle(ms int64, how uint8) {
	c := &l.c
	c.Settled = true
	on, off := c.levels()
	c.Why = why{State: c.State, From: Learning, At: ms, Enter: c.Since, Value: c.Val,
		On: mul(c.sign(), on), Off: mul(c.sign(), off), Step: c.F.stepNow(), Conf: c.Conf, How: how}
}
