package learn

import (
	"math"
	"testing"
	"time"
)

// A lamp changes at any time, and more likely in half an hour than in a minute: the one
// reading of its visit that came between two outages tells it. Such a reading after no gap
// may be an outlier, as one off both levels is after an outage.
func TestVisitBetweenOutages(t *testing.T) {
	for name, c := range map[string]struct {
		gap   time.Duration
		level float64
		want  []State
	}{
		"after half an hour":     {30 * time.Minute, 420, []State{Lit, Dark}},
		"after two hours":        {2 * time.Hour, 420, []State{Lit, Dark}},
		"after no gap":           {time.Minute, 420, nil},
		"of another level":       {30 * time.Minute, 300, nil},
		"beyond it":              {30 * time.Minute, 560, nil},
		"at the converter's end": {30 * time.Minute, 1023, nil},
	} {
		lit := 420.0
		if c.level == 1023 {
			lit = 1100 // which a converter of 1023 cuts off
		}
		f := feed(Config{}, time.Minute, 6)
		for range 20 {
			f.read(120, flat(100), 1)
			f.read(40, func(int) float64 { return lit }, 1)
		}
		f.read(120, flat(100), 1)
		f.got = nil
		f.at = f.at.Add(c.gap - time.Minute)
		f.read(1, flat(c.level), 1)
		f.at = f.at.Add(c.gap - time.Minute)
		f.read(60, flat(100), 1)
		t.Log(name)
		f.want(t, c.want...)
	}
}

// So does the room's light: how likely either is against the other, an outage does not tell.
func TestGapTellsNoLight(t *testing.T) {
	odds := func(dt, y float64, at ...func(f *filter, p *place)) (lamp, jump float64) {
		p := place{Least: -1e9, Most: 1e9}
		f := filter{Step: 320, R: 36, Tau2: 16, Eps: 0.002, Rho: 0.001, Jump: 330, Hazard: 0.004, Part: 0.01}
		f.start(Dark, 100, 0)
		f.H[0].P = 4
		for _, fn := range at {
			fn(&f, &p)
		}
		f.observe(60_000, y, dt, &p, 0, 0)
		for _, h := range f.H[:f.N] {
			switch {
			case h.S == Lit && h.By == bySwitch:
				lamp = h.W
			case h.S == Dark && h.By == byJump:
				jump = h.W
			}
		}
		return lamp, jump
	}
	for _, y := range []float64{420, 700} { // the lamp; or it and the light
		lamp, jump := odds(1, y)
		lamp2, jump2 := odds(30, y)
		if r := lamp2 / jump2 / (lamp / jump); math.Abs(math.Log(r)) > 0.2 && y == 420 || y == 700 && (r < 20 || r > 40) {
			t.Errorf("%v: %v to %v, after a gap %v to %v", y, lamp, jump, lamp2, jump2)
		}
	}
	lamp, _ := odds(1e6, 420)
	if most, _ := odds(100, 420); lamp < 0.9 || math.Abs(lamp-most) > 1e-4 {
		t.Errorf("%v, %v after weeks", most, lamp)
	}
	// What a board begins with that was off may be an end of the range.
	for name, at := range map[string]func(f *filter, p *place){
		"end":  func(_ *filter, p *place) { p.End = true },
		"rail": func(f *filter, _ *place) { f.Rail = 420 },
	} {
		now, _ := odds(1, 420, at)
		if then, _ := odds(30, 420, at); then != now {
			t.Errorf("%s: %v, after a gap %v", name, now, then)
		}
	}
	// Of a lamp that changes often nobody knows more than that it is dark or lit.
	f := filter{Step: 320, R: 400 * 400, Tau2: 16, Eps: 0.002, Hazard: often, Part: 1e-6}
	f.start(Dark, 100, 0)
	f.H[0].P = 4
	f.observe(60_000, 260, 1e4, &place{Least: -1e9, Most: 1e9}, 0, 0)
	if p := f.chances(); math.Abs(p[Dark]-0.5) > 0.02 {
		t.Errorf("%v", p)
	}
}
