package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"lampward/cmd/lampward/config"
	"lampward/rules"
	"lampward/store"
)

// yearEnd is when the year of history of the benchmark ends.
var yearEnd = time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)

func houseConfig(tb testing.TB, dir string, lamps int) *config.Config {
	var text bytes.Buffer
	fmt.Fprintf(&text, "[broker]\nlisten = \"127.0.0.1:0\"\n[store]\ndir = %q\n[page]\nlisten = \"127.0.0.1:0\"\n", dir)
	for i := range lamps {
		fmt.Fprintf(&text, "[[lamp]]\nname = \"lamp %d\"\ntopic = \"t/%d\"\non_above = 500\noff_below = 400\n", i, i)
	}
	cfg, err := config.Parse("house.toml", text.Bytes())
	require.NoError(tb, err)
	return cfg
}

// fill stores a year of history: the first lamp has a reading a minute, the
// others one an hour, and each is lit for an hour every two weeks. Invented
// data.
func fill(tb testing.TB, cfg *config.Config) {
	ctx := context.Background()
	st, err := store.Open(ctx, store.Options{Dir: cfg.Store.Dir, Log: slog.New(slog.DiscardHandler)})
	require.NoError(tb, err)
	defer func() { require.NoError(tb, st.Close()) }()
	m := rules.New()
	begin := yearEnd.AddDate(-1, 0, 0)
	m.Step(rules.Input{Kind: rules.InConfig, At: begin, Config: &cfg.Rules})
	recs := []store.Record{{Input: rules.Input{Kind: rules.InConfig, At: begin, Config: &cfg.Rules}}}
	flush := func() {
		_, err := st.Append(ctx, recs, false)
		require.NoError(tb, err)
		recs = recs[:0]
	}
	n := 0
	for at := begin; at.Before(yearEnd); at = at.Add(time.Minute) {
		for i, l := range cfg.Rules.Lamps {
			if i > 0 && n%60 != i%60 {
				continue
			}
			v, hour := 212+float64((n*7+i)%11), n/60
			lit := hour%(14*24) == i%(14*24)
			if lit {
				v += 428
			}
			r := store.Record{Input: rules.Input{Kind: rules.InReading, At: at, Lamp: l.Name, Device: l.Name, Value: v}}
			if lit && (i > 0 || n%60 == 0) {
				r.Events = []rules.Event{{At: at, Kind: rules.Lit, Lamp: l.Name, Value: v, OnAbove: 500, OffBelow: 400, Confidence: 0.99, Text: l.Name + " is lit", Why: "It read 640."}}
			}
			recs = append(recs, r)
		}
		if n++; len(recs) > 20_000 {
			flush()
		}
		if n%(30*24*60) == 0 {
			flush()
			require.NoError(tb, st.Prune(ctx, at))
		}
	}
	flush()
	require.NoError(tb, st.Prune(ctx, yearEnd))
	// The machine saw the last hours, which is what its state rests on.
	for i := range 180 {
		for _, l := range cfg.Rules.Lamps {
			m.Step(rules.Input{Kind: rules.InReading, At: yearEnd.Add(time.Duration(i-180) * time.Minute), Lamp: l.Name, Device: l.Name, Value: 212 + float64(i%11)})
		}
	}
	require.NoError(tb, st.SaveSnapshot(ctx, st.LastSeq(), m.EachPart))
}

func serveHouse(tb testing.TB, cfg *config.Config) string {
	clock := &simClock{now: yearEnd.Add(time.Minute)}
	ctx, stop := context.WithCancel(context.Background())
	ready, done := make(chan addresses, 1), make(chan error, 1)
	go func() {
		done <- serve(ctx, cfg, serveOptions{log: slog.New(slog.DiscardHandler), clock: clock, wall: clock.Wall, ready: func(a addresses) { ready <- a }})
	}()
	tb.Cleanup(func() { stop(); require.NoError(tb, <-done) })
	select {
	case a := <-ready:
		return "http://" + a.page.String()
	case err := <-done:
		tb.Fatal(err)
	}
	return ""
}

// BenchmarkPage compares a house of 1,000 lamps and a year of history with an
// empty one, in one run: the time to answer, the bytes sent (compressed), and
// what a browser takes to paint the page first.
func BenchmarkPage(b *testing.B) {
	empty := serveHouse(b, houseConfig(b, b.TempDir(), 1))
	full := houseConfig(b, b.TempDir(), 1000)
	fill(b, full)
	house := serveHouse(b, full)
	transport := &http.Transport{DisableCompression: true} // compressed bytes are counted as they are
	defer transport.CloseIdleConnections()
	fetch := func(b *testing.B, url string) int64 {
		req, err := http.NewRequest(http.MethodGet, url, nil)
		require.NoError(b, err)
		req.Header.Set("Accept-Encoding", "gzip")
		res, err := transport.RoundTrip(req)
		require.NoError(b, err)
		defer res.Body.Close()
		require.Equal(b, 200, res.StatusCode)
		n, err := io.Copy(io.Discard, res.Body)
		require.NoError(b, err)
		return n
	}
	pages := []struct{ name, path string }{
		{"lamps", "/"}, {"lamp-day", "/lamp?name=lamp+0"}, {"lamp-year", "/lamp?name=lamp+0&span=1y"}, {"messages", "/alerts"}, {"api-status", "/api/status"},
	}
	for _, p := range pages {
		for _, h := range []struct{ name, base string }{{"empty", empty}, {"house", house}} {
			b.Run(p.name+"/"+h.name, func(b *testing.B) {
				var bytes int64
				for b.Loop() {
					bytes = fetch(b, h.base+p.path)
				}
				b.ReportMetric(float64(bytes), "bytes")
			})
		}
	}
	b.Run("assets", func(b *testing.B) {
		var bytes int64
		for b.Loop() {
			bytes = fetch(b, empty+"/static/page.css") + fetch(b, empty+"/static/page.js") + fetch(b, empty+"/static/mark.svg")
		}
		b.ReportMetric(float64(bytes), "bytes")
	})
	browser := newBrowser(b)
	for _, p := range pages[:3] {
		for _, h := range []struct{ name, base string }{{"empty", empty}, {"house", house}} {
			b.Run("paint-"+p.name+"/"+h.name, func(b *testing.B) {
				t := newTab(b, browser, screens[0])
				t.open(h.base + p.path)
				var sum float64
				n := 0
				for b.Loop() {
					t.run(chromedp.Navigate(h.base + p.path))
					sum += eval[float64](t, `new Promise(ok => { const look = () => { const p = performance.getEntriesByName("first-contentful-paint")[0]; if (p) ok(p.startTime); else setTimeout(look, 5) }; look() })`, chromedp.EvalAwaitPromise)
					n++
				}
				b.ReportMetric(sum/float64(n), "ms-to-first-paint")
			})
		}
	}
}
