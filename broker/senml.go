package broker

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// SenML in JSON, RFC 8428. Section numbers are from memory of the text; the
// worked packs of its section 5 are in testdata.

// maxRecords bounds one pack: a board that sends a whole day at once sends
// 1,440 readings.
const maxRecords = 5000

// senmlRelative: times below 2^28 s are relative to now (section 4.5.3).
const senmlRelative = 1 << 28

// senmlVersion is the SenML version defined by RFC 8428 (section 4.4).
const senmlVersion = 10

type senmlRecord struct {
	Bn   *string         `json:"bn"`
	Bu   *string         `json:"bu"`
	Bt   *json.Number    `json:"bt"`
	Bv   *json.Number    `json:"bv"`
	Bver *json.Number    `json:"bver"`
	N    string          `json:"n"`
	U    *string         `json:"u"`
	T    *json.Number    `json:"t"`
	V    *json.Number    `json:"v"`
	Vs   *string         `json:"vs"`
	Vb   *bool           `json:"vb"`
	Vd   *string         `json:"vd"`
	S    *json.Number    `json:"s"`
	Bs   json.RawMessage `json:"bs"`
}

// resolved is a record with the base fields worked in.
type resolved struct {
	name, local string // bn + n, and n alone
	unit        string
	v           float64
	at          time.Time     // zero: now, less ago
	ago         time.Duration // how long before now; 0 where at is given
}

// resolveSenML works the base fields of a pack into its numeric records, in
// order of time. Records that carry text, booleans, data or sums are passed
// over.
func resolveSenML(payload []byte) ([]resolved, error) {
	var raw []json.RawMessage
	err := json.Unmarshal(payload, &raw)
	if err != nil {
		if better, some := replaceNaN(payload, "null", "null"); some && json.Unmarshal(better, &raw) == nil {
			err = nil // a record whose value is none is passed over
		}
	}
	if err != nil {
		return nil, fail(BadSenML, "the payload %s is not a SenML pack: %s: a pack is a JSON array of records, such as [{\"n\":\"light\",\"v\":512}]", excerpt(payload), jsonFault(err))
	}
	if len(raw) == 0 {
		return nil, fail(BadSenML, "the SenML pack is empty: it needs at least one record, such as [{\"n\":\"light\",\"v\":512}]")
	}
	if len(raw) > maxRecords {
		return nil, fail(TooLong, "the SenML pack has %d records: send at most %d at once", len(raw), maxRecords)
	}
	var (
		out    []resolved
		bn, bu string
		bt, bv float64
	)
	for i, r := range raw {
		var rec senmlRecord
		if err := json.Unmarshal(r, &rec); err != nil {
			want := "send numbers as numbers and names as text"
			if r[0] != '{' {
				want = "a record is an object, such as {\"n\":\"light\",\"v\":512}"
			}
			return nil, fail(BadSenML, "SenML record %d: %s: %s", i+1, jsonFault(err), want)
		}
		if err := mustUnderstand(r); err != nil {
			return nil, fail(BadSenML, "SenML record %d: %v", i+1, err)
		}
		var err error
		num := func(n *json.Number, what string, into *float64) {
			if n == nil || err != nil {
				return
			}
			v, e := number(n.String())
			if e != nil {
				err = fmt.Errorf("SenML record %d, %s: %w", i+1, what, e)
				return
			}
			*into = v
		}
		version := float64(senmlVersion)
		num(rec.Bver, "bver", &version)
		num(rec.Bt, "bt", &bt)
		num(rec.Bv, "bv", &bv)
		var t, v float64
		num(rec.T, "t", &t)
		num(rec.V, "v", &v)
		if err != nil {
			return nil, err
		}
		if version > senmlVersion {
			return nil, fail(BadSenML, "SenML record %d asks for version %v: lampward reads versions up to %d", i+1, version, senmlVersion)
		}
		if rec.Bn != nil {
			bn = *rec.Bn
		}
		if rec.Bu != nil {
			bu = *rec.Bu
		}
		values := 0
		for _, has := range []bool{rec.V != nil, rec.Vs != nil, rec.Vb != nil, rec.Vd != nil} {
			if has {
				values++
			}
		}
		if values > 1 {
			return nil, fail(BadSenML, "SenML record %d has several values: give each record one of v, vs, vb, vd", i+1)
		}
		if rec.V == nil {
			continue
		}
		name := bn + rec.N
		if err := checkSenMLName(name); err != nil {
			return nil, fail(BadSenML, "SenML record %d: %v", i+1, err)
		}
		one := resolved{name: name, local: rec.N, unit: bu, v: v + bv}
		if rec.U != nil {
			one.unit = *rec.U
		}
		if e := plausible(one.v); e != nil {
			return nil, fmt.Errorf("SenML record %d: %w", i+1, e)
		}
		switch t += bt; {
		case t >= senmlRelative:
			if t > 253402300799 { // the year 9999: RFC 3339 and databases end there
				return nil, fail(BadSenML, "SenML record %d: the time %g s lies beyond the year 9999: send seconds since 1970", i+1, t)
			}
			sec, frac := math.Modf(t)
			one.at = time.Unix(int64(sec), int64(math.Round(frac*1e6))*1e3).UTC() // a float64 of seconds is good to about a microsecond
		case t < -senmlRelative:
			return nil, fail(BadSenML, "SenML record %d: the time %g s lies years back: relative times are seconds before now", i+1, t)
		default:
			one.ago = time.Duration(math.Round(-t*1e6)) * time.Microsecond
		}
		out = append(out, one)
	}
	// Resolved records are in order of time (section 4.6). Absolute and
	// relative times cannot be compared; relative ones, being near now, go last.
	slices.SortStableFunc(out, func(a, b resolved) int {
		switch {
		case a.at.IsZero() && b.at.IsZero():
			return int(max(-1, min(1, b.ago-a.ago)))
		case a.at.IsZero():
			return 1
		case b.at.IsZero():
			return -1
		}
		return a.at.Compare(b.at)
	})
	return out, nil
}

// mustUnderstand refuses records with a field whose name ends in _: it changes
// the meaning of the record, and lampward knows none (section 4.4).
func mustUnderstand(r json.RawMessage) error {
	if !bytes.Contains(r, []byte(`_"`)) {
		return nil
	}
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(r, &fields); err != nil {
		return err
	}
	for name := range fields {
		if strings.HasSuffix(name, "_") {
			return fmt.Errorf("has the field %s, which must be understood and is not: leave it out", clip(name))
		}
	}
	return nil
}

// checkSenMLName: letters, digits and - : . / _, beginning with a letter or
// digit (section 4.5.1).
func checkSenMLName(name string) error {
	if name == "" {
		return fmt.Errorf("has no name: give n, or bn in an earlier record")
	}
	for i, r := range name {
		alnum := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9'
		if !alnum && (i == 0 || !strings.ContainsRune("-:./_", r)) {
			return fmt.Errorf("has the name %s: use letters, digits and - : . / _, and begin with a letter or digit", clip(name))
		}
	}
	return nil
}

// named returns the records of that full name, or, if none has it, those whose
// own name without the base name it is.
func named(all []resolved, name string) []resolved {
	var full, local []resolved
	for _, r := range all {
		if r.name == name {
			full = append(full, r)
		}
		if r.local == name {
			local = append(local, r)
		}
	}
	if len(full) > 0 {
		return full
	}
	return local
}

// oneSeries refuses records that are not one series: of one name and one unit.
func oneSeries(rs []resolved) error {
	for _, r := range rs[1:] {
		if r.name != rs[0].name {
			return fail(Ambiguous, "the SenML pack has several values (%s): say which, such as value = \"senml:%s\"", clipList(names(rs)), rs[0].name)
		}
		if r.unit != rs[0].unit {
			return fail(Ambiguous, "the SenML records called %s have several units (%s, %s): give each value a name of its own", clip(r.name), clip(rs[0].unit), clip(r.unit))
		}
	}
	return nil
}

// names lists the distinct names of records, for messages.
func names(all []resolved) []string {
	var out []string
	for _, r := range all {
		if !slices.Contains(out, r.name) {
			out = append(out, r.name)
		}
	}
	return out
}
