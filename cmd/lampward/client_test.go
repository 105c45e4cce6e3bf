package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/broker/brokertest"
	"lampward/cmd/lampward/config"
	"lampward/cmd/lampward/page"
	"lampward/rules"
	"lampward/store"
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
	assert.Contains(t, do("teach", "tank", "anew"), "tank: what was learned is forgotten")
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
		{[]string{"battery", "changed", "nobody"}, exitFailed, `there is no board "nobody"; boards are `},
		{[]string{"history", "nobody"}, exitFailed, `there is no lamp or board "nobody"`},
		{[]string{"history", "-kind", "escalated"}, exitOK, "no such event"},
		{[]string{"history", "-kind", "nonsense"}, exitFailed, `no kind "nonsense" of event; kinds are lit, dark, `},
		{[]string{"teach", "tank", "blinking"}, exitUsage, "neither lit nor dark"},
		{[]string{"shelve", "tank", "-for", "soon"}, exitFailed, "for must be a time"},
		{[]string{"battery", "full", "tank"}, exitUsage, "battery changed"},
		{[]string{"aim", "nobody"}, exitFailed, "There is no lamp"},
		{[]string{"teach", evil, "lit"}, exitFailed, "No reading of"},
		{[]string{"history", "-limit", "-3"}, exitFailed, "whole number"},
		{[]string{"history", "-limit", "0"}, exitFailed, `limit must be a whole number from 1 to 10000; it is "0"`},
	} {
		code, _, errOut := runMain(ctx, append(x.args, "-url", c.url)...)
		assert.Equal(t, x.code, code, x.args)
		assert.Contains(t, errOut, x.want)
	}
	for range 60 { // nobody is heard
		c.clock.Advance(time.Minute)
		_ = c.d.do(ctx, job{})
	}
	code, _, errOut := runMain(ctx, "teach", "tank", "dark", "-url", c.url)
	assert.Equal(t, exitFailed, code, "what is seen now must not go with a reading of an hour ago")
	assert.Contains(t, errOut, "The board of tank is silent")

	// Of a lamp and its board, which have one name, that is meant which waits.
	board := func() (a rules.AlarmStatus) {
		require.NoError(t, c.d.do(ctx, job{look: func(m *rules.Machine) { a, _ = m.DeviceAlarm("tank") }}))
		return a
	}
	c.publish("tank", 212)
	for range 12 * 60 {
		c.clock.Advance(time.Minute)
		require.NoError(t, c.d.do(ctx, job{}, rules.Input{Kind: rules.InReading, Lamp: "freezer", Device: "freezer", Value: 1500}))
	}
	if !assert.Equal(t, rules.AlarmUnacknowledged, board().State) {
		return
	}
	do("ack", "tank")
	do("ack", "tank")
	assert.Equal(t, rules.AlarmAcknowledged, board().State)
	code, _, errOut = runMain(ctx, "status", "-url", "http://"+brokertest.FreeAddress(t))
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errOut, "does not answer")
	code, _, errOut = runMain(ctx, "status", "-url", "https://"+c.at.page.String())
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errOut, "is not lampward's page")
	assert.NotContains(t, errOut, "Get ")
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

// How sure a lamp's state is reads as on the page.
func TestStatusSaysHowSure(t *testing.T) {
	for _, v := range []float64{0.87, 0.991, 1} {
		var out strings.Builder
		printLamp(&out, page.Lamp{Name: "tank", State: "lit", Confidence: v}, time.Now())
		assert.Contains(t, out.String(), "\t"+rules.Sure(v)+"\t")
	}
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
	file := func(dir string) string {
		return writeFile(t, "lampward.toml", fmt.Sprintf("[store]\ndir = %q\n[page]\nlisten = %q\n[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n", dir, c.at.page))
	}
	code, out, errOut := runMain(t.Context(), "status", "-config", file(c.d.cfg.Store.Dir))
	require.Equal(t, exitOK, code, errOut)
	assert.Contains(t, out, "tank")
	code, _, errOut = runMain(t.Context(), "status", "-config", file(filepath.Join(t.TempDir(), "another")))
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

// While lampward.toml is being edited and wrong, commands reach the daemon that
// runs on with what it read before, and say so.
func TestCommandsWhileTheFileIsWrong(t *testing.T) {
	hash, err := broker.HashPassword("correct horse")
	require.NoError(t, err)
	c := newCellar(t, fmt.Sprintf("[[person]]\nname = \"ann\"\npassword_hash = %q\n", hash))
	file := writeFile(t, "lampward.toml", fmt.Sprintf("[store]\ndir = %q\n[[lamp]]\nname = tank\n[page]\nlisten = %q\n", c.d.cfg.Store.Dir, c.at.page))
	for _, x := range [][]string{{"status"}, {"history"}, {"ack", "tank"}, {"healthcheck"}, {"backup", filepath.Join(t.TempDir(), "b")}} {
		code, _, errOut := runMain(t.Context(), append([]string{x[0], "-config", file}, x[1:]...)...)
		assert.Equal(t, exitOK, code, "%v: %s", x, errOut)
		assert.Contains(t, errOut, file+" has mistakes", x)
	}
	for _, x := range [][]string{{"check"}, {"run"}, {"notify", "test"}} {
		code, _, errOut := runMain(t.Context(), append(x, "-config", file)...)
		assert.Equal(t, exitUsage, code, x)
		assert.Contains(t, errOut, file+":4:", x)
	}
	code, _, errOut := runMain(t.Context(), "status", "-config", writeFile(t, "worse.toml", "[page]\nlisten = [\n"))
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errOut, "worse.toml:2:")
}

// Who logged in on the page stays so over a restart; what is kept for it is
// this user's alone.
func TestLoginOutlastsARestart(t *testing.T) {
	hash, err := broker.HashPassword("correct horse")
	require.NoError(t, err)
	other, err := broker.HashPassword("another")
	require.NoError(t, err)
	dir := t.TempDir()
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	var cookie *http.Cookie
	run := func(hash string, visit func(url string)) {
		cfg, err := config.Parse("page.toml", fmt.Appendf(nil, "[broker]\nlisten = \"127.0.0.1:0\"\n[page]\nlisten = \"127.0.0.1:0\"\n[store]\ndir = %q\n[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n[[person]]\nname = \"ann\"\npassword_hash = %q\n", dir, hash))
		require.NoError(t, err)
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		ready, done := make(chan addresses, 1), make(chan error, 1)
		go func() {
			done <- serve(ctx, cfg, serveOptions{log: slog.New(slog.DiscardHandler), ready: func(a addresses) { ready <- a }})
		}()
		select {
		case a := <-ready:
			visit("http://" + a.page.String())
		case err := <-done:
			t.Fatal(err)
		}
		stop()
		require.NoError(t, <-done)
	}
	status := func(url string) int {
		r, err := http.NewRequest("GET", url+"/", nil)
		require.NoError(t, err)
		r.AddCookie(cookie)
		w, err := client.Do(r)
		require.NoError(t, err)
		require.NoError(t, w.Body.Close())
		return w.StatusCode
	}
	run(hash, func(u string) {
		w, err := client.PostForm(u+"/login", url.Values{"name": {"ann"}, "password": {"correct horse"}})
		require.NoError(t, err)
		require.NoError(t, w.Body.Close())
		require.Len(t, w.Cookies(), 1)
		cookie = w.Cookies()[0]
		assert.Equal(t, http.StatusOK, status(u))
	})
	info, err := os.Stat(filepath.Join(dir, sessionsFile))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	run(hash, func(u string) { assert.Equal(t, http.StatusOK, status(u)) })
	run(other, func(u string) { assert.Equal(t, http.StatusSeeOther, status(u), "another password ends it") })
}

// What is gone from the configuration keeps its history.
func TestHistoryOfWhatIsGone(t *testing.T) {
	c := newCellar(t, "")
	c.history(1)
	events := []rules.Event{{At: c.clock.Now(), Kind: rules.Dark, Lamp: "attic", Text: "attic is dark"}, {At: c.clock.Now(), Kind: rules.Silent, Device: "old-board", Text: "old-board has been silent"}}
	require.NoError(t, c.d.do(t.Context(), job{}))
	_, err := c.d.store.Append(t.Context(), []store.Record{{Input: rules.Input{Kind: rules.InTick, At: c.clock.Now()}, Events: events}}, true)
	require.NoError(t, err)
	for _, x := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"attic"}, exitOK, "attic is dark"},
		{[]string{"old-board"}, exitOK, "old-board has been silent"},
		{[]string{"old-board", "-board"}, exitOK, "old-board has been silent"},
		{[]string{"attic", "-board"}, exitFailed, `there is no board "attic"`},
	} {
		code, out, errOut := runMain(t.Context(), append(append([]string{"history"}, x.args...), "-url", c.url)...)
		assert.Equal(t, x.code, code, x.args)
		assert.Contains(t, out+errOut, x.want)
	}
}

// In the hour that comes twice the history says which of the two. In 2026 Berlin's clocks
// go back on 25 October at 01:00 UTC, those of Lord Howe by half an hour on 4 April at
// 15:00 UTC (the time zone database, by way of Go's own).
func TestStampInTheDoubledHour(t *testing.T) {
	for _, c := range []struct{ zone, at, want string }{
		{"Europe/Berlin", "2026-10-24T23:59:59Z", "2026-10-25 01:59:59"},
		{"Europe/Berlin", "2026-10-25T00:00:00Z", "2026-10-25 02:00:00 CEST"},
		{"Europe/Berlin", "2026-10-25T00:59:59Z", "2026-10-25 02:59:59 CEST"},
		{"Europe/Berlin", "2026-10-25T01:00:00Z", "2026-10-25 02:00:00 CET"},
		{"Europe/Berlin", "2026-10-25T01:59:59Z", "2026-10-25 02:59:59 CET"},
		{"Europe/Berlin", "2026-10-25T02:00:00Z", "2026-10-25 03:00:00"},
		{"Europe/Berlin", "2026-03-29T00:59:59Z", "2026-03-29 01:59:59"},
		{"Europe/Berlin", "2026-03-29T01:00:00Z", "2026-03-29 03:00:00"},
		{"Australia/Lord_Howe", "2026-04-04T14:29:59Z", "2026-04-05 01:29:59"},
		{"Australia/Lord_Howe", "2026-04-04T14:30:00Z", "2026-04-05 01:30:00 +11"},
		{"Australia/Lord_Howe", "2026-04-04T15:00:00Z", "2026-04-05 01:30:00 +1030"},
		{"Australia/Lord_Howe", "2026-04-04T15:30:00Z", "2026-04-05 02:00:00"},
		{"UTC", "2026-10-25T01:00:00Z", "2026-10-25 01:00:00"},
	} {
		zone, err := time.LoadLocation(c.zone)
		require.NoError(t, err)
		at, err := time.Parse(time.RFC3339, c.at)
		require.NoError(t, err)
		assert.Equal(t, c.want, stamp(at.In(zone)), c.at)
	}
}
