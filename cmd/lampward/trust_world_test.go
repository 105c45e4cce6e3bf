package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/notify"
	"lampward/rules"
	"lampward/store"
	"lampward/store/faultfs"
)

// A world is the whole program in one synctest bubble: boards and attackers
// speak MQTT over net.Pipe to the real broker; the real rules, store and
// sender run behind it, on a disk that fails, loses power and runs full; the
// clock steps; and a phone answers badly or not at all. Everything that
// happens follows from the seed.
type world struct {
	t    *testing.T
	seed uint64
	rng  *rand.Rand
	cfg  *config.Config
	// sabotage breaks a promise on purpose, for the controls.
	sabotage sabotage

	right  time.Duration // true wall time minus the bubble's
	shift  atomic.Int64  // what the wall clock shows, minus the bubble's
	root   string        // new folders go here
	dir    string        // of the database in use
	disk   *faultfs.FS
	ln     *pipeListener
	d      *daemon
	st     *store.Store
	stop   func() error // a clean stop
	boards []*labBoard
	foes   []net.Conn
	phone  *labPhone
	until  time.Time // the trouble of the disk ends
	tally  tally
	most   int // longest queue of jobs seen
	starts int
}

// sabotage names what a control breaks.
type sabotage string

const (
	sound    sabotage = ""
	earlyAck sabotage = "acknowledges before it is stored"
	lyingFS  sabotage = "the disk does not sync"
	newIDs   sabotage = "an id changes between attempts"
	dropsOne sabotage = "one message in twenty is recorded as sent, but was not"
	mixes    sabotage = "what a message is made of is not stored"
	forgets  sabotage = "one input in a hundred is not stored"
)

// tally counts what a run went through.
type tally struct {
	Acked, Refused, Alerts, Attempts, Folded int
	HandedOn                                 int // from a route's old name
	Stops, Kills, PowerCuts, DiskFaults      int
	PhoneTroubles, ClockSteps, Hostile       int
	Stored, Events, Changes                  int
	Days                                     float64
	HeapEarly, HeapLate, Goroutines, Queued  int
}

func (a *tally) add(b tally) {
	x, y := reflect.ValueOf(a).Elem(), reflect.ValueOf(b)
	for i := range x.NumField() {
		switch f := x.Field(i); f.Kind() {
		case reflect.Int:
			f.SetInt(f.Int() + y.Field(i).Int())
		case reflect.Float64:
			f.SetFloat(f.Float() + y.Field(i).Float())
		}
	}
}

func (a tally) String() string {
	return fmt.Sprintf("%.1f days, %d readings acknowledged, %d tries refused or cut off; %d clean stops, %d kills, %d power cuts, %d disk faults, %d phone troubles, %d clock steps, %d hostile clients; %d inputs stored, %d events, %d changes of lamps with known levels; %d alerts accepted in %d attempts, %d messages of several, %d handed on from a route of another name",
		a.Days, a.Acked, a.Refused, a.Stops, a.Kills, a.PowerCuts, a.DiskFaults, a.PhoneTroubles, a.ClockSteps, a.Hostile, a.Stored, a.Events, a.Changes, a.Alerts, a.Attempts, a.Folded, a.HandedOn)
}

const worldConfig = `
[page]
listen = ""
[store]
keep_readings = "3000d"
[alarm]
escalate_after = "10m"
[[lamp]]
name = "l0"
topic = "t/0"
on_above = 600
off_below = 400
on_delay = "1ms"
off_delay = "1ms"
[[lamp]]
name = "l1"
topic = "t/1"
value = "/raw"
on_above = 600
off_below = 400
on_delay = "1ms"
off_delay = "1ms"
[[lamp]]
name = "l2"
topic = "t/2"
[[lamp]]
name = "l3"
topic = "t/3"
on_above = 600
off_below = 400
on_delay = "1ms"
off_delay = "1ms"
[[webhook]]
name = "phone"
url = "http://192.0.2.1/"
fold_over = 3
[[webhook]]
name = "log"
url = "http://192.0.2.1/"
[[webhook]]
name = "note"
url = "http://192.0.2.1/"
`

// known are the lamps whose changes can be told from the readings alone.
var known = []string{"l0", "l1", "l3"}

func newWorld(t *testing.T, seed uint64, root string, s sabotage) *world {
	w := &world{t: t, seed: seed, rng: rand.New(rand.NewPCG(seed, 77)), sabotage: s, root: root}
	w.right = time.Until(demoDay)
	w.shift.Store(int64(w.right))
	w.phone = &labPhone{w: w, got: map[string]*labAlert{}, last: map[string]int64{}}
	w.boards = []*labBoard{
		{w: w, n: 0, form: "%s", burst: 1}, {w: w, n: 1, form: `{"raw": %s}`, burst: 1}, {w: w, n: 2, form: "%s", burst: 1},
		{w: w, n: 3, form: "%s", burst: 5},
	}
	w.dir = w.newDir()
	w.start()
	return w
}

func (w *world) newDir() string {
	dir, err := os.MkdirTemp(w.root, "db")
	require.NoError(w.t, err)
	return dir
}

func (w *world) wall() time.Time { return time.Now().Add(time.Duration(w.shift.Load())).Round(0) }

// labSink is where the controls of the intake sit.
type labSink struct {
	broker.Sink
	w *world
}

func (s labSink) Publish(ctx context.Context, m broker.Message) error {
	if s.w.sabotage == earlyAck {
		m.Topic, m.Payload = strings.Clone(m.Topic), bytes.Clone(m.Payload)
		go func() {
			select {
			case <-time.After(100 * time.Millisecond):
				_ = s.Sink.Publish(ctx, m)
			case <-ctx.Done():
			}
		}()
		return nil
	}
	return s.Sink.Publish(ctx, m)
}

func (s labSink) PublishLater(ctx context.Context, m broker.Message, done chan<- error) error {
	if s.w.sabotage == earlyAck {
		done <- s.Publish(ctx, m)
		return nil
	}
	return s.Sink.(broker.LaterSink).PublishLater(ctx, m, done)
}

// labStore is where the controls of the store sit.
type labStore struct {
	*store.Store
	w *world
}

func (s labStore) Append(ctx context.Context, recs []store.Record, sync bool) (int64, error) {
	if s.w.sabotage == forgets {
		kept := slices.DeleteFunc(slices.Clone(recs), func(r store.Record) bool {
			return r.Input.Kind == rules.InReading && len(r.Events) == 0 && int64(r.Input.Value*1e6)%100 == 7
		})
		if len(kept) < len(recs) {
			first := s.LastSeq() + 1
			_, err := s.Store.Append(ctx, kept, sync)
			// The caller counts on from what it believes to be stored.
			return first - int64(len(recs)-len(kept)), err
		}
	}
	return s.Store.Append(ctx, recs, sync)
}

// start assembles the program as serve does, with the disk, the listener and
// the routes replaced.
func (w *world) start() {
	var err error
	w.disk, err = faultfs.New()
	require.NoError(w.t, err)
	if w.sabotage == lyingFS {
		w.disk.Lie()
	}
	log := slog.New(slog.DiscardHandler)
	// One route has another name after each start; its receiver is the same.
	w.starts++
	note := []string{"note", "jotter"}[w.starts%2]
	w.cfg, err = config.Parse("world.toml", []byte(strings.Replace(worldConfig, `name = "note"`, fmt.Sprintf("name = %q", note), 1)))
	require.NoError(w.t, err)
	w.cfg.Store.Dir = w.dir
	ctx := context.Background()
	w.st, err = store.Open(ctx, store.Options{
		Dir: w.dir, KeepReadings: w.cfg.Store.KeepReadings, Log: log,
		Connector: w.disk.Connector, SyncFile: w.disk.SyncFile, CheckLimit: -1,
	})
	require.NoError(w.t, err, "seed %d: the database does not open after a restart", w.seed)
	stray, err := w.st.Stray(ctx, []string{"phone", "log", note}, 0, 1000)
	require.NoError(w.t, err)
	w.tally.HandedOn += len(stray)
	clock := resumeClock(w.wall, w.st)
	ways, err := newRoutes(w.cfg, routeOptions{})
	require.NoError(w.t, err)
	ways.all = []notify.Route{labRoute{"phone", "phone", w.phone}, labRoute{"log", "log", w.phone}, labRoute{note, "note", w.phone}}
	w.d = &daemon{
		cfg: w.cfg, log: log, clock: clock, store: labStore{w.st, w}, routes: ways,
		jobs: newQueue(256), intake: newIntake(w.cfg, log),
		worker: notify.NewWorker(notify.Options{Outbox: labOutbox{w.st, w}, Routes: ways.all, Limits: ways.limits, Now: clock.Now, Log: log,
			Attempt: time.Minute, Backoff: notify.Backoff{Rand: w.chance, GiveUpTries: 1 << 30}}),
	}
	require.NoError(w.t, w.d.boot(ctx), "seed %d", w.seed)

	b, err := broker.NewEmbedded(broker.Options{MaxClients: 40, Log: log})
	require.NoError(w.t, err)
	w.ln = &pipeListener{conns: make(chan net.Conn), closed: make(chan struct{})}
	overPipes(b, w.ln)
	var stops []func() error
	stage := func(run func(context.Context) error) {
		own, cancel := context.WithCancel(ctx)
		done := make(chan error, 1)
		go func() { done <- run(own) }()
		stops = append(stops, func() error { cancel(); return <-done })
	}
	stage(w.d.worker.Run)
	stage(w.d.loop)
	stage(func(ctx context.Context) error { return b.Run(ctx, labSink{w.d, w}) })
	w.stop = func() error {
		var errs []error
		for _, stop := range slices.Backward(stops) {
			if err := stop(); err != nil && !errors.Is(err, context.Canceled) {
				errs = append(errs, err)
			}
		}
		return errors.Join(append(errs, w.st.Close())...)
	}
	synctest.Wait()
}

// chance gives the sender's jitter. It depends on nothing but seed and time,
// for two routes that ask at the same moment come in any order.
func (w *world) chance() float64 {
	h := fnv.New64a()
	_ = binary.Write(h, binary.LittleEndian, []uint64{w.seed, uint64(time.Now().UnixMilli())})
	return float64(h.Sum64()>>11) / (1 << 53)
}

// crash ends the program as a kill or, with power, a power cut does: what the
// disk has by then is all that is left.
func (w *world) crash(power bool) {
	w.phone.off.Store(true)
	for op := range faultfs.Open + 1 {
		w.disk.Fail(op, 0, 0, faultfs.IOError)
	}
	dir := w.newDir()
	if power {
		require.NoError(w.t, w.disk.PowerCut(dir, w.rng))
	} else {
		copyFiles(w.t, w.dir, dir)
	}
	_ = w.stop()
	w.phone.off.Store(false)
	w.leave(dir)
}

// move goes on with what is on the disk, in another folder.
func (w *world) move() {
	dir := w.newDir()
	copyFiles(w.t, w.dir, dir)
	w.leave(dir)
}

// copyFiles copies what a process that ended left on the disk.
func copyFiles(t *testing.T, from, to string) {
	list, err := os.ReadDir(from)
	require.NoError(t, err)
	for _, f := range list {
		if strings.HasSuffix(f.Name(), "-shm") {
			continue // lived in memory
		}
		b, err := os.ReadFile(filepath.Join(from, f.Name()))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(to, f.Name()), b, 0o600))
	}
}

// leave goes on in another folder.
func (w *world) leave(dir string) {
	w.forgetDisk()
	_ = os.RemoveAll(w.dir)
	w.dir = dir
}

// forgetDisk frees the images of files that a disk would keep in memory for as
// long as the process lives.
func (w *world) forgetDisk() {
	files := reflect.ValueOf(w.disk).Elem().FieldByName("files")
	reflect.NewAt(files.Type(), unsafe.Pointer(files.UnsafeAddr())).Elem().Clear()
}

// live spends the given time in steps of one report each.
func (w *world) live(steps int, every time.Duration) {
	began := time.Now()
	for i := range steps {
		w.step(every)
		if i == steps/3 {
			w.tally.HeapEarly = heap()
		}
	}
	w.tally.HeapLate = heap()
	w.calm(every)
	w.tally.Days = time.Since(began).Hours() / 24
}

// heap is what is in use, in bytes.
func heap() int {
	runtime.GC()
	runtime.GC() // what pools hold outlasts one
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int(m.HeapAlloc)
}

func (w *world) step(every time.Duration) {
	time.Sleep(every - time.Duration(w.rng.IntN(int(every/10))))
	if w.rng.IntN(20) == 0 { // all at once
		var wg sync.WaitGroup
		for _, b := range w.boards {
			// Its random numbers are drawn here, for the order to be the seed's.
			wg.Go(b.report)
			synctest.Wait()
		}
		wg.Wait()
	} else {
		for _, b := range w.boards {
			b.report()
		}
	}
	synctest.Wait()
	w.most = max(w.most, w.d.jobs.len())
	if !w.until.IsZero() && time.Now().After(w.until) {
		w.heal()
	}
	w.trouble()
}

func (w *world) heal() {
	w.disk.Heal()
	if w.sabotage == lyingFS {
		w.disk.Lie()
	}
	w.until = time.Time{}
}

// trouble does now and then what goes wrong in the world.
func (w *world) trouble() {
	switch n := w.rng.IntN(600); {
	case n == 0:
		w.tally.Stops++
		w.heal()
		time.Sleep(3 * time.Second) // a broken store needs a moment to be found well again
		require.NoError(w.t, w.stop(), "seed %d: a clean stop", w.seed)
		w.move()
		w.away()
	case n <= 2:
		w.tally.Kills++
		w.crash(false)
		w.away()
	case n <= 4:
		w.tally.PowerCuts++
		w.crash(true)
		w.away()
	case n <= 7: // a disk that is full, broken or tears writes, for a while
		w.tally.DiskFaults++
		op := []faultfs.Op{faultfs.Write, faultfs.Sync, faultfs.Truncate}[w.rng.IntN(3)]
		w.disk.Fail(op, w.rng.IntN(12), 0, faultfs.Fault(w.rng.IntN(3)))
		w.until = time.Now().Add(time.Duration(1+w.rng.IntN(40)) * time.Minute)
	case n <= 10: // a single call fails
		w.tally.DiskFaults++
		op := []faultfs.Op{faultfs.Write, faultfs.Sync, faultfs.Open}[w.rng.IntN(3)]
		w.disk.Fail(op, w.rng.IntN(40), 1, faultfs.Fault(w.rng.IntN(3)))
	case n <= 16:
		w.tally.PhoneTroubles++
		w.phone.set(phoneMode(w.rng.IntN(int(phoneModes))))
	case n <= 24:
		w.phone.set(phoneGood)
	case n <= 26: // the wall clock is set, or the machine slept
		w.tally.ClockSteps++
		// Never off by more than is kept: else history would go, and rightly so.
		w.shift.Store(int64(w.right + []time.Duration{0, 0, time.Hour, -time.Hour, 7 * time.Hour, -26 * time.Hour, 400 * 24 * time.Hour, -300 * 24 * time.Hour,
			time.Second, -time.Second}[w.rng.IntN(10)]))
	case n <= 40:
		w.tally.Hostile++
		w.hostile()
	case n <= 44:
		w.boards[w.rng.IntN(len(w.boards))].hangUp()
	}
}

func (p *labPhone) set(m phoneMode) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.mode = m
}

// away lets some time pass without lampward, and starts it again.
func (w *world) away() {
	for _, b := range w.boards {
		b.hangUp()
	}
	for _, c := range w.foes {
		_ = c.Close()
	}
	w.foes, w.until = nil, time.Time{}
	time.Sleep(time.Duration(w.rng.IntN(3600)) * time.Second / time.Duration(1+w.rng.IntN(60)))
	w.start()
}

// calm ends all trouble and waits until everything owed is delivered.
func (w *world) calm(every time.Duration) {
	w.heal()
	w.phone.set(phoneGood)
	time.Sleep(2 * mendEvery)
	// On, until the newest change of each lamp is old enough to have been told.
	for range 3 * labBlock {
		time.Sleep(every)
		for _, b := range w.boards {
			b.report()
		}
		if !slices.ContainsFunc(w.boards, func(b *labBoard) bool { return b.inside < labBlock/5 }) {
			break
		}
	}
	time.Sleep(3 * time.Hour) // longer than any wait between attempts
	synctest.Wait()
	w.tally.Goroutines = runtime.NumGoroutine()
	require.NoError(w.t, w.stop(), "seed %d", w.seed)
	w.forgetDisk()
	for _, b := range w.boards {
		b.hangUp()
	}
	for _, c := range w.foes {
		_ = c.Close()
	}
	synctest.Wait()
}
