package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/term"

	"lampward/cmd/lampward/config"
	"lampward/rules"
)

// A reload is a restart within the process: everything is stopped in order, so
// that what was learned and owed is stored, and started again with the new
// configuration. That takes a moment, reaches every key of the file, and runs
// no code that an ordinary restart does not. Boards connect anew by themselves;
// a reading that was not acknowledged is sent again.

// errReload is why a daemon stops when it is to start again.
var errReload = errors.New("reload")

// reloader says when and how to reload.
type reloader struct {
	hup <-chan os.Signal // one signal for each reload that is asked for
	// load reads the configuration anew.
	load func() (*config.Config, error)
	// options makes the options of a daemon with this configuration.
	options func(*config.Config) serveOptions
}

// serve runs daemons one after the other, until ctx ends or one fails. A
// configuration that is wrong, or with which no daemon starts, changes nothing:
// the one before it goes on.
func (r reloader) serve(ctx context.Context, cfg *config.Config) error {
	var before *config.Config // to go back to while cfg has not started
	var damage *string        // what an inspection found; a reload mends nothing
	for {
		ready, next, err := r.once(ctx, cfg, &damage)
		switch {
		case err != nil && !ready && before != nil:
			r.options(before).log.Error("no daemon starts with the new configuration; the old one goes on", "error", err)
			cfg, before = before, nil
		case err != nil || next == nil:
			return err
		default:
			cfg, before = next, cfg
		}
	}
}

// once runs one daemon, which knows of damage from the start, and tells what it knows
// in the end. next is the configuration to go on with; nil: ctx ended, or the daemon
// failed.
func (r reloader) once(ctx context.Context, cfg *config.Config, damage **string) (ready bool, next *config.Config, err error) {
	o := r.options(cfg)
	running, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var d *daemon // set before started is closed
	inside := o.inside
	o.inside = func(x *daemon) {
		d = x
		d.damage.Store(*damage)
		if inside != nil {
			inside(x)
		}
	}
	told := o.ready
	started := make(chan struct{})
	o.ready = func(a addresses) {
		close(started)
		if told != nil {
			told(a)
		}
	}
	watched := make(chan *config.Config, 1)
	go func() {
		defer close(watched)
		select { // what is asked for meanwhile waits in r.hup
		case <-started:
		case <-running.Done():
			return
		}
		for {
			select {
			case <-r.hup:
			case <-running.Done():
				return
			}
			o.log.Info("reading the configuration again", "file", cfg.File)
			o.manager.reloading()
			c, err := r.load()
			if err == nil {
				err = tryConfig(cfg, c)
			}
			if err == nil {
				err = d.mayStop(running)
			}
			if err == nil {
				watched <- c
				stop(errReload)
				return
			}
			logProblems(o, err)
			o.manager.kept(len(cfg.Lamps))
		}
	}()
	err = serve(running, cfg, o)
	stop(nil)
	next = <-watched
	if d != nil {
		*damage = d.damage.Load()
	}
	select {
	case <-started:
		ready = true
	default:
	}
	if ctx.Err() != nil {
		next = nil
	}
	return ready, next, err
}

// mayStop tells why the daemon should not stop to start again: no daemon starts while
// nothing can be stored, with whatever configuration, and this one waits for the disk.
func (d *daemon) mayStop(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	var broken error
	if err := d.alive(ctx, func(*rules.Machine) { broken = d.broken }); err != nil {
		return err
	}
	if broken != nil {
		return fmt.Errorf("no daemon starts while nothing can be stored: %w; free space, or check the disk, in %s, and reload then", broken, d.cfg.Store.Dir)
	}
	return nil
}

// logProblems tells every mistake of a configuration that is not taken.
func logProblems(o serveOptions, err error) {
	var ps config.Problems
	if !errors.As(err, &ps) {
		o.log.Error("the new configuration is not taken; the old one goes on", "error", err)
		return
	}
	for _, p := range ps {
		o.log.Error("the new configuration is wrong; the old one goes on", "problem", p.String())
	}
}

// tryConfig finds what would keep a daemon from starting with a configuration,
// as far as that can be told while the old one runs.
func tryConfig(old, c *config.Config) error {
	if _, err := tryParts(c); err != nil {
		return err
	}
	if _, err := readLevels(c.Store.Dir); err != nil { // who may not read it may check, but not start
		return err
	}
	if a, b := filepath.Clean(old.Store.Dir), filepath.Clean(c.Store.Dir); a != b {
		return fmt.Errorf("store.dir: what is stored, and what is still to be sent, is in %s; to move it to %s, stop lampward, move the folder, and start it again", a, b)
	}
	for _, a := range [][3]string{
		{"broker", old.Broker.Listen, c.Broker.Listen}, {"page", old.Page.Listen, c.Page.Listen},
	} {
		// The old ones are closed before the new ones open.
		if a[2] == "" || a[2] == a[1] || samePort(old.Broker.Listen, a[2]) || samePort(old.Page.Listen, a[2]) {
			continue
		}
		ln, err := net.Listen("tcp", a[2])
		if err != nil {
			return fmt.Errorf("%s.listen: %w; write another address, or stop the program that uses this one", a[0], err)
		}
		_ = ln.Close()
	}
	return nil
}

// samePort tells whether two addresses may be in each other's way.
func samePort(a, b string) bool {
	_, p, _ := net.SplitHostPort(a)
	_, q, _ := net.SplitHostPort(b)
	return p == q
}

// atTerminal tells whether somebody started lampward at a terminal. Then the
// signal that asks a service to reload means that the terminal is gone.
func atTerminal(c console) bool {
	f, ok := c.in.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
