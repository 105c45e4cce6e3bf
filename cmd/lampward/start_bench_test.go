package main

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/cmd/lampward/config"
)

// BenchmarkStart starts the daemon until it is ready, and stops it, beside one
// another in one run: an empty store with one lamp, an empty store with 1,000
// lamps, and 1,000 lamps with a year of history. Only the start is timed.
// Compare by the ratios: x-empty is against an empty store with the same
// lamps, x-one against one with one lamp.
//
//	go test ./cmd/lampward -run '^$' -bench Start -benchtime 20x
func BenchmarkStart(b *testing.B) {
	full := houseConfig(b, b.TempDir(), 1000)
	fill(b, full)
	var one, empty float64
	b.Run("empty/lamps=1", func(b *testing.B) {
		one = startOften(b, func() *config.Config { return houseConfig(b, b.TempDir(), 1) })
	})
	b.Run("empty/lamps=1000", func(b *testing.B) {
		empty = startOften(b, func() *config.Config { return houseConfig(b, b.TempDir(), 1000) })
		b.ReportMetric(empty/one, "x-one")
	})
	b.Run("year/lamps=1000", func(b *testing.B) {
		year := startOften(b, func() *config.Config { return full })
		b.ReportMetric(year/one, "x-one")
		b.ReportMetric(year/empty, "x-empty")
	})
}

// startOften starts and stops b.N daemons and returns the mean time to ready,
// ns.
func startOften(b *testing.B, next func() *config.Config) float64 {
	clock := &simClock{now: yearEnd}
	b.ResetTimer()
	for range b.N {
		b.StopTimer()
		cfg := next()
		// Later than whatever the start before has stored.
		clock.Advance(time.Minute)
		ctx, stop := context.WithCancel(b.Context())
		ready, done := make(chan addresses, 1), make(chan error, 1)
		o := serveOptions{log: slog.New(slog.DiscardHandler), clock: clock, wall: clock.Wall, ready: func(a addresses) { ready <- a }}
		b.StartTimer()
		go func() { done <- serve(ctx, cfg, o) }()
		select {
		case <-ready:
		case err := <-done:
			b.Fatal(err)
		}
		b.StopTimer()
		stop()
		require.NoError(b, <-done)
		b.StartTimer()
	}
	b.StopTimer()
	return float64(b.Elapsed()) / float64(b.N)
}
