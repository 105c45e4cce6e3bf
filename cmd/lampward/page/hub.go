package page

import (
	"crypto/rand"
	"strconv"
	"strings"
	"sync"
)

// hub tells those who watch what changed. It keeps names only, so that a
// watcher who is slow or was away misses nothing: he is told what is new
// since the revision he has seen.
type hub struct {
	epoch string // of this run of the daemon

	mu     sync.Mutex
	rev    int64
	lamps  map[string]int64 // newest revision of each
	boards map[string]int64
	news   int64                      // newest revision with an event
	wakes  map[chan struct{}]struct{} // one for each watcher, with room for one
	closed chan struct{}
}

func newHub() *hub {
	return &hub{
		epoch: rand.Text()[:8], lamps: map[string]int64{}, boards: map[string]int64{},
		wakes: map[chan struct{}]struct{}{}, closed: make(chan struct{}),
	}
}

func (h *hub) changed(lamp, board string, news bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.rev++
	if lamp != "" {
		h.lamps[lamp] = h.rev
	}
	if board != "" {
		h.boards[board] = h.rev
	}
	if news {
		h.news = h.rev
	}
	for c := range h.wakes {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// watchersMost bounds the streams that are open at once.
const watchersMost = 100

// watch returns a channel that is sent to when something changed; ok is
// false if too many watch already. Call leave when done.
func (h *hub) watch() (wake chan struct{}, leave func(), ok bool) {
	wake = make(chan struct{}, 1)
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.wakes) >= watchersMost {
		return nil, nil, false
	}
	h.wakes[wake] = struct{}{}
	return wake, func() {
		h.mu.Lock()
		delete(h.wakes, wake)
		h.mu.Unlock()
	}, true
}

// change is what is new since a revision.
type change struct {
	rev    int64
	all    bool // the revision is unknown: everything may be new
	lamps  map[string]bool
	boards map[string]bool
	news   bool
	beat   bool // nothing is new; only time has passed
}

func (c change) none() bool {
	return !c.all && !c.news && len(c.lamps) == 0 && len(c.boards) == 0
}

func (h *hub) since(rev int64) change {
	h.mu.Lock()
	defer h.mu.Unlock()
	c := change{rev: h.rev, all: rev < 0, lamps: map[string]bool{}, boards: map[string]bool{}, news: h.news > rev}
	if rev == h.rev {
		return c
	}
	for n, r := range h.lamps {
		if r > rev {
			c.lamps[n] = true
		}
	}
	for n, r := range h.boards {
		if r > rev {
			c.boards[n] = true
		}
	}
	return c
}

// mark writes a revision for browsers; parse reads it, and gives -1 for one
// of another run.
func (h *hub) mark() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.text(h.rev)
}

func (h *hub) text(rev int64) string { return h.epoch + "-" + strconv.FormatInt(rev, 10) }

func (h *hub) parse(mark string) int64 {
	epoch, n, _ := strings.Cut(mark, "-")
	rev, err := strconv.ParseInt(n, 10, 64)
	h.mu.Lock()
	defer h.mu.Unlock()
	if epoch != h.epoch || err != nil || rev < 0 || rev > h.rev {
		return -1
	}
	return rev
}

func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	select {
	case <-h.closed:
	default:
		close(h.closed)
	}
}
