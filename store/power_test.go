package store

import (
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"lampward/store/faultfs"
)

// cutPower appends to a Store on a faulty disk, cuts the power at random
// moments, and counts the cuts after which an acknowledged record was missing.
// lie says what is wrong with the disk: nothing, "disk" or "sync".
func cutPower(t *testing.T, seed uint64, lie string) (cuts, lost int) {
	t.Helper()
	ctx := context.Background()
	r := rand.New(rand.NewPCG(seed, 11))
	disk, err := faultfs.New()
	require.NoError(t, err)
	o := Options{Dir: t.TempDir(), Log: quiet(), Connector: disk.Connector, SyncFile: disk.SyncFile}
	if lie == "sync" {
		o.SyncFile = func(string) error { return nil }
	}
	s, err := Open(ctx, o)
	require.NoError(t, err)
	defer s.Close()
	if lie == "disk" {
		disk.Lie()
	}
	h := newHistory(seed)
	durable := 0 // records that must survive
	for i := range max(40, rounds(120)) {
		sync := r.IntN(5) == 0
		_, err := s.Append(ctx, h.batch(), sync)
		require.NoError(t, err)
		if sync {
			durable = len(h.recs)
		} else if r.IntN(5) == 0 {
			require.NoError(t, s.Sync(ctx))
			durable = len(h.recs)
		}
		switch r.IntN(12) {
		case 0:
			require.NoError(t, s.SaveSnapshot(ctx, s.LastSeq(), partsOf(Part{Key: "machine", Data: make([]byte, r.IntN(9000))})))
		case 1:
			require.NoError(t, s.Prune(ctx, h.now))
		case 2:
			if due, _, err := s.Due(ctx, h.now, 5, nil); err == nil {
				for _, d := range due {
					require.NoError(t, s.Sent(ctx, d.ID, h.now, "ok"))
					durable = len(h.recs) // it syncs
				}
			}
		case 3: // the log is folded into the database
			w, err := s.takeWriter(ctx)
			require.NoError(t, err)
			_, err = w.conn.ExecContext(ctx, "PRAGMA wal_checkpoint(RESTART)")
			s.writer <- w
			require.NoError(t, err)
		}
		if i%4 != 3 {
			continue
		}
		cuts++
		dir := t.TempDir()
		require.NoError(t, disk.PowerCut(dir, r))
		after, err := Open(ctx, Options{Dir: dir, Log: quiet(), CheckLimit: -1})
		if lie != "" {
			if err != nil {
				lost++
				continue
			}
			if after.LastSeq() < int64(durable) {
				lost++
			}
			require.NoError(t, after.Close())
			continue
		}
		require.NoError(t, err, "seed %d, cut %d", seed, cuts)
		got := after.LastSeq()
		if got < int64(durable) {
			lost++
		}
		require.LessOrEqual(t, got, int64(len(h.recs)))
		(&history{recs: h.recs[:got]}).check(t, after, 0)
		_, err = after.Check(ctx)
		require.NoError(t, err)
		require.NoError(t, after.Close())
	}
	return cuts, lost
}

func TestPowerCut(t *testing.T) {
	all := 0
	for seed := range uint64(rounds(6)) {
		cuts, lost := cutPower(t, seed, "")
		require.Zero(t, lost, "seed %d", seed)
		all += cuts
	}
	t.Logf("%d power cuts, nothing acknowledged as durable was lost", all)
}

// Controls: a disk that lies about syncs, and a Sync that does nothing, are
// found out.
func TestPowerCutControl(t *testing.T) {
	for _, lie := range []string{"disk", "sync"} {
		cuts, lost := cutPower(t, 1, lie)
		require.Positive(t, lost, lie)
		t.Logf("with a lying %s: %d of %d cuts lost something", lie, lost, cuts)
	}
}

// Every single write, sync and truncation fails once: Append says so, stores
// nothing of it, and the Store goes on when the disk is well again.
func TestFailingDisk(t *testing.T) {
	ctx := context.Background()
	for _, fault := range []faultfs.Fault{faultfs.IOError, faultfs.Full, faultfs.Torn} {
		failed := 0
		disk, err := faultfs.New()
		require.NoError(t, err)
		dir := t.TempDir()
		o := Options{Dir: dir, Log: quiet(), Connector: disk.Connector, SyncFile: disk.SyncFile}
		s, err := Open(ctx, o)
		require.NoError(t, err)
		h := newHistory(uint64(fault))
		r := rand.New(rand.NewPCG(uint64(fault), 3))
		for i := range max(60, rounds(200)) {
			before := len(h.recs)
			batch := h.batch()
			disk.Fail([]faultfs.Op{faultfs.Write, faultfs.Sync}[r.IntN(2)], r.IntN(6), 1+r.IntN(4), fault)
			_, err := s.Append(ctx, batch, r.IntN(2) == 0)
			if err != nil {
				failed++
				if fault == faultfs.Full && !errors.Is(err, ErrDiskFull) {
					require.ErrorContains(t, err, "I/O") // its sync failed
				}
				require.EqualValues(t, before, s.LastSeq())
				h.recs = h.recs[:before]
			}
			disk.Heal()
			switch i % 20 {
			case 7:
				disk.Fail(faultfs.Write, r.IntN(20), 1, fault)
				_ = s.Prune(ctx, h.now)
				disk.Heal()
			case 13:
				h.check(t, s, 0)
			case 19:
				require.NoError(t, s.Close())
				s, err = Open(ctx, o)
				require.NoError(t, err)
			}
		}
		h.check(t, s, 0)
		_, err = s.Check(ctx)
		require.NoError(t, err)
		require.NoError(t, s.Close())
		require.Greater(t, failed, 5)
		require.Positive(t, disk.Stats().Faults)
	}
}

func TestDiskFull(t *testing.T) {
	ctx := context.Background()
	disk, err := faultfs.New()
	require.NoError(t, err)
	dir := t.TempDir()
	o := Options{Dir: dir, Log: quiet(), Connector: disk.Connector, SyncFile: disk.SyncFile}
	s, err := Open(ctx, o)
	require.NoError(t, err)
	h := newHistory(5)
	appendAll(t, s, h.batch()...)
	disk.Room(200_000)
	var full error
	for full == nil {
		before := len(h.recs)
		if _, full = s.Append(ctx, h.batch(), true); full != nil {
			h.recs = h.recs[:before]
		}
	}
	require.ErrorIs(t, full, ErrDiskFull)
	require.ErrorContains(t, full, "free some space")
	require.ErrorContains(t, full, dir)
	h.check(t, s, 0) // reading goes on
	_, _, err = s.Due(ctx, h.now, 10, nil)
	require.NoError(t, err)
	for range 5 { // and it is the same error each time, with no harm done
		_, err := s.Append(ctx, []Record{reading(h.now, "tank", 1)}, true)
		if err == nil {
			h.recs = append(h.recs, reading(h.now, "tank", 1))
			continue
		}
		require.ErrorIs(t, err, ErrDiskFull)
	}
	// Restarted while full: it opens, for that writes next to nothing.
	require.NoError(t, s.Close())
	disk.Room(20_000)
	s, err = Open(ctx, o)
	require.NoError(t, err)
	h.check(t, s, 0)
	disk.Room(-1)
	appendAll(t, s, h.batch()...)
	h.check(t, s, 0)
	_, err = s.Check(ctx)
	require.NoError(t, err)
	require.NoError(t, s.Close())
}

func TestFolderThatCannotBeWritten(t *testing.T) {
	ctx := context.Background()
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	_, err := Open(ctx, Options{Dir: filepath.Join(file, "data"), Log: quiet()})
	require.ErrorIs(t, err, ErrReadOnly)
	require.ErrorContains(t, err, "[store] dir")
	if os.Getuid() != 0 {
		dir := filled(t)
		require.NoError(t, os.Chmod(dir, 0o500))
		defer os.Chmod(dir, 0o700)
		_, err = Open(ctx, Options{Dir: dir, Log: quiet()})
		require.ErrorIs(t, err, ErrReadOnly)
		require.ErrorContains(t, err, dir)
		return
	}
	// Root may write anywhere: a child of no rights tries instead.
	base, err := os.MkdirTemp("", "lampward")
	require.NoError(t, err)
	defer os.RemoveAll(base)
	dir, program := filepath.Join(base, "data"), filepath.Join(base, "test")
	require.NoError(t, os.Rename(filled(t), dir))
	require.NoError(t, copyFile(os.Args[0], program))
	for _, p := range []string{base, dir, program} {
		require.NoError(t, os.Chmod(p, 0o755))
	}
	said, err := openAsNobody(program, dir)
	require.NoError(t, err)
	require.Contains(t, said, "error store: open: ")
	require.Contains(t, said, "permission denied")
	require.Contains(t, said, "belongs to the user lampward runs as")
	require.Contains(t, said, dir)
}
