// Package learn decides from the raw counts of one light sensor whether the
// lamp under it is dark, lit or blinking. It learns the levels, the noise and
// the delays by itself.
//
// Call New first, then Observe for every fresh reading. The Verdict tells the
// state and whether this reading announces a change; Why says the reason in
// one sentence. Everything is deterministic: the same calls give the same
// answers, bit for bit, on every architecture (see fixed.go). CHOICE.md tells how
// it learns, why, and how well.
package learn

import (
	"fmt"
	"time"
)

// State is what the lamp does.
type State uint8

// The states of a lamp.
const (
	Learning State = iota // not known yet
	Dark
	Lit
	Blinking
)

var stateNames = [...]string{"learning", "dark", "lit", "blinking"}

// String gives "learning", "dark", "lit" or "blinking".
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("State(%d)", uint8(s))
}

// ParseState is the inverse of String.
func ParseState(s string) (State, error) {
	for i, n := range stateNames {
		if s == n {
			return State(i), nil
		}
	}
	return Learning, fmt.Errorf("lamp state %q: write learning, dark, lit or blinking", s)
}

// MarshalText implements encoding.TextMarshaler.
func (s State) MarshalText() ([]byte, error) {
	if int(s) >= len(stateNames) {
		return nil, fmt.Errorf("lamp state %d is none of the four known", uint8(s))
	}
	return []byte(stateNames[s]), nil
}

// UnmarshalText implements encoding.TextUnmarshaler.
func (s *State) UnmarshalText(b []byte) error {
	v, err := ParseState(string(b))
	if err == nil {
		*s = v
	}
	return err
}

// Levels are two hand-set switching levels in counts. The zero value means
// not set: they are learned.
//
// The lamp counts as lit from a reading beyond OnAbove and as dark from one
// beyond OffBelow; between them (the deadband) it stays what it was. For a
// lamp that reads higher when lit OnAbove >= OffBelow. For one that reads
// lower when lit (Config.LitLower) the names keep their meaning but the
// direction turns: lit below OnAbove, dark above OffBelow, OnAbove <= OffBelow.
type Levels struct {
	OnAbove  float64 `json:"on_above"`  // counts
	OffBelow float64 `json:"off_below"` // counts
}

// IsSet tells whether the levels were set by hand.
func (l Levels) IsSet() bool { return l != Levels{} }

// Config is what a person may set for one lamp. The zero value learns
// everything. Configs may be compared with ==.
type Config struct {
	// LitLower says that the reading falls when the lamp lights.
	LitLower bool `json:"lit_lower,omitempty"`
	// Manual holds hand-set levels in counts; zero: learned.
	Manual Levels `json:"manual,omitzero"`
	// OnDelay is how long lit or blinking must hold before it is announced,
	// in ns; 0: automatic, as long as FalseEvery needs.
	OnDelay time.Duration `json:"on_delay,omitempty"`
	// OffDelay is the same for dark.
	OffDelay time.Duration `json:"off_delay,omitempty"`
	// FalseEvery is the mean time between false announcements that is
	// tolerated for this lamp, in ns; 0: DefaultFalseEvery.
	FalseEvery time.Duration `json:"false_every,omitempty"`
}

// DefaultFalseEvery is the false-alarm target of a lamp for which none is
// stated: one false announcement in ten years of 365 days.
const DefaultFalseEvery = 10 * 365 * 24 * time.Hour

// Check tells what is wrong with a Config, naming the field, or nil.
func (c Config) Check() error {
	switch m := c.Manual; {
	case !finite(m.OnAbove) || !finite(m.OffBelow):
		return fmt.Errorf("the hand-set levels %v and %v must be finite numbers", m.OnAbove, m.OffBelow)
	case m.IsSet() && !c.LitLower && m.OnAbove < m.OffBelow:
		return fmt.Errorf("on_above (%v) must not be below off_below (%v) for a lamp that reads higher when lit", m.OnAbove, m.OffBelow)
	case m.IsSet() && c.LitLower && m.OnAbove > m.OffBelow:
		return fmt.Errorf("on_above (%v) must not be above off_below (%v) for a lamp that reads lower when lit", m.OnAbove, m.OffBelow)
	case c.OnDelay < 0 || c.OffDelay < 0 || c.FalseEvery < 0:
		return fmt.Errorf("delays (%v, %v) and the false-alarm target (%v) must not be negative", c.OnDelay, c.OffDelay, c.FalseEvery)
	}
	return nil
}

// Fault is a suspicion about the sensor, told apart from the lamp's state.
type Fault uint8

// The sensor faults.
const (
	NoFault   Fault = iota
	StuckRail       // the reading stands still at an end of the converter's range, where it hardly ever was before
	Frozen          // the very same number again and again, from a sensor that used to show noise
	Noisy           // the noise exploded
	Fading          // the lamp's step is shrinking: dust, ageing, sensor slipped
)

var faultNames = [...]string{"", "stuck_rail", "frozen", "noisy", "fading"}

// String gives "", "stuck_rail", "frozen", "noisy" or "fading".
func (f Fault) String() string {
	if int(f) < len(faultNames) {
		return faultNames[f]
	}
	return fmt.Sprintf("Fault(%d)", uint8(f))
}

// MarshalText implements encoding.TextMarshaler.
func (f Fault) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText implements encoding.TextUnmarshaler.
func (f *Fault) UnmarshalText(b []byte) error {
	for i, n := range faultNames {
		if string(b) == n {
			*f = Fault(i)
			return nil
		}
	}
	return fmt.Errorf("sensor fault %q is none of the known ones", b)
}

// Verdict is what a Learner thinks after a reading. Numbers are always finite.
type Verdict struct {
	State State // what the lamp does
	// Changed: this reading announces a change to State. Never set for
	// settling into a first state without evidence of a change; see Settled.
	Changed bool
	// Settled: with this reading (or teaching) State became known, or was put
	// right, without a change to announce; Why tells how.
	Settled bool
	// GivenUp: with this reading it came out that something else was taken for
	// the lamp, such as clouds. State is Learning again.
	GivenUp bool
	// Handled: it is given up because somebody handled the sensor till now.
	Handled bool
	// Smooths: it is given up because the board turned out to smooth its readings, or
	// not to any more; Smoothed of the Learner tells which.
	Smooths     bool
	Provisional bool // announced before both states were seen for certain
	// OnAbove and OffBelow are the switching levels now, in counts, as in
	// Levels; both are the current level while none are known.
	OnAbove, OffBelow float64
	Confidence        float64   // 0..1: chance that State (and the change, if Changed) is right
	Since             time.Time // when the evidence says State began; zero while Learning
	Fault             Fault     // suspicion about the sensor
	FaultChanged      bool      // this reading began or ended it
}

// Aim is how far the two levels stand apart against the noise right now.
type Aim struct {
	Value      float64 // last reading, counts
	Dark, Lit  float64 // levels, counts; equal while only one was seen
	Noise      float64 // robust standard deviation of the readings about their level, counts
	Separation float64 // Ashman's D of the two levels; 0 while only one was seen
	Grade      string  // "unknown", "too weak", "weak", "good", "excellent"
	Hint       string  // what to do, in words; empty if nothing
}
