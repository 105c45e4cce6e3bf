package learn

import (
	"math"
	"testing"
	"time"
)

// cellar feeds readings of a lamp of 200 counts in a cellar whose light, of 105, comes on
// and goes out each evening for days.
func cellar() *feeder {
	f := feed(Config{}, time.Minute, 6)
	for d := range 6 {
		f.read(500+60*d, flat(100), 1)
		f.read(90, flat(300), 1)
		f.read(400-60*d, flat(100), 1)
		f.read(120, flat(205), 1) // the room's light
		f.read(330, flat(100), 1)
	}
	f.got = nil
	return f
}

// A room's light that is switched with the lamp, or a reading beside it, does not hide
// the lamp, once both are known.
func TestLampWithTheRoomsLight(t *testing.T) {
	for name, c := range map[string]struct {
		levels []float64
		want   []State
	}{
		"lamp first":           {[]float64{300, 405}, []State{Lit}},
		"light first":          {[]float64{205, 405}, []State{Lit}},
		"at once":              {[]float64{405}, []State{Lit}},
		"light alone":          {[]float64{205}, nil},
		"light and more light": {[]float64{205, 255}, nil},
	} {
		f := cellar()
		if o := f.l.c.F.Other; math.Abs(o-105) > 4 {
			t.Fatalf("the other light counts %v", o)
		}
		f.read(600, flat(100), 1)
		f.read(25, func(i int) float64 { return c.levels[min(i, len(c.levels)-1)] }, 1)
		t.Log(name)
		f.want(t, c.want...)
	}
}

// The other light is on or off: what is on does not come on again.
func TestOtherLightIsOnOrOff(t *testing.T) {
	f := &filter{Other: 105, R: 36}
	x := extension{f: f}
	for _, c := range []struct {
		is   State
		d    float64
		want bool
	}{{Learning, 105, true}, {Learning, -105, true}, {Dark, 105, true}, {Dark, -105, false}, {Lit, 105, false}, {Lit, -105, true}} {
		h := hyp{Other: c.is, P: 4}
		if got := x.others(&h, c.d); got > 1e-6 != c.want {
			t.Errorf("%v, by %v: %v", c.is, c.d, got)
		}
		k := h
		x.switched(&k, &h, c.d)
		if want := map[bool]State{true: Lit, false: Dark}[c.d > 0]; k.Other != want {
			t.Errorf("%v, by %v: then %v", c.is, c.d, k.Other)
		}
	}
	if h, k := (hyp{P: 4}), (hyp{}); x.others(&h, 160) > 1e-6 {
		t.Error("another size")
	} else if x.switched(&k, &h, 160); k.Other != Learning {
		t.Error("another size switches it")
	}
	f.N, f.H[0] = 1, hyp{S: Dark}
	if f.otherLight(105, edge{Size: -104, SD: 6}); f.H[0].Other != Dark {
		t.Error("the last edge tells")
	}
	if f.otherLight(105, edge{Size: 160, SD: 6}); f.H[0].Other != Dark {
		t.Error("an edge of another size tells nothing")
	}
	if f.otherLight(0, edge{Size: 105, SD: 6}); f.H[0].Other != Dark || f.Other != 0 {
		t.Error("no other light is known any more")
	}
}

func TestOther(t *testing.T) {
	for name, c := range map[string]struct {
		sizes []float64
		from  float64
		rail  float64
		want  float64
	}{
		"a room's":            {[]float64{105, -104, 106, -105, 200, -200}, 100, 0, 105},
		"three of them":       {[]float64{105, -104, 106, 200, -200}, 100, 0, 0},
		"up only":             {[]float64{105, 104, 106, 105}, 100, 0, 0},
		"of all sizes":        {[]float64{60, -80, 105, -130, 90, -300}, 100, 0, 0},
		"the lamp's":          {[]float64{200, -200, 200, -200}, 100, 0, 0},
		"cut short by a rail": {[]float64{105, -104, 106, -105}, 918, 1023, 0},
		"below the rail":      {[]float64{105, -104, 106, -105}, 818, 1023, 105},
	} {
		var e edges
		for _, s := range c.sizes {
			x := edge{Size: s, SD: 6, From: c.from, Leap: math.Abs(s)}
			if s < 0 {
				x.From -= s
			}
			e.record(x)
		}
		if got := e.other(200, c.rail); math.Abs(got-c.want) > 1 {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// Somebody who comes into the cellar switches its light on, and when the lamp is lit
// sees to that as well, so that it never goes out in still light. The light is dimmer
// than the lamp, and comes more often: it is not told any more once the lamp was seen a
// few times.
func TestVisitors(t *testing.T) {
	for name, c := range map[string]struct{ before, between int }{
		"before":               {3, 4},
		"after the first time": {0, 12},
	} {
		f := feed(Config{}, time.Minute, 6)
		come := func(n int) {
			for i := range n {
				f.read(150+70*(i%5), flat(100), 1)
				f.read(9+i%4, flat(210), 1)
			}
			f.read(300, flat(100), 1)
		}
		lamp := func() {
			f.read(170, flat(480), 1)
			f.read(2, flat(590), 1)
			f.read(3, flat(210), 1)
			f.read(300, flat(100), 1)
		}
		come(c.before)
		for range 3 {
			lamp()
			come(c.between)
		}
		f.got = nil
		lamp()
		come(5)
		lamp()
		t.Log(name)
		f.want(t, Lit, Dark, Lit, Dark)
	}
	f := feed(Config{}, time.Minute, 6)
	f.read(900, flat(100), 1)
	f.read(170, flat(480), 1)
	f.read(3, flat(210), 1)
	for range 12 {
		f.read(170, flat(100), 1)
		f.read(10, flat(210), 1)
	}
	f.want(t, Lit, Dark)
}

// Of two edges up in a row the first may have gone back unseen, where both begin at one
// level; where the second begins on the first's new level no lamp did that.
func TestUnseenReturn(t *testing.T) {
	of := func(from ...float64) float64 {
		var e edges
		for i, x := range from {
			e.record(edge{At: int64(i) * 5 * 3_600_000, Size: 380, Leap: 380, SD: 6, From: x})
		}
		ev, _, _ := e.evidence(380, 20, 0)
		return ev
	}
	if same, up := of(100, 103, 98), of(100, 480, 860); same < 6 || up > 5 {
		t.Errorf("evidence %v, and %v of a stair", same, up)
	}
}

// A room's light that was taken for the lamp, switched of an evening, gives way to the
// first larger edge that comes at another time of day.
func TestLampBesideTheRoomsLight(t *testing.T) {
	const hour = 3_600_000
	brighter := func(c *core, step float64) {
		c.F.Step = step
		for i := range c.Edges.E[:c.Edges.NE] {
			x := &c.Edges.E[i]
			x.Size, x.Leap = math.Copysign(step, x.Size), step
		}
	}
	for name, c := range map[string]struct {
		change func(c *core, e *edge)
		want   bool
	}{
		"at three in the morning":      {func(*core, *edge) {}, true},
		"of an evening":                {func(_ *core, e *edge) { e.At += 16 * hour }, false},
		"of an evening, again":         {func(c *core, e *edge) { e.At += 16 * hour; c.Edges.record(*e); c.Edges.record(*e) }, true},
		"in moving light":              {func(_ *core, e *edge) { e.Act = 0.35 }, false},
		"in light that moves less":     {func(_ *core, e *edge) { e.Act = 0.28 }, true},
		"sliding":                      {func(_ *core, e *edge) { e.Leap = 0.5 * e.Size }, false},
		"no brighter than a room":      {func(_ *core, e *edge) { e.Size, e.Leap = 145, 140 }, false},
		"of a known lamp's place":      {func(c *core, _ *edge) { c.F.Step = 200 }, false},
		"of a brighter room's":         {func(c *core, _ *edge) { brighter(c, 170) }, true},
		"half as large again":          {func(c *core, e *edge) { brighter(c, 170); e.Size, e.Leap = 255, 255 }, false},
		"as a person said":             {func(c *core, _ *edge) { c.Taught = [2]bool{true, true} }, false},
		"on the second day":            {func(_ *core, e *edge) { e.At -= 2 * dayMS }, true},
		"on the second day, not twice": {func(_ *core, e *edge) { e.At -= 2 * dayMS; e.Size, e.Leap = 190, 190 }, false},
		"not twice":                    {func(_ *core, e *edge) { e.Size, e.Leap = 190, 190 }, true},
		"nearly twice":                 {func(_ *core, e *edge) { e.Size, e.Leap = 207, 207 }, true},
		"after one":                    {func(c *core, _ *edge) { c.Edges.NE = 1 }, true},
		"after one, not twice":         {func(c *core, e *edge) { c.Edges.NE = 1; e.Size, e.Leap = 190, 190 }, false},
		"after none":                   {func(c *core, _ *edge) { c.Edges.NE = 0 }, false},
		"of a lamp at all hours": {func(c *core, _ *edge) {
			for i := range c.Edges.E[:c.Edges.NE] {
				c.Edges.E[i].At += int64(i) * 5 * hour
			}
		}, false},
	} {
		l := given(110, 6, 8, func(i int) edge {
			at := int64(i/2)*dayMS + int64(18+i%2+i/4)*hour
			return edge{At: at, Size: []float64{110, -110}[i%2], SD: 6, Leap: 108}
		})
		e := edge{At: 4*dayMS + 3*hour, Size: 360, SD: 6, Leap: 350}
		c.change(&l.c, &e)
		if got := l.c.unlike(e); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
		if got := l.c.outshines(e); got != (c.want && math.Abs(e.Size) > outshone*l.c.F.Step) {
			t.Errorf("%s: outshines %v", name, got)
		}
		if l.c.Edges.record(edge{At: e.At - hour, Size: 0.8 * e.Size, SD: 6}); l.c.outshines(e) {
			t.Errorf("%s: outshines what came near it", name)
		}
	}

	f := feed(Config{}, time.Minute, 6)
	for d := range 5 { // twice an evening
		f.read(1060+10*d, flat(100), 1)
		f.read(35, flat(210), 1)
		f.read(90, flat(100), 1)
		f.read(40, flat(210), 1)
		f.read(215-10*d, flat(100), 1)
	}
	if f.l.c.F.Step > 120 {
		t.Fatalf("the step is %v", f.l.c.F.Step)
	}
	f.got = nil
	f.read(180, flat(100), 1)
	f.read(60, flat(460), 1)
	f.want(t, Lit)
	if step := f.l.c.F.Step; step < 340 || step > 380 {
		t.Errorf("the step is %v", step)
	}
}

// A lamp that was told to and fro does not make way for what may be a room's light.
func TestRoomsLightAfterTheLamp(t *testing.T) {
	for name, c := range map[string]struct {
		told   uint32
		up     uint32
		step   float64
		allows bool
	}{
		"told to and fro":      {2, 1, 110, false},
		"told once":            {1, 1, 110, true},
		"no edge agreed":       {2, 0, 110, true},
		"more than a room has": {2, 1, 160, true},
	} {
		l := given(360, 6, 0, nil)
		l.c.Told, l.c.NUp = c.told, c.up
		if got := l.c.outgrown(c.step, dayMS, 12); got != c.allows {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// evening has a room's light of 110 come on four times in 260 readings.
func (f *feeder) evening(dark float64) {
	for i := range 4 {
		f.read(20+10*i, flat(dark), 1)
		f.read(15+10*i, flat(dark+110), 1)
	}
}

// roomTaken has a room's light of two evenings be taken for the lamp.
func roomTaken(t *testing.T, dark float64) *feeder {
	t.Helper()
	f := feed(Config{}, time.Minute, 2)
	f.read(400, flat(dark), 1)
	for range 2 {
		f.evening(dark)
		f.read(1440-260, flat(dark), 1)
	}
	if step := f.l.c.F.Step; step < 105 || step > 115 {
		t.Fatalf("the step is %v", step)
	}
	return f
}

// A bright room's light that was taken for the lamp, several times an evening, makes way for
// a lamp that is much brighter and first lit by day, and does not come back for its habits.
func TestBrightRoomMakesWay(t *testing.T) {
	f := roomTaken(t, 100)
	f.got = nil
	f.read(1260, flat(100), 1)
	f.read(60, flat(480), 1)
	f.read(120, flat(100), 1)
	f.want(t, Lit, Dark)
	for range 6 {
		f.evening(100)
		f.read(1440-260, flat(100), 1)
	}
	f.want(t, Lit, Dark)
	if step := f.l.c.F.Step; step < 375 || step > 385 {
		t.Errorf("the step is %v", step)
	}
	f.read(60, flat(480), 1)
	f.read(60, flat(100), 1)
	f.want(t, Lit, Dark, Lit, Dark)
}

// What a step made way for, or would: a light not half as bright that keeps to some hours of
// the day, seen before it or for days. One that came after a few hours is the lamp, and the
// step was somebody's light.
func TestHabitsOfAFainterLight(t *testing.T) {
	const hour = 3_600_000
	for name, c := range map[string]struct {
		large, small, ms int64 // hours: the edge of the step in use, the first of the other's eight, now
		every            int64 // hours between them
		allows           bool
	}{
		"before it, within a day":  {8, 0, 10, 1, false},
		"after it, within a day":   {0, 2, 10, 1, true},
		"after it, for days":       {0, 2, 202, 25, false},
		"after it, at all hours":   {0, 2, 60, 7, true},
		"not seen for twelve days": {0, 2, 12 * 24, 1, true},
	} {
		l := given(360, 6, 0, nil)
		l.c.Told, l.c.NUp = 1, 1
		l.c.Edges.record(edge{At: c.large * hour, Size: 360, SD: 6, Leap: 360})
		for i := range int64(8) {
			l.c.Edges.record(edge{At: (c.small + i*c.every) * hour, Size: []float64{110, -110}[i%2], SD: 6, Leap: 110})
		}
		l.c.Matched = c.large * hour
		ev := 40.0
		if got := l.c.outgrown(110, c.ms*hour, ev); got != c.allows {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// A fainter light that keeps to the evening takes no place of a lamp that does not.
func TestElsewhen(t *testing.T) {
	const hour = 3_600_000
	for name, c := range map[string]struct {
		step          float64
		small, large  int64 // hour of the day of the first
		every         int64 // hours between the smaller ones
		n             int64
		keepsElsewhen bool
	}{
		"the lamp by day":          {110, 19, 9, 24, 8, true},
		"the lamp at those hours":  {110, 19, 19, 24, 8, false},
		"at all hours":             {110, 19, 9, 29, 8, false},
		"more than half as bright": {200, 19, 9, 24, 8, false},
		"never seen":               {110, 19, 9, 24, 0, false},
	} {
		l := given(360, 6, 4, func(i int) edge {
			return edge{At: (c.large + int64(i)*24) * hour, Size: []float64{360, -360}[i%2], SD: 6, Leap: 360}
		})
		for i := range c.n {
			l.c.Edges.record(edge{At: (c.small + (4+i)*c.every) * hour, Size: []float64{c.step, -c.step}[i%2], SD: 6, Leap: c.step})
		}
		if got := l.c.elsewhen(c.step); got != c.keepsElsewhen {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// Another light is known by the size that most jumps of the ambient have, up and down in turn.
func TestVote(t *testing.T) {
	of := func(jumps ...float64) (f filter) {
		f.R = 36
		for _, j := range jumps {
			f.vote(j)
		}
		return f
	}
	times := func(n int, jumps ...float64) (all []float64) {
		for range n {
			all = append(all, jumps...)
		}
		return all
	}
	for name, c := range map[string]struct {
		jumps []float64
		want  float64
	}{
		"on and off":                    {times(4, 110, -110), 110},
		"too seldom":                    {times(3, 110, -110), 0},
		"each a little different":       {times(2, 110, -105, 116, -112, 103, -108), 108.4},
		"beside small clouds":           {times(8, 110, -110, 30, -25), 110},
		"beside more of them":           {times(8, 110, -110, 30, -25, 28, -31), 0},
		"clouds of all sizes":           {times(8, -150, 150, -180, 180, -250, 250, -120, 120), 0},
		"only up":                       {times(12, 110), 0},
		"small, which noise may be":     {times(12, 50, -50), 0},
		"another in its place for good": {append(times(40, 110, -110), times(18, 200, -200)...), 200},
	} {
		f := of(c.jumps...)
		if got := f.voted(); math.Abs(got-c.want) > 0.5 {
			t.Errorf("%s: %v, want %v (%v votes)", name, got, c.want, f.Votes)
		}
	}

	f := of(times(6, 110, -110)...)
	if f.Other != math.Abs(f.Voted) || !f.isOther(-126, 0) || f.isOther(128, 0) || f.isOther(93, 0) || !f.isOther(128, 36) {
		t.Errorf("other %v by votes for %v", f.Other, f.Voted)
	}
	if f.otherLight(0, edge{Size: 300, SD: 6}); f.Other != 110 {
		t.Errorf("other %v without edges of it", f.Other)
	}
	if f.otherLight(160, edge{Size: 300, SD: 6}); f.Other != 160 {
		t.Errorf("other %v by edges of 160", f.Other)
	}
	if f := of(); f.isOther(3, 36) {
		t.Error("a light that nobody saw")
	}
}

// A lamp that changes every quarter of an hour is told although a room's light is switched
// between the same two readings, once that is known: neither edge alone is to be seen.
func TestBothLightsAtOnce(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	lamp, room := 0.0, 0.0
	run := func(n int) {
		f.read(n, flat(100+lamp+room), 1)
	}
	run(200)
	for i := range 60 { // the room's light of an evening, the lamp all day
		lamp = 380 - lamp
		run(15 + i%3)
		if i%24 < 8 {
			room = 110 - room
			run(9 + i%2)
		}
	}
	if got := f.l.c.F.voted(); math.Abs(got-110) > 6 {
		t.Fatalf("the other light is %v", got)
	}
	rho, size := f.l.c.F.Rho0, f.l.c.F.Jump
	lamp, room = 0, 0
	run(30)
	for range 6 {
		room = 110 - room
		run(20)
	}
	if got := f.l.c.F; got.Rho0 > rho+1e-4 || got.Jump > size {
		t.Errorf("the light jumps of itself: %v, was %v, by %v, was %v", got.Rho0, rho, got.Jump, size)
	}
	lamp = 380
	run(30)
	f.got = nil
	lamp, room = 0, 110
	run(20)
	f.want(t, Dark)
	lamp, room = 380, 0
	run(20)
	f.want(t, Dark, Lit)
}

// The lamp and the room's light going out together are no larger lamp.
func TestBothGoOut(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(700, flat(100), 1)
	f.read(200, flat(280), 1)
	for range 2 { // an evening each
		f.read(1000, flat(100), 1)
		f.read(100, flat(210), 1)
		f.read(340, flat(100), 1)
	}
	f.got = nil
	f.read(200, flat(280), 1)
	f.read(60, flat(390), 1)
	f.want(t, Lit)
	f.read(200, flat(100), 1)
	f.want(t, Lit, Dark)
	if step := f.l.c.F.Step; step < 170 || step > 190 {
		t.Fatalf("the step is %v", step)
	}
	f.read(100, flat(280), 1)
	f.read(100, flat(100), 1)
	f.want(t, Lit, Dark, Lit, Dark)

	for name, x := range map[string]struct {
		size float64
		n    int // edges of the room's light
		both bool
	}{
		"both":          {290, 2, true},
		"both go out":   {-290, 2, true},
		"a larger":      {340, 2, false},
		"a smaller":     {245, 2, false},
		"seen once":     {290, 1, false},
		"twice as much": {360, 2, false},
	} {
		l := given(180, 6, 4, func(i int) edge { return edge{At: int64(i), Size: []float64{180, -180}[i%2], SD: 6, Leap: 180} })
		for i := range x.n {
			l.c.Edges.record(edge{At: int64(9 + i), Size: []float64{110, -110}[i%2], SD: 6, Leap: 110})
		}
		if got := l.c.both(edge{At: 99, Size: x.size, SD: 6}); got != x.both {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// So it does for one that goes out by day, amid light that moves, having shone from the start.
func TestBrightRoomMakesWayByDay(t *testing.T) {
	f := roomTaken(t, 480)
	f.read(700, flat(480), 1)
	light := func(i int) float64 { // a dawn, and a cloud
		y := 120 * float64(min(i, 160)) / 160
		if i >= 80 && i < 86 {
			y += 70
		}
		return y
	}
	f.read(160, func(i int) float64 { return 480 + light(i) }, 1)
	f.got = nil
	f.read(60, flat(100+light(160)), 1)
	f.want(t, Dark)
	if step := f.l.c.F.Step; step < 365 || step > 395 {
		t.Errorf("the step is %v", step)
	}
}
