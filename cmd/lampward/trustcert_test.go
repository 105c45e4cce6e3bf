package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Commands on this machine reach a page with any certificate that it serves: one
// of a wildcard, and one whose key comes first in the same file.
func TestTrustOwnCertificate(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	der, err := x509.MarshalECPrivateKey(key)
	require.NoError(t, err)
	keyPEM := string(pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: der}))
	for name, names := range map[string][]string{"plain": {"cellar.example.com"}, "wildcard": {"*.example.com"}, "no name": nil} {
		c := x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), DNSNames: names, IPAddresses: []net.IP{net.IPv4(192, 0, 2, 7)}}
		der, err := x509.CreateCertificate(rand.Reader, &c, &c, key.Public(), key)
		require.NoError(t, err)
		cert := string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
		for order, text := range map[string]string{"certificate first": cert + keyPEM, "key first": keyPEM + cert} {
			t.Run(name+", "+order, func(t *testing.T) {
				file := writeFile(t, "both.pem", text)
				server, err := serverTLS(file, file)
				require.NoError(t, err, "the page serves it")
				client, err := trust(file)
				require.NoError(t, err)
				a, b := net.Pipe()
				go func() { _ = tls.Server(b, server).Handshake() }()
				require.NoError(t, tls.Client(a, client).Handshake())
			})
		}
	}
}
