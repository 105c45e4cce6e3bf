package learn

import (
	"math"
	"slices"
)

// slot is where the ambient light usually is at one hour of the day.
type slot struct {
	Mean, Dev float64 // counts: mean, and mean absolute deviation from it
	Minutes   float64 // watched
	Move      float64 // usual movement over three hours, sharp edges taken out
	Moves     float64 // minutes watched for it
	Jumps     float64 // share of readings at which the ambient jumps, where it did of late
	Watched   float64 // minutes watched for it
	Firsts    float64 // share of readings at which it jumps after long calm
	Calm      float64 // minutes watched for it
}

// place is what the ambient's usual whereabouts say now.
type place struct {
	Mean, Scale float64
	Weight      float64 // share of a full judgement that this reading may make
	Least, Most float64 // of an ambient that a reading can be of
	Darkest     float64 // darkest level known, where the light hardly moved of late; else below all
	Bends       bool    // daylight may squeeze the lamp's step, nobody knows how much
	End         bool    // the reading is at an end of the converter's range
	Visits      bool    // changes that follow each other are a lamp's visits
	Hazard      float64 // the least chance of a switch from a steady state
}

// odds is the logarithm of how plausible an ambient of m is, relative to the
// mean; heavy-tailed, for rooms do change. Additional light is more plausible
// than missing light.
func (p *place) odds(m float64) float64 {
	if p.Weight == 0 {
		return 0
	}
	z := (m - p.Mean) / p.Scale
	if z > 0 {
		z *= 0.7
	}
	z = clamp(z, -50, 50)
	return mul(-1.5, ln(1+sq(z)/3))
}

// hours are the 24 slots. They go by the clock that stamps the readings; its
// zone does not matter.
type hours [24]slot

func (h *hours) at(ms int64) *slot {
	return &h[uint64(ms)/3_600_000%24]
}

func (h *hours) learn(ms int64, m, minutes float64) {
	s := h.at(ms)
	minutes = math.Min(minutes, 30)
	s.Minutes += minutes
	if s.Minutes == minutes {
		s.Mean = m
	}
	k := math.Min(math.Max(minutes/s.Minutes, minutes/180), 0.5)
	d := m - s.Mean
	s.Mean += mul(k, d)
	s.Dev += mul(k, math.Abs(d)-s.Dev)
}

// move learns how much the ambient moves at this hour: on its livelier days,
// for it goes up four times as fast as down.
func (h *hours) move(ms int64, span, minutes float64) {
	s := h.at(ms)
	minutes = math.Min(minutes, 30)
	s.Moves += minutes
	k := math.Min(math.Max(minutes/s.Moves, minutes/180), 0.5)
	if span < s.Move && s.Moves > 60 {
		k *= 0.25
	}
	s.Move += mul(k, span-s.Move)
}

// moves gives the movement at the calmer hours of the day and at the livelier.
// Edges of the lamp that were not seen as such move the level at all hours;
// clouds never at night. Known from twenty hours on.
func (h *hours) moves() (calm, lively float64, known bool) {
	var v [24]float64
	n := 0
	for i := range h {
		if h[i].Moves < 50 {
			continue
		}
		v[n] = h[i].Move
		n++
	}
	if n < 20 {
		return 0, 0, false
	}
	slices.Sort(v[:n])
	return v[5], v[n*3/4], true
}

// where tells what the ambient's usual whereabouts say about a reading at ms
// that came minutes after the last one.
func (h *hours) where(ms int64, minutes, step, r float64) place {
	s := h.at(ms)
	if s.Minutes < 25 { // this hour is new: take the one before, with doubt
		b := &h[(uint64(ms)/3_600_000+23)%24]
		if b.Minutes < 25 {
			return place{}
		}
		return place{Mean: b.Mean, Scale: mul(2, b.Dev) + math.Max(math.Max(s.Move, b.Move)-mul(1.5, math.Sqrt(r)), 0) + mul(0.3, step) + mul(0.5, math.Sqrt(r)), Weight: math.Min(minutes, 30) / 60}
	}
	return place{Mean: s.Mean, Scale: mul(1.25, s.Dev) + mul(math.Max(s.Move-mul(1.5, math.Sqrt(r)), 0), 60/math.Max(s.Minutes, 60)) + mul(0.05, step) + mul(0.5, math.Sqrt(r)), Weight: math.Min(minutes, 30) / 60}
}

// shift moves all slots, after the learner found that it took lit for dark.
func (h *hours) shift(by float64) {
	for i := range h {
		h[i].Mean += by
	}
}

// forget lets all slots be learned anew, but for how the light moves.
func (h *hours) forget() {
	for i := range h {
		h[i].Minutes = 0
	}
}

// jumping is the share of readings at which the ambient jumps at this hour, after long
// calm or not, and the minutes watched for it.
func (s *slot) jumping(calm bool) (share, watched *float64) {
	if calm {
		return &s.Firsts, &s.Calm
	}
	return &s.Jumps, &s.Watched
}

// jump takes note whether the ambient jumped (1) at a reading or not (0); calm says that
// it did not for long.
func (h *hours) jump(ms int64, minutes, was float64, calm bool) {
	share, watched := h.at(ms).jumping(calm)
	minutes = math.Min(minutes, 30)
	*watched += minutes
	k := math.Min(math.Max(minutes / *watched, minutes/600), 0.5)
	*share += mul(k, was-*share)
}

// jumps is the share of readings at which the ambient jumps at this hour, or
// the hours beside it, after long calm or not; all is that at all hours.
func (h *hours) jumps(ms int64, all float64, calm bool) float64 {
	w, sum := 120.0, mul(120, all)
	for d := int64(-1); d <= 1; d++ {
		share, watched := h.at(ms + d*3_600_000).jumping(calm)
		m := math.Min(*watched, 600)
		w += m
		sum += mul(m, *share)
	}
	return sum / w
}
