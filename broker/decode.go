package broker

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Limits of Decode.
const (
	MaxPayload = 256 << 10 // longest payload read, in bytes
	MaxValue   = 1e9       // largest magnitude of a value: no converter counts further
)

// NoValue as DecodeOptions.Value says that the payload carries no lamp's
// value: only that the board lives, and perhaps Battery and RSSI.
const NoValue = "-"

// WholePayload as DecodeOptions.Battery or RSSI says that the payload is that number
// and nothing else, in whatever form a Value of "" takes.
const WholePayload = "."

const senmlPrefix = "senml:"

// DecodeOptions say where in a payload the numbers are.
type DecodeOptions struct {
	// Value finds the raw count: a JSON Pointer (RFC 6901) such as
	// "/light/raw"; or "senml:NAME", the record of that name in a SenML pack
	// (RFC 8428), NAME being its full name (bn + n) or, if no record has that,
	// its n alone; or NoValue; or "" for the whole payload, which is then a
	// bare number, a JSON object {"value": NUMBER}, or a SenML pack whose
	// numeric records all have one name.
	Value string
	// Battery and RSSI find what tells of the battery, a voltage or a charge, and
	// the signal strength in dBm: a pointer or "senml:NAME"; or WholePayload; "": the
	// payload does not carry it.
	Battery, RSSI string
}

// CheckPlace tells what is wrong with a place in DecodeOptions, other than
// NoValue; nil: nothing.
func CheckPlace(p string) error {
	if name, ok := strings.CutPrefix(p, senmlPrefix); ok {
		// n alone may begin with what no full name begins with.
		if name == "" || checkSenMLName("n"+name) != nil {
			return fmt.Errorf("%s names no SenML record: write senml:NAME, with letters, digits and - : . / _ in NAME", clip(p))
		}
		return nil
	}
	return checkPointer(p)
}

// Sample is what one payload, or one record of it, says.
type Sample struct {
	Value    float64       // raw count; finite, magnitude at most MaxValue
	HasValue bool          // false only with NoValue
	Battery  *float64      // what it tells of the battery; nil: not told
	RSSI     *float64      // signal strength in dBm; nil: not told
	At       time.Time     // when measured, UTC; zero unless the payload carries an absolute time
	Ago      time.Duration // how long before its arrival it was measured; 0 unless the payload carries a relative time
	// Warn says what is wrong with Battery or RSSI, if they are there but cannot
	// be used; nil: nothing. The value counts all the same.
	Warn error
}

// Reason is a kind of DecodeError, to count by.
type Reason string

// The kinds of DecodeError.
const (
	NotNumber     Reason = "not_number"      // what should be a number is not
	NoSuchPointer Reason = "no_such_pointer" // the payload holds nothing at the place told
	NaN           Reason = "nan"
	Infinite      Reason = "infinite"
	TooHuge       Reason = "too_huge" // magnitude above MaxValue
	TooLong       Reason = "too_long" // payload above MaxPayload, or too many records
	BadJSON       Reason = "bad_json"
	BadSenML      Reason = "bad_senml"
	Ambiguous     Reason = "ambiguous" // several values, and none was chosen
	Empty         Reason = "empty"     // no payload
)

// DecodeError says why a payload could not be used, and what to send instead.
type DecodeError struct {
	Reason Reason
	text   string
}

func (e *DecodeError) Error() string { return e.text }

func fail(r Reason, format string, args ...any) error {
	return &DecodeError{Reason: r, text: fmt.Sprintf(format, args...)}
}

// ReasonOf returns the Reason of an error of Decode; "" if it has none.
func ReasonOf(err error) Reason {
	var d *DecodeError
	if errors.As(err, &d) {
		return d.Reason
	}
	return ""
}

// Decode turns a payload into samples, in order of their time: one, unless a
// SenML pack holds several. Any error is, or wraps, a *DecodeError.
func Decode(payload []byte, o DecodeOptions) ([]Sample, error) {
	if len(payload) > MaxPayload {
		return nil, fail(TooLong, "the payload is %d bytes long: send at most %d", len(payload), MaxPayload)
	}
	d := decoder{payload: trim(payload)}
	var out []Sample
	switch {
	case o.Value == NoValue:
		out = []Sample{{}}
	case len(d.payload) == 0:
		return nil, fail(Empty, "the payload is empty: send a number, such as 512")
	case o.Value == "":
		var err error
		if out, err = d.whole(); err != nil {
			return nil, err
		}
	default:
		var err error
		if out, err = d.place(o.Value); err != nil {
			if ReasonOf(err) == NoSuchPointer && !strings.HasPrefix(o.Value, senmlPrefix) {
				if at := d.numbers(); len(at) > 0 {
					err = fail(NoSuchPointer, "%v; it has numbers at %s", err, clipList(at))
				}
			}
			return nil, err
		}
	}
	last := &out[len(out)-1] // battery and signal strength are of the time of sending
	last.Battery, last.Warn = d.extra("battery", o.Battery)
	var warn error
	last.RSSI, warn = d.extra("rssi", o.RSSI)
	last.Warn = errors.Join(last.Warn, warn)
	return out, nil
}

// WholeNumber reads a payload that is nothing but a whole number, as most
// boards send it: what [Decode] with no options would find. If ok is false
// Decode may still find a number.
func WholeNumber(payload []byte) (v float64, ok bool) {
	if len(payload) == 0 || len(payload) > 9 { // less than MaxValue
		return 0, false
	}
	n := 0
	for _, c := range payload {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = 10*n + int(c-'0')
	}
	return float64(n), true
}

// decoder reads one payload, parsing it at most once in each way.
type decoder struct {
	payload []byte
	doc     any
	docErr  error
	parsed  bool
	pack    []resolved
	packErr error
	packed  bool
}

func (d *decoder) json() (any, error) {
	if !d.parsed {
		d.parsed = true
		d.doc, d.docErr = d.parse(d.payload)
		if d.docErr != nil {
			if better, some := replaceNaN(d.payload, `"NaN"`, `"Infinity"`); some {
				if doc, err := d.parse(better); err == nil {
					d.doc, d.docErr = doc, nil
				}
			}
		}
	}
	return d.doc, d.docErr
}

// parse reads the payload, or what it was made into.
func (d *decoder) parse(payload []byte) (doc any, err error) {
	dec := json.NewDecoder(bytes.NewReader(payload))
	dec.UseNumber()
	if err := dec.Decode(&doc); err != nil {
		return nil, fail(BadJSON, "the payload %s is not JSON: %s", excerpt(d.payload), jsonFault(err))
	} else if dec.InputOffset() != int64(len(payload)) {
		return nil, fail(BadJSON, "the payload %s is not JSON: something follows after its end", excerpt(d.payload))
	}
	return doc, nil
}

// replaceNaN writes other words for nan, inf and the like, which JSON does not have
// (RFC 8259 section 6), and printf and many boards' libraries write all the same where
// a sensor gives nothing: the lamp's value beside it is none the worse. some is false
// if there are none.
func replaceNaN(b []byte, nan, inf string) (out []byte, some bool) {
	letter := func(c byte) bool { return 'a' <= c|0x20 && c|0x20 <= 'z' }
	for i := 0; i < len(b); {
		from := i
		if b[i] == '"' { // a string, to its end
			for i++; i < len(b) && b[i] != '"'; i++ {
				if b[i] == '\\' {
					i++
				}
			}
			i = min(i+1, len(b))
			out = append(out, b[from:i]...)
			continue
		}
		if (b[i] == '-' || b[i] == '+') && i+1 < len(b) && letter(b[i+1]) {
			i++
		}
		if !letter(b[i]) {
			out = append(out, b[i])
			i++
			continue
		}
		word := i
		for i < len(b) && letter(b[i]) {
			i++
		}
		switch strings.ToLower(string(b[word:i])) {
		case "nan":
			out, some = append(out, nan...), true
		case "inf", "infinity", "ovf": // the last is of Arduino's Print, from memory
			out, some = append(out, inf...), true
		default:
			out = append(out, b[from:i]...)
		}
	}
	return out, some
}

// numbers lists the pointers to the first numbers in a JSON payload, for messages,
// in order of their names; none: it is no JSON, or has none.
func (d *decoder) numbers() []string {
	const most, deepest = 6, 8
	var out []string
	var names []string // from the top to v; most lead to no number, and are not joined
	var look func(v any)
	within := func(name string, v any) {
		names = append(names, name)
		look(v)
		names = names[:len(names)-1]
	}
	look = func(v any) {
		if len(out) == most || len(names) > deepest {
			return
		}
		switch v := v.(type) {
		case map[string]any:
			for _, name := range slices.Sorted(maps.Keys(v)) {
				within(name, v[name])
			}
		case []any:
			for i := range v {
				within(strconv.Itoa(i), v[i])
			}
		case json.Number, string:
			if _, err := numberOf(v, ""); err == nil {
				at := ""
				for _, name := range names {
					at += "/" + strings.ReplaceAll(strings.ReplaceAll(name, "~", "~0"), "/", "~1")
				}
				out = append(out, at)
			}
		}
	}
	if doc, err := d.json(); err == nil {
		look(doc)
	}
	return out
}

func (d *decoder) senml() ([]resolved, error) {
	if !d.packed {
		d.packed = true
		d.pack, d.packErr = resolveSenML(d.payload)
	}
	return d.pack, d.packErr
}

// whole reads a payload of which nothing was said.
func (d *decoder) whole() ([]Sample, error) {
	switch d.payload[0] {
	case '{':
		doc, err := d.json()
		if err != nil {
			return nil, err
		}
		v, ok := doc.(map[string]any)["value"]
		if !ok {
			at, where := d.numbers(), "say where the number is"
			switch len(at) {
			case 0:
				at = []string{"/light"}
			case 1:
			default:
				where = "it has numbers at " + clipList(at) + "; say which is the lamp's"
			}
			return nil, fail(NoSuchPointer, "the payload %s has no \"value\": %s, such as value = %s", excerpt(d.payload), where, clip(at[0]))
		}
		n, err := numberOf(v, "\"value\"")
		if err != nil {
			return nil, err
		}
		return []Sample{{Value: n, HasValue: true}}, nil
	case '"': // some send all values as text
		if doc, err := d.json(); err == nil {
			if n, err := numberOf(doc, "the payload"); err == nil {
				return []Sample{{Value: n, HasValue: true}}, nil
			}
		}
	case '[':
		pack, err := d.senml()
		if err != nil {
			if at := d.numbers(); len(at) > 0 && at[0] == "/0" {
				return nil, fail(ReasonOf(err), "%v; if it is no SenML, say which number is the lamp's, such as value = \"/0\"", err)
			}
			return nil, err
		}
		if len(pack) == 0 {
			return nil, fail(NotNumber, "no record of the SenML pack %s has a number: send one with \"v\"", excerpt(d.payload))
		}
		if err := oneSeries(pack); err != nil {
			return nil, err
		}
		return samples(pack), nil
	}
	n, err := rawCount(string(d.payload))
	if err != nil {
		return nil, err
	}
	return []Sample{{Value: n, HasValue: true}}, nil
}

// alone reads a payload that is to be battery or signal strength alone. Of what whole
// says it keeps what is true of any number; the rest is of a lamp's.
func (d *decoder) alone() ([]Sample, error) {
	s, err := d.whole()
	switch ReasonOf(err) {
	case "", NaN, Infinite, TooHuge:
		return s, err
	}
	hint := insteadOf(string(d.payload))
	if hint == "" {
		hint = "send a bare number, or name a topic and say where in its payload the number is, such as \"/battery\""
	}
	return nil, fail(NotNumber, "the payload %s is not a number alone: %s", excerpt(d.payload), hint)
}

// place reads the value at a pointer or SenML name.
func (d *decoder) place(p string) ([]Sample, error) {
	if name, ok := strings.CutPrefix(p, senmlPrefix); ok {
		pack, err := d.senml()
		if err != nil {
			return nil, err
		}
		found := named(pack, name)
		if len(found) == 0 {
			return nil, fail(NoSuchPointer, "the SenML pack has no numeric record %s: it has %s", clip(name), clipList(names(pack)))
		}
		if err := oneSeries(found); err != nil {
			return nil, err
		}
		return samples(found), nil
	}
	if err := checkPointer(p); err != nil {
		return nil, fail(NoSuchPointer, "%v", err)
	}
	doc, err := d.json()
	if err != nil {
		return nil, err
	}
	v, where, ok := resolve(doc, p)
	if !ok {
		if where == "" {
			where = "its top"
		}
		return nil, fail(NoSuchPointer, "the payload %s has nothing at %s (looked as far as %s): correct the pointer, or what the board sends", excerpt(d.payload), clip(p), where)
	}
	n, err := numberOf(v, clip(p))
	if err != nil {
		return nil, err
	}
	return []Sample{{Value: n, HasValue: true}}, nil
}

// extra reads voltage or signal strength: absent is fine, unusable a warning.
func (d *decoder) extra(what, p string) (*float64, error) {
	if p == "" || len(d.payload) == 0 {
		return nil, nil
	}
	read := func() ([]Sample, error) { return d.place(p) }
	if p == WholePayload {
		read = d.alone
	}
	s, err := read()
	switch {
	case ReasonOf(err) == NoSuchPointer:
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	return &s[len(s)-1].Value, nil
}

func samples(rs []resolved) []Sample {
	out := make([]Sample, len(rs))
	for i, r := range rs {
		out[i] = Sample{Value: r.v, HasValue: true, At: r.at, Ago: r.ago}
	}
	return out
}

// numberOf reads a JSON value as a number; a string that holds one is taken
// too, for many boards send all values as text.
func numberOf(v any, where string) (float64, error) {
	switch v := v.(type) {
	case json.Number:
		return rawCount(v.String())
	case string:
		n, err := rawCount(string(trim([]byte(v))))
		if err != nil {
			return 0, fmt.Errorf("at %s: %w", where, err)
		}
		return n, nil
	case nil:
		return 0, fail(NotNumber, "at %s is null: send a number, such as 512", where)
	case bool:
		return 0, fail(NotNumber, "at %s is %t: send the raw count of the converter, such as 512", where, v)
	case map[string]any:
		return 0, fail(NotNumber, "at %s is an object: point at the number within it", where)
	default:
		return 0, fail(NotNumber, "at %s is an array: point at the number within it", where)
	}
}

// jsonFault says what is wrong with JSON, without the library's names of types.
func jsonFault(err error) string {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &kind):
		what := "a " + kind.Value // "number", "number 1.5", "object", ...
		switch {
		case kind.Value == "bool":
			what = "true or false"
		case strings.ContainsRune("ao", rune(kind.Value[0])):
			what = "an " + kind.Value
		}
		if kind.Field == "" {
			return "it is " + what
		}
		return fmt.Sprintf("%q is %s", kind.Field, what)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), err.Error() == "unexpected end of JSON input":
		return "it ends too early"
	case errors.As(err, &syntax):
		return fmt.Sprintf("%v, at byte %d", syntax, syntax.Offset)
	}
	return "a number in it cannot be read" // what else a json.Number refuses
}

// ParseNumber reads a number as [Decode] reads a payload that is nothing but one.
func ParseNumber(s string) (float64, error) { return rawCount(string(trim([]byte(s)))) }

// rawCount reads a decimal number of magnitude up to MaxValue.
func rawCount(s string) (float64, error) {
	v, err := number(s)
	if err == nil {
		err = plausible(v)
	}
	if err != nil {
		return 0, err
	}
	return v, nil
}

// number reads a decimal number.
func number(s string) (float64, error) {
	switch word := strings.ToLower(strings.TrimLeft(s, "+-")); word {
	case "nan":
		return 0, fail(NaN, "the value is NaN, not a number: the board divided zero by zero, or its sensor failed")
	case "inf", "infinity":
		return 0, fail(Infinite, "the value is infinite: the board divided by zero")
	}
	if !decimal(s) {
		hint := insteadOf(s)
		if hint == "" {
			hint = "send a bare number such as 512, or say where in the payload it is, such as value = \"/light\""
		}
		return 0, fail(NotNumber, "%s is not a number: %s", clip(s), hint)
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil { // out of range
		return 0, fail(TooHuge, "the value %s is too large to be read", clip(s))
	}
	return v, nil
}

// insteadOf says how to write what is nearly a decimal number; "": s is not.
func insteadOf(s string) string {
	if dot := strings.Replace(s, ",", ".", 1); dot != s && decimal(dot) {
		return "write it with a point, " + dot
	}
	if head := strings.TrimRight(s, " \tabcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ%"); head != "" && decimal(head) {
		return "send it without a unit, " + head
	}
	return ""
}

func plausible(v float64) error {
	if math.Abs(v) > MaxValue {
		return fail(TooHuge, "the value %g is too large: raw counts are at most %g", v, float64(MaxValue))
	}
	return nil
}

// decimal tells whether s is a decimal number: strconv would also take hex,
// underscores and words.
func decimal(s string) bool {
	if s != "" && (s[0] == '+' || s[0] == '-') {
		s = s[1:]
	}
	digits := func() (n int) {
		for n < len(s) && s[n] >= '0' && s[n] <= '9' {
			n++
		}
		s = s[n:]
		return n
	}
	n := digits()
	if strings.HasPrefix(s, ".") {
		s = s[1:]
		n += digits()
	}
	if n == 0 {
		return false
	}
	if s != "" && (s[0] == 'e' || s[0] == 'E') {
		s = s[1:]
		if s != "" && (s[0] == '+' || s[0] == '-') {
			s = s[1:]
		}
		if digits() == 0 {
			return false
		}
	}
	return s == ""
}

// trim takes off white space, the zero byte that ends a string in C, and the byte
// order mark that some libraries put before UTF-8; RFC 8259 section 8.1, from
// memory, lets who reads JSON pass over it.
func trim(b []byte) []byte {
	const white = " \t\r\n\x00"
	return bytes.Trim(bytes.TrimPrefix(bytes.Trim(b, white), []byte("\ufeff")), white)
}

// excerpt quotes the beginning of a payload for a message.
func excerpt(b []byte) string {
	if len(b) <= 64 {
		return clip(string(b))
	}
	return fmt.Sprintf("%q... (%d bytes)", b[:40], len(b))
}

func clipList(names []string) string {
	const most = 5
	out := make([]string, 0, most)
	for _, n := range names[:min(len(names), most)] {
		out = append(out, clip(n))
	}
	s := strings.Join(out, ", ")
	if len(names) > most {
		s += ", ..."
	}
	if s == "" {
		return "none"
	}
	return s
}
