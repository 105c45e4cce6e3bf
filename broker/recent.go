package broker

import (
	"hash/maphash"
	"slices"
	"sync"
	"time"
)

// recentClients is how many clients are remembered at least.
const recentClients = 4096

// recent remembers which messages of QoS 1 and 2 were taken of late, so that a
// sender's second copy (DUP set, same packet id, same content) is acknowledged
// without being taken twice.
type recent struct {
	seed  maphash.Seed
	most  int           // clients remembered
	each  int           // messages remembered per client
	burst int           // the same, of one that sends bursts
	keep  time.Duration // how long

	mu      sync.Mutex
	clients map[string]*taken
	changed chan struct{} // closed when a fate is known; nil: nobody waits for one
}

type taken struct {
	ring []takenOne // grows to most, then is overwritten from its start
	most int
	next int
	last time.Time
}

type takenOne struct {
	sum  uint64
	at   time.Time
	id   uint16
	fate fate
}

type fate byte

const (
	awaited fate = iota // handed to the sink
	stored
	refused
)

func newRecent(clients, each, burst int, keep time.Duration) *recent {
	return &recent{seed: maphash.MakeSeed(), most: max(clients, recentClients), each: each, burst: burst, keep: keep, clients: map[string]*taken{}}
}

func (r *recent) sum(m *Message) uint64 {
	var h maphash.Hash
	h.SetSeed(r.seed)
	h.WriteString(m.Topic)
	h.WriteByte(0)
	h.Write(m.Payload)
	return h.Sum64()
}

// has tells whether client's message with this packet id was taken already. It
// waits for the fate of one that the sink has, but not once over is closed.
func (r *recent) has(client string, id uint16, m *Message, over <-chan struct{}) bool {
	sum := r.sum(m)
	for {
		known, changed := r.look(client, id, sum)
		if known || changed == nil {
			return known
		}
		select {
		case <-changed:
		case <-over:
			return false
		}
	}
}

// look tells whether a message is known to be stored; if it may yet be, changed
// tells when to look again.
func (r *recent) look(client string, id uint16, sum uint64) (known bool, changed <-chan struct{}) {
	now := time.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	t := r.clients[client]
	if t == nil {
		return false, nil
	}
	for i := range t.ring {
		e := &t.ring[i]
		switch {
		case e.id != id || e.sum != sum || e.fate != awaited && now.Sub(e.at) >= r.keep:
		case e.fate == stored:
			return true, nil
		case e.fate == awaited:
			if r.changed == nil {
				r.changed = make(chan struct{})
			}
			changed = r.changed
		}
	}
	return false, changed
}

// add notes that client's message with this packet id is being handed to the
// sink, within a burst or not. settle must follow.
func (r *recent) add(client string, id uint16, m *Message, burst bool) (sum uint64) {
	sum, now := r.sum(m), time.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	t := r.clients[client]
	if t == nil {
		if len(r.clients) >= r.most {
			r.forget(now)
		}
		t = &taken{most: r.each}
		r.clients[string([]byte(client))] = t
	}
	t.last = now
	if burst && t.most < r.burst {
		// In order of age, for the oldest to be overwritten first.
		t.ring, t.next, t.most = append(t.ring[t.next:len(t.ring):len(t.ring)], t.ring[:t.next]...), 0, r.burst
	}
	one := takenOne{id: id, sum: sum, at: now}
	if len(t.ring) < t.most {
		t.ring = append(t.ring, one)
		return sum
	}
	t.ring[t.next] = one
	t.next = (t.next + 1) % t.most
	return sum
}

// settle notes what became of a message that was added.
func (r *recent) settle(client string, id uint16, sum uint64, durable bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if t := r.clients[client]; t != nil {
		for i := range t.ring {
			if e := &t.ring[i]; e.id == id && e.sum == sum && e.fate == awaited {
				e.at = time.Now() // storing it may have taken long
				t.last = e.at
				if e.fate = refused; durable {
					e.fate = stored
				}
				break
			}
		}
	}
	if r.changed != nil {
		close(r.changed)
		r.changed = nil
	}
}

// forget makes room: of everyone whose memory has run out, or else of those
// that were heard longest ago, an eighth at once, so that a flood of clients does
// not search the lot each time. Whose message has no fate yet is kept.
func (r *recent) forget(now time.Time) {
	var rest []string
	for id, t := range r.clients {
		switch {
		case slices.ContainsFunc(t.ring, func(e takenOne) bool { return e.fate == awaited }):
		case now.Sub(t.last) >= r.keep:
			delete(r.clients, id)
		default:
			rest = append(rest, id)
		}
	}
	slices.SortFunc(rest, func(a, b string) int { return r.clients[a].last.Compare(r.clients[b].last) })
	for _, id := range rest[:min(len(rest), max(0, len(r.clients)-r.most*7/8))] {
		delete(r.clients, id)
	}
}
