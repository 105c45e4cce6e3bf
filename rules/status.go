package rules

import (
	"time"

	"lampward/rules/learn"
)

// LampStatus is what is known of one lamp now.
type LampStatus struct {
	Name    string        `json:"name"`
	Device  string        `json:"device"`
	At      time.Time     `json:"at,omitzero"` // engine time of the newest reading; zero: none yet
	Value   float64       `json:"value"`       // that reading, a raw count
	Verdict learn.Verdict `json:"verdict"`
	Fault   string        `json:"fault,omitempty"` // NoValue, else that of Verdict
	Aim     learn.Aim     `json:"aim"`
}

// LampState returns the state of one lamp; ok is false if there is no such
// lamp.
func (m *Machine) LampState(name string) (s learn.State, ok bool) {
	i, ok := m.lampAt[name]
	if !ok {
		return learn.Learning, false
	}
	return m.lamps[i].learner.Verdict().State, true
}

// Swapped says what tells that lit and dark of a lamp are the wrong way round, if a
// person sees that it is s: a clause, or nothing. Ask before the InTeach.
func (m *Machine) Swapped(name string, s learn.State) string {
	i, ok := m.lampAt[name]
	if !ok {
		return ""
	}
	return m.lamps[i].learner.Swapped(s)
}

// LampStatus returns what is known of one lamp.
func (m *Machine) LampStatus(name string) (s LampStatus, ok bool) {
	i, ok := m.lampAt[name]
	if !ok {
		return LampStatus{}, false
	}
	return m.lamps[i].status(), true
}

// Lamps returns what is known of every lamp, in the order of the
// configuration.
func (m *Machine) Lamps() []LampStatus {
	out := make([]LampStatus, len(m.lamps))
	for i, l := range m.lamps {
		out[i] = l.status()
	}
	return out
}

func (l *lamp) status() LampStatus {
	s := LampStatus{
		Name: l.cfg.Name, Device: l.cfg.Board(), At: l.at, Value: l.value,
		Verdict: l.learner.Verdict(), Aim: l.learner.Aim(),
	}
	if s.Fault = s.Verdict.Fault.String(); l.unread {
		s.Fault = NoValue
	}
	return s
}
