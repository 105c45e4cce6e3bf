package main

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/cmd/lampward/config"
	"lampward/cmd/lampward/page"
	"lampward/rules"
	"lampward/store"
)

// adoptHarness is a daemon one of whose lamps was lit and went dark, each told by
// a message that nobody sends in this test.
func adoptHarness(t *testing.T, routes string) *harness {
	h := newHarness(t, adoptConfig+routes)
	for i := range 15 {
		h.clock.Advance(time.Minute)
		level := 200
		if i >= 5 && i < 10 {
			level = 800
		}
		require.NoError(t, h.publish("cellar/freezer", fmt.Sprint(level+i)))
	}
	return h
}

const adoptConfig = `
[[lamp]]
name = "freezer"
topic = "cellar/freezer"
on_above = 600
off_below = 400
`

// again starts the daemon anew, with other routes, and returns why the start was
// reported as it was.
func (h *harness) again(routes string, after time.Duration) string {
	h.crash()
	dir := h.cfg.Store.Dir
	var err error
	h.cfg, err = config.Parse("test.toml", []byte(adoptConfig+routes))
	require.NoError(h.t, err)
	h.cfg.Store.Dir = dir
	h.clock.Advance(after)
	h.boot()
	list, err := h.st.Events(h.t.Context(), store.EventFilter{Limit: 1})
	require.NoError(h.t, err)
	return list[0].Event.Why
}

// outbox lists the messages about lamps, oldest first.
func (h *harness) outbox() (out []string) {
	rows, err := h.st.Deliveries(h.t.Context(), store.DeliveryFilter{})
	require.NoError(h.t, err)
	for i := range rows {
		r := rows[len(rows)-1-i]
		if r.Event.Kind == rules.Downtime {
			continue // of this test's restarts
		}
		out = append(out, fmt.Sprintf("%s %s %s %s", r.Route, r.Event.Kind, r.State, r.Note))
	}
	return out
}

// A route is known again by where it leads: what it was sent, and what waits for it,
// goes with its name, so that nobody gets what was another's, or the same twice.
func TestRoutesThatHaveOtherNames(t *testing.T) {
	hook := func(to string) string { return fmt.Sprintf("[[webhook]]\nurl = \"http://192.0.2.1/%s\"\n", to) }
	mail := func(to string) string {
		return "[[mail]]\nserver = \"mail.example.com:587\"\nfrom = \"lampward@example.com\"\nto = [\"" + to + "@example.com\"]\n"
	}
	// sent has what waits for a route arrive.
	sent := func(h *harness, route string) {
		rows, err := h.st.Deliveries(t.Context(), store.DeliveryFilter{Route: route})
		require.NoError(t, err)
		require.Len(t, rows, 2)
		for _, r := range rows {
			require.NoError(t, h.st.Sent(t.Context(), r.ID, h.clock.Now(), "204"))
		}
	}
	const gone = " is no longer configured, and every other route has it"
	// The first of two that have no names is taken out, and the second has its name.
	h := adoptHarness(t, hook("ann")+hook("ben"))
	sent(h, "webhook-2")
	h.again(hook("ben"), time.Hour)
	require.Equal(t, []string{
		"former webhook-1 lit dead former webhook-1" + gone, "webhook-1 lit sent 204",
		"former webhook-1 dark dead former webhook-1" + gone, "webhook-1 dark sent 204"}, h.outbox())
	// Ann's comes back, and they are as they were.
	h.again(hook("ann")+hook("ben"), time.Hour)
	require.Equal(t, []string{
		"webhook-1 lit dead former webhook-1" + gone, "webhook-2 lit sent 204",
		"webhook-1 dark dead former webhook-1" + gone, "webhook-2 dark sent 204"}, h.outbox())

	// They change places.
	h = adoptHarness(t, hook("ann")+hook("ben"))
	sent(h, "webhook-2")
	h.again(hook("ben")+hook("ann"), time.Hour)
	require.Equal(t, []string{"webhook-2 lit pending ", "webhook-1 lit sent 204", "webhook-2 dark pending ", "webhook-1 dark sent 204"}, h.outbox())

	// The first is taken out, and the second gets a name of its own; so with mail.
	h = adoptHarness(t, hook("ann")+hook("ben"))
	sent(h, "webhook-2")
	h.again(hook("ben")+"name = \"phone\"\n", time.Hour)
	require.Equal(t, []string{"webhook-1 lit dead webhook-1" + gone, "phone lit sent 204", "webhook-1 dark dead webhook-1" + gone, "phone dark sent 204"}, h.outbox())
	h = adoptHarness(t, mail("ann")+mail("ben"))
	sent(h, "mail-2 to ben@example.com")
	h.again(mail("ben"), time.Hour)
	const ann, ben = "mail-1 to ann@example.com", "mail-1 to ben@example.com"
	require.Equal(t, []string{ann + " lit dead " + ann + gone, ben + " lit sent 204", ann + " dark dead " + ann + gone, ben + " dark sent 204"}, h.outbox())

	// One that has a new address keeps what waits for it; two that lead to one place
	// are told apart by their names alone.
	h = adoptHarness(t, hook("ann")+hook("ben"))
	sent(h, "webhook-2")
	before := h.outbox()
	h.again(hook("new")+hook("ben"), time.Hour)
	require.Equal(t, before, h.outbox())
	h = adoptHarness(t, hook("ann")+hook("ann"))
	sent(h, "webhook-2")
	before = h.outbox()
	h.again(hook("ann")+hook("ann")+hook("ben"), time.Hour)
	require.Equal(t, before, h.outbox())
}

// Who replaces a service loses no message, and no route gets one twice.
func TestRoutesThatAreGone(t *testing.T) {
	const hook = "[[webhook]]\nurl = \"http://192.0.2.1/\"\n"
	name := func(n string) string {
		return fmt.Sprintf("[[webhook]]\nurl = \"http://192.0.2.1/%s\"\nname = %q\n", n, n)
	}

	h := adoptHarness(t, hook)
	require.Equal(t, []string{"webhook-1 lit pending ", "webhook-1 dark pending "}, h.outbox())
	assert.Contains(t, h.again(name("phone"), time.Hour), " 2 messages from before: being sent now.")
	moved := []string{"phone lit pending webhook-1 is no longer configured", "phone dark pending webhook-1 is no longer configured"}
	require.Equal(t, moved, h.outbox())
	h.again(name("phone")+name("hall"), time.Minute)
	require.Equal(t, moved, h.outbox(), "once more, there is nothing to do")

	h = adoptHarness(t, name("phone")+name("hall"))
	h.again(name("hall"), time.Hour)
	const gone = " dead phone is no longer configured, and every other route has it"
	require.Equal(t, []string{"phone lit" + gone, "hall lit pending ", "phone dark" + gone, "hall dark pending "}, h.outbox())
	h.again(name("hall")+name("new"), time.Hour)
	require.Len(t, h.outbox(), 4, "who is new is not told what was")

	// Quiet hours of the new route hold what is not urgent, however old it is;
	// demoDay begins at midnight.
	for _, days := range []time.Duration{0, 3 * 24 * time.Hour} {
		h = adoptHarness(t, name("phone"))
		assert.True(t, strings.HasSuffix(h.again(name("hall")+"quiet_hours = [\"22:00-07:00 UTC\"]\n", days+time.Hour),
			" 1 message from before: being sent now. 1 message from before: held until quiet hours end."))
		due, next, err := h.st.Due(t.Context(), h.clock.Now(), 10, []string{"hall"})
		require.NoError(t, err)
		require.Len(t, due, 1)
		require.Equal(t, 7*time.Hour, next.Sub(demoDay.Add(days)))
	}

	// What quiet hours held counts as held while they do, and while its route is there.
	const night = "quiet_hours = [\"22:00-07:00 UTC\"]\n"
	for _, c := range []struct {
		routes string
		after  time.Duration
		says   string
	}{
		{name("phone") + night, time.Hour, " 1 message from before: being sent now. 1 message from before: held until quiet hours end."},
		{name("phone") + night, 8 * time.Hour, " 2 messages from before: being sent now."},
		{"", time.Hour, " 2 messages from before: not sent, for no configured route takes such messages."},
	} {
		says := adoptHarness(t, name("phone")+night).again(c.routes, c.after)
		_, says, _ = strings.Cut(says, "is blamed for it.")
		assert.Equal(t, c.says, says)
	}

	// Without a route for it, a message waits for one, though not for good.
	h = adoptHarness(t, name("phone"))
	assert.Contains(t, h.again("", time.Hour), " 2 messages from before: not sent, for no configured route takes such messages.")
	assert.Contains(t, h.again(name("hall")+"kinds = [\"lit\", \"silent\"]\n", 29*24*time.Hour),
		" 1 message from before: being sent now. 1 message from before: not sent, for no configured route takes such messages.")
	require.Equal(t, []string{"hall lit pending phone is no longer configured", "phone dark pending "}, h.outbox())
	h.again(name("hall")+"kinds = [\"lit\", \"silent\"]\n", 24*time.Hour)
	require.Equal(t, []string{"hall lit pending phone is no longer configured",
		"phone dark dead phone is no longer configured, and no other route is for such messages"}, h.outbox())
}

// What was given up for a route's wrong address, and is sent again by a person who has put
// that right, goes to the route that there is now, at once: a mail's route has its
// address in its name.
func TestResendAfterTheAddressIsPutRight(t *testing.T) {
	mail := func(to string) string {
		return "[[mail]]\nserver = \"mail.example.com:587\"\nfrom = \"lampward@example.com\"\nto = [\"" + to + "\"]\n"
	}
	h := adoptHarness(t, mail("an@example.com"))
	dead, err := h.st.Deliveries(t.Context(), store.DeliveryFilter{})
	require.NoError(t, err)
	require.Len(t, dead, 2)
	for _, m := range dead {
		require.NoError(t, h.st.Dead(t.Context(), m.ID, h.clock.Now(), "550 no such user"))
	}
	h.again(mail("ann@example.com"), time.Hour)
	require.Equal(t, []string{"mail-1 to an@example.com lit dead 550 no such user", "mail-1 to an@example.com dark dead 550 no such user"}, h.outbox())

	src := &pageSource{d: h.d}
	ctx, stop := context.WithCancel(t.Context())
	looped := make(chan error, 1)
	go func() { looped <- h.d.loop(ctx) }()
	said, err := src.Do(ctx, page.Action{Verb: page.Resend, ID: dead[1].ID})
	require.NoError(t, err)
	assert.Equal(t, fmt.Sprintf("Message %d is back in line.", dead[1].ID), said)
	_, err = src.Status(ctx) // the loop has had its turn
	require.NoError(t, err)
	const moved = "pending mail-1 to an@example.com is no longer configured"
	assert.Equal(t, []string{"mail-1 to ann@example.com lit " + moved, "mail-1 to an@example.com dark dead 550 no such user"}, h.outbox())

	said, err = src.Do(ctx, page.Action{Verb: page.Resend, All: true})
	require.NoError(t, err)
	assert.Equal(t, "1 message is back in line.", said)
	_, err = src.Status(ctx)
	require.NoError(t, err)
	assert.Equal(t, []string{"mail-1 to ann@example.com lit " + moved, "mail-1 to ann@example.com dark " + moved}, h.outbox())
	said, err = src.Do(ctx, page.Action{Verb: page.Resend, All: true})
	require.NoError(t, err)
	assert.Equal(t, "There is no message that was not delivered.", said)
	stop()
	require.NoError(t, <-looped)
}

// A start whose outbox cannot be changed, or not be read, says so and goes on; what it
// could not do is done while it runs, once that works.
func TestRoutesThatAreGoneDiskFull(t *testing.T) {
	const (
		hook  = "[[webhook]]\nurl = \"http://192.0.2.1/\"\n"
		phone = "[[webhook]]\nurl = \"http://192.0.2.2/\"\nname = \"phone\"\nkinds = [\"lit\"]\n"
	)
	left := []string{"webhook-1 lit pending ", "webhook-1 dark pending "}
	moved := []string{"phone lit pending webhook-1 is no longer configured", "webhook-1 dark pending "}
	h := adoptHarness(t, hook)
	h.fixed = true
	assert.True(t, strings.HasSuffix(h.again(phone, time.Hour),
		" 1 message from before: not sent, for no configured route takes such messages."+
			" 1 message from before: not sent yet: what was for routes that are no longer configured could not be handed on (no space left on device); that is tried again within the hour."))
	require.Equal(t, left, h.outbox())
	h.clock.Advance(59 * time.Minute)
	require.NoError(t, h.turn(nil))
	h.fixed = false
	require.Equal(t, left, h.outbox())
	h.clock.Advance(2 * time.Minute)
	require.NoError(t, h.turn(nil))
	require.Equal(t, moved, h.outbox())
	require.False(t, h.d.stray)

	h = adoptHarness(t, hook)
	h.hidden = true
	assert.True(t, strings.HasSuffix(h.again(phone, time.Hour),
		" 2 messages from before: being sent now, but for those of routes that are no longer configured, which cannot be read (input/output error)."))
	h.hidden = false
	h.clock.Advance(time.Hour)
	require.NoError(t, h.turn(nil))
	require.Equal(t, moved, h.outbox())
}

// All that could not be handed on is counted, however much it is.
func TestRoutesThatAreGoneMany(t *testing.T) {
	h := newHarness(t, adoptConfig+"[[webhook]]\nurl = \"http://192.0.2.1/\"\n")
	for i := range 2*adoptBatch + 10 {
		h.clock.Advance(10 * time.Minute)
		level := 200 + 600*((i+1)%2)
		for j := range 3 {
			h.clock.Advance(time.Second)
			require.NoError(t, h.publish("cellar/freezer", fmt.Sprint(level+j)))
		}
	}
	owed, err := h.st.Owed(t.Context())
	require.NoError(t, err)
	require.Greater(t, owed.Pending, int64(2*adoptBatch))
	h.fixed = true
	assert.Contains(t, h.again("[[webhook]]\nurl = \"http://192.0.2.2/\"\nname = \"phone\"\n", time.Hour),
		fmt.Sprintf("was not seen, and no board is blamed for it. %d messages from before: not sent yet", owed.Pending))
}
