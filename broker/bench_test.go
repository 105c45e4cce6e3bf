package broker

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

const (
	benchConns  = 50
	benchWindow = 50 // messages of QoS 1 under way on a connection
)

// load is fifty boards connected to one broker.
type load struct {
	conns []net.Conn
	qos   byte
	heard *tally // messages that reached the reader behind the broker
}

// tally counts, and tells when it has reached a mark.
type tally struct {
	n, mark atomic.Int64
	reached chan struct{}
}

func newTally() *tally { return &tally{reached: make(chan struct{}, 1)} }

func (c *tally) add() {
	if c.n.Add(1) == c.mark.Load() {
		c.reached <- struct{}{}
	}
}

func newLoad(b *testing.B, addr string, qos byte, heard *tally, user string) *load {
	l := &load{qos: qos, heard: heard}
	for i := range benchConns {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { _ = c.Close() })
		if _, err := c.Write(encode(connectPacket(4, login{id: fmt.Sprint("board", i), clean: true, user: user, pass: user}))); err != nil {
			b.Fatal(err)
		}
		if _, err := io.ReadFull(c, make([]byte, 4)); err != nil {
			b.Fatal(err)
		}
		l.conns = append(l.conns, c)
	}
	return l
}

// run publishes n messages and waits until all were heard, and acknowledged.
func (l *load) run(b *testing.B, n int) (wall, cpu time.Duration) {
	if n == 0 {
		return 0, 0
	}
	l.heard.mark.Store(l.heard.n.Load() + int64(n))
	start, used := time.Now(), cpuUsed()
	var wg sync.WaitGroup
	for i, c := range l.conns {
		share := n / benchConns
		if i < n%benchConns {
			share++
		}
		wg.Go(func() {
			window := make(chan struct{}, benchWindow)
			if l.qos == 1 {
				wg.Go(func() {
					r := bufio.NewReader(c)
					for range share {
						if _, err := io.ReadFull(r, make([]byte, 4)); err != nil {
							b.Error(err)
							return
						}
						<-window
					}
				})
			}
			pk := encode(publishPacket(fmt.Sprintf("cellar/%d/light", i), "512", l.qos, 1))
			for range share {
				if l.qos == 1 {
					window <- struct{}{}
				}
				if _, err := c.Write(pk); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
	<-l.heard.reached // QoS 0 has no acknowledgement to wait for
	return time.Since(start), cpuUsed() - used
}

// counter is a Sink that counts.
type counter struct {
	counting
	*tally
}

func (c *counter) Publish(context.Context, Message) error { c.add(); return nil }

func (c *counter) PublishLater(_ context.Context, _ Message, done chan<- error) error {
	c.add()
	done <- nil
	return nil
}

// bare is the library alone, with a subscriber that counts.
func bare(b *testing.B) (string, *tally) {
	n := newTally()
	srv := mqtt.New(&mqtt.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	l := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	if err := srv.AddHook(new(allowAll), nil); err != nil {
		b.Fatal(err)
	}
	if err := srv.AddListener(l); err != nil {
		b.Fatal(err)
	}
	if err := srv.Serve(); err != nil {
		b.Fatal(err)
	}
	if err := srv.Subscribe("cellar/#", 1, func(*mqtt.Client, packets.Subscription, packets.Packet) { n.add() }); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = srv.Close() })
	return l.Address(), n
}

// BenchmarkAgainstBareLibrary publishes b.N messages over 50 connections, by
// turns to the library alone and to the embedded broker, and reports both
// times, and rate-ratio (above 1: the embedded broker is faster) and cpu-ratio
// (above 1: it uses more), clients included in both.
func BenchmarkAgainstBareLibrary(b *testing.B) {
	for _, qos := range []byte{0, 1} {
		for _, accounts := range []bool{false, true} {
			name := fmt.Sprintf("QoS%d", qos)
			if accounts {
				name += "/accounts"
			}
			b.Run(name, func(b *testing.B) {
				addr, heard := bare(b)
				theirs := newLoad(b, addr, qos, heard, "")
				sink := &counter{tally: newTally()}
				var opts Options
				user := ""
				if accounts {
					user = "boards"
					opts.Accounts = []Account{{Name: user, PasswordHash: cheap(user), Publish: []string{"attic/#", "cellar/#"}}}
				}
				_, addr = listening(b, opts, sink)
				ours := newLoad(b, addr, qos, sink.tally, user)
				var tw, tc, ow, oc time.Duration
				const turns = 6
				b.ResetTimer()
				for i := range turns {
					n := (b.N + i) / turns
					w, c := theirs.run(b, n)
					tw, tc = tw+w, tc+c
					w, c = ours.run(b, n)
					ow, oc = ow+w, oc+c
				}
				b.ReportMetric(0, "ns/op")
				b.ReportMetric(float64(tw.Nanoseconds())/float64(b.N), "bare-ns/msg")
				b.ReportMetric(float64(ow.Nanoseconds())/float64(b.N), "ours-ns/msg")
				b.ReportMetric(float64(tw)/float64(max(ow, 1)), "rate-ratio")
				b.ReportMetric(float64(oc)/float64(max(tc, 1)), "cpu-ratio")
			})
		}
	}
}

// BenchmarkIdleConnection reports the memory that one connected, idle board
// takes, in both brokers.
func BenchmarkIdleConnection(b *testing.B) {
	const n = 1000
	held := func(addr string) float64 {
		before := heap()
		for i := range n {
			c, err := net.Dial("tcp", addr)
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(func() { _ = c.Close() })
			if _, err := c.Write(encode(connectPacket(4, login{id: fmt.Sprint("idle", i), clean: true}))); err != nil {
				b.Fatal(err)
			}
			if _, err := io.ReadFull(c, make([]byte, 4)); err != nil {
				b.Fatal(err)
			}
		}
		return float64(heap()-before) / n
	}
	for b.Loop() {
		addr, _ := bare(b)
		theirs := held(addr)
		_, addr = listening(b, Options{}, &counting{})
		ours := held(addr)
		b.ReportMetric(theirs, "bare-B/conn")
		b.ReportMetric(ours, "ours-B/conn")
		b.ReportMetric(ours/theirs, "ratio")
	}
}

func heap() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}
