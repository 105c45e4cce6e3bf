package silence

import (
	"bytes"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var start = time.UnixMilli(1_800_000_000_000).UTC()

// every reports n times at the interval, first at at, and returns the time of
// the last report.
func every(e *Estimator, at time.Time, interval time.Duration, n int) time.Time {
	for i := range n {
		if i > 0 {
			at = at.Add(interval)
		}
		e.Report(at)
	}
	return at
}

func limit(t *testing.T, e *Estimator) time.Duration {
	t.Helper()
	l, ok := e.Limit()
	require.True(t, ok, "the limit is known")
	return l
}

func TestNothingIsDueBeforeTheCadenceIsKnown(t *testing.T) {
	e := New(Config{})
	_, ok := e.Deadline()
	assert.False(t, ok)
	e.Rearm(start)
	_, ok = e.Deadline()
	assert.False(t, ok, "a restart alone arms nothing")
	at := every(e, start, time.Minute, 5)
	_, ok = e.Deadline()
	assert.False(t, ok, "four gaps are too few")
	e.Report(at.Add(time.Minute))
	due, ok := e.Deadline()
	assert.True(t, ok)
	assert.Equal(t, time.Minute, e.Every())
	assert.True(t, due.After(at.Add(5*time.Minute)))
}

func TestChatterAtBootIsNoCadence(t *testing.T) {
	e := New(Config{})
	at := every(e, start, 200*time.Millisecond, 8)
	due, ok := e.Deadline()
	require.True(t, ok)
	assert.False(t, due.Before(start.Add(5*time.Minute)), "nothing is called silent in its first five minutes")
	every(e, at.Add(time.Minute), time.Minute, 4)
	assert.Equal(t, time.Minute, e.Every())
}

func TestHandSetLimitIsKeptToTheMillisecond(t *testing.T) {
	e := New(Config{SilentAfter: 90 * time.Second})
	e.Report(start)
	due, ok := e.Deadline()
	require.True(t, ok)
	assert.Equal(t, start.Add(90*time.Second), due)
	at := every(e, start.Add(time.Minute), time.Hour, 40)
	due, _ = e.Deadline()
	assert.Equal(t, at.Add(90*time.Second), due, "whatever was learned")
}

func TestExpectedInterval(t *testing.T) {
	e := New(Config{ReportEvery: time.Minute})
	e.Report(start)
	due, ok := e.Deadline()
	require.True(t, ok, "a stated interval works from the first report on")
	assert.Less(t, due.Sub(start), 15*time.Minute)
	e = New(Config{ReportEvery: time.Minute})
	e.Rearm(start)
	due, ok = e.Deadline()
	require.True(t, ok)
	assert.Equal(t, start.Add(time.Hour), due, "a board that never reported has an hour")
	// It is a prior: what the board does outvotes it.
	every(e, start, 5*time.Minute, 40)
	assert.Equal(t, 5*time.Minute, e.Every())
}

func TestOneLostReportIsNoSilence(t *testing.T) {
	e := New(Config{})
	every(e, start, time.Minute, 500_000)
	assert.Greater(t, limit(t, e), 2*time.Minute+10*time.Second, "even of the most regular board")
	assert.Less(t, limit(t, e), 4*time.Minute)
}

func TestSlowerCadenceCostsAtMostOneSilence(t *testing.T) {
	for _, to := range []time.Duration{5 * time.Minute, 10 * time.Minute, 30 * time.Minute, time.Hour} {
		e := New(Config{})
		at := every(e, start, time.Minute, 5000)
		wrong := 0
		for range 50 {
			due, ok := e.Deadline()
			require.True(t, ok)
			at = at.Add(to)
			if at.After(due) {
				wrong++
			}
			e.Report(at)
		}
		assert.LessOrEqual(t, wrong, 1, "every minute, then every %v", to)
		assert.Equal(t, to, e.Every())
		assert.Less(t, limit(t, e), 15*to)
		// And back: within an hour the short one is the measure again.
		every(e, at.Add(time.Minute), time.Minute, 60)
		assert.Equal(t, time.Minute, e.Every())
		assert.Less(t, limit(t, e), 15*time.Minute)
	}
}

// A board that reports by the second while its sensor is aimed goes back to one
// report a minute without being called silent, before and after days of its usual
// way. One that is expected by the second is missed sooner.
func TestQuickWhileAimed(t *testing.T) {
	for _, expected := range []time.Duration{0, time.Minute} {
		e := New(Config{ReportEvery: expected})
		at := start
		for range 3 {
			at = every(e, at, time.Second, 2000)
			assert.Equal(t, time.Second, e.Every())
			for range 3000 {
				due, ok := e.Deadline()
				at = at.Add(time.Minute)
				if require.True(t, ok); !at.Before(due) {
					t.Fatalf("expected every %v: silent at %v, a report came at %v", expected, due, at)
				}
				e.Report(at)
			}
			at = at.Add(time.Minute)
		}
	}
	e := New(Config{ReportEvery: time.Second})
	every(e, start, time.Second, 2000)
	assert.Less(t, limit(t, e), 20*time.Second)
}

func TestOutageDoesNotSpoilThePatience(t *testing.T) {
	e := New(Config{})
	at := every(e, start, time.Minute, 5000)
	before := limit(t, e)
	at = every(e, at.Add(9*time.Hour), time.Minute, 200)
	assert.InEpsilon(t, float64(before), float64(limit(t, e)), 0.1, "one outage")
	// Control: a board that is often gone for a while is given more time.
	for range 12 {
		at = every(e, at.Add(25*time.Minute), time.Minute, 200)
	}
	assert.Greater(t, limit(t, e), before*3/2, "many")
}

func TestHabitIsLearnedInTwoNights(t *testing.T) {
	e := New(Config{})
	at := start.Truncate(24 * time.Hour).Add(7 * time.Hour)
	var wrong []int
	for night := range 10 {
		at = every(e, at, time.Minute, 16*60)
		due, ok := e.Deadline()
		require.True(t, ok)
		at = at.Add(8 * time.Hour)
		if at.After(due) {
			wrong = append(wrong, night)
		}
	}
	assert.Equal(t, []int{0, 1}, wrong)
	at = every(e, at, time.Minute, 5*60)
	assert.Less(t, limit(t, e), 15*time.Minute, "at noon it is watched as ever")
	// A board that stays awake at night loses the habit.
	every(e, at, time.Minute, 6*24*60)
	assert.Zero(t, e.allowance(at.UnixMilli()+11*3600*1000))
}

func TestRearm(t *testing.T) {
	e := New(Config{})
	at := every(e, start, time.Minute, 5000)
	before := limit(t, e)
	on := at.Add(30 * time.Hour)
	e.Rearm(on)
	due, ok := e.Deadline()
	require.True(t, ok)
	assert.Equal(t, on.Add(before), due, "the wait starts anew")
	every(e, on.Add(time.Minute), time.Minute, 100)
	assert.InEpsilon(t, float64(before), float64(limit(t, e)), 0.05, "and the gap teaches nothing")
}

func TestDuplicatesAreNoCadence(t *testing.T) {
	e := New(Config{})
	r := rand.New(rand.NewPCG(1, 2))
	at := start
	for range 2000 {
		at = at.Add(time.Minute)
		e.Report(at)
		for range r.IntN(4) {
			e.Report(at.Add(ms(r.Int64N(3000))))
			e.Report(at) // an earlier time than the newest must do no harm
		}
	}
	assert.InDelta(t, 60, e.Every().Seconds(), 6)
	assert.Less(t, limit(t, e), 10*time.Minute)
}

func TestLateIsBetweenPeriodAndLimit(t *testing.T) {
	e := New(Config{})
	every(e, start, time.Minute, 5000)
	late, ok := e.Late()
	require.True(t, ok)
	assert.Greater(t, late, time.Minute)
	assert.Less(t, late, 90*time.Second)
}

// random makes an estimator with a wild history.
func random(seed uint64, n int) (*Estimator, time.Time) {
	r := rand.New(rand.NewPCG(seed, 3))
	e := New(Config{})
	at := start
	for range n {
		switch r.IntN(200) {
		case 0:
			at = at.Add(ms(r.Int64N(20 * hour)))
		case 1:
			e.Rearm(at)
		case 2:
			at = at.Add(ms(r.Int64N(100)))
		default:
			at = at.Add(ms(50_000 + r.Int64N(20_000)))
		}
		e.Report(at)
	}
	return e, at
}

func TestSnapshotContinuesAlike(t *testing.T) {
	for seed := range uint64(30) {
		e, at := random(seed, 20+int(seed)*200)
		b, err := e.AppendBinary(nil)
		require.NoError(t, err)
		assert.Less(t, len(b), 1400)
		again, _ := e.AppendBinary(nil)
		require.Equal(t, b, again)
		c := New(Config{})
		require.NoError(t, c.UnmarshalBinary(b))
		r := rand.New(rand.NewPCG(seed, 4))
		for range 300 {
			at = at.Add(ms(r.Int64N(200_000)))
			e.Report(at)
			c.Report(at)
			want, _ := e.Deadline()
			got, _ := c.Deadline()
			require.Equal(t, want, got)
		}
		x, _ := e.AppendBinary(nil)
		y, _ := c.AppendBinary(nil)
		require.Equal(t, x, y)
	}
}

func TestSnapshotRefusesDamage(t *testing.T) {
	e, _ := random(1, 3000)
	b, _ := e.AppendBinary(nil)
	for n := range len(b) {
		assert.Error(t, New(Config{}).UnmarshalBinary(b[:n]), "cut at %d", n)
	}
	assert.Error(t, New(Config{}).UnmarshalBinary(append(bytes.Clone(b), 0)))
	b[0]++
	assert.ErrorContains(t, New(Config{}).UnmarshalBinary(b), "version")
}

func FuzzUnmarshal(f *testing.F) {
	for seed := range uint64(4) {
		e, _ := random(seed, 50+int(seed)*1000)
		b, _ := e.AppendBinary(nil)
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		e := New(Config{})
		err := e.UnmarshalBinary(b)
		at := start
		for i := range 200 {
			at = at.Add(ms(int64(i) * 7000))
			e.Report(at)
			if i%20 == 0 { // at each report it would leave the fuzzer few inputs
				e.Deadline()
				e.Late()
			}
		}
		out, _ := e.AppendBinary(nil)
		if err == nil {
			if err := New(Config{}).UnmarshalBinary(out); err != nil {
				t.Fatalf("what was taken cannot be written again: %v", err)
			}
		}
	})
}

func TestReportAllocatesNothing(t *testing.T) {
	e := New(Config{})
	at := every(e, start, time.Minute, 1000)
	assert.Zero(t, testing.AllocsPerRun(1000, func() {
		at = at.Add(time.Minute)
		e.Report(at)
		e.Deadline()
		e.Late()
	}))
}

func BenchmarkReport(b *testing.B) {
	for _, f := range families()[:2] {
		b.Run(f.name, func(b *testing.B) {
			next := f.start(rand.New(rand.NewPCG(1, 1)))
			e := New(Config{})
			at := start
			b.ReportAllocs()
			for b.Loop() {
				at = at.Add(ms(next(0)))
				e.Report(at)
				e.Deadline()
			}
		})
	}
}

func TestMath(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	for range 20_000 {
		x := math.Exp(r.Float64()*200 - 100)
		assert.InDelta(t, math.Log(x), ln(x), 4e-15*(1+math.Abs(math.Log(x))))
		y := r.Float64()*200 - 100
		assert.InEpsilon(t, math.Exp(y), exp(y), 4e-14)
	}
	assert.Zero(t, exp(-1000))
	assert.InDelta(t, 0, ln(1), 0)
	assert.InDelta(t, 1, exp(0), 0)
}

func TestBins(t *testing.T) {
	for i := range bins {
		assert.Equal(t, i, bin(edge(i)), "lower edge")
		assert.Equal(t, i, bin(math.Nextafter(edge(i+1), 0)), "just under the upper one")
	}
	assert.Equal(t, bins-1, bin(1e9))
}

// TestGolden pins the whole state after a wild history, bit for bit, so that a
// processor on which the sums come out otherwise is found: run it there.
func TestGolden(t *testing.T) {
	h := fnv.New64a()
	for seed := range uint64(8) {
		e, _ := random(seed, 5000)
		b, _ := e.AppendBinary(nil)
		h.Write(b)
	}
	assert.Equal(t, uint64(0xf85be9437b6450b6), h.Sum64(), "%#x", h.Sum64())
}

// A board that was cut off sends what it saved up all at once, and goes on as
// before; so does a broker that kept it for lampward. That is no faster cadence.
func TestBacklogIsNoCadence(t *testing.T) {
	for _, gap := range []time.Duration{0, time.Millisecond, 20 * time.Millisecond, 200 * time.Millisecond} {
		e := New(Config{})
		at := time.Unix(1_800_000_000, 0)
		for range 2000 {
			at = at.Add(time.Minute)
			e.Report(at)
		}
		before, _ := e.Limit()
		at = at.Add(3 * time.Hour)
		for range 180 {
			e.Report(at)
			at = at.Add(gap)
		}
		for range 10 {
			limit, ok := e.Limit()
			require.True(t, ok)
			assert.GreaterOrEqual(t, limit, before-before/10, gap)
			at = at.Add(time.Minute)
			e.Report(at)
		}
	}
}

// One message with sixty samples is one report.
func TestSamplesOfOneMessage(t *testing.T) {
	e := New(Config{})
	at := time.Unix(1_800_000_000, 0)
	for range 2000 {
		at = at.Add(time.Minute)
		for range 60 {
			e.Report(at)
		}
	}
	assert.Equal(t, time.Minute, e.Every())
	limit, _ := e.Limit()
	assert.Greater(t, limit, 2*time.Minute)
}

// A board is set to another interval, and the configuration says so: it is not
// called silent for keeping to it.
func TestIntervalChangedByHand(t *testing.T) {
	for _, every := range []time.Duration{10 * time.Second, 30 * time.Minute, 2 * time.Hour, 24 * time.Hour} {
		e := New(Config{ReportEvery: time.Minute})
		at := time.Unix(1_800_000_000, 0)
		for range 2000 {
			at = at.Add(time.Minute)
			e.Report(at)
		}
		before, _ := e.Limit()
		e.Configure(Config{ReportEvery: time.Minute, FalseEvery: 30 * 24 * time.Hour})
		e.Configure(Config{ReportEvery: time.Minute})
		same, _ := e.Limit()
		assert.Equal(t, before, same, "what was learned is kept while the interval is")
		e.Configure(Config{ReportEvery: every})
		e.Unwatched(at, at) // a start follows
		for i := range 20 {
			at = at.Add(every)
			due, ok := e.Deadline()
			require.True(t, ok)
			assert.True(t, due.After(at), "%s: called silent before report %d", every, i)
			e.Report(at)
		}
		assert.Equal(t, every, e.Every())
		limit, _ := e.Limit()
		assert.Less(t, limit, 15*every)
	}
}

// A board that is dead is missed though nobody watches for some seconds each
// hour; one that lives, and needs five minutes to connect again each time, is not.
func TestUnwatchedForMoments(t *testing.T) {
	for _, every := range []time.Duration{time.Minute, 5 * time.Minute, 20 * time.Minute} {
		for _, dead := range []bool{true, false} {
			e := New(Config{})
			at := time.Unix(1_800_000_000, 0)
			for range 2000 {
				at = at.Add(every)
				e.Report(at)
			}
			limit, _ := e.Limit()
			next, missed := at.Add(every), 0
			for h := 1; h <= 24; h++ {
				hole := at.Add(time.Duration(h) * time.Hour)
				for ; next.Before(hole); next = next.Add(every) {
					if due, _ := e.Deadline(); !due.After(next) {
						missed++
					} else if !dead {
						e.Report(next)
					}
				}
				if due, _ := e.Deadline(); !due.After(hole) {
					missed++
				}
				hole = hole.Add(10 * time.Second)
				e.Unwatched(hole.Add(-10*time.Second), hole)
				for next.Before(hole.Add(5 * time.Minute)) {
					next = next.Add(every)
				}
			}
			assert.Equal(t, dead, missed > 0, "every %s, limit %s, dead %v: missed %d times", every, limit, dead, missed)
		}
	}
}

// Another interval is set by hand, and lampward started again with it: a board
// that just kept to the old one is given the time to report.
func TestIntervalChangedWhileWaiting(t *testing.T) {
	e := New(Config{ReportEvery: 24 * time.Hour})
	at := time.Unix(1_800_000_000, 0)
	for range 30 {
		at = at.Add(24 * time.Hour)
		e.Report(at)
	}
	at = at.Add(20 * time.Hour)
	e.Configure(Config{ReportEvery: time.Minute})
	e.Unwatched(at.Add(-2*time.Second), at)
	due, ok := e.Deadline()
	require.True(t, ok)
	limit, _ := e.Limit()
	assert.Equal(t, at.Add(limit), due.In(at.Location()))
}
