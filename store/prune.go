package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"lampward/rules"
)

func sorted(ids []int64) []int64 {
	slices.Sort(ids)
	return ids
}

// sliceRows is how many rows Prune writes in one transaction, so that an
// alert that comes meanwhile waits for a slice and not for the whole.
const sliceRows = 256

// After a gap so long the wall clock may be wrong, and engine time, which a start
// sets by it, with it: a time server gets a while of engine time to say so before
// history is called old, over however many starts. Both in ms.
const (
	longGap  = 30 * 24 * 3_600_000
	gapDoubt = 24 * 3_600_000
)

// dropAfter names the engine time, in ms, before which nothing is dropped.
const dropAfter = "drop_after"

// Prune keeps the database small: it packs the hours of the log that are over,
// rolls up the days that are over, and drops what is past its time to be kept
// at engine time now. No input after the snapshot is dropped, and for a day after
// a gap of a month nothing is. Call it hourly; what a missed call left is done by
// the next. It may be cut short at any moment and loses nothing.
func (s *Store) Prune(ctx context.Context, now time.Time) error {
	s.pruning.Lock()
	defer s.pruning.Unlock()
	if err := s.packLog(ctx); err != nil {
		return s.fail("pack the log", err)
	}
	for n := 1; n < len(levels); n++ {
		if err := s.rollUp(ctx, n); err != nil {
			return s.fail(fmt.Sprintf("roll up level %d", n), err)
		}
	}
	if err := s.drop(ctx, toMS(now)); err != nil {
		return s.fail("drop what is past its time", err)
	}
	s.tail.trim()
	return nil
}

// packLog moves the hours of the log that are over into chunks.
func (s *Store) packLog(ctx context.Context) error {
	s.mu.RLock()
	end := s.at / chunkSpan // inputs of this hour may still come
	s.mu.RUnlock()
	type key struct{ hour, series int64 }
	chunks := map[key]*packer{}
	var order []key
	lastRow := int64(-1) // newest log row that is wholly packed
	err := s.view(ctx, func(r *reader) error {
		horizon, err := r.meta(levels[0].horizon)
		if err != nil {
			return err
		}
		err = r.each("SELECT seq, body FROM batch ORDER BY seq", nil, func(row scan) error {
			var seq int64
			var body sql.RawBytes
			if err := row(&seq, &body); err != nil {
				return err
			}
			whole := true
			err := unpackBatch(seq, body, func(p packed) error {
				hour := p.at / chunkSpan
				switch {
				case hour < horizon:
				case hour >= end:
					whole = false
				default:
					k := key{hour, p.series}
					c := chunks[k]
					if c == nil {
						c = newPacker(hour * chunkSpan)
						chunks[k] = c
						order = append(order, k)
					}
					c.add(p, false)
				}
				return nil
			})
			if err != nil {
				return err
			}
			if !whole {
				return errStop
			}
			lastRow = seq
			return nil
		})
		if errors.Is(err, errStop) {
			return nil
		}
		return err
	})
	if err != nil || lastRow < 0 && len(order) == 0 {
		return err
	}
	slices.SortFunc(order, func(a, b key) int {
		return cmp.Or(cmp.Compare(a.hour, b.hour), cmp.Compare(a.series, b.series))
	})
	for len(order) > 0 {
		n := min(len(order), sliceRows)
		err := s.update(ctx, false, func(t *tx) error {
			for _, k := range order[:n] {
				c := chunks[k]
				id := k.hour<<seriesBits | k.series
				// Replaces what an earlier call wrote before it was cut short.
				if _, err := t.exec("INSERT OR REPLACE INTO chunk (id, last, body) VALUES (?, ?, ?)", id, c.seq, seal(id, c.body)); err != nil {
					return err
				}
				delete(chunks, k)
			}
			return nil
		})
		if err != nil {
			return err
		}
		order = order[n:]
	}
	// From here on the chunks count and the log does not.
	return s.update(ctx, false, func(t *tx) error {
		if _, err := t.exec("DELETE FROM batch WHERE seq <= ?", lastRow); err != nil {
			return err
		}
		if err := t.saveCounters(); err != nil {
			return err
		}
		return t.setMeta(levels[0].horizon, end)
	})
}

// saveCounters keeps the newest numbers where deleting rows cannot lose them.
func (t *tx) saveCounters() error {
	return errors.Join(
		t.setMeta("seq", t.st.seq), t.setMeta("at", t.st.at),
		t.setMeta("event_row", t.st.eventRow), t.setMeta("outbox_row", t.st.outboxRow))
}

// rollUp makes the rows of a level whose time is over.
func (s *Store) rollUp(ctx context.Context, n int) error {
	type out struct {
		id   int64
		body []byte
	}
	var rows []out
	write := func(horizon int64) error {
		return s.update(ctx, false, func(t *tx) error {
			for _, r := range rows {
				if _, err := t.exec(levels[n].write, r.id, r.body); err != nil {
					return err
				}
			}
			rows = rows[:0]
			if horizon < 0 {
				return nil
			}
			return t.setMeta(levels[n].horizon, horizon)
		})
	}
	to := int64(-1)
	err := s.view(ctx, func(r *reader) error {
		from, err := r.meta(levels[n].horizon)
		if err != nil {
			return err
		}
		below, err := r.meta(levels[n-1].horizon)
		if err != nil {
			return err
		}
		end := below * levels[n-1].row / levels[n].row
		if end <= from {
			return nil
		}
		to = end
		series, err := loadSeries(r)
		if err != nil {
			return err
		}
		isLamp := func(id int64) bool { return id < int64(len(series)) && series[id].lamp != "" }
		return rollRows(r, n, from, to, isLamp, func(id int64, body []byte) error {
			rows = append(rows, out{id, body})
			if len(rows) < sliceRows {
				return nil
			}
			return write(-1)
		})
	})
	if err != nil || to < 0 {
		return err
	}
	return write(to)
}

// dropInputs keeps the newest configuration: without it, the inputs that are left
// could not be replayed, should the snapshot be of no use. A damaged row, which is
// no JSON any more, must not stop it.
const dropInputs = `DELETE FROM input WHERE seq <= ?1 AND at < ?2 AND
	seq <> (SELECT coalesce(max(seq), 0) FROM input WHERE seq <= ?1 AND at < ?2 AND body LIKE ?3)`

// drop deletes what is past its time.
func (s *Store) drop(ctx context.Context, now int64) error {
	return s.update(ctx, false, func(t *tx) error {
		eras := t.st.eras
		wall := now + eras[len(eras)-1].offset
		cut := func(keep time.Duration) int64 {
			if keep < 0 {
				return 0
			}
			// Old is what is old by wall time and by engine time: a wall clock
			// that stands wrong for an hour, either way, ages nothing.
			return min(eras.cutoff(wall-keep.Milliseconds()), now-keep.Milliseconds())
		}
		meta := func(name string) (v int64) {
			err := t.one("SELECT coalesce((SELECT value FROM meta WHERE name = ?), 0)", []any{name}, &v)
			if err != nil {
				return 0 // then nothing is dropped
			}
			return v
		}
		var after int64
		if err := t.one("SELECT coalesce((SELECT value FROM meta WHERE name = ?), 0)", []any{dropAfter}, &after); err != nil || now < after {
			return err
		}
		if err := t.saveCounters(); err != nil {
			return err
		}
		snapshot := meta("snapshot_seq")
		// Only what the next level already holds.
		readings := min(cut(s.o.KeepReadings), meta(levels[1].horizon)*levels[1].row)
		if _, err := t.exec(levels[0].drop, readings/chunkSpan<<seriesBits, snapshot); err != nil {
			return err
		}
		if _, err := t.exec(dropInputs, snapshot, readings, `%"kind":"`+string(rules.InConfig)+`"%`); err != nil {
			return err
		}
		if err := t.setMeta(levels[0].floor, max(meta(levels[0].floor), readings/chunkSpan)); err != nil {
			return err
		}
		rolled := min(cut(s.o.KeepRollups), meta(levels[2].horizon)*levels[2].row) / levels[1].row
		if _, err := t.exec(levels[1].drop, rolled<<seriesBits); err != nil {
			return err
		}
		if err := t.setMeta(levels[1].floor, max(meta(levels[1].floor), rolled)); err != nil {
			return err
		}
		// Events go from the oldest on, and none before its messages are out
		// and its input is no longer needed for replay.
		var end int64
		if err := t.one("SELECT coalesce((SELECT id FROM event WHERE at >= ? OR seq > ? ORDER BY id LIMIT 1), ?)", []any{cut(s.o.KeepEvents), snapshot, int64(math.MaxInt64)}, &end); err != nil {
			return err
		}
		if err := t.one("SELECT min(?, coalesce((SELECT min(event) FROM outbox WHERE state = 0), ?))", []any{end, end}, &end); err != nil {
			return err
		}
		if _, err := t.exec("DELETE FROM outbox WHERE event < ?", end); err != nil {
			return err
		}
		_, err := t.exec("DELETE FROM event WHERE id < ?", end)
		return err
	})
}
