package main

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/broker/brokertest"
	"lampward/cmd/lampward/config"
	"lampward/cmd/lampward/page"
	"lampward/rules"
	"lampward/store"
)

// reloading is a daemon that a test reloads.
type reloading struct {
	t       *testing.T
	file    string
	listen  string
	log     *logBuffer
	hup     chan os.Signal
	started chan struct{}
	daemon  *daemon // the one that runs; set before started is sent to
	managed []string
	full    atomic.Bool // the disk
	done    chan error
	stop    func()
}

func newReloading(t *testing.T, text string) *reloading {
	r := &reloading{
		t: t, listen: brokertest.FreeAddress(t), log: &logBuffer{more: make(chan struct{}, 1)},
		hup: make(chan os.Signal, 1), started: make(chan struct{}, 1), done: make(chan error, 1),
	}
	dir := t.TempDir()
	r.file = writeFile(t, "lampward.toml", "")
	common := fmt.Sprintf("[broker]\nlisten = %q\n[store]\ndir = %q\n[page]\nlisten = \"\"\n", r.listen, dir)
	r.write(common + text)
	cfg, err := config.Load(r.file)
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	r.stop = stop
	rl := reloader{hup: r.hup, load: func() (*config.Config, error) { return config.Load(r.file) }}
	var mu sync.Mutex
	rl.options = func(cfg *config.Config) serveOptions {
		log := newLog(r.log, cfg.Log)
		m := &manager{log: log, send: func(msg string) error {
			first, _, _ := strings.Cut(msg, "\n")
			mu.Lock()
			defer mu.Unlock()
			r.managed = append(r.managed, first)
			return nil
		}}
		var now *daemon
		return serveOptions{log: log, manager: m, inside: func(d *daemon) {
			now = d
			d.store = fullDisk{d.store, &r.full}
		}, ready: func(addresses) {
			r.daemon = now
			r.started <- struct{}{}
		}}
	}
	go func() { r.done <- rl.serve(ctx, cfg) }()
	r.waitStart()
	return r
}

// fullDisk stores nothing while the disk is full.
type fullDisk struct {
	keeper
	full *atomic.Bool
}

func (s fullDisk) Append(ctx context.Context, recs []store.Record, sync bool) (int64, error) {
	if s.full.Load() {
		return 0, errDisk
	}
	return s.keeper.Append(ctx, recs, sync)
}

func (r *reloading) waitStart() {
	select {
	case <-r.started:
	case err := <-r.done:
		r.t.Fatalf("the daemon ended: %v\n%s", err, r.log)
	case <-time.After(30 * time.Second):
		r.t.Fatalf("the daemon did not start\n%s", r.log)
	}
}

func (r *reloading) write(text string) {
	require.NoError(r.t, os.WriteFile(r.file, []byte(text), 0o600))
}

func (r *reloading) text() string {
	b, err := os.ReadFile(r.file)
	require.NoError(r.t, err)
	return string(b)
}

// refused asks for a reload and waits until the log says why it was not done.
func (r *reloading) refused(reason string) {
	r.hup <- syscall.SIGHUP
	waitFor(r.t, &daemonProcess{log: r.log}, reason)
	assert.Contains(r.t, r.log.String(), "the old one goes on")
}

func (r *reloading) publish(topic string, values ...int) {
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + r.listen).SetClientID("board").SetAutoReconnect(false))
	token := c.Connect()
	require.True(r.t, token.WaitTimeout(30*time.Second))
	require.NoError(r.t, token.Error())
	defer c.Disconnect(100)
	for _, v := range values {
		token := c.Publish(topic, 1, false, fmt.Sprint(v))
		require.True(r.t, token.WaitTimeout(30*time.Second))
		require.NoError(r.t, token.Error())
	}
}

// lamp returns the learner's state of one lamp, as its snapshot has it.
func (r *reloading) lamp(name string) (state []byte) {
	require.NoError(r.t, r.daemon.do(r.t.Context(), job{look: func(m *rules.Machine) {
		parts, err := m.Snapshot()
		require.NoError(r.t, err)
		for _, p := range parts {
			if p.Key == "lamp/"+name {
				state = bytes.Clone(p.Data)
			}
		}
	}}))
	return state
}

func (r *reloading) status(name string) (s rules.LampStatus, ok bool) {
	require.NoError(r.t, r.daemon.do(r.t.Context(), job{look: func(m *rules.Machine) { s, ok = m.LampStatus(name) }}))
	return s, ok
}

func (r *reloading) end() {
	r.stop()
	require.NoError(r.t, <-r.done, "a stop that was asked for is clean")
}

const tankOnly = "[[lamp]]\nname = \"tank\"\ntopic = \"cellar/tank\"\n"

func TestReload(t *testing.T) {
	r := newReloading(t, tankOnly)
	r.publish("cellar/tank", 200, 203, 201, 199, 202, 200, 640, 641)
	learned := r.lamp("tank")
	require.NotEmpty(t, learned)

	// A lamp more, and what was learned is still there, byte for byte.
	before := r.text()
	r.write(before + "[[lamp]]\nname = \"salt\"\ntopic = \"cellar/salt\"\n")
	r.hup <- syscall.SIGHUP
	r.waitStart()
	assert.Equal(t, learned, r.lamp("tank"))
	r.publish("cellar/salt", 77)
	s, ok := r.status("salt")
	require.True(t, ok)
	assert.Equal(t, 77.0, s.Value)

	// Mistakes: all of them in the log with their lines, and nothing changes.
	good := r.text()
	r.write(good + "[[lamp]]\nnam = \"x\"\ntopic = \"#\"\n")
	lines := strings.Count(good, "\n")
	r.refused(fmt.Sprintf("%s:%d: lamp[3].topic", r.file, lines+3))
	assert.Contains(t, r.log.String(), fmt.Sprintf("%s:%d: lamp[3].nam: no such key", r.file, lines+2))
	r.publish("cellar/salt", 78)
	s, _ = r.status("salt")
	assert.Equal(t, 78.0, s.Value)

	// What only shows when it is used: a secret that is missing, an address
	// that is taken.
	r.write(good + "[[webhook]]\nurl = \"http://192.0.2.1/\"\nsecret_file = \"/nowhere/secret\"\n")
	r.refused("/nowhere/secret")
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer taken.Close()
	r.write(strings.Replace(good, r.listen, taken.Addr().String(), 1))
	r.refused("broker.listen")
	r.publish("cellar/tank", 640)

	// Another folder, where what is still to be sent is not.
	r.write(strings.Replace(good, "[store]\ndir = ", "[store]\ndir = \"/nowhere/store\" # ", 1))
	r.refused("stop lampward, move the folder")

	// A file that is not there.
	r.write(strings.Replace(good, fmt.Sprintf("listen = %q", r.listen), "url = \"mqtts://192.0.2.1\"\nca_file = \"/nowhere/ca.pem\"", 1))
	r.refused("broker.ca_file: open /nowhere/ca.pem")

	// A configuration with which no daemon starts, for the address is not this
	// machine's: the old one starts again.
	hash, err := broker.HashPassword("secret")
	require.NoError(t, err)
	r.write(strings.Replace(good, brokertest.Host+":", "192.0.2.1:", 1) + fmt.Sprintf("\n[[account]]\nname = \"board\"\npassword_hash = %q\n", hash))
	r.refused("no daemon starts with the new configuration")
	r.waitStart()
	r.publish("cellar/salt", 79)
	s, _ = r.status("salt")
	assert.Equal(t, 79.0, s.Value)

	// And another address, which is no reason for a restart by hand.
	old := r.listen
	r.listen = brokertest.FreeAddress(t)
	r.write(strings.Replace(good, old, r.listen, 1))
	r.hup <- syscall.SIGHUP
	r.waitStart()
	r.publish("cellar/tank", 642)
	s, _ = r.status("tank")
	assert.Equal(t, 642.0, s.Value)
	r.end()

	told := strings.Join(r.managed, " ")
	assert.Equal(t, 1, strings.Count(told, "STOPPING=1"), told)
	assert.True(t, strings.HasSuffix(told, "STOPPING=1"), told)
	assert.Equal(t, 8, strings.Count(told, "RELOADING=1"), told)
	assert.Equal(t, 9, strings.Count(told, "READY=1"), "every reload ends in readiness: %s", told)
}

// The page and the broker may take each other's port: both are closed before.
func TestReloadSwapsPorts(t *testing.T) {
	r := newReloading(t, tankOnly)
	port := brokertest.FreeAddress(t)
	noPage := r.text()
	with := func(brokerAt, pageAt string) {
		text := strings.Replace(noPage, fmt.Sprintf("listen = %q", r.listen), fmt.Sprintf("listen = %q", brokerAt), 1)
		r.write(strings.Replace(text, "listen = \"\"", fmt.Sprintf("listen = %q", pageAt), 1))
		r.hup <- syscall.SIGHUP
		r.waitStart()
	}
	with(r.listen, port)
	with(port, r.listen)
	r.listen = port
	r.publish("cellar/tank", 640)
	s, _ := r.status("tank")
	assert.Equal(t, 640.0, s.Value)
	r.end()
}

// A reload mends no database: that it is damaged goes on being told, until an
// inspection finds it well.
func TestReloadKeepsDamage(t *testing.T) {
	r := newReloading(t, tankOnly)
	text := "page 7 is of no use"
	r.daemon.damage.Store(&text)
	for range 2 {
		was := r.daemon
		r.hup <- syscall.SIGHUP
		r.waitStart()
		require.NotSame(t, was, r.daemon)
		s, err := (&pageSource{d: r.daemon}).Status(t.Context())
		require.NoError(t, err)
		assert.Equal(t, text, s.Damaged)
		assert.EqualError(t, r.daemon.healthy(), text)
	}
	r.daemon.damage.Store(nil)
	r.hup <- syscall.SIGHUP
	r.waitStart()
	assert.NoError(t, r.daemon.healthy())
	r.end()
}

// A lamp that is taken out of the configuration and put back is learned anew:
// the control for what TestReload compares.
func TestReloadForgetsWhatIsGone(t *testing.T) {
	r := newReloading(t, tankOnly)
	r.publish("cellar/tank", 200, 203, 201, 199, 202, 200, 640, 641)
	learned := r.lamp("tank")
	good := r.text()
	r.write(strings.Replace(good, `name = "tank"`, `name = "other"`, 1))
	r.hup <- syscall.SIGHUP
	r.waitStart()
	r.write(good)
	r.hup <- syscall.SIGHUP
	r.waitStart()
	assert.NotEqual(t, learned, r.lamp("tank"))
	r.end()
}

// Levels that were set by hand, and then no more, do not come back with the old
// configuration when no daemon starts with a new one.
func TestReloadBackToOldLevels(t *testing.T) {
	r := newReloading(t, tankOnly)
	levels := func(verb string) {
		src := &pageSource{d: r.daemon}
		_, err := src.setLevels(t.Context(), page.Action{Verb: verb, Lamp: "tank", OnAbove: 600, OffBelow: 400})
		require.NoError(t, err)
	}
	byHand := func() (set bool) {
		require.NoError(t, r.daemon.do(t.Context(), job{look: func(m *rules.Machine) { set = m.Config().Lamps[0].Learn.Manual.IsSet() }}))
		return set
	}
	levels(page.Levels)
	r.hup <- syscall.SIGHUP
	r.waitStart()
	require.True(t, byHand())
	levels(page.Relearn)
	require.False(t, byHand())
	hash, err := broker.HashPassword("secret")
	require.NoError(t, err)
	r.write(strings.Replace(r.text(), brokertest.Host+":", "192.0.2.1:", 1) + fmt.Sprintf("\n[[account]]\nname = \"board\"\npassword_hash = %q\n", hash))
	r.refused("no daemon starts with the new configuration")
	r.waitStart()
	assert.False(t, byHand())
	r.end()
}

// A reload while the disk is full, as of who has shortened keep_readings to free it, or
// with levels that cannot be read, does not end a daemon that nothing could replace.
func TestReloadWithWhichNothingStarts(t *testing.T) {
	r := newReloading(t, tankOnly)
	r.full.Store(true)
	ack := rules.Input{Kind: rules.InAck, Lamp: "tank"}
	require.ErrorIs(t, r.daemon.do(t.Context(), job{}, ack), errDisk)
	r.refused("no daemon starts while nothing can be stored")
	r.full.Store(false)
	waitFor(t, &daemonProcess{log: r.log}, "storing works again")
	require.NoError(t, r.daemon.do(t.Context(), job{}, ack))

	levels := filepath.Join(r.daemon.cfg.Store.Dir, levelsFile)
	require.NoError(t, os.WriteFile(levels, []byte("{"), 0o600))
	r.refused("levels set by hand")
	require.NoError(t, r.daemon.do(t.Context(), job{}, ack))
	require.NoError(t, os.Remove(levels))

	r.hup <- syscall.SIGHUP
	r.waitStart()
	r.end()
}

// The signal itself, with the program in a process of its own.
func TestHangup(t *testing.T) {
	listen := brokertest.FreeAddress(t)
	text := fmt.Sprintf("[broker]\nlisten = %q\n[store]\ndir = %q\n[page]\nlisten = \"\"\n%s", listen, t.TempDir(), tankOnly)
	file := writeFile(t, "lampward.toml", text)
	p := startProcess(t, "run", file, listen)
	waitFor(t, p, "msg=ready")
	require.NoError(t, os.WriteFile(file, []byte(text+"[[lamp]]\nname = \"salt\"\ntopic = \"cellar/salt\"\n"), 0o600))
	require.NoError(t, p.cmd.Process.Signal(syscall.SIGHUP))
	waitFor(t, p, "lamps=2")
	assert.Equal(t, exitOK, p.terminate(t))
}
