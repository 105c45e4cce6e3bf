package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"lampward/store"
)

// damageFile holds what an inspection found wrong with the database, until one finds
// it well: its id, for a backup that is restored counts under another, and in the next
// line what is wrong. Who starts lampward anew, to see whether that helps, is told too.
const damageFile = "damage"

// keepDamage keeps what an inspection found for the next start; nil: nothing.
func (d *daemon) keepDamage(found error) {
	file := filepath.Join(d.cfg.Store.Dir, damageFile)
	var err error
	if found != nil {
		text := strings.TrimPrefix(found.Error(), "store: check: ") // which is for the log
		d.damage.Store(&text)
		err = store.WriteFile(file, strings.NewReader(d.store.ID()+"\n"+text+"\n"), true)
	} else {
		d.damage.Store(nil)
		if err = os.Remove(file); errors.Is(err, fs.ErrNotExist) {
			err = nil
		}
	}
	if err != nil {
		d.log.Warn("what the inspection of the database found cannot be kept for the next start", "error", err)
	}
}

// recallDamage takes up what an inspection found before this start, and has the database
// read through again at once: it may have been mended.
func (d *daemon) recallDamage() {
	b, err := os.ReadFile(filepath.Join(d.cfg.Store.Dir, damageFile))
	if err != nil || d.damage.Load() != nil { // after a reload it is known
		return
	}
	id, text, _ := strings.Cut(strings.TrimSpace(string(b)), "\n")
	if id != d.store.ID() || text == "" {
		return
	}
	d.damage.Store(&text)
	d.again = true
	d.log.Error("the database was damaged before this start; it is read through again now", "error", text)
}
