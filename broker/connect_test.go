package broker

import (
	"testing"
	"testing/synctest"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

// MQTT 3.1.1 sections 3.1.3.3 and 3.1.3.5 (of 5.0: 3.1.3.4 and 3.1.3.6), from memory:
// a will's payload and a password may have no bytes.
func TestEmptyPasswordAndWill(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		br := embedded(t, Options{}, &heard{})
		watch := br.dial(t, v)
		require.Zero(t, watch.connect(login{id: "watch", clean: true}))
		watch.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, PacketID: 1, Filters: packets.Subscriptions{{Filter: "#"}}})
		watch.next(packets.Suback)

		b := br.dial(t, v)
		require.Zero(t, b.connect(login{id: "board", clean: true, will: "gone/here", edit: func(pk *packets.Packet) {
			pk.Connect.UsernameFlag, pk.Connect.PasswordFlag = true, true // both empty, as of a form that was not filled in
			pk.Connect.WillPayload = nil
		}}))
		require.NoError(t, b.conn.Close())
		pk := watch.next(packets.Publish)
		require.Equal(t, "gone/here", pk.TopicName)
		require.Empty(t, pk.Payload)
	})
}

// With accounts an empty password lets nobody in, and is told as that.
func TestEmptyPasswordIsNone(t *testing.T) {
	versions(t, func(t *testing.T, v byte) {
		br := embedded(t, Options{Accounts: []Account{{Name: "tank", PasswordHash: cheap("pw"), Publish: []string{"cellar/#"}}}}, &heard{})
		b := br.dial(t, v)
		require.NotZero(t, b.connect(login{id: "board", clean: true, user: "tank", edit: func(pk *packets.Packet) { pk.Connect.PasswordFlag = true }}))
		synctest.Wait()
		require.Contains(t, reasons(br.l.quiet), "login")
	})
}

// The answers that MQTT 3.1.1 has (section 3.2.2.3): 1 for a protocol level that is
// not taken, by which a bridge knows that it has to leave out its bit, and 2 for an
// empty client id whose session is to be kept (section 3.1.3.1).
func TestRefusalsInWordsOfMQTT311(t *testing.T) {
	for name, c := range map[string]struct {
		version  byte
		name, id string
		clean    bool
		code     byte
		reason   string // in the log; "": none
	}{
		"a bridge of 3.1.1":           {version: 0x84, name: "MQTT", id: "bridge", code: 1},
		"a bridge of 3.1":             {version: 0x83, name: "MQIsdp", id: "bridge", code: 1},
		"a version to come":           {version: 6, name: "MQTT", id: "board", clean: true, code: 1, reason: "protocol"},
		"no client id, and a session": {version: 4, name: "MQTT", code: 2, reason: "client_id"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				br := embedded(t, Options{}, &heard{})
				b := br.dial(t, 4)
				pk := connectPacket(4, login{id: c.id, clean: c.clean})
				pk.Connect.ProtocolName = []byte(c.name)
				raw := encode(pk)
				raw[4+len(c.name)] = c.version // after header, length and name
				_, err := b.conn.Write(raw)
				require.NoError(t, err)
				require.Equal(t, c.code, b.next(packets.Connack).ReasonCode)
				b.hungUp()
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

// A message on a topic of the broker's own is acknowledged and dropped, in its turn,
// with an account or without: a bridge that tells its state there goes on.
func TestOwnTopicsAreAcknowledged(t *testing.T) {
	for name, opts := range map[string]Options{"open": {}, "accounts": {Accounts: []Account{{Name: "bridge", PasswordHash: cheap("pw"), Publish: []string{"cellar/#"}}}}} {
		t.Run(name, func(t *testing.T) {
			versions(t, func(t *testing.T, v byte) {
				sink := &slow{hasty: true}
				br := embedded(t, opts, sink)
				b := br.dial(t, v)
				require.Zero(t, b.connect(login{id: "bridge", user: "bridge", pass: "pw", clean: true}))
				b.burst(publishPacket("cellar/tank/light", "511", 1, 1), publishPacket("$SYS/broker/connection/bridge/state", "1", 1, 2), publishPacket("cellar/tank/light", "512", 1, 3))
				for id := range uint16(3) {
					require.Equal(t, id+1, b.next(packets.Puback).PacketID)
				}
				b.publish("$SYS/broker/connection/bridge/state", "1", 2, 4)
				require.EqualValues(t, 4, b.next(packets.Pubrec).PacketID)
				b.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pubrel, Qos: 1}, PacketID: 4})
				require.EqualValues(t, 4, b.next(packets.Pubcomp).PacketID)
				require.Equal(t, []string{"511", "512"}, sink.payloads())
				require.Equal(t, []string{"own_topic"}, reasons(br.l.quiet))
			})
		})
	}
}

func reasons(q *Quiet) (out []string) {
	for k := range noted(q) {
		out = append(out, k.reason)
	}
	return out
}
