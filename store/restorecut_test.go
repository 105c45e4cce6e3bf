package store

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A restore that was cut short after the old database was moved aside must not
// end in a new, empty one.
func TestRestoreCutShort(t *testing.T) {
	ctx := context.Background()
	dir, backup := t.TempDir(), filepath.Join(t.TempDir(), "backup")
	s, err := Open(ctx, Options{Dir: dir, Log: quiet()})
	require.NoError(t, err)
	appendAll(t, s, reading(day0, "tank", 1))
	require.NoError(t, s.Backup(ctx, backup))
	require.NoError(t, s.Close())

	path := filepath.Join(dir, dbName)
	aside, err := moveAside(path) // and here the power fails
	require.NoError(t, err)
	_, err = Open(ctx, Options{Dir: dir, Log: quiet()})
	require.ErrorIs(t, err, ErrDamaged)
	require.ErrorContains(t, err, "lampward restore")
	_, err = os.Stat(path)
	require.ErrorIs(t, err, os.ErrNotExist)

	_, err = Restore(ctx, backup, dir)
	require.NoError(t, err)
	require.FileExists(t, aside)
	require.EqualValues(t, 1, openTest(t, dir).LastSeq())
}

// A copy of the folder of a running daemon is restored whole: what stands in the
// log beside the database, too.
func TestRestoreFromFolder(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	appendAll(t, s, reading(day0, "tank", 1), reading(day0.Add(time.Minute), "tank", 2))
	copied := filepath.Join(t.TempDir(), dbName)
	for _, ext := range []string{"", "-wal"} {
		require.NoError(t, copyFile(s.path+ext, copied+ext))
	}
	rep, err := Check(ctx, copied)
	require.NoError(t, err)
	require.EqualValues(t, 2, rep.LastSeq)
	dir := t.TempDir()
	_, err = Restore(ctx, copied, dir)
	require.NoError(t, err)
	require.EqualValues(t, 2, openTest(t, dir).LastSeq())
}
