package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"lampward/rules"
)

// State is how far a delivery has come.
type State string

// The states of a delivery.
const (
	Pending State = "pending" // waits for its first or next attempt
	Sent    State = "sent"    // accepted by the other side
	Dead    State = "dead"    // given up, until a person resends it
)

var states = [...]State{Pending, Sent, Dead} // by number in the database

// DeliveryRow is a delivery and how it went.
type DeliveryRow struct {
	rules.Delivery
	State State
	Note  string    // what the last attempt came to; empty: none yet
	Last  time.Time // engine time of the last attempt; zero: none yet
	// LastWall is Last in wall time, as far as known.
	LastWall time.Time
}

// DeliveryFilter says which deliveries are wanted; the zero value: the newest
// 100.
type DeliveryFilter struct {
	State   State  // empty: any
	Route   string // empty: any
	Key     string // the event's; empty: any
	EventID string // empty: any
	Before  int64  // only ids below; 0: from the newest on
	Limit   int    // 0: 100; at most 10,000
}

// Due returns deliveries to attempt now: of each route, oldest first, at most
// limitPerRoute, and of each key of it only the first that is still pending,
// so that the messages about one lamp stay in order and one that waits for
// its retry holds up no other lamp. next is when the earliest of those that
// wait falls due; zero: none waits. No routes: all routes.
func (s *Store) Due(ctx context.Context, now time.Time, limitPerRoute int, routes []string) (due []rules.Delivery, next time.Time, err error) {
	err = s.view(ctx, func(r *reader) error {
		st := s.stateCopy()
		ids, err := pendingRoutes(r, &st, routes)
		if err != nil {
			return err
		}
		var nextMS int64
		var marks strings.Builder
		var args []any
		for _, route := range ids {
			heads, err := pendingHeads(r, route)
			if err != nil {
				return err
			}
			n := 0
			for _, h := range heads {
				switch {
				case h.due > toMS(now):
					if nextMS == 0 || h.due < nextMS {
						nextMS = h.due
					}
				case (limitPerRoute <= 0 || n < limitPerRoute) && len(args) < maxRows:
					n++
					marks.WriteString(",?")
					args = append(args, h.id)
				}
			}
		}
		next = noneOrMS(nextMS)
		if len(args) == 0 {
			return nil
		}
		rows, err := deliveries(r, &st, "o.id IN ("+marks.String()[1:]+")", args, "ORDER BY o.id")
		for _, row := range rows {
			due = append(due, row.Delivery)
		}
		return err
	})
	if err != nil {
		return nil, time.Time{}, s.fail("find what is due", err)
	}
	return due, next, nil
}

// pendingRoutes gives the ids of the routes that have something pending.
func pendingRoutes(r *reader, st *state, routes []string) ([]int64, error) {
	var ids []int64
	if len(routes) != 0 {
		for _, n := range routes {
			if id, ok := st.names[n]; ok {
				ids = append(ids, id)
			}
		}
		return ids, nil
	}
	// Steps from route to route in the index.
	err := r.each(`WITH RECURSIVE k(x) AS (
		SELECT min(route) FROM outbox WHERE state = 0
		UNION ALL
		SELECT (SELECT min(route) FROM outbox WHERE state = 0 AND route > k.x) FROM k WHERE k.x IS NOT NULL)
		SELECT x FROM k WHERE x IS NOT NULL`, nil, func(row scan) error {
		var id int64
		defer func() { ids = append(ids, id) }()
		return row(&id)
	})
	return ids, err
}

type head struct{ id, due int64 }

// pendingHeads gives the first pending delivery of each key of a route, oldest
// first. It steps from key to key in the index, whatever the lines' length.
func pendingHeads(r *reader, route int64) (heads []head, err error) {
	err = r.each(`WITH RECURSIVE k(x) AS (
		SELECT min(key) FROM outbox WHERE state = 0 AND route = ?1
		UNION ALL
		SELECT (SELECT min(key) FROM outbox WHERE state = 0 AND route = ?1 AND key > k.x) FROM k WHERE k.x IS NOT NULL)
		SELECT o.id, o.due FROM k JOIN outbox o ON o.id =
			(SELECT min(id) FROM outbox WHERE state = 0 AND route = ?1 AND key = k.x)
		WHERE k.x IS NOT NULL`, []any{route}, func(row scan) error {
		var h head
		defer func() { heads = append(heads, h) }()
		return row(&h.id, &h.due)
	})
	slices.SortFunc(heads, func(a, b head) int { return cmp.Compare(a.id, b.id) })
	return heads, err
}

// deliveries reads outbox rows with their events.
func deliveries(r *reader, st *state, where string, args []any, tail string) ([]DeliveryRow, error) {
	eras, err := loadEras(r)
	if err != nil {
		return nil, err
	}
	var out []DeliveryRow
	err = r.each(`SELECT o.id, o.event, coalesce(rn.name, ''), coalesce(kn.name, ''), o.state, o.due, o.attempts, o.last, o.note, o.fold,
			coalesce(e.seq, 0), coalesce(e.body, ''), coalesce(e.sum, 0), coalesce(e.at, o.due), coalesce(kd.name, ''), coalesce(en.name, kn.name, '')
		FROM outbox o LEFT JOIN event e ON e.id = o.event LEFT JOIN name kd ON kd.id = e.kind LEFT JOIN name en ON en.id = e.key LEFT JOIN name rn ON rn.id = o.route LEFT JOIN name kn ON kn.id = o.key
		WHERE `+where+" "+tail, args, func(row scan) error {
		var d DeliveryRow
		var event, state, due, last, seq, sum, at int64
		var kind, about string
		var body []byte
		if err := row(&d.ID, &event, &d.Route, &d.Key, &state, &due, &d.Attempts, &last, &d.Note, &d.Fold, &seq, &body, &sum, &at, &kind, &about); err != nil {
			return err
		}
		e, err := decodeEvent(event, body, sum)
		if err != nil {
			e = standIn(at, about, kind)
		}
		if state < 0 || int(state) >= len(states) {
			return damagedRow("outbox", d.ID, fmt.Sprintf("it is in unknown state %d", state))
		}
		d.Event, d.EventID, d.State = e, st.eventID(event), states[state]
		d.Due, d.Last = fromMS(due), noneOrMS(last)
		d.Wall, _ = eras.wall(seq, e.At)
		if last != 0 {
			d.LastWall = fromMS(last + eras.offsetAt(last))
		}
		out = append(out, d)
		return nil
	})
	return out, err
}

// Line returns a pending delivery and those that follow it in its line, in
// order, as long as they are due at now and it is open what message they are
// part of; at most limit. None: the first is not so.
func (s *Store) Line(ctx context.Context, id int64, now time.Time, limit int) ([]rules.Delivery, error) {
	var out []rules.Delivery
	err := s.view(ctx, func(r *reader) error {
		st := s.stateCopy()
		var route, key int64
		if err := r.one("SELECT route, key FROM outbox WHERE id = ?", []any{id}, &route, &key); err != nil {
			return err
		}
		rows, err := deliveries(r, &st, "o.state = 0 AND o.route = ? AND o.key = ? AND o.id >= ?", []any{route, key, id}, fmt.Sprintf("ORDER BY o.id LIMIT %d", limit))
		for i, row := range rows {
			if i == 0 && row.ID != id || row.Fold != 0 || row.Due.After(now) {
				break
			}
			out = append(out, row.Delivery)
		}
		return err
	})
	if err != nil {
		return nil, s.fail(fmt.Sprintf("read the line of delivery %d", id), err)
	}
	return out, nil
}

// Fold records, on disk, that these pending deliveries are one message from now
// on: its outcome will be that of each. It fails, and changes nothing, if one of
// them is already part of another. A single one is a message of its own.
func (s *Store) Fold(ctx context.Context, ids []int64) error {
	err := s.update(ctx, true, func(t *tx) error {
		for _, id := range ids {
			fold := ids[0]
			if len(ids) == 1 {
				fold = rules.Alone
			}
			res, err := t.exec("UPDATE outbox SET fold = ?2 WHERE id = ?1 AND state = 0 AND fold = 0", id, fold)
			if err != nil {
				return err
			}
			if n, err := res.RowsAffected(); err != nil || n == 0 {
				return fmt.Errorf("delivery %d is no longer pending, or part of another message: %w", id, ErrNotFound)
			}
		}
		return nil
	})
	if err != nil {
		return s.fail(fmt.Sprintf("make %d deliveries one message", len(ids)), err)
	}
	return nil
}

// Folded returns the deliveries that are one message, in order.
func (s *Store) Folded(ctx context.Context, fold int64) ([]rules.Delivery, error) {
	var out []rules.Delivery
	err := s.view(ctx, func(r *reader) error {
		st := s.stateCopy()
		rows, err := deliveries(r, &st, "o."+ofFold, []any{fold}, "ORDER BY o.id")
		for _, row := range rows {
			out = append(out, row.Delivery)
		}
		return err
	})
	if err != nil {
		return nil, s.fail(fmt.Sprintf("read message %d", fold), err)
	}
	return out, nil
}

// Unfold makes each delivery of a message one of its own.
func (s *Store) Unfold(ctx context.Context, fold int64) error {
	err := s.update(ctx, true, func(t *tx) error {
		_, err := t.exec("UPDATE outbox SET fold = -1 WHERE "+ofFold, fold)
		return err
	})
	if err != nil {
		return s.fail(fmt.Sprintf("take message %d apart", fold), err)
	}
	return nil
}

// ofFold selects the deliveries of a message; the index outbox_fold needs each
// of its words.
const ofFold = "state = 0 AND fold > 0 AND fold = ?1"

// Sent records that a delivery was accepted, at engine time at. Of a message of
// several, it is recorded for each; so it is with the others below.
func (s *Store) Sent(ctx context.Context, id int64, at time.Time, note string) error {
	return s.attempt(ctx, "record delivery", true, id, nil,
		"state = 1, attempts = attempts + 1, last = ?2, note = ?3", toMS(at), cut(note))
}

// Retry records a failed attempt at at, and when the next is due (engine times). With
// unsent it is open again what message the delivery is part of, for nothing of
// it left this machine; else it stays the one it is.
func (s *Store) Retry(ctx context.Context, id int64, at, due time.Time, note string, unsent bool) error {
	return s.attempt(ctx, "put off delivery", false, id, nil,
		"state = 0, attempts = attempts + 1, last = ?4, due = ?2, note = ?3, fold = CASE WHEN ?5 THEN 0 WHEN fold = 0 THEN -1 ELSE fold END",
		toMS(due), cut(note), toMS(at), unsent)
}

// Hold sets when a pending delivery is due without counting an attempt, for
// quiet hours and rate limits.
func (s *Store) Hold(ctx context.Context, id int64, due time.Time, note string) error {
	return s.attempt(ctx, "hold delivery", false, id, nil,
		"due = CASE state WHEN 0 THEN ?2 ELSE due END, note = CASE state WHEN 0 THEN ?3 ELSE note END", toMS(due), cut(note))
}

// Dead parks a delivery that the other side will never take. Later ones of its
// line go on.
func (s *Store) Dead(ctx context.Context, id int64, at time.Time, reason string) error {
	return s.attempt(ctx, "park delivery", true, id, nil,
		"state = 2, attempts = attempts + 1, last = ?2, note = ?3", toMS(at), cut(reason))
}

// Resend puts a delivery back in line that was given up, waits or was taken back. It
// keeps its id and its event's id; one that does not wait is now a message of its
// own, and has been tried as often as one that is new. ErrSent: it was accepted, and
// would come twice; so it is where two people ask for the same.
func (s *Store) Resend(ctx context.Context, id int64, due time.Time) error {
	accepted := func(state, attempts int64) error {
		if state == 1 && attempts > 0 { // with none it was taken back
			return ErrSent
		}
		return nil
	}
	return s.attempt(ctx, "resend delivery", true, id, accepted,
		"fold = CASE state WHEN 0 THEN fold ELSE -1 END, attempts = 0, state = 0, due = ?2", toMS(due))
}

// ResendDead does what Resend does for each delivery that was given up, and returns how
// many there were.
func (s *Store) ResendDead(ctx context.Context, due time.Time) (n int, err error) {
	err = s.update(ctx, true, func(t *tx) error {
		res, err := t.exec("UPDATE outbox SET fold = -1, attempts = 0, state = 0, due = ?1 WHERE state = 2", toMS(due))
		if err != nil {
			return err
		}
		many, err := res.RowsAffected()
		n = int(many)
		return err
	})
	if err != nil {
		return 0, s.fail("resend what was given up", err)
	}
	return n, nil
}

// attempt changes a delivery, and the others that are one message with it, unless
// refuse (nil: never) gives a reason not to, by how the delivery stands.
func (s *Store) attempt(ctx context.Context, op string, sync bool, id int64, refuse func(state, attempts int64) error, set string, args ...any) error {
	err := s.update(ctx, sync, func(t *tx) error {
		var state, fold, attempts int64
		err := t.one("SELECT state, fold, attempts FROM outbox WHERE id = ?", []any{id}, &state, &fold, &attempts)
		if errors.Is(err, sql.ErrNoRows) {
			return ErrNotFound
		}
		if err != nil {
			return err
		}
		if refuse != nil {
			if err := refuse(state, attempts); err != nil {
				return err
			}
		}
		which, arg := "id = ?1", id
		if state == 0 && fold > 0 {
			which, arg = ofFold, fold
		}
		_, err = t.exec("UPDATE outbox SET "+set+" WHERE "+which, append([]any{arg}, args...)...)
		return err
	})
	if err != nil {
		return s.fail(fmt.Sprintf("%s %d", op, id), err)
	}
	return nil
}

// cut shortens a note to what is kept, at a character's end.
func cut(note string) string {
	note = strings.ToValidUTF8(note, "\uFFFD")
	if len(note) <= maxNote {
		return note
	}
	note = note[:maxNote-len("…")]
	for len(note) > 0 && !utf8.ValidString(note) {
		note = note[:len(note)-1]
	}
	return note + "…"
}

// Deliveries returns deliveries, newest first.
func (s *Store) Deliveries(ctx context.Context, f DeliveryFilter) ([]DeliveryRow, error) {
	where, args := []string{"1"}, []any{}
	add := func(cond string, v any) {
		where = append(where, cond)
		args = append(args, v)
	}
	st := s.stateCopy()
	switch f.State {
	case "":
	case Pending:
		where = append(where, "o.state = 0")
	case Sent:
		where = append(where, "o.state = 1")
	case Dead:
		where = append(where, "o.state = 2")
	default:
		return nil, s.fail("list deliveries", badInput("state", fmt.Sprintf("%q is none of %v", f.State, states)))
	}
	if f.Route != "" {
		add("o.route = ?", st.names[f.Route])
	}
	if f.Key != "" {
		add("e.key = ?", st.names[f.Key])
	}
	if f.EventID != "" {
		row, ok := st.parseEventID(f.EventID)
		if !ok {
			return nil, nil
		}
		add("o.event = ?", row)
	}
	if f.Before > 0 {
		add("o.id < ?", f.Before)
	}
	var out []DeliveryRow
	err := s.view(ctx, func(r *reader) (err error) {
		out, err = deliveries(r, &st, strings.Join(where, " AND "), args, fmt.Sprintf("ORDER BY o.id DESC LIMIT %d", limit(f.Limit)))
		return err
	})
	if err != nil {
		return nil, s.fail("list deliveries", err)
	}
	return out, nil
}

// recentRows is how many of the newest deliveries Recent looks at.
const recentRows = 20_000

// Recent calls fn for each delivery of a route, with its ID, Key and Fold only, that
// was accepted at engine time since or later, in order of time. It looks at no old history, and so
// may miss one that a person sent again long after.
func (s *Store) Recent(ctx context.Context, route string, since time.Time, fn func(d rules.Delivery, at time.Time)) error {
	err := s.view(ctx, func(r *reader) error {
		return r.each(`SELECT o.id, k.name, o.fold, o.last FROM outbox o JOIN name k ON k.id = o.key
			WHERE o.id > (SELECT coalesce(max(id), 0) FROM outbox) - ?1 AND o.state = 1 AND o.last >= ?2
			AND o.route = (SELECT id FROM name WHERE name = ?3) ORDER BY o.last, o.id`, []any{recentRows, toMS(since), route}, func(row scan) error {
			var d rules.Delivery
			var at int64
			if err := row(&d.ID, &d.Key, &d.Fold, &at); err != nil {
				return err
			}
			fn(d, fromMS(at))
			return nil
		})
	})
	if err != nil {
		return s.fail("find what was sent of late", err)
	}
	return nil
}

// Owed is how many deliveries are not made.
type Owed struct {
	Pending int64 // wait for their first or next attempt
	Dead    int64 // given up, until a person resends them
}

// Owed counts the deliveries that are not made. It reads two small indexes,
// which hold no finished delivery, and no message.
func (s *Store) Owed(ctx context.Context) (Owed, error) {
	var o Owed
	err := s.view(ctx, func(r *reader) error {
		return r.one(owedQuery, nil, &o.Pending, &o.Dead)
	})
	if err != nil {
		return Owed{}, s.fail("count what is owed", err)
	}
	return o, nil
}

// INDEXED BY makes the query fail, not slow, should an index go.
const owedQuery = `SELECT (SELECT count(*) FROM outbox INDEXED BY outbox_line WHERE state = 0),
	(SELECT count(*) FROM outbox INDEXED BY outbox_dead WHERE state = 2)`

// limit bounds how many rows a query gives.
func limit(n int) int {
	if n <= 0 {
		n = 100
	}
	return min(n, maxRows)
}
