package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Defaults of Options.
const (
	DefaultListen     = "127.0.0.1:1883"
	defaultMaxPacket  = 64 << 10
	defaultMaxClients = 2000
	defaultPerAddress = 100
	defaultConnectBy  = 10 * time.Second
	defaultMaxSubs    = 100
	defaultRetained   = 200
)

// Bounds of Options.MaxPacket, in bytes.
const (
	LeastPacket = 128
	MostPacket  = 16 << 20
)

// Options describe the embedded broker.
type Options struct {
	// Listen is the TCP address to listen on, HOST:PORT; "": 127.0.0.1:1883.
	// Without Accounts only a loopback address is taken.
	Listen string
	// Accounts are those who may connect, and what each may publish and
	// subscribe to; none: anyone on this machine may do both.
	Accounts []Account
	// MaxPacket is the largest MQTT packet taken, in bytes, LeastPacket to
	// MostPacket; 0: 65536.
	MaxPacket uint32
	// MaxClients is how many connections may be open at once, and how many
	// sessions are kept, those of clients that are away included; 0: 2000.
	MaxClients int
	// MaxPerAddress is how many connections may come from one address (of
	// IPv6: from one /64); 0: 100, or MaxClients from this machine itself.
	MaxPerAddress int
	// MaxSubscriptions is how many topic filters one client may subscribe to;
	// 0: 100.
	MaxSubscriptions int
	// MaxRetained is how many retained messages are kept, in memory, a day at
	// most; 0: 200.
	MaxRetained int
	// ConnectDeadline is how long a connection may take until its CONNECT
	// packet has arrived; 0: 10 s.
	ConnectDeadline time.Duration
	// TLS, if set, makes the listener speak TLS; nil: plain TCP.
	TLS *tls.Config
	// Log takes the broker's log; nil: slog.Default().
	Log *slog.Logger
	// Ready, if set, is called once, when the broker listens, with its address.
	Ready func(addr net.Addr)
}

// Account is one user name of the embedded broker. It may do nothing that its
// lists do not name.
type Account struct {
	Name         string   // MQTT user name
	PasswordHash string   // as HashPassword gave it
	Publish      []string // topic filters it may publish to; none: nothing. No placeholders: each is meant as it stands
	Subscribe    []string // topic filters it may subscribe to, or to any part of; none: nothing
}

// Embedded is lampward's own broker.
type Embedded struct {
	opts     Options
	log      *slog.Logger
	accounts *accounts
	quiet    *Quiet
	stats    stats

	ran  atomic.Bool
	addr atomic.Value // net.Addr

	// For tests: opens the socket.
	listen func(network, address string) (net.Listener, error)
}

// NewEmbedded checks the options, and reports all that is wrong with them at
// once. The broker it returns does nothing until Run.
func NewEmbedded(opts Options) (*Embedded, error) {
	if opts.Listen == "" {
		opts.Listen = DefaultListen
	}
	if opts.MaxPacket == 0 {
		opts.MaxPacket = defaultMaxPacket
	}
	opts.MaxClients = orDefault(opts.MaxClients, defaultMaxClients)
	opts.MaxSubscriptions = orDefault(opts.MaxSubscriptions, defaultMaxSubs)
	opts.MaxRetained = orDefault(opts.MaxRetained, defaultRetained)
	opts.ConnectDeadline = orDefault(opts.ConnectDeadline, defaultConnectBy)
	if opts.Log == nil {
		opts.Log = slog.Default()
	}
	var errs []error
	host, _, err := net.SplitHostPort(opts.Listen)
	if err != nil {
		errs = append(errs, fmt.Errorf("broker listen %q: %w: write HOST:PORT, such as %s", opts.Listen, err, DefaultListen))
	} else if len(opts.Accounts) == 0 && !Loopback(host) {
		errs = append(errs, fmt.Errorf("broker listen %q can be reached from other machines, and there is no account: add an account for each board, or listen on %s", opts.Listen, DefaultListen))
	}
	if opts.MaxPacket < LeastPacket || opts.MaxPacket > MostPacket {
		errs = append(errs, fmt.Errorf("broker packet limit %d: must be from %d to %d bytes", opts.MaxPacket, LeastPacket, MostPacket))
	}
	if opts.MaxClients < 0 || opts.MaxPerAddress < 0 || opts.MaxSubscriptions < 0 || opts.MaxRetained < 0 || opts.ConnectDeadline < 0 {
		errs = append(errs, errors.New("broker limits must not be negative"))
	}
	accounts, err := newAccounts(opts.Accounts)
	if err != nil {
		errs = append(errs, err)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return &Embedded{opts: opts, log: opts.Log, accounts: accounts, quiet: NewQuiet(opts.Log, 0), listen: net.Listen}, nil
}

func orDefault[T comparable](v, d T) T {
	var zero T
	if v == zero {
		return d
	}
	return v
}

// Loopback tells whether the host of an address to listen on is this machine
// only.
func Loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// Addr is the address the broker listens on; nil before Ready.
func (e *Embedded) Addr() net.Addr {
	a, _ := e.addr.Load().(net.Addr)
	return a
}

// Run implements [Broker]: it listens until ctx ends.
func (e *Embedded) Run(ctx context.Context, sink Sink) error {
	if e.ran.Swap(true) {
		return errors.New("Run was called before: make a new broker")
	}
	ln, err := e.listen("tcp", e.opts.Listen)
	if err != nil {
		return fmt.Errorf("cannot listen on %s: %w: is another broker running there? Stop it, or choose another address", e.opts.Listen, err)
	}
	if a := Peer(ln.Addr().String()).Addr(); e.accounts.open() && a.IsValid() && !a.IsLoopback() {
		_ = ln.Close()
		return fmt.Errorf("%s means %s here, which other machines can reach, and there is no account: listen on %s", e.opts.Listen, ln.Addr(), DefaultListen)
	}
	e.addr.Store(ln.Addr())
	s, err := e.start(ctx, sink, ln)
	if err != nil {
		_ = ln.Close()
		return err
	}
	switch {
	case e.accounts.open():
		e.log.Info("the broker listens on this machine only, since no account is configured: boards on the network cannot reach it", "address", ln.Addr().String())
	case e.opts.TLS == nil && !Peer(ln.Addr().String()).Addr().IsLoopback():
		e.log.Warn("the broker listens without TLS: passwords can be read by whoever can listen on the network", "address", ln.Addr().String(), "accounts", len(e.opts.Accounts))
	default:
		e.log.Info("the broker listens", "address", ln.Addr().String(), "accounts", len(e.opts.Accounts))
	}
	if e.opts.Ready != nil {
		e.opts.Ready(ln.Addr())
	}
	<-ctx.Done()
	s.close()
	return nil
}

// serving is one run of the broker library.
type serving struct {
	srv    *mqtt.Server
	hook   *hook
	l      *listener
	wg     sync.WaitGroup
	closed sync.Once
}

// start starts the library; ln may be nil if connections come by serveConn.
func (e *Embedded) start(ctx context.Context, sink Sink, ln net.Listener) (*serving, error) {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumPacketSize = e.opts.MaxPacket // 0 lets six bytes claim 255 MiB
	caps.MaximumClients = int64(e.opts.MaxClients)
	caps.MaximumClientWritesPending = maxPending
	caps.MaximumInflight = maxInflight
	caps.ReceiveMaximum = maxInflight
	caps.TopicAliasMaximum = maxAliases
	caps.MaximumSessionExpiryInterval = sessionKeep
	caps.MaximumMessageExpiryInterval = retainedKeep
	// Where the library strays from MQTT 5.0 by default:
	caps.Compatibilities = mqtt.Compatibilities{
		// A refused subscription says no more than that it is refused: which
		// topics exist is nobody's business.
		ObscureNotAuthorized: true,
		// A client gets to read the DISCONNECT that tells it why, instead of a
		// connection reset; conn.endIn sees to it that the connection ends.
		PassiveClientDisconnect: true,
		// A PUBACK does not echo the properties of the PUBLISH (MQTT 5.0
		// section 3.4.2.2).
		NoInheritedPropertiesOnAck: true,
	}
	srv := mqtt.New(&mqtt.Options{
		Capabilities: caps,
		// The library logs each bad packet with its content; whoever sends
		// them could fill the disk. The hook says what matters, once.
		Logger: slog.New(slog.DiscardHandler),
		// Write at once: else acknowledgements and ping responses wait for as
		// long as a message to the same client does.
		ClientNetWriteBufferSize: 1,
	})
	h := &hook{
		ctx: ctx, sink: sink, srv: srv, accounts: e.accounts, quiet: e.quiet, stats: &e.stats, recent: newRecent(e.opts.MaxClients, recentEach, recentBurst, recentFor),
		maxSubs: e.opts.MaxSubscriptions, maxRetained: e.opts.MaxRetained, maxSessions: e.opts.MaxClients,
		owners: map[string]*owner{}, wills: map[string]*delayed{},
		inline: srv.NewClient(nil, mqtt.LocalListener, "lampward", true), paid: make(chan struct{}, 1),
	}
	h.sinking, h.giveUp = context.WithCancel(context.WithoutCancel(ctx))
	if h.later, h.bursts = sink.(LaterSink); !h.bursts {
		h.later = atOnce{sink}
	}
	if err := srv.AddHook(h, nil); err != nil {
		return nil, err
	}
	l := &listener{
		net: ln, tls: e.opts.TLS, most: e.opts.MaxClients, mostEach: e.opts.MaxPerAddress, connectBy: e.opts.ConnectDeadline,
		quiet: e.quiet, stats: &e.stats, establish: srv.EstablishConnection, ended: h.ended,
		stop: make(chan struct{}), conns: map[*conn]struct{}{}, each: map[netip.Prefix]int{},
	}
	l.goodbye = func() { goodbye(srv) }
	if err := srv.AddListener(l); err != nil {
		return nil, err
	}
	// Not srv.Serve: it would also start the library's tickers (see janitor),
	// and publish statistics as retained $SYS topics for all to read.
	s := &serving{srv: srv, hook: h, l: l}
	s.wg.Go(func() { h.janitor(l.stop) })
	s.wg.Go(func() { l.Serve(srv.EstablishConnection) })
	return s, nil
}

// close ends every connection and waits; the library panics if closed twice.
func (s *serving) close() {
	s.closed.Do(func() {
		s.hook.drain()
		s.l.Close(nil)
		s.hook.stop()
		s.wg.Wait()
		_ = s.srv.Close()
	})
}

var _ listeners.Listener = (*listener)(nil)

// goodbye tells all clients at once that the broker stops; each has a deadline
// already. It does not use Clients.GetByListener, which takes a read lock twice
// over and so waits for ever if a client leaves in between.
func goodbye(srv *mqtt.Server) {
	var wg sync.WaitGroup
	for _, cl := range srv.Clients.GetAll() {
		if cl.Closed() {
			continue
		}
		wg.Go(func() { kick(srv, cl, packets.ErrServerShuttingDown) })
	}
	wg.Wait()
}

// stats are counters of the embedded broker.
type stats struct {
	messages, refused, duplicates, malformed, denied       atomic.Uint64
	connects, lost, wills, loginsRefused, turnedAway       atomic.Uint64
	acceptErrors, panics, retainedDropped, sessionsDropped atomic.Uint64
	slowDropped                                            atomic.Uint64
}

// Stats are counts since the broker started.
type Stats struct {
	Messages        uint64 // PUBLISH packets heard
	Refused         uint64 // of those, refused by the sink: the sender was made to send again
	Duplicates      uint64 // second copies of messages taken already: acknowledged, not taken again
	Malformed       uint64 // packets refused for their topic, filter or client id
	Denied          uint64 // publishes, subscriptions and deliveries that an account may not have
	Connects        uint64 // sessions established
	Lost            uint64 // connections lost without a goodbye
	Wills           uint64 // wills published
	LoginsRefused   uint64 // wrong name or password, or client id of another account
	TurnedAway      uint64 // connections beyond MaxClients or MaxPerAddress
	AcceptErrors    uint64 // connections that could not be accepted, such as for want of file descriptors
	Panics          uint64 // panics contained
	RetainedDropped uint64 // messages beyond MaxRetained, passed on without retaining
	SessionsDropped uint64 // sessions of absent clients forgotten to make room
	SlowDropped     uint64 // subscribers disconnected because they read too slowly
}

// Stats returns the counts so far.
func (e *Embedded) Stats() Stats {
	s := &e.stats
	return Stats{
		Messages: s.messages.Load(), Refused: s.refused.Load(), Duplicates: s.duplicates.Load(),
		Malformed: s.malformed.Load(), Denied: s.denied.Load(), Connects: s.connects.Load(), Lost: s.lost.Load(),
		Wills: s.wills.Load(), LoginsRefused: s.loginsRefused.Load(), TurnedAway: s.turnedAway.Load(),
		AcceptErrors: s.acceptErrors.Load(), Panics: s.panics.Load(), RetainedDropped: s.retainedDropped.Load(),
		SessionsDropped: s.sessionsDropped.Load(), SlowDropped: s.slowDropped.Load(),
	}
}
