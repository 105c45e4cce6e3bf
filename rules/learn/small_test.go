package learn

import (
	"math/rand/v2"
	"testing"
	"time"
)

// A small lamp that shines at the same two hours every day is believed; edges
// all over the daylight and never at night count for less than those of all hours.
func TestFixedHours(t *testing.T) {
	evidence := func(hour func(i int) int) float64 {
		r := rand.New(rand.NewPCG(1, 2))
		e := edges{}
		for i := range 12 {
			size := 26 + 3*r.NormFloat64()
			if i%2 == 1 {
				size = -size
			}
			e.record(edge{At: int64(i/2)*dayMS + int64(hour(i))*3_600_000, Size: size, SD: 6, From: 200})
		}
		ev, _, _ := e.evidence(26, 144)
		return ev
	}
	fixed := evidence(func(i int) int { return 6 + 2*(i%2) })
	daylight := evidence(func(i int) int { return 8 + 7*i%10 })
	all := evidence(func(i int) int { return 7 * i % 24 })
	if fixed < 3 {
		t.Errorf("evidence for a lamp of fixed hours %.1f", fixed)
	}
	if daylight > all-3 {
		t.Errorf("evidence for edges by day %.1f, at all hours %.1f", daylight, all)
	}
}

// The hours before a fall were lit, unless the lamp was seen to rise before.
func TestHoursBeforeAFall(t *testing.T) {
	for rose, kept := range map[bool]bool{false: true, true: false} {
		f := feed(Config{}, time.Minute, 6)
		f.read(120, flat(200), 1)
		at := f.at.UnixMilli()
		if rose {
			f.l.c.Edges.record(edge{At: at - 3_600_000, Size: 24, SD: 6, From: 200})
		}
		f.l.adoptFirst(edge{At: at, Size: -26, SD: 6, From: 226}, at, 8)
		if got := f.l.c.Hours.at(t0.UnixMilli()).Minutes > 0; got != kept {
			t.Errorf("rose %v: hours kept %v, want %v", rose, got, kept)
		}
	}
}
