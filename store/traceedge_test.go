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

// Where the wall clock was set back, one bin holds readings from before and
// after the step, and still is no longer than its share of the picture.
func TestTraceSpansAreOfWallTime(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	var recs []Record
	for i := range 6 * 60 {
		r := reading(day0.Add(time.Duration(i)*time.Minute), "tank", 1)
		if i >= 3*60 {
			r.Offset = -2 * time.Hour
		}
		recs = append(recs, r)
	}
	appendAll(t, s, recs...)
	got, err := s.Trace(ctx, "tank", day0, day0.Add(4*time.Hour), 24)
	require.NoError(t, err)
	require.Len(t, got, 24)
	var count int64
	for i, p := range got {
		count += p.Count
		require.LessOrEqual(t, p.Span, 10*time.Minute)
		require.Equal(t, day0.Add(time.Duration(i)*10*time.Minute), p.Wall)
	}
	require.EqualValues(t, len(recs), count)
}
