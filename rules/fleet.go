package rules

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"lampward/rules/span"
)

// fleet watches the devices together: many that stop at once are one message,
// and their return another; and while lampward cannot reach the broker no
// device is blamed.
//
// A device that falls silent is told at once unless others may have stopped at
// the same moment. If with those that are noticeably late already enough stopped
// together, they are told as one. If some are late, but not enough, the message
// waits for the rest, holdFor at most. Devices that fall silent while an outage
// is open join it without a word.
type fleet struct {
	fold int
	devs []*device
	at   map[string]int // name to index in devs; looked up, never ranged over
	s    fleetState
}

// fleetState is what a snapshot keeps; which devices are held back or folded is
// in theirs.
type fleetState struct {
	Version int `json:"version"`

	HoldUntil time.Time `json:"hold_until,omitzero"` // when devices held back are told; zero: none are

	Open     bool      `json:"open,omitempty"`      // ManySilent was told, and its devices are not back
	Since    time.Time `json:"since,omitzero"`      // when they stopped
	First    time.Time `json:"first,omitzero"`      // when those of an older outage did, which was open still; zero: there was none
	Left     int       `json:"left,omitempty"`      // devices folded and still silent
	Back     int       `json:"back,omitempty"`      // devices that were folded and are back
	RecallAt time.Time `json:"recall_at,omitzero"`  // when to wait for the rest no longer; zero: none is back yet
	Down     bool      `json:"down,omitempty"`      // lampward lost the external broker
	DownAt   time.Time `json:"down_at,omitzero"`    // when, or when lampward started, if that was later
	TellDown time.Time `json:"tell_down,omitzero"`  // when to tell of it; zero: told, or not down
	ToldDown bool      `json:"told_down,omitempty"` // it was told
	DownFrom time.Time `json:"down_from,omitzero"`  // when the outage that was told began
	Shaky    bool      `json:"shaky,omitempty"`     // the outage that was told is of a connection that comes and goes
	LostFrom time.Time `json:"lost_from,omitzero"`  // the first loss since the connection last held
	HoldsAt  time.Time `json:"holds_at,omitzero"`   // when it will have held; zero: it is down, or holds
}

const (
	fleetVersion = 1

	defaultFold = 3
	// holdFor is the longest that a silence waits for others to join it.
	holdFor = 2 * time.Minute
	// recallLeast and recallMost bound how long the message of a recovery
	// waits for the devices that are not back yet.
	recallLeast = time.Minute
	recallMost  = 15 * time.Minute
	// tellDownAfter is how long the broker must be out of reach to be told.
	tellDownAfter = 5 * time.Minute
	// A connection that never lasted for holdsAfter holds nothing: boards are not
	// watched, since each time they may need as long to connect again. That is
	// told after tellShakyAfter.
	holdsAfter     = 10 * time.Minute
	tellShakyAfter = 30 * time.Minute
	namesMost      = 6
)

// configure takes the number of devices to fold and the devices themselves.
func (f *fleet) configure(fold int, devs []*device) {
	if fold <= 0 {
		fold = defaultFold
	}
	f.fold = max(fold, 2)
	f.devs = devs
	f.at = make(map[string]int, len(devs))
	f.s.Left = 0
	held := false
	for i, d := range devs {
		f.at[d.cfg.Name] = i
		held = held || d.heldBack
		if d.folded {
			f.s.Left++
		}
	}
	if !held {
		f.s.HoldUntil = time.Time{}
	}
	if f.s.Open && f.s.Left == 0 && f.s.Back == 0 { // else it is told who is back, when that is due
		f.close()
	}
}

// filter takes the events that one device just decided on and appends to out
// those that are to be told.
func (f *fleet) filter(at time.Time, told, out []Event) []Event {
	for i := range told {
		e := &told[i]
		j, ok := f.at[e.Device]
		if !ok {
			out = append(out, *e)
			continue
		}
		switch d := f.devs[j]; e.Kind {
		case Silent:
			out = f.fellSilent(at, d, e, out)
		case Returned:
			out = f.cameBack(at, d, e, out)
		default:
			out = append(out, *e)
		}
	}
	return out
}

func (f *fleet) fellSilent(at time.Time, d *device, e *Event, out []Event) []Event {
	if f.s.Open && (d.mayHaveStopped(f.s.Since) || !f.s.First.IsZero() && d.mayHaveStopped(f.s.First) || f.noneHeard()) {
		d.folded = true
		f.s.Left++
		return out
	}
	with, maybe, expected := f.company(at, d)
	switch {
	case with+1 >= f.fold:
		return f.open(at, d, out)
	case with+1+maybe >= f.fold && (with > 0 || expected >= 2):
		d.heldBack = true
		if f.s.HoldUntil.IsZero() {
			f.s.HoldUntil = at.Add(holdFor)
		}
		return out
	}
	return append(out, *e)
}

// noneHeard tells whether nothing at all was heard since the outage that is open
// began. Then a device that had missed a few reports before, but was not silent
// yet, tells nothing by itself; if it stays away it is named when the others are
// back.
func (f *fleet) noneHeard() bool {
	for _, o := range f.devs {
		if last, heard := o.cadence.Last(); heard && last.After(f.s.Since) {
			return false
		}
	}
	return true
}

// mayHaveStopped tells whether the device may have stopped at t.
func (d *device) mayHaveStopped(t time.Time) bool {
	from, to := d.stopped()
	return !t.Before(from) && !t.After(to)
}

// stoppedWith tells whether two devices may have stopped at the same moment.
func (d *device) stoppedWith(o *device) bool {
	from, to := d.stopped()
	oFrom, oTo := o.stopped()
	return !oFrom.After(to) && !from.After(oTo)
}

// silentWith tells whether o stopped with d as far as is known at at, and can
// still be told so: one that was told by itself returns by itself, which ends its
// alert.
func (d *device) silentWith(o *device, at time.Time) bool {
	return o != d && (o.heldBack || o.overdue(at)) && d.stoppedWith(o)
}

// company counts the other devices that stopped together with d: those that
// are silent or late, and those that may yet turn out to be; expected is how
// many reports of the latter are missing.
func (f *fleet) company(at time.Time, d *device) (with, maybe int, expected float64) {
	from, _ := d.stopped()
	for _, o := range f.devs {
		if d.silentWith(o, at) {
			with++
			continue
		}
		since, waiting := o.cadence.Waiting()
		every := o.cadence.Every()
		oFrom, _ := o.stopped()
		if o == d || o.silent || o.away || !waiting || every <= 0 || oFrom.After(from.Add(f.slack(d))) {
			continue
		}
		maybe++
		expected += float64(at.Sub(since)) / float64(every)
	}
	return with, maybe, expected
}

// slack is how long after d's newest report another device may have been heard
// in an outage that took both: until d's next was due.
func (f *fleet) slack(d *device) time.Duration {
	from, to := d.stopped()
	return to.Sub(from)
}

// open tells that d and those in its company stopped together.
func (f *fleet) open(at time.Time, d *device, out []Event) []Event {
	if f.s.Open && f.s.First.IsZero() { // an older outage is open yet: they end together
		f.s.First = f.s.Since
	}
	f.s.Open = true
	var members []*device
	for _, o := range f.devs {
		if o == d || d.silentWith(o, at) {
			members = append(members, o)
		}
	}
	from, to := d.stopped() // for all of them together
	for _, o := range members {
		oFrom, oTo := o.stopped()
		from, to = latest(from, oFrom), earliest(to, oTo)
		o.fellSilent()
		o.folded, o.heldBack = true, false
		f.s.Left++
	}
	f.s.Since = from
	f.dropHold()
	heard := 0           // others that report as usual
	var before []*device // told alone
	for _, o := range f.devs {
		if last, ok := o.cadence.Last(); ok && !o.silent && last.After(to) {
			heard++
		}
		if o.silent && !o.folded && d.stoppedWith(o) {
			before = append(before, o)
		}
	}
	e := Event{
		At: at, Kind: ManySilent, Since: f.s.Since, Cause: CauseNetwork, Confidence: 1,
		Text: fmt.Sprintf("%d devices stopped reporting together: %s", len(members), names(members)),
	}
	if heard == 0 {
		e.Why = "None of the devices that should report is heard: the broker, the network or the power is down, not one board."
	} else {
		e.Why = "They stopped at the same moment while others report as usual: look at what they share, such as an access point or a socket strip."
	}
	if len(before) > 0 {
		e.Why += " " + names(before) + ", told before, may have stopped with them."
	}
	return append(out, e)
}

func earliest(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func names(ds []*device) string {
	var b strings.Builder
	for i, d := range ds {
		if i == namesMost && len(ds) > namesMost+1 {
			fmt.Fprintf(&b, " and %d more", len(ds)-i)
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(d.cfg.Name)
	}
	return b.String()
}

func (f *fleet) cameBack(at time.Time, d *device, e *Event, out []Event) []Event {
	switch {
	case d.heldBack:
		// Nobody was told that it was silent.
		d.heldBack = false
		f.dropHold()
		return out
	case !d.folded:
		return append(out, *e)
	}
	d.folded = false
	f.s.Left--
	f.s.Back++
	if f.s.Left <= 0 {
		return f.recall(at, out)
	}
	if f.s.RecallAt.IsZero() {
		f.s.RecallAt = at.Add(f.recallWait())
	}
	return out
}

// recallWait is how long the slowest device that is still missing may take.
func (f *fleet) recallWait() time.Duration {
	wait := recallLeast
	for _, d := range f.devs {
		if late, ok := d.cadence.Late(); ok && d.folded {
			wait = max(wait, late)
		}
	}
	return min(wait, recallMost)
}

// recall tells that the outage is over.
func (f *fleet) recall(at time.Time, out []Event) []Event {
	report := span.Count(f.s.Back, "device") + " report again after "
	if f.s.Back == 1 { // of several, of which the others are still missing
		report = "1 device reports again after "
	}
	e := Event{
		At: at, Kind: ManyReturned, Since: f.s.Since, Confidence: 1,
		Text: report + span.Text(at.Sub(f.s.Since)),
		Why:  "Fresh reports came of all that had stopped together.",
	}
	if !f.s.First.IsZero() {
		e.Since = f.s.First
		e.Text = report + "up to " + span.Text(at.Sub(f.s.First))
		e.Why = "Fresh reports came of all that had stopped in outages that overlapped."
	}
	var missing []*device
	for _, d := range f.devs {
		if d.folded {
			missing = append(missing, d)
			d.folded = false
		}
	}
	if len(missing) > 0 {
		e.Text += "; still silent: " + names(missing)
		e.Why = fmt.Sprintf("Fresh reports came of %d of the %d that had stopped.", f.s.Back, f.s.Back+len(missing))
	}
	f.close()
	return append(out, e)
}

func (f *fleet) close() {
	f.s.Open, f.s.Left, f.s.Back = false, 0, 0
	f.s.Since, f.s.First, f.s.RecallAt = time.Time{}, time.Time{}, time.Time{}
}

// dropHold ends the wait if no device is held back any more.
func (f *fleet) dropHold() {
	for _, d := range f.devs {
		if d.heldBack {
			return
		}
	}
	f.s.HoldUntil = time.Time{}
}

// uplink takes news of lampward's own connection to the broker.
func (f *fleet) uplink(in *Input, out []Event) []Event {
	if down := in.Word == UplinkDown; down == f.s.Down {
		return out
	} else if down {
		f.s.Down, f.s.DownAt = true, in.At
		if f.s.HoldsAt.IsZero() {
			f.s.LostFrom = in.At
		}
		f.s.HoldsAt = time.Time{}
		if !f.s.ToldDown {
			wait := min(tellDownAfter, tellShakyAfter-in.At.Sub(f.s.LostFrom))
			f.s.TellDown = in.At.Add(max(wait, 0))
		}
		// A silence that nobody was told of yet may be the broker's.
		for _, d := range f.devs {
			if d.heldBack {
				d.heldBack, d.silent, d.since = false, false, time.Time{}
			}
		}
		f.s.HoldUntil = time.Time{}
		return out
	}
	f.s.Down, f.s.TellDown = false, time.Time{}
	if in.Word == UplinkNone {
		return f.tellUp(in.At, "the broker that was out of reach is not used any more",
			"lampward is the broker now; the devices' silence counts from now.", out)
	}
	if f.s.HoldsAt = in.At.Add(holdsAfter); f.s.Shaky {
		return out // told once it has held
	}
	return f.tellUp(in.At, "the broker is back after "+span.Text(in.At.Sub(f.s.DownFrom)),
		"lampward is connected to the broker again; the devices' silence counts from now.", out)
}

// tellUp ends an outage of the broker, if one was told.
func (f *fleet) tellUp(at time.Time, text, why string, out []Event) []Event {
	if !f.s.ToldDown {
		return out
	}
	f.s.ToldDown, f.s.Shaky, f.s.LostFrom = false, false, at
	return append(out, Event{
		At: at, Kind: ManyReturned, Since: f.s.DownFrom, Cause: CauseNetwork, Confidence: 1, Text: text, Why: why,
	})
}

// rearm restarts every wait at at. The daemon tells anew whether it reaches the
// broker.
func (f *fleet) rearm(at time.Time) {
	if !f.s.HoldUntil.IsZero() {
		f.s.HoldUntil = at.Add(holdFor)
	}
	if !f.s.RecallAt.IsZero() {
		f.s.RecallAt = at.Add(f.recallWait())
	}
	f.s.Down, f.s.DownAt, f.s.TellDown, f.s.HoldsAt = false, at, time.Time{}, time.Time{}
	if f.s.ToldDown {
		f.s.Down = true // until the daemon tells that it is up
	}
}

// next returns the fleet's earliest deadline.
func (f *fleet) next() (at time.Time, ok bool) {
	for _, t := range [...]time.Time{f.s.HoldUntil, f.s.RecallAt, f.s.TellDown, f.s.HoldsAt} {
		if !t.IsZero() && (!ok || t.Before(at)) {
			at, ok = t, true
		}
	}
	return at, ok
}

// fire acts on what is due at at.
func (f *fleet) fire(at time.Time, out []Event) []Event {
	due := func(t time.Time) bool { return !t.IsZero() && !t.After(at) }
	if due(f.s.TellDown) {
		f.s.TellDown, f.s.ToldDown, f.s.DownFrom = time.Time{}, true, f.s.DownAt
		e := Event{
			At: at, Kind: ManySilent, Since: f.s.DownAt, Cause: CauseNetwork, Confidence: 1,
			Text: "the broker is out of reach, no device can be heard",
			Why:  "lampward has had no connection to the broker for " + span.Text(at.Sub(f.s.DownAt)) + "; no device is blamed meanwhile.",
		}
		if at.Sub(f.s.DownAt) < tellDownAfter {
			f.s.Shaky, f.s.DownFrom, e.Since = true, f.s.LostFrom, f.s.LostFrom
			e.Text = "the connection to the broker comes and goes"
			e.Why = fmt.Sprintf("For %s it was lost again and again, and never held for %s. What devices report may come late or be lost, and hardly any is called silent meanwhile.",
				span.Text(at.Sub(f.s.LostFrom)), span.Text(holdsAfter))
		}
		out = append(out, e)
	}
	if due(f.s.HoldsAt) {
		f.s.HoldsAt = time.Time{}
		out = f.tellUp(at, "the connection to the broker holds again",
			"It has held for "+span.Text(holdsAfter)+".", out)
	}
	if due(f.s.HoldUntil) {
		f.s.HoldUntil = time.Time{}
		out = f.release(at, out)
	}
	if due(f.s.RecallAt) {
		out = f.recall(at, out)
	}
	return out
}

// release tells of the devices that were held back.
func (f *fleet) release(at time.Time, out []Event) []Event {
	for _, d := range f.devs {
		if !d.heldBack {
			continue
		}
		if with, _, _ := f.company(at, d); with+1 >= f.fold {
			out = f.open(at, d, out)
			continue
		}
		d.heldBack = false
		out = append(out, d.silence(at))
	}
	return out
}

func (f *fleet) marshal() []byte {
	f.s.Version = fleetVersion
	b, err := json.Marshal(f.s)
	if err != nil {
		panic("rules: fleet: " + err.Error()) // times and numbers can always be written
	}
	return b
}

func (f *fleet) unmarshal(b []byte) error {
	var s fleetState
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("fleet: damaged state: %w", err)
	}
	if s.Version != fleetVersion {
		return fmt.Errorf("fleet: state of version %d, want %d", s.Version, fleetVersion)
	}
	for _, t := range [...]*time.Time{&s.HoldUntil, &s.Since, &s.First, &s.RecallAt, &s.DownAt, &s.TellDown, &s.DownFrom, &s.LostFrom, &s.HoldsAt} {
		*t = t.UTC()
	}
	f.s = s
	return nil
}
