package learn

import (
	"math"
	"slices"
	"testing"
	"time"
)

// A small edge, of a cloud or by chance, does not keep a large one out of sight
// that comes a few readings later.
func TestSmallEdgeHidesNoLargeOne(t *testing.T) {
	for gap := 3; gap < 8; gap++ {
		f := feed(Config{}, time.Minute, 6)
		f.read(300, flat(200), 0)
		f.read(gap, flat(230), 0)
		f.read(8, flat(530), 0) // now it is in view
		if !slices.ContainsFunc(f.l.c.Edges.E[:f.l.c.Edges.NE], func(e edge) bool { return math.Abs(e.Size-300) < 40 }) {
			t.Errorf("%d readings after a small edge a large one was not seen", gap)
		}
	}
}

// Readings from a lamp that changes while the light moves one way and back:
// neither level is flat, but nothing the light does is so sudden.
func TestAbruptEdge(t *testing.T) {
	// up by 15 a reading, then down by as much; the edge takes some readings
	hill := func(readings int) (v [nBuf]float64) {
		const cut = nBuf - half
		for i := range v {
			v[i] = 600 - 15*math.Abs(float64(i-cut)) + 300*clamp(float64(i-cut+1)/float64(readings), 0, 1)
		}
		return v
	}
	restless, faint := hill(1), hill(1)
	restless[2*half] += 61 // a fifth of the edge, from one reading to the next
	for i := range faint {
		faint[i] = 600 + (faint[i]-600)*0.45 // 24 deviations
	}
	for name, c := range map[string]struct {
		v    [nBuf]float64
		size float64
		want bool
	}{
		"restless":          {restless, 300, false},
		"faint":             {faint, 135, false},
		"at once":           {hill(1), 300, true},
		"in two readings":   {hill(2), 300, false},
		"in three readings": {hill(3), 300, false},
	} {
		var e edges
		for i, y := range c.v {
			e.push(int64(i)*60_000, y)
		}
		if got := e.abrupt(nBuf-half, c.size, 36); got != c.want {
			t.Errorf("%s: abrupt %v", name, got)
		}
		if x, ok := e.detect(36, false); c.want && (!ok || math.Abs(x.Leap-300) > 20) {
			t.Errorf("%s: %+v, %v", name, x, ok)
		}
	}
}

// In light that moves, but not far yet, one leap may be a cloud's. A second one
// of just the size, the other way, tells the lamp; a room's light in between
// does not matter.
func TestTwins(t *testing.T) {
	for name, c := range map[string]struct {
		second float64
		room   bool
		want   int
	}{
		"twins":           {300, false, 1},
		"with room light": {300, true, 1},
		"not of a size":   {235, false, 0},
	} {
		f := feed(Config{}, time.Minute, 6)
		level := 300.0
		slide := func(n int, by float64) {
			f.read(n, func(int) float64 { level += by; return level }, 1)
		}
		leap := func(by float64) { // of a board that averages: a part of it comes first
			level += 0.18 * by
			slide(1, 0.5)
			level += 0.82 * by
		}
		slide(700, 0.52) // a dawn so slow that it tells nothing of the clouds' slopes
		leap(300)
		slide(60, 0.5)
		if len(f.got) != 0 {
			t.Fatalf("%s: %v after one leap", name, f.got)
		}
		if c.room {
			level += 110
			slide(60, 0.7)
		}
		leap(-c.second)
		slide(60, 0.5)
		if n := f.times(Dark); n != c.want {
			t.Errorf("%s: %d told, want %d", name, n, c.want)
		}
		if c.want == 1 && f.l.c.Hours.at(f.at.UnixMilli()).Minutes > 60 {
			t.Errorf("%s: hours while the lamp shone unknown are still trusted", name)
		}
	}
}

// On the first day a room's light may come, and the noise be a little larger than it
// seems; and what was on before the first reading and goes out may be a
// room's light, too.
func TestFirstDayAsksForMuch(t *testing.T) {
	for _, c := range []struct {
		minutes  int
		from, to float64
		want     int
	}{{600, 317, 200, 0}, {150, 200, 317, 1}, {150, 200, 303, 0}, {600, 400, 200, 1}} {
		f := feed(Config{}, time.Minute, 5)
		f.read(c.minutes, flat(c.from), 1)
		f.read(60, flat(c.to), 1)
		if len(f.got) != c.want {
			t.Errorf("from %v to %v: %d told, want %d", c.from, c.to, len(f.got), c.want)
		}
	}
}

// At night, from the darkest level, a lamp is told by the night's noise, though
// the day's light was restless.
func TestNightAfterRestlessDay(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(600, func(i int) float64 { return 500 + 24*math.Sin(float64(i*i)) + 60*math.Sin(float64(i)/20) }, 1)
	f.read(150, func(i int) float64 { return 500 - 2*float64(i) }, 1)
	f.read(150, flat(200), 1)
	if sd := math.Sqrt(f.l.c.Noise.variance()); sd*25 < 300 {
		t.Fatalf("the day was not restless: noise %v", sd)
	}
	f.read(60, flat(500), 1)
	f.want(t, Lit)
}

// A room's light within the first half hour is seldom taken for a small
// step, however small it is beside a noise that is hardly known yet. Beyond 20
// deviations it is told, and here the deviation may be off by half.
func TestRoomLightBeforeTheNoiseIsKnown(t *testing.T) {
	told := 0
	for seed := range uint64(200) {
		f := feed(Config{}, time.Minute, 6).seed(3, seed)
		f.read(20, flat(170), 1)
		f.read(20, flat(250), 1)
		told += len(f.got)
	}
	if told > 50 {
		t.Errorf("%d of 200 announced", told)
	}
}

// A small step is given up where the light comes and goes as far by itself: a lamp
// would be lost in it, and all that was announced was the light. Where it moves
// less, or takes hours, the lamp is kept.
func TestSmallStepInMovingLight(t *testing.T) {
	for _, c := range []struct {
		swing, period float64 // counts, minutes
		known         bool
	}{{0, 50, true}, {60, 50, false}, {60, 380, true}} {
		f := feed(Config{}, time.Minute, 6)
		f.read(300, flat(200), 1)
		f.read(60, flat(228), 1)
		f.read(120, flat(200), 1)
		for d := range 4 {
			// by day the light comes and goes, and so do steps of the size
			f.read(720, func(i int) float64 {
				return 200 + c.swing*(1-math.Cos(2*math.Pi*float64(i)/c.period))/2 + 28*float64(i/90%2)
			}, 1)
			f.read(720, flat(200), 1)
			if d == 0 && len(f.got) < 2 {
				t.Fatalf("swing %v in %v: the lamp was not known", c.swing, c.period)
			}
		}
		if f.l.c.Known != c.known || c.known && len(f.got) != 34 {
			t.Errorf("light that moves by %v in %v: lamp known %v, want %v; %d told", c.swing, c.period, f.l.c.Known, c.known, len(f.got))
		}
	}
}

// The level after a small step must be as quiet as the one before: light that
// has begun to move is no lamp.
func TestHeldLevelIsQuiet(t *testing.T) {
	for spread, want := range map[float64]bool{1: true, 1.7: false} {
		told := 0
		for seed := range uint64(100) {
			f := feed(Config{}, time.Minute, 6).seed(4, seed)
			f.read(300, flat(200), 0)
			f.noise *= spread
			f.read(40, flat(235), 0)
			told += min(len(f.got), 1)
		}
		if (told > 50) != want {
			t.Errorf("noise %v times as large: %d of 100 told", spread, told)
		}
	}
}

// What twins are, edge by edge: a leap as large the other way, of late or
// recorded, and nothing near it that is of another size.
func TestTwinsAre(t *testing.T) {
	fall := edge{At: 9, Size: -300, Leap: 298, SD: 6, From: 500}
	rise := func(by float64) edge { return edge{At: 5, Size: by, Leap: by, SD: 6, From: 200} }
	for name, c := range map[string]struct {
		e    edge
		past []edge
		jump float64
		want bool
	}{
		"nothing before":       {fall, nil, 0, false},
		"itself":               {fall, []edge{fall}, 0, false},
		"a rise":               {fall, []edge{rise(305), fall}, 0, true},
		"a fall only":          {fall, []edge{{At: 5, Size: -300, Leap: 300, SD: 6, From: 500}, fall}, 0, false},
		"a rise not recorded":  {fall, []edge{fall}, 310, true},
		"one less large":       {fall, []edge{rise(240), fall}, 0, false},
		"another of no size":   {fall, []edge{rise(305), rise(240), fall}, 0, false},
		"a far fainter one":    {fall, []edge{rise(305), rise(150), fall}, 0, true},
		"clouds half as large": {fall, []edge{rise(305), fall}, 150, false},
		"it slid":              {edge{At: 9, Size: -300, Leap: 200, SD: 6, From: 500}, []edge{rise(200)}, 0, false},
	} {
		var k core
		k.Noise.V, k.Range.Minutes, k.Range.Jump = 36, 300, c.jump
		for _, x := range c.past {
			k.Edges.record(x)
		}
		if got := k.twins(c.e); got != c.want {
			t.Errorf("%s: twins %v", name, got)
		}
	}
}

// The hours before a rise were dark, unless the lamp was seen to fall as far.
func TestHoursBeforeATwin(t *testing.T) {
	for fell, kept := range map[bool]bool{false: true, true: false} {
		f := feed(Config{}, time.Minute, 6)
		f.read(200, flat(200), 1)
		at := f.at.UnixMilli()
		if fell {
			f.l.c.Edges.record(edge{At: at - 3_600_000, Size: -300, Leap: 300, SD: 6, From: 500})
		}
		f.l.adoptFirst(edge{At: at, Size: 302, Leap: 302, SD: 6, From: 200}, at, 8)
		if got := f.l.c.Hours.at(t0.UnixMilli()).Minutes > 0; got != kept {
			t.Errorf("fell %v: hours kept %v, want %v", fell, got, kept)
		}
	}
}

// Light that flickers from reading to reading by a fifth of the step makes the
// lamp a faint one for as long: fewer of its changes are lost, and nothing else
// is told.
func TestFlicker(t *testing.T) {
	missed, wrong := 0, 0
	for seed := range uint64(10) {
		f := feed(Config{}, time.Minute, 6).seed(5, seed)
		for range 4 {
			f.read(100, flat(200), 1)
			f.read(100, flat(500), 1)
		}
		f.read(100, flat(200), 1)
		f.noise = 60
		f.got = nil
		for range 5 {
			f.read(90, flat(500), 1)
			f.read(90, flat(200), 1)
		}
		missed += max(10-len(f.got), 0)
		wrong += max(len(f.got)-10, 0)
	}
	if missed > 7 || wrong > 8 { // some is taken for blinking
		t.Errorf("of 100 changes %d missed, %d too many", missed, wrong)
	}
	var e edges
	for i := range nBuf { // a lamp's own changes, a slope and one reading that is off are no flicker
		e.push(int64(i)*60_000, 200+300*float64(i/4%2))
	}
	if v := e.flicker(300, 100); v != 0 {
		t.Errorf("a lamp flickers by itself: %v", v)
	}
	for i := range nBuf {
		e.push(int64(i)*60_000, 200+20*float64(i))
	}
	if v := e.flicker(300, 100); v != 0 {
		t.Errorf("a slope: %v", v)
	}
	for i := range nBuf {
		e.push(int64(i)*60_000, 200+150*float64(btoi(i == 9)))
	}
	if v := e.flicker(300, 100); v != 0 {
		t.Errorf("one outlier: %v", v)
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// What was told as blinking is given up like any other when its edges speak for
// clouds; the few edges of a blinking lamp agree.
func TestRefuteBlinking(t *testing.T) {
	for name, c := range map[string]struct {
		sizes []float64
		known bool
	}{
		"lamp":   {[]float64{60, -61, 59, -60}, true},
		"none":   {nil, true},
		"clouds": {[]float64{45, 52, -88, 58, 73, -41, -60, -66, 84, 49, 91, -77, -55, -48, 69, 64}, false},
	} {
		l := New(Config{})
		x := &l.c
		x.Noise.V, x.Noise.Block = 36, 9
		x.Range.Minutes = 5000
		x.Known, x.Told, x.NBlink, x.NLit = true, 8, 4, 4
		x.F.Step = 60
		for i, size := range c.sizes {
			at := int64(i/4*24+10+i%4) * 3_600_000 // by day
			x.Edges.record(edge{At: at, Size: size, SD: 6, From: 200, Leap: math.Abs(size)})
		}
		if x.refute(); x.Known != c.known {
			t.Errorf("%s: known %v", name, x.Known)
		}
	}
}

// The jumps that the light is expected to make are a density: over has the area
// of 1 up to 1, and tail beyond.
func TestOverIsADensity(t *testing.T) {
	area, dx := 0.0, 1e-3
	for x := dx / 2; x < 100; x += dx {
		area += over(x) * dx
	}
	if math.Abs(area-1-tail) > 1e-3 {
		t.Errorf("the area is %.4f, want %.4f", area, 1+tail)
	}
}

// The lamp lights just as a cloud's edge comes, at an hour that was calm so far:
// together they are farther than the light ever jumped, so it is the lamp.
func TestLampAndCloudAtOnce(t *testing.T) {
	f := filter{Step: 300, R: 36, Q: 4, Tau2: 100, Eps: leastEps, Rho: 0.05, Jump: 100, PB: 0.01, Hazard: seldom}
	f.start(Dark, 200, 0)
	at := place{Least: -100, Most: 1000}
	for i := range 6 {
		y := 200.0
		if i >= 3 {
			y = 200 + 300 + 90
		}
		f.observe(int64(i)*60_000, y, 1, &at, 0.5, 0)
	}
	if p := f.chances(); p[Lit] < 0.9 {
		t.Errorf("lit with a chance of %.3f", p[Lit])
	}
}

// A small step whose edges all come in the few hours when the light moves was
// learned from patches of cloud, however much the edges agree. At all hours, or
// where no light moves, it is a lamp's.
func TestSmallStepByDay(t *testing.T) {
	for name, c := range map[string]struct {
		hours int64   // that the edges come in
		move  float64 // of the light by day, counts
		aDay  int64   // edges
		n     int     // edges in all
		kept  bool
	}{
		"patches of cloud":       {6, 15, 1, 14, false},
		"a lamp at all hours":    {24, 15, 1, 14, true},
		"a lamp of fixed hours":  {6, 2, 1, 14, true},
		"of eleven hours":        {11, 15, 1, 14, true},
		"of eleven hours, often": {11, 15, 1, 24, false},
		"of thirteen, often":     {13, 15, 1, 24, true},
		"all in one day":         {6, 15, 10, 14, true},
	} {
		l := given(40, 6, c.n, func(i int) edge {
			size := 40 + 14*float64(i%5-2)/2 // they agree as patches do
			if i%2 == 1 {
				size = -size
			}
			return edge{At: int64(i)*dayMS/c.aDay + int64(i)*7%c.hours*3_600_000, Size: size, SD: 6, From: 200, Leap: 38}
		})
		l.lively(c.move)
		l.c.Range.Jump, l.c.Range.Minutes = 30, 20000
		l.c.NUp, l.c.NDown = 7, 7
		l.c.refute()
		if l.c.Known != c.kept {
			t.Errorf("%s: kept %v, want %v", name, l.c.Known, c.kept)
		}
	}
}
