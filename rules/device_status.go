package rules

import "time"

// DeviceStatus is what is known of one device now.
type DeviceStatus struct {
	Name    string         `json:"name"`
	Heard   time.Time      `json:"heard,omitzero"`    // engine time of the newest report; zero: never
	Every   time.Duration  `json:"every,omitempty"`   // ns; usual interval between reports; 0: not known yet
	Limit   time.Duration  `json:"limit,omitempty"`   // ns after a report at which it counts as silent; 0: not known yet
	Due     time.Time      `json:"due,omitzero"`      // engine time at which it counts as silent unless it reports; zero: it does already, or not known yet
	Overdue bool           `json:"overdue,omitempty"` // noticeably late, though not silent
	Silent  bool           `json:"silent,omitempty"`  // counts as silent
	Causes  []string       `json:"causes,omitempty"`  // if silent: what may be the cause, with its evidence, likeliest first
	Volts   *float64       `json:"volts,omitempty"`   // V; newest reported; nil of a board that tells its charge
	Charge  *float64       `json:"charge,omitempty"`  // 0..1; state of charge by voltage, or as the board tells it
	RSSI    *float64       `json:"rssi,omitempty"`    // dBm; newest reported
	Link    string         `json:"link,omitempty"`    // newest word on its connection
	LinkAt  time.Time      `json:"link_at,omitzero"`  // engine time of that word
	Battery *BatteryStatus `json:"battery,omitempty"` // nil: nothing to forecast from
}

// BatteryStatus is the forecast of a device's battery.
type BatteryStatus struct {
	Flat  time.Time `json:"flat"`  // engine time, the likeliest
	Early time.Time `json:"early"` // ends of the 90 % interval
	Late  time.Time `json:"late"`  //
	Basis string    `json:"basis"` // "voltage", "charge", "swaps" or "capacity"
	Since time.Time `json:"since"` // engine time at which it was put in
	Told  bool      `json:"told"`  // Since is known, not just the first report
}

// DeviceStatus returns what is known of one device at the engine time now.
func (m *Machine) DeviceStatus(name string, now time.Time) (s DeviceStatus, ok bool) {
	i, ok := m.deviceAt[name]
	if !ok {
		return DeviceStatus{}, false
	}
	return m.devices[i].status(now), true
}

// Devices returns what is known of every device at the engine time now, in the
// order of the configuration.
func (m *Machine) Devices(now time.Time) []DeviceStatus {
	out := make([]DeviceStatus, len(m.devices))
	for i, d := range m.devices {
		out[i] = d.status(now)
	}
	return out
}

func (d *device) status(now time.Time) DeviceStatus {
	s := DeviceStatus{
		Name: d.cfg.Name, Every: d.cadence.Every(), Silent: d.silent, Overdue: d.overdue(now),
		Link: d.word, LinkAt: d.wordAt,
	}
	if at, ok := d.cadence.Last(); ok {
		s.Heard = at
	}
	s.Limit, _ = d.cadence.Limit()
	s.Due, _ = d.silentAt()
	if d.silent {
		for _, c := range d.causes(now) {
			s.Causes = append(s.Causes, c.why)
		}
	}
	if c, ok := d.cell.Charge(); ok {
		s.Charge = &c
	}
	switch v := d.volts; {
	case d.voltsOK && d.cfg.Battery.InPercent:
		v /= 100
		s.Charge = &v
	case d.voltsOK:
		s.Volts = &v
	}
	if d.rsOK {
		v := d.rssi
		s.RSSI = &v
	}
	if f, ok := d.cell.Forecast(); ok {
		since, told := d.cell.Since()
		s.Battery = &BatteryStatus{Flat: f.Flat, Early: f.Early, Late: f.Late, Basis: f.Basis, Since: since, Told: told}
	}
	return s
}
