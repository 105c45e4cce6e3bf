package broker

import (
	"log/slog"
	"math/bits"
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
	n     uint64
	first time.Time
}

// quietOthers stands for all names that found no room.
const quietOthers = "(others)"

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
			c = &quietCount{first: time.Now()}
			q.counts[key] = c
		}
	}
	c.n++
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
