package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

func TestEvents(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	kinds := []rules.Kind{rules.Lit, rules.Dark, rules.Blinking}
	for i := range 300 {
		appendAll(t, s, reading(day0.Add(time.Duration(i)*time.Hour), "salt", 1),
			alert(day0.Add(time.Duration(i)*time.Hour), []string{"tank", "salt"}[i%2], kinds[i%3]))
	}
	get := func(f EventFilter) []StoredEvent {
		t.Helper()
		ev, err := s.Events(ctx, f)
		require.NoError(t, err)
		for i := 1; i < len(ev); i++ {
			require.Less(t, ev[i].Row, ev[i-1].Row, "newest first")
		}
		return ev
	}
	require.Len(t, get(EventFilter{}), 100)
	require.Len(t, get(EventFilter{Limit: 1000}), 300)
	require.Len(t, get(EventFilter{Limit: 1000, Key: "lamp/tank"}), 150)
	require.Len(t, get(EventFilter{Limit: 1000, Key: "lamp/tank", Kinds: []rules.Kind{rules.Lit, rules.Silent}}), 50)
	require.Empty(t, get(EventFilter{Key: "lamp/none"}))
	require.Empty(t, get(EventFilter{Kinds: []rules.Kind{"none"}}))
	ev := get(EventFilter{Limit: 3, Before: 11})
	require.EqualValues(t, 10, ev[0].Row)
	require.EqualValues(t, 20, ev[0].Seq)
	require.Equal(t, EventID(s.ID(), 10), ev[0].ID)
	require.True(t, day0.Add(9*time.Hour).Equal(ev[0].Wall))
	for _, c := range []struct{ from, to, n int }{{0, 300, 300}, {10, 20, 10}, {-5, 1, 1}, {299, 400, 1}, {300, 400, 0}, {-9, 0, 0}, {20, 10, 0}} {
		ev := get(EventFilter{Limit: 1000, From: day0.Add(time.Duration(c.from) * time.Hour), To: day0.Add(time.Duration(c.to) * time.Hour)})
		require.Len(t, ev, c.n, "%+v", c)
	}
	require.Len(t, get(EventFilter{Limit: 1000, From: day0.Add(290 * time.Hour)}), 10)
	require.Len(t, get(EventFilter{Limit: 1000, To: day0.Add(10 * time.Hour)}), 10)

	e, err := s.Event(ctx, ev[0].ID)
	require.NoError(t, err)
	require.Equal(t, ev[0], e)
	for _, id := range []string{"", "x", s.ID(), s.ID() + "-0", s.ID() + "-301", s.ID() + "-010", "other-1", s.ID() + "-1x"} {
		_, err := s.Event(ctx, id)
		require.ErrorIs(t, err, ErrNotFound, id)
	}
}

// A board computer without a clock battery: it starts in 1970, learns the time
// an hour later, and is restarted with the right time.
func TestWallTimeCorrected(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s := openTest(t, dir)
	boot := time.Date(1970, 1, 1, 0, 0, 10, 0, time.UTC)
	unsure := func(r Record) Record { r.WallUncertain = true; return r }
	for i := range 60 {
		appendAll(t, s, unsure(alert(boot.Add(time.Duration(i)*time.Minute), "tank", rules.Lit, "phone")))
	}
	ev, err := s.Events(ctx, EventFilter{})
	require.NoError(t, err)
	require.True(t, ev[0].WallUncertain)
	require.False(t, ev[0].WallCorrected)
	due, _, err := s.Due(ctx, boot.Add(time.Hour), 1, nil)
	require.NoError(t, err)
	require.Equal(t, 1970, due[0].Wall.Year())

	ahead := day0.Sub(boot)
	require.NoError(t, s.CorrectWall(ctx, 31, ahead)) // the second half of the hour
	ev, err = s.Events(ctx, EventFilter{})
	require.NoError(t, err)
	require.True(t, ev[0].WallCorrected && !ev[0].WallUncertain)
	require.True(t, ev[0].Wall.Equal(day0.Add(59*time.Minute)), ev[0].Wall)
	require.True(t, ev[59].WallUncertain, "the first half is as uncertain as ever")
	require.NoError(t, s.CorrectWall(ctx, 1, ahead))
	require.Equal(t, ahead, s.LastOffset())
	next := alert(boot.Add(time.Hour), "tank", rules.Dark)
	next.Offset = ahead + 300*time.Millisecond // less than a step
	appendAll(t, s, next)
	require.Len(t, s.eras, 2, "one before all, one corrected")

	require.NoError(t, s.Close())
	s = openTest(t, dir)
	require.Equal(t, ahead, s.LastOffset())
	restart := alert(day0.Add(2*time.Hour), "tank", rules.Lit)
	appendAll(t, s, restart)
	require.Zero(t, s.LastOffset())
	require.NoError(t, s.CorrectWall(ctx, 1000, time.Hour), "of inputs to come: nothing to correct")
	require.Zero(t, s.LastOffset())

	ev, err = s.Events(ctx, EventFilter{From: day0, To: day0.Add(3 * time.Hour)})
	require.NoError(t, err)
	require.Len(t, ev, 62)
	require.True(t, ev[0].Wall.Equal(day0.Add(2*time.Hour)))
	require.True(t, ev[61].Wall.Equal(day0))
	p, err := s.Trace(ctx, "tank", day0, day0.Add(3*time.Hour), 100)
	require.NoError(t, err)
	require.Len(t, p, 62)
	require.True(t, p[0].Wall.Equal(day0))
	require.True(t, p[0].At.Equal(boot))
	for i := 1; i < len(p); i++ {
		require.True(t, p[i].Wall.After(p[i-1].Wall))
	}
	_, err = s.Check(ctx)
	require.NoError(t, err)
}

func TestCutoff(t *testing.T) {
	const h = int64(3_600_000)
	sound := eraList{{}, {seq: 1, at: 100 * h}}
	require.Equal(t, 150*h, sound.cutoff(150*h))
	require.Equal(t, 50*h, sound.cutoff(50*h))
	// Engine time lags wall time by 1000 hours until a restart.
	lag := eraList{{}, {seq: 1, at: 0, offset: 1000 * h}, {seq: 9, at: 1050 * h}}
	require.Equal(t, 20*h, lag.cutoff(1020*h))
	require.Equal(t, 1050*h, lag.cutoff(1050*h), "the lagging era is over and old enough")
	require.Equal(t, 1100*h, lag.cutoff(1100*h))
	// The wall clock ran 9000 hours ahead for a while, unnoticed, and engine
	// time with it; set right, wall time is behind engine time.
	wrong := eraList{{}, {seq: 1, at: 100 * h}, {seq: 5, at: 9100 * h}, {seq: 9, at: 9110 * h, offset: -9000 * h}}
	require.Equal(t, 90*h, wrong.cutoff(90*h), "what was stored before the jump is not older for it")
	require.Equal(t, 9120*h, wrong.cutoff(120*h), "and what was stored ahead goes with what came next")
}
