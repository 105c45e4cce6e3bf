package learn

import (
	"math"
	"testing"
	"time"
)

// Outliers that saturate are no reason to keep a step learned from clouds; a
// lamp that saturates itself is, for its edges are cut short.
func TestRefuteAtTheRail(t *testing.T) {
	for name, c := range map[string]struct {
		hi   float64 // lit level, counts
		kept bool
	}{
		"outliers": {600, false},
		"the lamp": {1020, true},
	} {
		l := given(60, 6, 14, func(i int) edge {
			size := 60 * (1 + 0.2*float64(i%3-1))
			if i%2 == 1 {
				size = -size
			}
			return edge{At: int64(i) * 3_000_000, Size: size, SD: 6, From: 200, Leap: 20}
		})
		l.c.Noise.Max, l.c.Noise.AtMax = 1023, 400
		l.c.Range.Jump, l.c.Range.Minutes, l.c.Range.Hi = 50, 3000, c.hi
		l.c.refute()
		if l.c.Known != c.kept {
			t.Errorf("%s: kept %v, want %v", name, l.c.Known, c.kept)
		}
	}
}

// A step of which hardly any announced change had an edge is given up soon;
// one that has some is given time.
func TestRefuteWithoutEdges(t *testing.T) {
	for matched, kept := range map[uint32]bool{1: false, 2: true} {
		l := given(20, 6, 2, func(i int) edge {
			return edge{At: int64(i) * 3_000_000, Size: 20 - float64(60*i), SD: 6, From: 200, Leap: 20}
		})
		l.c.Told, l.c.NUp, l.c.NDown = 6, matched, 0
		l.c.Range.Jump, l.c.Range.Minutes = 15, 3000
		if ev, _, _ := l.c.Edges.evidence(20, 50, 0); ev > 0 || ev < -2 {
			t.Fatalf("the evidence is %.1f", ev)
		}
		l.c.refute()
		if l.c.Known != kept {
			t.Errorf("%d edges: kept %v, want %v", matched, l.c.Known, kept)
		}
	}
}

// lights makes the edges of a room's light, on at seven in the evening and off
// at eleven, give or take twenty minutes, for so many days.
func lights(days int, size float64) (out []edge) {
	for d := range days {
		on := int64(d)*dayMS + 19*3_600_000 + int64(d%3-1)*1_200_000
		out = append(out,
			edge{At: on, Size: size, SD: 6, From: 200, Leap: size},
			edge{At: on + 4*3_600_000, Size: -size, SD: 6, From: 200 + size, Leap: size})
	}
	return out
}

// A room's light stays one though a cloud's edge of its size came once at noon.
// A lamp comes at any hour, or several times a day.
func TestDaily(t *testing.T) {
	cloud := edge{At: 5*dayMS + 12*3_600_000, Size: -112, SD: 6, From: 300, Leap: 90}
	for name, c := range map[string]struct {
		edges []edge
		want  bool
	}{
		"a room's light":        {lights(9, 110), true},
		"with a cloud":          {append(lights(9, 110), cloud), true},
		"the cloud first":       {append([]edge{cloud}, lights(9, 110)...), true},
		"with a cloud, early":   {append(lights(3, 110), cloud), false},
		"two evenings":          {lights(2, 110), true},
		"one evening":           {lights(1, 110), false},
		"of another size":       {lights(9, 300), false},
		"a lamp of short turns": {append(lights(1, 110), lights(1, 110)...), false},
	} {
		var e edges
		for _, x := range c.edges {
			e.record(x)
		}
		if got := e.daily(110); got != c.want {
			t.Errorf("%s: daily %v, want %v", name, got, c.want)
		}
	}
	var e edges
	for i := range 20 {
		x := edge{At: int64(i) * 17 * 3_600_000, Size: 110, SD: 6, From: 200, Leap: 110}
		if i%2 == 1 {
			x.Size = -110
		}
		e.record(x)
	}
	if e.daily(110) {
		t.Error("what comes every seventeen hours is daily")
	}
}

// The lamp, seen to light once, shines on for weeks. Meanwhile a room's light of a
// third of its step, on each evening, does not take its place.
func TestRoomLightDoesNotOutgrowTheLamp(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	lit := 0.0
	day := func(i int) float64 {
		x := 200 + lit
		if m := f.at.Hour()*60 + f.at.Minute(); m > 1140+f.at.Day()*13%40 && m < 1380 {
			x += 110
		}
		if m := f.at.Hour()*60 + f.at.Minute(); m > 360 && m < 1080 { // a little daylight, whose clouds fill the memory for edges
			x += 40 * math.Sin(math.Pi*float64(m-360)/720) * (1 + float64(m/45%2))
		}
		return x
	}
	f.read(600, day, 1)
	lit = 320
	f.read(18*1440, day, 1)
	f.want(t, Lit)
	lit = 0
	f.read(60, day, 1)
	f.want(t, Lit, Dark)
}

// A lamp that changes every ten readings costs a history of changes no more
// than one of blinking.
func TestFrequentChangesAreNoBlinking(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(300, flat(200), 1)
	turns := func(i int) float64 { return 200 + 380*float64(i/10%2) }
	f.read(1200, turns, 1)
	if h := f.l.c.F.Hazard; h < 1.0/40 {
		t.Errorf("a change every ten readings, and the chance of one passes for %.4f", h)
	}
	// a turn of three readings amid them, and a turn after a pause
	f.got = nil
	f.read(43, func(i int) float64 { return 200 + 380*float64(btoi(i < 10 || i >= 13 && i < 23 || i >= 33)) }, 1)
	f.read(200, turns, 1)
	if n := f.times(Blinking); n != 0 {
		t.Errorf("%d times blinking", n)
	}
	if lit, dark := f.times(Lit), f.times(Dark); lit < 12 || dark < 12 {
		t.Errorf("lit %d times, dark %d times", lit, dark)
	}
	f.read(6000, flat(200), 1)
	if h := f.l.c.F.Hazard; h != seldom {
		t.Errorf("after days without a change the chance of one passes for %.4f", h)
	}
}

// What follows lit is dark, however often a lamp that was dark blinks: visits of
// ten readings of such a lamp, too short to be told, count as lit.
func TestShortVisitsOfABlinkingLamp(t *testing.T) {
	f := habits(t, 60, 4)
	before := f.l.c.NLit
	for range 4 {
		f.read(10, flat(580), 1)
		f.read(60, flat(200), 1)
	}
	if n := f.times(Blinking); n != 0 {
		t.Errorf("%d times blinking", n)
	}
	if got := f.l.c.NLit - before; got != 8 {
		t.Errorf("four visits count as %d changes, want 8", got)
	}
}

// A steady state that has shown for four readings ends, as far as is known, at any length
// alike on a scale of ratios, up to two days of readings a minute: the chance to last for
// n readings is then ln(2880/n)/ln(2880/4). What was so since the learner began, or is
// shorter, tells nothing.
func TestEndsOfVisits(t *testing.T) {
	last := 1.0
	for n := 4; n <= 1000; n++ {
		if want := math.Log(2880/float64(n)) / math.Log(2880.0/4); math.Abs(last-want) > 0.03 {
			t.Fatalf("the chance to last for %d readings is %.3f, want %.3f", n, last, want)
		}
		last *= 1 - (&hyp{S: Lit, Prev: Dark, Age: uint32(n) - 1}).ends()
	}
	for _, h := range []hyp{{S: Dark, Prev: Learning, Age: 20}, {S: Lit, Prev: Dark, Age: 2}} {
		if p := h.ends(); p != 0 {
			t.Errorf("%v after %v for %d readings ends with a chance of %v", h.S, h.Prev, h.Age+1, p)
		}
	}
}

// Where the light moves, or the lamp blinks at more than a tenth of its changes, those that
// follow each other are no visits, for they may be the light's own, or blinking. What seems
// to move it may be a lamp's short visits, if it is where it is every day.
func TestVisits(t *testing.T) {
	for name, c := range map[string]struct {
		span, dev, minutes float64
		blinks             uint32 // of 20 changes
		want               bool
	}{
		"still":                      {10, 80, 200, 0, true},
		"moving":                     {90, 80, 200, 0, false},
		"moving, but always there":   {90, 5, 200, 0, true},
		"there, as far as was seen":  {90, 5, 20, 0, false},
		"still, and was seen hardly": {10, 0, 0, 0, true},
		"blinked once":               {10, 80, 200, 1, true},
		"blinks":                     {10, 80, 200, 3, false},
	} {
		l := New(Config{})
		l.c.F.Step, l.c.Range.Span, l.c.NLit, l.c.NBlink = 200, c.span, 20-c.blinks, c.blinks
		*l.c.Hours.at(0) = slot{Dev: c.dev, Minutes: c.minutes}
		if got := l.c.visits(0); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// An appliance that runs a few times in a row, twice a day, is no blinking, and its
// visits are told. One that blinks is told to blink.
func TestVisitsInGroups(t *testing.T) {
	visits := func(f *feeder) (changes int) {
		for g := range 8 {
			for i := range 5 {
				f.read(6+(2*i+g)%4, flat(600), 1)
				f.read(7+(3*i+g)%5, flat(200), 1)
			}
			changes += 10
			f.read(700, flat(200), 1)
		}
		return changes
	}
	f := feed(Config{}, time.Minute, 6)
	f.read(300, flat(200), 1)
	for range 3 {
		f.read(40, flat(600), 1)
		f.read(700, flat(200), 1)
	}
	n := -len(f.got)
	n = visits(f) - (n + len(f.got))
	if n > 8 || f.times(Blinking) > 0 {
		t.Errorf("%d of 80 changes were not told, blinking %d times", n, f.times(Blinking))
	}
	f.read(40, func(int) float64 { return 200 + 400*float64(f.r.IntN(2)) }, 1)
	f.read(60, flat(200), 1)
	if f.times(Blinking) != 1 {
		t.Errorf("it blinked, and was told so %d times", f.times(Blinking))
	}
}
