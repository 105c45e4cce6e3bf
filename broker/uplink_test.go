package broker

import (
	"context"
	"log/slog"
	"net"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	pahopackets "github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"
)

// scripted is an external broker that accepts the connection and leaves the rest
// to the test; play is called with each connection once it has subscribed.
func scripted(t *testing.T, sink Sink, play func(c net.Conn, sub *pahopackets.SubscribePacket)) *External {
	x, err := NewExternal(ExternalOptions{URL: "mqtt://broker.test", Topics: []string{"cellar/tank"}, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	x.dial = func(context.Context) (net.Conn, error) {
		ours, theirs := net.Pipe()
		go func() {
			defer theirs.Close()
			for {
				pk, err := pahopackets.ReadPacket(theirs)
				if err != nil {
					return
				}
				switch pk := pk.(type) {
				case *pahopackets.ConnectPacket:
					_ = pahopackets.NewControlPacket(pahopackets.Connack).Write(theirs)
				case *pahopackets.SubscribePacket:
					play(theirs, pk)
				case *pahopackets.PingreqPacket:
					_ = pahopackets.NewControlPacket(pahopackets.Pingresp).Write(theirs)
				}
			}
		}()
		return ours, nil
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- x.Run(ctx, sink) }()
	t.Cleanup(func() { cancel(); require.NoError(t, <-done) })
	return x
}

func suback(id uint16, codes ...byte) *pahopackets.SubackPacket {
	pk := pahopackets.NewControlPacket(pahopackets.Suback).(*pahopackets.SubackPacket)
	pk.MessageID, pk.ReturnCodes = id, codes
	return pk
}

// A broker that answers for more topics than it was asked for, at which the
// library would panic, costs the connection and not the process.
func TestExternalAnswersTooMuch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sink := &heard{}
		n := 0
		scripted(t, sink, func(c net.Conn, sub *pahopackets.SubscribePacket) {
			codes := []byte{1}
			if n++; n == 1 {
				codes = append(codes, 1)
			}
			_ = suback(sub.MessageID, codes...).Write(c)
		})
		time.Sleep(time.Minute)
		synctest.Wait()
		require.Equal(t, []bool{false, true}, sink.upNews())
	})
}

// A message of many megabytes, which MQTT 3.1.1 cannot keep a broker from
// sending, is dropped and acknowledged without being held in memory.
func TestExternalHugeMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		publish := func(id uint16, payload []byte) *pahopackets.PublishPacket {
			pk := pahopackets.NewControlPacket(pahopackets.Publish).(*pahopackets.PublishPacket)
			pk.TopicName, pk.Qos, pk.MessageID, pk.Payload = "cellar/tank", 1, id, payload
			return pk
		}
		const huge = 32 << 20
		var before, after runtime.MemStats
		sink := &heard{}
		x := scripted(t, sink, func(c net.Conn, sub *pahopackets.SubscribePacket) {
			_ = suback(sub.MessageID, 1).Write(c)
			head := append([]byte{0x32}, length(2+len("cellar/tank")+2+huge)...)
			head = append(head, 0, byte(len("cellar/tank")))
			head = append(append(head, "cellar/tank"...), 0, 1)
			_, _ = c.Write(head)
			part := make([]byte, 64<<10)
			runtime.ReadMemStats(&before)
			for range huge / len(part) {
				_, _ = c.Write(part)
			}
			_ = publish(2, []byte("512")).Write(c)
		})
		time.Sleep(time.Minute)
		synctest.Wait()
		runtime.ReadMemStats(&after)
		require.Equal(t, []string{"512"}, sink.payloads())
		require.Equal(t, []bool{true}, sink.upNews())
		require.EqualValues(t, 1, x.Stats().TooLong)
		require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(huge/4))
	})
}

// length is the remaining length of a packet (MQTT 3.1.1 section 2.2.3).
func length(n int) (b []byte) {
	for ; n >= 128; n >>= 7 {
		b = append(b, byte(n)|128)
	}
	return append(b, byte(n))
}
