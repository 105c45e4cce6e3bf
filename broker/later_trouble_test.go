package broker

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

// again sends messages with DUP set, as what was not acknowledged, and has the
// disk answer.
func (b *board) again(sink *slow, pks ...packets.Packet) {
	for _, pk := range pks {
		pk.FixedHeader.Dup = true
		b.send(pk)
		synctest.Wait()
		sink.answer(sink.waiting(), nil)
	}
}

// watcher is a client that reads what others say of the cellar.
func (s *testBroker) watcher(t *testing.T, v byte) *board {
	w := s.dial(t, v)
	require.Zero(t, w.connect(login{id: "watch", user: "watch", pass: "watch", clean: true}))
	w.subscribe(1, "cellar/#")
	synctest.Wait() // what is retained comes after the SUBACK
	return w
}

// cellarOnly are accounts of a board that may publish below cellar, and of who
// may read all.
func cellarOnly() Options {
	return Options{Accounts: []Account{
		{Name: "board", PasswordHash: cheap("board"), Publish: []string{"cellar/#"}, Subscribe: []string{"to/#"}},
		{Name: "watch", PasswordHash: cheap("watch"), Publish: []string{"to/#"}, Subscribe: []string{"#"}},
	}}
}

var boardLogin = login{id: "board", user: "board", pass: "board", clean: true}

// of are the payloads that a client sent.
func (s *slow) of(client string) (out []string) {
	for _, m := range s.msgs {
		if m.Client == client {
			out = append(out, string(m.Payload))
		}
	}
	return out
}

// wires are packets as bytes.
func wires(v byte, pks ...packets.Packet) (all []byte) {
	for _, pk := range pks {
		pk.ProtocolVersion = v
		all = append(all, encode(pk)...)
	}
	return all
}

// A message that could not be stored is not acknowledged, nor is any after it;
// those that were stored all the same are known when they come again, and
// passed on once.
func TestRefusedWithinABurst(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &slow{}
		br := embedded(t, Options{}, sink)
		watch := br.watcher(t, v)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board"}))
		pks, _ := numbered(5)
		b.burst(pks...)
		sink.answer(1, nil)
		sink.answer(1, errDiskFull)
		sink.answer(2, nil)
		sink.answer(1, errDiskFull)
		want := []string{"ack 1", "hung up"}
		if v == 5 {
			want = []string{"ack 1", "Disconnect", "hung up"}
		}
		synctest.Wait()
		time.Sleep(2 * goodbyeTime)
		require.Equal(t, want, b.got())
		require.EqualValues(t, 2, br.Stats().Refused)

		b = br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board"}))
		b.again(sink, pks[1:]...)
		require.Equal(t, acks(2, 5), b.got())
		require.Equal(t, []string{"1", "2", "3", "4", "5", "2", "5"}, sink.payloads(), "only what was refused is taken again")
		require.ElementsMatch(t, []string{"1", "2", "3", "4", "5"}, watch.got())
	})
}

// The sink refuses the second of a burst at once.
func TestRefusedAtOnceWithinABurst(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &slow{hasty: true}
		sink.after = func(m Message) error {
			if string(m.Payload) == "2" {
				return errDiskFull
			}
			return nil
		}
		br := embedded(t, Options{}, sink)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board"}))
		pks, _ := numbered(3)
		b.burst(pks...)
		synctest.Wait()
		time.Sleep(2 * goodbyeTime)
		require.Equal(t, "ack 1", b.got()[0])
		require.Equal(t, []string{"1"}, sink.payloads())
		require.EqualValues(t, 1, br.Stats().Refused)
	})
}

// Nothing is taken behind what was refused: its sender will send all of it again.
func TestNothingIsTakenBehindARefusal(t *testing.T) {
	plain := func(qos byte) packets.Packet { return publishPacket("cellar/tank/light", "behind", qos, uint16(qos)*9) }
	dup := plain(1)
	dup.FixedHeader.Dup = true
	for name, c := range map[string]struct {
		n    int
		last packets.Packet
	}{"QoS 0": {2, plain(0)}, "QoS 1": {mostAhead, plain(1)}, "QoS 2": {2, plain(2)}, "DUP": {2, dup}} {
		t.Run(name, func(t *testing.T) {
			versions(t, func(t *testing.T, v byte) {
				sink := &slow{}
				b := embedded(t, Options{}, sink).dial(t, v)
				require.Zero(t, b.connect(login{id: "board"}))
				pks, want := numbered(c.n)
				b.burst(append(pks, c.last)...)
				sink.answer(c.n, errDiskFull)
				synctest.Wait()
				require.Equal(t, want, sink.payloads())
			})
		})
	}
}

// The connection is cut while messages are being stored: as they were, they are
// known when they come again, however many they are; and they are passed on.
func TestBurstOfAConnectionThatBreaks(t *testing.T) {
	for _, n := range []int{1, 3, mostAhead, 2*mostAhead - 4} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			versions(t, func(t *testing.T, v byte) {
				sink := &slow{}
				br := embedded(t, Options{}, sink)
				watch := br.watcher(t, v)
				b := br.dial(t, v)
				require.Zero(t, b.connect(login{id: "board"}))
				pks, want := numbered(n)
				pks[0].FixedHeader.Retain = true
				b.burst(pks...)
				_ = b.conn.Close()
				synctest.Wait()
				for range 2 { // it had come, all of it
					sink.answer(sink.waiting(), nil)
					synctest.Wait()
				}
				require.Equal(t, want, sink.payloads())
				require.Equal(t, want, watch.got())

				b = br.dial(t, v)
				require.Zero(t, b.connect(login{id: "board"}))
				b.again(sink, pks...)
				require.Equal(t, acks(1, n), b.got())
				require.Len(t, sink.payloads(), n, "none is taken twice")
				require.Empty(t, watch.got(), "none is passed on twice")
				late := br.dial(t, v)
				require.Zero(t, late.connect(login{id: "late", clean: true}))
				late.subscribe(1, "cellar/#")
				require.Equal(t, []string{"1"}, late.got())
			})
		})
	}
}

// What ends a connection behind a burst does not cost it: it was taken, so it
// is passed on, and known when it comes again.
func TestWhatEndsAConnectionBehindABurst(t *testing.T) {
	for name, c := range map[string]struct {
		bad   []byte
		known byte // up to this version of MQTT the library hands it over, and the broker can tell what it is
	}{
		"garbage":      {[]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, 0},
		"too large":    {[]byte{0x30, 0xff, 0xff, 0x7f}, 0},
		"bad publish":  {[]byte{0x32, 0x04, 0, 9, 'x', 'y'}, 0},
		"no packet id": {[]byte{0x32, 0x07, 0, 3, 'a', '/', 'b', 0, 0}, 4},
		"bad topic":    {[]byte{0x32, 0x07, 0, 3, 'a', '/', '#', 0, 9}, 4},
		"goodbye":      {[]byte{0xe0, 0}, 4},
		"panic":        {subscribeThatPanics, 0},
	} {
		t.Run(name, func(t *testing.T) {
			versions(t, func(t *testing.T, v byte) {
				if name == "panic" && v != 5 {
					t.Skip("a packet of MQTT 5")
				}
				sink := &slow{}
				br := embedded(t, Options{}, sink)
				watch := br.watcher(t, v)
				l := login{id: "board", will: "cellar/tank/gone"}
				b := br.dial(t, v)
				require.Zero(t, b.connect(l))
				pks, want := numbered(3)
				go func() { _, _ = b.conn.Write(append(wires(v, pks...), c.bad...)) }()
				synctest.Wait()
				require.Equal(t, want, sink.payloads())
				sink.answer(3, nil)
				synctest.Wait()
				time.Sleep(2 * goodbyeTime)
				heard := watch.got()
				got := b.got()
				if v <= c.known {
					require.Subset(t, got, acks(1, 3))
					require.Equal(t, want, heard[:3], "in their order, before the will")
				}
				require.Subset(t, heard, want)

				b = br.dial(t, v)
				require.Zero(t, b.connect(l))
				b.again(sink, pks...)
				require.Equal(t, acks(1, 3), b.got())
				require.Equal(t, want, sink.payloads(), "none is taken twice")
				require.Empty(t, watch.got(), "none is passed on twice")
			})
		})
	}
}

// MQTT 3.1.1 has no way to refuse one message but to end the connection
// (section 3.3.5): the good ones before it are acknowledged first, so that a
// board that starts anew with the rest gets on.
func TestDeniedBehindABurst(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &slow{hasty: true}
		br := embedded(t, cellarOnly(), sink)
		watch := br.watcher(t, v)
		b := br.dial(t, v)
		require.Zero(t, b.connect(boardLogin))
		pks, want := numbered(3)
		b.burst(append(pks, publishPacket("attic/light", "denied", 1, 4))...)
		time.Sleep(2 * goodbyeTime)
		end := []string{"hung up"}
		if v == 5 {
			end = acks(4, 4) // with a reason
		}
		require.Equal(t, append(acks(1, 3), end...), b.got())
		require.Equal(t, want, sink.payloads())
		require.Equal(t, want, watch.got())
	})
}

// MQTT 5.0 section 4.6: acknowledgements keep the order of the messages, that
// of a denied one too.
func TestDeniedWithinABurst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := embedded(t, cellarOnly(), &slow{hasty: true}).dial(t, 5)
		require.Zero(t, b.connect(boardLogin))
		b.burst(publishPacket("cellar/a", "1", 1, 1), publishPacket("attic/a", "2", 1, 2), publishPacket("cellar/a", "3", 1, 3))
		require.Equal(t, acks(1, 3), b.got())
	})
}

// A connection ends in whatever way while its messages wait for the disk, and
// its client is back before the disk answers: the new connection is known, its
// news comes in order, and nothing is taken twice.
func TestBackBeforeTheDiskAnswers(t *testing.T) {
	for name, end := range map[string]func(t *testing.T, br *testBroker, b *board){
		"takeover": func(*testing.T, *testBroker, *board) {},
		"cut":      func(_ *testing.T, _ *testBroker, b *board) { _ = b.conn.Close() },
		"garbage": func(_ *testing.T, _ *testBroker, b *board) {
			go func() { _, _ = b.conn.Write([]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff}) }()
		},
		"denied": func(_ *testing.T, _ *testBroker, b *board) {
			go func() { _, _ = b.conn.Write(wires(b.v, publishPacket("attic/light", "denied", 1, 9))) }()
		},
		"reads too slowly": func(t *testing.T, br *testBroker, b *board) {
			other := br.dial(t, b.v)
			require.Zero(t, other.connect(login{id: "other", user: "watch", pass: "watch", clean: true}))
			for range maxPending + 200 { // b.in holds some
				other.publish("to/flood", "x", 0, 0)
				synctest.Wait()
			}
			require.EqualValues(t, 1, br.Stats().SlowDropped)
			go b.hungUp()
			other.disconnect()
		},
	} {
		for _, n := range []int{1, 3} {
			t.Run(fmt.Sprint(name, "/", n), func(t *testing.T) {
				versions(t, func(t *testing.T, v byte) {
					sink := &slow{}
					br := embedded(t, cellarOnly(), sink)
					other := br.watcher(t, v)
					b := br.dial(t, v)
					require.Zero(t, b.connect(boardLogin))
					b.subscribe(9, "to/flood")
					pks, want := numbered(n)
					b.burst(pks...)
					end(t, br, b)
					synctest.Wait()

					again := br.dial(t, v)
					go func() {
						for i := range pks {
							pks[i].FixedHeader.Dup = true
						}
						_, _ = again.conn.Write(append(wires(v, connectPacket(v, boardLogin)), wires(v, pks...)...))
					}()
					synctest.Wait()
					sink.answer(sink.waiting(), nil)
					synctest.Wait()
					sink.answer(sink.waiting(), nil)
					again.next(packets.Connack)
					require.Equal(t, acks(1, n), again.got())
					require.Equal(t, want, sink.of("board"))
					heard := other.got()
					require.Subset(t, heard, want, "passed on")
					require.Len(t, heard, n, "and once")

					again.subscribe(10, "to/board")
					other.publish("to/board", "wake", 0, 0)
					require.Equal(t, []string{"wake"}, again.got(), "the new connection is the one that is known")
					var words []string
					for _, w := range sink.words() {
						if strings.HasPrefix(w, "board") {
							words = append(words, w)
						}
					}
					require.Equal(t, []string{"board up", "board lost", "board up"}, words)
				})
			})
		}
	}
}

// Stopping does not wait for a disk that never answers, and acknowledges
// nothing that may be lost.
func TestStopWithinABurst(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &slow{}
		br := embedded(t, Options{}, sink)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		require.Empty(t, ackedEarly(b))
		cut := br.dial(t, v)
		require.Zero(t, cut.connect(login{id: "cut", clean: true}))
		require.Empty(t, ackedEarly(cut))
		_ = cut.conn.Close()
		began := time.Now()
		br.stop()
		require.LessOrEqual(t, time.Since(began), 2*goodbyeTime)
		require.NotContains(t, b.got(), "ack 1")
		require.Equal(t, 10, sink.waiting())
		sink.answer(10, nil) // must not be in anyone's way
	})
}

// What is being stored when lampward is told to stop is acknowledged, so that it
// does not come again at the next start, which would not know it. What comes
// later stays with its sender.
func TestStopWhileStoring(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		for _, n := range []int{1, 5} {
			sink := &slow{}
			br := embedded(t, Options{}, sink)
			b := br.dial(t, v)
			require.Zero(t, b.connect(login{id: "board", clean: true}))
			other := br.dial(t, v)
			require.Zero(t, other.connect(login{id: "other", clean: true}))
			pks, want := numbered(n)
			b.burst(pks...)
			require.Empty(t, b.got())
			began := time.Now()
			time.AfterFunc(100*time.Millisecond, func() {
				other.publish("cellar/salt/light", "7", 1, 1)
				synctest.Wait()
				sink.answer(n, nil)
			})
			br.stop()
			require.Equal(t, 100*time.Millisecond, time.Since(began))
			require.Equal(t, want, sink.payloads())
			require.Subset(t, b.got(), acks(1, n))
			require.NotContains(t, other.got(), "ack 1")
			require.Empty(t, noted(br.quiet), "that we stop is no trouble")
		}
	})
}

// A disk that takes longer than the keep-alive is not the client's fault.
func TestSlowDiskCostsNoConnection(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		sink := &slow{}
		b := embedded(t, Options{}, sink).dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true, keepAlive: 10}))
		require.Empty(t, ackedEarly(b))
		time.Sleep(time.Minute)
		sink.answer(5, nil)
		require.Equal(t, acks(1, 5), b.got())
		b.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}})
		require.Equal(t, []string{"Pingresp"}, b.got())
	})
}

// panicky is a sink that panics over a message of bad, before or after it took
// it.
type panicky struct {
	slow
	late bool
}

func (s *panicky) PublishLater(ctx context.Context, m Message, done chan<- error) error {
	if m.Client == "bad" && string(m.Payload) == "2" {
		if s.late {
			_ = s.slow.PublishLater(ctx, m, done)
		}
		panic("on purpose")
	}
	return s.slow.PublishLater(ctx, m, done)
}

// It costs who sent it the connection, and nobody else anything: what the disk
// says late of that message is not taken for another's.
func TestPanicWithinABurst(t *testing.T) {
	for _, late := range []bool{false, true} {
		t.Run(fmt.Sprint("late=", late), func(t *testing.T) {
			versions(t, func(t *testing.T, v byte) {
				sink := &panicky{late: late}
				br := embedded(t, Options{}, sink)
				watch := br.watcher(t, v)
				bad := br.dial(t, v)
				require.Zero(t, bad.connect(login{id: "bad", clean: true}))
				pks, want := numbered(3)
				bad.burst(pks...)
				bad.hungUp()
				require.EqualValues(t, 1, br.Stats().Panics)
				sink.answer(1, nil)
				require.Equal(t, want[:1], watch.got())
				bad = br.dial(t, v)
				require.Zero(t, bad.connect(login{id: "bad", clean: true}))
				bad.again(&slow{}, pks[1])
				bad.hungUp() // it is not waited for, but panicked over again
				require.EqualValues(t, 2, br.Stats().Panics)

				for i := range 4 { // one of them has the memory that bad used
					good := br.dial(t, v)
					require.Zero(t, good.connect(login{id: fmt.Sprint("good", i), clean: true}))
					good.burst(pks...)
					synctest.Wait()
				}
				if late {
					sink.answer(2, nil)
				}
				require.Equal(t, 12, sink.waiting())
				for i, done := range sink.owed {
					if i%3 != 1 {
						done <- nil
					}
				}
				require.Empty(t, watch.got(), "the second of each is not durable yet")
				for i, done := range sink.owed {
					if i%3 == 1 {
						done <- nil
					}
				}
				require.Len(t, watch.got(), 12)
			})
		})
	}
}

// An alias that was never given a topic ends the connection; what came before
// is acknowledged before.
func TestUnknownAliasBehindABurst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := embedded(t, Options{}, &slow{hasty: true}).dial(t, 5)
		require.Zero(t, b.connect(login{id: "board", clean: true}))
		pks, _ := numbered(3)
		pks[2].TopicName = ""
		pks[2].Properties.TopicAliasFlag, pks[2].Properties.TopicAlias = true, 7
		b.burst(pks...)
		time.Sleep(2 * goodbyeTime)
		require.Equal(t, append(acks(1, 2), "Disconnect", "hung up"), b.got())
	})
}

// While acknowledgements are put together, others may write to the connection,
// for as long as it takes to pass a burst on: that is not piled up.
func TestHeldIsBounded(t *testing.T) {
	ours, theirs := net.Pipe()
	defer ours.Close()
	c, cl := &conn{Conn: theirs, done: make(chan struct{})}, new(mqtt.Client)
	defer c.Close()
	got, held := make(chan string), make(chan string)
	go func() {
		b := make([]byte, 4*mostHeld)
		for {
			n, err := ours.Read(b)
			if err != nil {
				return
			}
			got <- string(b[:n])
		}
	}()
	c.cork(cl)
	_, err := c.Write([]byte("abc"))
	require.NoError(t, err)
	require.Len(t, c.held, 3)
	big := strings.Repeat("x", mostHeld)
	for range 3 {
		go func() {
			_, _ = c.Write([]byte(big))
			_, _ = c.Write([]byte("abc"))
			held <- string(c.held)
		}()
		require.Equal(t, "abc"+big, <-got)
		require.Equal(t, "abc", <-held)
	}
	go c.uncork(cl)
	require.Equal(t, "abc", <-got)
	go func() { _, _ = c.Write([]byte("d")) }()
	require.Equal(t, "d", <-got)
}

// someRun is a random run of packets of one client.
func someRun(rng *rand.Rand, v byte) (out []packets.Packet) {
	aliases := map[uint16]bool{}
	for i := range 1 + rng.IntN(60) {
		switch k := rng.IntN(20); {
		case k < 14:
			pk := publishPacket(fmt.Sprint("cellar/", rng.IntN(3)), fmt.Sprint("p", i), 1, uint16(1+rng.IntN(40)))
			pk.FixedHeader.Retain = rng.IntN(6) == 0
			pk.FixedHeader.Dup = rng.IntN(12) == 0
			if rng.IntN(40) == 0 {
				pk.TopicName = "$SYS/x"
			}
			if rng.IntN(8) == 0 {
				pk.Payload = nil
			}
			if v == 5 && rng.IntN(3) == 0 {
				a := uint16(1 + rng.IntN(3))
				pk.Properties.TopicAliasFlag, pk.Properties.TopicAlias = true, a
				if aliases[a] && rng.IntN(2) == 0 {
					pk.TopicName = ""
				} else if pk.TopicName[0] != '$' {
					aliases[a] = true
				}
			}
			out = append(out, pk)
			if rng.IntN(15) == 0 {
				pk.FixedHeader.Dup = true
				out = append(out, pk)
			}
		case k < 16:
			out = append(out, publishPacket("cellar/1", fmt.Sprint("q", i), 0, 0))
		case k == 16:
			id := uint16(100 + i)
			out = append(out, publishPacket("cellar/2", fmt.Sprint("r", i), 2, id))
			if rng.IntN(2) == 0 {
				out = append(out, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pubrel, Qos: 1}, PacketID: id})
			}
		case k == 17:
			out = append(out, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}})
		case k == 18:
			out = append(out, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, PacketID: uint16(300 + i),
				Filters: packets.Subscriptions{{Filter: "elsewhere/" + fmt.Sprint(i), Qos: 1}}})
		case k == 19 && rng.IntN(6) == 0:
			return append(out, packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Disconnect}})
		}
	}
	return out
}

// outcomeOf tells all that can be seen of such a run.
func outcomeOf(t *testing.T, v byte, seed uint64, sink Sink, h *heard) (log string) {
	synctest.Test(t, func(t *testing.T) {
		br := embedded(t, Options{}, sink)
		br.hook.recent = newRecent(0, recentBurst, recentBurst, recentFor) // who sends bursts is remembered for longer
		watch := br.watcher(t, v)
		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true, will: "cellar/will"}))
		rng := rand.New(rand.NewPCG(seed, 1))
		all := wires(v, someRun(rng, v)...)
		var got, heard []string
		for len(all) > 0 {
			n := len(all)
			if seed%3 == 0 {
				n = min(n, 1+rng.IntN(300))
			}
			part := all[:n]
			all = all[n:]
			go func() { _, _ = b.conn.Write(part) }()
			got = append(got, b.got()...)
			heard = append(heard, watch.got()...)
		}
		_ = b.conn.Close()
		time.Sleep(time.Minute)
		heard = append(heard, watch.got()...)
		late := br.dial(t, v)
		require.Zero(t, late.connect(login{id: "late", clean: true}))
		late.subscribe(1, "cellar/0", "cellar/1", "cellar/2")
		var taken []string
		for _, m := range h.msgs {
			taken = append(taken, fmt.Sprint(m.Topic, "=", string(m.Payload), m.QoS, m.Dup))
		}
		log = fmt.Sprintln(got, "\n", heard, "\n", taken, "\n", late.got(), h.words(), br.Stats())
	})
	return log
}

// Whatever a client sends, it and all others see the same as if each message
// were waited for.
func TestBurstsAreAsOneByOne(t *testing.T) {
	for seed := range uint64(300) {
		v := []byte{4, 5}[seed%2]
		s := &slow{hasty: true}
		later := outcomeOf(t, v, seed, s, &s.heard)
		h := &heard{}
		require.Equal(t, outcomeOf(t, v, seed, h, h), later, "seed %d", seed)
	}
}
