package main

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/notify"
	"lampward/rules"
	"lampward/store"
)

// loopTurn is one turn of the loop with a job whose sender waits for nothing.
func (h *harness) loopTurn(inputs ...rules.Input) {
	if len(inputs) > 0 {
		h.d.takeAll([]entry{{job{at: h.d.clock.Now()}, inputs}})
	}
	h.d.tick()
	h.d.commit(h.t.Context())
	h.d.wait()
}

// What nobody waits for is stored when flush is over, however many come meanwhile; what
// changes something at once, or an alert would wait as long.
func TestStoredInTime(t *testing.T) {
	h := newHarness(t, harnessConfig+"[store]\nflush = \"10s\"\n")
	reading := func(v float64) rules.Input {
		return rules.Input{Kind: rules.InReading, Lamp: "freezer", Device: "freezer", Value: v}
	}
	h.loopTurn(reading(200)) // which settles the lamp's state, and is news
	before := h.st.LastSeq()
	for range 9 {
		h.clock.Advance(time.Second)
		h.loopTurn(reading(200))
		require.Equal(t, before, h.st.LastSeq(), "the control: it waits for others")
	}
	h.clock.Advance(2 * time.Second)
	h.loopTurn(reading(200))
	assert.Equal(t, before+10, h.st.LastSeq())

	h.clock.Advance(time.Second)
	h.loopTurn(rules.Input{Kind: rules.InUplink, Word: rules.UplinkUp})
	assert.Equal(t, before+11, h.st.LastSeq(), "no reading, and no event")

	lit := func() bool {
		e := h.events()
		return e[len(e)-1].Event.Kind == rules.Lit
	}
	for range 10 {
		h.clock.Advance(time.Second)
		events := len(h.events())
		h.loopTurn(reading(800))
		if s, _ := h.d.machine.LampStatus("freezer"); s.Verdict.State.String() == "lit" {
			assert.Len(t, h.events(), events+1)
			break
		}
	}
	assert.True(t, lit())
}

// What a person does is stored before they are told so, with early_ack too, for that is
// about readings.
func TestEarlyAckIsForReadings(t *testing.T) {
	h := newHarness(t, harnessConfig)
	h.cfg.Store.EarlyAck = true
	done := make(chan error, 1)
	in := rules.Input{Kind: rules.InAck, Lamp: "tank"}
	h.d.takeAll([]entry{{job{at: h.clock.Now(), done: done}, []rules.Input{in}}})
	require.Empty(t, h.d.pending[len(h.d.pending)-1].Events, "the control: it changes nothing")
	assert.Empty(t, done)
	h.loopTurn()
	assert.NoError(t, <-done)
}

// News of a connection that ended explain the silence after it, though a loop that was
// held up hears of both at once.
func TestNewsBeforeTheDeadline(t *testing.T) {
	h := newHarness(t, harnessConfig)
	for range 30 {
		h.clock.Advance(time.Minute)
		require.NoError(t, h.publish("cellar/tank", "200"))
		require.NoError(t, h.publish("cellar/freezer", "200"))
	}
	due, ok := h.d.machine.Next()
	for ok && !h.silent("freezer") {
		h.clock.Advance(due.Sub(h.clock.Now()))
		h.d.links.note(broker.Link{Client: "cellar/freezer-client", Word: broker.LinkLost}, due)
		require.NoError(t, h.turn(nil))
		due, ok = h.d.machine.Next()
	}
	var causes []string
	for _, e := range h.events() {
		if e.Event.Kind == rules.Silent {
			causes = append(causes, e.Event.Device+" "+e.Event.Cause)
		}
	}
	assert.Contains(t, causes, "freezer "+rules.CauseLost)
	difference, _ := h.replayAll()
	assert.Empty(t, difference)
}

func (h *harness) silent(board string) bool {
	s, ok := h.d.machine.DeviceStatus(board, h.clock.Now())
	return ok && s.Silent
}

// A board's news is of the connection that it uses, and of that alone.
func TestLinksOfAnotherConnection(t *testing.T) {
	var l links
	at := func(minutes int) time.Time { return demoDay.Add(time.Duration(minutes) * time.Minute) }
	l.heard("tank", "c1", at(0))
	l.note(broker.Link{Client: "c1", Word: broker.LinkLost}, at(1))
	l.heard("tank", "c2", at(2))
	assert.Empty(t, l.flush(), "it is back, under another name")
	l.again()
	assert.Empty(t, l.flush())

	l.note(broker.Link{Client: "c2", Word: broker.LinkLost}, at(3))
	l.note(broker.Link{Client: "c2", Word: broker.LinkUp}, at(10))
	l.note(broker.Link{Client: "c2", Word: broker.LinkClosed}, at(14))
	got := l.flush()
	require.Len(t, got, 1)
	assert.Equal(t, 4*time.Minute, got[0].For, "since it came back")
	assert.Equal(t, rules.LinkClosed, got[0].Word)

	// Told all at once, the oldest news goes first.
	l.heard("attic", "c3", at(15))
	l.note(broker.Link{Client: "c3", Word: broker.LinkLost}, at(16))
	l.flush()
	l.again()
	got = l.flush()
	require.Len(t, got, 2)
	assert.Equal(t, []string{"tank", "attic"}, []string{got[0].Device, got[1].Device})
}

// When a reading that carries its own time is late, and when a clock was set. The
// expectations are the comments of the constants.
func TestLateAtEachBound(t *testing.T) {
	type reading struct {
		at, under time.Duration // when it came, and for how long it had been under way
		late      bool
	}
	const m, h = time.Minute, time.Hour
	for name, list := range map[string][]reading{
		"ten minutes":                           {{0, 0, false}, {m, 10 * m, false}, {2 * m, 11 * m, true}},
		"a clock that is hours off":             {{0, 5 * h, false}, {m, 5 * h, false}, {2 * m, 5*h + 11*m, true}},
		"a slow crystal, not a very slow one":   {{0, 0, false}, {10 * h, 10*m + 30*time.Second, false}, {20 * h, 15 * m, true}},
		"two late ones are no clock":            {{0, 0, false}, {m, h, true}, {15 * m, h, true}, {16 * m, h, false}},
		"quick ones are a backlog":              {{0, 0, false}, {m, h, true}, {2 * m, h, true}, {3 * m, h, true}, {4 * m, h, true}},
		"late by as much, to two minutes":       {{0, 0, false}, {m, h, true}, {8 * m, h + m, true}, {16 * m, h - m, false}},
		"late by something else each time":      {{0, 0, false}, {m, h, true}, {8 * m, h + 5*m, true}, {16 * m, h + 10*m, true}, {24 * m, h + 15*m, true}},
		"others in between are no clock either": {{0, 0, false}, {m, h, true}, {2 * m, h, true}, {3 * m, 0, false}, {15 * m, h, true}, {16 * m, h, true}},
		"the next ones count from the first":    {{0, 0, false}, {m, h, true}, {20 * m, 2 * h, true}, {21 * m, 2 * h, true}, {22 * m, 2 * h, true}, {31 * m, 2 * h, false}},
	} {
		x := &topic{}
		for i, r := range list {
			now := demoDay.Add(r.at)
			assert.Equal(t, r.late, x.late(now, now.Add(-r.under)), "%s: %d", name, i)
		}
	}

	x := &topic{}
	require.False(t, x.late(demoDay, demoDay))
	assert.True(t, x.lives(demoDay.Add(m)))
	assert.False(t, x.lives(demoDay.Add(m+lateLife-time.Second)), "a backlog is no cadence")
	assert.True(t, x.lives(demoDay.Add(m+lateLife)))
	assert.True(t, x.lives(demoDay.Add(lateLong)))
	assert.False(t, x.lives(demoDay.Add(lateLong+lateLife)), "nobody watches the lamp")
}

// What a will says (common practice, no source) is counted as what tells nothing of the
// lamp; through an external broker it is all that tells of the board's connection.
func TestOffline(t *testing.T) {
	in := newHarness(t, harnessConfig).d.intake
	for payload, is := range map[string]bool{
		"offline": true, "OFFLINE": true, `"Offline"`: true, " offline\r\n": true,
		"online": false, "off": false, "offline!": false, "offline                              ": false,
	} {
		before := in.counts().Malformed
		m := broker.Message{Topic: "cellar/tank", Payload: []byte(payload), Client: "board"}
		got := in.inputs(nil, m, time.Now)
		assert.Equal(t, is, len(got) == 0, payload)
		assert.Equal(t, before+1, in.counts().Malformed, payload)
		m.Client = ""
		want := rules.Input{Kind: rules.InReading, Device: "tank"}
		if is {
			want = rules.Input{Kind: rules.InLink, Device: "tank", Word: rules.LinkOffline, Was: demoDay}
		}
		assert.Equal(t, []rules.Input{want}, in.inputs(nil, m, func() time.Time { return demoDay }), payload)
	}
}

// A stop stores what came before it, though nobody waits for it, and a snapshot, so that
// the next start has nothing to make up for; where nothing can be stored it says so.
func TestStopStoresWhatCame(t *testing.T) {
	h := newHarness(t, harnessConfig)
	before := h.st.LastSeq()
	m := broker.Message{Topic: "cellar/tank", Payload: []byte("200")}
	require.NoError(t, h.d.Publish(t.Context(), m))
	require.NoError(t, h.d.stop())
	assert.Equal(t, before+2, h.st.LastSeq(), "the reading, and the stop")
	seq, err := h.st.LoadSnapshot(t.Context(), func(store.Part) error { return nil })
	require.NoError(t, err)
	assert.Equal(t, before+2, seq)

	h = newHarness(t, harnessConfig)
	*h.failing = true
	require.ErrorIs(t, h.publish("cellar/tank", "200"), errDisk)
	assert.ErrorIs(t, h.d.stop(), errDisk)
}

// A deadline at which nothing happened costs no write.
func TestEmptyTickIsNotStored(t *testing.T) {
	h := newHarness(t, harnessConfig)
	require.Empty(t, h.d.pending)
	h.d.step(rules.Input{Kind: rules.InTick}, h.clock.Now())
	assert.Empty(t, h.d.pending)
	h.d.step(rules.Input{Kind: rules.InUplink, Word: rules.UplinkUp}, h.clock.Now())
	assert.Len(t, h.d.pending, 1, "the control")
}

// A newer reminder takes the place of older ones, not of an escalation; who has
// acknowledged needs neither.
func TestVoidedKinds(t *testing.T) {
	h := newHarness(t, harnessConfig)
	for i := range 10 {
		h.clock.Advance(time.Minute)
		require.NoError(t, h.publish("cellar/freezer", []string{"200", "800"}[i/5]))
	}
	voided := func(k rules.Kind) (out []string) {
		for _, v := range h.d.void([]rules.Event{{Kind: k, Lamp: "freezer"}}) {
			out = append(out, fmt.Sprint(v.Key, v.Kinds))
		}
		return out
	}
	assert.Equal(t, []string{"lamp/freezer[reminder]", notify.HeldLine + "lamp/freezer[reminder]"}, voided(rules.Reminder))
	assert.Empty(t, voided(rules.Lit))
	require.NoError(t, h.turn(&entry{inputs: []rules.Input{{Kind: rules.InAck, Lamp: "freezer"}}}))
	assert.Equal(t, []string{"lamp/freezer[reminder escalated]", notify.HeldLine + "lamp/freezer[reminder escalated]"}, voided(rules.Acknowledged))
}

// Who looks waits for events that are decided and not stored, wherever they are on
// their way.
func TestUntold(t *testing.T) {
	quiet, news := []store.Record{{}}, []store.Record{{}, {Events: []rules.Event{{Kind: rules.Lit}}}}
	assert.False(t, (&daemon{}).untold())
	assert.False(t, (&daemon{pending: quiet, storing: &batch{recs: quiet}}).untold())
	assert.True(t, (&daemon{pending: news}).untold())
	assert.True(t, (&daemon{pending: quiet, storing: &batch{recs: news}}).untold())
}

// What was told last of a lamp or a board counts, not what was told before it.
func TestRecallTheNewest(t *testing.T) {
	for _, over := range []bool{false, true} {
		h := newHarness(t, harnessConfig)
		var recs []store.Record
		tell := func(e rules.Event) {
			h.clock.Advance(time.Minute)
			e.At = h.clock.Now()
			recs = append(recs, store.Record{Input: rules.Input{Kind: rules.InTick, At: e.At}, Events: []rules.Event{e}, Routes: [][]store.Target{nil}})
		}
		tell(rules.Event{Kind: rules.Lit, Lamp: "freezer", Device: "freezer", State: "lit"})
		tell(rules.Event{Kind: rules.Lit, Lamp: "tank", Device: "tank", State: "lit"})
		tell(rules.Event{Kind: rules.Silent, Device: "salt"})
		if over {
			tell(rules.Event{Kind: rules.Dark, Lamp: "freezer", Device: "freezer", State: "dark"})
			tell(rules.Event{Kind: rules.Unlearned, Lamp: "tank", Device: "tank"})
			tell(rules.Event{Kind: rules.Returned, Device: "salt"})
		}
		_, err := h.st.Append(t.Context(), recs, true)
		require.NoError(t, err)
		m := rules.New()
		m.Step(rules.Input{Kind: rules.InConfig, At: h.clock.Now(), Config: &h.cfg.Rules})
		require.NoError(t, h.d.recall(t.Context(), m))
		freezer, _ := m.LampAlarm("freezer")
		tank, _ := m.LampAlarm("tank")
		salt, _ := m.DeviceAlarm("salt")
		want := rules.AlarmUnacknowledged
		if over {
			want = rules.AlarmNormal
		}
		assert.Equal(t, []string{want, want, want}, []string{freezer.State, tank.State, salt.State})
	}
}

// The loop wakes for what waits to be stored, though nothing else happens.
func TestFlushWakes(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay)
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		h.cfg.Store.Flush = 5 * time.Second
		ctx, stop := context.WithCancel(t.Context())
		looped := make(chan error, 1)
		go func() { looped <- h.d.loop(ctx) }()
		m := broker.Message{Topic: "cellar/salt", Payload: []byte("200")}
		require.NoError(t, h.d.Publish(ctx, m)) // the first of a lamp may be news
		time.Sleep(10 * time.Second)
		synctest.Wait()
		before := h.st.LastSeq()
		require.NoError(t, h.d.Publish(ctx, m))
		time.Sleep(4 * time.Second)
		synctest.Wait()
		assert.Equal(t, before, h.st.LastSeq(), "the control")
		time.Sleep(2 * time.Second)
		synctest.Wait()
		assert.Equal(t, before+1, h.st.LastSeq())
		stop()
		assert.NoError(t, <-looped)
	})
}

// slowPruner is a store in which there is very much to prune.
type slowPruner struct {
	spoiled
	began bool
}

func (s *slowPruner) Prune(ctx context.Context, _ time.Time) error {
	s.began = true
	<-ctx.Done()
	return ctx.Err()
}

// A stop stores what there is, and leaves to the next run what takes long to prune:
// service managers wait ten seconds at least (common practice, no source).
func TestStopDoesNotPruneForLong(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		shift := time.Until(demoDay)
		h := wallHarness(t, dir, &shift)
		defer h.crash()
		require.NoError(t, h.publish("cellar/tank", "200"))
		much := &slowPruner{spoiled: spoiled{h.st, h}}
		h.d.store = much
		began := time.Now()
		require.NoError(t, h.d.stop())
		assert.True(t, much.began)
		assert.LessOrEqual(t, time.Since(began), 9*time.Second)
		assert.Equal(t, h.d.seq, h.d.snapSeq, "a snapshot was stored")
	})
}
