package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker/brokertest"
)

// smallDisk mounts a disk of so many bytes; it needs root on Linux, and the
// test is skipped where that cannot be had.
func smallDisk(t *testing.T, size int) (dir string, remount func(how string)) {
	dir = t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size="+strconv.Itoa(size), "tmpfs", dir).CombinedOutput(); err != nil {
		t.Skipf("no disk of our own: %v: %s", err, out)
	}
	t.Cleanup(func() { _ = exec.Command("umount", dir).Run() })
	return dir, func(how string) {
		out, err := exec.Command("mount", "-o", "remount,"+how, dir).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
}

// diskBlock is how many readings of one level come in a row: on a disk in
// memory, fewer take less time than the shortest delay.
const diskBlock = 200

// diskBoard publishes blocks of dark and lit readings, each until it is
// acknowledged; see board.
type diskBoard struct {
	t      *testing.T
	listen string
	c      mqtt.Client
	n      int
	blocks int
	denied int
}

var errRefused = errors.New("refused")

// say publishes one reading once.
func (b *diskBoard) say() error {
	if b.c == nil || !b.c.IsConnectionOpen() {
		o := mqtt.NewClientOptions().AddBroker("tcp://" + b.listen).SetClientID("b").SetAutoReconnect(false).SetConnectTimeout(time.Second)
		b.c = mqtt.NewClient(o)
		if t := b.c.Connect(); !t.WaitTimeout(2*time.Second) || t.Error() != nil {
			b.c = nil
			return errRefused
		}
	}
	count := []int{200, 800}[b.blocks%2] + b.n%7
	if settled(b.c.Publish("t", 1, false, strconv.Itoa(count)), b.c) != nil {
		b.c.Disconnect(0)
		b.c = nil
		b.denied++
		return errRefused
	}
	if b.n++; b.n == diskBlock {
		b.n, b.blocks = 0, b.blocks+1
	}
	return nil
}

// block goes on until another block is acknowledged.
func (b *diskBoard) block() {
	limit := time.Now().Add(time.Minute)
	for want := b.blocks + 1; b.blocks < want; {
		if b.say() != nil {
			require.True(b.t, time.Now().Before(limit), "readings are refused for good")
			<-time.After(20 * time.Millisecond)
		}
	}
}

// The real daemon on a real disk that fills up, is freed, becomes read-only
// and writable again, many times over, and is restarted full: readings are
// refused meanwhile, and no change that was acknowledged is lost or told
// twice.
func TestRealDiskFullAndReadOnly(t *testing.T) {
	rounds := 2
	if inLab() {
		rounds = 25
	}
	if shortLab() {
		rounds = 6
	}
	dir, remount := smallDisk(t, 4<<20)
	receiver := newPhone(t)
	listen := brokertest.FreeAddress(t)
	file := writeFile(t, "lampward.toml", quickConfig(listen, filepath.Join(dir, "db"), "t", receiver.URL))
	p := startProcess(t, "run", file, listen)
	b := &diskBoard{t: t, listen: listen}
	b.block()
	b.block()
	ballast := filepath.Join(dir, "ballast")
	fill := func() {
		f, err := os.Create(ballast)
		require.NoError(t, err)
		for chunk := 64 << 10; chunk > 0; {
			if _, err := f.Write(make([]byte, chunk)); err != nil {
				chunk /= 4
			}
		}
		require.NoError(t, f.Close())
	}
	refused := func() (n int) {
		for range 4 {
			if b.say() != nil {
				n++
			}
		}
		return n
	}
	full, readOnly, restarts := 0, 0, 0
	for round := range rounds {
		fill()
		// Some room may be left within the database's own files.
		for range 2000 {
			if b.say() != nil {
				break
			}
		}
		n := refused()
		assert.Positive(t, n, "readings were acknowledged on a full disk")
		full += n
		if round%3 == 1 { // killed while full
			p.kill()
			restarts++
			p2, err := tryStart(t, file)
			if err != nil {
				t.Logf("on a full disk it does not start: %v", err)
				assert.Contains(t, err.Error(), "is full")
				require.NoError(t, os.Remove(ballast))
				p = startProcess(t, "run", file, listen)
			} else {
				p = p2
			}
		}
		_ = os.Remove(ballast)
		b.block()
		b.block()

		// A disk with files open for writing cannot be made read-only.
		p.kill()
		restarts++
		remount("ro")
		_, err := tryStart(t, file)
		require.Error(t, err, "started on a read-only disk")
		assert.Contains(t, err.Error(), "read-only")
		readOnly++
		remount("rw")
		p = startProcess(t, "run", file, listen)
		b.block()
	}
	changes := b.blocks - 1
	told := func(all []alert) (kinds []string) {
		seen := map[string]bool{}
		for _, a := range all {
			if !seen[a.ID] && (a.Data.Kind == "lit" || a.Data.Kind == "dark") {
				kinds = append(kinds, a.Data.Kind)
			}
			seen[a.ID] = true
		}
		return kinds
	}
	limit := time.After(30 * time.Second)
	for waiting := true; waiting && len(told(receiver.all())) < changes; {
		select {
		case <-receiver.more:
		case <-limit:
			waiting = false
		}
	}
	if b.c != nil {
		b.c.Disconnect(0)
	}
	require.Zero(t, p.terminate(t), "%s", p.log)
	kinds := told(receiver.all())
	for i, k := range kinds {
		assert.Equal(t, []string{"lit", "dark"}[i%2], k, "change %d", i)
	}
	assert.Equal(t, changes, len(kinds))
	t.Logf("%d rounds: %d readings refused on a full disk, %d starts refused on a read-only one, %d kills; %d changes acknowledged, %d told",
		rounds, full, readOnly, restarts, changes, len(kinds))
}

// tryStart starts lampward and returns what it said if it ended by itself.
func tryStart(t *testing.T, file string) (*daemonProcess, error) {
	p := &daemonProcess{cmd: exec.Command(os.Args[0], "run", "-config", file), log: &logBuffer{more: make(chan struct{}, 1)}, done: make(chan error, 1)}
	p.cmd.Env = append(os.Environ(), childEnv+"=run")
	p.cmd.Stderr = p.log
	require.NoError(t, p.cmd.Start())
	go func() { p.done <- p.cmd.Wait() }()
	for !strings.Contains(p.log.String(), "msg=ready") {
		select {
		case <-p.log.more:
		case <-p.done:
			return nil, errors.New(p.log.String())
		}
	}
	return p, nil
}
