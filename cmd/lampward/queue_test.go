package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/cmd/lampward/page"
	"lampward/rules"
	"lampward/rules/learn"
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
		assert.Equal(t, 3, q.len(), "who waits counts")
		assert.Len(t, q.take(), 2)
		assert.NoError(t, <-waited)
		got := q.take()
		require.Len(t, got, 1)
		assert.Equal(t, "c", got[0].client)
	})
}

// Who waits for room gets it in the order they came, some at a time, and is
// counted; who comes later waits behind them. Inputs count as well as jobs, but for one job that
// alone is larger than the queue.
func TestQueueLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := newQueue(3)
		put := func(name string, inputs int) chan error {
			c := make(chan error, 1)
			go func() { c <- q.put(t.Context(), job{client: name}, make([]rules.Input, inputs)) }()
			synctest.Wait()
			return c
		}
		names := func() (out []string) {
			for _, j := range q.take() {
				out = append(out, j.client)
			}
			synctest.Wait()
			return out
		}
		assert.NoError(t, <-put("huge", 1000))
		b, c, d, e := put("b", 2), put("c", 2), put("d", 1), put("e", 0)
		assert.Empty(t, b, "the inputs are too many")
		assert.Equal(t, 5, q.len())
		assert.Equal(t, []string{"huge"}, names())
		assert.LessOrEqual(t, cap(q.spare.inputs), 6, "what one huge job took is not kept")
		assert.Len(t, b, 1)
		assert.Len(t, c, 1)
		assert.Empty(t, d, "the queue holds four inputs")
		f := put("f", 0)
		assert.Empty(t, f, "d and e came before")
		assert.Equal(t, 5, q.len())
		assert.ElementsMatch(t, []string{"b", "c"}, names())
		assert.ElementsMatch(t, []string{"d", "e", "f"}, names())
		for _, c := range []chan error{b, c, d, e, f} {
			assert.NoError(t, <-c)
		}
		assert.Zero(t, q.len())

		// There is room again, but g was called and has not come yet.
		assert.NoError(t, <-put("huge", 3))
		g := put("g", 3)
		gone, cancel := context.WithCancel(t.Context())
		cancel()
		assert.Len(t, q.take(), 1)
		assert.ErrorIs(t, q.put(gone, job{client: "pushing in"}, nil), context.Canceled)
		assert.NoError(t, <-g)
		assert.Equal(t, []string{"g"}, names())
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

// well lets it store what was asked for, and all that is asked for until ill is closed.
func (s slowStore) well() (ill chan struct{}) {
	ill = make(chan struct{})
	go func() {
		for s.answer <- nil; ; s.answer <- nil {
			select {
			case <-s.asked:
			case <-ill:
				return
			}
		}
	}()
	return ill
}

// slowLoop runs the loop on such a store until stop is called; looped then
// tells how it ended.
func slowLoop(t *testing.T, dir string) (h *harness, st slowStore, ctx context.Context, stop func(), looped chan error) {
	shift := time.Until(demoDay)
	h = wallHarness(t, dir, &shift)
	st = slowStore{h.st, make(chan int), make(chan error)}
	h.d.store = st
	ctx, stop = context.WithCancel(t.Context())
	looped = make(chan error, 1)
	go func() { looped <- h.d.loop(ctx) }()
	return h, st, ctx, stop, looped
}

// sent sends a reading, and tells what became of it once the loop has seen it.
func sent(t *testing.T, h *harness, count float64) chan error {
	c := make(chan error, 1)
	go func() {
		c <- h.d.Publish(t.Context(), broker.Message{Topic: "cellar/tank", Payload: fmt.Append(nil, count), QoS: 1})
	}()
	synctest.Wait()
	return c
}

// While a batch is being stored, the next readings are stepped but not
// acknowledged; a batch that fails takes them with it.
func TestStoringOverlaps(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h, st, _, stop, looped := slowLoop(t, dir)
		defer h.crash()
		before := h.d.stepped.Load()
		a := sent(t, h, 200)
		assert.Equal(t, 1, <-st.asked)
		b, c := sent(t, h, 201), sent(t, h, 202)
		assert.Equal(t, before+3, h.d.stepped.Load(), "two are decided while the first is being stored")
		assert.Empty(t, a)
		st.answer <- nil
		assert.NoError(t, <-a)
		assert.Equal(t, 2, <-st.asked)
		assert.Empty(t, b, "decided is not yet stored")
		assert.Empty(t, c)
		d := sent(t, h, 203)
		st.answer <- errDisk
		for _, c := range []chan error{b, c, d} {
			assert.ErrorIs(t, <-c, errDisk, "what was decided on top of a lost batch is not stored")
		}
		assert.ErrorIs(t, <-sent(t, h, 204), errDisk)
		time.Sleep(mendEvery)
		assert.Equal(t, 1, <-st.asked, "the start that shows that storing works")
		st.answer <- nil
		synctest.Wait()
		e := sent(t, h, 205)
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

// longPrune is a store that takes until it is told to drop what is past its time.
type longPrune struct {
	keeper
	began chan struct{}
	end   chan error
}

func (s longPrune) Prune(ctx context.Context, now time.Time) error {
	s.began <- struct{}{}
	return errors.Join(<-s.end, s.keeper.Prune(ctx, now))
}

// While old readings are dropped, which may take seconds, new ones are decided and
// stored; it is not begun a second time meanwhile, and a stop waits for its end.
func TestPruneHoldsUpNobody(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay)
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		st := longPrune{h.st, make(chan struct{}, 10), make(chan error, 10)}
		h.d.store = st
		var said strings.Builder
		h.d.log = slog.New(slog.NewTextHandler(&said, nil))
		ctx, stop := context.WithCancel(t.Context())
		looped := make(chan error, 1)
		go func() { looped <- h.d.loop(ctx) }()
		hours := func(n int) {
			for i := range n * 60 {
				require.NoError(t, h.d.Publish(t.Context(), broker.Message{Topic: "cellar/tank", Payload: fmt.Append(nil, 200+i%7), QoS: 1}))
				time.Sleep(time.Minute)
			}
			synctest.Wait()
		}
		hours(3)
		assert.Len(t, st.began, 1, "one at a time")
		st.end <- errDisk
		synctest.Wait()
		assert.Contains(t, said.String(), "cannot prune")
		hours(1)
		assert.Len(t, st.began, 2)
		stop()
		synctest.Wait()
		assert.Empty(t, looped, "it is waited for")
		st.end <- nil // the one that is under way; then the one of the stop
		synctest.Wait()
		assert.Empty(t, looped)
		assert.Len(t, st.began, 3)
		st.end <- nil
		assert.NoError(t, <-looped)
		difference, _ := h.replayAll()
		assert.Empty(t, difference)
	})
}

// rotten is a store whose database may be damaged.
type rotten struct {
	keeper
	sync.Mutex
	checks int
	found  error
}

func (s *rotten) Check(context.Context) (store.Report, error) {
	s.Lock()
	defer s.Unlock()
	s.checks++
	return store.Report{}, s.found
}

// finds sets what the next check finds, and returns how many there were.
func (s *rotten) finds(err error) int {
	s.Lock()
	defer s.Unlock()
	s.found = err
	return s.checks
}

// The database is read through an hour after the start, then once a day, and damage is told wherever people look,
// for as long as it is found. What cannot be read just then is not called damaged.
func TestInspect(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHarness(t, harnessConfig)
		defer h.crash()
		var said logBuffer
		st := &rotten{keeper: h.d.store}
		h.d.store, h.d.log = st, slog.New(slog.NewTextHandler(&said, nil))
		ctx, stop := context.WithCancel(t.Context())
		inspected, looped := make(chan error, 1), make(chan error, 1)
		go func() { inspected <- h.d.inspect(ctx) }()
		go func() { looped <- h.d.loop(ctx) }()
		for days, day := range []struct {
			found error
			text  string
		}{
			{nil, ""},
			{errDisk, ""},
			{fmt.Errorf("store: check: page 7 is of no use: %w", store.ErrDamaged), "page 7 is of no use"},
			{errDisk, "page 7 is of no use"},
			{nil, ""},
		} {
			assert.Equal(t, days, st.finds(day.found))
			if days == 0 {
				time.Sleep(inspectFirst)
			} else {
				time.Sleep(inspectEvery)
			}
			synctest.Wait()
			status, err := (&pageSource{d: h.d}).Status(ctx, "")
			require.NoError(t, err)
			assert.Empty(t, status.Broken)
			var printed strings.Builder
			printTrouble(&printed, status)
			if day.text == "" {
				assert.Empty(t, status.Damaged)
				assert.NoError(t, h.d.healthy())
				assert.NotContains(t, printed.String(), "DAMAGED")
				continue
			}
			assert.Contains(t, status.Damaged, day.text)
			assert.ErrorContains(t, h.d.healthy(), day.text)
			assert.Contains(t, printed.String(), "THE DATABASE IS DAMAGED: "+day.text)
		}
		assert.Equal(t, 1, strings.Count(said.String(), "the database is damaged"))
		assert.Equal(t, 2, strings.Count(said.String(), "could not be read through"))
		stop()
		assert.NoError(t, <-inspected)
		assert.NoError(t, <-looped)
		assert.Equal(t, 5, st.finds(nil))
	})
}

// What an inspection found is told over a restart, until the database was read through
// again, which is at once; and not of another one, such as a backup that was restored.
func TestDamageOutlastsARestart(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay)
		var h *harness
		// run has the daemon run for so long, in which inspections find an error.
		run := func(long time.Duration, found error) (health, after error) {
			h = wallHarness(t, dir, &shift)
			defer h.crash()
			h.d.store = &rotten{keeper: h.d.store, found: found}
			h.d.recallDamage()
			ctx, stop := context.WithCancel(t.Context())
			inspected, looped := make(chan error, 1), make(chan error, 1)
			go func() { looped <- h.d.loop(ctx) }()
			health = h.d.healthy()
			go func() { inspected <- h.d.inspect(ctx) }()
			time.Sleep(long)
			after = h.d.healthy()
			stop()
			require.NoError(t, <-inspected)
			require.NoError(t, <-looped)
			return health, after
		}
		rot := fmt.Errorf("page 7 is of no use: %w", store.ErrDamaged)
		health, after := run(2*inspectFirst, rot)
		require.NoError(t, health)
		require.ErrorContains(t, after, "page 7")
		health, after = run(time.Second, rot)
		assert.ErrorContains(t, health, "page 7")
		assert.ErrorContains(t, after, "page 7")
		health, after = run(time.Second, nil)
		assert.ErrorContains(t, health, "page 7", "until that is known")
		assert.NoError(t, after)
		health, _ = run(time.Second, rot)
		assert.NoError(t, health, "it was mended")

		_, after = run(2*inspectFirst, rot)
		require.ErrorContains(t, after, "page 7")
		file := filepath.Join(t.TempDir(), "b")
		_, err := store.Backup(t.Context(), dir, file)
		require.NoError(t, err)
		_, err = store.Restore(t.Context(), file, dir)
		require.NoError(t, err)
		health, _ = run(time.Second, rot)
		assert.NoError(t, health, "another database")
	})
}

// A disk that hangs is noticed though the loop goes on: no more signs of life,
// and the heartbeat and the page, with its /healthz, learn why.
func TestHangingDisk(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h, st, ctx, stop, looped := slowLoop(t, dir)
		defer h.crash()
		watched := make(chan error, 1)
		var signs atomic.Int64
		m := &manager{watchdog: 2 * time.Minute, log: slog.New(slog.DiscardHandler), send: func(string) error { signs.Add(1); return nil }}
		go func() { watched <- m.watch(ctx, h.d) }()
		published := sent(t, h, 200)
		<-st.asked
		shown := func() string {
			s, err := (&pageSource{d: h.d}).Status(ctx, "")
			assert.NoError(t, err)
			return s.Broken
		}
		time.Sleep(30 * time.Second)
		assert.NoError(t, h.d.healthy(), "some disks are slow")
		assert.Empty(t, shown())
		time.Sleep(2 * time.Minute)
		signs.Store(0)
		time.Sleep(10 * time.Minute)
		assert.Zero(t, signs.Load())
		assert.ErrorContains(t, h.d.healthy(), "the disk has not stored")
		assert.Contains(t, shown(), "the disk has not stored")
		// For hours, in which there would be a snapshot, and for who does something.
		began := time.Now()
		_, err := (&pageSource{d: h.d}).Do(ctx, page.Action{Verb: page.Battery, Board: "tank"})
		assert.ErrorContains(t, err, "this is noted, but not stored yet")
		assert.Equal(t, lookWait, time.Since(began))
		time.Sleep(2 * snapshotEvery)
		stepped := h.d.stepped.Load()
		began = time.Now()
		later := sent(t, h, 201)
		assert.Contains(t, shown(), "the disk has not stored")
		assert.Zero(t, time.Since(began))
		assert.Equal(t, stepped+1, h.d.stepped.Load(), "it is decided all the same")
		ill := st.well()
		assert.NoError(t, <-published)
		assert.NoError(t, <-later)
		assert.NoError(t, h.d.healthy())
		assert.Empty(t, shown())
		var upTo int64
		assert.NoError(t, h.d.do(ctx, job{look: func(*rules.Machine) { upTo = h.d.snapSeq }}))
		assert.Equal(t, h.d.store.LastSeq(), upTo, "the snapshot is made up for")
		time.Sleep(2 * time.Minute)
		assert.NotZero(t, signs.Load())
		assert.NoError(t, h.d.healthy(), "there was nothing to store for minutes")
		stop()
		assert.NoError(t, <-looped)
		assert.NoError(t, <-watched)
		close(ill)
	})
}

// A disk that begins to hang just before a snapshot is due does not hold up the loop
// either, though it passes for a slow one then.
func TestHangsBeforeASnapshot(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h, st, ctx, stop, looped := slowLoop(t, dir)
		defer h.crash()
		p := &pageSource{d: h.d}
		assert.NoError(t, p.look(ctx, func(*rules.Machine) { h.d.snapAt = h.d.clock.Now().Add(storeTakes / 2) }))
		published := sent(t, h, 200)
		<-st.asked
		time.Sleep(storeTakes * 3 / 4)
		_, err := p.Status(ctx)
		assert.NoError(t, err)
		time.Sleep(10 * time.Minute)
		s, err := p.Status(ctx)
		assert.NoError(t, err)
		assert.Contains(t, s.Broken, "the disk has not stored")
		var before, upTo int64
		assert.NoError(t, p.look(ctx, func(*rules.Machine) { before = h.d.snapSeq }))
		ill := st.well()
		assert.NoError(t, <-published)
		assert.NoError(t, p.look(ctx, func(*rules.Machine) { upTo = h.d.snapSeq }))
		assert.Greater(t, upTo, before, "it is made up for")
		stop()
		assert.NoError(t, <-looped)
		close(ill)
	})
}

// Who sets levels on a disk that hangs is told so as well, and so are others who do
// meanwhile; what was noted is kept once the disk is well.
func TestLevelsOnAHangingDisk(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h, st, ctx, stop, looped := slowLoop(t, dir)
		defer h.crash()
		p := &pageSource{d: h.d}
		set := func(on float64) chan error {
			c := make(chan error, 1)
			go func() {
				_, err := p.Do(ctx, page.Action{Verb: page.Levels, Lamp: "salt", OnAbove: on, OffBelow: 300})
				c <- err
			}()
			return c
		}
		one := set(700)
		<-st.asked
		two := set(800)
		time.Sleep(2*lookWait + time.Second)
		synctest.Wait()
		if assert.Len(t, one, 1) && assert.Len(t, two, 1) {
			assert.ErrorContains(t, <-one, "this is noted, but not stored yet")
			assert.ErrorContains(t, <-two, "nothing was changed")
		}
		st.answer <- nil
		synctest.Wait()
		kept, err := readLevels(dir)
		assert.NoError(t, err)
		assert.Equal(t, map[string]learn.Levels{"salt": {OnAbove: 700, OffBelow: 300}}, kept)
		again := set(900)
		<-st.asked
		st.answer <- nil
		assert.NoError(t, <-again)
		kept, err = readLevels(dir)
		assert.NoError(t, err)
		assert.Equal(t, map[string]learn.Levels{"salt": {OnAbove: 900, OffBelow: 300}}, kept)
		stop()
		<-st.asked
		st.answer <- nil
		assert.NoError(t, <-looped)
	})
}

// Who watches is told again of an event that took long to store: when they looked, it
// was not there yet. What is stored soon they are told of once.
func TestStoredLateIsTold(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h, st, ctx, stop, looped := slowLoop(t, dir)
		defer h.crash()
		p := &pageSource{d: h.d}
		told := 0
		assert.NoError(t, p.look(ctx, func(*rules.Machine) {
			h.d.tap = func(_ rules.Input, events []rules.Event) { told += len(events) }
		}))
		change := func(count float64, wait time.Duration) (decided, stored int) {
			for i := 0; i < 5 && decided == 0; i++ { // a delay may be to pass first
				time.Sleep(time.Second)
				c := sent(t, h, count)
				<-st.asked
				assert.NoError(t, p.look(ctx, func(*rules.Machine) { decided, told = told, 0 }))
				time.Sleep(wait)
				st.answer <- nil
				assert.NoError(t, <-c)
				assert.NoError(t, p.look(ctx, func(*rules.Machine) { stored, told = told, 0 }))
			}
			return decided, stored
		}
		change(200, 0)
		decided, stored := change(800, time.Second)
		assert.NotZero(t, decided)
		assert.Zero(t, stored)
		decided, stored = change(200, 2*storedWait)
		assert.NotZero(t, decided)
		assert.Equal(t, decided, stored)
		decided, stored = change(201, 2*storedWait)
		assert.Zero(t, decided+stored, "no event")
		stop()
		<-st.asked
		st.answer <- nil
		assert.NoError(t, <-looped)
	})
}

// What a person does while the queue is full, because the loop waits for the disk, is
// not said to be noted.
func TestNotNoted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &daemon{cfg: &config.Config{}, clock: &simClock{now: demoDay}, jobs: newQueue(1)}
		p := &pageSource{d: d}
		in := rules.Input{Kind: rules.InAck, Lamp: "tank"}
		assert.ErrorContains(t, p.act(t.Context(), in, nil), "this is noted", "the control: it is in the queue")
		began := time.Now()
		assert.ErrorContains(t, p.act(t.Context(), in, nil), "nothing was changed")
		assert.Equal(t, lookWait, time.Since(began))
		assert.Len(t, d.jobs.take(), 1)
	})
}

// stuckSnapshot is a store that hangs while it stores a snapshot.
type stuckSnapshot struct {
	keeper
	goesOn chan struct{}
}

func (s stuckSnapshot) SaveSnapshot(ctx context.Context, seq int64, each func(func(store.Part) error) error) error {
	<-s.goesOn
	return s.keeper.SaveSnapshot(ctx, seq, each)
}

// Who looks while the loop itself waits for a disk that hangs is told so, rather than
// nothing.
func TestHangingLoop(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay)
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		st := stuckSnapshot{h.d.store, make(chan struct{})}
		h.d.store = st
		ctx, stop := context.WithCancel(t.Context())
		looped := make(chan error, 1)
		go func() { looped <- h.d.loop(ctx) }()
		p := &pageSource{d: h.d}
		_, err := p.Status(ctx)
		require.NoError(t, err, "the control")
		time.Sleep(snapshotEvery + time.Minute)
		for _, ask := range []func() error{
			func() error { _, err := p.Status(ctx); return err },
			func() error { _, err := p.Events(ctx, page.EventQuery{}); return err },
			func() error { _, err := p.Do(ctx, page.Action{Verb: page.Ack, Lamp: "tank"}); return err },
		} {
			began := time.Now()
			assert.ErrorContains(t, ask(), "lampward does not answer")
			assert.Equal(t, lookWait, time.Since(began))
		}
		gone, leave := context.WithCancel(ctx)
		leave()
		_, err = p.Status(gone)
		assert.ErrorIs(t, err, context.Canceled, "who left is told nothing")
		close(st.goesOn)
		_, err = p.Status(ctx)
		assert.NoError(t, err)
		stop()
		assert.NoError(t, <-looped)
	})
}

// slowNews is a store that stores events only when it is told to.
type slowNews struct {
	keeper
	batches atomic.Int64
	stores  chan struct{}
}

func (s *slowNews) Append(ctx context.Context, recs []store.Record, sync bool) (int64, error) {
	s.batches.Add(1)
	if eventful(recs) {
		<-s.stores
	}
	return s.keeper.Append(ctx, recs, sync)
}

// Who is told of news and looks at once finds it, and the message that it makes,
// though the disk is slow; from one that hangs, what there is. For who looks at events
// no reading is stored sooner.
func TestNewsIsThereForWhoLooks(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay)
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		st := &slowNews{keeper: h.d.store, stores: make(chan struct{})}
		h.d.store = st
		ctx, stop := context.WithCancel(t.Context())
		looped := make(chan error, 1)
		go func() { looped <- h.d.loop(ctx) }()
		publish := func(count string) {
			require.NoError(t, h.d.Publish(ctx, broker.Message{Topic: "cellar/tank", Payload: []byte(count)}))
			synctest.Wait()
		}
		twice := func(count string) { // one alone may be a stray flash
			publish(count)
			time.Sleep(time.Minute)
			publish(count)
		}
		src := &pageSource{d: h.d}
		look := func() (newest chan string) {
			newest = make(chan string, 2)
			go func() {
				list, err := src.Events(ctx, page.EventQuery{Lamp: "tank"})
				if assert.NoError(t, err) && assert.NotEmpty(t, list) {
					newest <- list[0].Kind
				} else {
					newest <- ""
				}
			}()
			go func() {
				list, err := src.Deliveries(ctx, page.DeliveryQuery{Lamp: "tank"})
				if assert.NoError(t, err) && assert.NotEmpty(t, list) {
					newest <- list[0].Kind
				} else {
					newest <- ""
				}
			}()
			synctest.Wait()
			return newest
		}
		twice("200")
		st.stores <- struct{}{} // that it is known
		for _, c := range [][2]string{{"800", "lit"}, {"200", "dark"}} {
			twice(c[0])
			newest := look()
			assert.Empty(t, newest, "it is not stored yet")
			st.stores <- struct{}{}
			assert.Equal(t, c[1], <-newest)
			assert.Equal(t, c[1], <-newest)
		}
		synctest.Wait()
		before := st.batches.Load()
		publish("201")
		assert.Len(t, look(), 2)
		assert.Equal(t, before, st.batches.Load())

		twice("800")
		newest := look()
		assert.Empty(t, newest)
		time.Sleep(storedWait)
		assert.Equal(t, "dark", <-newest, "the disk hangs")
		assert.Equal(t, "dark", <-newest)
		stop()
		close(st.stores)
		assert.NoError(t, <-looped)
	})
}

// Storing fails, and the loop finds out when the wall clock steps and a
// deadline is due: what the machine that is no more would say is not told.
func TestStoringFailsWhileTheClockSteps(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Duration(0) // the year 2000: not to be trusted
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		for i := range 40 {
			time.Sleep(time.Minute)
			require.NoError(t, h.publish("cellar/tank", fmt.Sprint(200+i%7)))
		}
		*h.failing = true
		h.d.step(rules.Input{Kind: rules.InUplink, Word: rules.UplinkUp}, h.d.clock.Now())
		h.d.begin(t.Context())
		synctest.Wait()
		shift = time.Until(demoDay)
		next, ok := h.d.machine.Next()
		require.True(t, ok)
		time.Sleep(next.Sub(h.d.clock.Now()))
		h.d.tick()
		require.Error(t, h.d.broken)
		assert.Empty(t, h.d.pending)
		*h.failing = false
		time.Sleep(mendEvery)
		for range 120 {
			require.NoError(t, h.turn(nil))
			time.Sleep(time.Minute)
		}
		silent := 0
		for _, e := range h.events() {
			if e.Event.Kind == rules.Silent {
				silent++
			}
		}
		assert.Equal(t, 1, silent)
		difference, _ := h.replayAll()
		assert.Empty(t, difference)
	})
}

// A snapshot that cannot be stored is tried again in an hour, not at once.
func TestSnapshotFails(t *testing.T) {
	h := newHarness(t, harnessConfig)
	bad := &noSnapshots{keeper: h.d.store}
	h.d.store = bad
	h.d.tried -= 1 << 40 // far more inputs than need a snapshot
	for i := range 50 {
		h.clock.Advance(time.Minute)
		require.NoError(t, h.publish("cellar/tank", fmt.Sprint(200+i%7)))
	}
	assert.Equal(t, 1, bad.tries)
}

type noSnapshots struct {
	keeper
	tries int
}

func (s *noSnapshots) SaveSnapshot(context.Context, int64, func(func(store.Part) error) error) error {
	s.tries++
	return errDisk
}
