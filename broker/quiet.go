package broker

import (
	"log/slog"
	"math/bits"
	"sort"
	"sync"
	"time"
)

// Quiet logs each kind of trouble once, not a million times. The first trouble
// of a topic and reason is logged; later ones are counted, and told again each
// time their number has doubled. Its memory is bounded: once it holds its
// fill of topics, others are counted together, by reason. It is safe for use
// by several goroutines.
type Quiet struct {
	log  *slog.Logger
	most int

	mu     sync.Mutex
	counts map[quietKey]*quietCount
}

type quietKey struct{ topic, reason string }

type quietCount struct {
	n           uint64
	first, last time.Time
}

// quietOthers stands for all topics that found no room.
const quietOthers = "(other topics)"

// Count is how often one kind of trouble was seen.
type Count struct {
	Topic  string // topic, client or address, as the caller gave it
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

// Note counts one trouble, and logs msg with args, as slog does, if it is the
// first of its topic and reason or their number has doubled since the last
// line. It tells whether it logged.
func (q *Quiet) Note(topic, reason, msg string, args ...any) bool {
	now := time.Now()
	q.mu.Lock()
	key := quietKey{topic, reason}
	c := q.counts[key]
	if c == nil && len(q.counts) >= q.most {
		key.topic = quietOthers
		c = q.counts[key]
	}
	if c == nil {
		// The key may alias a packet's buffer or be very long.
		if len(key.topic) > 256 {
			key.topic = key.topic[:256]
		}
		key.topic = string([]byte(key.topic))
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
	args = append([]any{"topic", key.topic, "reason", reason}, args...)
	if n > 1 {
		args = append(args, "times", n, "since", first.Format(time.RFC3339))
	}
	q.log.Warn(msg, args...)
	return true
}

// Counts returns every kind of trouble seen, by topic and reason.
func (q *Quiet) Counts() []Count {
	q.mu.Lock()
	defer q.mu.Unlock()
	all := make([]Count, 0, len(q.counts))
	for k, c := range q.counts {
		all = append(all, Count{Topic: k.topic, Reason: k.reason, N: c.n, First: c.first, Last: c.last})
	}
	sort.Slice(all, func(i, j int) bool {
		if all[i].Topic != all[j].Topic {
			return all[i].Topic < all[j].Topic
		}
		return all[i].Reason < all[j].Reason
	})
	return all
}

// Totals returns how often each reason was seen, over all topics.
func (q *Quiet) Totals() map[string]uint64 {
	q.mu.Lock()
	defer q.mu.Unlock()
	t := map[string]uint64{}
	for k, c := range q.counts {
		t[k.reason] += c.n
	}
	return t
}
