package rules

import (
	"time"

	"lampward/rules/learn"
)

// InputKind names what an Input reports.
type InputKind string

// The kinds of input.
const (
	InReading InputKind = "reading" // a report of a board; Lamp is empty if it carried no lamp's value that is of now
	InTick    InputKind = "tick"    // time passed and a deadline fell due
	InStart   InputKind = "start"   // the daemon started: deadlines are re-armed, for downtime is no evidence of silence
	InStop    InputKind = "stop"    // the daemon stops cleanly
	InConfig  InputKind = "config"  // the configuration from here on
	InLink    InputKind = "link"    // news of a device's connection to the broker
	InUplink  InputKind = "uplink"  // news of lampward's own connection to an external broker
	InTeach   InputKind = "teach"   // a person says what the lamp shows now
	InBattery InputKind = "battery" // a person put in a fresh battery
	InAck     InputKind = "ack"     // a person acknowledges the alert of Lamp or Device
	InShelve  InputKind = "shelve"  // a person shelves Lamp or Device for For; zero ends it
	InService InputKind = "service" // a person takes Lamp or Device out of service (Word "out") or back (Word "in")
)

// Words of InLink inputs.
const (
	LinkUp      = "up"      // CONNECT accepted
	LinkClosed  = "closed"  // DISCONNECT received: a clean goodbye
	LinkLost    = "lost"    // connection cut, or keep-alive ran out
	LinkWill    = "will"    // the device's will was published
	LinkOffline = "offline" // a message says so: the device's will, or its own goodbye
)

// ReadingLate is the Word of an InReading whose message carried values that were
// measured long before: its board lives, and lacks none.
const ReadingLate = "late"

// Words of InUplink inputs.
const (
	UplinkUp   = "up"
	UplinkDown = "down"
	UplinkNone = "none" // there is no external broker any more: lampward is the broker
)

// Input is one thing that happened, and the only way anything enters a
// Machine. The stored inputs of a Machine, stepped again in order, give its
// stored events again byte for byte.
type Input struct {
	At     time.Time     `json:"at"`               // engine time, UTC, whole milliseconds, never decreasing
	Kind   InputKind     `json:"kind"`             //
	Lamp   string        `json:"lamp,omitempty"`   // name of the lamp, for readings and a person's actions
	Device string        `json:"device,omitempty"` // name of the device
	Value  float64       `json:"value,omitempty"`  // InReading with a Lamp: the raw count; finite
	Volts  *float64      `json:"volts,omitempty"`  // InReading: battery voltage in V, or what BatteryConfig.InPercent says, if the board told it
	RSSI   *float64      `json:"rssi,omitempty"`   // InReading: signal strength in dBm, if the board told it
	Word   string        `json:"word,omitempty"`   // InReading: ReadingLate or nothing; InLink, InUplink, InService: which; InTeach: "lit", "dark" or Anew; InAck: the AlarmStatus.Mark of what the person was shown, nothing: of all; InStart: what is being caught up, a sentence after a space
	For    time.Duration `json:"for,omitempty"`    // InShelve: how long, ns; InLink of an end: how long the connection lasted, 0: not known
	Was    time.Time     `json:"was,omitzero"`     // InLink: when it happened, at or before At
	By     string        `json:"by,omitempty"`     // who did it, for a person's actions
	Config *Config       `json:"config,omitempty"` // InConfig
}

// Anew is the Word of an InTeach that says that the sensor was mounted, moved or
// changed: what was learned of the lamp is forgotten.
const Anew = "anew"

// Kind names what an Event tells.
type Kind string

// The kinds of event. Those that Alerts reports true for are sent to people;
// the others are history.
const (
	Lit      Kind = "lit"
	Dark     Kind = "dark"
	Blinking Kind = "blinking"
	Learned  Kind = "learned" // a lamp's state or levels became known without a change to announce
	// What was taken for the lamp was something else: it is learned anew, and
	// nothing is announced until it is known.
	Unlearned Kind = "unlearned"

	Silent       Kind = "silent"        // the device stopped reporting
	Returned     Kind = "returned"      // the device reports again
	ManySilent   Kind = "many_silent"   // several devices stopped at once: broker or network
	ManyReturned Kind = "many_returned" // they are back
	BatteryLow   Kind = "battery_low"   // the forecast flat date is near
	BatteryHolds Kind = "battery_holds" // and is far off again
	Fault        Kind = "fault"         // a lamp's sensor is failing, or its board sends no value of it
	FaultOver    Kind = "fault_over"    // and works again

	Reminder     Kind = "reminder"     // an alert is still unacknowledged
	Escalated    Kind = "escalated"    // and goes to a second route
	Chattering   Kind = "chattering"   // the lamp changes too often to tell each change
	Settled      Kind = "settled"      // chattering is over
	Acknowledged Kind = "acknowledged" // a person acknowledged
	Shelved      Kind = "shelved"      // a person shelved
	Unshelved    Kind = "unshelved"    // the shelf time is over, or a person ended it
	OutOfService Kind = "out_of_service"
	InServiceNow Kind = "in_service"
	BatteryNew   Kind = "battery_new" // a fresh battery was put in, or there is none any more
	Downtime     Kind = "downtime"    // lampward itself was down: from Since to At
	Test         Kind = "test"        // a test message
)

// Kinds returns every kind of event there is.
func Kinds() []Kind {
	return []Kind{
		Lit, Dark, Blinking, Learned, Unlearned,
		Silent, Returned, ManySilent, ManyReturned, BatteryLow, BatteryHolds, Fault, FaultOver,
		Reminder, Escalated, Chattering, Settled, Acknowledged, Shelved, Unshelved,
		OutOfService, InServiceNow, BatteryNew, Downtime, Test,
	}
}

// Alerts tells whether events of this kind are meant for a person's phone.
func (k Kind) Alerts() bool {
	switch k {
	case Lit, Dark, Blinking, Unlearned, Silent, Returned, ManySilent, ManyReturned,
		BatteryLow, BatteryHolds, Fault, FaultOver, Reminder, Escalated, Chattering, Settled, Test, Downtime:
		return true
	}
	return false
}

// Event is something a Machine decided. It is a plain value: storing it as
// JSON and reading it back gives the same Event.
type Event struct {
	At          time.Time `json:"time"`                  // engine time of the decision, or the deadline's own time
	Kind        Kind      `json:"kind"`                  //
	Lamp        string    `json:"lamp,omitempty"`        //
	Device      string    `json:"device,omitempty"`      //
	Value       float64   `json:"value"`                 // lamp events: the raw count that decided
	OnAbove     float64   `json:"on_above"`              // lamp events: level above which the lamp counts as lit (below which, for a lamp that reads lower when lit)
	OffBelow    float64   `json:"off_below"`             // lamp events: level below which the lamp counts as dark (above which, likewise)
	Confidence  float64   `json:"confidence"`            // 0..1
	Provisional bool      `json:"provisional,omitempty"` // announced before both states were seen
	Since       time.Time `json:"since,omitzero"`        // when it began, as far as the evidence tells
	State       string    `json:"state,omitempty"`       // lamp events: the state; Fault: which, a learn.Fault or NoValue; life-cycle events: the alarm state
	Cause       string    `json:"cause,omitempty"`       // Silent: the likeliest cause
	Text        string    `json:"text"`                  // the message for a phone, one short line
	Why         string    `json:"why"`                   // why lampward thinks so, one plain sentence
	By          string    `json:"by,omitempty"`          // who did it, for a person's actions
	Quiet       string    `json:"quiet,omitempty"`       // why it is kept as history and not sent: "shelved", "out of service", "chattering"
}

// Key names what the event is about, for order and folding: "lamp/NAME",
// "device/NAME" or "".
func (e *Event) Key() string {
	switch {
	case e.Lamp != "":
		return "lamp/" + e.Lamp
	case e.Device != "":
		return "device/" + e.Device
	}
	return ""
}

// Counts returns what an event knows of its raw counts; nil: nothing. Of a change of a
// lamp it knows all three. Else no levels are known while both are the same: that
// of the readings, or 0.
func (e *Event) Counts() (value, onAbove, offBelow *float64) {
	change := false
	switch e.Kind {
	case Lit, Dark, Blinking:
		change = true
	case Learned, Unlearned, FaultOver:
	case Fault:
		if e.State == NoValue {
			return nil, nil, nil
		}
	default:
		return nil, nil, nil
	}
	value = &e.Value
	if change || e.OnAbove != e.OffBelow {
		onAbove, offBelow = &e.OnAbove, &e.OffBelow
	}
	return value, onAbove, offBelow
}

// Delivery is one message on its way to one route: a row of the outbox.
type Delivery struct {
	ID       int64     // outbox row; 0 before it is stored
	EventID  string    // stable across retries and restarts: the CloudEvents id and webhook-id
	Route    string    // name of the webhook or mail route
	Key      string    // messages of one Route and Key go out in order of ID
	Event    Event     //
	Wall     time.Time // wall time of the event, as best known
	Attempts int       // attempts made so far
	Due      time.Time // engine time of the next attempt
	// Fold says what message the delivery is part of. 0: that is open yet;
	// Alone: one of its own; else all that have the same Fold are one message.
	Fold int64
}

// Alone is the Fold of a delivery that is a message of its own.
const Alone = -1

// Config is what a Machine needs to know; it is itself an input, so that
// replay sees each change of it where it happened.
type Config struct {
	Lamps   []LampConfig   `json:"lamps,omitempty"`
	Devices []DeviceConfig `json:"devices,omitempty"`
	Alarm   AlarmConfig    `json:"alarm,omitzero"`
	// FoldDevices is how many devices must fall silent together to be told in
	// one message; 0: 3.
	FoldDevices int `json:"fold_devices,omitempty"`
}

// LampConfig is one lamp.
type LampConfig struct {
	Name   string       `json:"name"`
	Device string       `json:"device,omitempty"` // the board that reads it; empty: a device of the lamp's own name
	Learn  learn.Config `json:"learn,omitzero"`
	// Say holds the user's own words for "lit", "dark" and "blinking"; empty:
	// "NAME is lit" and so on.
	SayLit      string `json:"say_lit,omitempty"`
	SayDark     string `json:"say_dark,omitempty"`
	SayBlinking string `json:"say_blinking,omitempty"`
}

// Board returns the name of the board that reads the lamp.
func (c *LampConfig) Board() string {
	if c.Device == "" {
		return c.Name
	}
	return c.Device
}

// DeviceConfig is one board.
type DeviceConfig struct {
	Name        string        `json:"name"`
	ReportEvery time.Duration `json:"report_every,omitempty"` // ns; 0: learned
	SilentAfter time.Duration `json:"silent_after,omitempty"` // ns; 0: from the learned cadence and FalseEvery
	FalseEvery  time.Duration `json:"false_every,omitempty"`  // ns between false silences that are tolerated; 0: five years
	Battery     BatteryConfig `json:"battery,omitzero"`
}

// BatteryConfig describes a board's battery; the zero value says nothing is
// known, and no flat date is forecast until swaps or voltages teach it.
type BatteryConfig struct {
	InPercent   bool          `json:"in_percent,omitempty"`   // the board tells its battery's charge in per cent where others tell volts; then what is of chemistry, cells and volts counts for nothing
	Chemistry   string        `json:"chemistry,omitempty"`    // name of a discharge curve, see battery.Chemistries; empty: not known; battery.None: the board has no battery
	Cells       int           `json:"cells,omitempty"`        // cells in series; 0: guessed from the highest voltage seen
	FlatVolts   float64       `json:"flat_volts,omitempty"`   // V of the whole battery at which the board stops, unless it stopped at more before; 0: where it stopped before, else the usual cut-off of the chemistry
	CapacityMAh float64       `json:"capacity_mah,omitempty"` // 0: unknown
	CurrentMA   float64       `json:"current_ma,omitempty"`   // mean current; 0: unknown
	Derate      float64       `json:"derate,omitempty"`       // usable share of the capacity; 0: 0.8 (common practice, no source)
	Warn        time.Duration `json:"warn,omitempty"`         // ns ahead of the flat date; 0: three days
}

// AlarmConfig is the life cycle of alerts; see alarm.go.
type AlarmConfig struct {
	RemindEvery   time.Duration `json:"remind_every,omitempty"`   // ns between reminders while unacknowledged; 0: none
	EscalateAfter time.Duration `json:"escalate_after,omitempty"` // ns unacknowledged until Escalated; 0: never
	// ChatterCount is how many alerts of one lamp or device may start within
	// ChatterWithin before it counts as chattering: that is told once, and the
	// single changes are not sent until it settles. 0: chattering is not
	// looked for; at most 50.
	ChatterCount  int           `json:"chatter_count,omitempty"`
	ChatterWithin time.Duration `json:"chatter_within,omitempty"` // ns; 0: one hour
	ChatterSettle time.Duration `json:"chatter_settle,omitempty"` // ns without a change until it has settled; 0: ChatterWithin
	// DarkIsAlarm names the lamps whose dark state is the alert that waits for
	// a person, lit being the normal state.
	DarkIsAlarm []string `json:"dark_is_alarm,omitempty"`
}
