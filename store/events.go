package store

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"lampward/rules"
)

// EventFilter says which events are wanted; the zero value: the newest 100.
type EventFilter struct {
	Key      string       // "lamp/NAME" or "device/NAME"; empty: any
	Kinds    []rules.Kind // empty: any
	Before   int64        // only rows below; 0: from the newest on
	From, To time.Time    // wall time, From included, To not; zero: no bound
	Limit    int          // 0: 100; at most 10,000
}

// StoredEvent is an event as kept.
type StoredEvent struct {
	ID    string // see EventID
	Row   int64  // rises with time; for EventFilter.Before
	Seq   int64  // of the input that caused it
	Event rules.Event
	Wall  time.Time // wall time of the event
	// WallUncertain: the wall clock was not yet set, so Wall is a guess.
	WallUncertain bool
	// WallCorrected: it was not set, and Wall was put right afterwards.
	WallCorrected bool
}

// stateCopy returns the Store's state as of now, for reading. Its maps and
// slices are never changed in place, only replaced or added to at the end.
func (s *Store) stateCopy() state {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.state
}

// Events returns events, newest first.
func (s *Store) Events(ctx context.Context, f EventFilter) ([]StoredEvent, error) {
	var out []StoredEvent
	err := s.view(ctx, func(r *reader) error {
		st := s.stateCopy()
		where, args, none := eventConditions(&st, f)
		if none {
			return nil
		}
		eras, err := loadEras(r)
		if err != nil {
			return err
		}
		spans := []span{{0, endOfTime, 0}}
		if !f.From.IsZero() || !f.To.IsZero() {
			a, b := int64(0), endOfTime
			if !f.From.IsZero() {
				a = toMS(f.From)
			}
			if !f.To.IsZero() {
				b = toMS(f.To)
			}
			spans = eras.spans(a, b)
		}
		n := limit(f.Limit)
		for i := len(spans) - 1; i >= 0 && len(out) < n; i-- {
			ids := ""
			bounds := []any{}
			if spans[i].a > 0 || spans[i].b < endOfTime {
				first, err := firstEvent(r, "at", spans[i].a)
				if err != nil {
					return err
				}
				end, err := firstEvent(r, "at", spans[i].b)
				if err != nil {
					return err
				}
				ids, bounds = " AND id >= ? AND id < ?", []any{first, end}
			}
			err := r.each(eventColumns+where+ids+fmt.Sprintf(" ORDER BY id DESC LIMIT %d", n-len(out)),
				append(args[:len(args):len(args)], bounds...), func(row scan) error {
					e, err := scanEvent(&st, eras, row)
					if err == nil {
						out = append(out, e)
					}
					return err
				})
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, s.fail("list events", err)
	}
	return out, nil
}

// eventConditions makes SQL of a filter but for its times; none: nothing can
// match.
func eventConditions(st *state, f EventFilter) (where string, args []any, none bool) {
	where = "1"
	if f.Key != "" {
		id, ok := st.names[f.Key]
		if !ok {
			return "", nil, true
		}
		where += " AND key = ?"
		args = append(args, id)
	}
	if len(f.Kinds) != 0 {
		marks := ""
		for _, k := range f.Kinds {
			if id, ok := st.names[string(k)]; ok {
				marks += ",?"
				args = append(args, id)
			}
		}
		if marks == "" {
			return "", nil, true
		}
		where += " AND +kind IN (" + marks[1:] + ")"
	}
	if f.Before > 0 {
		where += " AND id < ?"
		args = append(args, f.Before)
	}
	return where, args, false
}

func scanEvent(st *state, eras eraList, row scan) (StoredEvent, error) {
	var e StoredEvent
	var body []byte
	var at, sum int64
	var key, kind string
	err := row(&e.Row, &e.Seq, &body, &sum, &at, &key, &kind)
	if err != nil {
		return e, err
	}
	if e.Event, err = decodeEvent(e.Row, body, sum); err != nil {
		e.Event = standIn(at, key, kind)
	}
	e.ID = st.eventID(e.Row)
	var mark int64
	e.Wall, mark = eras.wall(e.Seq, e.Event.At)
	e.WallUncertain, e.WallCorrected = mark == wallUncertain, mark == wallCorrected
	return e, nil
}

func decodeEvent(row int64, body []byte, sum int64) (rules.Event, error) {
	var e rules.Event
	if int64(sumOf(row, body)) != sum {
		return e, damagedRow("event", row, errSum.Error())
	}
	if err := json.Unmarshal(body, &e); err != nil {
		return e, damagedRow("event", row, err.Error())
	}
	return e, nil
}

// standIn is an event of which only the table's columns are left. An alert
// whose text is lost still goes out, and one damaged row hides no other.
func standIn(at int64, key, kind string) rules.Event {
	e := rules.Event{At: fromMS(at), Kind: rules.Kind(kind), Why: "the event's text was damaged on disk; run lampward's check"}
	if name, ok := strings.CutPrefix(key, "lamp/"); ok {
		e.Lamp = name
	} else if name, ok := strings.CutPrefix(key, "device/"); ok {
		e.Device = name
	}
	e.Text = strings.TrimSpace(strings.ReplaceAll(kind, "_", " ")+" "+key[strings.IndexByte(key, '/')+1:]) + " (details lost)"
	return e
}

const eventColumns = `SELECT id, seq, body, sum, at,
	coalesce((SELECT name FROM name WHERE name.id = event.key), ''),
	coalesce((SELECT name FROM name WHERE name.id = event.kind), '') FROM event WHERE `

// Event returns the event of an id, or ErrNotFound.
func (s *Store) Event(ctx context.Context, id string) (StoredEvent, error) {
	var e StoredEvent
	err := s.view(ctx, func(r *reader) error {
		st := s.stateCopy()
		row, ok := st.parseEventID(id)
		if !ok {
			return ErrNotFound
		}
		eras, err := loadEras(r)
		if err != nil {
			return err
		}
		found := false
		err = r.each(eventColumns+"id = ?", []any{row}, func(row scan) (err error) {
			found = true
			e, err = scanEvent(&st, eras, row)
			return err
		})
		if err == nil && !found {
			err = ErrNotFound
		}
		return err
	})
	if err != nil {
		return StoredEvent{}, s.fail(fmt.Sprintf("find event %.60q", id), err)
	}
	return e, nil
}

// parseEventID gives the row of an event of this database.
func (st *state) parseEventID(id string) (row int64, ok bool) {
	i := strings.LastIndexByte(id, '-')
	if i < 0 {
		return 0, false
	}
	row, err := strconv.ParseInt(id[i+1:], 10, 64)
	return row, err == nil && row > 0 && st.eventID(row) == id
}

// firstEvent finds the first event row whose column (seq or at, which rise
// with the row) is at least v; one past the last row if none is. It halves the
// range of rows, so that no index is needed; the last row first, for a start
// asks for what came after it.
func firstEvent(r *reader, column string, v int64) (int64, error) {
	var lo, hi, newest int64
	// Three queries in one: asked for min and max at once, SQLite reads all rows.
	if err := r.one("SELECT coalesce((SELECT min(id) FROM event), 1), coalesce((SELECT max(id) FROM event), 0) + 1, coalesce((SELECT "+column+" FROM event ORDER BY id DESC LIMIT 1), 0)",
		nil, &lo, &hi, &newest); err != nil {
		return 0, err
	}
	if newest < v {
		return hi, nil
	}
	// Invariant: rows below lo are too early, rows from hi on are not.
	for lo < hi {
		mid := lo + (hi-lo)/2
		var id, have int64
		if err := r.one("SELECT id, "+column+" FROM event WHERE id >= ? ORDER BY id LIMIT 1", []any{mid}, &id, &have); err != nil {
			return 0, err
		}
		if have < v {
			lo = id + 1
		} else {
			hi = mid
		}
	}
	return lo, nil
}
