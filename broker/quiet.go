package broker

import (
	"log/slog"
	"math/bits"
	"sort"
	"sync"
	"time"
)

// Quiet logs each kind of trouble once, not a million times. The first trouble
// of a topic or client and a reason is logged; later ones are counted, and told
// again each time their number has doubled. Its memory is bounded: once it holds
// its fill of names, others are counted together, by reason. It is safe for use
// by several goroutines.
type Quiet struct {
	log  *slog.Logger
	most int

	mu     sync.Mutex
	counts map[quietKey]*quietCount
}

type quietKey struct{ name, reason string }

type quietCount struct {
	n           uint64
	first, last time.Time
}

// quietOthers stands for all names that found no room.
const quietOthers = "(others)"

// Count is how often one kind of trouble was seen.
type Count struct {
	Name   string // of the topic, client, address and so on, as the caller gave it
	Reason string
	N      uint64
	First  time.Time
	Last   time.Time
}

// NewQuiet returns a Quiet that logs to log (nil: slog.Default()) and keeps
// apart at most that many kinds of trouble (0: 1000).
func NewQuiet(log *slog.Logger, most int) *Quiet {
	if log == nil {
		log = slog.Default()
	}
	if most <= 0 {
		most = 1000
	}
	return &Quiet{log: log, most: most, counts: map[quietKey]*quietCount{}}
}

// Note counts one trouble with a name, which is that of a topic, client or what
// else what says, and logs msg with args, as slog does, if it is the first of its
// name and reason or their number has doubled since the last line. It tells
// whether it logged. what "": it has no name.
func (q *Quiet) Note(what, name, reason, msg string, args ...any) bool {
	now := time.Now()
	q.mu.Lock()
	key := quietKey{name, reason}
	c := q.counts[key]
	if c == nil && len(q.counts) >= q.most {
		key.name = quietOthers
		c = q.counts[key]
	}
	if c == nil {
		// The key may alias a packet's buffer or be very long.
		if len(key.name) > 256 {
			key.name = key.name[:256]
		}
		key.name = string([]byte(key.name))
		if c = q.counts[key]; c == nil {
			c = &quietCount{first: now}
			q.counts[key] = c
		}
	}
	c.n++
	c.last = now
	n, first := c.n, c.first
	q.mu.Unlock()

	if bits.OnesCount64(n) != 1 {
		return false
	}
	args = append([]any{"reason", reason}, args...)
	if what != "" {
		args = append([]any{what, key.name}, args...)
	}
	if n > 1 {
		args = append(args, "times", n, "since", first.Format(time.RFC3339))
	}
	q.log.Warn(msg, args...)
	return true
}

// Counts returns every kind of trouble seen, by name and reason.
func (q *Quiet) Counts() []Count {
	q.mu.Lock()
	defer q.mu.Unlock()
	all := make([]Count, 0, len(q.counts))
	for k, c := range q.counts {
		all = append(all, Count{Name: k.name, Reason: k.reason, N: c.n, First: c.first, Last: c.last})
	}
	sort.Slice(all, func(i, j int) bool {
		if all[i].Name != all[j].Name {
			return all[i].Name < all[j].Name
		}
		return all[i].Reason < all[j].Reason
	})
	return all
}

// Totals returns how often each reason was seen, over all names.
func (q *Quiet) Totals() map[string]uint64 {
	q.mu.Lock()
	defer q.mu.Unlock()
	t := map[string]uint64{}
	for k, c := range q.counts {
		t[k.reason] += c.n
	}
	return t
}
