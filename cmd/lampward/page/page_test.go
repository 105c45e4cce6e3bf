package page

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// fake is a daemon that shows what a test says.
type fake struct {
	st     Status
	events []Event
	points []Point
	sent   []Delivery
	did    []Action
	err    error
}

func (f *fake) Status(_ context.Context, only ...string) (Status, error) {
	st := f.st
	if len(only) > 0 {
		st.Lamps, st.Boards = nil, nil
		for _, l := range f.st.Lamps {
			if slices.Contains(only, l.Name) {
				st.Lamps = append(st.Lamps, l)
				for _, b := range f.st.Boards {
					if b.Name == l.Board {
						st.Boards = append(st.Boards, b)
					}
				}
			}
		}
	}
	return st, f.err
}
func (f *fake) Events(_ context.Context, q EventQuery) ([]Event, error) {
	var out []Event
	for _, e := range f.events {
		if (q.Before == 0 || e.Row < q.Before) && (q.Lamp == "" || q.Lamp == e.Lamp) && (q.To.IsZero() || e.Time.Before(q.To)) && !e.Time.Before(q.From) &&
			(len(q.Kinds) == 0 || slices.Contains(q.Kinds, e.Kind)) {
			out = append(out, e)
		}
	}
	if q.Limit > 0 {
		out = out[:min(len(out), q.Limit)]
	}
	return out, f.err
}
func (f *fake) Trace(context.Context, string, time.Time, time.Time, int) ([]Point, error) {
	return f.points, f.err
}
func (f *fake) Deliveries(context.Context, DeliveryQuery) ([]Delivery, error) { return f.sent, f.err }
func (f *fake) Do(_ context.Context, a Action) (string, error) {
	f.did = append(f.did, a)
	return a.Verb + " done", f.err
}
func (f *fake) Link(_ context.Context, token string) (Action, error) {
	if token != "good" {
		return Action{}, refused("This link is not genuine.")
	}
	return Action{Verb: Ack, Lamp: "tank"}, nil
}

var now = time.Date(2026, 5, 2, 11, 0, 0, 0, time.UTC)

const nasty = `"><script>alert(1)</script>`

func newFake() *fake {
	f := &fake{st: Status{Now: now, Version: "1", Routes: []string{"phone"}}}
	f.st.Lamps = []Lamp{
		{Name: "tank", Board: "tank", State: "lit", Since: now.Add(-time.Hour), At: now.Add(-time.Minute), Value: 640, OnAbove: 470, OffBelow: 380,
			Confidence: 0.99, Aim: Aim{Dark: 212, Lit: 640, Noise: 5, Separation: 85, Grade: "excellent"}, Alarm: Alarm{State: "unacknowledged", Text: "tank is lit since noon"}},
		{Name: nasty, Board: nasty, State: "learning", Fault: nasty, Alarm: Alarm{State: "normal"}},
	}
	f.st.Boards = []Board{{Name: "tank", Lamps: []string{"tank"}, Last: now, Every: time.Minute, Alarm: Alarm{State: "normal"}},
		{Name: nasty, Silent: true, Cause: nasty, Alarm: Alarm{State: "unacknowledged"}}}
	for i := range 60 {
		v := 212.0
		if i > 30 {
			v = 640
		}
		f.points = append(f.points, Point{At: now.Add(time.Duration(i-60) * time.Minute), Min: v, Mean: v, Max: v, Count: 1})
	}
	f.events = []Event{
		{ID: "x-2", Row: 2, Time: now.Add(-29 * time.Minute), Kind: "lit", Lamp: "tank", Value: new(640.0), Text: nasty, Why: nasty, By: nasty},
		{ID: "x-1", Row: 1, Time: now.Add(-2 * time.Hour), Kind: "learned", State: "dark", Lamp: "tank", Text: "=1+1", Why: "@why"},
	}
	f.sent = []Delivery{{ID: 7, Event: "x-2", Route: nasty, State: "dead", Time: now, Kind: "lit", Lamp: nasty, Text: nasty, Attempts: 1, Note: nasty}}
	return f
}

func newServer(t testing.TB, f *fake, change func(*Options)) *Server {
	o := Options{Source: f, Log: slog.New(slog.DiscardHandler), Zone: time.UTC}
	if change != nil {
		change(&o)
	}
	s, err := New(o)
	require.NoError(t, err)
	return s
}

func ask(s *Server, method, path string, body io.Reader, change func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, body)
	r.Host = "127.0.0.1:8080"
	if change != nil {
		change(r)
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func get(s *Server, path string) *httptest.ResponseRecorder { return ask(s, "GET", path, nil, nil) }

func form(s *Server, path string, change func(*http.Request), kv ...string) *httptest.ResponseRecorder {
	v := url.Values{}
	for i := 0; i < len(kv); i += 2 {
		v.Set(kv[i], kv[i+1])
	}
	return ask(s, "POST", path, strings.NewReader(v.Encode()), func(r *http.Request) {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if change != nil {
			change(r)
		}
	})
}

var pages = []string{"/", "/lamp?name=tank", "/lamp?name=" + url.QueryEscape(nasty), "/lamp?name=tank&span=1y&to=1700000000", "/board?name=tank",
	"/board?name=" + url.QueryEscape(nasty), "/aim?name=tank", "/aim?name=" + url.QueryEscape(nasty), "/alerts", "/alerts?state=dead", "/link?t=good"}

// No text of a stranger is taken for markup, on any page or in any part sent
// live; nothing on a page asks another host for anything.
func TestNothingForeignRuns(t *testing.T) {
	s := newServer(t, newFake(), nil)
	for _, p := range pages {
		w := get(s, p)
		require.Equal(t, 200, w.Code, p)
		assert.NotContains(t, w.Body.String(), "<script>alert", p)
		assert.NotContains(t, strings.ReplaceAll(w.Body.String(), "http://www.w3.org", ""), "http://", p)
		assert.NotContains(t, w.Body.String(), "style=", p)
		csp := w.Header().Get("Content-Security-Policy")
		assert.Contains(t, csp, "default-src 'none'")
		assert.NotContains(t, csp, "unsafe")
		assert.Equal(t, "nosniff", w.Header().Get("X-Content-Type-Options"))
		assert.Equal(t, "no-store", w.Header().Get("Cache-Control"))
		assert.Equal(t, "same-origin", w.Header().Get("Referrer-Policy"), "a signed link stays here")
		for _, h := range []string{"Cross-Origin-Opener-Policy", "Cross-Origin-Resource-Policy"} {
			assert.Equal(t, "same-origin", w.Header().Get(h), h)
		}
		assert.Equal(t, "DENY", w.Header().Get("X-Frame-Options"))
	}
	// The control: the name is there, escaped.
	assert.Contains(t, get(s, "/").Body.String(), "&lt;script&gt;alert(1)")
	for _, p := range []string{"/api/status", "/api/history", "/api/deliveries", "/api/lamp?name=" + url.QueryEscape(nasty)} {
		w := get(s, p)
		assert.Equal(t, "application/json; charset=utf-8", w.Header().Get("Content-Type"), p)
		assert.NotContains(t, w.Body.String(), "<script>", p)
		assert.True(t, json.Valid(w.Body.Bytes()), p)
	}
}

// What was sent of a board is on its page, as what was sent of a lamp is on the lamp's.
func TestSentIsOnThePage(t *testing.T) {
	f := newFake()
	f.sent[0].Text = "tank told somebody"
	s := newServer(t, f, nil)
	for _, path := range []string{"/lamp?name=tank", "/board?name=tank"} {
		assert.Contains(t, get(s, path).Body.String(), "tank told somebody", path)
	}
}

// A board's voltage and signal are numbers, in the list and on its own page.
func TestBoardNumbers(t *testing.T) {
	f := newFake()
	volts, rssi := 3.714, -67.2
	f.st.Boards[0].Volts, f.st.Boards[0].RSSI = &volts, &rssi
	s := newServer(t, f, nil)
	assert.Contains(t, get(s, "/").Body.String(), "<li>3.71 V</li>\n<li>-67 dBm</li>")
	assert.Contains(t, get(s, "/board?name=tank").Body.String(), "<li>battery 3.71 V</li><li>signal -67 dBm</li>")
	charge := 0.624
	f.st.Boards[0].Charge = &charge
	assert.Contains(t, get(s, "/board?name=tank").Body.String(), "<li>battery 3.71 V</li>", "what the board reports")
	f.st.Boards[0].Volts = nil
	assert.Contains(t, get(s, "/").Body.String(), "<li>62 %</li>\n<li>-67 dBm</li>")
	assert.Contains(t, get(s, "/board?name=tank").Body.String(), "<li>battery 62 %</li><li>signal -67 dBm</li>")
}

// Every link of every page leads to a page, whatever the lamp or board is called.
func TestLinksLead(t *testing.T) {
	for _, name := range []string{"große Salzlampe", "a&b=c+d#e%2f?", nasty} {
		f := newFake()
		f.st.Lamps[1].Name, f.st.Lamps[1].Board, f.st.Boards[1].Name, f.st.Boards[1].Lamps = name, name, name, []string{name}
		s := newServer(t, f, nil)
		q := url.QueryEscape(name)
		seen := map[string]bool{}
		for _, p := range []string{"/", "/lamp?name=" + q, "/board?name=" + q, "/aim?name=" + q, "/alerts"} {
			for _, m := range regexp.MustCompile(`<a [^>]*href="(/[^"]*)"`).FindAllStringSubmatch(get(s, p).Body.String(), -1) {
				link := html.UnescapeString(m[1])
				seen[link] = true
				assert.Equal(t, 200, get(s, link).Code, "%s on %s", link, p)
			}
		}
		assert.True(t, seen["/lamp?name="+q] && seen["/board?name="+q] && seen["/aim?name="+q], "%v", seen)
	}
}

// Another site cannot make a browser act, nor read the page under a name that
// it made to point here.
func TestOtherSites(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	for name, change := range map[string]func(*http.Request){
		"fetch metadata": func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		"same site":      func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") },
		"origin":         func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") },
		"no origin":      func(r *http.Request) { r.Header.Set("Origin", "null") },
		"rebinding":      func(r *http.Request) { r.Host = "evil.example:8080" },
		"bare name":      func(r *http.Request) { r.Host = "cellar" },
		"no name":        func(r *http.Request) { r.Host = "" },
		"lookalike":      func(r *http.Request) { r.Host = "127.0.0.1.evil.example" },
	} {
		for _, path := range []string{"/do/ack", "/api/ack", "/link", "/login", "/logout"} {
			w := form(s, path, change, "lamp", "tank", "t", "good")
			assert.GreaterOrEqual(t, w.Code, 400, "%s %s", name, path)
		}
	}
	assert.Empty(t, f.did)
	for _, host := range []string{"evil.example", "", "cellar:80", "127.0.0.1@evil.example", "192.0.2.7:8080", "[2001:db8::7]:8080"} {
		assert.Equal(t, http.StatusMisdirectedRequest, ask(s, "GET", "/api/status", nil, func(r *http.Request) { r.Host = host }).Code, host)
	}
	for _, host := range []string{"localhost", "LOCALHOST.:99", "[::1]:8080", "127.8.9.1"} {
		assert.Equal(t, 200, ask(s, "GET", "/", nil, func(r *http.Request) { r.Host = host }).Code, host)
	}
	named := newServer(t, f, func(o *Options) { o.Hosts = []string{"cellar.example.com"} })
	assert.Equal(t, 200, ask(named, "GET", "/", nil, func(r *http.Request) { r.Host = "Cellar.example.com:8080" }).Code)
	// So is the name in the address that the links in messages have, beside others.
	for _, hosts := range [][]string{nil, {"cellar.lan"}} {
		for origin, host := range map[string]string{"https://Cellar.example.com": "cellar.example.com", "http://192.0.2.7:8080": "192.0.2.7:8080", "http://[2001:db8::7]:8080": "[2001:db8::7]:8080"} {
			linked := newServer(t, f, func(o *Options) { o.Hosts, o.Origin = hosts, origin })
			assert.Equal(t, 200, ask(linked, "GET", "/", nil, func(r *http.Request) { r.Host = host }).Code, host)
			assert.Equal(t, http.StatusMisdirectedRequest, ask(linked, "GET", "/", nil, func(r *http.Request) { r.Host = "evil.example" }).Code)
			assert.Equal(t, http.StatusMisdirectedRequest, ask(linked, "GET", "/", nil, func(r *http.Request) { r.Host = "" }).Code)
		}
	}
	// The control: the page's own form acts.
	w := form(s, "/do/ack", func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-origin") }, "lamp", "tank", "back", "/lamp?name=tank")
	assert.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, "/lamp?name=tank", w.Header().Get("Location"))
	assert.Equal(t, []Action{{Verb: Ack, Lamp: "tank"}}, f.did)
	// No GET acts.
	for _, p := range []string{"/do/ack?lamp=tank", "/api/ack?lamp=tank", "/logout"} {
		assert.NotEqual(t, 200, get(s, p).Code, p)
	}
	get(s, "/link?t=good")
	assert.Len(t, f.did, 1)
}

func TestBackStaysHere(t *testing.T) {
	s := newServer(t, newFake(), nil)
	for _, back := range []string{"http://evil.example/", "//evil.example", `/\evil.example`, "javascript:alert(1)", "/a\r\nX: y", "", "evil", "/\t/evil.example"} {
		w := form(s, "/do/ack", nil, "lamp", "tank", "back", back)
		assert.Equal(t, "/", w.Header().Get("Location"), back)
	}
	assert.Equal(t, "/lamp?name=a%2Fb", local("/lamp?name=a%2Fb"))
}

func TestPathTricks(t *testing.T) {
	s := newServer(t, newFake(), nil)
	for _, p := range []string{"/static/../page.go", "/static/..%2f..%2fpage.go", "/static/%2e%2e/page.go", "/static/", "/static/nothing.js",
		"/templates/frame.html", "/etc/passwd", "/lamp", "/lamp?name=%00", "/lamp?name=..%2f..", "/board?name=x", "/live?view=x", "/api/nothing"} {
		w := get(s, p)
		assert.NotEqual(t, 200, w.Code, p)
		assert.NotContains(t, w.Body.String(), "package page", p)
	}
	ok := get(s, s.assetPath("page.js"))
	assert.Equal(t, 200, ok.Code)
	assert.Contains(t, ok.Header().Get("Cache-Control"), "immutable")
	again := ask(s, "GET", "/static/page.js", nil, func(r *http.Request) { r.Header.Set("If-None-Match", ok.Header().Get("ETag")) })
	assert.Equal(t, http.StatusNotModified, again.Code)
	// The zone's name comes from a browser.
	for _, zone := range []string{"../../etc/passwd", "%2e%2e/x", "Europe/Lisbon", strings.Repeat("x", 1000), "Local", ""} {
		w := ask(s, "GET", "/", nil, func(r *http.Request) { r.Header.Set("Cookie", "zone="+zone) })
		assert.Equal(t, 200, w.Code, zone)
		assert.Equal(t, zone == "Europe/Lisbon", strings.Contains(w.Body.String(), `data-zone="Europe/Lisbon"`), zone)
	}
}

func withAnn(o *Options) {
	o.People = map[string]string{"ann": "hash of secret"}
	o.Verify = func(hash, pw string) bool { return hash == "hash of "+pw }
	o.Token = "token-of-this-machine"
}

func TestLogin(t *testing.T) {
	s := newServer(t, newFake(), withAnn)
	const reading = `\b640\b` // of the lamp; within the random marks of a page three digits may be any
	for _, p := range append([]string{"/api/", "/api/status", "/api/history", "/api/trace?lamp=tank", "/api/stream", "/live?view=glance"}, pages...) {
		if strings.HasPrefix(p, "/link") {
			continue // the token in the link is the right
		}
		w := get(s, p)
		assert.Contains(t, []int{http.StatusSeeOther, http.StatusUnauthorized}, w.Code, p)
		assert.NotRegexp(t, reading, w.Body.String(), p)
	}
	assert.Equal(t, http.StatusUnauthorized, form(s, "/api/ack", nil, "lamp", "tank").Code)
	assert.Equal(t, 200, get(s, "/healthz").Code)

	w := form(s, "/login", nil, "name", "ann", "password", "secret", "to", "/alerts")
	require.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, "/alerts", w.Header().Get("Location"))
	c := w.Result().Cookies()[0]
	assert.True(t, c.HttpOnly)
	assert.Equal(t, http.SameSiteLaxMode, c.SameSite)
	withCookie := func(r *http.Request) { r.AddCookie(c) }
	in := ask(s, "GET", "/api/status", nil, withCookie)
	assert.Equal(t, 200, in.Code)
	assert.Regexp(t, reading, in.Body.String(), "the control")
	assert.Equal(t, 200, ask(s, "GET", "/", nil, withCookie).Code)
	f := s.o.Source.(*fake)
	form(s, "/api/ack", withCookie, "lamp", "tank", "by", "mallory")
	assert.Equal(t, "ann", f.did[0].By, "who is logged in acts in his own name")
	form(s, "/logout", withCookie)
	assert.Equal(t, http.StatusSeeOther, ask(s, "GET", "/", nil, withCookie).Code, "the session is over at the server too")

	token := func(v string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+v) }
	}
	assert.Equal(t, 200, ask(s, "GET", "/api/status", nil, token("token-of-this-machine")).Code)
	assert.Equal(t, http.StatusUnauthorized, ask(s, "GET", "/api/status", nil, token("")).Code)
	assert.Equal(t, http.StatusUnauthorized, ask(s, "GET", "/api/status", nil, token("token")).Code)

	measured := newServer(t, newFake(), func(o *Options) { withAnn(o); o.Metrics = http.NotFoundHandler() })
	assert.Equal(t, http.StatusUnauthorized, get(measured, "/metrics").Code, "a program is not led to a form")

	secure := newServer(t, newFake(), func(o *Options) { withAnn(o); o.Secure = true })
	c = form(secure, "/login", nil, "name", "ann", "password", "secret").Result().Cookies()[0]
	assert.Equal(t, "__Host-lampward", c.Name)
	assert.True(t, c.Secure)
}

// Guessing is slowed down for the one address, and not for others; the right
// password is refused too while it has to wait.
func TestGuessing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t, newFake(), withAnn)
		try := func(addr, pw string) *httptest.ResponseRecorder {
			return form(s, "/login", func(r *http.Request) { r.RemoteAddr = addr }, "name", "ann", "password", pw)
		}
		tried := 0
		began := time.Now()
		for time.Since(began) < 24*time.Hour {
			if try("192.0.2.1:1000", "guess").Code != http.StatusTooManyRequests {
				tried++
			}
			time.Sleep(10 * time.Second)
		}
		assert.Less(t, tried, 110, "guesses that were checked in a day")
		w := try("192.0.2.1:2000", "secret")
		require.Equal(t, http.StatusTooManyRequests, w.Code)
		assert.NotEmpty(t, w.Header().Get("Retry-After"))
		assert.Equal(t, http.StatusSeeOther, try("192.0.2.2:1000", "secret").Code)
		// An IPv6 client owns a /64.
		for i := range 6 {
			try(fmt.Sprintf("[2001:db8::%x]:1000", i), "guess")
		}
		assert.Equal(t, http.StatusTooManyRequests, try("[2001:db8::ffff]:1000", "secret").Code)
		assert.Equal(t, http.StatusSeeOther, try("[2001:db8:0:1::1]:1000", "secret").Code)

		// And may own a /48; one beside it is another's.
		for i := range freeFar {
			try(fmt.Sprintf("[2001:db8:1:%x::1]:1000", i), "guess")
		}
		assert.Equal(t, http.StatusTooManyRequests, try("[2001:db8:1:ffff::1]:1000", "secret").Code)
		assert.Equal(t, http.StatusSeeOther, try("[2001:db8:2:1::1]:1000", "secret").Code)
		time.Sleep(longWait + time.Second)
		assert.Equal(t, http.StatusSeeOther, try("192.0.2.1:1000", "secret").Code)
		// The table of strangers is bounded.
		for i := range strangers + 100 {
			s.login.wait(origins(&http.Request{RemoteAddr: fmt.Sprintf("10.%d.%d.1:1", i/250, i%250)}))
		}
		assert.LessOrEqual(t, len(s.login.wrong), strangers)
	})
}

func TestSessionsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t, newFake(), withAnn)
		c := form(s, "/login", nil, "name", "ann", "password", "secret").Result().Cookies()[0]
		ok := func() bool {
			return ask(s, "GET", "/", nil, func(r *http.Request) { r.AddCookie(c) }).Code == 200
		}
		for range 8 {
			time.Sleep(20 * 24 * time.Hour)
			assert.True(t, ok())
		}
		time.Sleep(21 * 24 * time.Hour)
		assert.False(t, ok(), "over at last, however often used")
	})
}

// Who is logged in stays so over a restart, unless the password is another one
// by then, the person is gone, or the session is over.
func TestSessionsOutlastARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var kept []byte
		writes := 0
		start := func(people map[string]string) *Server {
			return newServer(t, newFake(), func(o *Options) {
				withAnn(o)
				o.People, o.Kept = people, kept
				o.Keep = func(b []byte) error { kept = b; writes++; return nil }
			})
		}
		both := map[string]string{"ann": "hash of secret", "bob": "hash of other"}
		s := start(both)
		login := func(name, password string) *http.Cookie {
			return form(s, "/login", nil, "name", name, "password", password).Result().Cookies()[0]
		}
		in := func(c *http.Cookie) bool {
			return ask(s, "GET", "/", nil, func(r *http.Request) { r.AddCookie(c) }).Code == 200
		}
		ann, bob, left := login("ann", "secret"), login("bob", "other"), login("ann", "secret")
		form(s, "/logout", func(r *http.Request) { r.AddCookie(left) })
		require.True(t, in(ann) && in(bob) && !in(left))
		for _, c := range []*http.Cookie{ann, bob, left} {
			assert.NotContains(t, string(kept), c.Value, "what is kept opens no door")
		}
		assert.NotContains(t, string(kept), "hash of")

		s = start(both)
		assert.True(t, in(ann) && in(bob))
		assert.False(t, in(left), "who logged out stays out")
		s = start(map[string]string{"ann": "hash of another", "bob": "hash of other"})
		assert.False(t, in(ann), "another password ends her sessions")
		assert.True(t, in(bob))
		s = start(map[string]string{"ann": "hash of secret"})
		assert.False(t, in(bob), "he may not log in any more")

		// It is written seldom: with each login and logout, and once a day.
		s = start(both)
		writes = 0
		for range 200 {
			assert.True(t, in(bob))
			time.Sleep(time.Hour)
		}
		assert.LessOrEqual(t, writes, 9)
		form(s, "/logout", func(r *http.Request) { r.AddCookie(&http.Cookie{Name: "lampward", Value: "made up"}) })
		assert.LessOrEqual(t, writes, 9, "a stranger makes nobody write")
		time.Sleep(sessionIdle - 2*sessionNews)
		s = start(both)
		assert.True(t, in(bob), "he was there not long ago")
		time.Sleep(sessionIdle + time.Second)
		s = start(both)
		assert.False(t, in(bob), "he was not for a month")

		// What is kept may be damaged, or full.
		c := login("ann", "secret")
		good := kept
		for _, bad := range [][]byte{nil, []byte("["), []byte("[{}]"), []byte(`[{"cookie":"zz","name":"ann"}]`), bytes.ReplaceAll(good, []byte(`"ann"`), []byte(`"bob"`))} {
			kept = bad
			s = start(both)
			assert.False(t, in(c), "%s", bad)
		}
		kept = good
		s = start(both)
		assert.True(t, in(c))
		s.login.o.Keep = func([]byte) error { return errors.New("disk full") }
		assert.True(t, in(login("bob", "other")), "whoever cannot be kept can be let in")
	})
}

func TestActions(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	post := func(verb, body string) *httptest.ResponseRecorder {
		return ask(s, "POST", "/api/"+verb, strings.NewReader(body), func(r *http.Request) { r.Header.Set("Content-Type", "application/json") })
	}
	for _, c := range []struct {
		verb, body string
		want       Action
	}{
		{"ack", `{"lamp":"tank","by":"ann\n"}`, Action{Verb: Ack, Lamp: "tank", By: "ann"}},
		{"shelve", `{"board":"tank","for":"8h"}`, Action{Verb: Shelve, Board: "tank", For: 8 * time.Hour}},
		{"shelve", `{"lamp":"tank","for":"7d"}`, Action{Verb: Shelve, Lamp: "tank", For: 7 * 24 * time.Hour}},
		{"unshelve", `{"lamp":"tank"}`, Action{Verb: Unshelve, Lamp: "tank"}},
		{"teach", `{"lamp":"tank","state":"lit"}`, Action{Verb: Teach, Lamp: "tank", State: "lit"}},
		{"teach", `{"lamp":"tank","state":"anew"}`, Action{Verb: Teach, Lamp: "tank", State: Anew}},
		{"battery", `{"board":"tank"}`, Action{Verb: Battery, Board: "tank"}},
		{"levels", `{"lamp":"tank","on_above":500.5,"off_below":"400,5"}`, Action{Verb: Levels, Lamp: "tank", OnAbove: 500.5, OffBelow: 400.5}},
		{"relearn", `{"lamp":"tank"}`, Action{Verb: Relearn, Lamp: "tank"}},
		{"resend", `{"id":7}`, Action{Verb: Resend, ID: 7}},
		{"resend", `{"id":"all"}`, Action{Verb: Resend, All: true}},
		{"try", `{}`, Action{Verb: Try}},
		// A name that a verb has no use for goes no further.
		{"teach", `{"lamp":"tank","board":"salt","state":"lit"}`, Action{Verb: Teach, Lamp: "tank", State: "lit"}},
		{"battery", `{"board":"tank","lamp":"salt"}`, Action{Verb: Battery, Board: "tank"}},
		{"resend", `{"id":7,"lamp":"salt","board":"salt"}`, Action{Verb: Resend, ID: 7}},
		{"try", `{"lamp":"salt","board":"salt"}`, Action{Verb: Try}},
	} {
		f.did = nil
		w := post(c.verb, c.body)
		assert.Equal(t, 200, w.Code, "%s %s: %s", c.verb, c.body, w.Body)
		assert.Equal(t, []Action{c.want}, f.did)
	}
	assert.NotContains(t, s.hub.lamps, "salt", "what is remembered of changes does not grow by it")
	assert.NotContains(t, s.hub.boards, "salt")
	f.did = nil
	for _, c := range []struct{ verb, body, want string }{
		{"ack", `{}`, "Name one lamp or one board"},
		{"ack", `{"lamp":"a","board":"b"}`, "Name one lamp or one board"},
		{"ack", `[`, "no JSON object"},
		{"shelve", `{"lamp":"tank","for":"soon"}`, `it is \"soon\"`},
		{"shelve", `{"lamp":"tank","for":"-1h"}`, "from 1m to 30d"},
		{"shelve", `{"lamp":"tank","for":"1e300d"}`, "from 1m to 30d"},
		{"teach", `{"lamp":"tank","state":"blinking"}`, "must be"},
		{"levels", `{"lamp":"tank","on_above":"NaN","off_below":1}`, "must be a number"},
		{"levels", `{"lamp":"tank","on_above":"1e999","off_below":1}`, "must be a number"},
		{"resend", `{"id":-1}`, "number of a message"},
		{"explode", `{}`, "There is nothing at this address; GET /api/ lists the API."},
		{"ack", `[]`, "no JSON object, such as {\\\"lamp\\\": \\\"tank\\\"}: it holds only a JSON array."},
		{"ack", `{"lamp":"` + strings.Repeat("x", maxBody) + `"}`, "it is longer than 65536 bytes"},
	} {
		w := post(c.verb, c.body)
		assert.GreaterOrEqual(t, w.Code, 400, c)
		assert.Contains(t, w.Body.String(), c.want, c)
	}
	assert.Empty(t, f.did)
	f.err = unknown("There is no lamp of this name.")
	w := post("ack", `{"lamp":"nobody"}`)
	assert.Equal(t, http.StatusNotFound, w.Code)
	assert.JSONEq(t, `{"error":"There is no lamp of this name."}`, w.Body.String())
}

// An address is there whatever the method, and says which it takes (RFC 9110
// section 15.5.6).
func TestMethodNotAllowed(t *testing.T) {
	s := newServer(t, newFake(), nil)
	for _, c := range []struct {
		method, path string
		code         int
		allow        string
	}{
		{"GET", "/api/ack", 405, "POST"},
		{"DELETE", "/api/shelve", 405, "POST"},
		{"DELETE", "/api/lamps", 405, "GET, HEAD"},
		{"POST", "/api/lamps", 405, "GET, HEAD"},
		{"PUT", "/api/", 405, "GET, HEAD"},
		{"GET", "/do/ack", 405, "POST"},
		{"PATCH", "/login", 405, "GET, HEAD, POST"},
		{"GET", "/logout", 405, "POST"},
		{"DELETE", "/", 405, "GET, HEAD"},
		{"GET", "/api/explode", 404, ""},
		{"POST", "/api/explode", 404, ""},
		{"DELETE", "/api/ack/more", 404, ""},
		{"POST", "/do/explode", 404, ""},
		{"DELETE", "/nowhere", 404, ""},
		{"HEAD", "/api/lamps", 200, ""},
	} {
		w := ask(s, c.method, c.path, nil, nil)
		assert.Equal(t, c.code, w.Code, "%s %s", c.method, c.path)
		assert.Equal(t, c.allow, w.Header().Get("Allow"), "%s %s", c.method, c.path)
		if strings.HasPrefix(c.path, "/api/") && c.code >= 400 {
			assert.True(t, json.Valid(w.Body.Bytes()))
			assert.Contains(t, w.Body.String(), `"error"`)
		}
	}
}

// What GET /api/ lists is there.
func TestIndexIsComplete(t *testing.T) {
	s := newServer(t, newFake(), nil)
	var index struct {
		Endpoints []struct{ Method, Path, About string }
	}
	require.NoError(t, json.Unmarshal(get(s, "/api/").Body.Bytes(), &index))
	assert.Greater(t, len(index.Endpoints), 15)
	for _, e := range index.Endpoints {
		assert.NotEmpty(t, e.About)
		if e.Path == "/api/stream" {
			continue // does not end; see TestStream
		}
		w := ask(s, e.Method, e.Path, nil, nil)
		assert.NotEqual(t, http.StatusMethodNotAllowed, w.Code, e.Path)
		if e.Method == "GET" && e.Path != "/api/lamp" && e.Path != "/api/trace" {
			assert.Equal(t, 200, w.Code, e.Path)
		}
	}
	assert.Equal(t, 200, get(s, "/api/trace?lamp=tank&from=1700000000&to=2026-05-02T11:00:00Z").Code)
	for _, p := range []string{"/api/trace?lamp=tank&from=yesterday", "/api/history?limit=99999", "/api/history?format=xml", "/api/deliveries?state=lost", "/api/trace?lamp=tank&points=-1"} {
		assert.Equal(t, http.StatusBadRequest, get(s, p).Code, p)
	}
}

// What is not known is null: the value of a lamp that was not heard since the
// start, levels before any were learned, and the counts of an event about none.
func TestUnknownCounts(t *testing.T) {
	f := newFake()
	f.st.Lamps = []Lamp{
		{Name: "unheard", State: "dark", OnAbove: 470, OffBelow: 380},
		{Name: "new", State: "learning", At: time.Unix(1, 0), Value: 0, OnAbove: 212, OffBelow: 212},
		{Name: "by hand", State: "dark", At: time.Unix(1, 0), Value: 7, OnAbove: 500, OffBelow: 500, ByHand: true},
	}
	f.events = []Event{{Kind: "unlearned", Lamp: "tank", Value: new(640.0)}, {Kind: "silent", Board: "tank"}}
	s := newServer(t, f, nil)
	read := func(path, list string) (out []string) {
		var all map[string]json.RawMessage
		require.NoError(t, json.Unmarshal(get(s, path).Body.Bytes(), &all))
		var each []map[string]any
		require.NoError(t, json.Unmarshal(all[list], &each))
		for _, x := range each {
			assert.Contains(t, x, "value")
			out = append(out, fmt.Sprint(x["value"], x["on_above"], x["off_below"]))
		}
		return out
	}
	assert.Equal(t, []string{"<nil> 470 380", "0 <nil> <nil>", "7 500 500"}, read("/api/lamps", "lamps"))
	assert.Equal(t, []string{"<nil> 470 380", "0 <nil> <nil>", "7 500 500"}, read("/api/status", "lamps"))
	assert.Equal(t, []string{"640 <nil> <nil>", "<nil> <nil> <nil>"}, read("/api/history", "events"))
	assert.Contains(t, get(s, "/api/history?format=csv").Body.String(), ",unlearned,tank,,640,,,0,")
}

func TestExport(t *testing.T) {
	s := newServer(t, newFake(), nil)
	for path, rows := range map[string]int{"/api/history?format=csv": 3, "/api/trace?lamp=tank&format=csv": 61, "/api/deliveries?format=csv": 2} {
		w := get(s, path)
		assert.Contains(t, w.Header().Get("Content-Disposition"), "attachment")
		list, err := csv.NewReader(w.Body).ReadAll()
		require.NoError(t, err, path)
		assert.Len(t, list, rows, path)
		for _, row := range list[1:] {
			for _, c := range row {
				// A spreadsheet would run it.
				assert.False(t, c != "" && strings.ContainsRune("=+@", rune(c[0])), "%s: %q", path, c)
			}
		}
	}
	assert.Contains(t, get(s, "/api/history?format=csv").Body.String(), "'=1+1")
	assert.Contains(t, get(s, "/api/history?download=1").Header().Get("Content-Disposition"), "lampward-history.json")
}

// How sure a lamp's state is reads as in the reason of its event.
func TestPageSaysHowSure(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	for _, v := range []float64{0.5, 0.87, 0.991, 0.9999, 1} {
		f.st.Lamps[0].Confidence = v
		for _, path := range []string{"/", "/lamp?name=tank"} {
			assert.Contains(t, get(s, path).Body.String(), "<li>"+rules.Sure(v)+" sure</li>", path)
		}
	}
}

// A route that does not work is on the first page, and in what programs read.
func TestFailingRoute(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	assert.NotContains(t, get(s, "/").Body.String(), "taken no message")
	f.st.Failing = []Failing{{Route: "phone", Since: now.Add(-2 * time.Hour), Note: "401 " + nasty}}
	body := get(s, "/").Body.String()
	assert.Contains(t, body, "phone has taken no message since 09:00:")
	assert.NotContains(t, body, nasty)
	assert.Contains(t, get(s, "/api/status").Body.String(), `"failing":[{"route":"phone","since":"2026-05-02T09:00:00Z","note":"401 `)
}

// So is that the database is damaged.
func TestDamaged(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	assert.NotContains(t, get(s, "/").Body.String(), "damaged")
	f.st.Damaged = "page 7 is of no use"
	assert.Contains(t, get(s, "/").Body.String(), "<strong>The database is damaged.</strong> page 7 is of no use</p>")
	assert.Contains(t, get(s, "/api/status").Body.String(), `"damaged":"page 7 is of no use"`)
}

// So is that messages came which tell nothing of any lamp, while one is not heard.
func TestAstray(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	assert.NotContains(t, get(s, "/").Body.String(), "Messages that tell nothing")
	f.st.Counts = map[string]int64{"unknown": 3, "malformed": 1, "readings": 9}
	assert.Contains(t, get(s, "/").Body.String(), "Messages that tell nothing came: 3 on a topic that no lamp or board has, 1 that cannot be read as configured. The log says which, and why.")
	f.st.Counts = map[string]int64{"late": 2}
	assert.Contains(t, get(s, "/").Body.String(), "Messages that tell nothing came: 2 that came too late by the time they carry. The log")
	f.st.Lamps[1].At = now
	assert.NotContains(t, get(s, "/").Body.String(), "Messages that tell nothing")
}

// Before the first reading, the aim view tells nothing of the lamp.
func TestAimBeforeTheFirstReading(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	f.st.Lamps[1] = Lamp{Name: "salt", Board: "salt", State: "learning", Aim: Aim{Noise: 0.5, Hint: "only one level seen so far"}}
	aim := func() string { return get(s, "/aim?name=salt").Body.String() }
	assert.Contains(t, aim(), "Wait for the first reading.")
	assert.NotContains(t, aim(), "±")
	assert.NotContains(t, aim(), "ne level seen")
	f.st.Lamps[1].At, f.st.Lamps[1].Value, f.st.Lamps[1].Aim.Dark, f.st.Lamps[1].Aim.Lit = now, 212, 212, 212
	assert.Contains(t, aim(), "Only one level seen so far.")
	assert.Contains(t, aim(), "±0.50")
}

// In a lamp's first hour its page shows an hour, for in a day it would be a line
// at the edge.
func TestFirstHour(t *testing.T) {
	shown := func(f *fake, path string) string {
		m := regexp.MustCompile(`aria-current="true">([^<]*)</a>`).FindStringSubmatch(get(newServer(t, f, nil), path).Body.String())
		require.Len(t, m, 2)
		return m[1]
	}
	f := newFake()
	assert.Equal(t, "24 hours", shown(f, "/lamp?name=tank"), "two hours ago something happened")
	f.points, f.events = f.points[1:], f.events[:1]
	assert.Equal(t, "1 hour", shown(f, "/lamp?name=tank"))
	assert.Equal(t, "24 hours", shown(f, "/lamp?name=tank&span=24h"))
	assert.Equal(t, "24 hours", shown(f, "/lamp?name=tank&to=1000"))
	f.points = nil
	assert.Equal(t, "24 hours", shown(f, "/lamp?name=tank"))
}

// What waits behind another message is due already, and has no time of its own.
func TestWaitsForOthers(t *testing.T) {
	f := newFake()
	f.sent = []Delivery{{ID: 8, Route: "phone", State: "pending", Time: now, Due: now, Text: "behind"}, {ID: 7, Route: "phone", State: "pending", Time: now, Due: now.Add(time.Minute), Attempts: 2, Note: "no", Text: "first"}}
	body := get(newServer(t, f, nil), "/alerts").Body.String()
	assert.Contains(t, body, "phone: waits for its turn</p>")
	assert.Contains(t, body, `phone: 2 attempts; next <time datetime="2026-05-02T11:01:00Z"`)
}

// Of what was sent only a doubtful answer is shown.
func TestDoubtfulAnswer(t *testing.T) {
	f := newFake()
	f.sent = []Delivery{{ID: 8, Route: "phone", State: "sent", Attempts: 1, Note: "200 OK, with a web page " + nasty, Doubt: true}, {ID: 7, Route: "phone", State: "sent", Attempts: 1, Note: "200 OK at once"}}
	body := get(newServer(t, f, nil), "/alerts").Body.String()
	assert.Contains(t, body, "Answer: <q>200 OK, with a web page ")
	assert.NotContains(t, body, "at once")
	assert.NotContains(t, body, nasty)
}

// So is that an external broker cannot be reached.
func TestCutOff(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	assert.NotContains(t, get(s, "/").Body.String(), "No reading comes in")
	f.st.CutOff = "wrong password " + nasty
	body := get(s, "/").Body.String()
	assert.Contains(t, body, "No reading comes in:</strong> wrong password")
	assert.NotContains(t, body, nasty)
}

// So are topics that it does not let lampward read.
func TestUnread(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	assert.NotContains(t, get(s, "/").Body.String(), "does not let lampward")
	f.st.Barred = []string{"cellar/tank/light", nasty}
	body := get(s, "/").Body.String()
	assert.Contains(t, body, "does not let lampward read cellar/tank/light, ")
	assert.NotContains(t, body, nasty)
	f.st.Barred = []string{"a", "b", "c", "d", "e", "f", "g"}
	assert.Contains(t, get(s, "/").Body.String(), "read a, b, c, d, e and 2 more: nobody")
	assert.Contains(t, get(s, "/api/status").Body.String(), `"barred":["a","b"`)
}

func TestLink(t *testing.T) {
	f := newFake()
	s := newServer(t, f, withAnn)
	w := get(s, "/link?t=good")
	assert.Equal(t, 200, w.Code)
	assert.Contains(t, w.Body.String(), "Acknowledge tank?")
	assert.Contains(t, w.Body.String(), "tank is lit since noon", "what there is to acknowledge now")
	assert.Empty(t, f.did, "looking at it does nothing")
	assert.Equal(t, 200, form(s, "/link", nil, "t", "good").Code)
	assert.Equal(t, []Action{{Verb: Ack, Lamp: "tank", By: "link in a message"}}, f.did)
	assert.Equal(t, http.StatusBadRequest, form(s, "/link", nil, "t", "forged").Code)
	assert.Len(t, f.did, 1)

	// What else waits is shown, and asked for is what was shown.
	f.st.Lamps[0].Alarm.Also, f.st.Lamps[0].Alarm.Mark = []string{"tank: sensor trouble " + nasty}, "77"
	body := get(s, "/link?t=good").Body.String()
	assert.Contains(t, body, "<li>tank: sensor trouble ")
	assert.NotContains(t, body, nasty)
	assert.Contains(t, body, `name="seen" value="77"`)
	assert.NotContains(t, body, "since you were asked")
	f.err = fmt.Errorf("something came: %w", ErrNews)
	assert.Equal(t, http.StatusConflict, form(s, "/link", nil, "t", "good", "seen", "76").Code)
	f.err = nil
	assert.Equal(t, Action{Verb: Ack, Lamp: "tank", By: "link in a message", Seen: "76"}, f.did[1])

	// What is no mark is not stored at any length.
	long := strings.Repeat("7", 10_000)
	form(s, "/link", nil, "t", "good", "seen", long)
	form(newServer(t, f, nil), "/do/ack", nil, "lamp", "tank", "seen", long)
	require.Equal(t, 4, len(f.did))
	for _, a := range f.did[2:] {
		assert.Less(t, len(a.Seen), 100)
		assert.NotEmpty(t, a.Seen)
	}

	f.st.Lamps[0].Alarm.State = "acknowledged"
	w = get(s, "/link?t=good")
	assert.Contains(t, w.Body.String(), "tank: nothing to acknowledge")
	assert.NotContains(t, w.Body.String(), "<form")
	f.st.Lamps = nil
	assert.Equal(t, http.StatusNotFound, get(s, "/link?t=good").Code, "a lamp that is no more")
}

// A stream tells at once what is new since the mark, then what changes, and
// beats meanwhile; it ends with the server.
func TestStream(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	srv := httptest.NewServer(s.Handler())
	defer srv.Close()
	open := func(path string) (next func() (event, data string), done func()) {
		res, err := http.Get(srv.URL + path)
		require.NoError(t, err)
		require.Equal(t, 200, res.StatusCode)
		require.Equal(t, "text/event-stream; charset=utf-8", res.Header.Get("Content-Type"))
		lines := newLines(res.Body)
		return func() (event, data string) {
			for {
				l, ok := lines()
				switch {
				case !ok:
					return "end", ""
				case l == "" && event != "":
					return event, data
				case strings.HasPrefix(l, "event: "):
					event = l[7:]
				case strings.HasPrefix(l, "data: "):
					data = l[6:]
				}
			}
		}, func() { _ = res.Body.Close() }
	}
	next, done := open("/api/stream?mark=" + s.hub.mark())
	defer done()
	e, _ := next()
	require.Equal(t, "beat", e)
	f.st.Lamps[0].Value = 641
	s.Changed("tank", "tank", false)
	var got []string
	for e, data := next(); ; e, data = next() {
		got = append(got, e)
		if e == "lamp" {
			assert.Contains(t, data, `"value":641`)
		}
		if e == "mark" {
			break
		}
	}
	assert.Equal(t, []string{"lamp", "board", "mark"}, got)
	s.Changed("tank", "", true)
	e, _ = next()
	assert.Equal(t, "lamp", e)
	e, data := next()
	assert.Equal(t, "news", e)
	assert.Contains(t, data, "x-2")
	e, _ = next()
	assert.Equal(t, "mark", e)
	// Of another run of the daemon: everything is new.
	all, doneAll := open("/live?view=glance&mark=other-5")
	defer doneAll()
	_, _ = all()
	for _, part := range []string{"answer", "summary", "list"} {
		e, data = all()
		assert.Equal(t, "part", e)
		assert.Contains(t, data, `"part":"`+part+`"`)
	}
	assert.NotContains(t, data, "<script>alert")
	s.Close()
	for e != "end" {
		e, _ = next()
	}
	for e, _ = all(); e != "end"; {
		e, _ = all()
	}
}

func newLines(r io.Reader) func() (string, bool) {
	var held []byte
	return func() (string, bool) {
		for {
			if line, rest, ok := strings.Cut(string(held), "\n"); ok {
				held = []byte(rest)
				return line, true
			}
			b := make([]byte, 64<<10)
			n, err := r.Read(b)
			held = append(held, b[:n]...)
			if err != nil && n == 0 {
				return "", false
			}
		}
	}
}

func TestTooManyWatch(t *testing.T) {
	s := newServer(t, newFake(), nil)
	for range watchersMost {
		_, _, ok := s.hub.watch()
		require.True(t, ok)
	}
	w := get(s, "/live?view=glance")
	assert.Equal(t, http.StatusServiceUnavailable, w.Code)
	assert.Equal(t, "30", w.Header().Get("Retry-After"))
}

// A mistake in one request does not end the others.
func TestPanic(t *testing.T) {
	s := newServer(t, newFake(), nil)
	s.o.Source = nil
	assert.Equal(t, http.StatusInternalServerError, get(s, "/").Code)
}

func TestHealth(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	w := get(s, "/healthz")
	assert.Equal(t, 200, w.Code)
	assert.Equal(t, "ok\n", w.Body.String())
	f.st.Broken = "disk full: /secret/path"
	w = get(s, "/healthz")
	assert.Equal(t, http.StatusServiceUnavailable, w.Code)
	assert.NotContains(t, w.Body.String(), "secret")
}

func TestNewRefuses(t *testing.T) {
	_, err := New(Options{})
	require.Error(t, err)
	_, err = New(Options{Source: newFake(), People: map[string]string{"ann": "h"}})
	require.Error(t, err)
}

// All that was not delivered is sent again by one button, where that is what is shown.
func TestSendAllAgain(t *testing.T) {
	f := newFake()
	s := newServer(t, f, nil)
	const all = "Send all of them again"
	assert.NotContains(t, get(s, "/alerts?state=dead").Body.String(), all, "there is one only")
	f.sent = append(f.sent, f.sent[0])
	assert.Contains(t, get(s, "/alerts?state=dead").Body.String(), all)
	assert.NotContains(t, get(s, "/alerts").Body.String(), all)
	assert.NotContains(t, get(s, "/alerts?state=dead&route=phone").Body.String(), all, "it is about all routes")
	w := form(s, "/do/resend", nil, "id", "all", "back", "/alerts")
	assert.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, []Action{{Verb: Resend, All: true}}, f.did)
}

// Behind a proxy that hides the name that a browser uses, the page's own forms act where
// the page's address is known, and else a person learns what to do. On a network
// without TLS a browser tells no more than the origin (Fetch Metadata is for
// trustworthy addresses only, from memory).
func TestBehindAProxyThatHidesTheName(t *testing.T) {
	f := newFake()
	press := func(s *Server, from string) *httptest.ResponseRecorder {
		return form(s, "/do/ack", func(r *http.Request) { r.Header.Set("Origin", from) }, "lamp", "tank", "back", "/")
	}
	unknown := press(newServer(t, f, nil), "http://cellar.example.com")
	assert.Equal(t, http.StatusForbidden, unknown.Code)
	assert.Contains(t, unknown.Body.String(), "have the proxy pass on Host")
	assert.Empty(t, f.did)
	for address, from := range map[string]string{
		"http://cellar.example.com":      "http://cellar.example.com",
		"http://Cellar.example.com:80":   "http://cellar.example.com",
		"https://cellar.example.com:443": "https://cellar.example.com",
		"http://192.0.2.7:8080":          "http://192.0.2.7:8080",
		"http://[2001:db8::7]:8080":      "http://[2001:db8::7]:8080",
	} {
		f.did = nil
		s := newServer(t, f, func(o *Options) { o.Origin = address })
		assert.Equal(t, http.StatusSeeOther, press(s, from).Code, address)
		assert.Len(t, f.did, 1)
		for _, other := range []string{"http://evil.example", "http://cellar.example.com.evil.example", "null", strings.Replace(from, "http", "httpx", 1)} {
			assert.Equal(t, http.StatusForbidden, press(s, other).Code, other)
		}
		assert.Len(t, f.did, 1)
	}
	w := form(newServer(t, f, nil), "/do/ack", func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, "lamp", "tank")
	assert.NotContains(t, w.Body.String(), "proxy", "it is known to be another site")
}
