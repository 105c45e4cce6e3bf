package learn

import (
	"math"
	"testing"
	"time"
)

// blurred is what a board that averages for window periods of a blinking lamp reads,
// sampled so that no rhythm is left: the lamp shines in the first half of each.
func blurred(dark, step, window float64) func(int) float64 {
	lit := func(x float64) float64 { return 0.5*math.Floor(x) + math.Min(x-math.Floor(x), 0.5) }
	return func(i int) float64 {
		x := 1 + math.Mod(float64(i)*0.6180339887, 1) // the golden ratio's, which spreads evenly
		return dark + step*(lit(x)-lit(x-window))/window
	}
}

// A board that averages for a part of a flash reads in between now and then
// while the lamp blinks. That is blinking, and neither moving light nor outliers.
func TestBoardThatAveragesWhileBlinking(t *testing.T) {
	for _, window := range []float64{0.05, 0.2, 0.4} {
		f := habits(t, 2, 10)
		f.read(900, blurred(200, 380, window), 1)
		f.want(t, Blinking)
		filter := &f.l.c.F
		if share := 2 * window; math.Abs(filter.Blur-share) > 0.15 {
			t.Errorf("window %v: blurred are %.2f of the readings, want about %.2f", window, filter.Blur, share)
		}
		if filter.C > filter.R { // then the light would pass for moving
			t.Errorf("window %v: the readings are off by a variance of %.0f, the noise's is %.0f", window, filter.C, filter.R)
		}
		f.read(30, flat(200), 1)
		f.want(t, Blinking, Dark)
		f.read(200, flat(200), 1)
		f.read(200, flat(580), 1)
		f.want(t, Blinking, Dark, Lit)
	}
}

// A lamp that is seen by its blinking first is known by it though half of the
// readings are blurred, and its step is right.
func TestFirstSeenByBlurredBlinking(t *testing.T) {
	for _, window := range []float64{0.05, 0.12, 0.2, 0.25} {
		f := feed(Config{}, time.Minute, 6)
		f.read(600, flat(300), 1)
		f.read(400, blurred(300, 380, window), 1)
		f.want(t, Blinking)
		if step := f.l.c.F.Step; math.Abs(step-380) > 25 {
			t.Errorf("window %v: step %.0f, want 380", window, step)
		}
		f.read(60, flat(300), 1)
		f.want(t, Blinking, Dark)
	}
}

// The first estimate of the step leaves out what lies towards the middle.
func TestSharpened(t *testing.T) {
	var e edges
	for i := range nBuf {
		y := [...]float64{200, 201, 199, 300, 580, 579, 581, 470, 200, 580}[i%10]
		e.push(int64(i)*60_000, y)
	}
	if lo, hi := e.sharpened(225, 558, 4); math.Abs(lo-200) > 2 || math.Abs(hi-580) > 2 {
		t.Errorf("levels %.0f and %.0f, want 200 and 580", lo, hi)
	}
	if lo, hi := e.sharpened(225, 558, 2500); lo != 225 || hi != 558 {
		t.Errorf("levels %.0f and %.0f by noise", lo, hi)
	}
}

// Light that rises in a ramp with two outliers in it, and outliers that are all
// alike, are no blurred blinking.
func TestRampIsNoBlurredBlinking(t *testing.T) {
	ramp := []float64{485, 945, 480, 486, 490, 1708, 485, 478, 478, 506, 520, 534, 546, 572, 590, 590, 577, 588, 585, 588, 589, 582, 586, 591, 594, 574, 577}
	var e edges
	for i, y := range ramp {
		e.push(int64(i)*60_000, y)
		if lo, hi, _, ok := e.blinks(41); ok {
			t.Errorf("after %d readings it blinks between %.0f and %.0f", i+1, lo, hi)
		}
	}
}

// With a step near the noise, noise reads in between as well.
func TestNothingIsBlurredNearTheNoise(t *testing.T) {
	f := feed(Config{}, time.Minute, 6)
	known(f, 200, 50)
	f.read(200, flat(200), 1)
	if got := f.l.c.F.Blur; got != 0 {
		t.Errorf("share of blurred readings %v, want 0", got)
	}
}

// A first visit of seven readings is told when its eighth is back, and the end as
// always; of one of six the end is told.
func TestFirstVisitOfSevenReadings(t *testing.T) {
	for n, want := range map[int][]State{4: {Dark}, 6: {Dark}, 7: {Lit, Dark}, 8: {Lit, Dark}} {
		f := feed(Config{}, time.Minute, 6)
		f.read(600, flat(200), 1)
		f.read(n, flat(580), 1)
		f.read(60, flat(200), 1)
		f.want(t, want...)
		if off := f.l.c.Range.Off; math.Abs(off) > 30 {
			t.Errorf("%d readings: there and back is %.0f", n, off)
		}
		f.read(12, flat(580), 1)
		f.read(60, flat(200), 1)
		f.want(t, append(want, Lit, Dark)...)
	}
}

// Where the lamp went out untold, the hours hold its light: they are forgotten when
// it is first told to be lit. Without that they hold the dark.
func TestLitBeforeItWasKnown(t *testing.T) {
	for _, wentOut := range []bool{true, false} {
		f := feed(Config{}, 4*time.Minute, 6)
		f.read(460, flat(440), 1)
		c := &f.l.c
		if wentOut {
			c.Edges.record(edge{At: f.at.UnixMilli() - dayMS/2, Size: -360, SD: 7, From: 438})
		}
		e := edge{At: f.at.UnixMilli(), Size: 380, SD: 7, From: 63, Leap: 376}
		c.Edges.record(e)
		f.l.adoptFirst(e, e.At, half)
		if kept := c.Hours.at(e.At).Minutes > 0; kept == wentOut {
			t.Errorf("went out before: %v, the hours are kept: %v", wentOut, kept)
		}
	}
}

// A lamp taken for dark while it is lit, with hours that say so, is set right by
// four edges in turn of its size.
func TestEdgesThatWereNotTold(t *testing.T) {
	wrong := func(blinks uint32) *feeder {
		f := feed(Config{}, time.Minute, 6)
		known(f, 200, 380)
		f.read(2*1440, flat(580), 1)
		c := &f.l.c
		for i := range c.Hours {
			c.Hours[i] = slot{Mean: 580, Dev: 5, Minutes: 3000, Move: 7, Moves: 3000}
		}
		c.State, c.Since, c.NBlink = Dark, f.at.UnixMilli(), blinks
		c.F.start(Dark, 580, c.Since)
		c.F.Rho, c.F.Rho0, c.F.Jump = 0.01, 0.01, 380
		f.got = nil
		for range 6 {
			f.read(12, flat(200), 1)
			f.read(300, flat(580), 1)
		}
		return f
	}
	f := wrong(0)
	if lit, dark := f.times(Lit), f.times(Dark); lit < 4 || dark < 3 || f.l.Verdict().State != Lit {
		t.Errorf("six visits to dark: lit %d times, dark %d times, now %v", lit, dark, f.l.Verdict().State)
	}
	// what a blinking lamp shows too briefly is rightly not told
	f = wrong(3)
	if f.l.c.untold(6) {
		t.Error("edges of a blinking lamp count as untold")
	}
}

// An edge that comes at the same hours as others of its size, on several days amid
// light that moves, is a room's light, however high it leads.
func TestRoomLightAgainIsNoFirstEdge(t *testing.T) {
	for _, daily := range []bool{true, false} {
		c := &core{}
		c.Noise.V, c.Noise.Block, c.Noise.Digits = 36, 50, mostDigits+1
		c.Range.begin(500)
		c.Range.Minutes, c.Range.Lo, c.Range.Hi = 5000, 450, 560
		for i := range c.Hours {
			c.Hours[i] = slot{Mean: 500, Dev: 20, Minutes: 300, Move: 7 + float64(i), Moves: 300}
		}
		const hour = 3_600_000
		for d := range int64(3) {
			at := d*dayMS + 17*hour
			if !daily {
				at = d*dayMS + (3+7*d)*hour
			}
			c.Edges.record(edge{At: at, Size: 100, SD: 6, From: 450, Leap: 95})
			c.Edges.record(edge{At: at + 4*hour, Size: -100, SD: 6, From: 550, Leap: 95})
		}
		e := edge{At: 3*dayMS + 17*hour, Size: 105, SD: 6, From: 500, Leap: 98}
		c.Edges.record(e)
		if got := c.clear(e); got == daily {
			t.Errorf("daily %v: clear %v", daily, got)
		}
	}
}
