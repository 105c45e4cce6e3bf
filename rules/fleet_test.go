package rules

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const week = 7 * 24 * time.Hour

func everyMinute(n int) []time.Duration {
	out := make([]time.Duration, n)
	for i := range out {
		out[i] = time.Minute
	}
	return out
}

func TestMassOutageIsOneMessageAndOneForTheRecovery(t *testing.T) {
	mixed := []time.Duration{10 * time.Second, 20 * time.Second, time.Minute, time.Minute, time.Minute, 5 * time.Minute, 10 * time.Minute}
	for name, intervals := range map[string][]time.Duration{"five alike": everyMinute(5), "twenty alike": everyMinute(20), "mixed": mixed, "three": everyMinute(3)} {
		for seed := range uint64(10) {
			t.Run(fmt.Sprintf("%s/%d", name, seed), func(t *testing.T) {
				h := newHouse(t, 7_000_000+seed, Config{}, intervals...)
				require.Empty(t, h.run(3*24*time.Hour))
				h.all(func(b *board) { b.deaf = true })
				down := h.now
				got := h.run(5 * time.Hour)
				require.Equal(t, []Kind{ManySilent}, kinds(got), "%+v", got)
				assert.Equal(t, CauseNetwork, got[0].Cause)
				assert.WithinDuration(t, down, got[0].Since, 2*time.Minute)
				assert.Less(t, got[0].At.Sub(down), 15*time.Minute)
				assert.Contains(t, got[0].Text, "board1")
				h.all(func(b *board) { b.deaf = false })
				got = h.run(5 * time.Hour)
				require.Equal(t, []Kind{ManyReturned}, kinds(got), "%+v", got)
				assert.Contains(t, got[0].Text, fmt.Sprintf("%d devices report again after 5 h", len(intervals)))
				assert.Empty(t, h.run(24*time.Hour))
			})
		}
	}
}

// TestFoldingControl: without folding the same outage is a message for every
// board, so the test above can fail.
func TestFoldingControl(t *testing.T) {
	h := newHouse(t, 7_000_000, Config{FoldDevices: 99}, everyMinute(5)...)
	h.run(3 * 24 * time.Hour)
	h.all(func(b *board) { b.deaf = true })
	assert.Len(t, h.run(5*time.Hour), 5)
	h.all(func(b *board) { b.deaf = false })
	assert.Len(t, h.run(5*time.Hour), 5)
}

func TestSingleSilenceIsNeverDelayed(t *testing.T) {
	for seed := range uint64(10) {
		h := newHouse(t, 7_000_100+seed, Config{}, everyMinute(8)...)
		h.run(3 * 24 * time.Hour)
		dead := h.boards[3]
		dead.dead = true
		s, _ := h.m.DeviceStatus(dead.name, h.now)
		require.False(t, s.Due.IsZero())
		got := h.run(2 * time.Hour)
		require.Equal(t, []Kind{Silent}, kinds(got))
		assert.Equal(t, s.Due, got[0].At, "to the millisecond")
		assert.Equal(t, dead.name, got[0].Device)
		dead.dead, dead.next = false, h.now
		got = h.run(time.Hour)
		require.Equal(t, []Kind{Returned}, kinds(got))
		assert.Contains(t, got[0].Text, "reports again after 2 h")
	}
}

// TestHoldIsBounded: two of three needed stop at once; the first waits for a
// third, which does not come, for no longer than stated.
func TestHoldIsBounded(t *testing.T) {
	held := 0
	for seed := range uint64(20) {
		h := newHouse(t, 7_000_200+seed, Config{}, everyMinute(2)...)
		h.run(3 * 24 * time.Hour)
		due := map[string]time.Time{}
		h.all(func(b *board) {
			b.dead = true
			s, _ := h.m.DeviceStatus(b.name, h.now)
			due[b.name] = s.Due
		})
		got := h.run(time.Hour)
		require.Equal(t, []Kind{Silent, Silent}, kinds(got))
		for _, e := range got {
			wait := e.At.Sub(due[e.Device])
			assert.GreaterOrEqual(t, wait, time.Duration(0))
			assert.LessOrEqual(t, wait, holdFor)
			if wait > 0 {
				held++
			}
		}
	}
	// With two boards no third can come, so nothing may wait.
	assert.Zero(t, held)

	for seed := range uint64(20) {
		h := newHouse(t, 7_000_300+seed, Config{FoldDevices: 4}, everyMinute(6)...)
		h.run(3 * 24 * time.Hour)
		due := map[string]time.Time{}
		for _, b := range h.boards[:3] {
			b.dead = true
			s, _ := h.m.DeviceStatus(b.name, h.now)
			due[b.name] = s.Due
		}
		got := h.run(time.Hour)
		require.Len(t, got, 3)
		for _, e := range got {
			wait := e.At.Sub(due[e.Device])
			assert.LessOrEqual(t, wait, holdFor)
			if wait > 0 {
				held++
			}
		}
	}
	t.Log(held, "of 60 silences waited for others")
}

// TestHeldBackSurvivesRestart also shows that a board that comes back while its
// message waits causes none.
func TestHeldBackSurvivesRestart(t *testing.T) {
	f := fleet{}
	a, b, c := newDevice(DeviceConfig{Name: "a"}), newDevice(DeviceConfig{Name: "b"}), newDevice(DeviceConfig{Name: "c"})
	devs := []*device{a, b, c}
	f.configure(3, devs)
	at := epoch
	for i := range 2000 {
		at = at.Add(time.Minute)
		a.report(&Input{At: at}, nil)
		b.report(&Input{At: at.Add(time.Second)}, nil)
		if i%10 == 8 {
			c.report(&Input{At: at.Add(2 * time.Second)}, nil)
		}
	}
	// When a falls silent b is late, and c, which reports more slowly, not yet.
	due, ok := a.next()
	require.True(t, ok)
	out := f.filter(due, a.fire(due, nil), nil)
	require.Empty(t, out, "a waits")
	until, ok := f.next()
	require.True(t, ok)
	assert.Equal(t, due.Add(holdFor), until)

	var g fleet
	require.NoError(t, g.unmarshal(f.marshal()))
	var copies []*device
	for _, d := range devs {
		e, err := restoredDevice(d.cfg, d.marshal())
		require.NoError(t, err)
		assert.Equal(t, d.marshal(), e.marshal())
		copies = append(copies, e)
	}
	g.configure(3, copies)
	next, ok := g.next()
	require.True(t, ok, "the wait survives a restart")
	assert.Equal(t, until, next)

	// a comes back: nothing was told, so nothing is.
	out = f.filter(due.Add(time.Second), a.report(&Input{At: due.Add(time.Second)}, nil), nil)
	assert.Empty(t, out)
	_, ok = f.next()
	assert.False(t, ok)

	// The copy does not: it is told at the end of the wait.
	out = g.fire(until, nil)
	require.Equal(t, []Kind{Silent}, kinds(out))
	assert.Equal(t, "a", out[0].Device)
}

func TestStragglerIsNamedAndTold(t *testing.T) {
	h := newHouse(t, 7_000_400, Config{}, everyMinute(5)...)
	h.run(3 * 24 * time.Hour)
	h.all(func(b *board) { b.deaf = true })
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
	h.all(func(b *board) { b.deaf = b.name == "board4" })
	got := h.run(time.Hour)
	require.Equal(t, []Kind{ManyReturned}, kinds(got))
	assert.Contains(t, got[0].Text, "4 devices report again")
	assert.Contains(t, got[0].Text, "still silent: board4")
	h.boards[3].deaf = false
	got = h.run(time.Hour)
	require.Equal(t, []Kind{Returned}, kinds(got))
	assert.Equal(t, "board4", got[0].Device)
}

func TestOneIsBack(t *testing.T) {
	h := newHouse(t, 7_000_400, Config{}, everyMinute(5)...)
	h.run(3 * 24 * time.Hour)
	h.all(func(b *board) { b.deaf = true })
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
	h.all(func(b *board) { b.deaf = b.name != "board4" })
	got := h.run(time.Hour)
	require.Equal(t, []Kind{ManyReturned}, kinds(got))
	assert.Contains(t, got[0].Text, "1 device reports again after ")
	assert.Contains(t, got[0].Text, "still silent: ")
}

// A board that had missed some reports when the whole house went quiet is no
// second message; one that then stays away is named.
func TestLossyBeforeTheOutage(t *testing.T) {
	for seed := range uint64(10) {
		for _, stays := range []bool{false, true} {
			h := newHouse(t, 7_000_800+seed, Config{}, time.Minute, time.Minute, 5*time.Minute, time.Minute, time.Minute)
			require.Empty(t, h.run(3*24*time.Hour))
			lossy := h.boards[2]
			lossy.dead = true
			require.Empty(t, h.run(12*time.Minute))
			h.all(func(b *board) { b.deaf = true })
			got := h.run(5 * time.Hour)
			require.Equal(t, []Kind{ManySilent}, kinds(got), "%+v", got)
			h.all(func(b *board) { b.deaf = false })
			if !stays {
				lossy.dead, lossy.next = false, h.now
			}
			got = h.run(2 * time.Hour)
			require.Equal(t, []Kind{ManyReturned}, kinds(got), "%+v", got)
			assert.Equal(t, stays, strings.Contains(got[0].Text, "still silent: "+lossy.name), got[0].Text)
		}
	}
}

func TestPartOfTheHouse(t *testing.T) {
	h := newHouse(t, 7_000_500, Config{}, append(everyMinute(12), 6*time.Hour)...) // the last has not been due since
	h.run(3 * 24 * time.Hour)
	for _, b := range h.boards[2:6] {
		b.deaf = true
	}
	got := h.run(time.Hour)
	require.Equal(t, []Kind{ManySilent}, kinds(got))
	assert.Equal(t, "4 devices stopped reporting together: board3, board4, board5, board6", got[0].Text)
	assert.Contains(t, got[0].Why, "what they share")
	assert.NotContains(t, got[0].Why, "told before", "nobody was")
	// One more dies alone, later: that is its own message.
	h.boards[9].dead = true
	got = h.run(time.Hour)
	require.Equal(t, []Kind{Silent}, kinds(got))
}

func TestUplinkDownBlamesNoDevice(t *testing.T) {
	h := newHouse(t, 7_000_600, Config{}, everyMinute(4)...)
	h.run(3 * 24 * time.Hour)
	h.all(func(b *board) { b.deaf = true })
	h.step(Input{Kind: InUplink, Word: UplinkDown})
	down := h.now
	got := h.run(12 * time.Hour)
	require.Equal(t, []Kind{ManySilent}, kinds(got), "%+v", got)
	assert.Equal(t, down.Add(tellDownAfter), got[0].At)
	assert.Contains(t, got[0].Text, "broker")
	got = h.step(Input{Kind: InUplink, Word: UplinkUp})
	require.Equal(t, []Kind{ManyReturned}, kinds(got))
	h.all(func(b *board) { b.deaf = false })
	assert.Empty(t, h.run(24*time.Hour))

	// A short one is no news at all.
	h.step(Input{Kind: InUplink, Word: UplinkDown})
	assert.Empty(t, h.run(4*time.Minute))
	assert.Empty(t, h.step(Input{Kind: InUplink, Word: UplinkUp}))

	// Once it is back, silence counts again.
	h.boards[0].dead = true
	assert.Equal(t, []Kind{Silent}, kinds(h.run(time.Hour)))
}

func TestUplinkDownOverRestart(t *testing.T) {
	h := newHouse(t, 7_000_700, Config{}, everyMinute(3)...)
	h.run(24 * time.Hour)
	h.step(Input{Kind: InUplink, Word: UplinkDown})
	h.all(func(b *board) { b.deaf = true })
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(10*time.Minute)))
	h.restart(time.Minute)
	h.step(Input{Kind: InUplink, Word: UplinkDown})
	assert.Empty(t, h.run(time.Hour), "told once")
	assert.Equal(t, []Kind{ManyReturned}, kinds(h.step(Input{Kind: InUplink, Word: UplinkUp})))
}

func TestDowntimeIsNobodysSilence(t *testing.T) {
	for seed := range uint64(5) {
		h := newHouse(t, 7_000_800+seed, Config{}, everyMinute(4)...)
		h.run(3 * 24 * time.Hour)
		assert.Equal(t, []Kind{Downtime}, kinds(h.restart(26*time.Hour)))
		assert.Empty(t, h.run(24*time.Hour))
		// One that died meanwhile is still found.
		h.boards[1].dead = true
		h.restart(time.Hour)
		assert.Equal(t, []Kind{Silent}, kinds(h.run(time.Hour)))
		// And all that died while lampward was down are one message.
		h.all(func(b *board) { b.dead = true })
		h.restart(time.Hour)
		assert.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
	}
}

// TestOutageOverRestart: the recovery of an outage that lampward's own restart
// falls into is one message.
func TestOutageOverRestart(t *testing.T) {
	h := newHouse(t, 7_000_900, Config{}, everyMinute(5)...)
	h.run(3 * 24 * time.Hour)
	h.all(func(b *board) { b.deaf = true })
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
	h.restart(time.Minute)
	assert.Empty(t, h.run(time.Hour))
	h.all(func(b *board) { b.deaf = false })
	assert.Equal(t, []Kind{ManyReturned}, kinds(h.run(time.Hour)))
}

func TestFleetRefusesDamage(t *testing.T) {
	var f fleet
	f.configure(0, nil)
	b := f.marshal()
	assert.Error(t, f.unmarshal(b[:len(b)-1]))
	assert.ErrorContains(t, f.unmarshal([]byte(`{"version":99}`)), "version")
	assert.NoError(t, f.unmarshal(b))
}

// TestQuietHouse is the promise as a person sees it: ten boards, half a year,
// ordinary losses of readings, and hardly a message.
func TestQuietHouse(t *testing.T) {
	h := newHouse(t, 7_001_000, Config{}, everyMinute(4)...)
	for range 60 {
		h.run(24 * time.Hour)
		b := h.boards[h.r.IntN(len(h.boards))] // one loses two reports in a row
		b.next = b.next.Add(2 * b.every)
	}
	assert.Empty(t, h.events)
}

// TestOutageWithinOutage: while one outage lasts another begins. A restart in
// between changes nothing, and the first to be back are told though others
// fall silent meanwhile.
func TestOutageWithinOutage(t *testing.T) {
	h := newHouse(t, 7_003_500, Config{}, everyMinute(8)...)
	h.run(3 * 24 * time.Hour)
	deaf := func(from, to int, deaf bool) {
		for _, b := range h.boards[from:to] {
			b.deaf = deaf
		}
	}
	deaf(0, 3, true)
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
	deaf(3, 6, true)
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
	parts, err := h.m.Snapshot()
	require.NoError(t, err)
	again, err := Restore(parts)
	require.NoError(t, err)
	same, err := again.Snapshot()
	require.NoError(t, err)
	assert.Equal(t, parts, same)
	// One that dies alone is told though two outages are open.
	deaf(7, 8, true)
	require.Equal(t, []Kind{Silent}, kinds(h.run(time.Hour)))
	deaf(7, 8, false)
	require.Equal(t, []Kind{Returned}, kinds(h.run(time.Hour)))
	deaf(0, 6, false)
	got := h.run(time.Hour)
	require.Equal(t, []Kind{ManyReturned}, kinds(got), "%+v", got)
	assert.Contains(t, got[0].Text, "6 devices report again")

	deaf(0, 3, true)
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
	deaf(3, 6, true)
	due := h.now.Add(time.Hour)
	for _, b := range h.boards[3:6] {
		if s, _ := h.m.DeviceStatus(b.name, h.now); s.Due.Before(due) {
			due = s.Due
		}
	}
	h.run(due.Sub(h.now) - time.Minute)
	deaf(0, 2, false)
	got = h.run(time.Hour)
	require.Equal(t, []Kind{ManySilent, ManyReturned}, kinds(got), "%+v", got)
	assert.Contains(t, got[1].Text, "2 devices report again")
}

// eachHoldingBack gives do houses of which no board gets through, at the moment at which
// one is called silent and not told of, for others may join it.
func eachHoldingBack(t *testing.T, do func(h *house)) {
	held := 0
	for seed := range uint64(10) {
		h := newHouse(t, 7_003_100+seed, Config{}, time.Minute, time.Minute, 20*time.Minute)
		h.run(6 * 24 * time.Hour)
		h.events = nil
		h.all(func(b *board) { b.deaf = true })
		for range 60 {
			if h.run(10 * time.Second); h.m.devices[0].heldBack || h.m.devices[1].heldBack {
				break
			}
		}
		if len(h.events) > 0 {
			continue // told at once
		}
		held++
		do(h)
	}
	require.NotZero(t, held, "else this proves nothing")
}

// TestHeldBackThenUplinkDown: lampward loses the broker while a silence waits for
// others to join it. Then the broker is to blame, and no board.
func TestHeldBackThenUplinkDown(t *testing.T) {
	eachHoldingBack(t, func(h *house) {
		h.step(Input{Kind: InUplink, Word: UplinkDown})
		got := h.run(12 * time.Hour)
		require.Equal(t, []Kind{ManySilent}, kinds(got), "%+v", got)
		assert.Contains(t, got[0].Text, "broker is out of reach")
		h.boards[1].deaf, h.boards[2].deaf = false, false
		h.step(Input{Kind: InUplink, Word: UplinkUp})
		got = h.run(time.Hour)
		require.Equal(t, []Kind{Silent}, kinds(got), "one that is dead all the same is told")
		assert.Equal(t, "board1", got[0].Device)
	})
}

// Two of three are back, and the third is taken out of the configuration: the
// recovery is told all the same.
func TestMissingBoardRemoved(t *testing.T) {
	h := newHouse(t, 7_003_200, Config{}, everyMinute(4)...)
	h.run(3 * 24 * time.Hour)
	h.all(func(b *board) { b.deaf = true })
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
	h.all(func(b *board) { b.deaf = b.name == "board4" })
	require.Empty(t, h.run(61*time.Second))
	cfg := h.m.Config()
	cfg.Devices = cfg.Devices[:3]
	h.boards = h.boards[:3]
	h.step(Input{Kind: InConfig, Config: &cfg})
	h.step(Input{Kind: InStart})
	got := h.run(time.Hour)
	require.Equal(t, []Kind{ManyReturned}, kinds(got))
	assert.Contains(t, got[0].Text, "3 devices report again")
}

// All boards of an outage are taken out of the configuration: it is over, and the
// next one tells of itself only.
func TestOutageRemoved(t *testing.T) {
	h := newHouse(t, 7_004_300, Config{}, everyMinute(7)...)
	h.run(3 * 24 * time.Hour)
	deaf := func(boards []*board, deaf bool) {
		for _, b := range boards {
			b.deaf = deaf
		}
	}
	deaf(h.boards[4:], true)
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
	cfg := h.m.Config()
	cfg.Devices = cfg.Devices[:4]
	h.boards = h.boards[:4]
	require.Empty(t, h.step(Input{Kind: InConfig, Config: &cfg}))
	require.Empty(t, h.run(24*time.Hour))
	began := h.now
	deaf(h.boards[:3], true)
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(2*time.Hour)))
	deaf(h.boards, false)
	got := h.run(time.Hour)
	require.Equal(t, []Kind{ManyReturned}, kinds(got), "%+v", got)
	assert.Contains(t, got[0].Text, "3 devices report again after 2 h")
	assert.WithinDuration(t, began, got[0].Since, 2*time.Minute)
}

// Two boards that are silent wait for a third, which is only late when the wait
// ends: they are told together.
func TestLateOneAtTheEndOfTheWait(t *testing.T) {
	many := 0
	for seed := range uint64(10) {
		h := newHouse(t, 7_004_400+seed, Config{}, time.Minute, time.Minute, 20*time.Minute)
		h.run(6 * 24 * time.Hour)
		h.events = nil
		fast, slow := h.boards[0], h.boards[2]
		s, _ := h.m.DeviceStatus(fast.name, h.now)
		h.run(slow.next.Sub(h.now) + time.Second)
		h.run(slow.next.Add(-s.Limit).Sub(h.now) + time.Duration(seed)*15*time.Second)
		h.all(func(b *board) { b.deaf = true })
		together := false
		for len(h.events) == 0 {
			both := h.m.devices[0].heldBack && h.m.devices[1].heldBack
			s, _ := h.m.DeviceStatus(slow.name, h.now)
			together = both && s.Overdue
			h.run(time.Second)
		}
		if !together {
			continue
		}
		many++
		h.run(time.Hour)
		require.Equal(t, []Kind{ManySilent}, kinds(h.events), "seed %d: %+v", seed, h.events)
		assert.Contains(t, h.events[0].Text, "3 devices")
	}
	require.NotZero(t, many, "else this proves nothing")
}

// Lampward was down while it waited for boards: each gets the time to report that
// it had before.
func TestWaitsBeginAnewWithAStart(t *testing.T) {
	t.Run("those held back", func(t *testing.T) {
		eachHoldingBack(t, func(h *house) {
			h.all(func(b *board) { b.deaf = false })
			require.Equal(t, []Kind{Downtime}, kinds(h.restart(time.Hour)))
			assert.Empty(t, h.run(time.Hour))
		})
	})
	t.Run("those not back", func(t *testing.T) {
		h := newHouse(t, 7_000_400, Config{}, everyMinute(5)...)
		h.run(3 * 24 * time.Hour)
		h.all(func(b *board) { b.deaf = true })
		require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
		h.all(func(b *board) { b.deaf = b.name == "board4" })
		for h.m.fleet.s.Back < 4 {
			require.Empty(t, h.run(time.Second))
		}
		h.all(func(b *board) { b.deaf = false })
		require.Equal(t, []Kind{Downtime}, kinds(h.restart(time.Hour)))
		got := h.run(time.Hour)
		require.Equal(t, []Kind{ManyReturned}, kinds(got))
		assert.Contains(t, got[0].Text, "5 devices report again")
	})
}

// An outage takes fast boards, which are told, and a slow one, which would be
// due only after lampward's restart: it joins them.
func TestSlowBoardJoinsOverRestart(t *testing.T) {
	h := newHouse(t, 7_003_300, Config{}, time.Minute, time.Minute, time.Minute, 20*time.Minute)
	h.run(6 * 24 * time.Hour)
	h.all(func(b *board) { b.deaf = true })
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(12*time.Minute)))
	h.restart(time.Minute)
	assert.Empty(t, h.run(5*time.Hour))
	h.all(func(b *board) { b.deaf = false })
	assert.Equal(t, []Kind{ManyReturned}, kinds(h.run(time.Hour)))
}

// A connection to the broker that is lost again before it has held for long is
// told as one outage, once, and so is its end.
func TestUplinkComesAndGoes(t *testing.T) {
	h := newHouse(t, 7_003_600, Config{}, everyMinute(4)...)
	h.run(3 * 24 * time.Hour)
	h.boards[0].dead = true // nobody is told: each time it may have to connect again
	began := h.now
	var got []Event
	for range 60 {
		got = append(got, h.step(Input{Kind: InUplink, Word: UplinkDown})...)
		got = append(got, h.run(20*time.Second)...)
		got = append(got, h.step(Input{Kind: InUplink, Word: UplinkUp})...)
		got = append(got, h.run(time.Minute)...)
	}
	require.Equal(t, []Kind{ManySilent}, kinds(got), "%+v", got)
	assert.WithinDuration(t, began.Add(tellShakyAfter), got[0].At, 2*time.Minute)
	assert.Equal(t, began, got[0].Since)
	assert.Contains(t, got[0].Text, "comes and goes")
	up := h.now.Add(-time.Minute)
	got = h.run(time.Hour)
	require.Equal(t, []Kind{Silent, ManyReturned}, kinds(got), "%+v", got)
	assert.Equal(t, up.Add(holdsAfter), got[1].At)
	assert.Equal(t, began, got[1].Since)
	// It is a thing of the past: the next loss is one of its own.
	for range 3 {
		assert.Empty(t, h.step(Input{Kind: InUplink, Word: UplinkDown}))
		assert.Empty(t, h.run(4*time.Minute))
		assert.Empty(t, h.step(Input{Kind: InUplink, Word: UplinkUp}))
		assert.Empty(t, h.run(time.Hour))
	}
}

// An outage of an external broker ends when lampward becomes the broker.
func TestUplinkIsGivenUp(t *testing.T) {
	h := newHouse(t, 7_003_700, Config{}, everyMinute(4)...)
	h.run(3 * 24 * time.Hour)
	h.step(Input{Kind: InUplink, Word: UplinkDown})
	h.all(func(b *board) { b.deaf = true })
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(time.Hour)))
	h.restart(time.Minute)
	require.True(t, h.m.UplinkDown())
	got := h.step(Input{Kind: InUplink, Word: UplinkNone})
	require.Equal(t, []Kind{ManyReturned}, kinds(got))
	assert.Contains(t, got[0].Text, "not used any more")
	require.False(t, h.m.UplinkDown())
	h.all(func(b *board) { b.deaf = false })
	assert.Empty(t, h.run(24*time.Hour))
}

// Of two outages that overlapped the recovery tells how long the longer one was,
// and a slow board that the first one took joins it though the second was told
// before.
func TestOverlappingOutagesAreToldApart(t *testing.T) {
	h := newHouse(t, 7_003_800, Config{}, append(everyMinute(8), 20*time.Minute)...)
	h.run(9 * 24 * time.Hour)
	h.events = nil
	for _, b := range h.boards {
		b.deaf = !(b.name >= "board4" && b.name <= "board8")
	}
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(15*time.Minute)))
	for _, b := range h.boards[3:6] {
		b.deaf = true
	}
	got := h.run(4 * time.Hour)
	require.Equal(t, []Kind{ManySilent}, kinds(got), "%+v", got)
	h.all(func(b *board) { b.deaf = false })
	got = h.run(time.Hour)
	require.Equal(t, []Kind{ManyReturned}, kinds(got), "%+v", got)
	assert.Contains(t, got[0].Text, "7 devices report again after up to 4 h 1")
}

// A slow board whose last report came shortly before an outage does not pass for
// one that reports as usual.
func TestSlowBoardIsNotHeardInAnOutage(t *testing.T) {
	for seed := range uint64(8) {
		h := newHouse(t, 7_003_900+seed, Config{}, append(everyMinute(4), 20*time.Minute)...)
		h.run(9 * 24 * time.Hour)
		h.events = nil
		slow := h.boards[4]
		h.run(slow.next.Sub(h.now) + time.Second) // it has just reported
		h.all(func(b *board) { b.deaf = true })
		got := h.run(15 * time.Minute)
		require.Equal(t, []Kind{ManySilent}, kinds(got), "%+v", got)
		assert.Contains(t, got[0].Why, "None of the devices", "seed %d", seed)
	}
}

// Boards that wait for others to join them are told as many though an older
// outage is open.
func TestHeldBackWithinOutage(t *testing.T) {
	many := 0
	for seed := range uint64(40) {
		told := func(older bool) ([]Kind, bool) {
			h := newHouse(t, 7_004_000+seed, Config{}, append(everyMinute(5), 6*time.Minute)...)
			h.run(4 * 24 * time.Hour)
			for _, b := range h.boards[:3] {
				b.deaf = older
			}
			h.run(time.Hour)
			h.events = nil
			for _, b := range h.boards[3:] {
				b.deaf = true
			}
			held := false
			for range 12 * 15 {
				h.run(5 * time.Second)
				held = held || h.m.devices[3].heldBack || h.m.devices[4].heldBack
			}
			return kinds(h.events), held
		}
		want, held := told(false)
		if !held || len(want) != 1 {
			continue
		}
		many++
		got, _ := told(true)
		require.Equal(t, want, got, "seed %d", seed)
	}
	require.NotZero(t, many, "else this proves nothing")
}

// Lampward is started again while the broker is out of reach: that no board was
// heard for hours is still nobody's silence.
func TestLongUplinkDownOverRestart(t *testing.T) {
	h := newHouse(t, 7_004_100, Config{}, everyMinute(4)...)
	h.run(3 * 24 * time.Hour)
	h.step(Input{Kind: InUplink, Word: UplinkDown})
	h.all(func(b *board) { b.deaf = true })
	require.Equal(t, []Kind{ManySilent}, kinds(h.run(5*time.Hour)))
	assert.Empty(t, h.restart(time.Minute))
	assert.Empty(t, h.run(5*time.Second))
	assert.Equal(t, []Kind{ManyReturned}, kinds(h.step(Input{Kind: InUplink, Word: UplinkUp})))
	h.all(func(b *board) { b.deaf = false })
	assert.Empty(t, h.run(24*time.Hour))
}

// A board that is missed sooner than the others is told alone; when they are told
// it is not told again, but said to have stopped with them.
func TestToldAloneThenOthers(t *testing.T) {
	cfg := Config{FoldDevices: 4}
	for i := range 5 {
		cfg.Devices = append(cfg.Devices, DeviceConfig{Name: fmt.Sprintf("board%d", i+1)})
	}
	cfg.Devices[0].SilentAfter = 2 * time.Minute
	for _, with := range []bool{true, false} {
		const slow = 30 * time.Minute
		h := newHouse(t, 7_004_200, cfg, time.Minute, slow, slow, slow, slow)
		h.run(9 * 24 * time.Hour)
		h.boards[0].deaf = true
		if !with {
			h.run(3 * time.Hour)
		}
		h.all(func(b *board) { b.next = h.now })
		h.run(time.Second)
		h.all(func(b *board) { b.deaf = true })
		h.events = nil
		got := h.run(5 * time.Hour)
		many := got[len(got)-1]
		require.Equal(t, ManySilent, many.Kind, "%+v", got)
		require.Len(t, got, map[bool]int{true: 2, false: 1}[with])
		assert.NotContains(t, many.Text, "board1")
		assert.Equal(t, with, strings.Contains(many.Why, "board1, told before, may have stopped with them."), many.Why)
	}
}

// However the connection to the broker comes and goes, and lampward with it, that
// it is lost and that it is back are told in turn; and one that holds for an hour
// leaves nothing open.
func TestUplinkIsToldInTurn(t *testing.T) {
	told := map[string]int{}
	means := []time.Duration{30 * time.Second, 5 * time.Minute, time.Hour}
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 12))
		m := New()
		now, down := epoch, false
		step := func(in Input) {
			in.At = now
			for _, e := range m.Step(in) {
				if e.Kind != ManySilent && e.Kind != ManyReturned {
					continue
				}
				require.Equal(t, down, e.Kind == ManyReturned, "seed %d: %+v", seed, e)
				require.False(t, e.Since.After(e.At), "seed %d: %+v", seed, e)
				down = e.Kind == ManySilent
				told[string(e.Kind)+" "+e.Text[:20]]++
			}
		}
		step(Input{Kind: InConfig, Config: &Config{}})
		step(Input{Kind: InStart})
		for i := range 600 {
			wait := time.Duration(r.ExpFloat64() * float64(means[i/200]))
			now = now.Add(wait.Truncate(time.Millisecond))
			if r.IntN(100) == 0 {
				parts, err := m.Snapshot()
				require.NoError(t, err)
				m, err = Restore(parts)
				require.NoError(t, err)
				step(Input{Kind: InStart})
			}
			step(Input{Kind: InUplink, Word: []string{UplinkUp, UplinkDown}[r.IntN(2)]})
		}
		step(Input{Kind: InUplink, Word: UplinkUp})
		now = now.Add(time.Hour)
		step(Input{Kind: InTick})
		require.False(t, down, "seed %d", seed)
	}
	t.Log(told)
	require.Len(t, told, 4)
}
