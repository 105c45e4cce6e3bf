package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The wall clock steps in the middle of buckets, as it does each time a machine
// wakes from sleep; no reading is counted twice at any scale for it.
func TestTraceCountsOnceOverClockSteps(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	var recs []Record
	end := day0.Add(130 * 24 * time.Hour)
	var offset time.Duration
	n := 0
	for at := day0; at.Before(end); at = at.Add(10 * time.Minute) {
		if n%500 == 333 {
			offset += 17 * time.Second
		}
		r := reading(at, "tank", float64(n))
		r.Offset = offset
		recs = append(recs, r)
		n++
	}
	appendAll(t, s, recs...)
	require.NoError(t, s.SaveSnapshot(ctx, s.LastSeq(), partsOf()))
	require.NoError(t, s.Prune(ctx, end))
	for _, points := range []int{60, 130, 1000, maxPoints} {
		got, err := s.Trace(ctx, "tank", day0, end.Add(offset).Add(time.Hour), points)
		require.NoError(t, err)
		var count int64
		sum := 0.0
		for _, p := range got {
			count += p.Count
			sum += p.Mean * float64(p.Count)
		}
		require.EqualValues(t, n, count, "%d points", points)
		require.InDelta(t, float64(n)*float64(n-1)/2, sum, 1, "%d points", points)
	}
}
