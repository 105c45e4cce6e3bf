package store

import (
	"context"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

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

// From every version that ever was, to the next one that will be: a database
// with data in it comes up to date, and one whose migration fails half way is
// left at the version it had, with its data.
func TestMigrationFromEachVersion(t *testing.T) {
	ctx := context.Background()
	good := migration{"next.sql", "ALTER TABLE event ADD COLUMN colour TEXT NOT NULL DEFAULT 'none'; CREATE TABLE extra (x INTEGER);"}
	bad := migration{"half.sql", "CREATE TABLE early (x INTEGER); DELETE FROM event; INSERT INTO no_such_table VALUES (1);"}
	for from := 1; from <= len(migrations); from++ {
		dir := t.TempDir()
		s, err := open(ctx, Options{Dir: dir, Log: quiet()}, migrations[:from])
		require.NoError(t, err)
		if from == len(migrations) {
			appendAll(t, s, alert(day0, "tank", rules.Lit, "phone"))
		}
		require.NoError(t, s.Close())

		steps := append(append([]migration(nil), migrations...), bad)
		for range 2 {
			_, err = open(ctx, Options{Dir: dir, Log: quiet()}, steps)
			require.ErrorContains(t, err, "half.sql")
			require.ErrorContains(t, err, "still at version 1")
		}
		s = openTest(t, dir)
		golden, err := os.ReadFile(filepath.Join("testdata", "schema.golden"))
		require.NoError(t, err)
		require.Equal(t, string(golden), schemaOf(t, s), "nothing of the failed step is left")
		ev, err := s.Events(ctx, EventFilter{})
		require.NoError(t, err)
		require.Len(t, ev, 1)
		require.NoError(t, s.Close())

		steps[len(steps)-1] = good
		s, err = open(ctx, Options{Dir: dir, Log: quiet()}, steps)
		require.NoError(t, err)
		require.Contains(t, schemaOf(t, s), "colour")
		appendAll(t, s, alert(day0, "tank", rules.Dark, "phone"))
		require.NoError(t, s.Close())
		_, err = Open(ctx, Options{Dir: dir, Log: quiet()})
		require.ErrorIs(t, err, ErrNewer, "and the old program refuses it")
	}
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
