package broker

import (
	"errors"
	"time"
)

// DecodeOptions say where in a payload the numbers are.
type DecodeOptions struct {
	// Value finds the raw count: a JSON Pointer (RFC 6901) such as
	// "/light/raw"; or "senml:NAME", the record of that name in a SenML pack
	// (RFC 8428); or "" for the whole payload, which is then a bare number, a
	// JSON object {"value": NUMBER}, or a SenML pack with a single numeric record.
	Value string
	// Volts and RSSI find the battery voltage in V and the signal strength in
	// dBm, in the same notation; "": the payload does not carry it.
	Volts, RSSI string
}

// Sample is what one payload, or one record of it, says.
type Sample struct {
	Value    float64 // raw count
	HasValue bool
	Volts    *float64  // battery voltage in V; nil: not told
	RSSI     *float64  // signal strength in dBm; nil: not told
	At       time.Time // when measured, UTC; zero unless the payload carries a time
}

// Decode turns a payload into samples, in order of their time.
func Decode(payload []byte, o DecodeOptions) ([]Sample, error) {
	return nil, errors.New("broker: Decode is being written")
}
