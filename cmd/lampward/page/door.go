package page

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"

	"lampward/broker"
)

// Times and bounds of logins.
const (
	sessionIdle  = 30 * 24 * time.Hour // without a request, after which one must log in again
	sessionMax   = 180 * 24 * time.Hour
	sessionsMost = 1000           // the longest unused one makes room
	sessionNews  = 24 * time.Hour // what is kept of a session is renewed when its last use is this much later

	freeTries = 5                // wrong passwords from one address before it has to wait
	freeFar   = 50               // likewise, from an IPv6 /48
	firstWait = 10 * time.Second // then this long, and twice as long each time
	longWait  = 15 * time.Minute // but not longer
	strangers = 4096             // addresses with wrong passwords that are remembered
	checks    = 2                // passwords checked at once: each takes 19 MiB
	checkWait = 5 * time.Second  // how long to wait in line for it
)

// doorkeeper knows who is logged in, and slows down those who guess.
type doorkeeper struct {
	o     Options
	now   func() time.Time
	check chan struct{}
	dummy string // a hash to check when there is no such person, so that it takes as long

	mu       sync.Mutex
	sessions map[[32]byte]*session // by hash of the cookie: a copy of memory opens no door
	wrong    map[netip.Prefix]*guesses
}

type session struct {
	name        string
	began, used time.Time
	kept        time.Time // used, as it was kept last
}

// over tells whether the person must log in again.
func (s *session) over(now time.Time) bool {
	return now.Sub(s.used) > sessionIdle || now.Sub(s.began) > sessionMax
}

type guesses struct {
	count int
	last  time.Time
	until time.Time // no attempt before
}

func newDoorkeeper(o Options) *doorkeeper {
	d := &doorkeeper{
		o: o, now: time.Now, check: make(chan struct{}, checks),
		sessions: map[[32]byte]*session{}, wrong: map[netip.Prefix]*guesses{},
	}
	for _, h := range o.People {
		d.dummy = h
	}
	if err := d.restore(o.Kept); err != nil {
		o.Log.Warn("the logins of before cannot be read; everybody has to log in again", "error", err)
	}
	return d
}

type whoKey struct{}

// who is the person behind a request; empty where nobody has to log in.
func who(r *http.Request) string {
	name, _ := r.Context().Value(whoKey{}).(string)
	return name
}

// known lets through those who logged in; everybody if nobody has to.
func (s *Server) known(next http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if len(s.o.People) == 0 || s.login.token(r) {
			next(w, r)
			return
		}
		name, ok := s.login.session(r)
		if !ok {
			if wantsJSON(r) || r.URL.Path == "/live" || r.URL.Path == "/metrics" {
				s.problem(w, r, http.StatusUnauthorized, "Log in first.")
				return
			}
			to := "/login"
			if r.Method == http.MethodGet && r.URL.Path != "/" {
				to += "?to=" + url.QueryEscape(r.URL.RequestURI())
			}
			http.Redirect(w, r, to, http.StatusSeeOther)
			return
		}
		next(w, r.WithContext(context.WithValue(r.Context(), whoKey{}, name)))
	})
}

// token tells whether a request shows the token of commands on this machine.
func (d *doorkeeper) token(r *http.Request) bool {
	got, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	return ok && d.o.Token != "" && subtle.ConstantTimeCompare([]byte(got), []byte(d.o.Token)) == 1
}

func (d *doorkeeper) cookieName(r *http.Request) string {
	if d.overTLS(r) {
		return "__Host-lampward"
	}
	return "lampward"
}

func (d *doorkeeper) session(r *http.Request) (name string, ok bool) {
	c, err := r.Cookie(d.cookieName(r))
	if err != nil {
		return "", false
	}
	key := sha256.Sum256([]byte(c.Value))
	now := d.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	s := d.sessions[key]
	if s == nil {
		return "", false
	}
	if s.over(now) {
		delete(d.sessions, key)
		d.keep()
		return "", false
	}
	if s.used = now; now.Sub(s.kept) >= sessionNews {
		d.keep()
	}
	return s.name, true
}

// open starts a session and sets its cookie.
func (d *doorkeeper) open(w http.ResponseWriter, r *http.Request, name string) {
	secret := rand.Text() + rand.Text() // 260 bits
	now := d.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.sessions) >= sessionsMost {
		var oldest [32]byte
		at := now
		for k, s := range d.sessions {
			if !s.used.After(at) {
				oldest, at = k, s.used
			}
		}
		delete(d.sessions, oldest)
	}
	d.sessions[sha256.Sum256([]byte(secret))] = &session{name: name, began: now, used: now}
	d.keep()
	http.SetCookie(w, d.cookie(r, secret, int(sessionIdle/time.Second)))
}

func (d *doorkeeper) close(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(d.cookieName(r)); err == nil {
		d.mu.Lock()
		if key := sha256.Sum256([]byte(c.Value)); d.sessions[key] != nil {
			delete(d.sessions, key)
			d.keep()
		}
		d.mu.Unlock()
	}
	http.SetCookie(w, d.cookie(r, "", -1))
}

// cookie is out of the script's reach. SameSite is Lax, not Strict, so that
// the link in a message opens the page without another login; what changes
// something is a POST, which a foreign site cannot make the browser send.
func (d *doorkeeper) cookie(r *http.Request, value string, age int) *http.Cookie {
	return &http.Cookie{Name: d.cookieName(r), Value: value, Path: "/", MaxAge: age,
		HttpOnly: true, Secure: d.overTLS(r), SameSite: http.SameSiteLaxMode}
}

// origin is what wrong passwords are counted by, and how many are free there.
type origin struct {
	net  netip.Prefix
	free int
}

// origins are those of a client: the address of an IPv4 one; of an IPv6 one the
// /64 network, in which it can have any address, and less strictly the /48, in
// which it may have any /64.
func origins(r *http.Request) []origin {
	near := broker.Peer(r.RemoteAddr)
	out := []origin{{near, freeTries}}
	if near.Addr().Is6() && !near.Addr().IsLoopback() {
		far, _ := near.Addr().Prefix(48)
		out = append(out, origin{far, freeFar})
	}
	return out
}

// wait tells how long a client must wait before its next attempt, and
// counts this one as wrong until right is called, so that attempts at the
// same time do not all pass.
func (d *doorkeeper) wait(from []origin) (wait time.Duration) {
	now := d.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, o := range from {
		if g := d.wrong[o.net]; g != nil {
			wait = max(wait, g.until.Sub(now))
		}
	}
	if wait > 0 {
		return wait
	}
	for _, o := range from {
		g := d.wrong[o.net]
		if g == nil {
			if len(d.wrong) >= strangers {
				d.forget(now)
			}
			g = &guesses{}
			d.wrong[o.net] = g
		}
		if now.Sub(g.last) > 24*time.Hour {
			g.count = 0
		}
		g.count++
		g.last = now
		if over := g.count - o.free; over >= 0 {
			g.until = now.Add(min(longWait, firstWait<<min(over, 10)))
		}
	}
	return 0
}

// forget drops the addresses that were wrong longest ago.
func (d *doorkeeper) forget(now time.Time) {
	for len(d.wrong) >= strangers {
		var oldest netip.Prefix
		at := now
		for p, g := range d.wrong {
			if !g.last.After(at) {
				oldest, at = p, g.last
			}
		}
		delete(d.wrong, oldest)
	}
}

func (d *doorkeeper) right(from []origin) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, o := range from {
		delete(d.wrong, o.net)
	}
}

// passes checks a password, few at a time; busy: too many wait.
func (d *doorkeeper) passes(ctx context.Context, name, password string) (ok, busy bool) {
	ctx, cancel := context.WithTimeout(ctx, checkWait)
	defer cancel()
	select {
	case d.check <- struct{}{}:
	case <-ctx.Done():
		return false, true
	}
	defer func() { <-d.check }()
	hash, exists := d.o.People[name]
	if !exists {
		hash = d.dummy
	}
	return d.o.Verify(hash, password) && exists, false
}

func (s *Server) loginForm(w http.ResponseWriter, r *http.Request) {
	if _, ok := s.login.session(r); ok || len(s.o.People) == 0 {
		http.Redirect(w, r, local(r.FormValue("to")), http.StatusSeeOther)
		return
	}
	s.render(w, r, http.StatusOK, "login", view{Title: "Log in", Back: local(r.FormValue("to"))})
}

func (s *Server) loginPost(w http.ResponseWriter, r *http.Request) {
	name, password := r.PostFormValue("name"), r.PostFormValue("password")
	back := local(r.PostFormValue("to"))
	refuse := func(code int, text string) {
		if wantsJSON(r) {
			writeJSON(w, code, map[string]string{"error": text})
			return
		}
		s.render(w, r, code, "login", view{Title: "Log in", Back: back, Text: text, Name: name})
	}
	if len(s.o.People) == 0 {
		refuse(http.StatusBadRequest, "Nobody needs to log in here.")
		return
	}
	from := origins(r)
	if wait := s.login.wait(from); wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(wait/time.Second)+1))
		refuse(http.StatusTooManyRequests, "Too many wrong passwords came from this address. Wait "+Long(wait+time.Second)+", then try again.")
		return
	}
	if len(password) > 1000 || len(name) > 100 {
		name, password = "", "" // no name is empty
	}
	ok, busy := s.login.passes(r.Context(), name, password)
	switch {
	case busy:
		w.Header().Set("Retry-After", "5")
		refuse(http.StatusServiceUnavailable, "Too many people log in at once. Try again in a moment.")
	case !ok:
		s.log.Warn("wrong name or password on the page", "from", from[0].net.Addr())
		refuse(http.StatusUnauthorized, "Name or password is wrong.")
	default:
		s.login.right(from)
		s.login.open(w, r, name)
		if wantsJSON(r) {
			writeJSON(w, http.StatusOK, map[string]string{"name": name})
			return
		}
		http.Redirect(w, r, back, http.StatusSeeOther)
	}
}

func (s *Server) logout(w http.ResponseWriter, r *http.Request) {
	s.login.close(w, r)
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// local makes sure that an address to go on to lies on this page.
func local(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || u.Opaque != "" ||
		!strings.HasPrefix(u.Path, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n\t") {
		return "/"
	}
	return to
}
