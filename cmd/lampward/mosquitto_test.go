package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker/brokertest"
)

// need returns the path of a program, or skips the test; where CI is set a
// missing program is a failure.
func need(t testing.TB, program string) string {
	for _, dir := range append(filepath.SplitList(os.Getenv("PATH")), "/usr/sbin", "/usr/local/sbin") {
		if path := filepath.Join(dir, program); isProgram(path) {
			return path
		}
	}
	if os.Getenv("CI") != "" {
		t.Fatalf("%s is missing", program)
	}
	t.Skipf("%s is not installed", program)
	return ""
}

func isProgram(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular() && info.Mode()&0o111 != 0
}

// publisher publishes readings with the reference command-line client.
type publisher struct {
	t        testing.TB
	program  string
	host     string
	port     string
	topic    string
	readings int
}

func newPublisher(t testing.TB, address, topic string) *publisher {
	host, port, err := net.SplitHostPort(address)
	require.NoError(t, err)
	return &publisher{t: t, program: need(t, "mosquitto_pub"), host: host, port: port, topic: topic}
}

// publish sends n readings about level, each in a run of the program of its
// own, as a board does that sleeps in between.
func (p *publisher) publish(n, level int) {
	for range n {
		p.readings++
		out, err := exec.Command(p.program, "-h", p.host, "-p", p.port, "-q", "1", "-t", p.topic,
			"-m", fmt.Sprint(level+p.readings*5%11)).CombinedOutput()
		require.NoError(p.t, err, "%s", out)
	}
}

func kindsOf(alerts []alert) (kinds []string) {
	seen := map[string]bool{}
	for _, a := range alerts {
		if !seen[a.ID] {
			seen[a.ID] = true
			kinds = append(kinds, a.Data.Kind)
		}
	}
	return kinds
}

func has(n int) func([]alert) bool {
	return func(a []alert) bool { return len(kindsOf(a)) >= n }
}

// The main job from outside: mosquitto_pub publishes to the embedded broker,
// and the alert of the learned lamp arrives.
func TestMosquittoPub(t *testing.T) {
	receiver := newPhone(t)
	listen := brokertest.FreeAddress(t)
	file := writeFile(t, "lampward.toml", fmt.Sprintf(`
[broker]
listen = %q
[store]
dir = %q
[page]
listen = ""

[[lamp]]
name  = "tank"
topic = "cellar/tank/light"

[[webhook]]
url = %q
`, listen, t.TempDir(), receiver.URL))
	board := newPublisher(t, listen, "cellar/tank/light")
	p := startProcess(t, "run", file, listen)
	board.publish(40, 200)
	board.publish(25, 600)
	receiver.wait(t, has(1))
	board.publish(40, 200)
	receiver.wait(t, has(2))
	assert.Zero(t, p.terminate(t), "%s", p.log)
	assert.Equal(t, []string{"lit", "dark"}, kindsOf(receiver.all()))
	assert.Equal(t, "tank", receiver.all()[0].Data.Lamp)
}

// mosquitto is a broker in a process of its own that keeps sessions on disk.
type mosquitto struct {
	t       testing.TB
	program string
	conf    string
	address string
	cmd     *exec.Cmd
}

func startMosquitto(t testing.TB) *mosquitto {
	m := &mosquitto{t: t, program: need(t, "mosquitto"), address: brokertest.FreeAddress(t)}
	host, port, err := net.SplitHostPort(m.address)
	require.NoError(t, err)
	dir := t.TempDir()
	// mosquitto started as root drops to another user.
	require.NoError(t, os.Chmod(dir, 0o777))
	m.conf = filepath.Join(dir, "mosquitto.conf")
	require.NoError(t, os.WriteFile(m.conf, []byte(fmt.Sprintf(
		"listener %s %s\nallow_anonymous true\npersistence true\npersistence_location %s/\nuser root\n", port, host, dir)), 0o644))
	m.start()
	t.Cleanup(m.stop)
	return m
}

func (m *mosquitto) start() {
	m.cmd = exec.Command(m.program, "-c", m.conf)
	require.NoError(m.t, m.cmd.Start())
	for range 5000 {
		if c, err := net.Dial("tcp", m.address); err == nil {
			_ = c.Close()
			return
		}
		<-time.After(2 * time.Millisecond)
	}
	m.t.Fatal("mosquitto does not listen")
}

func (m *mosquitto) stop() {
	_ = m.cmd.Process.Signal(os.Interrupt)
	_ = m.cmd.Wait()
}

// The same through a broker that ran before lampward and is restarted in the
// middle.
func TestExternalMosquitto(t *testing.T) {
	receiver := newPhone(t)
	m := startMosquitto(t)
	pageAt := brokertest.FreeAddress(t)
	file := writeFile(t, "lampward.toml", fmt.Sprintf(`
[broker]
url = "mqtt://%s"
[store]
dir = %q
[page]
listen = %q

[[lamp]]
name  = "tank"
topic = "cellar/tank/light"

[[webhook]]
url = %q
`, m.address, t.TempDir(), pageAt, receiver.URL))
	board := newPublisher(t, m.address, "cellar/tank/light")
	p := startProcess(t, "run", file, pageAt)
	waitFor(t, p, "connected to the broker")
	board.publish(40, 200)
	m.stop()
	m.start()
	board.publish(25, 600)
	receiver.wait(t, has(1))
	// What is published while lampward is away waits in the session.
	require.Zero(t, p.terminate(t), "%s", p.log)
	board.publish(40, 200)
	p = startProcess(t, "run", file, pageAt)
	receiver.wait(t, has(2))
	assert.Zero(t, p.terminate(t), "%s", p.log)
	assert.Equal(t, []string{"lit", "dark"}, kindsOf(receiver.all()))
}
