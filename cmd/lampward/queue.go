package main

import (
	"context"
	"slices"
	"sync"
	"time"

	"lampward/broker"
	"lampward/rules"
)

// A job is what other goroutines ask of the loop, besides stepping inputs.
type job struct {
	at     time.Time            // engine time of its making: a loop that was held up must not see it late
	link   *broker.Link         // news of a client, kept until it matters
	client string               // MQTT client that sent inputs
	look   func(*rules.Machine) // called by the loop between steps
	// done, if not nil, gets nil once the inputs are durable, or why they were
	// refused. It has room for one.
	done chan<- error
}

// entry is a job with its inputs, whose At the loop fills in.
type entry struct {
	job
	inputs []rules.Input
}

// queueLimit is how many jobs, or inputs, wait for the loop before who brings
// more has to wait: about half a megabyte.
const queueLimit = 2048

// queue holds the jobs that wait for the loop, in the order they came. The
// loop takes all of them at once: under load that costs far less than a
// channel, which wakes it for each.
type queue struct {
	more  chan struct{} // has one token whenever a job came to an empty queue
	limit int

	mu     sync.Mutex
	jobs   []entry
	inputs []rules.Input // of all jobs, so that a reading allocates nothing
	line   []waiter      // those who wait for room, first come first served
	called waiters       // those of them who were let in and have not come yet

	spare struct { // what take gave last, to be used again
		jobs   []entry
		inputs []rules.Input
	}
}

// waiter waits for room.
type waiter struct {
	turn   chan struct{} // closed when there is
	inputs int
}

// waiters are some, and all their inputs.
type waiters struct{ n, inputs int }

func newQueue(limit int) *queue { return &queue{more: make(chan struct{}, 1), limit: limit} }

// put appends a job. While the queue is full it waits, at most until ctx ends:
// who is faster than the loop is slowed down here.
func (q *queue) put(ctx context.Context, j job, inputs []rules.Input) error {
	q.mu.Lock()
	if q.full() { // it always is while there is a line
		w := waiter{make(chan struct{}), len(inputs)}
		q.line = append(q.line, w)
		q.mu.Unlock()
		select {
		case <-w.turn:
			q.mu.Lock()
			q.came(w)
		case <-ctx.Done():
			q.leave(w)
			return ctx.Err()
		}
	}
	from := len(q.inputs)
	q.inputs = append(q.inputs, inputs...) // jobs before keep theirs, should it move
	q.jobs = append(q.jobs, entry{j, q.inputs[from:len(q.inputs):len(q.inputs)]})
	first := len(q.jobs) == 1
	q.mu.Unlock()
	if first {
		select {
		case q.more <- struct{}{}:
		default:
		}
	}
	return nil
}

// full is false for an empty queue, whatever the size of a job: q.mu is held.
func (q *queue) full() bool {
	return len(q.jobs)+q.called.n >= q.limit || len(q.inputs)+q.called.inputs >= q.limit
}

// call lets in those of the line for whom there is room: q.mu is held.
func (q *queue) call() {
	for len(q.line) > 0 && !q.full() {
		w := q.line[0]
		q.line = q.line[1:]
		q.called.n++
		q.called.inputs += w.inputs
		close(w.turn)
	}
}

// came takes note that one who was called is there: q.mu is held.
func (q *queue) came(w waiter) {
	q.called.n--
	q.called.inputs -= w.inputs
}

// leave takes one out of the line who does not want to wait any longer.
func (q *queue) leave(w waiter) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if i := slices.Index(q.line, w); i >= 0 {
		q.line = slices.Delete(q.line, i, i+1)
		return
	}
	q.came(w) // it had been called already
	q.call()
}

// take empties the queue. What it returns is good until the next take.
func (q *queue) take() []entry {
	q.mu.Lock()
	defer q.mu.Unlock()
	jobs, inputs := q.jobs, q.inputs
	clear(q.spare.jobs) // lets go of what they point to
	clear(q.spare.inputs)
	q.jobs, q.inputs = q.spare.jobs[:0], q.spare.inputs[:0]
	q.spare.jobs, q.spare.inputs = jobs, inputs
	if cap(inputs) > 2*q.limit { // one huge job is no reason to keep so much
		q.spare.inputs = nil
	}
	q.call()
	return jobs
}

// len is how many jobs wait, those included that wait for room.
func (q *queue) len() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.jobs) + len(q.line) + q.called.n
}
