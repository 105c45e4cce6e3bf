package main

import (
	"bufio"
	"context"
	"io"
	"log/slog"
	"net"
	"net/http"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/cmd/lampward/page"
)

// nothing is a daemon without lamps.
type nothing struct{ page.Source }

func (nothing) Status(context.Context, ...string) (page.Status, error) { return page.Status{}, nil }

// Who asks and takes no answer is hung up on, for else a stranger could hold
// all connections that the page has, for good.
func TestPageHangsUpOnWhoDoesNotRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		conns := make(chan net.Conn, 2)
		p, err := page.New(page.Options{Source: nothing{}, Log: slog.New(slog.DiscardHandler)})
		require.NoError(t, err)
		m := http.NewServeMux()
		m.Handle("/live", p.Handler())
		m.HandleFunc("/{$}", func(w http.ResponseWriter, r *http.Request) { _, _ = io.WriteString(w, "answer") })
		m.HandleFunc("/slow", func(w http.ResponseWriter, r *http.Request) {
			time.Sleep(time.Minute) // as a test message may take
			_, _ = io.WriteString(w, "answer")
		})
		srv := newPageHTTP(m)
		l := limitConns(chanListener(conns), 10, 10, nil)
		done := make(chan error, 1)
		go func() { done <- srv.Serve(l) }()
		ask := func(path string) net.Conn {
			ours, theirs := net.Pipe() // holds nothing: a write waits for its reader
			conns <- fromConn{theirs, "192.0.2.1:1"}
			_, err := io.WriteString(ours, "GET "+path+" HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
			require.NoError(t, err)
			return ours
		}
		deaf, patient := ask("/"), ask("/slow")
		all, err := io.ReadAll(patient)
		require.NoError(t, err)
		assert.Contains(t, string(all), "answer", "the control: who reads is answered, however long it takes")
		viewer := ask("/live?view=glance")
		in := bufio.NewScanner(viewer)
		beats := 0
		for beats < 60 && in.Scan() {
			if in.Text() == "event: beat" { // every 10 s
				beats++
			}
		}
		require.Equal(t, 60, beats, "the control: a stream goes on")
		synctest.Wait()
		l.mu.Lock()
		open := l.open
		l.mu.Unlock()
		assert.Equal(t, 1, open, "connections held: that of the viewer alone")
		_, _ = deaf.Close(), viewer.Close()
		conns <- nil
		<-done
		_ = srv.Close()
	})
}
