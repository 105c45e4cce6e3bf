package learn

import (
	"math"
	"testing"
	"time"
)

// A lamp that shows itself for four to six readings of a board that reports every
// quarter of an hour, or for seven to nine of one that reports every five minutes, and
// stays dark for as many or some more, does not blink: each visit is told, and no
// blinking.
func TestVisitsOfASlowBoard(t *testing.T) {
	for i, every := range []time.Duration{15 * time.Minute, 5 * time.Minute} {
		least := []int{4, 7}[i]
		missed, blinks, late := 0, 0, 0
		for seed := range uint64(20) {
			f := feed(Config{}, every, 6).seed(seed, 3)
			known(f, 200, 380)
			f.got = nil
			for range 30 {
				f.read(least+f.r.IntN(3), flat(580), 1)
				if f.l.c.State != Lit {
					missed++
				}
				f.read(least, flat(200), 1)
				if f.l.c.State != Dark {
					late++
				}
				f.read(f.r.IntN(14), flat(200), 1)
			}
			blinks += f.times(Blinking)
		}
		t.Logf("%v: of 600 visits %d missed, %d told to be over late, %d times blinking", every, missed, late, blinks)
		if missed > 12 || late > 30 || blinks > 0 {
			t.Errorf("%v: of 600 visits %d missed, %d told to be over late, %d times blinking", every, missed, late, blinks)
		}
	}
}

// Blinking can be left: what a lamp that blinked once does afterwards for days, at
// runs of four to fourteen readings, does not stay blinking.
func TestBlinkingOfASlowBoardIsLeft(t *testing.T) {
	for _, every := range []time.Duration{5 * time.Minute, 15 * time.Minute} {
		blinking, all := 0, 0
		for seed := range uint64(10) {
			f := feed(Config{}, every, 6).seed(seed, 3)
			known(f, 200, 380)
			f.read(40, func(int) float64 { return 200 + 380*float64(f.r.IntN(2)) }, 1)
			if f.l.c.State != Blinking {
				t.Fatalf("%v after 40 tosses", f.l.c.State)
			}
			for k := range 60 {
				for range 4 + f.r.IntN(11) {
					f.read(1, flat(200+380*float64(k%2)), 1)
					blinking += btoi(f.l.c.State == Blinking)
					all++
				}
			}
		}
		share := float64(blinking) / float64(all)
		t.Logf("%v: blinking for %.2f of the time", every, share)
		if share > 0.16 {
			t.Errorf("%v: blinking for %.2f of the time", every, share)
		}
	}
}

// Nor is real blinking missed there, or told to be over while it goes on; and its end
// takes fewer readings, which are longer.
func TestBlinkingOfASlowBoard(t *testing.T) {
	for i, every := range []time.Duration{time.Minute, 5 * time.Minute, 15 * time.Minute} {
		told, again, end := 0, 0, 0
		for seed := range uint64(40) {
			f := feed(Config{}, every, 6).seed(seed, 5)
			known(f, 200, 380)
			coin := func(int) float64 { return 200 + 380*float64(f.r.IntN(2)) }
			f.read(60, coin, 1)
			f.read(60, flat(200), 1)
			f.got = nil
			f.read(60, coin, 1)
			told += btoi(f.l.c.State == Blinking)
			again += max(f.times(Blinking)-1, 0)
			for f.l.c.State != Dark && end < 1e6 {
				f.read(1, flat(200), 1)
				end++
			}
		}
		t.Logf("%v: %d of 40 told, again %d times, its end after %.1f readings", every, told, again, float64(end)/40)
		if told < 37 || again > 4 {
			t.Errorf("%v: %d of 40 told, again %d times", every, told, again)
		}
		if most := []float64{18.5, 15, 11}[i]; float64(end)/40 > most {
			t.Errorf("%v: its end is told after %.1f readings", every, float64(end)/40)
		}
	}
}

// How often a lamp changes is counted by the hour where a board reports less often than
// about once a minute, and by the reading where it reports more often.
func TestChangesByTheHour(t *testing.T) {
	for _, c := range []struct{ minutes, times float64 }{{0.1, 1}, {1, 1}, {1.2, 1}, {5, 6.5}, {15, 21.5}, {180, 1000}} {
		want := [2]float64{math.Min(c.times*seldom, swift), math.Min(c.times*calms, swift)}
		f := feed(Config{}, time.Duration(c.minutes*float64(time.Minute)), 6)
		f.read(200, flat(200), 1)
		f.read(100, flat(580), 1)
		f.read(3000, flat(200), 1)
		got := [2]float64{f.l.c.F.Hazard, f.l.c.F.Calms}
		for i := range got {
			if math.Abs(got[i]-want[i]) > 0.1*want[i]*float64(btoi(c.minutes > 2)) {
				t.Errorf("every %v min: chances of a change %.4f, want %.4f", c.minutes, got, want)
			}
		}
	}
}

// A lamp that only ever blinked, and is then lit for five readings at a time, is not told
// to blink each time: what was told so is no habit.
func TestVisitsToldAsBlinking(t *testing.T) {
	f := feed(Config{}, 15*time.Minute, 6)
	known(f, 200, 380)
	f.l.c.NBlink, f.l.c.NLit = 12, 0
	f.got = nil
	for range 30 {
		f.read(5, flat(580), 1)
		f.read(20+f.r.IntN(20), flat(200), 1)
	}
	if n := f.times(Blinking); n > 12 {
		t.Errorf("%d times blinking", n)
	}
	if b := f.l.c.NBlink; b > 12 {
		t.Errorf("%d blinkings are counted", b)
	}
	// control: real blinking is
	f.l.c.NBlink, f.l.c.NLit = 12, 0
	f.got = nil
	for range 6 {
		f.read(24, func(i int) float64 { return 200 + 380*float64(btoi(0xb2d>>(i%12)&1 == 1)) }, 1)
		f.read(40, flat(200), 1)
	}
	if n, b := f.times(Blinking), f.l.c.NBlink; n < 6 || int(b) != 12+n {
		t.Errorf("%d times blinking, %d are counted", n, b)
	}
}

// Where a third of a blinking lamp's readings is blurred, some sharp ones in a row are
// no sooner the end of it.
func TestBlurredOnASlowBoard(t *testing.T) {
	for blur, want := range map[float64]float64{0.1: 21.5 * calms, 0.5: calms} {
		f := feed(Config{}, 15*time.Minute, 6)
		known(f, 200, 380)
		f.l.c.F.Blur = blur
		f.read(1, flat(200), 1)
		if got := f.l.c.F.Calms; math.Abs(got-want) > 0.1*want {
			t.Errorf("%v blurred: the chance of an end is %.4f, want %.4f", blur, got, want)
		}
	}
}
