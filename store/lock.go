package store

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

const lockName = "lampward.lock"

// dirLock keeps other processes from using the same folder.
type dirLock struct{ f *os.File }

// lockDir takes the lock of dir for as long as the process lives or until it
// is released.
func lockDir(dir string) (*dirLock, error) {
	path := filepath.Join(dir, lockName)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, &explained{ErrReadOnly, err, fmt.Sprintf("store: open: %v: check that the folder exists, belongs to the user lampward runs as, and is not mounted read-only", err)}
	}
	ok, err := tryLock(f)
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("store: open: lock %s: %w", path, err)
	}
	if !ok {
		who, _ := io.ReadAll(io.LimitReader(f, 256))
		f.Close()
		holder := strings.TrimSpace(string(who))
		if holder == "" {
			holder = "another process"
		}
		return nil, &explained{ErrLocked, nil, fmt.Sprintf("store: open: %s is in use by %s: stop it first, or give this one another folder ([store] dir)", dir, holder)}
	}
	host, _ := os.Hostname()
	if f.Truncate(0) == nil {
		// For people only; the lock itself is the system's.
		_, _ = f.WriteAt(fmt.Appendf(nil, "process %d (%s) on %s\n", os.Getpid(), filepath.Base(os.Args[0]), host), 0)
	}
	return &dirLock{f}, nil
}

func (l *dirLock) release() {
	if l != nil && l.f != nil {
		_ = l.f.Truncate(0)
		l.f.Close() // drops the lock
		l.f = nil
	}
}
