package notify

import (
	"context"
	"fmt"
	"sync"
	"time"

	"lampward/rules"
)

// TestResult is what became of a test message on one route.
type TestResult struct {
	Route   string
	Outcome Outcome
	Took    time.Duration
}

// OK tells whether the route accepted the message.
func (r TestResult) OK() bool { return r.Outcome.Kind == Delivered }

// String says it in one line.
func (r TestResult) String() string {
	word := "ok"
	if !r.OK() {
		word = "FAILED"
	}
	return fmt.Sprintf("%s: %s: %s (%s)", r.Route, word, r.Outcome.Note, r.Took.Round(time.Millisecond))
}

// Test sends one test message through each route at once, outside the outbox
// and without retries, and returns a result for each, in their order. wall is
// the wall time to show; zero: time.Now.
func Test(ctx context.Context, routes []Route, wall time.Time) []TestResult {
	if wall.IsZero() {
		wall = time.Now()
	}
	wall = wall.UTC()
	out := make([]TestResult, len(routes))
	var wg sync.WaitGroup
	for i, r := range routes {
		wg.Go(func() {
			began := time.Now()
			d := rules.Delivery{
				EventID: fmt.Sprintf("test-%d-%d", wall.UnixMilli(), i),
				Route:   r.Name(), Wall: wall, Due: wall,
				Event: rules.Event{
					At: wall, Kind: rules.Test, Confidence: 1,
					Text: "Test message from lampward: this way works",
					Why:  "someone asked for a test of the route " + r.Name(),
				},
			}
			out[i] = TestResult{Route: r.Name(), Outcome: r.Send(ctx, d), Took: time.Since(began)}
		})
	}
	wg.Wait()
	return out
}
