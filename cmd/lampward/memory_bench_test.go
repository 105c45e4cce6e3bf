package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/broker/brokertest"
)

// BenchmarkIdle compares, in one run, the resident memory of lampward as it is
// installed with that of a program that holds the bare broker library and an
// open SQLite database, each in a process of its own (Linux): without lamps to
// speak of, and with 1,000 lamps that all have spoken, restarted and left
// alone. Each op is one whole round.
//
//	go test ./cmd/lampward -run '^$' -bench Idle -benchtime 1x
func BenchmarkIdle(b *testing.B) {
	if _, err := os.Stat("/proc/self/status"); err != nil {
		b.Skip(err)
	}
	bin := b.TempDir()
	bare, lampward := filepath.Join(bin, "bare"), filepath.Join(bin, "lampward")
	buildFor(b, bare, "./testdata/bare")
	buildFor(b, lampward, ".")
	var base, one, busy, thousand resident
	for range b.N {
		base = idle(b, exec.Command(bare, filepath.Join(b.TempDir(), "bare.db"), brokertest.FreeAddress(b)))
		_, file := fleetConfig(b, 1, "", "")
		one = idle(b, exec.Command(lampward, "run", "-config", file))
		listen, file := fleetConfig(b, 1000, "", "")
		p := startProgram(b, exec.Command(lampward, "run", "-config", file))
		speak(b, listen, 1000, 120)
		busy = atRest(b, p)
		p.end(b)
		thousand = idle(b, exec.Command(lampward, "run", "-config", file))
	}
	b.ReportMetric(0, "ns/op")
	for _, x := range []struct {
		name string
		resident
	}{{"bare", base}, {"lamps=1", one}, {"lamps=1000", thousand}, {"after-120000-readings", busy}} {
		b.ReportMetric(float64(x.all)/1024, x.name+"-MB")
		b.ReportMetric(float64(x.own)/1024, x.name+"-own-MB")
	}
	b.ReportMetric(float64(thousand.all)/float64(base.all), "ratio")
}

// buildFor builds a program as it is released.
func buildFor(b *testing.B, to, pkg string) {
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", to, pkg)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	out, err := cmd.CombinedOutput()
	require.NoError(b, err, "%s", out)
}

// fleetConfig writes a configuration of n lamps, with more keys for [broker]
// and, at its end, for [store] and other tables, and returns where its broker
// listens.
func fleetConfig(b *testing.B, n int, broker, more string) (listen, file string) {
	listen = brokertest.FreeAddress(b)
	var text strings.Builder
	fmt.Fprintf(&text, "[broker]\nlisten = %q\n%s\n[page]\nlisten = %q\n", listen, broker, brokertest.FreeAddress(b))
	for i := range n {
		fmt.Fprintf(&text, "[[lamp]]\nname = \"l%d\"\ntopic = \"t/%d\"\n", i, i)
	}
	fmt.Fprintf(&text, "[store]\ndir = %q\n%s", b.TempDir(), more)
	return listen, writeFile(b, "lampward.toml", text.String())
}

// program runs, and says "ready" on standard error.
type program struct {
	cmd  *exec.Cmd
	in   io.Closer
	log  *logBuffer
	done chan error
}

func startProgram(b *testing.B, cmd *exec.Cmd) *program {
	in, err := cmd.StdinPipe()
	require.NoError(b, err)
	p := &program{cmd: cmd, in: in, log: &logBuffer{more: make(chan struct{}, 1)}, done: make(chan error, 1)}
	cmd.Stderr = p.log
	require.NoError(b, cmd.Start())
	go func() { p.done <- cmd.Wait() }()
	for !strings.Contains(p.log.String(), "ready") {
		select {
		case <-p.log.more:
		case err := <-p.done:
			b.Fatalf("%s ended: %v\n%s", cmd.Path, err, p.log)
		}
	}
	return p
}

// end stops the program and waits for it.
func (p *program) end(b *testing.B) {
	_ = p.in.Close()
	_ = p.cmd.Process.Signal(os.Interrupt)
	err := <-p.done
	if err != nil && filepath.Base(p.cmd.Path) != "bare" { // which dies of the signal
		b.Fatalf("%s: %v\n%s", p.cmd.Path, err, p.log)
	}
}

// resident is memory in KiB.
type resident struct {
	all int64 // VmRSS: pages of the program file included, which the system can drop
	own int64 // RssAnon: what only the process itself can give back
}

// idle starts a program, leaves it alone for a while, and tells its memory.
func idle(b *testing.B, cmd *exec.Cmd) resident {
	p := startProgram(b, cmd)
	defer p.end(b)
	return atRest(b, p)
}

func atRest(b *testing.B, p *program) resident {
	time.Sleep(5 * time.Second) // a benchmark may wait
	return memoryOf(b, p.cmd.Process.Pid)
}

func memoryOf(b *testing.B, pid int) (r resident) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(b, err)
	for line := range bytes.Lines(text) {
		_, _ = fmt.Sscanf(string(line), "VmRSS: %d kB", &r.all)
		_, _ = fmt.Sscanf(string(line), "RssAnon: %d kB", &r.own)
	}
	require.Positive(b, r.all)
	return r
}

// speak publishes rounds readings for each of n lamps over one connection,
// with QoS 1.
func speak(b *testing.B, listen string, n, rounds int) {
	c := dialRaw(b, listen, "boards")
	defer c.Close()
	var writing sync.WaitGroup
	writing.Go(func() { // acknowledgements are not waited for one by one
		var out bytes.Buffer
		for k := range rounds {
			for i := range n {
				topic, payload := fmt.Sprintf("t/%d", i), fmt.Sprint(200+(k*7+i)%13)
				out.Write([]byte{0x32, byte(4 + len(topic) + len(payload)), 0, byte(len(topic))})
				out.WriteString(topic)
				id := 1 + i
				out.Write([]byte{byte(id >> 8), byte(id)})
				out.WriteString(payload)
			}
			if _, err := out.WriteTo(c); err != nil {
				return
			}
		}
	})
	_, err := io.ReadFull(c, make([]byte, 4*n*rounds))
	require.NoError(b, err)
	writing.Wait()
}
