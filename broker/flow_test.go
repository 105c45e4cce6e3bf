package broker

import (
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

func receiveMaximum(n uint16) func(pk *packets.Packet) {
	return func(pk *packets.Packet) {
		pk.Properties.ReceiveMaximum = n
		pk.Properties.SessionExpiryIntervalFlag, pk.Properties.SessionExpiryInterval = true, 3600
	}
}

func puback(id uint16) packets.Packet {
	return packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}, PacketID: id}
}

func TestReceiveMaximumIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		br := embedded(t, Options{}, &counting{})
		sub := br.dial(t, 5)
		require.Zero(t, sub.connect(login{id: "sub", edit: receiveMaximum(2)}))
		sub.subscribe(1, "a")
		b := br.dial(t, 4)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		for i := range 10 {
			b.publish("a", fmt.Sprint(i), 1, uint16(i+1))
			b.next(packets.Puback)
		}
		time.Sleep(time.Minute)
		var under []packets.Packet
		for i := range 10 {
			for len(under) < 2 && i+len(under) < 10 {
				under = append(under, sub.next(packets.Publish))
			}
			require.Equal(t, fmt.Sprint(i), string(under[0].Payload))
			synctest.Wait()
			require.Empty(t, sub.in, "no more than two at a time")
			sub.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}})
			sub.next(packets.Pingresp) // not held up
			sub.send(puback(under[0].PacketID))
			under = under[1:]
		}
		synctest.Wait()
		require.Empty(t, sub.in)
		cl, _ := br.srv.Clients.Get("sub")
		require.Zero(t, cl.State.Inflight.Len())

		// Away and back: what is unacknowledged comes again.
		b.publish("a", "again", 1, 1)
		b.next(packets.Puback)
		sub.next(packets.Publish)
		_ = sub.conn.Close()
		sub.hungUp()
		sub = br.dial(t, 5)
		require.Zero(t, sub.connect(login{id: "sub", edit: receiveMaximum(2)}))
		pk := sub.next(packets.Publish)
		require.Equal(t, "again", string(pk.Payload))
		require.True(t, pk.FixedHeader.Dup)
		sub.send(puback(pk.PacketID))
		synctest.Wait()
		cl, _ = br.srv.Clients.Get("sub")
		require.Zero(t, cl.State.Inflight.Len())
	})
}

// The library's flow control can lock up for ever where a subscriber of MQTT 5
// acknowledges while others publish, and its list of clients where clients
// leave while it is closed. Neither must be in use.
func TestBusySubscriberLocksUpNobody(t *testing.T) {
	_, addr := listening(t, Options{}, &counting{})
	const boards, each = 4, 3000
	sub := dialTCP(t, addr, 5)
	require.Zero(t, sub.connect(login{id: "sub", clean: true, edit: receiveMaximum(20)}))
	sub.subscribe(1, "#")
	got := make(chan int)
	go func() {
		n := 0
		for pk := range sub.in {
			if pk.FixedHeader.Type != packets.Publish {
				continue
			}
			if n++; n == boards*each {
				break
			}
			if _, err := sub.conn.Write(encode(puback(pk.PacketID))); err != nil {
				break
			}
		}
		got <- n
	}()
	var wg sync.WaitGroup
	for i := range boards {
		b := dialTCP(t, addr, 4)
		require.Zero(t, b.connect(login{id: fmt.Sprint("board", i), clean: true}))
		wg.Go(func() {
			for j := range each {
				if _, err := b.conn.Write(encode(publishPacket(fmt.Sprint("cellar/", i), "512", 1, uint16(j+1)))); err != nil {
					t.Error(err)
					return
				}
				if pk, ok := b.recv(); !ok || pk.FixedHeader.Type != packets.Puback {
					t.Error("no PUBACK")
					return
				}
			}
		})
	}
	finished := make(chan struct{})
	go func() { wg.Wait(); close(finished) }()
	select {
	case <-finished:
	case <-time.After(time.Minute):
		t.Fatal("locked up")
	}
	_ = sub.conn.Close()
	<-got
}

func TestStoppingWhileClientsLeave(t *testing.T) {
	for range 20 {
		t.Run("", func(t *testing.T) { // its end stops the broker
			_, addr := listening(t, Options{}, &counting{})
			for i := range 50 {
				b := dialTCP(t, addr, 4)
				require.Zero(t, b.connect(login{id: fmt.Sprint("board", i), clean: true}))
				go func() { _ = b.conn.Close() }()
			}
		})
	}
}

// A client numbers what it asks independently of the messages on their way to it
// (MQTT 3.1.1 section 2.3.1): one that comes back to a full queue may subscribe and
// unsubscribe under their numbers.
func TestSubscribeUnderTheNumberOfAMessage(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		br := embedded(t, Options{}, &counting{})
		persist := login{id: "sub", edit: func(pk *packets.Packet) {
			if v == 5 {
				receiveMaximum(100)(pk)
			}
		}}
		sub := br.dial(t, v)
		require.Zero(t, sub.connect(persist))
		sub.subscribe(1, "a")
		_ = sub.conn.Close()
		synctest.Wait() // the broker knows
		b := publisher(t, br)
		for i := range 9 {
			b.publish("a", fmt.Sprint(i), 1, uint16(i+1))
			b.next(packets.Puback)
		}
		synctest.Wait() // they are passed on after the acknowledgement
		sub = br.dial(t, v)
		require.Zero(t, sub.connect(persist))
		ids := map[uint16]bool{}
		for range 9 {
			ids[sub.next(packets.Publish).PacketID] = true
		}
		for id := range uint16(9) {
			require.True(t, ids[id+1], "the numbers below")
			sub.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, ProtocolVersion: v, PacketID: id + 1,
				Filters: packets.Subscriptions{{Filter: fmt.Sprint("b", id), Qos: 1}}})
			ack := sub.next(packets.Suback)
			require.Equal(t, id+1, ack.PacketID)
			require.Equal(t, []byte{1}, ack.ReasonCodes)
		}
		sub.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Unsubscribe, Qos: 1}, ProtocolVersion: v, PacketID: 3,
			Filters: packets.Subscriptions{{Filter: "a"}, {Filter: "b1"}}})
		require.EqualValues(t, 3, sub.next(packets.Unsuback).PacketID)
		cl, _ := br.srv.Clients.Get("sub")
		require.Len(t, cl.State.Subscriptions.GetAll(), 8)
		require.Equal(t, 9, cl.State.Inflight.Len(), "and the messages still wait to be acknowledged")
	})
}
