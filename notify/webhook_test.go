package notify

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lampward/rules"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var nan, inf = math.NaN(), math.Inf(1)

func hook(t *testing.T, o WebhookOptions) *Webhook {
	t.Helper()
	w, err := NewWebhook(o)
	require.NoError(t, err)
	return w
}

// What keeps a proxy from leading on to the receiver is told as the proxy's doing, and
// nothing of the message has left then.
func TestProxyIsToldApart(t *testing.T) {
	answer := http.StatusProxyAuthRequired
	proxy := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(answer) }))
	at, err := url.Parse(proxy.URL)
	require.NoError(t, err)
	at.User = url.UserPassword("me", "s3cret!")
	send := func(to string) Outcome {
		w := hook(t, WebhookOptions{URL: to, Timeout: 10 * time.Second})
		w.client.Transport.(*http.Transport).Proxy = http.ProxyURL(at)
		out := w.Send(t.Context(), lit("webhook", "tank", time.Now()))
		w.client.CloseIdleConnections()
		assert.Equal(t, Again, out.Kind)
		assert.NotContains(t, out.Note, "s3cret!")
		return out
	}
	out := send("https://192.0.2.1/")
	assert.Equal(t, "the proxy that HTTPS_PROXY in the environment names does not lead on: it answered 407 Proxy Authentication Required", out.Note)
	assert.True(t, out.Mistake && out.Unsent)
	answer = http.StatusBadGateway
	out = send("https://192.0.2.1/")
	assert.Contains(t, out.Note, "it answered 502 Bad Gateway")
	assert.True(t, !out.Mistake && out.Unsent)
	proxy.Close()
	for _, to := range []string{"http://192.0.2.1/", "https://192.0.2.1/"} {
		out = send(to)
		assert.Contains(t, out.Note, "cannot reach the proxy that HTTP_PROXY or HTTPS_PROXY in the environment names: ")
		assert.True(t, out.Unsent)
	}
}

func TestWebhookForms(t *testing.T) {
	srv, got := receiver(t, 200)
	d := lit("webhook", "a&b=c \"x\"\r\nX-Evil: 1", time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC))
	d.EventID = "ev-1"
	send := func(o WebhookOptions) request {
		o.URL, o.Wall = srv.URL+o.URL, func() time.Time { return d.Wall }
		out := hook(t, o).Send(t.Context(), d)
		require.Equal(t, Delivered, out.Kind, out.Note)
		all := got()
		return all[len(all)-1]
	}

	r := send(WebhookOptions{Method: "PUT", URL: "/p?k=v", Body: `{"t": "{{.Text}}", "v": {{.Value}}, "all": {{json .Why}}, "k": {{.Kind}}}`,
		Headers: map[string]string{"x-title": "{{.Text}}", "Authorization": "Bearer abcdefgh"}})
	assert.Equal(t, "PUT", r.Method)
	assert.Equal(t, "/p?k=v", r.Target)
	assert.Equal(t, "application/json", r.Headers["content-type"])
	assert.Equal(t, `a&b=c "x"  X-Evil: 1 is lit`, r.Headers["x-title"])
	assert.NotContains(t, r.Headers, "x-evil")
	assert.Equal(t, "ev-1", r.Headers["webhook-id"])
	assert.NotContains(t, r.Headers, "webhook-signature")
	var m map[string]any
	require.NoError(t, json.Unmarshal([]byte(r.Body), &m))
	assert.Equal(t, map[string]any{"t": d.Event.Text, "v": 900.0, "all": d.Event.Why, "k": "lit"}, m)

	r = send(WebhookOptions{Body: "{{.Text}}: {{.Why}}"})
	assert.Equal(t, "text/plain; charset=utf-8", r.Headers["content-type"])
	assert.Equal(t, d.Event.Text+": "+d.Event.Why, r.Body)

	form := map[string]string{"message": "{{.Text}}", "token": "t0ken"}
	r = send(WebhookOptions{Form: form})
	assert.Equal(t, "application/x-www-form-urlencoded", r.Headers["content-type"])
	v, err := url.ParseQuery(r.Body)
	require.NoError(t, err)
	assert.Equal(t, url.Values{"message": {d.Event.Text}, "token": {"t0ken"}}, v)

	r = send(WebhookOptions{Method: "GET", URL: "/g?x=1", Form: form})
	u, err := url.Parse(r.Target)
	require.NoError(t, err)
	assert.Equal(t, url.Values{"message": {d.Event.Text}, "token": {"t0ken"}, "x": {"1"}}, u.Query())
	assert.Empty(t, r.Body)

	r = send(WebhookOptions{ContentType: "text/html", Body: "<b>{{.Text}}</b>"})
	assert.NotContains(t, r.Body, `"x"`)
	r = send(WebhookOptions{ContentType: "application/x-www-form-urlencoded", Body: "m={{.Text}}&n=1"})
	v, err = url.ParseQuery(r.Body)
	require.NoError(t, err)
	assert.Equal(t, url.Values{"m": {d.Event.Text}, "n": {"1"}}, v)

	// The type among the headers, as many services' examples have it, is as good.
	r = send(WebhookOptions{Headers: map[string]string{"content-type": "application/x-www-form-urlencoded"}, Body: "m={{.Text}}&n=1"})
	assert.Equal(t, "application/x-www-form-urlencoded", r.Headers["content-type"])
	v, err = url.ParseQuery(r.Body)
	require.NoError(t, err)
	assert.Equal(t, url.Values{"m": {d.Event.Text}, "n": {"1"}}, v)
	r = send(WebhookOptions{Headers: map[string]string{"Content-Type": "text/html"}, Body: "<b>{{.Text}}</b>"})
	assert.NotContains(t, r.Body, `"x"`)
	r = send(WebhookOptions{Headers: map[string]string{"Content-Type": "text/plain"}, Body: `{"t": "{{.Text}}"}`})
	assert.Equal(t, "text/plain", r.Headers["content-type"])
	require.NoError(t, json.Unmarshal([]byte(r.Body), &m))
	assert.Equal(t, d.Event.Text, m["t"])
}

func TestWebhookOptionErrors(t *testing.T) {
	const key = "k3y-that-must-not-show"
	for want, o := range map[string]WebhookOptions{
		"https://HOST/PATH":            {URL: "ftp://example.com/" + key},
		"url: cannot be read as a web": {URL: "http://example.com/%zz" + key},
		"is not an HTTP method":        {Method: "PO ST"},
		"stands beside body":           {Body: "x", Form: map[string]string{"a": "b"}},
		"body: the template cannot be read: line 1: unclosed action":                               {Body: "{{.Text"},
		"no {{.Tx}}; there are {{.ID}}, {{.Kind}}, ":                                               {Body: "{{.Tx}}"},
		"headers.Title: there is no {{.name}}; ":                                                   {Headers: map[string]string{"Title": "{{.name}}"}},
		`body: the template fails on a "lit" message: line 1:13: a value follows a lone backslash`: {Body: `{"text": "\{{.Text}}"}`},
		"not valid JSON":                                     {Body: `{"text": {{.Text}}`},
		"headers.a b: \"a b\" is no name":                    {Headers: map[string]string{"a b": "c"}},
		"set by lampward itself":                             {Headers: map[string]string{"webhook-ID": "c"}},
		"content_type: \"text/plain\\n\" holds a line break": {Body: "x", ContentType: "text/plain\n"},
		"secret: the signing secret is blank":                {Secret: NewSecret(" ")},
		"is not base64":                                      {Secret: NewSecret("whsec_" + key)},
	} {
		if o.URL == "" {
			o.URL = "https://example.com/" + key
		}
		_, err := NewWebhook(o)
		require.ErrorContains(t, err, want)
		assert.NotContains(t, err.Error(), key)
	}
}

// Nothing secret shows in a note, whatever the receiver sends back, nor in any
// way of printing a Secret.
func TestSecretsStaySecret(t *testing.T) {
	const secret, token, path, pass = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "Bearer t0ps3cr3t", "/hooks/T012345ABCDEF", "pa55word"
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	echo := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(400)
		fmt.Fprintf(w, "%s %s %s %s", r.URL, r.Header.Get("Authorization"), secret, strings.TrimPrefix(secret, "whsec_"))
	})}
	go func() { _ = echo.Serve(l) }()
	t.Cleanup(func() { echo.Close() })
	addr := l.Addr().String()
	see := func(s string) {
		for _, p := range []string{secret[6:], "t0ps3cr3t", "T012345ABCDEF", pass, "q-k3y"} {
			assert.NotContains(t, s, p)
		}
	}
	o := WebhookOptions{URL: "http://me:" + pass + "@" + addr + path + "?key=q-k3y", Headers: map[string]string{"Authorization": token}, Secret: NewSecret(secret)}
	out := hook(t, o).Send(t.Context(), lit("x", "tank", time.Now()))
	assert.True(t, out.Refused)
	see(out.Note)
	assert.Contains(t, out.Note, hidden)
	echo.Close()
	out = hook(t, o).Send(t.Context(), lit("x", "tank", time.Now())) // refused connection
	assert.Equal(t, Again, out.Kind)
	see(out.Note)
	o.URL = strings.Replace(o.URL, addr, "nowhere.invalid", 1)
	see(hook(t, o).Send(t.Context(), lit("x", "tank", time.Now())).Note)

	var b strings.Builder
	s := NewSecret(secret)
	fmt.Fprintf(&b, "%v %s %+v %#v %q %x %d", s, s, s, s, s, s, s)
	slog.New(slog.NewJSONHandler(&b, nil)).Info("x", "secret", s, "in", struct{ S Secret }{s})
	slog.New(slog.NewTextHandler(&b, nil)).Info("x", "secret", s, "in", struct{ S Secret }{s})
	j, err := json.Marshal(map[string]any{"s": s})
	require.NoError(t, err)
	b.Write(j)
	see(b.String())
	assert.Contains(t, b.String(), hidden)
}

func TestLoadSecret(t *testing.T) {
	file := filepath.Join(t.TempDir(), "s")
	require.NoError(t, os.WriteFile(file, []byte("  from-file \nrest\n"), 0o600))
	t.Setenv("LAMPWARD_TEST_SECRET", "from-env")
	for want, a := range map[string][3]string{
		"v": {"v"}, "from-file": {"", file}, "from-env": {"", "", "LAMPWARD_TEST_SECRET"}, "": {},
	} {
		s, err := LoadSecret(a[0], a[1], a[2])
		require.NoError(t, err)
		assert.Equal(t, want, s.Reveal())
	}
	for _, a := range [][3]string{{"v", file}, {"", file + "x"}, {"", "", "LAMPWARD_TEST_NONE"}, {"", os.DevNull}} {
		_, err := LoadSecret(a[0], a[1], a[2])
		require.Error(t, err)
	}
}

// The examples of RFC 9110 sections 10.2.3 and 5.6.7.
func TestRetryAfter(t *testing.T) {
	wall := time.Unix(946684799, 0).Add(-90 * time.Second)
	for in, want := range map[string]time.Duration{
		"120":                            120 * time.Second,
		"Fri, 31 Dec 1999 23:59:59 GMT":  90 * time.Second,
		"Friday, 31-Dec-99 23:59:59 GMT": 90 * time.Second,
		"Fri Dec 31 23:59:59 1999":       90 * time.Second,
		"":                               0,
		"-5":                             0,
		"soon":                           0,
		"99999999999999999999":           1 << 62,
		"Fri, 31 Dec 1998 23:59:59 GMT":  0,
	} {
		assert.Equal(t, want, retryAfter(http.Header{"Retry-After": {in}}, wall), in)
	}
	// A clock that is years off does not matter when the answer has a Date.
	h := http.Header{"Retry-After": {"Fri, 31 Dec 1999 23:59:59 GMT"}, "Date": {"Fri, 31 Dec 1999 23:59:19 GMT"}}
	assert.Equal(t, 40*time.Second, retryAfter(h, time.Unix(0, 0)))
}

func TestJudge(t *testing.T) {
	w := hook(t, WebhookOptions{URL: "http://example.com"})
	for code, want := range map[int]OutcomeKind{
		200: Delivered, 201: Delivered, 202: Delivered, 204: Delivered, 299: Delivered,
		301: Again, 302: Again, 304: Again, 307: Again, 308: Again,
		400: Again, 401: Again, 403: Again, 404: Again, 405: Again, 410: Again, 413: Again, 422: Again, 451: Again,
		408: Again, 425: Again, 429: Again,
		500: Again, 501: Again, 502: Again, 503: Again, 504: Again, 599: Again, 600: Again, 999: Again,
	} {
		out := w.judge(&http.Response{StatusCode: code}, nil)
		assert.Equal(t, want, out.Kind, code)
		assert.Equal(t, slices.Contains([]int{400, 413, 422}, code), out.Refused, code)
		// The answers that say "later" are of RFC 9110 sections 15.5.9, RFC 8470 and RFC 6585.
		assert.Equal(t, code/100 == 4 && !slices.Contains([]int{408, 425, 429}, code) || code == 301 || code == 308, out.Mistake, code)
	}
	// Retry-After is of RFC 9110 section 10.2.3, and 429 asks for a rest without it too.
	later := http.Header{"Retry-After": {"120"}}
	for _, c := range []struct {
		code  int
		head  http.Header
		busy  bool
		after time.Duration
	}{{503, later, true, 2 * time.Minute}, {429, later, true, 2 * time.Minute}, {429, nil, true, 0}, {503, nil, false, 0}, {503, http.Header{"Retry-After": {"soon"}}, false, 0}} {
		out := w.judge(&http.Response{StatusCode: c.code, Header: c.head}, nil)
		assert.Equal(t, []any{c.busy, c.after}, []any{out.Busy, out.After}, "%+v", c)
	}
}

// A template that fails on one message is no reason to give that up at once.
func TestTemplateFailsLater(t *testing.T) {
	w := hook(t, WebhookOptions{URL: "http://192.0.2.1/", Body: `{{if eq .Name "boom"}}{{index .Items 9}}{{end}}`, ContentType: "text/plain"})
	out := w.Send(t.Context(), lit("hook", "boom", time.Now()))
	assert.Contains(t, out.Note, "cannot build the request")
	assert.Equal(t, []any{Again, true, true}, []any{out.Kind, out.Refused, out.Unsent})
}

// A redirect is followed only where the request stays what it is: same host,
// scheme and method, and only a few times.
func TestRedirects(t *testing.T) {
	other, otherGot := receiver(t, 200)
	var hits []string
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		hits = append(hits, fmt.Sprintf("%s %s %v", r.Method, r.URL.Path, len(b) > 0 && r.Header.Get("Webhook-Signature") != ""))
		switch r.URL.Path {
		case "/away":
			http.Redirect(w, r, other.URL+"/x", http.StatusTemporaryRedirect)
		case "/found":
			http.Redirect(w, r, "/ok", http.StatusFound)
		case "/moved":
			http.Redirect(w, r, "/ok", http.StatusPermanentRedirect)
		case "/loop":
			http.Redirect(w, r, "/loop", http.StatusTemporaryRedirect)
		}
	}))
	t.Cleanup(srv.Close)
	for at, want := range map[string]struct {
		kind OutcomeKind
		hits []string
	}{
		// So does a sign-in page that answers in the receiver's place.
		"GET /found":  {Again, []string{"GET /found false"}},
		"GET /moved":  {Delivered, []string{"GET /moved false", "GET /ok false"}},
		"POST /away":  {Again, []string{"POST /away true"}},
		"POST /found": {Again, []string{"POST /found true"}},
		"POST /moved": {Delivered, []string{"POST /moved true", "POST /ok true"}},
		"POST /loop":  {Again, []string{"POST /loop true", "POST /loop true", "POST /loop true", "POST /loop true"}},
	} {
		hits = nil
		method, path, _ := strings.Cut(at, " ")
		o := WebhookOptions{URL: srv.URL + path, Method: method, Secret: NewSecret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")}
		if method == http.MethodGet {
			o.Form = map[string]string{"text": "{{.Text}}"}
		}
		out := hook(t, o).Send(t.Context(), lit("x", "tank", time.Now()))
		assert.Equal(t, want.kind, out.Kind, "%s: %s", at, out.Note)
		assert.Equal(t, want.hits, hits, at)
	}
	assert.Empty(t, otherGot(), "the other host never heard of it")
}

// Test sends through every route and reports each.
func TestTest(t *testing.T) {
	good, got := receiver(t, 200)
	bad, _ := receiver(t, 404)
	rs := Test(t.Context(), []Route{
		hook(t, WebhookOptions{Name: "good", URL: good.URL}), hook(t, WebhookOptions{Name: "bad", URL: bad.URL}),
	}, time.Time{})
	require.Len(t, rs, 2)
	assert.True(t, rs[0].OK())
	assert.False(t, rs[1].OK())
	assert.Regexp(t, `^good: ok: 200 OK \(`, rs[0].String())
	assert.Regexp(t, `^bad: FAILED: 404 Not Found \(is the url right\?\) \(`, rs[1].String())
	assert.Contains(t, got()[0].Body, `"kind":"test"`)
}

// A server certificate of an unknown authority is refused unless it is
// vouched for; a client certificate is shown where one is set.
func TestWebhookTLS(t *testing.T) {
	cert, key, roots := certificate(t, []string{"127.0.0.1"}, time.Now().Add(time.Hour))
	pair, err := tls.X509KeyPair([]byte(cert), []byte(key))
	require.NoError(t, err)
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{pair}, ClientAuth: tls.RequestClientCert})
	require.NoError(t, err)
	clients := 0
	srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { clients = len(r.TLS.PeerCertificates) }), ErrorLog: slog.NewLogLogger(slog.DiscardHandler, 0)}
	go func() { _ = srv.Serve(l) }()
	t.Cleanup(func() { srv.Close() })
	u := "https://" + l.Addr().String()
	d := lit("x", "tank", time.Now())

	out := hook(t, WebhookOptions{URL: u}).Send(t.Context(), d)
	assert.Equal(t, Again, out.Kind)
	assert.Contains(t, out.Note, "unknown authority")
	assert.True(t, out.Mistake)
	out = hook(t, WebhookOptions{URL: u, TLS: &tls.Config{RootCAs: roots, ServerName: "other.test"}}).Send(t.Context(), d)
	assert.Equal(t, Again, out.Kind)
	assert.Contains(t, out.Note, "for another name")
	assert.True(t, out.Mistake)
	out = hook(t, WebhookOptions{URL: strings.Replace(u, "https", "http", 1)}).Send(t.Context(), d)
	assert.Equal(t, Again, out.Kind, "a TLS server answers plain HTTP with 400")
	out = hook(t, WebhookOptions{URL: u, TLS: &tls.Config{RootCAs: roots, Certificates: []tls.Certificate{pair}}}).Send(t.Context(), d)
	assert.Equal(t, Delivered, out.Kind, out.Note)
	assert.Equal(t, 1, clients)
}

// A connection that the receiver resets (TCP RST) is tried again.
func TestWebhookReset(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			_, _ = c.Read(make([]byte, 10))
			_ = c.(*net.TCPConn).SetLinger(0)
			c.Close()
		}
	}()
	out := hook(t, WebhookOptions{URL: "http://" + l.Addr().String()}).Send(t.Context(), lit("x", "tank", time.Now()))
	l.Close()
	assert.Equal(t, Again, out.Kind)
	assert.Contains(t, out.Note, "reset")
}

// FuzzTemplateJSON: no name or text changes the structure of a JSON body.
func FuzzTemplateJSON(f *testing.F) {
	for _, m := range sampleMessages() {
		f.Add(m.Lamp, m.Text, m.Why, m.Value)
	}
	f.Add("\\", "\",\"x\":\"", "\\u0022", inf)
	f.Add("\xff\xfe", "\xed\xa0\x80", "{{.Why}}", nan)
	const body = `{"a": "{{.Lamp}}", "b": {{.Text}}, "c": {{json .Why}}, "d": "x {{json .Why}} y {{.Text | upper}}", "e": ["{{.Lamp}}{{.Text}}"], "v": {{.Value}}, "w": "{{.Value}}"{{if .Lamp}}, "f": "{{.Lamp | printf "<%s>"}}"{{end}}}`
	t0, err := parseTemplate("body", body, escapeJSON)
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, lamp, text, why string, value float64) {
		m := Message{Kind: "lit", Lamp: lamp, Text: text, Why: why, Value: value}
		b, err := t0.render(&m)
		if err != nil {
			if len(lamp)+len(text)+len(why) > 10<<10 {
				return // longer than a body may be
			}
			t.Fatal(err)
		}
		var got map[string]any
		if err := json.Unmarshal(b, &got); err != nil {
			t.Fatalf("%v: %s", err, b)
		}
		valid := func(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }
		// encoding/json writes each invalid byte as U+FFFD, ToValidUTF8 a run
		// of them as one, so only valid text is compared letter by letter.
		if lamp == valid(lamp) && text == valid(text) && why == valid(why) {
			want := map[string]any{
				"a": lamp, "b": text, "c": why, "d": "x " + why + " y " + strings.ToUpper(text),
				"e": []any{lamp + text}, "w": fmt.Sprint(value),
			}
			if lamp != "" {
				want["f"] = "<" + lamp + ">"
			}
			delete(got, "v")
			if !assert.ObjectsAreEqual(want, got) {
				t.Fatalf("got %q, want %q", got, want)
			}
		}
	})
}

// Without the escaping the same fuzz inputs do break a body: the control of
// the test above.
func TestTemplateEscapingControl(t *testing.T) {
	m := Message{Lamp: `x", "admin": "yes`}
	for _, text := range []string{
		`{"a": "{{.Lamp}}"}`,
		`{{$l := .Lamp}}{"a": "{{$l}}"}`,
		`{"a": "{{if .Lamp}}{{.Lamp}}{{end}}"}`,
		`{"a": "{{if not .Lamp}}{{else}}{{.Lamp}}{{end}}"}`,
		`{"a": "{{with .Lamp}}{{.}}{{end}}"}`,
		`{"a": "{{with .AckURL}}{{else}}{{.Lamp}}{{end}}"}`,
		`{"a": "{{range 1}}{{$.Lamp}}{{end}}"}`,
		`{"a": "{{range 0}}{{else}}{{$.Lamp}}{{end}}"}`,
		`{{define "lamp"}}{{.Lamp}}{{end}}{"a": "{{template "lamp" .}}"}`,
	} {
		plain, err := parseTemplate("body", text, escapeNone)
		require.NoError(t, err, text)
		safe, err := parseTemplate("body", text, escapeJSON)
		require.NoError(t, err, text)
		b, err := plain.render(&m)
		require.NoError(t, err)
		var got map[string]string
		require.NoError(t, json.Unmarshal(b, &got))
		assert.Equal(t, "yes", got["admin"], "the injection works without escaping: %s", text)
		b, err = safe.render(&m)
		require.NoError(t, err)
		got = nil
		require.NoError(t, json.Unmarshal(b, &got))
		assert.Equal(t, map[string]string{"a": m.Lamp}, got, text)
	}
}

// Counts that an event does not know are absent from the default body.
func TestUnknownCountsAreAbsent(t *testing.T) {
	for kind, want := range map[string][]string{"unlearned": {"value"}, "fault_over": {"value"}, "reminder": nil, "many_silent": nil, "lit": {"value", "on_above", "off_below"}} {
		m := Message{Kind: kind, Lamp: "tank", Value: 640, OnAbove: 640, OffBelow: 640}
		b, err := encodeCloudEvent(&m, "test")
		require.NoError(t, err)
		var got struct{ Data map[string]any }
		require.NoError(t, json.Unmarshal(b, &got))
		for _, k := range []string{"value", "on_above", "off_below"} {
			if slices.Contains(want, k) {
				assert.Equal(t, 640.0, got.Data[k], kind)
			} else {
				assert.NotContains(t, got.Data, k, kind)
			}
		}
	}
}

// The default body too stays valid for any values.
func FuzzCloudEvent(f *testing.F) {
	f.Add("tank", "text", 1.5, 2.5)
	f.Add("\xff\"\\", "\u2028</script>", inf, nan)
	f.Fuzz(func(t *testing.T, lamp, text string, v, c float64) {
		d := rules.Delivery{EventID: "e", Wall: time.Unix(1, 0), Event: rules.Event{Kind: rules.Lit, Lamp: lamp, Text: text, Value: v, Confidence: c}}
		m := newMessage(d, nil)
		b, err := encodeCloudEvent(&m, "lampward")
		if err != nil || !json.Valid(b) {
			t.Fatalf("%v: %s", err, b)
		}
	})
}

// trickle writes a text one byte at a time.
func trickle(c io.Writer, s string, every time.Duration) {
	for i := range len(s) {
		if _, err := io.WriteString(c, s[i:i+1]); err != nil {
			return
		}
		time.Sleep(every)
	}
}

// A web page as the answer is doubted aloud, and delivered all the same: a receiver
// that answers like that must not get its messages again.
func TestWebPageAsAnswer(t *testing.T) {
	for name, c := range map[string]struct {
		kind, body string
		doubt      bool
	}{
		"a sign-in page":         {"text/html; charset=utf-8", "\uFEFF\n<!DOCTYPE html><title>Welcome guest</title>", true},
		"an old one":             {"TEXT/HTML", "<HTML><body>Sign in", true},
		"a script's word":        {"text/html; charset=UTF-8", "ok", false},
		"a script that is quiet": {"text/html", "", false},
		"text":                   {"text/plain", "<!doctype html>", false},
		"JSON":                   {"application/json", `{"ok":true}`, false},
	} {
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", c.kind)
			_, _ = io.WriteString(w, c.body)
		}))
		h := hook(t, WebhookOptions{URL: srv.URL})
		out := h.Send(t.Context(), lit("x", "tank", time.Now()))
		assert.Equal(t, Delivered, out.Kind, name)
		assert.Equal(t, c.doubt, strings.Contains(out.Note, "see whether the message arrived"), name)
		said := Test(t.Context(), []Route{h}, time.Time{})[0].String()
		assert.Contains(t, said, "ok: 200 OK", name)
		assert.Equal(t, c.doubt, strings.Contains(said, "with a web page"), name)
		srv.Close()
	}
}

// JSON that tells of an error under the status 200 is doubted in the same way, without
// what is secret in it.
func TestAnswerThatTellsOfAnError(t *testing.T) {
	for body, doubt := range map[string]bool{
		`{"ok":false,"error":"invalid_auth"}`:           true,
		` {"success": false}`:                           true,
		`{"error":{"code":42}}`:                         true,
		`{"errors":["no such topic"]}`:                  true,
		`{"status":"Error","why":"k3y-in-header"}`:      true,
		`{"ok":true,"error":null,"errors":[]}`:          false,
		`{"ok":1,"error":"","status":"ok"}`:             false,
		`{"error":false,"errors":0}`:                    false,
		`{"data":{"error":"of another"}}`:               false,
		`["error"]`:                                     false,
		`{"error":"` + strings.Repeat("x", 5000) + `"}`: false, // too long to be looked at
		``: false,
	} {
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "application/json; charset=utf-8")
			_, _ = io.WriteString(w, body)
		}))
		h := hook(t, WebhookOptions{URL: srv.URL, Headers: map[string]string{"Authorization": "k3y-in-header"}})
		out := h.Send(t.Context(), lit("x", "tank", time.Now()))
		assert.Equal(t, Delivered, out.Kind, body)
		assert.Equal(t, doubt, Doubtful(out.Note), body)
		if doubt {
			assert.Contains(t, out.Note, "200 OK, with an answer that tells of an error: {")
			assert.Contains(t, out.Note, "see whether the message arrived")
		}
		assert.NotContains(t, out.Note, "k3y")
		srv.Close()
	}
}

// What the answer says counts, not what it is said to be: JSON often comes as the web
// page or plain text that it is not.
func TestErrorUnderAnotherType(t *testing.T) {
	for kind, doubt := range map[string]bool{
		"text/html; charset=UTF-8": true, "text/plain": true, "": true, "application/problem+json": true, "image/png": false,
	} {
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			w.Header()["Content-Type"] = []string{kind}
			if kind == "" {
				w.Header()["Content-Type"] = nil // else the library guesses one
			}
			_, _ = io.WriteString(w, `{"ok":false,"error":"no such topic"}`)
		}))
		out := hook(t, WebhookOptions{URL: srv.URL}).Send(t.Context(), lit("x", "tank", time.Now()))
		assert.Equal(t, Delivered, out.Kind, kind)
		assert.Equal(t, doubt, Doubtful(out.Note), kind)
		srv.Close()
	}
}

// A page that never ends holds up nothing for long, and is delivered.
func TestWebPageThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ours, theirs := net.Pipe()
		go func() {
			_, _ = http.ReadRequest(bufio.NewReader(theirs))
			_, _ = io.WriteString(theirs, "HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nContent-Length: 900\r\n\r\n<!doc")
		}()
		h := hook(t, WebhookOptions{URL: "http://receiver.test"})
		h.client.Transport.(*http.Transport).DialContext = func(context.Context, string, string) (net.Conn, error) { return ours, nil }
		began := time.Now()
		out := h.Send(t.Context(), lit("x", "tank", time.Now()))
		assert.Equal(t, Delivered, out.Kind)
		assert.LessOrEqual(t, time.Since(began), pageTime)
		h.client.CloseIdleConnections()
		theirs.Close()
	})
}

// What was held over quiet hours says when it was: a change since may have broken
// through them, and been told before. So does what comes late, for a service that was
// down: it may be over, and that be the next message.
func TestHeldSaysWhenItWas(t *testing.T) {
	srv, got := receiver(t, 200)
	at := time.Date(2026, 5, 5, 1, 12, 30, 0, time.UTC)
	now := at
	o := WebhookOptions{URL: srv.URL, Body: "{{.Text}}", Location: time.FixedZone("", 2*3600), Wall: func() time.Time { return now }}
	w := hook(t, o)
	said := func(line string, wall time.Time) string {
		d := lit("webhook", "tank", at)
		d.Key, d.Wall = line+d.Event.Key(), wall
		require.Equal(t, Delivered, w.Send(t.Context(), d).Kind)
		all := got()
		return all[len(all)-1].Body
	}
	assert.Equal(t, "tank is lit (Tue 03:12)", said(HeldLine, at))
	assert.Equal(t, "tank is lit", said("", at))
	assert.Equal(t, "tank is lit", said(HeldLine, time.Time{}), "nobody knows when")
	for late, want := range map[time.Duration]string{
		9 * time.Minute: "tank is lit", 5 * time.Hour: "tank is lit (Tue 03:12)", 8 * 24 * time.Hour: "tank is lit (Tue 5 May, 03:12)",
		-5 * time.Hour: "tank is lit", // our clock was set
	} {
		now = at.Add(late)
		assert.Equal(t, want, said("", at))
	}
	now = at.Add(time.Hour)
	o.Body, o.Form = "", map[string]string{"message": "{{.Text}}"}
	w = hook(t, o)
	assert.Equal(t, "message=tank+is+lit+%28Tue+03%3A12%29", said("", at))
	o.Form = nil
	w = hook(t, o)
	assert.Contains(t, said("", at), `"text":"tank is lit"`, "machines read the time")
}

// That an address is wrong, or no more, is said; what waits is not given up for it,
// since a person may put it right.
func TestAddressThatIsNoMore(t *testing.T) {
	for code, want := range map[int]string{
		http.StatusNotFound: "404 Not Found (is the url right?): no such topic",
		http.StatusGone:     "410 Gone (the service says that this url is no more: which one is it now?): no such topic",
	} {
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			w.WriteHeader(code)
			_, _ = io.WriteString(w, "no such topic")
		}))
		out := hook(t, WebhookOptions{URL: srv.URL}).Send(t.Context(), lit("x", "tank", time.Now()))
		assert.Equal(t, Outcome{Kind: Again, Note: want, Mistake: true, Answered: true}, out)
		srv.Close()
	}
}

// slowService is an HTTP service that has each request at once, and takes its time to
// say so.
type slowService struct {
	takes time.Duration
	got   []string // ids
}

func (s *slowService) RoundTrip(r *http.Request) (*http.Response, error) {
	s.got = append(s.got, r.Header.Get(headerID))
	select {
	case <-time.After(s.takes):
		return &http.Response{StatusCode: 204, Body: http.NoBody, Header: http.Header{}, Request: r}, nil
	case <-r.Context().Done():
		return nil, r.Context().Err()
	}
}

// A service that takes longer to answer than an attempt may last has the message all
// the same: it does not get it again and again for a month. One that never answers does
// not hold up the route for longer than a minute.
func TestWebhookSlowService(t *testing.T) {
	for _, c := range []struct {
		takes, timeout time.Duration
		copies         int
	}{
		{10 * time.Second, 0, 1}, {20 * time.Second, 0, 2}, {50 * time.Second, 0, 3}, {50 * time.Second, time.Second, 7}, {90 * time.Second, 2 * time.Minute, 1},
	} {
		synctest.Test(t, func(t *testing.T) {
			w := hook(t, WebhookOptions{URL: "http://hook.test/", Timeout: c.timeout})
			s := &slowService{takes: c.takes}
			w.client.Transport = s
			box := &memOutbox{}
			box.add(lit("webhook", "tank", time.Now()))
			runWorker(t, Options{Outbox: box, Routes: []Route{w}}, 12*time.Hour)
			_, sent, _ := box.count()
			assert.Equal(t, 1, sent, "%+v", c)
			assert.LessOrEqual(t, len(s.got), c.copies, "%+v", c)
			s.got = nil
			box.add(lit("webhook", "salt", time.Now()))
			runWorker(t, Options{Outbox: box, Routes: []Route{w}}, time.Hour)
			assert.Len(t, s.got, 1, "it is known to be slow: %+v", c)
		})
	}
	synctest.Test(t, func(t *testing.T) {
		w := hook(t, WebhookOptions{URL: "http://hook.test/"})
		w.client.Transport = &slowService{takes: time.Hour}
		d := lit("webhook", "tank", time.Now())
		for d.Attempts = range 100 {
			began := time.Now()
			out := w.Send(t.Context(), d)
			require.Equal(t, Again, out.Kind)
			require.Contains(t, out.Note, "did not answer in time")
			require.LessOrEqual(t, time.Since(began), time.Minute)
		}
	})
}

// What hangs up, or answers in something else, may want the other of http and https.
func TestWebhookOfAnotherProtocol(t *testing.T) {
	for answer, says := range map[string]string{
		"":                             "receiver.test closed the connection without an answer; are http:// or https://, and the port, right?",
		"\x15\x03\x01\x00\x02\x02\x50": "receiver.test does not answer in HTTP; are http:// or https://, and the port, right?", // as OpenSSL answers HTTP
	} {
		h := hook(t, WebhookOptions{URL: "http://receiver.test"})
		h.client.Transport.(*http.Transport).DialContext = func(context.Context, string, string) (net.Conn, error) {
			ours, theirs := net.Pipe()
			go func() {
				_, _ = http.ReadRequest(bufio.NewReader(theirs))
				_, _ = io.WriteString(theirs, answer)
				_ = theirs.Close()
			}()
			return ours, nil
		}
		out := h.Send(t.Context(), lit("x", "tank", time.Now()))
		assert.Equal(t, Again, out.Kind)
		assert.Equal(t, says, out.Note)
	}
}

// A static program asks name servers only; other programs may know more.
func TestWebhookOfAMulticastName(t *testing.T) {
	for host, says := range map[string]string{"pi.local": "write its address", "push.example.com": "is the name right, and the network up?"} {
		h := hook(t, WebhookOptions{URL: "http://" + host})
		h.client.Transport.(*http.Transport).DialContext = func(context.Context, string, string) (net.Conn, error) {
			return nil, &net.OpError{Op: "dial", Net: "tcp", Err: &net.DNSError{Name: host, Err: "no such host"}}
		}
		assert.Contains(t, h.Send(t.Context(), lit("x", "tank", time.Now())).Note, "cannot find the host "+host+": no such host; ")
		assert.Contains(t, h.Send(t.Context(), lit("x", "tank", time.Now())).Note, says)
	}
}
