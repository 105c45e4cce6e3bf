package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"lampward/cmd/lampward/config"
	"lampward/cmd/lampward/page"
	"lampward/rules"
	"lampward/store"
)

// A key that a power cut emptied, say, keeps no daemon from watching.
func TestDamagedLinkKey(t *testing.T) {
	dir, quiet := t.TempDir(), slog.New(slog.DiscardHandler)
	first, err := linkKey(dir, quiet)
	require.NoError(t, err)
	again, err := linkKey(dir, quiet)
	require.NoError(t, err)
	require.Equal(t, first, again)
	for _, damaged := range []string{"", "\n", "00", "no hexadecimal digits"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, linkKeyFile), []byte(damaged), 0o600))
		fresh, err := linkKey(dir, quiet)
		require.NoError(t, err)
		require.NotEqual(t, first, fresh)
		again, err = linkKey(dir, quiet)
		require.NoError(t, err)
		require.Equal(t, fresh, again)
	}
}

// stuckStore stores nothing while it is full.
type stuckStore struct {
	keeper
	full atomic.Bool
}

func (s *stuckStore) Append(ctx context.Context, recs []store.Record, sync bool) (int64, error) {
	if s.full.Load() {
		return 0, errDisk
	}
	return s.keeper.Append(ctx, recs, sync)
}

// Levels that could not be set, and were said not to be, are not set by the next
// start either.
func TestLevelsThatCannotBeStored(t *testing.T) {
	dir := t.TempDir()
	cfg, err := config.Parse("test.toml", fmt.Appendf(nil, "[broker]\nlisten = \"127.0.0.1:0\"\n[store]\ndir = %q\n[page]\nlisten = \"\"\n%s", dir, tankOnly))
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	var d *daemon
	var disk *stuckStore
	ready, done := make(chan addresses, 1), make(chan error, 1)
	go func() {
		done <- serve(ctx, cfg, serveOptions{log: slog.New(slog.DiscardHandler), ready: func(a addresses) { ready <- a },
			inside: func(made *daemon) { d, disk = made, &stuckStore{keeper: made.store}; made.store = disk }})
	}()
	<-ready
	src := &pageSource{d: d}
	set := func(on float64) error {
		_, err := src.setLevels(ctx, page.Action{Verb: page.Levels, Lamp: "tank", OnAbove: on, OffBelow: 400})
		return err
	}
	kept := func() float64 {
		levels, err := readLevels(dir)
		require.NoError(t, err)
		return levels["tank"].OnAbove
	}
	require.NoError(t, set(600))
	require.Equal(t, 600.0, kept())
	disk.full.Store(true)
	require.ErrorIs(t, set(700), errDisk)
	require.Equal(t, 600.0, kept())
	disk.full.Store(false)
	require.NoError(t, d.do(ctx, job{look: func(*rules.Machine) { d.mendAt = d.clock.Now() }})) // or it would take 2 s
	require.NoError(t, set(700))
	require.Equal(t, 700.0, kept())
	stop()
	require.NoError(t, <-done)
}
