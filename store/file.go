package store

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// fsync makes what was written to a file, or to a folder, survive a power cut;
// tests see when it is called.
var fsync = (*os.File).Sync

// WriteFile puts what from gives into the file at path, whole or not at all, for
// this account alone to read. With sync it returns when that is on disk; without, a
// power cut may leave an empty file, but a disk that hangs holds up nobody. A kill
// in the middle may leave another file beside it, whose name begins alike.
func WriteFile(path string, from io.Reader, sync bool) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".new-*") // mode 0600
	if err != nil {
		return err
	}
	_, err = io.Copy(f, from)
	if err == nil && sync {
		err = fsync(f)
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
		return err
	}
	if !sync {
		return nil
	}
	return syncDir(filepath.Dir(path))
}

// CopyPrivate copies a file as WriteFile does with sync. there is false if there is
// none to copy.
func CopyPrivate(from, to string) (there bool, err error) {
	f, err := os.Open(from)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return true, err
	}
	defer f.Close()
	return true, WriteFile(to, f, true)
}
