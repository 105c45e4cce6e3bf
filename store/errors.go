package store

import (
	"database/sql/driver"
	"errors"
	"fmt"

	"modernc.org/sqlite"
)

// Errors that callers tell apart with errors.Is. The error in hand says more:
// what was being done, to which file, and what to do.
var (
	ErrLocked   = errors.New("in use by another lampward")
	ErrDamaged  = errors.New("damaged database")
	ErrNewer    = errors.New("database of a newer lampward")
	ErrDiskFull = errors.New("disk full")
	ErrReadOnly = errors.New("not writable")
	ErrClosed   = errors.New("store is closed")
	ErrNotFound = errors.New("not found")
	ErrSent     = errors.New("was accepted already")
	ErrBadInput = errors.New("cannot be stored")
)

// SQLite's primary result codes, from https://www.sqlite.org/rescode.html.
const (
	codePerm     = 3
	codeBusy     = 5
	codeReadOnly = 8
	codeIOErr    = 10
	codeCorrupt  = 11
	codeFull     = 13
	codeCantOpen = 14
	codeNotADB   = 26
)

// errBadConn tells database/sql not to use a connection again.
var errBadConn = driver.ErrBadConn

// badInput is an error about what a caller asked to store.
func badInput(what, why string) error {
	return &explained{ErrBadInput, nil, what + ": " + why}
}

// explained is an error with its class and what to do about it.
type explained struct {
	class error
	cause error
	text  string
}

func (e *explained) Error() string { return e.text }

func (e *explained) Unwrap() []error {
	if e.cause == nil {
		return []error{e.class}
	}
	return []error{e.class, e.cause}
}

// fail adds the operation to err and, where the cause is one that a person can
// mend, how to mend it.
func (s *Store) fail(op string, err error) error {
	return explain(op, s.path, err)
}

func explain(op, path string, err error) error {
	if err == nil {
		return nil
	}
	var known *explained
	if errors.As(err, &known) {
		return fmt.Errorf("store: %s: %w", op, err)
	}
	if what := whatIsDamaged(err); what != "" {
		return damaged(op, path, what, err)
	}
	var se *sqlite.Error
	if !errors.As(err, &se) {
		return fmt.Errorf("store: %s: %w", op, err)
	}
	switch se.Code() & 0xff {
	case codeFull:
		return &explained{ErrDiskFull, err, fmt.Sprintf("store: %s: the disk that holds %s is full: free some space; nothing stored so far is lost (%v)", op, path, err)}
	case codeReadOnly, codePerm, codeCantOpen:
		return &explained{ErrReadOnly, err, fmt.Sprintf("store: %s: %s cannot be written: check that its folder exists, belongs to the user lampward runs as, and is not mounted read-only (%v)", op, path, err)}
	case codeCorrupt, codeNotADB:
		return damaged(op, path, err.Error(), err)
	case codeBusy:
		return fmt.Errorf("store: %s: another program holds %s: close it and try again: %w", op, path, err)
	}
	return fmt.Errorf("store: %s: %w", op, err)
}

// whatIsDamaged says what lampward itself, or an inspection by SQLite, found wrong;
// empty: nothing.
func whatIsDamaged(err error) string {
	var row *rowDamage
	if errors.As(err, &row) {
		return row.Error()
	}
	var unsound *integrityError
	if errors.As(err, &unsound) {
		return unsound.said
	}
	return ""
}

// opCheck is what is done to a file that is not in use, a backup.
const opCheck = "check the backup"

// damaged says what is wrong with the database at path and the way out.
func damaged(op, path, what string, cause error) error {
	if op == opCheck {
		return &explained{ErrDamaged, cause, fmt.Sprintf("store: %s: %s is damaged, or is none: %s. Nothing was changed. Name another file", op, path, what)}
	}
	return &explained{ErrDamaged, cause, fmt.Sprintf("store: %s: %s is damaged: %s. Nothing was changed. Stop lampward, then either run \"lampward restore BACKUP\", which keeps the damaged file beside the restored one, or move %s and the files beside it whose names begin alike to another folder to start afresh", op, path, what, path)}
}
