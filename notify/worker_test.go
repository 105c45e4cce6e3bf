package notify

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lampward/rules"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// runWorker runs a worker for a faked time and returns after it has ended.
func runWorker(t *testing.T, o Options, d time.Duration) {
	t.Helper()
	runFor(t, NewWorker(o), d)
}

func runFor(t *testing.T, w *Worker, d time.Duration) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	require.ErrorIs(t, w.Run(ctx), context.DeadlineExceeded)
}

func seeded(seed uint64) func() float64 {
	return rand.New(rand.NewPCG(seed, 1)).Float64
}

// A message that waits for a service out of reach is not given up soon after a start with
// a clock that is months ahead, or after weeks in which the machine was off.
func TestGivesUpNotSoonAfterAStart(t *testing.T) {
	for _, c := range []struct {
		down       time.Duration // after the second start
		sent, dead int
	}{{8 * time.Hour, 1, 0}, {14 * time.Hour, 0, 1}} {
		synctest.Test(t, func(t *testing.T) {
			back := time.Now().Add(8*time.Hour + c.down)
			r := &scripted{name: "hook"}
			r.send = func(context.Context, []rules.Delivery) Outcome {
				if time.Now().Before(back) {
					return Outcome{Kind: Again, Note: "no route to host", Unsent: true}
				}
				return ok
			}
			box := &memOutbox{}
			box.add(lit("hook", "tank", time.Now()))
			var ahead time.Duration
			o := Options{Outbox: box, Routes: []Route{r}, Now: func() time.Time { return time.Now().Add(ahead) }}
			runWorker(t, o, 8*time.Hour)
			require.Greater(t, box.rows[0].Attempts, 20)
			ahead = 90 * 24 * time.Hour
			runWorker(t, o, c.down+time.Hour)
			_, sent, dead := box.count()
			assert.Equal(t, []int{c.sent, c.dead}, []int{sent, dead}, box.rows[0].note)
		})
	}
}

// The worker leaves a route the time that it says it needs.
func TestWorkerLeavesTimeLimitToRoute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow, n := &scripted{name: "hook"}, 0
		slow.send = func(ctx context.Context, _ []rules.Delivery) Outcome {
			n++
			select {
			case <-time.After(10 * time.Minute): // the longest that a webhook's timeout may be
				return ok
			case <-ctx.Done():
				return Outcome{Kind: Again, Note: "cut off"}
			}
		}
		box := &memOutbox{}
		box.add(lit("hook", "tank", time.Now()))
		runWorker(t, Options{Outbox: box, Routes: []Route{slow}}, time.Hour)
		_, sent, _ := box.count()
		assert.Equal(t, []int{1, 1}, []int{n, sent})
	})
}

// Every delivery arrives, in order within its lamp, over a route that fails
// half of the time; a lamp whose message waits does not hold up the others.
func TestWorkerOrderAndRetry(t *testing.T) {
	for _, box := range []*memOutbox{{}, {heads: true}} {
		assert.Empty(t, orderAndRetry(t, box, Backoff{Rand: seeded(4)}))
	}
}

// Negative control: the test above finds an outbox that forgets the order, and
// a worker that gives up too soon.
func TestWorkerOrderAndRetryControl(t *testing.T) {
	assert.Contains(t, orderAndRetry(t, &memOutbox{loose: true}, Backoff{Rand: seeded(4)}), "order")
	assert.Contains(t, orderAndRetry(t, &memOutbox{}, Backoff{Rand: seeded(4), GiveUp: time.Nanosecond, GiveUpTries: 2}), "lost")
}

func orderAndRetry(t *testing.T, box *memOutbox, b Backoff) (fault string) {
	synctest.Test(t, func(t *testing.T) {
		rnd := seeded(3)
		r := &scripted{name: "hook"}
		arrived := map[string][]string{}
		r.send = func(_ context.Context, ds []rules.Delivery) Outcome {
			if rnd() < 0.5 {
				return Outcome{Kind: Again, Note: "503"}
			}
			arrived[ds[0].Key] = append(arrived[ds[0].Key], ds[0].EventID)
			return ok
		}
		want := map[string][]string{}
		for i := range 200 {
			d := lit("hook", fmt.Sprintf("lamp%d", i%7), time.Now())
			d.EventID = fmt.Sprintf("ev-%d", i)
			want[d.Event.Key()] = append(want[d.Event.Key()], d.EventID)
			box.add(d)
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Backoff: b}, 2*time.Hour)
		if open, sent, dead := box.count(); sent != 200 {
			fault = fmt.Sprintf("lost: %d open, %d sent, %d dead", open, sent, dead)
		} else if !assert.ObjectsAreEqual(want, arrived) {
			fault = fmt.Sprintf("order: %v", arrived)
		}
	})
	return fault
}

// A folded message that is refused is sent in its parts; only the one that is
// to blame is parked.
func TestWorkerFoldedRefused(t *testing.T) {
	for attempts, no := range map[int]Outcome{
		31: {Kind: Never, Note: "550"},
		35: {Kind: Again, Refused: true, Answered: true, Note: "413"},
	} {
		synctest.Test(t, func(t *testing.T) {
			box := &memOutbox{}
			r := &scripted{name: "phone"}
			r.send = func(_ context.Context, ds []rules.Delivery) Outcome {
				if len(ds) > 1 || ds[0].EventID == "ev-7" {
					return no
				}
				return ok
			}
			for i := range 30 {
				box.add(lit("phone", fmt.Sprint(i), time.Now()))
			}
			runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 10}}, Backoff: Backoff{Rand: seeded(2)}}, time.Hour)
			open, sent, dead := box.count()
			assert.Equal(t, []int{0, 29, 1}, []int{open, sent, dead})
			assert.LessOrEqual(t, len(r.got), attempts)
		})
	}
}

// A receiver that finds every message wrong, from one moment to the next, is given
// three hours to be put right; what waits then arrives.
func TestWorkerRefusedByMistake(t *testing.T) {
	for after, want := range map[time.Duration][]int{2 * time.Hour: {0, 4, 0}, 5 * time.Hour: {0, 2, 2}} {
		synctest.Test(t, func(t *testing.T) {
			box := &memOutbox{}
			start := time.Now()
			r := &scripted{name: "hook", send: func(_ context.Context, ds []rules.Delivery) Outcome {
				if ds[0].EventID != "ev-1" && time.Since(start) < after {
					return Outcome{Kind: Again, Refused: true, Answered: true, Note: "400 Bad Request"}
				}
				return ok
			}}
			box.add(lit("hook", "stairs", start), lit("hook", "tank", start), lit("hook", "salt", start))
			late := lit("hook", "freezer", start)
			late.Due, late.Event.At = start.Add(4*time.Hour), start.Add(4*time.Hour)
			box.add(late)
			runWorker(t, Options{Outbox: box, Routes: []Route{r}, Backoff: Backoff{Rand: seeded(7)}}, 6*time.Hour)
			open, sent, dead := box.count()
			assert.Equal(t, want, []int{open, sent, dead}, after)
		})
	}
}

// What does not work is told, since when and why; an outbox that fails, too.
func TestWorkerTroubles(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		box := &memOutbox{}
		good := &scripted{name: "good", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		var tries atomic.Int64
		bad := &scripted{name: "bad", send: func(context.Context, []rules.Delivery) Outcome {
			if n := tries.Add(1); time.Since(start) < time.Hour {
				return Outcome{Kind: Again, Note: fmt.Sprint("try ", n)}
			}
			return ok
		}}
		box.add(lit("good", "tank", start), lit("bad", "tank", start))
		w := NewWorker(Options{Outbox: box, Routes: []Route{good, bad}, Backoff: Backoff{Rand: seeded(3)}})
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- w.Run(ctx) }()
		time.Sleep(50 * time.Minute)
		got := w.Troubles()
		require.Len(t, got, 1)
		assert.Equal(t, Trouble{Route: "bad", Since: start, Note: got[0].Note}, got[0])
		assert.Equal(t, fmt.Sprint("try ", tries.Load()), got[0].Note, "the newest")
		time.Sleep(30 * time.Minute)
		assert.Empty(t, w.Troubles())

		box.mu.Lock()
		box.fail = 3
		box.mu.Unlock()
		box.add(lit("good", "tank", time.Now()))
		w.Wake()
		time.Sleep(time.Second)
		require.Len(t, w.Troubles(), 1)
		assert.Equal(t, "the outbox fails: record what became of a message: disk full", w.Troubles()[0].Note)
		time.Sleep(time.Minute)
		assert.Empty(t, w.Troubles())

		tear := func(torn bool) {
			box.mu.Lock()
			box.torn = torn
			box.mu.Unlock()
		}
		tear(true)
		w.Wake()
		time.Sleep(time.Second)
		require.Len(t, w.Troubles(), 2)
		assert.Equal(t, "the outbox fails: read what is due: disk torn", w.Troubles()[0].Note)
		tear(false)
		time.Sleep(time.Minute)
		assert.Empty(t, w.Troubles())
		stop()
		<-ended
	})
}

// What does not work has not worked since before a restart: since the oldest message that was
// tried, or the last that was taken. What was never tried says nothing.
func TestWorkerTroublesOutlastARestart(t *testing.T) {
	for name, c := range map[string]struct {
		fails bool          // the route, to begin with
		taken time.Duration // after which it takes one, then no more
		since time.Duration // below 0: it works
	}{
		"never worked":  {true, 0, 0},
		"worked once":   {true, 20 * time.Minute, 20 * time.Minute},
		"always worked": {false, 0, -1},
	} {
		synctest.Test(t, func(t *testing.T) {
			start := time.Now()
			box := &memOutbox{}
			fails := c.fails
			var tries atomic.Int64
			r := &scripted{name: "hook", send: func(_ context.Context, ds []rules.Delivery) Outcome {
				tries.Add(1)
				if ds[0].EventID == "ev-2" || !fails {
					return ok
				}
				return Outcome{Kind: Again, Note: "connection refused"}
			}}
			box.add(lit("hook", "tank", start))
			if c.taken > 0 {
				late := lit("hook", "salt", start)
				late.Due, late.Event.At = start.Add(c.taken), start.Add(c.taken)
				box.add(late)
			}
			o := Options{Outbox: box, Routes: []Route{r}, Backoff: Backoff{Rand: seeded(3)}}
			runWorker(t, o, time.Hour)
			before := tries.Load()
			w := NewWorker(o)
			held := lit("hook", "freezer", start)
			held.Due, held.Event.At = time.Now().Add(time.Minute), start.Add(-9*time.Hour)
			box.add(held)
			runFor(t, w, time.Second)
			got := w.Troubles()
			if c.since < 0 {
				assert.Empty(t, got, name)
				return
			}
			require.Len(t, got, 1, name)
			assert.WithinDuration(t, start.Add(c.since), got[0].Since, time.Minute, name)
			assert.Contains(t, got[0].Note, "before the last start", name)
			time.Sleep(time.Hour)
			fails = false
			runFor(t, w, time.Hour)
			assert.Empty(t, w.Troubles(), name)
			assert.Greater(t, tries.Load(), before)
		})
	}
}

// After weeks without the machine, what is too old to be tried any longer is
// tried for half a day all the same.
func TestWorkerTriesAfterAMonthOff(t *testing.T) {
	for down, want := range map[time.Duration][]int{11 * time.Hour: {0, 1, 0}, 14 * time.Hour: {0, 0, 1}} {
		synctest.Test(t, func(t *testing.T) {
			box := &memOutbox{}
			start := time.Now()
			r := &scripted{name: "hook", send: func(context.Context, []rules.Delivery) Outcome {
				if time.Since(start) < down {
					return Outcome{Kind: Again, Note: "no route to host"}
				}
				return ok
			}}
			d := lit("hook", "tank", start.Add(-45*24*time.Hour))
			d.Attempts = 25
			box.add(d)
			runWorker(t, Options{Outbox: box, Routes: []Route{r}}, 15*time.Hour)
			open, sent, dead := box.count()
			assert.Equal(t, want, []int{open, sent, dead}, down)
		})
	}
}

// A route that hangs until its time limit, every time, delays no other.
func TestWorkerSlowRouteDelaysNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		slow := &scripted{name: "slow", send: func(ctx context.Context, _ []rules.Delivery) Outcome {
			<-ctx.Done()
			return Outcome{Kind: Again, Note: "timed out"}
		}}
		fast := &scripted{name: "fast", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		start := time.Now()
		for i := range 20 {
			box.add(lit("slow", fmt.Sprint(i), start), lit("fast", fmt.Sprint(i), start))
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{slow, fast}}, time.Hour)
		require.Len(t, fast.got, 20)
		assert.Equal(t, start, fast.got[19].at, "the fast route finished in no time")
		open, sent, dead := box.count()
		assert.Equal(t, []int{20, 20, 0}, []int{open, sent, dead}, "the slow route's wait, none is lost")
		assert.Less(t, len(slow.got), 60, "a dead route is asked about once a minute")
	})
}

// A route that panics is a failed attempt, and the worker lives on.
func TestWorkerSurvivesPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		n := 0
		r := &scripted{name: "hook", send: func(context.Context, []rules.Delivery) Outcome {
			if n++; n < 3 {
				panic("oops")
			}
			return ok
		}}
		box.add(lit("hook", "tank", time.Now()))
		runWorker(t, Options{Outbox: box, Routes: []Route{r}}, time.Hour)
		assert.Equal(t, 3, n)
		_, sent, _ := box.count()
		assert.Equal(t, 1, sent)
	})
}

// When the outbox cannot record a delivery, the message is not sent again
// while the worker lives; the record is made as soon as it can be.
func TestWorkerOutboxFailsToRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{fail: 5}
		r := &scripted{name: "hook", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		box.add(lit("hook", "tank", time.Now()), lit("hook", "salt", time.Now()))
		runWorker(t, Options{Outbox: box, Routes: []Route{r}}, time.Hour)
		assert.Len(t, r.got, 2)
		_, sent, _ := box.count()
		assert.Equal(t, 2, sent)
	})
}

// A delivery that the receiver has is recorded even if the daemon is told to
// stop at that moment.
func TestWorkerStopsCleanly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		r := &scripted{name: "hook", send: func(ctx context.Context, _ []rules.Delivery) Outcome {
			select {
			case <-time.After(2 * time.Second): // the receiver answers late, within Grace
				return ok
			case <-ctx.Done():
				return Outcome{Kind: Again}
			}
		}}
		box.add(lit("hook", "tank", time.Now()))
		start := time.Now()
		runWorker(t, Options{Outbox: box, Routes: []Route{r}}, time.Second)
		_, sent, _ := box.count()
		assert.Equal(t, 1, sent)
		assert.Equal(t, 2*time.Second, time.Since(start))

		// Beyond Grace it is broken off, and not counted as an attempt.
		box = &memOutbox{}
		r.send = func(ctx context.Context, _ []rules.Delivery) Outcome {
			<-ctx.Done()
			return Outcome{Kind: Again}
		}
		box.add(lit("hook", "tank", time.Now()))
		start = time.Now()
		runWorker(t, Options{Outbox: box, Routes: []Route{r}}, time.Second)
		open, _, _ := box.count()
		assert.Equal(t, 1, open)
		assert.Zero(t, box.rows[0].Attempts)
		assert.Equal(t, 4*time.Second, time.Since(start))
	})
}

// Wake makes a new message go at once, long before the poll.
func TestWorkerWake(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		r := &scripted{name: "hook", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		w := NewWorker(Options{Outbox: box, Routes: []Route{r}})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- w.Run(ctx) }()
		time.Sleep(10 * time.Second)
		now := time.Now()
		box.add(lit("hook", "tank", now))
		w.Wake()
		synctest.Wait()
		require.Len(t, r.got, 1)
		assert.Equal(t, now, r.got[0].at)
		cancel()
		require.ErrorIs(t, <-done, context.Canceled)
	})
}

// The engine time of a wait is kept: a held message goes at its time.
func TestWorkerHeldMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		r := &scripted{name: "hook", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		start := time.Now()
		d := lit("hook", "tank", start)
		d.Due = start.Add(7 * time.Hour)
		box.add(d)
		runWorker(t, Options{Outbox: box, Routes: []Route{r}}, 8*time.Hour)
		require.Len(t, r.got, 1)
		assert.Equal(t, d.Due, r.got[0].at)
	})
}

// The waits are spread over the whole of 0..2^n, within their limits.
func TestBackoff(t *testing.T) {
	b := Backoff{Rand: seeded(1)}.withDefaults()
	for n := 1; n <= 40; n++ {
		top := 10 * time.Minute
		if n < 10 {
			top = min(top, 2*time.Second<<(n-1))
		}
		var waits []time.Duration
		for range 400 {
			w := b.wait(n, 0)
			require.LessOrEqual(t, w, top)
			require.GreaterOrEqual(t, w, b.Least)
			waits = append(waits, w)
		}
		slices.Sort(waits)
		assert.InDelta(t, 0.5, float64(waits[200])/float64(top), 0.1, "full jitter: the median is half of the top")
	}
	assert.GreaterOrEqual(t, b.wait(1, 90*time.Second), 90*time.Second)
	assert.LessOrEqual(t, b.wait(1, 30*24*time.Hour), time.Hour, "a wild Retry-After is capped")
}

// When a dead route is well again, what waits for its retry goes at once, but
// what is held for its hour stays held, and the order of a lamp is kept.
func TestWorkerRecovery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		box := &memOutbox{}
		r := &scripted{name: "hook"}
		r.send = func(context.Context, []rules.Delivery) Outcome {
			if time.Since(start) < 5*time.Hour {
				return Outcome{Kind: Again, Note: "connection refused"}
			}
			return ok
		}
		for i := range 30 {
			box.add(lit("hook", fmt.Sprint(i%10), start))
		}
		held := lit("hook", "held", start)
		held.Due = start.Add(5*time.Hour + 45*time.Minute)
		box.add(held)
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Backoff: Backoff{Rand: seeded(2)}}, 6*time.Hour)
		var at []time.Time
		for _, row := range box.rows {
			require.Equal(t, "sent", row.state)
			at = append(at, row.at)
		}
		assert.Equal(t, held.Due, at[30])
		first, last := slices.MinFunc(at[:30], time.Time.Compare), slices.MaxFunc(at[:30], time.Time.Compare)
		assert.Equal(t, first, last, "all in the moment of the first")
		assert.Less(t, first.Sub(start.Add(5*time.Hour)), 2*time.Minute)
	})
}

// When a receiver asks for patience, the whole route is patient.
func TestWorkerBusy(t *testing.T) {
	for _, busy := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			box := &memOutbox{}
			r := &scripted{name: "hook"}
			r.send = func(context.Context, []rules.Delivery) Outcome {
				return Outcome{Kind: Again, After: 10 * time.Minute, Busy: busy}
			}
			for i := range 30 {
				box.add(lit("hook", fmt.Sprint(i), time.Now()))
			}
			runWorker(t, Options{Outbox: box, Routes: []Route{r}}, 10*time.Minute-time.Second)
			if busy {
				assert.Len(t, r.got, 1)
			} else {
				assert.Greater(t, len(r.got), 10)
			}
		})
	}
}

// A message is tried for 30 days before it is parked, and not a day less.
func TestWorkerGivesUpAfterAMonth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		r := &scripted{name: "hook", send: func(context.Context, []rules.Delivery) Outcome {
			return Outcome{Kind: Again, Note: "connection refused"}
		}}
		start := time.Now()
		box.add(lit("hook", "tank", start))
		o := Options{Outbox: box, Routes: []Route{r}, Poll: time.Hour, Backoff: Backoff{Rand: seeded(9)}}
		runWorker(t, o, 29*24*time.Hour)
		open, _, _ := box.count()
		require.Equal(t, 1, open, "still tried after 29 days")
		runWorker(t, o, 2*24*time.Hour)
		_, _, dead := box.count()
		require.Equal(t, 1, dead)
		assert.Contains(t, box.rows[0].note, "30.0 days, the last: connection refused")
		t.Logf("%d attempts in 30 days", len(r.got))
	})
}

// A message on which the receiver itself always fails is parked after a day if
// others get through, so that it does not hold up its lamp for a month.
func TestWorkerPoison(t *testing.T) {
	for _, answered := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			box := &memOutbox{}
			r := &scripted{name: "hook", send: func(_ context.Context, ds []rules.Delivery) Outcome {
				if ds[0].EventID == "poison" {
					return Outcome{Kind: Again, Note: "500", Answered: answered}
				}
				return ok
			}}
			start := time.Now()
			d := lit("hook", "tank", start)
			d.EventID = "poison"
			box.add(d)
			for h := range 30 {
				o := lit("hook", "salt", start)
				o.Due = start.Add(time.Duration(h) * time.Hour)
				box.add(o)
			}
			box.add(lit("hook", "tank", start))
			runWorker(t, Options{Outbox: box, Routes: []Route{r}, Poll: time.Hour}, 30*time.Hour)
			open, sent, dead := box.count()
			if answered {
				assert.Equal(t, []int{0, 31, 1}, []int{open, sent, dead})
				assert.Contains(t, box.rows[0].note, "takes other messages but not this one")
			} else {
				assert.Equal(t, []int{2, 30, 0}, []int{open, sent, dead}, "no answer: the way is at fault, not the message")
			}
		})
	}
}

// What was held for long, or waited while the machine was off, is tried as often as
// what is new before it is parked.
func TestWorkerTriesWhatIsOld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		tries := 0
		r := &scripted{name: "hook", send: func(_ context.Context, ds []rules.Delivery) Outcome {
			if ds[0].EventID == "old" {
				if tries++; tries < 20 {
					return Outcome{Kind: Again, Refused: true, Note: "500", Answered: true}
				}
			}
			return ok
		}}
		d := lit("hook", "tank", time.Now().Add(-40*24*time.Hour))
		d.EventID = "old"
		box.add(d)
		runWorker(t, Options{Outbox: box, Routes: []Route{r}}, 24*time.Hour)
		open, sent, dead := box.count()
		assert.Equal(t, []int{0, 1, 0}, []int{open, sent, dead})
	})
}

// Many pending messages become one that lists them; a retry keeps its id and
// its contents, and none is left out.
func TestWorkerFoldsStorms(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		fails := 3
		r := &scripted{name: "phone"}
		r.send = func(_ context.Context, ds []rules.Delivery) Outcome {
			if fails--; fails >= 0 {
				box.add(lit("phone", "late", time.Now())) // more arrive meanwhile
				return Outcome{Kind: Again, Note: "503"}
			}
			return ok
		}
		for i := range 120 {
			box.add(lit("phone", fmt.Sprintf("lamp%d", i%60), time.Now()))
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 10}}}, time.Hour)
		_, sent, _ := box.count()
		assert.Equal(t, 123, sent)
		var all []string
		for i, g := range r.got {
			if i < 3 { // failed
				assert.True(t, slices.ContainsFunc(r.got[3:], func(h got) bool { return slices.Equal(g.ids, h.ids) }), "the retry is the same message")
				continue
			}
			all = append(all, g.ids...)
		}
		slices.Sort(all)
		assert.Len(t, all, 123)
		assert.Len(t, slices.Compact(all), 123, "each once")
		assert.Less(t, len(r.got), 10)
	})
	// Negative control: without the limit each goes by itself.
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		r := &scripted{name: "phone", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		for i := range 120 {
			box.add(lit("phone", fmt.Sprint(i), time.Now()))
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}}, time.Hour)
		assert.Len(t, r.got, 120)
	})
}

// The gap of a lamp and the rate of a route are kept; what waits is not lost.
func TestWorkerGapAndRate(t *testing.T) { gapAndRate(t, 1) }

// So they are by a daemon that is started anew all the time.
func TestWorkerGapAndRateOverRestarts(t *testing.T) { gapAndRate(t, 45) }

// gapAndRate runs a worker for three hours, with so many starts.
func gapAndRate(t *testing.T, starts int) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		gap := &scripted{name: "gap", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		rate := &scripted{name: "rate", send: gap.send}
		start := time.Now()
		for range 6 {
			box.add(lit("gap", "tank", start), lit("gap", "salt", start), lit("rate", "tank", start))
		}
		for range starts {
			runWorker(t, Options{Outbox: box, Routes: []Route{gap, rate}, Limits: map[string]Limit{
				"gap":  {Gap: 10 * time.Minute},
				"rate": {Rate: 2, Per: 30 * time.Minute},
			}}, 3*time.Hour/time.Duration(starts))
		}
		var at []time.Duration
		for _, g := range gap.got {
			at = append(at, g.at.Sub(start))
		}
		m := time.Minute
		assert.Equal(t, []time.Duration{0, 0, 10 * m, 10 * m, 20 * m, 20 * m, 30 * m, 30 * m, 40 * m, 40 * m, 50 * m, 50 * m}, at)
		at = nil
		for _, g := range rate.got {
			at = append(at, g.at.Sub(start))
		}
		assert.Equal(t, []time.Duration{0, 0, 30 * m, 30 * m, 60 * m, 60 * m}, at)
	})
}

// A folded message counts once against the rate, so that a storm passes.
func TestWorkerRateFoldsWhatWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{}
		r := &scripted{name: "phone", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		start := time.Now()
		for i := range 30 {
			d := lit("phone", fmt.Sprint(i), start)
			d.Due = start.Add(time.Duration(i) * time.Second)
			box.add(d)
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 3, Rate: 3, Per: time.Hour}}}, 2*time.Hour)
		_, sent, _ := box.count()
		assert.Equal(t, 30, sent)
		require.Len(t, r.got, 4)
		assert.Len(t, r.got[3].ids, 27)
		assert.Equal(t, time.Hour, r.got[3].at.Sub(start))
	})
}
