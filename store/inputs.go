package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"

	"lampward/rules"
)

var errStop = errors.New("stop")

// rawInput is an input as stored: packed, or as JSON.
type rawInput struct {
	at   int64
	pack *packed
	body []byte
	sum  int64
}

// Inputs calls fn for every stored input after afterSeq, in order, with the
// events stored with it (JSON, as rules.Event marshals). Inputs come back as
// they were appended, floats bit for bit. An error of fn ends it and is
// returned. Inputs older than KeepReadings are gone unless they came after
// the snapshot; only the newest configuration among them is kept.
func (s *Store) Inputs(ctx context.Context, afterSeq int64, fn func(seq int64, in rules.Input, eventsJSON [][]byte) error) error {
	var calls error
	err := s.view(ctx, func(r *reader) error {
		var series []seriesKey // read when the first packed input is met: often there is none
		events, err := newEventCursor(r, afterSeq)
		if err != nil {
			return err
		}
		defer events.close()
		return s.inputs(r, afterSeq, func(seq int64, raw rawInput) error {
			var in rules.Input
			if raw.pack == nil {
				var err error
				if in, err = decodeInput(seq, raw.body, raw.sum); err != nil {
					return err
				}
			} else {
				if series == nil {
					var err error
					if series, err = loadSeries(r); err != nil {
						return err
					}
				}
				id := raw.pack.series
				if id <= 0 || id >= int64(len(series)) {
					return damagedRow("series", id, fmt.Sprintf("it is missing, but input %d is of it", seq))
				}
				in = raw.pack.input(series[id])
			}
			ev, err := events.of(seq)
			if err != nil {
				return err
			}
			if calls = fn(seq, in, ev); calls != nil {
				return calls
			}
			return nil
		})
	})
	if calls != nil {
		return calls
	}
	if err != nil {
		return s.fail("read inputs", err)
	}
	return nil
}

// inputs walks the stored inputs after a seq, in order: those packed into
// chunks, then the log, with the others between where they belong.
func (s *Store) inputs(r *reader, after int64, fn func(int64, rawInput) error) error {
	rows, err := r.q.QueryContext(r.ctx, "SELECT seq, at, body, sum FROM input WHERE seq > ? ORDER BY seq", after)
	if err != nil {
		return err
	}
	defer rows.Close()
	others := otherCursor{rows: rows}
	if err := others.next(); err != nil {
		return err
	}
	give := func(p *packed) error {
		if p.seq <= after {
			return nil
		}
		if err := others.before(p.seq, fn); err != nil {
			return err
		}
		return fn(p.seq, rawInput{at: p.at, pack: p})
	}
	horizon, err := r.meta("horizon0")
	if err != nil {
		return err
	}
	if err := chunkInputs(r, after, horizon, give); err != nil {
		return err
	}
	// The last log row that begins at or before the first input wanted.
	err = r.each("SELECT seq, body FROM batch WHERE seq >= coalesce((SELECT max(seq) FROM batch WHERE seq <= ?), 0) ORDER BY seq", []any{after + 1}, func(row scan) error {
		var seq int64
		var body sql.RawBytes
		if err := row(&seq, &body); err != nil {
			return err
		}
		return unpackBatch(seq, body, func(p packed) error {
			if p.at < horizon*chunkSpan {
				return nil // already packed
			}
			return give(&p)
		})
	})
	if err != nil {
		return err
	}
	return others.before(math.MaxInt64, fn)
}

// chunkInputs gives the inputs in chunks below the horizon, in order of seq.
func chunkInputs(r *reader, after, horizon int64, give func(*packed) error) error {
	var hour []packed // of one hour, all series
	at := int64(-1)
	flush := func() error {
		slices.SortFunc(hour, func(a, b packed) int { return cmp.Compare(a.seq, b.seq) })
		for i := range hour {
			if err := give(&hour[i]); err != nil {
				return err
			}
		}
		hour = hour[:0]
		return nil
	}
	first, err := firstChunk(r, after, horizon)
	if err != nil {
		return err
	}
	err = r.each("SELECT id, body FROM chunk WHERE id >= ? AND id < ? ORDER BY id", []any{first, horizon << seriesBits}, func(row scan) error {
		var id int64
		var body sql.RawBytes
		if err := row(&id, &body); err != nil {
			return err
		}
		if id>>seriesBits != at {
			if err := flush(); err != nil {
				return err
			}
			at = id >> seriesBits
		}
		return unpackChunk(id, body, func(p packed) error {
			if p.seq > after {
				hour = append(hour, p)
			}
			return nil
		})
	})
	if err != nil {
		return err
	}
	return flush()
}

// firstChunk gives the id from which on chunks below the horizon can hold
// inputs after a seq. Seq and time rise together, so once a chunk ends at or
// before that seq, all earlier hours do. It steps back from hour to hour: a
// start that replays little reads little, however long the history.
func firstChunk(r *reader, after, horizon int64) (int64, error) {
	hour := horizon
	for {
		var id, last int64
		found := false
		err := r.each("SELECT id, last, body FROM chunk WHERE id < ? ORDER BY id DESC LIMIT 1", []any{hour << seriesBits}, func(row scan) error {
			found = true
			var said any
			var body sql.RawBytes
			if err := row(&id, &said, &body); err != nil {
				return err
			}
			// last has no checksum of its own, and too small a one would end
			// the search too early.
			if err := unpackChunk(id, body, func(p packed) error { last = p.seq; return nil }); err != nil {
				return err
			}
			if said != last {
				return damagedRow("chunk", id, fmt.Sprintf("it says that its newest input is %v, and holds %d", said, last))
			}
			return nil
		})
		if err != nil || !found {
			return 0, err
		}
		if hour = id >> seriesBits; last <= after {
			return hour << seriesBits, nil
		}
	}
}

// otherCursor walks the inputs kept as JSON.
type otherCursor struct {
	rows *sql.Rows
	seq  int64 // of in; 0: no more
	in   rawInput
}

func (c *otherCursor) next() error {
	c.seq = 0
	if !c.rows.Next() {
		return c.rows.Err()
	}
	c.in = rawInput{}
	return c.rows.Scan(&c.seq, &c.in.at, &c.in.body, &c.in.sum)
}

// before gives those before a seq.
func (c *otherCursor) before(seq int64, fn func(int64, rawInput) error) error {
	for c.seq != 0 && c.seq < seq {
		if err := fn(c.seq, c.in); err != nil {
			return err
		}
		if err := c.next(); err != nil {
			return err
		}
	}
	return nil
}

// eventCursor walks the events in step with the inputs.
type eventCursor struct {
	rows *sql.Rows
	seq  int64 // of body; 0: no more
	body []byte
}

func newEventCursor(r *reader, after int64) (*eventCursor, error) {
	first, err := firstEvent(r, "seq", after+1)
	if err != nil {
		return nil, err
	}
	rows, err := r.q.QueryContext(r.ctx, "SELECT id, seq, body, sum FROM event WHERE id >= ? ORDER BY id", first)
	if err != nil {
		return nil, err
	}
	c := &eventCursor{rows: rows}
	if err := c.next(); err != nil {
		rows.Close()
		return nil, err
	}
	return c, nil
}

func (c *eventCursor) close() { c.rows.Close() }

func (c *eventCursor) next() error {
	c.seq = 0
	if !c.rows.Next() {
		return c.rows.Err()
	}
	var id, sum int64
	if err := c.rows.Scan(&id, &c.seq, &c.body, &sum); err != nil {
		return err
	}
	if int64(sumOf(id, c.body)) != sum {
		return damagedRow("event", id, errSum.Error())
	}
	return nil
}

// of gives the events of an input; seqs must rise.
func (c *eventCursor) of(seq int64) ([][]byte, error) {
	var out [][]byte
	for c.seq != 0 && c.seq <= seq {
		if c.seq == seq {
			out = append(out, append([]byte(nil), c.body...))
		}
		if err := c.next(); err != nil {
			return nil, err
		}
	}
	return out, nil
}
