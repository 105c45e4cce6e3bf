package store

import (
	"database/sql"
	"encoding/binary"
	"math"
)

// Readings go through four levels. Level 0 is the readings themselves, packed
// in chunks of an hour; level 1, 2 and 3 are buckets of 10 minutes, 2 hours
// and 1 day, packed in rows of 1, 10 and 60 days. A row of a level is made
// once, from the level below, when its time is over; horizon N in meta is the
// first row of level N that is not made yet, floor N the first still kept.
// What is newer than a level's horizon is found in the level below, so that
// nothing need be changed in place, and each level can be made again.
const (
	seriesBits = 20
	maxSeries  = 1<<seriesBits - 1

	minuteMS  = int64(60_000)
	hourMS    = 60 * minuteMS
	dayMS     = 24 * hourMS
	chunkSpan = hourMS
)

// level is one level of rollups.
type level struct {
	bucket int64 // ms
	row    int64 // ms of a row
	horizon,
	floor string // in meta
	read, write, drop string
}

var levels = [4]level{
	{0, chunkSpan, "horizon0", "floor0", readRows("chunk"), "", "DELETE FROM chunk WHERE id < ? AND last <= ?"},
	{10 * minuteMS, dayMS, "horizon1", "floor1", readRows("rollup1"), writeRows("rollup1"), "DELETE FROM rollup1 WHERE id < ?"},
	{2 * hourMS, 10 * dayMS, "horizon2", "floor2", readRows("rollup2"), writeRows("rollup2"), ""},
	{dayMS, 60 * dayMS, "horizon3", "floor3", readRows("rollup3"), writeRows("rollup3"), ""},
}

func readRows(table string) string {
	return "SELECT id, body FROM " + table + " WHERE id >= ? AND id < ? ORDER BY id"
}

func writeRows(table string) string {
	return "INSERT OR REPLACE INTO " + table + " (id, body) VALUES (?, ?)"
}

// bucket sums up readings of a stretch of time.
type bucket struct {
	count         int64
	min, max, sum float64
}

func (b *bucket) add(o bucket) {
	switch {
	case o.count == 0:
	case b.count == 0:
		*b = o
	default:
		b.min, b.max = min(b.min, o.min), max(b.max, o.max)
		b.sum = clamp(b.sum + o.sum)
		b.count += o.count
	}
}

// clamp keeps sums of huge readings finite.
func clamp(v float64) float64 { return max(-math.MaxFloat64, min(math.MaxFloat64, v)) }

// mean lies between min and max, whatever the rounding of the sum.
func (b *bucket) mean() float64 {
	return max(b.min, min(b.max, b.sum/float64(b.count)))
}

// one is a bucket of one reading. Sums begin at it, so that a -0 is dropped.
func one(v float64) bucket { return bucket{1, v, v, v} }

// Rollup rows: version byte, then for each bucket that holds readings: how
// many buckets were skipped before it (uvarint), count (uvarint), form byte
// (bits 0-2 min, 3-5 max, 6: the sum is raw) and min, max, sum. Min is a
// packed number as in codec.go; so is max, as a difference to the last max;
// the sum is 8 bytes raw or, if exact, a packed whole number.
func packRollup(id int64, buckets []bucket) []byte {
	body := []byte{packVersion}
	var lo, hi decimal
	skipped := uint64(0)
	for i := range buckets {
		b := &buckets[i]
		if b.count == 0 {
			skipped++
			continue
		}
		body = binary.AppendUvarint(body, skipped)
		skipped = 0
		body = binary.AppendUvarint(body, uint64(b.count))
		at := len(body)
		body = append(body, 0)
		var form, f byte
		body, form = packNumber(body, b.min, &lo, 3)
		body, f = packNumber(body, b.max, &hi, 3)
		form |= f << 3
		// Near count * min in the usual case: a small number.
		base := math.Round(b.min) * float64(b.count)
		if rest := b.sum - base; math.Abs(rest) < 1<<50 && math.Abs(base) < 1<<50 && rest == math.Trunc(rest) && math.Float64bits(base+rest) == math.Float64bits(b.sum) {
			body = binary.AppendVarint(body, int64(rest))
		} else {
			form |= 1 << 6
			body = binary.LittleEndian.AppendUint64(body, math.Float64bits(b.sum))
		}
		body[at] = form
	}
	return seal(id, body)
}

// unpackRollup calls fn for each bucket of a row that holds readings, with its
// place in the row.
func unpackRollup(table string, id int64, body []byte, fn func(i int64, b bucket) error) error {
	rest, err := unseal(id, body)
	if err != nil {
		return damagedRow(table, id, err.Error())
	}
	u := unpacker{b: rest}
	var lo, hi decimal
	i := int64(0)
	for len(u.b) > 0 && u.err == nil {
		i += int64(u.uvarint())
		b := bucket{count: int64(u.uvarint())}
		if len(u.b) == 0 {
			return damagedRow(table, id, errShort.Error())
		}
		form := u.b[0]
		u.b = u.b[1:]
		b.min = u.number(form&7, &lo)
		b.max = u.number(form>>3&7, &hi)
		if form&(1<<6) != 0 {
			var none decimal
			b.sum = u.number(formRaw, &none)
		} else {
			b.sum = math.Round(b.min)*float64(b.count) + float64(u.varint())
		}
		if u.err == nil {
			if err := fn(i, b); err != nil {
				return err
			}
		}
		i++
	}
	if u.err != nil {
		return damagedRow(table, id, u.err.Error())
	}
	return nil
}

// rollRows reads the rows [from, to) of the level below n, and gives the rows
// of level n that they make, in order of time and series. isLamp tells which
// series are rolled up.
func rollRows(r *reader, n int, from, to int64, isLamp func(series int64) bool, give func(id int64, body []byte) error) error {
	l, below := levels[n], levels[n-1]
	row := int64(-1)
	open := map[int64][]bucket{} // by series
	var order []int64            // series of open, as they came
	flush := func() error {
		for _, series := range sorted(order) {
			id := row<<seriesBits | series
			if err := give(id, packRollup(id, open[series])); err != nil {
				return err
			}
		}
		clear(open)
		order = order[:0]
		return nil
	}
	perRow := l.row / l.bucket
	add := func(series, at int64, b bucket) {
		list := open[series]
		if list == nil {
			list = make([]bucket, perRow)
			open[series] = list
			order = append(order, series)
		}
		list[(at-row*l.row)/l.bucket].add(b)
	}
	err := r.each(below.read, []any{from * l.row / below.row << seriesBits, to * l.row / below.row << seriesBits}, func(scan scan) error {
		var id int64
		var body sql.RawBytes
		if err := scan(&id, &body); err != nil {
			return err
		}
		series, start := id&maxSeries, id>>seriesBits*below.row
		if !isLamp(series) {
			return nil
		}
		if start/l.row != row {
			if err := flush(); err != nil {
				return err
			}
			row = start / l.row
		}
		if n == 1 {
			return unpackChunk(id, body, func(p packed) error {
				add(series, p.at, one(p.value))
				return nil
			})
		}
		return unpackRollup("rollup", id, body, func(i int64, b bucket) error {
			add(series, start+i*below.bucket, b)
			return nil
		})
	})
	if err != nil {
		return err
	}
	return flush()
}
