package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
)

const loadConnections = 50

// BenchmarkReadings sends readings over 50 connections to lampward, decided
// and stored, and to the bare broker library with a subscriber that does
// nothing, in one run: compare them by their ratio. Each op is one reading.
// At QoS 1 each connection has as many readings under way as window says: one
// for a board, more for one that sends what it saved up.
//
//	go test ./cmd/lampward -run '^$' -bench Readings -benchtime 200000x
func BenchmarkReadings(b *testing.B) {
	b.Run("qos0/bare", func(b *testing.B) { bareLoad(b, 0, 0) })
	b.Run("qos0/lampward", func(b *testing.B) { lampwardLoad(b, 0, 0, false) })
	for _, window := range []int{1, 20} {
		name := fmt.Sprintf("qos1/window=%d/", window)
		b.Run(name+"bare", func(b *testing.B) { bareLoad(b, 1, window) })
		b.Run(name+"lampward", func(b *testing.B) { lampwardLoad(b, 1, window, false) })
		b.Run(name+"lampward/early_ack", func(b *testing.B) { lampwardLoad(b, 1, window, true) })
	}
}

// allowAll lets everyone do everything.
type allowAll struct{ mochi.HookBase }

func (allowAll) ID() string { return "allow-all" }

func (allowAll) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

func (allowAll) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }

func (allowAll) OnACLCheck(*mochi.Client, string, bool) bool { return true }

func bareLoad(b *testing.B, qos byte, window int) {
	s := mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	require.NoError(b, s.AddHook(new(allowAll), nil))
	l := listeners.NewTCP(listeners.Config{ID: "tcp", Address: "127.0.0.1:0"})
	require.NoError(b, s.AddListener(l))
	var got counted
	require.NoError(b, s.Subscribe("#", 1, func(*mochi.Client, packets.Subscription, packets.Packet) { got.add(1) }))
	require.NoError(b, s.Serve())
	defer s.Close()
	load(b, l.Address(), qos, window, &got)
	// The library can wait for ever when it is closed while clients leave: it
	// takes a read lock twice over (Clients.GetByListener).
	for s.Clients.Len() > 1 || s.Info.Clone().ClientsConnected > 0 { // 1: the inline client
		time.Sleep(time.Millisecond)
	}
}

func lampwardLoad(b *testing.B, qos byte, window int, early bool) {
	text := fmt.Sprintf("[broker]\nlisten = \"127.0.0.1:0\"\nmax_per_address = 1000\n[store]\ndir = %q\nearly_ack = %v\n[page]\nlisten = \"\"\n", b.TempDir(), early)
	for i := range loadConnections {
		text += fmt.Sprintf("[[lamp]]\nname = \"l%d\"\ntopic = \"t/%d\"\n", i, i)
	}
	cfg, err := config.Parse("load.toml", []byte(text))
	require.NoError(b, err)
	ctx, cancel := context.WithCancel(context.Background())
	ready := make(chan addresses, 1)
	done := make(chan error, 1)
	var d *daemon
	go func() {
		done <- serve(ctx, cfg, serveOptions{
			log:    slog.New(slog.DiscardHandler),
			ready:  func(a addresses) { ready <- a },
			inside: func(x *daemon) { d = x },
		})
	}()
	var at addresses
	select {
	case at = <-ready:
	case err := <-done:
		b.Fatal(err)
	}
	load(b, at.broker.String(), qos, window, daemonCount{d})
	// Stopping stores what is pending; it belongs to the work.
	cancel()
	require.NoError(b, <-done)
	b.StopTimer()
}

// daemonCount counts the readings that the rules have seen.
type daemonCount struct{ d *daemon }

func (c daemonCount) wait(n int64) {
	for c.d.stepped.Load() < n {
		time.Sleep(200 * time.Microsecond) // a benchmark may wait
	}
}

type counted struct {
	mu   sync.Mutex
	n    int64
	more sync.Cond
}

func (c *counted) add(n int64) {
	c.mu.Lock()
	c.n += n
	if c.more.L == nil {
		c.more.L = &c.mu
	}
	c.more.Broadcast()
	c.mu.Unlock()
}

func (c *counted) wait(n int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.more.L == nil {
		c.more.L = &c.mu
	}
	for c.n < n {
		c.more.Wait()
	}
}

// load publishes b.N readings and waits until got has counted them.
func load(b *testing.B, address string, qos byte, window int, got interface{ wait(int64) }) {
	conns := make([]net.Conn, loadConnections)
	for i := range conns {
		conns[i] = dialRaw(b, address, fmt.Sprintf("c%d", i))
		defer conns[i].Close()
	}
	cpu := cpuTime()
	b.ResetTimer()
	var all sync.WaitGroup
	for i, c := range conns {
		n := b.N / len(conns)
		if i < b.N%len(conns) {
			n++
		}
		all.Go(func() { publishRaw(b, c, i, n, qos, window) })
	}
	all.Wait()
	got.wait(int64(b.N))
	b.StopTimer()
	b.ReportMetric(float64(cpuTime()-cpu)/float64(b.N), "cpu-ns/op")
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
	b.StartTimer()
}

// dialRaw connects to a broker without a client library, whose work would be
// measured too.
func dialRaw(b *testing.B, address, id string) net.Conn {
	c, err := net.Dial("tcp", address)
	require.NoError(b, err)
	connect := append([]byte{0x10, byte(12 + len(id)), 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 0, 0, byte(len(id))}, id...)
	_, err = c.Write(connect)
	require.NoError(b, err)
	_, err = io.ReadFull(c, make([]byte, 4))
	require.NoError(b, err)
	return c
}

// publishOne publishes to t/0 with QoS 1 and waits for the acknowledgement.
func publishOne(b *testing.B, c net.Conn, payload string) {
	p := append([]byte{0x32, byte(7 + len(payload)), 0, 3, 't', '/', '0', 0, 1}, payload...)
	_, err := c.Write(p)
	require.NoError(b, err)
	_, err = io.ReadFull(c, make([]byte, 4))
	require.NoError(b, err)
}

// publishRaw writes n PUBLISH packets; with QoS 1 at most window of them are
// not yet acknowledged at any time.
func publishRaw(b *testing.B, c net.Conn, i, n int, qos byte, window int) {
	w, r := bufio.NewWriter(c), bufio.NewReader(c)
	topic := fmt.Sprintf("t/%d", i)
	ack := make([]byte, 4)
	owed := 0
	acknowledged := func(most int) bool { // waits until no more than most are owed
		if owed <= most {
			return true
		}
		if err := w.Flush(); err != nil {
			b.Error(err)
			return false
		}
		for owed > most || r.Buffered() >= len(ack) {
			if _, err := io.ReadFull(r, ack); err != nil {
				b.Error(err)
				return false
			}
			owed--
		}
		return true
	}
	for k := range n {
		payload := fmt.Sprintf("%d", 200+k*7%13)
		size := 2 + len(topic) + int(qos)*2 + len(payload)
		w.Write([]byte{0x30 | qos<<1, byte(size), 0, byte(len(topic))})
		w.WriteString(topic)
		if qos > 0 {
			_ = binary.Write(w, binary.BigEndian, uint16(1+k%65000))
		}
		w.WriteString(payload)
		if qos > 0 {
			if owed++; !acknowledged(window - 1) {
				return
			}
		}
	}
	if err := w.Flush(); err != nil {
		b.Error(err)
	}
	acknowledged(0)
}

// BenchmarkAlert measures, for each change of a lamp, the time from the
// reading that decides it until its webhook is accepted, beside that of a bare
// POST of such a webhook to the same receiver, in one run. The wait of the
// debounce is not in it: the reading before has begun it.
func BenchmarkAlert(b *testing.B) {
	arrived := make(chan struct{}, 1)
	receiver := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		arrived <- struct{}{}
	}))
	defer receiver.Close()
	b.Run("bare", func(b *testing.B) {
		body := strings.Repeat("x", 700)
		var took []time.Duration
		for range b.N {
			began := time.Now()
			r, err := http.Post(receiver.URL, "application/cloudevents+json", strings.NewReader(body))
			require.NoError(b, err)
			require.NoError(b, r.Body.Close())
			<-arrived
			took = append(took, time.Since(began))
		}
		reportPercentiles(b, took)
	})
	b.Run("lampward", func(b *testing.B) {
		cfg, err := config.Parse("load.toml", []byte(quickConfig("127.0.0.1:0", b.TempDir(), "t/0", receiver.URL)))
		require.NoError(b, err)
		ctx, cancel := context.WithCancel(context.Background())
		ready, done := make(chan addresses, 1), make(chan error, 1)
		go func() {
			done <- serve(ctx, cfg, serveOptions{log: slog.New(slog.DiscardHandler), ready: func(a addresses) { ready <- a }})
		}()
		c := dialRaw(b, (<-ready).broker.String(), "board")
		defer c.Close()
		n := 0
		say := func(level int) {
			n++
			publishOne(b, c, fmt.Sprint(level+n%7))
		}
		for range 5 {
			say(200)
		}
		var took []time.Duration
		b.ResetTimer()
		for i := range b.N {
			level := []int{800, 200}[i%2]
			// Enough of the same not to look like blinking.
			say(level)
			time.Sleep(2 * time.Millisecond) // the debounce
			began := time.Now()
			say(level)
			<-arrived
			took = append(took, time.Since(began))
			for range 20 {
				say(level)
			}
		}
		b.StopTimer()
		reportPercentiles(b, took)
		cancel()
		require.NoError(b, <-done)
	})
}

func reportPercentiles(b *testing.B, took []time.Duration) {
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2]), "p50-ns")
	b.ReportMetric(float64(took[len(took)*99/100]), "p99-ns")
}

// BenchmarkDisk lives a day of ten lamps, one reading a minute each, and
// reports the bytes that reach the disk per reading, everything included. Each
// op is one reading.
//
//	go test ./cmd/lampward -run '^$' -bench Disk -benchtime 14400x
func BenchmarkDisk(b *testing.B) {
	for name, c := range map[string]struct {
		qos   byte
		flush time.Duration
		early bool
	}{
		"qos0/flush=60s":           {0, time.Minute, false},
		"qos0/flush=10s":           {0, 10 * time.Second, false},
		"qos1":                     {1, time.Minute, false},
		"qos1/early_ack/flush=60s": {1, time.Minute, true},
	} {
		b.Run(name, func(b *testing.B) {
			if _, err := diskBytes(); err != nil {
				b.Skip(err)
			}
			text := ""
			for i := range 10 {
				text += fmt.Sprintf("[[lamp]]\nname = \"l%d\"\ntopic = \"t/%d\"\n", i, i)
			}
			h := newHarness(b, text)
			h.cfg.Store.Flush, h.cfg.Store.EarlyAck = c.flush, c.early
			before, err := diskBytes()
			require.NoError(b, err)
			b.ResetTimer()
			for i := range b.N {
				h.clock.Advance(6 * time.Second)
				payload := fmt.Sprint(200 + i*7%13)
				if c.qos > 0 {
					require.NoError(b, h.publish(fmt.Sprintf("t/%d", i%10), payload))
					continue
				}
				inputs := h.d.intake.inputs(nil, broker.Message{Topic: fmt.Sprintf("t/%d", i%10), Payload: []byte(payload)}, h.clock.Now)
				h.d.takeAll([]entry{{job{at: h.clock.Now()}, inputs}})
				h.d.tick()
				h.d.commit(context.Background())
				h.d.wait()
				h.d.waitPruned()
			}
			after, err := diskBytes()
			require.NoError(b, err)
			b.ReportMetric(float64(after-before)/float64(b.N), "disk-B/op")
		})
	}
}

// diskBytes is what this process has made the system write to disks.
func diskBytes() (n int64, err error) {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		if _, err := fmt.Sscanf(line, "write_bytes: %d", &n); err == nil {
			return n, nil
		}
	}
	return 0, errors.New("no write_bytes in /proc/self/io")
}
