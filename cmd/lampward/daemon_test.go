package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/cmd/lampward/page"
	"lampward/notify"
	"lampward/notify/link"
	"lampward/rules"
	"lampward/rules/learn"
	"lampward/store"
)

// harness drives a daemon without its goroutines: each call is one turn of
// the loop, so that a test is the same every time.
type harness struct {
	t     testing.TB
	d     *daemon
	st    *store.Store
	clock *simClock
	real  clock // if set, the daemon's clock instead
	dir   string
	cfg   *config.Config
	// spoil, if set, may falsify what is about to be stored.
	spoil func([]store.Record) []store.Record
	// failing makes every write fail.
	failing *bool
	// fixed makes what waits in the outbox stay where it is.
	fixed bool
	// hidden makes what waits in the outbox for no route unreadable.
	hidden bool
}

const harnessConfig = `
[[lamp]]
name = "tank"
topic = "cellar/tank"
[[lamp]]
name = "salt"
topic = "cellar/salt"
value = "/raw"
lit_reads = "lower"
[[lamp]]
name = "freezer"
topic = "cellar/freezer"
on_above = 600
off_below = 400
[[device]]
name = "freezer"
report_every = "1m"
[[webhook]]
url = "http://192.0.2.1/never-sent-in-this-test"
`

var demoDay = time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)

func newHarness(t testing.TB, text string) *harness {
	cfg, err := config.Parse("test.toml", []byte(text))
	require.NoError(t, err)
	h := &harness{t: t, clock: &simClock{now: demoDay}, dir: t.TempDir(), cfg: cfg, failing: new(bool)}
	cfg.Store.Dir = h.dir
	h.boot()
	t.Cleanup(func() { _ = h.st.Close() })
	return h
}

// spoiled is a store that a test can make lie or fail.
type spoiled struct {
	*store.Store
	h *harness
}

var errDisk = errors.New("no space left on device")

func (s spoiled) Append(ctx context.Context, recs []store.Record, sync bool) (int64, error) {
	if *s.h.failing {
		return 0, errDisk
	}
	if s.h.spoil != nil {
		recs = s.h.spoil(recs)
		if len(recs) == 0 {
			return s.LastSeq() + 1, nil
		}
	}
	return s.Store.Append(ctx, recs, sync)
}

func (s spoiled) Reroute(ctx context.Context, at time.Time, moves []store.Move) (int, error) {
	if s.h.fixed {
		return 0, errDisk
	}
	return s.Store.Reroute(ctx, at, moves)
}

func (s spoiled) Stray(ctx context.Context, routes []string, after int64, limit int) ([]rules.Delivery, error) {
	if s.h.hidden {
		return nil, errors.New("input/output error")
	}
	return s.Store.Stray(ctx, routes, after, limit)
}

// boot opens the store and starts a daemon on it, as serve does.
func (h *harness) boot() {
	var err error
	h.st, err = store.Open(context.Background(), store.Options{Dir: h.dir, Log: slog.New(slog.DiscardHandler)})
	require.NoError(h.t, err)
	routes, err := newRoutes(h.cfg, routeOptions{})
	require.NoError(h.t, err)
	log := slog.New(slog.DiscardHandler)
	var clock clock = h.clock
	if h.real != nil {
		clock = h.real
	}
	h.d = &daemon{
		cfg: h.cfg, log: log, clock: clock, store: spoiled{h.st, h}, routes: routes,
		jobs: newQueue(16), intake: newIntake(h.cfg, log),
		worker: notify.NewWorker(notify.Options{Outbox: h.st, Now: clock.Now}),
	}
	require.NoError(h.t, h.d.boot(context.Background()))
}

// crash drops the daemon as a killed process does: what was not stored is lost.
func (h *harness) crash() {
	require.NoError(h.t, h.st.Close())
}

// turn is one turn of the loop with at most one job.
func (h *harness) turn(j *entry) error {
	done := make(chan error, 1)
	if j != nil {
		j.at, j.done = h.d.clock.Now(), done
		h.d.takeAll([]entry{*j})
	}
	h.d.tick()
	h.d.commit(context.Background())
	h.d.wait()
	h.d.waitPruned()
	if j != nil {
		select {
		case err := <-done:
			return err
		default:
			h.t.Fatal("a job was not answered in its turn")
		}
	}
	return nil
}

// publish does what Publish does with a QoS 1 message.
func (h *harness) publish(topic, payload string) error {
	inputs := h.d.intake.inputs(nil, broker.Message{Topic: topic, Payload: []byte(payload), QoS: 1}, h.d.clock.Now)
	if len(inputs) == 0 {
		return nil
	}
	return h.turn(&entry{job{client: topic + "-client"}, inputs})
}

// live spends some days with random restarts of both kinds.
func (h *harness) live(seed uint64, minutes int) {
	rng := rand.New(rand.NewPCG(seed, 9))
	lit := map[string]bool{}
	topics := []string{"cellar/tank", "cellar/salt", "cellar/freezer"}
	gone := ""
	for range minutes {
		h.clock.Advance(time.Duration(55_000+rng.IntN(10_000)) * time.Millisecond)
		for _, topic := range topics {
			if topic == gone {
				continue
			}
			v := 220 + 6*rng.NormFloat64()
			if lit[topic] {
				v += 500
			}
			if topic == "cellar/salt" {
				require.NoError(h.t, h.publish(topic, fmt.Sprintf(`{"raw": %.0f}`, 1000-v)))
				continue
			}
			require.NoError(h.t, h.publish(topic, fmt.Sprintf("%.1f", v)))
		}
		require.NoError(h.t, h.turn(nil))
		switch n := rng.IntN(400); {
		case n < 3:
			lit[topics[n]] = !lit[topics[n]]
		case n < 6:
			gone = topics[n-3]
		case n < 10:
			gone = ""
		case n == 10:
			h.d.links.note(broker.Link{Client: "cellar/tank-client", Word: broker.LinkLost}, h.clock.Now())
		case n == 14:
			require.NoError(h.t, h.publish("cellar/freezer", "offline"))
		case n == 11:
			h.crash()
			h.clock.Advance(time.Duration(rng.IntN(3600)) * time.Second)
			h.boot()
		case n == 12:
			require.NoError(h.t, h.d.stop())
			h.crash()
			h.clock.Advance(time.Duration(rng.IntN(3600)) * time.Second)
			h.boot()
		case n == 13: // the disk fills up, and is freed
			*h.failing = true
			_ = h.publish("cellar/tank", "220")
			*h.failing = false
			h.clock.Advance(mendEvery)
			require.NoError(h.t, h.turn(nil))
		}
	}
}

// replayAll steps every stored input on a new machine and returns the first
// that gives other events than were stored. One that is told what was told must do
// the same, and be the same afterwards.
func (h *harness) replayAll() (difference string, kinds map[rules.Kind]int) {
	m, told := rules.New(), rules.New()
	kinds = map[rules.Kind]int{}
	require.NoError(h.t, h.st.Inputs(context.Background(), 0, func(seq int64, in rules.Input, stored [][]byte) error {
		events := m.Step(in)
		if difference == "" && !sameEvents(events, stored) {
			difference = fmt.Sprintf("input %d %+v: stored %q, replay %+v", seq, in, stored, events)
		}
		before, err := eventsOf(stored)
		require.NoError(h.t, err)
		for _, e := range before {
			kinds[e.Kind]++
		}
		if again, same := told.Replay(in, before); difference == "" && !(same && sameEvents(again, stored)) {
			difference = fmt.Sprintf("input %d %+v: stored %q, told so %+v", seq, in, stored, again)
		}
		return nil
	}))
	a, err := m.Snapshot()
	require.NoError(h.t, err)
	b, err := told.Snapshot()
	require.NoError(h.t, err)
	if difference == "" && !reflect.DeepEqual(a, b) {
		difference = "the machine that was told is another one"
	}
	return difference, kinds
}

// ageLearner stores a snapshot whose lamps, all or the named ones, another
// version of the learner wrote; and more parts that nobody knows.
func (h *harness) ageLearner(named string, more ...store.Part) {
	require.NoError(h.t, h.st.SaveSnapshot(h.t.Context(), h.d.seq, func(fn func(store.Part) error) error {
		err := h.d.machine.EachPart(func(p store.Part) error {
			if strings.HasPrefix(p.Key, "lamp/"+named) {
				p.Data[len("lampward learner ")]++ // the version
			}
			return fn(p)
		})
		for _, p := range more {
			err = errors.Join(err, fn(p))
		}
		return err
	}))
}

// An upgrade to a version that learns in another way: the lamps learn again
// from the stored readings, and what else was known is kept.
func TestUpgradeOfTheLearner(t *testing.T) {
	h := newHarness(t, harnessConfig)
	for i := range 300 { // by another sensor, before it was out of the configuration
		h.clock.Advance(time.Minute)
		require.NoError(t, h.publish("cellar/tank", fmt.Sprint(50+20*(i/60%2)+i%3)))
	}
	require.NoError(t, h.turn(&entry{inputs: []rules.Input{{Kind: rules.InConfig, Config: &rules.Config{Lamps: h.cfg.Rules.Lamps[1:]}}}}))
	h.clock.Advance(24 * time.Hour)
	require.NoError(t, h.turn(&entry{inputs: []rules.Input{{Kind: rules.InConfig, Config: &h.cfg.Rules}}}))
	for i := range 600 {
		h.clock.Advance(time.Minute)
		level := 200 + i%7
		if i%200 >= 150 {
			level += 400
		}
		require.NoError(t, h.publish("cellar/tank", fmt.Sprint(level)))
	}
	require.NoError(t, h.turn(&entry{inputs: []rules.Input{{Kind: rules.InAck, Lamp: "tank", By: "me"}}}))
	require.NoError(t, h.d.stop())
	before, err := h.d.machine.Snapshot()
	require.NoError(t, err)
	h.ageLearner("")
	var told []string
	h.d.progress = func(doing string, done int64) { told = append(told, fmt.Sprint(doing, " ", done)) }
	require.NoError(t, h.d.rebuild(t.Context()))
	assert.Len(t, told, 100, "each hundredth is told once")
	assert.Equal(t, "learning again from the stored readings 100", told[len(told)-1])
	after, err := h.d.machine.Snapshot()
	require.NoError(t, err)
	assert.Equal(t, before, after)
	st, ok := h.d.machine.LampStatus("tank")
	require.True(t, ok)
	assert.NotZero(t, st.Verdict.OnAbove, "a lamp that learned nothing proves nothing")
}

// After a power cut and an upgrade to a version that learns in another way, what
// this one makes of the readings since the last snapshot reaches the phone once:
// not at all if the older one told it, and not again at a start after that.
func TestUpgradeAfterPowerCut(t *testing.T) {
	for name, blind := range map[string]bool{"told by the older version": false, "not told by the older version": true} {
		t.Run(name, func(t *testing.T) {
			h := newHarness(t, harnessConfig)
			say := func(level int) {
				h.clock.Advance(time.Minute)
				require.NoError(t, h.publish("cellar/tank", fmt.Sprint(level+h.clock.Now().Minute()%7)))
			}
			for i := range 500 {
				level := 200
				if i%200 >= 150 {
					level += 400
				}
				say(level)
			}
			lit := func() int {
				rows, err := h.st.Deliveries(t.Context(), store.DeliveryFilter{Key: "lamp/tank"})
				require.NoError(t, err)
				n := 0
				for _, r := range rows {
					if r.Event.Kind == rules.Lit {
						n++
					}
				}
				return n
			}
			before := lit()
			require.NotZero(t, before, "a lamp that learned nothing proves nothing")
			h.d.flush(t.Context())
			h.ageLearner("")
			h.d.snapAt = h.clock.Now().Add(time.Hour)
			if blind {
				h.spoil = func(recs []store.Record) []store.Record {
					recs = append([]store.Record(nil), recs...)
					for i := range recs {
						recs[i].Events, recs[i].Routes = nil, nil
					}
					return recs
				}
			}
			for range 20 {
				say(600)
			}
			h.spoil = nil
			require.Equal(t, !blind, lit() == before+1)
			for range 3 { // cut off again before it stores a snapshot of its own
				h.crash()
				h.clock.Advance(time.Minute)
				h.boot()
				assert.Equal(t, before+1, lit())
			}
			for range 5 {
				say(600)
			}
			assert.Equal(t, before+1, lit())
		})
	}
}

// What is stored from before a lamp was there is not counted: the first of its
// fifty inputs is two per cent of the way.
func TestLearningAgainCountsFromTheFirst(t *testing.T) {
	h := newHarness(t, harnessConfig)
	for i := range 350 {
		topic := "cellar/freezer"
		if i >= 301 {
			topic = "cellar/tank"
		}
		h.clock.Advance(time.Minute)
		require.NoError(t, h.publish(topic, fmt.Sprint(200+i%7)))
	}
	require.NoError(t, h.d.stop()) // is an input too
	h.ageLearner("tank")
	var told []string
	h.d.progress = func(doing string, done int64) { told = append(told, fmt.Sprint(doing, " ", done)) }
	require.NoError(t, h.d.rebuild(t.Context()))
	assert.Len(t, told, 50)
	assert.Equal(t, "learning again from the stored readings 2", told[0])
	ctx, cancel := context.WithCancel(t.Context())
	h.d.progress = func(doing string, done int64) { cancel() }
	require.ErrorIs(t, h.d.rebuild(ctx), context.Canceled)
}

// What is stored of random histories with crashes, clean restarts and full
// disks replays to the very events that were stored and sent.
func TestStoredReplay(t *testing.T) {
	notUnderRace(t)
	all := map[rules.Kind]int{}
	for seed := range uint64(4) {
		h := newHarness(t, harnessConfig)
		h.live(seed, 1000)
		difference, kinds := h.replayAll()
		require.Empty(t, difference, "seed %d", seed)
		for k, n := range kinds {
			all[k] += n
		}
	}
	t.Log(all)
	for _, k := range []rules.Kind{rules.Lit, rules.Dark, rules.Silent, rules.Returned, rules.Downtime} {
		assert.NotZero(t, all[k], "the histories must contain %s, else they prove little", k)
	}
}

// The control: a daemon that forgets to store some inputs is found out.
func TestStoredReplayControl(t *testing.T) {
	notUnderRace(t)
	n := 0
	for name, forget := range map[string]func(rules.Input) bool{
		"starts":              func(in rules.Input) bool { return in.Kind == rules.InStart },
		"one reading in four": func(in rules.Input) bool { n++; return in.Kind == rules.InReading && n%4 == 0 },
	} {
		t.Run(name, func(t *testing.T) {
			h := newHarness(t, harnessConfig)
			h.spoil = func(recs []store.Record) []store.Record {
				var out []store.Record
				for _, r := range recs {
					if !forget(r.Input) {
						out = append(out, r)
					}
				}
				return out
			}
			h.live(1, 1000)
			difference, _ := h.replayAll()
			assert.NotEmpty(t, difference)
		})
	}
}

// While the disk is full readings are refused, so that their senders keep
// them; afterwards the state is what the stored readings say, and the alert
// that could not be stored comes with the reading that is sent again.
func TestDiskFull(t *testing.T) {
	h := newHarness(t, `
[[lamp]]
name = "tank"
topic = "cellar/tank"
on_above = 600
off_below = 400
on_delay = "1s"
off_delay = "1s"
[[webhook]]
url = "http://192.0.2.1/"
`)
	say := func(v string) error {
		h.clock.Advance(time.Minute)
		return h.publish("cellar/tank", v)
	}
	for range 5 {
		require.NoError(t, say("200"))
	}
	*h.failing = true
	for range 5 {
		require.ErrorIs(t, say("800"), errDisk)
	}
	*h.failing = false
	h.clock.Advance(mendEvery)
	require.NoError(t, h.turn(nil))
	for range 3 {
		require.NoError(t, say("800"))
	}
	difference, kinds := h.replayAll()
	assert.Empty(t, difference)
	assert.Equal(t, 1, kinds[rules.Lit])
	due, _, err := h.st.Due(context.Background(), h.clock.Now(), 10, []string{"webhook-1"})
	require.NoError(t, err)
	var told []rules.Kind
	for _, x := range due {
		told = append(told, x.Event.Kind)
	}
	assert.Equal(t, []rules.Kind{rules.Downtime, rules.Lit}, told, "the gap is told, and the alert came once")
}

// A disk that is full for long does not fill the log; that what is stored cannot be read
// any more is told, too.
func TestFullDiskIsLoggedNowAndThen(t *testing.T) {
	h := newHarness(t, harnessConfig)
	var log logBuffer
	h.d.log = slog.New(slog.NewTextHandler(&log, nil))
	lines := func(text string) int { return strings.Count(log.String(), text) }
	spend := func(hours float64) {
		for range int(hours * 60) {
			h.clock.Advance(time.Minute)
			require.NoError(t, h.turn(nil))
		}
	}
	for range 2 {
		*h.failing = true
		before := lines("cannot store; readings are refused")
		require.ErrorIs(t, h.publish("cellar/freezer", "200"), errDisk)
		require.Equal(t, before+1, lines("cannot store; readings are refused"))
		spend(1.2)
		require.ErrorIs(t, h.publish("cellar/freezer", "200"), errDisk)
		require.Equal(t, before+2, lines("cannot store; readings are refused"))
		*h.failing = false
		spend(0.1)
		require.NoError(t, h.publish("cellar/freezer", "200"))
	}
	require.Equal(t, 2, lines("\"storing works again\" refused=2\n"))

	*h.failing = true
	require.ErrorIs(t, h.publish("cellar/freezer", "200"), errDisk)
	require.NoError(t, h.st.Close())
	h.clock.Advance(mendEvery)
	require.NoError(t, h.turn(nil))
	require.Contains(t, log.String(), `error="reading the snapshot: `)
	require.Equal(t, h.clock.Now().Add(mendEvery), h.d.mendAt, "or the loop would not rest")
}

// Nor does a disk that fails now in one way and now in another, or first with many
// readings and then with few.
func TestDyingDiskIsLoggedNowAndThen(t *testing.T) {
	h := newHarness(t, harnessConfig)
	var log logBuffer
	h.d.log = slog.New(slog.NewTextHandler(&log, nil))
	lines := func() int { return strings.Count(log.String(), "cannot store; readings are refused") }
	h.d.fail(&batch{recs: make([]store.Record, 3)}, errDisk)
	h.d.mendAt = h.d.clock.Now()
	*h.failing = true
	require.NoError(t, h.turn(nil))
	assert.Equal(t, 1, lines())
	for range 20 {
		h.clock.Advance(mendEvery)
		h.d.refuse(fmt.Errorf("reading the snapshot: %w", io.ErrUnexpectedEOF))
		require.NoError(t, h.turn(nil))
	}
	assert.Equal(t, 2, lines())
	*h.failing = false
	h.clock.Advance(mendEvery)
	require.NoError(t, h.turn(nil))
	*h.failing = true
	require.ErrorIs(t, h.publish("cellar/freezer", "200"), errDisk)
	assert.Equal(t, 3, lines(), "it had worked meanwhile")
}

// Who watches is told once what was refused is undone, although no lamp is heard of
// then: a page would go on showing it.
func TestUndoneIsShown(t *testing.T) {
	h := newHarness(t, harnessConfig)
	seen := map[string]float64{} // what a page shows of each lamp, and 1 for a board
	h.d.tap = func(in rules.Input, _ []rules.Event) {
		if s, ok := h.d.machine.LampStatus(in.Lamp); ok {
			seen[in.Lamp] = s.Value
		} else if in.Device != "" {
			seen["board "+in.Device] = 1
		}
	}
	say := func(v string) error {
		h.clock.Advance(time.Second)
		return h.publish("cellar/freezer", v)
	}
	require.NoError(t, say("200"))
	all := map[string]float64{"tank": 0, "salt": 0, "freezer": 200, "board tank": 1, "board salt": 1, "board freezer": 1}
	for _, disk := range []struct{ soon bool }{{}, {soon: true}, {}} {
		clear(seen)
		*h.failing = true
		require.ErrorIs(t, say("800"), errDisk)
		require.Equal(t, 800.0, seen["freezer"])
		*h.failing = !disk.soon
		h.clock.Advance(mendEvery)
		clear(seen)
		require.NoError(t, h.turn(nil))
		assert.Equal(t, all, seen, "%+v", disk)
		if !disk.soon {
			clear(seen)
			h.clock.Advance(mendEvery)
			require.NoError(t, h.turn(nil))
			assert.Empty(t, seen, "once is enough")
			*h.failing = false
			h.clock.Advance(mendEvery)
			require.NoError(t, h.turn(nil))
			assert.Equal(t, all, seen)
		}
	}
}

// With early_ack a reading that changes nothing is acknowledged before it is
// stored, and costs no write of its own; one that changes something is not.
func TestEarlyAck(t *testing.T) {
	for _, early := range []bool{false, true} {
		h := newHarness(t, harnessConfig)
		h.cfg.Store.EarlyAck = early
		writes := 0
		h.spoil = func(recs []store.Record) []store.Record {
			writes++
			return recs
		}
		for i := range 10 {
			h.clock.Advance(time.Second)
			require.NoError(t, h.publish("cellar/freezer", fmt.Sprint(200+i)))
		}
		want := 10
		if early {
			want = 1 // the first settles the lamp's state, which is news
		}
		assert.Equal(t, want, writes)
		h.clock.Advance(time.Minute)
		require.NoError(t, h.turn(nil))
		n := 0
		require.NoError(t, h.st.Inputs(t.Context(), 0, func(int64, rules.Input, [][]byte) error { n++; return nil }))
		assert.Equal(t, 12, n, "all are stored once flush is over: config, start, readings")

		// The change: it is written before it is acknowledged, whatever was held.
		*h.failing = true
		var err error
		for i := range 5 {
			h.clock.Advance(time.Second)
			m := broker.Message{Topic: "cellar/freezer", Payload: fmt.Append(nil, 800+i), QoS: 1}
			done := make(chan error, 1)
			h.d.takeAll([]entry{{job{at: h.clock.Now(), done: done}, h.d.intake.inputs(nil, m, h.clock.Now)}})
			s, _ := h.d.machine.LampStatus("freezer")
			lit := s.Verdict.State == learn.Lit
			assert.Equal(t, early && !lit, len(done) == 1, "acknowledged before it was stored")
			h.d.commit(t.Context())
			h.d.wait()
			if err = <-done; err != nil {
				assert.Equal(t, early, lit)
				break
			}
		}
		assert.ErrorIs(t, err, errDisk)
	}
}

// Which messages count as readings.
func TestIntake(t *testing.T) {
	h := newHarness(t, harnessConfig+`
[[device]]
name = "tank"
topic = "cellar/tank/status"
volts = "/battery"
rssi = "/rssi"
`)
	in := h.d.intake
	wall := h.clock.Wall()
	take := func(m broker.Message) []rules.Input { return in.inputs(nil, m, func() time.Time { return wall }) }
	tank := func(payload string) broker.Message {
		return broker.Message{Topic: "cellar/tank", Payload: []byte(payload), QoS: 1}
	}
	got := take(tank("512"))
	require.Len(t, got, 1)
	assert.Equal(t, rules.Input{Kind: rules.InReading, Lamp: "tank", Device: "tank", Value: 512}, got[0])

	retained := tank("513")
	retained.Retained = true
	assert.Empty(t, take(retained), "old state is no sign of life")

	again := tank("512")
	again.Dup = true
	assert.Len(t, take(again), 1, "the broker keeps copies out: what it hands on was never taken, whatever its DUP flag")

	for _, bad := range []string{"", "many", "NaN", "Inf", "-Infinity", "1e300", `{"value": "x"}`, "\xff\x00"} {
		assert.Equal(t, []rules.Input{{Kind: rules.InReading, Device: "tank"}}, take(tank(bad)), "%q is a sign of life, and no more", bad)
	}
	alone := take(tank(`{"battery": 3.1}`))
	require.Len(t, alone, 1)
	assert.Empty(t, alone[0].Lamp)
	require.NotNil(t, alone[0].Volts, "a voltage without a value")
	assert.Equal(t, 3.1, *alone[0].Volts)
	assert.Empty(t, take(broker.Message{Topic: "elsewhere", Payload: []byte("1")}))

	status := take(broker.Message{Topic: "cellar/tank/status", Payload: []byte(`{"battery": 3.9, "rssi": -71}`)})
	require.Len(t, status, 1)
	assert.Empty(t, status[0].Lamp)
	assert.Equal(t, 3.9, *status[0].Volts)
	assert.Equal(t, -71.0, *status[0].RSSI)

	alive := take(broker.Message{Topic: "cellar/tank/status", Payload: []byte("alive")})
	assert.Equal(t, []rules.Input{{Kind: rules.InReading, Device: "tank"}}, alive, "all that a board's own topic need say")

	c := in.counts()
	assert.Equal(t, Counts{Readings: 4, Unknown: 1, Retained: 1, Malformed: 9}, c)
}

// A topic that nobody configured is named in the log, for it may be a slip of the
// pen; however many there are, they do not fill it.
func TestStrayTopics(t *testing.T) {
	var log bytes.Buffer
	in := newIntake(newHarness(t, harnessConfig).cfg, slog.New(slog.NewTextHandler(&log, nil)))
	in.inputs(nil, broker.Message{Topic: "cellar/tnak", Payload: []byte("512")}, time.Now)
	assert.Contains(t, log.String(), "topic=cellar/tnak")
	assert.Contains(t, log.String(), "letter by letter")
	in.inputs(nil, broker.Message{Topic: "cellar/tank", Payload: []byte("512")}, time.Now)
	for i := range 10000 {
		in.inputs(nil, broker.Message{Topic: fmt.Sprint("stray/", i)}, time.Now)
	}
	assert.Equal(t, 20+14, strings.Count(log.String(), "\n"), "20 by name, the other 9,981 each time that their number doubled")
}

// A board may tell its signal alone; one that cannot be read is told of, and spoils
// nothing else.
func TestSignalAlone(t *testing.T) {
	h := newHarness(t, strings.Replace(harnessConfig, `report_every = "1m"`, `rssi = "/rssi"`, 1))
	var log bytes.Buffer
	h.d.intake.quiet = broker.NewQuiet(slog.New(slog.NewTextHandler(&log, nil)), 0)
	send := func(payload string) []rules.Input {
		return h.d.intake.inputs(nil, broker.Message{Topic: "cellar/freezer", Payload: []byte(payload)}, h.clock.Now)
	}
	got := send(`{"value": 512, "rssi": -67}`)
	require.Len(t, got, 1)
	require.NotNil(t, got[0].RSSI)
	assert.Equal(t, -67.0, *got[0].RSSI)
	assert.Empty(t, log.String())
	got = send(`{"value": 513, "rssi": "weak"}`)
	require.Len(t, got, 1)
	assert.Equal(t, 513.0, got[0].Value)
	assert.Nil(t, got[0].RSSI)
	assert.Contains(t, log.String(), "rssi")
	assert.Contains(t, log.String(), "topic=cellar/freezer")
}

// What a message tells of the battery and the signal counts once, be it of two lamps, or
// hold several readings of one; and it is no trouble that another tells nothing of them.
func TestStatusCountsOnce(t *testing.T) {
	cfg, err := config.Parse("test.toml", []byte(`
[[lamp]]
name = "red"
topic = "cellar/panel"
value = "senml:red"
device = "panel"
[[lamp]]
name = "green"
topic = "cellar/panel"
value = "senml:green"
device = "panel"
[[device]]
name = "panel"
volts = "senml:battery"
rssi = "senml:rssi"
[[webhook]]
url = "http://192.0.2.1/"
`))
	require.NoError(t, err)
	var log bytes.Buffer
	in := newIntake(cfg, slog.New(slog.NewTextHandler(&log, nil)))
	in.copies = func() uint64 { return 7 }
	send := func(records string) (lamps []string, told int) {
		for _, x := range in.inputs(nil, broker.Message{Topic: "cellar/panel", Payload: []byte("[" + records + "]")}, time.Now) {
			lamps = append(lamps, fmt.Sprint(x.Lamp, " ", x.Value))
			assert.Equal(t, x.Volts != nil, x.RSSI != nil)
			if x.Volts != nil {
				told++
			}
		}
		return lamps, told
	}
	const both, status = `{"n":"red","v":1},{"n":"green","v":2}`, `,{"n":"battery","v":3.7},{"n":"rssi","v":-67}`
	lamps, told := send(both + status)
	assert.Equal(t, []string{"red 1", "green 2"}, lamps)
	assert.Equal(t, 1, told)
	lamps, told = send(`{"n":"red","v":1,"t":-60},{"n":"red","v":3},{"n":"green","v":2}` + status)
	assert.Equal(t, []string{"red 1", "red 3", "green 2"}, lamps)
	assert.Equal(t, 1, told)
	_, told = send(both)
	assert.Zero(t, told)
	assert.Empty(t, log.String())
	assert.Equal(t, Counts{Readings: 3, Repeated: 7}, in.counts())

	// One of the two cannot be read: it is named, and the other counts.
	lamps, told = send(`{"n":"green","v":2}` + status)
	assert.Equal(t, []string{"green 2"}, lamps)
	assert.Equal(t, 1, told)
	assert.Contains(t, log.String(), "topic=cellar/panel")
	assert.Contains(t, log.String(), "no numeric record \\\"red\\\"")
	assert.Equal(t, Counts{Readings: 4, Repeated: 7, Malformed: 1}, in.counts())
}

// What a board tells of its battery and signal on topics of their own is taken from
// there alone, and tells nothing of the lamp.
func TestStatusOnTopicsOfItsOwn(t *testing.T) {
	for key, c := range map[string]struct {
		sent  string
		taken float64
	}{"volts": {"3.91", 3.91}, "millivolts": {"3910", 3.91}, "charge": {"87", 87}} {
		cfg, err := config.Parse("test.toml", []byte(`
[[lamp]]
name = "tank"
topic = "cellar/tank/light"
device = "tank-board"
[[device]]
name = "tank-board"
topic = "cellar/tank/status"
`+key+` = "topic:cellar/tank/battery"
rssi = "topic:cellar/tank/rssi"
[[webhook]]
url = "http://192.0.2.1/"
`))
		require.NoError(t, err)
		var log bytes.Buffer
		in := newIntake(cfg, slog.New(slog.NewTextHandler(&log, nil)))
		assert.ElementsMatch(t, []string{"cellar/tank/light", "cellar/tank/status", "cellar/tank/battery", "cellar/tank/rssi"}, in.names())
		send := func(topic, payload string) rules.Input {
			got := in.inputs(nil, broker.Message{Topic: "cellar/tank/" + topic, Payload: []byte(payload)}, time.Now)
			require.Len(t, got, 1)
			assert.Equal(t, "tank-board", got[0].Device)
			return got[0]
		}
		report := rules.Input{Kind: rules.InReading, Device: "tank-board"}
		light, battery, rssi := report, report, report
		light.Lamp, light.Value = "tank", 3
		signal := -67.0
		battery.Volts, rssi.RSSI = &c.taken, &signal
		assert.Equal(t, light, send("light", "3"), "the lamp's count is no voltage")
		assert.Equal(t, report, send("status", "3"))
		assert.Equal(t, battery, send("battery", c.sent))
		assert.Equal(t, rssi, send("rssi", "-67"))
		assert.Empty(t, log.String())
		assert.Equal(t, report, send("battery", "3,91"), "a sign of life all the same")
		assert.Contains(t, log.String(), "write it with a point, 3.91")
		assert.Contains(t, log.String(), "topic=cellar/tank/battery")
	}

	// One of the two stands in every payload, where the other is alone.
	cfg, err := config.Parse("test.toml", []byte(`
[[lamp]]
name = "tank"
topic = "cellar/tank/light"
value = "senml:light"
[[device]]
name = "tank"
volts = "topic:cellar/tank/battery"
rssi = "senml:rssi"
[[webhook]]
url = "http://192.0.2.1/"
`))
	require.NoError(t, err)
	var log bytes.Buffer
	in := newIntake(cfg, slog.New(slog.NewTextHandler(&log, nil)))
	got := in.inputs(nil, broker.Message{Topic: "cellar/tank/light", Payload: []byte(`[{"n":"light","v":512},{"n":"rssi","v":-67}]`)}, time.Now)
	require.Len(t, got, 1)
	require.NotNil(t, got[0].RSSI)
	assert.Nil(t, got[0].Volts)
	got = in.inputs(nil, broker.Message{Topic: "cellar/tank/battery", Payload: []byte("3.91")}, time.Now)
	require.Len(t, got, 1)
	require.NotNil(t, got[0].Volts)
	assert.Nil(t, got[0].RSSI)
	assert.Empty(t, log.String(), "a number alone is no SenML, and need not be")
}

// What brings nothing to store is answered all the same: its sender would send it
// again and again.
func TestNothingToStoreIsAnswered(t *testing.T) {
	h := newHarness(t, harnessConfig)
	for _, topic := range []string{"cellar/nobody", "cellar/tank"} {
		m := broker.Message{Topic: topic, Payload: []byte("offline"), QoS: 1, Client: "board"}
		done := make(chan error, 1)
		require.NoError(t, h.d.PublishLater(t.Context(), m, done))
		require.Len(t, done, 1, topic)
		assert.NoError(t, <-done)
		assert.NoError(t, h.d.Publish(t.Context(), m))
	}
	assert.Zero(t, h.d.jobs.len())
}

// Of a board that has no battery, nothing is taken for one's voltage, and nobody can
// have changed it.
func TestNoBattery(t *testing.T) {
	h := newHarness(t, "[[lamp]]\nname = \"tank\"\ntopic = \"cellar/tank\"\nvalue = \"/light\"\n[[device]]\nname = \"tank\"\nvolts = \"/battery\"\n[device.battery]\nchemistry = \"none\"\n")
	var log bytes.Buffer
	for _, volts := range []string{"5.01", "5012"} {
		got := newIntake(h.cfg, slog.New(slog.NewTextHandler(&log, nil))).inputs(nil, broker.Message{Topic: "cellar/tank", Payload: []byte(`{"light": 512, "battery": ` + volts + `}`)}, time.Now)
		require.Len(t, got, 1)
		assert.Nil(t, got[0].Volts)
	}
	assert.Empty(t, log.String())
	ctx, stop := context.WithCancel(t.Context())
	looped := make(chan error, 1)
	go func() { looped <- h.d.loop(ctx) }()
	_, err := (&pageSource{d: h.d}).Do(ctx, page.Action{Verb: page.Battery, Board: "tank"})
	assert.ErrorIs(t, err, page.ErrRefused)
	assert.ErrorContains(t, err, "tank has no battery, says the configuration.")
	stop()
	require.NoError(t, <-looped)
}

// Millivolts and per cent are no volts: who sends them is told, and no
// battery of 21 cells is guessed.
func TestVoltsThatCanBeNone(t *testing.T) {
	const none = -1
	for _, c := range []struct {
		key     string
		battery string
		sent    string
		taken   float64
	}{
		{"volts", "lithium_ion", "3.71", 3.71}, {"volts", "lithium_ion", "16.8", 16.8},
		{"volts", "lithium_ion", "3710", none}, {"volts", "lithium_ion", "87", none}, {"volts", "lithium_ion", "0", none}, {"volts", "lithium_ion", "-1", none},
		{"volts", "lithium_ion\"\ncells = \"6", "25.2", 25.2}, {"volts", "", "24.1", 24.1}, {"volts", "", "3710", none},
		{"millivolts", "lithium_ion", "3710", 3.71}, {"millivolts", "lithium_ion", "25200", none}, {"millivolts", "", "-3710", none},
		{"millivolts", "lithium_ion", "3.71", none}, {"millivolts", "", "24.1", none}, {"millivolts", "", "900", 0.9}, {"charge", "", "0.87", none}, {"charge", "", "1", 1}, {"charge", "", "1.5", 1.5},
		{"charge", "", "87", 87}, {"charge", "", "100", 100}, {"charge", "", "0", 0}, {"charge", "", "101", none}, {"charge", "", "-1", none},
		{"charge", "lithium_ion", "87", 87},
	} {
		battery := ""
		if c.battery != "" {
			battery = strings.Replace("[device.battery]\nchemistry = \""+c.battery+"\"\n", "\"6\"", "6", 1)
		}
		cfg, err := config.Parse("test.toml", []byte(`
[[lamp]]
name = "tank"
topic = "cellar/tank"
value = "/light"
[[device]]
name = "tank"
`+c.key+` = "/battery"
`+battery+`
[[webhook]]
url = "http://127.0.0.1:9000/hook"
`))
		require.NoError(t, err)
		var log bytes.Buffer
		in := newIntake(cfg, slog.New(slog.NewTextHandler(&log, nil)))
		for range 3 {
			got := in.inputs(nil, broker.Message{Topic: "cellar/tank", Payload: []byte(`{"light": 512, "battery": ` + c.sent + `}`)}, time.Now)
			require.Len(t, got, 1)
			assert.Equal(t, 512.0, got[0].Value)
			if c.taken == none {
				assert.Nil(t, got[0].Volts, "%+v", c)
			} else if assert.NotNil(t, got[0].Volts, "%+v", c) {
				assert.Equal(t, c.taken, *got[0].Volts, "%+v", c)
			}
		}
		assert.Equal(t, c.taken != none, log.Len() == 0, "%+v: %s", c, log.String())
		assert.LessOrEqual(t, strings.Count(log.String(), "can be none and is dropped"), 2, "each time that their number doubled")
	}
}

// ofLamps counts the inputs that tell of a lamp.
func ofLamps(inputs []rules.Input) (n int) {
	for _, in := range inputs {
		if in.Lamp != "" {
			n++
		}
	}
	return n
}

// A reading that carries its own time is late by comparison with its fellows.
func TestLate(t *testing.T) {
	h := newHarness(t, harnessConfig)
	in := h.d.intake
	wall := h.clock.Wall()
	take := func(arrives, measured time.Duration) int {
		payload := fmt.Sprintf(`[{"n":"light","v":300,"t":%d}]`, wall.Add(measured).Unix())
		return ofLamps(in.inputs(nil, broker.Message{Topic: "cellar/tank", Payload: []byte(payload)}, func() time.Time { return wall.Add(arrives) }))
	}
	// A board whose clock is three hours slow is not late.
	for m := range 5 {
		at := time.Duration(m) * time.Minute
		assert.Equal(t, 1, take(at, at-3*time.Hour))
	}
	assert.Zero(t, take(30*time.Minute, 10*time.Minute-3*time.Hour), "twenty minutes under way")
	assert.Equal(t, 1, take(31*time.Minute, 31*time.Minute-3*time.Hour))
	assert.EqualValues(t, 1, in.counts().Late)
}

// What is dropped for being late is logged, once for each topic, for a board that
// gives its times wrongly, such as since its start, would else be heard of nowhere.
func TestLateIsLogged(t *testing.T) {
	h := newHarness(t, harnessConfig)
	var log strings.Builder
	in := newIntake(h.cfg, slog.New(slog.NewTextHandler(&log, nil)))
	for range 3 {
		assert.Empty(t, in.inputs(nil, broker.Message{Topic: "cellar/tank", Payload: []byte(`[{"n":"light","v":300,"t":-3600}]`)}, h.clock.Now))
	}
	assert.Contains(t, log.String(), "topic=cellar/tank reason=late")
	assert.Contains(t, log.String(), `measured="60 min before it was sent"`)
	assert.Equal(t, 2, strings.Count(log.String(), "\n"), "the first and the second: "+log.String())
	log.Reset()
	for _, ago := range []time.Duration{0, time.Hour} {
		payload := fmt.Appendf(nil, `[{"n":"light","v":300,"t":%d}]`, demoDay.Add(-ago).Unix())
		in.inputs(nil, broker.Message{Topic: "cellar/freezer", Payload: payload}, h.clock.Now)
	}
	assert.Contains(t, log.String(), "measured="+demoDay.Add(-time.Hour).UTC().Format(time.RFC3339))
}

// The records of one pack are judged by its newest, also in the first pack after
// a start: what is an hour older is no news of now.
func TestLateInFirstPack(t *testing.T) {
	in := newHarness(t, harnessConfig).d.intake
	var pack []string
	for m := -59; m <= 0; m++ {
		pack = append(pack, fmt.Sprintf(`{"n":"light","v":%d,"t":%d}`, 300+m, demoDay.Add(time.Duration(m)*time.Minute).Unix()))
	}
	payload := []byte("[" + strings.Join(pack, ",") + "]")
	got := in.inputs(nil, broker.Message{Topic: "cellar/tank", Payload: payload}, func() time.Time { return demoDay })
	require.Len(t, got, 11)
	for i, x := range got {
		assert.Equal(t, float64(290+i), x.Value)
	}
	assert.EqualValues(t, 49, in.counts().Late)
}

// A reading that is late is no news of the lamp, yet the board that sends it
// lives: one whose clock is set back by an hour is not called silent.
func TestLateIsASignOfLife(t *testing.T) {
	h := newHarness(t, harnessConfig)
	back := time.Duration(0)
	say := func(minutes, level int) {
		for i := range minutes {
			h.clock.Advance(time.Minute)
			require.NoError(t, h.publish("cellar/tank", fmt.Sprintf(`[{"n":"light","v":%d,"t":%d}]`, level+i%7, h.clock.Now().Add(-back).Unix())))
			require.NoError(t, h.publish("cellar/freezer", fmt.Sprint(200+i%7)))
		}
	}
	say(24*60, 300)
	back = time.Hour
	say(60, 300)
	assert.Positive(t, h.d.intake.counts().Late)
	difference, kinds := h.replayAll()
	assert.Empty(t, difference)
	assert.Zero(t, kinds[rules.Silent])
	assert.Zero(t, kinds[rules.Fault], "nor does the lamp lack a value")

	// A backlog is told from that: it counts once in half a minute.
	signs := func(from time.Time) (n int) {
		for i := range 600 {
			at := from.Add(time.Duration(i) * 100 * time.Millisecond)
			payload := fmt.Sprintf(`[{"n":"light","v":300,"t":%d}]`, at.Add(time.Duration(i)*time.Minute-48*time.Hour).Unix())
			n += len(h.d.intake.inputs(nil, broker.Message{Topic: "cellar/tank", Payload: []byte(payload)}, func() time.Time { return at }))
		}
		return n
	}
	assert.Equal(t, 2, signs(h.clock.Now()))
	assert.Zero(t, signs(h.clock.Now().Add(lateLong+time.Minute)), "a lamp of which nothing new is heard is not watched")
}

// A clock that is set, ours or the board's, or one that runs slow, makes no
// reading late for longer than it takes to tell that from a backlog.
func TestLateAfterClockStep(t *testing.T) {
	reading := func(measured time.Time) broker.Message {
		return broker.Message{Topic: "cellar/tank", Payload: fmt.Appendf(nil, `[{"n":"light","v":300,"t":%d}]`, measured.Unix())}
	}
	// Without a clock battery we start in the past, and then a time server answers.
	t.Run("ours", func(t *testing.T) {
		dir := t.TempDir()
		synctest.Test(t, func(t *testing.T) {
			real := time.Until(demoDay)
			shift := real - 300*24*time.Hour
			h := wallHarness(t, dir, &shift)
			defer h.crash()
			for m := range 30 {
				if m == 5 {
					shift = real
				}
				time.Sleep(time.Minute)
				require.NoError(t, h.d.Publish(t.Context(), reading(time.Now().Add(real))))
				h.d.takeAll(h.d.jobs.take())
				require.NoError(t, h.turn(nil))
			}
			assert.Equal(t, Counts{Readings: 30}, h.d.intake.counts())
		})
	})
	// count tells how many of n readings are taken, which come in steps of every.
	count := func(t *testing.T, n int, every time.Duration, measured func(i int, at time.Time) time.Time) int {
		in := newHarness(t, harnessConfig).d.intake
		taken := 0
		for i := range n {
			at := demoDay.Add(time.Duration(i) * every)
			taken += ofLamps(in.inputs(nil, reading(measured(i, at)), func() time.Time { return at }))
		}
		return taken
	}
	t.Run("the board's", func(t *testing.T) {
		assert.GreaterOrEqual(t, count(t, 60, time.Minute, func(i int, at time.Time) time.Time {
			if i == 0 { // not set yet
				return at.Add(24 * time.Hour)
			}
			return at
		}), 48)
	})
	t.Run("a crystal that loses 4 s a day", func(t *testing.T) {
		assert.Equal(t, 300*24, count(t, 300*24, time.Hour, func(i int, at time.Time) time.Time {
			return at.Add(-time.Duration(i) * time.Hour / 20_000)
		}))
	})
	// The clock of a small board begins at the same date each time that it starts, and
	// one that sleeps between its reports starts for each.
	born := time.Date(2021, 1, 1, 0, 0, 0, 0, time.UTC)
	t.Run("a clock that begins anew with each report", func(t *testing.T) {
		assert.Equal(t, 600, count(t, 600, time.Minute, func(i int, at time.Time) time.Time {
			return born.Add(time.Duration(i%40) * time.Second) // the network takes a while
		}))
	})
	t.Run("one that does so, of a board that reports each half hour", func(t *testing.T) {
		assert.GreaterOrEqual(t, count(t, 100, 30*time.Minute, func(i int, at time.Time) time.Time { return born }), 99)
	})
	t.Run("one that goes on while the board is awake", func(t *testing.T) {
		assert.Equal(t, 600, count(t, 600, time.Minute, func(i int, at time.Time) time.Time {
			return born.Add(time.Duration(i) * 14 * time.Second)
		}))
	})
	t.Run("one that is set by the network now and then", func(t *testing.T) {
		assert.GreaterOrEqual(t, count(t, 600, time.Minute, func(i int, at time.Time) time.Time {
			if i%100 < 50 {
				return at
			}
			return born
		}), 600-6*12)
	})
	t.Run("a reading that comes again and again is late", func(t *testing.T) {
		assert.Equal(t, 60, count(t, 120, time.Minute, func(i int, at time.Time) time.Time {
			if i%2 == 1 {
				return demoDay.Add(-time.Hour)
			}
			return at
		}))
	})
	t.Run("a backlog of half an hour, too", func(t *testing.T) {
		assert.Equal(t, 60, count(t, 1860, time.Second, func(i int, at time.Time) time.Time {
			if i >= 50 && i < 1850 {
				return demoDay.Add(time.Duration(i-1900) * time.Minute)
			}
			return at
		}))
	})
	t.Run("a backlog is late all the same", func(t *testing.T) {
		assert.Equal(t, 60, count(t, 1060, 100*time.Millisecond, func(i int, at time.Time) time.Time {
			if i >= 50 && i < 1050 { // saved up over the day before
				return at.Add(-24*time.Hour + time.Duration(i)*time.Minute)
			}
			return at
		}))
	})
}

// A board that saved up readings while lampward was away sends them one by one when
// it is back. They are late then, as they would be had lampward been there: what the
// lamp did hours ago is not told as news of now. It is known from before the start how
// the board's clock goes, be it after a stop or a crash.
func TestLateAfterRestart(t *testing.T) {
	for name, end := range map[string]func(h *harness){
		"stopped": func(h *harness) { require.NoError(t, h.d.stop()) },
		"killed":  func(*harness) {},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHarness(t, harnessConfig)
			slow := -3 * time.Hour // the board's clock
			say := func(level int, measured time.Time) {
				require.NoError(t, h.publish("cellar/freezer", fmt.Sprintf(`[{"n":"light","v":%d,"t":%d}]`, level, measured.Add(slow).Unix())))
			}
			for i := range 120 {
				h.clock.Advance(time.Minute)
				say(200+i%7, h.clock.Now())
			}
			away := h.clock.Now()
			end(h)
			h.crash()
			h.clock.Advance(4 * time.Hour)
			h.boot()
			before := len(h.events())
			for m := 1; m <= 4*60; m++ {
				level := 200
				if m > 60 && m <= 120 {
					level = 900 // lit for an hour, long ago
				}
				h.clock.Advance(100 * time.Millisecond)
				say(level+m%7, away.Add(time.Duration(m)*time.Minute))
			}
			for i := range 30 {
				h.clock.Advance(time.Minute)
				say(200+i%7, h.clock.Now())
			}
			for _, e := range h.events()[before:] {
				assert.NotContains(t, []rules.Kind{rules.Lit, rules.Dark}, e.Event.Kind, e.Event.Text)
			}
			assert.InDelta(t, 230, h.d.intake.counts().Late, 1, "all but those of the last ten minutes")
			difference, _ := h.replayAll()
			assert.Empty(t, difference)
		})
	}
}

// A board whose clock was set back while lampward was away is not called silent, and
// heard again as soon as that can be told from a backlog.
func TestClockSetBackWhileAway(t *testing.T) {
	h := newHarness(t, harnessConfig)
	back := time.Duration(0)
	say := func(minutes int) {
		for i := range minutes {
			h.clock.Advance(time.Minute)
			require.NoError(t, h.publish("cellar/freezer", fmt.Sprintf(`[{"n":"light","v":%d,"t":%d}]`, 200+i%7, h.clock.Now().Add(-back).Unix())))
		}
	}
	say(120)
	require.NoError(t, h.d.stop())
	h.crash()
	h.clock.Advance(5 * time.Hour)
	back = time.Hour
	h.boot()
	say(60)
	_, kinds := h.replayAll()
	assert.Zero(t, kinds[rules.Silent])
	assert.GreaterOrEqual(t, h.d.intake.counts().Readings, int64(48))
}

// News of a connection is kept until a deadline is due, and the newest wins.
func TestLinks(t *testing.T) {
	var l links
	l.heard("tank", "c1", demoDay.Add(-time.Hour))
	l.heard("salt", "c1", demoDay)
	l.note(broker.Link{Client: "c1", Word: broker.LinkClosed}, demoDay)
	l.note(broker.Link{Client: "c1", Word: broker.LinkWill}, demoDay.Add(time.Second))
	l.note(broker.Link{Client: "c1", Word: broker.LinkLost}, demoDay.Add(2*time.Second))
	l.note(broker.Link{Client: "stranger", Word: broker.LinkLost}, demoDay)
	got := l.flush()
	require.Len(t, got, 2)
	assert.Equal(t, rules.Input{Kind: rules.InLink, Device: "tank", Word: rules.LinkWill, Was: demoDay.Add(time.Second), For: time.Hour}, got[0])
	assert.Equal(t, "salt", got[1].Device)
	assert.Empty(t, l.flush())

	l.heard("tank", "c2", demoDay)
	l.note(broker.Link{Client: "c1", Word: broker.LinkLost}, demoDay)
	got = l.flush()
	require.Len(t, got, 1)
	assert.Equal(t, "salt", got[0].Device, "the tank's board uses another client now")

	// A board that takes another client id each time costs no more memory.
	for i := range 100 {
		client := fmt.Sprint("random", i)
		l.heard("tank", client, demoDay)
		l.note(broker.Link{Client: client, Word: broker.LinkClosed}, demoDay)
	}
	assert.Len(t, l.devices, 2)
	assert.Len(t, l.waiting, 1)
	assert.Len(t, l.flush(), 1)
	l.again()
	assert.Len(t, l.flush(), 2)
}

// The links of a message that comes weeks late work for a week all the same, and
// attempts within the hour have the same.
func TestLinksOfLateMessage(t *testing.T) {
	cfg, err := config.Parse("test.toml", []byte("[page]\nlisten = \"127.0.0.1:0\"\nurl = \"https://lamp.test\"\n[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n"))
	require.NoError(t, err)
	key := []byte(strings.Repeat("k", link.MinKey))
	event := demoDay.Add(time.Hour)
	for _, late := range []time.Duration{0, time.Hour, 5 * 24 * time.Hour, 26 * 24 * time.Hour} {
		sent := event.Add(late)
		clock := &simClock{now: sent}
		links := alertLinks(cfg, key, clock)
		d := rules.Delivery{EventID: "ev-1", Event: rules.Event{Kind: rules.Lit, Lamp: "tank"}, Wall: event}
		first := links(d)
		for _, address := range []string{first.Ack, first.Shelve} {
			_, token, _ := strings.Cut(address, "?t=")
			_, err := verifyLink(key, token, &simClock{now: sent.Add(7*24*time.Hour - time.Second)})
			require.NoError(t, err, late)
			_, err = verifyLink(key, token, &simClock{now: sent.Add(11 * 24 * time.Hour)})
			require.ErrorIs(t, err, link.ErrExpired, late)
		}
		clock.Advance(time.Hour)
		require.Equal(t, first, links(d))
	}
}

// A link that was sent before the clock was set works when it is set, and a week of
// hours that the machine was on.
func TestLinksOutlastSteps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg, err := config.Parse("test.toml", []byte("[page]\nlisten = \"127.0.0.1:0\"\nurl = \"https://lamp.test\"\n[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n"))
		require.NoError(t, err)
		key := []byte(strings.Repeat("k", link.MinKey))
		shift := -time.Since(time.Unix(5, 0))
		wall := func() time.Time { return time.Now().Add(shift) }
		c := newMachineClock(wall, time.Time{}, 0)
		links := alertLinks(cfg, key, c)(rules.Delivery{EventID: "ev-1", Event: rules.Event{Kind: rules.Lit, Lamp: "tank"}})
		_, token, _ := strings.Cut(links.Ack, "?t=")
		src := &pageSource{d: &daemon{clock: c, linkKey: key}}
		for _, set := range []time.Duration{0, time.Until(demoDay), time.Until(demoDay) - 9*24*time.Hour, time.Until(demoDay) + 30*24*time.Hour} {
			if set != 0 {
				shift = set
			}
			time.Sleep(24 * time.Hour)
			a, err := src.Link(t.Context(), token)
			require.NoError(t, err)
			assert.Equal(t, page.Action{Verb: "ack", Lamp: "tank"}, a)
		}
		// The machine starts again.
		src.d.clock = newMachineClock(wall, c.Now(), c.Wall().Sub(c.Now()))
		time.Sleep(2 * 24 * time.Hour)
		_, err = src.Link(t.Context(), token)
		require.NoError(t, err)
		time.Sleep(5 * 24 * time.Hour)
		_, err = src.Link(t.Context(), token)
		require.ErrorContains(t, err, "has expired")

		// One that was made to run out by wall time, when engine time lagged behind that.
		old, err := link.Make(key, link.Claims{Action: link.Ack, About: "lamp/tank", Expires: c.Wall().Add(linkLife)})
		require.NoError(t, err)
		_, err = src.Link(t.Context(), old)
		require.ErrorContains(t, err, "has expired")
	})
}

// stubRoute takes messages, or does not.
type stubRoute struct {
	fails, mistake atomic.Bool
	name           string // empty: "phone"
}

func (r *stubRoute) Name() string { return cmp.Or(r.name, "phone") }

func (r *stubRoute) Send(context.Context, rules.Delivery) notify.Outcome {
	if r.fails.Load() {
		return notify.Outcome{Kind: notify.Again, Note: "401 Unauthorized", Mistake: r.mistake.Load()}
	}
	return notify.Outcome{Kind: notify.Delivered}
}

// A route that takes no message is shown after minutes, and after half an hour
// an outside watcher hears no more, until it works again.
func TestRouteThatFails(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay)
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		r := &stubRoute{}
		h.d.worker = notify.NewWorker(notify.Options{Outbox: h.st, Routes: []notify.Route{r}, Now: h.d.clock.Now})
		ctx, stop := context.WithCancel(t.Context())
		looped, sent := make(chan error, 1), make(chan error, 1)
		go func() { looped <- h.d.loop(ctx) }()
		go func() { sent <- h.d.worker.Run(ctx) }()
		publish := func(minutes, level int) {
			for i := range minutes {
				time.Sleep(time.Minute)
				require.NoError(t, h.d.Publish(ctx, broker.Message{Topic: "cellar/tank", Payload: fmt.Append(nil, level+i%7), QoS: 1}))
			}
			time.Sleep(time.Second)
		}
		failing := func() []page.Failing {
			st, err := (&pageSource{d: h.d}).Status(ctx)
			require.NoError(t, err)
			return st.Failing
		}
		publish(20, 200)
		publish(10, 800)
		assert.Empty(t, failing())
		cutOff := func() string {
			st, err := (&pageSource{d: h.d}).Status(ctx)
			require.NoError(t, err)
			return st.CutOff
		}
		assert.Empty(t, cutOff())
		h.d.Uplink(ctx, false, "refused the login")
		assert.Equal(t, "refused the login", cutOff())
		stepped := h.d.stepped.Load()
		h.d.Uplink(ctx, false, "cannot be reached")
		assert.Equal(t, "cannot be reached", cutOff(), "why it is down now")
		assert.Equal(t, stepped, h.d.stepped.Load(), "which is no news to the rules")
		h.d.Uplink(ctx, true, "")
		assert.Empty(t, cutOff())
		r.fails.Store(true)
		publish(4, 200)
		assert.Empty(t, failing(), "it may be back at once")
		publish(6, 200)
		require.Len(t, failing(), 1)
		assert.Equal(t, "phone", failing()[0].Route)
		assert.Equal(t, "401 Unauthorized", failing()[0].Note)
		assert.WithinDuration(t, time.Now().Add(shift-9*time.Minute), failing()[0].Since, time.Minute)
		assert.NoError(t, h.d.healthy())
		publish(30, 200)
		assert.ErrorContains(t, h.d.healthy(), "phone have not got through for 38m0s: 401 Unauthorized")
		was := h.d.routes
		h.d.routes = &routes{policies: []notify.Policy{{Route: "phone"}, {Route: "ben"}}}
		assert.NoError(t, h.d.healthy(), "the other one is told")
		h.d.cfg.Beat.AllRoutes = true
		assert.ErrorContains(t, h.d.healthy(), "phone")
		h.d.cfg.Beat.AllRoutes = false
		h.d.routes.policies[1].Kinds = []rules.Kind{rules.Silent}
		assert.ErrorContains(t, h.d.healthy(), "phone", "nobody would be told that the lamp is lit")
		h.d.routes = was
		r.fails.Store(false)
		publish(12, 200)
		assert.NoError(t, h.d.healthy())
		assert.Empty(t, failing())
		r.fails.Store(true)
		r.mistake.Store(true)
		publish(4, 800)
		assert.Len(t, failing(), 1, "it will not be back by itself")
		stop()
		require.NoError(t, <-looped)
		require.ErrorIs(t, <-sent, context.Canceled)
	})
}

// The report of a start says what is caught up.
func TestStartReport(t *testing.T) {
	h := newHarness(t, harnessConfig)
	for i := range 5 {
		h.clock.Advance(time.Minute)
		require.NoError(t, h.publish("cellar/freezer", fmt.Sprint(200+i)))
	}
	for i := range 5 { // lit: one message, which nobody sends in this test
		h.clock.Advance(time.Minute)
		require.NoError(t, h.publish("cellar/freezer", fmt.Sprint(800+i)))
	}
	h.crash()
	h.clock.Advance(time.Hour)
	h.boot()
	list, err := h.st.Events(t.Context(), store.EventFilter{Limit: 1})
	require.NoError(t, err)
	assert.Equal(t, rules.Downtime, list[0].Event.Kind)
	assert.Equal(t, demoDay.Add(10*time.Minute), list[0].Event.Since)
	assert.Equal(t, "lampward recorded nothing for 60 min", list[0].Event.Text)
	assert.Contains(t, list[0].Event.Why, " 1 message from before: being sent now.")
	difference, _ := h.replayAll()
	assert.Empty(t, difference)
}
