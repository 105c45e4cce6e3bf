package broker

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Limits that no option changes.
const (
	maxClientID  = 256           // bytes of a client id
	maxAliases   = 32            // MQTT 5 topic aliases a client may set, each way
	maxPending   = 256           // packets queued for a client that reads slowly
	maxInflight  = 256           // messages of QoS 1 and 2 kept for a client
	maxWillDelay = 3600          // s
	queuedBudget = 32 << 20      // bytes of QoS 1 and 2 payload kept for all clients before the slowest get no more
	queuedFew    = 16            // messages a client may still have queued when the budget is used up
	sessionKeep  = 24 * 3600     // s a session outlives its connection
	retainedKeep = 24 * 3600     // s a retained message lives
	recentEach   = 8             // messages remembered per client, to know a second copy
	recentBurst  = 2 * mostAhead // the same, of a client that sends bursts
	recentFor    = time.Minute   // how long
)

// hook is where the broker library asks and tells. It is the only hook: the
// answers of several would be ORed.
type hook struct {
	mqtt.HookBase
	ctx      context.Context
	sink     Sink
	later    LaterSink // sink, or made of it
	bursts   bool      // sink need not be waited for after each message
	lists    sync.Pool // of *aheadList, for bursts
	singles  sync.Pool // the same, for one message
	srv      *mqtt.Server
	accounts *accounts
	quiet    *Quiet
	stats    *stats
	recent   *recent

	sinking context.Context // of what is stored: ends a moment after ctx
	giveUp  context.CancelFunc
	owing   atomic.Int64  // lists in use: clients are owed acknowledgements
	paid    chan struct{} // has a token once owing was 0

	maxSubs     int
	maxRetained int
	maxSessions int

	queued   atomic.Int64 // payload bytes queued since the last count, an upper bound
	overfull atomic.Bool  // the last count was above queuedBudget
	counting sync.Mutex
	counted  atomic.Int64 // Unix ns of the last count

	inline *mqtt.Client // publishes delayed wills

	mu           sync.Mutex
	owners       map[string]*owner   // by client id
	wills        map[string]*delayed // by client id
	stopped      bool
	willsRunning sync.WaitGroup
	background   sync.WaitGroup // see abandon
}

func (h *hook) ID() string { return "lampward" }

// provided are the calls that matter; each costs a little on every packet.
var provided = [256]bool{
	mqtt.OnConnect: true, mqtt.OnConnectAuthenticate: true, mqtt.OnACLCheck: true,
	mqtt.OnSessionEstablish: true, mqtt.OnSessionEstablished: true, mqtt.OnDisconnect: true,
	mqtt.OnPacketRead: true, mqtt.OnPacketEncode: true, mqtt.OnPacketSent: true, mqtt.OnSubscribe: true, mqtt.OnPublish: true,
	mqtt.OnPublishDropped: true, mqtt.OnQosPublish: true, mqtt.OnWill: true, mqtt.OnWillSent: true,
}

func (h *hook) Provides(b byte) bool { return provided[b] }

// contain keeps a panic in a hook from ending the process; the client whose
// packet caused it is cut off, and the answer to the library, if there is one,
// is that the packet is refused. Call it deferred.
func (h *hook) contain(cl *mqtt.Client, where string, answer ...*error) {
	r := recover()
	if r == nil {
		return
	}
	h.stats.panics.Add(1)
	h.quiet.Note("client", clientName(cl), "panic", "taking a client's packet failed inside lampward; the client was disconnected", "where", where, "panic", r)
	if cl != nil {
		cl.Stop(packets.ErrUnspecifiedError)
	}
	for _, err := range answer {
		*err = packets.ErrRejectPacket
	}
}

func clientName(cl *mqtt.Client) string {
	if cl == nil {
		return ""
	}
	return cl.ID
}

// kick ends a connection, telling a client of MQTT 5 why: MQTT 3.1.1 knows no
// DISCONNECT from a server.
func kick(srv *mqtt.Server, cl *mqtt.Client, code packets.Code) {
	// The lock is held by whoever writes to the client: if that is stuck, the
	// client is not listening.
	if cl.Properties.ProtocolVersion == 5 && cl.TryLock() {
		cl.Unlock()
		_ = srv.DisconnectClient(cl, code)
	}
	cl.Stop(code)
}

func (h *hook) kick(cl *mqtt.Client, code packets.Code) { kick(h.srv, cl, code) }

// OnPacketRead refuses, before the library looks at them, packets that are
// legal MQTT but costly to handle. Only ErrRejectPacket makes the library stop.
func (h *hook) OnPacketRead(cl *mqtt.Client, pk packets.Packet) (_ packets.Packet, err error) {
	defer h.contain(cl, "packet", &err)
	if c, ok := cl.Net.Conn.(*conn); ok {
		c.ahead.seen(&pk)
		if c.ahead.list != nil && !h.follows(c, &pk) {
			h.settle(cl, c)
		}
		if c.end.Load() != 0 || cl.Closed() {
			return pk, packets.ErrRejectPacket // we have said goodbye
		}
	}
	switch pk.FixedHeader.Type {
	case packets.Connect:
		if stateOf(cl) == nil { // a second one is an error, as the library knows
			return h.readConnect(cl, pk)
		}
	case packets.Puback, packets.Pubcomp, packets.Pubrec:
		if st := stateOf(cl); st != nil && st.window != nil &&
			(pk.FixedHeader.Type != packets.Pubrec || pk.ReasonCode >= packets.ErrUnspecifiedError.Code) {
			select {
			case <-st.window:
			default:
			}
		}
	case packets.Publish:
		if pk.FixedHeader.Qos > 0 && !pk.FixedHeader.Dup {
			// A new message under the number of one that was received and never
			// released: its client lost its memory. The library would take it
			// for a copy.
			if old, ok := cl.State.Inflight.Get(pk.PacketID); ok && old.FixedHeader.Type == packets.Pubrec {
				cl.State.Inflight.Delete(pk.PacketID)
				cl.State.Inflight.IncreaseReceiveQuota()
			}
		}
		if pk.TopicName == "" { // a topic alias, or a mistake that the library sees
			return pk, nil
		}
		if err := CheckTopic(pk.TopicName); err != nil {
			h.stats.malformed.Add(1)
			h.quiet.Note("client", cl.ID, "topic", "a client was disconnected for a topic that the broker does not take", "error", err)
			h.kick(cl, packets.ErrTopicNameInvalid)
			return pk, packets.ErrRejectPacket
		}
		if pk.FixedHeader.Qos > 0 && ownTopic(pk.TopicName) {
			h.dropOwn(cl, pk)
			return pk, nil // the library drops it, too
		}
		if st := stateOf(cl); pk.FixedHeader.Qos > 0 && cl.Properties.ProtocolVersion != 5 && st != nil && !st.acc.mayPublish(pk.TopicName) {
			// MQTT 3.1.1 has no way to refuse one message but to close the
			// connection (section 3.3.5); the library sends a DISCONNECT,
			// which 3.1.1 does not know from a server.
			h.deny(cl, st.acc, pk.TopicName, "publish")
			cl.Stop(packets.ErrNotAuthorized)
			return pk, packets.ErrRejectPacket
		}
	case packets.Unsubscribe:
		for _, f := range pk.Filters {
			if len(f.Filter) > MaxTopicBytes {
				h.stats.malformed.Add(1)
				h.kick(cl, packets.ErrTopicFilterInvalid)
				return pk, packets.ErrRejectPacket
			}
		}
		renumber(cl, &pk)
	case packets.Subscribe:
		renumber(cl, &pk)
	}
	return pk, nil
}

// ownTopic tells whether a topic is one of the broker's own, on which the library
// takes nothing from clients.
func ownTopic(topic string) bool {
	const own = "$SYS"
	return len(topic) >= len(own) && strings.EqualFold(topic[:len(own)], own)
}

// dropOwn acknowledges a message on one of the broker's own topics, of which the
// library takes no notice. A bridge tells there that it is connected (mosquitto does,
// unless notifications is false): without an answer it would wait for ever, and if it
// were disconnected, as by an account that may not publish there, never come further.
func (h *hook) dropOwn(cl *mqtt.Client, pk packets.Packet) {
	if c, ok := cl.Net.Conn.(*conn); ok {
		h.settle(cl, c) // what came before is answered before
	}
	h.quiet.Note("client", cl.ID, "own_topic", "a message was dropped, for its topic is one of the broker's own; so it is with what a bridge tells of itself, which does no harm", "topic", clip(pk.TopicName))
	ack := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}, PacketID: pk.PacketID}
	if pk.FixedHeader.Qos == 2 {
		ack.FixedHeader.Type = packets.Pubrec
	}
	if cl.Properties.ProtocolVersion == 5 {
		ack.ReasonCode = packets.CodeNoMatchingSubscribers.Code
	}
	if err := cl.WritePacket(ack); err != nil {
		cl.Stop(err)
	}
}

// emptyWill stands for a will's payload of no bytes until the library has checked
// the CONNECT.
var emptyWill = []byte{0}

// bridgeBit is set in the protocol level by a broker that connects as a bridge
// (mosquitto does so at first, unless try_private is false); no standard has it.
const bridgeBit = 0x80

// readConnect has the library take what the standards allow and it refuses: a
// password and a will's payload of no bytes (MQTT 3.1.1 sections 3.1.3.3 and
// 3.1.3.5). And it refuses in the standards' words what the library answers by
// codes that MQTT 3.1.1 does not know: a bridge tries again without its bit only
// if it is told that its protocol level is not taken (section 3.1.2.2).
func (h *hook) readConnect(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	c := &pk.Connect
	refuse := func(code packets.Code) (packets.Packet, error) {
		_ = h.srv.SendConnack(cl, code, false, nil) // in the form of 3.1.1, with which the library begins
		return pk, packets.ErrRejectPacket
	}
	switch name, v := string(c.ProtocolName), pk.ProtocolVersion; {
	case name != "MQTT" && name != "MQIsdp": // not MQTT: the connection is closed
		return pk, nil
	case v < 3 || v > 5:
		if v&bridgeBit == 0 {
			h.stats.malformed.Add(1)
			h.quiet.Note("address", addr(cl), "protocol", "a client was turned away for its version of MQTT: have it speak 3.1, 3.1.1 or 5.0", "client", clip(c.ClientIdentifier), "level", v)
		}
		return refuse(packets.ErrUnsupportedProtocolVersion)
	case v < 5 && !c.Clean && c.ClientIdentifier == "":
		h.stats.malformed.Add(1)
		h.quiet.Note("address", addr(cl), "client_id", "a client was turned away, for it has no client id, and yet wants its session kept: give it a client id, or a clean session")
		return refuse(packets.ErrClientIdentifierNotValid)
	}
	if c.PasswordFlag && len(c.Password) == 0 {
		c.PasswordFlag = false
	}
	if c.WillFlag && len(c.WillPayload) == 0 {
		c.WillPayload = emptyWill
	}
	return pk, nil
}

// renumber gives a SUBSCRIBE or UNSUBSCRIBE a packet identifier that no message on
// its way to the client has: the library refuses it else, though client and server
// number independently of each other (MQTT 3.1.1 section 2.3.1). OnPacketEncode gives
// the answer, which is written before the next packet is read, the client's own number.
func renumber(cl *mqtt.Client, pk *packets.Packet) {
	st := stateOf(cl)
	if st == nil || pk.PacketID == 0 {
		return
	}
	st.asked = pk.PacketID
	for id := uint16(65535); id > 0; id-- { // the library counts upwards
		if _, taken := cl.State.Inflight.Get(id); !taken {
			pk.PacketID = id
			return
		}
	}
}

// OnConnect sees every CONNECT that is well formed.
func (h *hook) OnConnect(cl *mqtt.Client, pk packets.Packet) (err error) {
	defer h.contain(cl, "connect", &err)
	if len(pk.Connect.ClientIdentifier) > maxClientID {
		h.stats.malformed.Add(1)
		h.quiet.Note("address", cl.Net.Remote, "client_id", "a client was turned away for its client id: keep it to 256 bytes", "length", len(pk.Connect.ClientIdentifier))
		_ = h.srv.SendConnack(cl, packets.ErrClientIdentifierNotValid, false, nil)
		return packets.ErrClientIdentifierNotValid
	}
	if c, ok := cl.Net.Conn.(*conn); ok {
		c.keepAlive.Store(int64(pk.Connect.Keepalive) * int64(time.Second))
	}
	// The library keeps as many aliases as the client says it can take.
	if most := cl.Properties.Props.TopicAliasMaximum; most > maxAliases {
		cl.Properties.Props.TopicAliasMaximum = maxAliases
		cl.State.TopicAliases.Outbound = mqtt.NewOutboundTopicAliases(maxAliases)
	}
	// A will waits no longer than its session (MQTT 5.0 section 3.1.3.2.2):
	// the library forgets this where no session expiry is given, and keeps
	// each will for as long as the client likes.
	w := &cl.Properties.Will
	if len(w.Payload) == 1 && &w.Payload[0] == &emptyWill[0] {
		w.Payload = nil
	}
	w.WillDelayInterval = min(w.WillDelayInterval, cl.Properties.Props.SessionExpiryInterval, maxWillDelay)
	return nil
}

// OnConnectAuthenticate lets a client in, or not.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) (ok bool) {
	defer h.contain(cl, "login") // ok is false then
	acc, err := h.accounts.login(h.ctx, remote(cl), string(pk.Connect.Username), string(pk.Connect.Password))
	if err != nil {
		h.stats.loginsRefused.Add(1)
		reason := "login"
		if errors.Is(err, errGuessing) {
			reason = "guessing"
		}
		h.quiet.Note("address", addr(cl), reason, "the broker refused a client: check the user name and password on the board",
			"client", cl.ID, "user", string(pk.Connect.Username), "error", err)
		return false
	}
	h.mu.Lock()
	o := h.owners[cl.ID]
	if o == nil {
		o = &owner{account: acc.name()}
		h.owners[string([]byte(cl.ID))] = o
	} else if o.account != acc.name() {
		h.mu.Unlock()
		h.stats.loginsRefused.Add(1)
		h.quiet.Note("client", cl.ID, "client_id_taken", "the broker refused a client: its client id belongs to another account's client; give it one of its own",
			"user", acc.name(), "owner", o.account)
		return false
	}
	o.refs++
	h.mu.Unlock()
	c, known := cl.Net.Conn.(*conn)
	if !known {
		h.unown(cl.ID)
		return false
	}
	st := &state{client: cl.ID, acc: acc, keepAlive: time.Duration(pk.Connect.Keepalive) * time.Second, began: time.Now(), will: pk.Connect.WillTopic}
	// The library's own flow control takes a read lock twice over
	// (Inflight.NextImmediate): a writer that comes in between makes it wait
	// for ever, and with it whoever publishes to this client. OnPacketEncode
	// keeps to the client's Receive Maximum instead.
	if most := cl.Properties.Props.ReceiveMaximum; most > 0 {
		st.window = make(chan struct{}, most)
	}
	cl.Properties.Props.ReceiveMaximum = 0
	cl.State.Inflight.ResetSendQuota(0)
	c.state.Store(st)
	return true
}

// OnACLCheck is asked before a publish (write), before a subscription (topic
// is then a filter), and before each delivery to a subscriber.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) (ok bool) {
	defer h.contain(cl, "permission") // ok is false then
	if !write && h.overfull.Load() && cl.State.Inflight.Len() > queuedFew {
		h.recount()
		if h.overfull.Load() {
			return false
		}
	}
	if h.accounts.open() {
		return true
	}
	st := stateOf(cl)
	if st == nil {
		return false
	}
	acc := st.acc
	if !write {
		if acc.maySubscribe(topic) {
			return true
		}
		h.deny(cl, acc, topic, "subscribe")
		return false
	}
	if topic == "" { // a topic alias, which the library has not looked up yet: OnPublish checks
		return true
	}
	if acc.mayPublish(topic) {
		return true
	}
	h.deny(cl, acc, topic, "publish")
	return false
}

func (h *hook) deny(cl *mqtt.Client, acc *account, topic, what string) {
	h.stats.denied.Add(1)
	h.quiet.Note("account", acc.Name, what+"_denied", "the broker refused a client: the account may not "+what+" there; add the topic to the account if it should",
		"client", cl.ID, "wanted", topic)
}

// OnSubscribe makes filters that the broker does not take invalid, so that
// they are refused one by one.
func (h *hook) OnSubscribe(cl *mqtt.Client, pk packets.Packet) packets.Packet {
	defer h.contain(cl, "subscribe")
	h.dropRetained(time.Now().Unix()) // or it would be delivered
	room := h.maxSubs - cl.State.Subscriptions.Len()
	pk.Filters = append(packets.Subscriptions(nil), pk.Filters...)
	for i := range pk.Filters {
		f := pk.Filters[i].Filter
		_, had := cl.State.Subscriptions.Get(f)
		switch err := CheckFilter(f); {
		case err != nil:
			h.stats.malformed.Add(1)
			h.quiet.Note("client", cl.ID, "filter", "the broker refused a subscription", "error", err)
			pk.Filters[i].Filter = ""
		case !had && room <= 0:
			h.stats.denied.Add(1)
			h.quiet.Note("client", cl.ID, "subscriptions", "the broker refused a subscription: the client has its fill", "most", h.maxSubs)
			pk.Filters[i].Filter = ""
		case !had:
			room--
		}
	}
	return pk
}

// OnPublish makes a reading durable; the library acknowledges it after.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (_ packets.Packet, err error) {
	if cl.Net.Inline {
		return pk, nil
	}
	defer h.contain(cl, "message", &err)
	c, _ := cl.Net.Conn.(*conn)
	if c != nil && c.ahead.settling { // stored already
		return h.retaining(pk), nil
	}
	if pk.Properties.TopicAliasFlag {
		if ok, err := h.checkAlias(cl, &pk); !ok {
			return pk, err
		}
	}
	m := Message{Topic: pk.TopicName, Payload: pk.Payload, Client: cl.ID, QoS: pk.FixedHeader.Qos, Dup: pk.FixedHeader.Dup}
	h.stats.messages.Add(1)
	if m.QoS == 0 || c == nil {
		if err := h.sink.Publish(h.ctx, m); err != nil {
			h.refuse(cl, m.QoS, 1, err)
			return pk, packets.ErrRejectPacket
		}
		return h.retaining(pk), nil
	}
	if m.Dup && h.recent.has(cl.ID, pk.PacketID, &m, c.done) {
		h.stats.duplicates.Add(1)
		return pk, packets.CodeSuccessIgnore // acknowledged, and not taken or passed on again
	}
	burst := h.bursts && m.QoS == 1 && !m.Dup && (c.ahead.list != nil || c.ahead.more())
	err = h.hand(cl, c, pk, m, burst)
	switch {
	case err != nil:
		h.settle(cl, c) // what came before is answered before
	case burst:
		return pk, packets.ErrRejectPacket // not yet acknowledged
	default:
		var known bool
		if known, err = h.alone(cl, c); !known {
			return pk, packets.ErrRejectPacket
		}
	}
	if err != nil {
		h.refuse(cl, m.QoS, 1, err)
		return pk, packets.ErrRejectPacket
	}
	return h.retaining(pk), nil
}

// refuse deals with the sender of n messages that the sink did not take.
func (h *hook) refuse(cl *mqtt.Client, qos byte, n uint64, err error) {
	h.stats.refused.Add(n)
	code := packets.ErrServerBusy
	if h.ctx.Err() != nil {
		code = packets.ErrServerShuttingDown
	} else {
		h.quiet.Note("client", cl.ID, "refused", "a message could not be stored; its sender is made to send it again", "error", err)
	}
	if qos > 0 {
		h.kick(cl, code)
	}
}

// retaining takes RETAIN from a message for which there is no room.
func (h *hook) retaining(pk packets.Packet) packets.Packet {
	if pk.FixedHeader.Retain && !h.mayRetain(pk.TopicName, pk.Payload) {
		pk.FixedHeader.Retain = false
	}
	return pk
}

// mayPublish tells whether the client of a connection may publish to a topic.
func (h *hook) mayPublish(st *state, topic string) bool {
	return h.accounts.open() || st != nil && st.acc.mayPublish(topic)
}

// checkAlias checks a message whose topic the library took from an alias: its
// own checks saw an empty topic.
func (h *hook) checkAlias(cl *mqtt.Client, pk *packets.Packet) (bool, error) {
	st := stateOf(cl)
	if pk.TopicName != "" && h.mayPublish(st, pk.TopicName) {
		return true, nil
	}
	if c, ok := cl.Net.Conn.(*conn); ok {
		h.settle(cl, c) // what came before is answered before
	}
	if pk.TopicName == "" {
		h.stats.malformed.Add(1)
		h.kick(cl, packets.ErrTopicAliasInvalid)
		return false, packets.ErrRejectPacket
	}
	if st != nil {
		h.deny(cl, st.acc, pk.TopicName, "publish")
	}
	if pk.FixedHeader.Qos == 1 {
		return false, packets.ErrNotAuthorized // becomes the PUBACK's reason
	}
	if pk.FixedHeader.Qos == 2 {
		h.kick(cl, packets.ErrNotAuthorized)
	}
	return false, packets.ErrRejectPacket
}

func (h *hook) mayRetain(topic string, payload []byte) bool {
	if len(payload) == 0 {
		return true // deletes
	}
	if h.srv.Topics.Retained.Len() < h.maxRetained {
		return true
	}
	if _, had := h.srv.Topics.Retained.Get(topic); had {
		return true
	}
	h.stats.retainedDropped.Add(1)
	h.quiet.Note("", "", "retained", "the broker holds its fill of retained messages and passes on further ones without retaining them", "most", h.maxRetained)
	return false
}

// OnPacketEncode runs before a packet is written to a client: one that has as
// many messages unacknowledged as it said it takes gets no more for now
// (Receive Maximum, MQTT 5.0 section 4.9). Only the client's own writer waits.
func (h *hook) OnPacketEncode(cl *mqtt.Client, pk packets.Packet) packets.Packet {
	if pk.FixedHeader.Type == packets.Pubrec && pk.ReasonCode == packets.ErrPacketIdentifierInUse.Code {
		// The library's answer to the second copy of a message that was received:
		// its sender would think that it was not.
		pk.ReasonCode, pk.Properties = packets.CodeSuccess.Code, packets.Properties{}
	}
	if kind := pk.FixedHeader.Type; kind == packets.Suback || kind == packets.Unsuback {
		if st := stateOf(cl); st != nil && st.asked != 0 {
			pk.PacketID = st.asked
		}
		return pk
	}
	if pk.FixedHeader.Type != packets.Publish || pk.FixedHeader.Qos == 0 {
		return pk
	}
	c, ok := cl.Net.Conn.(*conn)
	if !ok {
		return pk
	}
	st := c.state.Load()
	if st == nil || st.window == nil {
		return pk
	}
	if !st.flowing.Load() { // sent again at the start of a connection, before anything is read
		select {
		case st.window <- struct{}{}:
		default:
		}
		return pk
	}
	select {
	case st.window <- struct{}{}:
	case <-c.done:
	}
	return pk
}

// OnPacketSent sees what was written to a client.
func (h *hook) OnPacketSent(cl *mqtt.Client, pk packets.Packet, b []byte) {
	switch pk.FixedHeader.Type {
	case packets.Puback, packets.Pubrec:
		if c, ok := cl.Net.Conn.(*conn); ok {
			h.acked(c)
		}
	case packets.Disconnect:
		// The peer gets a moment to read why.
		if c, ok := cl.Net.Conn.(*conn); ok {
			c.endIn(goodbyeTime)
		}
	case packets.Connack:
		// An acknowledgement that an earlier connection of the session could
		// not write would now be sent: to a board that lost its memory, and
		// counts its packets from 1 again, it would acknowledge a new reading.
		// A board that still waits for it will ask, by sending again.
		var unreleased []packets.Packet
		for _, old := range cl.State.Inflight.GetAll(false) {
			switch old.FixedHeader.Type {
			case packets.Puback:
				cl.State.Inflight.Delete(old.PacketID)
			case packets.Pubrec:
				unreleased = append(unreleased, old)
			}
		}
		// Each connection may leave some behind: the oldest are forgotten.
		slices.SortStableFunc(unreleased, func(a, b packets.Packet) int { return cmp.Compare(a.Created, b.Created) })
		for _, old := range unreleased[:max(0, len(unreleased)-maxInflight)] {
			cl.State.Inflight.Delete(old.PacketID)
		}
	}
}

// OnWill lets a will out only where its client might have published: the
// library does not ask. A will never counts as a reading.
func (h *hook) OnWill(cl *mqtt.Client, will mqtt.Will) (mqtt.Will, error) {
	defer h.contain(nil, "will")
	st := stateOf(cl)
	err := CheckTopic(will.TopicName)
	switch {
	case err != nil, will.TopicName[0] == '$':
		h.stats.malformed.Add(1)
		h.quiet.Note("client", cl.ID, "will", "a client's will was dropped: its topic is not one that a client may publish to", "wanted", clip(will.TopicName))
		return mqtt.Will{}, nil
	case !h.mayPublish(st, will.TopicName):
		if st != nil {
			h.deny(cl, st.acc, will.TopicName, "publish")
		}
		return mqtt.Will{}, nil
	case will.Retain && !h.mayRetain(will.TopicName, will.Payload):
		will.Retain = false
	}
	if wait := cl.Properties.Will.WillDelayInterval; wait > 0 && st != nil {
		cl.Properties.Will.WillDelayInterval = 0
		st.mu.Lock()
		defer st.mu.Unlock()
		if st.replaced { // the client is back already
			return mqtt.Will{}, nil
		}
		h.delayWill(st, will, time.Duration(wait)*time.Second)
		return mqtt.Will{}, nil
	}
	return will, nil
}

// OnWillSent tells that a will was published.
func (h *hook) OnWillSent(cl *mqtt.Client, pk packets.Packet) {
	defer h.contain(nil, "will sent")
	if pk.TopicName == "" { // OnWill dropped it
		return
	}
	if st := stateOf(cl); st != nil {
		h.tellWill(st, pk.TopicName)
	}
}

func (h *hook) tellWill(st *state, topic string) {
	h.stats.wills.Add(1)
	st.mu.Lock()
	replaced := st.replaced
	st.mu.Unlock()
	if replaced || h.ctx.Err() != nil { // replaced: the client lives, its newer connection is up
		return
	}
	h.sink.Link(h.ctx, Link{Client: st.client, Word: LinkWill, Topic: topic, Reason: "its will was published", KeepAlive: st.keepAlive})
}
