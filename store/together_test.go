package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

	"lampward/rules"
)

// Readers of every kind at work while the writer appends and prunes: each sees
// a whole state, and none holds up the other. Run it with -race.
func TestReadersAndWriterTogether(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	h := newHistory(77)
	appendAll(t, s, h.batch()...)
	stop := make(chan struct{})
	var g errgroup.Group
	loop := func(f func() error) {
		g.Go(func() error {
			for {
				select {
				case <-stop:
					return nil
				default:
					if err := f(); err != nil {
						return err
					}
				}
			}
		})
	}
	far := day0.AddDate(10, 0, 0)
	last := int64(0)
	loop(func() error { // never fewer readings than before
		p, err := s.Trace(ctx, "tank", day0, far, 20)
		n := int64(0)
		for _, p := range p {
			n += p.Count
		}
		if n < last {
			t.Errorf("a trace of %d readings after one of %d", n, last)
		}
		last = n
		return err
	})
	loop(func() error { // no gap, whatever is being packed
		next := int64(0)
		err := s.Inputs(ctx, 0, func(seq int64, _ rules.Input, _ [][]byte) error {
			if next++; seq != next {
				t.Errorf("input %d where %d should be", seq, next)
			}
			return nil
		})
		if next == 0 {
			t.Error("no inputs")
		}
		return err
	})
	loop(func() error {
		due, _, err := s.Due(ctx, far, 3, nil)
		for _, d := range due {
			if d.Route != "phone" || d.Key != "device/b1" || d.Event.Text == "" || d.Wall.IsZero() {
				t.Errorf("half a delivery: %+v", d)
			}
		}
		return err
	})
	loop(func() error {
		ev, err := s.Events(ctx, EventFilter{Limit: 20, Key: "device/b1", From: day0})
		for _, e := range ev {
			if e.Wall.IsZero() || e.Event.Kind != rules.Silent {
				t.Errorf("half an event: %+v", e)
			}
		}
		_ = s.LastAt()
		_ = s.LastOffset()
		return err
	})
	for i := range max(30, rounds(100)) {
		recs := h.batch()
		for j := range recs { // new names and clock steps all the time
			recs[j].Offset = time.Duration(i) * time.Minute
		}
		appendAll(t, s, recs...)
		if i%10 == 9 {
			require.NoError(t, s.SaveSnapshot(ctx, s.LastSeq(), partsOf()))
			require.NoError(t, s.Prune(ctx, h.now))
		}
	}
	close(stop)
	require.NoError(t, g.Wait())
}

// Inputs that come while older ones are being packed are all there, in order.
func TestPruneBesideAppend(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	h := newHistory(78)
	var g errgroup.Group
	packed := make(chan struct{})
	g.Go(func() error {
		for {
			select {
			case <-packed:
				return nil
			default:
				if err := s.Prune(ctx, s.LastAt()); err != nil {
					return err
				}
			}
		}
	})
	for range rounds(300) {
		appendAll(t, s, h.batch()...)
	}
	close(packed)
	require.NoError(t, g.Wait())
	h.check(t, s, 0)
	rep, err := s.Check(ctx)
	require.NoError(t, err)
	require.NotZero(t, rep.Chunks)
}
