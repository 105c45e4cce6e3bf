package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"math"
	"slices"
	"sync"
	"time"
)

// Point is one reading, or what several in a row amount to.
type Point struct {
	At   time.Time     // engine time of the reading, or of the beginning
	Wall time.Time     // the same in wall time, as far as known
	Span time.Duration // from Wall to the end; 0: one reading
	Min  float64
	Mean float64
	Max  float64
	// Count is how many readings it sums up.
	Count int64
}

const maxPoints = 10_000

// Trace returns a lamp's readings from one wall time up to another, oldest
// first, as at most points points (0: 500, at most 10,000). If there are more
// readings than that, neighbours are summed up. Its cost grows with the
// points, not with the readings stored: long stretches are read from rollups.
func (s *Store) Trace(ctx context.Context, lamp string, from, to time.Time, points int) ([]Point, error) {
	if points <= 0 {
		points = 500
	}
	points = min(points, maxPoints)
	a, b := toMS(from), toMS(to)
	if b <= a {
		return nil, nil
	}
	level := 0
	for n := len(levels) - 1; n > 0; n-- {
		if (b-a)/int64(points) >= levels[n].bucket {
			level = n
			break
		}
	}
	bins := binner{from: a, to: b, max: points}
	err := s.trace(ctx, lamp, a, b, level, bins.add)
	if err != nil {
		return nil, s.fail("read the trace of "+lamp, err)
	}
	return bins.points(), nil
}

// piece is a bucket and its place in time.
type piece struct {
	at, width int64 // engine time, ms; width 0: one reading
	offset    int64 // to wall time
	bucket
}

// trace gives the pieces of a lamp's history between two wall times, of the
// finest level at or above the one asked for that is kept, oldest first.
func (s *Store) trace(ctx context.Context, lamp string, a, b int64, level int, give func(piece) error) error {
	// Held throughout, so that transactions and the cache move on together.
	s.tail.mu.Lock()
	defer s.tail.mu.Unlock()
	return s.view(ctx, func(r *reader) error {
		t := tracer{s: s, r: r, give: give}
		err := r.each("SELECT id FROM series WHERE kind = 'reading' AND lamp = ?", []any{lamp}, func(row scan) error {
			var id int64
			err := row(&id)
			t.series = append(t.series, id)
			return err
		})
		if err != nil || len(t.series) == 0 || lamp == "" {
			return err
		}
		slices.Sort(t.series)
		for n := range levels {
			if t.horizon[n], err = r.meta(levels[n].horizon); err != nil {
				return err
			}
			if t.floor[n], err = r.meta(levels[n].floor); err != nil {
				return err
			}
		}
		eras, err := loadEras(r)
		if err != nil {
			return err
		}
		for _, sp := range eras.spans(a, b) {
			t.offset = sp.offset
			if err := t.collect(level, sp.a, sp.b); err != nil {
				return err
			}
		}
		return nil
	})
}

// tracer reads the history of one lamp: all its series, for a lamp may have
// moved from one board to another.
type tracer struct {
	s              *Store
	r              *reader
	series         []int64
	horizon, floor [len(levels)]int64 // in rows of the level
	offset         int64
	given          int64 // engine time up to which buckets were given: one may lie across a step of the clock
	give           func(piece) error
}

// collect gives what lies in engine time [a, b) at level n: what the level no
// longer keeps at the level above, what it does not hold yet at the level
// below.
func (t *tracer) collect(n int, a, b int64) error {
	if a >= b {
		return nil
	}
	if n < 0 {
		return t.log(a, b)
	}
	l := levels[n]
	if floor := min(t.floor[n]*l.row, b); a < floor && n+1 < len(levels) {
		if err := t.collect(n+1, a, floor); err != nil {
			return err
		}
		a = floor
	}
	horizon := t.horizon[n] * l.row
	if err := t.rows(n, a, min(b, horizon)); err != nil {
		return err
	}
	return t.collect(n-1, max(a, horizon), b)
}

// rows gives what the rows of level n hold in [a, b). It goes from row to row
// by key, and so never reads those of other lamps.
func (t *tracer) rows(n int, a, b int64) error {
	if a >= b {
		return nil
	}
	l := levels[n]
	table := [...]string{"chunk", "rollup1", "rollup2", "rollup3"}[n]
	if n > 0 {
		defer func() { t.given = (b + l.bucket - 1) / l.bucket * l.bucket }()
	}
	first, last := a/l.row, (b-1)/l.row
	// Skips the years between rows that a clock set right leaves empty.
	var some int64
	err := t.r.one("SELECT coalesce((SELECT id FROM "+table+" WHERE id >= ? ORDER BY id LIMIT 1), -1)", []any{first << seriesBits}, &some)
	if err != nil || some < 0 {
		return err
	}
	first = max(first, some>>seriesBits)
	if len(t.series) == 1 {
		return t.walk(n, table, first, last, t.series[0], a, b, t.give)
	}
	var all []piece
	for _, id := range t.series {
		err := t.walk(n, table, first, last, id, a, b, func(p piece) error {
			all = append(all, p)
			return nil
		})
		if err != nil {
			return err
		}
	}
	slices.SortStableFunc(all, func(x, y piece) int { return cmp.Compare(x.at, y.at) })
	for i := 0; i < len(all); {
		p := all[i]
		for i++; i < len(all) && p.width > 0 && all[i].at == p.at; i++ {
			p.add(all[i].bucket)
		}
		if err := t.give(p); err != nil {
			return err
		}
	}
	return nil
}

func (t *tracer) walk(n int, table string, first, last, series, a, b int64, give func(piece) error) error {
	l := levels[n]
	return t.r.each(`WITH RECURSIVE w(i) AS (SELECT ?1 WHERE ?1 <= ?2 UNION ALL SELECT i + 1 FROM w WHERE i < ?2)
		SELECT c.id, c.body FROM w CROSS JOIN `+table+` c ON c.id = w.i << 20 | ?3`, []any{first, last, series}, func(row scan) error {
		var id int64
		var body sql.RawBytes
		if err := row(&id, &body); err != nil {
			return err
		}
		var err error
		if n == 0 {
			err = unpackChunk(id, body, func(p packed) error {
				if p.at < a || p.at >= b {
					return nil
				}
				return give(piece{p.at, 0, t.offset, one(p.value)})
			})
		} else {
			start := id >> seriesBits * l.row
			err = unpackRollup(table, id, body, func(i int64, bk bucket) error {
				at := start + i*l.bucket
				if at+l.bucket <= a || at >= b || at < t.given {
					return nil
				}
				return give(piece{at, l.bucket, t.offset, bk})
			})
		}
		var bad *rowDamage
		if errors.As(err, &bad) {
			// A hole in a picture is better than no picture.
			t.s.o.Log.Warn("left out a damaged row of history", "row", bad.key, "table", bad.table, "what", bad.what)
			return nil
		}
		return err
	})
}

// log gives the readings that are not yet packed.
func (t *tracer) log(a, b int64) error {
	if err := t.s.tail.catchUp(t.r, t.horizon[0]*chunkSpan); err != nil {
		return err
	}
	var all []piece
	for _, id := range t.series {
		list := t.s.tail.readings[id]
		i, _ := slices.BinarySearchFunc(list, a, func(x tailReading, at int64) int { return cmp.Compare(x.at, at) })
		for ; i < len(list) && list[i].at < b; i++ {
			all = append(all, piece{list[i].at, 0, t.offset, one(list[i].value)})
		}
	}
	if len(t.series) > 1 {
		slices.SortStableFunc(all, func(x, y piece) int { return cmp.Compare(x.at, y.at) })
	}
	for _, p := range all {
		if err := t.give(p); err != nil {
			return err
		}
	}
	return nil
}

// tailCache holds the readings of the log by series, so that the trace of one
// lamp need not unpack all lamps' log each time. It is filled when first
// asked for, and let go when nobody asks any more.
type tailCache struct {
	mu       sync.Mutex
	row      int64 // newest log row taken in
	horizon  int64 // ms; older readings are in chunks
	used     bool  // since the last trim
	readings map[int64][]tailReading
}

type tailReading struct {
	at    int64
	value float64
}

func (c *tailCache) catchUp(r *reader, horizon int64) error {
	c.used = true
	if c.readings == nil {
		c.readings = map[int64][]tailReading{}
	}
	if horizon > c.horizon {
		c.horizon = horizon
		for id, list := range c.readings {
			i, _ := slices.BinarySearchFunc(list, horizon, func(x tailReading, at int64) int { return cmp.Compare(x.at, at) })
			c.readings[id] = slices.Clone(list[i:])
		}
	}
	return r.each("SELECT seq, body FROM batch WHERE seq > ? ORDER BY seq", []any{c.row}, func(row scan) error {
		var seq int64
		var body sql.RawBytes
		if err := row(&seq, &body); err != nil {
			return err
		}
		err := unpackBatch(seq, body, func(p packed) error {
			if p.at >= c.horizon {
				c.readings[p.series] = append(c.readings[p.series], tailReading{p.at, p.value})
			}
			return nil
		})
		if err == nil {
			c.row = seq
		}
		return err
	})
}

// trim frees the cache if it was not used since the last call.
func (c *tailCache) trim() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.used {
		c.readings, c.row = nil, 0
	}
	c.used = false
}

// binner makes points of pieces: the pieces themselves while they are few,
// then bins of equal width in wall time.
type binner struct {
	from, to int64 // wall time, ms
	max      int
	few      []piece
	bins     []bin
}

type bin struct {
	at, wall, end int64 // wall and end: wall time, which may run back within a bin
	bucket
}

func (n *binner) add(p piece) error {
	if n.bins == nil {
		n.few = append(n.few, p)
		if len(n.few) <= n.max {
			return nil
		}
		n.bins = make([]bin, n.max)
		for _, p := range n.few {
			n.put(p)
		}
		n.few = nil
		return nil
	}
	n.put(p)
	return nil
}

func (n *binner) put(p piece) {
	wall := max(n.from, min(n.to-1, p.at+p.offset)) // a bucket may begin before from
	i := int(float64(wall-n.from) / float64(n.to-n.from) * float64(n.max))
	b := &n.bins[min(i, n.max-1)]
	if start := p.at + p.offset; b.count == 0 || start < b.wall {
		b.at, b.wall = p.at, start
	}
	b.end = max(b.end, p.at+p.offset+p.width)
	b.add(p.bucket)
}

func (n *binner) points() []Point {
	var out []Point
	for _, p := range n.few {
		out = append(out, point(p.at, p.at+p.offset, p.at+p.offset+p.width, p.bucket))
	}
	for _, b := range n.bins {
		if b.count > 0 {
			out = append(out, point(b.at, b.wall, b.end, b.bucket))
		}
	}
	slices.SortStableFunc(out, func(a, b Point) int { return a.Wall.Compare(b.Wall) })
	return out
}

func point(at, wall, end int64, b bucket) Point {
	mean := b.mean()
	if math.IsNaN(mean) {
		mean = b.min
	}
	return Point{fromMS(at), fromMS(wall), time.Duration(end-wall) * time.Millisecond, b.min, mean, b.max, b.count}
}
