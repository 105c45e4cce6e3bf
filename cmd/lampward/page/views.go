package page

import (
	"bytes"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

// view is what every page shows, and in Body what one page does.
type view struct {
	Title, Text string
	Tab         string // which entry of the menu is this page
	Back        string
	Name        string
	Live        string // address of the stream that keeps this page fresh
	Mark        string // revision that the page shows
	Said        string // what became of the last thing that was asked for
	Who         string
	Login       bool // people have to log in
	Waiting     int  // alerts not acknowledged, on the page that is kept fresh of all of them
	W           words
	Status      Status
	Body        any
}

// zoneCookie is where the script leaves the browser's time zone.
const zoneCookie = "zone"

func (s *Server) wordsFor(r *http.Request, now time.Time) words {
	w := words{now: now, zone: s.o.Zone}
	if c, err := r.Cookie(zoneCookie); err == nil && len(c.Value) < 64 {
		if name, err := url.QueryUnescape(c.Value); err == nil {
			// LoadLocation itself refuses names that lead out of its folder.
			if z, err := time.LoadLocation(name); err == nil && name != "" {
				w.zone = z
			}
		}
	}
	return w
}

// render writes a page. It is made whole first, so that a mistake cannot
// leave half of one.
func (s *Server) render(w http.ResponseWriter, r *http.Request, code int, name string, v view) {
	if v.W.zone == nil {
		v.W = s.wordsFor(r, time.Now())
	}
	v.Who, v.Login = who(r), len(s.o.People) > 0
	v.Said = notice(r)
	if v.Live != "" {
		v.Live += "&day=" + strconv.Itoa(v.W.today())
	}
	var b bytes.Buffer
	if err := s.tmpl.ExecuteTemplate(&b, name, v); err != nil {
		s.log.Error("a page cannot be drawn", "page", name, "error", err)
		http.Error(w, "lampward cannot draw this page; its log says why", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write(b.Bytes())
}

// part draws a piece of a page.
func (s *Server) part(name string, data any) (string, error) {
	var b bytes.Buffer
	err := s.tmpl.ExecuteTemplate(&b, name, data)
	return b.String(), err
}

func waiting(st Status) (n int) {
	for _, l := range st.Lamps {
		if l.Alarm.Waits() {
			n++
		}
	}
	for _, b := range st.Boards {
		if b.Alarm.Waits() {
			n++
		}
	}
	return n
}

// row is a lamp in the list.
type row struct {
	Lamp  Lamp
	Board *Board
	W     words
	Brief bool // one of many that are as they should be: little is said of it
}

// boardRow is a board in the list.
type boardRow struct {
	Board Board
	W     words
}

// rowsMost is how many rows of a group are shown; the others are folded away.
const rowsMost = 24

// glanceBody is the list of all lamps: what waits for a person first.
type glanceBody struct {
	First  fold[row]      // not acknowledged
	Silent fold[boardRow] // boards likewise
	Known  fold[row]      // not as it should be, and not waiting for a person
	Rest   fold[row]
	Sums   string         // what those in Rest are, if they are folded
	Boards fold[boardRow] // those that have more to say than their lamps
	W      words
}

// fold is a group of rows, of which those beyond rowsMost are folded away.
type fold[T any] struct{ Shown, More []T }

func (f *fold[T]) add(r T) {
	if len(f.Shown) < rowsMost {
		f.Shown = append(f.Shown, r)
	} else {
		f.More = append(f.More, r)
	}
}

func (f fold[T]) all() []T { return append(f.Shown[:len(f.Shown):len(f.Shown)], f.More...) }

// Any tells whether there is a row.
func (f fold[T]) Any() bool { return len(f.Shown) > 0 }

func boardsByName(st Status) map[string]*Board {
	out := make(map[string]*Board, len(st.Boards))
	for i := range st.Boards {
		out[st.Boards[i].Name] = &st.Boards[i]
	}
	return out
}

func glanceOf(st Status, w words) glanceBody {
	g := glanceBody{W: w}
	boards := boardsByName(st)
	var over, doubt, rest []row
	for _, l := range st.Lamps {
		r := row{Lamp: l, Board: boards[l.Board], W: w}
		switch {
		case l.Alarm.Waits() && l.Abnormal():
			g.First.add(r)
		case l.Alarm.Waits():
			over = append(over, r)
		case l.Abnormal():
			g.Known.add(r)
		case l.Fault != "" || r.Board != nil && r.Board.Silent:
			doubt = append(doubt, r)
		default:
			rest = append(rest, r)
		}
	}
	for _, r := range over { // what is over is less urgent than what still is
		g.First.add(r)
	}
	for _, r := range doubt {
		g.Known.add(r)
	}
	if len(rest) <= rowsMost {
		g.Rest.Shown = rest
	} else {
		states := map[string]int{}
		for i := range rest {
			rest[i].Brief = true
			states[rest[i].Lamp.State]++
		}
		g.Rest.More, g.Sums = rest, tellStates(states)
	}
	for _, b := range st.Boards {
		switch {
		case b.Alarm.Waits():
			g.Silent.add(boardRow{b, w})
		case b.worthARow():
			g.Boards.add(boardRow{b, w})
		}
	}
	return g
}

// tellStates says how many lamps there are of each state.
func tellStates(n map[string]int) string {
	var out []string
	for _, state := range []string{"lit", "dark", "learning"} {
		if n[state] > 0 {
			out = append(out, strconv.Itoa(n[state])+" "+state)
		}
	}
	return strings.Join(out, ", ")
}

// worthARow tells whether a board says more than its lamp's row does.
func (b Board) worthARow() bool {
	return len(b.Lamps) != 1 || b.Lamps[0] != b.Name || b.Silent || b.Battery() != "" || b.RSSI != nil || b.Flat != nil || b.Alarm.State != "normal"
}

// lamps and boards are all rows, wherever they stand.
func (g glanceBody) lamps() []row { return slices.Concat(g.First.all(), g.Known.all(), g.Rest.all()) }

func (g glanceBody) boards() []boardRow { return slices.Concat(g.Silent.all(), g.Boards.all()) }

// order tells whether rows moved, so that the whole list must be sent anew.
func (g glanceBody) order() string {
	var b bytes.Buffer
	for i, group := range [][]row{g.First.all(), g.Known.all()} {
		for _, r := range group {
			b.WriteString(strconv.Itoa(i) + r.Lamp.Name + "\x00")
		}
	}
	for i, group := range [][]boardRow{g.Silent.all(), g.Boards.all()} {
		for _, r := range group {
			b.WriteString(strconv.Itoa(2+i) + r.Board.Name + "\x00")
		}
	}
	return b.String()
}

func (s *Server) glance(w http.ResponseWriter, r *http.Request) {
	mark := s.hub.mark()
	st, err := s.o.Source.Status(r.Context())
	if err != nil {
		s.failed(w, r, err)
		return
	}
	v := view{Title: "Lamps", Tab: "lamps", Mark: mark, Live: "/live?view=glance", Waiting: waiting(st), W: s.wordsFor(r, st.Now), Status: st}
	v.Body = glanceOf(st, v.W)
	s.render(w, r, http.StatusOK, "glance", v)
}

// spans are the lengths of history that a lamp's page offers.
var spans = []struct {
	Code   string
	Word   string
	Length time.Duration
}{
	{"1h", "1 hour", time.Hour},
	{"6h", "6 hours", 6 * time.Hour},
	{"24h", "24 hours", 24 * time.Hour},
	{"7d", "7 days", 7 * 24 * time.Hour},
	{"30d", "30 days", 30 * 24 * time.Hour},
	{"1y", "1 year", 365 * 24 * time.Hour},
}

// window is the stretch of history on show.
type window struct {
	Code     string
	Word     string
	From, To time.Time
	Live     bool // it ends now
}

func windowOf(q url.Values, now time.Time) window {
	s := spans[2]
	for _, x := range spans {
		if x.Code == q.Get("span") {
			s = x
		}
	}
	win := window{Code: s.Code, Word: s.Word, To: now, Live: true}
	if sec, err := strconv.ParseInt(q.Get("to"), 10, 64); err == nil && sec > 0 && sec < now.Unix() {
		win.To, win.Live = time.Unix(sec, 0), false
	}
	win.From = win.To.Add(-s.Length)
	return win
}

// lampBody is the page of one lamp.
type lampBody struct {
	Row      row
	Window   window
	Spans    any
	Earlier  string // addresses
	Later    string
	Trace    chart
	Hist     chart
	Changes  []entry
	Sums     [][]string // durations and counts, a column for each state
	Since    time.Time  // from when on they are counted, if not over the whole Window
	Sent     []Delivery
	More     bool // there are more changes than shown
	Readings int64
	W        words
}

// entry is an event in a lamp's list, numbered if it is on the trace.
type entry struct {
	N int
	Event
}

const (
	changesShown = 60
	eventsMost   = 10_000 // of one lamp that are looked at
)

// lampOf gathers everything about one lamp.
func (s *Server) lampOf(ctx context.Context, q url.Values, w func(time.Time) words) (lampBody, Status, error) {
	name := q.Get("name")
	st, err := s.o.Source.Status(ctx, name)
	if err != nil {
		return lampBody{}, st, err
	}
	if len(st.Lamps) != 1 || name == "" {
		return lampBody{}, st, unknown("There is no lamp of this name.")
	}
	l := st.Lamps[0]
	b := lampBody{W: w(st.Now), Window: windowOf(q, st.Now), Spans: spans}
	b.Row = row{Lamp: l, Board: boardsByName(st)[l.Board], W: b.W}
	win := b.Window
	events, err := s.o.Source.Events(ctx, EventQuery{Lamp: name, From: win.From, To: win.To.Add(time.Second), Limit: eventsMost})
	if err != nil {
		return b, st, err
	}
	trace := func() ([]Point, error) {
		return s.o.Source.Trace(ctx, name, win.From, win.To.Add(time.Second), 600)
	}
	points, err := trace()
	if err != nil {
		return b, st, err
	}
	// Where all that a day holds is of its last hour, as in a lamp's first, it would be
	// a line at the edge. The events are all of that hour, too.
	young := func(t time.Time) bool { return t.After(win.To.Add(-time.Hour)) }
	if q.Get("span") == "" && win.Live && len(points) > 0 && young(points[0].At) && (len(events) == 0 || young(events[len(events)-1].Time)) {
		win = windowOf(url.Values{"span": {"1h"}}, st.Now)
		b.Window = win
		if points, err = trace(); err != nil {
			return b, st, err
		}
	}
	before, err := s.o.Source.Events(ctx, EventQuery{Lamp: name, Kinds: []string{"lit", "dark", "blinking", "learned", "unlearned"}, To: win.From, Limit: 1})
	if err != nil {
		return b, st, err
	}
	first := ""
	if len(before) > 0 {
		first = stateOf(before[0])
	}
	known := win.From
	if len(before) == 0 && len(points) > 0 { // of what was before its first reading there is nothing to learn
		began := points[0].At
		if len(events) > 0 && events[len(events)-1].Time.Before(began) {
			began = events[len(events)-1].Time
		}
		if began.After(known) {
			known = began
		}
	}
	for i := len(events) - 1; len(events) == eventsMost && i >= 0; i-- { // there may be older ones
		if first = stateOf(events[i]); first != "" {
			known, b.Since = events[i].Time, events[i].Time
			break
		}
	}
	states := stretches(events, first, known, win.To)
	b.Sums = sums(tallies(states))
	d := traceData{lamp: l, points: points, from: win.From, to: win.To, states: states, zone: b.W.zone}
	n := 0
	for _, e := range slices.Backward(events) {
		c := entry{Event: e}
		if stateOf(e) != "" {
			n++
			c.N = n
			d.marks = append(d.marks, mark{n, e.Kind, e.Time})
		}
		b.Changes = append(b.Changes, c)
	}
	slices.Reverse(b.Changes)
	if len(b.Changes) > changesShown {
		b.Changes, b.More = b.Changes[:changesShown], true
	}
	for _, p := range points {
		b.Readings += p.Count
	}
	b.Trace, b.Hist = drawTrace(d), drawHistogram(points, l)
	length := win.To.Sub(win.From)
	at := func(t time.Time) string {
		u := url.Values{"name": {name}, "span": {win.Code}}
		if !t.IsZero() {
			u.Set("to", strconv.FormatInt(t.Unix(), 10))
		}
		return "/lamp?" + u.Encode()
	}
	b.Earlier = at(win.To.Add(-length))
	if !win.Live {
		b.Later = at(time.Time{})
		if to := win.To.Add(length); to.Before(st.Now) {
			b.Later = at(to)
		}
	}
	b.Sent, err = s.o.Source.Deliveries(ctx, DeliveryQuery{Lamp: name, Limit: 10})
	return b, st, err
}

func (s *Server) lamp(w http.ResponseWriter, r *http.Request) {
	mark := s.hub.mark()
	b, st, err := s.lampOf(r.Context(), r.URL.Query(), func(t time.Time) words { return s.wordsFor(r, t) })
	if err != nil {
		s.failed(w, r, err)
		return
	}
	v := view{Title: b.Row.Lamp.Name, Tab: "lamp", Mark: mark, W: b.W, Status: st, Body: b}
	if b.Window.Live {
		v.Live = "/live?" + url.Values{"view": {"lamp"}, "name": {b.Row.Lamp.Name}, "span": {b.Window.Code}}.Encode()
	}
	s.render(w, r, http.StatusOK, "lamp", v)
}

// boardBody is the page of one board.
type boardBody struct {
	Board  boardRow
	Events []Event
	Sent   []Delivery
	W      words
}

func (s *Server) boardOf(ctx context.Context, name string, w func(time.Time) words) (boardBody, Status, error) {
	st, err := s.o.Source.Status(ctx)
	if err != nil {
		return boardBody{}, st, err
	}
	b, ok := boardsByName(st)[name]
	if !ok {
		return boardBody{}, st, unknown("There is no board of this name.")
	}
	out := boardBody{W: w(st.Now)}
	out.Board = boardRow{*b, out.W}
	if out.Events, err = s.o.Source.Events(ctx, EventQuery{Board: name, Limit: changesShown}); err != nil {
		return out, st, err
	}
	out.Sent, err = s.o.Source.Deliveries(ctx, DeliveryQuery{Board: name, Limit: 10})
	return out, st, err
}

func (s *Server) board(w http.ResponseWriter, r *http.Request) {
	mark := s.hub.mark()
	name := r.URL.Query().Get("name")
	b, st, err := s.boardOf(r.Context(), name, func(t time.Time) words { return s.wordsFor(r, t) })
	if err != nil {
		s.failed(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "board", view{Title: name, Tab: "board", Mark: mark, W: b.W, Status: st,
		Live: "/live?" + url.Values{"view": {"board"}, "name": {name}}.Encode(), Body: b})
}

// aimBody is the view for placing the sensor.
type aimBody struct {
	Row   row
	Plot  any
	Steps int // how many of five lamps of the gauge are on
	W     words
}

// gauge turns a grade into steps of five.
var gauge = map[string]int{"too weak": 1, "weak": 2, "good": 4, "excellent": 5}

func aimOf(st Status, w words) (aimBody, error) {
	if len(st.Lamps) != 1 {
		return aimBody{}, unknown("There is no lamp of this name.")
	}
	l := st.Lamps[0]
	return aimBody{Row: row{Lamp: l, Board: boardsByName(st)[l.Board], W: w}, Plot: drawAim(l), Steps: gauge[l.Aim.Grade], W: w}, nil
}

func (s *Server) aim(w http.ResponseWriter, r *http.Request) {
	mark := s.hub.mark()
	name := r.URL.Query().Get("name")
	st, err := s.o.Source.Status(r.Context(), name)
	if err != nil {
		s.failed(w, r, err)
		return
	}
	words := s.wordsFor(r, st.Now)
	b, err := aimOf(st, words)
	if err != nil {
		s.failed(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "aim", view{Title: "Aim: " + name, Tab: "aim", Mark: mark, W: words, Status: st,
		Live: "/live?" + url.Values{"view": {"aim"}, "name": {name}}.Encode(), Body: b})
}

// alertsBody is the list of messages.
type alertsBody struct {
	State  string
	Route  string
	Routes []string
	List   []Delivery
	Older  string
	W      words
}

const alertsShown = 50

// AllAgain tells whether to offer to send all that was given up again.
func (b alertsBody) AllAgain() bool { return b.State == "dead" && b.Route == "" && len(b.List) > 1 }

func (s *Server) alertsOf(ctx context.Context, q url.Values, w words, routes []string) (alertsBody, error) {
	b := alertsBody{State: q.Get("state"), Route: q.Get("route"), Routes: routes, W: w}
	if stateWords[b.State] == "" {
		b.State = ""
	}
	before, _ := strconv.ParseInt(q.Get("before"), 10, 64)
	var err error
	b.List, err = s.o.Source.Deliveries(ctx, DeliveryQuery{State: b.State, Route: b.Route, Before: max(0, before), Limit: alertsShown + 1})
	if len(b.List) > alertsShown {
		b.List = b.List[:alertsShown]
		b.Older = "/alerts?" + url.Values{"state": {b.State}, "route": {b.Route}, "before": {strconv.FormatInt(b.List[alertsShown-1].ID, 10)}}.Encode()
	}
	return b, err
}

func (s *Server) alerts(w http.ResponseWriter, r *http.Request) {
	mark := s.hub.mark()
	st, err := s.o.Source.Status(r.Context())
	if err != nil {
		s.failed(w, r, err)
		return
	}
	words := s.wordsFor(r, st.Now)
	b, err := s.alertsOf(r.Context(), r.URL.Query(), words, st.Routes)
	if err != nil {
		s.failed(w, r, err)
		return
	}
	v := view{Title: "Messages", Tab: "alerts", Mark: mark, W: words, Status: st, Body: b}
	if r.URL.Query().Get("before") == "" {
		v.Live = "/live?" + url.Values{"view": {"alerts"}, "state": {b.State}, "route": {b.Route}}.Encode()
	}
	s.render(w, r, http.StatusOK, "alerts", v)
}
