package main

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/rules"
)

// months lives some weeks of a cellar with ten lamps, and returns the live heap
// after each, in bytes: readings, a change of each lamp once a day, boards that
// fall silent, boards that connect under a new name each time, payloads that
// cannot be read and topics that nobody knows. prepare may change the daemon.
func months(t *testing.T, weeks int, every time.Duration, prepare func(*daemon)) (heaps []int) {
	const lamps = 10
	text := "[[webhook]]\nurl = \"http://192.0.2.1/never-sent-in-this-test\"\n"
	for i := range lamps {
		text += fmt.Sprintf("[[lamp]]\nname = \"l%d\"\ntopic = \"t/%d\"\n", i, i)
	}
	h := newHarness(t, text)
	h.cfg.Store.EarlyAck, h.cfg.Store.Flush = true, 6*time.Hour // fewer waits for the disk
	if prepare != nil {
		prepare(h.d)
	}
	rng := rand.New(rand.NewPCG(10, 4))
	end := h.clock.Now()
	for range weeks {
		for end = end.Add(7 * 24 * time.Hour); h.clock.Now().Before(end); {
			h.clock.Advance(every)
			now := h.clock.Now()
			for i := range lamps {
				lamp := fmt.Sprint("l", i)
				hour := (now.Hour() + 3*i) % 24
				if i == 0 && now.YearDay()%5 == 0 && hour < 12 {
					continue // the board is silent
				}
				v := 220 + 6*rng.NormFloat64()
				if hour < 4 {
					v += 500
				}
				require.NoError(t, h.publish(fmt.Sprint("t/", i), fmt.Sprintf("%.0f", v)))
				if rng.IntN(50) == 0 {
					client := fmt.Sprint("board-", rng.Uint64())
					h.d.links.heard(lamp, client, now)
					h.d.links.note(broker.Link{Client: client, Word: broker.LinkLost}, now)
				}
			}
			require.NoError(t, h.publish(fmt.Sprint("stranger/", rng.Uint64()), "1"))
			require.NoError(t, h.publish("t/1", fmt.Sprint("no number ", rng.Uint64())))
			require.NoError(t, h.turn(nil))
		}
		heaps = append(heaps, heap())
	}
	return heaps
}

// notUnderRace skips a test that takes long with the race detector, which has
// nothing to find in it: it starts no goroutine, or none that TestWorld and the
// others do not.
func notUnderRace(t *testing.T) {
	t.Helper()
	if raceOn {
		t.Skip("runs without the race detector only")
	}
}

// growth compares the last third with the third before it, in bytes a week:
// the first third fills what is bounded.
func growth(heaps []int) int {
	third := len(heaps) / 3
	mean := func(h []int) (sum int) {
		for _, n := range h {
			sum += n
		}
		return sum / len(h)
	}
	last := mean(heaps[len(heaps)-third:])
	return (last - mean(heaps[len(heaps)-2*third:len(heaps)-third])) / third
}

// mostGrowth is the growth, in bytes a week, that is taken for none: 3.2 bytes
// a reading in the short form of the test. Once in several runs the process, not
// the daemon, takes some 50 kB more and keeps them, which may be in any week.
const mostGrowth = 32 << 10

// TestMemoryStaysFlat lives weeks of simulated time and looks at the live heap
// after each. With LAMPWARD_LAB=1 it is half a year of a reading a minute.
func TestMemoryStaysFlat(t *testing.T) {
	notUnderRace(t)
	weeks, every := 9, 10*time.Minute
	if inLab() && !shortLab() {
		weeks, every = 26, time.Minute
	}
	heaps := months(t, weeks, every, nil)
	t.Logf("live heap after each of %d weeks, kB: %v; growth %d B a week", weeks, kilobytes(heaps), growth(heaps))
	assert.Less(t, growth(heaps), mostGrowth)
}

// The control: a daemon that keeps one of its inputs in twenty-five is found out.
func TestMemoryStaysFlatControl(t *testing.T) {
	notUnderRace(t)
	var kept []rules.Input
	n := 0
	heaps := months(t, 6, 10*time.Minute, func(d *daemon) {
		d.tap = func(in rules.Input, _ []rules.Event) {
			if n++; n%25 == 0 {
				kept = append(kept, in)
			}
		}
	})
	t.Logf("live heap, kB: %v; growth %d B a week, %d inputs kept", kilobytes(heaps), growth(heaps), len(kept))
	assert.Greater(t, growth(heaps), mostGrowth)
}

func kilobytes(n []int) (out []int) {
	for _, b := range n {
		out = append(out, b>>10)
	}
	return out
}
