package broker

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"testing"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

// wire feeds bytes to a broker as one connection would, and tells what is
// wrong with the broker afterwards.
type wire struct {
	br    *testBroker
	ended chan *conn
}

func newWire(t testing.TB) *wire {
	e, err := NewEmbedded(Options{Log: slog.New(slog.DiscardHandler), MaxClients: 100})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	s, err := e.start(ctx, &counting{}, nil)
	require.NoError(t, err)
	w := &wire{br: &testBroker{e, s, func() { cancel(); s.close() }}, ended: make(chan *conn, 8)}
	inner := s.l.ended
	s.l.ended = func(c *conn) { inner(c); w.ended <- c }
	t.Cleanup(w.br.stop)
	return w
}

const wirePatience = 30 * time.Second

// feed writes data, hangs up, and waits until the broker is done with it.
func (w *wire) feed(data []byte) error {
	ours, theirs := net.Pipe()
	w.br.l.serveConn(theirs)
	go func() { _, _ = io.Copy(io.Discard, ours) }()
	_ = ours.SetWriteDeadline(time.Now().Add(wirePatience))
	_, err := ours.Write(data)
	_ = ours.Close()
	var ne net.Error
	if errors.As(err, &ne) && ne.Timeout() {
		return errors.New("the broker stopped reading and did not hang up")
	}
	select {
	case <-w.ended:
		return nil
	case <-time.After(wirePatience):
		return errors.New("the broker is not done with a connection that is gone")
	}
}

// honest has a board publish and be acknowledged.
func (w *wire) honest() error {
	ours, theirs := net.Pipe()
	w.br.l.serveConn(theirs)
	defer func() { _ = ours.Close() }()
	_ = ours.SetDeadline(time.Now().Add(wirePatience))
	if _, err := ours.Write(encode(connectPacket(4, login{id: "honest", clean: true}))); err != nil {
		return err
	}
	if _, err := io.ReadFull(ours, make([]byte, 4)); err != nil {
		return err
	}
	if _, err := ours.Write(encode(publishPacket("cellar/tank/light", "512", 1, 1))); err != nil {
		return err
	}
	ack := make([]byte, 4)
	if _, err := io.ReadFull(ours, ack); err != nil {
		return err
	}
	if ack[0] != 0x40 || ack[3] != 1 {
		return errors.New("no PUBACK")
	}
	_ = ours.Close()
	<-w.ended
	return nil
}

// The control of the fuzz target's checks: they see a broker that does not
// serve.
func TestWireSeesADeadBroker(t *testing.T) {
	w := newWire(t)
	require.NoError(t, w.honest())
	require.NoError(t, w.feed([]byte{0xff}))
	w.br.stop()
	require.Error(t, w.honest())
}

func FuzzWire(f *testing.F) {
	sub := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, PacketID: 1, Filters: packets.Subscriptions{{Filter: "#", Qos: 1}}}
	for _, v := range []byte{4, 5} {
		var all []byte
		for _, pk := range []packets.Packet{
			connectPacket(v, login{id: "f", keepAlive: 60, will: "w", user: "u", pass: "p"}),
			sub,
			publishPacket("a/b", "1", 0, 0), publishPacket("a/b", "2", 1, 2), publishPacket("a/b", "3", 2, 3),
			{FixedHeader: packets.FixedHeader{Type: packets.Pubrel, Qos: 1}, PacketID: 3},
			{FixedHeader: packets.FixedHeader{Type: packets.Puback}, PacketID: 1},
			{FixedHeader: packets.FixedHeader{Type: packets.Unsubscribe, Qos: 1}, PacketID: 4, Filters: packets.Subscriptions{{Filter: "#"}}},
			{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}},
			{FixedHeader: packets.FixedHeader{Type: packets.Disconnect}},
		} {
			pk.ProtocolVersion = v
			b := encode(pk)
			f.Add(b, v == 5, true)
			all = append(all, b...)
		}
		f.Add(all, v == 5, false)
	}
	f.Add(subscribeThatPanics, true, true)
	f.Add([]byte{0x10, 0xff, 0xff, 0xff, 0x7f}, false, false)
	w := newWire(f)
	f.Fuzz(func(t *testing.T, data []byte, v5, connected bool) {
		v := byte(4)
		if v5 {
			v = 5
		}
		if connected {
			data = append(encode(connectPacket(v, login{id: "f", keepAlive: 60})), data...)
		}
		if err := w.feed(data); err != nil {
			t.Fatal(err)
		}
		if err := w.honest(); err != nil {
			t.Fatal(err)
		}
		if n := w.br.srv.Clients.Len(); n > 100 {
			t.Fatalf("%d sessions", n)
		}
	})
}
