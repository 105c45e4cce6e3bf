package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/notify"
	"lampward/rules"
	"lampward/store"
)

const clockConfig = `
[[lamp]]
name = "tank"
topic = "cellar/tank"
on_above = 600
off_below = 400
on_delay = "1ms"
off_delay = "1ms"
[[lamp]]
name = "salt"
topic = "cellar/salt"
[[device]]
name = "tank"
report_every = "1m"
silent_after = "10m"
[[webhook]]
name = "phone"
url = "http://192.0.2.1/"
`

// clockLife lives the same three days each time, while the wall clock does
// what wall says (given the true time since the start). It returns the events
// with their times since the start, and how far the stored wall times were off
// the wall clock of that moment.
func clockLife(t *testing.T, dir string, wall func(since time.Duration) time.Duration) (events []string, worst time.Duration) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		// What the wall clock shows: the true time, and what is wrong with it.
		shown := func(at time.Time) time.Time {
			since := at.Sub(start)
			return demoDay.Add(since + wall(since)).Round(0)
		}
		cfg, err := config.Parse("test.toml", []byte(clockConfig))
		require.NoError(t, err)
		cfg.Store.Dir = dir
		st, err := store.Open(t.Context(), store.Options{Dir: dir, Log: slog.New(slog.DiscardHandler)})
		require.NoError(t, err)
		require.NoError(t, st.Close())
		h := &harness{t: t, dir: dir, cfg: cfg, failing: new(bool)}
		h.real = newMachineClock(func() time.Time { return shown(time.Now()) }, time.Time{}, 0)
		engine := h.real.Now()
		h.boot()
		defer h.crash()
		rng := rand.New(rand.NewPCG(3, 3))
		truth := map[time.Duration]time.Time{} // wall clock at each engine time
		for m := range 3 * 1440 {
			time.Sleep(time.Minute) // the bubble's
			truth[time.Duration(m+1)*time.Minute] = shown(time.Now())
			level := 200
			if m%700 > 400 {
				level = 800
			}
			if m%1000 < 970 { // half an hour of silence now and then
				require.NoError(t, h.publish("cellar/tank", fmt.Sprint(level+rng.IntN(7))))
			}
			require.NoError(t, h.publish("cellar/salt", fmt.Sprint(level/2+rng.IntN(7))))
			require.NoError(t, h.turn(nil))
		}
		difference, _ := h.replayAll()
		assert.Empty(t, difference)
		list, err := h.st.Events(t.Context(), store.EventFilter{Limit: 1000})
		require.NoError(t, err)
		for _, e := range slices.Backward(list) {
			since := e.Event.At.Sub(engine)
			e.Event.At, e.Event.Since = time.Time{}, time.Time{}
			b, err := json.Marshal(e.Event)
			require.NoError(t, err)
			events = append(events, fmt.Sprintf("%s %s", since, b))
			if at, ok := truth[since.Round(time.Minute)]; ok {
				worst = max(worst, e.Wall.Sub(at.Add(since-since.Round(time.Minute))).Abs())
			}
		}
	})
	return events, worst
}

// What the wall clock does decides nothing: steps both ways, days on end, a
// machine that sleeps for hours (for it, the monotonic clock stands still and
// the wall clock jumps), a smeared leap second, a bad crystal. Events are the
// same, to the millisecond and the letter, as with a perfect clock, and are
// dated as the wall clock stood then.
func TestWallClockDecidesNothing(t *testing.T) {
	want, worst := clockLife(t, scratch(t), func(time.Duration) time.Duration { return 0 })
	require.Greater(t, len(want), 15)
	assert.Less(t, worst, 10*time.Millisecond)
	const hour = time.Hour
	for name, wall := range map[string]func(since time.Duration) time.Duration{
		"an hour ahead": func(s time.Duration) time.Duration { return step(s, 30*hour, hour) },
		"an hour back":  func(s time.Duration) time.Duration { return step(s, 30*hour, -hour) },
		"a year ahead":  func(s time.Duration) time.Duration { return step(s, 50*hour, 365*24*hour) },
		"a year back":   func(s time.Duration) time.Duration { return step(s, 50*hour, -365*24*hour) },
		"there and back": func(s time.Duration) time.Duration {
			return step(s, 20*hour, 3*hour) + step(s, 21*hour, -3*hour) + step(s, 40*hour, -9*hour) + step(s, 41*hour, 9*hour)
		},
		"asleep for five hours each day": func(s time.Duration) time.Duration { return s / (24 * hour) * 5 * hour },
		// One second over 24 hours, linearly: the "standard smear" of
		// https://developers.google.com/time/smear (from memory).
		"leap smear": func(s time.Duration) time.Duration { return -min(max(0, s-12*hour)/86400, time.Second) },
		// 23:59:60 repeated, as the kernel does without a smear.
		"leap second":   func(s time.Duration) time.Duration { return step(s, 24*hour, -time.Second) },
		"50 ppm slow":   func(s time.Duration) time.Duration { return -s / 20_000 },
		"ticks by 30 s": func(s time.Duration) time.Duration { return -(s % (30 * time.Second)) },
	} {
		if short := []string{"an hour back", "a year ahead", "asleep for five hours each day", "leap smear"}; !inLab() && !slices.Contains(short, name) {
			continue
		}
		t.Run(name, func(t *testing.T) {
			got, worst := clockLife(t, scratch(t), wall)
			assert.Equal(t, want, got)
			t.Logf("%d events the same; dated within %v of the wall clock", len(got), worst)
			limit := 2 * wallStep
			if name == "ticks by 30 s" {
				limit = 31 * time.Second
			}
			assert.LessOrEqual(t, worst, limit)
		})
	}
}

func step(since, at, by time.Duration) time.Duration {
	if since >= at {
		return by
	}
	return 0
}

// wallHarness is a daemon whose wall clock stands where shift says.
func wallHarness(t *testing.T, dir string, shift *time.Duration) *harness {
	return wallHarnessOf(t, clockConfig, dir, shift)
}

func wallHarnessOf(t *testing.T, text, dir string, shift *time.Duration) *harness {
	cfg, err := config.Parse("test.toml", []byte(text))
	require.NoError(t, err)
	cfg.Store.Dir = dir
	h := &harness{t: t, dir: dir, cfg: cfg, failing: new(bool)}
	wall := func() time.Time { return time.Now().Add(*shift).Round(0) }
	st, err := store.Open(t.Context(), store.Options{Dir: dir, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	h.real = resumeClock(wall, st)
	require.NoError(t, st.Close())
	h.boot()
	return h
}

func (h *harness) events() []store.StoredEvent {
	list, err := h.st.Events(context.Background(), store.EventFilter{Limit: 1000})
	require.NoError(h.t, err)
	slices.Reverse(list)
	return list
}

// The machine wakes from sleep, and the first thing it hears is news: it is
// dated by the clock of now, not by that of before the sleep.
func TestNewsRightAfterSleep(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay)
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		for i := range 40 {
			time.Sleep(time.Minute)
			require.NoError(t, h.publish("cellar/tank", fmt.Sprint(200+i%7)))
		}
		shift += 5 * time.Hour // asleep
		require.NoError(t, h.turn(&entry{inputs: []rules.Input{{Kind: rules.InService, Lamp: "salt", Word: "out"}}}))
		first := h.events()[len(h.events())-1]
		require.Equal(t, rules.OutOfService, first.Event.Kind)
		assert.WithinDuration(t, time.Now().Add(shift), first.Wall, 5*time.Second)
		for i := range 3 {
			time.Sleep(time.Second)
			require.NoError(t, h.publish("cellar/tank", fmt.Sprint(800+i%7)))
		}
		lit := 0
		for _, e := range h.events() {
			if e.Event.Kind == rules.Lit {
				lit++
				assert.WithinDuration(t, time.Now().Add(shift), e.Wall, 5*time.Second)
			}
		}
		assert.Equal(t, 1, lit)
	})
}

// What quiet hours hold goes out when they end by the clock on the wall, whatever
// that clock or the machine did meanwhile, and never more than a day late.
func TestHeldUntilQuietHoursEnd(t *testing.T) {
	const quiet = clockConfig + "quiet_hours = [\"22:00-07:00 UTC\"]\n"
	morning := demoDay.Add(7 * time.Hour)
	for name, c := range map[string]struct {
		then func(h *harness, shift *time.Duration) *harness // at 00:40
		want time.Time                                       // on the wall; zero: at once
	}{
		"nothing":           {func(h *harness, _ *time.Duration) *harness { return h }, morning},
		"asleep for 5 h":    {func(h *harness, s *time.Duration) *harness { *s += 5 * time.Hour; return h }, morning},
		"asleep for 9 h":    {func(h *harness, s *time.Duration) *harness { *s += 9 * time.Hour; return h }, time.Time{}},
		"set back by 2 h":   {func(h *harness, s *time.Duration) *harness { *s -= 2 * time.Hour; return h }, morning},
		"set back by 5 h":   {func(h *harness, s *time.Duration) *harness { *s -= 5 * time.Hour; return h }, time.Time{}},
		"set back by years": {func(h *harness, s *time.Duration) *harness { *s -= 5 * 365 * 24 * time.Hour; return h }, time.Time{}},
		"off for 9 h": {func(h *harness, s *time.Duration) *harness {
			h.crash()
			time.Sleep(9 * time.Hour)
			return wallHarnessOf(h.t.(*testing.T), quiet, h.dir, s)
		}, time.Time{}},
		"off, and on with a clock that is not set yet": {func(h *harness, s *time.Duration) *harness {
			h.crash()
			time.Sleep(5 * time.Hour)
			right := *s
			*s = 0 // the year 2000
			h = wallHarnessOf(h.t.(*testing.T), quiet, h.dir, s)
			time.Sleep(time.Minute)
			require.NoError(h.t, h.turn(nil))
			held, err := h.st.Held(h.t.Context(), notify.HeldLine)
			require.NoError(h.t, err)
			require.True(h.t, held[0].Due.After(h.d.clock.Now()), "let go by a clock that is not set")
			*s = right // the time server answers
			return h
		}, morning},
		"another zone, three hours ahead": {func(h *harness, s *time.Duration) *harness {
			h.crash()
			return wallHarnessOf(h.t.(*testing.T), strings.Replace(quiet, "07:00 UTC", "07:00 Etc/GMT-3", 1), h.dir, s)
		}, morning.Add(-3 * time.Hour)},
		"another zone, where it is day": {func(h *harness, s *time.Duration) *harness {
			h.crash()
			return wallHarnessOf(h.t.(*testing.T), strings.Replace(quiet, "07:00 UTC", "07:00 Etc/GMT-9", 1), h.dir, s)
		}, time.Time{}},
		"quiet hours given up": {func(h *harness, s *time.Duration) *harness {
			h.crash()
			return wallHarnessOf(h.t.(*testing.T), clockConfig, h.dir, s)
		}, time.Time{}},
		"dark is to break through": {func(h *harness, s *time.Duration) *harness {
			h.crash()
			return wallHarnessOf(h.t.(*testing.T), quiet+"quiet_through = [\"dark\"]\n", h.dir, s)
		}, time.Time{}},
		"not stored yet": {func(h *harness, s *time.Duration) *harness {
			// What is told as pending here is the second change.
			at := h.d.clock.Now()
			for _, v := range []string{"805", "806", "205", "206"} {
				time.Sleep(time.Second)
				in := h.d.intake.inputs(nil, broker.Message{Topic: "cellar/tank", Payload: []byte(v)}, h.d.clock.Now)
				h.d.takeAll([]entry{{job{at: h.d.clock.Now()}, in}})
			}
			require.True(h.t, len(h.d.pending) > 0 && h.d.pending[0].Input.At.After(at))
			*s += 9 * time.Hour
			return h
		}, time.Time{}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			synctest.Test(t, func(t *testing.T) {
				shift := time.Until(demoDay)
				h := wallHarnessOf(t, quiet, dir, &shift)
				for i := range 40 {
					time.Sleep(time.Minute)
					level := 200
					if i >= 20 && i < 30 {
						level = 800
					}
					require.NoError(t, h.publish("cellar/tank", fmt.Sprint(level+i%7)))
				}
				h = c.then(h, &shift)
				defer h.crash()
				require.NoError(t, h.turn(nil))
				held, err := h.st.Held(t.Context(), notify.HeldLine)
				require.NoError(t, err)
				require.NotEmpty(t, held)
				for _, m := range held {
					require.Equal(t, rules.Dark, m.Event.Kind)
					if c.want.IsZero() {
						assert.False(t, m.Due.After(h.d.clock.Now()))
					} else {
						assert.WithinDuration(t, c.want, m.Due.Add(h.d.wall.offset), time.Second)
					}
				}
				for range 30 { // a clock that is set back again and again
					time.Sleep(time.Hour)
					shift = time.Until(demoDay)
					require.NoError(t, h.turn(nil))
				}
				held, err = h.st.Held(t.Context(), notify.HeldLine)
				require.NoError(t, err)
				for _, m := range held {
					assert.LessOrEqual(t, m.Due.Sub(m.Event.At), 24*time.Hour)
				}
			})
		})
	}
}

// A second's worth of correction backwards is no clock that was not set: with a
// start right after it, what was recorded stays dated as it was.
func TestRestartAfterSmallStepBack(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay)
		h := wallHarness(t, dir, &shift)
		for i := range 40 {
			time.Sleep(time.Minute)
			require.NoError(t, h.publish("cellar/tank", fmt.Sprint(200+i%7)))
		}
		require.NoError(t, h.d.stop())
		h.crash()
		shift -= 900 * time.Millisecond
		h = wallHarness(t, dir, &shift)
		defer h.crash()
		require.False(t, h.d.wall.doubted)
		var told time.Time
		for i := range 10 {
			time.Sleep(time.Minute)
			told = time.Now().Add(shift)
			require.NoError(t, h.publish("cellar/tank", fmt.Sprint(800+i%7)))
		}
		shift += 8 * time.Hour // asleep
		time.Sleep(time.Minute)
		require.NoError(t, h.turn(nil))
		for _, e := range h.events() {
			if e.Event.Kind == rules.Lit {
				assert.WithinDuration(t, told, e.Wall, 10*time.Minute)
				return
			}
		}
		t.Fatal("it was not told")
	})
}

// Readings that are not stored yet when the wall clock is set for the first
// time are dated anew with the others.
func TestClockSetWhileReadingsWait(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Duration(0) // the year 2000
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		h.cfg.Store.Flush = time.Hour
		for i := range 40 {
			time.Sleep(time.Minute)
			require.NoError(t, h.publish("cellar/tank", fmt.Sprint(200+i%7)))
		}
		// QoS 0: nobody waits for it to be stored.
		quietly := func(v string) {
			in := h.d.intake.inputs(nil, broker.Message{Topic: "cellar/tank", Payload: []byte(v)}, h.d.clock.Now)
			h.d.takeAll([]entry{{job{at: h.d.clock.Now()}, in}})
			h.d.tick()
			h.d.commit(context.Background())
			h.d.wait()
		}
		time.Sleep(time.Minute)
		quietly("203")
		require.Len(t, h.d.pending, 1, "the reading waits")
		require.True(t, h.d.wall.doubted)
		time.Sleep(time.Second) // at one moment there is but one clock
		shift = time.Until(demoDay)
		quietly("204")
		require.False(t, h.d.wall.doubted, "a step ends the doubt, without a restart")
		time.Sleep(time.Minute)
		require.NoError(t, h.publish("cellar/tank", "205"))
		trace, err := h.st.Trace(t.Context(), "tank", demoDay.Add(-time.Hour), demoDay.Add(time.Hour), 1000)
		require.NoError(t, err)
		n := int64(0)
		for _, p := range trace {
			n += p.Count
		}
		assert.EqualValues(t, 43, n, "some are still dated in the year 2000")
	})
}

// The time server answers while the disk is full: what was recorded before is
// dated anew as soon as the disk is well.
func TestClockSetWhileDiskIsFull(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Duration(0)
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		say := func(v int) error {
			time.Sleep(time.Minute)
			return h.publish("cellar/tank", fmt.Sprint(v))
		}
		for i := range 40 {
			require.NoError(t, say(200+i%7))
		}
		for i := range 10 {
			require.NoError(t, say(800+i%7))
		}
		h.d.store = fullClock{h.d.store, h.failing}
		*h.failing = true
		shift = time.Until(demoDay)
		time.Sleep(time.Minute)
		_ = h.turn(nil)
		require.Error(t, say(802))
		*h.failing = false
		for i := range 5 {
			time.Sleep(mendEvery)
			_ = h.turn(nil)
			_ = say(803 + i)
		}
		for _, e := range h.events() {
			if e.Event.Kind == rules.Lit {
				assert.WithinDuration(t, time.Now().Add(shift), e.Wall, time.Hour)
				return
			}
		}
		t.Error("not lit")
	})
}

// fullClock is a store on a full disk.
type fullClock struct {
	keeper
	failing *bool
}

func (s fullClock) CorrectWall(ctx context.Context, from int64, offset time.Duration) error {
	if *s.failing {
		return errDisk
	}
	return s.keeper.CorrectWall(ctx, from, offset)
}

// A restart while the wall clock stands wrong either way: engine time goes on,
// and no board is blamed.
func TestRestartWithWrongClock(t *testing.T) {
	for name, by := range map[string]time.Duration{
		"a day back": -24 * time.Hour, "thirty years back": -30 * 365 * 24 * time.Hour, "a day ahead": 24 * time.Hour, "thirty years ahead": 30 * 365 * 24 * time.Hour,
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			synctest.Test(t, func(t *testing.T) {
				right := time.Until(demoDay)
				shift := right
				h := wallHarness(t, dir, &shift)
				live := func(minutes, level int) {
					for i := range minutes {
						time.Sleep(time.Minute)
						require.NoError(t, h.publish("cellar/tank", fmt.Sprint(level+i%7)))
					}
				}
				live(60, 200)
				require.NoError(t, h.d.stop())
				h.crash()
				time.Sleep(20 * time.Minute)
				shift = right + by
				h = wallHarness(t, dir, &shift)
				live(60, 200)
				live(10, 800)
				shift = right // the time server answers
				live(60, 800)
				h.crash()
				h = wallHarness(t, dir, &shift)
				defer h.crash()
				live(60, 800)
				difference, kinds := h.replayAll()
				assert.Empty(t, difference)
				assert.Equal(t, 1, kinds[rules.Lit])
				assert.Zero(t, kinds[rules.Silent]+kinds[rules.Dark])
				for _, e := range h.events() {
					if e.Event.Kind == rules.Lit && (by < 0 || by > noGap) {
						assert.WithinDuration(t, time.Now().Add(shift), e.Wall, 4*time.Hour)
					}
					if e.Event.Kind == rules.Downtime {
						assert.Less(t, e.Event.At.Sub(e.Event.Since), 25*time.Hour, e.Event.Text)
					}
				}
			})
		})
	}
}

// A board computer without a clock battery and without a network keeps the clock of
// its maker until it meets a time server, which may be before the next start. The years
// between have not passed: nobody is told that nothing was recorded for so long, and
// what is shelved stays so.
func TestRestartAfterAClockThatWasNeverSet(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		right := time.Until(demoDay)
		shift := -time.Since(time.Unix(5, 0))
		h := wallHarness(t, dir, &shift)
		require.True(t, h.d.wall.doubted)
		live := func(minutes, level int) {
			for i := range minutes {
				time.Sleep(time.Minute)
				require.NoError(t, h.publish("cellar/tank", fmt.Sprint(level+i%7)))
				require.NoError(t, h.turn(nil))
			}
		}
		live(60, 200)
		h.d.step(rules.Input{Kind: rules.InShelve, Lamp: "tank", For: 2 * time.Hour}, h.d.clock.Now())
		live(1, 200)
		h.crash()
		time.Sleep(20 * time.Minute)
		shift = right
		h = wallHarness(t, dir, &shift)
		defer h.crash()
		assert.False(t, h.d.wall.doubted)
		live(60, 800)
		difference, kinds := h.replayAll()
		assert.Empty(t, difference)
		assert.Equal(t, 1, kinds[rules.Lit])
		assert.Zero(t, kinds[rules.Downtime]+kinds[rules.Silent]+kinds[rules.Unshelved])
		events := h.events()
		last := events[len(events)-1]
		assert.Equal(t, rules.QuietShelved, last.Event.Quiet)
		assert.WithinDuration(t, time.Now().Add(shift), last.Wall, time.Hour)
	})
}

// A clock that is years ahead, but not so many that it is known to be wrong, makes
// nothing old for a day, so that a time server may say so first, however often the
// daemon starts meanwhile.
func TestWrongClockOverRestartsDropsNothing(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		right := time.Until(demoDay)
		shift := right
		h := wallHarness(t, dir, &shift)
		live := func(minutes, level int) {
			for i := range minutes {
				time.Sleep(time.Minute)
				require.NoError(t, h.publish("cellar/tank", fmt.Sprint(level+i%7)))
				require.NoError(t, h.turn(nil))
			}
		}
		again := func() {
			require.NoError(t, h.d.stop())
			h.crash()
			h = wallHarness(t, dir, &shift)
		}
		first := time.Now().Add(shift)
		kept := func() (lit, points int) {
			list, err := h.st.Events(t.Context(), store.EventFilter{Kinds: []rules.Kind{rules.Lit}, Limit: 1000})
			require.NoError(t, err)
			p, err := h.st.Trace(t.Context(), "tank", first, first.Add(2*time.Hour+time.Second), 1000)
			require.NoError(t, err)
			return len(list), len(p)
		}
		live(60, 200)
		live(60, 800)
		shift = right + 6*365*24*time.Hour
		for range 3 {
			again()
			live(30, 800)
		}
		lit, points := kept()
		assert.Equal(t, 1, lit)
		assert.Equal(t, 120, points)
		live(90, 800)
		shift = right // the time server answers
		live(60, 800)
		again()
		defer func() { h.crash() }()
		live(70, 800)
		h.d.waitPruned()
		lit, points = kept()
		assert.Equal(t, 1, lit)
		assert.Equal(t, 120, points)
	})
}

// A clock that was ahead when the daemon ran last, and was set back meanwhile, is
// doubted once: the next start finds nothing wrong with it.
func TestDoubtEndsWithTheNextStart(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay) + time.Hour
		h := wallHarness(t, dir, &shift)
		require.NoError(t, h.publish("cellar/tank", "200"))
		h.crash()
		shift -= time.Hour
		for _, doubted := range []bool{true, false} {
			time.Sleep(time.Minute)
			h = wallHarness(t, dir, &shift)
			require.Equal(t, doubted, h.d.wall.doubted)
			require.NoError(t, h.publish("cellar/tank", "200"))
			h.crash()
		}
	})
}
