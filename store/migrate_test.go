package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/require"
	"modernc.org/sqlite"

	"lampward/rules"
)

var update = flag.Bool("update", false, "write the golden files anew")

func schemaOf(t *testing.T, s *Store) string {
	t.Helper()
	var b strings.Builder
	require.NoError(t, s.view(context.Background(), func(r *reader) error {
		return r.each("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY type DESC, name", nil, func(row scan) error {
			var text string
			err := row(&text)
			b.WriteString(text + ";\n")
			return err
		})
	}))
	return b.String()
}

// The schema that all migrations come to. A change here needs a new migration,
// never an edit of an old one once it was released.
func TestGoldenSchema(t *testing.T) {
	got := schemaOf(t, openTest(t, ""))
	path := filepath.Join("testdata", "schema.golden")
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}

// From every version that ever was, by a database that a lampward of then wrote,
// to the next one that will be: it comes up to date, and one whose migration
// fails half way is left at the version it had, with its data.
func TestMigrationFromEachVersion(t *testing.T) {
	ctx := context.Background()
	good := migration{"next.sql", "ALTER TABLE event ADD COLUMN colour TEXT NOT NULL DEFAULT 'none'; CREATE TABLE extra (x INTEGER);"}
	bad := migration{"half.sql", "CREATE TABLE early (x INTEGER); DELETE FROM event; INSERT INTO no_such_table VALUES (1);"}
	golden, err := os.ReadFile(filepath.Join("testdata", "schema.golden"))
	require.NoError(t, err)
	for from := 1; from <= len(migrations); from++ {
		dir := oldDatabase(t, from)
		next := append(append([]migration(nil), migrations[:from]...), bad)
		for range 2 {
			_, err = open(ctx, Options{Dir: dir, Log: quiet()}, next)
			require.ErrorContains(t, err, "half.sql")
			require.ErrorContains(t, err, fmt.Sprintf("still at version %d", from))
		}
		steps := append(append([]migration(nil), migrations...), bad)
		_, err = open(ctx, Options{Dir: dir, Log: quiet()}, steps)
		require.ErrorContains(t, err, fmt.Sprintf("still at version %d", len(migrations)))
		s := openTest(t, dir)
		require.Equal(t, string(golden), schemaOf(t, s), "nothing of the failed step is left")
		ev, err := s.Events(ctx, EventFilter{})
		require.NoError(t, err)
		require.Len(t, ev, 4)
		require.NoError(t, s.Close())

		steps[len(steps)-1] = good
		s, err = open(ctx, Options{Dir: dir, Log: quiet()}, steps)
		require.NoError(t, err)
		require.Contains(t, schemaOf(t, s), "colour")
		appendAll(t, s, alert(day0.Add(24*time.Hour), "tank", rules.Dark, "phone"))
		require.NoError(t, s.Close())
		_, err = Open(ctx, Options{Dir: dir, Log: quiet()})
		require.ErrorIs(t, err, ErrNewer, "and the old program refuses it")
		require.ErrorContains(t, err, "Install the newer lampward again")
	}
}

// oldDatabase returns a folder with a database of a version, as the last
// lampward of that version wrote it.
func oldDatabase(t *testing.T, version int) (dir string) {
	b, err := os.ReadFile(filepath.Join("testdata", fmt.Sprintf("version%d.db", version)))
	require.NoError(t, err, "a version needs a database in testdata")
	dir = t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, dbName), b, 0o600))
	return dir
}

// What a lampward of version 1 left is owed as before: what was tried then may
// have arrived, and is never part of another message; the rest may be.
func TestFromVersion1(t *testing.T) {
	ctx := context.Background()
	dir := oldDatabase(t, 1)
	rep, err := Check(ctx, filepath.Join(dir, dbName))
	require.NoError(t, err, "a backup of then can be restored")
	require.Equal(t, 1, rep.Version)
	s := openTest(t, dir)
	rep, err = s.Check(ctx)
	require.NoError(t, err)
	require.Equal(t, Report{ID: s.ID(), Version: len(migrations), LastSeq: 104, Inputs: 0, Chunks: 2, Events: 4, Pending: 6, Dead: 1}, rep)
	readings := 0
	require.NoError(t, s.Inputs(ctx, 0, func(int64, rules.Input, [][]byte) error { readings++; return nil }))
	require.Equal(t, 104, readings)
	seq, parts, err := snapshotOf(s)
	require.NoError(t, err)
	require.EqualValues(t, 104, seq)
	require.Equal(t, []Part{{Key: "machine", Data: []byte("learned")}}, parts)

	at := day0.Add(3 * time.Hour)
	due, _, err := s.Due(ctx, at, 10, []string{"phone"})
	require.NoError(t, err)
	require.Equal(t, []string{"phone lamp/tank lit", "phone lamp/salt lit"}, lines(due))
	require.Equal(t, []int64{rules.Alone, 0}, []int64{due[0].Fold, due[1].Fold})
	require.Equal(t, []int{1, 0}, []int{due[0].Attempts, due[1].Attempts})
	line, err := s.Line(ctx, due[0].ID, at, 10)
	require.NoError(t, err)
	require.Empty(t, line)
	require.NoError(t, s.Sent(ctx, due[0].ID, at, "204"))
	due, _, err = s.Due(ctx, at, 10, []string{"phone"})
	require.NoError(t, err)
	line, err = s.Line(ctx, due[0].ID, at, 10)
	require.NoError(t, err)
	require.Equal(t, []string{"phone lamp/tank dark", "phone lamp/tank lit"}, lines(line))
	require.NoError(t, s.Close())

	_, err = open(ctx, Options{Dir: dir, Log: quiet()}, migrations[:1])
	require.ErrorIs(t, err, ErrNewer)
	require.ErrorContains(t, err, fmt.Sprintf("database version %d; this one knows up to 1", len(migrations)))
}

// A version that added a column, and was taken back: its database is brought back, with
// all that is in it; one of the next version, which may well have that number, is not.
func TestWithdrawnVersion(t *testing.T) {
	ctx := context.Background()
	dir := oldDatabase(t, withdrawn-1)
	file := filepath.Join(dir, dbName)
	alter := func(statements string) {
		c, err := sqlite.NewConnector(dsn(file))
		require.NoError(t, err)
		db := sql.OpenDB(c)
		_, err = db.Exec(statements)
		require.NoError(t, err)
		require.NoError(t, db.Close())
	}
	alter("ALTER TABLE outbox ADD COLUMN had TEXT NOT NULL DEFAULT ''; PRAGMA user_version=3")
	rep, err := Check(ctx, file)
	require.NoError(t, err, "a backup of then can be restored")
	require.NotZero(t, rep.Pending)
	bak := filepath.Join(t.TempDir(), "bak")
	made, err := Backup(ctx, dir, bak)
	require.NoError(t, err)
	require.Equal(t, rep, made)
	other := t.TempDir()
	_, err = Restore(ctx, bak, other)
	require.NoError(t, err)
	golden, err := os.ReadFile(filepath.Join("testdata", "schema.golden"))
	require.NoError(t, err)
	for _, dir := range []string{dir, other} {
		for range 2 {
			s := openTest(t, dir)
			require.Equal(t, string(golden), schemaOf(t, s))
			now, err := s.Check(ctx)
			require.NoError(t, err)
			require.Equal(t, len(migrations), now.Version)
			require.Equal(t, rep.Pending, now.Pending)
			require.NoError(t, s.Close())
		}
	}
	alter("ALTER TABLE outbox ADD COLUMN colour TEXT NOT NULL DEFAULT ''; PRAGMA user_version=3")
	_, err = Open(ctx, Options{Dir: dir, Log: quiet()})
	require.ErrorIs(t, err, ErrNewer)
	_, err = Check(ctx, file)
	require.ErrorIs(t, err, ErrNewer)
}

func TestMigrationFilesAreNumbered(t *testing.T) {
	ok := &fstest.MapFile{Data: []byte("SELECT 1;")}
	require.Len(t, mustMigrations(fstest.MapFS{"sql/0001.sql": ok, "sql/0002.sql": ok}), 2)
	require.Panics(t, func() { mustMigrations(fstest.MapFS{"sql/0001.sql": ok, "sql/0003.sql": ok}) })
}

// A creation cut short leaves no half-made database behind.
func TestCreationCutShort(t *testing.T) {
	dir := t.TempDir()
	broken := []migration{{"broken.sql", migrations[0].sql + "; SELECT * FROM nothing;"}}
	_, err := open(context.Background(), Options{Dir: dir, Log: quiet()}, broken)
	require.ErrorContains(t, err, "broken.sql")
	require.NoFileExists(t, filepath.Join(dir, dbName))
	// What a killed process would have left is no obstacle.
	require.NoError(t, os.WriteFile(filepath.Join(dir, dbName+".new"), []byte("half"), 0o600))
	openTest(t, dir)
}

// Open tells of each step that may take long before it is begun, and of none in
// a small database. One that is told to stop, before a step or in the middle of
// it, has changed nothing.
func TestOpenTellsWhatTakesLong(t *testing.T) {
	dir := filled(t)
	path := filepath.Join(dir, dbName)
	next := append(append([]migration(nil), migrations...), migration{"next.sql", "SELECT test_now(); CREATE TABLE extra (x INTEGER);"})
	check, raise := "checking the database", fmt.Sprintf("bringing the database from version %d to %d", len(migrations), len(next))
	var tables []string
	for _, table := range decisive {
		tables = append(tables, check+": "+table)
	}
	info, err := os.Stat(path)
	require.NoError(t, err)
	var told []string
	try := func(steps []migration, limit int64, on string, do func()) error {
		told = nil
		s, err := open(t.Context(), Options{Dir: dir, Log: quiet(), CheckLimit: limit, Working: func(doing string, bytes int64) {
			told = append(told, doing)
			if doing == check || doing == raise {
				require.Equal(t, info.Size(), bytes)
			}
			if doing == on {
				do()
			}
		}}, steps)
		if err == nil {
			require.NoError(t, s.Close())
		}
		return err
	}
	require.NoError(t, try(migrations, 0, "", nil))
	require.Empty(t, told)
	require.NoError(t, try(migrations, 1, "", nil))
	require.Equal(t, tables, told)
	require.NoError(t, try(migrations, -1, "", nil))
	require.Equal(t, []string{check}, told)

	before, err := os.ReadFile(path)
	require.NoError(t, err)
	stopped := func(limit int64, steps []migration, on string) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		testNow = func() {}
		if on == "in the middle" {
			testNow = cancel
		}
		_, err := open(ctx, Options{Dir: dir, Log: quiet(), CheckLimit: limit, Working: func(doing string, _ int64) {
			if doing == on {
				cancel()
			}
		}}, steps)
		require.ErrorIs(t, err, context.Canceled, on)
		after, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, before, after, on)
	}
	stopped(-1, migrations, check)
	stopped(1, migrations, tables[3])
	stopped(1, next, check)
	stopped(1, next, raise)
	endless := append(append([]migration(nil), migrations...), migration{"endless.sql",
		"CREATE TABLE extra (x INTEGER); SELECT test_now(); WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x FROM n) SELECT count(*) FROM n;"})
	stopped(1, endless, "in the middle")

	testNow = func() {}
	version := -1
	require.NoError(t, try(next, 1, raise, func() {
		db, err := openReader(path, "mode=ro")
		require.NoError(t, err)
		require.NoError(t, db.QueryRow("PRAGMA user_version").Scan(&version))
		require.NoError(t, db.Close())
	}))
	require.Equal(t, []string{check, raise}, told)
	require.Equal(t, len(migrations), version, "told before it is done")
	require.NoError(t, try(next, 0, "", nil))
}

// testNow is called by the function test_now of SQL.
var testNow = func() {}

func init() {
	sqlite.MustRegisterScalarFunction("test_now", 0, func(*sqlite.FunctionContext, []driver.Value) (driver.Value, error) {
		testNow()
		return int64(0), nil
	})
}
