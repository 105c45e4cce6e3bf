package rules

import "time"

// AlarmStatus is where the alerts of one lamp or device stand in their life
// cycle.
type AlarmStatus struct {
	State    string    `json:"state"`              // see AlarmNormal and the others
	Text     string    `json:"text,omitempty"`     // of the newest condition; empty while normal
	Also     []string  `json:"also,omitempty"`     // of the others that last and are not acknowledged, the newest first
	Since    time.Time `json:"since,omitzero"`     // engine time at which that condition began
	ShelfEnd time.Time `json:"shelf_end,omitzero"` // engine time at which the time on the shelf is over; zero: not shelved
	// Mark stands for all news that this tells of: an InAck with it as its Word
	// acknowledges nothing that came later.
	Mark string `json:"mark"`
}

// LampAlarm returns the life cycle of one lamp's alerts; ok is false if there
// is no such lamp.
func (m *Machine) LampAlarm(name string) (s AlarmStatus, ok bool) {
	i, ok := m.lampAt[name]
	if !ok {
		return AlarmStatus{}, false
	}
	return m.alarms[i].status(), true
}

// DeviceAlarm is LampAlarm for a device.
func (m *Machine) DeviceAlarm(name string) (s AlarmStatus, ok bool) {
	i, ok := m.deviceAt[name]
	if !ok {
		return AlarmStatus{}, false
	}
	return m.alarms[len(m.lamps)+i].status(), true
}

func (a *alarm) status() AlarmStatus {
	s := AlarmStatus{State: a.state(), ShelfEnd: a.s.ShelfEnd, Mark: a.mark()}
	if s.State != AlarmNormal {
		s.Text, s.Since = a.s.Text, a.s.Since
		for _, t := range a.open() {
			if t.Text != s.Text {
				s.Also = append(s.Also, t.Text)
			}
		}
	}
	return s
}
