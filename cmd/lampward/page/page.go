// Package page serves lampward's page and its JSON API.
//
// Call [New] with the daemon as a [Source], serve [Server.Handler], and call
// [Server.Changed] whenever something happened, so that those who watch see
// it. [Server.Close] ends their streams.
//
// Everything is drawn on the server: HTML from templates, charts as SVG. The
// script only replaces parts of the page with newer ones that the server
// sends, and the page works, without live updates, if it does not run.
package page

import (
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"net/netip"
	"strings"
	"time"
)

// Options of a Server. Source is needed.
type Options struct {
	Source Source
	Log    *slog.Logger // nil: slog.Default()
	// People who may log in, name to password hash. Empty: nobody needs to,
	// and only requests that name this machine as localhost are answered.
	People map[string]string
	// Verify tells whether a password fits a hash; needed if there are People.
	Verify func(hash, password string) bool
	// Keep is given what is to be Kept at the next start, so that nobody has to
	// log in again; it is called one at a time and should not take long. nil:
	// a restart ends all sessions.
	Keep func(sessions []byte) error
	Kept []byte // what Keep was given last
	// Token, if not empty, is what commands on this machine show instead of
	// logging in.
	Token string
	// Hosts are further host names under which the page is reached; empty
	// with People: any.
	Hosts []string
	// Origin is the address under which browsers reach the page, such as
	// https://cellar.example.com, where a proxy may hide that; empty: not known. The
	// page answers to the name in it, too.
	Origin string
	// Secure says that the page is served by TLS, so that cookies may insist
	// on it.
	Secure bool
	// TrustedProxies are the addresses of reverse proxies: of a request that comes from
	// one, X-Forwarded-For says who the client is and X-Forwarded-Proto whether it
	// came by TLS. From anybody else the two are ignored.
	TrustedProxies []netip.Prefix
	// Metrics answers GET /metrics, for those who may see the page; nil: nobody.
	Metrics http.Handler
	// Zone is the time zone for browsers that do not say theirs; nil: the
	// machine's.
	Zone *time.Location
}

// Server is the page.
type Server struct {
	o      Options
	log    *slog.Logger
	hub    *hub
	login  *doorkeeper
	assets map[string]asset
	tmpl   *template.Template
	root   http.Handler
	mux    *http.ServeMux // within root
}

//go:embed static templates
var files embed.FS

// New returns a Server. It starts nothing.
func New(o Options) (*Server, error) {
	if o.Source == nil {
		return nil, errors.New("page: no source of what to show")
	}
	if len(o.People) > 0 && o.Verify == nil {
		return nil, errors.New("page: people are named, but nothing checks their passwords")
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Zone == nil {
		o.Zone = time.Local
	}
	s := &Server{o: o, log: o.Log, hub: newHub(), login: newDoorkeeper(o)}
	var err error
	if s.assets, err = loadAssets(files); err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	if s.tmpl, err = template.New("").Funcs(s.words()).ParseFS(files, "templates/*.html"); err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	s.root = s.guard(s.routes())
	return s, nil
}

// Handler answers every request to the page.
func (s *Server) Handler() http.Handler { return s.root }

// Changed tells those who watch that lamps or boards of these names changed,
// and with news set that an event was decided. It never blocks.
func (s *Server) Changed(lamp, board string, news bool) { s.hub.changed(lamp, board, news) }

// Close ends the streams of those who watch.
func (s *Server) Close() { s.hub.close() }

func (s *Server) routes() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /healthz", s.health)
	m.HandleFunc("GET /static/{file}", s.static)
	m.HandleFunc("GET /login", s.loginForm)
	m.HandleFunc("POST /login", s.loginPost)
	m.HandleFunc("POST /logout", s.logout)
	m.HandleFunc("GET /link", s.linkForm)
	m.HandleFunc("POST /link", s.linkPost)

	person := func(pattern string, h http.HandlerFunc) { m.Handle(pattern, s.known(h)) }
	person("GET /{$}", s.glance)
	person("GET /lamp", s.lamp)
	person("GET /board", s.board)
	person("GET /aim", s.aim)
	person("GET /alerts", s.alerts)
	person("GET /live", s.live)
	person("POST /do/{verb}", s.doForm)

	person("GET /api/{$}", s.apiIndex)
	person("GET /api/status", s.apiStatus)
	person("GET /api/lamps", s.apiLamps)
	person("GET /api/lamp", s.apiLamp)
	person("GET /api/boards", s.apiBoards)
	person("GET /api/history", s.apiHistory)
	person("GET /api/trace", s.apiTrace)
	person("GET /api/deliveries", s.apiDeliveries)
	person("GET /api/stream", s.apiStream)
	person("POST /api/{verb}", s.apiDo)
	if s.o.Metrics != nil {
		person("GET /metrics", s.o.Metrics.ServeHTTP)
	}
	m.HandleFunc("/", s.nothing)
	s.mux = m
	return m
}

// nothing answers what nothing else does: with 405 and the methods that are allowed
// where another one is (RFC 9110 section 15.5.6), else with 404.
func (s *Server) nothing(w http.ResponseWriter, r *http.Request) {
	var allow []string
	for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodPost} {
		_, pattern := s.mux.Handler(&http.Request{Method: method, URL: r.URL, Host: r.Host})
		before, any := strings.CutSuffix(pattern, "/{verb}")
		if pattern != "/" && (!any || isVerb(strings.TrimPrefix(method+" "+r.URL.Path, before+"/"))) {
			allow = append(allow, method)
		}
	}
	if len(allow) == 0 {
		s.problem(w, r, http.StatusNotFound, "There is nothing at this address; GET /api/ lists the API.")
		return
	}
	w.Header().Set("Allow", strings.Join(allow, ", "))
	s.problem(w, r, http.StatusMethodNotAllowed, fmt.Sprintf("%s does nothing at this address; it takes %s.", short(r.Method), strings.Join(allow, ", ")))
}

// health answers those who watch over lampward. It needs no login and says
// nothing but whether the daemon answers.
func (s *Server) health(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), 5*time.Second)
	defer cancel()
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	// The name asks for none of the lamps, which costs little.
	st, err := s.o.Source.Status(ctx, "")
	switch {
	case err != nil:
		w.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintln(w, "the daemon does not answer")
	case st.Broken != "":
		w.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintln(w, "readings cannot be stored")
	default:
		fmt.Fprintln(w, "ok")
	}
}

// wantsJSON tells whether a request comes from a program.
func wantsJSON(r *http.Request) bool {
	return strings.HasPrefix(r.URL.Path, "/api/") || strings.Contains(r.Header.Get("Accept"), "application/json")
}

// problem answers with an error that a person can read.
func (s *Server) problem(w http.ResponseWriter, r *http.Request, code int, text string) {
	if wantsJSON(r) {
		writeJSON(w, code, map[string]string{"error": text})
		return
	}
	s.render(w, r, code, "problem", view{Title: http.StatusText(code), Text: text})
}

// failed answers with the error of a Source.
func (s *Server) failed(w http.ResponseWriter, r *http.Request, err error) {
	code := http.StatusServiceUnavailable
	switch {
	case errors.Is(err, ErrUnknown):
		code = http.StatusNotFound
	case errors.Is(err, ErrRefused):
		code = http.StatusBadRequest
	case errors.Is(err, ErrNews):
		code = http.StatusConflict
	case errors.Is(err, context.Canceled):
		return // nobody is there any more
	default:
		s.log.Warn("the page could not be served", "path", r.URL.Path, "error", err)
	}
	s.problem(w, r, code, sentence(err))
}

// sentence is an error as text for people: without the class it wraps.
func sentence(err error) string {
	t := err.Error()
	for _, class := range []error{ErrUnknown, ErrRefused, ErrNews} {
		t = strings.TrimSuffix(t, ": "+class.Error())
	}
	return t
}

func writeJSON(w http.ResponseWriter, code int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "cannot write this as JSON", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write(append(b, '\n'))
}
