package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/rules"
	"lampward/store"
)

// served is a whole daemon in this process whose engine time the test moves,
// so that hours pass without waiting; its sockets are real.
type served struct {
	t      *testing.T
	clock  *simClock
	at     addresses
	cancel context.CancelFunc
	done   chan error
	heard  *linkSink
}

// linkSink tells the test when news of a connection has reached the daemon.
type linkSink struct {
	broker.Sink
	words chan string
	taken chan struct{} // sent to after each message
}

func (s *linkSink) Publish(ctx context.Context, m broker.Message) error {
	err := s.Sink.Publish(ctx, m)
	s.taken <- struct{}{}
	return err
}

func (s *linkSink) Link(ctx context.Context, l broker.Link) {
	s.Sink.Link(ctx, l)
	s.settle(ctx)
	s.words <- l.Word
}

func (s *linkSink) Uplink(ctx context.Context, up bool, reason string) {
	s.Sink.Uplink(ctx, up, reason)
	s.settle(ctx)
	s.words <- map[bool]string{true: "uplink up", false: "uplink down"}[up]
}

func startServed(t *testing.T, clock *simClock, text string) *served {
	cfg, err := config.Parse("test.toml", []byte(text))
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	s := &served{t: t, clock: clock, cancel: cancel, done: make(chan error, 1)}
	ready := make(chan addresses, 1)
	go func() {
		s.done <- serve(ctx, cfg, serveOptions{
			log: slog.New(slog.DiscardHandler), clock: clock, wall: clock.Wall,
			ready: func(a addresses) { ready <- a },
			sink: func(d broker.Sink) broker.Sink {
				s.heard = &linkSink{d, make(chan string, 100), make(chan struct{}, 100)}
				return s.heard
			},
		})
	}()
	select {
	case s.at = <-ready:
	case err := <-s.done:
		t.Fatal(err)
	}
	return s
}

func (s *served) stop() {
	s.cancel()
	require.NoError(s.t, <-s.done)
}

// settle returns once the loop has taken what was handed to it before.
func (s *linkSink) settle(ctx context.Context) {
	_ = s.Sink.(*daemon).do(ctx, job{look: func(*rules.Machine) {}})
}

// expect waits until the daemon has heard news of a connection.
func (s *served) expect(word string) {
	for {
		select {
		case got := <-s.heard.words:
			if got == word {
				return
			}
		case <-time.After(20 * time.Second):
			s.t.Fatalf("the daemon did not hear of %q", word)
		}
	}
}

// simBoard is a real MQTT client whose connection the test can cut.
type simBoard struct {
	mqtt.Client
	t    *testing.T
	mu   sync.Mutex
	conn net.Conn
	n    int
}

func newSimBoard(t *testing.T, address, id, will string, says ...string) *simBoard {
	b := &simBoard{t: t}
	o := mqtt.NewClientOptions().AddBroker("tcp://" + address).SetClientID(id).SetAutoReconnect(false)
	if will != "" {
		o.SetWill(will, append(says, "gone")[0], 1, false)
	}
	o.SetCustomOpenConnectionFn(func(u *url.URL, _ mqtt.ClientOptions) (net.Conn, error) {
		c, err := net.Dial("tcp", u.Host)
		b.mu.Lock()
		defer b.mu.Unlock()
		b.conn = c
		return c, err
	})
	b.Client = mqtt.NewClient(o)
	c := b.Connect()
	c.Wait()
	require.NoError(t, c.Error())
	return b
}

// report publishes n readings, one a minute of engine time.
func (b *simBoard) report(s *served, topic string, n int) {
	for range n {
		s.clock.Advance(time.Minute)
		b.n++
		b.say(s, topic, fmt.Sprint(200+b.n*5%11))
	}
}

// say publishes one payload.
func (b *simBoard) say(s *served, topic, payload string) {
	p := b.Publish(topic, 1, false, payload)
	p.Wait()
	require.NoError(b.t, p.Error())
	// An external broker acknowledges before lampward has the reading.
	select {
	case <-s.heard.taken:
	case <-time.After(20 * time.Second):
		b.t.Fatal("a reading did not reach lampward")
	}
}

// cut drops the connection as a flat battery or a pulled plug does: without
// DISCONNECT.
func (b *simBoard) cut() {
	b.mu.Lock()
	defer b.mu.Unlock()
	require.NoError(b.t, b.conn.(*net.TCPConn).SetLinger(0))
	require.NoError(b.t, b.conn.Close())
}

// silenceConfig has hand-set limits, so that the test knows when silence is
// due; the learned ones are tested in rules/silence.
func silenceConfig(t *testing.T, receiver *phone) string {
	return fmt.Sprintf(`
[broker]
listen = "127.0.0.1:0"
[store]
dir = %q
[page]
listen = ""
[[lamp]]
name = "tank"
topic = "cellar/tank/light"
[[device]]
name = "tank"
report_every = "1m"
silent_after = "10m"
[[webhook]]
url = %q
`, t.TempDir(), receiver.URL)
}

// A board that goes away in each of the ways a board can: its silence is told
// once, with what is known of how it went, and its return.
func TestSilenceOverMQTT(t *testing.T) {
	for name, c := range map[string]struct {
		will string
		gone func(s *served, b *simBoard)
		want string // in the reason
	}{
		"pulled":      {"", func(s *served, b *simBoard) { b.cut(); s.expect(broker.LinkLost) }, "without a goodbye"},
		"clean":       {"", func(s *served, b *simBoard) { b.Disconnect(250); s.expect(broker.LinkClosed) }, "said goodbye"},
		"with a will": {"cellar/tank/will", func(s *served, b *simBoard) { b.cut(); s.expect(broker.LinkWill) }, "without a goodbye"},
	} {
		t.Run(name, func(t *testing.T) {
			receiver := newPhone(t)
			clock := &simClock{now: demoDay}
			s := startServed(t, clock, silenceConfig(t, receiver))
			b := newSimBoard(t, s.at.broker.String(), "tank-board", c.will)
			b.report(s, "cellar/tank/light", 30)
			c.gone(s, b)
			clock.Advance(11 * time.Minute)
			receiver.wait(t, has(1))
			b = newSimBoard(t, s.at.broker.String(), "tank-board", "")
			b.report(s, "cellar/tank/light", 3)
			receiver.wait(t, has(2))
			b.Disconnect(0)
			s.stop()
			got := receiver.all()
			require.Equal(t, []string{"silent", "returned"}, kindsOf(got))
			assert.Equal(t, "tank", got[0].Data.Device)
			assert.Contains(t, strings.ToLower(got[0].Data.Why), strings.ToLower(c.want))
		})
	}
}

// A board that publishes its voltage as a bare number on a topic of its own: that is
// known when it falls silent, and till then is a sign of life, though none of the lamp.
func TestVoltsOnATopicOfTheirOwn(t *testing.T) {
	receiver := newPhone(t)
	clock := &simClock{now: demoDay}
	s := startServed(t, clock, strings.Replace(silenceConfig(t, receiver), "[[webhook]]", `volts = "topic:cellar/tank/battery"
[device.battery]
chemistry = "lithium_ion"
[[webhook]]`, 1))
	b := newSimBoard(t, s.at.broker.String(), "tank-board", "")
	for range 90 { // the voltage counts by the hour
		b.report(s, "cellar/tank/light", 1)
		b.say(s, "cellar/tank/battery", "3.30")
	}
	for range 30 { // three times silent_after
		clock.Advance(time.Minute)
		b.say(s, "cellar/tank/battery", "3.30")
	}
	receiver.wait(t, has(1))
	require.Equal(t, []string{"fault"}, kindsOf(receiver.all()), "the lamp is not read, and the board lives")
	clock.Advance(11 * time.Minute)
	receiver.wait(t, has(2))
	b.Disconnect(0)
	s.stop()
	got := receiver.all()
	require.Equal(t, []string{"fault", "silent"}, kindsOf(got))
	assert.Equal(t, "tank", got[0].Data.Lamp)
	assert.Contains(t, got[1].Data.Why, "3.30 V")
}

// A board that takes another client id each time it connects, as many examples
// for boards do: the loss of its earlier connection explains no silence of now.
func TestSilenceOfANewClient(t *testing.T) {
	receiver := newPhone(t)
	clock := &simClock{now: demoDay}
	s := startServed(t, clock, silenceConfig(t, receiver))
	b := newSimBoard(t, s.at.broker.String(), "tank-1", "")
	b.report(s, "cellar/tank/light", 30)
	b.cut()
	s.expect(broker.LinkLost)
	b = newSimBoard(t, s.at.broker.String(), "tank-2", "")
	b.report(s, "cellar/tank/light", 30)
	clock.Advance(11 * time.Minute) // its connection stands
	receiver.wait(t, has(1))
	got := receiver.all()
	require.Equal(t, []string{"silent"}, kindsOf(got))
	assert.NotContains(t, got[0].Data.Why, "without a goodbye")
	b.Disconnect(0)
	s.stop()
}

// An hour without lampward blames no board, whether it reports again or not.
func TestRestartAfterAnHour(t *testing.T) {
	t.Run("same configuration", func(t *testing.T) { restartAfterAnHour(t, "") })
	t.Run("changed meanwhile", func(t *testing.T) {
		restartAfterAnHour(t, "[[lamp]]\nname = \"salt\"\ntopic = \"cellar/salt/light\"\n")
	})
}

func restartAfterAnHour(t *testing.T, more string) {
	receiver := newPhone(t)
	clock := &simClock{now: demoDay}
	text := silenceConfig(t, receiver)
	s := startServed(t, clock, text)
	b := newSimBoard(t, s.at.broker.String(), "tank-board", "")
	b.report(s, "cellar/tank/light", 30)
	b.Disconnect(0)
	s.stop()
	clock.Advance(time.Hour)
	s = startServed(t, clock, text+more)
	receiver.wait(t, has(1))
	assert.Equal(t, []string{"downtime"}, kindsOf(receiver.all()), "the gap is told as lampward's own")
	assert.Equal(t, "lampward recorded nothing for 60 min", receiver.all()[0].Data.Text)
	b = newSimBoard(t, s.at.broker.String(), "tank-board", "")
	b.report(s, "cellar/tank/light", 30)
	assert.Equal(t, []string{"downtime"}, kindsOf(receiver.all()))
	// The control: the same board, gone for as long while lampward watches.
	b.cut()
	s.expect(broker.LinkLost)
	clock.Advance(time.Hour)
	receiver.wait(t, has(2))
	s.stop()
	assert.Equal(t, []string{"downtime", "silent"}, kindsOf(receiver.all()))
}

// startBehind starts lampward at the broker m in place of its own, and waits until it is there.
func startBehind(t *testing.T, m *mosquitto, clock *simClock, text string) *served {
	t.Helper()
	s := startServed(t, clock, strings.Replace(text, `listen = "127.0.0.1:0"`, fmt.Sprintf("url = \"mqtt://%s\"", m.address), 1))
	s.expect("uplink up")
	return s
}

// The will of a board whose connection to an external broker is lost tells why it is
// silent, once it is.
func TestWillThroughAnotherBroker(t *testing.T) {
	m := startMosquitto(t)
	receiver := newPhone(t)
	clock := &simClock{now: demoDay}
	s := startBehind(t, m, clock, silenceConfig(t, receiver))
	b := newSimBoard(t, m.address, "tank-board", "cellar/tank/light", "offline")
	b.report(s, "cellar/tank/light", 30)
	b.cut()
	select {
	case <-s.heard.taken: // the will
	case <-time.After(20 * time.Second):
		t.Fatal("the will did not reach lampward")
	}
	clock.Advance(11 * time.Minute)
	receiver.wait(t, has(1))
	s.stop()
	got := receiver.all()
	require.Equal(t, []string{"silent"}, kindsOf(got))
	assert.Contains(t, got[0].Data.Why, "what came last says that it is offline")
}

// A broker that restarts, or is away for an hour, is told as itself: no board
// is blamed.
func TestBrokerRestart(t *testing.T) {
	m := startMosquitto(t)
	receiver := newPhone(t)
	clock := &simClock{now: demoDay}
	s := startBehind(t, m, clock, silenceConfig(t, receiver))
	b := newSimBoard(t, m.address, "tank-board", "")
	b.report(s, "cellar/tank/light", 30)
	m.stop()
	s.expect("uplink down")
	clock.Advance(time.Hour)
	m.start()
	s.expect("uplink up")
	b = newSimBoard(t, m.address, "tank-board", "")
	b.report(s, "cellar/tank/light", 30)
	b.Disconnect(0)
	s.stop()
	assert.NotContains(t, kindsOf(receiver.all()), "silent")
	assert.NotContains(t, kindsOf(receiver.all()), "returned")
}

// A board computer without a clock battery starts in the past and jumps ten
// years when its time server answers: no deadline moves, no board falls
// silent, and what was recorded before is dated anew.
func TestClockStep(t *testing.T) {
	for name, step := range map[string]time.Duration{
		"ten years ahead": 10 * 365 * 24 * time.Hour,
		"a day back":      -24 * time.Hour,
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			synctest.Test(t, func(t *testing.T) {
				h := &harness{t: t, dir: dir, failing: new(bool)}
				var err error
				h.cfg, err = config.Parse("test.toml", []byte(`
[[lamp]]
name = "tank"
topic = "cellar/tank"
on_above = 600
off_below = 400
[[device]]
name = "tank"
report_every = "1m"
silent_after = "10m"
`))
				require.NoError(t, err)
				h.cfg.Store.Dir = dir
				shift := -step
				wall := func() time.Time { return time.Now().Add(shift).Round(0) }
				st, err := store.Open(t.Context(), store.Options{Dir: dir, Log: slog.New(slog.DiscardHandler)})
				require.NoError(t, err)
				require.NoError(t, st.Close())
				h.real = newMachineClock(wall, time.Time{}, 0)
				h.boot()
				defer h.crash()
				say := func(level, n int) {
					for i := range n {
						time.Sleep(time.Minute) // faked: the bubble's time
						require.NoError(t, h.publish("cellar/tank", fmt.Sprint(level+i%7)))
					}
				}
				say(200, 20)
				say(800, 20)
				before := time.Now() // true time, as the server will tell it
				shift = 0
				say(800, 20)
				time.Sleep(15 * time.Minute)
				require.NoError(t, h.turn(nil))

				_, kinds := h.replayAll()
				assert.Equal(t, 1, kinds[rules.Lit])
				assert.Equal(t, 1, kinds[rules.Silent], "the real silence at the end, and none for the step")
				events, err := h.st.Events(t.Context(), store.EventFilter{Limit: 100})
				require.NoError(t, err)
				for _, e := range events {
					if e.Event.Kind == rules.Lit && step > 0 {
						assert.WithinDuration(t, before, e.Wall, 20*time.Minute, "dated anew")
					}
					if e.Event.Kind == rules.Silent {
						assert.WithinDuration(t, time.Now(), e.Wall, 20*time.Minute)
					}
				}
			})
		})
	}
}

// The page serves the daemon's numbers.
func TestMetricsServed(t *testing.T) {
	receiver := newPhone(t)
	clock := &simClock{now: demoDay}
	s := startServed(t, clock, strings.Replace(silenceConfig(t, receiver), `listen = ""`, `listen = "127.0.0.1:0"`, 1))
	b := newSimBoard(t, s.at.broker.String(), "tank-board", "")
	b.report(s, "cellar/tank/light", 3)
	b.Disconnect(0)
	r, err := http.Get("http://" + s.at.page.String() + "/metrics")
	require.NoError(t, err)
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	s.stop()
	assert.Equal(t, openMetricsType, r.Header.Get("Content-Type"))
	assert.Contains(t, string(text), `lampward_messages_total{result="taken"} 3`)
	assert.True(t, strings.HasSuffix(string(text), "# EOF\n"))
}
