package store

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// What waits for a route that is gone goes to the first that has none of the
// event, in its old place, under its old id; nobody gets an event twice.
func TestReroute(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir)
	ctx := t.Context()
	at := func(m int) time.Time { return day0.Add(time.Duration(m) * time.Minute) }
	appendAll(t, s,
		alert(at(0), "tank", rules.Lit, "old"),
		alert(at(1), "tank", rules.Dark, "old", "phone"),
		alert(at(2), "salt", rules.Lit, "old", "phone", "mail"),
		alert(at(3), "salt", rules.Dark, "old"),
		alert(at(4), "salt", rules.Lit, "old"),
		alert(at(5), "salt", rules.Dark, "old"),
		alert(at(6), "tank", rules.Lit, "phone"),
	)
	require.NoError(t, s.Sent(ctx, 3, at(7), "204"))                             // tank dark, at phone
	require.NoError(t, s.Retry(ctx, 7, at(8), at(8), "no answer", false))        // salt dark, tried
	require.NoError(t, s.Fold(ctx, []int64{8, 9}))                               // salt lit and dark, one message
	require.NoError(t, s.Retry(ctx, 4, at(8), at(8), "cannot be reached", true)) // salt lit
	stray, err := s.Stray(ctx, []string{"phone", "mail"}, 0, 100)
	require.NoError(t, err)
	require.Equal(t, []string{"old lamp/tank lit", "old lamp/tank dark", "old lamp/salt lit", "old lamp/salt dark", "old lamp/salt lit", "old lamp/salt dark"}, lines(stray))
	for limit := 1; limit < 4; limit++ { // in pieces
		var ids []int64
		for after := int64(0); ; {
			some, err := s.Stray(ctx, []string{"phone", "mail"}, after, limit)
			require.NoError(t, err)
			if len(some) == 0 {
				break
			}
			for _, d := range some {
				ids = append(ids, d.ID)
			}
			after = ids[len(ids)-1]
		}
		require.Equal(t, []int64{1, 2, 4, 7, 8, 9}, ids)
	}
	none, err := s.Stray(ctx, []string{"mail", "old", "phone"}, 0, 100)
	require.NoError(t, err)
	require.Empty(t, none)
	all, err := s.Stray(ctx, nil, 0, 100)
	require.NoError(t, err)
	require.Len(t, all, 9, "without any route, all are stray")

	var moves []Move
	for _, d := range stray {
		moves = append(moves, Move{ID: d.ID, Note: "old is gone", Parked: "old is gone, all have it", To: []Target{
			{Route: "phone", Key: d.Event.Key(), Due: at(20)}, {Route: "mail", Key: "held/" + d.Event.Key(), Due: at(30)}}})
	}
	moved, err := s.Reroute(ctx, at(10), moves)
	require.NoError(t, err)
	require.Equal(t, 5, moved)
	require.NoError(t, s.Close())

	s = openTest(t, dir)
	rows, err := s.Deliveries(ctx, DeliveryFilter{})
	require.NoError(t, err)
	var got []string
	for i := range rows {
		r := rows[len(rows)-1-i]
		got = append(got, fmt.Sprintf("%d %s %s %s %s %s fold %d, %d tries, due %s: %s", r.ID, r.EventID[len(r.EventID)-1:], r.State, r.Route, r.Key, r.Event.Kind, r.Fold, r.Attempts, r.Due.Format("15:04"), r.Note))
	}
	require.Equal(t, []string{
		"1 1 pending phone lamp/tank lit fold 0, 0 tries, due 00:20: old is gone",
		"2 2 pending mail held/lamp/tank dark fold 0, 0 tries, due 00:30: old is gone",
		"3 2 sent phone lamp/tank dark fold 0, 1 tries, due 00:01: 204",
		"4 3 dead old lamp/salt lit fold 0, 1 tries, due 00:08: old is gone, all have it",
		"5 3 pending phone lamp/salt lit fold 0, 0 tries, due 00:02: ",
		"6 3 pending mail lamp/salt lit fold 0, 0 tries, due 00:02: ",
		"7 4 pending phone lamp/salt dark fold -1, 0 tries, due 00:20: old is gone",
		"8 5 pending phone lamp/salt lit fold -1, 0 tries, due 00:20: old is gone",
		"9 6 pending phone lamp/salt dark fold -1, 0 tries, due 00:20: old is gone",
		"10 7 pending phone lamp/tank lit fold 0, 0 tries, due 00:06: ",
	}, got)
	held, err := s.Held(ctx, "held/")
	require.NoError(t, err)
	require.Len(t, held, 1)
	require.EqualValues(t, 2, held[0].ID)
	require.NoError(t, s.Fold(ctx, []int64{2}))
	held, err = s.Held(ctx, "held/")
	require.NoError(t, err)
	require.Empty(t, held, "nor is what is on its way")
	require.NoError(t, s.Retry(ctx, 2, at(31), at(31), "cannot be reached", true))
	held, err = s.Held(ctx, "held/")
	require.NoError(t, err)
	require.Empty(t, held, "what was tried is not held any more")
	none, err = s.Stray(ctx, []string{"phone", "mail"}, 0, 100)
	require.NoError(t, err)
	require.Empty(t, none)
	require.NoError(t, s.Sent(ctx, 10, at(32), "204"))
	before, err := s.Deliveries(ctx, DeliveryFilter{})
	require.NoError(t, err)
	moved, err = s.Reroute(ctx, at(33), []Move{{ID: 3, To: moves[0].To}, {ID: 4, To: moves[0].To}, {ID: 10, To: moves[0].To[1:]}, {ID: 99, To: moves[0].To}})
	require.NoError(t, err)
	require.Zero(t, moved, "only what is pending goes another way")
	after, err := s.Deliveries(ctx, DeliveryFilter{})
	require.NoError(t, err)
	require.Equal(t, before, after)
}

// What waits is taken back, but for what was tried; and what came of an attempt that
// was under way stands.
func TestVoid(t *testing.T) {
	ctx := t.Context()
	s := openTest(t, "")
	at := func(m int) time.Time { return day0.Add(time.Duration(m) * time.Minute) }
	put := func(m int, lamp string, k rules.Kind, line string, due int) {
		r := alert(at(m), lamp, k, "phone")
		r.Routes[0][0].Key, r.Routes[0][0].Due = line+r.Events[0].Key(), at(due)
		appendAll(t, s, r)
	}
	put(1, "tank", rules.Reminder, "held/", 60)
	put(2, "tank", rules.Reminder, "held/", 60) // tried
	put(3, "tank", rules.Reminder, "held/", 10) // one that is being tried for the first time
	put(4, "tank", rules.Dark, "held/", 60)
	put(5, "tank", rules.Reminder, "", 60)
	put(6, "salt", rules.Reminder, "held/", 60)
	put(6, "tank", rules.Reminder, "held/", 60) // tried, and did not leave this machine
	put(6, "tank", rules.Reminder, "held/", 60) // made a message that is about to go
	require.NoError(t, s.Retry(ctx, 2, at(6), at(60), "no answer", false))
	require.NoError(t, s.Retry(ctx, 7, at(6), at(60), "cannot be reached", true))
	require.NoError(t, s.Fold(ctx, []int64{8}))
	r := alert(at(10), "tank", rules.Reminder, "phone")
	r.Routes[0][0].Key, r.Routes[0][0].Due = "held/lamp/tank", at(60)
	r.Void = []Void{{Key: "held/lamp/tank", Kinds: []rules.Kind{rules.Reminder, rules.Escalated}, Note: "a newer one"}, {Key: "held/nobody"}}
	appendAll(t, s, r)
	rows, err := s.Deliveries(ctx, DeliveryFilter{State: Sent})
	require.NoError(t, err)
	require.Len(t, rows, 2)
	require.EqualValues(t, 1, rows[1].ID)
	require.EqualValues(t, 3, rows[0].ID)
	require.Zero(t, rows[0].Attempts)
	require.Equal(t, "a newer one", rows[0].Note)
	require.NoError(t, s.Recent(ctx, "phone", day0, func(rules.Delivery, time.Time) { t.Error("it counts as sent") }))
	require.NoError(t, s.Retry(ctx, 3, at(11), at(12), "no answer", false))
	require.NoError(t, s.Resend(ctx, 1, at(11)), "a person may want it yet")
	rows, err = s.Deliveries(ctx, DeliveryFilter{State: Pending})
	require.NoError(t, err)
	require.Len(t, rows, 9)
}

// Routes that are known by their marks keep their deliveries under other names, also
// when they change names; and a second call changes nothing.
func TestFollow(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir)
	ctx := t.Context()
	follow := func(marks ...RouteMark) []RouteName {
		t.Helper()
		got, err := s.Follow(ctx, marks)
		require.NoError(t, err)
		again, err := s.Follow(ctx, marks)
		require.NoError(t, err)
		require.Empty(t, again)
		return got
	}
	list := func() (out []string) {
		rows, err := s.Deliveries(ctx, DeliveryFilter{})
		require.NoError(t, err)
		for i := range rows {
			r := rows[len(rows)-1-i]
			out = append(out, fmt.Sprintf("%s %s %d", r.Route, r.State, r.Fold))
		}
		return out
	}
	require.Empty(t, follow(RouteMark{"one", 11}, RouteMark{"two", 22}, RouteMark{"three", 33}))
	appendAll(t, s, alert(day0, "tank", rules.Lit, "one", "two", "three"), alert(day0, "tank", rules.Dark, "one", "two", "three"))
	require.NoError(t, s.Sent(ctx, 2, day0, "204"))
	require.NoError(t, s.Dead(ctx, 5, day0, "410"))
	require.NoError(t, s.Fold(ctx, []int64{3, 6}))
	require.Equal(t, []RouteName{{"three", "one"}, {"one", "two"}, {"two", "three"}}, follow(RouteMark{"one", 33}, RouteMark{"two", 11}, RouteMark{"three", 22}))
	want := []string{"two pending 0", "three sent 0", "one pending 3", "two pending 0", "three dead 0", "one pending 3"}
	require.Equal(t, want, list())
	require.NoError(t, s.Close())
	s = openTest(t, dir)
	require.Equal(t, want, list())
	require.Equal(t, []RouteName{{"two", "one"}, {"one", "former one"}}, follow(RouteMark{"one", 11}))
	require.Equal(t, []string{"one pending 0", "three sent 0", "former one pending 3", "one pending 0", "three dead 0", "former one pending 3"}, list())
	// What no mark is known of, or has the mark of several, goes by its name.
	require.Empty(t, follow(RouteMark{"one", 0}, RouteMark{"two", 44}, RouteMark{"four", 44}))
	require.Empty(t, follow(RouteMark{"five", 44}))
	require.NoError(t, s.Close())
	_, err := s.Follow(ctx, nil)
	require.ErrorIs(t, err, ErrClosed)
}
