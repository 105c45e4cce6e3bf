package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing/synctest"
	"time"
	"unsafe"

	"github.com/mochi-mqtt/server/v2/packets"

	"lampward/broker"
	"lampward/notify"
	"lampward/rules"
	"lampward/store"
)

// overPipes makes a broker take its connections from ln. The broker opens its
// socket by a function that only its own tests can reach otherwise.
func overPipes(b *broker.Embedded, ln net.Listener) {
	*private[func(string, string) (net.Listener, error)](b, "listen") =
		func(string, string) (net.Listener, error) { return ln, nil }
}

// private gives a field that only its own package may touch otherwise.
func private[T any](x any, field string) *T {
	return (*T)(unsafe.Pointer(reflect.ValueOf(x).Elem().FieldByName(field).UnsafeAddr()))
}

// pipeListener hands out one end of a pipe for each dial.
type pipeListener struct {
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once
}

func (l *pipeListener) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.closed:
		return nil, net.ErrClosed
	}
}
func (l *pipeListener) Close() error { l.once.Do(func() { close(l.closed) }); return nil }
func (l *pipeListener) Addr() net.Addr {
	return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1883}
}

// tcpLike gives a pipe the address that the broker counts connections by.
type tcpLike struct{ net.Conn }

func (tcpLike) RemoteAddr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 40000} }

func (l *pipeListener) dial() (net.Conn, error) {
	ours, theirs := net.Pipe()
	select {
	case l.conns <- tcpLike{theirs}:
		return ours, nil
	case <-l.closed:
		return nil, net.ErrClosed
	case <-time.After(time.Second):
		return nil, os.ErrDeadlineExceeded
	}
}

// labBoard is a sensor: it publishes a reading again until it is acknowledged.
// One with a burst saves up so many and sends them at once.
type labBoard struct {
	w      *world
	n      int
	form   string
	burst  int // readings sent at once, a divisor of labBlock
	conn   net.Conn
	r      *bufio.Reader
	count  int      // readings made
	wait   []string // made and not acknowledged
	blocks int      // whole blocks acknowledged
	inside int      // readings acknowledged of this block
	id     uint16
	again  bool
	acked  []int // numbers of the acknowledged readings, in order
}

const labBlock = 30 // readings of one level in a row: long enough not to look like blinking

// report makes a reading, if those before were acknowledged, and publishes what
// is due.
func (b *labBoard) report() {
	if len(b.wait) < b.burst && !b.again {
		b.count++
		base := []int{200, 800}[b.blocks%2] + b.w.rng.IntN(7)
		// The fraction numbers the reading, so that it can be found in the store.
		b.wait = append(b.wait, fmt.Sprintf("%d.%06d", base, b.count))
	}
	if len(b.wait) < b.burst && !b.again {
		return
	}
	if err := b.try(); err != nil {
		b.w.tally.Refused++
		b.again = true
		b.hangUp()
		return
	}
	b.again = false
}

// gone takes note that the oldest reading was acknowledged.
func (b *labBoard) gone() {
	b.w.tally.Acked++
	b.acked = append(b.acked, b.count-len(b.wait)+1)
	b.wait = b.wait[1:]
	if b.inside++; b.inside == labBlock {
		b.inside = 0
		b.blocks++
	}
}

func (b *labBoard) hangUp() {
	if b.conn != nil {
		_ = b.conn.Close()
		b.conn = nil
	}
}

const labPatience = 5 * time.Second // how long a board waits for an answer

func (b *labBoard) try() (err error) {
	if b.conn == nil {
		if b.conn, err = b.w.ln.dial(); err != nil {
			return err
		}
		b.r = bufio.NewReader(b.conn)
		connect := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, ProtocolVersion: 4,
			Connect: packets.ConnectParams{ProtocolName: []byte("MQTT"), ClientIdentifier: "b" + strconv.Itoa(b.n), Keepalive: 600, Clean: true,
				WillFlag: true, WillTopic: "gone/" + strconv.Itoa(b.n), WillPayload: []byte("x")}}
		if _, err := b.ask(wire(connect), packets.Connack); err != nil {
			return err
		}
		b.again = false // a clean session knows nothing of what was sent before
	}
	return b.send()
}

// send sends all that waits with one write, and waits for the acknowledgements,
// which must come in order.
func (b *labBoard) send() error {
	var all []byte
	var ids []uint16
	for _, reading := range b.wait {
		b.id++
		b.id = max(b.id, 1)
		ids = append(ids, b.id)
		all = append(all, wire(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: 1, Dup: b.again}, ProtocolVersion: 4,
			TopicName: "t/" + strconv.Itoa(b.n), Payload: fmt.Appendf(nil, b.form, reading), PacketID: b.id})...)
	}
	for _, id := range ids {
		body, err := b.ask(all, packets.Puback)
		if err != nil {
			return err
		}
		if len(body) < 2 || binary.BigEndian.Uint16(body) != id {
			return errors.New("another packet was acknowledged")
		}
		b.gone()
		all = nil
	}
	return nil
}

// ask sends packets, if any, and waits for one of the given kind.
func (b *labBoard) ask(p []byte, kind byte) (body []byte, err error) {
	_ = b.conn.SetDeadline(time.Now().Add(labPatience))
	if len(p) > 0 {
		if _, err := b.conn.Write(p); err != nil {
			return nil, err
		}
	}
	for {
		first, err := b.r.ReadByte()
		if err != nil {
			return nil, err
		}
		n, _, err := packets.DecodeLength(b.r)
		if err != nil {
			return nil, err
		}
		body = make([]byte, n)
		if _, err := io.ReadFull(b.r, body); err != nil {
			return nil, err
		}
		if first>>4 == kind {
			return body, nil
		}
	}
}

// wire encodes a packet.
func wire(pk packets.Packet) []byte {
	var buf bytes.Buffer
	var err error
	switch pk.FixedHeader.Type {
	case packets.Connect:
		err = pk.ConnectEncode(&buf)
	case packets.Publish:
		err = pk.PublishEncode(&buf)
	case packets.Subscribe:
		err = pk.SubscribeEncode(&buf)
	default:
		err = fmt.Errorf("packet type %d", pk.FixedHeader.Type)
	}
	if err != nil {
		panic(err)
	}
	return buf.Bytes()
}

// labPhone receives the messages of all routes.
type labPhone struct {
	w   *world
	off atomic.Bool // nothing gets out any more

	mu       sync.Mutex
	mode     phoneMode
	got      map[string]*labAlert // by route and id
	order    []*labAlert
	last     map[string]int64 // by route and line: the newest that came
	attempts int
	folded   int // messages of several that came
	faults   []string
}

type phoneMode int

const (
	phoneGood   phoneMode = iota
	phoneDead             // no connection
	phoneLost             // takes the message, and its answer is lost
	phoneBusy             // 429 with a wait
	phoneHangs            // answers nothing until the sender gives up
	phonePanics           // the route itself fails
	phoneModes
)

type labAlert struct {
	route, id string
	event     rules.Event
	times     int
	in        string // the message that it is part of
}

type labRoute struct {
	name, to string // its name of this start, and who receives
	phone    *labPhone
}

func (r labRoute) Name() string { return r.name }

func (r labRoute) Send(ctx context.Context, d rules.Delivery) notify.Outcome {
	return r.SendFolded(ctx, []rules.Delivery{d})
}

func (r labRoute) SendFolded(ctx context.Context, ds []rules.Delivery) notify.Outcome {
	p := r.phone
	p.mu.Lock()
	p.attempts++
	mode := p.mode
	p.mu.Unlock()
	if r.to == "log" {
		mode = phoneGood // this receiver is always well: the other must not delay it
	}
	if p.off.Load() {
		return notify.Outcome{Kind: notify.Again, Note: "lampward is no more"}
	}
	switch mode {
	case phoneDead:
		return notify.Outcome{Kind: notify.Again, Note: "connection refused", Unsent: true}
	case phoneBusy:
		return notify.Outcome{Kind: notify.Again, After: 90 * time.Second, Busy: true, Answered: true, Note: "429"}
	case phoneHangs:
		<-ctx.Done()
		return notify.Outcome{Kind: notify.Again, Note: "no answer"}
	case phonePanics:
		panic("the receiver's answer was odd")
	}
	p.take(r.to, ds)
	if mode == phoneLost {
		return notify.Outcome{Kind: notify.Again, Note: "connection reset"}
	}
	return notify.Outcome{Kind: notify.Delivered, Answered: true, Note: "200"}
}

// take notes a message and checks that its id means what it always meant, that
// no part of it was told in another message, and that none comes late.
func (p *labPhone) take(route string, ds []rules.Delivery) {
	p.mu.Lock()
	defer p.mu.Unlock()
	in := ""
	for _, d := range ds {
		in += " " + d.EventID
	}
	if len(ds) > 1 {
		p.folded++
	}
	for _, d := range ds {
		id := d.EventID
		if p.w.sabotage == newIDs && d.Attempts > 0 {
			id += "-again"
		}
		a := p.got[route+" "+id]
		if a == nil {
			a = &labAlert{route: route, id: id, event: d.Event, in: in}
			p.got[route+" "+id] = a
			p.order = append(p.order, a)
			line := route + " " + d.Key
			if d.ID < p.last[line] {
				p.faults = append(p.faults, fmt.Sprintf("%s: delivery %d comes after delivery %d", line, d.ID, p.last[line]))
			}
			p.last[line] = d.ID
		}
		a.times++
		if a.in != in {
			p.faults = append(p.faults, fmt.Sprintf("%s: id %s was told in the message of%s, and now in that of%s", route, id, a.in, in))
		}
		if a.event.Kind != d.Event.Kind || a.event.Key() != d.Event.Key() || !a.event.At.Equal(d.Event.At) {
			p.faults = append(p.faults, fmt.Sprintf("id %s was %s of %s at %s, and now is %s of %s at %s",
				id, a.event.Kind, a.event.Key(), a.event.At, d.Event.Kind, d.Event.Key(), d.Event.At))
		}
	}
}

// labOutbox is where the controls of the sender sit.
type labOutbox struct {
	*store.Store
	w *world
}

func (o labOutbox) Retry(ctx context.Context, id int64, at, due time.Time, note string, unsent bool) error {
	if o.w.sabotage == dropsOne && id%20 == 1 {
		return o.Store.Sent(ctx, id, at, note)
	}
	return o.Store.Retry(ctx, id, at, due, note, unsent)
}

func (o labOutbox) Fold(ctx context.Context, ids []int64) error {
	if o.w.sabotage == mixes {
		return nil
	}
	return o.Store.Fold(ctx, ids)
}

// hostile connects as one who means no good. Nothing of what it does is a
// reading.
func (w *world) hostile() {
	c, err := w.ln.dial()
	if err != nil {
		return
	}
	w.foes = append(w.foes, c)
	if len(w.foes) > 20 {
		_ = w.foes[0].Close()
		w.foes = w.foes[1:]
	}
	go func() { _, _ = io.Copy(io.Discard, c) }()
	_ = c.SetWriteDeadline(time.Now().Add(2 * time.Second))
	say := func(p []byte) { _, _ = c.Write(p) }
	connect := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, ProtocolVersion: 4,
		Connect: packets.ConnectParams{ProtocolName: []byte("MQTT"), ClientIdentifier: fmt.Sprint("foe", w.rng.IntN(9)), Keepalive: 60, Clean: w.rng.IntN(2) == 0}}
	publish := func(topic string, payload []byte, retain bool) []byte {
		return wire(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Retain: retain}, ProtocolVersion: 4, TopicName: topic, Payload: payload})
	}
	noise := make([]byte, 1+w.rng.IntN(300))
	for i := range noise {
		noise[i] = byte(w.rng.Uint32())
	}
	switch w.rng.IntN(9) {
	case 0:
		say(noise)
	case 1: // says nothing, until the broker hangs up
	case 2: // claims 256 MB
		say(wire(connect))
		say([]byte{0x30, 0xff, 0xff, 0xff, 0x7f, 0, 1, 'x'})
	case 3: // subscribes to everything
		say(wire(connect))
		pk := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe, Qos: 1}, ProtocolVersion: 4, PacketID: 1}
		for i := range 150 {
			pk.Filters = append(pk.Filters, packets.Subscription{Filter: fmt.Sprintf("%d/#", i), Qos: 2})
		}
		say(wire(pk))
	case 4: // wants everything to be kept
		say(wire(connect))
		for i := range 300 {
			say(publish(fmt.Sprintf("junk/%d/%d", w.rng.IntN(1000), i), noise, true))
		}
	case 5: // takes a board's name
		connect.Connect.ClientIdentifier = "b" + strconv.Itoa(w.rng.IntN(3))
		say(wire(connect))
	case 6: // no numbers
		say(wire(connect))
		for _, p := range []string{"", "NaN", "1e999", `{"raw": null}`, `{"raw": "x"}`, strings.Repeat("[", 1000), "\x00\xff"} {
			say(publish("t/1", []byte(p), false))
			say(publish("t/1", []byte(p), true))
		}
		// Of t/0 and t/2, a bare number would be a reading: a board without an account is trusted.
	case 7: // a will, and gone
		connect.Connect.WillFlag, connect.Connect.WillTopic, connect.Connect.WillPayload = true, "junk/will", noise
		say(wire(connect))
		_ = c.Close()
	case 8: // a sound packet with some bytes changed
		p := append(wire(connect), publish("junk", noise, false)...)
		for range 1 + w.rng.IntN(4) {
			p[w.rng.IntN(len(p))] = byte(w.rng.Uint32())
		}
		say(p)
	}
	synctest.Wait()
}
