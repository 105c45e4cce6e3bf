package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"lampward/notify"
	"lampward/rules"
	"lampward/rules/span"
	"lampward/store"
)

const (
	adoptBatch = 500                 // messages handed on in one transaction
	strayLife  = 30 * 24 * time.Hour // for which a message waits for a route that would take it
)

// adopt hands on the messages of routes that the configuration no longer has, by
// that name: to the first route that would be sent such a message today, and has
// not been. So who gives a webhook a name, or replaces a service that did not
// work, loses nothing. What every route has is parked. left are those for which
// there is no route.
func (d *daemon) adopt(ctx context.Context, now time.Time) (left int) {
	wall := now.Add(d.wall.offset)
	from, waiting := map[string]bool{}, map[string]bool{}
	moved, parked := 0, 0
	for after := int64(0); ; {
		stray, err := d.store.Stray(ctx, d.routes.names(), after, adoptBatch)
		if err != nil {
			d.log.Warn("cannot see what waits for routes that are no longer configured; the next start tries again", "error", err)
			return left
		}
		if len(stray) == 0 {
			break
		}
		after = stray[len(stray)-1].ID
		var moves []store.Move
		for _, m := range stray {
			to := d.plan(m.Event, now, wall)
			note := fmt.Sprintf("%s is no longer configured", m.Route)
			switch {
			case len(to) > 0:
				moves = append(moves, store.Move{ID: m.ID, To: to, Note: note, Parked: note + ", and every other route has it"})
				from[m.Route] = true
			case now.Sub(m.Event.At) >= strayLife:
				moves = append(moves, store.Move{ID: m.ID, Parked: note + ", and no other route is for such messages"})
				from[m.Route] = true
			default:
				waiting[m.Route] = true
				left++
			}
		}
		n, err := d.store.Reroute(ctx, now, moves)
		if err != nil {
			d.log.Warn("cannot hand on what waits for routes that are no longer configured; the next start tries again", "error", err)
			return left + len(moves)
		}
		moved, parked = moved+n, parked+len(moves)-n
	}
	if moved+parked > 0 {
		d.log.Warn("messages waited for routes that are no longer configured", "routes", words(from),
			"handed_on", moved, "parked", parked)
	}
	if left > 0 {
		d.log.Warn("messages wait for routes that are no longer configured, and no other route is for them; configure one", "routes", words(waiting), "messages", left)
	}
	return left
}

// words lists what is in a set.
func words(set map[string]bool) string {
	return strings.Join(slices.Sorted(maps.Keys(set)), ", ")
}

// caughtUp says how many messages from before the start go out now, and which do
// not: stray ones have no route.
func (d *daemon) caughtUp(ctx context.Context, now time.Time, stray int) string {
	owed, err := d.store.Owed(ctx)
	if err != nil {
		return ""
	}
	held, err := d.store.Held(ctx, notify.HeldLine)
	if err != nil {
		return ""
	}
	held = slices.DeleteFunc(held, func(m rules.Delivery) bool { return !m.Due.After(now) || d.routes.policy(m.Route) == nil })
	text := ""
	say := func(n int, what string) {
		if n > 0 {
			text += fmt.Sprintf(" %s from before: %s.", span.Count(n, "message"), what)
		}
	}
	say(int(owed.Pending)-len(held)-stray, "being sent now")
	say(len(held), "held until quiet hours end")
	say(stray, "not sent, for no configured route takes such messages")
	return text
}
