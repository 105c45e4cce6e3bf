package broker

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"log/slog"
	"maps"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"lampward/broker/brokertest"
)

// needs returns the path of a program; without it the test is skipped, but
// fails where CI is set.
func needs(t *testing.T, program string) string {
	t.Helper()
	for _, dir := range []string{"", "/usr/sbin/", "/usr/local/sbin/"} {
		if path, err := exec.LookPath(dir + program); err == nil {
			return path
		}
	}
	if os.Getenv("CI") != "" {
		t.Fatalf("%s is not installed: apt-get install mosquitto mosquitto-clients", program)
	}
	t.Skipf("%s is not installed", program)
	return ""
}

// mosquitto is a real broker on a free loopback port, with its own data.
type mosquitto struct {
	t    *testing.T
	bin  string
	dir  string
	port string
	cmd  *exec.Cmd
	done chan struct{}
}

func newMosquitto(t *testing.T, extra ...string) *mosquitto {
	m := &mosquitto{t: t, bin: needs(t, "mosquitto"), dir: t.TempDir()}
	_, m.port, _ = net.SplitHostPort(brokertest.FreeAddress(t))
	conf := fmt.Sprintf("listener %s %s\npersistence true\npersistence_location %s/\nmax_queued_messages 0\nlog_dest stderr\nuser root\n", m.port, brokertest.Host, m.dir)
	if len(extra) == 0 {
		extra = []string{"allow_anonymous true"}
	}
	require.NoError(t, os.WriteFile(m.conf(), []byte(conf+strings.Join(extra, "\n")+"\n"), 0o600))
	m.start()
	t.Cleanup(m.stop)
	return m
}

func (m *mosquitto) conf() string { return filepath.Join(m.dir, "mosquitto.conf") }

// start returns when the broker says that it runs.
func (m *mosquitto) start() {
	m.t.Helper()
	m.cmd = exec.Command(m.bin, "-c", m.conf())
	out, err := m.cmd.StderrPipe()
	require.NoError(m.t, err)
	require.NoError(m.t, m.cmd.Start())
	running := make(chan string, 1)
	m.done = make(chan struct{})
	go func() {
		defer close(m.done)
		var all strings.Builder
		for s := bufio.NewScanner(out); s.Scan(); {
			if all.Len() < 1<<16 {
				fmt.Fprintln(&all, s.Text())
			}
			if strings.Contains(s.Text(), " running") {
				running <- ""
			}
		}
		select {
		case running <- all.String():
		default:
		}
	}()
	select {
	case failed := <-running:
		require.Empty(m.t, failed, "mosquitto did not start")
	case <-time.After(30 * time.Second):
		m.t.Fatal("mosquitto did not start in 30 s")
	}
}

// stop ends it; it writes its state to disk first.
func (m *mosquitto) stop() {
	if m.cmd == nil {
		return
	}
	_ = m.cmd.Process.Signal(syscall.SIGTERM)
	<-m.done
	_ = m.cmd.Wait()
	m.cmd = nil
}

func (m *mosquitto) url(scheme string) string {
	return fmt.Sprintf("%s://%s:%s", scheme, brokertest.Host, m.port)
}

// want is a Sink that tells when it has taken so many different payloads.
type want struct {
	counting
	mu    sync.Mutex
	seen  map[string]int
	first map[string]Message
	left  int
	done  chan struct{}
	up    chan bool // changes only: an outage may be told again with a new reason
	was   []bool    // the last of them
	fail  func(m Message) bool
}

func newWant(n int) *want {
	return &want{seen: map[string]int{}, first: map[string]Message{}, left: n, done: make(chan struct{}), up: make(chan bool, 100)}
}

func (w *want) PublishLater(ctx context.Context, m Message, done chan<- error) error {
	done <- w.Publish(ctx, m)
	return nil
}

func (w *want) Publish(_ context.Context, m Message) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.fail != nil && w.fail(m) {
		return errDiskFull
	}
	p := string(m.Payload)
	w.seen[p]++
	if w.seen[p] == 1 {
		w.first[p] = Message{Topic: m.Topic, Retained: m.Retained, Dup: m.Dup, QoS: m.QoS}
		if w.left--; w.left == 0 {
			close(w.done)
		}
	}
	return nil
}

func (w *want) payloads() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Sorted(maps.Keys(w.seen))
}

func (w *want) get(payload string) Message {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.first[payload]
}

func (w *want) Uplink(_ context.Context, up bool, _ string) {
	w.mu.Lock()
	news := !slices.Equal(w.was, []bool{up})
	w.was = []bool{up}
	w.mu.Unlock()
	if news {
		w.up <- up
	}
}

func (w *want) wait(t *testing.T, what string) {
	t.Helper()
	select {
	case <-w.done:
	case <-time.After(60 * time.Second):
		t.Fatalf("%s: not all readings arrived; %d are missing", what, w.left)
	}
}

func (w *want) waitUp(t *testing.T, up bool) {
	t.Helper()
	select {
	case got := <-w.up:
		require.Equal(t, up, got)
	case <-time.After(60 * time.Second):
		t.Fatalf("no news of the uplink being %v", up)
	}
}

func runExternal(t *testing.T, opts ExternalOptions, sink Sink) *External {
	opts.Log = slog.New(slog.DiscardHandler)
	x, err := NewExternal(opts)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- x.Run(ctx, sink) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-done)
	})
	return x
}

func TestMosquittoRestartLosesNothing(t *testing.T) {
	m := newMosquitto(t)
	const n = 600
	sink := newWant(n)
	refused := 0
	sink.fail = func(Message) bool { // the disk is full now and then, too
		if refused < 2 && len(sink.seen) == 100*(1+refused) {
			refused++
			return true
		}
		return false
	}
	x := runExternal(t, ExternalOptions{URL: m.url("mqtt"), Topics: []string{"cellar/#"}}, sink)
	sink.waitUp(t, true)

	// A board that keeps what is not acknowledged and comes back by itself.
	store := paho.NewOrderedMemoryStore()
	board := paho.NewClient(paho.NewClientOptions().AddBroker(m.url("tcp")).SetClientID("board").SetCleanSession(false).
		SetStore(store).SetAutoReconnect(true).SetMaxReconnectInterval(100 * time.Millisecond).SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond))
	require.True(t, board.Connect().WaitTimeout(30*time.Second))
	defer board.Disconnect(100)
	for i := range n {
		token := board.Publish(fmt.Sprint("cellar/lamp", i%7), 1, false, fmt.Sprint(i))
		switch i {
		case n / 2:
			m.stop()
			m.start()
		case n / 4, n - 1:
			require.True(t, token.WaitTimeout(30*time.Second))
		}
	}
	sink.wait(t, "mosquitto restarted")
	require.Equal(t, 2, refused)
	// What the broker kept comes before its answer to our subscription, which
	// makes a connection count.
	sink.waitUp(t, false)
	sink.waitUp(t, true)
	s := x.Stats()
	t.Logf("%d messages heard for %d readings; %d refused, %d known copies; %d connections", s.Messages, n, s.Refused, s.Duplicates, s.Connects)
	require.GreaterOrEqual(t, s.Connects, uint64(2))
}

// The control: acknowledged on arrival, as the library does by itself, what
// the store refuses is lost, and the check above sees it.
func TestMosquittoAcknowledgedTooEarlyIsLost(t *testing.T) {
	m := newMosquitto(t)
	const n = 50
	sink := newWant(n - 1) // one is lost
	sink.fail = func(m Message) bool { return string(m.Payload) == "7" }
	early := paho.NewClient(paho.NewClientOptions().AddBroker(m.url("tcp")).SetClientID("early").SetCleanSession(false).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
			_ = sink.Publish(t.Context(), Message{Topic: m.Topic(), Payload: m.Payload(), QoS: m.Qos()})
		}))
	require.True(t, early.Connect().WaitTimeout(30*time.Second))
	require.True(t, early.Subscribe("cellar/#", 1, nil).WaitTimeout(30*time.Second))
	board := paho.NewClient(paho.NewClientOptions().AddBroker(m.url("tcp")).SetClientID("board"))
	require.True(t, board.Connect().WaitTimeout(30*time.Second))
	for i := range n {
		require.True(t, board.Publish("cellar/lamp", 1, false, fmt.Sprint(i)).WaitTimeout(30*time.Second))
	}
	sink.wait(t, "acknowledged too early")
	early.Disconnect(100)
	// Not even a new connection brings it back.
	sink.mu.Lock()
	sink.fail = nil
	sink.left, sink.done = 1, make(chan struct{})
	sink.mu.Unlock()
	require.True(t, early.Connect().WaitTimeout(30*time.Second))
	require.True(t, early.Subscribe("cellar/#", 1, nil).WaitTimeout(30*time.Second))
	require.True(t, board.Publish("cellar/lamp", 1, false, "last").WaitTimeout(30*time.Second))
	sink.wait(t, "the one after")
	require.NotContains(t, sink.payloads(), "7")
	early.Disconnect(100)
	board.Disconnect(100)
}

func TestMosquittoKeepsReadingsWhileLampwardIsAway(t *testing.T) {
	m := newMosquitto(t)
	opts := ExternalOptions{URL: m.url("mqtt"), Topics: []string{"cellar/+/light"}, ClientID: "lampward-test"}
	sink := newWant(1)
	opts.Log = slog.New(slog.DiscardHandler)
	x, err := NewExternal(opts)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- x.Run(ctx, sink) }()
	sink.waitUp(t, true)
	pub := func(args ...string) {
		out, err := exec.Command(needs(t, "mosquitto_pub"), append([]string{"-h", brokertest.Host, "-p", m.port, "-q", "1"}, args...)...).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	pub("-t", "cellar/tank/light", "-m", "live")
	sink.wait(t, "live")
	cancel()
	require.NoError(t, <-done)

	pub("-t", "cellar/tank/light", "-m", "away 1")
	pub("-t", "cellar/tank/light", "-m", "away 2")
	pub("-t", "cellar/other/light", "-m", "old", "-r")
	m.stop()
	m.start()
	sink = newWant(3)
	runExternal(t, opts, sink)
	sink.wait(t, "away")
	require.Equal(t, []string{"away 1", "away 2", "old"}, sink.payloads(), "and not what was acknowledged before")
	require.False(t, sink.get("away 1").Retained)

	// To a newcomer the retained one is old.
	sink = newWant(1)
	opts.ClientID = "newcomer"
	runExternal(t, opts, sink)
	sink.wait(t, "retained")
	require.True(t, sink.get("old").Retained)
}

// A broker that grants less than was asked for keeps nothing while lampward is away,
// which is said; what comes meanwhile is heard all the same.
func TestMosquittoGrantsQoS0Only(t *testing.T) {
	for _, c := range []struct {
		conf string
		want uint64
	}{{"max_qos 0", 1}, {"max_qos 1", 0}} {
		m := newMosquitto(t, "allow_anonymous true", c.conf)
		sink := newWant(1)
		x := runExternal(t, ExternalOptions{URL: m.url("mqtt"), Topics: []string{"cellar/tank/light"}}, sink)
		sink.waitUp(t, true)
		require.Equal(t, c.want, noted(x.quiet)[quietKey{x.url.Host, "qos_0"}], c.conf)
		out, err := exec.Command(needs(t, "mosquitto_pub"), "-h", brokertest.Host, "-p", m.port, "-t", "cellar/tank/light", "-m", "512").CombinedOutput()
		require.NoError(t, err, string(out))
		sink.wait(t, "at QoS 0")
	}
}

func TestMosquittoTLSAndLogin(t *testing.T) {
	dir := t.TempDir()
	caFile, certFile, keyFile := makeCert(t, dir)
	ca, err := os.ReadFile(caFile)
	require.NoError(t, err)
	roots := x509.NewCertPool()
	require.True(t, roots.AppendCertsFromPEM(ca))
	pwFile := filepath.Join(dir, "passwd")
	out, err := exec.Command(needs(t, "mosquitto_passwd"), "-b", "-c", pwFile, "lampward", "s3cret").CombinedOutput()
	require.NoError(t, err, string(out))
	m := newMosquitto(t, "allow_anonymous false", "password_file "+pwFile, "certfile "+certFile, "keyfile "+keyFile)
	good := ExternalOptions{URL: m.url("mqtts"), Topics: []string{"a"}, User: "lampward",
		Password: func() (string, error) { return "s3cret", nil }, TLS: &tls.Config{RootCAs: roots}}
	sink := newWant(1)
	runExternal(t, good, sink)
	sink.waitUp(t, true)

	for name, edit := range map[string]func(*ExternalOptions){
		"unknown authority": func(o *ExternalOptions) { o.TLS = nil },
		"plain":             func(o *ExternalOptions) { o.URL = m.url("mqtt") },
		"wrong password": func(o *ExternalOptions) {
			o.Password = nil
			o.URL = strings.Replace(o.URL, "://", "://lampward:no@", 1)
		},
	} {
		bad := good
		bad.ClientID = "bad"
		edit(&bad)
		sink := newWant(1)
		runExternal(t, bad, sink)
		t.Run(name, func(t *testing.T) { sink.waitUp(t, false) })
	}
}

// makeCert makes a self-signed certificate for 127.0.0.1 and brokertest.Host.
func makeCert(t *testing.T, dir string) (ca, cert, key string) {
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "broker.test"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1), net.ParseIP(brokertest.Host)}}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &k.PublicKey, k)
	require.NoError(t, err)
	kder, err := x509.MarshalPKCS8PrivateKey(k)
	require.NoError(t, err)
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644))
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: kder}), 0o600))
	return cert, cert, key
}

// Mosquitto's own clients against the embedded broker: another implementation
// of both versions.
func TestMosquittoClientsUseTheEmbeddedBroker(t *testing.T) {
	pub := needs(t, "mosquitto_pub")
	for _, v := range []string{"311", "5"} {
		for _, q := range []string{"0", "1", "2"} {
			t.Run("v"+v+" QoS "+q, func(t *testing.T) {
				sink := newWant(1)
				_, addr := listening(t, Options{Accounts: []Account{{Name: "tank", PasswordHash: cheap("pw"), Publish: []string{"cellar/#"}}}}, sink)
				_, port, _ := net.SplitHostPort(addr)
				out, err := exec.Command(pub, "-p", port, "-V", v, "-q", q, "-u", "tank", "-P", "pw", "-t", "cellar/tank/light", "-m", "512").CombinedOutput()
				require.NoError(t, err, string(out))
				sink.wait(t, "published")
				require.Equal(t, q[0]-'0', sink.get("512").QoS)
				out, err = exec.Command(pub, "-p", port, "-V", v, "-q", q, "-u", "tank", "-P", "wrong", "-t", "cellar/tank/light", "-m", "513").CombinedOutput()
				require.Error(t, err, string(out))
			})
		}
	}
}

// A broker hands readings on to the embedded one as a bridge, with mosquitto's own
// settings: it begins with a protocol level that no standard has, and tries again
// without only if it is answered in the standard's words.
func TestMosquittoBridgesToTheEmbeddedBroker(t *testing.T) {
	pub := needs(t, "mosquitto_pub")
	sink := newWant(1)
	_, addr := listening(t, Options{Accounts: []Account{{Name: "bridge", PasswordHash: cheap("pw"), Publish: []string{"cellar/#"}}}}, sink)
	m := newMosquitto(t, "allow_anonymous true", "connection lampward", "address "+addr, "topic cellar/# out 1",
		"remote_username bridge", "remote_password pw", "restart_timeout 1")
	out, err := exec.Command(pub, "-h", brokertest.Host, "-p", m.port, "-q", "1", "-t", "cellar/tank/light", "-m", "512").CombinedOutput()
	require.NoError(t, err, string(out))
	sink.wait(t, "bridged")
}
