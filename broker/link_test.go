package broker

import (
	"context"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

func TestLinkNews(t *testing.T) {
	for _, c := range []struct {
		name   string
		only   byte // MQTT version; 0: both
		will   string
		end    func(b *board)
		want   []string
		reason string // of the last
		wills  int    // messages that a subscriber to wills gets
	}{
		{name: "goodbye", end: func(b *board) { b.disconnect() }, want: []string{"board up", "board closed"}, reason: "goodbye"},
		{name: "goodbye with a will", will: "cellar/will", end: func(b *board) { b.disconnect() }, want: []string{"board up", "board closed"}, reason: "goodbye"},
		{name: "cut", end: func(b *board) { _ = b.conn.Close() }, want: []string{"board up", "board lost"}, reason: "cut without a goodbye"},
		{name: "cut with a will", will: "cellar/will", end: func(b *board) { _ = b.conn.Close() }, want: []string{"board up", "board will", "board lost"}, wills: 1},
		{name: "silence", will: "cellar/will", end: func(b *board) { time.Sleep(2 * minute) }, want: []string{"board up", "board will", "board lost"}, reason: "1.5 times its keep-alive", wills: 1},
		{name: "goodbye that asks for the will", only: 5, will: "cellar/will",
			end: func(b *board) {
				b.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Disconnect}, ReasonCode: packets.CodeDisconnectWillMessage.Code})
			}, want: []string{"board up", "board will", "board closed"}, reason: "asked for its will", wills: 1},
		{name: "a will that no client may publish", will: "$SYS/broker/version", end: func(b *board) { _ = b.conn.Close() }, want: []string{"board up", "board lost"}},
		{name: "a will with a wildcard", will: "cellar/#", end: func(b *board) { _ = b.conn.Close() }, want: []string{"board up", "board lost"}},
		{name: "a malformed packet", end: func(b *board) { _, _ = b.conn.Write([]byte{0xff, 0}) }, want: []string{"board up", "board lost"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			versions(t, func(t *testing.T, v byte) {
				if c.only != 0 && c.only != v {
					t.Skip("of another version")
				}
				sink := &heard{}
				br := embedded(t, Options{}, sink)
				watch := br.dial(t, 4)
				require.Zero(t, watch.connect(login{id: "watch", clean: true}))
				watch.subscribe(1, "#")
				b := br.dial(t, v)
				require.Zero(t, b.connect(login{id: "board", clean: true, keepAlive: 60, will: c.will}))
				c.end(b)
				b.hungUp()
				synctest.Wait()
				require.Equal(t, append([]string{"watch up"}, c.want...), sink.words())
				last := sink.links[len(sink.links)-1]
				require.Contains(t, last.Reason, c.reason)
				require.Equal(t, minute, last.KeepAlive)
				require.Equal(t, c.will, last.Topic)
				for range c.wills {
					require.Equal(t, "gone", string(watch.next(packets.Publish).Payload))
				}
				require.Empty(t, watch.in)
				require.Empty(t, sink.payloads(), "a will is no reading")
			})
		})
	}
}

func TestKeepAliveIsOneAndAHalf(t *testing.T) {
	// MQTT 3.1.1 section 3.1.2.10: 1.5 times the keep-alive. Above 43690 s the
	// library's own sum overflows 16 bits.
	for _, keepAlive := range []uint16{1, 5, 60, 43690, 43691, 65535} {
		versions(t, func(t *testing.T, v byte) {
			sink := &heard{}
			b := embedded(t, Options{}, sink).dial(t, v)
			require.Zero(t, b.connect(login{id: "board", clean: true, keepAlive: keepAlive}))
			ka := time.Duration(keepAlive) * time.Second
			for range 3 { // each ping moves the deadline
				time.Sleep(ka + ka/2 - time.Millisecond)
				b.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}})
				b.next(packets.Pingresp)
			}
			from := time.Now()
			b.hungUp()
			require.InDelta(t, 1.5*ka.Seconds(), time.Since(from).Seconds(), 1)
			require.GreaterOrEqual(t, time.Since(from), ka+ka/2)
			synctest.Wait()
			require.Equal(t, []string{"board up", "board lost"}, sink.words())
		})
	}
	versions(t, func(t *testing.T, v byte) { // 0: no limit
		b := embedded(t, Options{}, &heard{}).dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		time.Sleep(30 * 24 * time.Hour)
		b.publish("a", "1", 1, 1)
		b.next(packets.Puback)
	})
}

func TestTakeoverTellsEndBeforeStart(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, Options{}, sink)
		old := br.dial(t, v)
		require.Zero(t, old.connect(login{id: "board", keepAlive: 60, will: "cellar/will"}))
		synctest.Wait() // its start is told after the CONNACK
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", keepAlive: 60}))
		last := old.hungUp()
		if v == 5 {
			require.Equal(t, packets.ErrSessionTakenOver.Code, last.ReasonCode)
		}
		synctest.Wait()
		// The old connection's will may go out, but is no news: the board lives.
		require.Equal(t, []string{"board up", "board lost", "board up"}, sink.words())
		require.Contains(t, sink.links[1].Reason, "anew")
		b.publish("a", "1", 1, 1)
		b.next(packets.Puback)
	})
}

// A connection that is taken over before its start was told is no news: the
// newer one is up, and stays so.
func TestTakeoverBeforeStartIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sink := &heard{}
		br := embedded(t, Options{}, sink)
		for _, late := range []bool{true, false} {
			ours, theirs := net.Pipe()
			c := &conn{Conn: theirs, done: make(chan struct{})}
			c.state.Store(&state{client: "board"})
			old := br.srv.NewClient(c, listenerID, "board", false)
			if late {
				br.hook.tellEnd(old, LinkLost, "the same client connected anew")
			}
			br.hook.OnSessionEstablished(old, packets.Packet{})
			br.hook.tellEnd(old, LinkLost, "over")
			_, _ = ours.Close(), c.Close()
			want := []string{"board up", "board lost"}
			if late {
				want = nil
			}
			require.Equal(t, want, sink.words())
		}
	})
}

func TestDelayedWill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sink := &heard{}
		br := embedded(t, Options{}, sink)
		b := br.dial(t, 5)
		l := login{id: "board", keepAlive: 60, will: "cellar/will", edit: func(pk *packets.Packet) {
			pk.Properties.SessionExpiryIntervalFlag, pk.Properties.SessionExpiryInterval = true, 600
			pk.Connect.WillProperties.WillDelayInterval = 300
		}}
		require.Zero(t, b.connect(l))
		_ = b.conn.Close()
		time.Sleep(200 * time.Second)
		require.Equal(t, []string{"board up", "board lost"}, sink.words())
		time.Sleep(200 * time.Second)
		require.Equal(t, []string{"board up", "board lost", "board will"}, sink.words())
		// Back in time: no will.
		b = br.dial(t, 5)
		require.Zero(t, b.connect(l))
		_ = b.conn.Close()
		time.Sleep(100 * time.Second)
		b = br.dial(t, 5)
		require.Zero(t, b.connect(l))
		time.Sleep(80 * time.Second)
		require.Equal(t, []string{"board up", "board lost", "board up"}, sink.words()[3:])
	})
}

func TestStoppingIsNoNewsOfClients(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, Options{}, sink)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", keepAlive: 60, will: "cellar/will"}))
		synctest.Wait()
		br.stop()
		last := b.hungUp()
		if v == 5 {
			require.Equal(t, packets.ErrServerShuttingDown.Code, last.ReasonCode)
		}
		require.Equal(t, []string{"board up"}, sink.words())
	})
}

// A connection that ended while its client's reading waits to be stored is
// replaced; its will, which comes last, is not kept for later: the client is back.
func TestDelayedWillOfAConnectionThatEndsLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		stuck := make(chan struct{})
		sink := &heard{publish: func(context.Context, Message) error { <-stuck; return nil }}
		br := embedded(t, Options{}, sink)
		l := login{id: "board", keepAlive: 600, will: "cellar/will", edit: func(pk *packets.Packet) {
			pk.Properties.SessionExpiryIntervalFlag, pk.Properties.SessionExpiryInterval = true, 600
			pk.Connect.WillProperties.WillDelayInterval = 300
		}}
		old := br.dial(t, 5)
		require.Zero(t, old.connect(l))
		old.publish("cellar/tank/light", "512", 1, 1)
		synctest.Wait()
		cl, _ := br.srv.Clients.Get("board")
		cl.Stop(packets.ErrPendingClientWritesExceeded) // as for one that reads too slowly
		b := br.dial(t, 5)
		require.Zero(t, b.connect(l))
		close(stuck)
		time.Sleep(400 * time.Second)
		require.Equal(t, []string{"board up", "board lost", "board up"}, sink.words())
	})
}

// Two boards that share a client id throw each other out, and neither they nor
// whoever looks at them can tell why; a board that comes back is no second one.
func TestSharedClientID(t *testing.T) {
	const kitchen, attic, cellar = "192.0.2.7:50000", "192.0.2.8:50000", "192.0.2.9:50000"
	for _, c := range []struct {
		name string
		from []string
		stay time.Duration
		want uint64
	}{
		{"two boards that come back at once", []string{kitchen, attic, kitchen, attic}, time.Second, 1},
		{"two boards at one address", []string{kitchen, kitchen, kitchen, kitchen}, time.Second, 1},
		{"two boards that report once a minute", []string{kitchen, attic, kitchen, attic, kitchen}, time.Minute, 1},
		{"a board that leaves without a word", []string{kitchen, kitchen, kitchen, kitchen, kitchen, kitchen}, time.Minute, 0},
		{"a board that restarts", []string{kitchen, kitchen, kitchen}, time.Second, 0},
		{"a board that restarts now and then", []string{kitchen, kitchen, kitchen, kitchen, kitchen, kitchen, kitchen, kitchen, kitchen}, 0, 0},
		{"a board that roams", []string{kitchen, attic, cellar, kitchen, attic, cellar}, time.Minute, 0},
		{"a board that is given a new address and the old one again", []string{kitchen, attic, kitchen, kitchen, kitchen}, time.Minute, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				br := embedded(t, Options{}, &heard{})
				for i, from := range c.from {
					b := br.dialFrom(t, 4, from)
					require.Zero(t, b.connect(login{id: "tank-board", keepAlive: 300, clean: i%2 == 0}))
					stay := c.stay
					if stay == 0 {
						stay = []time.Duration{time.Second, time.Second, time.Minute}[i%3]
					}
					time.Sleep(stay)
					synctest.Wait()
				}
				require.Equal(t, c.want, noted(br.quiet)[quietKey{"tank-board", "client_id_shared"}])
			})
		})
	}
	// One that takes its leave throws nobody out.
	synctest.Test(t, func(t *testing.T) {
		br := embedded(t, Options{}, &heard{})
		for range 10 {
			b := br.dialFrom(t, 4, kitchen)
			require.Zero(t, b.connect(login{id: "tank-board", keepAlive: 300}))
			b.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Disconnect}, ProtocolVersion: 4})
			b.hungUp()
			synctest.Wait()
		}
		require.Empty(t, noted(br.quiet))
	})
	// Nor does one that restarts twice, and again after it has taken its leave.
	synctest.Test(t, func(t *testing.T) {
		br := embedded(t, Options{}, &heard{})
		for i := range 12 {
			b := br.dialFrom(t, 4, kitchen)
			require.Zero(t, b.connect(login{id: "tank-board", keepAlive: 300}))
			if i%3 == 2 {
				b.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Disconnect}, ProtocolVersion: 4})
				b.hungUp()
			}
			synctest.Wait()
		}
		require.Empty(t, noted(br.quiet))
	})
}
