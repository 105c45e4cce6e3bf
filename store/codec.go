package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"slices"

	"lampward/rules"
)

// Packed inputs
//
// A body is a version byte, records, and the CRC-32C (little endian) of the
// row's key (8 bytes, little endian) and all before it. A record is, in order:
//
//	series   uvarint, in the log only
//	seq      uvarint, the step from the record before
//	at       varint, the change of the time step, in ms
//	form     1 byte: bits 0-2 value, 3-5 volts, 6-7 rssi
//	value, volts, rssi, each as its form says
//
// Form 0 is absent (a value of 0), 1 is the 8 bytes of the float64, 2..5 are
// a decimal number of 0..3 decimals, as varint of its difference to the last
// one of that field if that had as many decimals. A decimal is used only if
// it gives the same float64 back, bit for bit.
const packVersion = 1

const (
	formNone = 0
	formRaw  = 1
	formDec  = 2 // and up: 0..3 decimals (rssi: 0..1)
)

// packed is one plain input.
type packed struct {
	seq    int64
	at     int64 // ms
	series int64
	value  float64
	volts  float64
	rssi   float64
	hasV   bool
	hasR   bool
}

// seriesKey says who a plain input is about.
type seriesKey struct{ kind, lamp, device, word string }

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sumOf is the checksum of a row's key and content.
func sumOf(key int64, body []byte) uint32 {
	var k [8]byte
	binary.LittleEndian.PutUint64(k[:], uint64(key))
	return crc32.Update(crc32.Update(0, castagnoli, k[:]), castagnoli, body)
}

func seal(key int64, body []byte) []byte {
	return binary.LittleEndian.AppendUint32(body, sumOf(key, body))
}

var errSum = errors.New("its checksum is wrong")

// unseal checks a body and returns its records.
func unseal(key int64, body []byte) ([]byte, error) {
	n := len(body) - 4
	if n < 1 || binary.LittleEndian.Uint32(body[n:]) != sumOf(key, body[:n]) {
		return nil, errSum
	}
	if body[0] != packVersion {
		return nil, fmt.Errorf("it is of format %d, which this version does not know", body[0])
	}
	return body[1:n], nil
}

// decimal is the last decimal number of a field.
type decimal struct {
	n     int64
	scale int
}

// packer and unpacker keep what the next record is a difference to.
type packer struct {
	body  []byte
	seq   int64
	at    int64
	step  int64
	value decimal
	volts decimal
	rssi  decimal
	count int
}

func newPacker(at int64) *packer { return &packer{body: []byte{packVersion}, at: at} }

var powers = [4]float64{1, 10, 100, 1000}

// asDecimal finds the fewest decimals that give v exactly.
func asDecimal(v float64, most int) (d decimal, ok bool) {
	if math.Abs(v) >= 1<<50 {
		return d, false
	}
	for s := 0; s <= most; s++ {
		n := math.Round(v * powers[s])
		if math.Abs(n) < 1<<53 && math.Float64bits(float64(int64(n))/powers[s]) == math.Float64bits(v) {
			return decimal{int64(n), s}, true
		}
	}
	return d, false
}

func packNumber(buf []byte, v float64, last *decimal, most int) ([]byte, byte) {
	d, ok := asDecimal(v, most)
	if !ok {
		return binary.LittleEndian.AppendUint64(buf, math.Float64bits(v)), formRaw
	}
	diff := d.n
	if d.scale == last.scale {
		diff -= last.n
	}
	*last = d
	return binary.AppendVarint(buf, diff), formDec + byte(d.scale)
}

// add appends a record; withSeries: with the series it is of.
func (k *packer) add(p packed, withSeries bool) {
	b := k.body
	if withSeries {
		b = binary.AppendUvarint(b, uint64(p.series))
	}
	b = binary.AppendUvarint(b, uint64(p.seq-k.seq))
	step := p.at - k.at
	b = binary.AppendVarint(b, step-k.step)
	k.seq, k.at, k.step = p.seq, p.at, step
	at := len(b)
	b = append(b, 0)
	var form, f byte
	if math.Float64bits(p.value) != 0 {
		b, f = packNumber(b, p.value, &k.value, 3)
		form = f
	}
	if p.hasV {
		b, f = packNumber(b, p.volts, &k.volts, 3)
		form |= f << 3
	}
	if p.hasR {
		b, f = packNumber(b, p.rssi, &k.rssi, 1)
		form |= f << 6
	}
	b[at] = form
	k.body = b
	k.count++
}

var errShort = errors.New("it ends in the middle of a record")

type unpacker struct {
	b []byte
	packer
	err error
}

func (u *unpacker) uvarint() uint64 {
	v, n := binary.Uvarint(u.b)
	if n <= 0 {
		u.err = errShort
		u.b = nil
		return 0
	}
	u.b = u.b[n:]
	return v
}

func (u *unpacker) varint() int64 {
	v, n := binary.Varint(u.b)
	if n <= 0 {
		u.err = errShort
		u.b = nil
		return 0
	}
	u.b = u.b[n:]
	return v
}

func (u *unpacker) number(form byte, last *decimal) float64 {
	switch {
	case form == formNone:
		return 0
	case form == formRaw:
		if len(u.b) < 8 {
			u.err = errShort
			u.b = nil
			return 0
		}
		v := math.Float64frombits(binary.LittleEndian.Uint64(u.b))
		u.b = u.b[8:]
		return v
	}
	d := decimal{u.varint(), int(form - formDec)}
	if d.scale > 3 {
		u.err = fmt.Errorf("it holds a number of unknown form %d", form)
		return 0
	}
	if d.scale == last.scale {
		d.n += last.n
	}
	*last = d
	return float64(d.n) / powers[d.scale]
}

// next reads a record; false at the end or on an error, which is in u.err.
func (u *unpacker) next(p *packed, withSeries bool) bool {
	if len(u.b) == 0 || u.err != nil {
		return false
	}
	*p = packed{}
	if withSeries {
		p.series = int64(u.uvarint())
	}
	u.seq += int64(u.uvarint())
	u.step += u.varint()
	u.at += u.step
	p.seq, p.at = u.seq, u.at
	if len(u.b) == 0 {
		u.err = errShort
		return false
	}
	form := u.b[0]
	u.b = u.b[1:]
	p.value = u.number(form&7, &u.value)
	p.hasV = form>>3&7 != formNone
	p.volts = u.number(form>>3&7, &u.volts)
	p.hasR = form>>6 != formNone
	p.rssi = u.number(form>>6, &u.rssi)
	return u.err == nil
}

// unpackBatch calls fn for each input of a log row.
func unpackBatch(key int64, body []byte, fn func(packed) error) error {
	return unpack("batch", key, 0, true, body, fn)
}

// unpackChunk calls fn for each input of a chunk row.
func unpackChunk(id int64, body []byte, fn func(packed) error) error {
	return unpack("chunk", id, (id>>seriesBits)*chunkSpan, false, body, func(p packed) error {
		p.series = id & maxSeries
		return fn(p)
	})
}

func unpack(table string, key, at int64, withSeries bool, body []byte, fn func(packed) error) error {
	b, err := unseal(key, body)
	if err != nil {
		return damagedRow(table, key, err.Error())
	}
	u := unpacker{b: b}
	u.at = at
	var p packed
	for u.next(&p, withSeries) {
		if err := fn(p); err != nil {
			return err
		}
	}
	if u.err != nil {
		return damagedRow(table, key, u.err.Error())
	}
	return nil
}

// rowDamage is a damaged row; Store.fail makes it a message for people.
func damagedRow(table string, key int64, what string) error {
	return &rowDamage{table, key, what}
}

type rowDamage struct {
	table string
	key   int64
	what  string
}

func (e *rowDamage) Error() string {
	return fmt.Sprintf("row %d of table %s: %s", e.key, e.table, e.what)
}

func (e *rowDamage) Is(target error) bool { return target == ErrDamaged }

// plainKinds are the inputs that come often and say little, with the words
// they may carry; others are kept as JSON.
var plainKinds = map[rules.InputKind][]string{
	rules.InReading: {""},
	rules.InTick:    {""},
	rules.InStart:   {""},
	rules.InStop:    {""},
	rules.InLink:    {"", rules.LinkUp, rules.LinkClosed, rules.LinkLost, rules.LinkWill},
	rules.InUplink:  {"", rules.UplinkUp, rules.UplinkDown, rules.UplinkNone},
}

// plain tells whether in can be packed, and as what.
func plain(in *rules.Input) (seriesKey, bool) {
	if in.By != "" || in.For != 0 || in.Config != nil {
		return seriesKey{}, false
	}
	if in.Kind != rules.InReading { // the most frequent by far
		words, ok := plainKinds[in.Kind]
		if !ok || !slices.Contains(words, in.Word) {
			return seriesKey{}, false
		}
	} else if in.Word != "" {
		return seriesKey{}, false
	}
	return seriesKey{string(in.Kind), in.Lamp, in.Device, in.Word}, true
}

func pack(in *rules.Input, seq, series int64) packed {
	p := packed{seq: seq, at: toMS(in.At), series: series, value: in.Value}
	if in.Volts != nil {
		p.volts, p.hasV = *in.Volts, true
	}
	if in.RSSI != nil {
		p.rssi, p.hasR = *in.RSSI, true
	}
	return p
}

func (p *packed) input(k seriesKey) rules.Input {
	in := rules.Input{At: fromMS(p.at), Kind: rules.InputKind(k.kind), Lamp: k.lamp, Device: k.device, Word: k.word, Value: p.value}
	if p.hasV {
		v := p.volts
		in.Volts = &v
	}
	if p.hasR {
		r := p.rssi
		in.RSSI = &r
	}
	return in
}
