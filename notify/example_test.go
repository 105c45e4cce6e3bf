package notify_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"time"

	"lampward/notify"
	"lampward/notify/link"
	"lampward/rules"
)

// A push service that takes a text and a title, signed for by a key.
func ExampleNewWebhook() {
	phone := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		fmt.Println(r.Method, r.Header.Get("Title"), string(b))
	}))
	defer phone.Close()
	w, err := notify.NewWebhook(notify.WebhookOptions{
		URL:     phone.URL,
		Headers: map[string]string{"Title": "{{.Name}}: {{.Kind}}"},
		Body:    `{"message": "{{.Text}}", "why": {{json .Why}}}`,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	out := w.Send(context.Background(), rules.Delivery{EventID: "ev-1", Wall: time.Now(), Event: rules.Event{
		Kind: rules.Lit, Lamp: `the "old" tank`, Text: `the "old" tank is full`, Why: "two readings above 700",
	}})
	fmt.Println(out.Kind, out.Note)
	// Output:
	// POST the "old" tank: lit {"message": "the \"old\" tank is full", "why": "two readings above 700"}
	// delivered 200 OK
}

// At night a lamp that went dark can wait for the morning, one that lit cannot.
func ExamplePlan() {
	night, err := notify.ParseQuietHours("22:00-07:00", time.UTC)
	if err != nil {
		fmt.Println(err)
		return
	}
	routes := []notify.Policy{
		{Route: "phone", Quiet: []notify.QuietHours{night}},
		{Route: "neighbour", Escalation: true},
	}
	at := time.Date(2026, 3, 4, 23, 30, 0, 0, time.UTC)
	for _, k := range []rules.Kind{rules.Dark, rules.Lit, rules.Escalated} {
		for _, t := range notify.Plan(rules.Event{Kind: k, Lamp: "tank"}, at, routes) {
			fmt.Println(k, t.Route, t.Delay)
		}
	}
	// Output:
	// dark phone 7h30m0s
	// lit phone 0s
	// escalated neighbour 0s
}

// An alert carries a link that acknowledges it, for a day.
func ExampleLinks() {
	key := []byte("32 random bytes, kept by lampward")
	links := func(d rules.Delivery) notify.Links {
		token, err := link.Make(key, link.Claims{
			Action: link.Ack, About: d.Event.Key(), Event: d.EventID, Expires: d.Wall.Add(24 * time.Hour),
		})
		if err != nil {
			return notify.Links{}
		}
		return notify.Links{Ack: "https://lamp.example.com/link/" + token}
	}
	now := time.Date(2026, 3, 4, 23, 30, 0, 0, time.UTC)
	l := links(rules.Delivery{EventID: "ev-1", Wall: now, Event: rules.Event{Kind: rules.Lit, Lamp: "tank"}})
	token := l.Ack[len("https://lamp.example.com/link/"):]
	c, err := link.Verify(key, token, now.Add(time.Hour))
	fmt.Println(c.Action, c.About, c.Event, err)
	_, err = link.Verify(key, token, now.Add(25*time.Hour))
	fmt.Println(err)
	// Output:
	// ack lamp/tank ev-1 <nil>
	// this link has expired; use the page
}
