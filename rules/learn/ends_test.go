package learn

import (
	"math"
	"testing"
	"time"
)

// saturating gives a feeder of a lamp that is known, amid outliers that saturate the
// converter: one reading in eighty, for two days.
func saturating(t *testing.T, dark, step, end float64) *feeder {
	t.Helper()
	f := knownAt(dark, step)
	for i := range 36 {
		f.readAt(79, dark+float64(btoi(i == 11))*step)
		f.exact(end)
	}
	f.readAt(100, dark)
	if f.l.c.State != Dark {
		t.Fatalf("it is %v", f.l.c.State)
	}
	f.got = nil
	return f
}

// knownAt gives one whose lamp is known.
func knownAt(dark, step float64) *feeder {
	f := feed(Config{}, time.Minute, 6)
	for range 6 {
		f.readAt(200, dark)
		f.readAt(100, dark+step)
	}
	f.readAt(200, dark)
	return f
}

// readAt reads n times a level as the converter has it.
func (f *feeder) readAt(n int, level float64) {
	for range n {
		f.exact(clamp(math.Round(level+f.noise*f.r.NormFloat64()), 0, 4095))
	}
}

// exact reads just this number.
func (f *feeder) exact(y float64) {
	noise := f.noise
	f.noise = 0
	f.read(1, flat(y), 0)
	f.noise = noise
}

// Outliers that saturate are all alike: two in a row are no change, nor are three among
// ten blinking, once a few were seen. Without any it is as before: two readings at
// the end of the range are a lamp that saturates.
func TestOutliersAtAnEnd(t *testing.T) {
	two := func(f *feeder, end float64) {
		f.exact(end)
		f.exact(end)
	}
	f := saturating(t, 21, 380, 0) // lit goes out
	f.readAt(100, 401)
	f.want(t, Lit)
	two(f, 0)
	f.readAt(60, 401)
	f.want(t, Lit)
	f.readAt(10, 21)
	f.want(t, Lit, Dark)

	f = saturating(t, 3750, 600, 4095)
	for _, n := range []int{2, 3, 8} {
		f.exact(4095)
		f.readAt(n, 3750)
	}
	two(f, 4095)
	f.readAt(60, 3750)
	f.want(t)
	f.readAt(20, 4350) // but the lamp is told
	f.want(t, Lit)
	if n := int((f.l.c.At - f.got[0].Since.UnixMilli()) / 60_000); n != 19 {
		t.Errorf("it is lit for %d minutes, not 19", n)
	}

	f = knownAt(3750, 600)
	f.got = nil
	two(f, 4095)
	f.want(t, Lit)
}

// What is counted are single readings at an end, far from those before and after: no
// flips of a blinking lamp, no visits, and no noise about a level near the end.
func TestEndsAreCounted(t *testing.T) {
	f := saturating(t, 21, 380, 0)
	if p := f.l.c.F.Ends; p < 0.003 || p > 0.015 {
		t.Errorf("one in eighty passes for %.4f", p)
	}
	none := func(what string) {
		t.Helper()
		if p := f.l.c.F.Ends; p > 1e-3 {
			t.Errorf("%s: %.4f", what, p)
		}
	}
	f = knownAt(3750, 600)
	none("no outlier")
	for i := range 900 {
		f.readAt(1, 3750+600*float64((i+i/37)%2))
	}
	if f.l.c.State != Blinking {
		t.Fatalf("it is %v", f.l.c.State)
	}
	none("blinking")
	f = feed(Config{}, time.Minute, 6)
	for range 20 {
		f.readAt(100, 7)
		f.readAt(100, 380)
	}
	none("a level near the end")
}

// A loose contact reads the end of the range for a reading to four at a time. That is no
// change of a lamp that is known, lit or dark, and no visit by which one becomes known. What
// stays there is told soon all the same, of a lamp whose dark level it is.
func TestLooseContactIsNoLamp(t *testing.T) {
	opens := func(f *feeder, level float64) {
		for range 80 {
			f.readAt(25+int(275*f.r.ExpFloat64()), level)
			for range 1 + f.r.IntN(4) {
				f.exact(0)
			}
		}
	}
	for _, seed := range []uint64{3, 4, 5} {
		f := knownAt(250, 380)
		f.seed(seed, 7)
		f.got = nil
		opens(f, 250)
		f.want(t)
		f.readAt(30, 630)
		opens(f, 630)
		f.want(t, Lit)
		f.readAt(30, 250)
		f.want(t, Lit, Dark)

		f = feed(Config{}, time.Minute, 6).seed(seed, 8)
		f.readAt(300, 470)
		for range 3 {
			f.exact(0)
		}
		f.readAt(30, 470)
		if f.l.c.Known {
			t.Errorf("a lamp of %.0f counts was learned", f.l.c.F.Step)
		}
		opens(f, 470)
		f.want(t)
	}
	f := knownAt(0, 380)
	f.got = nil
	for range 5 {
		f.readAt(60, 380)
		from := f.at
		f.noise = 0
		f.readAt(3, 0)
		if v := f.l.Verdict(); v.State != Dark {
			t.Errorf("three readings of 0 from %v on: %v", from, v.State)
		}
		f.readAt(57, 0)
		f.noise = 6
	}
	if n := f.times(Dark); n != 5 {
		t.Errorf("dark was told %d times", n)
	}
}

// A battery that gave way for three readings, days ago, is no measure of what the light does:
// a lamp that lights for the first time is told.
func TestFirstLitAfterZeros(t *testing.T) {
	for n := 1; n <= 5; n++ {
		f := feed(Config{}, time.Minute, 6)
		f.readAt(1200, 300)
		for range n {
			f.exact(0)
		}
		f.readAt(3000, 300)
		if j := f.l.c.Range.Jump; j > 60 {
			t.Errorf("%d zeros count as a jump of the light of %.0f counts", n, j)
		}
		f.readAt(60, 390)
		if f.times(Lit) != 1 {
			t.Errorf("%d zeros, two days ago: lit was told %d times", n, f.times(Lit))
		}
	}
	// what comes again within the hour may be the lamp's
	f := feed(Config{}, time.Minute, 6)
	f.readAt(1200, 300)
	for range 12 {
		f.exact(0)
		f.exact(0)
		f.exact(0)
		f.readAt(2, 300)
	}
	if f.times(Blinking) != 1 {
		t.Errorf("blinking down to zero was told %d times", f.times(Blinking))
	}
}
