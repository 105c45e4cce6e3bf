package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules"
	"lampward/store"
)

// notifySocket is the service manager's end of the protocol.
type notifySocket struct {
	t    testing.TB
	name string
	c    *net.UnixConn
}

func newNotifySocket(t testing.TB, name string) *notifySocket {
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close() })
	return &notifySocket{t, name, c}
}

// next returns the next message, or "" if none comes within limit.
func (s *notifySocket) next(limit time.Duration) string {
	b := make([]byte, 4096)
	require.NoError(s.t, s.c.SetReadDeadline(time.Now().Add(limit)))
	n, err := s.c.Read(b)
	if os.IsTimeout(err) {
		return ""
	}
	require.NoError(s.t, err)
	return string(b[:n])
}

// waitFor reads messages until one begins with text.
func (s *notifySocket) waitFor(text string) {
	for limit := time.Now().Add(30 * time.Second); time.Now().Before(limit); {
		if strings.HasPrefix(s.next(30*time.Second), text) {
			return
		}
	}
	s.t.Fatalf("the service manager was not told %s", text)
}

// The whole conversation of a service with its manager, by the real program:
// the messages are those of sd_notify(3).
func TestServiceManager(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only systems with systemd speak this protocol")
	}
	dir := t.TempDir()
	s := newNotifySocket(t, filepath.Join(dir, "notify"))
	file := writeFile(t, "lampward.toml", fmt.Sprintf(`
[broker]
listen = "127.0.0.1:0"
[page]
listen = ""
[store]
dir = %q
[[lamp]]
name = "tank"
topic = "cellar/tank/light"
`, dir))
	cmd := exec.Command(os.Args[0], "run", "-config", file)
	cmd.Env = append(os.Environ(), childEnv+"=run", "NOTIFY_SOCKET="+s.name, "WATCHDOG_USEC=150000")
	require.NoError(t, cmd.Start())
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	assert.Equal(t, "READY=1\nSTATUS=watching 1 lamp", s.next(30*time.Second))
	for range 3 {
		assert.Equal(t, "WATCHDOG=1", s.next(30*time.Second))
	}
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	s.waitFor("STOPPING=1")
	require.NoError(t, <-done, "a stop that was asked for is clean")
}

// A loop that hangs gives no sign of life; one that answers does.
func TestWatchdogFollowsTheLoop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHarness(t, harnessConfig)
		signs := 0
		m := &manager{watchdog: 30 * time.Second, log: slog.New(slog.DiscardHandler), send: func(msg string) error {
			assert.Equal(t, "WATCHDOG=1", msg)
			signs++
			return nil
		}}
		ctx, cancel := context.WithCancel(t.Context())
		looping, stopLoop := context.WithCancel(t.Context())
		looped, watched := make(chan error, 1), make(chan error, 1)
		go func() { looped <- h.d.loop(looping) }()
		go func() { watched <- m.watch(ctx, h.d) }()
		after := func(d time.Duration) int {
			time.Sleep(d)
			synctest.Wait()
			n := signs
			signs = 0
			return n
		}
		assert.Equal(t, 6, after(55*time.Second), "one at once, then one every third of the interval")

		release := make(chan struct{})
		require.NoError(t, h.d.enqueue(ctx, job{look: func(*rules.Machine) { <-release }}))
		assert.Zero(t, after(10*time.Minute), "the loop is held")
		close(release)
		assert.NotZero(t, after(time.Minute))
		cancel()
		require.NoError(t, <-watched)
		stopLoop()
		<-looped
	})
}

func TestNewManager(t *testing.T) {
	env := func(pairs ...string) func(string) string {
		return func(key string) string {
			for i := 0; i < len(pairs); i += 2 {
				if pairs[i] == key {
					return pairs[i+1]
				}
			}
			return ""
		}
	}
	log := slog.New(slog.DiscardHandler)
	assert.Nil(t, newManager(env(), 7, log))
	assert.Nil(t, newManager(env("NOTIFY_SOCKET", "vsock:2:1234"), 7, log))
	assert.Zero(t, newManager(env("NOTIFY_SOCKET", "/run/n"), 7, log).watchdog)
	assert.Zero(t, newManager(env("NOTIFY_SOCKET", "/run/n", "WATCHDOG_USEC", "soon"), 7, log).watchdog)
	assert.Zero(t, newManager(env("NOTIFY_SOCKET", "/run/n", "WATCHDOG_USEC", "2000000", "WATCHDOG_PID", "8"), 7, log).watchdog,
		"meant for another process")
	assert.Equal(t, 2*time.Second, newManager(env("NOTIFY_SOCKET", "/run/n", "WATCHDOG_USEC", "2000000", "WATCHDOG_PID", "7"), 7, log).watchdog)

	var none *manager
	none.ready(1) // nobody to tell
	none.stopping()
	lost := newManager(env("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "gone")), 7, log)
	lost.ready(1) // must not stop the daemon
}

// A socket in the abstract name space begins with @.
func TestManagerAbstractSocket(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("abstract sockets are Linux's")
	}
	s := newNotifySocket(t, fmt.Sprintf("@lampward-test-%d", os.Getpid()))
	getenv := func(string) string { return s.name }
	newManager(getenv, 1, slog.New(slog.DiscardHandler)).reloading()
	assert.Equal(t, "RELOADING=1\nSTATUS=reading the configuration", s.next(10*time.Second))
}

// A start that takes long asks for more time whenever it got on, and says how
// far it is, counted from the oldest reading that is left; one that gets on
// slowly says so once a minute, in the log as well; one that does not says
// nothing.
func TestStartGetsOn(t *testing.T) {
	var told []string
	m := &manager{log: slog.New(slog.DiscardHandler), send: func(msg string) error {
		told = append(told, msg)
		return nil
	}}
	var log strings.Builder
	clock := &simClock{now: demoDay}
	d := &daemon{progress: m.working, clock: clock, log: slog.New(slog.NewTextHandler(&log, nil))}
	passed := d.way(t.Context(), "learning", 5000)
	for seq := range int64(4000) {
		require.NoError(t, passed(1001+seq))
		require.NoError(t, passed(1001+seq))
	}
	require.Len(t, told, 100)
	assert.Equal(t, "EXTEND_TIMEOUT_USEC=300000000\nSTATUS=learning: 1 %", told[0])
	assert.Equal(t, "EXTEND_TIMEOUT_USEC=300000000\nSTATUS=learning: 100 %", told[99])
	assert.Empty(t, log.String(), "a quick start is not worth a line")

	told = nil
	passed = d.way(t.Context(), "learning", 1_000_000)
	for seq := range int64(5) {
		require.NoError(t, passed(1+seq))
		clock.Advance(40 * time.Second)
	}
	assert.Equal(t, []string{"EXTEND_TIMEOUT_USEC=300000000\nSTATUS=learning: 0 %", "EXTEND_TIMEOUT_USEC=300000000\nSTATUS=learning: 0 %"}, told)
	assert.Equal(t, 2, strings.Count(log.String(), "msg=learning percent=0"), log.String())

	told = nil
	require.NoError(t, d.way(t.Context(), "nothing", 7)(8))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, d.way(ctx, "told to stop", 1000)(1), context.Canceled)
	d.progress = nil
	require.NoError(t, d.way(ctx, "nobody listens", 1)(1), "what is made anew while it runs is not ended")
	(*manager)(nil).working("no manager", 1)
}

// SIGTERM while the lamps learn again after an upgrade ends the start at once,
// and cleanly; the next start does it.
func TestStopWhileStarting(t *testing.T) {
	h := newHarness(t, harnessConfig)
	for i := range 600 {
		h.clock.Advance(time.Minute)
		require.NoError(t, h.publish("cellar/tank", fmt.Sprint(200+i%7)))
	}
	require.NoError(t, h.d.stop())
	h.ageLearner("")
	require.NoError(t, h.st.Close())

	h.cfg.Broker.Listen, h.cfg.Page.Listen = "127.0.0.1:0", "127.0.0.1:0"
	for _, early := range []bool{true, false} {
		var told []string
		ctx, cancel := context.WithCancel(t.Context())
		m := &manager{log: slog.New(slog.DiscardHandler), send: func(msg string) error {
			told = append(told, msg)
			if early && strings.Contains(msg, "learning again from the stored readings: 30 %") {
				cancel()
			}
			return nil
		}}
		ready := false
		err := serve(ctx, h.cfg, serveOptions{log: slog.New(slog.DiscardHandler), clock: h.clock, manager: m,
			ready: func(addresses) { ready = true; cancel() }})
		cancel()
		require.NoError(t, err)
		if early {
			assert.False(t, ready)
			require.Len(t, told, 31)
			assert.Contains(t, told[30], "STOPPING=1")
		} else {
			assert.True(t, ready, "the next start does not end by itself")
			assert.Contains(t, told[99], "learning again from the stored readings: 100 %")
		}
	}
}

// What says nothing until it is done, such as a check of the whole database, is
// told as it begins, with the time that a slow disk takes for it, and then once
// a minute, in the log as well, but without asking for more time.
func TestLongStep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var told []string
		m := &manager{send: func(msg string) error {
			mu.Lock()
			defer mu.Unlock()
			told = append(told, msg)
			return nil
		}}
		log := &logBuffer{more: make(chan struct{}, 1)}
		l := longStep{manager: m, log: slog.New(slog.NewTextHandler(log, nil))}
		after := func(d time.Duration) []string {
			time.Sleep(d)
			synctest.Wait()
			mu.Lock()
			defer mu.Unlock()
			defer func() { told = nil }()
			return told
		}
		l.begin("checking", 600*slowDisk)
		assert.Equal(t, []string{"EXTEND_TIMEOUT_USEC=900000000\nSTATUS=checking"}, after(59*time.Second))
		assert.Empty(t, log.String())
		assert.Equal(t, []string{"STATUS=checking, for 1 minute", "STATUS=checking, for 2 minutes"}, after(2*time.Minute))
		l.begin("raising", 0)
		assert.Equal(t, []string{"EXTEND_TIMEOUT_USEC=300000000\nSTATUS=raising", "STATUS=raising, for 1 minute"}, after(time.Minute))
		l.end()
		l.end()
		assert.Empty(t, after(time.Hour))
		assert.Equal(t, 2, strings.Count(log.String(), "msg=checking minutes="), log.String())
		assert.Equal(t, 1, strings.Count(log.String(), "msg=raising minutes=1"), log.String())
	})
}

// SIGTERM while the database is checked ends the start, and leaves nothing behind
// that tells of it.
func TestStopWhileChecking(t *testing.T) {
	h := newHarness(t, harnessConfig)
	h.ageLearner("", store.Part{Key: "makes the database large", Data: make([]byte, 5<<20)})
	require.NoError(t, h.st.Close())
	synctest.Test(t, func(t *testing.T) { // fails when a goroutine is left
		var told []string
		ctx, cancel := context.WithCancel(t.Context())
		m := &manager{log: slog.New(slog.DiscardHandler), send: func(msg string) error {
			told = append(told, msg)
			cancel()
			return nil
		}}
		require.NoError(t, serve(ctx, h.cfg, serveOptions{log: slog.New(slog.DiscardHandler), manager: m}))
		require.Len(t, told, 2)
		assert.Contains(t, told[0], "STATUS=checking the database: meta")
		assert.Contains(t, told[1], "STOPPING=1")
	})
}

// The real program, told to stop while it learns again: it ends cleanly, has
// changed nothing, and learns at the next start.
func TestTerminateWhileStarting(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only systems with systemd speak this protocol")
	}
	h := newHarness(t, harnessConfig)
	for i := range 100_000 {
		h.clock.Advance(time.Second)
		h.d.record(rules.Input{Kind: rules.InReading, Lamp: "tank", Device: "tank", Value: float64(200 + i%7)}, h.clock.Now())
		if i%maxBatch == 0 {
			h.d.flush(t.Context())
		}
	}
	require.NoError(t, h.d.stop())
	h.ageLearner("", store.Part{Key: "makes the database large", Data: make([]byte, 5<<20)})
	last := h.st.LastSeq()
	require.NoError(t, h.st.Close())

	dir := t.TempDir()
	s := newNotifySocket(t, filepath.Join(dir, "notify"))
	file := writeFile(t, "lampward.toml", fmt.Sprintf("[broker]\nlisten = \"127.0.0.1:0\"\n[page]\nlisten = \"\"\n[store]\ndir = %q\n%s", h.dir, harnessConfig))
	run := func(until string) (log string) {
		cmd := exec.Command(os.Args[0], "run", "-config", file)
		cmd.Env = append(os.Environ(), childEnv+"=run", "NOTIFY_SOCKET="+s.name)
		out := &logBuffer{more: make(chan struct{}, 1)}
		cmd.Stderr = out
		require.NoError(t, cmd.Start())
		done := make(chan error, 1)
		go func() { done <- cmd.Wait() }()
		s.waitFor("EXTEND_TIMEOUT_USEC=300000000\nSTATUS=checking the database: outbox")
		s.waitFor(until)
		require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
		s.waitFor("STOPPING=1")
		require.NoError(t, <-done, "a stop that was asked for is clean")
		return out.String()
	}
	log := run("EXTEND_TIMEOUT_USEC=300000000\nSTATUS=learning again from the stored readings: 1 %")
	assert.Contains(t, log, "told to stop while starting")
	assert.NotContains(t, log, "msg=ready")
	st, err := store.Open(t.Context(), store.Options{Dir: h.dir, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	assert.Equal(t, last, st.LastSeq())
	_, err = st.Check(t.Context())
	require.NoError(t, err)
	require.NoError(t, st.Close())

	assert.Contains(t, run("READY=1"), "msg=ready")
}
