package notify

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestHeartbeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		var beats []time.Duration
		var log bytes.Buffer
		h, err := NewHeartbeat(HeartbeatOptions{
			URL: "http://watch.test/beat/k3y-k3y-k3y-k3y", Every: time.Minute,
			Log: slog.New(slog.NewTextHandler(&log, nil)),
			Healthy: func() error {
				if m := time.Since(start); m >= 3*time.Minute && m < 6*time.Minute {
					return errors.New("the store does not answer")
				}
				return nil
			},
		})
		require.NoError(t, err)
		tr := h.hook.client.Transport.(*http.Transport)
		tr.Proxy = nil
		tr.DialContext = func(context.Context, string, string) (net.Conn, error) {
			ours, theirs := net.Pipe()
			go func() {
				defer theirs.Close()
				if _, err := readRequest(theirs); err != nil {
					return
				}
				at := time.Since(start)
				if at >= 7*time.Minute && at < 9*time.Minute {
					_, _ = io.WriteString(theirs, "HTTP/1.1 500 Oops\r\nContent-Length: 27\r\nConnection: close\r\n\r\nno check k3y-k3y-k3y-k3y\n.\n")
					return
				}
				beats = append(beats, at/time.Minute)
				_, _ = io.WriteString(theirs, "HTTP/1.1 200 OK\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
			}()
			return ours, nil
		}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute+time.Second)
		defer cancel()
		require.ErrorIs(t, h.Run(ctx), context.DeadlineExceeded)
		assert.Equal(t, []time.Duration{0, 1, 2, 6, 9, 10}, beats)
		assert.Equal(t, 4, strings.Count(log.String(), "\n"), "told once when it begins and once when it is over")
		assert.Contains(t, log.String(), "the store does not answer")
		assert.Contains(t, log.String(), "watch.test: 500 Internal Server Error: no check [secret] .")
		assert.NotContains(t, log.String(), "k3y")
	})
	_, err := NewHeartbeat(HeartbeatOptions{URL: "nonsense"})
	require.Error(t, err)
}
