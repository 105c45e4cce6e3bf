package learn

import (
	"math"
	"slices"
	"testing"
	"time"
)

// hands are the readings while somebody mounts the sensor: on the bench, in the
// hand, before a torch.
func hands(i int) float64 {
	return []float64{610, 615, 90, 84, 88, 990, 985, 320, 700, 45, 40, 860}[i%12]
}

// A lamp is known as soon after its sensor was handled as without that: what was
// read meanwhile is forgotten.
func TestHandledFirst(t *testing.T) {
	for name, n := range map[string]int{"a few": 4, "a while": 11, "long": 57} {
		f := feed(Config{}, time.Minute, 4)
		f.read(n, hands, 1)
		f.got = nil
		f.read(300, flat(212), 1)
		f.read(60, flat(400), 1)
		f.read(200, flat(212), 1)
		t.Log(name)
		f.want(t, Lit, Dark)
	}
}

// What was told by a hand is taken back when the sensor is in place, and the
// verdict says why.
func TestHandledAfterTelling(t *testing.T) {
	f := feed(Config{}, time.Minute, 4)
	f.read(30, flat(900), 1)
	f.read(15, flat(200), 1)
	f.want(t, Dark) // it was covered
	var took []Verdict
	for i, x := range []float64{640, 50, 980, 300, 300, 301, 299, 300, 301, 300} {
		if v := f.l.Observe(f.at.Add(time.Duration(i)*time.Minute), x); v.GivenUp {
			took = append(took, v)
		}
	}
	if len(took) != 1 || !took[0].Handled || took[0].State != Learning {
		t.Errorf("taken back: %+v", took)
	}
}

// Neither a lamp that blinks, nor outliers, a lamp and a room's light, nor what
// comes after the first hours, or after a person's word, passes for a hand.
func TestHandledIsNoLight(t *testing.T) {
	blink := func(i int) float64 { return 200 + 380*float64(i*5/3%2) }
	spikes := func(i int) float64 { return 200 + []float64{700, 0, 0, 450, 0, 0, 250, 0}[i%8] }
	room := func(i int) float64 { return []float64{580, 690, 690, 310, 310, 200}[min(i, 5)] } // lamp, room, lamp, room
	for name, c := range map[string]struct {
		before int
		level  func(int) float64
		teach  bool
		want   bool
	}{
		"hands":                {30, hands, false, true},
		"blinking":             {30, blink, false, false},
		"outliers":             {30, spikes, false, false},
		"a room's light":       {30, room, false, false},
		"hands, hours later":   {200, hands, false, false},
		"hands, person's word": {30, hands, true, false},
	} {
		f := feed(Config{}, time.Minute, 4)
		f.read(c.before, flat(200), 1)
		if c.teach {
			f.l.Teach(f.at, Dark)
		}
		f.read(11, c.level, 1)
		f.read(8, flat(200), 1)
		if got := f.l.c.N < uint64(c.before); got != c.want {
			t.Errorf("%s: learned anew: %v", name, got)
		}
	}
}

// A lamp that is known, by four changes or by blinking, is not forgotten for a
// hand; and if one is, a warning about the sensor is over, too.
func TestHandledOrKnown(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(c *core)
		want bool
	}{
		"not known":   {func(*core) {}, true},
		"four edges":  {func(c *core) { c.NUp, c.NDown = 2, 2 }, false},
		"three edges": {func(c *core) { c.NUp, c.NDown = 2, 1 }, true},
		"blinked":     {func(c *core) { c.NBlink = 1 }, false},
		"blinks":      {func(c *core) { c.State = Blinking }, false},
	} {
		f := feed(Config{}, time.Minute, 4)
		f.read(30, flat(200), 1)
		f.read(11, hands, 1)
		f.read(4, flat(200), 1)
		c.set(&f.l.c)
		f.l.c.Fault = Noisy
		f.read(1, flat(200), 1)
		if got := f.l.c.N < 30; got != c.want {
			t.Errorf("%s: learned anew: %v", name, got)
		}
		if c.want {
			f.wantFaults(t, NoFault)
		}
	}
}

// A sensor that slipped, so that the lamp makes a smaller step, is found out by a
// few visits, and that is worth a warning.
func TestSlipped(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	known(f, 300, 380)
	f.got = nil
	for range 12 {
		f.read(150, flat(340), 1)
		f.read(60, flat(470), 1)
	}
	f.read(60, flat(340), 1)
	if n := len(f.got); n < 17 {
		t.Errorf("%d of 24 changes told", n)
	}
	f.wantFaults(t, Fading)

	// so small a step could be noise that wanders
	f = feed(Config{}, time.Minute, 6)
	known(f, 300, 380)
	for range 16 {
		f.read(150, flat(340), 1)
		f.read(60, flat(364), 1)
	}
	if f.l.c.F.Step < 300 {
		t.Errorf("a step of %.0f took the lamp's place", f.l.c.F.Step)
	}
}

// A fainter light that came before as well is no slipped sensor, nor one that keeps
// to its hours, or that comes while the lamp is only away for a little.
func TestReplaced(t *testing.T) {
	lamp := func(n int, every int64) (out []edge) { // one change each so many hours
		for i := range n {
			out = append(out, edge{At: int64(i) * every * 3_600_000, Size: 380 * float64(1-2*(i%2)), SD: 6, Leap: 380})
		}
		return out
	}
	faint := func(from, n int, every int64) (out []edge) {
		for i := range n {
			out = append(out, edge{At: (int64(from) + int64(i)*every) * 3_600_000, Size: 130 * float64(1-2*(i%2)), SD: 6, Leap: 130})
		}
		return out
	}
	for name, c := range map[string]struct {
		edges []edge
		want  bool
	}{
		"slipped":              {slices.Concat(lamp(8, 5), faint(40, 6, 5)), true},
		"lamp seen twice only": {slices.Concat(lamp(2, 5), faint(40, 8, 5)), true},
		"and few since":        {slices.Concat(lamp(2, 5), faint(40, 6, 5)), false},
		"before as well":       {slices.Concat(faint(-40, 6, 5), lamp(8, 5), faint(40, 6, 5)), false},
		"too few":              {slices.Concat(lamp(8, 5), faint(40, 3, 10)), false},
		"too soon":             {slices.Concat(lamp(8, 5), faint(36, 6, 1)), false},
		"same hours each day":  {slices.Concat(lamp(8, 5), faint(40, 8, 24)), false},
		"one way only": {slices.Concat(lamp(8, 5), faint(40, 1, 5), faint(46, 1, 5), faint(52, 1, 5),
			faint(58, 1, 5), faint(63, 1, 5), faint(70, 1, 5)), false},
	} {
		var e edges
		last := int64(0)
		for _, x := range c.edges {
			e.record(x)
			last = x.At
		}
		if got := e.replaced(130, 380, last); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// Anew forgets everything but the last reading and what the person configured.
func TestAnew(t *testing.T) {
	cfg := Config{LitLower: true, OnDelay: 3 * time.Minute}
	f := feed(cfg, time.Minute, 6)
	known(f, 700, -380)
	f.l.Teach(f.at, Dark)
	v := f.l.Anew()
	if v.State != Learning || !v.GivenUp || v.Changed || v.Handled {
		t.Errorf("%+v", v)
	}
	fresh := New(cfg)
	fresh.Observe(time.UnixMilli(f.l.c.At), f.l.c.Val)
	if f.l.c != fresh.c {
		t.Errorf("something was kept:\n%+v\n%+v", f.l.c, fresh.c)
	}
	if v = f.l.Anew(); v.GivenUp {
		t.Error("given up twice")
	}
	if v = New(cfg).Anew(); v.GivenUp || v.State != Learning {
		t.Errorf("a new one: %+v", v)
	}
	// it is known again as a new one would be
	f.got = nil
	f.read(300, flat(900), 1)
	f.read(60, flat(700), 1)
	f.want(t, Lit)
}

// Anew ends a warning about the sensor, and leaves levels set by hand alone.
func TestAnewFaultAndHand(t *testing.T) {
	for _, end := range []float64{0, 1023} {
		f := feed(Config{}, time.Minute, 6)
		known(f, 300, 200)
		f.noise = 0
		f.read(24*60, flat(end), 1)
		f.wantFaults(t, StuckRail)
		if v := f.l.Anew(); v.Fault != NoFault || !v.FaultChanged {
			t.Errorf("at %g: %+v", end, v)
		}
		fresh := New(Config{})
		fresh.Observe(time.UnixMilli(f.l.c.At), f.l.c.Val)
		if fresh.c.FaultChanged = true; f.l.c != fresh.c {
			t.Errorf("at %g something was kept:\n%+v\n%+v", end, f.l.c, fresh.c)
		}
	}
	f := feed(Config{Manual: Levels{OnAbove: 500, OffBelow: 400}}, time.Minute, 6)
	f.read(20, flat(700), 1)
	if v := f.l.Anew(); v.State != Lit || v.GivenUp {
		t.Errorf("%+v", v)
	}
}

// Both states taught within a week, by another step than the one in use, say
// that the sensor was moved; not if that one was seen since, or one was taught
// long ago.
func TestTaughtOtherwise(t *testing.T) {
	for name, c := range map[string]struct {
		step    float64
		between int  // readings
		seen    bool // the known step, after the first teaching
		want    bool
	}{
		"moved":         {110, 300, false, true},
		"nearly alike":  {305, 300, false, false},
		"seen since":    {110, 300, true, false},
		"long ago":      {110, 8 * 1440, false, false},
		"the same week": {110, 6 * 1440, false, true},
	} {
		f := feed(Config{}, time.Minute, 3)
		known(f, 300, 380)
		f.read(30, flat(520), 1)
		f.l.Teach(f.at, Dark)
		if c.seen {
			f.read(40, flat(900), 1)
			f.read(40, flat(520), 1)
		}
		f.read(c.between, flat(520), 1)
		f.read(1, flat(520+c.step), 1)
		f.l.Teach(f.at, Lit)
		if got := f.l.c.F.Step < 0.9*380; got != c.want {
			t.Errorf("%s: step %.0f", name, f.l.c.F.Step)
		}
	}
}

// Who says what the lamp shows, once dark and once lit, has it told apart from a room's light
// that was taken for it, be it that this is switched meanwhile. Daylight between the two is
// no such word: no edge was as large.
func TestTaughtBesideTheRoomsLight(t *testing.T) {
	for name, c := range map[string]struct {
		lamp float64
		jump bool // it lights from one reading to the next
		want float64
	}{
		"lamp":                {380, true, 380},
		"not twice as bright": {180, true, 110},
		"daylight":            {380, false, 110},
	} {
		f := roomTaken(t, 100)
		f.l.Teach(f.at, Dark)
		f.read(20, flat(100), 1)
		f.read(15, flat(210), 1)
		f.read(30, flat(100), 1)
		for i := range 120 { // the lamp lights of an evening, too
			y := c.lamp * float64(i/4*4) / 120
			if c.jump {
				y = 0
			}
			f.read(1, flat(100+y), 1)
		}
		f.read(20, flat(100+c.lamp), 1)
		f.l.Teach(f.at, Lit)
		if got := f.l.c.F.Step; math.Abs(got-c.want) > 12 {
			t.Errorf("%s: step %.0f", name, got)
		}
	}
}
