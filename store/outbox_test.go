package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

func TestDeliveryLife(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s := openTest(t, dir)
	appendAll(t, s, alert(day0, "tank", rules.Lit, "phone", "mail"))
	later := alert(day0.Add(time.Minute), "tank", rules.Dark, "phone")
	later.Routes[0][0].Due = day0.Add(time.Hour) // held for quiet hours
	appendAll(t, s, later, alert(day0.Add(time.Minute), "salt", rules.Lit, "phone"))

	due, next, err := s.Due(ctx, day0.Add(time.Minute), 10, nil)
	require.NoError(t, err)
	require.Equal(t, []string{"phone lamp/tank lit", "mail lamp/tank lit", "phone lamp/salt lit"}, lines(due))
	require.Zero(t, next, "the dark message waits for the lit one, not for a time")
	require.Equal(t, EventID(s.ID(), 1), due[0].EventID)
	require.Equal(t, due[0].EventID, due[1].EventID, "one event, one id, on every route")
	require.True(t, day0.Equal(due[0].Wall))

	due, _, err = s.Due(ctx, day0.Add(time.Minute), 1, []string{"phone", "no such route"})
	require.NoError(t, err)
	require.Equal(t, []string{"phone lamp/tank lit"}, lines(due), "one a route")

	id := due[0].ID
	require.NoError(t, s.Retry(ctx, id, day0.Add(time.Minute), day0.Add(2*time.Minute), "connection refused", false))
	tried, err := s.Deliveries(ctx, DeliveryFilter{EventID: EventID(s.ID(), 1), Route: "phone"})
	require.NoError(t, err)
	require.True(t, tried[0].Last.Equal(day0.Add(time.Minute)), "when it was tried, not when something was heard last")
	due, next, err = s.Due(ctx, day0.Add(time.Minute), 10, []string{"phone"})
	require.NoError(t, err)
	require.Equal(t, []string{"phone lamp/salt lit"}, lines(due), "another lamp is not held up")
	require.True(t, next.Equal(day0.Add(2*time.Minute)))

	require.NoError(t, s.Close())
	s = openTest(t, dir)
	due, _, err = s.Due(ctx, day0.Add(2*time.Minute), 10, []string{"phone"})
	require.NoError(t, err)
	require.Equal(t, []string{"phone lamp/tank lit", "phone lamp/salt lit"}, lines(due))
	require.Equal(t, 1, due[0].Attempts)
	require.Equal(t, EventID(s.ID(), 1), due[0].EventID, "the same id after retry and restart")

	require.NoError(t, s.Sent(ctx, id, day0.Add(2*time.Minute), "204"))
	due, next, err = s.Due(ctx, day0.Add(3*time.Minute), 10, []string{"phone"})
	require.NoError(t, err)
	require.Equal(t, []string{"phone lamp/salt lit"}, lines(due))
	require.True(t, next.Equal(day0.Add(time.Hour)), "the dark message is next in line")
	require.NoError(t, s.Dead(ctx, due[0].ID, day0.Add(3*time.Minute), "410 Gone "+strings.Repeat("é", 2000)))
	dead, err := s.Deliveries(ctx, DeliveryFilter{State: Dead})
	require.NoError(t, err)
	require.Len(t, dead, 1)
	require.Equal(t, Dead, dead[0].State)
	require.LessOrEqual(t, len(dead[0].Note), maxNote)
	require.True(t, strings.HasSuffix(dead[0].Note, "é…"), "cut at a character's end")
	require.True(t, dead[0].Last.Equal(day0.Add(3*time.Minute)))
	require.Equal(t, 1, dead[0].Attempts)

	require.NoError(t, s.Resend(ctx, dead[0].ID, day0.Add(4*time.Minute)))
	due, _, err = s.Due(ctx, day0.Add(4*time.Minute), 10, []string{"phone"})
	require.NoError(t, err)
	require.Equal(t, []string{"phone lamp/salt lit"}, lines(due))
	require.Equal(t, dead[0].EventID, due[0].EventID)
	require.Zero(t, due[0].Attempts, "it is tried as often as a new one")
	require.NoError(t, s.Hold(ctx, due[0].ID, day0.Add(5*time.Minute), "rate limit"))
	due, _, err = s.Due(ctx, day0.Add(4*time.Minute), 10, []string{"phone"})
	require.NoError(t, err)
	require.Empty(t, due)

	all, err := s.Deliveries(ctx, DeliveryFilter{})
	require.NoError(t, err)
	require.Len(t, all, 4)
	require.Greater(t, all[0].ID, all[1].ID, "newest first")
	for _, f := range []struct {
		DeliveryFilter
		n int
	}{
		{DeliveryFilter{Route: "mail"}, 1}, {DeliveryFilter{Route: "none"}, 0}, {DeliveryFilter{Key: "lamp/tank"}, 3},
		{DeliveryFilter{State: Sent}, 1}, {DeliveryFilter{State: Pending}, 3}, {DeliveryFilter{EventID: EventID(s.ID(), 1)}, 2},
		{DeliveryFilter{EventID: "other-1"}, 0}, {DeliveryFilter{Before: all[2].ID}, 1}, {DeliveryFilter{Limit: 2}, 2},
	} {
		got, err := s.Deliveries(ctx, f.DeliveryFilter)
		require.NoError(t, err)
		require.Len(t, got, f.n, "%+v", f)
	}
	_, err = s.Deliveries(ctx, DeliveryFilter{State: "lost"})
	require.ErrorIs(t, err, ErrBadInput)
	require.ErrorIs(t, s.Sent(ctx, 999, day0, ""), ErrNotFound)
	require.ErrorIs(t, s.Resend(ctx, 999, day0), ErrNotFound)

	// All that was given up at once, and nothing else.
	pending, err := s.Deliveries(ctx, DeliveryFilter{State: Pending})
	require.NoError(t, err)
	for _, m := range pending[:2] {
		require.NoError(t, s.Dead(ctx, m.ID, day0.Add(6*time.Minute), "550"))
	}
	n, err := s.ResendDead(ctx, day0.Add(7*time.Minute))
	require.NoError(t, err)
	require.Equal(t, 2, n)
	again, err := s.Deliveries(ctx, DeliveryFilter{})
	require.NoError(t, err)
	for i, m := range again {
		if !slices.ContainsFunc(pending[:2], func(p DeliveryRow) bool { return p.ID == m.ID }) {
			require.Equal(t, all[i].State, m.State)
			continue
		}
		require.Equal(t, Pending, m.State)
		require.True(t, m.Due.Equal(day0.Add(7*time.Minute)))
		require.Zero(t, m.Attempts)
		require.Equal(t, int64(rules.Alone), m.Fold, "it may have arrived under its own id")
	}
	n, err = s.ResendDead(ctx, day0.Add(8*time.Minute))
	require.NoError(t, err)
	require.Zero(t, n)
}

// What a route sent of late is known after a restart, and what was one message.
func TestRecent(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	s := openTest(t, dir)
	minute := func(n int) time.Time { return day0.Add(time.Duration(n) * time.Minute) }
	for i := range 5 {
		appendAll(t, s, alert(minute(i), fmt.Sprintf("lamp%d", i), rules.Lit, "phone", "mail")) // ids 2i+1 and 2i+2
	}
	require.NoError(t, s.Sent(ctx, 1, minute(10), ""))
	require.NoError(t, s.Sent(ctx, 2, minute(10), ""))
	require.NoError(t, s.Fold(ctx, []int64{5, 7}))
	require.NoError(t, s.Sent(ctx, 5, minute(30), ""))
	require.NoError(t, s.Sent(ctx, 3, minute(20), ""))
	require.NoError(t, s.Dead(ctx, 9, minute(30), ""))
	require.NoError(t, s.Close())
	s = openTest(t, dir)
	recent := func(route string, since time.Time) (out []string) {
		require.NoError(t, s.Recent(ctx, route, since, func(d rules.Delivery, at time.Time) {
			out = append(out, fmt.Sprintf("%d %s, message %d, at %s", d.ID, d.Key, d.Fold, at.Sub(day0)))
		}))
		return out
	}
	require.Equal(t, []string{"3 lamp/lamp1, message 0, at 20m0s", "5 lamp/lamp2, message 5, at 30m0s", "7 lamp/lamp3, message 5, at 30m0s"}, recent("phone", minute(20)))
	require.Equal(t, []string{"2 lamp/lamp0, message 0, at 10m0s"}, recent("mail", day0))
	require.Empty(t, recent("no such route", day0))
}

// A delivery may stand in another line than its event's own: it then waits for
// that line, and is still found by what its event is about.
func TestDeliveryInAnotherLine(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	for _, lamp := range []string{"tank", "salt"} {
		r := alert(day0, lamp, rules.Lit, "phone", "mail")
		r.Routes[0][0].Key = "held"
		appendAll(t, s, r)
	}
	due, _, err := s.Due(ctx, day0, 10, nil)
	require.NoError(t, err)
	require.Equal(t, []string{"phone held lit", "mail lamp/tank lit", "mail lamp/salt lit"}, lines(due))
	require.Equal(t, "tank", due[0].Event.Lamp)
	about, err := s.Deliveries(ctx, DeliveryFilter{Key: "lamp/salt"})
	require.NoError(t, err)
	require.Len(t, about, 2)
	require.NoError(t, s.update(ctx, false, func(tx *tx) error {
		_, err := tx.exec("UPDATE event SET sum = 0")
		return err
	}))
	due, _, err = s.Due(ctx, day0, 10, []string{"phone"})
	require.NoError(t, err)
	require.Equal(t, "lit tank (details lost)", due[0].Event.Text, "named by its event, not by its line")
}

func lines(due []rules.Delivery) []string {
	var out []string
	for _, d := range due {
		out = append(out, fmt.Sprintf("%s %s %s", d.Route, d.Key, d.Event.Kind))
	}
	return out
}

// Due against the plain reading of its contract, over random lives.
func TestDueAgainstModel(t *testing.T) {
	type row struct {
		id         int64
		route, key string
		due        time.Time
		pending    bool
		dead       bool
	}
	ctx := context.Background()
	for seed := range uint64(rounds(10)) {
		r := rand.New(rand.NewPCG(seed, 1))
		s := openTest(t, "")
		var model []*row
		now := day0
		for range 150 {
			now = now.Add(time.Duration(r.IntN(100)) * time.Second)
			switch k := r.IntN(3); {
			case k == 0 || len(model) == 0:
				rec := alert(now, []string{"a", "b", "c"}[r.IntN(3)], rules.Lit)
				for _, route := range []string{"x", "y"}[:1+r.IntN(2)] {
					due := now.Add(time.Duration(r.IntN(300)-100) * time.Second)
					rec.Routes[0] = append(rec.Routes[0], Target{Route: route, Due: due})
					model = append(model, &row{int64(len(model) + 1), route, rec.Events[0].Key(), due, true, false})
				}
				appendAll(t, s, rec)
			case k == 1:
				m := model[r.IntN(len(model))]
				var err error
				accepted := !m.pending && !m.dead
				m.dead = false
				switch r.IntN(4) {
				case 0:
					m.pending, err = false, s.Sent(ctx, m.id, now, "ok")
				case 1:
					m.pending, m.dead, err = false, true, s.Dead(ctx, m.id, now, "gone")
				case 2:
					m.due, m.pending = now.Add(time.Minute), true
					err = s.Retry(ctx, m.id, m.due, m.due, "later", r.IntN(2) == 0)
				case 3:
					if err = s.Resend(ctx, m.id, now); accepted {
						require.ErrorIs(t, err, ErrSent)
						err = nil
						break
					}
					m.due, m.pending = now, true
				}
				require.NoError(t, err)
			}
			routes := [][]string{nil, {"x"}, {"y"}, {"x", "y"}}[r.IntN(4)]
			limit := r.IntN(4)
			var want []int64
			var next time.Time
			heads, count := map[string]bool{}, map[string]int{}
			var owed Owed
			for _, m := range model {
				if m.pending {
					owed.Pending++
				} else if m.dead {
					owed.Dead++
				}
				if !m.pending || routes != nil && !slices.Contains(routes, m.route) || heads[m.route+m.key] {
					continue
				}
				heads[m.route+m.key] = true
				if m.due.After(now) {
					if next.IsZero() || m.due.Before(next) {
						next = m.due
					}
				} else if count[m.route]++; limit == 0 || count[m.route] <= limit {
					want = append(want, m.id)
				}
			}
			due, gotNext, err := s.Due(ctx, now, limit, routes)
			require.NoError(t, err)
			var got []int64
			for _, d := range due {
				got = append(got, d.ID)
			}
			require.Equal(t, want, got)
			require.True(t, next.Equal(gotNext), "want %v, got %v", next, gotNext)
			gotOwed, err := s.Owed(ctx)
			require.NoError(t, err)
			require.Equal(t, owed, gotOwed)
		}
	}
}

// Counting what is owed reads the indexes alone, however many were sent.
func TestOwedReadsNoMessage(t *testing.T) {
	s := openTest(t, "")
	plan := func(query string) (out []string) {
		require.NoError(t, s.view(t.Context(), func(r *reader) error {
			return r.each("EXPLAIN QUERY PLAN "+query, nil, func(row scan) error {
				var id, parent, unused int
				var detail string
				defer func() { out = append(out, detail) }()
				return row(&id, &parent, &unused, &detail)
			})
		}))
		return out
	}
	covered := func(details []string) bool {
		scans := 0
		for _, d := range details {
			if strings.Contains(d, "outbox") {
				if !strings.Contains(d, "USING COVERING INDEX") {
					return false
				}
				scans++
			}
		}
		return scans > 0
	}
	require.True(t, covered(plan(owedQuery)), plan(owedQuery))
	require.False(t, covered(plan("SELECT count(*) FROM outbox WHERE state = 1")), "the control reads the table")
}

// Folds against a plain reading of the contract, over random lives with
// restarts: what is one message stays so until its outcome, which all share.
func TestFoldAgainstModel(t *testing.T) {
	type row struct {
		id    int64
		key   string
		due   time.Time
		state State
		tries int
		fold  int64
	}
	ctx := context.Background()
	folds, parts := 0, 0
	for seed := range uint64(rounds(10)) {
		r := rand.New(rand.NewPCG(seed, 3))
		dir := t.TempDir()
		s := openTest(t, dir)
		var model []*row
		now := day0
		for range 250 {
			now = now.Add(time.Duration(r.IntN(100)) * time.Second)
			if k := r.IntN(10); k < 4 || len(model) == 0 {
				rec := alert(now, []string{"a", "b", "c"}[r.IntN(3)], rules.Lit, "x")
				rec.Routes[0][0].Due = now.Add(time.Duration(r.IntN(60)-40) * time.Second)
				appendAll(t, s, rec)
				model = append(model, &row{id: int64(len(model) + 1), key: rec.Events[0].Key(), due: rec.Routes[0][0].Due, state: Pending})
				continue
			} else if k == 4 {
				require.NoError(t, s.Close())
				s = openTest(t, dir)
			}
			m := model[r.IntN(len(model))]
			whole := func(f func(*row)) { // with all that are one message with it
				fold := m.fold
				for _, o := range model {
					if o == m || m.state == Pending && o.state == Pending && fold > 0 && o.fold == fold {
						defer f(o)
					}
				}
			}
			switch r.IntN(7) {
			case 0:
				require.NoError(t, s.Sent(ctx, m.id, now, "ok"))
				whole(func(o *row) { o.state, o.tries = Sent, o.tries+1 })
			case 1:
				require.NoError(t, s.Dead(ctx, m.id, now, "gone"))
				whole(func(o *row) { o.state, o.tries = Dead, o.tries+1 })
			case 2, 3:
				unsent := r.IntN(2) == 0
				if m.state != Pending {
					continue
				}
				require.NoError(t, s.Retry(ctx, m.id, now.Add(time.Minute), now.Add(time.Minute), "later", unsent))
				whole(func(o *row) {
					o.due, o.tries = now.Add(time.Minute), o.tries+1
					if unsent {
						o.fold = 0
					} else if o.fold == 0 {
						o.fold = rules.Alone
					}
				})
			case 4:
				if m.state == Sent {
					require.ErrorIs(t, s.Resend(ctx, m.id, now), ErrSent)
					continue
				}
				require.NoError(t, s.Resend(ctx, m.id, now))
				whole(func(o *row) {
					if o.state != Pending {
						o.fold = rules.Alone
					}
					o.state, o.due, o.tries = Pending, now, 0
				})
			case 5:
				if m.fold > 0 {
					require.NoError(t, s.Unfold(ctx, m.fold))
					for _, o := range model {
						if o.state == Pending && o.fold == m.fold && o != m {
							o.fold = rules.Alone
						}
					}
					if m.state == Pending {
						m.fold = rules.Alone
					}
				}
			case 6:
				var want []int64
				for _, o := range model[m.id-1:] {
					if o.key != m.key || o.state != Pending {
						if o == m {
							break
						}
						continue
					}
					if o.due.After(now) || o.fold != 0 || len(want) == 4 {
						break
					}
					want = append(want, o.id)
				}
				line, err := s.Line(ctx, m.id, now, 4)
				require.NoError(t, err)
				var got []int64
				for _, d := range line {
					got = append(got, d.ID)
				}
				require.Equal(t, want, got, "seed %d", seed)
				other := model[r.IntN(len(model))]
				if other.state != Pending || other.fold != 0 || slices.Contains(got, other.id) {
					if other.state != Pending || other.fold != 0 {
						require.ErrorIs(t, s.Fold(ctx, append(slices.Clone(got), other.id)), ErrNotFound, "all or none")
					}
				} else if len(got) > 0 {
					got = append(got, other.id) // of another line, or later in this
				}
				if len(got) == 0 {
					continue
				}
				slices.Sort(got)
				require.NoError(t, s.Fold(ctx, got))
				for _, id := range got {
					model[id-1].fold = got[0]
					if len(got) == 1 {
						model[id-1].fold = rules.Alone
						parts++
					}
				}
				folds++
			}
			all, err := s.Deliveries(ctx, DeliveryFilter{Limit: 1000})
			require.NoError(t, err)
			slices.Reverse(all)
			members := map[int64][]int64{}
			for i, o := range model {
				d := all[i]
				require.Equal(t, []any{o.id, o.state, o.tries, o.fold, o.due.UnixMilli()}, []any{d.ID, d.State, d.Attempts, d.Fold, d.Due.UnixMilli()}, "seed %d", seed)
				if o.state == Pending && o.fold > 0 {
					members[o.fold] = append(members[o.fold], o.id)
				}
			}
			for fold, want := range members {
				ds, err := s.Folded(ctx, fold)
				require.NoError(t, err)
				var got []int64
				for _, d := range ds {
					got = append(got, d.ID)
				}
				require.Equal(t, want, got)
			}
		}
	}
	t.Logf("%d folds, %d of them of one", folds, parts)
	require.Greater(t, folds, 3*rounds(10))
	require.Greater(t, folds, parts)
}

// What waits is found by indexes, however many were sent.
func TestFoldsAreFoundByIndex(t *testing.T) {
	s := openTest(t, "")
	plan := func(query string) (out string) {
		require.NoError(t, s.view(t.Context(), func(r *reader) error {
			return r.each("EXPLAIN QUERY PLAN "+strings.NewReplacer("?1", "7", "?2", "'[]'", "?3", "7", "?", "7").Replace(query), nil, func(row scan) error {
				var id, parent, unused int
				var detail string
				defer func() { out += detail + "\n" }()
				return row(&id, &parent, &unused, &detail)
			})
		}))
		return out
	}
	require.Contains(t, plan("SELECT * FROM outbox o WHERE o."+ofFold), "outbox_fold (fold=?)")
	require.Contains(t, plan("UPDATE outbox SET state = 1 WHERE "+ofFold), "outbox_fold (fold=?)")
	require.Contains(t, plan("SELECT * FROM outbox o WHERE o.state = 0 AND o.route = ? AND o.key = ? AND o.id >= ? ORDER BY o.id LIMIT 9"), "outbox_line (route=? AND key=? AND id>?)")
	for _, query := range []string{heldQuery, strayQuery} {
		rows := plan("SELECT * FROM outbox o LEFT JOIN event e ON e.id = o.event WHERE o.id IN (" + query + ") ORDER BY o.id")
		require.Contains(t, rows, "SEARCH o USING INTEGER PRIMARY KEY (rowid=?)")
		require.Contains(t, rows, "outbox_line")
		require.NotContains(t, rows, "SCAN o\n")
		require.NotContains(t, rows, "SCAN e\n")
	}
}

// When a delivery was last tried is told in wall time too, by the clock of that moment.
func TestLastAttemptInWallTime(t *testing.T) {
	ctx := t.Context()
	s := openTest(t, "")
	at := func(m int) time.Time { return day0.Add(time.Duration(m) * time.Minute) }
	early, late := alert(at(0), "tank", rules.Lit, "phone"), alert(at(10), "tank", rules.Dark, "phone", "mail")
	early.Offset, late.Offset = time.Hour, 3*time.Hour // the clock was set in between
	appendAll(t, s, early, late)
	require.NoError(t, s.Sent(ctx, 1, at(1), "204"))
	require.NoError(t, s.Sent(ctx, 2, at(11), "204"))
	rows, err := s.Deliveries(ctx, DeliveryFilter{})
	require.NoError(t, err)
	require.Len(t, rows, 3)
	require.Zero(t, rows[0].LastWall, "not tried yet")
	require.Equal(t, at(11).Add(3*time.Hour), rows[1].LastWall)
	require.Equal(t, at(1).Add(time.Hour), rows[2].LastWall)
}
