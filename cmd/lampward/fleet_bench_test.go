package main

import (
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// fleetBoards is how many boards BenchmarkFleet connects, if the system lets
// it open so many connections.
const fleetBoards = 10_000

// BenchmarkFleet has 10,000 boards, each with a connection and a lamp of its
// own, report to a lampward that may use one processor (GOMAXPROCS=1): one
// reading a minute each, evenly spread. Lampward runs in a process of its own,
// as it is installed. Each op is one reading; a minute is 10,000. It reports
// the share of one processor that lampward used meanwhile, its memory, and the
// time from a reading to its acknowledgement, which with QoS 1 comes once it
// is stored.
//
//	go test ./cmd/lampward -run '^$' -bench Fleet -benchtime 20000x
func BenchmarkFleet(b *testing.B) {
	if _, err := os.Stat("/proc/self/stat"); err != nil {
		b.Skip(err)
	}
	for name, c := range map[string]struct {
		qos   byte
		store string
	}{
		"qos0":           {qos: 0},
		"qos1":           {qos: 1},
		"qos1/early_ack": {qos: 1, store: "early_ack = true"},
	} {
		b.Run(name, func(b *testing.B) { fleetLoad(b, c.qos, c.store) })
	}
}

func fleetLoad(b *testing.B, qos byte, storeKeys string) {
	n := min(fleetBoards, openFiles(b)-500)
	if n < fleetBoards {
		b.Logf("the limit of open files leaves room for %d boards (ulimit -n %d)", n, fleetBoards+500)
	}
	bin := b.TempDir() + "/lampward"
	buildFor(b, bin, ".")
	var more strings.Builder
	fmt.Fprintf(&more, "%s\n[[webhook]]\nurl = \"http://127.0.0.1:1/nobody\"\n", storeKeys)
	for i := range n {
		fmt.Fprintf(&more, "[[device]]\nname = \"l%d\"\nreport_every = \"60s\"\n", i)
	}
	listen, file := fleetConfig(b, n, fmt.Sprintf("max_clients = %d", n+100), more.String())
	cmd := exec.Command(bin, "run", "-config", file)
	cmd.Env = append(os.Environ(), "GOMAXPROCS=1")
	p := startProgram(b, cmd)
	speak(b, listen, n, 5) // so that all lamps have begun to learn
	boards := make([]*fleetBoard, n)
	for i := range boards {
		boards[i] = &fleetBoard{Conn: dialRaw(b, listen, fmt.Sprintf("board%d", i)), number: i}
	}
	var listening sync.WaitGroup
	var acks ackTimes
	if qos > 0 {
		for _, x := range boards {
			listening.Go(func() { x.listen(&acks) })
		}
	}
	time.Sleep(2 * time.Second) // until what that was is over
	before := cpuOf(b, cmd.Process.Pid)
	b.ResetTimer()
	began := time.Now()
	for k := range b.N {
		// A minute for the whole fleet, whatever its size.
		time.Sleep(time.Until(began.Add(time.Duration(k) * time.Minute / time.Duration(n))))
		require.NoError(b, boards[k%n].report(qos, k))
	}
	if qos > 0 {
		acks.wait(b, b.N)
	}
	took := time.Since(began)
	b.StopTimer()
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(n), "boards")
	b.ReportMetric(float64(b.N)/took.Seconds(), "readings/s")
	b.ReportMetric(100*float64(cpuOf(b, cmd.Process.Pid)-before)/float64(took), "cpu-%")
	m := memoryOf(b, cmd.Process.Pid)
	b.ReportMetric(float64(m.all)/1024, "MB")
	b.ReportMetric(float64(m.own)/1024, "own-MB")
	if qos > 0 {
		reportPercentiles(b, acks.took)
	}
	assert.NotContains(b, p.log.String(), "level=WARN")
	assert.NotContains(b, p.log.String(), "level=ERROR")
	p.end(b)
	for _, x := range boards {
		_ = x.Close()
	}
	listening.Wait()
}

// fleetBoard is one board and its connection.
type fleetBoard struct {
	net.Conn
	number int
	sent   atomic.Int64 // when its newest reading was sent, Unix ns
}

func (x *fleetBoard) report(qos byte, k int) error {
	topic, payload := fmt.Sprintf("t/%d", x.number), fmt.Sprint(200+k*7%13)
	p := append([]byte{0x30 | qos<<1, byte(2 + len(topic) + 2*int(qos) + len(payload)), 0, byte(len(topic))}, topic...)
	if qos > 0 {
		p = append(p, 0, 1)
	}
	x.sent.Store(time.Now().UnixNano())
	_, err := x.Write(append(p, payload...))
	return err
}

// listen takes the acknowledgements until the connection ends.
func (x *fleetBoard) listen(acks *ackTimes) {
	puback := make([]byte, 4)
	for {
		if _, err := io.ReadFull(x, puback); err != nil || puback[0] != 0x40 {
			return
		}
		acks.add(time.Duration(time.Now().UnixNano() - x.sent.Load()))
	}
}

// ackTimes are the times that acknowledgements took.
type ackTimes struct {
	mu   sync.Mutex
	took []time.Duration
}

func (a *ackTimes) add(d time.Duration) {
	a.mu.Lock()
	a.took = append(a.took, d)
	a.mu.Unlock()
}

// wait waits until n have come.
func (a *ackTimes) wait(b *testing.B, n int) {
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(time.Millisecond) { // a benchmark may wait
		a.mu.Lock()
		have := len(a.took)
		a.mu.Unlock()
		if have == n {
			return
		}
		if time.Now().After(deadline) {
			b.Fatalf("%d of %d readings were acknowledged", have, n)
		}
	}
}

// cpuOf is the processor time that a process has used.
func cpuOf(b *testing.B, pid int) time.Duration {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	require.NoError(b, err)
	_, rest, ok := strings.Cut(string(text), ") ") // the name may hold anything
	require.True(b, ok)
	f := strings.Fields(rest)
	var user, system int64
	_, err = fmt.Sscan(f[11]+" "+f[12], &user, &system)
	require.NoError(b, err)
	return time.Duration(user+system) * 10 * time.Millisecond // USER_HZ is 100
}
