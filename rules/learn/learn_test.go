package learn

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

var t0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// feeder gives a learner one reading after another.
type feeder struct {
	l     *Learner
	r     *rand.Rand
	at    time.Time
	every time.Duration
	noise float64
	got   []Verdict // announcements
	why   []string
	fault []Fault // as they changed
}

func feed(c Config, every time.Duration, noise float64) *feeder {
	f := &feeder{l: New(c), at: t0, every: every, noise: noise}
	return f.seed(1, 2)
}

// seed gives it other noise, that of a PCG of this state.
func (f *feeder) seed(a, b uint64) *feeder {
	f.r = rand.New(rand.NewPCG(a, b))
	return f
}

// read feeds n readings of a level; round is the board's resolution, 0: none.
func (f *feeder) read(n int, level func(i int) float64, round float64) {
	for i := range n {
		x := level(i) + f.noise*f.r.NormFloat64()
		if round > 0 {
			x = math.Round(x/round) * round
		}
		v := f.l.Observe(f.at, x)
		if v.Changed {
			f.got = append(f.got, v)
			f.why = append(f.why, f.l.Why())
		}
		if v.FaultChanged {
			f.fault = append(f.fault, v.Fault)
		}
		f.at = f.at.Add(f.every)
	}
}

func flat(x float64) func(int) float64 { return func(int) float64 { return x } }

// times is how often a state was announced.
func (f *feeder) times(s State) (n int) {
	for _, v := range f.got {
		if v.State == s {
			n++
		}
	}
	return n
}

func (f *feeder) want(t *testing.T, states ...State) {
	t.Helper()
	var got []State
	for _, v := range f.got {
		got = append(got, v.State)
	}
	if len(got) != len(states) {
		t.Fatalf("announced %v, want %v", got, states)
	}
	for i := range got {
		if got[i] != states[i] {
			t.Fatalf("announced %v, want %v", got, states)
		}
	}
}

// A newcomer types readings in a loop; a board reports once a minute. Both
// must do, with noise and without.
func TestAnyCadence(t *testing.T) {
	for _, every := range []time.Duration{5 * time.Millisecond, 100 * time.Millisecond, time.Second, time.Minute, 5 * time.Minute} {
		for _, noise := range []float64{0, 5} {
			for _, lower := range []bool{false, true} {
				f := feed(Config{LitLower: lower}, every, noise)
				lit := 600.0
				if lower {
					lit = -200
				}
				for range 2 {
					f.read(40, flat(200), 1)
					f.read(25, flat(lit), 1)
				}
				t.Logf("%v noise %v lower %v", every, noise, lower)
				f.want(t, Lit, Dark, Lit)
				if !f.got[0].Provisional {
					t.Fatal("the first lit must be provisional")
				}
				mid := (200 + lit) / 2
				if v := f.got[2]; lower && !(v.OnAbove < mid && mid < v.OffBelow) || !lower && !(v.OffBelow < mid && mid < v.OnAbove) {
					t.Fatalf("levels %v and %v do not enclose %v", v.OnAbove, v.OffBelow, mid)
				}
			}
		}
	}
}

func TestQuietIsQuiet(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(20*1440, flat(300), 1)
	f.want(t)
	if v := f.l.Verdict(); v.State != Learning || len(f.fault) > 0 {
		t.Fatalf("%+v, faults %v", v, f.fault)
	}
}

func TestBlinking(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(300, flat(200), 1)
	blink := func(int) float64 { return 200 + 380*float64(f.r.IntN(2)) }
	for range 2 {
		f.read(100, blink, 1)
		f.read(100, flat(200), 1)
	}
	f.want(t, Blinking, Dark, Blinking, Dark)
	if w := f.why[2]; !strings.Contains(w, "changed sides") {
		t.Fatalf("why: %s", w)
	}
}

// A lamp whose period divides the reporting interval reads constant: with
// exact clocks nobody can tell blinking from steady. Documented, not hidden.
func TestAliasedBlinkReadsSteady(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(300, flat(200), 1)
	phase := 0.2
	f.read(100, func(i int) float64 {
		if math.Mod(float64(i)*60*1.0+phase, 1) < 0.5 { // 1 Hz, read each minute
			return 580
		}
		return 200
	}, 1)
	f.want(t, Lit)
}

func TestHandSetLevels(t *testing.T) {
	seq := func(c Config, xs ...float64) (out []State) {
		l := New(c)
		for i, x := range xs {
			if v := l.Observe(t0.Add(time.Duration(i)*time.Minute), x); v.Changed {
				out = append(out, v.State, State(100+i))
			}
		}
		return
	}
	eq := func(got []State, want ...State) {
		t.Helper()
		if len(got) != len(want) {
			t.Fatalf("got %v, want %v", got, want)
		}
		for i := range got {
			if got[i] != want[i] {
				t.Fatalf("got %v, want %v", got, want)
			}
		}
	}
	lv := Levels{OnAbove: 600, OffBelow: 400}
	d := Config{Manual: lv, OnDelay: time.Second, OffDelay: time.Second}
	eq(seq(d, 200, 200, 800, 800, 800, 200, 200, 200), Lit, 103, Dark, 106)
	eq(seq(Config{Manual: lv}, 200, 200, 800, 800, 800, 200, 200, 200), Lit, 104, Dark, 107)
	// the deadband keeps what was
	eq(seq(d, 200, 500, 500, 700, 500, 500, 300, 500, 500), Lit, 104, Dark, 107)
	// one outlier is nothing; with delays it is nothing either
	eq(seq(d, 200, 200, 800, 200, 200, 200))
	// a longer delay
	d.OnDelay = 5 * time.Minute
	eq(seq(d, 200, 800, 800, 800, 800, 800, 800, 800), Lit, 106)
	// turned round
	eq(seq(Config{LitLower: true, Manual: Levels{OnAbove: 400, OffBelow: 600}}, 800, 800, 200, 200, 200), Lit, 104)
	// blinking and its end
	eq(seq(Config{Manual: lv}, 200, 200, 800, 200, 800, 200, 800, 200, 200, 200, 200, 200, 200, 200, 200, 200, 200, 200, 200),
		Blinking, 105, Dark, 116)
	l := New(Config{Manual: lv})
	if v := l.Observe(t0, 900); !v.Settled || v.State != Lit || l.Why() == "" || v.OnAbove != 600 || v.OffBelow != 400 {
		t.Fatalf("%+v %q", v, l.Why())
	}
}

func TestHandSetDelayOnLearnedLevels(t *testing.T) {
	f := feed(Config{OnDelay: 10 * time.Minute, OffDelay: 4 * time.Minute}, time.Minute, 6)
	for range 10 {
		f.read(200, flat(200), 1)
		f.read(100, flat(580), 1)
	}
	if len(f.got) != 19 {
		t.Fatalf("%d announcements, want 19", len(f.got))
	}
	f.got = nil
	start := f.at
	f.read(100, flat(200), 1)
	second := f.at
	f.read(100, flat(580), 1)
	f.want(t, Dark, Lit)
	if s := f.got[0].Since; !s.Equal(start) {
		t.Errorf("dark since %v, began %v", s, start)
	}
	if s := f.got[1].Since; !s.Equal(second) {
		t.Errorf("lit since %v, began %v", s, second)
	}
	for i, min := range []string{"(4 min)", "(10 min)"} {
		if w := f.why[19+i]; !strings.Contains(w, min) {
			t.Errorf("%q is not held for %s", w, min)
		}
	}
}

func TestManualAndBack(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	for range 4 {
		f.read(100, flat(200), 1)
		f.read(100, flat(580), 1)
	}
	n := len(f.got)
	f.l.Reconfigure(Config{Manual: Levels{OnAbove: 400, OffBelow: 300}})
	f.read(50, flat(580), 1)
	f.read(50, flat(200), 1)
	f.l.Reconfigure(Config{})
	f.read(50, flat(200), 1)
	f.read(50, flat(580), 1)
	if len(f.got) != n+2 || f.got[n].State != Dark || f.got[n+1].State != Lit || f.got[n+1].Provisional {
		t.Fatalf("%d then %+v", n, f.got[n:])
	}
}

func TestTeach(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	if v := f.l.Teach(t0, Lit); v.Settled {
		t.Fatal("nothing was read yet: there is nothing to teach")
	}
	f.read(5, flat(200), 1)
	if v := f.l.Teach(f.at, Dark); v.State != Dark || !v.Settled || v.Changed || v.Confidence < 0.999 || f.l.Why() == "" {
		t.Fatalf("%+v %q", v, f.l.Why())
	}
	f.read(5, flat(230), 1)
	if v := f.l.Teach(f.at, Lit); v.State != Lit || !v.Settled {
		t.Fatalf("%+v", v)
	}
	// two taught levels are all it takes: 30 counts of step, no learning time
	f.read(20, flat(230), 1)
	f.read(20, flat(200), 1)
	f.read(20, flat(230), 1)
	f.want(t, Dark, Lit)
	if a := f.l.Aim(); a.Separation < 3 || a.Dark > a.Lit || a.Grade == "unknown" {
		t.Fatalf("%+v", a)
	}
	// a correction is believed at once and kept
	f.l.Teach(f.at, Dark)
	f.read(50, flat(230), 1)
	f.want(t, Dark, Lit)
	if s := f.l.Verdict().State; s != Dark {
		t.Fatalf("taught dark, says %v", s)
	}
}

func TestAim(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(50, flat(200), 1)
	if a := f.l.Aim(); a.Grade != "unknown" || a.Hint == "" || a.Separation != 0 {
		t.Fatalf("%+v", a)
	}
	f.read(50, flat(580), 1)
	a := f.l.Aim()
	if math.Abs(a.Dark-200) > 10 || math.Abs(a.Lit-580) > 10 || math.Abs(a.Noise-6) > 2.5 || a.Grade != "excellent" || a.Hint != "" {
		t.Fatalf("%+v", a)
	}
	for level, grade := range map[float64]string{208: "too weak", 227: "weak", 265: "good"} {
		f := feed(Config{}, time.Minute, 6)
		f.read(300, flat(200), 1)
		f.l.Teach(f.at, Dark)
		f.read(5, flat(level), 1)
		f.l.Teach(f.at, Lit)
		if a := f.l.Aim(); a.Grade != grade {
			t.Errorf("level %v: %+v, want %s", level, a, grade)
		}
	}
}

func TestWhy(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	for range 3 {
		f.read(100, flat(200), 1)
		f.read(100, flat(580), 1)
	}
	for i, w := range f.why {
		v := f.got[i]
		for _, part := range []string{"reading ", "level ", "held for ", "% sure"} {
			if !strings.Contains(w, part) {
				t.Errorf("%q lacks %q", w, part)
			}
		}
		if strings.Contains(w, "provisional") != v.Provisional {
			t.Errorf("%q, provisional %v", w, v.Provisional)
		}
	}
}

// A step of four standard deviations is announced by its first edge where no
// light ever moved; the same step made by a dawn, or by a cloud that leaves
// again, is not, nor is one as bright as a room's light.
func TestFirstFaintStep(t *testing.T) {
	for name, c := range map[string]struct {
		before int
		after  func(i int) float64
		want   []State
	}{
		"lamp":    {300, func(i int) float64 { return 226 }, []State{Lit}},
		"dawn":    {300, func(i int) float64 { return 200 + 4*float64(i) }, nil},
		"passing": {300, func(i int) float64 { return []float64{226, 200}[i/15] }, nil},
		"unsteady": {300, func(i int) float64 {
			if i >= 8 && i < 14 {
				return 270
			}
			return 226
		}, nil},
		"room light": {200, func(i int) float64 { return 300 }, nil},
	} {
		f := feed(Config{}, time.Minute, 6)
		f.read(c.before, flat(200), 1)
		f.read(22, c.after, 1)
		t.Log(name)
		f.want(t, c.want...)
		for _, v := range f.got {
			if !v.Provisional || v.Confidence > 0.97 {
				t.Errorf("%s: %+v", name, v)
			}
		}
	}
}

// Amid moving light a jump far beyond all that the light made by itself is the
// lamp's; the same light without a lamp is silent.
func TestSuddenAmidClouds(t *testing.T) {
	for name, c := range map[string]struct {
		lamp float64 // counts
		want []State
	}{
		"lamp":    {300, []State{Lit, Dark}},
		"no lamp": {0, nil},
	} {
		f := feed(Config{}, time.Minute, 6)
		light, goal := 1.0, 1.0
		level := func(lamp float64) func(i int) float64 {
			return func(i int) float64 {
				if i%40 == 15 {
					goal = []float64{1, 0.4, 0.9, 0.55}[i/40%4]
				}
				light += 0.2 * (goal - light)
				return 200 + 500*light + lamp
			}
		}
		f.read(400, level(0), 1)
		f.read(39, level(c.lamp), 1)
		f.read(39, level(0), 1)
		t.Log(name)
		f.want(t, c.want...)
	}
}

// A small first step is the lamp's only if it comes from one reading to the
// next: a cloud that ends as still as it began takes some minutes.
func TestSmallFirstStepIsSharp(t *testing.T) {
	for minutes, want := range map[int][]State{1: {Lit}, 3: nil, 4: nil} {
		f := feed(Config{}, time.Minute, 6)
		f.read(200, flat(200), 1)
		f.read(60, func(i int) float64 {
			return 200 + 45*min(1, float64(i+1)/float64(minutes))
		}, 1)
		t.Log(minutes, "minutes")
		f.want(t, want...)
	}
}

// A step learned from clouds is given up once the changes announced by it do
// not agree on it, and alerts end.
func TestCloudsAreRefuted(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	f.read(300, flat(200), 1)
	f.read(40, flat(226), 1) // like a faint lamp
	f.want(t, Lit)
	for day := range 3 {
		for i := range 24 { // patches of all sizes
			f.read(25, flat(200+float64((i*37+day*11)%70)), 1)
			f.read(25, flat(200), 1)
		}
	}
	if n := len(f.got); n > 15 {
		t.Errorf("%d announcements of clouds", n)
	}
}

func TestConfigCheck(t *testing.T) {
	for c, ok := range map[Config]bool{
		{}: true,
		{Manual: Levels{OnAbove: 5, OffBelow: 3}}:                 true,
		{Manual: Levels{OnAbove: 3, OffBelow: 5}}:                 false,
		{LitLower: true, Manual: Levels{OnAbove: 3, OffBelow: 5}}: true,
		{LitLower: true, Manual: Levels{OnAbove: 5, OffBelow: 3}}: false,
		{Manual: Levels{OnAbove: math.Inf(1)}}:                    false,
		{OnDelay: -1}:                                             false,
	} {
		if err := c.Check(); (err == nil) != ok {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

func TestStateText(t *testing.T) {
	for s := Learning; s <= Blinking; s++ {
		b, err := s.MarshalText()
		var u State
		if err != nil || u.UnmarshalText(b) != nil || u != s {
			t.Errorf("%v does not survive its text %q", s, b)
		}
	}
	if _, err := ParseState("on"); err == nil || !strings.Contains(err.Error(), "write learning, dark, lit or blinking") {
		t.Error(err)
	}
}
