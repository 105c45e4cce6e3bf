package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"time"
)

// HeartbeatOptions describes a heartbeat: a request to an outside watcher in
// regular intervals. The watcher raises the alarm when it stays away, which
// tells of what lampward itself cannot: that its machine, its power or its
// network is down.
type HeartbeatOptions struct {
	// URL is requested with GET. Only its scheme and host are ever shown.
	URL string
	// Every is the interval; 0: 5 minutes. Let the watcher wait for three.
	Every time.Duration
	// Healthy is asked before each beat; an error holds the beat back. nil:
	// always healthy.
	Healthy func() error
	// Timeout is the limit of one request; 0: 15 s.
	Timeout time.Duration
	TLS     *tls.Config  // as of a webhook
	Log     *slog.Logger // takes a line when beats begin to fail or to work; nil: none
}

// Heartbeat sends beats; see NewHeartbeat.
type Heartbeat struct {
	o    HeartbeatOptions
	hook *Webhook
}

// NewHeartbeat checks the options; call Run.
func NewHeartbeat(o HeartbeatOptions) (*Heartbeat, error) {
	if o.Every <= 0 {
		o.Every = 5 * time.Minute
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	w, err := NewWebhook(WebhookOptions{Name: "heartbeat", URL: o.URL, Method: http.MethodGet, Timeout: o.Timeout, TLS: o.TLS})
	if err != nil {
		return nil, err
	}
	return &Heartbeat{o: o, hook: w}, nil
}

// Run beats at once and then in each interval, until ctx ends.
func (h *Heartbeat) Run(ctx context.Context) error {
	t := time.NewTicker(h.o.Every)
	defer t.Stop()
	var failing error
	for {
		err := h.beat(ctx)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil && failing == nil:
			h.o.Log.Warn("the heartbeat does not get through", "error", err)
		case err == nil && failing != nil:
			h.o.Log.Info("the heartbeat gets through again")
		}
		failing = err
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.C:
		}
	}
}

func (h *Heartbeat) beat(ctx context.Context) error {
	if h.o.Healthy != nil {
		if err := h.o.Healthy(); err != nil {
			return fmt.Errorf("held back: %w", err)
		}
	}
	req, err := h.hook.bare(ctx, h.hook.url, nil)
	if err != nil {
		return errors.New(h.hook.clean(err.Error()))
	}
	if o := h.hook.exchange(req, h.hook.o.Timeout); o.Kind != Delivered {
		return fmt.Errorf("%s: %s", h.hook.url.Host, o.Note)
	}
	return nil
}
