package main

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker/brokertest"
)

// TestCrash kills the daemon at random moments under load. Every state change
// whose readings were acknowledged must arrive at the receiver at least once,
// and under one id. LAMPWARD_KILLS sets the number of kills.
func TestCrash(t *testing.T) {
	kills := 8
	if s := os.Getenv("LAMPWARD_KILLS"); s != "" {
		var err error
		kills, err = strconv.Atoi(s)
		require.NoError(t, err)
	}
	r := crash(t, "run", kills)
	t.Logf("%d kills, %d acknowledged readings, %d changes, %d webhooks of %d ids", kills, r.acked, r.changes, r.hooks, r.ids)
	assert.Greater(t, r.changes, 3*kills, "too few changes to prove anything")
	assert.Empty(t, r.faults)
}

// The control: a daemon that acknowledges readings before they are stored must
// be found out.
func TestCrashControl(t *testing.T) {
	r := crash(t, "early-ack", 8)
	assert.NotEmpty(t, r.faults, "acknowledging too early lost nothing in %d changes", r.changes)
}

type crashResult struct {
	acked, changes, hooks, ids int
	faults                     []string
}

const (
	crashLamps = 6
	crashBlock = 30 // readings of one level in a row: long enough not to look like blinking
)

func crash(t *testing.T, mode string, kills int) crashResult {
	receiver := newPhone(t)
	listen := brokertest.FreeAddress(t)
	text := fmt.Sprintf("[broker]\nlisten = %q\n[store]\ndir = %q\n[page]\nlisten = \"\"\n[log]\nlevel = \"error\"\n[[webhook]]\nurl = %q\n",
		listen, t.TempDir(), receiver.URL)
	for i := range crashLamps {
		text += fmt.Sprintf("[[lamp]]\nname = \"l%d\"\ntopic = \"t/%d\"\non_above = 600\noff_below = 400\non_delay = \"1ms\"\noff_delay = \"1ms\"\n", i, i)
	}
	file := writeFile(t, "lampward.toml", text)

	p := startProcess(t, mode, file, listen)
	stop := make(chan struct{})
	var acked atomic.Int64
	blocks := make([]int, crashLamps) // whole blocks acknowledged, by lamp
	var boards sync.WaitGroup
	for i := range crashLamps {
		ahead := 1
		if i%2 == 1 {
			ahead = crashBlock / 2
		}
		boards.Go(func() { blocks[i] = board(i, listen, ahead, stop, &acked) })
	}
	rng := rand.New(rand.NewPCG(uint64(kills), 5))
	for k := range kills {
		if k%4 == 0 { // whatever it is at, starting included
			<-time.After(time.Duration(20+rng.IntN(150)) * time.Millisecond)
		} else { // after some work, however slow the machine is
			progress(t, &acked, int64(100+rng.IntN(400)))
			<-time.After(time.Duration(rng.IntN(5000)) * time.Microsecond)
		}
		p.kill()
		p = startProcess(t, mode, file, listen)
	}
	close(stop)
	boards.Wait()

	r := crashResult{acked: int(acked.Load())}
	// The first block is dark, which is no change.
	for _, n := range blocks {
		r.changes += n - 1
	}
	// The control may have lost some for good, so wait for quiet rather than
	// for all: a clean stop drains what is due.
	receiver.drained(t, r.changes)
	require.Zero(t, p.terminate(t), "%s", p.log)

	kinds := map[string][]string{} // by lamp, in order of first arrival
	seen := map[string]bool{}
	for _, a := range receiver.all() {
		r.hooks++
		if !seen[a.ID] {
			seen[a.ID] = true
			kinds[a.Data.Lamp] = append(kinds[a.Data.Lamp], a.Data.Kind)
		}
	}
	r.ids = len(seen)
	for i, n := range blocks {
		lamp := fmt.Sprintf("l%d", i)
		got := kinds[lamp]
		for j, k := range got {
			if want := []string{"lit", "dark"}[j%2]; k != want {
				r.faults = append(r.faults, fmt.Sprintf("%s: alert %d is %s, not %s: one was lost or came twice", lamp, j, k, want))
				break
			}
		}
		// One more than the acknowledged ones may have come of a block that was
		// cut short.
		if len(got) < n-1 || len(got) > n {
			r.faults = append(r.faults, fmt.Sprintf("%s: %d alerts for %d acknowledged changes: %s", lamp, len(got), n-1, strings.Join(got, " ")))
		}
	}
	return r
}

// progress waits until n more readings have been acknowledged.
func progress(t testing.TB, acked *atomic.Int64, n int64) {
	began, until := acked.Load(), time.Now().Add(2*time.Minute)
	for acked.Load() < began+n {
		require.True(t, time.Now().Before(until), "%d readings were acknowledged in two minutes", acked.Load()-began)
		<-time.After(time.Millisecond)
	}
}

// drained waits until n different ids have arrived, or nothing new has for a
// while.
func (p *phone) drained(t testing.TB, n int) {
	ids := func() int {
		seen := map[string]bool{}
		for _, a := range p.all() {
			seen[a.ID] = true
		}
		return len(seen)
	}
	for ids() < n {
		select {
		case <-p.more:
		case <-time.After(5 * time.Second):
			return
		}
	}
}

// board publishes blocks of readings, dark and lit in turn, each reading again
// until it is acknowledged; so many are under way at once. It returns the
// number of whole blocks.
func board(i int, listen string, ahead int, stop chan struct{}, acked *atomic.Int64) (blocks int) {
	var c mqtt.Client
	defer func() {
		if c != nil {
			c.Disconnect(0)
		}
	}()
	// some publishes readings of a block, and returns how many of them, from
	// the first, were acknowledged.
	some := func(counts []string) (n int) {
		if c == nil || !c.IsConnectionOpen() {
			o := mqtt.NewClientOptions().AddBroker("tcp://" + listen).SetClientID(fmt.Sprintf("b%d", i)).
				SetAutoReconnect(false).SetConnectTimeout(time.Second).SetWriteTimeout(time.Second)
			c = mqtt.NewClient(o)
			if t := c.Connect(); !t.WaitTimeout(2*time.Second) || t.Error() != nil {
				c = nil
				return 0
			}
		}
		var tokens []mqtt.Token
		for _, count := range counts {
			tokens = append(tokens, c.Publish(fmt.Sprintf("t/%d", i), 1, false, count))
		}
		for _, t := range tokens {
			if settled(t, c) != nil {
				c.Disconnect(0)
				c = nil
				return n
			}
			acked.Add(1)
			n++
		}
		return n
	}
	for {
		var counts []string
		for n := range crashBlock {
			counts = append(counts, strconv.Itoa([]int{200, 800}[blocks%2]+n%7))
		}
		for len(counts) > 0 {
			n := some(counts[:min(ahead, len(counts))])
			if counts = counts[n:]; n > 0 && ahead > 1 {
				<-time.After(2 * time.Millisecond) // a block lasts longer than the debounce
			}
			if n > 0 {
				continue
			}
			select {
			case <-stop:
				return blocks
			case <-time.After(3 * time.Millisecond):
			}
		}
		blocks++
		select {
		case <-stop:
			return blocks
		default:
		}
	}
}

// settled waits for an acknowledgement or the loss of the connection.
func settled(t mqtt.Token, c mqtt.Client) error {
	for !t.WaitTimeout(50 * time.Millisecond) {
		if !c.IsConnectionOpen() {
			return errors.New("connection lost")
		}
	}
	return t.Error()
}
