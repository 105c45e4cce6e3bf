package main

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/textproto"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/notify"
)

// mailServer takes letters, but none for whom it has an answer of its own to
// RCPT, and tells of each: who has it, and what it is about.
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
				first := text[len(text)-1]
				for i, l := range text { // the plain part begins after its headers
					if strings.HasPrefix(l, "Content-Type: text/plain") {
						for ; text[i] != ""; i++ {
						}
						first = text[i+1]
						break
					}
				}
				letters <- [2]string{to, first}
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
