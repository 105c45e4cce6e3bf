package store

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
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

// RouteMark is a route by the name that it has now, and what stands for where it
// leads, so that it is known again under another name; 0: nothing does.
type RouteMark struct {
	Name string
	Mark int64
}

// RouteName is a route that is called otherwise from now on.
type RouteName struct {
	Was, Is string
}

const (
	routeFact = "route/" // and its name: the mark of a route, in meta
	// Former begins the name of a route whose name another one took over.
	Former = "former "
)

// Follow has all deliveries of a route go with it, whatever became of them, if it is
// known by its mark under another name: one that has no name of its own is called by
// its place. Who had the name that it takes over is called Former and that name from
// now on. It returns who is called otherwise. The marks are kept for the next call.
func (s *Store) Follow(ctx context.Context, routes []RouteMark) (renamed []RouteName, err error) {
	had := map[string]int64{}
	err = s.view(ctx, func(r *reader) error {
		return r.each("SELECT name, value FROM meta WHERE substr(name, 1, length(?1)) = ?1", []any{routeFact}, func(row scan) error {
			var name string
			var mark int64
			err := row(&name, &mark)
			had[strings.TrimPrefix(name, routeFact)] = mark
			return err
		})
	})
	if err != nil {
		return nil, s.fail("find the routes of before", err)
	}
	renamed, changed := follow(had, routes)
	if !changed {
		return nil, nil
	}
	err = s.update(ctx, true, func(t *tx) error {
		for i, n := range renamed { // in two steps, for two may change names
			was, err := t.name(n.Was)
			if err != nil {
				return err
			}
			if _, err := t.exec("UPDATE outbox SET route = ?2 WHERE route = ?1", was, -1-i); err != nil {
				return err
			}
			if _, err := t.exec("DELETE FROM meta WHERE name = ?1", routeFact+n.Was); err != nil {
				return err
			}
		}
		for i, n := range renamed {
			is, err := t.name(n.Is)
			if err != nil {
				return err
			}
			if _, err := t.exec("UPDATE outbox SET route = ?2 WHERE route = ?1", -1-i, is); err != nil {
				return err
			}
			if err := t.setMeta(routeFact+n.Is, had[n.Was]); err != nil {
				return err
			}
		}
		for _, r := range routes {
			if err := t.setMeta(routeFact+r.Name, r.Mark); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, s.fail("note the routes", err)
	}
	return renamed, nil
}

// follow returns who is called otherwise now than in had, and whether anything is
// otherwise. A mark that several have says nothing.
func follow(had map[string]int64, routes []RouteMark) (renamed []RouteName, changed bool) {
	names, now := map[int64]string{}, map[int64]int{} // by mark
	for name, mark := range had {
		if _, twice := names[mark]; twice {
			name = ""
		}
		names[mark] = name
	}
	for _, r := range routes {
		now[r.Mark]++
	}
	left, taken := map[string]bool{}, []string(nil)
	for _, r := range routes {
		changed = changed || had[r.Name] != r.Mark
		was := names[r.Mark]
		if r.Mark == 0 || was == "" || was == r.Name || now[r.Mark] > 1 {
			continue
		}
		renamed = append(renamed, RouteName{was, r.Name})
		left[was], taken = true, append(taken, r.Name)
	}
	for _, name := range taken {
		if !left[name] {
			renamed = append(renamed, RouteName{name, Former + name})
		}
	}
	return renamed, changed
}
