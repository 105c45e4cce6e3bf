package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// A wall clock that stands far off for an hour, either way, makes nothing old
// that is not.
func TestWrongClockForAnHourDropsNothing(t *testing.T) {
	ctx := context.Background()
	const day = 24 * time.Hour
	for name, off := range map[string]time.Duration{"ahead": 30 * 365 * day, "behind": -30 * 365 * day} {
		for _, n := range []int{1, 70} { // readings with the wrong clock
			t.Run(name, func(t *testing.T) {
				s := openTest(t, "")
				at := day0
				add := func(off time.Duration, k int) {
					for range k {
						at = at.Add(time.Minute)
						r := alert(at, "tank", rules.Lit)
						r.Offset = off
						appendAll(t, s, r)
					}
					require.NoError(t, s.SaveSnapshot(ctx, s.LastSeq(), partsOf()))
					require.NoError(t, s.Prune(ctx, at))
				}
				add(0, 60)
				add(off, n)
				add(0, 60)
				ev, err := s.Events(ctx, EventFilter{Limit: 1000})
				require.NoError(t, err)
				require.Len(t, ev, 120+n)
			})
		}
	}
}

// For a day after a gap of a month nothing is dropped, over however many starts, for the
// clock may be wrong; then what is old goes.
func TestGapDropsNothingForADay(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s := openTest(t, dir)
	at := day0
	add := func(after time.Duration) {
		at = at.Add(after)
		appendAll(t, s, alert(at, "tank", rules.Lit))
		require.NoError(t, s.SaveSnapshot(ctx, s.LastSeq(), partsOf()))
		require.NoError(t, s.Prune(ctx, at))
	}
	events := func() int {
		ev, err := s.Events(ctx, EventFilter{Limit: 1000})
		require.NoError(t, err)
		return len(ev)
	}
	add(0)
	add(time.Hour)
	add(6 * 365 * 24 * time.Hour)
	for range 23 {
		require.NoError(t, s.Close())
		s = openTest(t, dir)
		add(time.Hour)
	}
	require.Equal(t, 26, events())
	add(time.Hour)
	require.Equal(t, 25, events(), "the two of six years before are gone")
}
