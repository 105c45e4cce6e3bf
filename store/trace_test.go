package store

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// fillYear stores readings of lamps, one every step, and calls Prune as the
// daemon does.
func fillYear(t testing.TB, s *Store, lamps int, from time.Time, span, step time.Duration, value func(lamp int, at time.Time) float64) {
	t.Helper()
	ctx := context.Background()
	var recs []Record
	pruned := from
	for at := from; at.Before(from.Add(span)); at = at.Add(step) {
		for l := range lamps {
			recs = append(recs, reading(at, fmt.Sprintf("lamp%d", l), value(l, at)))
		}
		if at.Sub(pruned) >= time.Hour {
			appendAll(t, s, recs...)
			recs = recs[:0]
			require.NoError(t, s.SaveSnapshot(ctx, s.LastSeq(), partsOf(Part{Key: "machine", Data: []byte("{}")})))
			require.NoError(t, s.Prune(ctx, at))
			pruned = at
		}
	}
	appendAll(t, s, recs...)
}

// A trace at every scale holds every reading once, and its points are what the
// readings under them come to.
func TestTraceAgainstReadings(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	r := rand.New(rand.NewPCG(5, 6))
	type rd struct {
		at time.Time
		v  float64
	}
	var all []rd
	span := 75 * 24 * time.Hour
	fillYear(t, s, 3, day0, span, 7*time.Minute, func(lamp int, at time.Time) float64 {
		v := float64(r.IntN(4096))
		if lamp == 1 {
			all = append(all, rd{at, v})
		}
		return v
	})
	end := day0.Add(span)
	for _, points := range []int{1, 2, 7, 50, 75, 400, 900, 5000, maxPoints} {
		got, err := s.Trace(ctx, "lamp1", day0, end, points)
		require.NoError(t, err)
		require.LessOrEqual(t, len(got), points)
		var count int64
		i := 0
		for n, p := range got {
			if n > 0 {
				require.True(t, p.At.After(got[n-1].At))
			}
			// Rebuild the point from the readings it says it covers.
			var b bucket
			for range p.Count {
				b.add(one(all[i].v))
				i++
			}
			count += p.Count
			require.Equal(t, b.min, p.Min, "point %d of %d", n, points)
			require.Equal(t, b.max, p.Max)
			require.InDelta(t, b.mean(), p.Mean, 1e-9)
			if p.Span > 0 {
				require.False(t, all[i-1].at.After(p.At.Add(p.Span)))
			}
		}
		require.EqualValues(t, len(all), count, "%d points", points)
	}
	// A window of raw readings.
	from := day0.Add(40*24*time.Hour + 11*time.Minute)
	got, err := s.Trace(ctx, "lamp1", from, from.Add(5*time.Hour), 500)
	require.NoError(t, err)
	i := int(from.Sub(day0)/(7*time.Minute)) + 1
	for _, p := range got {
		require.True(t, p.At.Equal(all[i].at))
		require.Equal(t, all[i].v, p.Mean)
		require.EqualValues(t, 1, p.Count)
		require.Zero(t, p.Span)
		i++
	}
	require.True(t, all[i].at.After(from.Add(5*time.Hour-time.Millisecond)), "the last one is there")
	var raw []rd
	middle := day0.Add(span / 2)
	for _, half := range [][2]time.Time{{day0, middle}, {middle, end}} { // so short that no readings are summed up
		got, err := s.Trace(ctx, "lamp1", half[0], half[1], maxPoints)
		require.NoError(t, err)
		for _, p := range got {
			raw = append(raw, rd{p.At, p.Mean})
		}
	}
	require.Equal(t, all, raw)
	for _, lamp := range []string{"", "none"} {
		got, err := s.Trace(ctx, lamp, day0, end, 10)
		require.NoError(t, err)
		require.Empty(t, got)
	}
	got, err = s.Trace(ctx, "lamp1", end, day0, 10)
	require.NoError(t, err)
	require.Empty(t, got)
}

// Every rollup row can be made again from the level below, bit for bit.
func TestRollupsAreWhatTheReadingsSay(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	r := rand.New(rand.NewPCG(8, 9))
	fillYear(t, s, 2, day0, 130*24*time.Hour, 97*time.Minute, func(int, time.Time) float64 { return math.Round(r.NormFloat64()*1000) / 8 })
	dump := func(table string) (rows []string) {
		require.NoError(t, s.view(ctx, func(r *reader) error {
			return r.each("SELECT id, hex(body) FROM "+table+" ORDER BY id", nil, func(row scan) error {
				var id int64
				var body string
				err := row(&id, &body)
				rows = append(rows, fmt.Sprint(id, " ", body))
				return err
			})
		}))
		return rows
	}
	s.o.KeepReadings = -1 // from here on
	for n := 3; n >= 1; n-- {
		table := fmt.Sprintf("rollup%d", n)
		before := dump(table)
		require.NotEmpty(t, before)
		// Made again as far as the level below is kept.
		var keep int64
		require.NoError(t, s.update(ctx, false, func(tx *tx) error {
			if n == 1 {
				if err := tx.one("SELECT value FROM meta WHERE name = 'floor0'", nil, &keep); err != nil {
					return err
				}
				keep = (keep + 23) / 24
			}
			if _, err := tx.exec("DELETE FROM "+table+" WHERE id >= ?", keep<<seriesBits); err != nil {
				return err
			}
			return tx.setMeta(levels[n].horizon, keep)
		}))
		require.Less(t, len(dump(table)), len(before))
		require.NoError(t, s.Prune(ctx, day0.Add(130*24*time.Hour)))
		require.Equal(t, before, dump(table), table)
	}
}

func TestPruneKeepsWhatItMust(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	o := Options{Dir: dir, Log: quiet(), KeepReadings: 48 * time.Hour, KeepRollups: 30 * 24 * time.Hour, KeepEvents: 10 * 24 * time.Hour}
	s, err := Open(ctx, o)
	require.NoError(t, err)
	at := day0
	for i := range 50 * 24 {
		at = day0.Add(time.Duration(i) * time.Hour)
		recs := []Record{reading(at, "tank", float64(i))}
		if i%24 == 0 {
			recs = append(recs, alert(at, "tank", []rules.Kind{rules.Lit, rules.Dark}[i/24%2], "phone"))
		}
		appendAll(t, s, recs...)
	}
	snap := s.LastSeq()
	count := func(table string) (n int64) {
		require.NoError(t, s.view(ctx, func(r *reader) error { return r.one("SELECT count(*) FROM "+table, nil, &n) }))
		return n
	}
	firstSeq := func() (first int64) {
		err := s.Inputs(ctx, 0, func(seq int64, _ rules.Input, _ [][]byte) error { first = seq; return errStop })
		require.ErrorIs(t, err, errStop)
		return first
	}
	// No snapshot: nothing that replay needs may go.
	require.NoError(t, s.Prune(ctx, at))
	require.EqualValues(t, 1, firstSeq())
	require.EqualValues(t, 50, count("event"))
	require.NoError(t, s.SaveSnapshot(ctx, 500, partsOf(Part{Key: "machine"})))
	require.NoError(t, s.Prune(ctx, at))
	require.LessOrEqual(t, firstSeq(), int64(501))
	require.Greater(t, firstSeq(), int64(450))
	require.EqualValues(t, 50, count("event"), "their messages are not out yet")
	due, _, err := s.Due(ctx, at, 0, nil)
	require.NoError(t, err)
	require.Len(t, due, 1)
	all, err := s.Deliveries(ctx, DeliveryFilter{})
	require.NoError(t, err)
	for _, d := range all {
		require.NoError(t, s.Sent(ctx, d.ID, at, "ok"))
	}
	require.NoError(t, s.SaveSnapshot(ctx, snap, partsOf(Part{Key: "machine"})))
	before, err := s.Trace(ctx, "tank", day0, at.Add(time.Hour), 20)
	require.NoError(t, err)
	require.NoError(t, s.Prune(ctx, at))
	require.EqualValues(t, 10, count("event"))
	require.EqualValues(t, 10, count("outbox"))
	require.Less(t, count("chunk"), int64(3*24*2+2))
	after, err := s.Trace(ctx, "tank", day0, at.Add(time.Hour), 20)
	require.NoError(t, err)
	var total int64
	for _, p := range after {
		total += p.Count
	}
	require.EqualValues(t, 50*24+50, total, "rollups stand in for what was dropped")
	require.Len(t, after, len(before))
	// A fine trace over what is only kept coarsely.
	fine, err := s.Trace(ctx, "tank", day0, day0.Add(48*time.Hour), 1000)
	require.NoError(t, err)
	require.Len(t, fine, 24, "two-hour buckets")
	// All gone, all deleted, and still no number is used twice.
	seq := s.LastSeq()
	row := s.eventRow
	require.NoError(t, s.Prune(ctx, at.AddDate(3, 0, 0)))
	require.Zero(t, count("event"))
	require.NoError(t, s.Close())
	s, err = Open(ctx, o)
	require.NoError(t, err)
	require.Equal(t, seq, s.LastSeq())
	require.True(t, at.Equal(s.LastAt()))
	require.Equal(t, seq+1, appendAll(t, s, alert(at, "tank", "lit", "phone")))
	require.Equal(t, row+1, s.eventRow)
	require.NoError(t, s.Close())
}
