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

// trend follows the state of charge to the cut-off. It returns false if there
// is no trend to speak of.
func (e *Estimator) trend(flat, early, late *int64) bool {
	if e.curve == nil || e.nPts < leastPts || e.pts[e.nPts-1].At-e.pts[0].At < leastSpan {
		return false
	}
	left, se, ok := e.line(noBend, 0)
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
			if l, _, ok := e.line(b, size); ok {
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
	half := float64(z90 * math.Sqrt(float64(se*se)+sq))
	*flat = last + int64(min(left, mostAhead))
	*early = last + int64(max(min(left-half, mostAhead), 0))
	*late = last + int64(min(left+half, mostAhead))
	return true
}

// line fits a straight line through the states of charge, newer ones counting
// more, and returns how long after the newest point it meets the cut-off, in
// ms, and that time's standard error. ok is false if it does not fall for sure.
func (e *Estimator) line(b bend, size float64) (left, se float64, ok bool) {
	cells := float64(e.cells())
	cut := e.curve.cutoff
	if e.cfg.FlatVolts > 0 {
		cut = e.cfg.FlatVolts / cells
	}
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
