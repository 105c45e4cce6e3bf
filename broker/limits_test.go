package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

func TestDeadlineBeforeConnect(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		br := embedded(t, Options{ConnectDeadline: 10 * time.Second}, &heard{})
		silent, slow := br.dial(t, 4), br.dial(t, 4)
		trickled := make(chan struct{})
		go func() { // a byte a second
			defer close(trickled)
			for _, c := range encode(connectPacket(4, login{id: "slow", keepAlive: 60})) {
				time.Sleep(time.Second)
				if _, err := slow.conn.Write([]byte{c}); err != nil {
					return
				}
			}
		}()
		from := time.Now()
		silent.hungUp()
		slow.hungUp()
		require.Equal(t, 10*time.Second, time.Since(from))
		<-trickled
	})
}

func TestConnectionLimits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		br := embedded(t, Options{MaxClients: 20, MaxPerAddress: 3}, &heard{})
		var open []*board
		accepted := func(from string) bool {
			b := br.dialFrom(t, 4, from)
			synctest.Wait()
			select {
			case <-b.in:
				return false
			default:
				open = append(open, b)
				return true
			}
		}
		for i := range 5 {
			require.Equal(t, i < 3, accepted(fmt.Sprintf("192.0.2.1:%d", 1000+i)))
		}
		for i := range 5 { // one /64
			require.Equal(t, i < 3, accepted(fmt.Sprintf("[2001:db8::%x]:1000", i+1)))
		}
		for i := range 20 { // 14 are left
			require.Equal(t, i < 14, accepted(fmt.Sprintf("198.51.100.%d:1000", i+1)))
		}
		_ = open[0].conn.Close()
		open[0].hungUp()
		synctest.Wait()
		require.True(t, accepted("192.0.2.1:2000"))
		require.EqualValues(t, 10, br.Stats().TurnedAway)
	})
}

// brokenListener fails some times before it accepts.
type brokenListener struct {
	mu    sync.Mutex
	fails int
	conns chan net.Conn
	done  chan struct{}
}

func (l *brokenListener) Accept() (net.Conn, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fails > 0 {
		l.fails--
		return nil, &net.OpError{Op: "accept", Err: syscall.EMFILE}
	}
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}
func (l *brokenListener) Close() error { close(l.done); return nil }
func (l *brokenListener) Addr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.MustParseAddrPort("127.0.0.1:1"))
}

func TestAcceptErrorsAreSurvived(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e, err := NewEmbedded(Options{Log: slog.New(slog.DiscardHandler)})
		require.NoError(t, err)
		ln := &brokenListener{fails: 20, conns: make(chan net.Conn), done: make(chan struct{})}
		e.listen = func(string, string) (net.Listener, error) { return ln, nil }
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- e.Run(ctx, &heard{}) }()
		ours, theirs := net.Pipe()
		from := time.Now()
		ln.conns <- theirs
		require.Greater(t, time.Since(from), 10*time.Second, "waits grow to a second")
		require.Less(t, time.Since(from), 30*time.Second)
		b := newBoard(t, ours, 4)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		require.EqualValues(t, 20, e.Stats().AcceptErrors)
		cancel()
		require.NoError(t, <-done)
	})
}

func TestListenFailureSaysWhatToDo(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer ln.Close()
	e, err := NewEmbedded(Options{Listen: ln.Addr().String()})
	require.NoError(t, err)
	require.Regexp(t, `^cannot listen on .*: is another broker running there\?`, e.Run(t.Context(), &heard{}).Error())
}

func TestHugePacketIsRefusedUnread(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		br := embedded(t, Options{}, &heard{})
		b := br.dial(t, v)
		_, err := b.conn.Write([]byte{0x10, 0xff, 0xff, 0xff, 0x7f}) // CONNECT of 255 MiB
		require.NoError(t, err)
		b.hungUp()
		b = br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		b.publish("a", strings.Repeat("x", defaultMaxPacket-100), 1, 1)
		b.next(packets.Puback)
		_, err = b.conn.Write([]byte{0x30, 0xff, 0xff, 0xff, 0x7f})
		require.NoError(t, err)
		b.hungUp()
	})
}

// subscribeThatPanics is a SUBSCRIBE of MQTT 5 that ends where the options of
// its filter should follow: the library reads past its end.
var subscribeThatPanics = []byte{0x82, 6, 0, 1, 0, 0, 1, 'a'}

func TestPanicOfTheLibraryIsContained(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sink := &heard{}
		br := embedded(t, Options{}, sink)
		good, bad := br.dial(t, 5), br.dial(t, 5)
		require.Zero(t, good.connect(login{id: "good", clean: true}))
		synctest.Wait() // the CONNACK comes before the sink hears of it
		require.Zero(t, bad.connect(login{id: "bad", clean: true}))
		_, err := bad.conn.Write(subscribeThatPanics)
		require.NoError(t, err)
		bad.hungUp()
		synctest.Wait()
		require.EqualValues(t, 1, br.Stats().Panics)
		require.Equal(t, "bad lost", sink.words()[2])
		good.publish("a", "1", 1, 1)
		good.next(packets.Puback)
		// The client may come back.
		bad = br.dial(t, 5)
		require.Zero(t, bad.connect(login{id: "bad", clean: true}))
	})
}

// The control: the bare library does panic on it.
func TestBareLibraryPanics(t *testing.T) {
	srv := mqtt.New(&mqtt.Options{Logger: slog.New(slog.DiscardHandler)})
	require.NoError(t, srv.AddHook(new(allowAll), nil))
	ours, theirs := net.Pipe()
	defer ours.Close()
	panicked := make(chan any)
	go func() {
		defer func() { panicked <- recover() }()
		_ = srv.EstablishConnection("t", theirs)
	}()
	b := newBoard(t, ours, 5)
	require.Zero(t, b.connect(login{id: "bad", clean: true}))
	_, err := ours.Write(subscribeThatPanics)
	require.NoError(t, err)
	require.Contains(t, fmt.Sprint(<-panicked), "index out of range")
}

func TestTopicsThatCostTooMuch(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, Options{}, sink)
		for _, topic := range []string{strings.Repeat("/", 60000), strings.Repeat("x", MaxTopicBytes+1)} {
			b := br.dial(t, v)
			require.Zero(t, b.connect(login{id: "board", clean: true}))
			b.publish(topic, "1", 0, 0)
			last := b.hungUp()
			if v == 5 {
				require.Equal(t, packets.ErrTopicNameInvalid.Code, last.ReasonCode)
			}
			b = br.dial(t, v)
			require.Zero(t, b.connect(login{id: "board", clean: true}))
			require.GreaterOrEqual(t, b.subscribe(1, topic)[0], byte(0x80))
			b.publish("a", "1", 1, 1)
			b.next(packets.Puback)
		}
		require.EqualValues(t, 4, br.Stats().Malformed)
		b := br.dial(t, v)
		require.NotZero(t, b.connect(login{id: strings.Repeat("x", maxClientID+1), clean: true}))
		b.hungUp()
	})
}

func TestSubscriptionAndRetainedLimits(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, Options{MaxSubscriptions: 3, MaxRetained: 2}, sink)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		codes := b.subscribe(1, "s/1", "s/2", "s/3", "s/4")
		require.Equal(t, []byte{1, 1, 1}, codes[:3])
		require.GreaterOrEqual(t, codes[3], byte(0x80))
		require.Equal(t, []byte{1}, b.subscribe(2, "s/1"), "one it has already")
		require.GreaterOrEqual(t, b.subscribe(3, "s/5")[0], byte(0x80))

		retain := func(topic, payload string) {
			pk := publishPacket(topic, payload, 1, 9)
			pk.FixedHeader.Retain = true
			b.send(pk)
			b.next(packets.Puback)
		}
		retain("r/1", "a")
		retain("r/2", "b")
		retain("r/3", "c") // not kept
		retain("r/1", "d") // replaces
		retain("r/2", "")  // makes room
		retain("r/4", "e")
		require.Len(t, sink.payloads(), 6)
		synctest.Wait() // passing on to subscribers comes after the acknowledgement
		late := br.dial(t, v)
		require.Zero(t, late.connect(login{id: "late", clean: true}))
		late.subscribe(1, "r/#")
		got := map[string]string{}
		for range 2 {
			pk := late.next(packets.Publish)
			got[pk.TopicName] = string(pk.Payload)
		}
		require.Equal(t, map[string]string{"r/1": "d", "r/4": "e"}, got)
		synctest.Wait()
		require.Empty(t, late.in)
		// A day later they are gone.
		time.Sleep(25 * time.Hour)
		require.Zero(t, br.srv.Topics.Retained.Len())
	})
}

func TestSessionsOfAbsentClientsAreBounded(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		br := embedded(t, Options{MaxClients: 50}, &heard{})
		edit := func(pk *packets.Packet) {
			if v == 5 {
				pk.Properties.SessionExpiryIntervalFlag, pk.Properties.SessionExpiryInterval = true, 1<<32-1
			}
		}
		for i := range 500 {
			b := br.dial(t, v)
			require.Zero(t, b.connect(login{id: fmt.Sprint("c", i), edit: edit}))
			b.subscribe(1, fmt.Sprint("topic/", i))
			_ = b.conn.Close()
			b.hungUp()
			synctest.Wait()
			time.Sleep(time.Second)
			require.LessOrEqual(t, br.srv.Clients.Len(), 50)
		}
		synctest.Wait()
		require.LessOrEqual(t, len(br.hook.owners), 50)
		require.GreaterOrEqual(t, br.Stats().SessionsDropped, uint64(450))
		// The newest are the ones kept.
		b := br.dial(t, v)
		b.send(connectPacket(v, login{id: "c499", edit: edit}))
		require.True(t, b.next(packets.Connack).SessionPresent)
		// And in the end all run out, subscriptions too.
		b.disconnect()
		time.Sleep(49*time.Hour + time.Second)
		synctest.Wait()
		require.Zero(t, br.srv.Clients.Len())
		require.Empty(t, br.hook.owners)
		require.Empty(t, br.srv.Topics.Subscribers("topic/499").Subscriptions)
	})
}

// Each connection may leave as many messages of QoS 2 unreleased as the broker
// takes at once; a session does not gather those of all its connections.
func TestUnreleasedMessagesAreBounded(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		br := embedded(t, Options{}, &counting{})
		id := uint16(0)
		for range 8 {
			b := br.dial(t, v)
			require.Zero(t, b.connect(login{id: "hoard", edit: func(pk *packets.Packet) {
				if v == 5 {
					pk.Properties.SessionExpiryIntervalFlag, pk.Properties.SessionExpiryInterval = true, 3600
				}
			}}))
			go func() {
				for range b.in {
				}
			}()
			for range maxInflight {
				id++
				b.publish("a", "1", 2, id)
			}
			synctest.Wait()
			_ = b.conn.Close()
			time.Sleep(time.Second)
		}
		cl, _ := br.srv.Clients.Get("hoard")
		require.LessOrEqual(t, cl.State.Inflight.Len(), 2*maxInflight)
		for _, pk := range cl.State.Inflight.GetAll(false) {
			require.Greater(t, pk.PacketID, uint16(6*maxInflight), "the newest are kept")
		}
	})
}

func TestSessionRunsOutToTheSecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		br := embedded(t, Options{}, &heard{})
		present := func(away time.Duration) bool {
			edit := func(pk *packets.Packet) {
				pk.Properties.SessionExpiryIntervalFlag, pk.Properties.SessionExpiryInterval = true, 5
			}
			b := br.dial(t, 5)
			require.Zero(t, b.connect(login{id: "board", edit: edit}))
			_ = b.conn.Close()
			b.hungUp()
			time.Sleep(away)
			b = br.dial(t, 5)
			b.send(connectPacket(5, login{id: "board", edit: edit}))
			return b.next(packets.Connack).SessionPresent
		}
		require.True(t, present(4*time.Second))
		require.False(t, present(6*time.Second))
	})
}

func TestSlowSubscriberStallsNobody(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, Options{}, sink)
		// A raw peer that never reads after its SUBACK.
		ours, theirs := net.Pipe()
		defer ours.Close()
		br.l.serveConn(theirs)
		write := func(pk packets.Packet) {
			pk.ProtocolVersion = v
			_, err := ours.Write(encode(pk))
			require.NoError(t, err)
		}
		write(connectPacket(v, login{id: "slow", clean: true}))
		buf := make([]byte, 1024)
		_, err := ours.Read(buf)
		require.NoError(t, err)
		write(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, PacketID: 1, Filters: packets.Subscriptions{{Filter: "#"}}})
		_, err = ours.Read(buf)
		require.NoError(t, err)

		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		from := time.Now()
		for i := range 2 * maxPending {
			b.publish("a", "1", 1, uint16(i+1))
			b.next(packets.Puback)
		}
		require.Zero(t, time.Since(from), "not held up for a moment")
		synctest.Wait()
		require.EqualValues(t, 1, br.Stats().SlowDropped)
		require.Equal(t, "slow lost", sink.words()[2])
	})
}

func TestStuckPeersDoNotHoldUpStoppingOrTakeover(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		br := embedded(t, Options{}, &heard{})
		stuck := func(id string) {
			ours, theirs := net.Pipe()
			t.Cleanup(func() { _ = ours.Close() })
			br.l.serveConn(theirs)
			pk := connectPacket(v, login{id: id, clean: true})
			_, err := ours.Write(encode(pk))
			require.NoError(t, err)
			_, err = ours.Read(make([]byte, 1024))
			require.NoError(t, err)
			_, err = ours.Write([]byte{0xc0, 0}) // a ping, whose answer is never read
			require.NoError(t, err)
		}
		for i := range 20 {
			stuck(fmt.Sprint("stuck", i))
		}
		synctest.Wait()
		from := time.Now()
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "stuck0", clean: true}))
		require.LessOrEqual(t, time.Since(from), goodbyeTime)
		from = time.Now()
		br.stop()
		require.LessOrEqual(t, time.Since(from), goodbyeTime)
	})
}

func TestStopWaitsForTheSink(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{publish: func(ctx context.Context, _ Message) error { <-ctx.Done(); return context.Cause(ctx) }}
		br := embedded(t, Options{}, sink)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		b.publish("a", "1", 1, 1)
		synctest.Wait()
		br.stop()
		for pk := range b.in {
			require.NotEqual(t, packets.Puback, pk.FixedHeader.Type)
		}
	})
}

func TestQuiet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out strings.Builder
		q := NewQuiet(slog.New(slog.NewTextHandler(&out, nil)), 3)
		logged := 0
		for range 1_000_000 {
			if q.Note("topic", "cellar/tank/light", "not_number", "a reading was dropped", "error", errors.New("no number")) {
				logged++
			}
		}
		require.Equal(t, 20, logged) // 1, 2, 4 ... 2^19
		require.Equal(t, 20, strings.Count(out.String(), "\n"))
		require.Contains(t, out.String(), "times=524288")
		require.Contains(t, out.String(), " topic=cellar/tank/light ")
		q.Note("topic", "b", "nan", "x")
		q.Note("topic", "c", "nan", "x")
		for i := range 1000 {
			q.Note("client", fmt.Sprint("topic", i), "nan", "x")
		}
		require.Contains(t, out.String(), " client=(others) ")
		require.NotContains(t, out.String(), " topic=(others) ")
		require.Equal(t, map[quietKey]uint64{
			{"cellar/tank/light", "not_number"}: 1_000_000, {"b", "nan"}: 1, {"c", "nan"}: 1, {quietOthers, "nan"}: 1000,
		}, noted(q))
	})
}

// noted returns how often each kind of trouble was seen.
func noted(q *Quiet) map[quietKey]uint64 {
	q.mu.Lock()
	defer q.mu.Unlock()
	n := map[quietKey]uint64{}
	for k, c := range q.counts {
		n[k] = c.n
	}
	return n
}

// A will that is to be retained is, as long as there is room.
func TestRetainedWills(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		br := embedded(t, Options{MaxRetained: 1}, &heard{})
		for _, topic := range []string{"r/1", "r/2", "r/1"} {
			b := br.dial(t, v)
			require.Zero(t, b.connect(login{id: "board", clean: true, keepAlive: 60, will: topic, edit: func(pk *packets.Packet) { pk.Connect.WillRetain = true }}))
			_ = b.conn.Close()
			synctest.Wait()
		}
		_, kept := br.srv.Topics.Retained.Get("r/1")
		require.True(t, kept)
		require.Equal(t, 1, br.srv.Topics.Retained.Len())
	})
}
