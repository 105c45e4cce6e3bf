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
	aside, err := moveAside(path, os.Rename) // and here the power fails
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

// A database is no backup of itself, whatever it is called: it stays where it is.
func TestRestoreOntoItself(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s, err := Open(ctx, Options{Dir: dir, Log: quiet()})
	require.NoError(t, err)
	appendAll(t, s, reading(day0, "tank", 1))
	require.NoError(t, s.Close())
	hard := filepath.Join(t.TempDir(), "hard")
	require.NoError(t, os.Link(filepath.Join(dir, dbName), hard))
	for _, path := range []string{filepath.Join(dir, dbName), hard} {
		before, err := os.ReadDir(dir)
		require.NoError(t, err)
		_, err = Restore(ctx, path, dir)
		require.ErrorContains(t, err, "is the database itself")
		after, err := os.ReadDir(dir)
		require.NoError(t, err)
		require.Len(t, after, len(before), "nothing was moved aside")
	}
	require.EqualValues(t, 1, openTest(t, dir).LastSeq())
}

// Wherever a restore is cut short, the old database is never opened without its
// log, and the next restore puts both aside together.
func TestRestoreCutBetweenFiles(t *testing.T) {
	ctx := context.Background()
	backup := filepath.Join(t.TempDir(), "backup")
	s := openTest(t, "")
	appendAll(t, s, reading(day0, "tank", 1))
	require.NoError(t, s.Backup(ctx, backup))
	appendAll(t, s, reading(day0.Add(time.Minute), "tank", 2), reading(day0.Add(2*time.Minute), "tank", 3))
	whole := 0
	for cut := 0; whole == 0; cut++ {
		dir := t.TempDir()
		path := filepath.Join(dir, dbName)
		for _, ext := range []string{"", "-wal"} { // as a killed daemon leaves them
			require.NoError(t, copyFile(s.path+ext, path+ext))
		}
		n := 0
		_, err := moveAside(path, func(from, to string) error {
			if n++; n > cut {
				return os.ErrPermission
			}
			return os.Rename(from, to)
		})
		switch {
		case err == nil:
			whole = n
		case cut == 0:
			require.EqualValues(t, 3, openTest(t, dir).LastSeq(), "nothing happened")
			continue
		}
		_, err = Open(ctx, Options{Dir: dir, Log: quiet()})
		require.ErrorIs(t, err, ErrDamaged, cut)
		require.ErrorContains(t, err, "lampward restore")

		_, err = Restore(ctx, backup, dir)
		require.NoError(t, err)
		old := t.TempDir()
		for _, ext := range []string{"", "-wal"} {
			require.NoError(t, copyFile(path+".old-1"+ext, filepath.Join(old, dbName)+ext), cut)
		}
		require.EqualValues(t, 3, openTest(t, old).LastSeq(), cut)
		require.EqualValues(t, 1, openTest(t, dir).LastSeq())
		require.Empty(t, setAside(path, moving))
	}
	require.GreaterOrEqual(t, whole, 3)
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
