package store

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// tryLock takes a lock on one byte far behind the end of f, so that others can
// still read who holds it.
func tryLock(f *os.File) (ok bool, err error) {
	at := &windows.Overlapped{OffsetHigh: 0x7fffffff}
	err = windows.LockFileEx(windows.Handle(f.Fd()),
		windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, at)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return false, nil
	}
	return err == nil, err
}

// syncDir does nothing: Windows has no such call.
func syncDir(string) error { return nil }
