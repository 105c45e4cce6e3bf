package rules

import (
	"encoding/json"
	"fmt"
	"time"
)

// fleet watches the devices together: many that stop at once are one message,
// and while lampward cannot reach the broker no device is blamed.
type fleet struct {
	fold int
	devs []*device

	down bool // lampward lost the external broker
}

// configure takes the number of devices to fold and the devices themselves.
func (f *fleet) configure(fold int, devs any) {
	if fold <= 0 {
		fold = 3
	}
	f.fold = fold
	f.devs, _ = devs.([]*device)
}

// filter takes the events that one device just decided on and appends to out
// those that are to be told.
func (f *fleet) filter(at time.Time, told, out []Event) []Event {
	return append(out, told...)
}

// uplink takes news of lampward's own connection to the broker.
func (f *fleet) uplink(in *Input, out []Event) []Event {
	f.down = in.Word == UplinkDown
	return out
}

// rearm restarts every wait at at.
func (f *fleet) rearm(at time.Time) {}

// next returns the fleet's earliest deadline.
func (f *fleet) next() (time.Time, bool) { return time.Time{}, false }

// fire acts on it.
func (f *fleet) fire(at time.Time, out []Event) []Event { return out }

type fleetState struct {
	Version int  `json:"version"`
	Down    bool `json:"down,omitempty"`
}

func (f *fleet) marshal() []byte {
	b, _ := json.Marshal(fleetState{Version: 1, Down: f.down})
	return b
}

func (f *fleet) unmarshal(b []byte) error {
	var s fleetState
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("fleet: %w", err)
	}
	f.down = s.Down
	return nil
}
