package broker

import (
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// The broker library cleans up by four tickers that fire every second, for
// ever. Here what has run out is dropped when somebody would notice, and the
// rest once a minute; a delayed will has a timer of its own. So an idle broker
// sleeps, and months of faked time pass quickly in tests.
const janitorEvery = time.Minute

// janitor runs until stop closes.
func (h *hook) janitor(stop <-chan struct{}) {
	tick := time.NewTicker(janitorEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			h.cleanUp()
		case <-stop:
			return
		}
	}
}

func (h *hook) cleanUp() {
	defer h.contain(nil, "cleaning up")
	now := time.Now().Unix()
	for _, cl := range h.srv.Clients.GetAll() {
		switch {
		case cl.Net.Inline:
		case expired(cl, now):
			h.dropSession(cl)
		case cl.State.Inflight.Len() > 0:
			cl.ClearExpiredInflights(now, retainedKeep)
		}
	}
	h.dropRetained(now)
}

// expired tells whether the session of a client that is away has run out.
func expired(cl *mqtt.Client, now int64) bool {
	away := cl.StopTime()
	if away == 0 {
		return false
	}
	keep := int64(sessionKeep)
	switch {
	case cl.Properties.ProtocolVersion < 5 && cl.Properties.Clean: // only left behind after a panic
		keep = 0
	case cl.Properties.ProtocolVersion == 5:
		keep = min(keep, int64(cl.Properties.Props.SessionExpiryInterval))
	}
	return now >= away+keep
}

// dropSession forgets all of a session; the library leaves its subscriptions
// behind where a session runs out.
func (h *hook) dropSession(cl *mqtt.Client) {
	h.srv.UnsubscribeClient(cl)
	cl.ClearInflights()
	if now, ok := h.srv.Clients.Get(cl.ID); ok && now == cl {
		h.srv.Clients.Delete(cl.ID)
	}
	h.disown(cl.ID)
}

// dropRetained drops the retained messages that have run out.
func (h *hook) dropRetained(now int64) {
	for topic, pk := range h.srv.Topics.Retained.GetAll() {
		if now-pk.Created > retainedKeep || pk.ProtocolVersion == 5 && pk.Expiry > 0 && pk.Expiry < now {
			// A retained message without content is how one is deleted.
			h.srv.Topics.RetainMessage(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Retain: true}, TopicName: topic})
		}
	}
}

// delayed is a will that waits (MQTT 5.0 section 3.1.3.2.2).
type delayed struct {
	timer *time.Timer
	will  mqtt.Will
	st    *state
}

// delayWill publishes a will later, unless its client is back before.
func (h *hook) delayWill(st *state, will mqtt.Will, wait time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.stopped {
		return
	}
	if old := h.wills[st.client]; old != nil && old.timer.Stop() {
		h.willsRunning.Done()
	}
	d := &delayed{will: will, st: st}
	h.willsRunning.Add(1)
	d.timer = time.AfterFunc(wait, func() {
		defer h.willsRunning.Done()
		defer h.contain(nil, "delayed will")
		h.mu.Lock()
		current := h.wills[st.client] == d
		if current {
			delete(h.wills, st.client)
		}
		h.mu.Unlock()
		if !current {
			return
		}
		pk := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: will.Qos, Retain: will.Retain},
			TopicName: will.TopicName, Payload: will.Payload, PacketID: uint16(min(will.Qos, 1)),
			Properties: packets.Properties{User: will.User}}
		_ = h.srv.InjectPacket(h.inline, pk)
		h.tellWill(st, will.TopicName)
	})
	h.wills[st.client] = d
}

// keepWill drops the waiting will of a client that is back.
func (h *hook) keepWill(client string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.dropWill(client)
}

func (h *hook) dropWill(client string) {
	if d := h.wills[client]; d != nil {
		delete(h.wills, client)
		if d.timer.Stop() {
			h.willsRunning.Done()
		}
	}
}

// stop drops the waiting wills, and waits for those that are going out and for
// what abandon began.
func (h *hook) stop() {
	h.mu.Lock()
	h.stopped = true
	for client := range h.wills {
		h.dropWill(client)
	}
	h.mu.Unlock()
	h.willsRunning.Wait()
	h.background.Wait()
}
