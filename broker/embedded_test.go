package broker

import (
	"context"
	"errors"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// heard is a Sink that remembers.
type heard struct {
	mu      sync.Mutex
	msgs    []Message
	links   []Link
	ups     []bool
	reasons []string
	publish func(ctx context.Context, m Message) error // nil: accept
}

func (s *heard) Publish(ctx context.Context, m Message) error {
	if s.publish != nil {
		if err := s.publish(ctx, m); err != nil {
			return err
		}
	}
	m.Payload = append([]byte(nil), m.Payload...)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.msgs = append(s.msgs, m)
	return nil
}

func (s *heard) Link(_ context.Context, l Link) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.links = append(s.links, l)
}

func (s *heard) Uplink(_ context.Context, up bool, reason string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ups, s.reasons = append(s.ups, up), append(s.reasons, reason)
}

// news is what Uplink was told so far, and why.
func (s *heard) news() ([]bool, []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.ups), slices.Clone(s.reasons)
}

func (s *heard) upNews() []bool {
	ups, _ := s.news()
	return ups
}

func (s *heard) why(i int) string {
	_, reasons := s.news()
	return reasons[i]
}

func (s *heard) payloads() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var p []string
	for _, m := range s.msgs {
		p = append(p, string(m.Payload))
	}
	return p
}

func (s *heard) words() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var w []string
	for _, l := range s.links {
		w = append(w, l.Client+" "+l.Word)
	}
	return w
}

var errDiskFull = errors.New("disk full")

func TestRunListensAndStops(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	ready := make(chan net.Addr, 1)
	e, err := NewEmbedded(Options{Listen: "127.0.0.1:0", Ready: func(a net.Addr) { ready <- a }})
	require.NoError(t, err)
	done := make(chan error, 1)
	go func() { done <- e.Run(ctx, &heard{}) }()
	addr := <-ready
	require.Equal(t, addr, e.Addr())
	c, err := net.Dial("tcp", addr.String())
	require.NoError(t, err)
	defer c.Close()
	cancel()
	require.NoError(t, <-done)
	_ = c.SetReadDeadline(time.Now().Add(10 * time.Second))
	_, err = c.Read(make([]byte, 1))
	require.Error(t, err)
	require.ErrorContains(t, e.Run(context.Background(), &heard{}), "before")
}
