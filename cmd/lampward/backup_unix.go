//go:build unix

package main

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
)

// giveToOwner gives what is in dir to the owner of dir, if root runs this.
func giveToOwner(dir string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	info, err := os.Stat(dir)
	if err != nil {
		return err
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	list, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	var errs []error
	for _, f := range list {
		if f.Type().IsRegular() {
			errs = append(errs, os.Lchown(filepath.Join(dir, f.Name()), int(owner.Uid), int(owner.Gid)))
		}
	}
	return errors.Join(errs...)
}
