package broker

import (
	"context"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// LaterSink is a [Sink] that need not be waited for after each message. The
// embedded broker hands it the messages of QoS 1 that a client sent without
// waiting for acknowledgements, so that one write to the disk stores many.
type LaterSink interface {
	Sink
	// PublishLater takes one message as Publish does, after those that the
	// client sent before, but does not wait until it is durable: done, which
	// has room for one, gets what Publish would have returned, once, from any
	// goroutine. If PublishLater returns an error, done gets nothing.
	//
	// Each message is stored or refused for itself: of those behind a refused
	// one, what is stored is known when the client sends all of them again.
	PublishLater(ctx context.Context, m Message, done chan<- error) error
}

// atOnce makes a Sink one that is waited for after each message.
type atOnce struct{ Sink }

func (s atOnce) PublishLater(ctx context.Context, m Message, done chan<- error) error {
	done <- s.Publish(ctx, m)
	return nil
}

// mostAhead is how many messages of a client may wait to be durable. They are
// no more than fit in the library's read buffer (2 KiB), and one large one.
const mostAhead = 32

// ahead holds the messages of one connection that were handed to the sink and
// are not acknowledged yet. Only the goroutine that reads the connection uses
// it. A board that waits for each acknowledgement never has more than one.
type ahead struct {
	got, used int64 // bytes read from the connection, and those of packets that were handled
	settling  bool  // the library is given, once more, what is durable now
	list      *aheadList
	acking    *aheadList // one that is durable, which the library is about to acknowledge and pass on
}

// aheadList is used for another connection when one is done with it.
type aheadList struct{ owed []aheadOne }

type aheadOne struct {
	pk       packets.Packet
	sum      uint64     // see recent
	done     chan error // has room for one
	answered bool
	err      error
}

// seen counts the bytes of a packet that was read.
func (a *ahead) seen(pk *packets.Packet) {
	n := pk.FixedHeader.Remaining
	a.used += int64(n) + 2
	for n >= 128 {
		n >>= 7
		a.used++
	}
}

// more tells whether the client has sent more than the packet in hand.
func (a *ahead) more() bool { return a.got > a.used }

// follows tells whether a packet may be handled while what was sent before it
// is still owed. All else keeps its place behind it.
func (h *hook) follows(c *conn, pk *packets.Packet) bool {
	f := &pk.FixedHeader
	if f.Type != packets.Publish || f.Qos != 1 || f.Dup || len(c.ahead.list.owed) == mostAhead {
		return false
	}
	// Without a topic it is an alias, or a mistake: see checkAlias.
	if pk.TopicName != "" && (CheckTopic(pk.TopicName) != nil || !h.mayPublish(c.state.Load(), pk.TopicName)) {
		return false
	}
	return pk.PublishValidate(maxAliases) == packets.CodeSuccess
}

// hand hands a message to the sink and notes that its acknowledgement is owed,
// which may wait if the message is part of a burst. An error is the sink's.
func (h *hook) hand(cl *mqtt.Client, c *conn, pk packets.Packet, m Message, burst bool) error {
	a := &c.ahead
	list := a.list
	if list == nil {
		list = h.newList(burst)
	}
	i := len(list.owed)
	list.owed = list.owed[:i+1]
	one := &list.owed[i]
	done := one.done
	if done == nil {
		done = make(chan error, 1)
	}
	*one = aheadOne{pk: pk, sum: h.recent.add(cl.ID, pk.PacketID, &m, burst)}
	handed := false
	defer func() { // the sink may panic; then done is not used again
		if !handed {
			h.recent.settle(cl.ID, pk.PacketID, one.sum, false)
			list.owed = list.owed[:i]
			if a.list == nil {
				h.drop(list)
			}
		}
	}()
	err := h.ctx.Err() // what comes once we stop stays with its sender
	if err == nil {
		err = h.later.PublishLater(h.sinking, m, done)
	}
	if err != nil {
		one.done = done
		return err
	}
	handed, one.done = true, done
	if a.list == nil {
		a.list = list
		if burst {
			// Before the connection is read again, which may take for ever,
			// what is owed is paid.
			c.beforeRead = func() { h.settle(cl, c) }
		}
	}
	return nil
}

// newList returns an empty list, for one message or a burst.
func (h *hook) newList(burst bool) *aheadList {
	h.owing.Add(1)
	pool, room := &h.singles, 1
	if burst {
		pool, room = &h.lists, mostAhead
	}
	if l, ok := pool.Get().(*aheadList); ok {
		return l
	}
	return &aheadList{make([]aheadOne, 0, room)}
}

// drop ends the use of a list.
func (h *hook) drop(l *aheadList) {
	for i := range l.owed {
		l.owed[i] = aheadOne{done: l.owed[i].done}
	}
	l.owed = l.owed[:0]
	if cap(l.owed) > 1 {
		h.lists.Put(l)
	} else {
		h.singles.Put(l)
	}
	if h.owing.Add(-1) == 0 {
		select {
		case h.paid <- struct{}{}:
		default:
		}
	}
}

// drain waits, when we stop, until what the sink was handed is acknowledged: it
// would come again, to who does not know it. It does not wait for long.
func (h *hook) drain() {
	defer h.giveUp()
	t := time.NewTimer(goodbyeTime)
	defer t.Stop()
	for h.owing.Load() > 0 {
		select {
		case <-h.paid:
		case <-t.C:
			return
		}
	}
}

// await waits until the sink has answered, or until the connection is over; in
// that case it returns false.
func (h *hook) await(client string, one *aheadOne, over <-chan struct{}) bool {
	if one.answered {
		return true
	}
	select {
	case one.err = <-one.done:
	default:
		select {
		case one.err = <-one.done:
		case <-over:
			return false
		case <-h.sinking.Done():
			one.err = h.sinking.Err()
			one.done = nil // the sink may still answer
		}
	}
	one.answered = true
	h.recent.settle(client, one.pk.PacketID, one.sum, one.err == nil)
	return true
}

// alone waits for the answer to the only message that is owed, for the library
// to go on with it. known is false if the connection ended first.
func (h *hook) alone(cl *mqtt.Client, c *conn) (known bool, err error) {
	list := c.ahead.list
	if !h.await(cl.ID, &list.owed[0], c.done) {
		return false, nil
	}
	c.ahead.list = nil
	if err = list.owed[0].err; err != nil {
		h.drop(list)
	} else {
		c.ahead.acking = list
	}
	return true, err
}

// acked takes note that the library's acknowledgement of a single message is
// written: it passes the message on.
func (h *hook) acked(c *conn) {
	if list := c.ahead.acking; list != nil {
		c.ahead.acking = nil
		h.drop(list)
	}
}

// settle waits until all that the connection's client is owed is durable, and
// has the library acknowledge it, in the order it came, with one write, and
// pass it on. If the connection ends first, abandon does the rest.
func (h *hook) settle(cl *mqtt.Client, c *conn) {
	a := &c.ahead
	list := a.list
	if list == nil || a.settling {
		return
	}
	for i := range list.owed {
		if !h.await(cl.ID, &list.owed[i], c.done) {
			return
		}
	}
	a.list, c.beforeRead = nil, nil
	a.settling = true
	c.cork(cl)
	var refused uint64
	var why error // of the first
	for i := range list.owed {
		one := &list.owed[i]
		switch {
		case one.err != nil:
			if refused++; refused == 1 {
				why = one.err
			}
		case refused > 0: // none behind it may be acknowledged
			h.passOn(one.pk)
		default:
			if err := h.srv.InjectPacket(cl, one.pk); err != nil { // it is closed
				h.passOn(one.pk)
				cl.Stop(err)
			}
		}
	}
	c.uncork(cl)
	a.settling = false
	if refused > 0 {
		h.refuse(cl, 1, refused, why)
	}
	h.drop(list)
}

// abandon deals with what is owed to the client of a connection that is over:
// nobody can be told, but what is stored is known when it comes again, and is
// passed on.
func (h *hook) abandon(client string, c *conn) {
	list := c.ahead.list
	if list == nil {
		list = c.ahead.acking
	}
	if list == nil {
		return
	}
	c.ahead.list, c.ahead.acking, c.beforeRead = nil, nil, nil
	h.background.Go(func() {
		defer h.contain(nil, "a connection's end")
		for i := range list.owed {
			one := &list.owed[i]
			if h.await(client, one, nil); one.err == nil {
				h.passOn(one.pk)
			} else {
				h.stats.refused.Add(1)
			}
		}
		h.drop(list)
	})
}

// passOn hands subscribers a message whose sender cannot be told that it was
// stored.
func (h *hook) passOn(pk packets.Packet) { _ = h.srv.InjectPacket(h.inline, h.retaining(pk)) }

// mostHeld is how many bytes are held back at most; PUBACKs have 4.
const mostHeld = 4 << 10

// cork holds back what is written until uncork. The library writes to a
// connection only with its client's lock held.
func (c *conn) cork(cl *mqtt.Client) {
	cl.Lock()
	c.corked = true
	cl.Unlock()
}

// uncork writes what was held back.
func (c *conn) uncork(cl *mqtt.Client) {
	cl.Lock()
	defer cl.Unlock()
	c.corked = false
	_ = c.release() // a failure closes the connection
}

// release writes what is held back: the client's lock is held.
func (c *conn) release() error {
	if len(c.held) == 0 {
		return nil
	}
	held := c.held
	c.held = nil
	_, err := c.write(held)
	return err
}
