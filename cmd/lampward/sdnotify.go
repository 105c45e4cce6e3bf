package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"time"

	"lampward/rules"
	"lampward/rules/span"
)

// manager is the service manager that started this process and wants to hear
// from it, as systemd does. nil: there is none. The protocol is one datagram
// of lines a message (sd_notify(3), which recommends to implement it rather
// than to link a library).
type manager struct {
	send     func(msg string) error
	watchdog time.Duration // it expects a sign of life at least this often; 0: none
	log      *slog.Logger
}

// newManager reads the environment that a service manager sets; pid is this
// process's own.
func newManager(getenv func(string) string, pid int, log *slog.Logger) *manager {
	socket := getenv("NOTIFY_SOCKET")
	if !strings.HasPrefix(socket, "/") && !strings.HasPrefix(socket, "@") {
		return nil // unset, or a kind of socket that this platform's library cannot reach
	}
	m := &manager{log: log, send: func(msg string) error {
		c, err := net.Dial("unixgram", socket) // @name: the abstract name space
		if err != nil {
			return err
		}
		defer c.Close()
		_, err = c.Write([]byte(msg))
		return err
	}}
	usec, err := strconv.ParseInt(getenv("WATCHDOG_USEC"), 10, 64)
	if whose := getenv("WATCHDOG_PID"); err == nil && usec > 0 && (whose == "" || whose == strconv.Itoa(pid)) {
		m.watchdog = time.Duration(usec) * time.Microsecond
	}
	return m
}

// tell sends assignments such as "READY=1". What goes wrong is logged only:
// the lamps are watched whether the manager knows it or not.
func (m *manager) tell(assignments ...string) {
	if m == nil {
		return
	}
	if err := m.send(strings.Join(assignments, "\n")); err != nil {
		m.log.Warn("cannot tell the service manager", "what", assignments[0], "error", err)
	}
}

// working tells that a start goes on, and how far it is, so that one that takes
// long is not taken for one that hangs.
func (m *manager) working(doing string, done int64) {
	m.tell(fmt.Sprintf("EXTEND_TIMEOUT_USEC=%d", startTakes.Microseconds()), fmt.Sprintf("STATUS=%s: %d %%", doing, done))
}

// begins tells that a start goes on with what says nothing until it is done,
// and goes through so many bytes at most.
func (m *manager) begins(doing string, bytes int64) {
	takes := startTakes + time.Duration(bytes/slowDisk)*time.Second
	m.tell(fmt.Sprintf("EXTEND_TIMEOUT_USEC=%d", takes.Microseconds()), "STATUS="+doing)
}

// lasts tells for how long it has been at that. It does not ask for more time,
// for it cannot tell whether anything comes of it.
func (m *manager) lasts(doing string, minutes int) {
	m.tell(fmt.Sprintf("STATUS=%s, for %s", doing, span.Count(minutes, "minute")))
}

const (
	startTakes = 5 * time.Minute // how long nothing may be heard of a start
	slowDisk   = 512 << 10       // bytes a second; a memory card that is read a page here and a page there
)

// longStep tells of a start's steps that themselves say nothing until they are
// done: of each as it begins, and then once a minute, in the log as well. Call
// end after the last.
type longStep struct {
	manager *manager
	log     *slog.Logger
	stop    func() // ends what was begun last; nil: nothing
}

func (l *longStep) begin(doing string, bytes int64) {
	l.end()
	l.manager.begins(doing, bytes)
	done, ended := make(chan struct{}), make(chan struct{})
	l.stop = func() { close(done); <-ended }
	go func() {
		defer close(ended)
		t := time.NewTicker(time.Minute)
		defer t.Stop()
		for minutes := 1; ; minutes++ {
			select {
			case <-done:
				return
			case <-t.C:
			}
			l.manager.lasts(doing, minutes)
			l.log.Info(doing, "minutes", minutes)
		}
	}()
}

func (l *longStep) end() {
	if l.stop != nil {
		l.stop()
		l.stop = nil
	}
}

// ready tells that everything listens.
func (m *manager) ready(lamps int) {
	m.tell("READY=1", "STATUS=watching "+span.Count(lamps, "lamp"))
}

// kept tells that a new configuration was not taken.
func (m *manager) kept(lamps int) {
	m.tell("READY=1", "STATUS=the new configuration is wrong, see the log; watching "+span.Count(lamps, "lamp")+" by the old one")
}

// stopping tells that the stop was asked for.
func (m *manager) stopping() {
	m.tell("STOPPING=1", "STATUS=storing what is pending")
}

// reloading tells that the configuration is read again; ready follows.
func (m *manager) reloading() {
	m.tell("RELOADING=1", "STATUS=reading the configuration")
}

// watch gives signs of life until ctx ends. Each is given only after the
// daemon's loop has answered, so that a loop that hangs, in the rules or on a
// disk that does not come back, is noticed and restarted.
func (m *manager) watch(ctx context.Context, d *daemon) error {
	if m == nil || m.watchdog == 0 {
		<-ctx.Done()
		return nil
	}
	t := time.NewTicker(m.watchdog / 3)
	defer t.Stop()
	for {
		if d.alive(ctx, func(*rules.Machine) {}) == nil {
			m.tell("WATCHDOG=1")
		}
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
	}
}
