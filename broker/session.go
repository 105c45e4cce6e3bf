package broker

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// owner holds a client id for one account, while a connection or a session of
// it exists: no other account may take the session over.
type owner struct {
	account string
	refs    int
	// Of connections that took the client id over from one that stood:
	before    netip.Prefix // where the last one that was thrown out had come from
	contested int          // so many, one after another, look as if two clients shared it
}

// What looks as if two clients shared a client id: a connection is thrown out
// within sharedQuick of its start, or by one that comes from where the one before it
// had come from; sharedFew times in a row, for a board may restart or roam once.
const (
	sharedQuick = 10 * time.Second
	sharedFew   = 3
)

// state is what the hook knows about one connection that was let in; it hangs
// on the conn, and so on a session as long as the library keeps it.
type state struct {
	client    string
	acc       *account // nil: anyone
	keepAlive time.Duration
	began     time.Time
	will      string        // topic
	window    chan struct{} // holds one for each message that the client has yet to acknowledge; nil: no limit
	flowing   atomic.Bool   // the client is read: its acknowledgements can come
	asked     uint16        // packet identifier of its newest SUBSCRIBE or UNSUBSCRIBE; for the goroutine that reads it

	mu       sync.Mutex
	up       bool // its start has been told to the sink
	told     bool // its end has been told, or its start will not be
	replaced bool // by a newer connection of the same client
}

func stateOf(cl *mqtt.Client) *state {
	if c, ok := cl.Net.Conn.(*conn); ok {
		return c.state.Load()
	}
	return nil
}

func remote(cl *mqtt.Client) netip.Prefix {
	if c, ok := cl.Net.Conn.(*conn); ok {
		return c.from
	}
	return netip.Prefix{}
}

func addr(cl *mqtt.Client) string {
	if p := remote(cl); p.IsValid() {
		return p.Addr().String()
	}
	return fmt.Sprint(cl.Net.Remote)
}

// ended gives back what OnConnectAuthenticate took. The listener calls it when
// the library is done with a connection, however that came.
func (h *hook) ended(c *conn) {
	if st := c.state.Load(); st != nil {
		h.abandon(st.client, c)
		// The library tells of the end itself, unless it panicked.
		h.tellEndOf(st, LinkLost, "disconnected by lampward's broker: its packet could not be handled")
		h.unown(st.client)
	}
}

func (h *hook) unown(id string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	o := h.owners[id]
	if o == nil {
		return
	}
	if o.refs > 0 {
		o.refs--
	}
	if o.refs == 0 {
		if _, session := h.srv.Clients.Get(id); !session {
			delete(h.owners, id)
		}
	}
}

// disown forgets the owner of a session that is no more.
func (h *hook) disown(id string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if o := h.owners[id]; o != nil && o.refs == 0 {
		delete(h.owners, id)
	}
}

// OnSessionEstablish runs before the library hands an older connection's
// session to this one. It ends the older connection first: the library would
// leave it open, or wait for ever for a peer that does not read.
func (h *hook) OnSessionEstablish(cl *mqtt.Client, pk packets.Packet) {
	defer h.contain(cl, "session")
	if old, ok := h.srv.Clients.Get(cl.ID); ok {
		h.contest(cl, old)
		h.replace(old)
	}
	h.keepWill(cl.ID) // now that the older connection leaves no other
	old, ok := h.srv.Clients.Get(cl.ID)
	switch now := time.Now().Unix(); {
	case !ok:
		h.makeRoom()
	case old.Closed() && expired(old, now):
		h.dropSession(old)
	case old.Closed():
		old.ClearExpiredInflights(now, retainedKeep)
	}
}

// contest looks whether cl, which throws old out if that is still there, is another
// client with the same client id.
func (h *hook) contest(cl, old *mqtt.Client) {
	st := stateOf(old)
	if st == nil {
		return
	}
	from, was := remote(cl), remote(old)
	h.mu.Lock()
	o := h.owners[cl.ID]
	if o == nil {
		h.mu.Unlock()
		return
	}
	switch {
	case old.Closed(): // it had left by itself
		o.contested, was = 0, netip.Prefix{}
	case from != was && from == o.before, time.Since(st.began) < sharedQuick:
		o.contested++
	default:
		o.contested = 0
	}
	o.before = was
	shared := o.contested >= sharedFew
	h.mu.Unlock()
	if shared {
		h.quiet.Note("client", cl.ID, "client_id_shared", "a client was thrown out by another connection with its client id, time after time: give each board a client id of its own, or look why this one restarts",
			"address", addr(cl), "other", addr(old))
	}
}

// replace ends the connection of a client that connects anew, and waits until
// the library is done with it: as the last thing the library may forget the
// client by its id, and must not forget the newer one.
func (h *hook) replace(old *mqtt.Client) {
	c, ok := old.Net.Conn.(*conn)
	if !ok {
		return
	}
	if st := c.state.Load(); st != nil {
		st.mu.Lock()
		st.replaced = true
		st.mu.Unlock()
	}
	const anew = "the same client connected anew before its old connection was known to be cut"
	if !old.Closed() {
		c.endIn(goodbyeTime)
		h.tellEnd(old, LinkLost, anew)
		h.kick(old, packets.ErrSessionTakenOver)
	}
	t := time.NewTimer(goodbyeTime)
	defer t.Stop()
	select {
	case <-c.over:
	case <-t.C: // held up by the sink; its end must not be told after our start
		h.tellEnd(old, LinkLost, anew)
	case <-h.ctx.Done():
	}
}

// makeRoom bounds the sessions of clients that are away: it forgets those that
// left longest ago.
func (h *hook) makeRoom() {
	if h.srv.Clients.Len() < h.maxSessions {
		return
	}
	var away []*mqtt.Client
	for _, cl := range h.srv.Clients.GetAll() {
		if cl.Closed() && !cl.Net.Inline {
			away = append(away, cl)
		}
	}
	// A tenth at once, so that a flood does not search the lot each time.
	slices.SortFunc(away, func(a, b *mqtt.Client) int { return cmp.Compare(a.StopTime(), b.StopTime()) })
	for _, cl := range away[:min(len(away), h.maxSessions/10+1)] {
		h.dropSession(cl)
		h.stats.sessionsDropped.Add(1)
	}
}

// OnSessionEstablished tells that a client is up.
func (h *hook) OnSessionEstablished(cl *mqtt.Client, pk packets.Packet) {
	defer h.contain(cl, "connected")
	h.stats.connects.Add(1)
	st := stateOf(cl)
	if st == nil {
		return
	}
	st.flowing.Store(true)
	st.mu.Lock() // held for the same reason as in tellEnd
	defer st.mu.Unlock()
	if st.told { // a newer connection of the client came in between, and is up
		return
	}
	st.up = true
	h.sink.Link(h.ctx, Link{Client: cl.ID, Word: LinkUp, Topic: st.will, KeepAlive: st.keepAlive})
}

// OnDisconnect tells how a connection ended.
func (h *hook) OnDisconnect(cl *mqtt.Client, err error, expire bool) {
	defer h.contain(cl, "disconnect")
	h.noteBroken(cl, err)
	if cause := cl.StopCause(); cause != nil {
		err = cause // ours, if we ended it: more telling than the read that failed after
	}
	c, _ := cl.Net.Conn.(*conn)
	switch {
	case err == nil, errors.Is(err, packets.CodeDisconnect):
		h.tellEnd(cl, LinkClosed, "said goodbye")
	case errors.Is(err, packets.CodeDisconnectWillMessage):
		h.tellEnd(cl, LinkClosed, "said goodbye, and asked for its will to be published")
	case c != nil && c.end.Load() != 0 && timedOut(err):
		h.tellEnd(cl, LinkLost, "disconnected by lampward's broker")
	default:
		h.tellEnd(cl, LinkLost, lossReason(err))
	}
}

// noteBroken logs that a client was cut off for a packet that the library does not
// take; err is what ended its reading. A board that sends it again and again is else
// only ever lost.
func (h *hook) noteBroken(cl *mqtt.Client, err error) {
	var code packets.Code
	if !errors.As(err, &code) {
		return
	}
	switch code.Code {
	case packets.ErrPacketTooLarge.Code:
		h.quiet.Note("client", cl.ID, "packet_too_large", "a client was disconnected for a packet that is too long: have it send less at once, or raise max_packet in [broker]",
			"most", h.srv.Options.Capabilities.MaximumPacketSize)
	case packets.ErrMalformedPacket.Code, packets.ErrProtocolViolation.Code:
		h.quiet.Note("client", cl.ID, "malformed", "a client was disconnected for a packet that is not as MQTT wants it: look at its MQTT library", "error", code.Reason)
	default:
		return
	}
	h.stats.malformed.Add(1)
}

func timedOut(err error) bool {
	var ne net.Error
	return errors.Is(err, os.ErrDeadlineExceeded) || errors.As(err, &ne) && ne.Timeout()
}

func lossReason(err error) string {
	var code packets.Code
	switch {
	case timedOut(err):
		return "nothing heard for 1.5 times its keep-alive"
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.ErrClosedPipe):
		return "the connection was cut without a goodbye"
	case errors.As(err, &code):
		return "disconnected by lampward's broker: " + code.Reason
	}
	return "the connection failed: " + err.Error()
}

// tellEnd tells the sink once that a connection is over.
func (h *hook) tellEnd(cl *mqtt.Client, word, reason string) {
	if st := stateOf(cl); st != nil {
		h.tellEndOf(st, word, reason)
	}
}

func (h *hook) tellEndOf(st *state, word, reason string) {
	if h.ctx.Err() != nil { // that we stop is no news of the client
		return
	}
	defer h.contain(nil, "link news")
	// Held while the sink is told: the start of a newer connection, which also
	// comes by here, must not be told before.
	st.mu.Lock()
	defer st.mu.Unlock()
	if st.told {
		return
	}
	if st.told = true; !st.up {
		return
	}
	if word == LinkLost {
		h.stats.lost.Add(1)
	}
	h.sink.Link(h.ctx, Link{Client: st.client, Word: word, Topic: st.will, Reason: reason, KeepAlive: st.keepAlive})
}
