package main

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/textproto"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/notify"
)

// mailServer takes letters, but none for whom it has an answer of its own to
// RCPT, and tells of each: who has it, and its text.
func mailServer(t *testing.T, answers map[string]string) (addr string, got <-chan [2]string) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { ln.Close() })
	letters := make(chan [2]string, 100)
	serve := func(c net.Conn) {
		defer c.Close()
		r := textproto.NewReader(bufio.NewReader(c))
		fmt.Fprint(c, "220 mail.test\r\n")
		to := ""
		for {
			line, err := r.ReadLine()
			if err != nil {
				return
			}
			answer := "250 ok"
			switch word, rest, _ := strings.Cut(line, " "); word {
			case "RCPT":
				to = strings.Trim(strings.TrimPrefix(rest, "TO:"), "<>")
				if a, ok := answers[to]; ok {
					answer = a
				}
			case "DATA":
				fmt.Fprint(c, "354 go on\r\n")
				text, err := r.ReadDotLines()
				if err != nil {
					return
				}
				letters <- [2]string{to, strings.Join(text, "\n")}
			case "QUIT":
				answer = "221 bye"
			}
			fmt.Fprint(c, answer+"\r\n")
		}
	}
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			go serve(c)
		}
	}()
	return ln.Addr().String(), letters
}

// One whose mailbox is full for weeks, or is none, keeps no alert from those who
// stand beside him in to.
func TestRecipientsWaitForNoOther(t *testing.T) {
	addr, got := mailServer(t, map[string]string{"full@example.com": "452 mailbox full", "gone@example.com": "550 no such user"})
	h := adoptHarness(t, fmt.Sprintf("[[mail]]\nserver = %q\nsecurity = \"none\"\nfrom = \"cellar@example.com\"\n"+
		"to = [\"gone@example.com\", \"full@example.com\", \"Anna <anna@example.com>\", \"anna@example.com\"]\n", addr))
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	w := notify.NewWorker(notify.Options{Outbox: h.st, Routes: h.d.routes.all, Limits: h.d.routes.limits, Now: h.clock.Now})
	go func() { done <- w.Run(ctx) }()
	for _, want := range []string{"freezer is lit", "freezer is dark"} {
		select {
		case l := <-got:
			assert.Equal(t, "anna@example.com", l[0])
			assert.Contains(t, l[1], want)
		case <-time.After(10 * time.Second):
			t.Fatal("anna waits for: "+want, w.Troubles())
		}
	}
	stop()
	<-done
	assert.Empty(t, got, "and once")
	assert.Len(t, h.d.routes.all, 3)
	for _, x := range w.Troubles() {
		assert.NotContains(t, x.Route, "anna")
	}
}

// yearsAhead is a clock whose wall time is far from engine time, as on a board
// computer that first started without the time of day.
type yearsAhead struct{ *simClock }

func (c yearsAhead) Wall() time.Time { return c.Now().AddDate(56, 0, 0) }

// The picture in a mail shows the hours before it, whatever engine time is.
func TestPictureWhereEngineTimeIsNotWallTime(t *testing.T) {
	addr, got := mailServer(t, nil)
	cfg, err := config.Parse("test.toml", fmt.Appendf(nil, "[broker]\nlisten = \"127.0.0.1:0\"\n[store]\ndir = %q\n[page]\nlisten = \"\"\n%s"+
		"[[mail]]\nserver = %q\nsecurity = \"none\"\nfrom = \"cellar@example.com\"\nto = [\"anna@example.com\"]\n", t.TempDir(), adoptConfig, addr))
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	clock := yearsAhead{&simClock{now: demoDay.AddDate(-56, 0, 0)}}
	sink, done := make(chan broker.Sink, 1), make(chan error)
	go func() {
		done <- serve(ctx, cfg, serveOptions{log: slog.New(slog.DiscardHandler), clock: clock, wall: clock.Wall,
			sink: func(d broker.Sink) broker.Sink { sink <- d; return d }})
	}()
	d := <-sink
	for i := range 10 {
		clock.Advance(time.Minute)
		require.NoError(t, d.Publish(ctx, broker.Message{Topic: "cellar/freezer", Payload: fmt.Append(nil, 200+600*(i/5)), QoS: 1, Client: "board"}))
	}
	select {
	case l := <-got:
		assert.Contains(t, l[1], "image/png")
	case <-time.After(20 * time.Second):
		t.Fatal("no letter")
	}
	stop()
	require.NoError(t, <-done)
}
