package main

import (
	"cmp"
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

// strays are messages of routes that the configuration no longer has.
type strays struct {
	left  int // no route is for them
	stuck int // could not be handed on, for err
	// err says why not all was done, to be tried again with the next snapshot.
	err error
	// unread tells that err kept some of them from being counted.
	unread bool
}

// adopt hands on the messages of routes that the configuration no longer has, by
// that name: to the first route that would be sent such a message today, and has
// not been. So who gives a webhook a name, or replaces a service that did not
// work, loses nothing. What every route has is parked.
func (d *daemon) adopt(ctx context.Context, now time.Time) (out strays) {
	wall := now.Add(d.wall.offset)
	from, waiting := map[string]bool{}, map[string]bool{}
	moved, parked := 0, 0
	for after := int64(0); ; {
		stray, err := d.store.Stray(ctx, d.routes.names(), after, adoptBatch)
		if err != nil {
			out.err, out.unread = cmp.Or(out.err, err), true
			break
		}
		if len(stray) == 0 {
			break
		}
		after = stray[len(stray)-1].ID
		var moves []store.Move
		gone := map[string]bool{}
		for _, m := range stray {
			to := d.plan(m.Event, now, wall)
			note := fmt.Sprintf("%s is no longer configured", m.Route)
			switch {
			case len(to) > 0:
				moves = append(moves, store.Move{ID: m.ID, To: to, Note: note, Parked: note + ", and every other route has it"})
				gone[m.Route] = true
			case now.Sub(m.Event.At) >= strayLife:
				moves = append(moves, store.Move{ID: m.ID, Parked: note + ", and no other route is for such messages"})
				gone[m.Route] = true
			default:
				waiting[m.Route] = true
				out.left++
			}
		}
		n, err := d.store.Reroute(ctx, now, moves)
		if err != nil {
			out.err, out.stuck = err, out.stuck+len(moves)
			continue
		}
		maps.Copy(from, gone)
		moved, parked = moved+n, parked+len(moves)-n
	}
	if out.err != nil {
		d.log.Warn("cannot hand on what waits for routes that are no longer configured; it is tried again within the hour", "error", out.err)
	}
	if moved+parked > 0 {
		d.log.Warn("messages waited for routes that are no longer configured", "routes", words(from),
			"handed_on", moved, "parked", parked)
	}
	if out.left > 0 {
		d.log.Warn("messages wait for routes that are no longer configured, and no other route is for them; configure one", "routes", words(waiting), "messages", out.left)
	}
	d.stray = out.err != nil
	return out
}

// follow has what was sent, and what waits, go with a route that has another name now:
// of two webhooks without a name, the second is called as the first was once that is
// taken out of the configuration, and is not to be sent what was the other's.
func (d *daemon) follow(ctx context.Context) error {
	renamed, err := d.store.Follow(ctx, d.routes.marks(d.cfg, d.linkKey))
	if err != nil {
		return fmt.Errorf("seeing which routes have other names now: %w", err)
	}
	for _, n := range renamed {
		if strings.HasPrefix(n.Is, store.Former) {
			d.log.Info("a route that is not configured any more had a name that another one has now; what it was sent is shown under the new name", "was", n.Was, "is", n.Is)
			continue
		}
		d.log.Info("a route has another name now; what it was sent, and what waits for it, goes with it", "was", n.Was, "is", n.Is)
	}
	return nil
}

// words lists what is in a set.
func words(set map[string]bool) string {
	return strings.Join(slices.Sorted(maps.Keys(set)), ", ")
}

// caughtUp says how many messages from before the start go out now, and which do
// not: stray ones have no route.
func (d *daemon) caughtUp(ctx context.Context, now time.Time, stray strays) string {
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
	sent := "being sent now"
	if stray.unread {
		sent += fmt.Sprintf(", but for those of routes that are no longer configured, which cannot be read (%s)", stray.err)
	}
	say(int(owed.Pending)-len(held)-stray.left-stray.stuck, sent)
	say(len(held), "held until quiet hours end")
	say(stray.left, "not sent, for no configured route takes such messages")
	if stray.stuck > 0 { // stray.err is not nil
		say(stray.stuck, fmt.Sprintf("not sent yet: what was for routes that are no longer configured could not be handed on (%s); that is tried again within the hour", stray.err))
	}
	return text
}
