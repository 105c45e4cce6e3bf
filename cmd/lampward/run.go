package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/notify"
	"lampward/store"
)

var runCommand = command{
	name: "run", brief: "watch the lamps until told to stop", usage: "[-config FILE]",
	about: `
Run takes readings from the broker, decides, stores and sends alerts, until it
gets SIGTERM or SIGINT; then it stores what is pending and exits with 0.
SIGHUP has it read the configuration again: what was learned is kept, and a
file with a mistake changes nothing.

examples:
  lampward run
  lampward run -config /etc/lampward/lampward.toml

A first configuration, lampward.toml:
  [[lamp]]
  name  = "tank"
  topic = "cellar/tank/light"

  [[webhook]]
  url = "http://127.0.0.1:9000/hook"`,
}

func init() {
	runCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		file := f.String("config", "", configUsage)
		if code, ok := runCommand.parse(c, f, args, 0); !ok {
			return code
		}
		hup := make(chan os.Signal, 1)
		if atTerminal(c) {
			var stop func()
			ctx, stop = signal.NotifyContext(ctx, syscall.SIGHUP)
			defer stop()
		} else {
			signal.Notify(hup, syscall.SIGHUP)
			defer signal.Stop(hup)
		}
		cfg, code := loadConfig(c, *file)
		if cfg == nil {
			return code
		}
		r := reloader{
			hup: hup,
			load: func() (*config.Config, error) {
				c, _, err := examine(cfg.File)
				return c, err
			},
			options: func(cfg *config.Config) serveOptions {
				log := newLog(c.err, cfg.Log)
				return serveOptions{
					log: log, manager: newManager(os.Getenv, os.Getpid(), log),
					// What reading the stored state left behind goes back to the system.
					ready: func(addresses) { debug.FreeOSMemory() },
				}
			},
		}
		if err := r.serve(ctx, cfg); err != nil {
			fmt.Fprintln(c.err, "lampward run:", err)
			return exitFailed
		}
		return exitOK
	}
}

func newLog(w io.Writer, l config.Log) *slog.Logger {
	var level slog.Level
	_ = level.UnmarshalText([]byte(l.Level)) // checked when it was read
	o := &slog.HandlerOptions{Level: level}
	if l.Format == "json" {
		return slog.New(slog.NewJSONHandler(w, o))
	}
	return slog.New(slog.NewTextHandler(w, o))
}

// serveOptions are what the demo and tests set otherwise than run does.
type serveOptions struct {
	log   *slog.Logger
	wall  func() time.Time // nil: time.Now
	clock clock            // nil: the machine's
	ready func(addresses)  // called once everything listens; nil: nobody
	// inside is given the daemon before it runs; nil: nobody.
	inside func(*daemon)
	sink   func(broker.Sink) broker.Sink // puts something before the daemon's intake; nil: nothing
	// manager is told of start, life and stop; nil: nobody.
	manager *manager
}

// addresses say where a running daemon listens; nil: nowhere.
type addresses struct {
	broker, page net.Addr
}

// serve runs the whole daemon until ctx ends. It returns nil after a clean
// stop.
func serve(ctx context.Context, cfg *config.Config, o serveOptions) (err error) {
	if o.wall == nil {
		o.wall = time.Now
	}
	step := longStep{manager: o.manager, log: o.log}
	st, err := store.Open(ctx, store.Options{Dir: cfg.Store.Dir, KeepReadings: cfg.Store.KeepReadings, Working: step.begin, Log: o.log})
	step.end()
	if err != nil {
		return o.starting(ctx, err)
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	if o.clock == nil {
		o.clock = resumeClock(o.wall, st)
	}
	if cfg, err = withLevels(cfg); err != nil {
		return err
	}
	d := &daemon{
		cfg: cfg, log: o.log, clock: o.clock, store: st,
		jobs:   newQueue(queueLimit),
		intake: newIntake(cfg, o.log),
	}
	if d.linkKey, err = linkKey(cfg.Store.Dir, o.log); err != nil {
		return err
	}
	d.routes, err = newRoutes(cfg, routeOptions{
		wall: o.clock.Wall, links: alertLinks(cfg, d.linkKey, o.clock),
		trace: func(ctx context.Context, lamp string) ([]notify.Point, error) {
			return recentTrace(ctx, st, o.clock.Wall(), lamp)
		},
	})
	if err != nil {
		return err
	}
	d.routes.warn(o.log)
	d.worker = notify.NewWorker(notify.Options{
		Outbox: st, Routes: d.routes.all, Limits: d.routes.limits, Now: o.clock.Now, Log: o.log,
	})
	if o.inside != nil {
		o.inside(d)
	}
	d.recallDamage()
	d.progress = o.manager.working
	err = d.boot(ctx)
	d.progress = nil // what is replayed later is no start
	if err != nil {
		return o.starting(ctx, err)
	}
	dropLevels(cfg, o.log)
	return d.runAll(ctx, o)
}

// starting is what to return for an error of a start: being told to stop
// meanwhile is none.
func (o *serveOptions) starting(ctx context.Context, err error) error {
	if ctx.Err() == nil {
		return err
	}
	o.manager.stopping()
	o.log.Info("told to stop while starting; the next start does it again", "at", err)
	return nil
}

// runAll starts worker, loop, page, broker and what watches over them, and
// stops them in the opposite order, so that each can still hand on what it has.
func (d *daemon) runAll(ctx context.Context, o serveOptions) (err error) {
	outside := ctx
	ctx, fail := context.WithCancelCause(ctx)
	defer fail(nil)
	var at addresses
	listening := make(chan net.Addr, 1)
	b, err := d.newBroker(func(a net.Addr) { listening <- a })
	if err != nil {
		return err
	}
	// Before the loop runs, for the page taps it.
	page, err := d.newPage(b)
	if err != nil {
		return err
	}
	defer page.close()
	// stage starts run and returns a function that stops it and waits. What
	// made it end is also why runAll ends.
	var stages []func() error
	defer func() {
		for _, stop := range slices.Backward(stages) {
			if e := stop(); e != nil && !errors.Is(e, context.Canceled) {
				err = errors.Join(err, e)
			}
		}
	}()
	stage := func(name string, run func(context.Context) error) (stop func() error) {
		own, cancel := context.WithCancel(context.WithoutCancel(ctx))
		done := make(chan error, 1)
		go func() {
			err := run(own)
			if err == nil && own.Err() == nil {
				err = errors.New("stopped by itself")
			}
			if err != nil {
				err = fmt.Errorf("%s: %w", name, err)
				fail(err)
			}
			done <- err
		}()
		stop = sync.OnceValue(func() error { cancel(); return <-done })
		stages = append(stages, stop)
		return stop
	}
	stage("sending", func(ctx context.Context) error {
		if len(d.routes.all) == 0 { // nothing to do, which is no reason to stop
			<-ctx.Done()
			return nil
		}
		return d.worker.Run(ctx)
	})
	stage("rules", d.loop)
	stage("inspection", d.inspect)
	beat, err := d.newHeartbeat()
	if err != nil {
		return fmt.Errorf("heartbeat: %w", err)
	}
	if beat != nil {
		stage("heartbeat", beat.Run)
	}
	stage("page", page.run)
	at.page = page.addr()
	var sink broker.Sink = d
	if o.sink != nil {
		sink = o.sink(sink)
	}
	stage("broker", func(ctx context.Context) error { return b.Run(ctx, sink) })
	if d.cfg.Broker.URL == "" {
		select {
		case at.broker = <-listening:
		case <-ctx.Done():
		}
	}
	started := ctx.Err() == nil
	if started {
		d.log.Info("ready", "broker", d.brokerName(at.broker), "page", addrText(at.page),
			"lamps", len(d.cfg.Lamps), "store", d.cfg.Store.Dir)
		if o.ready != nil {
			o.ready(at)
		}
		o.manager.ready(len(d.cfg.Lamps))
		stopWatch := stage("watchdog", func(ctx context.Context) error { return o.manager.watch(ctx, d) })
		<-ctx.Done()
		_ = stopWatch()
	}
	// After one that did not start, the daemon before it may go on.
	if context.Cause(ctx) != errReload && (started || outside.Err() != nil) {
		o.manager.stopping()
	}
	d.log.Info("stopping")
	return nil
}

func addrText(a net.Addr) string {
	if a == nil {
		return "off"
	}
	return a.String()
}

// brokerName names the broker in logs, without what may be secret in its URL.
func (d *daemon) brokerName(a net.Addr) string {
	if a != nil {
		return a.String()
	}
	_, rest, _ := strings.Cut(d.cfg.Broker.URL, "://")
	if i := strings.LastIndexByte(rest, '@'); i >= 0 {
		rest = rest[i+1:]
	}
	return rest
}

// newHeartbeat makes the heartbeat; nil: none is configured.
func (d *daemon) newHeartbeat() (*notify.Heartbeat, error) {
	if d.cfg.Beat.URL == "" {
		return nil, nil
	}
	t, err := clientTLS(d.cfg.Beat.CAFile, "", "")
	if err != nil {
		return nil, err
	}
	return notify.NewHeartbeat(notify.HeartbeatOptions{
		URL: d.cfg.Beat.URL, Every: d.cfg.Beat.Every, Healthy: d.healthy, TLS: t, Log: d.log,
	})
}

// newBroker makes the broker; ready is told where the embedded one listens.
func (d *daemon) newBroker(ready func(net.Addr)) (broker.Broker, error) {
	b := d.cfg.Broker
	if b.URL != "" {
		t, err := clientTLS(b.CAFile, b.CertFile, b.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("broker: %w", err)
		}
		o := broker.ExternalOptions{
			URL: b.URL, Topics: d.intake.names(), ClientID: b.ClientID, User: b.User, TLS: t, Log: d.log,
		}
		if b.PasswordFile != "" {
			o.Password = func() (string, error) {
				s, err := notify.LoadSecret("", b.PasswordFile, "")
				return s.Reveal(), err
			}
		}
		x, err := broker.NewExternal(o)
		if err != nil {
			return nil, err
		}
		d.intake.copies = func() uint64 { return x.Stats().Duplicates }
		d.intake.barred = x.Barred
		return x, nil
	}
	o := broker.Options{
		Listen: b.Listen, MaxPacket: uint32(b.MaxPacket), MaxClients: b.MaxClients,
		MaxPerAddress: b.MaxPerAddress, Log: d.log, Ready: ready,
	}
	for _, a := range d.cfg.Accounts {
		o.Accounts = append(o.Accounts, broker.Account(a))
	}
	if b.CertFile != "" {
		t, err := listenerTLS(b.CertFile, b.KeyFile, d.log)
		if err != nil {
			return nil, fmt.Errorf("broker.cert_file: %w", err)
		}
		o.TLS = t
	}
	e, err := broker.NewEmbedded(o)
	if err != nil {
		return nil, err
	}
	d.intake.copies = func() uint64 { return e.Stats().Duplicates }
	return e, nil
}
