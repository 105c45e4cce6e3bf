package notify

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// pipeNet is a network of in-memory connections, for faked time.
type pipeNet struct {
	conns chan net.Conn
	start time.Time
	open  atomic.Int64
	most  atomic.Int64 // connections open at once, while the receiver misbehaves
}

func (n *pipeNet) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	// A network takes its time. In faked time that is also what lets the last
	// connection be closed before this one is counted, whoever runs first.
	time.Sleep(time.Millisecond)
	ours, theirs := net.Pipe()
	select {
	case n.conns <- theirs:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	// Once the receiver is well the queue drains in milliseconds, and connections
	// whose closing takes longer (TLS says good-bye) pile up; that says nothing.
	if o := n.open.Add(1); time.Since(n.start) < time.Hour {
		n.most.Store(max(o, n.most.Load()))
	}
	return &countedConn{Conn: ours, net: n}, nil
}

type countedConn struct {
	net.Conn
	net    *pipeNet
	closed atomic.Bool
}

func (c *countedConn) Close() error {
	if c.closed.CompareAndSwap(false, true) {
		c.net.open.Add(-1)
	}
	return c.Conn.Close()
}

// hostile is what a receiver does with a connection.
type hostile struct {
	name string
	tls  bool // the URL is https
	do   func(c net.Conn)
	// most is the longest a message may take to arrive once the receiver is
	// well again; 0: eleven minutes, the cap of the backoff and a rest.
	most time.Duration
}

// answer reads a request and writes raw text.
func answer(text string) func(net.Conn) {
	return func(c net.Conn) {
		if _, err := readRequest(c); err == nil {
			_, _ = io.WriteString(c, text)
		}
	}
}

func readRequest(c net.Conn) (id string, err error) {
	r, err := http.ReadRequest(bufio.NewReader(c))
	if err != nil {
		return "", err
	}
	if _, err := io.Copy(io.Discard, r.Body); err != nil {
		return "", err
	}
	return r.Header.Get(headerID), nil
}

// forever writes a text again and again until the other side hangs up.
func forever(c net.Conn, text string) {
	b := bytes.Repeat([]byte(text), 1+32<<10/len(text))
	for {
		if _, err := c.Write(b); err != nil {
			return
		}
	}
}

func httpDate(d time.Duration) string { return time.Now().Add(d).UTC().Format(http.TimeFormat) }

func hostiles() []hostile {
	return []hostile{
		{name: "500 for an hour", do: answer("HTTP/1.1 500 Oops\r\nContent-Length: 4\r\n\r\noops")},
		{name: "503, Retry-After: 120", do: answer("HTTP/1.1 503 Busy\r\nRetry-After: 120\r\nContent-Length: 0\r\n\r\n")},
		{name: "429, Retry-After in seconds", do: answer("HTTP/1.1 429 Slow down\r\nRetry-After: 300\r\nContent-Length: 0\r\n\r\n")},
		{name: "429, Retry-After as a date", do: func(c net.Conn) {
			answer("HTTP/1.1 429 Slow down\r\nRetry-After: " + httpDate(5*time.Minute) + "\r\nContent-Length: 0\r\n\r\n")(c)
		}},
		{name: "429, date by a clock 20 years off", do: func(c net.Conn) {
			const years = 20 * 365 * 24 * time.Hour
			answer("HTTP/1.1 429 Slow down\r\nDate: " + httpDate(years) + "\r\nRetry-After: " + httpDate(years+5*time.Minute) + "\r\nContent-Length: 0\r\n\r\n")(c)
		}},
		{name: "429, Retry-After: a year", do: answer("HTTP/1.1 429 No\r\nRetry-After: 31536000\r\nContent-Length: 0\r\n\r\n"), most: 61 * time.Minute},
		{name: "429, Retry-After: nonsense", do: answer("HTTP/1.1 429 No\r\nRetry-After: -1e9\r\nContent-Length: 0\r\n\r\n")},
		{name: "408", do: answer("HTTP/1.1 408 Slow\r\nContent-Length: 0\r\n\r\n")},
		{name: "425", do: answer("HTTP/1.1 425 Early\r\nContent-Length: 0\r\n\r\n")},
		{name: "never answers", do: func(c net.Conn) { _, _ = io.Copy(io.Discard, c) }},
		{name: "never reads", do: func(c net.Conn) { time.Sleep(time.Minute) }},
		{name: "slow-loris: a byte of the header every 5 s", do: func(c net.Conn) {
			_, _ = readRequest(c)
			trickle(c, "HTTP/1.1 200 OK\r\nX-Much: "+strings.Repeat("x", 1000), 5*time.Second)
		}},
		{name: "slow-loris: a byte of a 500's body every 5 s", do: func(c net.Conn) {
			_, _ = readRequest(c)
			_, _ = io.WriteString(c, "HTTP/1.1 500 Oops\r\nContent-Length: 100000\r\n\r\n")
			trickle(c, strings.Repeat("x", 1000), 5*time.Second)
		}},
		{name: "hangs up at once", do: func(c net.Conn) {}},
		{name: "hangs up after the request", do: func(c net.Conn) { _, _ = readRequest(c) }},
		{name: "hangs up in the status line", do: answer("HTTP/1.1 20")},
		{name: "not HTTP", do: answer("220 mail.test ready\r\n")},
		{name: "endless header", do: func(c net.Conn) {
			_, _ = readRequest(c)
			_, _ = io.WriteString(c, "HTTP/1.1 200 OK\r\n")
			forever(c, "X-Much: more\r\n")
		}},
		{name: "endless 1xx answers", do: func(c net.Conn) {
			_, _ = readRequest(c)
			forever(c, "HTTP/1.1 103 Early Hints\r\n\r\n")
		}},
		{name: "500 with an endless body", do: func(c net.Conn) {
			_, _ = readRequest(c)
			_, _ = io.WriteString(c, "HTTP/1.1 500 Oops\r\n\r\n")
			forever(c, "blah ")
		}},
		{name: "500 with a gzip bomb", do: func(c net.Conn) {
			_, _ = readRequest(c)
			_, _ = io.WriteString(c, "HTTP/1.1 500 Oops\r\nContent-Encoding: gzip\r\n\r\n")
			forever(c, "\x00\x00\x00\xff")
		}},
		{name: "302 to another host", do: answer("HTTP/1.1 302 Found\r\nLocation: http://evil.test/x\r\nContent-Length: 0\r\n\r\n")},
		{name: "307 to another host", do: answer("HTTP/1.1 307 There\r\nLocation: http://evil.test/x\r\nContent-Length: 0\r\n\r\n")},
		{name: "308 to https of the same host", do: answer("HTTP/1.1 308 There\r\nLocation: https://hook.test/x\r\nContent-Length: 0\r\n\r\n")},
		{name: "301 to another path (a POST would become a GET)", do: answer("HTTP/1.1 301 There\r\nLocation: /x\r\nContent-Length: 0\r\n\r\n")},
		{name: "307 to itself, without end", do: answer("HTTP/1.1 307 There\r\nLocation: /x\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")},
		{name: "no TLS on the https port", tls: true, do: func(c net.Conn) {
			_, _ = c.Read(make([]byte, 64<<10))
			_, _ = io.WriteString(c, "HTTP/1.1 400 Bad Request\r\n\r\n")
		}},
		{name: "certificate of an unknown authority", tls: true, do: nil},
		{name: "400", do: answer("HTTP/1.1 400 Bad\r\nContent-Length: 9\r\n\r\nwhat is it")},
		{name: "404", do: answer("HTTP/1.1 404 None\r\nContent-Length: 0\r\n\r\n")},
		{name: "410", do: answer("HTTP/1.1 410 Gone\r\nContent-Length: 0\r\n\r\n")},
	}
}

// Receivers that misbehave for an hour and are well afterwards: every message
// arrives soon after; connections stay few and memory flat. The table is in the
// log of the test (-v).
func TestHostileReceivers(t *testing.T) {
	const messages = 20
	var heap uint64
	t.Logf("%-48s %8s %6s %6s %6s %8s %10s %9s  %s", "receiver", "attempts", "sent", "parked", "conns", "kB/try", "late", "heap kB", "first note")
	for _, h := range hostiles() {
		synctest.Test(t, func(t *testing.T) {
			start := time.Now()
			n := &pipeNet{conns: make(chan net.Conn), start: start}
			cert, key, roots := certificate(t, []string{"hook.test"}, start.Add(24*time.Hour))
			bad, badKey, _ := certificate(t, []string{"hook.test"}, start.Add(24*time.Hour))
			pair := func(cert, key string) *tls.Config {
				p, err := tls.X509KeyPair([]byte(cert), []byte(key))
				require.NoError(t, err)
				return &tls.Config{Certificates: []tls.Certificate{p}}
			}
			good, wrong := pair(cert, key), pair(bad, badKey)
			arrived := map[string]int{}
			stop := make(chan struct{})
			done := make(chan struct{})
			go func() { // the receiver
				defer close(done)
				conns := make(chan struct{}, 1000)
				var live int
				for {
					select {
					case c := <-n.conns:
						live++
						go func() {
							defer func() { c.Close(); conns <- struct{}{} }()
							if time.Since(start) < time.Hour {
								if h.do != nil {
									h.do(c)
									return
								}
								_ = tls.Server(c, wrong).Handshake()
								return
							}
							if h.tls {
								c = tls.Server(c, good)
							}
							id, err := readRequest(c)
							if err != nil {
								return
							}
							arrived[id]++
							_, _ = io.WriteString(c, "HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n")
						}()
					case <-conns:
						live--
					case <-stop:
						for ; live > 0; live-- {
							<-conns
						}
						return
					}
				}
			}()
			u := "http://hook.test/in"
			if h.tls {
				u = "https://hook.test/in"
			}
			w := hook(t, WebhookOptions{URL: u, TLS: &tls.Config{RootCAs: roots}})
			tr := w.client.Transport.(*http.Transport)
			tr.DialContext, tr.Proxy = n.dial, nil
			box := &memOutbox{}
			for i := range messages {
				d := lit("webhook", fmt.Sprintf("lamp%d", i%5), start)
				d.EventID = fmt.Sprintf("ev-%d", i)
				box.add(d)
			}
			var before, after runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			runWorker(t, Options{Outbox: box, Routes: []Route{w}, Backoff: Backoff{Rand: seeded(5)}}, 4*time.Hour)
			tr.CloseIdleConnections()
			close(stop)
			<-done
			runtime.GC()
			runtime.ReadMemStats(&after)
			heap = max(heap, after.HeapAlloc)

			open, sent, dead := box.count()
			attempts := len(box.noted) + sent + dead
			late, note := time.Duration(0), ""
			if len(box.noted) > 0 {
				note = box.noted[0]
			}
			for _, r := range box.rows {
				if r.state == "sent" {
					late = max(late, r.at.Sub(start.Add(time.Hour)))
				}
			}
			perTry := (after.TotalAlloc - before.TotalAlloc) / uint64(attempts) >> 10
			t.Logf("%-48s %8d %6d %6d %6d %8d %10s %9d  %s", h.name, attempts, sent, dead, n.most.Load(), perTry, late.Round(time.Second), after.HeapAlloc>>10, note)

			assert.Zero(t, open, "nothing is left behind")
			assert.Equal(t, messages, sent, "nothing is lost")
			assert.Len(t, arrived, messages)
			for id, times := range arrived {
				assert.Equal(t, 1, times, id)
			}
			most := h.most
			if most == 0 {
				most = 11 * time.Minute
			}
			assert.LessOrEqual(t, late, most, "it arrives soon after")
			assert.Zero(t, n.open.Load(), "no connection is left open")
			assert.LessOrEqual(t, n.most.Load(), int64(2), "connections are few")
			assert.Less(t, perTry, uint64(1<<10), "kB allocated per attempt")
			for _, s := range box.noted {
				assert.LessOrEqual(t, len([]rune(s)), maxNote+3)
			}
		})
	}
	assert.Less(t, heap, uint64(64<<20))
}
