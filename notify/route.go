package notify

import (
	"context"
	"time"

	"lampward/rules"
)

// Outbox is what the Worker needs of the store. Its methods are called from
// one goroutine per route, at the same time.
type Outbox interface {
	// Due returns, in order of ID, up to limit undelivered deliveries of the
	// routes whose Due is at or before now, but none that has an earlier
	// undelivered one of the same Route and Key which is not due yet: a
	// message that waits for its retry holds up its lamp, and no other. It
	// may return no more than the first of each Route and Key.
	// next is the earliest Due after now among the undelivered ones of the
	// routes, or the zero time if there is none.
	Due(ctx context.Context, now time.Time, limit int, routes []string) (due []rules.Delivery, next time.Time, err error)
	// Line returns an undelivered delivery and those of the same Route and Key
	// that follow it, in order of ID, as long as their Due is at or before now
	// and their Fold is 0; at most limit.
	Line(ctx context.Context, id int64, now time.Time, limit int) ([]rules.Delivery, error)
	// Fold records that undelivered deliveries whose Fold is 0, all or none, are
	// one message from now on, and returns when that is on disk: they get one
	// Fold above 0, a single one gets rules.Alone.
	Fold(ctx context.Context, ids []int64) error
	// Folded returns the undelivered deliveries of that Fold, in order of ID.
	Folded(ctx context.Context, fold int64) ([]rules.Delivery, error)
	// Unfold sets the Fold of each undelivered delivery of that Fold to
	// rules.Alone.
	Unfold(ctx context.Context, fold int64) error
	// Sent records that a delivery was accepted. What this and the next two
	// record is so for all of the same Fold above 0, at once.
	Sent(ctx context.Context, id int64, at time.Time, note string) error
	// Retry counts an attempt, made at at, and sets the engine time of the next. With unsent
	// Fold becomes 0, else a Fold of 0 becomes rules.Alone.
	Retry(ctx context.Context, id int64, at, due time.Time, note string, unsent bool) error
	// Dead parks a delivery for good, until a person resends it.
	Dead(ctx context.Context, id int64, at time.Time, reason string) error
	// Recent calls fn for each delivery of a route that was accepted at since or
	// later, with its ID, Key and Fold only, in order of time.
	Recent(ctx context.Context, route string, since time.Time, fn func(d rules.Delivery, at time.Time)) error
}

// Route is one way to a person. Send makes one attempt, within ctx and the
// route's own time limit, and never panics on what the other side answers.
type Route interface {
	Name() string
	Send(ctx context.Context, d rules.Delivery) Outcome
}

// OutcomeKind is what an attempt came to.
type OutcomeKind int

// The kinds of outcome.
const (
	Again     OutcomeKind = iota // not now: try again later
	Delivered                    // the other side accepted it
	Never                        // the other side will not take it, however often it is tried
)

// String returns a word for logs.
func (k OutcomeKind) String() string {
	switch k {
	case Delivered:
		return "delivered"
	case Never:
		return "refused"
	}
	return "retry"
}

// Outcome is the result of one attempt.
type Outcome struct {
	Kind  OutcomeKind
	After time.Duration // the least wait the other side asked for; 0: none
	Note  string        // one short line for people, with nothing secret in it
	// Busy tells that the whole route asked for the wait, not only this
	// message, as after 429 or 503 with Retry-After.
	Busy bool
	// Unsent tells that nothing of the message left this machine, for the other
	// side could not be reached.
	Unsent bool
	// Refused tells that the request itself is wrong, or cannot be made. That may
	// be this message, or what the route makes of every message, which a person
	// will put right.
	Refused bool
	// Mistake tells that it will hardly work before a person puts something right: an
	// address, a token, a certificate.
	Mistake bool
	// Answered tells that the receiver itself answered this message, so that
	// the way to it works.
	Answered bool
}
