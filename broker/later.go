package broker

import (
	"context"

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
	// has room for one, gets what Publish would have returned. After an error
	// done gets nothing.
	PublishLater(ctx context.Context, m Message, done chan<- error) error
}

// mostAhead is how many messages of a client may wait to be durable.
const mostAhead = 32

// ahead holds the messages of QoS 1 of one connection that were handed to the
// sink and are not acknowledged yet. Only the goroutine that reads the
// connection uses it. A board, which waits for each acknowledgement before it
// sends more, has no use for it.
type ahead struct {
	got, used int64 // bytes read from the connection, and those of packets that were handled
	settling  bool  // the library is given, once more, what is durable now
	list      *aheadList
}

type aheadOne struct {
	pk   packets.Packet
	done chan error // has room for one
	err  error
}

// aheadList is kept for another connection while one needs none.
type aheadList struct {
	n   int
	all [mostAhead]aheadOne
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

// mayWait tells whether the acknowledgement of the packet in hand may wait for
// what the client has sent after it.
func (a *ahead) mayWait() bool { return a.list != nil || a.got > a.used }

// publishLater hands a message to the sink and notes that its acknowledgement
// is owed. An error is the sink's.
func (h *hook) publishLater(cl *mqtt.Client, c *conn, pk packets.Packet, m Message) error {
	a := &c.ahead
	if a.list != nil && a.list.n == mostAhead {
		h.settle(cl, c)
	}
	if a.list == nil {
		a.list, _ = h.lists.Get().(*aheadList)
		if a.list == nil {
			a.list = new(aheadList)
		}
		// Before the connection is read again, which may take for ever, what
		// is owed is paid.
		c.beforeRead = func() { h.settle(cl, c) }
	}
	one := &a.list.all[a.list.n]
	if one.done == nil {
		one.done = make(chan error, 1)
	}
	if err := h.later.PublishLater(h.ctx, m, one.done); err != nil {
		return err
	}
	// The alias was looked up, and the next packet may give it another topic.
	pk.Properties.TopicAliasFlag, pk.Properties.TopicAlias = false, 0
	one.pk = pk
	a.list.n++
	return nil
}

// settle waits until all that the connection's client is owed is durable, and
// has the library acknowledge it, in the order it came, with one write.
func (h *hook) settle(cl *mqtt.Client, c *conn) {
	a := &c.ahead
	list := a.list
	if list == nil {
		return
	}
	a.list, c.beforeRead = nil, nil
	owed := list.all[:list.n]
	for i := range owed {
		one := &owed[i]
		if one.err = h.wait(one); one.err == nil {
			h.recent.add(cl.ID, one.pk.PacketID, &Message{Topic: one.pk.TopicName, Payload: one.pk.Payload})
		}
	}
	a.settling = true
	c.cork(cl)
	for i := range owed {
		err := owed[i].err
		if err == nil && !cl.Closed() {
			err = h.srv.InjectPacket(cl, owed[i].pk)
		}
		if err != nil || cl.Closed() { // no later one may be acknowledged
			break
		}
	}
	c.uncork(cl)
	a.settling = false
	for i := range owed {
		if err := owed[i].err; err != nil {
			h.refuse(cl, 1, err)
			break
		}
	}
	for i := range owed {
		owed[i].pk, owed[i].err = packets.Packet{}, nil
	}
	list.n = 0
	h.lists.Put(list)
}

// wait returns what the sink said of a message.
func (h *hook) wait(one *aheadOne) error {
	select {
	case err := <-one.done:
		return err
	case <-h.ctx.Done():
		one.done = nil // the sink may still answer
		return h.ctx.Err()
	}
}

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
	if len(c.held) > 0 {
		_, _ = c.Write(c.held) // a failure closes the connection
		c.held = c.held[:0]
	}
}
