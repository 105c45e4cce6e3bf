package main

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/rules"
	"lampward/store"
)

// Whatever the order in which others run, the loop gets every job once, each
// sender's in their order, each with its own inputs, and is woken for them.
func TestQueueLosesNothing(t *testing.T) {
	const senders, each = 8, 500
	q := newQueue(7)
	var all sync.WaitGroup
	for s := range senders {
		all.Go(func() {
			for i := range each {
				inputs := make([]rules.Input, i%3)
				for k := range inputs {
					inputs[k] = rules.Input{Lamp: fmt.Sprint(s), Value: float64(i*10 + k)}
				}
				assert.NoError(t, q.put(t.Context(), job{client: fmt.Sprint(s), at: time.UnixMilli(int64(i))}, inputs))
			}
		})
	}
	next := map[string]int{}
	for n := 0; n < senders*each; {
		<-q.more
		jobs := q.take()
		assert.LessOrEqual(t, len(jobs), 7)
		for _, j := range jobs {
			i := next[j.client]
			require.Equal(t, int64(i), j.at.UnixMilli(), "out of order")
			require.Len(t, j.inputs, i%3)
			for k, in := range j.inputs {
				require.Equal(t, rules.Input{Lamp: j.client, Value: float64(i*10 + k)}, in)
			}
			next[j.client] = i + 1
			n++
		}
	}
	all.Wait()
	assert.Empty(t, q.take())
}

func TestQueueIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := newQueue(2)
		ctx, giveUp := context.WithCancel(t.Context())
		require.NoError(t, q.put(ctx, job{client: "a"}, nil))
		require.NoError(t, q.put(ctx, job{client: "b"}, nil))
		waited := make(chan error, 2)
		go func() { waited <- q.put(t.Context(), job{client: "c"}, nil) }()
		go func() { waited <- q.put(ctx, job{client: "d"}, nil) }()
		synctest.Wait()
		assert.Empty(t, waited, "there is no room")
		giveUp()
		assert.ErrorIs(t, <-waited, context.Canceled)
		synctest.Wait()
		assert.Empty(t, waited)
		assert.Equal(t, 2, q.len())
		assert.Len(t, q.take(), 2)
		assert.NoError(t, <-waited)
		got := q.take()
		require.Len(t, got, 1)
		assert.Equal(t, "c", got[0].client)
	})
}

// slowStore stores only when it is told to.
type slowStore struct {
	*store.Store
	asked  chan int   // readings of the batch that is to be stored
	answer chan error // what to do with it
}

func (s slowStore) Append(ctx context.Context, recs []store.Record, sync bool) (int64, error) {
	s.asked <- len(recs)
	if err := <-s.answer; err != nil {
		return 0, err
	}
	return s.Store.Append(ctx, recs, sync)
}

// While a batch is being stored, the next readings are stepped but not
// acknowledged; a batch that fails takes them with it.
func TestStoringOverlaps(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay)
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		st := slowStore{h.st, make(chan int), make(chan error)}
		h.d.store = st
		ctx, stop := context.WithCancel(t.Context())
		looped := make(chan error, 1)
		go func() { looped <- h.d.loop(ctx) }()
		sent := func(count float64) chan error {
			c := make(chan error, 1)
			go func() {
				c <- h.d.Publish(t.Context(), broker.Message{Topic: "cellar/tank", Payload: fmt.Append(nil, count), QoS: 1})
			}()
			synctest.Wait()
			return c
		}
		before := h.d.stepped.Load()
		a := sent(200)
		assert.Equal(t, 1, <-st.asked)
		b, c := sent(201), sent(202)
		assert.Equal(t, before+3, h.d.stepped.Load(), "two are decided while the first is being stored")
		assert.Empty(t, a)
		st.answer <- nil
		assert.NoError(t, <-a)
		assert.Equal(t, 2, <-st.asked)
		assert.Empty(t, b, "decided is not yet stored")
		assert.Empty(t, c)
		d := sent(203)
		st.answer <- errDisk
		for _, c := range []chan error{b, c, d} {
			assert.ErrorIs(t, <-c, errDisk, "what was decided on top of a lost batch is not stored")
		}
		assert.ErrorIs(t, <-sent(204), errDisk)
		time.Sleep(mendEvery)
		assert.Equal(t, 1, <-st.asked, "the start that shows that storing works")
		st.answer <- nil
		synctest.Wait()
		e := sent(205)
		assert.Equal(t, 1, <-st.asked)
		stop() // while it is being stored
		synctest.Wait()
		st.answer <- nil
		assert.NoError(t, <-e)
		assert.Equal(t, 1, <-st.asked, "the stop")
		st.answer <- nil
		assert.NoError(t, <-looped)
		var counts []float64
		require.NoError(t, h.st.Inputs(t.Context(), 0, func(_ int64, in rules.Input, _ [][]byte) error {
			if in.Kind == rules.InReading {
				counts = append(counts, in.Value)
			}
			return nil
		}))
		assert.Equal(t, []float64{200, 205}, counts)
		difference, _ := h.replayAll()
		assert.Empty(t, difference)
	})
}
