package notify

import (
	"context"
	"errors"
	"fmt"
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
}

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

func (o *memOutbox) record(ctx context.Context, id int64, f func(*memRow)) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.fail > 0 {
		o.fail--
		return errors.New("disk full")
	}
	f(o.rows[id-1])
	return nil
}

func (o *memOutbox) Sent(ctx context.Context, id int64, at time.Time, note string) error {
	return o.record(ctx, id, func(r *memRow) { r.state, r.at, r.note = "sent", at, note })
}

func (o *memOutbox) Retry(ctx context.Context, id int64, due time.Time, note string) error {
	return o.record(ctx, id, func(r *memRow) {
		r.Attempts++
		r.Due, r.note = due, note
		o.noted = append(o.noted, note)
	})
}

func (o *memOutbox) Dead(ctx context.Context, id int64, at time.Time, reason string) error {
	return o.record(ctx, id, func(r *memRow) { r.state, r.at, r.note = "dead", at, reason })
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
	at  time.Time
	ids []string
}

func (s *scripted) Name() string { return s.name }
func (s *scripted) Send(ctx context.Context, d rules.Delivery) Outcome {
	return s.SendFolded(ctx, []rules.Delivery{d})
}
func (s *scripted) SendFolded(ctx context.Context, ds []rules.Delivery) Outcome {
	g := got{at: time.Now()}
	for _, d := range ds {
		g.ids = append(g.ids, d.EventID)
	}
	s.mu.Lock()
	s.got = append(s.got, g)
	s.mu.Unlock()
	return s.send(ctx, ds)
}

var ok = Outcome{Kind: Delivered, Note: "200 OK", Answered: true}
