package rules

import (
	"container/heap"
	"time"
)

// deadlines keeps the deadline of each numbered part and knows the earliest;
// of equal ones the lowest number comes first, so that order never depends on
// history.
type deadlines struct {
	times []time.Time // by part; meaningful where place[part] >= 0
	place []int       // by part: index in heap, or -1
	heap  []int       // part numbers
}

// reset makes room for n parts, none of which has a deadline.
func (d *deadlines) reset(n int) {
	d.times = append(d.times[:0], make([]time.Time, n)...)
	d.place = append(d.place[:0], make([]int, n)...)
	d.heap = d.heap[:0]
	for i := range d.place {
		d.place[i] = -1
	}
}

// set makes at the deadline of part, or leaves it with none if ok is false.
func (d *deadlines) set(part int, at time.Time, ok bool) {
	i := d.place[part]
	switch {
	case !ok && i < 0:
	case !ok:
		heap.Remove((*dueHeap)(d), i)
	case i < 0:
		d.times[part] = at
		d.place[part] = len(d.heap)
		d.heap = append(d.heap, part)
		heap.Fix((*dueHeap)(d), len(d.heap)-1)
	case !d.times[part].Equal(at):
		d.times[part] = at
		heap.Fix((*dueHeap)(d), i)
	}
}

func (d *deadlines) first() (time.Time, bool) {
	if len(d.heap) == 0 {
		return time.Time{}, false
	}
	return d.times[d.heap[0]], true
}

func (d *deadlines) firstIndex() int { return d.heap[0] }

// dueHeap is the view of deadlines that container/heap orders.
type dueHeap deadlines

func (h *dueHeap) Len() int { return len(h.heap) }

func (h *dueHeap) Less(i, j int) bool {
	a, b := h.heap[i], h.heap[j]
	if c := h.times[a].Compare(h.times[b]); c != 0 {
		return c < 0
	}
	return a < b
}

func (h *dueHeap) Swap(i, j int) {
	h.heap[i], h.heap[j] = h.heap[j], h.heap[i]
	h.place[h.heap[i]], h.place[h.heap[j]] = i, j
}

// Push is never called: set appends by itself, for heap.Push would box the
// part number in an interface.
func (h *dueHeap) Push(any) { panic("rules: deadlines: Push is not used") }

func (h *dueHeap) Pop() any {
	last := len(h.heap) - 1
	h.place[h.heap[last]] = -1
	h.heap = h.heap[:last]
	return nil
}
