package main

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// Who looks at the trace sees the newest reading, also where readings are
// acknowledged, and stored, later.
func TestTraceHasNewestReading(t *testing.T) {
	h := newHarness(t, harnessConfig+"\n[store]\nearly_ack = true\nflush = \"1m\"\n")
	src := &pageSource{d: h.d}
	ctx, stop := context.WithCancel(t.Context())
	looped := make(chan error, 1)
	go func() { looped <- h.d.loop(ctx) }()
	defer func() { stop(); <-looped }()
	at := h.clock.Now()
	for n := range 3 {
		require.NoError(t, h.d.do(ctx, job{}, rules.Input{Kind: rules.InReading, Lamp: "freezer", Device: "freezer", Value: float64(n)}))
		points, err := src.Trace(ctx, "freezer", at, at.Add(time.Hour), 100)
		require.NoError(t, err)
		require.Len(t, points, n+1)
		require.EqualValues(t, n, points[n].Mean)
	}
}
