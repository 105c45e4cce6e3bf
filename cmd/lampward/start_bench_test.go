package main

import (
	"context"
	"log/slog"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// BenchmarkStart starts the daemon, from reading its configuration until it is
// ready, and stops it: in turns
// with an empty store and one lamp, an empty store and 1,000 lamps, and 1,000
// lamps with a year of history. Each op is one start of each kind; only starts
// are timed. It reports the medians, their ratios, and the processor time.
//
//	go test ./cmd/lampward -run '^$' -bench Start -benchtime 50x
func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	fill(b, houseConfig(b, dir, 1000))
	kinds := []struct {
		name  string
		dir   func() string
		lamps int
		took  []time.Duration
		cpu   time.Duration
	}{
		{name: "one", dir: b.TempDir, lamps: 1},
		{name: "empty", dir: b.TempDir, lamps: 1000},
		{name: "year", dir: func() string { return dir }, lamps: 1000},
	}
	clock := &simClock{now: yearEnd}
	b.ResetTimer()
	for range b.N {
		clock.Advance(time.Minute) // later than what the start before has stored
		for i := range kinds {
			k := &kinds[i]
			took, cpu := startOnce(b, k.dir(), k.lamps, clock)
			k.took = append(k.took, took)
			k.cpu += cpu
		}
	}
	b.StopTimer()
	median := map[string]float64{}
	for _, k := range kinds {
		slices.Sort(k.took)
		median[k.name] = float64(k.took[len(k.took)/2])
		b.ReportMetric(median[k.name]/1e6, k.name+"-ms")
		b.ReportMetric(float64(k.cpu)/float64(b.N)/1e6, k.name+"-cpu-ms")
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(median["year"]/median["empty"], "year/empty")
	b.ReportMetric(median["year"]/median["one"], "year/one")
}

// startOnce tells how long a daemon took to be ready, and stops it.
func startOnce(b *testing.B, dir string, lamps int, clock *simClock) (took, cpu time.Duration) {
	ctx, stop := context.WithCancel(b.Context())
	ready, done := make(chan addresses, 1), make(chan error, 1)
	cpu = cpuTime()
	began := time.Now()
	cfg := houseConfig(b, dir, lamps)
	go func() {
		done <- serve(ctx, cfg, serveOptions{
			log: slog.New(slog.DiscardHandler), clock: clock, wall: clock.Wall,
			ready: func(a addresses) { ready <- a },
		})
	}()
	select {
	case <-ready:
	case err := <-done:
		b.Fatal(err)
	}
	took, cpu = time.Since(began), cpuTime()-cpu
	stop()
	require.NoError(b, <-done)
	return took, cpu
}
