package store

import (
	"context"
	"database/sql/driver"
	"errors"
	"strings"
	"sync"

	"modernc.org/sqlite"
)

var errInjected = errors.New("injected fault")

// faultConnector makes connections whose nth statement with a given beginning
// fails.
type faultConnector struct {
	mu   sync.Mutex
	word string
	left int // calls that still succeed
	on   bool
	hits int

	asked []string // the queries that connections were given
}

func (f *faultConnector) wrap(dsn string) (driver.Connector, error) {
	c, err := sqlite.NewConnector(dsn)
	return &faultyConnector{c, f}, err
}

// failAfter lets n statements that begin with word succeed and fails those
// after it.
func (f *faultConnector) failAfter(n int, word string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.word, f.left, f.on, f.hits = word, n, true, 0
}

func (f *faultConnector) heal() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.on = false
}

func (f *faultConnector) check(query string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if !f.on || !strings.HasPrefix(query, f.word) {
		return nil
	}
	if f.left > 0 {
		f.left--
		return nil
	}
	f.hits++
	return errInjected
}

type faultyConnector struct {
	driver.Connector
	f *faultConnector
}

func (c *faultyConnector) Connect(ctx context.Context) (driver.Conn, error) {
	conn, err := c.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	return &faultyConn{conn.(sqliteConn), c.f}, nil
}

// sqliteConn is what database/sql looks for in a connection.
type sqliteConn interface {
	driver.Conn
	driver.ConnBeginTx
	driver.ConnPrepareContext
	driver.ExecerContext
	driver.QueryerContext
	driver.Pinger
	driver.SessionResetter
	driver.Validator
}

type faultyConn struct {
	sqliteConn
	f *faultConnector
}

func (c *faultyConn) Unwrap() driver.Conn { return c.sqliteConn }

func (c *faultyConn) ExecContext(ctx context.Context, q string, args []driver.NamedValue) (driver.Result, error) {
	if err := c.f.check(q); err != nil {
		return nil, err
	}
	return c.sqliteConn.ExecContext(ctx, q, args)
}

func (c *faultyConn) QueryContext(ctx context.Context, q string, args []driver.NamedValue) (driver.Rows, error) {
	c.f.mu.Lock()
	c.f.asked = append(c.f.asked, q)
	c.f.mu.Unlock()
	return c.sqliteConn.QueryContext(ctx, q, args)
}

func (c *faultyConn) PrepareContext(ctx context.Context, q string) (driver.Stmt, error) {
	st, err := c.sqliteConn.PrepareContext(ctx, q)
	if err != nil {
		return nil, err
	}
	return &faultyStmt{st.(sqliteStmt), c.f, q}, nil
}

type sqliteStmt interface {
	driver.Stmt
	driver.StmtExecContext
	driver.StmtQueryContext
}

type faultyStmt struct {
	sqliteStmt
	f *faultConnector
	q string
}

func (s *faultyStmt) ExecContext(ctx context.Context, args []driver.NamedValue) (driver.Result, error) {
	if err := s.f.check(s.q); err != nil {
		return nil, err
	}
	return s.sqliteStmt.ExecContext(ctx, args)
}
