package learn

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// evenly is a lamp that blinks evenly, read so that each reading comes by part of a
// period later in it, give or take a little.
func evenly(r *rand.Rand, part, slip float64) func(i int) bool {
	phase := r.Float64()
	return func(i int) bool {
		return math.Mod(10+phase+part*float64(i)+slip*r.NormFloat64(), 1) < 0.5
	}
}

// Once half a turn was seen, a rhythm tells how long a run of one side lasts.
func TestRhythm(t *testing.T) {
	var a alias
	a.begin()
	for i := range 56 { // 16 lit, 16 dark in turn: now it is dark for eight
		a.put(1, i%32 < 16, true)
	}
	for i := range 16 {
		lit, _ := a.next(1)
		t.Logf("after %d dark: lit with a chance of %.2f", 8+i, lit)
		if i < 5 && lit > 0.15 || i > 11 && lit < 0.6 {
			t.Errorf("after %d dark: lit with a chance of %.2f", 8+i, lit)
		}
		a.put(1, false, true)
	}
	if lit, weight := new(alias).next(1); lit != 0.5 || weight != 0 {
		t.Errorf("of nothing seen: %v, %v", lit, weight)
	}
}

// Readings that are missing shift the rest, and those that tell nothing are left
// out: what is known still fits, and the next is told across a gap as well.
func TestRhythmOverGaps(t *testing.T) {
	var a alias
	a.begin()
	side := func(i int) bool { return i%10 < 5 }
	for i, k := 0, 0; i < 300; k++ {
		n := 1 + k%3
		if lit, _ := a.next(uint(n)); i > 60 && (lit > 0.5) != side(i+n) && i%5 > 0 && (i+n)%5 > 0 {
			t.Errorf("reading %d, %d after the last: lit with a chance of %.2f", i+n, n, lit)
		}
		i += n
		a.put(uint(n), side(i), i%7 != 0)
	}
}

// A lamp that is lit at every other reading blinks, however many readings are lost.
func TestLossIsNoEndOfBlinking(t *testing.T) {
	told := 0
	for seed := range uint64(40) {
		f := feed(Config{}, time.Minute, 6).seed(seed, 4)
		f.read(600, flat(200), 1)
		for i := range 800 {
			if f.r.Float64() < 0.2 {
				f.at = f.at.Add(time.Minute)
				continue
			}
			f.read(1, flat(200+380*float64(i%2)), 1)
		}
		told += len(f.got)
	}
	if told != 40 {
		t.Errorf("40 lamps are told %d times", told)
	}
}

// A tossed coin has no rhythm, an even lamp before an even board has; and half of
// that is forgotten with each announcement.
func TestOddsOfARhythm(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 9))
	odds := func(sides func(i int) bool) float64 {
		var a alias
		a.begin()
		for i := range 400 {
			is := sides(i)
			if lit, _ := a.next(1); a.Seen != 0 {
				a.learn(is, lit, 0.5)
			}
			a.put(1, is, true)
		}
		if was := a.Odds; was > 2*leastOdds {
			a.begin()
			if a.Odds != was/2 || a.Seen != 0 {
				t.Errorf("of odds of %v %v are left, of readings %b", was, a.Odds, a.Seen)
			}
			return was
		}
		return a.Odds
	}
	for range 20 {
		if x := odds(func(int) bool { return r.IntN(2) == 1 }); x > 0.01 {
			t.Errorf("a coin: odds of %v", x)
		}
		if x := odds(evenly(r, 1/(28+12*r.Float64()), 0.01)); x < 1 {
			t.Errorf("a rhythm: odds of %v", x)
		}
	}
}

// A day of one side, while a delay set by hand holds the end of the blinking, is no
// number too large to keep.
func TestOddsOfADay(t *testing.T) {
	f := feed(Config{OffDelay: 24 * time.Hour}, time.Minute, 6)
	f.read(300, flat(200), 1)
	f.read(100, func(int) float64 { return 200 + 380*float64(f.r.IntN(2)) }, 1)
	f.read(1400, flat(200), 1)
	f.want(t, Blinking)
	if a := &f.l.c.F.Alias; a.Seen == 0 || a.Since > mostSince {
		t.Errorf("%+v", a)
	}
	f.read(100, flat(200), 1)
	f.want(t, Blinking, Dark)
}

// A blinking lamp of which each reading shows the same for fourteen to twenty minutes
// is told once, or a few times until its rhythm is known. Without the rhythm it
// is told 320 times, with it 192.
func TestSlowRhythmIsBlinking(t *testing.T) {
	told, late := 0, 0
	for seed := range uint64(40) {
		f := feed(Config{}, time.Minute, 6).seed(seed, 3)
		f.read(600, flat(200), 1)
		coin := func(int) float64 { return 200 + 380*float64(f.r.IntN(2)) }
		for range 2 { // it is known to blink
			f.read(100, coin, 1)
			f.read(100, flat(200), 1)
		}
		f.got = nil
		lit := evenly(f.r, 1/(28+12*f.r.Float64()), 0.06)
		f.read(400, func(i int) float64 { return 200 + 380*float64(btoi(lit(i))) }, 1)
		told += len(f.got)
		f.read(40, flat(200), 1)
		if f.l.c.State != Dark {
			late++
		}
	}
	t.Logf("told %d times; %d not known to be over after 40 readings", told, late)
	if told > 240 || late > 4 {
		t.Errorf("told %d times; %d not known to be over after 40 readings", told, late)
	}
}

// A board that averages for all of a flash hardly ever reads a level. That it read one
// three times is no end of the blinking.
func TestSharpAfterBlurred(t *testing.T) {
	f := habits(t, 2, 10)
	f.read(900, blurred(200, 380, 0.5), 1)
	f.read(3, flat(580), 1)
	f.read(100, blurred(200, 380, 0.5), 1)
	f.want(t, Blinking)
}
