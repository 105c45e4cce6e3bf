package notify

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lampward/rules"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// happened is a delivery of a lamp's event.
func happened(route, lamp string, kind rules.Kind, at time.Time) rules.Delivery {
	d := lit(route, lamp, at)
	d.Event.Kind, d.Event.Text = kind, lamp+" is "+string(kind)
	return d
}

// After an outage of the receiver, what waits for one lamp is one message; a
// lamp with little to say is told as always.
func TestBacklogOfOneLampIsOneMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{heads: true}
		until := time.Now().Add(3 * time.Hour)
		r := &scripted{name: "phone", send: func(context.Context, []rules.Delivery) Outcome {
			if time.Now().Before(until) {
				return Outcome{Kind: Again, Note: "connection refused", Unsent: true}
			}
			return ok
		}}
		start := time.Date(2026, 5, 2, 14, 2, 0, 0, time.UTC)
		for i, k := range []rules.Kind{rules.Lit, rules.Dark, rules.Lit, rules.Dark} {
			d := happened("phone", "tank", k, start.Add(time.Duration(10*i)*time.Minute))
			d.Due = time.Now().Add(time.Duration(10*i) * time.Minute)
			box.add(d)
			if i < 2 {
				d := happened("phone", "salt", k, start)
				d.Due = time.Now()
				box.add(d)
			}
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 3}}}, 6*time.Hour)
		var arrived []got
		for _, g := range r.got {
			if !g.at.Before(until) {
				arrived = append(arrived, g)
			}
		}
		require.Len(t, arrived, 3)
		i := slices.IndexFunc(arrived, func(g got) bool { return len(g.ids) > 1 })
		assert.Equal(t, []string{"ev-1", "ev-3", "ev-5", "ev-6"}, arrived[i].ids)
		assert.Equal(t, "tank is dark (4 messages since 14:02: lit twice, dark twice)", arrived[i].text)
		assert.Equal(t, "Sat 14:02 tank is lit\nSat 14:12 tank is dark\nSat 14:22 tank is lit\nSat 14:32 tank is dark", arrived[i].why)
		_, sent, _ := box.count()
		assert.Equal(t, 6, sent)
		assert.Contains(t, box.rows[0].note, "(one message with 3 others)")
	})
}

// TestOneMessageOfTwo: the note of each names the other.
func TestOneMessageOfTwo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{heads: true}
		r := &scripted{name: "phone", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		box.add(happened("phone", "tank", rules.Lit, time.Now()))
		box.add(happened("phone", "tank", rules.Dark, time.Now()))
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 1}}}, time.Minute)
		require.Len(t, r.got, 1)
		assert.Contains(t, box.rows[0].note, "(one message with 1 other)")
	})
}

// When more lamps have something to say than may be told one by one, all that
// waits for them is one message, up to a limit.
func TestBacklogOfManyLampsIsOneMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{heads: true}
		r := &scripted{name: "phone", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		for i := range 20 {
			box.add(happened("phone", fmt.Sprint("lamp", i%5), []rules.Kind{rules.Lit, rules.Dark}[i/5%2], time.Now()))
		}
		limits := map[string]Limit{"phone": {FoldOver: 4}}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: limits}, time.Minute)
		require.Len(t, r.got, 1)
		assert.Len(t, r.got[0].ids, 20)
		assert.Equal(t, "20 messages, the last: lamp4 is dark", r.got[0].text)

		r.got = nil
		for i := range 60*30 + 1 {
			box.add(happened("phone", fmt.Sprint("lamp", i%60), rules.Lit, time.Now()))
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: limits}, time.Minute)
		var sizes []int
		for _, g := range r.got {
			sizes = append(sizes, len(g.ids))
		}
		assert.Equal(t, []int{maxFold, 26 * 30, 21}, sizes, "the rest of the line that did not fit is last")
	})
}

// Of two lamps, fewer than may be told one by one, each has its own messages: as many
// as may be due at once, or one for all of them.
func TestBacklogsOfTwoLampsStayApart(t *testing.T) {
	for each, want := range map[int][]int{3: {1, 1, 1, 1, 1, 1}, 5: {5, 5}} {
		synctest.Test(t, func(t *testing.T) {
			box := &memOutbox{heads: true}
			r := &scripted{name: "phone", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
			for i := range 2 * each {
				box.add(happened("phone", []string{"tank", "salt"}[i%2], rules.Lit, time.Now()))
			}
			runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 4}}}, time.Minute)
			var sizes []int
			for _, g := range r.got {
				sizes = append(sizes, len(g.ids))
			}
			assert.Equal(t, want, sizes)
		})
	}
}

// What the receiver may have is told again as it was, and only the rest folds:
// a receiver that answered has seen the message, though it did not take it.
func TestWhatMayHaveArrivedIsNotFolded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{heads: true}
		until := time.Now().Add(time.Hour)
		r := &scripted{name: "phone", send: func(context.Context, []rules.Delivery) Outcome {
			if time.Now().Before(until) {
				return Outcome{Kind: Again, Note: "503", Answered: true}
			}
			return ok
		}}
		for i := range 6 {
			d := happened("phone", "tank", rules.Lit, time.Now())
			d.Due = time.Now().Add(time.Duration(i) * time.Minute)
			box.add(d)
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 3}}}, 6*time.Hour)
		n := len(r.got)
		for _, g := range r.got[:n-1] {
			assert.Equal(t, []string{"ev-1"}, g.ids)
		}
		assert.Equal(t, []string{"ev-2", "ev-3", "ev-4", "ev-5", "ev-6"}, r.got[n-1].ids)
	})
}

// A message that is on its way when the daemon is told to stop may arrive: it
// is not folded even if the route folds from the next start on.
func TestBrokenOffIsNotFolded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{heads: true}
		r := &scripted{name: "phone", send: func(ctx context.Context, _ []rules.Delivery) Outcome {
			<-ctx.Done()
			return Outcome{Kind: Again}
		}}
		for range 6 {
			box.add(happened("phone", "tank", rules.Lit, time.Now()))
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}}, time.Second)
		r.send = func(context.Context, []rules.Delivery) Outcome { return ok }
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 2}}}, time.Hour)
		require.Len(t, r.got, 3)
		assert.Equal(t, []string{"ev-1"}, r.got[1].ids)
		assert.Len(t, r.got[2].ids, 5)
	})
}

// A message that was made up stays so when the configuration says otherwise.
func TestFoldOutlivesItsConfiguration(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{heads: true}
		r := &scripted{name: "phone", send: func(context.Context, []rules.Delivery) Outcome { return Outcome{Kind: Again, Note: "503"} }}
		for range 4 {
			box.add(happened("phone", "tank", rules.Lit, time.Now()))
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 3}}}, time.Minute)
		first := r.got[0]
		assert.Len(t, first.ids, 4)
		r.send = func(context.Context, []rules.Delivery) Outcome { return ok }
		box.add(happened("phone", "tank", rules.Dark, time.Now()))
		runWorker(t, Options{Outbox: box, Routes: []Route{r}}, 2*time.Hour)
		n := len(r.got)
		assert.Equal(t, first.ids, r.got[n-2].ids)
		assert.Equal(t, first.text, r.got[n-2].text)
		assert.Equal(t, []string{"ev-5"}, r.got[n-1].ids)
	})
}

// What is held for its hour is no part of a message that goes before.
func TestHeldIsNotFolded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := &memOutbox{heads: true}
		r := &scripted{name: "phone", send: func(context.Context, []rules.Delivery) Outcome { return ok }}
		start := time.Now()
		for i := range 8 {
			d := happened("phone", "tank", rules.Lit, start)
			if i >= 4 {
				d.Due = start.Add(time.Hour)
			}
			box.add(d)
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 3}}}, 2*time.Hour)
		require.Len(t, r.got, 2)
		assert.Len(t, r.got[0].ids, 4)
		assert.Equal(t, start, r.got[0].at)
		assert.Equal(t, start.Add(time.Hour), r.got[1].at)
	})
}

// Nor is it when the receiver is back and what waits for its retry goes at once.
func TestHeldIsNotFoldedAfterAnOutage(t *testing.T) {
	for seed := range uint64(20) {
		synctest.Test(t, func(t *testing.T) {
			box := &memOutbox{heads: true}
			start := time.Now()
			r := &scripted{name: "phone", send: func(context.Context, []rules.Delivery) Outcome {
				if time.Since(start) < 20*time.Minute {
					return Outcome{Kind: Again, Note: "connection refused", Unsent: true}
				}
				return ok
			}}
			hour := start.Add(75 * time.Minute)
			box.add(lit("phone", "salt", start))
			for i := range 6 {
				d := lit("phone", "tank", start)
				if i >= 4 {
					d.Due = hour
				}
				box.add(d)
			}
			runWorker(t, Options{Outbox: box, Routes: []Route{r}, Backoff: Backoff{Rand: seeded(seed)},
				Limits: map[string]Limit{"phone": {FoldOver: 2}}}, 2*time.Hour)
			for i, row := range box.rows {
				require.Equal(t, "sent", row.state)
				assert.Equal(t, i >= 5, !row.at.Before(hour), "seed %d: %s went at %s", seed, row.EventID, row.at)
			}
		})
	}
}

// Over random lives with a receiver of every kind of trouble, and kills at any
// moment: every message arrives, in the order of its lamp, as part of one
// message only, whose id always means the same.
func TestFoldLives(t *testing.T) {
	folded := 0
	for seed := range uint64(40) {
		faults, n := foldLife(t, seed, &memOutbox{heads: seed%2 == 0}, true)
		assert.Empty(t, faults, "seed %d", seed)
		folded += n
	}
	t.Logf("%d folded messages", folded)
	assert.Greater(t, folded, 100)
}

// Negative control: an outbox that does not record what a message is made of
// is found out.
func TestFoldLivesControl(t *testing.T) {
	for seed := range uint64(40) {
		if faults, _ := foldLife(t, seed, &memOutbox{heads: true, forgets: true}, false); len(faults) > 0 {
			t.Log(faults[0])
			assert.Contains(t, faults[0], "told in two messages")
			return
		}
	}
	t.Error("not found out")
}

func foldLife(t *testing.T, seed uint64, box *memOutbox, refuses bool) (faults []string, folded int) {
	synctest.Test(t, func(t *testing.T) {
		rnd := rand.New(rand.NewPCG(seed, 5))
		in := map[string]string{}      // by event: the message it was told in
		content := map[string]string{} // by message
		last := map[string]int64{}     // by lamp: its newest message that arrived
		take := func(ds []rules.Delivery) {
			m, id := newMessage(ds[0], nil), ds[0].EventID
			if len(ds) > 1 {
				m = foldMessages(ds, nil, time.UTC)
				id = m.ID
				folded++
			}
			body, err := encodeCloudEvent(&m, "test")
			require.NoError(t, err)
			if was, ok := content[id]; ok && was != string(body) {
				faults = append(faults, fmt.Sprintf("%s was %s, and is %s", id, was, body))
			}
			content[id] = string(body)
			for _, d := range ds {
				if was, ok := in[d.EventID]; ok && was != id {
					faults = append(faults, fmt.Sprintf("%s is told in two messages, %s and %s", d.EventID, was, id))
				} else if !ok {
					if d.ID < last[d.Key] {
						faults = append(faults, fmt.Sprintf("%s comes after delivery %d", d.EventID, last[d.Key]))
					}
					last[d.Key] = d.ID
				}
				in[d.EventID] = id
			}
		}
		mode, calm := 0, false
		r := &scripted{name: "phone"}
		r.send = func(ctx context.Context, ds []rules.Delivery) Outcome {
			switch large := refuses && len(ds) > 6; {
			case mode == 0 && !calm:
				return Outcome{Kind: Again, Note: "connection refused", Unsent: true}
			case large && mode == 2 && !calm:
				<-ctx.Done()
				return Outcome{Kind: Again, Note: "no answer"}
			case large:
				return Outcome{Kind: Never, Note: "413", Answered: true}
			case calm:
				take(ds)
				return ok
			}
			switch mode {
			case 1:
				take(ds)
				return Outcome{Kind: Again, Note: "connection reset"}
			case 2:
				take(ds)
				<-ctx.Done()
				return Outcome{Kind: Again, Note: "no answer"}
			case 3:
				return Outcome{Kind: Again, Note: "503", Answered: true}
			}
			take(ds)
			return ok
		}
		added := 0
		for life := range uint64(60) {
			mode = rnd.IntN(5)
			fold := []int{0, 2, 3, 3, 3}[rnd.IntN(5)]
			if seed%3 != 0 {
				fold = 3 // the crash that a change of the configuration follows is not always told apart
			}
			w := NewWorker(Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: fold}},
				Backoff: Backoff{Rand: seeded(seed*100 + life), GiveUpTries: 1 << 30}})
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() { done <- w.Run(ctx) }()
			for range rnd.IntN(12) {
				added++
				d := happened("phone", fmt.Sprint("lamp", rnd.IntN(6)), []rules.Kind{rules.Lit, rules.Dark}[added%2], time.Now())
				d.Due = time.Now().Add(time.Duration(rnd.IntN(3)) * time.Minute)
				box.add(d)
				w.Wake()
				time.Sleep(time.Duration(rnd.IntN(200)) * time.Second)
			}
			if kill := rnd.IntN(2) == 0 && fold == 3; kill {
				box.mu.Lock()
				box.killed = true
				box.mu.Unlock()
			}
			cancel()
			<-done
			box.mu.Lock()
			box.killed = false
			box.mu.Unlock()
		}
		calm = true
		runWorker(t, Options{Outbox: box, Routes: []Route{r}, Limits: map[string]Limit{"phone": {FoldOver: 3}}}, 24*time.Hour)
		for _, row := range box.rows {
			if in[row.EventID] == "" || row.state != "sent" {
				faults = append(faults, row.EventID+" never arrived")
			}
		}
	})
	return faults, folded
}

// The text of one message for a lamp's backlog, and of one for several lamps.
func TestFoldedText(t *testing.T) {
	at := time.Date(2026, 5, 2, 14, 2, 0, 0, time.UTC)
	var ds []rules.Delivery
	add := func(d rules.Delivery) {
		d.ID = int64(len(ds) + 1)
		d.EventID = fmt.Sprint("ev-", d.ID)
		if d.Key == "" {
			d.Key = d.Event.Key()
		}
		ds = append(ds, d)
	}
	links := func(d rules.Delivery) Links { return Links{Ack: "https://ack/" + d.EventID} }
	text := func() Message {
		defer func() { ds = nil }()
		return foldMessages(ds, links, time.UTC)
	}
	add(happened("phone", "tank", rules.Lit, at))
	add(happened("phone", "tank", rules.Reminder, at.Add(24*time.Hour)))
	add(happened("phone", "tank", rules.Escalated, at.Add(25*time.Hour)))
	m := text()
	assert.Equal(t, "tank is escalated (3 messages since Sat 14:02: lit once, reminded once, escalated once)", m.Text)
	assert.Equal(t, []string{"lit", "tank", "https://ack/ev-3", "several"}, []string{m.State, m.Lamp, m.AckURL, m.Kind})

	for i := range 300 { // a lamp that never rests
		add(happened("phone", "tank", []rules.Kind{rules.Lit, rules.Dark}[i%2], at.Add(time.Duration(i)*time.Hour)))
	}
	m = text()
	assert.Equal(t, "tank is dark (300 messages since 2 May 14:02: lit 150 times, dark 150 times)", m.Text)
	assert.Len(t, m.Items, maxItems)
	assert.Equal(t, "ev-300", m.Items[maxItems-1].ID)
	assert.True(t, strings.HasPrefix(m.Why, "250 earlier ones are not listed.\n"), m.Why)
	assert.Equal(t, maxItems+1, len(strings.Split(m.Why, "\n")))

	for i := range 4 { // held over quiet hours: what is told last may be over
		d := happened("phone", "tank", rules.Dark, at.Add(time.Duration(i)*time.Hour))
		d.Key = HeldLine + d.Event.Key()
		add(d)
	}
	assert.Equal(t, "tank is dark (4 messages since 14:02: dark 4 times, the last at 17:02)", text().Text)

	for i := range 60 {
		add(happened("phone", "tank", []rules.Kind{rules.Lit, rules.Dark}[i%2], at.Add(time.Duration(i)*time.Minute)))
		if i == 30 {
			add(happened("phone", "salt", rules.Lit, at.Add(30*time.Minute)))
		}
	}
	m = text()
	assert.Equal(t, "61 messages, the last: tank is dark", m.Text)
	assert.Equal(t, "Sat 14:32 salt is lit\nSat 15:01 tank is dark (60 messages since 14:02: lit 30 times, dark 30 times)", m.Why)
	assert.Len(t, m.Items, maxItems)
	assert.Empty(t, m.AckURL)
	assert.Equal(t, "https://ack/ev-32", m.Items[slices.IndexFunc(m.Items, func(i Message) bool { return i.Lamp == "salt" })].AckURL)

	d := happened("phone", "", rules.Test, time.Time{}) // about nothing, and the time is not known
	d.Wall, d.Event.Text = time.Time{}, "a test"
	add(d)
	add(d)
	m = text()
	assert.Equal(t, "2 messages, the last: a test", m.Text)
	assert.Equal(t, "a test\na test", m.Why)
}

// A letter about one lamp's backlog, and one about several lamps: each tells all
// that happened and links to what acknowledges it.
func TestFoldedLetter(t *testing.T) {
	at := time.Date(2026, 5, 2, 14, 2, 0, 0, time.UTC)
	var ds []rules.Delivery
	add := func(lamp string, n int) {
		for i := range n {
			d := happened("mail", lamp, []rules.Kind{rules.Lit, rules.Dark}[i%2], at.Add(time.Duration(len(ds))*time.Minute))
			d.ID = int64(len(ds) + 1)
			d.EventID = fmt.Sprint("ev-", d.ID)
			ds = append(ds, d)
		}
	}
	letter := func() (plain, html string) {
		m := foldMessages(ds, func(d rules.Delivery) Links { return Links{Ack: "https://ack/" + d.EventID} }, time.UTC)
		v := newLetterView(&m)
		v.Picture = m.Lamp != ""
		var p, h strings.Builder
		require.NoError(t, plainLetter.Execute(&p, v))
		require.NoError(t, htmlLetter.Execute(&h, v))
		return p.String(), h.String()
	}
	add("tank", 4)
	plain, html := letter()
	assert.Contains(t, plain, "tank is dark (4 messages since 14:02: lit twice, dark twice)\n\n- ")
	assert.Equal(t, 4, strings.Count(plain, "\n- "), plain)
	assert.Contains(t, plain, "Acknowledge: https://ack/ev-4\n")
	assert.Equal(t, 1, strings.Count(plain, "Acknowledge"), plain)
	assert.Contains(t, html, "cid:trace")
	assert.Contains(t, html, `href="https://ack/ev-4"`)

	add("salt", 1)
	plain, html = letter()
	assert.Contains(t, plain, "5 messages, the last: salt is lit\n\n"+
		"- Sat 14:05 tank is dark (4 messages since 14:02: lit twice, dark twice)\n- Sat 14:06 salt is lit\n")
	assert.Contains(t, plain, "Acknowledge tank: https://ack/ev-4\nAcknowledge salt: https://ack/ev-5\n")
	assert.Equal(t, 2, strings.Count(plain, "Acknowledge"), "one for each lamp: %s", plain)
	assert.Contains(t, html, `<a href="https://ack/ev-4">Acknowledge tank</a>`)
	assert.Contains(t, html, `<a href="https://ack/ev-5">Acknowledge salt</a>`)
	assert.Equal(t, 2, strings.Count(html, "<li>"))

	ds = nil
	add("tank", 70)
	plain, _ = letter()
	assert.Contains(t, plain, "\n- 20 earlier ones are not listed.\n- Sat 14:22 tank is lit\n")
	assert.Equal(t, 51, strings.Count(plain, "\n- "))
}

// Only what never left this machine is unsent: no connection, no TLS, no login.
func TestUnsent(t *testing.T) {
	serve := func(handle func(net.Conn)) (port int) {
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		t.Cleanup(func() { ln.Close() })
		go func() {
			for {
				c, err := ln.Accept()
				if err != nil {
					return
				}
				handle(c)
				c.Close()
			}
		}()
		return ln.Addr().(*net.TCPAddr).Port
	}
	nobody := serve(func(net.Conn) {})
	// Nothing listens at a client's end, and while it is open its port is given to
	// nobody else.
	client, err := net.Dial("tcp", fmt.Sprint("127.0.0.1:", nobody))
	require.NoError(t, err)
	defer client.Close()
	closed := client.LocalAddr().(*net.TCPAddr).Port

	http := func(url string) Outcome {
		w, err := NewWebhook(WebhookOptions{URL: url})
		require.NoError(t, err)
		return w.Send(t.Context(), lit("hook", "tank", time.Now()))
	}
	answers := serve(func(c net.Conn) {
		_, _ = c.Read(make([]byte, 4096))
		fmt.Fprint(c, "HTTP/1.1 503 Busy\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
	})
	breaks := serve(func(c net.Conn) { _, _ = c.Read(make([]byte, 4096)) })
	for _, x := range []struct {
		url  string
		want bool
	}{
		{fmt.Sprintf("http://127.0.0.1:%d/", closed), true},
		{fmt.Sprintf("https://127.0.0.1:%d/", nobody), true},
		{fmt.Sprintf("http://127.0.0.1:%d/", answers), false},
		{fmt.Sprintf("http://127.0.0.1:%d/", breaks), false},
	} {
		out := http(x.url)
		assert.Equal(t, Again, out.Kind, x.url)
		assert.Equal(t, x.want, out.Unsent, "%s: %s", x.url, out.Note)
	}

	talks := func(last string) int { // a mail server that hangs up after it has heard last
		return serve(func(c net.Conn) {
			r := bufio.NewReader(c)
			fmt.Fprint(c, "220 hi\r\n")
			for data := false; ; {
				line, err := r.ReadString('\n')
				if err != nil || strings.HasPrefix(line, last) {
					return
				}
				switch {
				case strings.HasPrefix(line, "DATA"):
					data = true
					fmt.Fprint(c, "354 go on\r\n")
				case !data:
					fmt.Fprint(c, "250 yes\r\n")
				}
			}
		})
	}
	for _, x := range []struct {
		name string
		port int
		want bool
	}{
		{"closed", closed, true},
		{"no greeting", nobody, true},
		{"breaks off at EHLO", talks("EHLO"), true},
		{"breaks off after the message", talks(".\r\n"), false},
	} {
		m, err := NewMail(MailOptions{Host: "127.0.0.1", Port: x.port, Security: "none", From: "a@example.com", To: "b@example.com"})
		require.NoError(t, err)
		out := m.Send(t.Context(), lit("mail", "tank", time.Now()))
		assert.Equal(t, Again, out.Kind, x.name)
		assert.Equal(t, x.want, out.Unsent, "%s: %s", x.name, out.Note)
	}
}
