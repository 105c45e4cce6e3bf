package broker

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

// listening runs the embedded broker on a loopback port until the test ends.
func listening(t testing.TB, opts Options, sink Sink) (*Embedded, string) {
	t.Helper()
	ready := make(chan net.Addr, 1)
	opts.Listen = "127.0.0.1:0"
	opts.Log = slog.New(slog.DiscardHandler)
	opts.Ready = func(a net.Addr) { ready <- a }
	e, err := NewEmbedded(opts)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- e.Run(ctx, sink) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-done)
	})
	return e, (<-ready).String()
}

func dialTCP(t testing.TB, addr string, version byte) *board {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	return newBoard(t, c, version)
}

// attack is one way to hurt the broker. It returns what came of it; its
// connections stay open until free is called.
type attack struct {
	name string
	opts Options
	most int // MiB of heap that may be in use while it holds its connections open
	run  func(t *testing.T, e *Embedded, addr string) (outcome string, free func())
}

func attacks() []attack {
	closer := func(open *[]net.Conn) func() {
		return func() {
			for _, c := range *open {
				_ = c.Close()
			}
		}
	}
	// gone waits until the broker has closed a connection.
	gone := func(c net.Conn) { _, _ = io.Copy(io.Discard, c) }
	raw := func(t *testing.T, addr string) net.Conn {
		c, err := net.Dial("tcp", addr)
		require.NoError(t, err)
		return c
	}
	clean := login{id: "attacker", clean: true}
	return []attack{
		{name: "1,000 connections from one address (limit 100)", opts: Options{MaxPerAddress: 100}, most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				var open []net.Conn
				for range 1000 {
					open = append(open, raw(t, addr))
				}
				for _, c := range open[100:] {
					gone(c)
				}
				return fmt.Sprintf("%d turned away", e.Stats().TurnedAway), closer(&open)
			}},
		{name: "200 sockets that say nothing (deadline cut to 0.2 s)", opts: Options{ConnectDeadline: 200 * time.Millisecond}, most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				var open []net.Conn
				for range 200 {
					open = append(open, raw(t, addr))
				}
				for _, c := range open {
					gone(c)
				}
				return "all 200 closed at the deadline", func() {}
			}},
		{name: "200 headers that claim 255 MiB", most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				for range 200 {
					c := raw(t, addr)
					_, _ = c.Write([]byte{0x10, 0xff, 0xff, 0xff, 0x7f})
					gone(c)
				}
				return "all closed unread", func() {}
			}},
		{name: "2,000 connections of random bytes after CONNECT", most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				r := rand.New(rand.NewPCG(1, 2))
				for i := range 2000 {
					c := raw(t, addr)
					v := byte(4 + i%2)
					junk := make([]byte, 1+r.IntN(200))
					for j := range junk {
						junk[j] = byte(r.Uint32())
					}
					pk := connectPacket(v, clean)
					_, _ = c.Write(append(encode(pk), junk...))
					_ = c.(*net.TCPConn).CloseWrite()
					gone(c)
				}
				return fmt.Sprintf("all closed; %d panics contained", e.Stats().Panics), func() {}
			}},
		{name: "100 SUBSCRIBEs that make the library panic", most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				for range 100 {
					c := raw(t, addr)
					_, _ = c.Write(append(encode(connectPacket(5, clean)), subscribeThatPanics...))
					gone(c)
				}
				require.GreaterOrEqual(t, e.Stats().Panics, uint64(99)) // the last may yet be counted: its connection was closed first
				return "100 panics contained, senders disconnected", func() {}
			}},
		{name: "100 topics of 60,000 levels", most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				for range 100 {
					c := raw(t, addr)
					_, _ = c.Write(append(encode(connectPacket(4, clean)), encode(publishPacket(strings.Repeat("/", 60000), "1", 0, 0))...))
					gone(c)
				}
				require.EqualValues(t, 100, e.Stats().Malformed)
				return "all refused, senders disconnected", func() {}
			}},
		{name: "10 clients that subscribe to 5,000 filters each", most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				var open []net.Conn
				granted := 0
				for i := range 10 {
					b := dialTCP(t, addr, 4)
					open = append(open, b.conn)
					require.Zero(t, b.connect(login{id: fmt.Sprint("s", i), clean: true}))
					for j := range 5 {
						var fs []string
						for k := range 1000 {
							fs = append(fs, fmt.Sprintf("deep/%d/%d/x", i, 1000*j+k))
						}
						for _, c := range b.subscribe(uint16(j+1), fs...) {
							if c == 1 {
								granted++
							}
						}
					}
				}
				return fmt.Sprintf("%d of 50,000 granted", granted), closer(&open)
			}},
		{name: "5,000 retained messages of 4 KiB", most: 12,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				b := dialTCP(t, addr, 4)
				require.Zero(t, b.connect(clean))
				body := strings.Repeat("r", 4096)
				for i := range 5000 {
					pk := publishPacket(fmt.Sprint("retained/", i), body, 1, uint16(i+1))
					pk.FixedHeader.Retain = true
					b.send(pk)
					b.next(packets.Puback)
				}
				return fmt.Sprintf("%d kept, %d passed on only", 5000-e.Stats().RetainedDropped, e.Stats().RetainedDropped), func() { _ = b.conn.Close() }
			}},
		{name: "3,000 sessions left behind (limit 500)", opts: Options{MaxClients: 500}, most: 16,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				for i := range 3000 {
					b := dialTCP(t, addr, 4)
					require.Zero(t, b.connect(login{id: fmt.Sprint("session", i)}))
					b.disconnect()
					b.hungUp()
				}
				return fmt.Sprintf("%d dropped", e.Stats().SessionsDropped), func() {}
			}},
		{name: "65,000 topic aliases of 1 KiB asked for", most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				b := dialTCP(t, addr, 5)
				require.Zero(t, b.connect(clean))
				set := 0
				for i := 1; i <= 65000; i++ {
					pk := publishPacket(strings.Repeat("a", 1000), "1", 1, 1)
					pk.Properties.TopicAlias, pk.Properties.TopicAliasFlag = uint16(i), true
					b.send(pk)
					if got, ok := b.recv(); !ok || got.FixedHeader.Type != packets.Puback {
						require.Equal(t, packets.ErrTopicAliasInvalid.Code, got.ReasonCode)
						break
					}
					set++
				}
				return fmt.Sprintf("disconnected after %d", set), func() { _ = b.conn.Close() }
			}},
		{name: "2,000 clients with a 32 KiB will, delayed by a year", most: 80,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				for i := range 2000 {
					b := dialTCP(t, addr, 5)
					require.Zero(t, b.connect(login{id: fmt.Sprint("w", i), clean: true, will: "w", edit: func(pk *packets.Packet) {
						pk.Connect.WillPayload = make([]byte, 32<<10)
						pk.Connect.WillProperties.WillDelayInterval = 365 * 24 * 3600
					}}))
					_ = b.conn.Close()
					b.hungUp()
				}
				return fmt.Sprintf("%d published at once: a will waits no longer than its session", e.Stats().Wills), func() {}
			}},
		{name: "20 absent subscribers, 400 messages of 32 KiB at QoS 1", most: 120,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				for i := range 20 {
					b := dialTCP(t, addr, 4)
					require.Zero(t, b.connect(login{id: fmt.Sprint("absent", i)}))
					b.subscribe(1, "#")
					b.disconnect()
					b.hungUp()
				}
				b := dialTCP(t, addr, 4)
				require.Zero(t, b.connect(clean))
				body := strings.Repeat("q", 32<<10)
				for i := range 400 {
					b.publish("flood", body, 1, uint16(i+1))
					b.next(packets.Puback)
				}
				return "all acknowledged; of 250 MiB asked for, what the queues hold is under the budget", func() { _ = b.conn.Close() }
			}},
		{name: "20 subscribers that never read, 600 messages of 32 KiB", most: 16,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				var open []net.Conn
				for i := range 20 {
					c := raw(t, addr)
					_ = c.(*net.TCPConn).SetReadBuffer(1)
					open = append(open, c)
					sub := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, PacketID: 1, Filters: packets.Subscriptions{{Filter: "#"}}}
					_, err := c.Write(append(encode(connectPacket(4, login{id: fmt.Sprint("deaf", i), clean: true})), encode(sub)...))
					require.NoError(t, err)
					_, err = io.ReadFull(c, make([]byte, 4+5)) // CONNACK, SUBACK
					require.NoError(t, err)
				}
				b := dialTCP(t, addr, 4)
				require.Zero(t, b.connect(clean))
				body := strings.Repeat("q", 32<<10)
				for i := range 600 {
					b.publish("flood", body, 1, uint16(i+1))
					b.next(packets.Puback)
				}
				return fmt.Sprintf("all acknowledged; %d of the deaf disconnected", e.Stats().SlowDropped), func() { _ = b.conn.Close(); closer(&open)() }
			}},
		{name: "65,000 messages of QoS 2 never released", most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				b := dialTCP(t, addr, 4)
				require.Zero(t, b.connect(clean))
				n := 0
				for i := 1; i <= 65000; i++ {
					if _, err := b.conn.Write(encode(publishPacket("a", "1", 2, uint16(i)))); err != nil {
						break
					}
					if pk, ok := b.recv(); !ok || pk.FixedHeader.Type != packets.Pubrec {
						break
					}
					n++
				}
				require.Less(t, n, 300)
				return fmt.Sprintf("disconnected after %d", n), func() { _ = b.conn.Close() }
			}},
		{name: "500 takeovers of one client id", most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				var open []net.Conn
				for range 500 {
					b := dialTCP(t, addr, 4)
					require.Zero(t, b.connect(login{id: "same"}))
					open = append(open, b.conn)
				}
				for _, c := range open[:499] {
					gone(c)
				}
				return "each older connection closed", closer(&open)
			}},
		{name: "takeover by another account", opts: twoAccounts(), most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				own := dialTCP(t, addr, 4)
				require.Zero(t, own.connect(login{id: "board", user: "tank", pass: "tank pw"}))
				for range 50 {
					b := dialTCP(t, addr, 4)
					require.NotZero(t, b.connect(login{id: "board", user: "freezer", pass: "freezer pw"}))
					b.hungUp()
				}
				own.publish("cellar/tank/light", "1", 1, 1)
				own.next(packets.Puback)
				return "50 refused, the owner undisturbed", func() { _ = own.conn.Close() }
			}},
		{name: "500 guessed passwords from one address", opts: twoAccounts(), most: 8,
			run: func(t *testing.T, e *Embedded, addr string) (string, func()) {
				for i := range 500 {
					b := dialTCP(t, addr, 4)
					require.NotZero(t, b.connect(login{id: "g", user: "tank", pass: fmt.Sprint("guess", i), clean: true}))
					b.hungUp()
				}
				checked := 0
				for k, n := range noted(e.quiet) {
					if k.reason == "login" {
						checked += int(n)
					}
				}
				require.Less(t, checked, 20)
				return fmt.Sprintf("%d passwords looked at, the rest made to wait", checked), func() {}
			}},
	}
}

// TestHostileClients attacks a listening broker and, after each attack, has an
// honest board publish. Run it with -v for the table of memory in use: before,
// while the attacker's connections are still open, and after.
func TestHostileClients(t *testing.T) {
	inUse := func() int {
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int(m.HeapInuse >> 10)
	}
	table := []string{"| attack | outcome | heap before, KiB | held | after |", "|---|---|---|---|---|"}
	for _, a := range attacks() {
		t.Run(a.name, func(t *testing.T) {
			sink := &counting{}
			e, addr := listening(t, a.opts, sink)
			before := inUse()
			outcome, free := a.run(t, e, addr)
			held := inUse()
			free()
			l := login{id: "honest", clean: true}
			topic := "cellar/tank/light"
			if len(a.opts.Accounts) > 0 {
				l.user, l.pass, topic = "freezer", "freezer pw", "cellar/freezer/light"
			}
			if a.opts.MaxPerAddress == 0 { // else this address has used up its share until the broker noticed
				b := dialTCP(t, addr, 4)
				require.Zero(t, b.connect(l))
				b.publish(topic, "512", 1, 1)
				require.EqualValues(t, 1, b.next(packets.Puback).PacketID)
				_ = b.conn.Close()
			}
			after := inUse()
			require.Less(t, held-before, a.most<<10, "KiB of heap held by the attack")
			table = append(table, fmt.Sprintf("| %s | %s | %d | %d | %d |", a.name, outcome, before, held, after))
		})
	}
	t.Log("\n" + strings.Join(table, "\n"))
}

// counting is a Sink that keeps nothing.
type counting struct{}

func (*counting) Publish(context.Context, Message) error { return nil }
func (*counting) PublishLater(_ context.Context, _ Message, done chan<- error) error {
	done <- nil
	return nil
}
func (*counting) Link(context.Context, Link)           {}
func (*counting) Uplink(context.Context, bool, string) {}
