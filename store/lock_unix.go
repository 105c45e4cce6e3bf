//go:build unix

package store

import (
	"os"
	"syscall"
)

// tryLock takes the whole-file lock of f, or reports that another process (or
// another open of the file in this one) has it. The system drops it when the
// process ends, however it ends.
func tryLock(f *os.File) (ok bool, err error) {
	for {
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch err {
		case nil:
			return true, nil
		case syscall.EINTR:
			continue
		case syscall.EWOULDBLOCK:
			return false, nil
		}
		return false, &os.PathError{Op: "lock", Path: f.Name(), Err: err}
	}
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return fsync(d)
}
