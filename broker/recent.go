package broker

import (
	"hash/maphash"
	"sync"
	"time"
)

// Limits on what is remembered to tell a copy from a first delivery.
const (
	recentEach    = 32          // messages remembered per client
	recentClients = 4096        // clients remembered
	recentFor     = time.Minute // how long: a sender resends at once after it is back
)

// recent remembers which messages of QoS 1 and 2 were taken of late, so that a
// sender's second copy (DUP set, same packet id, same content) is acknowledged
// without being taken twice.
type recent struct {
	seed maphash.Seed

	mu      sync.Mutex
	clients map[string]*taken
}

type taken struct {
	ring [recentEach]struct {
		id  uint16
		sum uint64
		at  time.Time
	}
	next int
	last time.Time
}

func newRecent() *recent {
	return &recent{seed: maphash.MakeSeed(), clients: map[string]*taken{}}
}

func (r *recent) sum(m *Message) uint64 {
	var h maphash.Hash
	h.SetSeed(r.seed)
	h.WriteString(m.Topic)
	h.WriteByte(0)
	h.Write(m.Payload)
	return h.Sum64()
}

// has tells whether client's message with this packet id was taken already.
func (r *recent) has(client string, id uint16, m *Message) bool {
	sum, now := r.sum(m), time.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	t := r.clients[client]
	if t == nil {
		return false
	}
	for i := range t.ring {
		e := &t.ring[i]
		if e.id == id && e.sum == sum && now.Sub(e.at) < recentFor {
			return true
		}
	}
	return false
}

// add notes that client's message with this packet id was taken.
func (r *recent) add(client string, id uint16, m *Message) {
	sum, now := r.sum(m), time.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	t := r.clients[client]
	if t == nil {
		if len(r.clients) >= recentClients {
			r.forget(now)
		}
		t = &taken{}
		r.clients[client] = t
	}
	t.last = now
	e := &t.ring[t.next]
	e.id, e.sum, e.at = id, sum, now
	t.next = (t.next + 1) % recentEach
}

// forget makes room: everyone whose memory has run out, else the client that
// has been quiet longest.
func (r *recent) forget(now time.Time) {
	var oldest string
	var at time.Time
	for id, t := range r.clients {
		if now.Sub(t.last) >= recentFor {
			delete(r.clients, id)
			continue
		}
		if at.IsZero() || t.last.Before(at) {
			oldest, at = id, t.last
		}
	}
	if len(r.clients) >= recentClients {
		delete(r.clients, oldest)
	}
}
