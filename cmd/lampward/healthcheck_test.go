package main

import (
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker/brokertest"
	"lampward/cmd/lampward/config"
)

func TestHealthcheck(t *testing.T) {
	answer := http.StatusOK
	h := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		assert.Equal(t, "/healthz", r.URL.Path)
		w.WriteHeader(answer)
		fmt.Fprintln(w, "readings cannot be stored")
	})
	plain := httptest.NewServer(h)
	defer plain.Close()
	addr := plain.Listener.Addr().String()
	ask := func(p config.Page) error { return checkHealth(t.Context(), p) }
	require.NoError(t, ask(config.Page{Listen: addr}))
	_, port, err := net.SplitHostPort(addr)
	require.NoError(t, err)
	require.NoError(t, ask(config.Page{Listen: "0.0.0.0:" + port}), "every address is asked on this machine's own")
	require.NoError(t, ask(config.Page{Listen: ":" + port}))
	answer = http.StatusServiceUnavailable
	assert.ErrorContains(t, ask(config.Page{Listen: addr}), "readings cannot be stored")
	assert.ErrorContains(t, ask(config.Page{}), "listen is empty")
	assert.ErrorContains(t, ask(config.Page{Listen: brokertest.FreeAddress(t)}), "is lampward running?")

	// By TLS the certificate that was configured must be shown, and no other.
	answer = http.StatusOK
	cert, key := selfSigned(t)
	dir := t.TempDir()
	p := config.Page{CertFile: filepath.Join(dir, "cert.pem"), KeyFile: filepath.Join(dir, "key.pem")}
	require.NoError(t, os.WriteFile(p.CertFile, []byte(cert), 0o600))
	require.NoError(t, os.WriteFile(p.KeyFile, []byte(key), 0o600))
	tlsServer := httptest.NewTLSServer(h)
	defer tlsServer.Close()
	tlsServer.Config.ErrorLog = log.New(io.Discard, "", 0)
	p.Listen = tlsServer.Listener.Addr().String()
	require.NoError(t, ask(p))
	other := httptest.NewUnstartedServer(h)
	other.Config.ErrorLog = log.New(io.Discard, "", 0)
	other.TLS = otherCertificate(t)
	other.StartTLS()
	defer other.Close()
	p.Listen = other.Listener.Addr().String()
	assert.ErrorContains(t, ask(p), "another certificate")
}

func TestHealthcheckCommand(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {}))
	file := writeFile(t, "lampward.toml", fmt.Sprintf("[page]\nlisten = %q\n[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n", srv.Listener.Addr()))
	code, out, _ := run1("healthcheck", "-config", file)
	assert.Equal(t, exitOK, code)
	assert.Equal(t, "ok\n", out)
	srv.Close()
	code, _, errOut := run1("healthcheck", "-config", file)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errOut, "no answer")
}
