package page

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Times of streams.
const (
	pace      = 400 * time.Millisecond // the shortest time between two updates to one watcher
	settle    = 150 * time.Millisecond // waited after a change, for what belongs to it
	heartbeat = 10 * time.Second       // a browser that hears nothing for longer connects anew
	writeTime = 20 * time.Second       // a watcher who takes nothing for so long is let go
)

// stream is one open stream of server-sent events (HTML Living Standard,
// "Server-sent events").
type stream struct {
	w    http.ResponseWriter
	rc   *http.ResponseController
	last map[string]string // newest version of each part that was sent
	row  int64             // of the newest event that was sent, be it in a stream before; 0: there was none; less: not known
	db   string            // the id of its database; empty: not known
}

// database is the part of an event's id that a backup which is restored counts anew
// under, for it comes to the same rows again.
func database(id string) string {
	db, _, _ := strings.Cut(id, "-")
	return db
}

// seen tells whether an event was sent, and with it all before it.
func (t *stream) seen(e *Event) bool {
	return e.Row <= t.row && (t.db == "" || database(e.ID) == t.db)
}

func (t *stream) send(event, id string, v any) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false) // a script reads it, not the HTML parser
	if err := e.Encode(v); err != nil {
		return err
	}
	_ = t.rc.SetWriteDeadline(time.Now().Add(writeTime))
	if id != "" {
		id = "id: " + id + "\n"
	}
	// One line: JSON holds no raw line break but the last.
	_, err := fmt.Fprintf(t.w, "event: %s\n%sdata: %s\n", event, id, b.Bytes())
	return err
}

// follow keeps a stream open and calls update with what is new, at once and
// from then on.
func (s *Server) follow(w http.ResponseWriter, r *http.Request, update func(t *stream, c change) error) {
	wake, leave, ok := s.hub.watch()
	if !ok {
		w.Header().Set("Retry-After", "30")
		s.problem(w, r, http.StatusServiceUnavailable, "Too many watch at once.")
		return
	}
	defer leave()
	if takesGzip(r) {
		z := newZipStream(w)
		defer z.end()
		w = z
	}
	t := &stream{w: w, rc: http.NewResponseController(w), last: map[string]string{}}
	w.Header().Set("Content-Type", "text/event-stream; charset=utf-8")
	w.Header().Set("X-Accel-Buffering", "no") // a proxy must not hold it back
	w.WriteHeader(http.StatusOK)
	mark := r.Header.Get("Last-Event-ID")
	if mark == "" {
		mark = r.URL.Query().Get("mark")
	}
	mark, row, _ := strings.Cut(mark, ".")
	rev := s.hub.parse(mark)
	if i := strings.LastIndexByte(row, '-'); i > 0 {
		t.db, row = row[:i], row[i+1:]
	}
	var err error
	if t.row, err = strconv.ParseInt(row, 10, 64); err != nil {
		t.row = -1
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	if t.send("beat", "", map[string]int64{"every": heartbeat.Milliseconds()}) != nil || t.rc.Flush() != nil {
		return
	}
	pause := func(d time.Duration) bool {
		p := time.NewTimer(d)
		defer p.Stop()
		select {
		case <-p.C:
			return true
		case <-r.Context().Done():
		case <-s.hub.closed:
		}
		return false
	}
	for {
		if c := s.hub.since(rev); !c.none() {
			err := update(t, c)
			if err == nil {
				mark := s.hub.text(c.rev)
				switch row := strconv.FormatInt(t.row, 10); {
				case t.row >= 0 && t.db != "":
					mark += "." + t.db + "-" + row
				case t.row >= 0:
					mark += "." + row
				}
				err = t.send("mark", mark, mark)
			}
			if err == nil {
				err = t.rc.Flush()
			}
			if err != nil {
				if r.Context().Err() == nil {
					s.log.Debug("a watcher was let go", "error", err)
				}
				return
			}
			rev = c.rev
			if !pause(pace) {
				return
			}
		}
		select {
		case <-wake:
			if !pause(settle) {
				return
			}
		case <-beat.C:
			if !s.still(r) || t.send("beat", "", map[string]int64{"every": heartbeat.Milliseconds()}) != nil {
				return
			}
			// Messages go out, and storing fails, without anybody telling the page.
			if update(t, change{beat: true, boards: map[string]bool{}}) != nil || t.rc.Flush() != nil {
				return
			}
		case <-r.Context().Done():
			return
		case <-s.hub.closed:
			return
		}
	}
}

// still tells whether who watches is still logged in.
func (s *Server) still(r *http.Request) bool {
	if len(s.o.People) == 0 || s.login.token(r) {
		return true
	}
	_, ok := s.login.session(r)
	return ok
}

// piece is a newer version of a part of the page.
type piece struct {
	Part string `json:"part"`
	HTML string `json:"html"`
	Now  int64  `json:"now"` // ms since 1970, on lampward's clock
}

// live streams newer versions of the parts of a page.
func (s *Server) live(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	var update func(t *stream, c change) error
	switch q.Get("view") {
	case "glance":
		update = s.liveGlance(r)
	case "lamp":
		update = s.liveLamp(r, q)
	case "board":
		update = s.liveBoard(r, q)
	case "aim":
		update = s.liveAim(r, q)
	case "alerts":
		update = s.liveAlerts(r, q)
	default:
		s.problem(w, r, http.StatusNotFound, "There is no such view.")
		return
	}
	// What is of today is written without its date, so at midnight, the reader's,
	// all is new.
	today := func() int { return s.wordsFor(r, time.Now()).today() }
	day, err := strconv.Atoi(q.Get("day"))
	if err != nil {
		day = today()
	}
	s.follow(w, r, func(t *stream, c change) error {
		if d := today(); d != day {
			day, c.all, c.beat = d, true, false
		}
		return update(t, c)
	})
}

// show draws a part and sends it.
func (s *Server) show(t *stream, name, part string, now time.Time, data any) error {
	html, err := s.part(name, data)
	if err != nil {
		s.log.Error("a part of the page cannot be drawn", "part", name, "error", err)
		return err
	}
	if t.last[part] == html {
		return nil
	}
	t.last[part] = html
	return t.send("part", "", piece{part, html, now.UnixMilli()})
}

func (s *Server) liveGlance(r *http.Request) func(*stream, change) error {
	order, started := "", false
	silent := map[string]bool{} // boards that are shown as silent
	return func(t *stream, c change) error {
		st, err := s.o.Source.Status(r.Context())
		if err != nil {
			return err
		}
		// A board that falls silent with others may have no news of its own.
		for _, b := range st.Boards {
			if b.Silent != silent[b.Name] {
				silent[b.Name], c.boards[b.Name] = b.Silent, true
			}
		}
		w := s.wordsFor(r, st.Now)
		g := glanceOf(st, w)
		v := view{Status: st, Waiting: waiting(st), W: w}
		for _, part := range []string{"answer", "summary"} {
			if err := s.show(t, part, part, st.Now, v); err != nil {
				return err
			}
		}
		// What the page showed first is not known here, so whether rows moved
		// since is known from the second time on; news may move them.
		moved := c.all || started && g.order() != order || !started && c.news
		order, started = g.order(), true
		if moved {
			clear(t.last) // the list replaces rows that were sent
			return s.show(t, "list", "list", st.Now, g)
		}
		if err := s.show(t, "sums", "sums", st.Now, g); err != nil {
			return err
		}
		for _, x := range g.lamps() {
			if !c.lamps[x.Lamp.Name] && !c.boards[x.Lamp.Board] {
				continue
			}
			if err := s.show(t, "row", handle("lamp", x.Lamp.Name), st.Now, x); err != nil {
				return err
			}
		}
		for _, x := range g.boards() {
			if !c.boards[x.Board.Name] {
				continue
			}
			if err := s.show(t, "boardrow", handle("board", x.Board.Name), st.Now, x); err != nil {
				return err
			}
		}
		return nil
	}
}

func (s *Server) liveLamp(r *http.Request, q url.Values) func(*stream, change) error {
	name := q.Get("name")
	silent := false // its board is shown as silent
	return func(t *stream, c change) error {
		if c.beat {
			return s.liveBeat(r, t, name, &silent)
		}
		if !c.all && !c.news && !c.lamps[name] {
			return nil
		}
		b, st, err := s.lampOf(r.Context(), q, func(now time.Time) words { return s.wordsFor(r, now) })
		if err != nil {
			return err
		}
		silent = b.Row.Board != nil && b.Row.Board.Silent
		for _, part := range []string{"lamphead", "lamptrace", "lampsums", "lampchanges", "sent"} {
			if (part == "lampchanges" || part == "sent") && !c.all && !c.news {
				continue
			}
			if err := s.show(t, part, part, st.Now, b); err != nil {
				return err
			}
		}
		return nil
	}
}

// liveBeat sends what changes without news of the lamp: whether its board is
// silent, and its messages, if that is not what was sent last.
func (s *Server) liveBeat(r *http.Request, t *stream, name string, silent *bool) error {
	st, err := s.o.Source.Status(r.Context(), name)
	if err != nil {
		return err
	}
	b := lampBody{W: s.wordsFor(r, st.Now)}
	for _, l := range st.Lamps {
		b.Row = row{Lamp: l, Board: boardsByName(st)[l.Board], W: b.W}
		if b.Row.Board == nil || b.Row.Board.Silent == *silent {
			continue
		}
		*silent = b.Row.Board.Silent
		if err := s.show(t, "lamphead", "lamphead", st.Now, b); err != nil {
			return err
		}
	}
	if b.Sent, err = s.o.Source.Deliveries(r.Context(), DeliveryQuery{Lamp: name, Limit: 10}); err != nil {
		return err
	}
	return s.show(t, "sent", "sent", st.Now, b)
}

func (s *Server) liveBoard(r *http.Request, q url.Values) func(*stream, change) error {
	name := q.Get("name")
	silent := false // it is shown as silent
	return func(t *stream, c change) error {
		if !c.all && !c.news && !c.beat && !c.boards[name] {
			return nil
		}
		b, st, err := s.boardOf(r.Context(), name, func(now time.Time) words { return s.wordsFor(r, now) })
		if err != nil {
			return err
		}
		// "Heard so long ago" is another text each time, and its button another button.
		if !c.beat || b.Board.Board.Silent != silent {
			silent = b.Board.Board.Silent
			if err := s.show(t, "boardpage", "boardpage", st.Now, b); err != nil {
				return err
			}
		}
		return s.show(t, "sent", "sent", st.Now, b)
	}
}

func (s *Server) liveAim(r *http.Request, q url.Values) func(*stream, change) error {
	name := q.Get("name")
	silent := false // its board is shown as silent
	return func(t *stream, c change) error {
		if !c.all && !c.beat && !c.lamps[name] {
			return nil
		}
		st, err := s.o.Source.Status(r.Context(), name)
		if err != nil {
			return err
		}
		b, err := aimOf(st, s.wordsFor(r, st.Now))
		if err != nil {
			return err
		}
		was := silent
		if silent = b.Row.Board != nil && b.Row.Board.Silent; c.beat && silent == was {
			return nil
		}
		for _, part := range []string{"aimnow", "aimgrade", "aimnumbers"} {
			if err := s.show(t, part, part, st.Now, b); err != nil {
				return err
			}
		}
		return nil
	}
}

func (s *Server) liveAlerts(r *http.Request, q url.Values) func(*stream, change) error {
	return func(t *stream, c change) error {
		if !c.all && !c.news && !c.beat {
			return nil
		}
		st, err := s.o.Source.Status(r.Context(), "")
		if err != nil {
			return err
		}
		b, err := s.alertsOf(r.Context(), q, s.wordsFor(r, st.Now), st.Routes)
		if err != nil {
			return err
		}
		return s.show(t, "messages", "messages", st.Now, b)
	}
}

// apiStream is the stream for programs.
func (s *Server) apiStream(w http.ResponseWriter, r *http.Request) {
	s.follow(w, r, func(t *stream, c change) error {
		if c.beat {
			return nil
		}
		var names []string
		for n := range c.lamps {
			names = append(names, n)
		}
		var st Status
		var err error
		if c.all || len(c.boards) > 0 || len(names) == 0 {
			st, err = s.o.Source.Status(r.Context())
		} else {
			st, err = s.o.Source.Status(r.Context(), names...)
		}
		if err != nil {
			return err
		}
		for _, l := range st.Lamps {
			if c.all || c.lamps[l.Name] {
				if err := t.send("lamp", "", l); err != nil {
					return err
				}
			}
		}
		for _, b := range st.Boards {
			if c.all || c.boards[b.Name] {
				if err := t.send("board", "", b); err != nil {
					return err
				}
			}
		}
		if !c.news {
			return nil
		}
		return s.streamNews(r.Context(), t)
	})
}

// How many events news tell of: at least, and at most if more came since the last.
const (
	newsLeast = 20
	newsMost  = 2000
)

// streamNews sends the newest events, all since the last news among them; a program
// knows by their ids which it has seen.
func (s *Server) streamNews(ctx context.Context, t *stream) error {
	list, err := s.o.Source.Events(ctx, EventQuery{Limit: newsLeast})
	if err != nil {
		return err
	}
	seen := func(e Event) bool { return t.seen(&e) }
	done := t.row < 0 || len(list) == 0 || slices.ContainsFunc(list, seen)
	for n := len(list); !done && n < newsMost; n = len(list) {
		more, err := s.o.Source.Events(ctx, EventQuery{Before: list[n-1].Row, Limit: min(5*n, newsMost-n)})
		if err != nil {
			return err
		}
		if len(more) == 0 {
			break
		}
		if i := slices.IndexFunc(more, seen); i >= 0 {
			more, done = more[:i], true
		}
		list = append(list, more...)
	}
	if t.row, t.db = 0, ""; len(list) > 0 {
		t.row, t.db = list[0].Row, database(list[0].ID)
	}
	return t.send("news", "", map[string]any{"events": orEmpty(list)})
}
