package broker

import (
	"hash/maphash"
	"sync"
	"time"
)

// recentClients is how many clients are remembered.
const recentClients = 4096

// recent remembers which messages of QoS 1 and 2 were taken of late, so that a
// sender's second copy (DUP set, same packet id, same content) is acknowledged
// without being taken twice.
type recent struct {
	seed maphash.Seed
	each int           // messages remembered per client
	keep time.Duration // how long

	mu      sync.Mutex
	clients map[string]*taken
}

type taken struct {
	ring []takenOne // grows to each, then is overwritten from its start
	next int
	last time.Time
}

type takenOne struct {
	sum uint64
	at  time.Time
	id  uint16
}

func newRecent(each int, keep time.Duration) *recent {
	return &recent{seed: maphash.MakeSeed(), each: each, keep: keep, clients: map[string]*taken{}}
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
		if e.id == id && e.sum == sum && now.Sub(e.at) < r.keep {
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
		r.clients[string([]byte(client))] = t
	}
	t.last = now
	one := takenOne{id: id, sum: sum, at: now}
	if len(t.ring) < r.each {
		t.ring = append(t.ring, one)
		return
	}
	t.ring[t.next] = one
	t.next = (t.next + 1) % r.each
}

// forget makes room: of everyone whose memory has run out, or else of some, an
// eighth at once, so that a flood of clients does not search the lot each time.
func (r *recent) forget(now time.Time) {
	for id, t := range r.clients {
		if now.Sub(t.last) >= r.keep {
			delete(r.clients, id)
		}
	}
	for id := range r.clients {
		if len(r.clients) <= recentClients*7/8 {
			return
		}
		delete(r.clients, id)
	}
}
