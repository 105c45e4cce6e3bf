package lab

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"lampward/rules/learn"
)

func column(t *testing.T, file string, k int) (out []float64) {
	t.Helper()
	f, err := os.Open("testdata/" + file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows[1:] {
		x, err := strconv.ParseFloat(r[k], 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, x)
	}
	return out
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.Abs(got-want) > tol {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// Against scikit-image 0.19.3, see testdata/README.md.
func TestOtsuAgainstScikitImage(t *testing.T) {
	for file, want := range map[string]struct {
		level int
		eta   float64
	}{"hist_camera.csv": {102, 0.857184}, "hist_coins.csv": {107, 0.756404}} {
		h := column(t, file, 1)
		level, eta := Otsu(h)
		if level != want.level {
			t.Errorf("%s: level %d, want %d", file, level, want.level)
		}
		near(t, file+" eta", eta, want.eta, 1e-6)
		h[want.level] = 0 // control: the histogram matters
		h[want.level+40] += 60000
		if l, _ := Otsu(h); l == want.level {
			t.Errorf("%s: another histogram, the same level", file)
		}
	}
}

// Levels computed from the paper's formula with numpy.
func TestMinError(t *testing.T) {
	for file, want := range map[string]int{"hist_camera.csv": 65, "hist_coins.csv": 100} {
		if level, _ := MinError(column(t, file, 1)); level != want {
			t.Errorf("%s: level %d, want %d", file, level, want)
		}
	}
}

// Against R's mixtools and mclust, which agree; see testdata/README.md.
func TestMixtureAgainstMixtools(t *testing.T) {
	m := FitMixture(column(t, "faithful.csv", 1), true)
	near(t, "weight", m.Weight[0], 0.36085, 2e-5)
	near(t, "mean", m.Mean[0], 54.6136, 2e-4)
	near(t, "mean", m.Mean[1], 80.0903, 2e-4)
	near(t, "sd", m.SD[0], 5.8691, 2e-4)
	near(t, "log-likelihood", m.LogLik, -1034.0018, 2e-4)
	m = FitMixture(column(t, "faithful.csv", 0), false)
	near(t, "weight", m.Weight[0], 0.34840, 2e-5)
	near(t, "mean", m.Mean[0], 2.01861, 2e-5)
	near(t, "mean", m.Mean[1], 4.27334, 2e-5)
	near(t, "sd", m.SD[0], 0.23562, 2e-5)
	near(t, "sd", m.SD[1], 0.43706, 2e-5)
	near(t, "log-likelihood", m.LogLik, -276.3600, 2e-4)
}

// Ashman, Bird and Zepf, Astronomical Journal 108 (1994) 2348, formula from
// memory; for Old Faithful's waiting times by the mixture fitted to them with
// unequal variances (mixtools), D = 4.340457.
func TestAshmanD(t *testing.T) {
	near(t, "Old Faithful", learn.AshmanD(54.6148568, 5.8712206, 80.0910703, 5.8677336), 4.340457, 1e-6)
	near(t, "unit", learn.AshmanD(0, 1, 2, 1), 2, 1e-12) // D is the distance in sd if both are equal
}

// Blinking against steady is Wald's test of p = 1/2 against p = 0.01 for a
// reading to differ from the one before (Wald 1945, formulas from memory):
// with errors of 1e-4 each it takes ln(1e4)/1.614 = 5.7 readings on average to
// see blinking and ln(1e4)/0.637 = 14.5 to see its end. The learner must be
// about as quick: not much slower, and at the end not much quicker either,
// for that would be false alarms.
func TestBlinkingAgainstWald(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 9))
	l := learn.New(learn.Config{})
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	var onset, end []int
	false_ := 0
	for range 60 {
		for k, n := range []int{200, 100} {
			told := false
			for i := range n {
				y := 200 + 6*r.NormFloat64()
				if k == 1 && r.IntN(2) == 0 {
					y += 380
				}
				if v := l.Observe(at, math.Round(y)); v.Changed {
					want := []learn.State{learn.Dark, learn.Blinking}[k]
					if told || v.State != want {
						false_++
					} else if told = true; k == 1 {
						onset = append(onset, i+1)
					} else {
						end = append(end, i+1)
					}
				}
				at = at.Add(time.Minute)
			}
		}
	}
	t.Logf("onset after %d readings (Wald 5.7), end after %d (Wald 14.5), %d false", Median(onset), Median(end), false_)
	if len(onset) < 59 || len(end) < 58 || false_ > 2 {
		t.Errorf("%d onsets, %d ends, %d false", len(onset), len(end), false_)
	}
	if m := Median(onset); m > 9 {
		t.Errorf("onset after %d readings", m)
	}
	if m := Median(end); m < 11 || m > 22 {
		t.Errorf("end after %d readings", m)
	}
}

func TestScore(t *testing.T) {
	at := func(i int) time.Time { return time.Date(2026, 3, 1, 0, i, 0, 0, time.UTC) }
	tr := &Trace{}
	for i := range 300 {
		s := learn.Dark
		if i >= 100 && i < 150 {
			s = learn.Lit
		} else if i >= 200 && i < 250 {
			s = learn.Blinking
		}
		tr.Points = append(tr.Points, Point{At: at(i), Truth: s})
	}
	lit, dark, blink := learn.Lit, learn.Dark, learn.Blinking
	for name, c := range map[string]struct {
		ev                     []Event
		missed, false_, delays int
	}{
		"all":            {[]Event{{at(101), lit, 1}, {at(152), dark, 1}, {at(205), blink, 1}, {at(266), dark, 1}}, 0, 0, 4},
		"twice":          {[]Event{{at(101), lit, 1}, {at(120), lit, 1}, {at(152), dark, 1}, {at(205), blink, 1}, {at(266), dark, 1}}, 0, 1, 4},
		"early":          {[]Event{{at(99), lit, 1}, {at(152), dark, 1}, {at(205), blink, 1}, {at(266), dark, 1}}, 1, 1, 3},
		"late":           {[]Event{{at(131), lit, 1}, {at(152), dark, 1}, {at(205), blink, 1}, {at(281), dark, 1}}, 2, 2, 2},
		"lit, not blink": {[]Event{{at(101), lit, 1}, {at(152), dark, 1}, {at(205), lit, 1}, {at(266), dark, 1}}, 1, 1, 3},
		"none":           {nil, 4, 0, 0},
	} {
		r := Score(tr, c.ev)
		if r.Changes != 4 || r.Missed != c.missed || r.False != c.false_ || len(r.Delay)+len(r.BlinkDelay) != c.delays {
			t.Errorf("%s: %+v", name, r)
		}
	}
}

// The same seed gives the same trace, another one another.
func TestGenerateIsSeeded(t *testing.T) {
	f := Families()[2]
	a, b, c := Generate(f, 1), Generate(f, 1), Generate(f, 2)
	if len(a.Points) != len(b.Points) || a.Points[999] != b.Points[999] || a.Spec != b.Spec {
		t.Fatal("one seed, two traces")
	}
	if a.Spec == c.Spec {
		t.Fatal("two seeds, one trace")
	}
}
