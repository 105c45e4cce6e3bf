package simple

import (
	"math"
	"slices"
	"testing"
	"time"
)

const seeds = 2

func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(v))
	return s[len(s)/2]
}

// runs gives the stretches of equal truth as [from, to) indices.
func runs(tr []Reading) (out [][2]int) {
	for a := 0; a < len(tr); {
		b := a
		for b < len(tr) && tr[b].Truth == tr[a].Truth {
			b++
		}
		out = append(out, [2]int{a, b})
		a = b
	}
	return out
}

func values(tr []Reading) (v []float64) {
	for _, r := range tr {
		v = append(v, r.Value)
	}
	return v
}

// steps measures lit minus dark at each edge between dark and steadily lit,
// from the medians of up to w readings on either side.
func steps(tr []Reading, w int) (out []float64) {
	rs := runs(tr)
	for i := 1; i < len(rs); i++ {
		a, b := rs[i-1], rs[i]
		ta, tb := tr[a[0]].Truth, tr[b[0]].Truth
		if ta == 2 || tb == 2 {
			continue
		}
		d := median(values(tr[b[0]:min(b[0]+w, b[1])])) - median(values(tr[max(a[1]-w, a[0]):a[1]]))
		out = append(out, d*float64(tb-ta))
	}
	return out
}

func count(tr []Reading, truth int) (readings, stretches int) {
	for _, r := range runs(tr) {
		if tr[r[0]].Truth == truth {
			readings += r[1] - r[0]
			stretches++
		}
	}
	return
}

func each(t *testing.T, f func(t *testing.T, family string, tr []Reading)) {
	for _, family := range Families {
		t.Run(family, func(t *testing.T) {
			for seed := range uint64(seeds) {
				f(t, family, Generate(family, seed))
			}
		})
	}
}

func TestShape(t *testing.T) {
	if len(Families) != 15 {
		t.Fatalf("%d families", len(Families))
	}
	each(t, func(t *testing.T, family string, tr []Reading) {
		lo, hi := 43200, 43200
		if family == "lossy" {
			lo, hi = 36000, 44500
		}
		if len(tr) < lo || len(tr) > hi {
			t.Errorf("%d readings", len(tr))
		}
		if d := tr[len(tr)-1].At.Sub(tr[0].At); d < 30*24*time.Hour-2*time.Hour || d > 30*24*time.Hour {
			t.Errorf("lasts %v", d)
		}
		for i, r := range tr {
			if i > 0 && !r.At.After(tr[i-1].At) {
				t.Fatalf("time does not rise at %d", i)
			}
			if r.Value != math.Round(r.Value) || r.Value < 0 || r.Value > 4095 {
				t.Fatalf("value %v", r.Value)
			}
			if r.Truth < 0 || r.Truth > 2 || r.Truth == 2 && family != "blink" {
				t.Fatalf("truth %d", r.Truth)
			}
		}
	})
}

func TestSame(t *testing.T) {
	each(t, func(t *testing.T, family string, tr []Reading) {
		if !slices.Equal(Generate(family, 3), Generate(family, 3)) {
			t.Error("differs from itself")
		}
		if slices.Equal(Generate(family, 3), Generate(family, 4)) {
			t.Error("two seeds give one trace")
		}
	})
}

func TestEpisodes(t *testing.T) {
	each(t, func(t *testing.T, family string, tr []Reading) {
		lit, n := count(tr, 1)
		blink, nb := count(tr, 2)
		n += nb
		share := float64(lit+blink) / float64(len(tr))
		if begins := tr[0].Truth == 1; begins != (family == "mostly_lit") {
			t.Errorf("begins with truth %d", tr[0].Truth)
		}
		switch family {
		case "still":
			if n != 0 {
				t.Errorf("%d episodes", n)
			}
		case "rare":
			rs := runs(tr)
			first := tr[rs[0][1]].At.Sub(tr[0].At).Hours() / 24
			length := float64(rs[1][1]-rs[1][0]) / 60
			if first < 8.99 || first > 14.01 || length < 2.95 || length > 5.05 || n > 8 {
				t.Errorf("first after %.2f days for %.2f h, %d episodes", first, length, n)
			}
		case "mostly_lit":
			if share < 0.6 || n < 8 {
				t.Errorf("lit %.2f in %d episodes", share, n)
			}
		default:
			if n < 6 || n > 140 || share < 0.01 || share > 0.5 {
				t.Errorf("%d episodes, lit %.3f", n, share)
			}
			if family == "blink" && nb == 0 {
				t.Error("nothing blinks")
			}
		}
	})
}

func TestStep(t *testing.T) {
	want := map[string][2]float64{"faint": {26, 4}, "coarse": {4, 1}, "daylight": {300, 60},
		"inverted": {-380, 6}, "sag": {365, 20}, "leak": {380, 20}}
	each(t, func(t *testing.T, family string, tr []Reading) {
		if family == "still" || family == "clipped" {
			return
		}
		w, ok := want[family]
		if !ok {
			w = [2]float64{380, 6}
		}
		if s := median(steps(tr, 5)); !(math.Abs(s-w[0]) <= w[1]) {
			t.Errorf("step %.1f", s)
		}
	})
}

func TestNoise(t *testing.T) {
	each(t, func(t *testing.T, family string, tr []Reading) {
		if family != "clean" && family != "faint" && family != "coarse" {
			return
		}
		want := 6.0
		if family == "coarse" {
			want = math.Sqrt(0.45*0.45 + 1./12) // rounding adds a twelfth
		}
		var s, n float64
		for i := 1; i < len(tr); i++ {
			if tr[i].Truth == 0 && tr[i-1].Truth == 0 {
				d := tr[i].Value - tr[i-1].Value
				s, n = s+d*d, n+1
			}
		}
		if sd := math.Sqrt(s / n / 2); math.Abs(sd-want) > 0.06*want {
			t.Errorf("noise %.3f, want %.3f", sd, want)
		}
	})
}

// TestBlink looks at the spread of the readings of all blinking episodes.
func TestBlink(t *testing.T) {
	var up, all float64
	for seed := range uint64(4) {
		tr := Generate("blink", seed)
		var dark []float64
		for _, r := range tr {
			if r.Truth == 0 {
				dark = append(dark, r.Value)
			}
		}
		base := median(dark)
		for _, r := range tr {
			if r.Truth == 2 {
				all++
				if d := r.Value - base; d > 190 {
					up++
				} else if d > 60 {
					t.Fatalf("seed %d: %v is between the levels", seed, d)
				}
			}
		}
	}
	if p := up / all; p < 0.45 || p > 0.55 {
		t.Errorf("lit share %.3f of %v", p, all)
	}
}

func TestPeculiar(t *testing.T) {
	for seed := range uint64(seeds) {
		tr := Generate("drift", seed)
		var head, tail []float64
		for i, r := range tr {
			if r.Truth == 0 && i < 1440*2 {
				head = append(head, r.Value)
			}
			if r.Truth == 0 && i >= len(tr)-1440*2 {
				tail = append(tail, r.Value)
			}
		}
		if d := median(tail) - median(head); math.Abs(d+560) > 45 {
			t.Errorf("drift %.0f between the middles of the ends", d)
		}

		tr = Generate("spikes", seed)
		n := 0
		for i := 1; i < len(tr)-1; i++ {
			a, b, c := tr[i-1].Value, tr[i].Value, tr[i+1].Value
			if math.Abs(b-a) > 480 && math.Abs(b-c) > 480 && (b > a) == (b > c) {
				n++
			}
		}
		if n < 330 || n > 520 {
			t.Errorf("%d spikes", n)
		}

		tr = Generate("clipped", seed)
		full := slices.Max(values(tr))
		if full != 4095 && full != 1023 {
			t.Errorf("full scale %v", full)
		}
		for _, r := range tr {
			if (r.Truth == 1) != (r.Value == full) {
				t.Fatalf("clipped: truth %d at %v", r.Truth, r.Value)
			}
		}

		tr = Generate("lossy", seed)
		twice, holes := 0, 0
		for i := 1; i < len(tr); i++ {
			switch d := tr[i].At.Sub(tr[i-1].At).Seconds(); {
			case d <= 3:
				twice++
				if tr[i].Value != tr[i-1].Value {
					t.Fatal("a duplicate differs")
				}
			case d > 175:
				holes++
			case d < 32:
				t.Fatalf("%.1f s between readings", d)
			}
		}
		if twice < 300 || holes < 10 {
			t.Errorf("%d duplicates, %d holes", twice, holes)
		}

		for family, peak := range map[string][2]float64{"leak": {60, 360}, "daylight": {350, 730}, "still": {15, 330}} {
			var dark []float64
			for _, r := range Generate(family, seed) {
				if r.Truth == 0 {
					dark = append(dark, r.Value)
				}
			}
			slices.Sort(dark)
			if d := dark[len(dark)*999/1000] - dark[len(dark)/20]; d < peak[0] || d > peak[1] {
				t.Errorf("%s seed %d: daylight adds %.0f", family, seed, d)
			}
		}

		if v := values(Generate("sag", seed)); math.Abs(median(v[42000:])/median(v[:1200])-0.92) > 0.05 {
			t.Errorf("sag: %.3f of the gain is left", median(v[42000:])/median(v[:1200]))
		}
	}
}
