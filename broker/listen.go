package broker

import (
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

const (
	listenerID   = "lampward"
	writeTimeout = 10 * time.Second // most a peer may take to accept a packet
	goodbyeTime  = time.Second      // how long a peer may take to read our DISCONNECT
	acceptWait   = 5 * time.Millisecond
	acceptWaitMx = time.Second
)

// listener accepts connections for the broker library, which itself sets no
// deadline before CONNECT, counts clients only after it, and stops listening
// for good at the first failed Accept.
type listener struct {
	net       net.Listener // nil: connections come only by serveConn
	tls       *tls.Config
	most      int
	mostEach  int
	connectBy time.Duration
	quiet     *Quiet
	stats     *stats
	establish listeners.EstablishFn
	goodbye   func()      // says DISCONNECT to every client that understands it
	ended     func(*conn) // runs when the library is done with a connection

	stop    chan struct{} // closed by Close
	stopped sync.Once
	wg      sync.WaitGroup // accept loop and connections

	mu     sync.Mutex
	closed bool
	conns  map[*conn]struct{}
	each   map[netip.Prefix]int
}

// The listeners.Listener interface.

func (l *listener) Init(*slog.Logger) error { return nil }
func (l *listener) ID() string              { return listenerID }
func (l *listener) Protocol() string        { return "tcp" }
func (l *listener) Address() string {
	if l.net == nil {
		return ""
	}
	return l.net.Addr().String()
}

// Serve accepts until Close.
func (l *listener) Serve(establish listeners.EstablishFn) {
	if l.net == nil {
		return
	}
	l.mu.Lock()
	if l.closed {
		l.mu.Unlock()
		return
	}
	l.wg.Add(1)
	l.mu.Unlock()
	defer l.wg.Done()
	wait := acceptWait
	for {
		c, err := l.net.Accept()
		if err == nil {
			wait = acceptWait
			l.serveConn(c)
			continue
		}
		if errors.Is(err, net.ErrClosed) {
			return
		}
		// Out of file descriptors, or a peer gone before it was accepted:
		// both pass. The library would stop listening here.
		l.stats.acceptErrors.Add(1)
		l.quiet.Note("address", l.Address(), "accept", "the broker could not accept a connection and tries again: if this goes on, raise the limit of open files", "error", err)
		select {
		case <-time.After(wait):
			wait = min(wait*2, acceptWaitMx)
		case <-l.stop:
			return
		}
	}
}

// serveConn starts to serve one connection, or closes it if there are too many.
func (l *listener) serveConn(raw net.Conn) {
	from := Peer(raw.RemoteAddr().String())
	l.mu.Lock()
	each := l.mostEach
	if each == 0 {
		each = defaultPerAddress
		if from.Addr().IsLoopback() {
			each = l.most
		}
	}
	reason := ""
	switch {
	case l.closed:
		reason = "closed"
	case len(l.conns) >= l.most:
		reason = "too_many_clients"
	case l.each[from] >= each:
		reason = "too_many_from_address"
	}
	if reason != "" {
		l.mu.Unlock()
		_ = raw.Close()
		if reason != "closed" {
			l.stats.turnedAway.Add(1)
			l.quiet.Note("address", from.Addr().String(), reason, "the broker turned a connection away: too many are open", "open_most", l.most, "per_address_most", each)
		}
		return
	}
	c := &conn{Conn: raw, from: from, done: make(chan struct{}), over: make(chan struct{})}
	if l.tls != nil {
		c.Conn = tls.Server(raw, l.tls)
	}
	l.conns[c] = struct{}{}
	l.each[from]++
	l.wg.Add(1)
	l.mu.Unlock()

	go func() {
		defer l.wg.Done()
		defer func() {
			_ = c.Close()
			if r := recover(); r != nil {
				// A malformed packet can panic inside the library; it must
				// cost the sender its connection, not everyone the broker.
				l.stats.panics.Add(1)
				l.quiet.Note("address", from.Addr().String(), "panic", "a client's packet made the broker library panic; the client was disconnected", "panic", r)
			}
			l.ended(c)
			close(c.over)
			l.mu.Lock()
			delete(l.conns, c)
			if l.each[from]--; l.each[from] <= 0 {
				delete(l.each, from)
			}
			l.mu.Unlock()
		}()
		_ = c.SetReadDeadline(time.Now().Add(l.connectBy))
		err := l.establish(listenerID, c)
		if err != nil && c.state.Load() == nil {
			l.stranger(c, err)
		}
	}()
}

// stranger logs why a connection came to nothing before its client could be let in:
// who wonders why a board cannot connect has nothing else to go by. The hook has
// logged what it refused; one that ends before it said anything, as those of port
// scanners and health checks do, is not worth a line.
func (l *listener) stranger(c *conn, err error) {
	var record tls.RecordHeaderError
	var op *net.OpError
	var code packets.Code
	logged := []packets.Code{packets.ErrRejectPacket, packets.ErrBadUsernameOrPassword, packets.ErrClientIdentifierNotValid, packets.ErrServerBusy}
	reason, msg := "no_mqtt", "a client was turned away, for what it sent first is no MQTT CONNECT that can be understood"
	switch {
	case errors.As(err, &code) && slices.Contains(logged, code):
		return
	case errors.As(err, &record):
		reason, msg = "no_tls", "a client that does not speak TLS was turned away, for this port is for TLS: switch TLS on in the board, or leave cert_file and key_file out of [broker]"
	// crypto/tls calls "remote error" what the peer says; some do before they encrypt,
	// which it takes for a bad record.
	case errors.As(err, &op) && op.Op == "remote error", strings.Contains(err.Error(), ": tls: "):
		reason, msg = "tls", "the TLS handshake with a client failed: it may not know the authority of the broker's certificate, call the broker by a name that is not in it, take it to be out of date, or know no TLS from 1.2 on"
	case errors.Is(err, net.ErrClosed), c.end.Load() != 0: // we stop
		return
	case timedOut(err): // a small board can take seconds for its part of a TLS handshake
		reason, msg = "slow", "a client was turned away, for its CONNECT had not come within "+l.connectBy.String()+", the TLS handshake included"
	case c.ahead.got == 0:
		return
	case c.first == 0x16: // a handshake record (RFC 8446 section 5.1)
		reason, msg = "tls_here", "a client that speaks TLS was turned away: switch TLS off in the board, or set cert_file and key_file in [broker]"
	case c.first >= 'A' && c.first <= 'Z':
		reason, msg = "http", "a client that speaks HTTP was turned away, as MQTT over WebSockets begins: have the board speak MQTT over TCP"
	}
	l.stats.malformed.Add(1)
	l.quiet.Note("address", c.from.Addr().String(), reason, msg, "error", strings.TrimPrefix(err.Error(), "read connection: "))
}

// Close stops listening, takes leave of every client and waits until all is
// over. The library's own way of taking leave, the argument, is not used: it
// waits on each client in turn, for ever if one does not read.
func (l *listener) Close(listeners.CloseFn) {
	l.stopped.Do(func() {
		close(l.stop)
		l.mu.Lock()
		l.closed = true
		open := make([]*conn, 0, len(l.conns))
		for c := range l.conns {
			open = append(open, c)
		}
		l.mu.Unlock()
		if l.net != nil {
			_ = l.net.Close()
		}
		for _, c := range open {
			c.endIn(goodbyeTime)
		}
		l.goodbye()
		for _, c := range open {
			_ = c.Close()
		}
	})
	l.wg.Wait()
}

// Peer is what the connections and the wrong passwords of an ADDRESS:PORT are
// counted by: the address, or for IPv6 its /64, for one machine has as many of
// those as it likes. It is the zero Prefix if there is no address.
func Peer(from string) netip.Prefix {
	ap, err := netip.ParseAddrPort(from)
	if err != nil {
		return netip.Prefix{}
	}
	ip := ap.Addr().Unmap().WithZone("")
	n := ip.BitLen()
	if ip.Is6() && !ip.IsLoopback() {
		n = 64
	}
	p, _ := ip.Prefix(n)
	return p
}

// conn is a connection with deadlines that hold. The library sets one deadline
// for both directions, at most every packet; here reads keep to the keep-alive
// and writes to writeTimeout, so that a peer that stops reading is cut off
// instead of holding up whoever writes to it.
type conn struct {
	net.Conn
	from netip.Prefix

	keepAlive atomic.Int64 // ns; if not 0, how long a silence may last
	end       atomic.Int64 // Unix ns; if not 0, no deadline may be later
	armed     atomic.Int64 // Unix ns of the read deadline in force; 0: none
	writeBy   atomic.Int64 // Unix ns of the write deadline in force

	state atomic.Pointer[state] // set once the client is let in

	ahead      ahead
	first      byte   // that was read
	beforeRead func() // if not nil, runs before the connection is read; only who reads it uses it
	corked     bool   // held gets what is written; both are under the lock of the library's client
	held       []byte

	closed sync.Once
	done   chan struct{} // closed by Close
	over   chan struct{} // closed when the library is done with it

	mu sync.Mutex // orders endIn against the deadlines set meanwhile
}

// SetDeadline sets the deadline of the next read, by the client's keep-alive:
// the library's own sum overflows for keep-alives above 43690 s.
func (c *conn) SetDeadline(t time.Time) error {
	if t.IsZero() {
		if c.armed.Load() == 0 && c.end.Load() == 0 {
			return nil
		}
	} else {
		if ka := c.keepAlive.Load(); ka != 0 {
			t = time.Now().Add(time.Duration(ka) + time.Duration(ka)/2) // MQTT 5.0 section 3.1.2.10
		}
		// Moving the deadline costs more than reading a small packet, so it is
		// set a little late and left alone while that lasts.
		const late = time.Second
		if early := c.armed.Load() - t.UnixNano(); early >= 0 && early <= int64(late) && c.end.Load() == 0 {
			return nil
		}
		t = t.Add(late)
	}
	return c.setReadDeadline(t)
}

// SetReadDeadline sets the deadline of the next read.
func (c *conn) SetReadDeadline(t time.Time) error { return c.setReadDeadline(t) }

func (c *conn) setReadDeadline(t time.Time) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if end := c.end.Load(); end != 0 {
		if t.IsZero() || t.UnixNano() > end {
			t = time.Unix(0, end)
		}
	}
	if t.IsZero() {
		c.armed.Store(0)
	} else {
		c.armed.Store(t.UnixNano())
	}
	return c.Conn.SetReadDeadline(t)
}

// endIn makes the connection end within d, whatever is set later.
func (c *conn) endIn(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	end := time.Now().Add(d)
	if old := c.end.Load(); old != 0 && old <= end.UnixNano() {
		return
	}
	c.end.Store(end.UnixNano())
	_ = c.Conn.SetDeadline(end)
}

// Close closes the connection.
func (c *conn) Close() error {
	c.closed.Do(func() { close(c.done) })
	return c.Conn.Close()
}

// Read reads.
func (c *conn) Read(b []byte) (int, error) {
	if c.beforeRead != nil {
		c.beforeRead()
		if c.keepAlive.Load() != 0 { // it may have taken a while, for which the client is not to blame
			_ = c.SetDeadline(time.Now())
		}
	}
	n, err := c.Conn.Read(b)
	if c.ahead.got == 0 && n > 0 {
		c.first = b[0]
	}
	c.ahead.got += int64(n)
	return n, err
}

// Write writes within writeTimeout, or closes the connection: after half a
// packet nothing that follows could be understood.
func (c *conn) Write(b []byte) (int, error) {
	if !c.corked {
		return c.write(b)
	}
	if c.held = append(c.held, b...); len(c.held) < mostHeld {
		return len(b), nil
	}
	return len(b), c.release()
}

func (c *conn) write(b []byte) (int, error) {
	now := time.Now()
	if c.end.Load() == 0 && c.writeBy.Load()-now.UnixNano() < int64(writeTimeout/2) {
		c.mu.Lock()
		if c.end.Load() == 0 {
			by := now.Add(writeTimeout)
			c.writeBy.Store(by.UnixNano())
			_ = c.SetWriteDeadline(by)
		}
		c.mu.Unlock()
	}
	n, err := c.Conn.Write(b)
	if err != nil {
		_ = c.Close()
	}
	return n, err
}
