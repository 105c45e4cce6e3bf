package rules

import (
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"time"

	"lampward/rules/learn"
	"lampward/rules/silence"
	"lampward/rules/span"
)

// lamp is one lamp: its learner, its words, and whether it is watched.
type lamp struct {
	cfg     LampConfig
	learner *learn.Learner
	values  *silence.Estimator // the cadence of its values; nil while it is that of its board, whose reports carried one each
	newest  time.Time          // value; zero: none yet
	missing time.Duration      // for which its board was there since
	unread  bool               // NoValue was told
	patient silence.Config     // of values

	// The newest reading, for people to see; no decision rests on it, so it is
	// not part of the snapshot.
	at    time.Time
	value float64

	relearned bool // its learner is not that which decided what was told, and no start was since
}

func newLamp(c LampConfig) *lamp {
	return &lamp{cfg: c, learner: learn.New(c.Learn)}
}

// configure takes a new configuration. Where the learner forgets the lamp over
// it, what was told of it is over.
func (l *lamp) configure(in *Input, c LampConfig, out []Event) []Event {
	was := l.learner.Verdict()
	l.cfg = c
	l.learner.Reconfigure(c.Learn)
	v := l.learner.Verdict()
	v.Changed, v.Settled, v.FaultChanged = false, false, v.Fault != was.Fault
	v.GivenUp = was.State != learn.Learning && v.State == learn.Learning
	return l.tell(in, v, out)
}

// gone tells, as history only, that the lamp is not in the configuration any more: the
// state that was told of it last does not go on.
func (l *lamp) gone(in *Input, out []Event) []Event {
	if l.learner.Verdict().State == learn.Learning {
		return out
	}
	return append(out, Event{
		At: in.At, Kind: Unlearned, Lamp: l.cfg.Name, Value: l.learner.Aim().Value, Confidence: 1,
		State: learn.Learning.String(), By: in.By, Quiet: QuietAsked,
		Text: l.cfg.Name + ": not in the configuration any more",
		Why:  "It was taken out of the configuration, or renamed in it: what was learned of it is forgotten, and nothing is known of it from here on.",
	})
}

func (l *lamp) reading(in *Input, out []Event) []Event {
	l.at, l.value = in.At, in.Value
	if l.missing > 0 {
		l.ownCadence()
	}
	if l.values != nil {
		if l.unread && l.newest.IsZero() { // it takes that long at least
			l.values.Report(in.At.Add(-l.missing))
		}
		l.values.Report(in.At)
	}
	l.newest, l.missing = in.At, 0
	v := l.learner.Observe(in.At, in.Value)
	if l.unread {
		l.unread, v.FaultChanged = false, true
	}
	return l.tell(in, v, out)
}

// NoValue is the State of a Fault of a lamp whose board reports, but without a
// value of the lamp that can be read.
const NoValue = "no_value"

// How long a value of a lamp may take whose values' cadence is not known yet:
const (
	neverRead = time.Hour // before anything is known of it
	seldom    = 3         // and so many times as long as the longest that was waited for so far
)

// lacks takes a report of the lamp's board, the next after that of last, without a
// value of the lamp. It is told if one is missing for as long as makes a board
// silent, both by the cadence of the lamp's values and for this board: nobody
// watches the lamp then. Time counts for which the board was there and might have
// sent it.
func (l *lamp) lacks(at, last time.Time, d *device, out []Event) []Event {
	late, ok := d.cadence.Late()
	limit, known := d.cadence.Limit()
	if !ok || !known {
		l.ownCadence()
		return out
	}
	if l.values != nil || l.newest.IsZero() {
		limit = max(limit, l.limit())
	}
	if l.missing += min(at.Sub(last), late); l.unread || l.missing < limit {
		return out
	}
	l.unread = true
	e := Event{At: at, Kind: Fault, Lamp: l.cfg.Name, Confidence: 1, State: NoValue}
	how, usual := "yet", ""
	if !l.newest.IsZero() {
		e.Since, how = l.newest, "for "+span.Text(at.Sub(l.newest))
		every := d.cadence.Every()
		if l.values != nil {
			every = l.values.Every()
		}
		if every > 0 {
			usual = usually(every)
		}
	}
	e.Text = l.cfg.Name + ": no readable value " + how
	e.Why = "Its board reports, but no value of this lamp that can be read has come " + how + usual +
		": compare what the board sends with the lamp's topic and value in the configuration; the log says what cannot be read."
	return append(out, e)
}

// ownCadence has the lamp's values be heard as to when they come: its board reported
// without one.
func (l *lamp) ownCadence() {
	if l.values != nil {
		return
	}
	l.values = silence.New(l.patient)
	if !l.newest.IsZero() {
		l.values.Report(l.newest)
	}
}

// limit is how long the lamp's values may be missing by their own cadence.
func (l *lamp) limit() time.Duration {
	if l.values != nil {
		if own, ok := l.values.Limit(); ok {
			return own
		}
		return max(neverRead, seldom*l.values.Longest())
	}
	return neverRead
}

func (l *lamp) teach(in *Input, out []Event) []Event {
	v, ok := l.taught(in)
	if !ok {
		return out
	}
	return l.tell(in, v, out)
}

// taught has the learner take a person's word; a word that is none changes
// nothing.
func (l *lamp) taught(in *Input) (v learn.Verdict, ok bool) {
	if in.Word == Anew {
		return l.learner.Anew(), true
	}
	s, err := learn.ParseState(in.Word)
	if err != nil {
		return v, false
	}
	return l.learner.Teach(in.At, s), true
}

// catchUp tells the lamp's state, and its sensor's, if the alarm knows another one.
func (l *lamp) catchUp(in *Input, cfg *AlarmConfig, a *alarm, out []Event) []Event {
	v := l.learner.Verdict()
	v.Changed, v.Settled = false, false
	v.FaultChanged = (v.Fault != learn.NoFault) != (a.s.Conds&condFault != 0)
	if v.State == learn.Learning {
		v.GivenUp = a.s.Conds&condLamp != 0
	} else {
		begins, ends := a.effect(cfg, &Event{Lamp: l.cfg.Name, Kind: Kind(v.State.String())})
		v.Changed = begins&^a.s.Conds != 0 || ends&a.s.Conds != 0
	}
	return l.tell(in, v, out)
}

// marshal returns the lamp's state but for its learner's, the same bytes for the
// same state: a byte of flags, missing in ms, the time of the newest value in Unix
// ms, and the cadence of its values if it is its own.
func (l *lamp) marshal() []byte {
	b := []byte{0}
	if l.unread {
		b[0] |= 1
	}
	if !l.newest.IsZero() {
		b[0] |= 2
	}
	b = binary.AppendVarint(b, l.missing.Milliseconds())
	b = binary.AppendVarint(b, l.newest.UnixMilli())
	if l.values != nil {
		b, _ = l.values.AppendBinary(b)
	}
	return b
}

var errDamaged = errors.New("lamp: damaged state")

func (l *lamp) unmarshal(b []byte) error {
	if len(b) < 2 {
		return errDamaged
	}
	ms, n := binary.Varint(b[1:])
	if n <= 0 || ms < 0 {
		return errDamaged
	}
	newest, k := binary.Varint(b[1+n:])
	if k <= 0 {
		return errDamaged
	}
	l.unread, l.missing = b[0]&1 != 0, time.Duration(ms)*time.Millisecond
	if b[0]&2 != 0 {
		l.newest = time.UnixMilli(newest).UTC()
	}
	if b = b[1+n+k:]; len(b) == 0 {
		return nil
	}
	l.values = silence.New(l.patient)
	return l.values.UnmarshalBinary(b)
}

// ofLearner tells whether an event is one of those that tell appends.
func ofLearner(e *Event) bool {
	switch e.Kind {
	case Lit, Dark, Blinking, Learned, Unlearned, FaultOver:
		return true
	case Fault:
		return e.State != NoValue
	}
	return false
}

// tell appends the events of a verdict.
func (l *lamp) tell(in *Input, v learn.Verdict, out []Event) []Event {
	if !v.Changed && !v.Settled && !v.GivenUp && !v.FaultChanged {
		return out
	}
	value := in.Value
	if in.Kind != InReading {
		value = l.learner.Aim().Value
	}
	e := Event{
		At: in.At, Lamp: l.cfg.Name, Value: value,
		OnAbove: v.OnAbove, OffBelow: v.OffBelow,
		Confidence: v.Confidence, Since: v.Since, By: in.By,
	}
	if v.Changed || v.Settled {
		c := e
		c.Kind, c.State, c.Provisional = Kind(v.State.String()), v.State.String(), v.Provisional
		c.Why = l.learner.Why()
		c.Text = l.say(v.State)
		if v.Provisional {
			c.Text += " (provisional)"
		}
		if !v.Changed {
			c.Kind = Learned
			c.Text = fmt.Sprintf("%s: learned, %s now", l.cfg.Name, v.State)
		}
		out = append(out, c)
	}
	if v.GivenUp {
		u := e
		u.Kind, u.State = Unlearned, v.State.String()
		u.OnAbove, u.OffBelow, u.Confidence = 0, 0, 1
		u.Text = l.cfg.Name + ": not sure of this lamp any more, learning it again"
		u.Why = "The changes that were announced do not agree on one step, as a lamp's do: something else was taken for it, such as clouds or a room's light." + untilKnown
		switch {
		case in.Kind == InTeach:
			u.Quiet = QuietAsked
			u.Text = l.cfg.Name + ": learning the lamp anew"
			u.Why = "Somebody said that the sensor was mounted, moved or changed, so what was learned before is forgotten." + untilKnown
		case in.Kind == InStart:
			u.Why = "This version of lampward learns in another way, and by what is stored the lamp is not known." + untilKnown
		case in.Kind == InConfig:
			u.Quiet = QuietAsked
			u.Text = l.cfg.Name + ": learning the lamp anew"
			u.Why = "The configuration says otherwise now which way the lamp reads when lit, so what was learned before is forgotten." + untilKnown
		case v.Smooths:
			u.Text = l.cfg.Name + ": learning the lamp anew"
			u.Why = "The board does not smooth its readings any more, so what was learned before does not fit." + untilKnown
			if l.learner.Smoothed() {
				u.Why = "The board turns out to send a running mean of what it measures. From now on that is taken out, and what was learned before does not fit." + untilKnown
			}
		case v.Handled:
			u.Text = l.cfg.Name + ": learning the lamp anew"
			u.Why = "The readings jumped from level to level and now lie calm, as when somebody wires, aims or mounts the sensor. What was told by them is taken back, and the lamp is learned from now on."
		}
		out = append(out, u)
	}
	if v.FaultChanged && !l.unread { // else that no value comes is what stands
		e.Kind, e.State = Fault, v.Fault.String()
		e.Text = l.cfg.Name + ": sensor trouble, " + strings.ReplaceAll(v.Fault.String(), "_", " ")
		e.Why = faultWhy[v.Fault]
		if v.Fault == learn.StuckRail && l.learner.OneNumber() {
			e.Why = fmt.Sprintf("It has read nothing but %g since the first reading, which is an end of a converter's range: look for a broken wire, a short circuit, a wrong pin or a sensor in full light. A sensor that reads so in the dark may do it until its lamp lights for the first time.", value)
		}
		if v.Fault == learn.NoFault {
			e.Kind = FaultOver
			e.Text = l.cfg.Name + ": the sensor works again"
			e.Why = "Readings come, and do not look like those of a failing sensor."
			if in.Kind == InTeach || in.Kind == InConfig { // no reading has shown it
				e.Text = l.cfg.Name + ": the sensor is watched anew"
				e.Why = "The lamp is learned anew, so its sensor's trouble counts as over; if it lasts, it is told again."
			}
		}
		out = append(out, e)
	}
	return out
}

const untilKnown = " Until the lamp is known again its changes are not told; teach it when you see it lit or dark."

// faultWhy explains each fault in one sentence; by learn.Fault.
var faultWhy = [...]string{
	learn.NoFault:   "",
	learn.StuckRail: "The reading stands still at an end of the converter's range, where it hardly ever was before: look for a broken wire, a short circuit or a sensor in full light.",
	learn.Frozen:    "The very same number comes again and again from a sensor that used to show noise: the board may repeat an old reading.",
	learn.Noisy:     "The readings scatter far more than they used to: look for a loose wire, a weak supply or a light source nearby.",
	learn.Fading:    "Lit and dark stand far closer together than they did: look for dust, a sensor that slipped, or a lamp that ages. If you moved the sensor, have the lamp learned anew.",
}

func (l *lamp) say(s learn.State) string {
	own := ""
	switch s {
	case learn.Lit:
		own = l.cfg.SayLit
	case learn.Dark:
		own = l.cfg.SayDark
	case learn.Blinking:
		own = l.cfg.SayBlinking
	}
	if own != "" {
		return own
	}
	return l.cfg.Name + " is " + s.String()
}
