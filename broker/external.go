package broker

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"hash/maphash"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	pahopackets "github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Limits of the connection to an external broker.
const (
	retryFirst     = time.Second      // wait before the first new try; doubles with each
	retryMost      = 30 * time.Second // longest wait
	retrySoon      = 4 * time.Second  // longest wait in the first minute of an outage: meanwhile QoS 0 is lost
	retryLong      = time.Minute      // that minute
	retryGood      = time.Minute      // a connection that held so long starts the waits anew
	dialTimeout    = 10 * time.Second
	uplinkAlive    = 30 * time.Second // keep-alive
	uplinkPing     = 10 * time.Second // longest wait for the answer to a ping
	uplinkQueue    = 256              // messages taken from the broker and not yet stored
	uplinkWorkers  = 16               // messages being stored at once; those of one topic in order
	uplinkStall    = 20 * time.Second // longest wait for room in the queue before the connection is given up
	subscribeBatch = 100              // topics in one SUBSCRIBE
	barredAgain    = 5 * time.Minute  // between two tries to subscribe to what the broker refused
	strayTime      = time.Minute      // what comes within this of an UNSUBSCRIBE was on its way before
	strayMost      = 1000             // topics unsubscribed from on one connection
)

// ExternalOptions describe the connection to a broker that already runs.
type ExternalOptions struct {
	// URL of the broker: mqtt:// or tcp:// (plain; port 1883 if none is
	// given), mqtts://, ssl:// or tls:// (TLS; 8883), ws://, wss://. User and
	// password may stand in it; they are never logged.
	URL string
	// Topics are subscribed to, exactly these, at QoS 1.
	Topics []string
	// ClientID is the MQTT client id; the broker keeps readings for it while
	// lampward is away, so it must stay the same and be no one else's.
	// "": "lampward".
	ClientID string
	// User is the user name; "": the one in URL, if any.
	User string
	// Password is asked for the password at each connect; nil: the one in URL,
	// if any.
	Password func() (string, error)
	// TLS sets how the broker's certificate is checked, and which one it is
	// shown; nil: by the system's authorities, and none.
	TLS *tls.Config
	// Log takes the log; nil: slog.Default().
	Log *slog.Logger
}

// External listens to a broker that already runs.
type External struct {
	opts    ExternalOptions
	url     *url.URL // without user and password
	user    string
	tls     *tls.Config
	log     *slog.Logger
	quiet   *Quiet
	exact   map[string]bool // those of opts.Topics without a wildcard
	wild    []string        // and the others
	outage  *Quiet          // of the present outage, or the newest: each reason in it is logged
	recent  *recent
	seed    maphash.Seed
	stats   externalStats
	ran     atomic.Bool
	refused bool         // the broker answered the last CONNECT, and does not take it
	short   int          // connections in a row that came up and did not hold for retryGood
	asked   atomic.Int64 // topics in the newest SUBSCRIBE
	barred  atomic.Pointer[[]string]
	// storing are the goroutines of all connections so far; see intake.stop.
	storing sync.WaitGroup
	sinking context.Context // of what is stored: ends a moment after lampward is told to stop

	// For tests: opens the connection to the broker.
	dial func(ctx context.Context) (net.Conn, error)
}

type externalStats struct{ messages, refused, duplicates, tooLong, connects, lost atomic.Uint64 }

// ExternalStats are counts since the start.
type ExternalStats struct {
	Messages   uint64 // PUBLISH packets heard
	Refused    uint64 // of those, refused by the sink: the broker was made to send again
	Duplicates uint64 // second copies of messages taken already: acknowledged, not taken again
	TooLong    uint64 // payloads above MaxPayload: acknowledged and dropped
	Connects   uint64 // connections that came up
	Lost       uint64 // connections that went down again
}

// Stats returns the counts so far.
func (x *External) Stats() ExternalStats {
	s := &x.stats
	return ExternalStats{Messages: s.messages.Load(), Refused: s.refused.Load(), Duplicates: s.duplicates.Load(),
		TooLong: s.tooLong.Load(), Connects: s.connects.Load(), Lost: s.lost.Load()}
}

// Barred lists the topics that the broker does not let lampward read, as far as it
// said so when lampward connected or asked again; sorted.
func (x *External) Barred() []string {
	if b := x.barred.Load(); b != nil {
		return *b
	}
	return nil
}

// NewExternal checks the options, and reports all that is wrong with them at
// once. The broker it returns does nothing until Run.
func NewExternal(opts ExternalOptions) (*External, error) {
	if opts.Log == nil {
		opts.Log = slog.Default()
	}
	if opts.ClientID == "" {
		opts.ClientID = "lampward"
	}
	x := &External{opts: opts, log: opts.Log, quiet: NewQuiet(opts.Log, 0), outage: NewQuiet(opts.Log, 0), exact: map[string]bool{},
		recent: newRecent(1, 2*uplinkQueue, 0, 10*time.Minute), seed: maphash.MakeSeed()}
	x.dial = x.open
	var errs []error
	if u, err := parseURL(opts.URL); err != nil {
		errs = append(errs, fmt.Errorf("broker url %w", err))
	} else {
		x.user = u.User.Username()
		if pass, _ := u.User.Password(); x.opts.Password == nil {
			x.opts.Password = func() (string, error) { return pass, nil }
		}
		u.User = nil
		x.url = u
		if x.tls = opts.TLS.Clone(); x.tls == nil {
			x.tls = &tls.Config{}
		}
		x.tls.ServerName = u.Hostname()
	}
	if opts.User != "" {
		x.user = opts.User
	}
	if len(opts.Topics) == 0 {
		errs = append(errs, errors.New("broker url: no topic to subscribe to: give a lamp a topic"))
	}
	for _, t := range opts.Topics {
		if err := CheckFilter(t); err != nil {
			errs = append(errs, fmt.Errorf("topic %w", err))
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	for _, t := range opts.Topics {
		if t = unshared(t); strings.ContainsAny(t, "+#") {
			x.wild = append(x.wild, t)
		} else {
			x.exact[t] = true
		}
	}
	return x, nil
}

// wanted tells whether a topic is one of those subscribed to.
func (x *External) wanted(topic string) bool { return x.exact[topic] || coveredBy(x.wild, topic) }

// CheckURL tells what is wrong with an ExternalOptions.URL; nil: nothing. The
// error does not repeat it, for a password may stand in it.
func CheckURL(address string) error {
	_, err := parseURL(address)
	return err
}

// parseURL reads the address of a broker, and gives it a port where MQTT has one.
func parseURL(address string) (*url.URL, error) {
	const example = "write e.g. mqtt://192.0.2.7:1883"
	u, err := url.Parse(address)
	if err != nil { // the error quotes the URL, password and all
		return nil, fmt.Errorf("cannot be read: %s; %% and other special characters in a password must be escaped, or the password put in a file", example)
	}
	port := ""
	switch u.Scheme {
	case "mqtt", "tcp":
		port = "1883"
	case "mqtts", "ssl", "tls":
		port = "8883"
	case "ws", "wss":
	default:
		return nil, fmt.Errorf("begins with %s: %s; mqtts://, ws:// and wss:// are known too", clip(u.Scheme+"://"), example)
	}
	if u.Hostname() == "" {
		return nil, fmt.Errorf("names no host: %s", example)
	}
	if strings.Count(u.Host, ":") > 1 && u.Host[0] != '[' {
		return nil, errors.New("names an IPv6 address without brackets: write e.g. mqtt://[2001:db8::7]:1883")
	}
	switch p := u.Port(); {
	case p != "":
		if n, err := strconv.ParseUint(p, 10, 16); err != nil || n == 0 {
			// Not repeated: before a / that is not escaped it is of a password.
			return nil, errors.New("names no port that there is: write one from 1 to 65535; special characters in a password must be escaped, or the password put in a file")
		}
	case port != "":
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	return u, nil
}

// open connects to the broker; the MQTT handshake follows.
func (x *External) open(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, dialTimeout)
	defer cancel()
	switch x.url.Scheme {
	case "ws", "wss":
		return paho.NewWebsocket(x.url.String(), x.tls, dialTimeout, nil, nil)
	case "mqtt", "tcp":
		return (&net.Dialer{}).DialContext(ctx, "tcp", x.url.Host)
	}
	return (&tls.Dialer{Config: x.tls}).DialContext(ctx, "tcp", x.url.Host)
}

// Run implements [Broker]: it stays connected until ctx ends.
func (x *External) Run(ctx context.Context, sink Sink) error {
	if x.ran.Swap(true) {
		return errors.New("Run was called before: make a new broker")
	}
	defer x.storing.Wait()
	var giveUp context.CancelFunc
	x.sinking, giveUp = context.WithCancel(context.WithoutCancel(ctx))
	defer context.AfterFunc(ctx, func() { time.AfterFunc(goodbyeTime, giveUp) })()
	told := "" // why we are down, as the sink knows
	wait, began := retryFirst, time.Now()
	for {
		up, held, err := x.session(ctx, sink)
		if ctx.Err() != nil {
			return nil
		}
		why := strings.Replace(err.Error(), "network Error : ", "", 1) // the library's words say no more
		if up {
			x.outage = NewQuiet(x.log, 0)
		}
		if up || told != why {
			sink.Uplink(ctx, false, why) // which logs it
		}
		if told != "" && !up {
			kind := "lost"
			if c := (*connectError)(nil); errors.As(err, &c) {
				kind = c.kind
			}
			x.outage.Note("broker", x.url.Host, kind, "still no connection to the broker; trying again", "error", why)
		}
		told = why
		if held >= retryGood {
			wait, began = retryFirst, time.Now()
		}
		// A broker that starts again is back within seconds. One that refuses the login
		// may count the tries.
		if time.Since(began) < retryLong && !x.refused {
			wait = min(wait, retrySoon)
		}
		// The jitter keeps several clients from coming back in step.
		select {
		case <-time.After(wait/2 + rand.N(wait/2+1)):
		case <-ctx.Done():
			return nil
		}
		wait = min(2*wait, retryMost)
	}
}

// errRefused ends a session so that the broker sends again what was refused.
var errRefused = errors.New("a message could not be stored; the broker is made to send it again")

// session is one connection, from dialling to its end; held is how long it was
// up. It returns when everything it started has stopped, but for what x.storing
// counts.
func (x *External) session(parent context.Context, sink Sink) (up bool, held time.Duration, err error) {
	pass, err := x.opts.Password()
	if err != nil {
		return false, 0, fmt.Errorf("password: %w", err)
	}
	ctx, cancel := context.WithCancelCause(parent)
	defer cancel(nil)

	in := x.newIntake(parent, ctx, cancel, sink)
	lost := make(chan struct{})
	var closeConn func()
	opened := false
	opts := paho.NewClientOptions().
		AddBroker(x.url.String()).
		SetProtocolVersion(4). // else a refused login is tried again as MQTT 3.1
		SetClientID(x.opts.ClientID).
		SetCleanSession(false).   // the broker keeps what we have not acknowledged
		SetAutoAckDisabled(true). // intake acknowledges, once durable
		SetOrderMatters(true).
		SetAutoReconnect(false). // Run does both, with bounded waits
		SetConnectRetry(false).
		SetConnectTimeout(dialTimeout).
		SetKeepAlive(uplinkAlive).
		SetPingTimeout(uplinkPing).
		SetWriteTimeout(writeTimeout).
		// Every message, also those that come before our SUBSCRIBE: one that
		// no handler takes is never acknowledged.
		SetDefaultPublishHandler(in.take).
		SetConnectionLostHandler(func(_ paho.Client, e error) {
			cancel(fmt.Errorf("the connection to the broker was lost: %w", e))
			close(lost)
		}).
		SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
			c, err := x.dial(ctx)
			if err != nil {
				return nil, err
			}
			opened = true
			// Not to outlive ctx while waiting for the CONNACK.
			stop := context.AfterFunc(ctx, func() { _ = c.Close() })
			closeConn = func() { stop() }
			return &guarded{Conn: c, r: bufio.NewReader(c), asked: &x.asked}, nil
		})
	if x.user != "" {
		opts.SetUsername(x.user).SetPassword(pass)
	}
	client := paho.NewClient(opts)
	x.storing.Go(func() { in.unsubscribe(client) })
	connect := client.Connect().(*paho.ConnectToken)
	connect.Wait() // bounded: dialling and handshake have deadlines and follow ctx
	if closeConn != nil {
		closeConn()
	}
	x.refused = connect.ReturnCode() >= pahopackets.ErrRefusedBadProtocolVersion && connect.ReturnCode() <= pahopackets.ErrRefusedNotAuthorised
	if err := connect.Error(); err != nil {
		in.stop()
		return false, 0, x.explainConnect(err, connect.ReturnCode(), opened)
	}
	start := time.Now()
	barred, err := x.subscribe(ctx, client, x.opts.Topics)
	switch {
	case err != nil && errors.Is(context.Cause(ctx), errRefused): // what waited comes before the answer
		err = context.Cause(ctx)
	case err == nil:
		up = true
		x.stats.connects.Add(1)
		x.log.Info("connected to the broker", "broker", x.url.Host, "topics", len(x.opts.Topics))
		sink.Uplink(ctx, true, "")
		err = x.hold(ctx, client, barred)
	}
	held = time.Since(start)
	in.stop()
	// DISCONNECT, unless the connection is gone; then wait for the library's
	// own end of it.
	if client.IsConnectionOpen() {
		client.Disconnect(uint(goodbyeTime.Milliseconds()))
	} else {
		select {
		case <-lost:
		case <-time.After(goodbyeTime):
		}
	}
	if up {
		x.stats.lost.Add(1)
		// Two clients with one id throw each other out again and again.
		if x.short++; held >= retryGood || errors.Is(err, errRefused) {
			x.short = 0
		}
		if x.short > 0 && held < 5*time.Second || x.short > 1 {
			err = fmt.Errorf("%w; it may be that another client with the client id %q connects: give each lampward a client_id of its own in [broker]", err, x.opts.ClientID)
		}
	}
	return up, held, err
}

// connectError says why there is no connection; its text stays the same as long
// as the reason does: no local port is in it, and no time of day.
type connectError struct {
	kind string // for the log, to count by
	text string
	err  error
}

func (e *connectError) Error() string { return e.text }
func (e *connectError) Unwrap() error { return e.err }

// explainConnect turns the library's error into what to do; opened: the connection
// stood, with TLS where that is wanted, and MQTT came to nothing.
func (x *External) explainConnect(err error, code byte, opened bool) error {
	host := x.url.Host
	because := func(kind, format string, args ...any) error {
		return &connectError{kind, "the broker at " + host + " " + fmt.Sprintf(format, args...), err}
	}
	switch code {
	case pahopackets.ErrRefusedBadUsernameOrPassword, pahopackets.ErrRefusedNotAuthorised:
		return because("refused_login", "refused the login: check user name and password")
	case pahopackets.ErrRefusedIDRejected:
		return because("refused_client_id", "refused the client id %q: choose another", x.opts.ClientID)
	case pahopackets.ErrRefusedServerUnavailable:
		return because("not_available", "is not available")
	}
	var (
		unknown x509.UnknownAuthorityError
		badHost x509.HostnameError
		invalid x509.CertificateInvalidError
		record  tls.RecordHeaderError
		dns     *net.DNSError
		timeout net.Error
		op      *net.OpError
	)
	hasOp := errors.As(err, &op)
	s := x.url.Scheme
	plain := s == "mqtt" || s == "tcp" || s == "ws"
	twin := "mqtt" // the scheme without TLS
	if strings.HasPrefix(s, "ws") {
		twin = "ws"
	}
	const day = time.DateOnly
	switch {
	case errors.As(err, &unknown):
		return because("unknown_authority", "shows a certificate of an unknown authority: name the authority's own certificate as ca_file in [broker]")
	case errors.As(err, &badHost):
		return because("wrong_name", "shows a certificate for another name: %s; name the broker in url as its certificate does", strings.TrimPrefix(badHost.Error(), "x509: "))
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired && invalid.Cert != nil:
		now := time.Now().UTC()
		if now.Before(invalid.Cert.NotBefore) {
			return because("out_of_date", "shows a certificate that is good from %s on, and here it is %s: is this machine's clock right?", invalid.Cert.NotBefore.Format(day), now.Format(day))
		}
		return because("out_of_date", "shows a certificate that was good until %s, and here it is %s: renew it on the broker, if this machine's clock is right", invalid.Cert.NotAfter.Format(day), now.Format(day))
	case hasOp && op.Op == "remote error": // a TLS alert of the broker
		return because("refused_certificate", "ended the TLS handshake (%v): it may want a certificate of lampward, which is cert_file and key_file in [broker]", op.Err)
	case errors.As(err, &dns):
		why := dns.Err
		if dns.IsTimeout {
			why = "no name server answered"
		} else if _, server, ok := strings.Cut(why, "->"); ok { // before it stands a local port
			why = server
		}
		hint := "is the name right, and the network up?"
		if strings.HasSuffix(strings.ToLower(strings.TrimSuffix(dns.Name, ".")), ".local") { // multicast DNS, RFC 6762, of which Go's own resolver knows nothing
			hint = "names in .local are often known to other programs only; write its address, such as 192.0.2.7"
		}
		return &connectError{"not_found", fmt.Sprintf("the broker's host %s cannot be found (%s): %s", dns.Name, why, hint), err}
	case (errors.As(err, &timeout) && timeout.Timeout() || errors.Is(err, context.DeadlineExceeded)) && !(hasOp && op.Op == "dial"):
		hint := "is it an MQTT broker, and that its port?"
		if plain {
			hint = fmt.Sprintf("is it an MQTT broker, and that its port? One for TLS wants %ss://", twin)
		}
		return because("no_answer", "took the connection and did not answer in %s: %s", dialTimeout, hint)
	case opened && !plain && (errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE)):
		// With TLS 1.3 a client may have written before it learns that its certificate,
		// or that it has none, is not taken; and then its alert may be lost.
		hint := "it may want a certificate of lampward, which is cert_file and key_file in [broker]"
		if len(x.tls.Certificates) > 0 {
			hint = "it may not take lampward's certificate, cert_file in [broker]"
		}
		return because("hung_up", "closed the connection right after the TLS handshake: %s", hint)
	case errors.Is(err, io.EOF), errors.Is(err, syscall.ECONNRESET), errors.As(err, &record):
		if plain {
			return because("hung_up", "closed the connection at once (%v): it may want TLS, which is %ss://", portless(err), twin)
		}
		return because("no_tls", "does not speak TLS there (%v): name its port for TLS, often 8883, or write %s:// for none", portless(err), twin)
	case strings.Contains(err.Error(), "bad handshake"):
		return because("no_websocket", "answers in HTTP and takes no WebSocket at that address: name the path for MQTT in url, often /mqtt")
	case errors.Is(err, io.ErrUnexpectedEOF), strings.Contains(err.Error(), "non-CONNACK"):
		hint := ""
		if twin == "mqtt" {
			hint = " One for WebSockets wants ws:// or wss://"
		}
		return because("no_mqtt", "did not answer as an MQTT broker does: is that its port?%s", hint)
	}
	return because("unreachable", "cannot be reached: %v", portless(err))
}

// portless leaves out the local port that an error of a connection names.
func portless(err error) error {
	var op *net.OpError
	if errors.As(err, &op) && op.Source != nil {
		return fmt.Errorf("%s: %w", op.Op, op.Err)
	}
	return err
}

// subscribe subscribes to topics, and returns those that the broker refuses; they do
// not keep the others from being heard.
func (x *External) subscribe(ctx context.Context, client paho.Client, topics []string) (barred []string, err error) {
	topics = slices.Clone(topics)
	slices.Sort(topics)
	topics = slices.Compact(topics)
	for batch := range slices.Chunk(topics, subscribeBatch) {
		filters := make(map[string]byte, len(batch))
		for _, t := range batch {
			filters[t] = 1
		}
		x.asked.Store(int64(len(filters)))
		token := client.SubscribeMultiple(filters, nil).(*paho.SubscribeToken)
		select {
		case <-token.Done():
		case <-time.After(dialTimeout):
			return nil, fmt.Errorf("the broker at %s did not answer our subscriptions", x.url.Host)
		case <-ctx.Done():
			// Some brokers do so, instead of refusing a topic.
			return nil, fmt.Errorf("%w, while lampward subscribed: does the broker let it read the topics of its lamps?", context.Cause(ctx))
		}
		if err := token.Error(); err != nil {
			return nil, fmt.Errorf("the broker at %s did not take our subscriptions: %w", x.url.Host, err)
		}
		for t, qos := range token.Result() {
			if qos == 0 {
				x.quiet.Note("broker", x.url.Host, "qos_0", "the broker hands messages on at QoS 0 only: what comes while lampward is away, or when the connection breaks, is lost", "topic", t)
			}
			if qos > 2 {
				barred = append(barred, t)
				x.quiet.Note("topic", t, "not_subscribed", "the broker does not let lampward read a topic: its lamp stays unknown; allow it in the broker", "broker", x.url.Host, "user", x.user)
			}
		}
	}
	slices.Sort(barred)
	x.barred.Store(&barred)
	return barred, nil
}

// hold returns why the connection ended. Until then it asks again for what the
// broker refused, for that is put right there, and the connection may outlast it.
func (x *External) hold(ctx context.Context, client paho.Client, barred []string) error {
	for len(barred) > 0 {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(barredAgain):
		}
		still, err := x.subscribe(ctx, client, barred)
		if err != nil { // no second SUBSCRIBE while one is out, for guarded knows the newest only
			select {
			case <-ctx.Done(): // the connection is gone, which is why
				return context.Cause(ctx)
			case <-time.After(time.Second):
				return err
			}
		}
		if n := len(barred) - len(still); n > 0 {
			x.log.Info("the broker lets lampward read what it refused before", "broker", x.url.Host, "topics", n, "refused", len(still))
		}
		barred = still
	}
	<-ctx.Done()
	return context.Cause(ctx)
}

// guarded is a connection on which no write lasts for ever, and no packet can
// hurt the library: it holds each in memory twice, up to 256 MiB, and panics at a
// SUBACK with more codes than topics.
type guarded struct {
	net.Conn
	r     *bufio.Reader
	asked *atomic.Int64
	head  []byte // of a packet, not read yet
	body  int    // bytes that follow it
	skip  int    // and those after them, which are left out
}

func (c *guarded) Write(b []byte) (int, error) {
	_ = c.SetWriteDeadline(time.Now().Add(writeTimeout))
	return c.Conn.Write(b)
}

func (c *guarded) Read(b []byte) (int, error) {
	if len(c.head) == 0 && c.body == 0 {
		if err := c.next(); err != nil {
			return 0, err
		}
	}
	if len(c.head) > 0 {
		n := copy(b, c.head)
		c.head = c.head[n:]
		return n, nil
	}
	n, err := c.r.Read(b[:min(len(b), c.body)])
	c.body -= n
	return n, err
}

// next begins a packet (MQTT 3.1.1 section 2.2). Of a PUBLISH that is too long so
// much is left that it is seen to be.
func (c *guarded) next() error {
	if n, err := c.r.Discard(c.skip); err != nil {
		c.skip -= n
		return err
	}
	c.skip = 0
	first, err := c.r.ReadByte()
	if err != nil {
		return err
	}
	length, _, err := packets.DecodeLength(c.r)
	if err != nil {
		return err
	}
	const longest = 2 + 65535 + 2 + MaxPayload + 1 // topic, id, payload
	switch kind := first >> 4; {
	case kind == packets.Suback && int64(length) > 2+c.asked.Load():
		return errors.New("the broker answered for more topics than it was asked for")
	case kind == packets.Publish:
		c.skip = max(0, length-longest)
	case length > longest:
		return fmt.Errorf("the broker sent a packet of %d bytes that is no message", length)
	}
	c.body = length - c.skip
	c.head = append(c.head[:0], first)
	for n := c.body; ; n >>= 7 {
		if n < 128 {
			c.head = append(c.head, byte(n))
			return nil
		}
		c.head = append(c.head, byte(n)|128)
	}
}

// intake takes messages from the library, hands them to the sink, several at
// once but those of a topic in order, and acknowledges them in the order they
// came (MQTT 3.1.1 section 4.6).
type intake struct {
	x      *External
	parent context.Context // ends when lampward stops
	ctx    context.Context // ends with the connection
	cancel context.CancelCauseFunc
	sink   Sink
	order  chan *arrival
	lanes  []chan *arrival
	head   *arrival // what acknowledge waited for when it ended; nil: nothing, or refused
	failed bool     // something was refused
	// When a message first came on a topic that is not subscribed to.
	strays map[string]time.Time
	leave  chan string // those topics, to be unsubscribed from
}

type arrival struct {
	msg  Message
	id   uint16
	ack  func()
	done chan error // buffered, one result
}

func (x *External) newIntake(parent, ctx context.Context, cancel context.CancelCauseFunc, sink Sink) *intake {
	in := &intake{x: x, parent: parent, ctx: ctx, cancel: cancel, sink: sink, order: make(chan *arrival, uplinkQueue),
		strays: map[string]time.Time{}, leave: make(chan string, strayMost)}
	for range uplinkWorkers {
		lane := make(chan *arrival, uplinkQueue+1) // as many as order and the acknowledger hold
		in.lanes = append(in.lanes, lane)
		x.storing.Go(func() { in.store(lane) })
	}
	x.storing.Go(in.acknowledge)
	return in
}

// stop ends the workers. When lampward stops, it waits for them and acknowledges
// what they stored last, so that it does not come again at the next start. Else
// what they are storing is known when it comes again on the next connection.
func (in *intake) stop() {
	in.cancel(nil)
	if in.parent.Err() == nil {
		return
	}
	in.x.storing.Wait()
	for !in.failed {
		if in.head == nil {
			select {
			case in.head = <-in.order:
			default:
				return
			}
		}
		select {
		case err := <-in.head.done:
			if err != nil {
				return
			}
			in.head.ack()
			in.head = nil
		default:
			return
		}
	}
}

// take is the library's message handler: while it runs, nothing else is read
// from the connection, pings included.
func (in *intake) take(_ paho.Client, m paho.Message) {
	x := in.x
	x.stats.messages.Add(1)
	a := &arrival{id: m.MessageID(), ack: m.Ack, done: make(chan error, 1),
		msg: Message{Topic: m.Topic(), Payload: m.Payload(), QoS: m.Qos(), Retained: m.Retained(), Dup: m.Duplicate()}}
	ready := len(a.msg.Payload) > MaxPayload
	if ready {
		x.stats.tooLong.Add(1)
		x.quiet.Note("topic", a.msg.Topic, string(TooLong), "a message was dropped: it is too long", "bytes", len(a.msg.Payload), "most", MaxPayload)
		a.msg.Payload = nil
		a.done <- nil
	} else if ready = in.stray(a.msg.Topic); ready {
		a.done <- nil
	}
	timer := time.NewTimer(uplinkStall)
	defer timer.Stop()
	select {
	case in.order <- a:
	case <-in.ctx.Done():
		return
	case <-timer.C:
		in.cancel(fmt.Errorf("%w: storing takes too long", errRefused))
		return
	}
	if !ready {
		select {
		case in.lanes[maphash.String(x.seed, a.msg.Topic)%uplinkWorkers] <- a: // has room, by its size
		case <-in.ctx.Done():
		}
	}
}

// stray tells whether a message comes of a subscription that the broker kept from
// a configuration of before: it is not for the sink, and the subscription is given
// up. What comes on the topic all the same is left to the sink.
func (in *intake) stray(topic string) bool {
	if in.x.wanted(topic) {
		return false
	}
	first, known := in.strays[topic]
	if !known {
		if len(in.strays) >= strayMost {
			return false
		}
		first = time.Now()
		in.strays[topic] = first
		in.x.quiet.Note("topic", topic, "unsubscribed", "a message came on a topic that is not in the configuration any more; the subscription to it is given up")
		in.leave <- topic // has room for all
	}
	return time.Since(first) < strayTime
}

// unsubscribe gives up the subscriptions to strays, one after another. What the
// broker does not answer for goes on to come.
func (in *intake) unsubscribe(client paho.Client) {
	for in.ctx.Err() == nil {
		select {
		case topic := <-in.leave:
			for !in.unsubscribed(client, topic) {
				select {
				case <-time.After(time.Second): // the library takes none before it is done with the connection's beginning
				case <-in.ctx.Done():
					return
				}
			}
		case <-in.ctx.Done():
		}
	}
}

// unsubscribed asks for the end of a subscription; false: the library did not take it.
func (in *intake) unsubscribed(client paho.Client, topic string) bool {
	token := client.Unsubscribe(topic)
	select {
	case <-token.Done():
		return token.Error() == nil
	case <-time.After(dialTimeout):
	case <-in.ctx.Done():
	}
	return true
}

// store hands the messages of some topics to the sink.
func (in *intake) store(lane <-chan *arrival) {
	for {
		select {
		case a := <-lane:
			known := a.msg.Dup && a.msg.QoS > 0 && in.x.recent.has(in.x.opts.ClientID, a.id, &a.msg, in.ctx.Done())
			switch {
			case known:
				in.x.stats.duplicates.Add(1)
				a.done <- nil
			case in.ctx.Err() != nil: // it comes again
				return
			default:
				a.done <- in.publish(a)
			}
		case <-in.ctx.Done():
			return
		}
	}
}

func (in *intake) publish(a *arrival) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("panic: %v", r)
		}
	}()
	if a.msg.QoS == 0 {
		return in.sink.Publish(in.ctx, a.msg)
	}
	// The end of the connection does not take back what the sink was handed:
	// what becomes of it must be known when it comes again.
	r, client := in.x.recent, in.x.opts.ClientID
	sum := r.add(client, a.id, &a.msg, false)
	stored := false
	defer func() { r.settle(client, a.id, sum, stored) }()
	err = in.sink.Publish(in.x.sinking, a.msg)
	stored = err == nil
	return err
}

// acknowledge sends the acknowledgements, and gives the session up at the
// first message that was refused: nothing after it may be acknowledged before.
func (in *intake) acknowledge() {
	for {
		select {
		case in.head = <-in.order:
		case <-in.ctx.Done():
			return
		}
		a := in.head
		select {
		case err := <-a.done:
			in.head = nil
			if err == nil {
				a.ack()
				continue
			}
			if in.ctx.Err() == nil { // else it was we who stopped it
				in.x.stats.refused.Add(1)
				in.x.quiet.Note("topic", a.msg.Topic, "refused", "a message could not be stored", "error", err)
			}
			if a.msg.QoS > 0 {
				in.failed = true
				in.cancel(fmt.Errorf("%w: %w", errRefused, err))
				return
			}
		case <-in.ctx.Done():
			return
		}
	}
}
