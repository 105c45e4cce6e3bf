//go:build unix

package main

import (
	"context"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/store"
)

// Root restores for a daemon that is not root.
func TestRestoreKeepsTheOwner(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
	dir, from := t.TempDir(), t.TempDir()
	st, err := store.Open(context.Background(), store.Options{Dir: from})
	require.NoError(t, err)
	bak := filepath.Join(t.TempDir(), "b")
	require.NoError(t, st.Backup(context.Background(), bak))
	require.NoError(t, st.Close())
	require.NoError(t, os.Chown(dir, 12345, 12346))
	_, err = restore(context.Background(), bak, dir)
	require.NoError(t, err)
	list, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, f := range list {
		info, err := f.Info()
		require.NoError(t, err)
		assert.EqualValues(t, 12345, info.Sys().(*syscall.Stat_t).Uid, f.Name())
	}
}

// What is kept beside the database is restored before a daemon may start on it.
func TestRestoreKeepsTheDaemonOut(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	st, err := store.Open(ctx, store.Options{Dir: dir})
	require.NoError(t, err)
	bak := filepath.Join(t.TempDir(), "b")
	require.NoError(t, st.Backup(ctx, bak))
	require.NoError(t, st.Close())
	require.NoError(t, syscall.Mkfifo(bak+"."+levelsFile, 0o600))
	done := make(chan error)
	go func() {
		_, err := restore(ctx, bak, dir)
		done <- err
	}()
	w, err := os.OpenFile(bak+"."+levelsFile, os.O_WRONLY, 0) // waits until it is read
	require.NoError(t, err)
	_, err = store.Open(ctx, store.Options{Dir: dir})
	assert.ErrorIs(t, err, store.ErrLocked)
	_, err = w.WriteString("{}")
	require.NoError(t, err)
	require.NoError(t, w.Close())
	require.NoError(t, <-done)
	levels, err := os.ReadFile(filepath.Join(dir, levelsFile))
	require.NoError(t, err)
	assert.Equal(t, "{}", string(levels))
}
