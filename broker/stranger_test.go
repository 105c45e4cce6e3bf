package broker

import (
	"crypto/tls"
	"crypto/x509"
	"io"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// What keeps a board from connecting is in the log, by a line that says what to do.
func TestWhyNoClientIsLogged(t *testing.T) {
	_, cert, key := makeCert(t, t.TempDir())
	pair, err := tls.LoadX509KeyPair(cert, key)
	require.NoError(t, err)
	ours := &tls.Config{Certificates: []tls.Certificate{pair}}
	write := func(s string) func(*testing.T, net.Conn) {
		return func(t *testing.T, c net.Conn) { _, _ = c.Write([]byte(s)) }
	}
	shake := func(conf *tls.Config) func(*testing.T, net.Conn) {
		return func(t *testing.T, c net.Conn) {
			_ = tls.Client(pumped(c), conf).Handshake()
		}
	}
	for name, c := range map[string]struct {
		tls    *tls.Config
		client func(*testing.T, net.Conn)
		reason string // "": not worth a line
	}{
		"TLS where there is none":         {nil, shake(&tls.Config{InsecureSkipVerify: true}), "tls_here"},
		"a WebSocket":                     {nil, write("GET /mqtt HTTP/1.1\r\nUpgrade: websocket\r\n\r\n"), "http"},
		"another protocol":                {nil, write("\x00\x01\x02\x03"), "no_mqtt"},
		"a report before CONNECT":         {nil, write("\x30\x05\x00\x01a12"), "no_mqtt"},
		"a look whether the port is open": {nil, write(""), ""},
		"half a CONNECT":                  {nil, func(_ *testing.T, c net.Conn) { _, _ = c.Write([]byte{0x10, 20, 0}); time.Sleep(time.Minute) }, "slow"},
		"half a TLS handshake":            {ours, func(_ *testing.T, c net.Conn) { _, _ = c.Write([]byte{0x16, 3}); time.Sleep(time.Minute) }, "slow"},
		"none where there is TLS":         {ours, write(string(encode(connectPacket(4, login{id: "board", clean: true})))), "no_tls"},
		"an authority it does not know":   {ours, shake(&tls.Config{ServerName: "127.0.0.1", RootCAs: x509.NewCertPool()}), "tls"},
		"TLS that is too old":             {ours, shake(&tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}), "tls"},
		"a look at the port with TLS":     {ours, write(""), ""},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				br := embedded(t, Options{TLS: c.tls}, &heard{})
				a, b := net.Pipe()
				br.l.serveConn(b)
				c.client(t, a)
				_ = a.Close()
				synctest.Wait()
				if c.reason == "" {
					require.Empty(t, noted(br.l.quiet))
				} else {
					require.Equal(t, []string{c.reason}, reasons(br.l.quiet))
				}
			})
		})
	}
}

// Who is cut off for a packet that the broker does not take would only ever be lost.
func TestWhyAClientWasCutOffIsLogged(t *testing.T) {
	for name, c := range map[string]struct {
		packet []byte
		reason string
	}{
		"too long":        {[]byte{0x32, 0xff, 0xff, 0x7f}, "packet_too_large"}, // a PUBLISH of 2 MiB
		"malformed":       {[]byte{0x36, 5, 0, 1, 'a', 0, 1}, "malformed"},      // QoS 3
		"a second hello":  {encode(connectPacket(4, login{id: "board", clean: true})), "malformed"},
		"a proper report": {encode(publishPacket("a", "512", 0, 0)), ""},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				br := embedded(t, Options{}, &heard{})
				b := br.dial(t, 4)
				require.Zero(t, b.connect(login{id: "board", clean: true}))
				_, err := b.conn.Write(c.packet)
				require.NoError(t, err)
				synctest.Wait()
				require.NoError(t, b.conn.Close())
				synctest.Wait()
				if c.reason == "" {
					require.Empty(t, noted(br.l.quiet))
				} else {
					require.Equal(t, []string{c.reason}, reasons(br.l.quiet))
				}
			})
		})
	}
}

// pumped takes what comes on a connection at once, as a socket does and a pipe does
// not.
func pumped(c net.Conn) net.Conn {
	p := &pump{Conn: c, in: make(chan []byte, 64)}
	go func() {
		defer close(p.in)
		for {
			b := make([]byte, 4096)
			n, err := c.Read(b)
			if err != nil {
				return
			}
			p.in <- b[:n]
		}
	}()
	return p
}

type pump struct {
	net.Conn
	in   chan []byte
	rest []byte
}

func (p *pump) Read(b []byte) (int, error) {
	if len(p.rest) == 0 {
		var ok bool
		if p.rest, ok = <-p.in; !ok {
			return 0, io.EOF
		}
	}
	n := copy(b, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}
