package learn

import (
	"math"
	"slices"
)

// Many boards smooth what they measure before they send it: by a share of the way to it,
// y += (1-stay)*(x-y), or by the mean of the last few. A change of the lamp then takes some
// readings, as a cloud's may, and the noise comes in runs. Both leave their mark. After a
// change in still light each difference is the same share (stay) of the one before, or so many
// are alike and then there are none. And the noise, if it was white, has in its differences k
// readings apart the correlation -(1-stay)/2 * stay^(k-1), or -1/2 where k is the length of the
// mean, and 0 elsewhere (from the autocorrelations of a first-order autoregression and of a
// moving average; Box and Jenkins, Time Series Analysis, from memory). Where that is seen the
// smoothing is taken out, and all the rest of the learner reads what was measured.

// How a board smooths.
const (
	notSmoothed = iota
	byShare
	byMean
)

// smoother finds out how the board smooths, and takes it out.
type smoother struct {
	Kind    uint8
	N       uint32                // readings
	Quantum float64               // the converter's step
	Y       float64               // last reading as it was sent
	D       [mostMean]float64     // differences of the last ones, newest first
	Usual   float64               // median of the |differences|
	Quiet   uint32                // how many of them in a row noise explains
	Lag     [mostMean + 1]float64 // sums of products of quiet differences so many readings apart, lately
	Weight  float64               // of how many
	S0, S1  float64               // the same of this block, 0 and 1 apart
	Small   uint32                // of how many
	Blocks  uint32                // blocks seen
	Low     float64               // correlation of neighbouring readings in the blocks where it is least; -1: the converter's steps hide it
	Apart   [mostMean]float64     // correlation of quiet differences one apart, two apart and so on, over more blocks

	Stay  float64 // by changes in still light: what a difference is of the one before it
	Fits  float64 // differences that fit that, more than those that do not; below 0: so much speaks against Hint
	Size  float64 // by how much such changes begin
	Alike float64 // share of those of late that began by as much
	Going bool    // such a change is going on
	Sharp bool    // some came from one reading to the next, as no smoothing leaves them
	Hint  float64 // the same by the noise; 0: that says nothing of it

	Long  uint32  // readings that the mean is of
	Means float64 // what speaks for that
	Run   uint32  // differences alike since a change in still light began
	First float64 // their mean

	X [mostMean]float64 // byMean: what was measured, newest first
}

const (
	mostMean = 12 // readings, at most, that a mean is known to be of
	blockOf  = 60 // quiet differences

	leastStay, mostStay = 0.2, 0.94 // with less a change is sharp enough; with more it is hardly told from light that goes on
	leastHint, mostHint = 0.63, 0.9
	fewFits             = 5
	mostFits            = 40
	sharpCounts         = 4 // fits that a change from one reading to the next counts against

	leak = 0.1 // of its errors that a mean taken out forgets with each reading
)

// observe takes a reading as it was sent, times usual intervals after the last one, and tells
// whether the board proves to smooth in another way than was thought; known: a lamp is known
// by its readings as they are.
func (s *smoother) observe(y, times float64, known bool) (turned bool) {
	d, long := y-s.Y, s.Long
	s.Y = y
	s.N++
	if s.N == 1 || times < 0.3 || times > 1.7 {
		s.Quiet, s.Going, s.Run, s.D[0] = 0, false, 0, 0
		return false
	}
	a := math.Abs(d)
	switch k := 0.02 + 1/float64(min(s.N, 100)); {
	case s.N == 2:
		s.Usual = a
	case a > s.Usual:
		s.Usual += mul(k, math.Min(s.Usual+mul(0.1, s.Quantum), a-s.Usual))
	default:
		s.Usual -= mul(k, s.Usual)
	}
	sd := s.sd()
	begins := a > 10*sd && s.Quiet >= 3
	s.decay(d, sd, a > 4.5*sd && s.Quiet >= 3)
	s.ramp(d, sd, begins)
	if a < 4*sd {
		if s.Quiet = min(s.Quiet+1, 2*mostMean); s.Quiet > mostMean {
			s.quiet(d)
		}
	} else {
		s.Quiet = 0
	}
	copy(s.D[1:], s.D[:])
	s.D[0] = d
	was := s.Kind
	s.Sharp = s.Fits <= -sharpCounts || s.Sharp && s.Fits < 0
	switch hinted := s.Hint > 0 && !s.Sharp; {
	case was == byMean && s.Long == long && (s.Means > 0 || s.shows()), was == byShare && (s.Fits > 0 || hinted):
	case was != notSmoothed: // the next reading tells what it is instead, when the last ones are again as they were sent
		s.Kind = notSmoothed
	case s.Means > fewFits && s.Blocks >= 3 && s.Low > 0.5 && (s.shows() || s.Means >= 20 && s.Long > 3):
		s.Kind = byMean
	case s.fits(known), hinted:
		s.Kind = byShare
	default:
		s.Kind = notSmoothed
	}
	return s.Kind != was
}

// sd is the deviation of the differences.
func (s *smoother) sd() float64 {
	// the median of a Gaussian is 0.6745 deviations, and rounding alone makes 1/sqrt(6) steps
	return math.Max(s.Usual/0.6745, 0.41*s.Quantum)
}

// fits tells whether changes in still light and the noise together say that the board smooths
// by a share. Where the light moves as clouds do the noise seems to come in longer runs.
func (s *smoother) fits(known bool) bool {
	switch {
	case s.Low == -1:
		return s.Fits >= 3*fewFits && s.Blocks >= 5
	case s.Low < mul(0.35, s.Stay):
		return s.alone(known)
	case math.Abs(1+2*s.apart(1)-s.Stay) > 0.2:
		return s.Fits >= 3*fewFits && s.Blocks >= 3
	}
	return s.Fits >= fewFits && s.Blocks >= 3 || s.Fits >= 2*fewFits && s.Blocks > 0
}

// alone tells whether changes say so without the noise, which comes in after the smoothing where
// a filter before the converter does it, or a lamp that takes minutes to come up. Clouds may
// fade like that too, but not all by as much, as a lamp does. A lamp that is known as it reads
// (known) is not given up for that unless it takes long enough to be mistaken.
func (s *smoother) alone(known bool) bool {
	fits, alike := 2.0*fewFits, 0.75
	if known {
		fits, alike = 4*fewFits, 0.85
	}
	return s.Blocks >= 3 && s.Size > 10*s.sd() && s.Fits >= fits && s.Alike > alike && (!known || s.Stay > 0.35)
}

// decay looks for changes of which each difference is the same share of the one before.
func (s *smoother) decay(d, sd float64, begins bool) {
	if !s.Going {
		if s.Going = begins; begins {
			s.alike(math.Abs(d), sd)
		}
		return
	}
	last := s.D[0]
	r, off := d/last, (mul(1.3, sd)+mul(0.4, s.Quantum))/math.Abs(last)
	near := 0.02 + off + off
	switch {
	case off > 0.12: // it tells no more
		s.Going = false
		if s.Fits <= 0 && s.Hint > 0 && math.Abs(s.D[1]) < math.Abs(last) {
			s.faint(r, last/sd)
		}
	case (s.Fits > 0 || s.Hint > 0) && math.Abs(r+1-s.stays()) < near: // an outlier goes
	case math.Abs(r) < 0.12:
		s.Going = false
		switch {
		case s.Fits > 0:
			s.Fits = math.Max(s.Fits-sharpCounts, 0)
		case r > -0.04: // else an outlier may go, before a board that smooths much
			s.Fits = math.Max(s.Fits-sharpCounts/2, -2*sharpCounts)
		}
	case r < leastStay-off-off || r > mostStay || s.Fits > 0 && math.Abs(r-s.Stay) > near:
		s.Fits, s.Going = math.Max(s.Fits-1, math.Min(s.Fits, 0)), false
	case s.Fits < 0:
		s.Fits = math.Min(s.Fits+1, 0)
	default:
		s.Stay += mul(math.Max(1/(1+s.Fits), 0.05), r-s.Stay)
		s.Fits = math.Min(s.Fits+1, mostFits)
	}
}

// alike takes by how much a change begins: a lamp's all begin alike.
func (s *smoother) alike(a, sd float64) {
	const part = 0.15
	switch off := math.Abs(a - s.Size); {
	case off < mul(0.05, s.Size)+2*sd:
		s.Size += mul(0.2, a-s.Size)
		s.Alike += mul(part, 1-s.Alike)
	case s.Alike < 0.2:
		s.Size, s.Alike = a, part
	default:
		s.Alike -= mul(2*part, s.Alike)
	}
}

// faint takes the first two differences of a change too small to tell the share, the second r
// of the first, which is so many deviations large. Noise may come in such runs by itself, before
// a board that does not smooth: there such changes are over with the first. Half of the log odds
// of the two counts.
func (s *smoother) faint(r, deviations float64) {
	const most = 1.5
	if r < mul(0.25, s.Hint-1) || r > mul(1.5, s.Hint) { // an outlier goes, or the light moves
		return
	}
	odds := mul(mul(mul(0.3, s.Hint), r-mul(0.5, s.Hint)), sq(deviations))
	s.Fits = clamp(s.Fits+clamp(odds, -most, most), -2*sharpCounts, 0)
}

// ramp looks for changes of so many differences alike.
func (s *smoother) ramp(d, sd float64, begins bool) {
	still, more := math.Abs(d) < 4*sd, float64(s.Run)-1
	switch {
	case s.Run == 0:
		if begins {
			s.Run, s.First = 1, d
		}
		return
	case !still && math.Abs(d-s.First) < 5*sd && s.Run < mostMean:
		s.Run++
		s.First += (d - s.First) / float64(s.Run)
		return
	case !still:
		s.Means = math.Max(s.Means-1, 0)
	case s.Run == 1: // from one reading to the next; or an outlier comes into the mean, or goes
		s.Means = math.Max(s.Means-0.5, 0)
	case s.Run == s.Long:
		s.Means = math.Min(s.Means+more, mostFits)
	default:
		switch s.Means -= more; {
		case s.Means < 0 && s.Kind == byMean && s.shows(): // the lamp blinks, or the light moves
			s.Means = 0
		case s.Means < 0:
			s.Long, s.Means = s.Run, more
		}
	}
	s.Run = 0
}

// quiet takes a difference that noise explains, after others that it does.
func (s *smoother) quiet(d float64) {
	s.Lag[0] += sq(d)
	for i, x := range s.D {
		s.Lag[i+1] += mul(d, x)
	}
	s.Weight++
	s.S0 += sq(d)
	s.S1 += mul(d, s.D[0])
	if s.Small++; s.Small < blockOf {
		return
	}
	s.block()
	s.Small, s.S0, s.S1 = 0, 0, 0
	const keep = 0.85
	for i := range s.Lag {
		s.Lag[i] *= keep
	}
	s.Weight *= keep
}

// block learns from a block of quiet differences.
func (s *smoother) block() {
	s.Blocks = min(s.Blocks+1, 1000)
	first := s.Blocks == 1
	if v, cov := s.unrounded(s.S0, s.S1, blockOf); v < mul(0.3*blockOf, sq(s.Quantum)) || v <= 0 {
		if first {
			s.Low = -1
		}
	} else {
		rho, k := clamp(1+2*cov/v, -0.99, 1), 0.05
		if rho < s.Low {
			k = 0.5
		}
		if first || s.Low == -1 {
			k, s.Low = 1, 0
		}
		s.Low += mul(k, rho-s.Low)
	}
	if s.Low > -1 && s.Low < 0 && s.Fits < 3*fewFits { // white
		s.Hint = 0
	}
	s.marks()
}

// unrounded is what sums of n squares and of n products of neighbouring differences come to
// without the converter's rounding.
func (s *smoother) unrounded(squares, products, n float64) (v, cov float64) {
	q := sq(s.Quantum)
	return squares - mul(n/6, q), products + mul(n/12, q)
}

// apart is the correlation of quiet differences so many readings apart, of late.
func (s *smoother) apart(lag uint32) float64 {
	v, cov := s.unrounded(s.Lag[0], s.Lag[1], s.Weight)
	if lag > 1 {
		cov = s.Lag[lag]
	}
	if v <= 0 {
		return 0
	}
	return cov / v
}

// shows tells whether the noise has the mark of a mean of Long readings.
func (s *smoother) shows() bool { return s.apart(s.Long) < -0.3 }

// marks looks for what smoothing leaves in the noise.
func (s *smoother) marks() {
	v, _ := s.unrounded(s.Lag[0], 0, s.Weight)
	steps := mul(s.Weight, sq(s.Quantum))
	if s.Blocks < 5 || v < 0.5*steps || v <= 0 {
		return
	}
	n := float64(s.Blocks - 4)
	most := 0 // where it is most negative
	for i := range s.Apart {
		s.Apart[i] += mul(math.Max(1/n, 0.04), s.apart(uint32(i+1))-s.Apart[i])
		if s.Apart[i] < s.Apart[most] {
			most = i
		}
	}
	second := 0.0
	for i, x := range s.Apart {
		if i != most {
			second = math.Min(second, x)
		}
	}
	// A median of as many leaves half of that, and there is nothing to take out of it.
	switch least := s.Apart[most]; {
	case most > 0 && n >= 3 && least < -0.36-0.1/math.Sqrt(n) && second > -0.16:
		if s.Long != uint32(most+1) {
			s.Long, s.Means = uint32(most+1), 0
		}
		s.Means = math.Min(math.Max(s.Means, fewFits)+1, mostFits)
		return
	case s.Kind == byMean && s.Means < 3*fewFits && s.Apart[s.Long-1] > -0.33:
		s.Means = 0
	}
	stay := 1 + 2*s.Apart[0]
	want, off := s.Apart[0], 0.0
	for _, x := range s.Apart[1:] {
		want = mul(want, stay)
		off += sq(x - want)
	}
	switch {
	case stay < 0.8*leastHint || stay > 1 || off > 0.04:
		s.Hint = 0
	case s.Hint > 0 || s.Blocks >= 10 && stay > leastHint && stay < mostHint && s.Low > 0.6*stay && v > steps && off < 0.015+0.06/n:
		s.Hint = math.Min(stay, mostStay)
	}
}

// stays is the share of the last reading that is in the next.
func (s *smoother) stays() float64 {
	if s.Fits >= fewFits || s.Hint == 0 {
		return s.Stay
	}
	return s.Hint
}

// variance is that of what was measured, by the quiet differences.
func (s *smoother) variance() float64 {
	v := s.Lag[0] / (2 * s.Weight)
	if s.Kind == byMean {
		return mul(v, sq(float64(s.Long)))
	}
	stay := s.stays()
	return math.Max((mul(v, 1+sq(stay))-mul(stay, s.Lag[1])/s.Weight)/sq(1-stay), 0) // a slope's differences are alike
}

// measured is what the board measured, if it sends y, times usual intervals after last: some
// readings may have been lost in between.
func (s *smoother) measured(last, y, times float64) float64 {
	k := int(clamp(math.Round(times), 1, 1000))
	switch s.Kind {
	case byShare:
		stay := s.stays()
		if k > 1 {
			stay = pow(stay, float64(k))
		}
		return last + (y-last)/(1-stay)
	case byMean:
		x, n := y, int(s.Long)
		if k < n { // what was lost is alike, as far as is known
			sum := mul(float64(n), y-last)
			for _, v := range s.X[n-k : n] { // these went out of the mean
				sum += v + mul(leak, y-v)
			}
			x = sum / float64(k)
		}
		k = min(k, mostMean)
		copy(s.X[k:], s.X[:])
		for i := range k {
			s.X[i] = x
		}
		return x
	}
	return y
}

// measured is what the board measured, as far as is known, now that it sends y, times usual
// intervals after its last reading.
func (c *core) measured(y, times float64) float64 {
	s := &c.Smooth
	if s.Kind == notSmoothed {
		s.Quantum = c.Noise.Quantum
	}
	last, kind, stay := s.Y, s.Kind, s.stays()
	if s.observe(y, times, c.Known) {
		c.unsmooth(kind, stay)
	}
	return clamp(s.measured(last, y, times), -1e12, 1e12)
}

// asSent makes of the last readings that a board was thought to measure, byShare, those that it
// sent. By the first of them it is off, and forgets that as such a board does.
func asSent(v []float64, t []int64, iv, stay float64) {
	for i := 1; i < len(v); i++ {
		left := pow(stay, clamp(math.Round(float64(t[i]-t[i-1])/iv), 1, 1000))
		v[i] += mul(left, v[i-1]-v[i])
	}
}

// unsmooth reads the last readings anew, now that it is known how the board smooths, or is not
// any more; until then it was thought to smooth as was tells, with stay of a reading left in the
// next one. What was learned by slopes that passed for the light's, or by what was no slope, is
// given up, and how far the light goes by itself.
func (c *core) unsmooth(was uint8, stay float64) {
	s, n, e := &c.Smooth, &c.Noise, &c.Edges
	oldest := nBuf - int(e.N)
	switch {
	case s.Kind == notSmoothed && was == byShare:
		n.Block = 0
		asSent(e.V[oldest:], e.T[oldest:], math.Max(c.IV, 1), stay)
	case s.Kind == notSmoothed: // a mean forgets some of what it took out, so that is not got back
		n.Block, e.N = 0, 0
	default:
		n.V = s.variance()
		n.Now = n.V
		last := e.V[min(oldest, nBuf-1)]
		for i := range s.X {
			s.X[i] = last
		}
		for i := oldest + 1; i < nBuf; i++ {
			y := e.V[i]
			e.V[i] = s.measured(last, y, float64(e.T[i]-e.T[i-1])/math.Max(c.IV, 1))
			last = y
		}
	}
	n.Seen, n.N, n.Calm, n.Sq, n.Prod, n.Rho, n.Quantum = false, 0, 0, 0, 0, 0, 0
	of := *e
	*e = edges{V: e.V, T: e.T, N: e.N}
	if c.Range.Jump = 0; s.Fits < fewFits { // else a change is going on, and that is taken for the lamp's
		c.Range = ambient{}
	}
	switch {
	case !c.Known:
	case c.carries():
		e.E, e.NE = of.E, of.NE
	default:
		c.Hours.forget()
		c.forget()
	}
}

// carries keeps the lamp that is known, now that the last readings are read anew, if they make
// sense: the light is still, or changes as the lamp would.
func (c *core) carries() bool {
	e, was, before := &c.Edges, c.F, c.State
	if e.N < nBuf || before != Dark && before != Lit {
		return false
	}
	const late = nBuf - 5 // a change that is going on, and may have been told, began here at the earliest
	if c.Since >= e.T[late] {
		before = Dark + Lit - before
	}
	old := [5]float64(e.V[late-5 : late])
	slices.Sort(old[:])
	moved := (e.V[nBuf-1] - old[2]) / was.stepNow()
	if before == Lit {
		moved = -moved
	}
	if moved < -0.25 || moved > 0.25 && moved < 0.4 || moved > 1.25 {
		return false
	}
	c.F = freshFilter(was.bend, was.Step, c.Noise.variance())
	f := &c.F
	f.Darkest, f.Straight, f.Tau2, f.Hazard, f.PB = was.Darkest, was.Straight, was.Tau2, was.Hazard, was.PB
	f.start(c.State, f.ambient(old[2], before == Lit), c.Since)
	return true
}
