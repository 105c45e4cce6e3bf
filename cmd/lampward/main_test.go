package main

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"encoding/json"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
)

// childEnv makes the test binary behave as lampward: "run" as it is, or with a
// fault that a test must be able to see.
const childEnv = "LAMPWARD_TEST_CHILD"

func TestMain(m *testing.M) {
	if mode := os.Getenv(childEnv); mode != "" {
		os.Exit(child(mode))
	}
	testscript.Main(m, map[string]func(){"lampward": func() {
		config.Packaged = "no/lampward.toml" // whatever is installed on this machine
		main()
	}})
}

func child(mode string) int {
	if mode == "run" {
		main()
	}
	// Controls: the same daemon with one promise broken.
	cfg, err := config.Load(os.Args[len(os.Args)-1])
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return exitUsage
	}
	o := serveOptions{log: newLog(os.Stderr, cfg.Log)}
	if mode == "early-ack" {
		o.sink = func(s broker.Sink) broker.Sink { return earlySink{s} }
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := serve(ctx, cfg, o); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return exitFailed
	}
	return exitOK
}

// earlySink acknowledges a reading before it is stored.
type earlySink struct{ broker.Sink }

func (s earlySink) Publish(ctx context.Context, m broker.Message) error {
	m.Topic, m.Payload = string([]byte(m.Topic)), bytes.Clone(m.Payload)
	time.AfterFunc(25*time.Millisecond, func() { _ = s.Sink.Publish(ctx, m) })
	return nil
}

func (s earlySink) PublishLater(ctx context.Context, m broker.Message, done chan<- error) error {
	done <- s.Publish(ctx, m)
	return nil
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(e *testscript.Env) error {
			e.Setenv("HOME", e.WorkDir)
			e.Setenv("XDG_CONFIG_HOME", filepath.Join(e.WorkDir, "config"))
			e.Setenv("XDG_STATE_HOME", filepath.Join(e.WorkDir, "state"))
			return nil
		},
		RequireExplicitExec: true,
	})
}

// daemonProcess is lampward in a process of its own.
type daemonProcess struct {
	cmd  *exec.Cmd
	log  *logBuffer
	done chan error
}

// logBuffer takes a process's log and wakes who waits for a line.
type logBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
	more chan struct{}
}

func (b *logBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	select {
	case b.more <- struct{}{}:
	default:
	}
	return b.text.Write(p)
}

func (b *logBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

// waitFor returns once the process has logged text.
func waitFor(t testing.TB, p *daemonProcess, text string) {
	limit := time.NewTimer(30 * time.Second)
	defer limit.Stop()
	for !strings.Contains(p.log.String(), text) {
		select {
		case <-p.log.more:
		case <-limit.C:
			t.Fatalf("lampward did not log %q but\n%s", text, p.log)
		}
	}
}

// startProcess runs this test binary as lampward and waits until its broker
// takes connections (or, with none of its own, until its page does).
func startProcess(t testing.TB, mode, file, listen string) *daemonProcess {
	p := &daemonProcess{cmd: exec.Command(os.Args[0], "run", "-config", file), log: &logBuffer{more: make(chan struct{}, 1)}, done: make(chan error, 1)}
	p.cmd.Env = append(os.Environ(), childEnv+"="+mode)
	p.cmd.Stderr = p.log
	require.NoError(t, p.cmd.Start())
	go func() { p.done <- p.cmd.Wait() }()
	deadline := time.Now().Add(30 * time.Second)
	for {
		c, err := net.DialTimeout("tcp", listen, time.Second)
		if err == nil {
			_ = c.Close()
			return p
		}
		select {
		case err := <-p.done:
			t.Fatalf("lampward ended by itself: %v\n%s", err, p.log)
		default:
		}
		if time.Now().After(deadline) {
			t.Fatalf("lampward does not listen on %s\n%s", listen, p.log)
		}
		// Nothing announces a listening process from outside but an open port.
		<-time.After(2 * time.Millisecond)
	}
}

func (p *daemonProcess) kill() {
	_ = p.cmd.Process.Kill()
	<-p.done
}

// terminate asks for a clean stop and returns the exit code.
func (p *daemonProcess) terminate(t testing.TB) int {
	require.NoError(t, p.cmd.Process.Signal(os.Interrupt))
	<-p.done
	return p.cmd.ProcessState.ExitCode()
}

// alert is what a receiver sees of one webhook.
type alert struct {
	ID   string `json:"id"`
	Data struct {
		Lamp   string `json:"lamp"`
		Device string `json:"device"`
		Kind   string `json:"kind"`
		Text   string `json:"text"`
		Why    string `json:"why"`
	} `json:"data"`
}

// phone receives webhooks.
type phone struct {
	*httptest.Server
	mu     sync.Mutex
	alerts []alert
	more   chan struct{} // has room for one; sent to after each alert
}

func newPhone(t testing.TB) *phone {
	p := &phone{more: make(chan struct{}, 1)}
	p.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var a alert
		if err := json.NewDecoder(r.Body).Decode(&a); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		p.mu.Lock()
		p.alerts = append(p.alerts, a)
		p.mu.Unlock()
		select {
		case p.more <- struct{}{}:
		default:
		}
	}))
	t.Cleanup(p.Close)
	return p
}

func (p *phone) all() []alert {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]alert(nil), p.alerts...)
}

// wait returns once ok says so of the alerts, or fails the test.
func (p *phone) wait(t testing.TB, ok func([]alert) bool) {
	limit := time.NewTimer(60 * time.Second)
	defer limit.Stop()
	for !ok(p.all()) {
		select {
		case <-p.more:
		case <-limit.C:
			t.Fatalf("the alerts that were waited for did not come; these did: %+v", p.all())
		}
	}
}

func writeFile(t testing.TB, name, text string) string {
	file := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
	return file
}

// quickConfig is a configuration of one lamp whose levels and delays are set by
// hand, so that two readings decide.
func quickConfig(listen, dir, topic, url string) string {
	return fmt.Sprintf(`
[broker]
listen = %q
[store]
dir = %q
[page]
listen = ""
[[lamp]]
name = "tank"
topic = %q
on_above = 600
off_below = 400
on_delay = "1ms"
off_delay = "1ms"
[[webhook]]
url = %q
`, listen, dir, topic, url)
}
