package broker

import (
	"bytes"
	"log/slog"
	"net"
	"strings"
	"testing"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"
)

// Whatever panics in a call of the library is counted and logged, refuses what
// was asked, and costs the client its connection, not the process.
func TestPanicsAreContained(t *testing.T) {
	publish := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: 1}, TopicName: "a", PacketID: 1}
	for where, call := range map[string]func(*hook, *mqtt.Client) (refused bool){
		"packet": func(h *hook, cl *mqtt.Client) bool {
			cl.State.Inflight = nil
			_, err := h.OnPacketRead(cl, publish)
			return err == packets.ErrRejectPacket
		},
		"connect": func(h *hook, cl *mqtt.Client) bool {
			long := packets.ConnectParams{ClientIdentifier: strings.Repeat("x", maxClientID+1)}
			return h.OnConnect(cl, packets.Packet{Connect: long}) == packets.ErrRejectPacket
		},
		"login":      func(h *hook, cl *mqtt.Client) bool { return !h.OnConnectAuthenticate(cl, packets.Packet{}) },
		"permission": func(h *hook, cl *mqtt.Client) bool { return !h.OnACLCheck(cl, "a", true) },
		"subscribe":  func(h *hook, cl *mqtt.Client) bool { return h.OnSubscribe(cl, publish).TopicName == "" },
		"message": func(h *hook, cl *mqtt.Client) bool {
			_, err := h.OnPublish(cl, publish)
			return err == packets.ErrRejectPacket
		},
	} {
		t.Run(where, func(t *testing.T) {
			var log bytes.Buffer
			h := &hook{stats: &stats{}, quiet: NewQuiet(slog.New(slog.NewTextHandler(&log, nil)), 0)} // nothing else: all of it panics
			ours, theirs := net.Pipe()
			defer ours.Close()
			cl := mqtt.New(&mqtt.Options{Logger: slog.New(slog.DiscardHandler)}).NewClient(theirs, listenerID, "board", false)
			require.True(t, call(h, cl))
			require.EqualValues(t, 1, h.stats.panics.Load())
			require.Contains(t, log.String(), "where="+where)
			require.Contains(t, log.String(), "board")
			require.True(t, cl.Closed())
		})
	}
}
