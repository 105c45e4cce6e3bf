package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"lampward/rules/span"
	"lampward/store"
)

var backupCommand = command{
	name: "backup", brief: "copy history and learned state to a file", usage: "[-config FILE] TO",
	about: `
Backup writes a copy of the database, as of one moment, to the file TO, and
checks that the copy is sound before it takes the place of an older backup
there. Lampward may be running: it is not held up. What is kept beside the
database (levels set by hand, the key that signs links) is copied to files
whose names begin with TO. The configuration and the files it names are not
copied.

A backup holds everything lampward knows, so keep it where only you can read
it, and on another disk.

examples:
  lampward backup /media/usb/lampward.bak
  lampward backup -config /etc/lampward/lampward.toml /media/usb/lampward.bak`,
}

var restoreCommand = command{
	name: "restore", brief: "put a backup in the place of the database", usage: "[-config FILE] [-check] BACKUP",
	about: `
Restore checks a backup and puts it in the place of the database. The database
that is there, damaged or not, is kept under another name beside it. Stop
lampward first. Alerts that were waiting to be sent when the backup was made
are sent again after the next start, under the ids they had.

With -check the backup is only read, and what is in it is shown.

examples:
  lampward restore /media/usb/lampward.bak
  lampward restore -check /media/usb/lampward.bak`,
}

// besides are the files kept beside the database that a backup needs too.
var besides = []string{levelsFile, linkKeyFile}

func init() {
	backupCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		file := f.String("config", "", configUsage)
		if code, ok := backupCommand.parse(c, f, args, 1); !ok {
			return code
		}
		if f.NArg() == 0 {
			fmt.Fprintln(c.err, "lampward backup: name the file to write, such as /media/usb/lampward.bak")
			return exitUsage
		}
		cfg, code := reachConfig(c, *file)
		if cfg == nil {
			return code
		}
		rep, err := backup(ctx, cfg.Store.Dir, f.Arg(0))
		if err != nil {
			fmt.Fprintln(c.err, "lampward backup:", err)
			return exitFailed
		}
		fmt.Fprintf(c.out, "%s: %s\n", f.Arg(0), contents(rep))
		return exitOK
	}
	restoreCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		file := f.String("config", "", configUsage)
		check := f.Bool("check", false, "only read the backup and say what is in it")
		if code, ok := restoreCommand.parse(c, f, args, 1); !ok {
			return code
		}
		if f.NArg() == 0 {
			fmt.Fprintln(c.err, "lampward restore: name the backup, such as /media/usb/lampward.bak")
			return exitUsage
		}
		if *check {
			rep, err := store.Check(ctx, f.Arg(0))
			if err != nil {
				fmt.Fprintln(c.err, "lampward restore:", err)
				return exitFailed
			}
			fmt.Fprintf(c.out, "%s is sound: %s\n", f.Arg(0), contents(rep))
			return exitOK
		}
		cfg, code := loadConfig(c, *file)
		if cfg == nil {
			return code
		}
		aside, err := restore(ctx, f.Arg(0), cfg.Store.Dir)
		if err != nil {
			if errors.Is(err, store.ErrLocked) {
				err = fmt.Errorf("%w: stop lampward first, and start it again afterwards", err)
			}
			fmt.Fprintln(c.err, "lampward restore:", err)
			return exitFailed
		}
		fmt.Fprintf(c.out, "restored %s to %s\n", f.Arg(0), cfg.Store.Dir)
		if aside != "" {
			fmt.Fprintf(c.out, "the database that was there is kept as %s; delete it once all is well\n", aside)
		}
		return exitOK
	}
}

// contents says what a backup holds.
func contents(r store.Report) string {
	if r.ID == "" {
		return "from an older lampward, so what is in it was not counted; the start after restoring brings it up to date"
	}
	return fmt.Sprintf("%s, %s waiting to be sent, %d not delivered, up to input %d",
		span.Count(r.Events, "event"), span.Count(r.Pending, "message"), r.Dead, r.LastSeq)
}

// backup copies the database in dir, and what belongs to it, to the file at to.
func backup(ctx context.Context, dir, to string) (store.Report, error) {
	rep, err := store.Backup(ctx, dir, to)
	if err != nil {
		return rep, err
	}
	for _, name := range besides {
		if err := copyBeside(filepath.Join(dir, name), to+"."+name); err != nil {
			return rep, fmt.Errorf("the database is copied, but not %s beside it: %w", name, err)
		}
	}
	return rep, nil
}

// restore puts the backup at from in the place of the database in dir.
func restore(ctx context.Context, from, dir string) (aside string, err error) {
	if aside, err = store.Restore(ctx, from, dir, besides...); err != nil {
		return aside, err
	}
	// Run by root for a daemon that is not, restore must not leave files that
	// the daemon cannot write.
	return aside, giveToOwner(dir)
}

// copyBeside copies a file that may hold secrets, whole or not at all. If there
// is none, it removes an older copy.
func copyBeside(from, to string) error {
	there, err := store.CopyPrivate(from, to)
	if there || err != nil {
		return err
	}
	if err := os.Remove(to); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
