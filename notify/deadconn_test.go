package notify

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// pipeListener accepts connections within this process.
type pipeListener struct {
	come  chan net.Conn
	ended chan struct{}
}

func (l *pipeListener) Accept() (net.Conn, error) {
	select {
	case c := <-l.come:
		return c, nil
	case <-l.ended:
		return nil, net.ErrClosed
	}
}

func (l *pipeListener) Close() error   { close(l.ended); return nil }
func (l *pipeListener) Addr() net.Addr { return &net.TCPAddr{} }

// lossy is a connection through a router that knows nothing of it any more once it is
// dead: what is sent gets nowhere, and nobody says so.
type lossy struct {
	net.Conn
	dead atomic.Bool
}

func (c *lossy) Write(b []byte) (int, error) {
	if c.dead.Load() {
		return len(b), nil
	}
	return c.Conn.Write(b)
}

// A connection that died without a word fails one attempt and no more: the next one
// takes another connection. So it must be over HTTP/2 too, where one that a request
// timed out on may be used again. A service that is slow, and lives, is not taken for
// dead.
func TestWebhookLeavesADeadConnection(t *testing.T) {
	for _, two := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			now := time.Now()
			certPEM, keyPEM, roots := certificate(t, []string{"hook.test"}, now.Add(time.Hour))
			pair, err := tls.X509KeyPair([]byte(certPEM), []byte(keyPEM))
			require.NoError(t, err)
			takes := time.Duration(0)
			protocols := new(http.Protocols)
			protocols.SetHTTP1(!two)
			protocols.SetHTTP2(two)
			srv := &http.Server{TLSConfig: &tls.Config{Certificates: []tls.Certificate{pair}}, Protocols: protocols,
				Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
					time.Sleep(takes)
					w.WriteHeader(http.StatusNoContent)
				})}
			ln := &pipeListener{make(chan net.Conn), make(chan struct{})}
			served := make(chan error, 1)
			go func() { served <- srv.ServeTLS(ln, "", "") }()
			var conns []*lossy
			w := hook(t, WebhookOptions{URL: "https://hook.test/", TLS: &tls.Config{RootCAs: roots}})
			w.client.Transport.(*http.Transport).DialContext = func(context.Context, string, string) (net.Conn, error) {
				ours, theirs := net.Pipe()
				c := &lossy{Conn: ours}
				conns = append(conns, c)
				ln.come <- theirs
				return c, nil
			}
			d := lit("webhook", "tank", now)
			for _, takes = range []time.Duration{0, 14 * time.Second} {
				out := w.Send(t.Context(), d)
				require.Equal(t, Delivered, out.Kind, "%v: %s", two, out.Note)
			}
			require.Len(t, conns, 1, "the control: it is used again")
			takes = 0
			conns[0].dead.Store(true)
			out := w.Send(t.Context(), d)
			require.Equal(t, Again, out.Kind, "the control: it is dead")
			assert.Contains(t, out.Note, "did not answer in time")
			d.Attempts++
			out = w.Send(t.Context(), d)
			assert.Equal(t, Delivered, out.Kind, "HTTP/2 %v: %s", two, out.Note)
			w.client.CloseIdleConnections()
			for _, c := range conns {
				c.Close()
			}
			require.NoError(t, srv.Close())
			require.ErrorIs(t, <-served, http.ErrServerClosed)
		})
	}
}
