package broker

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

// board is the other end of a connection: it speaks MQTT packet by packet, so
// that tests can misbehave.
type board struct {
	t    testing.TB
	conn net.Conn
	v    byte
	in   chan packets.Packet // closed when the broker hung up
}

// newBoard reads what comes in the background until the connection ends.
func newBoard(t testing.TB, c net.Conn, version byte) *board {
	b := &board{t: t, conn: c, v: version, in: make(chan packets.Packet, 128)}
	go func() {
		defer close(b.in)
		r := bufio.NewReader(c)
		for {
			pk, err := readPacket(r, version)
			if err != nil {
				return
			}
			b.in <- pk
		}
	}()
	return b
}

func readPacket(r *bufio.Reader, version byte) (pk packets.Packet, err error) {
	first, err := r.ReadByte()
	if err != nil {
		return pk, err
	}
	if err := pk.FixedHeader.Decode(first); err != nil {
		return pk, err
	}
	if pk.FixedHeader.Remaining, _, err = packets.DecodeLength(r); err != nil {
		return pk, err
	}
	body := make([]byte, pk.FixedHeader.Remaining)
	if _, err := io.ReadFull(r, body); err != nil {
		return pk, err
	}
	pk.ProtocolVersion = version
	switch pk.FixedHeader.Type {
	case packets.Connack:
		err = pk.ConnackDecode(body)
	case packets.Publish:
		err = pk.PublishDecode(body)
	case packets.Puback:
		err = pk.PubackDecode(body)
	case packets.Pubrec:
		err = pk.PubrecDecode(body)
	case packets.Pubrel:
		err = pk.PubrelDecode(body)
	case packets.Pubcomp:
		err = pk.PubcompDecode(body)
	case packets.Suback:
		err = pk.SubackDecode(body)
	case packets.Unsuback:
		err = pk.UnsubackDecode(body)
	case packets.Disconnect:
		err = pk.DisconnectDecode(body)
	}
	return pk, err
}

func encode(pk packets.Packet) []byte {
	var buf bytes.Buffer
	var err error
	switch pk.FixedHeader.Type {
	case packets.Connect:
		err = pk.ConnectEncode(&buf)
	case packets.Publish:
		err = pk.PublishEncode(&buf)
	case packets.Puback:
		err = pk.PubackEncode(&buf)
	case packets.Pubrel:
		err = pk.PubrelEncode(&buf)
	case packets.Subscribe:
		err = pk.SubscribeEncode(&buf)
	case packets.Unsubscribe:
		err = pk.UnsubscribeEncode(&buf)
	case packets.Disconnect:
		err = pk.DisconnectEncode(&buf)
	case packets.Pingreq:
		err = pk.PingreqEncode(&buf)
	default:
		err = fmt.Errorf("packet type %d", pk.FixedHeader.Type)
	}
	if err != nil {
		panic(err)
	}
	return buf.Bytes()
}

func (b *board) send(pk packets.Packet) {
	b.t.Helper()
	pk.ProtocolVersion = b.v
	_, err := b.conn.Write(encode(pk))
	require.NoError(b.t, err)
}

// recv waits for the next packet; ok is false if the broker hung up.
func (b *board) recv() (packets.Packet, bool) {
	pk, ok := <-b.in
	return pk, ok
}

// next waits for a packet of that type.
func (b *board) next(kind byte) packets.Packet {
	b.t.Helper()
	pk, ok := b.recv()
	require.True(b.t, ok, "the broker hung up")
	require.Equal(b.t, kind, pk.FixedHeader.Type, "packet type of %+v", pk)
	return pk
}

// hungUp waits for the end of the connection, passing over what came before.
func (b *board) hungUp() (last packets.Packet) {
	for pk := range b.in {
		last = pk
	}
	return last
}

type login struct {
	id, user, pass string
	keepAlive      uint16
	clean          bool
	will           string // topic
	edit           func(pk *packets.Packet)
}

func connectPacket(v byte, l login) packets.Packet {
	pk := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, ProtocolVersion: v,
		Connect: packets.ConnectParams{ProtocolName: []byte("MQTT"), ClientIdentifier: l.id, Keepalive: l.keepAlive, Clean: l.clean}}
	if l.user != "" {
		pk.Connect.UsernameFlag, pk.Connect.Username = true, []byte(l.user)
		pk.Connect.PasswordFlag, pk.Connect.Password = l.pass != "", []byte(l.pass)
	}
	if l.will != "" {
		pk.Connect.WillFlag, pk.Connect.WillTopic, pk.Connect.WillPayload = true, l.will, []byte("gone")
	}
	if l.edit != nil {
		l.edit(&pk)
	}
	return pk
}

// connect connects and returns the CONNACK's code.
func (b *board) connect(l login) byte {
	b.t.Helper()
	b.send(connectPacket(b.v, l))
	return b.next(packets.Connack).ReasonCode
}

func publishPacket(topic, payload string, qos byte, id uint16) packets.Packet {
	return packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: qos}, TopicName: topic, Payload: []byte(payload), PacketID: id}
}

func (b *board) publish(topic, payload string, qos byte, id uint16) {
	b.t.Helper()
	b.send(publishPacket(topic, payload, qos, id))
}

// subscribe subscribes at QoS 1 and returns the SUBACK's codes.
func (b *board) subscribe(id uint16, filters ...string) []byte {
	b.t.Helper()
	pk := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, PacketID: id}
	for _, f := range filters {
		pk.Filters = append(pk.Filters, packets.Subscription{Filter: f, Qos: 1})
	}
	b.send(pk)
	return b.next(packets.Suback).ReasonCodes
}

func (b *board) disconnect() {
	b.t.Helper()
	b.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Disconnect}})
}

// embedded starts the embedded broker without a socket, to be used within a
// synctest bubble; it ends with the test.
func embedded(t testing.TB, opts Options, sink Sink) *testBroker {
	t.Helper()
	opts.Log = slog.New(slog.DiscardHandler)
	e, err := NewEmbedded(opts)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	s, err := e.start(ctx, sink, nil)
	require.NoError(t, err)
	b := &testBroker{e, s, func() { cancel(); s.close() }}
	t.Cleanup(b.stop)
	return b
}

type testBroker struct {
	*Embedded
	*serving
	stop func()
}

// dial opens a connection.
func (s *testBroker) dial(t testing.TB, version byte) *board {
	ours, theirs := net.Pipe()
	s.l.serveConn(theirs)
	t.Cleanup(func() { _ = ours.Close() })
	return newBoard(t, ours, version)
}

// versions runs a test in a bubble for MQTT 3.1.1 and 5.
func versions(t *testing.T, f func(t *testing.T, v byte)) {
	for _, v := range []byte{4, 5} {
		t.Run(fmt.Sprintf("v%d", v), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { f(t, v) })
		})
	}
}

// addrConn is a connection that claims to come from elsewhere.
type addrConn struct {
	net.Conn
	from string
}

func (c addrConn) RemoteAddr() net.Addr {
	a, err := net.ResolveTCPAddr("tcp", c.from)
	if err != nil {
		panic(err)
	}
	return a
}

func (s *testBroker) dialFrom(t testing.TB, version byte, from string) *board {
	ours, theirs := net.Pipe()
	s.l.serveConn(addrConn{theirs, from})
	t.Cleanup(func() { _ = ours.Close() })
	return newBoard(t, ours, version)
}

const minute = time.Minute
