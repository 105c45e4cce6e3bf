package learn

import (
	"math/rand/v2"
	"testing"
	"time"
)

var t0 = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// square feeds a lamp that is lit in every other block of n readings and
// gives the announced states.
func square(l *Learner, blocks, n int, dark, step, noise float64) []State {
	r := rand.New(rand.NewPCG(1, 2))
	var got []State
	at := t0
	for b := range blocks {
		for range n {
			v := l.Observe(at, dark+float64(b%2)*step+noise*r.NormFloat64())
			if v.Changed {
				got = append(got, v.State)
			}
			at = at.Add(time.Minute)
		}
	}
	return got
}

func TestSquare(t *testing.T) {
	got := square(New(Config{}), 8, 200, 300, 380, 6)
	want := []State{Lit, Dark, Lit, Dark, Lit, Dark, Lit}
	if len(got) != len(want) {
		t.Fatalf("announced %v, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Fatalf("announced %v, want %v", got, want)
		}
	}
}

func TestSnapshotRoundTrip(t *testing.T) {
	l := New(Config{LitLower: true, OnDelay: time.Minute})
	square(l, 5, 100, 600, -300, 5)
	b, err := l.MarshalBinary()
	if err != nil || len(b) >= 8000 {
		t.Fatalf("%d bytes, %v", len(b), err)
	}
	m := New(Config{})
	if err := m.UnmarshalBinary(b); err != nil {
		t.Fatal(err)
	}
	if *l != *m {
		t.Fatal("round trip changed the learner")
	}
	for i := range b {
		c := append([]byte(nil), b...)
		c[i] ^= 0x40
		if m.UnmarshalBinary(c) == nil {
			t.Fatalf("damage in byte %d went unnoticed", i)
		}
	}
}
