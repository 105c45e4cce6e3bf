package silence

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

const version = 1

var errState = errors.New("silence: damaged state")

// AppendBinary appends what was learned to b: under 1 kB, the same bytes for
// the same history. The error is always nil.
func (e *Estimator) AppendBinary(b []byte) ([]byte, error) {
	b = append(b, version)
	var f byte
	for i, on := range [...]bool{e.heard, e.armed, e.spoilt} {
		if on {
			f |= 1 << i
		}
	}
	b = append(b, f)
	for _, v := range [...]int64{e.first, e.last, e.from, e.follow, e.period, e.outageAt, e.run, int64(e.stale)} {
		b = binary.AppendVarint(b, v)
	}
	for _, v := range [...]float64{e.limit, e.late, e.seen, e.outages} {
		b = appendFloat(b, v)
	}
	b = binary.AppendUvarint(b, uint64(e.skip))
	b = append(b, byte(e.n), byte(e.head))
	for _, g := range e.ring[:e.n] {
		b = binary.AppendUvarint(b, uint64(g))
	}
	for i, c := range e.count {
		if c > 0 {
			b = appendFloat(append(b, byte(i)), c)
		}
	}
	b = append(b, bins)
	if e.slots != nil {
		for i, s := range e.slots {
			if s.hits > 0 {
				b = append(b, byte(i), s.hits, s.miss)
				b = binary.AppendVarint(binary.AppendUvarint(b, uint64(s.gap)), s.last)
			}
		}
	}
	return append(b, slotCount), nil
}

// UnmarshalBinary restores what AppendBinary wrote; the Config stays. If it
// returns an error, e has forgotten everything.
func (e *Estimator) UnmarshalBinary(b []byte) error {
	got := Estimator{cfg: e.cfg}
	err := got.decode(b)
	if err != nil {
		got = *New(e.cfg)
	}
	*e = got
	return err
}

func (e *Estimator) decode(b []byte) error {
	r := reader{b: b}
	if v := r.byte(); v != version {
		return fmt.Errorf("silence: state of version %d, want %d", v, version)
	}
	f := r.byte()
	e.heard, e.armed, e.spoilt = f&1 != 0, f&2 != 0, f&4 != 0
	e.first, e.last, e.from = r.time(), r.time(), r.time()
	e.follow, e.period = r.span(), r.span()
	e.outageAt = r.time()
	e.run, e.stale = r.span(), int(r.span())
	e.limit, e.late, e.seen, e.outages = r.float(), r.float(), r.float(), r.float()
	e.skip = uint32(r.uint(math.MaxUint32))
	e.n, e.head = int(r.byte()), int(r.byte())
	if e.n > ringSize || e.head >= ringSize || e.n < ringSize && e.head != e.n {
		return errState
	}
	for i := range e.n {
		e.ring[i] = int64(r.uint(maxGap))
		k := i
		for ; k > 0 && e.ring[e.order[k-1]] > e.ring[i]; k-- {
			e.order[k] = e.order[k-1]
		}
		e.order[k] = uint8(i)
	}
	for i := r.byte(); !r.bad && i < bins; i = r.byte() {
		e.count[i] = r.float()
	}
	for i := r.byte(); !r.bad && i < slotCount; i = r.byte() {
		if e.slots == nil {
			e.slots = new([slotCount]slot)
		}
		s := &e.slots[i]
		s.hits, s.miss = min(r.byte(), mostDays), r.byte()
		s.gap, s.last = int64(r.uint(maxGap)), r.time()
	}
	if r.bad || len(r.b) > 0 || e.n > 0 && e.period < 1 {
		return errState
	}
	return nil
}

func appendFloat(b []byte, v float64) []byte {
	return binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
}

// reader takes b apart; bad is set at the first thing that cannot be.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) byte() byte {
	if len(r.b) == 0 {
		r.bad = true
		return 0
	}
	v := r.b[0]
	r.b = r.b[1:]
	return v
}

func (r *reader) uint(most uint64) uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 || v > most {
		r.bad = true
		return 0
	}
	r.b = r.b[n:]
	return v
}

// time reads a moment in ms, within some 30,000 years of 1970.
func (r *reader) time() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 || v > 1<<50 || v < -1<<50 {
		r.bad = true
		return 0
	}
	r.b = r.b[n:]
	return v
}

// span reads a length of time in ms or a count.
func (r *reader) span() int64 {
	v := r.time()
	if v < 0 || v > maxGap*followUp {
		r.bad = true
		return 0
	}
	return v
}

// float reads a number that cannot be negative.
func (r *reader) float() float64 {
	if len(r.b) < 8 {
		r.bad = true
		return 0
	}
	v := math.Float64frombits(binary.LittleEndian.Uint64(r.b))
	if !(v >= 0 && v <= 1e15) {
		r.bad = true
		return 0
	}
	r.b = r.b[8:]
	return v
}
