package rules

import (
	"encoding/json"
	"fmt"
	"time"
)

// deviceVersion is that of deviceState.
const deviceVersion = 1

// deviceState is what a snapshot keeps of a device.
type deviceState struct {
	Version  int       `json:"version"`
	Cadence  []byte    `json:"cadence"`
	Cell     []byte    `json:"cell"`
	Silent   bool      `json:"silent,omitempty"`
	Since    time.Time `json:"since,omitzero"`
	Died     time.Time `json:"died,omitzero"`
	Back     time.Time `json:"back,omitzero"`
	Warned   bool      `json:"warned,omitempty"`
	Calm     time.Time `json:"calm,omitzero"`
	Away     bool      `json:"away,omitempty"`
	Expect   int64     `json:"expect,omitempty"` // ms
	HeldBack bool      `json:"held_back,omitempty"`
	Folded   bool      `json:"folded,omitempty"`
	Volts    *float64  `json:"volts,omitempty"`
	RSSI     *float64  `json:"rssi,omitempty"`
	Word     string    `json:"word,omitempty"`
	WordAt   time.Time `json:"word_at,omitzero"`
	Gone     bool      `json:"gone,omitempty"`
}

// marshal returns the device's state, the same bytes for the same state.
func (d *device) marshal() []byte {
	s := deviceState{
		Version: deviceVersion, Silent: d.silent, Since: d.since, Died: d.died, Back: d.back, Away: d.away,
		Warned: d.warned, Calm: d.calm,
		Expect: d.expect.Milliseconds(), HeldBack: d.heldBack, Folded: d.folded,
		Word: d.word, WordAt: d.wordAt, Gone: d.gone,
	}
	s.Cadence, _ = d.cadence.AppendBinary(nil)
	s.Cell, _ = d.cell.AppendBinary(nil)
	if d.voltsOK {
		s.Volts = &d.volts
	}
	if d.rsOK {
		s.RSSI = &d.rssi
	}
	b, err := json.Marshal(s)
	if err != nil {
		// Only a number that is not finite cannot be written, and Step takes none.
		panic("rules: device " + d.cfg.Name + ": " + err.Error())
	}
	return b
}

// unmarshal restores what marshal wrote; the configuration stays. After an error
// the device is of no use.
func (d *device) unmarshal(b []byte) error {
	var s deviceState
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("device: damaged state: %w", err)
	}
	if s.Version != deviceVersion {
		return fmt.Errorf("device: state of version %d, want %d", s.Version, deviceVersion)
	}
	d.silent, d.since, d.away = s.Silent, s.Since.UTC(), s.Away
	d.warned, d.calm = s.Warned, s.Calm.UTC()
	d.died, d.back = s.Died.UTC(), s.Back.UTC()
	d.expect = time.Duration(max(s.Expect, 0)) * time.Millisecond
	d.heldBack, d.folded = s.HeldBack, s.Folded
	d.word, d.wordAt, d.gone = s.Word, s.WordAt.UTC(), s.Gone
	if d.voltsOK = s.Volts != nil; d.voltsOK {
		d.volts = *s.Volts
	}
	if d.rsOK = s.RSSI != nil; d.rsOK {
		d.rssi = *s.RSSI
	}
	if err := d.cadence.UnmarshalBinary(s.Cadence); err != nil {
		return err
	}
	return d.cell.UnmarshalBinary(s.Cell)
}
