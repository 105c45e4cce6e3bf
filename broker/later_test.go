package broker

import (
	"bytes"
	"context"
	"fmt"
	"strconv"
	"sync"
	"testing"
	"testing/synctest"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

// slow is a LaterSink whose disk answers when the test says so.
type slow struct {
	heard
	mu    sync.Mutex
	owed  []chan<- error
	hasty bool // says that all is durable at once
	after func(m Message) error
}

func (s *slow) PublishLater(_ context.Context, m Message, done chan<- error) error {
	if s.after != nil {
		if err := s.after(m); err != nil {
			return err
		}
	}
	m.Topic, m.Payload = string([]byte(m.Topic)), bytes.Clone(m.Payload)
	s.heard.mu.Lock()
	s.msgs = append(s.msgs, m)
	s.heard.mu.Unlock()
	if s.hasty {
		done <- nil
		return nil
	}
	s.mu.Lock()
	s.owed = append(s.owed, done)
	s.mu.Unlock()
	return nil
}

// answer says of the next n messages how storing them went.
func (s *slow) answer(n int, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, done := range s.owed[:n] {
		done <- err
	}
	s.owed = s.owed[n:]
}

func (s *slow) waiting() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.owed)
}

// burst sends packets with one write.
func (b *board) burst(pks ...packets.Packet) {
	b.t.Helper()
	var all []byte
	for _, pk := range pks {
		pk.ProtocolVersion = b.v
		all = append(all, encode(pk)...)
	}
	// Read bit by bit while it waits, the broker may not take all at once.
	go func() { _, _ = b.conn.Write(all) }()
	synctest.Wait()
}

// numbered are n messages of QoS 1, of payloads and packet ids from 1.
func numbered(n int) (pks []packets.Packet, payloads []string) {
	for i := range n {
		payloads = append(payloads, strconv.Itoa(i+1))
		pks = append(pks, publishPacket("cellar/tank/light", payloads[i], 1, uint16(i+1)))
	}
	return pks, payloads
}

// got takes what has come so far: "ack 3", or the payload of a message.
func (b *board) got() (out []string) {
	synctest.Wait()
	for {
		select {
		case pk, ok := <-b.in:
			switch {
			case !ok:
				return append(out, "hung up")
			case pk.FixedHeader.Type == packets.Publish:
				out = append(out, string(pk.Payload))
			case pk.FixedHeader.Type == packets.Puback:
				out = append(out, fmt.Sprint("ack ", pk.PacketID))
			default:
				out = append(out, packets.PacketNames[pk.FixedHeader.Type])
			}
		default:
			return out
		}
	}
}

func acks(from, to int) (out []string) {
	for i := from; i <= to; i++ {
		out = append(out, fmt.Sprint("ack ", i))
	}
	return out
}

// ackedEarly sends a burst, and tells what was acknowledged before the disk
// answered.
func ackedEarly(b *board) []string {
	pks, _ := numbered(5)
	b.burst(pks...)
	return b.got()
}

func TestBurstIsAcknowledgedOnceDurable(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &slow{}
		br := embedded(t, Options{}, sink)
		watch := br.watcher(t, v)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))

		require.Empty(t, ackedEarly(b))
		_, want := numbered(5)
		require.Equal(t, want, sink.payloads(), "the disk is to store all with one write")
		require.Empty(t, watch.got())
		sink.answer(4, nil)
		acked := b.got()
		require.NotContains(t, acked, "ack 5")
		sink.answer(1, nil)
		require.Equal(t, acks(1, 5), append(acked, b.got()...))
		require.Equal(t, want, watch.got())

		// One alone is waited for.
		b.publish("cellar/tank/light", "6", 1, 6)
		require.Empty(t, b.got())
		sink.answer(1, nil)
		require.Equal(t, acks(6, 6), b.got())
	})
}

// The control: a sink that says too early that all is durable is seen by the
// check above.
func TestHastyBurstIsSeen(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		b := embedded(t, Options{}, &slow{hasty: true}).dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		require.Equal(t, acks(1, 5), ackedEarly(b))
	})
}

// A client gets the broker to hold only so many of its messages.
func TestBurstIsBounded(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &slow{}
		b := embedded(t, Options{}, sink).dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		n := 3*mostAhead + 5
		pks, want := numbered(n)
		b.burst(pks...)
		var acked []string
		for len(acked) < n {
			k := sink.waiting()
			require.NotZero(t, k)
			require.LessOrEqual(t, k, mostAhead)
			sink.answer(k, nil)
			acked = append(acked, b.got()...)
		}
		require.Equal(t, acks(1, n), acked)
		require.Equal(t, want, sink.payloads())
	})
}

// What follows a burst keeps its place behind it.
func TestWhatFollowsABurst(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &slow{}
		br := embedded(t, Options{}, sink)
		watch := br.watcher(t, v)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		pks, _ := numbered(3)
		retained := publishPacket("cellar/tank/light", "kept", 1, 3)
		retained.FixedHeader.Retain = true
		pks[2] = retained
		b.burst(append(pks,
			packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}},
			publishPacket("cellar/tank/light", "zero", 0, 0),
			publishPacket("cellar/tank/light", "two", 2, 9))...)
		require.Empty(t, b.got())
		require.Equal(t, []string{"1", "2", "kept"}, sink.payloads())
		sink.answer(3, nil)
		require.Equal(t, []string{"ack 1", "ack 2", "ack 3", "Pingresp"}, b.got())
		sink.answer(1, nil)
		require.Equal(t, []string{"Pubrec"}, b.got())
		all := []string{"1", "2", "kept", "zero", "two"}
		require.Equal(t, all, sink.payloads())
		require.Equal(t, all, watch.got())
		late := br.dial(t, v)
		require.Zero(t, late.connect(login{id: "late", clean: true}))
		late.subscribe(1, "cellar/#")
		require.Equal(t, []string{"kept"}, late.got())
	})
}

// MQTT 5.0 section 3.3.2.3.4: an alias may be given another topic at any time.
func TestAliasesInABurst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sink := &slow{}
		br := embedded(t, Options{}, sink)
		watch := br.dial(t, 5)
		require.Zero(t, watch.connect(login{id: "watch", clean: true}))
		watch.subscribe(1, "#")
		b := br.dial(t, 5)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		alias := func(topic, payload string, id uint16) packets.Packet {
			pk := publishPacket(topic, payload, 1, id)
			pk.Properties.TopicAliasFlag, pk.Properties.TopicAlias = true, 1
			return pk
		}
		sink.hasty = true
		var pks []packets.Packet
		for i := range mostAhead {
			pks = append(pks, alias("a", fmt.Sprint(i), uint16(i+1)))
		}
		b.burst(append(pks, alias("b", "first", 100), alias("", "second", 101))...)
		require.Equal(t, append(acks(1, mostAhead), acks(100, 101)...), b.got())
		b.send(alias("", "third", 102))
		require.Equal(t, acks(102, 102), b.got())
		for i := range mostAhead {
			pk := watch.next(packets.Publish)
			require.Equal(t, "a "+strconv.Itoa(i), pk.TopicName+" "+string(pk.Payload))
		}
		for _, want := range []string{"b first", "b second", "b third"} {
			pk := watch.next(packets.Publish)
			require.Equal(t, want, pk.TopicName+" "+string(pk.Payload))
		}
	})
}
