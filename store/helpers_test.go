package store

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

var day0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// openTest opens a Store in dir; a new folder if dir is empty.
func openTest(t testing.TB, dir string) *Store {
	t.Helper()
	if dir == "" {
		dir = t.TempDir()
	}
	s, err := Open(context.Background(), Options{Dir: dir, Log: quiet()})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func reading(at time.Time, lamp string, v float64) Record {
	return Record{Input: rules.Input{At: at, Kind: rules.InReading, Lamp: lamp, Device: lamp, Value: v}}
}

func alert(at time.Time, lamp string, kind rules.Kind, routes ...string) Record {
	r := reading(at, lamp, 700)
	r.Events = []rules.Event{{At: at, Kind: kind, Lamp: lamp, Value: 700, Text: lamp + " is " + string(kind), Why: "a test"}}
	var to []Target
	for _, n := range routes {
		to = append(to, Target{Route: n, Due: at})
	}
	r.Routes = [][]Target{to}
	return r
}

func appendAll(t testing.TB, s *Store, recs ...Record) int64 {
	t.Helper()
	seq, err := s.Append(context.Background(), recs, false)
	require.NoError(t, err)
	return seq
}

// partsOf gives parts to SaveSnapshot.
func partsOf(parts ...Part) func(func(Part) error) error {
	return func(fn func(Part) error) error {
		for _, p := range parts {
			if err := fn(p); err != nil {
				return err
			}
		}
		return nil
	}
}

// snapshotOf returns the newest snapshot whole.
func snapshotOf(s *Store) (seq int64, parts []Part, err error) {
	seq, err = s.LoadSnapshot(context.Background(), func(p Part) error {
		p.Data = bytes.Clone(p.Data)
		parts = append(parts, p)
		return nil
	})
	return seq, parts, err
}

// history is a random run of records, as a model of what a Store must hold.
type history struct {
	r    *rand.Rand
	now  time.Time
	recs []Record // of seq 1, 2, ...
}

func newHistory(seed uint64) *history { return &history{r: rand.New(rand.NewPCG(seed, 7)), now: day0} }

func (h *history) batch() []Record {
	var out []Record
	for range 1 + h.r.IntN(40) {
		h.now = h.now.Add(time.Duration(h.r.IntN(90_000)) * time.Millisecond)
		if h.r.IntN(500) == 0 {
			h.now = h.now.Add(time.Duration(h.r.IntN(100)) * time.Hour)
		}
		rec := Record{Input: randomInput(h.r, h.now)}
		for range h.r.IntN(12) / 10 * (1 + h.r.IntN(3)) {
			e := rules.Event{At: h.now.Add(-time.Duration(h.r.IntN(1000)) * time.Millisecond), Kind: rules.Silent, Device: "b1", Value: randomFloat(h.r), Text: "text \u2028 <&>", Since: h.now}
			rec.Events = append(rec.Events, e)
			rec.Routes = append(rec.Routes, []Target{{Route: "phone", Due: h.now}})
		}
		out = append(out, rec)
	}
	h.recs = append(h.recs, out...)
	return out
}

// check compares the stored inputs after a seq with the model.
func (h *history) check(t *testing.T, s *Store, after int64) {
	t.Helper()
	next := after + 1
	err := s.Inputs(context.Background(), after, func(seq int64, in rules.Input, events [][]byte) error {
		require.Equal(t, next, seq)
		want := h.recs[seq-1]
		sameInput(t, want.Input, in)
		require.Len(t, events, len(want.Events), "input %d", seq)
		for i, e := range want.Events {
			body, err := json.Marshal(e)
			require.NoError(t, err)
			require.Equal(t, string(body), string(events[i]))
		}
		next++
		return nil
	})
	require.NoError(t, err)
	require.Equal(t, int64(len(h.recs))+1, next, "the newest inputs are missing")
}

func isAny(err error, targets ...error) bool {
	for _, target := range targets {
		if errors.Is(err, target) {
			return true
		}
	}
	return false
}

// rounds is how often to repeat: n times, fewer under the race detector or
// with -short, at least once.
func rounds(n int) int {
	if raceOn || testing.Short() {
		return max(1, n/6)
	}
	return n
}
