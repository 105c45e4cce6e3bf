package learn

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// A lamp that changes within the first minutes is told by its edge, and what
// it does then is not taken for moving light. What slides, is small, or came
// with the very first readings is not.
func TestOpeningEdge(t *testing.T) {
	for name, c := range map[string]struct {
		before int
		from   float64
		to     func(i int) float64
		want   []State
	}{
		"lit after 3":       {3, 200, flat(580), []State{Lit}},
		"lit after 9":       {9, 200, flat(580), []State{Lit}},
		"lit after 11":      {11, 200, flat(580), []State{Lit}},
		"dark after 5":      {5, 580, flat(200), []State{Dark}},
		"lit after 12":      {12, 200, flat(580), []State{Lit}},
		"dark after 12":     {12, 580, flat(200), []State{Dark}},
		"below zero":        {12, -580, flat(-200), []State{Lit}},
		"board averages":    {6, 200, func(i int) float64 { return []float64{330, 580}[min(i, 1)] }, []State{Lit}},
		"after 2":           {2, 200, flat(580), nil},
		"slides":            {6, 200, func(i int) float64 { return min(580, 280+100*float64(i)) }, nil},
		"as faint as rooms": {6, 200, flat(290), nil},
	} {
		f := feed(Config{}, time.Minute, 6)
		f.read(c.before, flat(c.from), 1)
		f.read(45, c.to, 1)
		t.Log(name)
		f.want(t, c.want...)
		if c.want == nil {
			continue
		}
		f.read(45, flat(c.from), 1)
		f.read(45, flat(c.to(10)), 1)
		if len(f.got) != 3 {
			t.Errorf("%s: %d of the next 2 announced", name, len(f.got)-1)
		}
	}
}

// Among the first readings only a large edge is seen: the noise is not known.
func TestOpeningAsksForMuch(t *testing.T) {
	for step, want := range map[float64]bool{60: false, 200: true} {
		f := feed(Config{}, time.Minute, 3)
		f.read(7, flat(200), 1)
		f.read(13, flat(200+step), 1)
		e, before, ok := f.l.c.Edges.opening(36)
		if ok != want || ok && (before != 7 || math.Abs(e.Size-step) > 12) {
			t.Errorf("step %v: %v after %d readings, %v", step, e.Size, before, ok)
		}
	}
}

// A lamp that blinks since the first reading did not change; one that begins
// to is announced.
func TestBlinkingSinceTheStart(t *testing.T) {
	for before, want := range map[int][]State{0: nil, 10: {Blinking}, 60: {Blinking}} {
		f := feed(Config{}, time.Minute, 6)
		f.read(before, flat(200), 1)
		f.read(60, func(int) float64 { return 200 + 380*float64(f.r.IntN(2)) }, 1)
		t.Log(before, "before")
		f.want(t, want...)
		if v := f.l.Verdict(); v.State != Blinking {
			t.Errorf("%v after %d", v.State, before)
		}
		f.read(60, flat(200), 1)
		f.want(t, append(want, Dark)...)
	}
}

// Clouds that come and go in minutes on the first day are no blinking lamp's
// where the light went a way by itself.
func TestBlinkingAmidSlidingLight(t *testing.T) {
	for way, want := range map[float64]int{0: 1, 3: 0} {
		f := feed(Config{}, time.Minute, 6)
		f.read(150, func(i int) float64 { return 200 + way*float64(i) }, 1)
		end := 200 + way*150
		f.read(180, flat(end), 1)
		// twos of bright and dim: five changes of side within twenty readings
		f.read(40, func(i int) float64 { return end + 120*float64(i/4%2) }, 1)
		if n := f.times(Blinking); n != want {
			t.Errorf("light moving by %v a minute: blinking announced %d times, want %d", way, n, want)
		}
	}
}

// Two outliers that happen to reach the other level are no blinking.
func TestOutliersAreNoBlinking(t *testing.T) {
	for outliers, want := range map[int]int{2: 0, 12: 1} {
		f := feed(Config{}, time.Minute, 6)
		for range 3 {
			f.read(100, flat(18), 1)
			f.read(100, flat(210), 1)
		}
		f.read(60, func(i int) float64 {
			if k := i - 20; k >= 0 && k%4 == 0 && k/4 < outliers {
				return -2 // nearly dark
			}
			return 210
		}, 1)
		if n := f.times(Blinking); n != want {
			t.Errorf("%d readings of the dark level: blinking announced %d times, want %d", outliers, n, want)
		}
	}
}

// How often readings are outliers is learned, within bounds.
func TestOutlierRate(t *testing.T) {
	for share, ok := range map[float64]func(eps float64) bool{
		0:    func(eps float64) bool { return eps == leastEps },
		0.01: func(eps float64) bool { return eps > 0.004 && eps < 0.02 },
		0.05: func(eps float64) bool { return eps <= 0.02 },
	} {
		f := feed(Config{}, time.Minute, 6)
		f.read(100, flat(200), 1)
		f.read(5000, func(int) float64 {
			if f.r.Float64() < share {
				return 580 + 1000*f.r.Float64()
			}
			return 580
		}, 1)
		if eps := f.l.c.F.Eps; !ok(eps) {
			t.Errorf("share of outliers %v: learned %v", share, eps)
		}
	}
}

// A board that averages over its interval shows a reading in between at every
// edge. Its step is measured as well as any, and the lamp is not given up.
func TestAveragedEdges(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(300, flat(200), 1)
	var want []State
	for i := range 20 {
		part := []float64{0.35, 0.6, 0.8}[i%3]
		f.read(150, func(i int) float64 { return 200 + 380*[]float64{part, 1}[min(i, 1)] }, 1)
		f.read(600, flat(200), 1)
		want = append(want, Lit, Dark)
	}
	f.want(t, want...)
	for _, e := range f.l.c.Edges.E[:f.l.c.Edges.NE] {
		if d := math.Abs(e.Size) - 380; math.Abs(d) > 12 {
			t.Errorf("an edge of %.1f instead of 380", e.Size)
		}
	}
	// a slope that both sides share is none of the edge's size
	f = feed(Config{}, time.Minute, 0.5)
	f.read(20, func(i int) float64 {
		x := 200 + 2*float64(i)
		if i >= nBuf-half {
			x += 60
		}
		return x
	}, 0)
	if e, ok := f.l.c.Edges.detect(0.25, false); ok && math.Abs(e.Size-60) > 4 {
		t.Errorf("an edge of 60 on a slope measures %.1f", e.Size)
	}
}

// given makes a learner that knows a step, with so many edges of it.
func given(step, sd float64, n int, edge func(i int) edge) *Learner {
	l := New(Config{})
	c := &l.c
	c.Noise.V = sd * sd
	c.adopt(step, sd)
	c.F.start(Dark, 200, 0)
	c.Told = 14
	for i := range n {
		c.Edges.record(edge(i))
	}
	return l
}

// What a step is given up for: edges that slide, or that do not agree on it
// where the light makes jumps as large. A lamp's amid clouds is kept.
func TestRefute(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	edges := func(step, leap, scatter, act float64) func(i int) edge {
		return func(i int) edge {
			size := step * (1 + scatter*(2*r.Float64()-1))
			leap := leap * size
			if i%2 == 1 {
				size = -size
			}
			from := 200.0
			if act > 0 { // moving light
				from += 200 * r.Float64()
			}
			if size < 0 {
				from += step
			}
			return edge{At: int64(i) * 3_000_000, Size: size, SD: 6, From: from, Leap: leap, Act: act}
		}
	}
	for name, c := range map[string]struct {
		step    float64
		edge    func(i int) edge
		jump    float64
		matched uint32
		kept    bool
	}{
		"a faint lamp":               {26, edges(26, 0.75, 0.1, 0), 10, 14, true},
		"sliding light":              {26, edges(26, 0.2, 0.1, 0), 10, 14, false},
		"a lamp amid clouds":         {300, edges(300, 0.8, 0.2, 1), 60, 4, true},
		"amid clouds that jump":      {300, edges(300, 0.6, 0.2, 1), 250, 4, false},
		"sharp amid clouds":          {300, edges(300, 1, 0.2, 1), 250, 4, true},
		"each change with an edge":   {300, edges(300, 0.6, 0.2, 1), 250, 12, true},
		"patches as sharp as a lamp": {60, edges(60, 1, 0.25, 1), 50, 4, false},
	} {
		*r = *rand.New(rand.NewPCG(3, 4)) // in whatever order they come
		l := given(c.step, 6, 14, c.edge)
		l.c.Range.Jump, l.c.Range.Minutes = c.jump, 3000
		l.c.NUp, l.c.NDown = c.matched/2, c.matched/2
		l.c.refute()
		if l.c.Known != c.kept {
			t.Errorf("%s: kept %v, want %v", name, l.c.Known, c.kept)
		}
	}
}

// What the hours were before the lamp was known may be its own light: with
// edges of it among what was seen, they are learned anew.
func TestHoursBeforeTheLamp(t *testing.T) {
	for seen, kept := range map[int]bool{1: true, 2: false} {
		l := New(Config{})
		f := &feeder{l: l, r: rand.New(rand.NewPCG(1, 2)), at: t0, every: time.Minute, noise: 6}
		f.read(120, flat(200), 1)
		last := edge{}
		for i := range seen {
			last = edge{At: f.at.UnixMilli() - int64(seen-i)*600_000, Size: 380 * float64(1-2*(i%2)), SD: 6, From: 200, Leap: 380}
			l.c.Edges.record(last)
		}
		l.relearned(380, last, f.at.UnixMilli())
		if got := l.c.Hours.at(t0.UnixMilli()).Minutes > 0; got != kept {
			t.Errorf("%d edges seen: hours kept %v, want %v", seen, got, kept)
		}
	}
}

// The habits of a step that was given up are not the next lamp's.
func TestHabitsGoWithTheStep(t *testing.T) {
	l := given(120, 6, 0, nil)
	l.c.NBlink = 3
	if p := l.c.priorBlink(); p < 0.8 {
		t.Fatalf("share of blinking %v", p)
	}
	l.c.adopt(380, 6)
	if p := l.c.priorBlink(); p > 0.2 {
		t.Errorf("share of blinking %v with another step", p)
	}
}

// Where no light moved by itself, there and back tells a lamp that was lit at
// the start and went dark too soon to be told; a step as faint as a room's
// light needs more, and so does one where the light moved.
func TestThereAndBack(t *testing.T) {
	for name, c := range map[string]struct {
		step, moved float64
		want        []State
	}{
		"lamp":       {112, 0, []State{Lit}},
		"room light": {80, 0, nil},
		"moved":      {112, 30, nil},
	} {
		f := feed(Config{}, time.Minute, 6)
		f.read(25, flat(200+c.step), 1)
		f.read(80, func(i int) float64 { return 200 + c.moved*float64(min(i, 60))/60 }, 1)
		f.read(30, flat(200+c.moved+c.step), 1)
		t.Log(name)
		f.want(t, c.want...)
	}
}

// After a smooth dawn a jump beyond all the light there was is the lamp's; one
// that takes some minutes, or is no larger than what the light did, is not.
func TestSuddenAfterDawn(t *testing.T) {
	for name, c := range map[string]struct {
		step    float64
		minutes int
		want    []State
	}{
		"lamp":     {400, 1, []State{Lit}},
		"slope":    {400, 4, nil},
		"no match": {110, 1, nil},
	} {
		f := feed(Config{}, time.Minute, 6)
		f.read(240, flat(10), 1)
		dawn := func(i int) float64 { return 10 + 180*float64(min(i, 240))/240 }
		f.read(240, dawn, 1)
		f.read(30, func(i int) float64 {
			return dawn(240+i) + c.step*min(1, float64(i+1)/float64(c.minutes))
		}, 1)
		t.Log(name)
		f.want(t, c.want...)
	}
}

// A small lamp that came and went too soon to be told is told by its next edge,
// not sixteen readings later; a second level of another size is not.
func TestSmallSecondTime(t *testing.T) {
	for again, soon := range map[float64]bool{26: true, 46: false} {
		f := feed(Config{}, time.Minute, 7)
		f.read(7, flat(200), 1)
		f.read(14, flat(226), 1)
		f.read(150, flat(200), 1)
		f.want(t)
		f.read(12, flat(200+again), 1)
		if got := len(f.got) == 1; got != soon {
			t.Errorf("%v after 26: told at once %v, want %v", again, got, soon)
		}
	}
}

// A small lamp may go out within the first minutes.
func TestSmallFallInTheFirstMinutes(t *testing.T) {
	for step, want := range map[float64][]State{4: {Dark}, 2: {Dark}, 1: nil} {
		f := feed(Config{}, time.Minute, 0.45)
		f.read(20, flat(60+step), 1)
		f.read(40, flat(60), 1)
		t.Log(step)
		f.want(t, want...)
	}
}

// While the lamp is lit it is the lit level that is known: a better measure of
// the step moves the level in the dark.
func TestBetterStepKeepsTheLitLevel(t *testing.T) {
	l := given(360, 6, 0, nil)
	for s, kept := range map[State]float64{Lit: 560, Dark: 200} {
		l.c.F.Step = 360
		l.c.F.start(s, 200, 0)
		l.c.teachStep(edge{At: 1, Size: 390, SD: 6, From: 200, Leap: 390})
		got := l.c.F.H[0].M
		if s == Lit {
			got += l.c.F.Step
		}
		if math.Abs(got-kept) > 1e-9 || l.c.F.Step < 363 {
			t.Errorf("%v: level %v instead of %v, step %v", s, got, kept, l.c.F.Step)
		}
	}
}

// A lamp that shows itself for a few minutes only is known from the first
// visit on, whichever way round; two outliers, a visit to a slope or one as
// faint as a room's light do not make it known.
func TestShortVisits(t *testing.T) {
	for name, c := range map[string]struct {
		base, visit float64
		readings    int
		slope       float64
		want        []State
	}{
		"lit for 5":   {200, 580, 5, 0, []State{Dark, Lit, Dark}},
		"dark for 4":  {580, 200, 4, 0, []State{Lit, Dark, Lit}},
		"lit for 3":   {200, 580, 3, 0, []State{Dark, Lit, Dark}},
		"one outlier": {200, 580, 1, 0, nil},
		"outliers":    {200, 580, 2, 0, nil},
		"sliding":     {200, 580, 5, 90, nil},
		"faint":       {200, 348, 5, 0, nil},
	} {
		f := feed(Config{}, time.Minute, 6)
		f.read(400, flat(c.base), 1)
		for range 2 {
			f.read(c.readings, func(i int) float64 { return c.visit - c.slope*float64(i) }, 1)
			f.read(600, flat(c.base), 1)
		}
		t.Log(name)
		f.want(t, c.want...)
		// and what the first hour was is the light without the lamp
		if m := f.l.c.Hours.at(t0.UnixMilli()).Mean; c.want != nil && math.Abs(m-200) > 20 {
			t.Errorf("%s: the hour's light is %.0f", name, m)
		}
	}
}

// share is how many of a hundred lamps were told lit by the first n readings
// after before, with the latest delay in readings.
func share(noise float64, before, n int, level func(base float64, i int) float64) (told, late int) {
	for seed := range uint64(100) {
		f := feed(Config{}, time.Minute, noise).seed(seed, 5)
		base := 60 + 400*f.r.Float64()
		f.read(before, flat(base), 1)
		for i := 0; i < n && len(f.got) == 0; i++ {
			f.read(1, func(int) float64 { return level(base, i) }, 1)
			if len(f.got) > 0 && f.got[0].State == Lit {
				told++
				late = max(late, i)
			}
		}
	}
	return told, late
}

// Of the first steps of four standard deviations most are told, though one
// edge in three is too blurred to be seen as one, or as sharp. Light that takes
// minutes to move as far is told now and then, light that goes away never.
func TestBlurredFirstEdge(t *testing.T) {
	slide := func(minutes float64) func(base float64, i int) float64 {
		return func(base float64, i int) float64 { return base + 26*min(1, float64(i+1)/minutes) }
	}
	leaves := func(base float64, i int) float64 {
		if i >= 12 {
			return base
		}
		return base + 26
	}
	for name, c := range map[string]struct {
		before      int
		level       func(base float64, i int) float64
		least, most int
	}{
		"lamp":              {300, slide(1), 80, 100},
		"soon":              {15, slide(1), 60, 100},
		"too soon":          {7, slide(1), 0, 12},
		"soon slides 5":     {15, slide(5), 0, 45},
		"soon slides 8":     {15, slide(8), 0, 25},
		"soon slides 20":    {15, slide(20), 0, 2},
		"slides 5 minutes":  {300, slide(5), 0, 45},
		"slides 8 minutes":  {300, slide(8), 0, 25},
		"slides 20":         {300, slide(20), 0, 2},
		"leaves again":      {300, leaves, 0, 3},
		"soon leaves again": {15, leaves, 0, 5},
	} {
		told, late := share(6, c.before, 25, c.level)
		t.Logf("%s: told %d of 100, at the latest after %d", name, told, late)
		if told < c.least || told > c.most || c.least > 0 && late > 20 {
			t.Errorf("%s: told %d of 100, want %d to %d; at the latest after %d", name, told, c.least, c.most, late)
		}
	}
}

// A step of a few whole counts is told after eleven readings, though rounding
// makes the level toggle; a visit of nine is not, nor one count.
func TestCoarseFirstVisit(t *testing.T) {
	for name, c := range map[string]struct {
		step        float64
		visit       int
		least, most int
	}{
		"12 readings": {4, 12, 90, 100},
		"9 readings":  {4, 9, 0, 0},
		"one count":   {1, 25, 0, 0},
	} {
		told, _ := share(0.45, 200, 25, func(base float64, i int) float64 {
			if i >= c.visit {
				return base
			}
			return base + c.step
		})
		t.Logf("%s: told %d of 100", name, told)
		if told < c.least || told > c.most {
			t.Errorf("%s: told %d of 100, want %d to %d", name, told, c.least, c.most)
		}
	}
}

// held finds the step at its cut, not beside it, and neither on a slope nor
// where the new level goes on moving.
func TestHeld(t *testing.T) {
	for name, c := range map[string]struct {
		level func(i int) float64
		ok    bool
	}{
		"step":          {func(i int) float64 { return 226 }, true},
		"one between":   {func(i int) float64 { return []float64{216, 226}[min(i, 1)] }, true},
		"slides":        {func(i int) float64 { return 203 + 23*min(1, float64(i+2)/4) }, false},
		"goes on":       {func(i int) float64 { return 220 + 1.5*float64(i) }, false},
		"a little less": {func(i int) float64 { return 217 }, false},
		"noisy":         {func(i int) float64 { return 226 + 13*float64(1-2*(i%2)) }, false}, // three times the usual variance
	} {
		for shift := -1; shift <= 1; shift++ {
			var e edges
			for i := range nBuf {
				v := 200.0
				if k := i - 4 - shift; k >= 0 || name == "slides" && k >= -2 {
					v = c.level(k)
				}
				e.push(int64(i), v)
			}
			x, ok := e.held(4, 200, 36, 3)
			if want := c.ok && shift == 0; ok != want || ok && (math.Abs(x.Edge.Size-26) > 1 || x.Edge.At != 4) {
				t.Errorf("%s, shifted by %d: %v, want %v: %+v", name, shift, ok, want, x)
			}
		}
	}
}

// Whole counts that differ by 0, 1 and 2 tell their noise from the first hours
// on, however the level lies between two counts; outliers do not spoil it.
func TestNoiseOfWholeCounts(t *testing.T) {
	for _, sd := range []float64{0.45, 0.6, 0.8} {
		sum, want := 0.0, math.Sqrt(sq(sd)+1.0/12) // rounding adds a twelfth
		for seed := range uint64(200) {
			f := feed(Config{}, time.Minute, sd).seed(seed, 6)
			level := 60 + f.r.Float64()
			f.read(200, func(i int) float64 { return level - 40*float64(1-min(i%50, 1)) }, 1)
			got := math.Sqrt(f.l.c.Noise.variance())
			if got > 1.5*want || got < want/1.7 {
				t.Errorf("noise %v, level %.2f: %.2f, want %.2f", sd, level, got, want)
			}
			sum += got / 200
		}
		t.Logf("noise %v: %.2f, want %.2f", sd, sum, want)
		if math.Abs(sum/want-1) > 0.15 {
			t.Errorf("noise %v: %.2f on average, want %.2f", sd, sum, want)
		}
	}
}

// Nor is it too small where each fourth reading, or nearly each other one, repeats the last
// one, as of a gateway that passes on what it has; nor too large or too small where the
// converter's step is larger than the noise, or as large.
func TestNoiseOfRepeatsAndWideSteps(t *testing.T) {
	for name, c := range map[string]struct {
		sd, round float64
		every     int // of so many readings two are equal; 0: none
		want      float64
	}{
		"plain":            {6, 1, 0, 6},
		"each fourth":      {6, 1, 4, 6},
		"two of five":      {6, 1, 2, 6},
		"eights":           {6, 8, 0, math.Sqrt(36 + 64.0/12)},
		"tens":             {6, 10, 0, math.Sqrt(36 + 100.0/12)},
		"tens, less noise": {4, 10, 0, math.Sqrt(16 + 100.0/12)},
		"tenths":           {0.06, 0.1, 0, math.Sqrt(0.0036 + 0.01/12)},
		"whole, coarse":    {0.45, 1, 4, math.Sqrt(0.2025 + 1.0/12)},
	} {
		sum := 0.0
		for seed := range uint64(40) {
			f := feed(Config{}, time.Minute, c.sd).seed(seed, 6)
			level := 60 + mul(c.round, f.r.Float64())
			last := 0.0
			for i := range 1000 {
				y := math.Round((level+c.sd*f.r.NormFloat64())/c.round) * c.round
				if c.every > 0 && i > 0 && f.r.Float64() < []float64{0, 0, 0.4, 0, 0.25}[c.every] {
					y = last
				}
				last = y
				f.exact(y)
			}
			sum += math.Sqrt(f.l.c.Noise.steps()) / 40
		}
		if t.Logf("%s: %.2f, want %.2f", name, sum, c.want); sum < 0.7*c.want || sum > 1.25*c.want {
			t.Errorf("%s: the noise is %.2f, want %.2f", name, sum, c.want)
		}
	}
}

// Two outliers in a row are no jump of the light: they do not keep a first edge
// from being told for days. A jump that the light comes back from slowly is one.
func TestTwoOutliersAreNoJump(t *testing.T) {
	for name, c := range map[string]struct {
		level func(i int) float64
		want  float64
	}{
		"one":   {func(i int) float64 { return 200 + 300*float64(max(1-i, 0)) }, 0},
		"two":   {func(i int) float64 { return 200 + 300*float64(min(max(2-i, 0), 1)) }, 0},
		"light": {func(i int) float64 { return 500 - 40*math.Min(float64(i), 7.5) }, 270},
	} {
		f := feed(Config{}, time.Minute, 6)
		f.read(300, flat(200), 1)
		f.read(300, c.level, 1)
		if got := f.l.c.Range.Jump; math.Abs(got-c.want) > 30 {
			t.Errorf("%s: the light jumps by %.0f, want %.0f", name, got, c.want)
		}
	}
}

// Outliers that saturate are all alike. A few among twenty readings are no
// blinking, before the lamp was ever seen.
func TestSaturatedOutliersAreNoBlinking(t *testing.T) {
	for outliers, want := range map[int]int{5: 0, 8: 1} {
		f := feed(Config{}, time.Minute, 6)
		f.read(300, flat(728), 1)
		f.read(40, func(i int) float64 {
			if i%2 == 0 && i/2 < outliers {
				return 1023
			}
			return 728
		}, 1)
		if n := f.times(Blinking); n != want {
			t.Errorf("%d outliers: blinking announced %d times, want %d", outliers, n, want)
		}
	}
}

// Where no light moved for four hours, a first edge need not be larger than a room's
// light makes: daylight would have shown itself, and an evening's light comes soon
// after it. One that goes out may have been on for longer.
func TestFirstEdgeInADarkPlace(t *testing.T) {
	for name, c := range map[string]struct {
		before int
		light  func(i int) float64
		step   func(i int) float64
		want   []State
	}{
		"five hours dark":   {300, flat(200), flat(100), []State{Lit}},
		"goes out":          {300, flat(300), flat(-100), nil},
		"goes out later":    {780, flat(300), flat(-100), []State{Dark}},
		"slides":            {300, flat(200), func(i int) float64 { return math.Min(100, 30*float64(i+1)) }, nil},
		"three hours dark":  {180, flat(200), flat(100), nil},
		"evening after day": {600, func(i int) float64 { return 200 - math.Max(0, 60-2*float64(i)) }, flat(100), nil},
	} {
		f := feed(Config{}, time.Minute, 6)
		f.read(c.before, c.light, 1)
		f.read(40, func(i int) float64 { return c.light(c.before) + c.step(i) }, 1)
		t.Log(name)
		f.want(t, c.want...)
	}
}

// Light that goes slowly, and lies flat on either side of a sharp edge, made none so far:
// it was the lamp, though the light goes half as far in some hours.
func TestSuddenInSlowLight(t *testing.T) {
	for name, c := range map[string]struct {
		minutes, slope int
		restless       float64
		want           []State
	}{
		"lamp":   {300, 1, 0, []State{Lit}},
		"slides": {300, 3, 0, nil},
		"clouds": {300, 1, 24, nil},
	} {
		f := feed(Config{}, time.Minute, 6)
		slow := func(i int) float64 { return 100 + 0.6*float64(i) }
		f.read(c.minutes, slow, 1)
		f.read(40, func(i int) float64 {
			x := slow(c.minutes+i) + 200*min(1, float64(i+1)/float64(c.slope))
			return x + c.restless*math.Sin(float64(i))
		}, 1)
		t.Log(name)
		f.want(t, c.want...)
	}
}

func TestSuddenAsksFor(t *testing.T) {
	for name, c := range map[string]struct {
		change func(e *edge, r *ambient)
		want   bool
	}{
		"a lamp's":         {func(*edge, *ambient) {}, true},
		"a jump before":    {func(_ *edge, r *ambient) { r.Jump = 30 }, false},
		"light that moves": {func(e *edge, _ *ambient) { e.Act = 0.6 }, false},
		"and not smoothly": {func(e *edge, _ *ambient) { e.SD = 8 }, false},
		"a part before it": {func(e *edge, _ *ambient) { e.Leap = 165 }, false},
		"amid clouds":      {func(e *edge, r *ambient) { e.Act, r.Way = 7, 2000 }, true},
		"amid many":        {func(e *edge, r *ambient) { e.Act, r.Way = 9, 2000 }, false},
		// light that went some way within the last hours, but not like this
		"went":               {func(e *edge, r *ambient) { e.Act, r.RHi = 0.6, 50 }, true},
		"hardly went":        {func(e *edge, r *ambient) { e.Act, r.RHi = 0.6, 30 }, false},
		"went, not smoothly": {func(e *edge, r *ambient) { e.Act, r.RHi, e.SD = 0.6, 50, 9 }, false},
		"too early":          {func(e *edge, r *ambient) { e.Act, r.RHi, r.Minutes = 0.6, 50, 50 }, false},
		"a room's light":     {func(e *edge, r *ambient) { *e = edge{Size: 135, Leap: 130, SD: 6, Act: 0.3}; r.Jump = 10 }, false},
		"as faint, by day":   {func(e *edge, r *ambient) { *e = edge{Size: 135, Leap: 130, SD: 6, Act: 0.6}; r.Jump, r.RHi = 10, 80 }, true},
	} {
		k := core{Range: ambient{Jump: 20, Hi: 1000, Minutes: 500}, Noise: noise{V: 36}}
		e := edge{Size: 200, Leap: 190, SD: 6, Act: 0.3}
		c.change(&e, &k.Range)
		if got := k.sudden(e); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
	k := core{Range: ambient{Jump: 20, Hi: 1000, Minutes: 500}, Noise: noise{V: 36}}
	k.Edges.record(edge{At: 1, Size: -200, Leap: 195, SD: 6})
	for act, want := range map[float64]bool{7: true, 9: false} {
		if got := k.twins(edge{At: 2, Size: 200, Leap: 190, SD: 6, Act: act}); got != want {
			t.Errorf("twins where the light went %v times as far: %v", act, got)
		}
	}
}

// An edge to the darkest level known is no cloud's where the light hardly moved for
// hours, by a part of that edge or by no more than noise.
func TestDarkAfterHours(t *testing.T) {
	for moved, want := range map[float64]bool{14: true, 45: true, 70: false} {
		k := core{Noise: noise{V: 36}, Range: ambient{Minutes: 700, Lo: 200, RLo: 200, RHi: 200 + moved}}
		if got := k.dark(edge{Size: -380, Leap: 370, From: 590}); got != want {
			t.Errorf("light that moved by %v: %v", moved, got)
		}
	}
}

// A small step that few edges agree on, and sliding ones, is given up after four changes where
// the light itself went as far in the first day, or by a slope.
func TestSmallStepAmidMovingLight(t *testing.T) {
	for name, c := range map[string]struct {
		change func(c *core)
		kept   bool
	}{
		"the light went as far":             {func(*core) {}, false},
		"by a slope":                        {func(c *core) { c.Range.Way, c.Range.Swing = 0, 25; c.Range.Minutes = 3000 }, false},
		"it hardly moved":                   {func(c *core) { c.Range.Way, c.Range.Swing = 20, 20 }, true},
		"over days":                         {func(c *core) { c.Range.Minutes = 3000 }, true},
		"told three times":                  {func(c *core) { c.Told = 3 }, true},
		"a larger step":                     {func(c *core) { c.Noise.V = 4 }, true},
		"sharp edges":                       {func(c *core) { sharpened(c, 24) }, true},
		"edges that agree":                  {func(c *core) { agreeing(c) }, true},
		"no edge of it":                     {func(c *core) { c.Edges.NE = 0 }, true},
		"a lamp that blinks":                {func(c *core) { c.NBlink = 2 }, true},
		"a person taught both":              {func(c *core) { c.Taught = [2]bool{true, true} }, true},
		"at the end of the converter's way": {func(c *core) { c.Noise.AtMax, c.Noise.Max = 40, 220 }, true},
	} {
		l := given(25, 6, 3, func(i int) edge {
			return edge{At: int64(i) * 3_600_000, Size: []float64{25, -27, 24}[i], SD: 6, From: 200, Leap: 12}
		})
		l.c.Told, l.c.Range.Minutes, l.c.Range.Way = 4, 600, 24
		c.change(&l.c)
		if got := !l.c.refuted(); got != c.kept {
			t.Errorf("%s: kept %v", name, got)
		}
	}
}

func sharpened(c *core, leap float64) {
	for i := range c.Edges.E[:c.Edges.NE] {
		c.Edges.E[i].Leap = leap
	}
}

// agreeing has the edges of the step in use be many, up and down in turn.
func agreeing(c *core) {
	for i := range 14 {
		c.Edges.record(edge{At: int64(i) * 9_000_000, Size: []float64{25, -25}[i%2], SD: 6, From: []float64{200, 225}[i%2], Leap: 12})
	}
}
