package page

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lampward/cmd/lampward/config"
)

func unknown(format string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(format, args...), ErrUnknown)
}

func refused(format string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(format, args...), ErrRefused)
}

// verbs tells what each verb is for and what it needs.
var verbs = []struct{ name, needs, about string }{
	{Ack, "lamp or board", "acknowledge an alert: no more reminders of it; with \"seen\", the \"mark\" of an alarm, only if nothing came since it was that"},
	{Shelve, "lamp or board; for", "send nothing about it for a time, such as \"8h\""},
	{Unshelve, "lamp or board", "end that before its time"},
	{Retire, "lamp or board", "take it out of service: nothing is sent until it is reinstated"},
	{Reinstate, "lamp or board", "put it back in service"},
	{Teach, "lamp; state", "say what the lamp shows now: \"lit\" or \"dark\"; or \"anew\", after the sensor was mounted, moved or changed: what was learned is forgotten"},
	{Battery, "board", "say that a fresh battery was put in"},
	{Levels, "lamp; on_above, off_below", "set the switching levels by hand, in counts"},
	{Relearn, "lamp", "go back from levels set by hand to learned ones"},
	{Resend, "id", "put a message that was not delivered back in line, or with \"all\" for its id all of them"},
	{Try, "", "send a test message through every route and tell how it went"},
}

// needsOf is what a verb must be told; ok: there is such a verb.
func needsOf(verb string) (needs string, ok bool) {
	for _, v := range verbs {
		if v.name == verb {
			return v.needs, true
		}
	}
	return "", false
}

func isVerb(name string) bool {
	_, ok := needsOf(name)
	return ok
}

// shelfMost is the longest time on the shelf; for longer, take it out of
// service.
const shelfMost = 30 * 24 * time.Hour

// bodyFault says what is wrong with the body of a request, without the libraries'
// names of types.
func bodyFault(err error) string {
	var long *http.MaxBytesError
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &long):
		return fmt.Sprintf("it is longer than %d bytes", long.Limit)
	case errors.As(err, &kind):
		return "it holds only a JSON " + kind.Value
	case errors.As(err, &syntax):
		return syntax.Error()
	}
	return strings.TrimPrefix(err.Error(), "http: ")
}

// action reads what a person wants from a form or from JSON.
func action(r *http.Request, verb string) (Action, error) {
	a := Action{Verb: verb, By: who(r)}
	get := r.PostFormValue
	if kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); kind == "application/json" {
		var in map[string]any
		b, err := io.ReadAll(r.Body)
		if err == nil {
			err = json.Unmarshal(b, &in)
		}
		if err != nil {
			return a, refused("The body is no JSON object, such as {\"lamp\": \"tank\"}: %s.", bodyFault(err))
		}
		get = func(k string) string {
			switch v := in[k].(type) {
			case string:
				return v
			case float64:
				return strconv.FormatFloat(v, 'f', -1, 64)
			}
			return ""
		}
	} else if err := r.ParseForm(); err != nil {
		return a, refused("The form cannot be read: %s.", bodyFault(err))
	}
	a.Lamp, a.Board, a.State = get("lamp"), get("board"), get("state")
	if verb == Ack {
		a.Seen = short(get("seen")) // it is stored
	}
	if a.By == "" {
		a.By = cleanName(get("by"))
	}
	needs, known := needsOf(verb)
	// A name that the verb has no use for goes no further.
	if !strings.Contains(needs, "lamp") {
		a.Lamp = ""
	}
	if !strings.Contains(needs, "board") {
		a.Board = ""
	}
	var err error
	number := func(key string) float64 {
		v, e := strconv.ParseFloat(strings.TrimSpace(strings.Replace(get(key), ",", ".", 1)), 64)
		if e != nil || math.IsNaN(v) || math.Abs(v) > 1e9 {
			err = refused("%s must be a number of counts; it is %q", key, short(get(key)))
		}
		return v
	}
	switch {
	case !known:
		return a, unknown("There is no action %q; GET /api/ lists them.", short(verb))
	case strings.HasPrefix(needs, "lamp or board") && (a.Lamp == "") == (a.Board == ""):
		err = refused("Name one lamp or one board.")
	case strings.HasPrefix(needs, "lamp") && !strings.HasPrefix(needs, "lamp or") && a.Lamp == "":
		err = refused("Name a lamp.")
	case needs == "board" && a.Board == "":
		err = refused("Name a board.")
	}
	if err != nil {
		return a, err
	}
	switch verb {
	case Shelve:
		d, e := config.ParseDuration(get("for"))
		if e != nil || d < time.Minute || d > shelfMost {
			err = refused("for must be a time from 1m to 30d, such as \"8h\"; it is %q", short(get("for")))
		}
		a.For = d.Truncate(time.Second)
	case Teach:
		if a.State != "lit" && a.State != "dark" && a.State != Anew {
			err = refused("state must be \"lit\", \"dark\" or \"anew\"; it is %q", short(a.State))
		}
	case Levels:
		a.OnAbove, a.OffBelow = number("on_above"), number("off_below")
	case Resend:
		if a.All = get("id") == "all"; a.All {
			break
		}
		id, e := strconv.ParseInt(get("id"), 10, 64)
		if e != nil || id <= 0 {
			err = refused("id must be the number of a message, or \"all\"; it is %q", short(get("id")))
		}
		a.ID = id
	}
	return a, err
}

// short bounds what is repeated of a mistake.
func short(s string) string {
	if len(s) > 60 {
		return strings.ToValidUTF8(s[:60], "") + "..."
	}
	return s
}

// cleanName keeps a name that a command gives for its user to what can be
// shown.
func cleanName(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	return short(s)
}

// do does what a request asks for. If ok is false, the answer was given. A form
// that acknowledges what is not all there is leads back to its page, which shows
// the rest.
func (s *Server) do(w http.ResponseWriter, r *http.Request) (said string, ok bool) {
	a, err := action(r, r.PathValue("verb"))
	if err == nil {
		said, err = s.o.Source.Do(r.Context(), a)
	}
	if errors.Is(err, ErrNews) && !wantsJSON(r) {
		return sentence(err), true
	}
	if err != nil {
		s.failed(w, r, err)
		return "", false
	}
	s.hub.changed(a.Lamp, a.Board, true)
	return said, true
}

// doForm does what a form on the page asks for, and goes back to the page.
func (s *Server) doForm(w http.ResponseWriter, r *http.Request) {
	if wantsJSON(r) {
		s.apiDo(w, r)
		return
	}
	if said, ok := s.do(w, r); ok {
		setNotice(w, said)
		http.Redirect(w, r, local(r.PostFormValue("back")), http.StatusSeeOther)
	}
}

func (s *Server) apiDo(w http.ResponseWriter, r *http.Request) {
	if !isVerb(r.PathValue("verb")) {
		s.nothing(w, r)
		return
	}
	if said, ok := s.do(w, r); ok {
		writeJSON(w, http.StatusOK, map[string]string{"said": said})
	}
}

// The notice is what the next page says at its top; it travels in a cookie of
// one minute, for a browser that runs no script.
const noticeCookie = "said"

func setNotice(w http.ResponseWriter, said string) {
	if len(said) > 500 {
		said = strings.ToValidUTF8(said[:500], "")
	}
	http.SetCookie(w, &http.Cookie{Name: noticeCookie, Value: base64.RawURLEncoding.EncodeToString([]byte(said)),
		Path: "/", MaxAge: 5, HttpOnly: true, SameSite: http.SameSiteStrictMode})
}

func notice(r *http.Request) string {
	c, err := r.Cookie(noticeCookie)
	if err != nil || len(c.Value) > 1000 {
		return ""
	}
	b, _ := base64.RawURLEncoding.DecodeString(c.Value)
	return cleanLine(string(b))
}

func cleanLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
}

// linkBody is the question behind a link in a message.
type linkBody struct {
	Token  string
	Action Action
	About  string
	// Alarm is how things stand now, which may be another alarm than that of the
	// message.
	Alarm Alarm
	News  bool // something came since the person was asked
}

// linkForm asks before it acts: mail filters and chat programs open links by
// themselves. The token is the right to do one thing, so no login is needed.
func (s *Server) linkForm(w http.ResponseWriter, r *http.Request) {
	token := r.URL.Query().Get("t")
	a, err := s.o.Source.Link(r.Context(), token)
	if err != nil {
		s.failed(w, r, err)
		return
	}
	s.ask(w, r, http.StatusOK, token, a)
}

// ask shows the question behind a link.
func (s *Server) ask(w http.ResponseWriter, r *http.Request, code int, token string, a Action) {
	about := a.Lamp
	if about == "" {
		about = a.Board
	}
	alarm, err := s.alarm(r.Context(), a)
	if err != nil {
		s.failed(w, r, err)
		return
	}
	s.render(w, r, code, "link", view{Title: about, Tab: "link", Body: linkBody{token, a, about, alarm, code == http.StatusConflict}})
}

// alarm is that of the lamp or board of an action.
func (s *Server) alarm(ctx context.Context, a Action) (Alarm, error) {
	var lamps []string
	if a.Lamp != "" {
		lamps = []string{a.Lamp}
	}
	st, err := s.o.Source.Status(ctx, lamps...)
	if err != nil {
		return Alarm{}, err
	}
	for _, l := range st.Lamps {
		if a.Lamp != "" && l.Name == a.Lamp {
			return l.Alarm, nil
		}
	}
	for _, b := range st.Boards {
		if a.Lamp == "" && b.Name == a.Board {
			return b.Alarm, nil
		}
	}
	return Alarm{}, unknown("There is no lamp or board %q any more.", a.Lamp+a.Board)
}

func (s *Server) linkPost(w http.ResponseWriter, r *http.Request) {
	token := r.PostFormValue("t")
	a, err := s.o.Source.Link(r.Context(), token)
	if err == nil {
		a.By = "link in a message"
		if a.Verb == Ack {
			a.Seen = short(r.PostFormValue("seen"))
		}
		var said string
		if said, err = s.o.Source.Do(r.Context(), a); err == nil {
			s.hub.changed(a.Lamp, a.Board, true)
			s.render(w, r, http.StatusOK, "problem", view{Title: "Done", Tab: "link", Text: said})
			return
		}
	}
	if errors.Is(err, ErrNews) {
		s.ask(w, r, http.StatusConflict, token, a)
		return
	}
	s.failed(w, r, err)
}
