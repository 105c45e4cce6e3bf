package page

import (
	"fmt"
	"hash/fnv"
	"html/template"
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"lampward/rules"
)

// words turns numbers and times into what people read, for one reader.
type words struct {
	now  time.Time
	zone *time.Location
}

// Stamp is a moment, as short as it can be without being mistaken.
func (w words) Stamp(t time.Time) string {
	if t.IsZero() {
		return "never"
	}
	t, now := t.In(w.zone), w.now.In(w.zone)
	switch away := t.Sub(now).Abs(); {
	case dayOf(t) == dayOf(now):
		return t.Format("15:04")
	case away < 6*24*time.Hour:
		return t.Format("Mon 15:04")
	case away < 300*24*time.Hour:
		return t.Format("2 Jan 15:04")
	}
	return t.Format("2 Jan 2006 15:04")
}

func dayOf(t time.Time) int { return t.Year()*1000 + t.YearDay() }

// today is the reader's day.
func (w words) today() int { return dayOf(w.now.In(w.zone)) }

// Day is a date.
func (w words) Day(t time.Time) string {
	if t.In(w.zone).Year() == w.now.In(w.zone).Year() {
		return t.In(w.zone).Format("2 Jan")
	}
	return t.In(w.zone).Format("2 Jan 2006")
}

// Exact is a moment to the second.
func (w words) Exact(t time.Time) string { return t.In(w.zone).Format("2006-01-02 15:04:05 MST") }

// ISO is a moment for programs.
func (w words) ISO(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// Ago is how long ago a moment was, or how far ahead it is.
func (w words) Ago(t time.Time) string {
	d := w.now.Sub(t)
	switch {
	case t.IsZero():
		return "never"
	case d < 0:
		return "in " + Long(-d)
	}
	return Long(d) + " ago"
}

// Now is the time for which the page was made.
func (w words) Now() time.Time { return w.now }

// When is a moment, with the exact time for who points at it.
func (w words) When(t time.Time) template.HTML {
	return template.HTML(`<time datetime="` + w.ISO(t) + `" title="` + esc(w.Exact(t)) + `">` + w.Stamp(t) + `</time>`)
}

// AgoTag is how long ago a moment was; the script keeps it fresh.
func (w words) AgoTag(t time.Time) template.HTML {
	if t.IsZero() {
		return "never"
	}
	return template.HTML(`<time datetime="` + w.ISO(t) + `" title="` + esc(w.Exact(t)) + `" data-age="` + strconv.FormatInt(w.Age(t), 10) + `">` + w.Ago(t) + `</time>`)
}

// AlarmTag is the state of an alarm as an item of a list; nothing if normal.
func (w words) AlarmTag(a Alarm) template.HTML {
	word := a.Words()
	if word == "" {
		return ""
	}
	if !a.Until.IsZero() {
		word += " until " + w.Stamp(a.Until)
	}
	return template.HTML(`<li><span class="tag">` + esc(word) + `</span></li>`)
}

// ForTag is how long it is since a moment; the script keeps it fresh.
func (w words) ForTag(t time.Time) template.HTML {
	return template.HTML(`<span data-for="` + strconv.FormatInt(w.Age(t), 10) + `">` + Long(w.now.Sub(t)) + `</span>`)
}

// Age is the moment in ms since 1970, with which the script keeps "ago" fresh.
func (w words) Age(t time.Time) int64 { return t.UnixMilli() }

// Zone is the reader's time zone.
func (w words) Zone() string { return w.zone.String() }

// Long spells a length of time.
func Long(d time.Duration) string {
	const day = 24 * time.Hour
	if d < 0 {
		d = 0
	}
	two := func(a int64, ua string, b int64, ub string) string {
		if b == 0 {
			return fmt.Sprintf("%d %s", a, ua)
		}
		return fmt.Sprintf("%d %s %d %s", a, ua, b, ub)
	}
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d < 2*day:
		return two(int64(d/time.Hour), "h", int64(d%time.Hour/time.Minute), "min")
	case d < 60*day:
		return two(int64(d/day), "d", int64(d%day/time.Hour), "h")
	}
	return fmt.Sprintf("%d days", d/day)
}

// Interval spells the time from one thing to the next, which is measured and so
// never quite round.
func Interval(d time.Duration) string {
	switch {
	case d <= 0:
		return Long(0)
	case d < 50*time.Millisecond:
		return "less than 0.1 s"
	case d < 9950*time.Millisecond:
		return strconv.FormatFloat(d.Round(100*time.Millisecond).Seconds(), 'f', -1, 64) + " s"
	case d < 119500*time.Millisecond:
		return Long(d.Round(time.Second))
	}
	return Long(d.Round(time.Minute))
}

// count writes a reading or level: whole where that says it all.
func count(v float64) string {
	switch a := math.Abs(v); {
	case a == math.Trunc(a) && a < 1e9:
		return strconv.FormatFloat(v, 'f', 0, 64)
	case a >= 1e7 || a < 0.001 && a > 0:
		return strconv.FormatFloat(v, 'g', 4, 64)
	case a >= 100:
		return strconv.FormatFloat(v, 'f', 0, 64)
	case a >= 10:
		return strconv.FormatFloat(v, 'f', 1, 64)
	}
	return strconv.FormatFloat(v, 'f', 2, 64)
}

// percent writes a share; it says 100 or 0 only of the whole or nothing.
func percent(v float64) string {
	switch {
	case v > 0.999 && v < 1:
		return "over 99.9 %"
	case v > 0.99 && v < 1:
		return strconv.FormatFloat(math.Floor(v*1000)/10, 'f', 1, 64) + " %"
	case v > 0 && v < 0.01:
		return "under 1 %"
	}
	return strconv.FormatFloat(100*v, 'f', 0, 64) + " %"
}

// handle names a part of the page after a lamp or board, whatever is in the
// name.
func handle(sort, name string) string {
	h := fnv.New64a()
	_, _ = h.Write([]byte(name))
	return sort + "-" + strconv.FormatUint(h.Sum64(), 36)
}

var alarmWords = map[string]string{
	"unacknowledged":          "not acknowledged",
	"acknowledged":            "acknowledged",
	"returned_unacknowledged": "over, not acknowledged",
	"shelved":                 "shelved",
	"out_of_service":          "out of service",
}

// Words say how far a person is with the alarm; empty: there is nothing to say.
func (a Alarm) Words() string { return alarmWords[a.State] }

// causeWords and the like say what a code word means.
func plain(code string) string { return strings.ReplaceAll(code, "_", " ") }

// capital begins a sentence.
func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// kindWords are the kinds of event in a list.
var kindWords = map[string]string{
	"many_silent": "several boards silent", "many_returned": "several boards back", "returned": "back",
	"battery_low": "battery low", "battery_holds": "battery holds", "fault": "sensor trouble", "fault_over": "sensor works again",
	"out_of_service": "out of service", "in_service": "back in service", "battery_new": "battery changed",
	"downtime": "nothing recorded", "learned": "learned", "unlearned": "learning again",
}

func kindWord(k string) string {
	if w, ok := kindWords[k]; ok {
		return w
	}
	return plain(k)
}

var stateWords = map[string]string{"pending": "waiting", "sent": "sent", "dead": "not delivered"}

func (s *Server) words() template.FuncMap {
	return template.FuncMap{
		"asset": s.assetPath, "count": count, "percent": percent, "sure": rules.Sure, "handle": handle, "plain": plain,
		"kindWord": kindWord, "capital": capital, "long": Long, "every": Interval,
		"sentWord": func(state string) string {
			if state == LeftOut {
				return "left out"
			}
			return stateWords[state]
		},
		// Not printf, which shows where a pointer points to.
		"fixed": func(digits int, v *float64) string { return strconv.FormatFloat(*v, 'f', digits, 64) },
		// A type of its own, for html/template would escape a plain string in a link
		// a second time.
		"query": func(s string) template.URL { return template.URL(url.QueryEscape(s)) },
		"five":  func() []int { return []int{1, 2, 3, 4, 5} },
	}
}
