package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"modernc.org/sqlite"

	"lampward/rules"
)

// Inputs and events come back exactly as they went in, in order, from any seq
// on, over restarts, packing, and any mix of sync.
func TestInputsComeBackExactly(t *testing.T) {
	ctx := context.Background()
	for seed := range uint64(rounds(8)) {
		h := newHistory(seed)
		dir := t.TempDir()
		s := openTest(t, dir)
		for range 60 {
			first, err := s.Append(ctx, h.batch(), h.r.IntN(2) == 0)
			require.NoError(t, err)
			require.Positive(t, first)
			require.EqualValues(t, len(h.recs), s.LastSeq())
			require.True(t, h.now.Equal(s.LastAt()))
			switch h.r.IntN(8) {
			case 0:
				require.NoError(t, s.Prune(ctx, h.now))
			case 1:
				id := s.ID()
				require.NoError(t, s.Close())
				s = openTest(t, dir)
				require.Equal(t, id, s.ID())
				require.EqualValues(t, len(h.recs), s.LastSeq())
				require.True(t, h.now.Equal(s.LastAt()))
			case 2:
				h.check(t, s, h.r.Int64N(int64(len(h.recs))))
			}
		}
		h.check(t, s, 0)
		h.check(t, s, int64(len(h.recs)))
		_, err := s.Check(ctx)
		require.NoError(t, err)
	}
}

// The same with a Prune cut short between its transactions at every place.
func TestPruneCutShortLosesNothing(t *testing.T) {
	ctx := context.Background()
	for stop := range rounds(12) {
		h := newHistory(99)
		faults := &faultConnector{}
		s, err := Open(ctx, Options{Dir: t.TempDir(), Log: quiet(), Connector: faults.wrap})
		require.NoError(t, err)
		for range 120 {
			appendAll(t, s, h.batch()...)
		}
		// A trace first, so that the cache is in use.
		before, err := s.Trace(ctx, "tank", day0, h.now.Add(time.Hour), maxPoints) // so many points: every reading
		require.NoError(t, err)
		faults.failAfter(stop, "COMMIT")
		if err := s.Prune(ctx, h.now); err != nil {
			require.ErrorIs(t, err, errInjected)
		} else {
			require.Greater(t, stop, 2, "nothing was cut short")
		}
		faults.heal()
		h.check(t, s, 0)
		after, err := s.Trace(ctx, "tank", day0, h.now.Add(time.Hour), maxPoints) // so many points: every reading
		require.NoError(t, err)
		samePoints(t, before, after)
		require.NoError(t, s.Prune(ctx, h.now))
		h.check(t, s, 0)
		require.NoError(t, s.Close())
	}
}

func samePoints(t *testing.T, want, got []Point) {
	t.Helper()
	require.Equal(t, len(want), len(got))
	for i := range want {
		w, g := want[i], got[i]
		require.True(t, w.At.Equal(g.At) && w.Count == g.Count && w.Min == g.Min && w.Max == g.Max, "point %d: want %v, got %v", i, w, g)
		require.InEpsilon(t, 1+math.Abs(w.Mean), 1+math.Abs(g.Mean), 1e-9)
	}
}

func TestAppendRefusesWhatWouldNotComeBack(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	appendAll(t, s, reading(day0, "tank", 1))
	nan, inf := math.NaN(), math.Inf(1)
	for name, r := range map[string]Record{
		"NaN":            {Input: rules.Input{At: day0, Kind: rules.InReading, Value: nan}},
		"infinite volts": {Input: rules.Input{At: day0, Kind: rules.InReading, Volts: &inf}},
		"microseconds":   reading(day0.Add(time.Microsecond), "tank", 1),
		"before":         reading(day0.Add(-time.Millisecond), "tank", 1),
		"year 1":         reading(time.Time{}, "tank", 1),
		"year 10000":     reading(day0.AddDate(8000, 0, 0), "tank", 1),
		"not UTF-8":      reading(day0, "t\xff", 1),
		"long name":      reading(day0, string(make([]byte, maxName+1)), 1),
		"routes":         {Input: reading(day0, "tank", 1).Input, Routes: [][]Target{nil}},
		"event's NaN":    {Input: reading(day0, "tank", 1).Input, Events: []rules.Event{{At: day0, Value: nan}}},
	} {
		_, err := s.Append(ctx, []Record{reading(day0, "new lamp", 5), alert(day0, "tank", rules.Lit, "new route"), r}, false)
		require.ErrorIs(t, err, ErrBadInput, name)
		require.Contains(t, err.Error(), "3 of 3", name)
		require.EqualValues(t, 1, s.LastSeq(), name)
	}
	// Nothing of the refused ones is left, and what they would have named first
	// can be named by the next.
	appendAll(t, s, alert(day0, "another lamp", rules.Lit, "another route"), reading(day0, "new lamp", 6), alert(day0, "tank", rules.Dark, "new route"))
	due, _, err := s.Due(ctx, day0, 0, nil)
	require.NoError(t, err)
	require.Len(t, due, 2)
	require.Equal(t, "another route", due[0].Route)
	n := 0
	require.NoError(t, s.Inputs(ctx, 0, func(seq int64, in rules.Input, _ [][]byte) error {
		n++
		require.Equal(t, []string{"tank", "another lamp", "new lamp", "tank"}[n-1], in.Lamp)
		return nil
	}))
	require.Equal(t, 4, n)
}

// A panic inside a transaction rolls it back, and the Store goes on.
func TestPanicRollsBack(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	require.PanicsWithValue(t, "oops", func() {
		_ = s.update(ctx, false, func(tx *tx) error {
			_, err := tx.name("half done")
			require.NoError(t, err)
			panic("oops")
		})
	})
	var n int
	require.NoError(t, s.view(ctx, func(r *reader) error { return r.one("SELECT count(*) FROM name", nil, &n) }))
	require.Zero(t, n)
	appendAll(t, s, alert(day0, "tank", rules.Lit, "phone"))
}

func TestContext(t *testing.T) {
	s := openTest(t, "")
	appendAll(t, s, alert(day0, "tank", rules.Lit, "phone"))
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := s.Append(ctx, []Record{reading(day0, "tank", 1)}, true)
	require.ErrorIs(t, err, context.Canceled)
	_, err = s.Events(ctx, EventFilter{})
	require.ErrorIs(t, err, context.Canceled)
	require.ErrorIs(t, s.Sync(ctx), context.Canceled)
	require.EqualValues(t, 1, s.LastSeq())
	// A long transaction does not hold up one whose time is up.
	release, held := make(chan struct{}), make(chan struct{})
	done := make(chan error)
	go func() {
		done <- s.update(context.Background(), false, func(*tx) error {
			close(held)
			<-release
			return nil
		})
	}()
	<-held
	_, err = s.Append(ctx, []Record{reading(day0, "tank", 1)}, true)
	require.ErrorIs(t, err, context.Canceled)
	// And holds up no reader.
	ev, err := s.Events(context.Background(), EventFilter{})
	require.NoError(t, err)
	require.Len(t, ev, 1)
	close(release)
	require.NoError(t, <-done)
}

func TestClosed(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	appendAll(t, s, alert(day0, "tank", rules.Lit, "phone"))
	require.NoError(t, s.Close())
	require.NoError(t, s.Close())
	_, err := s.Append(ctx, []Record{reading(day0, "tank", 1)}, true)
	require.ErrorIs(t, err, ErrClosed)
	_, err = s.Events(ctx, EventFilter{})
	require.ErrorIs(t, err, ErrClosed)
	_, _, err = s.Due(ctx, day0, 1, nil)
	require.ErrorIs(t, err, ErrClosed)
	require.ErrorIs(t, s.Sync(ctx), ErrClosed)
	require.ErrorIs(t, s.Prune(ctx, day0), ErrClosed)
	require.ErrorIs(t, s.Backup(ctx, t.TempDir()+"/b"), ErrClosed)
	_, err = s.Check(ctx)
	require.ErrorIs(t, err, ErrClosed)
	require.EqualValues(t, 1, s.LastSeq())
}

func TestSnapshot(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s := openTest(t, dir)
	seq, parts, err := snapshotOf(s)
	require.NoError(t, err)
	require.Zero(t, seq)
	require.Empty(t, parts)
	appendAll(t, s, reading(day0, "tank", 1), reading(day0, "tank", 2), reading(day0, "tank", 3))
	first := []Part{{Key: "machine", Data: []byte("{}")}, {Key: "lamp/tank", Data: []byte{0, 1, 255}}, {Key: "lamp/old", Data: nil}}
	require.NoError(t, s.SaveSnapshot(ctx, 2, partsOf(first...)))
	second := []Part{{Key: "machine", Data: []byte("{2}")}, {Key: "lamp/tank", Data: make([]byte, 8000)}}
	require.NoError(t, s.SaveSnapshot(ctx, 3, partsOf(second...)))
	require.ErrorIs(t, s.SaveSnapshot(ctx, 4, partsOf(first...)), ErrBadInput, "of an input to come")
	require.ErrorIs(t, s.SaveSnapshot(ctx, 3, partsOf(Part{Key: "lamp/tank", Data: make([]byte, maxPart+1)})), ErrBadInput)
	half := errors.New("half way")
	require.ErrorIs(t, s.SaveSnapshot(ctx, 3, func(fn func(Part) error) error {
		return errors.Join(fn(Part{Key: "machine"}), half)
	}), half)
	require.NoError(t, s.Close())
	s = openTest(t, dir)
	seq, parts, err = snapshotOf(s)
	require.NoError(t, err)
	require.EqualValues(t, 3, seq)
	require.Equal(t, second, parts)
}

// Reading the newest inputs looks at no hour before theirs: the cost of a
// start does not grow with the history.
func TestInputsLookNoFurtherBack(t *testing.T) {
	s := openTest(t, "")
	const hours = 48
	for i := range hours * 4 {
		appendAll(t, s, reading(day0.Add(time.Duration(i)*15*time.Minute), lampNames[i%3], float64(i)))
	}
	require.NoError(t, s.Prune(t.Context(), day0.Add(hours*time.Hour)))
	read := func(after int64) (seqs []int64, err error) {
		err = s.Inputs(t.Context(), after, func(seq int64, _ rules.Input, _ [][]byte) error {
			seqs = append(seqs, seq)
			return nil
		})
		return seqs, err
	}
	for after := range int64(hours*4 + 1) {
		seqs, err := read(after)
		require.NoError(t, err)
		require.Len(t, seqs, hours*4-int(after))
		if len(seqs) > 0 {
			require.Equal(t, after+1, seqs[0])
		}
	}
	// An old chunk that lies about its newest input is in the way only of who
	// reads that far back, and is then found out.
	require.NoError(t, s.update(t.Context(), false, func(tx *tx) error {
		_, err := tx.exec("UPDATE chunk SET last = 0 WHERE id = (SELECT max(id) FROM chunk WHERE last <= 80)")
		return err
	}))
	_, err := read(hours*4 - 10)
	require.NoError(t, err)
	_, err = read(10)
	require.ErrorIs(t, err, ErrDamaged)
}

// TestConnectionsKeepLittle writes and reads far more than a connection may go on
// to hold, reads on two at once, and asks SQLite what each has cached.
func TestConnectionsKeepLittle(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	appendAll(t, s, reading(day0, "tank", 200))
	var parts []Part
	for i := range 600 {
		parts = append(parts, Part{Key: fmt.Sprint("part ", i), Data: make([]byte, 7000)})
	}
	require.NoError(t, s.SaveSnapshot(ctx, 1, partsOf(parts...)))
	_, err := s.LoadSnapshot(ctx, func(Part) error { return nil })
	require.NoError(t, err)
	cached := func(c *sql.Conn) (bytes int) {
		require.NoError(t, c.Raw(func(dc any) (err error) {
			bytes, _, err = dc.(sqlite.DBStatus).Status(sqlite.DBStatusCacheUsed, false)
			return err
		}))
		return bytes
	}
	readers := 0
	for range 2 {
		c, err := s.rdb.Conn(ctx)
		require.NoError(t, err)
		defer c.Close() // each is another one
		require.Less(t, cached(c), 256<<10)
		readers += cached(c)
	}
	require.Greater(t, readers, 128<<10, "something was read")
	w := <-s.writer
	defer func() { s.writer <- w }()
	require.Less(t, cached(w.conn), 512<<10)
	require.Greater(t, cached(w.conn), 128<<10, "something was written")
}
