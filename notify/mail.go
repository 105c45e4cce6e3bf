package notify

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io"
	"net"
	netmail "net/mail"
	"net/textproto"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	texttemplate "text/template"
	"time"
	"unicode/utf8"

	"github.com/wneessen/go-mail"
	"golang.org/x/net/idna"

	"lampward/rules"
)

// MailOptions describes an email route.
type MailOptions struct {
	// Name names the route in the outbox and in logs; empty: "mail".
	Name string
	// Host is the mail server.
	Host string
	// Port; 0: 587 with "starttls", 465 with "tls", 25 with "none".
	Port int
	// Security is "starttls" (RFC 3207; refused if the server does not offer
	// it), "tls" (TLS from the first byte, RFC 8314), or "none", which sends
	// in clear and of which Warnings tells; empty: "starttls".
	Security string
	// User and Password log in; empty User: no login. A password is never sent
	// in clear except to this machine itself.
	User     string
	Password Secret
	// From is the sender, "lampward <lampward@example.com>" or an address.
	From string
	// To is the recipient. Several are several routes, so that none waits for
	// another.
	To string
	// TLS sets how the server's certificate is checked; nil: by the system's
	// authorities.
	TLS *tls.Config
	// Timeout is the limit of the first attempt until the server asks for a
	// letter's text; 0: 30 s. Later attempts wait up to eight times as long,
	// for some servers are slow on purpose (RFC 5321 section 4.5.3.2 would wait
	// for minutes). From then on the server may take mailAccept to accept it.
	Timeout time.Duration
	// Trace returns a lamp's recent readings, oldest first, for the picture;
	// nil, an error or fewer than two points: no picture.
	Trace func(ctx context.Context, lamp string) ([]Point, error)
	// Location is the time zone of the times shown; nil: time.Local.
	Location *time.Location
	// Links gives the links of an alert; nil: none.
	Links func(rules.Delivery) Links
	// Wall is the wall clock, for Date; nil: time.Now.
	Wall func() time.Time
}

const (
	defaultMailTimeout = 30 * time.Second
	// mailAccept is how long a server may take to accept a letter it asked for
	// (RFC 5321 section 4.5.3.2.6). Who gives up sooner sends it twice, for the
	// server may deliver it all the same (section 6.1).
	mailAccept    = 10 * time.Minute
	mailBye       = 5 * time.Second // for the answer to QUIT, once it is known what became of the letter
	maxMailAnswer = 1 << 20         // bytes that a server may send in one attempt
)

// Mail is a Route that sends email.
type Mail struct {
	o      MailOptions
	host   string // as it is looked up: of ASCII
	from   mailbox
	to     mailbox
	domain string
	tls    *tls.Config
	dial   func(ctx context.Context, network, addr string) (net.Conn, error)
}

// NewMail checks the options and returns the route.
func NewMail(o MailOptions) (*Mail, error) {
	if o.Name == "" {
		o.Name = "mail"
	}
	if o.Timeout <= 0 {
		o.Timeout = defaultMailTimeout
	}
	if o.Location == nil {
		o.Location = time.Local
	}
	if o.Wall == nil {
		o.Wall = time.Now
	}
	if o.Host == "" {
		return nil, errors.New("no mail server is named; write its host, for example smtp.example.com")
	}
	ports := map[string]int{"starttls": 587, "tls": 465, "none": 25}
	if o.Security == "" {
		o.Security = "starttls"
	}
	port, ok := ports[o.Security]
	if !ok {
		return nil, fmt.Errorf(`security %q is unknown; write "starttls", "tls" or "none"`, o.Security)
	}
	if o.Port == 0 {
		o.Port = port
	}
	if o.Port < 1 || o.Port > 65535 {
		return nil, fmt.Errorf("port %d is not between 1 and 65535", o.Port)
	}
	if o.User == "" != o.Password.IsZero() {
		return nil, errors.New("a login needs both a user and a password; give both or neither")
	}
	m := &Mail{o: o, dial: (&net.Dialer{}).DialContext}
	var err error
	if m.host, err = asciiName(o.Host); err != nil {
		return nil, fmt.Errorf("server: %w", err)
	}
	if m.from, err = parseAddress(o.From); err != nil {
		return nil, fmt.Errorf("from: %w", err)
	}
	m.domain = m.from.sent.Address[strings.LastIndexByte(m.from.sent.Address, '@')+1:]
	if m.to, err = parseAddress(o.To); err != nil {
		return nil, fmt.Errorf("to: %w", err)
	}
	if m.tls = o.TLS.Clone(); m.tls == nil {
		m.tls = &tls.Config{}
	}
	m.tls.ServerName = m.host
	return m, nil
}

// CheckAddress tells what is wrong with an address of a mail; nil: nothing.
func CheckAddress(s string) error {
	_, err := parseAddress(s)
	return err
}

// CheckMailHost tells what is wrong with the name of a mail server; nil: nothing.
func CheckMailHost(s string) error {
	_, err := asciiName(s)
	return err
}

// mailbox is an address of a mail.
type mailbox struct {
	written *netmail.Address // by a person
	// sent is what the mail server is told: with a domain of ASCII, for few servers
	// take others, and all find that one (RFC 5891 section 4).
	sent *netmail.Address
}

// beyondASCII tells whether a mail server needs SMTPUTF8 (RFC 6531) for the address:
// what stands before the @ is known to the recipient's server alone, and cannot be
// written otherwise.
func (b mailbox) beyondASCII() bool { return !isASCII(b.sent.Address) }

// NeedsSMTPUTF8 tells whether only a mail server that speaks SMTPUTF8 (RFC 6531) takes
// an address.
func NeedsSMTPUTF8(s string) bool {
	b, err := parseAddress(s)
	return err == nil && b.beyondASCII()
}

func parseAddress(s string) (mailbox, error) {
	a, err := netmail.ParseAddress(s)
	if err != nil {
		return mailbox{}, fmt.Errorf("%q is not an address; write for example you@example.com", s)
	}
	at := strings.LastIndexByte(a.Address, '@')
	domain, err := asciiName(a.Address[at+1:])
	if err != nil {
		return mailbox{}, fmt.Errorf("%q is not an address: %w", s, err)
	}
	return mailbox{a, &netmail.Address{Name: a.Name, Address: a.Address[:at+1] + domain}}, nil
}

// asciiName is a host name as it is looked up and sent: one in other scripts is written
// in ASCII, as xn--... (RFC 5891).
func asciiName(name string) (string, error) {
	if isASCII(name) {
		return name, nil
	}
	ascii, err := idna.Lookup.ToASCII(name)
	if err != nil {
		return "", fmt.Errorf("%q can be no name of a host; write it as its owner does, or with xn--", name)
	}
	return ascii, nil
}

func isASCII(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r >= utf8.RuneSelf })
}

// Name returns the route's name.
func (m *Mail) Name() string { return m.o.Name }

// String describes the route without what is secret in it.
func (m *Mail) String() string {
	return fmt.Sprintf("%s: email by %s:%d (%s)", m.o.Name, m.o.Host, m.o.Port, m.o.Security)
}

// Warnings returns what the program must say at start, in plain words.
func (m *Mail) Warnings() []string {
	if m.o.Security == "none" {
		return []string{fmt.Sprintf("mail %s goes to %s in clear: anyone on the way can read and change it", m.o.Name, m.o.Host)}
	}
	return nil
}

// Send makes one attempt.
func (m *Mail) Send(ctx context.Context, d rules.Delivery) Outcome {
	msg := alone(d, m.o.Links, m.o.Wall(), m.o.Location)
	return m.send(ctx, &msg, d.Attempts)
}

// SendFolded makes one attempt to send several deliveries as one message.
func (m *Mail) SendFolded(ctx context.Context, ds []rules.Delivery) Outcome {
	msg := foldMessages(ds, m.o.Links, m.o.Location)
	return m.send(ctx, &msg, ds[0].Attempts)
}

// send makes one attempt to send a message, after so many.
func (m *Mail) send(ctx context.Context, msg *Message, attempts int) Outcome {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	limit := newLimit(m.o.Timeout<<min(attempts, 3), func() { cancel(context.DeadlineExceeded) })
	defer limit.Stop()
	letter, err := m.letter(msg, m.picture(ctx, msg), limit)
	if err != nil {
		return Outcome{Kind: Again, Refused: true, Mistake: true, Unsent: true, Note: m.clean("cannot build the message: " + err.Error())}
	}
	begun, err := m.deliver(ctx, letter, limit)
	var se *mail.SendError
	code := 0 // of the server's answer to this letter
	if letter.HasSendError() && errors.As(letter.SendError(), &se) {
		code = se.ErrorCode()
	}
	switch {
	case letter.IsDelivered():
		return Outcome{Kind: Delivered, Note: "accepted", Answered: true}
	case permanent(code) && barred(se):
		return Outcome{Kind: Again, Note: m.clean(m.explainBarred(se)), Mistake: true, Answered: true}
	case permanent(code) && (se.Reason == mail.ErrSMTPData || se.Reason == mail.ErrSMTPDataClose):
		// It may be what is in the letter; or who it is from, of which some servers
		// speak only now, and which a person will put right for all letters.
		return Outcome{Kind: Again, Note: m.clean(se.Error()), Refused: true, Mistake: true, Answered: true}
	case permanent(code):
		return Outcome{Kind: Never, Note: m.clean(se.Error()), Mistake: true, Answered: true}
	case ctx.Err() != nil:
		cause := context.Cause(ctx) // the error itself is about the closed connection
		if errors.As(err, new(noGreeting)) && errors.Is(cause, context.DeadlineExceeded) {
			cause = noGreeting{cause}
		}
		err = cause
	}
	return Outcome{
		Kind: Again, Note: m.clean(explainMail(err, m.o.Host)), Mistake: mistaken(err) || loginRefused(err) || noStartTLS(err) || errors.As(err, new(errNoUTF8)),
		Unsent: !begun, Answered: code != 0,
	}
}

// permanent tells whether a server's answer means never: 5yz (RFC 5321 section
// 4.2.1), but not a login that is wanted or refused (RFC 4954 section 6), which
// a person will put right, nor 552, too much for now (RFC 5321 section
// 4.5.3.1.10).
func permanent(code int) bool {
	switch code {
	case 530, 534, 535, 538, 552:
		return false
	}
	return code/100 == 5
}

// barred tells whether a server refuses the sender rather than the letter or whom it
// is to, which a person will put right for all letters: it answered so to the sender's
// address, or, as servers do that wait with that for the recipient's, says so by its
// enhanced status code: X.1.7 and X.1.8 are the sender's address, X.7 is permission
// (RFC 3463 sections 3.2 and 3.8). Without such a code it is known by the word for what
// a server does for those only who have logged in (common practice, no source).
func barred(e *mail.SendError) bool {
	if e.Reason == mail.ErrSMTPMailFrom {
		return true
	}
	code := e.EnhancedStatusCode()
	_, answer := answerIn(e)
	return e.Reason == mail.ErrSMTPRcptTo && (code == "5.1.7" || code == "5.1.8" || policy(e) ||
		code == "" && strings.Contains(strings.ToLower(answer), "relay"))
}

// policy tells whether a server refuses for reasons of permission (X.7 of RFC 3463
// section 3.8).
func policy(e *mail.SendError) bool { return strings.HasPrefix(e.EnhancedStatusCode(), "5.7.") }

// explainBarred puts into words that a server refuses the sender. Its answer, which may
// be long, comes last, for a note is cut short.
func (m *Mail) explainBarred(e *mail.SendError) string {
	_, answer := answerIn(e)
	if _, rest, ok := strings.Cut(answer, " command: "); ok { // to which is of no use to people
		answer = rest
	}
	if e.Reason == mail.ErrSMTPRcptTo && policy(e) { // X.7.1 may be either, and does not say which
		return fmt.Sprintf("%s takes no letter from %s to %s; check both (from is mostly that of the login, to may take some senders only): %s",
			m.o.Host, m.from.written.Address, m.to.written.Address, answer)
	}
	return fmt.Sprintf("%s takes no letter from %s; check from (mostly the address of the login), user and password: %s",
		m.o.Host, m.from.written.Address, answer)
}

// limit ends an attempt when its time is up.
type limit struct {
	*time.Timer
	talk time.Duration // until the server asks for a letter's text
}

func newLimit(talk time.Duration, end func()) *limit {
	return &limit{time.AfterFunc(talk, end), talk}
}

// again begins the time anew.
func (l *limit) again() { l.Reset(l.talk) }

// Handle implements mail.Middleware: the library calls it when the server has
// asked for the text of a letter.
func (l *limit) Handle(m *mail.Msg) *mail.Msg {
	l.Reset(mailAccept)
	return m
}

// Type implements mail.Middleware.
func (*limit) Type() mail.MiddlewareType { return "limit" }

// deliver opens a connection and sends the letter over it, within limit. begun
// tells that it came to that.
func (m *Mail) deliver(ctx context.Context, letter *mail.Msg, limit *limit) (begun bool, err error) {
	// The library leaves the connection open when the greeting, TLS or the
	// login fails, and its time limit starts anew for each part of the
	// conversation. So the connection is ours: closed when ctx ends, and in
	// any case at the end.
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	server := net.JoinHostPort(m.host, strconv.Itoa(m.o.Port)) // the library's own has no brackets for IPv6
	var reached *boundedConn
	dial := func(dialCtx context.Context, network, _ string) (net.Conn, error) {
		c, err := m.dial(dialCtx, network, server)
		if err != nil {
			return nil, err
		}
		conn := &boundedConn{Conn: c}
		reached = conn
		context.AfterFunc(ctx, func() { conn.Close() })
		if m.o.Security != "tls" {
			return conn, nil
		}
		tc := tls.Client(conn, m.tls)
		if err := tc.HandshakeContext(dialCtx); err != nil {
			return nil, err
		}
		return tc, nil
	}
	opts := []mail.Option{
		mail.WithPort(m.o.Port), mail.WithTimeout(limit.talk + mailAccept), mail.WithTLSConfig(m.tls),
		mail.WithDialContextFunc(dial), mail.WithTLSPolicy(mail.NoTLS), mail.WithoutNoop(),
		mail.WithoutRset(), // the connection ends with the letter
	}
	beyond := m.from.beyondASCII() || m.to.beyondASCII()
	if !beyond {
		// A server that offers SMTPUTF8 and is asked for it passes the letter on to
		// those only that offer it too, and sends it back where they do not, be all of
		// it ASCII (RFC 6531 section 3.4, and what servers do: from memory).
		opts = append(opts, mail.WithoutSMTPUTF8())
	}
	if m.o.Security == "starttls" {
		opts = append(opts, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if m.o.User != "" {
		opts = append(opts, mail.WithUsername(m.o.User), mail.WithPassword(m.o.Password.Reveal()),
			mail.WithOpportunisticSMTPAuth(mail.SMTPAuthSCRAMSHA256, mail.SMTPAuthSCRAMSHA1,
				mail.SMTPAuthPlain, mail.SMTPAuthLogin, mail.SMTPAuthCramMD5))
	}
	c, err := mail.NewClient(m.host, opts...)
	if err != nil {
		return false, err
	}
	session, err := c.DialToSMTPClientWithContext(ctx)
	if err != nil {
		if m.o.Security != "tls" && reached != nil && reached.read.Load() == 0 {
			err = noGreeting{err}
		}
		return false, err
	}
	limit.again()
	if offered, _ := session.Extension("SMTPUTF8"); beyond && !offered {
		limit.Reset(mailBye)
		_ = c.CloseWithSMTPClient(session)
		return false, errNoUTF8{}
	}
	err = c.SendWithSMTPClient(session, letter)
	limit.Reset(mailBye)
	_ = c.CloseWithSMTPClient(session) // the letter knows what became of it
	return true, err
}

// errNoUTF8 tells that a server takes no address with letters beyond ASCII in it.
type errNoUTF8 struct{}

func (errNoUTF8) Error() string {
	return "does not offer SMTPUTF8, which an address with letters beyond ASCII before the @ needs; write addresses of ASCII in from and to, or take another server"
}

// noGreeting tells of a connection over which the server never said a word. One that
// waits for TLS from the start says nothing (RFC 8314 section 3.3), and neither does a
// server of another kind.
type noGreeting struct{ error }

func (e noGreeting) Unwrap() error { return e.error }

// boundedConn ends a conversation in which the other side says too much.
type boundedConn struct {
	net.Conn
	read atomic.Int64
}

func (c *boundedConn) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if c.read.Add(int64(n)) > maxMailAnswer {
		c.Conn.Close()
		return 0, fmt.Errorf("the server sent more than %d kB", maxMailAnswer>>10)
	}
	return n, err
}

// loginRefused tells whether a login is wanted, or refused (RFC 4954 section 6).
func loginRefused(err error) bool {
	code, _ := answerIn(err)
	return slices.Contains([]int{530, 534, 535, 538}, code)
}

// answerIn is the server's answer that an error tells of; code 0: it tells of none.
func answerIn(err error) (code int, text string) {
	var te *textproto.Error
	var se *mail.SendError // which holds the other, and does not give it
	switch {
	case errors.As(err, &te):
		return te.Code, te.Error()
	case errors.As(err, &se):
		return se.ErrorCode(), withoutWhom(se.Error())
	}
	return 0, ""
}

func noStartTLS(err error) bool {
	return err != nil && strings.Contains(err.Error(), "not support STARTTLS")
}

// explainMail puts an error of the conversation into words.
func explainMail(err error, host string) string {
	switch code, answer := answerIn(err); {
	case code == 530:
		return fmt.Sprintf("%s wants a login (%s); give user and password", host, answer)
	case loginRefused(err):
		return fmt.Sprintf("%s refuses the login (%s); check user and password, many providers want an application password", host, answer)
	}
	if errors.As(err, new(errNoUTF8)) {
		return host + " " + err.Error()
	}
	if errors.As(err, new(tls.RecordHeaderError)) {
		return host + ` does not answer in TLS; for port 587 write security "starttls", or take the port that speaks TLS from the start, mostly 465`
	}
	if errors.As(err, new(noGreeting)) {
		how := explain(err, host)
		switch {
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			how = host + " closed the connection without a greeting"
		case errors.Is(err, syscall.ECONNRESET):
			how = host + " reset the connection without a greeting"
		}
		return how + `; is that the port of a mail server? For one that speaks TLS from the start, mostly 465, write security "tls"`
	}
	if noStartTLS(err) {
		return fmt.Sprintf(`%s offers no STARTTLS, so nothing was sent; try security "tls", or "none" if the way to it is your own`, host)
	}
	return explain(err, host)
}

// withoutWhom drops what the library repeats in its errors: to whom, and which letter.
func withoutWhom(s string) string {
	s, _, _ = strings.Cut(s, ", affected ")
	return s
}

func (m *Mail) clean(s string) string { return cleanNote(withoutWhom(s), m.private()) }

// private is what no note may hold: the password, also as a login sends it (RFC 4616,
// and LOGIN, which has no RFC), for some servers repeat what they do not like.
func (m *Mail) private() []string {
	p := m.o.Password.Reveal()
	if len(p) < 4 {
		return nil
	}
	b64 := base64.StdEncoding.EncodeToString
	return []string{p, b64([]byte("\x00" + m.o.User + "\x00" + p)), b64([]byte(p))}
}

// picture draws the trace of the message's lamp, if there is one to draw. A
// picture that fails is left out: the alert matters more.
func (m *Mail) picture(ctx context.Context, msg *Message) (png []byte) {
	if m.o.Trace == nil || msg.Lamp == "" {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, m.o.Timeout/4)
	defer cancel()
	points, err := m.o.Trace(ctx, msg.Lamp)
	if err != nil {
		return nil
	}
	var levels []float64
	if _, on, off := msg.counts(); on != nil {
		levels = []float64{*on, *off}
	}
	png, err = tracePNG(points, levels)
	if err != nil {
		return nil
	}
	return png
}

// letter builds the letter, to be sent within limit.
func (m *Mail) letter(msg *Message, picture []byte, limit *limit) (*mail.Msg, error) {
	l := mail.NewMsg(mail.WithNoDefaultUserAgent(), mail.WithMiddleware(limit))
	l.FromMailAddress(m.from.sent)
	l.ToMailAddress(m.to.sent)
	// Lit and dark of one lamp form one conversation: the same subject, and a
	// common ancestor that was never sent (RFC 5322 section 3.6.4).
	l.Subject("lampward: " + shorten(oneLine(msg.Name), 120))
	l.SetDateWithValue(m.o.Wall())
	l.SetMessageIDWithValue(m.messageID("message", msg.ID))
	ancestor := "<" + m.messageID("about", msg.Lamp+"\x00"+msg.Device) + ">"
	if msg.Lamp != "" {
		ancestor = "<" + m.messageID("about", msg.Lamp) + ">"
	}
	l.SetGenHeaderPreformatted(mail.HeaderInReplyTo, ancestor)
	l.SetGenHeaderPreformatted(mail.HeaderReferences, ancestor)
	l.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834 section 5
	view := newLetterView(msg)
	view.When, view.Picture = m.when(msg), picture != nil
	for i := range view.Items {
		view.Items[i].Time = m.when(&msg.Items[i])
	}
	if err := l.SetBodyTextTemplate(plainLetter, view); err != nil {
		return nil, err
	}
	if err := l.AddAlternativeHTMLTemplate(htmlLetter, view); err != nil {
		return nil, err
	}
	if picture != nil {
		// Content-ID is the name by which the HTML part shows it (RFC 2392).
		if err := l.EmbedReader("trace.png", bytes.NewReader(picture), mail.WithFileContentType("image/png"), mail.WithFileContentID("<trace>")); err != nil {
			return nil, err
		}
	}
	return l, nil
}

// messageID is the same for the same thing, over retries and restarts.
func (m *Mail) messageID(sort, id string) string {
	sum := sha256.Sum256([]byte(m.o.Name + "\x00" + sort + "\x00" + id))
	return sort + "." + hex.EncodeToString(sum[:16]) + "@" + m.domain
}

func (m *Mail) when(msg *Message) string {
	if msg.Wall.IsZero() {
		return ""
	}
	return msg.Wall.In(m.o.Location).Format("Mon 2 Jan 2006, 15:04:05 MST")
}

func shorten(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n]) + "..."
	}
	return s
}

// letterView is what the templates of a letter see.
type letterView struct {
	Message
	When    string
	Picture bool
	Lines   []string  // of a folded message that does not hold all as Items: what happened
	Acks    []Message // of one about several lamps: the newest of each that has a link
}

func newLetterView(m *Message) letterView {
	v := letterView{Message: *m}
	if len(m.Items) == 0 {
		return v
	}
	if lines := strings.Split(m.Why, "\n"); len(lines) != len(m.Items) {
		v.Lines = lines
	}
	seen := map[string]bool{}
	for _, item := range slices.Backward(m.Items) {
		if m.AckURL == "" && item.AckURL != "" && !seen[item.Name] {
			v.Acks = append(v.Acks, item)
		}
		seen[item.Name] = true
	}
	slices.Reverse(v.Acks)
	return v
}

// Sure is the confidence for people.
func (v letterView) Sure() string { return rules.Sure(v.Confidence) }

// Levels tells whether there are levels to show.
func (v letterView) Levels() bool { _, on, _ := v.counts(); return on != nil }

// Lower tells whether the lamp reads lower when it is lit: its levels then
// stand the other way round.
func (v letterView) Lower() bool { return v.OnAbove < v.OffBelow }

var plainLetter = texttemplate.Must(texttemplate.New("letter").Funcs(texttemplate.FuncMap{"line": oneLine, "num": num}).Parse(
	`{{line .Text}}
{{if .Lines}}{{range .Lines}}
- {{line .}}{{end}}
{{else if .Items}}{{range .Items}}
- {{with .Time}}{{.}}: {{end}}{{line .Text}}{{end}}
{{else}}
{{line .Why}}
{{if .When}}
Time:       {{.When}}{{end}}{{if .Levels}}
Reading:    {{num .Value}}
{{if .Lower}}Lit below:  {{num .OnAbove}}
Dark above: {{num .OffBelow}}{{else}}Lit above:  {{num .OnAbove}}
Dark below: {{num .OffBelow}}{{end}}
Sure:       {{.Sure}}{{end}}
{{end}}{{if .AckURL}}
Acknowledge: {{.AckURL}}
{{end}}{{if .ShelveURL}}Shelve: {{.ShelveURL}}
{{end}}{{range .Acks}}
Acknowledge {{line .Name}}: {{.AckURL}}{{end}}
-- 
Sent by lampward. It is not a life-safety alarm.
`))

var htmlLetter = template.Must(template.New("letter").Funcs(template.FuncMap{"line": oneLine, "num": num}).Parse(
	`<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{{line .Name}}</title></head>
<body style="font-family:sans-serif;line-height:1.4;max-width:40em;margin:1em auto;padding:0 1em">
<p style="font-size:1.4em;margin:0 0 .4em"><strong>{{line .Text}}</strong></p>
{{if .Lines}}<ul>{{range .Lines}}<li>{{line .}}</li>{{end}}</ul>
{{if .Picture}}<p><img src="cid:trace" width="640" style="max-width:100%;height:auto" alt="Recent readings of {{line .Name}}"></p>
{{end}}{{else if .Items}}<ul>{{range .Items}}<li>{{with .Time}}{{.}}: {{end}}{{line .Text}}</li>{{end}}</ul>
{{if .Picture}}<p><img src="cid:trace" width="640" style="max-width:100%;height:auto" alt="Recent readings of {{line .Name}}"></p>
{{end}}{{else}}<p style="margin:0 0 1em">{{line .Why}}</p>
{{if .Picture}}<p><img src="cid:trace" width="640" style="max-width:100%;height:auto" alt="Recent readings of {{line .Name}}, with the two levels as dashed lines"></p>
{{end}}<table style="border-collapse:collapse">
{{if .When}}<tr><td style="padding-right:1em">Time</td><td>{{.When}}</td></tr>
{{end}}{{if .Levels}}<tr><td style="padding-right:1em">Reading</td><td>{{num .Value}}</td></tr>
<tr><td style="padding-right:1em">Lit {{if .Lower}}below{{else}}above{{end}}</td><td>{{num .OnAbove}}</td></tr>
<tr><td style="padding-right:1em">Dark {{if .Lower}}above{{else}}below{{end}}</td><td>{{num .OffBelow}}</td></tr>
<tr><td style="padding-right:1em">Sure</td><td>{{.Sure}}</td></tr>
{{end}}</table>
{{end}}{{if .AckURL}}<p><a href="{{.AckURL}}">Acknowledge</a>{{if .ShelveURL}} &nbsp; <a href="{{.ShelveURL}}">Shelve</a>{{end}}</p>
{{end}}{{range .Acks}}<p><a href="{{.AckURL}}">Acknowledge {{line .Name}}</a></p>
{{end}}<p style="color:#666;font-size:.85em">Sent by lampward. It is not a life-safety alarm.</p>
</body></html>
`))
