//go:build unix

package store

import (
	"context"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// asked is a context that calls look when SQLite is about to run a statement.
type asked struct {
	context.Context
	look func()
}

func (a asked) Done() <-chan struct{} { a.look(); return a.Context.Done() }

// A backup is never, not even while it is being written, open to other users of
// the machine. SQLite makes files as the umask lets it, and keeps the mode of
// one that is there.
func TestBackupIsPrivateFromTheStart(t *testing.T) {
	old := unix.Umask(0)
	defer unix.Umask(old)
	s := openTest(t, "")
	appendAll(t, s, reading(day0, "tank", 1))
	path := filepath.Join(t.TempDir(), "backup")
	var first os.FileMode
	written := false
	var mu sync.Mutex // database/sql waits for Done in a goroutine of its own too
	ctx := asked{context.Background(), func() {
		mu.Lock()
		defer mu.Unlock()
		making, _ := filepath.Glob(path + ".new-*")
		if len(making) == 0 {
			return
		}
		info, err := os.Stat(making[0])
		if err == nil && !written && info.Size() == 0 {
			first = info.Mode().Perm()
		}
		written = written || err == nil && info.Size() > 0
	}}
	require.NoError(t, s.Backup(ctx, path))
	mu.Lock()
	require.True(t, written)
	require.Equal(t, os.FileMode(0o600), first, "the mode before the first byte")
	mu.Unlock()
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	// The control: what SQLite would do by itself.
	bare := path + ".bare"
	_, err = s.rdb.Exec("VACUUM INTO ?", bare)
	require.NoError(t, err)
	info, err = os.Stat(bare)
	require.NoError(t, err)
	require.NotZero(t, info.Mode().Perm()&0o044, "readable by others")
}
