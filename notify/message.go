package notify

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"lampward/rules"
)

// Links are addresses that act on an alert when a person opens them; an empty
// one is left out. See package link.
type Links struct {
	Ack    string
	Shelve string
}

// Message is what templates see of a delivery: {{.Text}}, {{.Lamp}} and so on.
// All text in it may hold anything, names and words of users included.
type Message struct {
	ID          string    // stable over retries and restarts
	Kind        string    // "lit", "dark", ...
	Lamp        string    // name of the lamp; empty for a device's event
	Device      string    // name of the device
	Name        string    // the lamp's name, or else the device's, or "lampward"
	Text        string    // the message, one short line
	Why         string    // why lampward thinks so
	Cause       string    // "silent": the likeliest cause
	State       string    //
	By          string    //
	Value       float64   // the raw count that decided
	OnAbove     float64   //
	OffBelow    float64   //
	Confidence  float64   // 0..1
	Provisional bool      //
	Time        string    // RFC 3339, UTC; empty if unknown
	Since       string    // RFC 3339, UTC; empty if unknown
	Wall        time.Time // Time, for {{.Wall.Format "15:04"}}
	AckURL      string    // empty if there is no link
	ShelveURL   string    //
	Items       []Message // a folded message: those it stands for, oldest first
}

// newMessage builds the template view of a delivery.
func newMessage(d rules.Delivery, links func(rules.Delivery) Links) Message {
	e := d.Event
	m := Message{
		ID: d.EventID, Kind: string(e.Kind), Lamp: e.Lamp, Device: e.Device,
		Name: name(&e), Text: e.Text, Why: e.Why, Cause: e.Cause, State: e.State, By: e.By,
		Value: e.Value, OnAbove: e.OnAbove, OffBelow: e.OffBelow,
		Confidence: e.Confidence, Provisional: e.Provisional,
		Time: stamp(d.Wall), Since: stamp(since(d)), Wall: d.Wall,
	}
	if m.Text == "" {
		m.Text = m.Name + ": " + m.Kind
	}
	if links != nil {
		l := links(d)
		m.AckURL, m.ShelveURL = l.Ack, l.Shelve
	}
	return m
}

// lateText is how long after an event, by the clock on the wall, its message says when
// that was. The first tries of a service that is away for a moment need no such words.
const lateText = 10 * time.Minute

// alone builds the view of a delivery that is a message of its own, and is sent at the
// wall time now; zero: of one that is to be the same each time. What was held, or comes
// late for another reason, says when it was: it may have changed since, and that been
// told, or be the next message.
func alone(d rules.Delivery, links func(rules.Delivery) Links, now time.Time, loc *time.Location) Message {
	m := newMessage(d, links)
	late := now.Sub(d.Wall)
	switch {
	case d.Wall.IsZero():
	case late >= 6*24*time.Hour: // another week's day
		m.Text += d.Wall.In(loc).Format(" (Mon 2 Jan, 15:04)")
	case late >= lateText || strings.HasPrefix(d.Key, HeldLine):
		m.Text += d.Wall.In(loc).Format(" (Mon 15:04)")
	}
	return m
}

// maxItems is how many of the deliveries that a folded message stands for it
// holds one by one. It counts the others, and holds the newest of each lamp and
// device in any case.
const maxItems = maxFoldLines

// fewLines is how many messages of one lamp or device are listed one by one in a
// message about several.
const fewLines = 3

// foldMessages builds one message that stands for several, in order of ID. It
// is made of nothing but them, so that a retry is the same message.
func foldMessages(ds []rules.Delivery, links func(rules.Delivery) Links, loc *time.Location) Message {
	m := Message{ID: foldID(ds), Kind: kindFolded, Name: "lampward"}
	about := map[string][]rules.Delivery{} // by what they are about
	for _, d := range ds {
		k := d.Event.Key()
		about[k] = append(about[k], d)
	}
	left := max(0, maxItems-len(about)) // items beside the newest of each
	for i := len(ds) - 1; i >= 0; i-- {
		d := ds[i]
		of := about[d.Event.Key()]
		if d.ID != of[len(of)-1].ID {
			if left == 0 {
				continue
			}
			left--
		}
		m.Items = append(m.Items, newMessage(d, links))
	}
	slices.Reverse(m.Items)
	last := m.Items[len(m.Items)-1]
	m.Time, m.Wall = last.Time, last.Wall
	newest := ds[len(ds)-1]
	m.Text = fmt.Sprintf("%d messages, the last: %s", len(ds), last.Text)
	if len(about) == 1 && newest.Event.Key() != "" {
		m.Name, m.Lamp, m.Device, m.Since = last.Name, last.Lamp, last.Device, last.Since
		m.AckURL, m.ShelveURL = last.AckURL, last.ShelveURL
		m.Text, m.State = last.Text+" "+meanwhile(ds, loc), stateOf(ds)
	}
	var b strings.Builder
	line := func(d rules.Delivery, text string) {
		if b.Len() > 0 {
			b.WriteByte('\n')
		}
		if !d.Wall.IsZero() {
			b.WriteString(d.Wall.In(loc).Format("Mon 15:04 "))
		}
		b.WriteString(text)
	}
	if n := len(ds) - len(m.Items); n > 0 && len(about) == 1 {
		fmt.Fprintf(&b, "%d earlier ones are not listed.", n)
	}
	listed := map[string]bool{}
	for i := range m.Items {
		listed[m.Items[i].ID] = true
	}
	for _, d := range ds {
		of := about[d.Event.Key()]
		text := newMessage(d, nil).Text
		switch {
		case len(about) == 1 || d.Event.Key() == "":
			if listed[d.EventID] {
				line(d, text)
			}
		case len(of) <= fewLines:
			line(d, text)
		case d.ID == of[len(of)-1].ID:
			line(d, text+" "+meanwhile(of, loc))
		}
	}
	m.Why = b.String()
	return m
}

// meanwhile says what happened to one lamp or device while its messages waited,
// such as "(4 messages since 14:02: lit twice, dark twice)".
func meanwhile(ds []rules.Delivery, loc *time.Location) string {
	var kinds []rules.Kind // in order of their first
	times := map[rules.Kind]int{}
	for _, d := range ds {
		if times[d.Event.Kind]++; times[d.Event.Kind] == 1 {
			kinds = append(kinds, d.Event.Kind)
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "(%d messages", len(ds))
	first, last := ds[0], ds[len(ds)-1]
	if !first.Wall.IsZero() && !last.Wall.IsZero() {
		b.WriteString(" since " + clockTime(first.Wall.In(loc), last.Wall.In(loc)))
	}
	sep := ": "
	for _, k := range kinds {
		b.WriteString(sep + kindWord(k))
		switch n := times[k]; n {
		case 1:
			b.WriteString(" once")
		case 2:
			b.WriteString(" twice")
		default:
			fmt.Fprintf(&b, " %d times", n)
		}
		sep = ", "
	}
	if strings.HasPrefix(last.Key, HeldLine) && !last.Wall.IsZero() { // it may have changed since, and that been told
		b.WriteString(", the last at " + clockTime(last.Wall.In(loc), first.Wall.In(loc)))
	}
	return b.String() + ")"
}

// clockTime is the time of day, with as much of the date as it takes beside a
// time near it.
func clockTime(t, near time.Time) string {
	apart := near.Sub(t).Abs()
	switch {
	case apart < 24*time.Hour && t.Day() == near.Day():
		return t.Format("15:04")
	case apart < 6*24*time.Hour:
		return t.Format("Mon 15:04")
	}
	return t.Format("2 Jan 15:04")
}

// kindWord is how a kind of event is counted.
func kindWord(k rules.Kind) string {
	if k == rules.Reminder {
		return "reminded"
	}
	return strings.ReplaceAll(string(k), "_", " ")
}

// stateOf is the newest state that deliveries tell of; empty: none does.
func stateOf(ds []rules.Delivery) string {
	for i := len(ds) - 1; i >= 0; i-- {
		switch k := ds[i].Event.Kind; k {
		case rules.Lit, rules.Dark, rules.Blinking, rules.Unlearned, rules.Silent, rules.Returned:
			return string(k)
		}
	}
	return ""
}

// kindFolded is the kind of a message that stands for several.
const kindFolded = "several"

// foldID names a folded message after those it stands for: the same ones give
// the same id, so that a repeat is recognised, and any other set another.
func foldID(ds []rules.Delivery) string {
	h := sha256.New()
	for _, d := range ds {
		fmt.Fprintf(h, "%d:%s\n", len(d.EventID), d.EventID)
	}
	return "several-" + hex.EncodeToString(h.Sum(nil)[:12])
}

func name(e *rules.Event) string {
	switch {
	case e.Lamp != "":
		return e.Lamp
	case e.Device != "":
		return e.Device
	}
	return "lampward"
}

// since is the wall time at which the event's condition began.
func since(d rules.Delivery) time.Time {
	if d.Event.Since.IsZero() || d.Wall.IsZero() {
		return time.Time{}
	}
	return d.Wall.Add(d.Event.Since.Sub(d.Event.At))
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z07:00")
}

// counts are what is known of the raw counts; nil: nothing.
func (m *Message) counts() (value, onAbove, offBelow *float64) {
	e := rules.Event{Kind: rules.Kind(m.Kind), State: m.State, Value: m.Value, OnAbove: m.OnAbove, OffBelow: m.OffBelow}
	return e.Counts()
}

// number is a float64 that JSON can always hold: null if it is not finite.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	if f := float64(n); math.IsNaN(f) || math.IsInf(f, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// eventData is the data of a CloudEvent.
type eventData struct {
	ID          string      `json:"id,omitempty"` // items of a folded message only
	Lamp        string      `json:"lamp,omitempty"`
	Device      string      `json:"device,omitempty"`
	Kind        string      `json:"kind"`
	Text        string      `json:"text"`
	Why         string      `json:"why"`
	Cause       string      `json:"cause,omitempty"`
	State       string      `json:"state,omitempty"`
	By          string      `json:"by,omitempty"`
	Value       *number     `json:"value,omitempty"`
	OnAbove     *number     `json:"on_above,omitempty"`
	OffBelow    *number     `json:"off_below,omitempty"`
	Confidence  *number     `json:"confidence,omitempty"`
	Provisional bool        `json:"provisional,omitempty"`
	Time        string      `json:"time,omitempty"` // items of a folded message only
	Since       string      `json:"since,omitempty"`
	AckURL      string      `json:"ack_url,omitempty"`
	ShelveURL   string      `json:"shelve_url,omitempty"`
	Items       []eventData `json:"items,omitempty"`
}

func newEventData(m *Message) eventData {
	d := eventData{
		Lamp: m.Lamp, Device: m.Device, Kind: m.Kind, Text: m.Text, Why: m.Why,
		Cause: m.Cause, State: m.State, By: m.By, Provisional: m.Provisional,
		Since: m.Since, AckURL: m.AckURL, ShelveURL: m.ShelveURL,
	}
	if m.Kind != kindFolded {
		c := number(m.Confidence)
		d.Confidence = &c
		v, on, off := m.counts()
		d.Value, d.OnAbove, d.OffBelow = (*number)(v), (*number)(on), (*number)(off)
	}
	for i := range m.Items {
		item := newEventData(&m.Items[i])
		item.ID, item.Time = m.Items[i].ID, m.Items[i].Time
		d.Items = append(d.Items, item)
	}
	return d
}

// cloudEvent is one event in the JSON format of CloudEvents 1.0, structured
// mode (CNCF CloudEvents 1.0.2, JSON event format).
type cloudEvent struct {
	SpecVersion     string    `json:"specversion"`
	ID              string    `json:"id"`
	Source          string    `json:"source"`
	Type            string    `json:"type"`
	Subject         string    `json:"subject,omitempty"`
	Time            string    `json:"time,omitempty"`
	DataContentType string    `json:"datacontenttype"`
	Data            eventData `json:"data"`
}

// cloudEventType is the content type of one event in structured mode.
const cloudEventType = "application/cloudevents+json"

// encodeCloudEvent returns the default body.
func encodeCloudEvent(m *Message, source string) ([]byte, error) {
	subject := ""
	switch {
	case m.Lamp != "":
		subject = "lamp/" + m.Lamp
	case m.Device != "":
		subject = "device/" + m.Device
	}
	return json.Marshal(cloudEvent{
		SpecVersion: "1.0", ID: m.ID, Source: source, Type: "lampward." + m.Kind,
		Subject: subject, Time: m.Time, DataContentType: "application/json",
		Data: newEventData(m),
	})
}
