package learn

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// day is light that moves from six to eighteen, of so many counts at noon.
func (f *feeder) day(noon float64) float64 {
	h := float64(f.at.Sub(t0)%(24*time.Hour)) / float64(time.Hour)
	return noon * math.Max(math.Sin((h-6)*math.Pi/12), 0)
}

// lively makes the light known to move by so much by day, and not by night.
func (l *Learner) lively(move float64) { l.moves(move, 7, 17) }

// moves makes the light known to move by so much in the hours from first to last,
// and not in the others.
func (l *Learner) moves(by float64, first, last int) {
	for h := range l.c.Hours {
		l.c.Hours[h].Moves = 1000
		if h >= first && h <= last {
			l.c.Hours[h].Move = by
		}
	}
}

// Clouds with hard edges take away about as much as the lamp gives. Their edges
// take two readings as often as not, the lamp's one: that is learned, and few
// of theirs are taken for the lamp's.
func TestHardClouds(t *testing.T) {
	wrong, told, changes := 0, 0, 0
	for seed := range uint64(6) {
		f := feed(Config{}, time.Minute, 6).seed(seed, 7)
		cloud, level, part, depth := false, 0.0, 0.0, 0.0
		lamp := Dark
		left := 200 // minutes
		for range 8 * 1440 {
			noon := f.day(1)
			if f.r.Float64() < 1.0/25 && noon > 0.3 {
				cloud = !cloud
				part = 0.55 + 0.4*f.r.Float64()
				if cloud {
					depth = 240 + 160*f.r.Float64()
				}
			}
			if noon <= 0.3 {
				cloud = false
			}
			shade := 0.0
			if cloud {
				shade = depth
			}
			if math.Abs(shade-level) > 1 && part > 0 {
				shade, part = level+(shade-level)*(1-part), 0 // the smaller part first
			}
			level = shade
			if left--; left < 0 {
				lamp, left = Dark+Lit-lamp, 60+int(240*f.r.Float64())
				changes++
			}
			y := 800 + f.day(600) - level
			if lamp == Lit {
				y += 300
			}
			n := len(f.got)
			f.read(1, flat(y), 1)
			switch {
			case len(f.got) == n:
			case f.got[n].State == lamp && left > 30:
				told++
			default:
				wrong++
			}
		}
	}
	t.Logf("%d of %d changes told, %d wrong", told, changes, wrong)
	if told < changes*2/3 || wrong > 80 {
		t.Errorf("%d of %d changes told, %d wrong", told, changes, wrong)
	}
}

// Days of broken clouds leave a calm day's light believable: at noon, after hours in
// which nothing moved, a jump of the lamp's size is the lamp's.
func TestCalmAmidCloudyDays(t *testing.T) {
	told := 0
	for seed := range uint64(20) {
		f := feed(Config{}, time.Minute, 6).seed(seed, 9)
		for range 3 { // by night the lamp shows what it is
			f.read(60, flat(100), 1)
			f.read(30, flat(400), 1)
		}
		f.read(90, flat(100), 1)
		shade := 0.0
		f.read(7*1440, func(int) float64 {
			noon := f.day(1)
			switch {
			case noon < 0.5:
				shade = 0
			case f.r.Float64() < 1.0/12 && shade > 0:
				shade = 0
			case f.r.Float64() < 1.0/12 && shade == 0:
				shade = 120 + 180*f.r.Float64()
			}
			return 100 + f.day(600) - shade*noon
		}, 1)
		f.read(450, flat(100), 1) // an overcast day, until half past noon
		n := len(f.got)
		f.read(10, flat(400), 1)
		for _, v := range f.got[n:] {
			if v.State == Lit {
				told++
			}
		}
	}
	if t.Logf("%d of 20 told", told); told < 13 {
		t.Errorf("%d of 20 told", told)
	}
}

// What is learned of clouds whose larger part comes second: their share of the
// light's jumps, and its size. Jumps of about the lamp's step teach nothing.
func TestSplitJump(t *testing.T) {
	for name, c := range map[string]struct {
		v     [5]float64
		split float64 // from 0.5
		main  float64
	}{
		"in two, the larger second": {[5]float64{200, 202, 260, 400, 398}, 0.525, 140},
		"down":                      {[5]float64{400, 402, 360, 200, 198}, 0.525, 160},
		"the larger first":          {[5]float64{200, 202, 340, 400, 398}, 0.475, 0},
		"at once":                   {[5]float64{200, 202, 400, 402, 398}, 0.475, 0},
		"there and back":            {[5]float64{200, 202, 260, 150, 150}, 0.475, 0},
		"goes on":                   {[5]float64{200, 202, 260, 400, 520}, 0.475, 0},
		"began before":              {[5]float64{200, 260, 320, 460, 460}, 0.5, 0},
		"noise":                     {[5]float64{200, 212, 190, 200, 215}, 0.5, 0},
		"the lamp":                  {[5]float64{200, 202, 502, 500, 498}, 0.5, 0},
		"a lamp in two readings":    {[5]float64{200, 202, 280, 500, 498}, 0.5, 0},
		"a cloud, then the lamp":    {[5]float64{200, 202, 280, 580, 578}, 0.5, 0},
	} {
		f := filter{Step: 300, Split: 0.5}
		f.learnSplit(c.v, 6)
		if math.Abs(f.Split-c.split) > 1e-9 || f.Main != c.main {
			t.Errorf("%s: share %v, size %v, want %v, %v", name, f.Split, f.Main, c.split, c.main)
		}
	}
	f := filter{Step: 300}
	for i := range 200 {
		second := []float64{100, 200}[i%2]
		f.learnSplit([5]float64{0, 0, 60, 60 + second, 60 + second}, 6)
	}
	if f.Split < 0.99 || f.Main < 170 || f.Main > 200 { // nearer to the larger ones
		t.Errorf("share %v, size %v", f.Split, f.Main)
	}
}

// Noise that wanders by its own deviation within minutes makes steps of one size
// as well: those that are just large enough to be seen.
func TestWanderingNoise(t *testing.T) {
	told := 0
	for seed := range uint64(8) {
		f := feed(Config{}, time.Minute, 4.5).seed(seed, 8)
		wander := 0.0
		f.read(12*1440, func(int) float64 {
			wander += -wander/12 + 4.5*math.Sqrt(2.0/12)*f.r.NormFloat64()
			return 250 + wander
		}, 1)
		told += len(f.got)
	}
	if told > 0 {
		t.Errorf("%d told where there is no lamp", told)
	}
}

// byDay are edges of about one size, up at nine and down at eleven every day;
// leap is the share of them from one reading to the next.
func byDay(leap float64) func(i int) edge {
	r := rand.New(rand.NewPCG(5, 6))
	return func(i int) edge {
		size := 110 * (1 + 0.02*r.NormFloat64())
		e := edge{At: int64(i/2)*dayMS + int64(9+i%2*2)*3_600_000, Size: size, SD: 6, From: 200, Leap: size * leap}
		if i%2 == 1 {
			e.Size = -size
		}
		return e
	}
}

// Where the light moves as far as a step, the step must come from one reading
// to the next: else more of its edges are asked for, and when they slide it is no
// lamp's at all.
func TestSharpInMovingLight(t *testing.T) {
	for name, c := range map[string]struct {
		leap  float64
		moves float64
		n     int
		known bool
	}{
		"at once":                      {1, 100, 12, true},
		"in two readings":              {0.75, 100, 12, false},
		"in two readings, often":       {0.75, 100, 16, true},
		"slides":                       {0.5, 100, 40, false},
		"slides, the light not known":  {0.5, math.Inf(1), 40, false},
		"at once, the light not known": {1, math.Inf(1), 12, true},
		"slides where no light moves":  {0.5, 20, 12, true},
	} {
		var e edges
		edge := byDay(c.leap)
		for i := range c.n {
			e.record(edge(i))
		}
		if step, ev := e.fit(200, false, false, c.moves, 6); (step > 0) != c.known {
			t.Errorf("%s: step %v by %v", name, step, ev)
		}
	}
}

// Edges of all sizes tell that the light makes them, though it moved when they
// came: the few of one size among them are no lamp's.
func TestOtherSizesCount(t *testing.T) {
	var e edges
	for i := range 24 {
		x := edge{At: int64(i) * 5_000_000, Size: 80 + 2*float64(i%4), SD: 6, From: 200, Leap: 80, Act: 0.1}
		if i%4 > 0 { // the light's
			x.Size, x.Act = 95+3*float64(i), 0.9
		}
		if i/4%2 == 1 {
			x.Size = -x.Size
		}
		e.record(x)
	}
	alone, _, _ := e.evidence(80, 100, 0)
	among, _, _ := e.evidence(80, 100, 0.3)
	if alone < 6 || among > alone-3 {
		t.Errorf("evidence %.1f, and %.1f with the others", alone, among)
	}
}

// A lamp changes at all hours: edges that come at hours of moving light only
// are the light's.
func TestByNight(t *testing.T) {
	for name, c := range map[string]struct {
		night func(i int) bool
		want  bool
	}{
		"by day only":    {func(int) bool { return false }, false},
		"once by night":  {func(i int) bool { return i == 3 }, false},
		"one in five":    {func(i int) bool { return i%5 == 3 }, true},
		"by night alone": {func(int) bool { return true }, true},
	} {
		l := given(100, 6, 20, func(i int) edge {
			x := edge{At: int64(i)*dayMS + 12*3_600_000, Size: 100, SD: 6, From: 200, Leap: 100}
			if c.night(i) {
				x.At += 12 * 3_600_000
			}
			return x
		})
		l.lively(80)
		if got := l.c.byNight(100, 24); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// A first edge in light that is known to go nearly as far is told by its jump
// from one reading to the next.
func TestClearByItsJump(t *testing.T) {
	for name, c := range map[string]struct {
		leap, move float64
		want       bool
	}{
		"at once":                      {100, 60, true},
		"in two readings":              {70, 60, false},
		"in two, the light goes less":  {70, 40, true},
		"slides, the light goes less":  {40, 40, false},
		"slides, the light goes least": {40, 20, true},
	} {
		l := New(Config{})
		k := &l.c
		k.Noise.V, k.Noise.Block, k.Range.Minutes = 36, 100, 9000
		for h := range k.Hours {
			k.Hours[h] = slot{Mean: 200, Dev: 3, Minutes: 500, Moves: 500}
			if h > 6 && h < 18 {
				k.Hours[h].Move = c.move
			}
		}
		k.Range.Lo, k.Range.Hi = 190, 210
		e := edge{At: 2 * 3_600_000, Size: 100, SD: 6, From: 200, Leap: c.leap}
		if got := k.clear(e); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// Amid moving light a jump's own size tells the step, not the levels before
// and after it.
func TestJumpAmidMovingLight(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	lamp, step := 0.0, 300.0
	for i := range 600 {
		if i >= 300 && i%45 == 15 {
			lamp, step = lamp+step, -step
		}
		f.read(1, flat(700+60*math.Sin(float64(i)*math.Pi/12)+lamp), 1)
	}
	n := 0
	for _, e := range f.l.c.Edges.E[:f.l.c.Edges.NE] {
		if math.Abs(e.Size) < 200 {
			continue
		}
		n++
		if off := math.Abs(e.Size) - 300; math.Abs(off) > 50 {
			t.Errorf("a jump of 300 measures %.0f, its leap %.0f, moved %.2f", e.Size, e.Leap, e.Act)
		}
	}
	if n < 4 {
		t.Errorf("%d edges seen", n)
	}
}

// Edges amid moving light tell hardly whether the board averages.
func TestPartByStillEdges(t *testing.T) {
	for act, least := range map[float64]float64{0: 0.4, 1: 0} {
		l := given(300, 6, 0, nil)
		for i := range 10 {
			l.c.teachStep(edge{At: int64(i), Size: 300, SD: 6, From: 200, Leap: 150, Act: act})
		}
		if p := l.c.F.Part; p < least || p > least+0.2 {
			t.Errorf("movement %v: chance that a reading averages %v", act, p)
		}
	}
}

// The noise of a day more restless yet leaves a lamp to be told at night; but
// the noise of one quiet stretch is not all that is asked for.
func TestNightAfterWildDay(t *testing.T) {
	for name, c := range map[string]struct {
		noise, now, size float64
		want             bool
	}{
		"a lamp":                 {18, 6, 300, true},
		"a room's light":         {18, 6, 170, false},
		"a quiet stretch":        {18, 0.5, 170, false},
		"in a night as restless": {18, 18, 300, false},
	} {
		l := New(Config{})
		k := &l.c
		k.Noise.V, k.Noise.Now, k.Noise.Block, k.Range.Minutes = c.noise*c.noise, c.now*c.now, 30, 1200
		k.Range.Lo, k.Range.Hi, k.Range.RLo, k.Range.RHi = 200, 900, 200, 201
		if got := k.dark(edge{Size: c.size, SD: 6, From: 200, Leap: c.size}); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// The larger step of one edge, which may be the lamp's and a cloud's at once,
// does not replace a step that many edges taught, however much they scattered; but it
// does a small one, which clouds or noise taught.
func TestOneEdgeReplacesNoTaughtStep(t *testing.T) {
	for _, c := range []struct {
		step    float64
		matched uint32
		want    float64
	}{
		{300, 2, 682}, {300, 40, 300}, {30, 40, 682}, {60, 40, 60},
	} {
		f := feed(Config{}, time.Minute, 6)
		f.read(40, flat(200), 1)
		l := &f.l.c
		l.adopt(c.step, 6)
		l.F.start(Dark, 200, 0)
		l.NUp, l.NDown, l.Range.Minutes = c.matched/2, c.matched/2, 9000
		l.State = Dark
		f.read(30, flat(882), 1)
		if got := l.F.Step; math.Abs(got-c.want) > 15 {
			t.Errorf("with %d edges of %v one of 682 makes the step %.0f", c.matched, c.step, got)
		}
	}
}

// An edge amid moving light is credible as far as it came at once.
func TestCreditOfAJump(t *testing.T) {
	for name, c := range map[string]struct {
		x    edge
		want float64
	}{
		"still":                {edge{Size: -300, SD: 6, Leap: 200, Act: 0.2}, 1},
		"amid light, at once":  {edge{Size: -300, SD: 6, Leap: 290, Act: 2}, 0.6},
		"amid light, in parts": {edge{Size: 300, SD: 6, Leap: 200, Act: 2}, 0.3},
		"amid light, faint":    {edge{Size: 100, SD: 6, Leap: 100, Act: 2}, 0},
	} {
		if got := c.x.credit(); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// What edges lose for coming by day only, they lose by as much as they count.
func TestDaylightEdgesLoseWhatTheyCount(t *testing.T) {
	loses := func(act float64) float64 {
		evidence := func(hours int64) float64 {
			var e edges
			for i := range int64(20) {
				e.record(edge{At: i*dayMS + i%hours*3_600_000, Size: 300 * float64(1-i%2*2), SD: 6, Leap: 300, Act: act})
			}
			ev, _, _ := e.evidence(300, 400, 0)
			return ev
		}
		return evidence(20) - evidence(9)
	}
	if all, part := loses(0), loses(2); math.Abs(part-0.6*all) > 0.05*all || all < 5 {
		t.Errorf("edges that count in full lose %.1f, those that count for 0.6 %.1f", all, part)
	}
}
