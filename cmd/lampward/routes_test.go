package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/notify"
	"lampward/rules"
)

// A webhook's files: who vouches for the receiver, and what it is shown.
func TestClientTLS(t *testing.T) {
	cert, key := selfSigned(t)
	ca, keyFile, other := writeFile(t, "ca.pem", cert), writeFile(t, "key.pem", key), writeFile(t, "other.txt", "nothing\n")
	shown := 0
	srv := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { shown = len(r.TLS.PeerCertificates) }))
	srv.TLS = &tls.Config{ClientAuth: tls.RequestClientCert}
	srv.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, 0)
	srv.StartTLS()
	defer srv.Close()
	for _, c := range []struct {
		ca, cert string
		want     notify.OutcomeKind
	}{{"", "", notify.Again}, {ca, "", notify.Delivered}, {ca, ca, notify.Delivered}} {
		w := config.Webhook{URL: srv.URL, CAFile: c.ca, CertFile: c.cert, KeyFile: keyFile}
		r, err := newWebhook(w, routeOptions{})
		require.NoError(t, err)
		shown = 0
		out := r.Send(t.Context(), rules.Delivery{})
		assert.Equal(t, c.want, out.Kind, out.Note)
		assert.Equal(t, c.cert != "", shown == 1)
	}
	for want, c := range map[string][3]string{
		"nowhere.pem: ":           {"nowhere.pem", "", ""},
		"can read":                {"", "nowhere.pem", keyFile},
		"holds no certificate":    {other, "", ""},
		"failed to find any PEM ": {"", ca, other},
	} {
		_, err := clientTLS(c[0], c[1], c[2])
		assert.ErrorContains(t, err, want)
	}
}

// A watcher behind an authority of one's own gets the heartbeat once ca_file
// names it.
func TestHeartbeatTLS(t *testing.T) {
	cert, _ := selfSigned(t)
	beats := make(chan string, 1)
	srv := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { beats <- r.Method + " " + r.URL.Path }))
	srv.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, 0)
	srv.StartTLS()
	defer srv.Close()
	for _, c := range []struct {
		more string
		got  func(*logBuffer)
	}{
		{fmt.Sprintf("ca_file = %q\n", writeFile(t, "ca.pem", cert)), func(log *logBuffer) {
			select {
			case got := <-beats:
				assert.Equal(t, "GET /cellar", got)
			case <-time.After(10 * time.Second):
				t.Errorf("no beat came\n%s", log)
			}
		}},
		{"", func(log *logBuffer) { waitFor(t, &daemonProcess{log: log}, "unknown authority") }},
	} {
		cfg, err := config.Parse("f.toml", fmt.Appendf(nil, "[broker]\nlisten = \"127.0.0.1:0\"\n[store]\ndir = %q\n[page]\nlisten = \"\"\n%s[heartbeat]\nurl = \"%s/cellar\"\n%s",
			t.TempDir(), tankOnly, srv.URL, c.more))
		require.NoError(t, err)
		log := &logBuffer{more: make(chan struct{}, 1)}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- serve(ctx, cfg, serveOptions{log: newLog(log, cfg.Log)}) }()
		c.got(log)
		stop()
		require.NoError(t, <-done)
	}
	cfg, err := config.Parse("f.toml", []byte(tankOnly+"[heartbeat]\nurl = \"https://192.0.2.1\"\nca_file = \"nowhere.pem\"\n"))
	require.NoError(t, err)
	_, err = tryParts(cfg)
	assert.ErrorContains(t, err, "f.toml:6: heartbeat.ca_file: open nowhere.pem: ")
}

// uplinks takes news of the connection to an external broker.
type uplinks chan string

func (uplinks) Publish(context.Context, broker.Message) error { return nil }
func (uplinks) Link(context.Context, broker.Link)             {}
func (u uplinks) Uplink(_ context.Context, up bool, reason string) {
	select {
	case u <- fmt.Sprint(up, " ", reason):
	default:
	}
}

// The files of an external broker: who vouches for it, and the password.
func TestExternalFiles(t *testing.T) {
	cert, key := selfSigned(t)
	ca := writeFile(t, "ca.pem", cert)
	server, err := serverTLS(ca, writeFile(t, "key.pem", key))
	require.NoError(t, err)
	hash, err := broker.HashPassword("s3cret")
	require.NoError(t, err)
	log := slog.New(slog.DiscardHandler)
	at := make(chan net.Addr, 1)
	e, err := broker.NewEmbedded(broker.Options{Listen: "127.0.0.1:0", TLS: server, Log: log, Ready: func(a net.Addr) { at <- a },
		Accounts: []broker.Account{{Name: "lampward", PasswordHash: hash, Subscribe: []string{"#"}}}})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 2)
	go func() { done <- e.Run(ctx, uplinks(nil)) }()
	address := (<-at).String()
	for _, c := range []struct{ ca, password, want string }{
		{ca, "s3cret\r\nmore\n", "true "},
		{ca, "wrong\n", "false the broker at " + address + " refused the login"},
		{"", "s3cret\n", "shows a certificate of an unknown authority"},
	} {
		cfg, err := config.Parse("f.toml", fmt.Appendf(nil, "[broker]\nurl = \"mqtts://%s\"\nuser = \"lampward\"\nca_file = %q\npassword_file = %q\n%s",
			address, c.ca, writeFile(t, "password", c.password), tankOnly))
		require.NoError(t, err)
		require.Empty(t, tryFiles(cfg))
		b, err := (&daemon{cfg: cfg, log: log, intake: newIntake(cfg, log)}).newBroker(nil)
		require.NoError(t, err)
		heard := make(uplinks, 1)
		own, end := context.WithCancel(ctx)
		go func() { done <- b.Run(own, heard) }()
		select {
		case got := <-heard:
			assert.Contains(t, got, c.want)
		case <-time.After(30 * time.Second):
			t.Error("no news of the connection")
		}
		end()
		require.NoError(t, <-done)
	}
	stop()
	require.NoError(t, <-done)
	// What no login can be made with is told before one is tried.
	cfg, err := config.Parse("f.toml", fmt.Appendf(nil, "[broker]\nurl = \"mqtts://%s\"\npassword_file = %q\n%s", address, writeFile(t, "password", "\ns3cret\n"), tankOnly))
	require.NoError(t, err)
	assert.ErrorContains(t, inOrder(tryFiles(cfg)), "f.toml:3: broker.password_file: the secret file ")
}
