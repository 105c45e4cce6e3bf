package broker

import (
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// OnPublishDropped: a subscriber reads so slowly that its queue is full.
// Cutting it off frees the queue, and tells it that it missed something.
func (h *hook) OnPublishDropped(cl *mqtt.Client, pk packets.Packet) {
	defer h.contain(nil, "dropped")
	h.stats.slowDropped.Add(1)
	h.quiet.Note("client", cl.ID, "slow", "a subscriber was disconnected: it reads too slowly", "queued", maxPending)
	cl.Stop(packets.ErrPendingClientWritesExceeded)
}

// OnQosPublish counts what is kept for subscribers until they acknowledge it.
func (h *hook) OnQosPublish(cl *mqtt.Client, pk packets.Packet, sent int64, resends int) {
	if pk.FixedHeader.Type != packets.Publish {
		return
	}
	if h.queued.Add(int64(len(pk.Payload)+len(pk.TopicName))) > queuedBudget {
		h.recount()
	}
}

// recount finds how much is really queued; queued only grows in between. While
// the budget is used up it looks at most once a second.
func (h *hook) recount() {
	if !h.counting.TryLock() {
		return
	}
	defer h.counting.Unlock()
	now := time.Now().UnixNano()
	if h.overfull.Load() && now-h.counted.Load() < int64(time.Second) {
		return
	}
	var n int64
	for _, cl := range h.srv.Clients.GetAll() {
		for _, pk := range cl.State.Inflight.GetAll(false) {
			n += int64(len(pk.Payload) + len(pk.TopicName))
		}
	}
	h.queued.Store(n)
	h.counted.Store(now)
	full := n > queuedBudget*3/4
	if full && !h.overfull.Load() {
		h.quiet.Note("", "", "queue", "subscribers that are away or slow have left too much unread: the slowest get no more until they catch up", "bytes", n)
	}
	h.overfull.Store(full)
}
