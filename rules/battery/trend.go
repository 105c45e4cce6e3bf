package battery

import "math"

// bend is one way in which a cell's curve may differ from the table: its state
// of charge is off by size times shape.
type bend int

const (
	noBend bend = iota
	bulge       // the whole middle is off to one side
	twist       // the upper half is off to one side, the lower half to the other
)

func (b bend) apply(soc, size float64) float64 {
	x := float64(4 * soc * (1 - soc)) // 1 in mid-curve, 0 at the ends
	switch b {
	case bulge:
		return soc + float64(size*x)
	case twist:
		return soc + float64(size*x*(float64(2*soc)-1)*1.5)
	}
	return soc
}

// What is not known of the voltage at which the board stops, as a share of it,
// one standard deviation (common practice, no source): regulators drop out sooner
// than a cell gives up, and a voltage measured at rest is lower while the board
// sends. Of one that is set only what the divider and the converter are off.
const (
	cutDoubt    = 0.08
	cutDoubtSet = 0.02
	cutPercent  = 10.0 // the same of a charge in per cent, in per cent
	cutSeen     = 2.0  // where the board was seen to stop
)

// Of the end of a battery as its newest voltages alone show it.
const (
	kneePts    = 12 // points that show it
	kneeSpan   = 24 * hourMs
	kneeSteep  = 1.3  // how many times faster than ever before the voltage falls
	kneeCharge = 0.6  // charge above which no end is seen
	kneeShare  = 0.4  // of the time to the cut-off, at the rate now, that is left: it falls ever faster
	kneeEarly  = 0.1  // if it does so soon
	holdShare  = 0.25 // of the fall on the way to the cut-off; a battery that falls less now is not near it
	kneeAlone  = 0.15 // of the time seen: the farthest end that the newest voltages show by themselves
	kneeLate   = 1.2  // if it hardly does
)

// trend follows the state of charge to the cut-off. It returns false if there
// is no trend to speak of.
func (e *Estimator) trend(flat, early, late *int64) bool {
	if e.curve == nil {
		return false
	}
	soon, knee := e.knee()
	if e.curve.level || !e.longTrend(flat, early, late) {
		// Alone it tells of an end that is near, and of nothing farther off.
		if !knee || soon > kneeAlone*float64(e.end[e.nEnd-1].At-e.pts[0].At) {
			return false
		}
		*late = math.MaxInt64
		*flat, *early = *late, *late
	}
	if knee {
		last := e.end[e.nEnd-1].At
		*flat = min(*flat, last+int64(kneeShare*soon))
		*early = min(*early, last+int64(kneeEarly*soon))
		*late = max(min(*late, last+int64(kneeLate*soon)), *flat)
	}
	return true
}

// cut returns the voltage of one cell at which the board stops, in V, and how
// far that may be off, one standard deviation: as set, unless it stopped at a
// higher one before.
func (e *Estimator) cut() (volts, doubt float64) {
	if e.cfg.InPercent {
		if e.stop > 0 {
			return e.stop, cutSeen
		}
		return 0, cutPercent
	}
	cells := float64(e.cells())
	known := e.cfg.FlatVolts
	if e.curve.charge(e.stop/cells) <= nearFlat { // else it was of another kind of battery
		known = max(known, e.stop)
	}
	if known > 0 {
		volts = known / cells
		return volts, float64(cutDoubtSet * volts)
	}
	return e.curve.cutoff, float64(cutDoubt * e.curve.cutoff)
}

// knee tells how long the voltage would take to the cut-off, in ms, if it went
// on falling as it does now; ok is false unless it falls for sure, and faster
// than ever before: then a battery nears its end, be its curve what it may.
func (e *Estimator) knee() (left float64, ok bool) {
	if e.nEnd < kneePts || e.nPts < leastPts || e.end[e.nEnd-1].At-e.end[0].At < kneeSpan {
		return 0, false
	}
	now, slope, se := fall(e.end[:e.nEnd])
	_, before, _ := fall(e.pts[:e.nPts])
	cells := float64(e.cells())
	if slope >= 0 || -slope < float64(leastSure*se) || slope > float64(kneeSteep*min(before, 0)) ||
		e.curve.charge(now/cells) > kneeCharge {
		return 0, false
	}
	cut, _ := e.cut()
	return min(max(now-float64(cut*cells), 0)/-slope, mostAhead), true
}

// holds tells whether the newest voltages contradict a flat date: they would
// have to fall as fast as on the way there, or faster, and hardly do.
func (e *Estimator) holds(flat int64) bool {
	if e.nEnd < kneePts {
		return false
	}
	now, slope, se := fall(e.end[:e.nEnd])
	cut, _ := e.cut()
	way := now - float64(cut*float64(e.cells()))
	time := float64(max(flat-e.end[e.nEnd-1].At, 1))
	return float64(2*se)-slope < float64(holdShare*way/time)
}

// fall fits a straight line through voltages and returns its value at the newest,
// in V, its slope in V/ms, and the slope's standard error. There are more than
// two.
func fall(pts []point) (now, slope, se float64) {
	last := pts[len(pts)-1].At
	var mt, mv float64
	n := float64(len(pts))
	for _, p := range pts {
		mt += float64(p.At - last)
		mv += p.Volts
	}
	mt, mv = mt/n, mv/n
	var stt, stv float64
	for _, p := range pts {
		dt := float64(p.At-last) - mt
		stt += float64(dt * dt)
		stv += float64(dt * (p.Volts - mv))
	}
	slope = stv / stt
	var ss float64
	for _, p := range pts {
		r := p.Volts - mv - float64(slope*(float64(p.At-last)-mt))
		ss += float64(r * r)
	}
	return mv - float64(slope*mt), slope, math.Sqrt(2 * ss / (n - 2) / stt) // twice: see line
}

// longTrend follows the state of charge as it fell since the battery was put in.
func (e *Estimator) longTrend(flat, early, late *int64) bool {
	if e.nPts < leastPts || e.pts[e.nPts-1].At-e.pts[0].At < leastSpan {
		return false
	}
	cut, cutOff := e.cut()
	left, se, ok := e.line(noBend, 0, cut)
	if !ok {
		return false
	}
	// What the curve's doubt does to the date, one bend at a time.
	last := e.pts[e.nPts-1].At
	own := float64(endDoubt * float64(last-e.pts[0].At))
	sq := float64(own * own)
	for _, b := range [...]bend{bulge, twist} {
		var off float64
		n := 0.0
		for _, size := range [...]float64{-e.curve.doubt, e.curve.doubt} {
			if l, _, ok := e.line(b, size, cut); ok {
				off += math.Abs(l - left)
				n++
			} else {
				// Bent so, the curve shows no fall at all: the date is open.
				off += left
				n++
			}
		}
		off /= n
		sq += float64(off * off)
	}
	sq += float64(se * se)
	half := float64(z90 * math.Sqrt(sq))
	// A board that stops sooner makes it earlier alone.
	sooner, _, _ := e.line(noBend, 0, cut+cutOff)
	off := left - sooner
	before := float64(z90 * math.Sqrt(sq+float64(off*off)))
	*flat = last + int64(min(left, mostAhead))
	*early = last + int64(max(min(left-before, mostAhead), 0))
	*late = last + int64(min(left+half, mostAhead))
	return true
}

// line fits a straight line through the states of charge, newer ones counting
// more, and returns how long after the newest point it meets the cut-off, in V
// a cell, in ms, and that time's standard error. ok is false if it does not fall for sure.
func (e *Estimator) line(b bend, size, cut float64) (left, se float64, ok bool) {
	cells := float64(e.cells())
	end := b.apply(e.curve.charge(cut), size)
	last := e.pts[e.nPts-1].At
	span := float64(last - e.pts[0].At)
	// Time in spans before the newest point, so that all sums are near 1.
	var sw, swt, swy float64
	var t, y, w [points]float64
	for i, p := range e.pts[:e.nPts] {
		t[i] = float64(p.At-last) / span // -1..0
		y[i] = b.apply(e.curve.charge(p.Volts/cells), size)
		near := 1 + t[i]
		w[i] = 0.1 + float64(near*near)
		sw += w[i]
		swt += float64(w[i] * t[i])
		swy += float64(w[i] * y[i])
	}
	mt, my := swt/sw, swy/sw
	var stt, sty float64
	for i := range e.nPts {
		dt := t[i] - mt
		stt += float64(w[i] * dt * dt)
		sty += float64(w[i] * dt * (y[i] - my))
	}
	slope := sty / stt
	var ss, vt float64
	for i := range e.nPts {
		dt := t[i] - mt
		r := y[i] - my - float64(slope*dt)
		ss += float64(w[i] * r * r)
		vt += float64(w[i] * w[i] * dt * dt)
	}
	n := float64(e.nPts)
	// Residuals hang together from hour to hour (warm days, cold nights), so
	// they tell less than they seem to: twice the variance.
	variance := 2*ss/sw*n/(n-2) + 1e-8
	seSlope := math.Sqrt(variance*vt) / stt
	if slope >= 0 || -slope < leastFall || -slope < float64(leastSure*seSlope) {
		return 0, 0, false
	}
	now := my - float64(slope*mt) // charge at the newest point
	seNow := math.Sqrt(float64(variance/n*4) + float64(seSlope*seSlope*mt*mt))
	left = (now - end) / -slope
	rel := seSlope / slope
	se = math.Sqrt(float64(seNow*seNow)/float64(slope*slope) + float64(left*left*rel*rel))
	return max(left, 0) * span, se * span, true
}
