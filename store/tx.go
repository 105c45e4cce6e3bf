package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
)

// writer is the one connection that writes, with its prepared statements. It
// is owned by whoever took it out of Store.writer.
type writer struct {
	conn  *sql.Conn
	stmts map[string]*sql.Stmt
	full  bool // synchronous=FULL is on
	dead  bool // a rollback failed: the connection must not be used again
}

func (s *Store) newWriter(ctx context.Context) (*writer, error) {
	c, err := s.wdb.Conn(ctx)
	if err != nil {
		return nil, err
	}
	return &writer{conn: c, stmts: map[string]*sql.Stmt{}}, nil
}

func (w *writer) close() {
	for _, st := range w.stmts {
		st.Close()
	}
	if w.conn != nil {
		if w.dead {
			// Keeps a connection with a transaction left open out of the pool.
			_ = w.conn.Raw(func(any) error { return errBadConn })
		}
		w.conn.Close()
	}
	w.conn, w.stmts = nil, nil
}

// tx is a write transaction. Changes to the Store's state are made by
// functions given to onCommit.
type tx struct {
	s        *Store
	w        *writer
	st       *state // the state as of this transaction, shared until changed
	onCommit []func(*state)

	newNames  map[string]int64
	newSeries map[seriesKey]int64
}

// takeWriter waits for the writer until ctx ends. Who gets it puts it back.
func (s *Store) takeWriter(ctx context.Context) (*writer, error) {
	var w *writer
	select {
	case w = <-s.writer:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	err := ctx.Err()
	s.mu.RLock()
	if s.closed {
		err = ErrClosed
	}
	s.mu.RUnlock()
	if err != nil {
		s.writer <- w
		return nil, err
	}
	return w, nil
}

// update runs fn in a write transaction and commits it, on disk if full. If
// fn fails or panics, or the commit fails, nothing is changed. ctx ends the
// wait for other writers; once begun, a transaction runs to its end.
func (s *Store) update(ctx context.Context, full bool, fn func(*tx) error) (err error) {
	w, err := s.takeWriter(ctx)
	if err != nil {
		return err
	}
	defer func() { s.writer <- w }()
	run := context.WithoutCancel(ctx)
	if w.dead || w.conn == nil {
		w.close()
		fresh, err := s.newWriter(run)
		if err != nil {
			w = &writer{dead: true}
			return err
		}
		w = fresh
	}
	if full != w.full {
		level := "PRAGMA synchronous=NORMAL"
		if full {
			level = "PRAGMA synchronous=FULL"
		}
		if _, err := w.conn.ExecContext(run, level); err != nil {
			w.dead = true
			return err
		}
		w.full = full
	}
	if _, err := w.conn.ExecContext(run, "BEGIN IMMEDIATE"); err != nil {
		w.dead = true
		return err
	}
	t := &tx{s: s, w: w, st: &s.state}
	done := false
	defer func() {
		if done {
			return
		}
		// SQLite has already rolled back by itself after some errors, and then
		// has nothing to roll back: a fresh connection is right either way.
		if _, rerr := w.conn.ExecContext(run, "ROLLBACK"); rerr != nil {
			w.dead = true
		}
	}()
	if err := fn(t); err != nil {
		return err
	}
	if _, err := w.conn.ExecContext(run, "COMMIT"); err != nil {
		return err
	}
	done = true
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, f := range t.onCommit {
		f(&s.state)
	}
	// Those who copied the state hold the old maps: they are replaced, not changed.
	s.names = added(s.names, t.newNames)
	s.series = added(s.series, t.newSeries)
	return nil
}

func added[K comparable](old, more map[K]int64) map[K]int64 {
	if len(more) == 0 {
		return old
	}
	m := make(map[K]int64, len(old)+len(more))
	maps.Copy(m, old)
	maps.Copy(m, more)
	return m
}

// exec runs a statement, prepared once for each connection.
func (t *tx) exec(query string, args ...any) (sql.Result, error) {
	st, err := t.prepare(query)
	if err != nil {
		return nil, err
	}
	return st.Exec(args...)
}

func (t *tx) one(query string, args []any, to ...any) error {
	st, err := t.prepare(query)
	if err != nil {
		return err
	}
	return st.QueryRow(args...).Scan(to...)
}

func (t *tx) prepare(query string) (*sql.Stmt, error) {
	if st := t.w.stmts[query]; st != nil {
		return st, nil
	}
	st, err := t.w.conn.PrepareContext(context.Background(), query)
	if err != nil {
		return nil, err
	}
	t.w.stmts[query] = st
	return st, nil
}

func (t *tx) setMeta(name string, v int64) error {
	_, err := t.exec("INSERT INTO meta (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value WHERE value <> excluded.value", name, v)
	return err
}

// name returns the id of a word, new or known.
func (t *tx) name(n string) (int64, error) {
	if id, ok := t.st.names[n]; ok {
		return id, nil
	}
	if id, ok := t.newNames[n]; ok {
		return id, nil
	}
	if err := checkWords(n); err != nil {
		return 0, err
	}
	id := int64(len(t.st.names)+len(t.newNames)) + 1
	if _, err := t.exec("INSERT INTO name (id, name) VALUES (?, ?)", id, n); err != nil {
		return 0, err
	}
	if t.newNames == nil {
		t.newNames = map[string]int64{}
	}
	t.newNames[n] = id
	return id, nil
}

// seriesID returns the id of a series, new or known.
func (t *tx) seriesID(k seriesKey) (int64, error) {
	if id, ok := t.st.series[k]; ok {
		return id, nil
	}
	if id, ok := t.newSeries[k]; ok {
		return id, nil
	}
	if err := checkWords(k.lamp, k.device); err != nil {
		return 0, err
	}
	id := int64(len(t.st.series)+len(t.newSeries)) + 1
	if id > maxSeries {
		return 0, badInput("input", fmt.Sprintf("more than %d lamps and devices", maxSeries))
	}
	if _, err := t.exec("INSERT INTO series (id, kind, lamp, device, word) VALUES (?, ?, ?, ?, ?)", id, k.kind, k.lamp, k.device, k.word); err != nil {
		return 0, err
	}
	if t.newSeries == nil {
		t.newSeries = map[seriesKey]int64{}
	}
	t.newSeries[k] = id
	return id, nil
}

// scan copies the columns of the current row.
type scan func(to ...any) error

// reader is a read transaction: it sees the database as of one moment.
type reader struct {
	ctx context.Context
	q   interface {
		QueryContext(context.Context, string, ...any) (*sql.Rows, error)
	}
}

// view runs fn in a read transaction.
func (s *Store) view(ctx context.Context, fn func(*reader) error) error {
	s.mu.RLock()
	closed := s.closed
	s.mu.RUnlock()
	if closed {
		return ErrClosed
	}
	t, err := s.rdb.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer t.Rollback()
	return fn(&reader{ctx, t})
}

// each calls fn for each row of a query.
func (r *reader) each(query string, args []any, fn func(scan) error) error {
	rows, err := r.q.QueryContext(r.ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	row := scan(rows.Scan)
	for rows.Next() {
		if err := fn(row); err != nil {
			return err
		}
	}
	return rows.Err()
}

// one reads a query's first row, or gives ErrNotFound.
func (r *reader) one(query string, args []any, to ...any) error {
	found := false
	err := r.each(query, args, func(row scan) error {
		if found {
			return nil
		}
		found = true
		return row(to...)
	})
	if err == nil && !found {
		return ErrNotFound
	}
	return err
}

// meta returns a small fact; 0 if it was never set.
func (r *reader) meta(name string) (v int64, err error) {
	err = r.one("SELECT value FROM meta WHERE name = ?", []any{name}, &v)
	if errors.Is(err, ErrNotFound) {
		return 0, nil
	}
	return v, err
}
