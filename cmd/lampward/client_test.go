package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/page"
	"lampward/rules"
)

// command runs one command line and returns what it printed.
func runMain(ctx context.Context, args ...string) (code int, out, errOut string) {
	var o, e bytes.Buffer
	code = Main(ctx, args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

func TestClientCommands(t *testing.T) {
	c := newCellar(t, "")
	c.history(9)
	ctx := t.Context()
	do := func(args ...string) string {
		t.Helper()
		code, out, errOut := runMain(ctx, append(args, "-url", c.url)...)
		require.Equal(t, exitOK, code, "%v: %s", args, errOut)
		return out
	}
	out := do("status")
	assert.Contains(t, out, "tank")
	assert.NotContains(t, out, "\x1b")
	var st page.Status
	require.NoError(t, json.Unmarshal([]byte(do("status", "-json")), &st))
	assert.Len(t, st.Lamps, 4)
	assert.Contains(t, do("shelve", "tank", "-for", "2h"), "nothing is sent about it for 2 h.")
	alarm := func() (a rules.AlarmStatus) {
		require.NoError(t, c.d.do(ctx, job{look: func(m *rules.Machine) { a, _ = m.LampAlarm("tank") }}))
		return a
	}
	assert.Equal(t, rules.AlarmShelved, alarm().State)
	assert.Contains(t, do("shelve", "-end", "tank"), "no longer shelved")
	assert.NotEqual(t, rules.AlarmShelved, alarm().State)
	assert.Contains(t, do("teach", "tank", "lit"), "noted that it is lit")
	assert.Contains(t, do("ack", "tank"), "tank: ")
	assert.Contains(t, do("battery", "changed", "freezer"), "fresh battery noted")
	history := do("history", "freezer", "-board", "-limit", "1")
	assert.Contains(t, history, "battery changed")
	assert.Contains(t, do("history", "-kind", "shelved"), "shelved for 2 h")
	assert.Contains(t, do("aim", "tank", "-once"), "dark")

	for _, x := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"ack"}, exitUsage, "usage: lampward ack NAME"},
		{[]string{"ack", "nobody"}, exitFailed, `there is no lamp or board "nobody"`},
		{[]string{"teach", "tank", "blinking"}, exitUsage, "neither lit nor dark"},
		{[]string{"shelve", "tank", "-for", "soon"}, exitFailed, "for must be a time"},
		{[]string{"battery", "full", "tank"}, exitUsage, "battery changed"},
		{[]string{"aim", "nobody"}, exitFailed, "There is no lamp"},
		{[]string{"history", "-limit", "-3"}, exitFailed, "whole number"},
	} {
		code, _, errOut := runMain(ctx, append(x.args, "-url", c.url)...)
		assert.Equal(t, x.code, code, x.args)
		assert.Contains(t, errOut, x.want)
	}
	code, _, errOut := runMain(ctx, "status", "-url", "http://"+freeAddress(t))
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errOut, "does not answer")
}

// syncBuffer collects what a command prints while it runs.
type syncBuffer struct {
	mu   sync.Mutex
	b    bytes.Buffer
	more chan struct{}
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	select {
	case s.more <- struct{}{}:
	default:
	}
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// Aim prints each reading as it comes over MQTT.
func TestClientAimIsLive(t *testing.T) {
	c := newCellar(t, "")
	c.history(1)
	ctx, stop := context.WithCancel(t.Context())
	out := &syncBuffer{more: make(chan struct{}, 1)}
	done := make(chan int, 1)
	go func() { done <- Main(ctx, []string{"aim", "tank", "-url", c.url}, strings.NewReader(""), out, out) }()
	<-out.more
	c.publish("tank", 777)
	for !strings.Contains(out.String(), "777") {
		select {
		case <-out.more:
		case code := <-done:
			t.Fatalf("ended with %d: %s", code, out)
		}
	}
	stop()
	assert.Equal(t, exitOK, <-done, out)
}

// With people on the page, commands on the same machine show the token that
// the daemon left in its store; others log in.
func TestClientLogsIn(t *testing.T) {
	hash, err := broker.HashPassword("correct horse")
	require.NoError(t, err)
	c := newCellar(t, fmt.Sprintf("[[person]]\nname = \"ann\"\npassword_hash = %q\n", hash))
	config := func(dir string) string {
		return writeFile(t, "lampward.toml", fmt.Sprintf("[store]\ndir = %q\n[page]\nlisten = %q\n[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n", dir, c.at.page))
	}
	code, out, errOut := runMain(t.Context(), "status", "-config", config(c.d.cfg.Store.Dir))
	require.Equal(t, exitOK, code, errOut)
	assert.Contains(t, out, "tank")
	code, _, errOut = runMain(t.Context(), "status", "-config", config(filepath.Join(t.TempDir(), "another")))
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errOut, "Log in first. Run this as the user")
	code, _, errOut = runMain(t.Context(), "status", "-url", c.url, "-user", "ann")
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errOut, passwordEnv)
	t.Setenv(passwordEnv, "wrong")
	code, _, errOut = runMain(t.Context(), "status", "-url", c.url, "-user", "ann")
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errOut, "Name or password is wrong.")
	t.Setenv(passwordEnv, "correct horse")
	code, out, errOut = runMain(t.Context(), "ack", "tank", "-url", c.url, "-user", "ann")
	assert.Equal(t, exitOK, code, errOut)
	assert.Contains(t, out, "nothing to acknowledge")
}
