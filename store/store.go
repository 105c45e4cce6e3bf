// Package store keeps what happened, on disk, in one SQLite database: inputs,
// events, the outbox of messages to send, snapshots of the machine, and
// rollups of the readings.
//
// Call Open first. The daemon then loads the snapshot (LoadSnapshot), replays
// what came after it (Inputs), and from then on hands every input with its
// events to Append; the senders live on Due, Sent, Retry and Dead; Events,
// Trace and Deliveries serve people; Prune is called once an hour.
//
// Readings are first appended to a log, many in one row, and once an hour
// packed by series into chunks, so that a reading costs few bytes to write,
// few to keep, and a lamp's history is found without reading the others'.
// Nothing is rounded: Inputs gives every input back bit for bit.
//
// Times in the database are engine times. Wall times are engine time plus an
// offset that is stored whenever it steps; see CorrectWall.
package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"modernc.org/sqlite"
)

const (
	dbName = "lampward.db"
	// applicationID marks the file as ours (PRAGMA application_id): "lamp".
	applicationID = 0x6c616d70
	// pageSize is small because most commits touch one page of the log, and
	// each touched page is written whole.
	pageSize = 1024
)

// Options say where and how to keep the data. Only Dir is needed.
type Options struct {
	// Dir is the folder of the database; made if missing.
	Dir string
	// KeepReadings is how long each reading is kept as it came; 0: 90 days;
	// negative: for good.
	KeepReadings time.Duration
	// KeepRollups is how long 10-minute rollups are kept; 0: five years;
	// negative: for good. Coarser rollups (2 hours, 1 day) are always kept.
	KeepRollups time.Duration
	// KeepEvents is how long events and their finished deliveries are kept;
	// 0: five years; negative: for good.
	KeepEvents time.Duration
	// CheckLimit is the size in bytes up to which Open checks the whole
	// database; of a larger one it checks the tables that decisions rest on,
	// and leaves the rest to Check. 0: 4 MiB; negative: always the whole.
	CheckLimit int64
	// Working is told what Open is about to do that may take long, and how many
	// bytes it goes through at most; 0: few. Nothing takes long in a database
	// up to CheckLimit. nil: nobody.
	Working func(doing string, bytes int64)
	// Log gets what an operator should know; nil: slog.Default().
	Log *slog.Logger
	// Connector makes the driver's connector for a DSN; nil: SQLite's. Tests
	// wrap it to inject faults.
	Connector func(dsn string) (driver.Connector, error)
	// SyncFile makes what was written to the file at path durable; nil:
	// fsync. Tests replace it to inject faults.
	SyncFile func(path string) error
}

func (o Options) withDefaults() Options {
	day := 24 * time.Hour
	if o.KeepReadings == 0 {
		o.KeepReadings = 90 * day
	}
	if o.KeepRollups == 0 {
		o.KeepRollups = 5 * 365 * day
	}
	if o.KeepEvents == 0 {
		o.KeepEvents = 5 * 365 * day
	}
	if o.CheckLimit == 0 {
		o.CheckLimit = 4 << 20
	}
	if o.Working == nil {
		o.Working = func(string, int64) {}
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Connector == nil {
		o.Connector = sqlite.NewConnector
	}
	if o.SyncFile == nil {
		o.SyncFile = syncFile
	}
	return o
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	return fsync(f)
}

// Store is an open database. Its methods may be called at the same time from
// several goroutines: there is one writer at a time, and readers neither wait
// for it nor hold it up.
type Store struct {
	o    Options
	path string
	lock *dirLock

	wdb    *sql.DB // one connection
	writer chan *writer
	rdb    *sql.DB

	pruning sync.Mutex // serialises Prune and Backup's clean-up
	tail    tailCache
	// snapshotSound is set when Open checked the whole database, the snapshot
	// with it, until the snapshot was read.
	snapshotSound atomic.Bool

	mu     sync.RWMutex // guards what follows
	closed bool
	state
}

// state is what the Store remembers of the database; it changes when a
// transaction commits.
type state struct {
	seq, at   int64 // newest input; ms
	eventRow  int64 // newest event
	outboxRow int64 // newest delivery
	ids       []identity
	eras      eraList
	series    map[seriesKey]int64
	names     map[string]int64
}

type identity struct {
	first int64
	id    string
}

// Open opens the database in o.Dir, and makes it if there is none. It refuses
// one that is damaged (ErrDamaged), of a newer lampward (ErrNewer), or in use
// (ErrLocked); it never resets one.
func Open(ctx context.Context, o Options) (*Store, error) {
	return open(ctx, o, migrations)
}

func open(ctx context.Context, o Options, steps []migration) (_ *Store, err error) {
	o = o.withDefaults()
	if o.Dir == "" {
		return nil, errors.New("store: open: no folder given")
	}
	dir, err := filepath.Abs(o.Dir)
	if err != nil {
		return nil, fmt.Errorf("store: open: %w", err)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, &explained{ErrReadOnly, err, fmt.Sprintf("store: open: %v: name a folder that lampward may write ([store] dir)", err)}
	}
	s := &Store{o: o, path: filepath.Join(dir, dbName), writer: make(chan *writer, 1)}
	if s.lock, err = lockDir(dir); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			s.closeAll()
		}
	}()
	fresh, err := checkFile("open", s.path, len(steps))
	if err != nil {
		return nil, err
	}
	if fresh {
		if old := setAside(s.path, ""); old != "" {
			return nil, damaged("open", s.path, "it is gone, but "+old+" is still there, as after a restore that was cut short", nil)
		}
		if err := create(ctx, o, s.path, steps); err != nil {
			return nil, err
		}
	}
	if err := s.connectReaders(ctx); err != nil {
		return nil, s.fail("open", err)
	}
	if err := s.checkOpen(ctx, len(steps)); err != nil {
		return nil, err
	}
	if err := s.connectWriter(ctx); err != nil {
		return nil, s.fail("open", err)
	}
	if err := s.migrate(ctx, steps); err != nil {
		return nil, err
	}
	if err := s.load(ctx); err != nil {
		return nil, s.fail("open", err)
	}
	if fresh {
		o.Log.Info("made a new database", "path", s.path, "id", s.ID())
	}
	return s, nil
}

// dsn makes SQLite's URI for the file at path.
func dsn(path string, params ...string) string {
	u := url.URL{Scheme: "file", Path: filepath.ToSlash(path)}
	if !strings.HasPrefix(u.Path, "/") {
		u.Path = "/" + u.Path
	}
	return u.String() + "?" + strings.Join(params, "&")
}

func pragmas(ps ...string) []string {
	out := []string{"_error_rc=1", "_defensive=1", "_dqs=0", "_txlock=immediate"}
	for _, p := range ps {
		out = append(out, "_pragma="+url.QueryEscape(p))
	}
	return out
}

// connectReaders opens the connections that read. They cannot write, not even
// fold the log into the database when they close.
//
// They cache little: what they have cached they keep while nobody reads, at 2 KiB
// of memory a page, and the writer's next commit makes it worthless.
func (s *Store) connectReaders(ctx context.Context) error {
	c, err := s.o.Connector(dsn(s.path, append(pragmas("busy_timeout(5000)", "cache_size(-128)", "temp_store(memory)"), "mode=ro")...))
	if err != nil {
		return err
	}
	s.rdb = sql.OpenDB(c)
	s.rdb.SetMaxOpenConns(4)
	s.rdb.SetMaxIdleConns(2)
	return s.rdb.PingContext(ctx)
}

// connectWriter opens the connection that writes. What it has cached it keeps
// too; a larger cache writes no fewer bytes, be it a snapshot of 1,000 lamps.
func (s *Store) connectWriter(ctx context.Context) error {
	c, err := s.o.Connector(dsn(s.path, pragmas("busy_timeout(5000)", "journal_mode(wal)",
		"synchronous(normal)", "wal_autocheckpoint(2048)", "cache_size(-256)", "temp_store(memory)")...))
	if err != nil {
		return err
	}
	s.wdb = sql.OpenDB(c)
	s.wdb.SetMaxOpenConns(1)
	w, err := s.newWriter(ctx)
	if err != nil {
		return err
	}
	s.writer <- w
	return nil
}

// Close waits for the transaction in progress and closes the database.
func (s *Store) Close() error {
	s.mu.Lock()
	closed := s.closed
	s.closed = true
	s.mu.Unlock()
	if closed {
		return nil
	}
	w := <-s.writer
	w.close()
	s.writer <- w // for those who still wait for it: they find the Store closed
	if err := s.closeAll(); err != nil {
		return s.fail("close", err)
	}
	return nil
}

// closeAll closes what Open has opened so far.
func (s *Store) closeAll() error {
	select {
	case w := <-s.writer:
		w.close()
		s.writer <- w
	default:
	}
	var errs []error
	// Readers first: the last connection to close folds the log into the
	// database, and only one that writes can.
	for _, db := range []*sql.DB{s.rdb, s.wdb} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	s.lock.release()
	return errors.Join(errs...)
}

// Gone tells whether the database's file was removed while it is open: what is stored
// then is lost when it is closed. What else may be wrong with it, others tell.
func (s *Store) Gone() error {
	if _, err := os.Stat(s.path); !errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return fmt.Errorf("the database file %s was removed while lampward runs: it goes on, and the next start will know nothing of it. Put the file back if you have moved it; else stop lampward and restore a backup, if there is one", s.path)
}

// ID returns the id that new events of this database carry.
func (s *Store) ID() string {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.ids[len(s.ids)-1].id
}

// LastSeq returns the seq of the newest input; 0: none.
func (s *Store) LastSeq() int64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.seq
}

// LastAt returns the engine time of the newest input; the zero time: none.
func (s *Store) LastAt() time.Time {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return noneOrMS(s.at)
}

// LastOffset returns wall time minus engine time, as last stored.
func (s *Store) LastOffset() time.Duration {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return time.Duration(s.eras[len(s.eras)-1].offset) * time.Millisecond
}

// LastDoubted tells whether wall time was in doubt, as last stored.
func (s *Store) LastDoubted() bool {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.eras[len(s.eras)-1].mark == wallUncertain
}

// EventID returns the id by which the world knows an event: the database's id
// and the event's row. It never changes and is never used twice.
func EventID(dbID string, eventRow int64) string {
	return dbID + "-" + strconv.FormatInt(eventRow, 10)
}

// eventID returns the id of an event, which may be older than a restore.
func (st *state) eventID(row int64) string {
	id := st.ids[0].id
	for _, i := range st.ids {
		if i.first <= row {
			id = i.id
		}
	}
	return EventID(id, row)
}

// newID returns 16 random letters and digits (80 bits).
func newID() string {
	return strings.ToLower(rand.Text()[:16])
}

func toMS(t time.Time) int64 { return t.UnixMilli() }

// fromMS is the reverse of toMS, UTC.
func fromMS(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

// noneOrMS is fromMS where 0 says that there is no time: the zero time then.
func noneOrMS(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return fromMS(ms)
}

// load reads the state from the database.
func (s *Store) load(ctx context.Context) error {
	var st state
	err := s.view(ctx, func(r *reader) error {
		var err error
		st, err = loadState(r)
		return err
	})
	if err != nil {
		return err
	}
	s.mu.Lock()
	s.state = st
	s.mu.Unlock()
	return nil
}

func loadState(r *reader) (state, error) {
	st := state{series: map[seriesKey]int64{}, names: map[string]int64{}}
	err := r.each("SELECT first, id FROM identity ORDER BY first", nil, func(row scan) error {
		var i identity
		defer func() { st.ids = append(st.ids, i) }()
		return row(&i.first, &i.id)
	})
	if err != nil {
		return st, err
	}
	if len(st.ids) == 0 {
		return st, damagedRow("identity", 0, "the database's id is missing")
	}
	if st.eras, err = loadEras(r); err != nil {
		return st, err
	}
	// Ids of series and names count from 1: see tx.name and tx.seriesID.
	series, err := loadSeries(r)
	if err != nil {
		return st, err
	}
	for id, k := range series {
		if k.kind == "" && id > 0 {
			return st, damagedRow("series", int64(id), "it is missing")
		}
		if id > 0 {
			st.series[k] = int64(id)
		}
	}
	err = r.each("SELECT id, name FROM name ORDER BY id", nil, func(row scan) error {
		var id int64
		var n string
		if err := row(&id, &n); err != nil {
			return err
		}
		st.names[n] = id
		if id != int64(len(st.names)) {
			return damagedRow("name", id, "a row is missing before it")
		}
		return nil
	})
	if err != nil {
		return st, err
	}
	for _, c := range []struct {
		to    *int64
		meta  string
		query string
	}{
		{&st.seq, "seq", "SELECT coalesce(max(seq), 0) FROM input"},
		{&st.at, "at", "SELECT coalesce((SELECT at FROM input ORDER BY seq DESC LIMIT 1), 0)"},
		{&st.eventRow, "event_row", "SELECT coalesce(max(id), 0) FROM event"},
		{&st.outboxRow, "outbox_row", "SELECT coalesce(max(id), 0) FROM outbox"},
	} {
		floor, err := r.meta(c.meta)
		if err != nil {
			return st, err
		}
		if err := r.one(c.query, nil, c.to); err != nil {
			return st, err
		}
		*c.to = max(*c.to, floor)
	}
	// The newest log row; it may be newer than the newest other input.
	return st, r.each("SELECT seq, body FROM batch ORDER BY seq DESC LIMIT 1", nil, func(row scan) error {
		var seq int64
		var body sql.RawBytes
		if err := row(&seq, &body); err != nil {
			return err
		}
		return unpackBatch(seq, body, func(p packed) error {
			st.seq, st.at = max(st.seq, p.seq), max(st.at, p.at)
			return nil
		})
	})
}

// loadSeries returns all series by id; entry 0 is unused.
func loadSeries(r *reader) ([]seriesKey, error) {
	list := []seriesKey{{}}
	err := r.each("SELECT id, kind, lamp, device, word FROM series ORDER BY id", nil, func(row scan) error {
		var id int64
		var k seriesKey
		if err := row(&id, &k.kind, &k.lamp, &k.device, &k.word); err != nil {
			return err
		}
		if id < int64(len(list)) || id > maxSeries {
			return damagedRow("series", id, "its id is wrong")
		}
		for int64(len(list)) < id {
			list = append(list, seriesKey{})
		}
		list = append(list, k)
		return nil
	})
	return list, err
}
