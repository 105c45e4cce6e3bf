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
