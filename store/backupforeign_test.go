package store

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"modernc.org/sqlite"
)

// A backup touches no file but its own, whatever the names of those beside it.
func TestBackupLeavesOthersAlone(t *testing.T) {
	s := openTest(t, "")
	appendAll(t, s, reading(day0, "tank", 1))
	path := filepath.Join(t.TempDir(), "backup")
	var there []string
	for _, ext := range []string{".new", ".new-wal", ".new-journal"} {
		require.NoError(t, os.WriteFile(path+ext, []byte("someone's letters"), 0o600))
		there = append(there, filepath.Base(path)+ext)
	}
	names := func() (out []string) {
		list, err := os.ReadDir(filepath.Dir(path))
		require.NoError(t, err)
		for _, f := range list {
			out = append(out, f.Name())
		}
		return out
	}
	require.NoError(t, s.Backup(context.Background(), path))
	require.ElementsMatch(t, append(there, filepath.Base(path)), names())

	// A log beside it would be taken for that of the new one.
	log := filepath.Join(t.TempDir(), "copied-wal")
	require.NoError(t, copyFile(path, strings.TrimSuffix(log, "-wal")))
	require.NoError(t, os.WriteFile(log, []byte("of another database"), 0o600))
	require.ErrorContains(t, s.Backup(context.Background(), strings.TrimSuffix(log, "-wal")), "copied-wal")

	// One that fails leaves nothing.
	require.NoError(t, s.Close())
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := Backup(gone, filepath.Dir(s.path), filepath.Join(filepath.Dir(path), "other"))
	require.Error(t, err)
	require.ElementsMatch(t, append(there, filepath.Base(path)), names())
}

// A disk without room is that of the backup; what is damaged is the database.
func TestBackupNamesTheRightDisk(t *testing.T) {
	const from, to = "/var/lib/lampward/lampward.db", "/media/usb/lampward.bak"
	c, err := sqlite.NewConnector(dsn(filepath.Join(t.TempDir(), "small.db"), pragmas("max_page_count(2)")...))
	require.NoError(t, err)
	db := sql.OpenDB(c)
	defer db.Close()
	_, full := db.Exec("CREATE TABLE t (x); INSERT INTO t VALUES (zeroblob(100000))")
	require.Error(t, full)
	err = explainCopy(from, to, full)
	require.ErrorIs(t, err, ErrDiskFull)
	require.ErrorContains(t, err, "the disk that holds "+to+" is full")
	require.NotContains(t, err.Error(), from)

	err = explainCopy(from, to, &integrityError{"a page is lost"})
	require.ErrorIs(t, err, ErrDamaged)
	require.ErrorContains(t, err, from+" is damaged")
}
