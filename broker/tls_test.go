package broker

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

func TestEmbeddedSpeaksTLS(t *testing.T) {
	_, certFile, keyFile := makeCert(t, t.TempDir())
	cert, err := tls.LoadX509KeyPair(certFile, keyFile)
	require.NoError(t, err)
	pem, err := os.ReadFile(certFile)
	require.NoError(t, err)
	roots := x509.NewCertPool()
	require.True(t, roots.AppendCertsFromPEM(pem))

	sink := &heard{}
	_, addr := listening(t, Options{TLS: &tls.Config{Certificates: []tls.Certificate{cert}}}, sink)
	c, err := tls.Dial("tcp", addr, &tls.Config{RootCAs: roots})
	require.NoError(t, err)
	b := newBoard(t, c, 4)
	require.Zero(t, b.connect(login{id: "board", clean: true}))
	b.publish("cellar/tank/light", "512", 1, 1)
	b.next(packets.Puback)
	require.Equal(t, []string{"512"}, sink.payloads())

	plain := dialTCP(t, addr, 4)
	plain.send(connectPacket(4, login{id: "plain", clean: true}))
	plain.hungUp()
	_, err = tls.Dial("tcp", addr, &tls.Config{})
	require.ErrorContains(t, err, "certificate")
}

func TestRecentIsBounded(t *testing.T) {
	r := newRecent(0, recentEach, recentBurst, recentFor)
	m := Message{Topic: "a", Payload: []byte("1")}
	for i := range 3 * recentClients {
		r.settle(string(rune(i)), 1, r.add(string(rune(i)), 1, &m, false), true)
	}
	require.LessOrEqual(t, len(r.clients), recentClients)
	for id := range uint16(100) {
		r.settle("one", id, r.add("one", id, &m, false), true)
	}
	require.Len(t, r.clients["one"].ring, recentEach)
	require.True(t, r.has("one", 99, &m, nil))
	require.False(t, r.has("one", 1, &m, nil))
	require.False(t, r.has("one", 99, &Message{Topic: "a", Payload: []byte("2")}, nil))
	require.False(t, r.has("two", 99, &m, nil))
}

// More clients than are remembered: the newest are, as many as may be connected,
// and one whose message waits for its fate is whenever it came.
func TestRecentForgetsTheOldest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const clients = recentClients + 1000
		r := newRecent(clients, recentEach, recentBurst, recentFor)
		m := Message{Topic: "cellar/tank/light", Payload: []byte("512")}
		waits := r.add("waits", 1, &m, false)
		for i := range 3 * clients {
			id := fmt.Sprint("board", i)
			r.settle(id, 1, r.add(id, 1, &m, false), true)
			time.Sleep(time.Millisecond)
		}
		require.LessOrEqual(t, len(r.clients), clients)
		known := 0
		for i := 2 * clients; i < 3*clients; i++ {
			if r.has(fmt.Sprint("board", i), 1, &m, nil) {
				known++
			}
		}
		require.GreaterOrEqual(t, known, clients*7/8-1)
		require.True(t, r.has(fmt.Sprint("board", 3*clients-clients*3/4), 1, &m, nil))
		r.settle("waits", 1, waits, true)
		require.True(t, r.has("waits", 1, &m, nil))
	})
}
