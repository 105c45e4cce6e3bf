package broker

import (
	"context"
	"log/slog"
	"net"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

// allowAll opens the bare library to everyone.
type allowAll struct{ mqtt.HookBase }

func (*allowAll) Provides(b byte) bool {
	return b == mqtt.OnConnectAuthenticate || b == mqtt.OnACLCheck
}
func (*allowAll) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }
func (*allowAll) OnACLCheck(*mqtt.Client, string, bool) bool              { return true }

// ackBeforeDurable publishes at QoS 1 while the store is held up, and tells
// whether the acknowledgement came all the same.
func ackBeforeDurable(b *board) bool {
	b.publish("cellar/tank/light", "512", 1, 7)
	synctest.Wait()
	select {
	case <-b.in:
		return true
	default:
		return false
	}
}

func TestAcknowledgedOnlyOnceDurable(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		durable := make(chan struct{})
		sink := &heard{publish: func(context.Context, Message) error { <-durable; return nil }}
		b := embedded(t, Options{}, sink).dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		require.False(t, ackBeforeDurable(b))
		close(durable)
		require.EqualValues(t, 7, b.next(packets.Puback).PacketID)
		require.Equal(t, []string{"512"}, sink.payloads())

		b.publish("cellar/tank/light", "513", 2, 8)
		require.EqualValues(t, 8, b.next(packets.Pubrec).PacketID)
		require.Equal(t, []string{"512", "513"}, sink.payloads())
		// A second copy before PUBREL is the same message.
		again := publishPacket("cellar/tank/light", "513", 2, 8)
		again.FixedHeader.Dup = true
		b.send(again)
		b.next(packets.Pubrec)
		b.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pubrel, Qos: 1}, PacketID: 8})
		b.next(packets.Pubcomp)
		b.publish("cellar/tank/light", "514", 0, 0)
		synctest.Wait()
		require.Equal(t, []string{"512", "513", "514"}, sink.payloads())
		m := sink.msgs[2]
		require.Equal(t, "board", m.Client)
		require.Equal(t, "cellar/tank/light", m.Topic)
		require.EqualValues(t, 0, m.QoS)
	})
}

// The control: with the library as it is, whose own subscribers run after the
// acknowledgement, the check above sees it come too early.
func TestPrematureAcknowledgementIsSeen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		durable := make(chan struct{})
		srv := mqtt.New(&mqtt.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
		require.NoError(t, srv.AddHook(new(allowAll), nil))
		require.NoError(t, srv.Serve())
		require.NoError(t, srv.Subscribe("#", 1, func(*mqtt.Client, packets.Subscription, packets.Packet) { <-durable }))
		ours, theirs := net.Pipe()
		go func() { _ = srv.EstablishConnection("t", theirs) }()
		b := newBoard(t, ours, 4)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		require.True(t, ackBeforeDurable(b))
		close(durable)
		_ = ours.Close()
		require.NoError(t, srv.Close())
	})
}

func TestRefusedIsSentAgain(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		full := true
		sink := &heard{publish: func(context.Context, Message) error {
			if full {
				return errDiskFull
			}
			return nil
		}}
		br := embedded(t, Options{}, sink)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board"}))
		b.publish("cellar/tank/light", "1", 0, 0) // nothing to send again: the connection stays
		b.publish("cellar/tank/light", "2", 1, 1)
		last := b.hungUp()
		if v == 5 {
			require.Equal(t, packets.Disconnect, last.FixedHeader.Type)
			require.Equal(t, packets.ErrServerBusy.Code, last.ReasonCode)
		} else {
			require.Zero(t, last.FixedHeader.Type)
		}
		require.Empty(t, sink.payloads())

		full = false
		b = br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board"}))
		again := publishPacket("cellar/tank/light", "2", 1, 1)
		again.FixedHeader.Dup = true
		b.send(again)
		b.next(packets.Puback)
		require.Equal(t, []string{"2"}, sink.payloads())
		require.True(t, sink.msgs[0].Dup)
		require.EqualValues(t, 2, br.Stats().Refused)
	})
}

func TestSecondCopyIsNotTakenTwice(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, Options{}, sink)
		watch := br.dial(t, v)
		require.Zero(t, watch.connect(login{id: "watch", clean: true}))
		watch.subscribe(1, "#")
		first := publishPacket("cellar/tank/light", "512", 1, 1)
		copyOf := first
		copyOf.FixedHeader.Dup = true
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board"}))
		b.send(first)
		b.next(packets.Puback)
		_ = b.conn.Close() // as if the acknowledgement had been lost
		synctest.Wait()

		b = br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board"}))
		b.send(copyOf)
		require.EqualValues(t, 1, b.next(packets.Puback).PacketID)
		other := copyOf
		other.Payload = []byte("9")
		b.send(other) // same id, other content: not a copy
		b.next(packets.Puback)
		b.send(first) // not marked as a copy: a new reading of the same value
		b.next(packets.Puback)
		require.Equal(t, []string{"512", "9", "512"}, sink.payloads())
		require.EqualValues(t, 1, br.Stats().Duplicates)
		for _, want := range []string{"512", "9", "512"} {
			require.Equal(t, want, string(watch.next(packets.Publish).Payload))
		}
		time.Sleep(2 * recentFor)
		b.send(copyOf) // long after: taken again rather than lost
		b.next(packets.Puback)
		require.Len(t, sink.payloads(), 4)
	})
}

// A disk that takes longer for a reading than second copies are remembered for.
func TestSecondCopyOfAReadingThatIsLongInStoring(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &slow{}
		br := embedded(t, Options{}, sink)
		first := publishPacket("cellar/tank/light", "512", 1, 1)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board"}))
		b.send(first)
		synctest.Wait()
		time.Sleep(2 * recentFor)
		_ = b.conn.Close()
		synctest.Wait()
		b = br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board"}))
		first.FixedHeader.Dup = true
		b.send(first)
		synctest.Wait()
		sink.answer(sink.waiting(), nil)
		b.next(packets.Puback)
		require.Equal(t, []string{"512"}, sink.payloads())

		// From then on it is remembered as long as any other.
		time.Sleep(recentFor / 2)
		b.send(first)
		synctest.Wait()
		sink.answer(sink.waiting(), nil)
		b.next(packets.Puback)
		require.Equal(t, []string{"512"}, sink.payloads())
	})
}

func TestStaleAcknowledgementIsNotSentAgain(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		hold := make(chan struct{})
		sink := &heard{publish: func(_ context.Context, m Message) error {
			if string(m.Payload) == "1" {
				<-hold
			}
			return nil
		}}
		br := embedded(t, Options{}, sink)
		edit := func(pk *packets.Packet) {
			if v == 5 {
				pk.Properties.SessionExpiryIntervalFlag, pk.Properties.SessionExpiryInterval = true, 3600
			}
		}
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", edit: edit}))
		b.publish("a", "1", 1, 1)
		synctest.Wait()
		_ = b.conn.Close()
		close(hold) // stored, but the acknowledgement has nowhere to go
		synctest.Wait()
		b = br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", edit: edit}))
		synctest.Wait()
		require.Empty(t, b.in)
		b.publish("a", "2", 1, 1)
		b.next(packets.Puback)
		require.Equal(t, []string{"1", "2"}, sink.payloads())
	})
}

// A message of QoS 2 that was received and not released: its second copy is
// received as the first (MQTT 5.0 section 4.3.3), and a new one under its number,
// of a board that lost its memory, is no copy.
func TestUnreleasedMessageOfQoS2(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, Options{}, sink)
		connect := func() *board {
			b := br.dial(t, v)
			require.Zero(t, b.connect(login{id: "board", edit: func(pk *packets.Packet) {
				if v == 5 {
					pk.Properties.SessionExpiryIntervalFlag, pk.Properties.SessionExpiryInterval = true, 3600
				}
			}}))
			return b
		}
		first := publishPacket("cellar/tank/light", "1", 2, 1)
		b := connect()
		b.send(first)
		b.next(packets.Pubrec)
		_ = b.conn.Close()
		synctest.Wait()
		time.Sleep(2 * recentFor)

		b = connect()
		require.EqualValues(t, 1, b.next(packets.Pubrec).PacketID, "received before")
		first.FixedHeader.Dup = true
		b.send(first)
		require.Zero(t, b.next(packets.Pubrec).ReasonCode)
		require.Equal(t, []string{"1"}, sink.payloads())
		_ = b.conn.Close()
		synctest.Wait()

		b = connect()
		b.next(packets.Pubrec)
		b.publish("cellar/tank/light", "2", 2, 1)
		require.Zero(t, b.next(packets.Pubrec).ReasonCode)
		b.publish("cellar/tank/light", "3", 1, 1)
		require.Zero(t, b.next(packets.Puback).ReasonCode)
		require.Equal(t, []string{"1", "2", "3"}, sink.payloads())
	})
}

func TestRetainedByItsSenderIsFresh(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{}
		br := embedded(t, Options{}, sink)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		pk := publishPacket("cellar/tank/light", "512", 1, 1)
		pk.FixedHeader.Retain = true
		b.send(pk)
		b.next(packets.Puback)
		require.False(t, sink.msgs[0].Retained)
		synctest.Wait() // it is passed on after the acknowledgement, and may yet meet the subscription
		late := br.dial(t, v)
		require.Zero(t, late.connect(login{id: "late", clean: true}))
		late.subscribe(1, "cellar/#")
		require.True(t, late.next(packets.Publish).FixedHeader.Retain)
		require.Len(t, sink.payloads(), 1)
	})
}

func TestPanicInSinkIsContained(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &heard{publish: func(_ context.Context, m Message) error {
			if m.Client == "bad" {
				panic("on purpose")
			}
			return nil
		}}
		br := embedded(t, Options{}, sink)
		good, bad := br.dial(t, v), br.dial(t, v)
		require.Zero(t, good.connect(login{id: "good", clean: true}))
		require.Zero(t, bad.connect(login{id: "bad", clean: true}))
		bad.publish("a", "1", 1, 1)
		bad.hungUp()
		good.publish("a", "2", 1, 1)
		good.next(packets.Puback)
		require.Equal(t, []string{"2"}, sink.payloads())
		require.EqualValues(t, 1, br.Stats().Panics)
	})
}
