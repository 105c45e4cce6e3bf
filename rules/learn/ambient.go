package learn

import (
	"math"
	"slices"
)

// The ambient's movement is kept in stretches of this many minutes.
const (
	nPast   = 6
	stretch = 25
)

// ambient tracks where the level has been: all that a first edge must
// surpass; and how it moves by itself, between sharp edges.
type ambient struct { // levels in counts
	Lo, Hi   float64           // range of the level over days
	RLo, RHi float64           // range over the last two hours or so of the level with sharp edges taken out
	Past     [nPast][2]float64 // the same in the stretches of those hours, newest first
	All      [nPast][2]float64 // of the level with its edges, in those stretches
	L        float64           // level with its edges, smoothed
	Stretch  float64           // minutes of the newest stretch
	M        float64           // level with sharp edges taken out, smoothed
	Jump     float64           // largest jump from one reading to the next of late that no edge was recorded for
	Way      float64           // way that M went
	Span     float64           // how far the level moved by itself in those hours, but for smooth slopes
	Slid     float64           // how much farther with them
	Swing    float64           // the most of that in the last days
	Off      float64           // sum of the edges taken out
	Hold     uint32            // readings until the last edge has left the window
	Minutes  float64           // watched
	Seen     bool
}

func (r *ambient) observe(e *edges, minutes, sd float64) {
	minutes = math.Min(minutes, 600)
	if e.N < nBuf {
		return
	}
	r.Minutes += minutes
	slow := math.Min(minutes/7200, 1)
	r.Jump -= mul(r.Jump, 0.5*slow)
	if n := e.NE; n == 0 || e.E[n-1].At != e.T[nBuf-half-1] {
		if j := e.leap(nBuf - half - 1); j > r.Jump && !e.has(j) && !e.brief(nBuf-half-1, j) {
			r.Jump = j
		}
	}
	m := e.oldLevel()
	if r.Seen {
		r.L += mul(0.12, m-r.L)
		r.All[0] = [2]float64{math.Min(r.L, r.All[0][0]), math.Max(r.L, r.All[0][1])}
	}
	if r.Hold > 0 {
		r.Hold--
		r.span(sd, slow)
		return
	}
	if !r.Seen {
		r.begin(m)
	}
	r.Lo = math.Min(m, r.Lo+mul(slow, m-r.Lo))
	r.Hi = math.Max(m, r.Hi+mul(slow, m-r.Hi))
	r.M += mul(0.12, m-r.Off-r.M)
	m = r.M
	r.Stretch += minutes
	if r.Stretch > stretch {
		r.Stretch = 0
		r.Way += math.Max(r.Past[0][1]-r.Past[0][0]-mul(2, sd), 0)
		copy(r.Past[1:], r.Past[:nPast-1])
		r.Past[0] = [2]float64{m, m}
		copy(r.All[1:], r.All[:nPast-1])
		r.All[0] = [2]float64{r.L, r.L}
	}
	r.Past[0] = [2]float64{math.Min(m, r.Past[0][0]), math.Max(m, r.Past[0][1])}
	r.RLo, r.RHi = m, m
	for i := range r.Past {
		r.RLo, r.RHi = math.Min(r.RLo, r.Past[i][0]), math.Max(r.RHi, r.Past[i][1])
	}
	r.span(sd, slow)
}

// span measures how far the level moved by itself in the last two hours or so. Edges taken
// out, it moves by those that were not seen, too, but never farther than with them.
// A slope does not count where the level is beside it as flat as noise of sd: that is
// the day's warmth or slow light, and no cloud's, and hides no sharp edge. What the hours
// are known for goes by it; what asks for stillness just now goes by RLo and RHi, which
// are never less. Of the last days a share of slow is forgotten.
func (r *ambient) span(sd, slow float64) {
	const flat, rough = 1.5, 2.5 // standard deviations beside a slope: all of it is left out, none
	all := math.Min(r.bent(&r.Past, 0), r.bent(&r.All, 0))
	r.Span = all
	if b := r.slope(sd); b != 0 {
		beside := min(r.bent(&r.Past, b), r.bent(&r.All, b), all)
		r.Span = beside + mul(all-beside, clamp((beside/sd-flat)/(rough-flat), 0, 1))
	}
	r.Slid = all - r.Span
	r.Swing = math.Max(r.Swing-mul(slow, r.Swing), r.Slid)
}

// slope is how fast the level moves by itself, edges taken out, in counts a minute: the
// median over all pairs of stretches; 0 where noise of sd would do.
func (r *ambient) slope(sd float64) float64 {
	var v [nPast * (nPast - 1) / 2]float64
	n := 0
	for i := range r.Past {
		for k := range i {
			from, to := mul(0.5, r.Past[i][0]+r.Past[i][1]), mul(0.5, r.Past[k][0]+r.Past[k][1])
			v[n] = (to - from) / (r.ago(i) - r.ago(k))
			n++
		}
	}
	slices.Sort(v[:])
	b, least := v[len(v)/2], 0.6*sd/(nPast*stretch)
	return b - clamp(b, -least, least)
}

// ago is how many minutes ago the middle of a stretch was.
func (r *ambient) ago(i int) float64 {
	if i == 0 {
		return 0.5 * r.Stretch
	}
	return r.Stretch + mul(stretch, float64(i)-0.5)
}

// bent is the range of these stretches beyond a slope of b counts a minute.
func (r *ambient) bent(v *[nPast][2]float64, b float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range v {
		long := float64(stretch)
		if i == 0 {
			long = r.Stretch
		}
		m := mul(0.5, v[i][0]+v[i][1]) + mul(b, r.ago(i))
		w := mul(0.5, math.Max(v[i][1]-v[i][0]-mul(math.Abs(b), long), 0))
		lo, hi = math.Min(lo, m-w), math.Max(hi, m+w)
	}
	return hi - lo
}

// begin starts with a level of m.
func (r *ambient) begin(m float64) {
	r.Lo, r.Hi, r.M, r.L, r.Seen = m, m, m-r.Off, m, true
	for i := range r.Past {
		r.Past[i] = [2]float64{r.M, r.M}
		r.All[i] = [2]float64{m, m}
	}
}

// edge takes a sharp edge out; it leaves the window after hold readings.
func (r *ambient) edge(size float64, hold uint32) {
	r.Hold = hold
	r.Off += size
	if math.Abs(r.Off) > 1e6*math.Abs(size) { // keep the sum exact enough for ever
		r.M, r.RLo, r.RHi = r.M+r.Off, r.RLo+r.Off, r.RHi+r.Off
		for i := range r.Past {
			r.Past[i][0] += r.Off
			r.Past[i][1] += r.Off
		}
		r.Off = 0
	}
}

// moved is how far the ambient moves by itself at this hour, or did lately.
func (c *core) moved(ms int64) float64 {
	move := c.Range.Span
	if h := c.Hours.at(ms); h.Moves > 100 {
		move = math.Max(move, h.Move)
	}
	return move
}

// stirs is how much farther the ambient moves at this hour, or did lately, than in calm
// hours; known is false while those are not, and count for none.
func (c *core) stirs(ms int64) (by float64, known bool) {
	calm, _, known := c.Hours.moves()
	return c.moved(ms) - calm, known
}

// still tells whether the light is known never to move by itself: at no hour, and
// no more than noise of sd makes the smoothed level move; noise that wanders
// makes it move more. Nor does it go anywhere by slopes.
func (c *core) still(sd float64) bool {
	calm, lively, known := c.Hours.moves()
	return known && lively-calm < mul(0.35, sd) && calm < mul(2, sd) && c.Range.Swing < sd
}

// smooth tells whether the light is known to move by itself by smooth slopes only.
func (c *core) smooth(sd float64) bool {
	calm, lively, known := c.Hours.moves()
	return known && lively-calm < mul(0.6, sd) && calm < mul(2, sd)
}

// wanders tells whether the level goes farther by itself than a small step, at the
// calmest hours, too. A lamp whose edges were not seen moves it by its step at
// most; noise that wanders, or jumps between two levels as of a loose contact,
// moves it farther, and makes edges of one size up and down in turn at all hours.
func (c *core) wanders(step, sd float64) bool {
	calm, _, known := c.Hours.moves()
	return known && step < mul(beyondRoom, sd) && calm > 1.3*step
}

// calmer tells whether the ambient's movement within hours, as far as it is
// known, is less than half of a step.
func (c *core) calmer(step float64) bool {
	calm, lively, known := c.Hours.moves()
	if !known {
		return c.Range.Way < step
	}
	return lively-calm+c.Range.Swing < 0.5*step
}
