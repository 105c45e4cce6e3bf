package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"lampward/rules"
)

// The index, named so that the queries fail, not slow, should it go, holds what is
// pending alone.
const (
	heldQuery = `SELECT id FROM outbox INDEXED BY outbox_line WHERE state = 0 AND attempts = 0 AND fold = 0
		AND key IN (SELECT id FROM name WHERE substr(name, 1, length(?1)) = ?1)`
	strayQuery = `SELECT id FROM outbox INDEXED BY outbox_line WHERE state = 0 AND id > ?1
		AND route NOT IN (SELECT n.id FROM name n JOIN json_each(?2) j ON n.name = j.value) ORDER BY id LIMIT ?3`
)

// Held returns the pending deliveries that nobody has tried yet and whose line
// begins with prefix, in order.
func (s *Store) Held(ctx context.Context, prefix string) ([]rules.Delivery, error) {
	out, err := s.pending(ctx, heldQuery, prefix)
	if err != nil {
		return nil, s.fail("find what is held", err)
	}
	return out, nil
}

// Stray returns pending deliveries of other routes than these, those of the
// lowest ids above after, in order; at most limit.
func (s *Store) Stray(ctx context.Context, routes []string, after int64, limit int) ([]rules.Delivery, error) {
	names, err := json.Marshal(append([]string{}, routes...))
	if err != nil {
		return nil, s.fail("find what no route sends", err)
	}
	out, err := s.pending(ctx, strayQuery, after, string(names), limit)
	if err != nil {
		return nil, s.fail("find what no route sends", err)
	}
	return out, nil
}

// pending returns the deliveries of the ids that a query gives.
func (s *Store) pending(ctx context.Context, query string, args ...any) (out []rules.Delivery, err error) {
	err = s.view(ctx, func(r *reader) error {
		st := s.stateCopy()
		rows, err := deliveries(r, &st, "o.id IN ("+query+")", args, "ORDER BY o.id")
		for _, row := range rows {
			out = append(out, row.Delivery)
		}
		return err
	})
	return out, err
}

// Move is a pending delivery that goes another way from now on.
type Move struct {
	ID     int64
	To     []Target // in order of preference; none: it is parked
	Note   string   // why it goes there, for people
	Parked string   // why it is parked
}

// Reroute hands each pending delivery on to the first route of To that has none
// of the same event, whatever became of it there; where every route has one, the
// delivery is parked at engine time at. All is on disk when it returns. It keeps
// its id, and so its place before what came later. What was not tried yet may
// become part of one message with others; what may have arrived does not.
func (s *Store) Reroute(ctx context.Context, at time.Time, moves []Move) (moved int, err error) {
	err = s.update(ctx, true, func(t *tx) error {
		for _, m := range moves {
			to, route, err := t.without(m)
			if err != nil {
				return err
			}
			if to == nil {
				if _, err := t.exec("UPDATE outbox SET state = 2, last = ?2, note = ?3 WHERE id = ?1 AND state = 0", m.ID, toMS(at), cut(m.Parked)); err != nil {
					return err
				}
				continue
			}
			key, err := t.name(to.Key)
			if err != nil {
				return err
			}
			res, err := t.exec(`UPDATE outbox SET route = ?2, key = ?3, due = ?4, note = ?5, attempts = 0,
				fold = CASE WHEN attempts = 0 AND fold = 0 THEN 0 ELSE -1 END WHERE id = ?1 AND state = 0`,
				m.ID, route, key, toMS(to.Due), cut(m.Note))
			if err != nil {
				return err
			}
			n, err := res.RowsAffected()
			if err != nil {
				return err
			}
			moved += int(n)
		}
		return nil
	})
	if err != nil {
		return 0, s.fail(fmt.Sprintf("hand on %d deliveries", len(moves)), err)
	}
	return moved, nil
}

// without returns the first target whose route has no delivery of the event, and
// the route's id; nil: each has.
func (t *tx) without(m Move) (to *Target, route int64, err error) {
	for i := range m.To {
		if route, err = t.name(m.To[i].Route); err != nil {
			return nil, 0, err
		}
		var has int64
		if err = t.one("SELECT count(*) FROM outbox WHERE event = (SELECT event FROM outbox WHERE id = ?1) AND route = ?2", []any{m.ID, route}, &has); err != nil {
			return nil, 0, err
		}
		if has == 0 {
			return &m.To[i], route, nil
		}
	}
	return nil, 0, nil
}
