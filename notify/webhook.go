package notify

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"mime"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/textproto"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"
	"unicode"

	"lampward/rules"
)

// WebhookOptions describes a webhook. The zero value of every knob but URL
// gives a POST of one CloudEvents 1.0 JSON object.
type WebhookOptions struct {
	// Name names the route in the outbox and in logs; empty: "webhook".
	Name string
	// URL is http:// or https://. Only its scheme and host are ever shown, for
	// push services put keys into the rest.
	URL string
	// Method is any HTTP method; empty: POST.
	Method string
	// Headers are added to the request. Values are templates over Message, as
	// Body is; a value's line breaks become spaces. They are never shown.
	Headers map[string]string
	// Body is a template over Message (text/template); empty: CloudEvents.
	// Values are escaped for ContentType, so that no name can break it: in
	// JSON write "{{.Text}}" or {{json .Text}}.
	Body string
	// ContentType is that of Body; empty: application/json if Body starts with
	// { or [, else text/plain. Without Body it is
	// application/cloudevents+json.
	ContentType string
	// Form sends fields, each value a template over Message, as
	// application/x-www-form-urlencoded, or in the query of the URL when
	// Method is GET, HEAD or DELETE. It excludes Body.
	Form map[string]string
	// Secret signs as Standard Webhooks 1.0 says: "whsec_" and base64; several,
	// separated by spaces, while it is being changed. Zero: no signature.
	Secret Secret
	// Source is the CloudEvents source, a URI reference; empty: "lampward".
	Source string
	// Timeout is the limit of the first attempt, from dialling to the end of the
	// answer; 0: 15 s. Each later one has twice as long, up to slowest, or a service
	// that takes a little longer would get the same again and again.
	Timeout time.Duration
	// TLS sets how the server's certificate is checked, and which one it is
	// shown; nil: by the system's authorities, and none.
	TLS *tls.Config
	// Links gives the links of an alert; nil: none.
	Links func(rules.Delivery) Links
	// Location is the time zone of the times in a folded message's text; nil:
	// time.Local.
	Location *time.Location
	// Wall is the wall clock, for the signature's time stamp; nil: time.Now.
	Wall func() time.Time
}

// Limits that no knob changes.
const (
	defaultTimeout = 15 * time.Second
	slowest        = time.Minute
	maxAnswer      = 4 << 10  // bytes of an answer's body that are read
	maxAnswerHead  = 64 << 10 // bytes of an answer's header
	pageTime       = 2 * time.Second
	maxNote        = 200 // characters of an answer that are kept
	maxRedirects   = 3
)

// Webhook is a Route that sends HTTP requests.
type Webhook struct {
	o       WebhookOptions
	url     *url.URL
	sign    *signer
	body    *safeTemplate // nil: CloudEvents or a form
	headers []headerField
	form    []headerField
	client  *http.Client
	slow    atomic.Bool // it took longer than Timeout to accept the newest message that it did
	private []string    // texts that must not appear in notes
}

type headerField struct {
	name  string
	value *safeTemplate
}

// NewWebhook checks the options and returns the route. Errors say what to
// write instead and hold nothing secret.
func NewWebhook(o WebhookOptions) (*Webhook, error) {
	if o.Name == "" {
		o.Name = "webhook"
	}
	if o.Method == "" {
		o.Method = http.MethodPost
	}
	if o.Source == "" {
		o.Source = "lampward"
	}
	if o.Timeout <= 0 {
		o.Timeout = defaultTimeout
	}
	if o.Wall == nil {
		o.Wall = time.Now
	}
	if o.Location == nil {
		o.Location = time.Local
	}
	w, wrong := readWebhook(o)
	if len(wrong) > 0 {
		all := make([]error, len(wrong))
		for i := range wrong {
			all[i] = wrong[i]
		}
		return nil, errors.Join(all...)
	}
	w.client = newClient(o.TLS.Clone(), o.Timeout)
	w.private = w.findPrivate()
	return w, nil
}

// An OptionError is about an option that cannot be used as it is.
type OptionError struct {
	Key  string // the option, as a configuration writes it: "method", "headers.Title"
	Text string // what is wrong and what to write instead; holds nothing secret
}

func (e OptionError) Error() string { return e.Key + ": " + e.Text }

// Check tells all that [NewWebhook] would refuse.
func (o WebhookOptions) Check() []OptionError {
	_, wrong := readWebhook(o)
	return wrong
}

// readWebhook makes a webhook, but for what it takes to send.
func readWebhook(o WebhookOptions) (*Webhook, []OptionError) {
	w := &Webhook{o: o}
	var wrong []OptionError
	fail := func(key string, err error) {
		if err != nil {
			wrong = append(wrong, OptionError{key, err.Error()})
		}
	}
	var err error
	w.url, err = parseURL(o.URL)
	fail("url", err)
	if !token(o.Method) && o.Method != "" {
		fail("method", fmt.Errorf("%q is not an HTTP method; write POST, PUT or another", o.Method))
	}
	if _, err := url.Parse(o.Source); err != nil {
		fail("source", fmt.Errorf("%q is not a URI reference; write for example lampward/cellar", o.Source))
	}
	if strings.ContainsFunc(o.ContentType, unicode.IsControl) {
		fail("content_type", fmt.Errorf("%q holds a line break or another character that HTTP does not allow; write for example text/plain", o.ContentType))
	}
	w.sign, err = newSigner(o.Secret)
	fail("secret", err)
	w.readTemplates(fail)
	return w, wrong
}

// CheckURL tells what is wrong with the address of a webhook or heartbeat; nil:
// nothing. It does not repeat it, for it may hold a key.
func CheckURL(s string) error {
	_, err := parseURL(s)
	return err
}

func parseURL(s string) (*url.URL, error) {
	u, err := url.Parse(s)
	if err != nil {
		return nil, errors.New("cannot be read as a web address; write https://HOST/PATH") // url.Error quotes the whole of it
	}
	if u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" {
		return nil, errors.New("is not a web address; write one that begins with http:// or https:// and names a host: https://HOST/PATH")
	}
	if p := u.Port(); p != "" {
		if n, err := strconv.ParseUint(p, 10, 16); err != nil || n == 0 {
			return nil, errors.New("names no port that there is; write one from 1 to 65535: https://HOST:PORT/PATH")
		}
	}
	return u, nil
}

func (w *Webhook) readTemplates(fail func(key string, err error)) {
	o := &w.o
	// Written as a header, as in the examples of many services, it tells as well how
	// values are to be escaped.
	if o.ContentType == "" {
		for _, k := range slices.Sorted(maps.Keys(o.Headers)) {
			if textproto.CanonicalMIMEHeaderKey(k) == "Content-Type" && escapingFor(o.Headers[k]) != escapeNone {
				o.ContentType = o.Headers[k]
			}
		}
	}
	if o.Body != "" && len(o.Form) > 0 {
		fail("form", errors.New("stands beside body; keep one of the two"))
	}
	read := func(key, text string, esc escaping) *safeTemplate {
		t, err := parseTemplate(key, text, esc)
		fail(key, err)
		return t
	}
	switch {
	case len(o.Form) > 0:
		o.ContentType = "application/x-www-form-urlencoded"
		for _, k := range slices.Sorted(maps.Keys(o.Form)) {
			// url.Values escapes names and values when they are encoded.
			w.form = append(w.form, headerField{k, read("form."+k, o.Form[k], escapeNone)})
		}
	case o.Body != "":
		if o.ContentType == "" {
			o.ContentType = "text/plain; charset=utf-8"
			if s := strings.TrimSpace(o.Body); s[:min(1, len(s))] == "{" && !strings.HasPrefix(s, "{{") || strings.HasPrefix(s, "[") {
				o.ContentType = "application/json"
			}
		}
		w.body = read("body", o.Body, escapingFor(o.ContentType))
	default:
		o.ContentType = cloudEventType
	}
	for _, k := range slices.Sorted(maps.Keys(o.Headers)) {
		name := textproto.CanonicalMIMEHeaderKey(k)
		if !token(k) {
			fail("headers."+k, fmt.Errorf("%q is no name of a header; write one of letters, digits and -, such as Title", k))
			continue
		}
		switch name {
		case headerID, headerTimestamp, headerSignature, "Content-Length", "Transfer-Encoding", "Connection":
			fail("headers."+k, errors.New("is set by lampward itself; leave it out"))
			continue
		}
		w.headers = append(w.headers, headerField{name, read("headers."+k, o.Headers[k], escapeLine)})
	}
}

// token checks for one of RFC 9110 section 5.6.2, as names of headers and methods
// are.
func token(s string) bool {
	for i := range len(s) {
		c := s[i]
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.IndexByte("!#$%&'*+-.^_`|~", c) >= 0 {
			continue
		}
		return false
	}
	return s != ""
}

// newClient returns a client with few connections, a limit on everything but what
// each attempt limits as a whole, and no redirect that would change the request or its
// receiver.
func newClient(tc *tls.Config, timeout time.Duration) *http.Client {
	return &http.Client{
		Transport: &http.Transport{
			Proxy:                  http.ProxyFromEnvironment,
			OnProxyConnectResponse: proxyAnswers,
			DialContext:            (&net.Dialer{Timeout: timeout, KeepAlive: 30 * time.Second}).DialContext,
			TLSClientConfig:        tc,
			TLSHandshakeTimeout:    timeout,
			ExpectContinueTimeout:  time.Second,
			MaxResponseHeaderBytes: maxAnswerHead,
			MaxConnsPerHost:        2,
			MaxIdleConns:           2,
			MaxIdleConnsPerHost:    1,
			IdleConnTimeout:        30 * time.Second,
			DisableCompression:     true, // a small body may unpack to a huge one
			ForceAttemptHTTP2:      true,
			// A connection that died without a word would be used again after each
			// request that timed out on it.
			HTTP2: &http.HTTP2Config{SendPingTimeout: timeout / 3, PingTimeout: timeout / 2},
		},
		CheckRedirect: func(req *http.Request, via []*http.Request) error {
			first := via[0]
			// Others may have another page shown instead, also after GET (RFC 9110
			// section 15.4): a sign-in page on the way, say, which takes no alert.
			same := slices.Contains([]int{http.StatusTemporaryRedirect, http.StatusPermanentRedirect}, req.Response.StatusCode)
			if len(via) > maxRedirects || !same || req.URL.Scheme != first.URL.Scheme || req.URL.Host != first.URL.Host {
				return http.ErrUseLastResponse
			}
			return nil
		},
	}
}

// findPrivate lists the parts of the options that notes must never repeat,
// even when a receiver echoes them.
func (w *Webhook) findPrivate() []string {
	var out []string
	add := func(s string) {
		if len(s) >= 4 {
			out = append(out, s)
		}
	}
	for _, s := range strings.Fields(w.o.Secret.Reveal()) {
		add(s)
		add(strings.TrimPrefix(s, "whsec_"))
	}
	for _, v := range w.o.Headers {
		for _, s := range append(strings.Fields(v), v) {
			if len(s) >= 8 { // shorter ones are words like "high"
				add(s)
			}
		}
	}
	for _, v := range w.o.Form {
		if !strings.Contains(v, "{{") {
			add(v)
		}
	}
	if u := w.url; u != nil {
		add(u.RequestURI())
		for _, s := range strings.Split(u.Path, "/") {
			if len(s) >= 12 { // shorter words are no keys
				add(s)
			}
		}
		for _, vs := range u.Query() {
			for _, v := range vs {
				add(v)
			}
		}
		if p, ok := u.User.Password(); ok {
			add(p)
		}
	}
	slices.SortFunc(out, func(a, b string) int { return len(b) - len(a) })
	return out
}

// Name returns the route's name.
func (w *Webhook) Name() string { return w.o.Name }

// String describes the webhook without what is secret in it.
func (w *Webhook) String() string {
	return fmt.Sprintf("%s: %s %s://%s", w.o.Name, w.o.Method, w.url.Scheme, w.url.Host)
}

// Send makes one attempt.
func (w *Webhook) Send(ctx context.Context, d rules.Delivery) Outcome {
	var now time.Time // a CloudEvents object has its time, and is the same each time
	if w.body != nil || len(w.form) > 0 {
		now = w.o.Wall()
	}
	m := alone(d, w.o.Links, now, w.o.Location)
	return w.send(ctx, &m, d.Attempts)
}

// SendFolded makes one attempt to send several deliveries as one message.
func (w *Webhook) SendFolded(ctx context.Context, ds []rules.Delivery) Outcome {
	m := foldMessages(ds, w.o.Links, w.o.Location)
	return w.send(ctx, &m, ds[0].Attempts)
}

// send makes one attempt to send a message, after so many.
func (w *Webhook) send(ctx context.Context, m *Message, attempts int) Outcome {
	req, err := w.request(ctx, m)
	if err != nil {
		return Outcome{Kind: Again, Refused: true, Mistake: true, Unsent: true, Note: "cannot build the request: " + w.clean(err.Error())}
	}
	limit := max(w.o.Timeout, min(w.o.Timeout<<min(attempts, 6), slowest))
	if w.slow.Load() {
		limit = max(w.o.Timeout, slowest)
	}
	began := time.Now()
	out := w.exchange(req, limit)
	if out.Kind == Delivered {
		w.slow.Store(time.Since(began) > w.o.Timeout)
	}
	return out
}

// exchange makes one attempt with a request, within limit.
func (w *Webhook) exchange(req *http.Request, limit time.Duration) Outcome {
	ctx, cancel := context.WithTimeout(req.Context(), limit)
	defer cancel()
	var reached atomic.Bool
	req = req.WithContext(httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{GotConn: func(httptrace.GotConnInfo) { reached.Store(true) }}))
	resp, err := w.client.Do(req)
	if err != nil {
		return Outcome{Kind: Again, Note: w.clean(explainHTTP(err, w.url.Host)), Mistake: mistaken(err), Unsent: !reached.Load()}
	}
	defer resp.Body.Close()
	var answer []byte
	if resp.StatusCode/100 != 2 { // what a satisfied receiver says is not worth waiting for
		answer, _ = io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	}
	out := w.judge(resp, answer)
	if out.Kind == Delivered {
		out.Note += w.doubt(resp)
	}
	return out
}

// WebPage or SaysNo is in the Note of a message that was taken with an answer by
// which a person has to see whether it arrived: a web page, or JSON that tells of an
// error. Neither is proof that it did not: taken for a failure, a message that arrived
// would be sent again and again. So people are told, and decide.
const (
	WebPage = ", with a web page"
	SaysNo  = ", with an answer that tells of an error"
)

// Doubtful tells whether a Note has either.
func Doubtful(note string) bool {
	return strings.Contains(note, WebPage) || strings.Contains(note, SaysNo)
}

// doubt looks at the answer to a message that was taken, and returns what the Note is
// to say of it; mostly nothing.
func (w *Webhook) doubt(resp *http.Response) string {
	kind, _, _ := mime.ParseMediaType(resp.Header.Get("Content-Type"))
	// Many a service sends its JSON as text/html, the default of what it is written in,
	// or as plain text (common practice, no source).
	html, text := kind == "text/html", kind == "text/plain" || kind == ""
	if !html && !text && !strings.HasSuffix(kind, "/json") && !strings.HasSuffix(kind, "+json") {
		return ""
	}
	t := time.AfterFunc(pageTime, func() { _ = resp.Body.Close() })
	defer t.Stop()
	answer, _ := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	answer = bytes.TrimSpace(bytes.TrimPrefix(answer, []byte("\uFEFF")))
	const look = "; see whether the message arrived"
	if html {
		head := bytes.ToLower(answer[:min(len(answer), len("<!doctype html"))])
		if bytes.HasPrefix(head, []byte("<!doctype html")) || bytes.HasPrefix(head, []byte("<html")) {
			return WebPage + ": a sign-in page in the service's place answers like that" + look
		}
	}
	if !saysNo(answer) {
		return ""
	}
	const most = 80
	said := w.clean(string(answer))
	if r := []rune(said); len(r) > most {
		said = string(r[:most]) + "..."
	}
	return SaysNo + ": " + said + look
}

// saysNo tells whether JSON tells of an error, in the ways that many services have of
// doing so under the status 200 (common practice, no source).
func saysNo(answer []byte) bool {
	var m map[string]any
	if json.Unmarshal(answer, &m) != nil {
		return false
	}
	for _, key := range []string{"ok", "success"} {
		if yes, is := m[key].(bool); is && !yes {
			return true
		}
	}
	for _, key := range []string{"error", "errors"} {
		switch e := m[key].(type) {
		case string:
			if e != "" {
				return true
			}
		case map[string]any:
			if len(e) > 0 {
				return true
			}
		case []any:
			if len(e) > 0 {
				return true
			}
		}
	}
	status, _ := m["status"].(string)
	return slices.Contains([]string{"error", "fail", "failed", "failure"}, strings.ToLower(status))
}

// request builds the HTTP request of a message.
func (w *Webhook) request(ctx context.Context, m *Message) (*http.Request, error) {
	var body []byte
	var err error
	u := *w.url
	switch {
	case w.body != nil:
		body, err = w.body.render(m)
	case len(w.form) > 0:
		v := url.Values{}
		for _, f := range w.form {
			b, err := f.value.render(m)
			if err != nil {
				return nil, err
			}
			v.Set(f.name, strings.ToValidUTF8(string(b), "\uFFFD"))
		}
		if w.formInQuery() {
			q := u.Query()
			maps.Copy(q, v)
			u.RawQuery = q.Encode()
		} else {
			body = []byte(v.Encode())
		}
	default:
		body, err = encodeCloudEvent(m, w.o.Source)
	}
	if err != nil {
		return nil, err
	}
	req, err := w.bare(ctx, &u, body)
	if err != nil {
		return nil, err
	}
	for _, h := range w.headers {
		b, err := h.value.render(m)
		if err != nil {
			return nil, err
		}
		if h.name == "Host" {
			req.Host = oneLine(string(b))
			continue
		}
		req.Header.Set(h.name, oneLine(string(b)))
	}
	id := oneLine(m.ID)
	req.Header.Set(headerID, id)
	if w.sign != nil {
		ts, sig := w.sign.sign(id, w.o.Wall(), body)
		req.Header.Set(headerTimestamp, ts)
		req.Header.Set(headerSignature, sig)
	}
	return req, nil
}

// bare builds a request with what each has.
func (w *Webhook) bare(ctx context.Context, u *url.URL, body []byte) (*http.Request, error) {
	req, err := http.NewRequestWithContext(ctx, w.o.Method, u.String(), bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	if len(body) > 0 {
		req.Header.Set("Content-Type", w.o.ContentType)
	} else {
		req.Body, req.GetBody = http.NoBody, nil
	}
	req.Header.Set("User-Agent", "lampward")
	return req, nil
}

func (w *Webhook) formInQuery() bool {
	return w.o.Method == http.MethodGet || w.o.Method == http.MethodHead || w.o.Method == http.MethodDelete
}

// judge turns an answer into an outcome: 2xx is delivered. All else may pass: 5xx,
// and redirects too, for a hotel-style sign-in page redirects everything, and most
// of 4xx: an address or a token that is wrong is put right one day, and then what
// waited is wanted (Standard Webhooks retries every answer but 2xx; from memory).
// Some of 4xx, by RFC 9110 section 15.5 and RFC 6585, find the request itself
// wrong, in its form or size.
func (w *Webhook) judge(resp *http.Response, answer []byte) Outcome {
	note := fmt.Sprintf("%d %s", resp.StatusCode, http.StatusText(resp.StatusCode))
	note = strings.TrimSpace(note)
	code := resp.StatusCode
	if code/100 == 2 {
		return Outcome{Kind: Delivered, Note: note, Answered: true}
	}
	o := Outcome{Kind: Again, Answered: true, Mistake: code/100 == 4 && !slices.Contains(passing, code)}
	switch {
	case code/100 == 3:
		// Whoever redirects may not be the receiver at all: a sign-in page sends
		// elsewhere for the time being, an address that moved for good.
		o.Answered = false
		o.Mistake = code == http.StatusMovedPermanently || code == http.StatusPermanentRedirect
		if l, err := resp.Location(); err == nil {
			note += fmt.Sprintf(" to %s://%s, not followed; if that is right, put the new address into the url", l.Scheme, l.Host)
		}
	case slices.Contains(wrong, code):
		o.Refused = true
	// It is tried on all the same, for the address of a service that moved, or that
	// a person has to be signed up at again, may be put right.
	case code == http.StatusNotFound:
		note += " (is the url right?)"
	case code == http.StatusGone:
		note += " (the service says that this url is no more: which one is it now?)"
	}
	o.After = retryAfter(resp.Header, w.o.Wall())
	o.Busy = o.After > 0 || code == http.StatusTooManyRequests
	if text := strings.TrimSpace(string(answer)); text != "" && code/100 != 3 {
		note += ": " + text
	}
	o.Note = w.clean(note)
	return o
}

// wrong are the answers by which a receiver finds a request itself wrong.
var wrong = []int{
	http.StatusBadRequest, http.StatusLengthRequired, http.StatusRequestEntityTooLarge, http.StatusRequestURITooLong,
	http.StatusUnsupportedMediaType, http.StatusUnprocessableEntity, http.StatusRequestHeaderFieldsTooLarge,
}

// passing are the answers of 4xx that are about now, not about the request.
var passing = []int{http.StatusRequestTimeout, http.StatusTooEarly, http.StatusTooManyRequests}

// proxyRefusal is the answer of a proxy that leads on to no receiver.
type proxyRefusal struct {
	code   int
	status string
}

func (e *proxyRefusal) Error() string {
	return fmt.Sprintf("the proxy that HTTPS_PROXY in the environment names does not lead on: it answered %s", e.status)
}

// proxyAnswers looks at the answer of a proxy, of which net/http would tell the words
// only, as if they were the receiver's.
func proxyAnswers(_ context.Context, _ *url.URL, _ *http.Request, resp *http.Response) error {
	if resp.StatusCode == http.StatusOK {
		return nil
	}
	return &proxyRefusal{resp.StatusCode, resp.Status}
}

// mistaken tells whether an error of a connection comes from a wrong certificate,
// port or scheme.
func mistaken(err error) bool {
	var unknown x509.UnknownAuthorityError
	var badHost x509.HostnameError
	var record tls.RecordHeaderError
	var proxy *proxyRefusal
	return errors.As(err, &proxy) && proxy.code/100 == 4 || errors.As(err, &unknown) || errors.As(err, &badHost) || errors.As(err, &record) ||
		err != nil && strings.Contains(err.Error(), "HTTP response to HTTPS client")
}

// clean makes a text fit for a log line: one line, short, nothing secret.
func (w *Webhook) clean(s string) string {
	return cleanNote(s, w.private)
}

func cleanNote(s string, private []string) string {
	for _, p := range private {
		s = strings.ReplaceAll(s, p, hidden)
	}
	s = strings.Join(strings.Fields(oneLine(s)), " ")
	if r := []rune(s); len(r) > maxNote {
		s = string(r[:maxNote]) + "..."
	}
	return s
}

// explainHTTP is explain for what is to answer in HTTP.
func explainHTTP(err error, host string) string {
	var op *net.OpError
	switch {
	case errors.As(err, &op) && op.Op == "proxyconnect":
		return "cannot reach the proxy that HTTP_PROXY or HTTPS_PROXY in the environment names: " + explain(op.Err, "the proxy")
	case strings.Contains(err.Error(), "malformed HTTP response"): // such as an alert of TLS
		return fmt.Sprintf("%s does not answer in HTTP; are http:// or https://, and the port, right?", host)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, syscall.ECONNRESET):
		how := "closed"
		if errors.Is(err, syscall.ECONNRESET) {
			how = "reset"
		}
		return fmt.Sprintf("%s %s the connection without an answer; are http:// or https://, and the port, right?", host, how)
	}
	return explain(err, host)
}

// explain puts an error of a connection into words, with a hint where there is
// one. It drops the URL that net/http quotes.
func explain(err error, host string) string {
	var ue *url.Error
	if errors.As(err, &ue) {
		err = ue.Err
	}
	var dns *net.DNSError
	var unknown x509.UnknownAuthorityError
	var badHost x509.HostnameError
	var invalid x509.CertificateInvalidError
	var record tls.RecordHeaderError
	var timeout net.Error
	switch {
	case errors.As(err, &dns) && strings.HasSuffix(strings.ToLower(strings.TrimSuffix(dns.Name, ".")), ".local"): // multicast DNS, RFC 6762, of which Go's own resolver knows nothing
		return fmt.Sprintf("cannot find the host %s: %s; names in .local are often known to other programs only; write its address, such as 192.0.2.7", dns.Name, dns.Err)
	case errors.As(err, &dns):
		return fmt.Sprintf("cannot find the host %s: %s; is the name right, and the network up?", dns.Name, dns.Err)
	case errors.As(err, &unknown):
		return fmt.Sprintf("the certificate of %s is signed by an unknown authority; if it is your own, name its CA file", host)
	case errors.As(err, &badHost):
		return fmt.Sprintf("the certificate of %s is for another name: %v", host, badHost)
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return fmt.Sprintf("the certificate of %s is out of date, or this machine's clock is: %v", host, invalid)
	case errors.As(err, &record), strings.Contains(err.Error(), "HTTP response to HTTPS client"):
		return fmt.Sprintf("%s does not answer in TLS; is it http:// rather than https://, or another port?", host)
	case errors.Is(err, context.Canceled):
		return "stopped in the middle of the attempt"
	case errors.Is(err, context.DeadlineExceeded), errors.As(err, &timeout) && timeout.Timeout(), strings.Contains(err.Error(), "client connection lost"):
		return fmt.Sprintf("%s did not answer in time", host)
	}
	return err.Error()
}
