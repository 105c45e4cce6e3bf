package page

import (
	"encoding/csv"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// apiIndex lists what the API offers.
func (s *Server) apiIndex(w http.ResponseWriter, r *http.Request) {
	type entry struct {
		Method string `json:"method"`
		Path   string `json:"path"`
		Query  string `json:"query,omitempty"`
		Needs  string `json:"needs,omitempty"`
		About  string `json:"about"`
	}
	list := []entry{
		{"GET", "/healthz", "", "", "200 ok while the daemon answers and can store, else 503; needs no login"},
		{"GET", "/api/", "", "", "this list"},
		{"GET", "/api/status", "", "", "everything that is known now: clock, counts of messages, routes, lamps, boards"},
		{"GET", "/api/lamps", "", "", "the lamps now"},
		{"GET", "/api/lamp", "name", "", "one lamp now"},
		{"GET", "/api/boards", "", "", "the boards now"},
		{"GET", "/api/history", "lamp or board, kind (more than once), from, to, before (a row), limit, format=csv", "", "events, newest first"},
		{"GET", "/api/trace", "lamp, from, to, points, format=csv", "", "readings, oldest first, summed up if there are more than points (default 500, at most 10,000)"},
		{"GET", "/api/deliveries", "lamp or board, route, state (pending, sent, dead), before (an id), limit, format=csv", "", "messages and how they went, newest first; left_out: a reminder that waited until nobody needed it"},
		{"GET", "/api/stream", "", "", "server-sent events: \"lamp\" and \"board\" when one changes (JSON as in /api/status), \"news\" when an event was decided: the newest events, as in /api/history, with all since the last news (up to 2,000); who connects anew with the id of the last as Last-Event-ID misses none"},
	}
	for _, v := range verbs {
		list = append(list, entry{"POST", "/api/" + v.name, "", v.needs, v.about})
	}
	writeJSON(w, http.StatusOK, map[string]any{
		"endpoints": list,
		"notes": []string{
			"Times are RFC 3339; from and to also take Unix seconds. Readings and levels are raw counts; null: not known.",
			"A POST takes a JSON object or a form, and answers {\"said\": TEXT}; an error answers {\"error\": TEXT} with a status from 400 on.",
			"Where people are configured, log in by POST /login (name, password; Accept: application/json) and keep the cookie.",
		},
	})
}

func (s *Server) apiStatus(w http.ResponseWriter, r *http.Request) {
	st, err := s.o.Source.Status(r.Context())
	if err != nil {
		s.failed(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, st)
}

func (s *Server) apiLamps(w http.ResponseWriter, r *http.Request) {
	st, err := s.o.Source.Status(r.Context())
	if err != nil {
		s.failed(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, map[string]any{"now": st.Now, "lamps": st.Lamps})
}

func (s *Server) apiLamp(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Query().Get("name")
	st, err := s.o.Source.Status(r.Context(), name)
	if err == nil && len(st.Lamps) != 1 {
		err = unknown("There is no lamp %q.", short(name))
	}
	if err != nil {
		s.failed(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, st.Lamps[0])
}

func (s *Server) apiBoards(w http.ResponseWriter, r *http.Request) {
	st, err := s.o.Source.Status(r.Context())
	if err != nil {
		s.failed(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, map[string]any{"now": st.Now, "boards": st.Boards})
}

// moment reads a time of a query; the zero time if there is none.
func moment(q url.Values, key string) (time.Time, error) {
	v := q.Get(key)
	if v == "" {
		return time.Time{}, nil
	}
	if sec, err := strconv.ParseFloat(v, 64); err == nil && sec >= 0 && sec < 253402300800 {
		return time.UnixMilli(int64(sec * 1000)).UTC(), nil
	}
	t, err := time.Parse(time.RFC3339, v)
	if err != nil || t.Unix() < 0 || t.Year() > 9998 {
		return time.Time{}, refused("%s must be a time such as 2026-03-01T18:00:00Z, or Unix seconds; it is %q", key, short(v))
	}
	return t, nil
}

func whole(q url.Values, key string, least, most int64) (int64, error) {
	v := q.Get(key)
	if v == "" {
		return 0, nil
	}
	n, err := strconv.ParseInt(v, 10, 64)
	if err != nil || n < least || n > most {
		return 0, refused("%s must be a whole number from %d to %d; it is %q", key, least, most, short(v))
	}
	return n, nil
}

func format(q url.Values) (asCSV bool, err error) {
	switch q.Get("format") {
	case "", "json":
		return false, nil
	case "csv":
		return true, nil
	}
	return false, refused("format must be json or csv; it is %q", short(q.Get("format")))
}

func first(errs ...error) error {
	for _, e := range errs {
		if e != nil {
			return e
		}
	}
	return nil
}

func (s *Server) apiHistory(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	from, e1 := moment(q, "from")
	to, e2 := moment(q, "to")
	before, e3 := whole(q, "before", 0, 1<<62)
	limit, e4 := whole(q, "limit", 1, 10_000)
	asCSV, e5 := format(q)
	err := first(e1, e2, e3, e4, e5)
	var list []Event
	if err == nil {
		list, err = s.o.Source.Events(r.Context(), EventQuery{Lamp: q.Get("lamp"), Board: q.Get("board"), Kinds: q["kind"],
			From: from, To: to, Before: before, Limit: int(limit)})
	}
	if err != nil {
		s.failed(w, r, err)
		return
	}
	if !asCSV {
		attach(w, q, "history.json")
		writeJSON(w, http.StatusOK, map[string]any{"events": orEmpty(list)})
		return
	}
	rows := [][]string{{"time", "kind", "lamp", "board", "value", "on_above", "off_below", "confidence", "text", "why", "by", "not_sent"}}
	for _, e := range list {
		rows = append(rows, []string{stampCSV(e.Time), e.Kind, cell(e.Lamp), cell(e.Board), counts(e.Value), counts(e.OnAbove), counts(e.OffBelow),
			float(e.Confidence), cell(e.Text), cell(e.Why), cell(e.By), cell(e.Quiet)})
	}
	writeCSV(w, "history.csv", rows)
}

// counts is a number of a cell; empty: it is not known.
func counts(v *float64) string {
	if v == nil {
		return ""
	}
	return float(*v)
}

func (s *Server) apiTrace(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	from, e1 := moment(q, "from")
	to, e2 := moment(q, "to")
	points, e3 := whole(q, "points", 1, 10_000)
	asCSV, e4 := format(q)
	err := first(e1, e2, e3, e4)
	var st Status
	if err == nil {
		st, err = s.o.Source.Status(r.Context(), q.Get("lamp"))
	}
	if err == nil && len(st.Lamps) != 1 {
		err = unknown("There is no lamp %q.", short(q.Get("lamp")))
	}
	if to.IsZero() {
		to = st.Now.Add(time.Second)
	}
	if from.IsZero() {
		from = to.Add(-24 * time.Hour)
	}
	if points == 0 {
		points = 500
	}
	var list []Point
	if err == nil {
		list, err = s.o.Source.Trace(r.Context(), q.Get("lamp"), from, to, int(points))
	}
	if err != nil {
		s.failed(w, r, err)
		return
	}
	if !asCSV {
		attach(w, q, "trace.json")
		writeJSON(w, http.StatusOK, map[string]any{"lamp": q.Get("lamp"), "from": from, "to": to, "points": orEmpty(list)})
		return
	}
	rows := [][]string{{"time", "seconds", "min", "mean", "max", "count"}}
	for _, p := range list {
		rows = append(rows, []string{stampCSV(p.At), float(p.Span.Seconds()), float(p.Min), float(p.Mean), float(p.Max), strconv.FormatInt(p.Count, 10)})
	}
	writeCSV(w, "trace.csv", rows)
}

func (s *Server) apiDeliveries(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	before, e1 := whole(q, "before", 0, 1<<62)
	limit, e2 := whole(q, "limit", 1, 10_000)
	asCSV, e3 := format(q)
	err := first(e1, e2, e3)
	if state := q.Get("state"); err == nil && state != "" && stateWords[state] == "" {
		err = refused("state must be pending, sent or dead; it is %q", short(state))
	}
	var list []Delivery
	if err == nil {
		list, err = s.o.Source.Deliveries(r.Context(), DeliveryQuery{State: q.Get("state"), Route: q.Get("route"),
			Lamp: q.Get("lamp"), Board: q.Get("board"), Before: before, Limit: int(limit)})
	}
	if err != nil {
		s.failed(w, r, err)
		return
	}
	if !asCSV {
		attach(w, q, "messages.json")
		writeJSON(w, http.StatusOK, map[string]any{"deliveries": orEmpty(list)})
		return
	}
	rows := [][]string{{"id", "event", "time", "route", "state", "kind", "lamp", "board", "text", "attempts", "last", "due", "note"}}
	for _, d := range list {
		rows = append(rows, []string{strconv.FormatInt(d.ID, 10), d.Event, stampCSV(d.Time), cell(d.Route), d.State, d.Kind, cell(d.Lamp), cell(d.Board),
			cell(d.Text), strconv.Itoa(d.Attempts), stampCSV(d.Last), stampCSV(d.Due), cell(d.Note)})
	}
	writeCSV(w, "messages.csv", rows)
}

// orEmpty makes JSON of no entries a list, not null.
func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

func stampCSV(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z07:00")
}

func float(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// cell keeps a spreadsheet from taking somebody's text for a formula.
func cell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// attach has the browser save an answer that was asked for as a download.
func attach(w http.ResponseWriter, q url.Values, name string) {
	if q.Has("download") {
		w.Header().Set("Content-Disposition", `attachment; filename="lampward-`+name+`"`)
	}
}

// writeCSV writes RFC 4180 lines.
func writeCSV(w http.ResponseWriter, name string, rows [][]string) {
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	w.Header().Set("Content-Disposition", `attachment; filename="lampward-`+name+`"`)
	c := csv.NewWriter(w)
	c.UseCRLF = true
	_ = c.WriteAll(rows) // an error means that nobody is there any more
}
