package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"embed"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// migration takes the schema from one version to the next.
type migration struct {
	name string
	sql  string
}

//go:embed sql/*.sql
var sqlFiles embed.FS

// migrations are in order: the first makes version 1 out of nothing.
var migrations = mustMigrations(sqlFiles)

func mustMigrations(files fs.FS) []migration {
	var ms []migration
	names, err := fs.Glob(files, "sql/*.sql") // sorted
	if err != nil {
		panic(err)
	}
	for i, n := range names {
		if want := fmt.Sprintf("sql/%04d.sql", i+1); n != want {
			panic("store: migration " + n + " where " + want + " should be")
		}
		text, err := fs.ReadFile(files, n)
		if err != nil {
			panic(err)
		}
		ms = append(ms, migration{n, string(text)})
	}
	return ms
}

// withdrawn is the version of a step that was taken back before a release: it added one
// column to the version before it, which nothing reads. Who ran such a version is not to
// be left with a database that no other one takes.
const withdrawn = 3

// hasWithdrawn finds that column.
const hasWithdrawn = "SELECT count(*) FROM pragma_table_info('outbox') WHERE name = 'had'"

// isWithdrawn tells whether the database at path, of that version by its header, is one.
func isWithdrawn(path string) bool {
	db, err := openReader(path, "mode=ro")
	if err != nil {
		return false
	}
	defer db.Close()
	var has int
	return db.QueryRow(hasWithdrawn).Scan(&has) == nil && has > 0
}

// takeBack makes the version before of a withdrawn one.
func (s *Store) takeBack(ctx context.Context) error {
	var has int
	if err := s.wdbQuery(ctx, hasWithdrawn, &has); err != nil || has == 0 {
		return err
	}
	return s.update(ctx, true, func(t *tx) error {
		for _, q := range []string{"ALTER TABLE outbox DROP COLUMN had", fmt.Sprintf("PRAGMA user_version=%d", withdrawn-1)} {
			if _, err := t.w.conn.ExecContext(ctx, q); err != nil {
				return err
			}
		}
		return nil
	})
}

// migrate brings the schema up to date, each step in a transaction of its own.
func (s *Store) migrate(ctx context.Context, steps []migration) error {
	var have int
	if err := s.wdbQuery(ctx, "PRAGMA user_version", &have); err != nil {
		return s.fail("open", err)
	}
	if have == withdrawn {
		err := s.takeBack(ctx)
		if err == nil {
			err = s.wdbQuery(ctx, "PRAGMA user_version", &have)
		}
		if err != nil {
			return s.fail("open", err)
		}
	}
	var pages, size int64
	if err := errors.Join(s.wdbQuery(ctx, "PRAGMA page_count", &pages), s.wdbQuery(ctx, "PRAGMA page_size", &size)); err != nil {
		return s.fail("open", err)
	}
	for v := have; v < len(steps); v++ {
		if pages*size > s.o.CheckLimit {
			s.o.Working(fmt.Sprintf("bringing the database from version %d to %d", v, v+1), pages*size)
		}
		// The statements end when ctx does: the step is rolled back then.
		err := s.update(ctx, true, func(t *tx) error {
			if _, err := t.w.conn.ExecContext(ctx, steps[v].sql); err != nil {
				return err
			}
			_, err := t.w.conn.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version=%d", v+1))
			return err
		})
		if err != nil {
			return s.fail(fmt.Sprintf("bring %s from version %d to %d (%s); it is still at version %d", s.path, v, v+1, steps[v].name, v), err)
		}
		if v > 0 {
			s.o.Log.Info("brought the database up to date", "path", s.path, "version", v+1)
		}
	}
	return nil
}

func newer(path string, have, know int) error {
	return &explained{ErrNewer, nil, fmt.Sprintf("store: open: %s was written by a newer lampward (database version %d; this one knows up to %d). Nothing was changed. Install the newer lampward again, or run \"lampward restore BACKUP\" with a backup made before the upgrade", path, have, know)}
}

// wdbQuery reads one value on the writing connection.
func (s *Store) wdbQuery(ctx context.Context, query string, to any) error {
	w := <-s.writer
	defer func() { s.writer <- w }()
	return w.conn.QueryRowContext(ctx, query).Scan(to)
}

// checkFile looks at the database file before SQLite does, which would make a
// new one out of an empty file. fresh: there is none.
func checkFile(op, path string, know int) (fresh bool, err error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		if wal, err := os.Stat(path + "-wal"); err == nil && wal.Size() > 0 {
			return false, damaged(op, path, "the file is gone, but its log "+filepath.Base(path)+"-wal is still there", nil)
		}
		return true, nil
	}
	if err != nil {
		return false, &explained{ErrReadOnly, err, fmt.Sprintf("store: %s: %v: check whom the file belongs to", op, err)}
	}
	defer f.Close()
	// Layout of the header: https://www.sqlite.org/fileformat2.html#the_database_header
	var head [100]byte
	n, err := io.ReadFull(f, head[:])
	switch {
	case n == 0:
		return false, damaged(op, path, "the file is empty", nil)
	case string(head[:min(n, 16)]) != "SQLite format 3\x00"[:min(n, 16)]:
		return false, damaged(op, path, "it is not a database (it does not begin as an SQLite file does)", nil)
	case err != nil:
		return false, damaged(op, path, fmt.Sprintf("the file ends after %d bytes", n), nil)
	}
	be := func(at int) int { return int(int32(binary.BigEndian.Uint32(head[at:]))) }
	if id := be(68); id != applicationID {
		return false, damaged(op, path, fmt.Sprintf("it is an SQLite database, but not one of lampward's (application id %#x)", id), nil)
	}
	if v := be(60); v > know && !(v == withdrawn && isWithdrawn(path)) {
		return false, newer(path, v, know)
	}
	// With a log beside it the file may be shorter than it will be.
	size := int64(binary.BigEndian.Uint16(head[16:]))
	if size == 1 {
		size = 1 << 16
	}
	info, err := f.Stat()
	if err != nil {
		return false, explain(op, path, err)
	}
	if _, err := os.Stat(path + "-wal"); errors.Is(err, fs.ErrNotExist) && info.Size() < int64(be(28))*size {
		return false, damaged(op, path, fmt.Sprintf("the file is cut short: it has %d bytes and says it has %d", info.Size(), int64(be(28))*size), nil)
	}
	return false, nil
}

// create makes a database beside path and moves it there when it is whole, so
// that a file at path is never a half-made one.
func create(ctx context.Context, o Options, path string, steps []migration) (err error) {
	making := path + ".new"
	if err := removeDB(making); err != nil {
		return explain("open", path, err)
	}
	defer func() {
		if err != nil {
			_ = removeDB(making)
			err = explain("make "+path, path, err)
		}
	}()
	c, err := o.Connector(dsn(making, pragmas(fmt.Sprintf("page_size(%d)", pageSize), "journal_mode(delete)", "synchronous(full)")...))
	if err != nil {
		return err
	}
	if err := fill(ctx, c, steps); err != nil {
		return err
	}
	if err := os.Chmod(making, 0o600); err != nil {
		return err
	}
	if err := os.Rename(making, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// fill writes the schema and the first rows into an empty database.
func fill(ctx context.Context, c driver.Connector, steps []migration) error {
	db := sql.OpenDB(c)
	defer db.Close()
	db.SetMaxOpenConns(1)
	t, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer t.Rollback()
	for _, m := range steps {
		if _, err := t.ExecContext(ctx, m.sql); err != nil {
			return fmt.Errorf("%s: %w", m.name, err)
		}
	}
	if _, err := t.ExecContext(ctx, "INSERT INTO identity (first, id) VALUES (0, ?)", newID()); err != nil {
		return err
	}
	for _, q := range []string{
		fmt.Sprintf("PRAGMA user_version=%d", len(steps)),
		fmt.Sprintf("PRAGMA application_id=%d", applicationID),
	} {
		if _, err := t.ExecContext(ctx, q); err != nil {
			return err
		}
	}
	return t.Commit()
}

// removeDB removes a database and the files SQLite keeps beside it.
func removeDB(path string) error {
	for _, p := range []string{path, path + "-wal", path + "-shm", path + "-journal"} {
		if err := os.Remove(p); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}
