package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A certificate that is renewed is served without a restart; half of it, or one that
// cannot be read, is not, and is logged once.
func TestRenewedCertificateIsServed(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	written := time.Now()
	write := func(file, text string) {
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		written = written.Add(time.Second) // some file systems count in seconds
		require.NoError(t, os.Chtimes(file, written, written))
	}
	made := func(number int64) (string, string) {
		k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		require.NoError(t, err)
		c := x509.Certificate{SerialNumber: big.NewInt(number), NotAfter: time.Now().Add(time.Hour), DNSNames: []string{"cellar.example.com"}}
		der, err := x509.CreateCertificate(rand.Reader, &c, &c, k.Public(), k)
		require.NoError(t, err)
		pkcs8, err := x509.MarshalPKCS8PrivateKey(k)
		require.NoError(t, err)
		return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})), string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}))
	}
	var log strings.Builder
	firstCert, firstKey := made(1)
	write(cert, firstCert)
	write(key, firstKey)
	conf, err := listenerTLS(cert, key, slog.New(slog.NewTextHandler(&log, nil)))
	require.NoError(t, err)
	served := func() int64 {
		a, b := net.Pipe()
		defer a.Close()
		go func() { _ = tls.Server(b, conf).Handshake() }()
		c := tls.Client(a, &tls.Config{InsecureSkipVerify: true})
		require.NoError(t, c.Handshake())
		return c.ConnectionState().PeerCertificates[0].SerialNumber.Int64()
	}
	require.EqualValues(t, 1, served())
	require.Empty(t, log.String())

	nextCert, nextKey := made(2)
	write(cert, nextCert)
	assert.EqualValues(t, 1, served())
	assert.EqualValues(t, 1, served())
	assert.Equal(t, 1, strings.Count(log.String(), "cannot be used"))
	write(key, nextKey)
	assert.EqualValues(t, 2, served())
	assert.Equal(t, 1, strings.Count(log.String(), "is served from now on"))

	require.NoError(t, os.Remove(key))
	assert.EqualValues(t, 2, served())
	assert.Equal(t, 2, strings.Count(log.String(), "cannot be used"))

	_, err = listenerTLS(cert, key, slog.New(slog.DiscardHandler))
	require.ErrorContains(t, err, "name a PEM file")
}
