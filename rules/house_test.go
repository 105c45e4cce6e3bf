package rules

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// house is a few boards that report to one Machine on simulated time.
type house struct {
	t      testing.TB
	m      *Machine
	now    time.Time
	boards []*board
	events []Event // all so far
	r      *rand.Rand
}

type board struct {
	name  string
	every time.Duration
	next  time.Time
	dead  bool
	deaf  bool // reports, but they do not get through
	volts *float64
	rssi  *float64
}

func newHouse(t testing.TB, seed uint64, cfg Config, intervals ...time.Duration) *house {
	h := &house{t: t, m: New(), now: epoch, r: rand.New(rand.NewPCG(seed, 8))}
	if len(cfg.Devices) == 0 {
		for i := range intervals {
			cfg.Devices = append(cfg.Devices, DeviceConfig{Name: fmt.Sprintf("board%d", i+1)})
		}
	}
	h.step(Input{Kind: InConfig, Config: &cfg})
	h.step(Input{Kind: InStart})
	for i, every := range intervals {
		h.boards = append(h.boards, &board{
			name: cfg.Devices[i].Name, every: every,
			next: h.now.Add(time.Duration(h.r.Int64N(int64(every))).Truncate(time.Millisecond)),
		})
	}
	return h
}

func (h *house) step(in Input) []Event {
	in.At = h.now
	got := append([]Event(nil), h.m.Step(in)...)
	for i, e := range got {
		require.False(h.t, e.At.After(h.now), "an event of the future")
		if last := len(h.events) - 1; i == 0 && last >= 0 {
			require.False(h.t, e.At.Before(h.events[last].At), "events out of order")
		}
	}
	h.events = append(h.events, got...)
	return got
}

// run lets d pass and returns the events of that time.
func (h *house) run(d time.Duration) []Event {
	from := len(h.events)
	end := h.now.Add(d)
	for {
		var b *board
		at := end
		for _, o := range h.boards {
			if !o.dead && o.next.Before(at) {
				b, at = o, o.next
			}
		}
		if due, ok := h.m.Next(); ok && due.Before(at) {
			h.now = due
			h.step(Input{Kind: InTick})
			if next, ok := h.m.Next(); ok {
				require.True(h.t, next.After(due), "a deadline that does not move on")
			}
			continue
		}
		h.now = at
		if b == nil {
			h.step(Input{Kind: InTick})
			return h.events[from:]
		}
		if !b.deaf {
			h.step(Input{Kind: InReading, Device: b.name, Volts: b.volts, RSSI: b.rssi})
		}
		jitter := time.Duration(h.r.NormFloat64() * float64(b.every) / 100)
		b.next = b.next.Add(b.every + jitter).Truncate(time.Millisecond)
	}
}

// restart makes a new Machine of the old one's snapshot, after lampward was
// down for d.
func (h *house) restart(d time.Duration) []Event {
	parts, err := h.m.Snapshot()
	require.NoError(h.t, err)
	h.m, err = Restore(parts)
	require.NoError(h.t, err)
	h.now = h.now.Add(d)
	for _, b := range h.boards {
		for b.next.Before(h.now) {
			b.next = b.next.Add(b.every)
		}
	}
	return h.step(Input{Kind: InStart})
}

func (h *house) all(set func(*board)) {
	for _, b := range h.boards {
		set(b)
	}
}

func kinds(events []Event) []Kind {
	out := []Kind{}
	for _, e := range events {
		out = append(out, e.Kind)
	}
	return out
}
