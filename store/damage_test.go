package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// filled makes a database with something in every table, closed.
func filled(t testing.TB) (dir string) {
	t.Helper()
	dir = t.TempDir()
	s := openTest(t, dir)
	fillYear(t, s, 2, day0, 12*24*time.Hour, 30*time.Minute, func(int, time.Time) float64 { return 500 })
	at := day0.Add(13 * 24 * time.Hour)
	appendAll(t, s, alert(at, "tank", rules.Lit, "phone"),
		Record{Input: rules.Input{At: at, Kind: rules.InAck, Lamp: "tank", By: "Ann"}})
	require.NoError(t, s.Close())
	return dir
}

func TestRefusesWhatIsNotADatabase(t *testing.T) {
	ctx := context.Background()
	for name, c := range map[string]struct {
		spoil func(t *testing.T, path string)
		is    error
		says  string
	}{
		"empty":        {func(t *testing.T, p string) { require.NoError(t, os.Truncate(p, 0)) }, ErrDamaged, "is empty"},
		"short header": {func(t *testing.T, p string) { require.NoError(t, os.Truncate(p, 50)) }, ErrDamaged, "ends after 50 bytes"},
		"text": {func(t *testing.T, p string) {
			require.NoError(t, os.WriteFile(p, []byte("hello, this is text\n"), 0o600))
		}, ErrDamaged, "not a database"},
		"half": {func(t *testing.T, p string) {
			info, err := os.Stat(p)
			require.NoError(t, err)
			require.NoError(t, os.Truncate(p, info.Size()/2))
		}, ErrDamaged, "damaged"},
		"gone but for its log": {func(t *testing.T, p string) {
			require.NoError(t, os.Remove(p))
			require.NoError(t, os.WriteFile(p+"-wal", []byte("something"), 0o600))
		}, ErrDamaged, "is gone"},
		"another program's": {func(t *testing.T, p string) {
			require.NoError(t, os.Remove(p))
			db, err := sql.Open("sqlite", p)
			require.NoError(t, err)
			_, err = db.Exec("CREATE TABLE cats (name TEXT)")
			require.NoError(t, err)
			require.NoError(t, db.Close())
		}, ErrDamaged, "not one of lampward's"},
		"newer": {func(t *testing.T, p string) {
			db, err := sql.Open("sqlite", p)
			require.NoError(t, err)
			_, err = db.Exec("PRAGMA user_version=99")
			require.NoError(t, err)
			require.NoError(t, db.Close())
		}, ErrNewer, "version 99"},
		"newer, still in its log": {func(t *testing.T, p string) {
			db, err := sql.Open("sqlite", "file:"+p+"?_pragma=journal_mode(wal)&_pragma=wal_autocheckpoint(0)")
			require.NoError(t, err)
			db.SetMaxOpenConns(1)
			_, err = db.Exec("PRAGMA user_version=99")
			require.NoError(t, err)
			for _, ext := range []string{"", "-wal"} { // as a crash leaves them
				body, err := os.ReadFile(p + ext)
				require.NoError(t, err)
				require.NoError(t, os.WriteFile(p+".copy"+ext, body, 0o600))
			}
			require.NoError(t, db.Close())
			for _, ext := range []string{"", "-wal"} {
				require.NoError(t, os.Rename(p+".copy"+ext, p+ext))
			}
		}, ErrNewer, "version 99"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filled(t)
			path := filepath.Join(dir, dbName)
			c.spoil(t, path)
			before, _ := os.ReadFile(path)
			for limit := range int64(2) {
				_, err := Open(ctx, Options{Dir: dir, Log: quiet(), CheckLimit: limit})
				require.ErrorIs(t, err, c.is)
				require.ErrorContains(t, err, c.says)
				require.ErrorContains(t, err, path, "which file")
				require.ErrorContains(t, err, "lampward restore BACKUP", "the way out")
			}
			after, _ := os.ReadFile(path)
			require.Equal(t, before, after, "nothing may be changed")
		})
	}
}

// One flipped byte anywhere in the file: Open refuses, or the reader concerned
// reports it, or everything reads as it was; in a database too large for Open
// to check as a whole, Check reports it. Never other data unnoticed.
func TestFlippedBytes(t *testing.T) {
	ctx := context.Background()
	dir := filled(t)
	path := filepath.Join(dir, dbName)
	sound, err := os.ReadFile(path)
	require.NoError(t, err)
	read := func(s *Store) (string, error) {
		var b strings.Builder
		err := s.Inputs(ctx, 0, func(seq int64, in rules.Input, ev [][]byte) error {
			b.WriteString(in.At.Format(timeText) + in.Lamp + in.Device + in.By + string(in.Kind))
			b.WriteString(time.Duration(in.Value).String())
			for _, e := range ev {
				b.Write(e)
			}
			return nil
		})
		return b.String(), err
	}
	s := openTest(t, dir)
	want, err := read(s)
	require.NoError(t, err)
	require.NoError(t, s.Close())
	r := rand.New(rand.NewPCG(1, 1))
	refused, reported, same, other := 0, 0, 0, 0
	for i := range max(50, rounds(150)) {
		bad := append([]byte(nil), sound...)
		bad[r.IntN(len(bad))] ^= byte(1 + r.IntN(255))
		spoilt := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(spoilt, dbName), bad, 0o600))
		s, err := Open(ctx, Options{Dir: spoilt, Log: quiet(), CheckLimit: int64(i % 2)}) // 1: only what decisions rest on
		if err != nil {
			require.True(t, isAny(err, ErrDamaged, ErrNewer), "%v", err)
			refused++
			continue
		}
		got, err := read(s)
		_, cerr := s.Check(ctx)
		switch {
		case err != nil:
			require.ErrorIs(t, err, ErrDamaged)
			reported++
		case got == want:
			same++
		case cerr != nil && i%2 == 1:
			other++ // an old row is lost, that Open did not look at: Check tells
		default:
			t.Errorf("wrong data, and nothing noticed")
		}
		require.NoError(t, s.Close())
	}
	t.Logf("flips: %d refused at open, %d reported by the reader, %d changed no input, %d changed one and were found by Check", refused, reported, same, other)
	require.Positive(t, refused)
	require.Positive(t, reported)
}

// Of a large database Open leaves the snapshot's tree to LoadSnapshot, which must
// not hand over rows of a damaged one, even where each row by itself reads well;
// of a small one Open looks itself.
func TestSnapshotTreeDamage(t *testing.T) {
	ctx := context.Background()
	dir := filled(t)
	s := openTest(t, dir)
	require.NoError(t, s.SaveSnapshot(ctx, 1, func(fn func(Part) error) error {
		for i := range 300 {
			if err := fn(Part{Key: fmt.Sprint("lamp/", i), Data: bytes.Repeat([]byte{byte(i)}, 5473)}); err != nil {
				return err
			}
		}
		return nil
	}))
	require.NoError(t, s.Close())
	sound, err := os.ReadFile(filepath.Join(dir, dbName))
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(2, 2))
	reported, onlyTree := 0, 0
	for range max(60, rounds(100)) {
		bad := bytes.Clone(sound)
		// the head of a page, where the tree is; 4096 is SQLite's page size
		bad[r.IntN(len(bad)/4096)*4096+r.IntN(16)] ^= byte(1 + r.IntN(255))
		spoilt := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(spoilt, dbName), bad, 0o600))
		whole, wholeErr := Open(ctx, Options{Dir: spoilt, Log: quiet(), CheckLimit: -1})
		if wholeErr == nil {
			_, _, wholeErr = snapshotOf(whole)
			require.NoError(t, whole.Close())
		}
		s, err := Open(ctx, Options{Dir: spoilt, Log: quiet(), CheckLimit: 1})
		if err != nil {
			require.Error(t, wholeErr)
			continue
		}
		tree := s.view(ctx, func(r *reader) error { return integrity(r, "PRAGMA quick_check(snapshot)") })
		rows := s.view(ctx, func(r *reader) error {
			return r.each("SELECT id, part, body, sum FROM snapshot ORDER BY id", nil, func(row scan) error {
				var id, sum int64
				var key string
				var body []byte
				if err := row(&id, &key, &body, &sum); err != nil || int64(sumOf(id, body)) != sum {
					return errors.Join(err, ErrDamaged)
				}
				return nil
			})
		})
		_, _, err = snapshotOf(s)
		switch {
		case tree != nil || rows != nil:
			require.ErrorIs(t, err, ErrDamaged)
			require.ErrorIs(t, wholeErr, ErrDamaged, "looked at once is enough")
			reported++
			if rows == nil {
				onlyTree++
			}
		default:
			require.NoError(t, err)
		}
		require.NoError(t, s.Close())
	}
	t.Logf("%d reported, %d of them by the tree alone", reported, onlyTree)
	require.Positive(t, reported)
	require.Positive(t, onlyTree)
}

// A start has the snapshot checked once, whoever does it; who reads it again
// later, after a failed write, has it checked again.
func TestSnapshotIsCheckedOnce(t *testing.T) {
	dir := filled(t)
	for limit, want := range map[int64][]string{
		-1: {"PRAGMA quick_check(20)"},
		1:  {"PRAGMA quick_check(snapshot)"},
	} {
		f := &faultConnector{}
		s, err := Open(context.Background(), Options{Dir: dir, Log: quiet(), CheckLimit: limit, Connector: f.wrap})
		require.NoError(t, err)
		looks := func() (out []string) {
			_, _, err := snapshotOf(s)
			require.NoError(t, err)
			for _, q := range f.asked {
				if q == "PRAGMA quick_check(20)" || strings.Contains(q, "check(snapshot)") {
					out = append(out, q)
				}
			}
			return out
		}
		require.Equal(t, want, looks())
		require.Equal(t, append(want, "PRAGMA quick_check(snapshot)"), looks())
		require.NoError(t, s.Close())
	}
}

// A backup of a damaged database is refused with the way out, and leaves the backup that
// was there before alone: it may be the last that is sound.
func TestBackupOfADamagedDatabase(t *testing.T) {
	ctx := context.Background()
	dir := filled(t)
	s := openTest(t, dir)
	to := filepath.Join(t.TempDir(), "cellar.bak")
	require.NoError(t, s.Backup(ctx, to))
	sound, err := os.ReadFile(to)
	require.NoError(t, err)
	require.NoError(t, s.update(ctx, false, func(tx *tx) error {
		_, err := tx.exec("UPDATE chunk SET body = zeroblob(9) WHERE id = (SELECT max(id) FROM chunk)")
		return err
	}))
	err = s.Backup(ctx, to)
	require.ErrorIs(t, err, ErrDamaged)
	for _, part := range []string{"table chunk", to + " was left as it was", filepath.Join(dir, dbName) + " is damaged itself", "lampward restore -check BACKUP"} {
		require.ErrorContains(t, err, part)
	}
	require.NotContains(t, err.Error(), ".new-", "the name of a file that is gone")
	kept, err := os.ReadFile(to)
	require.NoError(t, err)
	require.True(t, bytes.Equal(sound, kept))
	require.NoError(t, s.Close())
	_, err = Restore(ctx, to, dir)
	require.NoError(t, err, "the way out")
}

func TestTraceLeavesOutDamagedHistory(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, filled(t))
	whole, err := s.Trace(ctx, "lamp1", day0, day0.Add(24*time.Hour), 1000)
	require.NoError(t, err)
	require.NoError(t, s.update(ctx, false, func(tx *tx) error {
		_, err := tx.exec("UPDATE chunk SET body = zeroblob(9) WHERE id = (SELECT id FROM chunk WHERE id >= ? AND id & ? = ? LIMIT 1)",
			(day0.UnixMilli()/hourMS+5)<<seriesBits, maxSeries, tx.st.series[seriesKey{"reading", "lamp1", "lamp1", ""}])
		return err
	}))
	holed, err := s.Trace(ctx, "lamp1", day0, day0.Add(24*time.Hour), 1000)
	require.NoError(t, err)
	require.Len(t, holed, len(whole)-2, "an hour of two readings is missing")
	_, err = s.Check(ctx)
	require.ErrorIs(t, err, ErrDamaged)
	require.ErrorContains(t, err, "table chunk")
	require.ErrorIs(t, s.Inputs(ctx, 0, func(int64, rules.Input, [][]byte) error { return nil }), ErrDamaged, "replay must not skip")
}

// An alert whose text was damaged still goes out, and hides no other.
func TestDamagedEvent(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	appendAll(t, s, alert(day0, "tank", rules.Lit, "phone"), alert(day0, "salt", rules.Dark, "phone"))
	require.NoError(t, s.update(ctx, false, func(tx *tx) error {
		_, err := tx.exec("UPDATE event SET body = replace(body, 'tank', 'tnak') WHERE id = 1")
		return err
	}))
	due, _, err := s.Due(ctx, day0, 10, nil)
	require.NoError(t, err)
	require.Equal(t, []string{"phone lamp/tank lit", "phone lamp/salt dark"}, lines(due))
	require.Equal(t, "lit tank (details lost)", due[0].Event.Text)
	require.Equal(t, "tank", due[0].Event.Lamp)
	require.True(t, day0.Equal(due[0].Event.At))
	ev, err := s.Events(ctx, EventFilter{})
	require.NoError(t, err)
	require.Len(t, ev, 2)
	require.Equal(t, due[0].Event, ev[1].Event)
	_, err = s.Check(ctx)
	require.ErrorContains(t, err, "row 1 of table event")
}

func TestBackupAndRestore(t *testing.T) {
	ctx := context.Background()
	dir := filled(t)
	s := openTest(t, dir)
	id := s.ID()
	to := filepath.Join(t.TempDir(), "backup.db")

	// Online: appends go on while it is made.
	stop, done := make(chan struct{}), make(chan error, 1)
	go func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			if _, err := s.Append(ctx, []Record{alert(day0.Add(20*24*time.Hour+time.Duration(i)*time.Second), "tank", rules.Lit, "phone")}, false); err != nil {
				done <- err
				return
			}
		}
	}()
	require.NoError(t, s.Backup(ctx, to))
	rep, err := Backup(ctx, dir, to)
	require.NoError(t, err, "from another process, over an older backup")
	close(stop)
	require.NoError(t, <-done)
	told := rep
	rep, err = Check(ctx, to)
	require.NoError(t, err)
	require.Equal(t, rep, told)
	require.Equal(t, id, rep.ID)
	require.Equal(t, len(migrations), rep.Version)
	require.Positive(t, rep.LastSeq)
	require.Positive(t, rep.Chunks)
	require.Positive(t, rep.Inputs)
	require.GreaterOrEqual(t, rep.Pending, int64(1))
	entries, err := os.ReadDir(filepath.Dir(to))
	require.NoError(t, err)
	require.Len(t, entries, 1, "nothing beside the backup")

	// Not over what is not a backup.
	text := filepath.Join(t.TempDir(), "letter.txt")
	require.NoError(t, os.WriteFile(text, []byte("dear Ann, it is about the cellar"), 0o600))
	require.ErrorContains(t, s.Backup(ctx, text), "not a backup")
	require.ErrorContains(t, s.Backup(ctx, filepath.Join(dir, dbName)), "the database itself")
	require.ErrorContains(t, s.Backup(ctx, filepath.Join(dir, ".", "..", filepath.Base(dir), dbName)), "the database itself")
	require.Error(t, s.Backup(ctx, filepath.Join(t.TempDir(), "no", "such", "folder")))
	_, err = Backup(ctx, t.TempDir(), to)
	require.ErrorIs(t, err, ErrNotFound)

	// Restore needs the folder to itself, and a sound backup.
	_, err = Restore(ctx, to, dir)
	require.ErrorIs(t, err, ErrLocked)
	require.NoError(t, s.Close())
	spoilt := filepath.Join(t.TempDir(), "spoilt.db")
	body, err := os.ReadFile(to)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(spoilt, body[:len(body)*3/4], 0o600))
	_, err = Restore(ctx, spoilt, dir)
	require.ErrorIs(t, err, ErrDamaged)

	// A damaged database is kept beside the restored one.
	path := filepath.Join(dir, dbName)
	require.NoError(t, os.Truncate(path, 5000))
	_, err = Open(ctx, Options{Dir: dir, Log: quiet()})
	require.ErrorIs(t, err, ErrDamaged)
	aside, err := Restore(ctx, to, dir)
	require.NoError(t, err)
	require.Equal(t, path+".old-1", aside)
	info, err := os.Stat(aside)
	require.NoError(t, err)
	require.EqualValues(t, 5000, info.Size())
	s = openTest(t, dir)
	require.Equal(t, rep.LastSeq, s.LastSeq())
	require.NotEqual(t, id, s.ID(), "a new id for what comes now")
	old, err := s.Events(ctx, EventFilter{Limit: 1})
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(old[0].ID, id+"-"), "and the old one for what was")
	appendAll(t, s, alert(day0.Add(30*24*time.Hour), "tank", rules.Dark, "phone"))
	ev, err := s.Events(ctx, EventFilter{Limit: 2})
	require.NoError(t, err)
	require.Equal(t, EventID(s.ID(), ev[0].Row), ev[0].ID)
	require.Equal(t, old[0].ID, ev[1].ID)
	e, err := s.Event(ctx, old[0].ID)
	require.NoError(t, err)
	require.Equal(t, old[0], e)
	require.NoError(t, s.Close())

	// Into a new folder; twice.
	fresh := filepath.Join(t.TempDir(), "new")
	aside, err = Restore(ctx, to, fresh)
	require.NoError(t, err)
	require.Empty(t, aside)
	aside, err = Restore(ctx, to, dir)
	require.NoError(t, err)
	require.Equal(t, path+".old-2", aside)
	openTest(t, fresh)
}

func TestLock(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s := openTest(t, dir)
	_, err := Open(ctx, Options{Dir: dir, Log: quiet()})
	require.ErrorIs(t, err, ErrLocked)
	require.ErrorContains(t, err, "process ")
	require.ErrorContains(t, err, "[store] dir")
	appendAll(t, s, reading(day0, "tank", 1)) // the holder is not harmed
	require.NoError(t, s.Close())
	openTest(t, dir)
}

func TestSize(t *testing.T) {
	s := openTest(t, filled(t))
	appendAll(t, s, reading(day0.Add(100*24*time.Hour), "tank", 1))
	z, err := s.Size(context.Background())
	require.NoError(t, err)
	require.Positive(t, z.DB)
	require.Positive(t, z.WAL)
	require.Equal(t, s.LastSeq(), z.LastSeq)
}
