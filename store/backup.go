package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"modernc.org/sqlite"
)

// Backup writes a copy of the database, as of one moment, to the file at
// path, while the Store is in use. The copy is checked before it takes the
// place of an older backup at path; any other file there is left alone. A kill in
// the middle may leave another file beside it, whose name begins alike.
func (s *Store) Backup(ctx context.Context, path string) error {
	s.mu.RLock()
	closed := s.closed
	s.mu.RUnlock()
	if closed {
		return s.fail("backup", ErrClosed)
	}
	_, err := backup(ctx, s.rdb, s.path, path)
	return err
}

// Backup writes a copy of the database in dir to the file at path, as
// Store.Backup does. It may be called while another process, such as the
// daemon, has the database open. It returns what is in the copy.
func Backup(ctx context.Context, dir, path string) (Report, error) {
	from := filepath.Join(dir, dbName)
	if fresh, err := checkFile("backup", from, len(migrations)); err != nil {
		return Report{}, err
	} else if fresh {
		return Report{}, fmt.Errorf("store: backup: there is no database at %s: %w", from, ErrNotFound)
	}
	db, err := openReader(from, "mode=ro")
	if err != nil {
		return Report{}, explain("backup", from, err)
	}
	defer db.Close()
	return backup(ctx, db, from, path)
}

func openReader(path string, params ...string) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	c, err := sqlite.NewConnector(dsn(abs, append(pragmas("busy_timeout(5000)"), params...)...))
	if err != nil {
		return nil, err
	}
	db := sql.OpenDB(c)
	db.SetMaxOpenConns(1)
	return db, nil
}

func backup(ctx context.Context, db *sql.DB, from, path string) (rep Report, err error) {
	path, err = filepath.Abs(path)
	if err != nil {
		return rep, fmt.Errorf("store: backup: %w", err)
	}
	if same(from, path) {
		return rep, fmt.Errorf("store: backup: %s is the database itself: name another file", path)
	}
	if _, err := os.Lstat(path); err == nil {
		if fresh, err := checkFile("backup", path, math.MaxInt32); err != nil || fresh {
			return rep, fmt.Errorf("store: backup: %s exists and is not a backup of lampward's: name another file", path)
		}
	}
	if _, err := os.Lstat(path + "-wal"); err == nil {
		return rep, fmt.Errorf("store: backup: beside %s is %s-wal, the log of another database, perhaps one in use: name another file", path, filepath.Base(path))
	}
	// SQLite would make a file that others may read; one that is there, and empty,
	// keeps its mode, 0600.
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".new-*")
	if err != nil {
		return rep, explain("backup", path, err)
	}
	making := f.Name()
	defer func() {
		if err != nil {
			_ = removeDB(making)
		}
	}()
	if err := f.Close(); err != nil {
		return rep, explain("backup", path, err)
	}
	// VACUUM INTO reads in one transaction, and leaves out free pages.
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", making); err != nil {
		return rep, explainCopy(from, path, err)
	}
	if rep, err = Check(ctx, making); err != nil {
		if errors.Is(err, ErrDamaged) {
			what := whatIsDamaged(err)
			if what == "" {
				what = err.Error()
			}
			return rep, &explained{ErrDamaged, err, fmt.Sprintf("store: backup: the copy is damaged, so %s was left as it was: %s. Most likely %s is damaged itself: stop lampward, and run \"lampward restore BACKUP\" with the newest backup that is sound (\"lampward restore -check BACKUP\" tells). Else the disk of the backup is bad: name a file on another one", path, what, from)}
		}
		return rep, fmt.Errorf("store: backup: the copy cannot be checked: %w", err)
	}
	if err := syncFile(making); err != nil {
		return rep, explain("backup", path, err)
	}
	if err := os.Rename(making, path); err != nil {
		return rep, explain("backup", path, err)
	}
	if err := syncDir(filepath.Dir(path)); err != nil {
		return rep, explain("backup", path, err)
	}
	return rep, nil
}

// explainCopy explains why from could not be copied to path. The disk that has no room
// is that of the copy: from is only read.
func explainCopy(from, path string, err error) error {
	var se *sqlite.Error
	if errors.As(err, &se) && se.Code()&0xff == codeFull {
		return explain("backup", path, err)
	}
	return explain("backup to "+path, from, err)
}

func same(a, b string) bool {
	if a == b {
		return true
	}
	x, err1 := os.Stat(a)
	y, err2 := os.Stat(b)
	return err1 == nil && err2 == nil && os.SameFile(x, y)
}

// Report is what Check found in a sound database.
type Report struct {
	ID      string // the database's id; empty: it is of an older version, and only Version is known besides
	Version int    // of its schema
	LastSeq int64
	Inputs  int64 // other than packed ones
	Chunks  int64
	Events  int64
	Pending int64 // deliveries not yet made
	Dead    int64 // deliveries given up
}

// Check reads the whole database file at path, a backup say, and reports what
// is in it, or an error that says what is wrong with it (ErrDamaged,
// ErrNewer). It changes nothing. A database in use is better checked with
// Store.Check.
func Check(ctx context.Context, path string) (Report, error) {
	var rep Report
	fresh, err := checkFile(opCheck, path, len(migrations))
	if err != nil {
		return rep, err
	}
	if fresh {
		return rep, fmt.Errorf("store: %s: there is no database at %s: %w", opCheck, path, ErrNotFound)
	}
	params := []string{"mode=ro"}
	if _, err := os.Stat(path + "-wal"); errors.Is(err, fs.ErrNotExist) {
		// Nobody writes to it: it may be on a disk that is read-only.
		params = append(params, "immutable=1")
	}
	db, err := openReader(path, params...)
	if err != nil {
		return rep, explain(opCheck, path, err)
	}
	defer db.Close()
	rep, err = check(ctx, db)
	return rep, explain(opCheck, path, err)
}

// Check reads the whole database, while it is in use, and reports what is in
// it, or an error that says what is wrong.
func (s *Store) Check(ctx context.Context) (Report, error) {
	s.mu.RLock()
	closed := s.closed
	s.mu.RUnlock()
	if closed {
		return Report{}, s.fail("check", ErrClosed)
	}
	rep, err := check(ctx, s.rdb)
	if err != nil {
		return rep, s.fail("check", err)
	}
	return rep, nil
}

func check(ctx context.Context, db *sql.DB) (Report, error) {
	var rep Report
	t, err := db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return rep, err
	}
	defer t.Rollback()
	r := &reader{ctx, t}
	if err := integrity(r, "PRAGMA integrity_check(20)"); err != nil {
		return rep, err
	}
	if err := r.one("PRAGMA user_version", nil, &rep.Version); err != nil {
		return rep, err
	}
	if rep.Version < len(migrations) {
		return rep, nil // its tables are not those known here
	}
	st, err := loadState(r)
	if err != nil {
		return rep, err
	}
	rep.ID, rep.LastSeq = st.ids[len(st.ids)-1].id, st.seq
	for query, to := range map[string]*int64{
		"SELECT count(*) FROM input":                  &rep.Inputs,
		"SELECT count(*) FROM chunk":                  &rep.Chunks,
		"SELECT count(*) FROM event":                  &rep.Events,
		"SELECT count(*) FROM outbox WHERE state = 0": &rep.Pending,
		"SELECT count(*) FROM outbox WHERE state = 2": &rep.Dead,
	} {
		if err := r.one(query, nil, to); err != nil {
			return rep, err
		}
	}
	return rep, checkSums(r)
}

// checkSums verifies what SQLite cannot: that contents are as written.
func checkSums(r *reader) error {
	for _, q := range []struct{ table, query string }{
		{"input", "SELECT seq, body, sum FROM input"},
		{"event", "SELECT id, body, sum FROM event"},
		{"snapshot", "SELECT id, body, sum FROM snapshot"},
	} {
		err := r.each(q.query, nil, func(row scan) error {
			var id, sum int64
			var body sql.RawBytes
			if err := row(&id, &body, &sum); err != nil {
				return err
			}
			if int64(sumOf(id, body)) != sum {
				return damagedRow(q.table, id, errSum.Error())
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	for _, q := range []struct{ table, query string }{
		{"batch", "SELECT seq, body FROM batch"},
		{"chunk", "SELECT id, body FROM chunk"},
		{"rollup1", "SELECT id, body FROM rollup1"},
		{"rollup2", "SELECT id, body FROM rollup2"},
		{"rollup3", "SELECT id, body FROM rollup3"},
	} {
		err := r.each(q.query, nil, func(row scan) error {
			var id int64
			var body sql.RawBytes
			if err := row(&id, &body); err != nil {
				return err
			}
			if _, err := unseal(id, body); err != nil {
				return damagedRow(q.table, id, err.Error())
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// integrity runs one of SQLite's checks.
func integrity(r *reader, pragma string) error {
	said := ""
	err := r.each(pragma, nil, func(row scan) error {
		var line string
		err := row(&line)
		if line != "ok" && said == "" {
			said = line
		}
		return err
	})
	if err != nil {
		return err
	}
	if said != "" {
		return &integrityError{said}
	}
	return nil
}

type integrityError struct{ said string }

func (e *integrityError) Error() string        { return e.said }
func (e *integrityError) Is(target error) bool { return target == ErrDamaged }

// decisive are the tables that Open always checks: decisions rest on them. So
// they do on the snapshot, which is as large as all these and which LoadSnapshot
// checks while it reads it, unless Open just checked the whole.
var decisive = []string{"meta", "identity", "clock", "series", "name", "batch", "input", "outbox"}

// checkOpen refuses a damaged database, and one of a newer version than know.
func (s *Store) checkOpen(ctx context.Context, know int) error {
	err := s.view(ctx, func(r *reader) error {
		var pages, size, version int64
		if err := errors.Join(r.one("PRAGMA page_count", nil, &pages), r.one("PRAGMA page_size", nil, &size),
			r.one("PRAGMA user_version", nil, &version)); err != nil {
			return err
		}
		var has int64
		if version == withdrawn {
			if err := r.one(hasWithdrawn, nil, &has); err != nil {
				return err
			}
		}
		if version > int64(know) && has == 0 { // as the log has it; checkFile saw the file's
			return newer(s.path, int(version), know)
		}
		large := pages*size > s.o.CheckLimit
		if s.o.CheckLimit < 0 || !large || version < int64(know) {
			if large {
				s.o.Working("checking the database", pages*size)
			}
			if err := integrity(r, "PRAGMA quick_check(20)"); err != nil {
				return err
			}
			s.snapshotSound.Store(true)
			return nil
		}
		for _, table := range decisive {
			s.o.Working("checking the database: "+table, 0)
			if err := integrity(r, "PRAGMA quick_check("+table+")"); err != nil {
				return err
			}
		}
		return nil
	})
	if errors.Is(err, ErrNewer) {
		return err
	}
	return s.fail("open", err)
}

// Restore puts the backup at path in the place of the database in dir. The
// backup is checked first, and a database already in dir is moved aside, not
// deleted: aside is its new name, empty if there was none. No daemon may be
// running on dir. Events stored from then on carry a new database id, for the
// backup counts up from an older number. Of each name in beside, the file path.NAME
// is then put into dir as NAME, before a daemon may start; where there is none, what
// dir has stays.
func Restore(ctx context.Context, path, dir string, beside ...string) (aside string, err error) {
	if _, err := Check(ctx, path); err != nil {
		return "", err
	}
	dir, err = filepath.Abs(dir)
	if err != nil {
		return "", fmt.Errorf("store: restore: %w", err)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", fmt.Errorf("store: restore: %w", err)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return "", err
	}
	defer lock.release()
	to := filepath.Join(dir, dbName)
	if same(path, to) {
		return "", fmt.Errorf("store: restore: %s is the database itself", path)
	}
	making := to + ".new"
	if err := removeDB(making); err != nil {
		return "", explain("restore", to, err)
	}
	defer func() {
		if err != nil {
			_ = removeDB(making)
		}
	}()
	if err := copyFile(path, making); err != nil {
		return "", explain("restore", to, err)
	}
	// A copy of a daemon's folder has its newest part in the log; newIdentity, which
	// leaves none, folds it in.
	if err := copyFile(path+"-wal", making+"-wal"); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", explain("restore", to, err)
	}
	if err := newIdentity(ctx, making); err != nil {
		return "", explain("restore", to, err)
	}
	if err := syncFile(making); err != nil {
		return "", explain("restore", to, err)
	}
	if aside, err = moveAside(to, os.Rename); err != nil {
		return "", explain("restore", to, err)
	}
	if err := os.Rename(making, to); err != nil {
		return aside, explain("restore", to, err)
	}
	if err := syncDir(dir); err != nil {
		return aside, explain("restore", to, err)
	}
	for _, name := range beside {
		if _, err := CopyPrivate(path+"."+name, filepath.Join(dir, name)); err != nil {
			return aside, fmt.Errorf("store: restore: the database is restored, but not %s beside it: %w", name, err)
		}
	}
	return aside, nil
}

// newIdentity gives a restored database an id for its events to come.
func newIdentity(ctx context.Context, path string) error {
	c, err := sqlite.NewConnector(dsn(path, pragmas("journal_mode(delete)", "synchronous(full)")...))
	if err != nil {
		return err
	}
	db := sql.OpenDB(c)
	defer db.Close()
	db.SetMaxOpenConns(1)
	_, err = db.ExecContext(ctx, `INSERT OR REPLACE INTO identity (first, id) VALUES (
		1 + max(coalesce((SELECT max(id) FROM event), 0), coalesce((SELECT value FROM meta WHERE name = 'event_row'), 0)), ?)`, newID())
	if err != nil {
		return err
	}
	return db.Close()
}

// setAside names a database that moveAside put beside path, with an ending that is
// so; empty: none.
func setAside(path, ending string) string {
	list, _ := os.ReadDir(filepath.Dir(path)) // if it cannot be read, making a new database fails too
	for _, f := range list {
		if strings.HasPrefix(f.Name(), filepath.Base(path)+".old-") && strings.HasSuffix(f.Name(), ending) {
			return f.Name()
		}
	}
	return ""
}

// moving ends the name of a database that is being moved aside: the files that
// belong to it have not all followed yet.
const moving = ".moving"

// moveAside renames a database and the files that belong to it, the log too, without which
// its newest part is lost. Cut short, it leaves no database that could be opened
// without them, and is brought to its end by the next one.
func moveAside(path string, rename func(from, to string) error) (aside string, err error) {
	beside := []string{"-wal", "-shm", "-journal"}
	there := func(path string) bool {
		_, err := os.Lstat(path)
		return err == nil
	}
	finish := func(aside string) error {
		for _, ext := range beside {
			if !there(path + ext) {
				continue
			}
			if err := rename(path+ext, aside+ext); err != nil {
				return err
			}
		}
		if err := syncDir(filepath.Dir(path)); err != nil {
			return err
		}
		return rename(aside+moving, aside)
	}
	if !there(path) {
		if name, ok := strings.CutSuffix(setAside(path, moving), moving); ok {
			aside = filepath.Join(filepath.Dir(path), name)
			return aside, finish(aside)
		}
	}
	all := append([]string{"", moving}, beside...)
	if !slices.ContainsFunc(all, func(ext string) bool { return there(path + ext) }) {
		return "", nil
	}
	for n := 1; ; n++ {
		aside = fmt.Sprintf("%s.old-%d", path, n)
		if !slices.ContainsFunc(all, func(ext string) bool { return there(aside + ext) }) {
			break
		}
	}
	if there(path) {
		if err := rename(path, aside+moving); err != nil {
			return "", err
		}
		if err := syncDir(filepath.Dir(path)); err != nil {
			return "", err
		}
		return aside, finish(aside)
	}
	for _, ext := range beside { // of a database that somebody took away
		if there(path + ext) {
			if err := rename(path+ext, aside+ext); err != nil {
				return "", err
			}
		}
	}
	return aside, nil
}

// copyFile copies to a file that may not be there yet. It is no [CopyPrivate], for
// what a kill in the middle leaves of it bears the name that removeDB looks for.
func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	if _, err := io.Copy(out, in); err != nil {
		out.Close()
		return err
	}
	return out.Close()
}

// Size is how much room the database takes.
type Size struct {
	DB      int64 // bytes of the database file
	WAL     int64 // bytes of its log
	Free    int64 // bytes in DB that are free for reuse
	LastSeq int64
}

// Size returns how much room the database takes on disk.
func (s *Store) Size(ctx context.Context) (Size, error) {
	z := Size{LastSeq: s.LastSeq()}
	for path, to := range map[string]*int64{s.path: &z.DB, s.path + "-wal": &z.WAL} {
		info, err := os.Stat(path)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return z, s.fail("size", err)
		}
		if err == nil {
			*to = info.Size()
		}
	}
	err := s.view(ctx, func(r *reader) error {
		var pages, size int64
		err := errors.Join(r.one("PRAGMA freelist_count", nil, &pages), r.one("PRAGMA page_size", nil, &size))
		z.Free = pages * size
		return err
	})
	if err != nil {
		return z, s.fail("size", err)
	}
	return z, nil
}
