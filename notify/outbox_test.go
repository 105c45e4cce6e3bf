package notify

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"lampward/rules"
)

// memOutbox is an Outbox in memory, with the contract's order.
type memOutbox struct {
	mu    sync.Mutex
	rows  []*memRow
	fail  int // the next calls that record fail
	noted []string
	heads bool // Due returns only the first of each key
	loose bool // a fault: Due forgets that a message waits for the one before
	// forgets is a fault: what a message is made of is not recorded.
	forgets bool
	killed  bool // nothing is recorded any more
	torn    bool // nothing can be read
}

var errKilled = errors.New("killed")

type memRow struct {
	rules.Delivery
	state string // "", "sent", "dead"
	at    time.Time
	note  string
}

func (o *memOutbox) add(ds ...rules.Delivery) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, d := range ds {
		d.ID = int64(len(o.rows) + 1)
		if d.Key == "" {
			d.Key = d.Event.Key()
		}
		if d.EventID == "" {
			d.EventID = fmt.Sprintf("ev-%d", d.ID)
		}
		o.rows = append(o.rows, &memRow{Delivery: d})
	}
}

func (o *memOutbox) Due(_ context.Context, now time.Time, limit int, routes []string) (due []rules.Delivery, next time.Time, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.torn {
		return nil, time.Time{}, errors.New("disk torn")
	}
	waits := map[string]bool{}
	for _, r := range o.rows {
		if r.state != "" || r.Route != routes[0] {
			continue
		}
		key := r.Route + "\x00" + r.Key
		if r.Due.After(now) {
			waits[key] = !o.loose
			next = earlier(next, r.Due)
			continue
		}
		if !waits[key] && len(due) < limit {
			due = append(due, r.Delivery)
			waits[key] = o.heads
		}
	}
	return due, next, nil
}

// record changes a row, and those that are one message with it.
func (o *memOutbox) record(ctx context.Context, id int64, f func(*memRow)) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.killed {
		return errKilled
	}
	if o.fail > 0 {
		o.fail--
		return errors.New("disk full")
	}
	first := o.rows[id-1]
	fold := first.Fold
	if first.state != "" || fold <= 0 {
		f(first)
		return nil
	}
	for _, r := range o.rows {
		if r.state == "" && r.Fold == fold {
			f(r)
		}
	}
	return nil
}

func (o *memOutbox) Line(_ context.Context, id int64, now time.Time, limit int) (line []rules.Delivery, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	first := o.rows[id-1]
	for _, r := range o.rows[id-1:] {
		if r.state != "" || r.Route != first.Route || r.Key != first.Key {
			continue
		}
		if r.Due.After(now) || r.Fold != 0 || len(line) == limit {
			break
		}
		line = append(line, r.Delivery)
	}
	return line, nil
}

func (o *memOutbox) Fold(ctx context.Context, ids []int64) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.killed {
		return errKilled
	}
	for _, id := range ids {
		if r := o.rows[id-1]; r.state != "" || r.Fold != 0 {
			return fmt.Errorf("delivery %d is %q and of message %d", id, r.state, r.Fold)
		}
	}
	if o.forgets {
		return ctx.Err()
	}
	for _, id := range ids {
		o.rows[id-1].Fold = ids[0]
		if len(ids) == 1 {
			o.rows[id-1].Fold = rules.Alone
		}
	}
	return ctx.Err()
}

func (o *memOutbox) Folded(_ context.Context, fold int64) (ds []rules.Delivery, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, r := range o.rows {
		if r.state == "" && r.Fold == fold {
			ds = append(ds, r.Delivery)
		}
	}
	return ds, nil
}

func (o *memOutbox) Unfold(_ context.Context, fold int64) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.killed {
		return errKilled
	}
	for _, r := range o.rows {
		if r.state == "" && r.Fold == fold {
			r.Fold = rules.Alone
		}
	}
	return nil
}

func (o *memOutbox) Sent(ctx context.Context, id int64, at time.Time, note string) error {
	return o.record(ctx, id, func(r *memRow) { r.state, r.at, r.note = "sent", at, note })
}

func (o *memOutbox) Retry(ctx context.Context, id int64, at, due time.Time, note string, unsent bool) error {
	return o.record(ctx, id, func(r *memRow) {
		switch {
		case unsent:
			r.Fold = 0
		case r.Fold == 0 && !o.forgets:
			r.Fold = rules.Alone
		}
		r.Attempts++
		r.Due, r.at, r.note = due, at, note
		o.noted = append(o.noted, note)
	})
}

func (o *memOutbox) Dead(ctx context.Context, id int64, at time.Time, reason string) error {
	return o.record(ctx, id, func(r *memRow) { r.state, r.at, r.note = "dead", at, reason })
}

func (o *memOutbox) Recent(_ context.Context, route string, since time.Time, fn func(rules.Delivery, time.Time)) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	rows := slices.Clone(o.rows)
	slices.SortStableFunc(rows, func(a, b *memRow) int { return a.at.Compare(b.at) })
	for _, r := range rows {
		if r.state == "sent" && r.Route == route && !r.at.Before(since) {
			fn(r.Delivery, r.at)
		}
	}
	return nil
}

// count returns how many rows are in each state.
func (o *memOutbox) count() (open, sent, dead int) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, r := range o.rows {
		switch r.state {
		case "sent":
			sent++
		case "dead":
			dead++
		default:
			open++
		}
	}
	return
}

// lit is a delivery of a lamp that lit at the engine time at.
func lit(route, lamp string, at time.Time) rules.Delivery {
	return rules.Delivery{Route: route, Wall: at, Due: at, Event: rules.Event{
		At: at, Kind: rules.Lit, Lamp: lamp, Device: lamp, Value: 900, OnAbove: 700, OffBelow: 600,
		Confidence: 0.99, Text: lamp + " is lit", Why: "two readings above 700",
	}}
}

// scripted is a Route whose answers a test gives.
type scripted struct {
	name string
	send func(ctx context.Context, ds []rules.Delivery) Outcome
	mu   sync.Mutex
	got  []got
}

type got struct {
	at        time.Time
	ids       []string
	text, why string // of a folded message
}

func (s *scripted) Name() string { return s.name }
func (s *scripted) Send(ctx context.Context, d rules.Delivery) Outcome {
	return s.SendFolded(ctx, []rules.Delivery{d})
}
func (s *scripted) SendFolded(ctx context.Context, ds []rules.Delivery) Outcome {
	g := got{at: time.Now()}
	if len(ds) > 1 {
		m := foldMessages(ds, nil, time.UTC)
		g.text, g.why = m.Text, m.Why
	}
	for _, d := range ds {
		g.ids = append(g.ids, d.EventID)
	}
	s.mu.Lock()
	s.got = append(s.got, g)
	s.mu.Unlock()
	return s.send(ctx, ds)
}

var ok = Outcome{Kind: Delivered, Note: "200 OK", Answered: true}
