package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Source is the daemon as the page sees it. All times are wall times. Its
// methods are called from many goroutines at once.
type Source interface {
	// Status tells what is known now: of every lamp and board, or only of the
	// lamps named and their boards.
	Status(ctx context.Context, lamps ...string) (Status, error)
	// Events returns events, newest first.
	Events(ctx context.Context, q EventQuery) ([]Event, error)
	// Trace returns the readings of one lamp, oldest first, as at most points
	// points.
	Trace(ctx context.Context, lamp string, from, to time.Time, points int) ([]Point, error)
	// Deliveries returns messages and how they went, newest first.
	Deliveries(ctx context.Context, q DeliveryQuery) ([]Delivery, error)
	// Do does what a person asked for and returns once it is durable. said is
	// one line for them.
	Do(ctx context.Context, a Action) (said string, err error)
	// Link tells what a signed link in a message stands for.
	Link(ctx context.Context, token string) (Action, error)
}

// Errors that a Source wraps, for the page to answer with the right status.
var (
	ErrUnknown = errors.New("unknown")     // no such lamp, board or message
	ErrRefused = errors.New("not allowed") // what was asked for makes no sense
	ErrNews    = errors.New("news")        // something came that the person who acknowledges was not shown
)

// Status is what is known at one moment.
type Status struct {
	Now       time.Time        `json:"now"`
	Uncertain bool             `json:"clock_uncertain,omitempty"` // the wall clock is not set yet
	Version   string           `json:"version"`
	Broken    string           `json:"broken,omitempty"`  // why nothing can be stored at present
	Damaged   string           `json:"damaged,omitempty"` // what is wrong with the database, and what to do; storing may go on
	CutOff    string           `json:"cut_off,omitempty"` // why no reading comes from an external broker at present
	Barred    []string         `json:"barred,omitempty"`  // topics that an external broker does not let lampward read
	Counts    map[string]int64 `json:"counts,omitempty"`  // of MQTT messages since the daemon started
	Routes    []string         `json:"routes"`            // names of the ways to a person
	Failing   []Failing        `json:"failing"`           // those that do not work
	Lamps     []Lamp           `json:"lamps"`             // in the order of the configuration
	Boards    []Board          `json:"boards"`            //
}

// Unread says which topics an external broker does not let lampward read; empty:
// none.
func (s Status) Unread() string {
	if len(s.Barred) == 0 {
		return ""
	}
	const most = 5
	names := strings.Join(s.Barred[:min(len(s.Barred), most)], ", ")
	if n := len(s.Barred) - most; n > 0 {
		names += fmt.Sprintf(" and %d more", n)
	}
	return "The broker does not let lampward read " + names + ": nobody watches what is there. Allow it in the broker; lampward asks again every five minutes."
}

// Astray says what became of messages that may be those of a lamp that was not
// heard since the start; empty: each lamp was heard, or nothing came.
func (s Status) Astray() string {
	if !slices.ContainsFunc(s.Lamps, func(l Lamp) bool { return l.At.IsZero() }) {
		return ""
	}
	var out []string
	say := func(count, what string) {
		if n := s.Counts[count]; n > 0 {
			out = append(out, fmt.Sprintf("%d %s", n, what))
		}
	}
	say("unknown", "on a topic that no lamp or board has")
	say("malformed", "that cannot be read as configured")
	say("late", "that came too late by the time they carry")
	if out == nil {
		return ""
	}
	return "Messages that tell nothing came: " + strings.Join(out, ", ") + ". The log says which, and why."
}

// Failing is a way to a person that has not worked for some minutes, or will not
// before a person puts something right.
type Failing struct {
	Route string    `json:"route"`
	Since time.Time `json:"since"`
	Note  string    `json:"note"` // what the last attempt came to
}

// Lamp is one lamp now.
type Lamp struct {
	Name       string    `json:"name"`
	Board      string    `json:"board"`
	State      string    `json:"state"`           // learning, dark, lit or blinking
	Since      time.Time `json:"since,omitzero"`  // when State began
	At         time.Time `json:"at,omitzero"`     // of the newest reading; zero: none since the start
	Value      float64   `json:"value"`           // counts
	OnAbove    float64   `json:"on_above"`        // counts
	OffBelow   float64   `json:"off_below"`       // counts
	Inverted   bool      `json:"lit_lower"`       // the lamp reads lower when lit
	ByHand     bool      `json:"levels_by_hand"`  // the levels were set by a person
	Normal     string    `json:"normal"`          // the state that is no alert: dark or lit
	Confidence float64   `json:"confidence"`      // 0..1
	Guess      bool      `json:"provisional"`     // told before both states were seen
	Fault      string    `json:"fault,omitempty"` // suspicion about the sensor
	Aim        Aim       `json:"aim"`
	Alarm      Alarm     `json:"alarm"`
}

// MarshalJSON writes null for what is not known: the value of a lamp that was not
// heard since the start, levels that nothing was learned of yet.
func (l Lamp) MarshalJSON() ([]byte, error) {
	type fields Lamp
	out := struct {
		fields
		Value    *float64 `json:"value"`
		OnAbove  *float64 `json:"on_above"`
		OffBelow *float64 `json:"off_below"`
	}{fields: fields(l)}
	if !l.At.IsZero() {
		out.Value = &l.Value
	}
	if levelsKnown(l) {
		out.OnAbove, out.OffBelow = &l.OnAbove, &l.OffBelow
	}
	return json.Marshal(out)
}

// Abnormal tells whether the lamp shows what a person wants to be told of.
func (l Lamp) Abnormal() bool {
	return l.State == "blinking" || l.State == "lit" && l.Normal != "lit" || l.State == "dark" && l.Normal == "lit"
}

// Aim is how well lit and dark can be told apart.
type Aim struct {
	Dark       float64 `json:"dark"`       // level, counts
	Lit        float64 `json:"lit"`        // level, counts; equal to Dark while only one was seen
	Noise      float64 `json:"noise"`      // robust standard deviation, counts
	Separation float64 `json:"separation"` // Ashman's D; 0 while only one level was seen
	Grade      string  `json:"grade"`      // unknown, too weak, weak, good, excellent
	Hint       string  `json:"hint,omitempty"`
}

// Alarm is the life cycle of the alerts of a lamp or board.
type Alarm struct {
	State string    `json:"state"`          // normal, unacknowledged, acknowledged, returned_unacknowledged, shelved, out_of_service
	Text  string    `json:"text,omitempty"` // of the newest condition
	Since time.Time `json:"since,omitzero"` // when that condition began
	Also  []string  `json:"also,omitempty"` // of the others that last and are not acknowledged
	Until time.Time `json:"until,omitzero"` // end of the time on the shelf
	Mark  string    `json:"mark,omitempty"` // stands for what this tells of; see Action.Seen
}

// Waits tells whether a person has yet to acknowledge.
func (a Alarm) Waits() bool {
	return a.State == "unacknowledged" || a.State == "returned_unacknowledged"
}

// Board is the small computer that reads one or more lamps.
type Board struct {
	Name   string        `json:"name"`
	Lamps  []string      `json:"lamps,omitempty"`
	Silent bool          `json:"silent"`
	Cause  string        `json:"cause,omitempty"`    // likely cause of the silence
	Last   time.Time     `json:"last,omitzero"`      // newest report
	Every  time.Duration `json:"every_ns,omitempty"` // interval between reports; 0: not known yet
	Volts  *float64      `json:"volts,omitempty"`
	Charge *float64      `json:"charge,omitempty"` // of the battery, 0..1, by its voltage or as the board reports it
	RSSI   *float64      `json:"rssi_dbm,omitempty"`
	Flat   *Flat         `json:"flat,omitempty"` // forecast of the battery
	Alarm  Alarm         `json:"alarm"`
}

// Battery is what the board reports of its battery: a voltage, else a charge; empty:
// nothing.
func (b Board) Battery() string {
	switch {
	case b.Volts != nil:
		return fmt.Sprintf("%.2f V", *b.Volts)
	case b.Charge != nil:
		return fmt.Sprintf("%.0f %%", 100**b.Charge)
	}
	return ""
}

// AlarmShown is the alarm as it is shown. That of a board that falls silent with
// others stays what it was: of one that is silent again, it is not over.
func (b Board) AlarmShown() Alarm {
	a := b.Alarm
	if b.Silent && a.State == "returned_unacknowledged" {
		a.State = "unacknowledged"
	}
	return a
}

// Flat is when a battery will be flat.
type Flat struct {
	At    time.Time `json:"at"`
	Early time.Time `json:"early"` // ends of the 90 % interval
	Late  time.Time `json:"late"`
	Basis string    `json:"basis"`
}

// EventQuery says which events are wanted; the zero value: the newest 100.
type EventQuery struct {
	Lamp, Board string
	Kinds       []string
	Before      int64     // only rows below; 0: from the newest on
	From, To    time.Time // From included, To not; zero: no bound
	Limit       int       // 0: 100; at most 10,000
}

// Event is something that lampward decided or a person did.
type Event struct {
	ID         string    `json:"id"`
	Row        int64     `json:"row"` // for EventQuery.Before
	Time       time.Time `json:"time"`
	Uncertain  bool      `json:"time_uncertain,omitempty"`
	Kind       string    `json:"kind"`
	Lamp       string    `json:"lamp,omitempty"`
	Board      string    `json:"board,omitempty"`
	Value      *float64  `json:"value"`     // counts; nil: the event is about none
	OnAbove    *float64  `json:"on_above"`  // counts; nil: not known
	OffBelow   *float64  `json:"off_below"` // counts; nil: not known
	Confidence float64   `json:"confidence"`
	Guess      bool      `json:"provisional,omitempty"`
	State      string    `json:"state,omitempty"`
	Since      time.Time `json:"since,omitzero"`
	Text       string    `json:"text"`
	Why        string    `json:"why"`
	By         string    `json:"by,omitempty"`
	Quiet      string    `json:"quiet,omitempty"` // why it was not sent
}

// Point is one reading, or what several in a row amount to.
type Point struct {
	At    time.Time     `json:"at"`
	Span  time.Duration `json:"span_ns"` // 0: one reading
	Min   float64       `json:"min"`
	Mean  float64       `json:"mean"`
	Max   float64       `json:"max"`
	Count int64         `json:"count"`
}

// DeliveryQuery says which messages are wanted; the zero value: the newest 100.
type DeliveryQuery struct {
	State       string // pending, sent or dead; empty: any
	Route       string
	Lamp, Board string
	Before      int64
	Limit       int
}

// Delivery is one message on its way to one route.
type Delivery struct {
	ID       int64     `json:"id"`
	Event    string    `json:"event"` // id of the event
	Route    string    `json:"route"`
	State    string    `json:"state"` // pending, sent, dead or LeftOut
	Time     time.Time `json:"time"`  // of the event
	Kind     string    `json:"kind"`
	Lamp     string    `json:"lamp,omitempty"`
	Board    string    `json:"board,omitempty"`
	Text     string    `json:"text"`
	Attempts int       `json:"attempts"`
	Last     time.Time `json:"last,omitzero"` // of the last attempt
	Due      time.Time `json:"due,omitzero"`  // of the next, while pending
	Note     string    `json:"note,omitempty"`
	Doubt    bool      `json:"doubt,omitempty"` // sent, as far as the answer tells; Note says why a person should look
}

// LeftOut is the State of a reminder that waited until nobody needed it any more;
// Note says why.
const LeftOut = "left_out"

// Action is something a person wants done.
type Action struct {
	Verb     string // see Verbs
	Lamp     string // what it is about: a lamp,
	Board    string // or a board
	State    string // teach: lit, dark or anew
	For      time.Duration
	OnAbove  float64
	OffBelow float64
	ID       int64  // resend
	All      bool   // resend: all messages that were given up, in place of ID
	By       string // who wants it
	Seen     string // ack: the Alarm.Mark of what they were shown; empty: of all that is known
}

// Anew is the State of a Teach that says that the sensor was mounted, moved or
// changed.
const Anew = "anew"

// The verbs of an Action.
const (
	Ack       = "ack"       // acknowledge the alert of Lamp or Board
	Shelve    = "shelve"    // tell nothing of Lamp or Board for For
	Unshelve  = "unshelve"  // end that
	Retire    = "retire"    // take Lamp or Board out of service
	Reinstate = "reinstate" // and back
	Teach     = "teach"     // Lamp shows State now, or is learned anew
	Battery   = "battery"   // a fresh battery was put into Board
	Levels    = "levels"    // set the switching levels of Lamp by hand
	Relearn   = "relearn"   // have them learned again
	Resend    = "resend"    // put message ID, or All that were given up, back in line
	Try       = "try"       // send a test message through every route
)
