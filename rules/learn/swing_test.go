package learn

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// warmth is a level that swings by so many counts either way in a day, slowly and
// smoothly, as temperature makes a sensor's do.
func warmth(by float64) func(int) float64 {
	return func(i int) float64 { return 500 + by*math.Cos(2*math.Pi*float64(i)/1440) }
}

// A faint lamp whose place swings by almost six times its step in a day is learned
// within four days, and told from then on: its step is sharp, and the swing is slow.
// Without the rule none of the six were ever told.
func TestFaintLampInASwing(t *testing.T) {
	missed := 0
	for seed := range uint64(6) {
		f := feed(Config{}, time.Minute, 6).seed(seed, 31)
		r := rand.New(rand.NewPCG(seed, 32))
		level, i, changes := warmth(70), 0, 0
		visits := func(days int) {
			for end := i + days*1440; i < end; {
				for _, lit := range []float64{0, 26} {
					n, from := 40+r.IntN(40)+btoi(lit == 0)*(100+r.IntN(300)), i
					f.read(n, func(k int) float64 { return level(from+k) + lit }, 1)
					i += n
					changes++
				}
			}
		}
		visits(4)
		if !f.l.c.Known {
			t.Errorf("lamp %d is not known after four days", seed)
		}
		f.got, changes = nil, 0
		visits(5)
		t.Logf("lamp %d: told %d of %d, the level swings by %.0f beside %.0f", seed, len(f.got), changes, f.l.c.Range.Swing, f.l.c.Range.Span)
		missed += max(changes-len(f.got), len(f.got)-changes)
	}
	if missed > 6 {
		t.Errorf("told %d times too seldom or too often", missed)
	}
}

// Beside a smooth slope a level does not move; light that wanders does, as far as
// ever, and a level that rose to another is not on its way.
func TestSpanBesideASlope(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	walk := 0.0
	for name, c := range map[string]struct {
		level           func(int) float64
		least, most, by float64 // of Span; of Slid
	}{
		"slope":       {level: func(i int) float64 { return 0.3 * float64(i) }, most: 8, by: 40},
		"a fall":      {level: func(i int) float64 { return -0.3 * float64(i) }, most: 8, by: 40},
		"flat":        {level: flat(0), most: 8},
		"comes, goes": {level: func(i int) float64 { return 20 * math.Sin(float64(i)/8) }, least: 25, most: 100},
		"wanders": {level: func(i int) float64 {
			walk += 2.5 * r.NormFloat64()
			return walk
		}, least: 20, most: 200},
	} {
		f := feed(Config{}, time.Minute, 6).seed(3, 5)
		f.read(400, func(i int) float64 { return 500 + c.level(i) }, 1)
		a := &f.l.c.Range
		if a.Span > c.most || a.Span < c.least || math.Abs(a.Slid-c.by) > 8 || a.Swing < a.Slid {
			t.Errorf("%s: moves by %.1f, and %.1f by slopes, %.1f at most", name, a.Span, a.Slid, a.Swing)
		}
	}
}

// What slides may be daylight, and the first step of eighteen deviations in it a room's
// light: it is not told, and is no edge in still light, though the slope is smooth.
func TestRoomLightInSlowDaylight(t *testing.T) {
	for rises, told := range map[float64]bool{0: true, 0.25: false} {
		n, act := 0, 0.0
		for seed := range uint64(8) {
			f := feed(Config{}, time.Minute, 6).seed(seed, 9)
			f.read(310, func(i int) float64 { return 900 + rises*float64(i) }, 1)
			if q := f.l.c.quiet(edge{At: f.at.UnixMilli(), Size: 108}); q != told {
				t.Errorf("light that rises by %v a minute: quiet %v", rises, q)
			}
			f.read(20, func(i int) float64 { return 1008 + rises*float64(310+i) }, 1)
			n += len(f.got)
			act += f.l.c.Edges.E[0].Act / 8
		}
		if (n > 4) != told || n > 0 != told || (act < 0.1) != told {
			t.Errorf("light that rises by %v a minute: %d of 8 told, edges amid %.2f", rises, n, act)
		}
	}
}

// Where a level is known to swing, one small edge alone is not told, as it is where
// nothing ever moved: nobody knows yet what light does there.
func TestSmallEdgeInASwing(t *testing.T) {
	for by, told := range map[float64]bool{0: true, 14: false, 30: false} {
		n := 0
		for seed := range uint64(8) {
			f := feed(Config{}, time.Minute, 6).seed(seed, 10)
			level := warmth(by)
			f.read(2*1440, level, 1)
			f.read(60, func(i int) float64 { return level(i) + 27 }, 1)
			n += min(len(f.got), 1)
		}
		if (n > 4) != told || n > 0 != told {
			t.Errorf("a swing by %v: %d of 8 told", by, n)
		}
	}
}

// Nor is a larger one while the level slides, which may be daylight, nor one that took
// more than a reading where the level goes as far by slopes.
func TestLoneEdgeOnASlope(t *testing.T) {
	for _, c := range []struct {
		slid, swing, leap float64
		told              bool
	}{{0, 0, 60, true}, {30, 0, 60, false}, {0, 40, 60, true}, {0, 40, 20, false}, {0, 0, 20, true}} {
		f := feed(Config{}, time.Minute, 6)
		f.read(3*1440, flat(200), 1)
		f.l.moves(6, 0, 23)
		f.l.moves(10, 8, 16)
		r := &f.l.c.Range
		r.Slid, r.Swing = c.slid, c.swing
		if got := f.l.c.clear(edge{At: f.at.UnixMilli(), Size: 60, Leap: c.leap, SD: 6, From: 200}); got != c.told {
			t.Errorf("an edge of 60, %v of it at once, where the level slides by %v, else by %v: told %v", c.leap, c.slid, c.swing, got)
		}
	}
}

// Nor by what follows it, though the level holds still just then.
func TestHeldInASwing(t *testing.T) {
	told := map[float64]int{}
	for swing := range map[float64]bool{0: true, 12: true} {
		for seed := range uint64(20) {
			f := feed(Config{}, time.Minute, 6).seed(seed, 11)
			f.read(300, flat(200), 1)
			f.l.moves(6, 0, 23)
			f.l.c.Range.Swing = swing
			f.read(60, flat(227), 1)
			told[swing] += min(len(f.got), 1)
		}
	}
	if told[0] < 14 || told[12] > 2 { // the last hours' own noise may make it seem smaller
		t.Errorf("of 20 told, by slopes: %v", told)
	}
}

// Four edges at odd hours tell a lamp where the light moves by smooth slopes only;
// where it moves otherwise more are asked for, and also where they keep to few hours.
func TestFewEdgesInSmoothLight(t *testing.T) {
	for name, c := range map[string]struct {
		smooth bool
		every  int64 // ms
		known  bool
	}{
		"smooth":            {true, 5 * 3_600_000, true},
		"not smooth":        {false, 5 * 3_600_000, false},
		"smooth, few hours": {true, 3_600_000, false},
	} {
		var e edges
		for i := range int64(4) {
			size := []float64{25, -29, 27, -23}[i]
			e.record(edge{At: i * c.every, Size: size, SD: 6, From: 200 + max(-size, 0), Leap: math.Abs(size)})
		}
		if step, ev := e.fit(200, false, c.smooth, 3, 6); (step > 0) != c.known {
			t.Errorf("%s: step %v by %v", name, step, ev)
		}
	}
}

// Where the light goes as far as a small step by slopes, it may go by a third of it
// beside them, not by more, unless very much speaks for the step; and its edges are sharp.
func TestMovesBesideASlope(t *testing.T) {
	var l *Learner
	for _, c := range []struct {
		calm, lively, swing float64
		step, leap          float64 // of the edge's size
		n                   int
		known               bool
	}{
		{6, 12, 40, 26, 1, 8, true}, {6, 17, 40, 26, 1, 8, false}, {6, 17, 0, 26, 1, 8, true},
		{10, 12, 40, 26, 1, 8, false}, {10, 12, 0, 26, 1, 8, true},
		{6, 17, 40, 26, 1, 40, true}, {6, 17, 40, 22, 1, 40, false},
		{6, 12, 40, 26, 0.5, 8, false}, {6, 12, 0, 26, 0.5, 8, true},
	} {
		l = given(c.step, 6, c.n, func(i int) edge {
			size := c.step * float64(1-i%2*2)
			return edge{At: int64(i) * 20_000_000, Size: size, SD: 6, From: 200 + max(-size, 0), Leap: c.leap * c.step}
		})
		l.c.forget()
		l.c.Range.Minutes, l.c.Range.Swing = 10_000, c.swing
		l.moves(c.calm, 0, 23)
		l.moves(c.lively, 8, 16)
		if step, ev := l.c.believed(l.c.Edges.E[c.n-1], 6); (step > 0) != c.known {
			t.Errorf("light that moves by %v to %v, by %v with slopes, %d edges of %v, %v sharp: step %v by %v",
				c.calm, c.lively, c.swing, c.n, c.step, c.leap, step, ev)
		}
	}
	// what blinks is told by where the light is calm, and slow daylight is not
	for swing, calm := range map[float64]bool{0: true, 40: false} {
		l.moves(6, 0, 23)
		if l.c.Range.Swing = swing; l.c.calmer(60) != calm {
			t.Errorf("light that moves by %v with slopes: calm %v", swing, !calm)
		}
	}
}

// A small step is given up where the light slides much farther, unless its edges agree.
func TestRefuteOnASlope(t *testing.T) {
	for name, c := range map[string]struct {
		scatter, swing float64
		kept           bool
	}{
		"no slope":         {0.5, 0, true},
		"slopes":           {0.5, 70, false},
		"edges that agree": {0, 70, true},
	} {
		r := rand.New(rand.NewPCG(5, 6))
		l := given(26, 6, 24, func(i int) edge {
			size := 26 * (1 + c.scatter*(2*r.Float64()-1))
			from := 200.0
			if i%2 == 1 {
				size, from = -size, 226
			}
			return edge{At: int64(i) * 3_000_000, Size: size, SD: 3, From: from, Leap: math.Abs(size)}
		})
		l.moves(12, 0, 23)
		l.c.Range.Minutes, l.c.Range.Swing = 3000, c.swing
		l.c.NUp, l.c.NDown = 12, 12
		l.c.refute()
		if l.c.Known != c.kept {
			ev, _, _ := l.c.Edges.evidence(26, 50, 0)
			t.Errorf("%s: kept %v, evidence %.1f", name, l.c.Known, ev)
		}
	}
}

// Small edges that keep to the hours at which the light moves, but for one in eight, are
// its clouds', though it moves by far less than that, if a slope shows that there is
// daylight; and edges just large enough to be seen, of which noise makes as many as one
// will, are no lamp's unless very much speaks for it.
func TestSmallEdgesByDay(t *testing.T) {
	for name, c := range map[string]struct {
		size, lively, swing float64
		first, hours        int // of the day, and how many, that the edges come in
		stray, n            int // edges at one at night, of all
		known               bool
	}{
		"no daylight":             {26, 8, 0, 9, 7, 0, 16, true},
		"daylight":                {26, 8, 20, 9, 7, 0, 16, false},
		"and some at night":       {26, 8, 20, 9, 7, 2, 16, false},
		"and many at night":       {26, 8, 20, 9, 7, 6, 16, true},
		"at all hours":            {26, 8, 20, 0, 20, 0, 16, true},
		"in the evening":          {26, 8, 20, 19, 5, 0, 16, true},
		"clouds":                  {26, 12, 0, 9, 7, 2, 16, false},
		"just seen":               {19.5, 6, 0, 0, 20, 0, 8, false},
		"just seen, all the time": {19.5, 6, 0, 0, 20, 0, 40, true},
		"more than just seen":     {22, 6, 0, 0, 20, 0, 8, true},
	} {
		l := given(c.size, 6, c.n, func(i int) edge {
			hour := float64(c.first) + float64(i*5%16)/16*float64(c.hours)
			if i < c.stray {
				hour = 1
			}
			size := c.size * float64(1-i%2*2)
			return edge{At: int64(i/2)*dayMS + int64(hour*3_600_000), Size: size, SD: 6, From: 200 + max(-size, 0), Leap: c.size}
		})
		l.c.forget()
		l.c.Range.Minutes, l.c.Range.Swing = 10_000, c.swing
		l.moves(6, 0, 23)
		l.moves(c.lively, 8, 17)
		if step, ev := l.c.believed(l.c.Edges.E[c.n-1], 6); (step > 0) != c.known {
			t.Errorf("%s: step %v by %.1f", name, step, ev)
		}
	}
}
