package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	cdpruntime "github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/notify/link"
	"lampward/rules"
	"lampward/store"
)

// shotsEnv names a folder for pictures of every page, to look at.
const shotsEnv = "LAMPWARD_TEST_SHOTS"

// axePackage is the accessibility checker, fetched for the test only.
const axePackage = "axe-core@4.14.1"

// needProgram skips a test that needs a program this machine lacks; where
// everything must be checked (CI is set) it fails.
func needProgram(t testing.TB, name string) string {
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is missing: install it", name)
		}
		t.Skipf("%s is missing", name)
	}
	return path
}

// evil is a name that does harm wherever it is not escaped.
const evil = `<img src=x onerror="window.owned=1">'"&{{.}}`

// cellar is a daemon with a page and a day and a half of history.
type cellar struct {
	t     testing.TB
	d     *daemon
	clock *simClock
	at    addresses
	phone *phone
	url   string
	board mqtt.Client
}

// newCellar starts a daemon on a clock that the test moves. extra is added to
// its configuration.
func newCellar(t testing.TB, extra string) *cellar {
	c := &cellar{t: t, clock: &simClock{now: time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)}}
	c.phone = newPhone(t)
	gone := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(http.StatusGone)
		_, _ = io.WriteString(w, "<script>window.owned=1</script> no such subscription")
	}))
	t.Cleanup(gone.Close)
	text := fmt.Sprintf(`
[broker]
listen = "127.0.0.1:0"
[store]
dir = %q
[page]
listen = "127.0.0.1:0"
[[lamp]]
name = "tank"
topic = "cellar/tank/light"
say_lit = "The condensate tank is full"
[[lamp]]
name = "salt"
topic = "cellar/salt/light"
[[lamp]]
name = "freezer"
topic = "cellar/freezer/light"
on_above = 1800
off_below = 1700
on_delay = "1m"
off_delay = "1m"
[[lamp]]
name = %q
topic = "cellar/evil/light"
device = "tank"
[[device]]
name = "freezer"
volts = "/v"
[device.battery]
chemistry = "lithium_ion"
capacity_mah = 2500
current_ma = 4.5
[[webhook]]
name = "phone"
url = %q
[[webhook]]
name = "old phone"
url = %q
kinds = ["lit", "blinking"]
`, t.TempDir(), evil, c.phone.URL, gone.URL) + extra
	cfg, err := config.Parse("cellar.toml", []byte(text))
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ready, done := make(chan addresses, 1), make(chan error, 1)
	go func() {
		done <- serve(ctx, cfg, serveOptions{
			log: slog.New(slog.DiscardHandler), clock: c.clock, wall: c.clock.Wall,
			ready: func(a addresses) { ready <- a }, inside: func(d *daemon) { c.d = d },
		})
	}()
	select {
	case c.at = <-ready:
	case err := <-done:
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(); require.NoError(t, <-done) })
	c.url = "http://" + c.at.page.String()
	return c
}

// history is the demo's cellar: invented data.
func (c *cellar) history(hours float64) {
	boards := demoBoards()
	rng := rand.New(rand.NewPCG(3, 5))
	for i := range int(hours * 60) {
		hour := math.Mod(float64(i)/60, demoHours)
		var inputs []rules.Input
		for _, b := range boards {
			if !b.gone(hour) {
				inputs = append(inputs, rules.Input{Kind: rules.InReading, Lamp: b.name, Device: b.name, Value: b.count(hour, rng)})
			}
		}
		require.NoError(c.t, c.d.do(context.Background(), job{}, inputs...))
		c.clock.Advance(time.Minute)
	}
}

// park gives up the oldest message that waits for a route.
func (c *cellar) park(route string) {
	st := c.d.store.(*store.Store)
	waiting, err := st.Deliveries(c.t.Context(), store.DeliveryFilter{Route: route, State: store.Pending})
	require.NoError(c.t, err)
	require.NotEmpty(c.t, waiting)
	oldest := waiting[len(waiting)-1]
	require.NoError(c.t, st.Dead(c.t.Context(), oldest.ID, c.clock.Now(), oldest.Note))
}

// publish sends one count by MQTT, a minute after the last.
func (c *cellar) publish(lamp string, count float64) {
	if c.board == nil {
		c.board = mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + c.at.broker.String()).SetClientID("board").SetAutoReconnect(false))
		tok := c.board.Connect()
		tok.Wait()
		require.NoError(c.t, tok.Error())
		c.t.Cleanup(func() { c.board.Disconnect(100) })
	}
	c.clock.Advance(time.Minute)
	tok := c.board.Publish("cellar/"+lamp+"/light", 1, false, fmt.Sprint(count))
	tok.Wait()
	require.NoError(c.t, tok.Error())
}

// tab is a browser's tab.
type tab struct {
	t    testing.TB
	ctx  context.Context
	wide int64
	mu   sync.Mutex
	errs []string // mistakes of the page's script, and what its policy refused
}

type screen struct {
	name          string
	width, height int64
	phone         bool
	scheme        string
}

var screens = []screen{
	{"phone", 390, 844, true, "light"},
	{"desktop", 1280, 900, false, "light"},
	{"phone-dark", 390, 844, true, "dark"},
	{"desktop-dark", 1280, 900, false, "dark"},
}

// newBrowser starts Chromium and returns a context for its tabs.
func newBrowser(t testing.TB) context.Context {
	path := needProgram(t, "chromium")
	alloc, stop := chromedp.NewExecAllocator(context.Background(),
		chromedp.ExecPath(path), chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.Headless,
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("hide-scrollbars", true),
		chromedp.Env("TZ=Europe/Lisbon"))
	alloc, timeout := context.WithTimeout(alloc, 5*time.Minute)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(func() { cancel(); timeout(); stop() })
	require.NoError(t, chromedp.Do(ctx))
	return ctx
}

func newTab(t testing.TB, browser context.Context, s screen) *tab {
	ctx, cancel := chromedp.NewContext(browser)
	t.Cleanup(cancel)
	b := &tab{t: t, ctx: ctx, wide: s.width}
	require.NoError(t, chromedp.Listen(ctx, func(ev any) {
		e, ok := ev.(*cdpruntime.EventExceptionThrown)
		if !ok {
			return
		}
		b.mu.Lock()
		defer b.mu.Unlock()
		b.errs = append(b.errs, e.ExceptionDetails.Text)
	}))
	_, err := chromedp.Call(ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{
		Width: s.width, Height: s.height, DeviceScaleFactor: 1, Mobile: s.phone})
	require.NoError(t, err)
	_, err = chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: s.scheme}}})
	require.NoError(t, err)
	return b
}

func (b *tab) run(a ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	if err := chromedp.Do(ctx, a...); err != nil {
		b.t.Fatalf("browser: %v\npage: %s", err, b.text())
	}
}

func (b *tab) text() string {
	ctx, cancel := context.WithTimeout(b.ctx, 5*time.Second)
	defer cancel()
	s, _ := chromedp.Run(ctx, chromedp.Evaluate[string](`document.body.innerText`))
	return s
}

// eval runs a script that is wanted for its value.
func eval[T any](b *tab, js string, o ...chromedp.EvaluateOption) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](js, o...))
	if err != nil {
		b.t.Fatalf("browser: %v in %.200s", err, js)
	}
	return v
}

// click presses what a CSS selector finds, button the one with a text.
func (b *tab) click(selector string) { b.t.Helper(); b.run(chromedp.Click(chromedp.CSS(selector))) }

func (b *tab) button(text string) {
	b.t.Helper()
	b.run(chromedp.Click(chromedp.Search(fmt.Sprintf(`//button[normalize-space(.)=%q]`, text))))
}

func (b *tab) keys(selector, text string) {
	b.t.Helper()
	b.run(chromedp.SendKeys(chromedp.CSS(selector), text))
}

// open goes to an address; the first time, the script reloads the page once
// to have it in the browser's time zone.
func (b *tab) open(url string) {
	b.t.Helper()
	b.run(chromedp.Navigate(url))
	b.until(`document.readyState === "complete" && document.body.dataset.zone === "Europe/Lisbon"`)
}

// until waits for a condition of the page, which the browser watches for. The
// page's own policy forbids to make functions of text, so no poll that does.
func (b *tab) until(js string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
	defer cancel()
	for {
		_, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`new Promise(ok => { const look = () => { let good = false; try { good = Boolean(`+
			js+`) } catch { } if (good) ok(true); else setTimeout(look, 40) }; look() })`, chromedp.EvalAwaitPromise))
		if err == nil {
			return
		}
		if ctx.Err() != nil { // otherwise the page was left: ask the next
			b.t.Fatalf("waited in vain for %s: %v\npage: %s", js, err, b.text())
		}
	}
}

func (b *tab) untilText(selector, text string) {
	b.t.Helper()
	b.until(fmt.Sprintf(`[...document.querySelectorAll(%q)].some(e => e.textContent.includes(%q))`, selector, text))
}

// shot keeps a picture of the whole page, if wanted.
func (b *tab) shot(name string) {
	dir := os.Getenv(shotsEnv)
	if dir == "" {
		return
	}
	png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	require.NoError(b.t, err)
	require.NoError(b.t, os.MkdirAll(dir, 0o755))
	require.NoError(b.t, os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644))
}

// sound fails if the page does not fit the screen, its script failed, or
// somebody's text ran as a script.
func (b *tab) sound(what string) {
	b.t.Helper()
	// Not innerWidth, which grows with the page on a phone.
	assert.LessOrEqual(b.t, eval[int64](b, `document.scrollingElement.scrollWidth`), b.wide, "%s is wider than the screen", what)
	assert.False(b.t, eval[bool](b, `"owned" in window`), "%s: text of a stranger ran as a script", what)
	b.mu.Lock()
	defer b.mu.Unlock()
	assert.Empty(b.t, b.errs, what)
}

// The main ways through the page, on each screen.
func TestPageInBrowser(t *testing.T) {
	browser := newBrowser(t)
	for _, s := range screens {
		t.Run(s.name, func(t *testing.T) {
			c := newCellar(t, "")
			c.history(34)
			b := newTab(t, browser, s)

			b.open(c.url + "/")
			b.untilText("#link-state", "live")
			b.untilText("h3", evil) // as text
			b.sound("the list")

			// A reading that a board publishes shows without a reload.
			eval[bool](b, `window.same = true`)
			c.publish("tank", 213)
			b.untilText(".row", "213 counts")
			for i := range 6 {
				c.publish("tank", 640+float64(i%3))
			}
			b.until(`document.querySelector('.waiting [data-find="tank lit"]')`)
			assert.True(t, eval[bool](b, `window.same === true`), "the page was reloaded")
			b.shot(s.name + "-1-lamps")

			// Acknowledge.
			b.click(`button[aria-label="Acknowledge tank"]`)
			b.untilText("#said", "tank: acknowledged.")
			b.until(`!document.querySelector('button[aria-label="Acknowledge tank"]')`)
			var st rules.AlarmStatus
			require.NoError(t, c.d.do(t.Context(), job{look: func(m *rules.Machine) { st, _ = m.LampAlarm("tank") }}))
			assert.Equal(t, rules.AlarmAcknowledged, st.State)

			// The link in a message shows what there is to acknowledge.
			token, err := link.Make(c.d.linkKey, link.Claims{Action: link.Ack, About: "lamp/salt", Expires: c.clock.Wall().Add(time.Hour)})
			require.NoError(t, err)
			b.open(c.url + "/link?t=" + token)
			b.untilText("main", "salt is lit")
			b.sound("a link")
			b.shot(s.name + "-7-link")
			b.click("main .do")
			b.untilText("main", "salt: acknowledged.")
			b.open(c.url + "/link?t=" + token)
			b.untilText("main", "salt: nothing to acknowledge")

			// One lamp.
			b.open(c.url + "/lamp?name=tank&span=7d")
			b.untilText("#link-state", "live")
			b.until(`document.querySelectorAll(".trace").length > 0`)
			b.sound("a lamp")
			b.shot(s.name + "-2-lamp")
			b.open(c.url + "/lamp?name=freezer&span=24h")
			b.sound("a blinking lamp")
			b.shot(s.name + "-3-lamp-blinking")

			// Teach and shelve.
			b.open(c.url + "/lamp?name=tank")
			b.click(`button[value=dark]`)
			b.untilText("#said", "tank: noted that it is dark now.")
			b.button("Shelve")
			b.untilText("#said", "tank: nothing is sent about it for 8 h.")
			b.untilText(".now .tag", "shelved until")
			b.button("Unshelve")
			b.until(`!document.querySelector(".now .tag")?.innerText.includes("shelved")`)

			// Aim.
			b.open(c.url + "/aim?name=tank")
			b.untilText("#link-state", "live")
			c.publish("tank", 222)
			b.untilText(".huge", "222")
			px := eval[float64](b, `parseFloat(getComputedStyle(document.querySelector(".huge")).fontSize)`)
			assert.GreaterOrEqual(t, px, 80.0, "the count is to be read at arm's length")
			b.sound("aiming")
			b.shot(s.name + "-4-aim")

			// Messages: what was given up goes out again on request.
			c.park("old phone")
			b.open(c.url + "/alerts?state=dead")
			b.untilText(".message", "not delivered")
			b.sound("messages")
			b.open(c.url + "/alerts")
			b.shot(s.name + "-5-messages")
			c.park("old phone")
			b.open(c.url + "/alerts?state=dead")
			b.untilText("main", "Send all of them again")
			const gap = `document.querySelector("main > .card").getBoundingClientRect().top -
				document.querySelector("[data-part=messages]").lastElementChild.getBoundingClientRect().bottom`
			assert.GreaterOrEqual(t, eval[float64](b, gap), 8.0, "the button stands apart from what is below")
			b.shot(s.name + "-5-messages-not-delivered")
			b.open(c.url + "/alerts?route=nobody")
			b.untilText("main", "None.")
			assert.GreaterOrEqual(t, eval[float64](b, gap), 8.0, "so does this")
			b.open(c.url + "/alerts?state=dead")
			b.click(`.message .do`)
			b.untilText("#said", "is back in line.")

			b.open(c.url + "/board?name=tank")
			b.untilText(".state", "reports")
			b.sound("a board")
			b.shot(s.name + "-6-board")
			b.open(c.url + "/lamp?name=nobody")
			b.untilText("main", "There is no lamp of this name.")
		})
	}
}

// Levels are set by dragging their lines, and by typing; then they are learned
// again, and then everything is.
func TestPageDragLevel(t *testing.T) {
	browser := newBrowser(t)
	c := newCellar(t, "")
	c.history(34)
	b := newTab(t, browser, screens[1])
	b.open(c.url + "/lamp?name=tank&span=7d")
	b.untilText("#link-state", "live")
	b.click("#hand summary")
	before := eval[string](b, `document.querySelector("#on_above").value`)
	at := eval[struct{ X, Y, Top, Height, Lo, Hi float64 }](b, `(() => { document.querySelector(".chart").scrollIntoView();
		const p = document.querySelector(".plot").getBoundingClientRect(), c = document.querySelector(".chart").dataset;
		const l = document.querySelector('[data-level="on"] line');
		return { X: p.left + p.width / 2, Y: p.top + Number(l.getAttribute("y1")), Top: p.top, Height: Number(c.height), Lo: Number(c.lo), Hi: Number(c.hi) } })()`)
	to := at.Y - 15
	b.run(chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, at.X, at.Y, chromedp.ButtonLeft),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, at.X, to, chromedp.ButtonLeft),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, at.X, to, chromedp.ButtonLeft))
	after := eval[float64](b, `Number(document.querySelector("#on_above").value)`)
	want := at.Hi - (to-at.Top)/at.Height*(at.Hi-at.Lo)
	assert.InDelta(t, want, after, 1, "the field follows the line (it was %s)", before)
	b.shot("drag")
	b.button("Use these levels")
	b.untilText("#said", "tank: lit from")
	var cfg rules.Config
	require.NoError(t, c.d.do(t.Context(), job{look: func(m *rules.Machine) { cfg = m.Config() }}))
	assert.Equal(t, after, cfg.Lamps[0].Learn.Manual.OnAbove)
	kept, err := readLevels(c.d.cfg.Store.Dir)
	require.NoError(t, err)
	assert.Equal(t, after, kept["tank"].OnAbove, "kept for the next start")
	// By keyboard: type, and press Enter.
	eval[bool](b, `document.querySelector("#on_above").value = "", true`)
	b.keys("#on_above", "501\r")
	b.untilText("#said", "tank: lit from 501")
	b.click("#anew summary")
	b.button("Learn the lamp anew")
	b.untilText("#said", "set by hand, so nothing of it is learned")
	b.button("Go back to learned levels")
	b.untilText("#said", "tank: the levels are learned.")
	kept, err = readLevels(c.d.cfg.Store.Dir)
	require.NoError(t, err)
	assert.NotContains(t, kept, "tank")
	b.button("Learn the lamp anew")
	b.untilText("#said", "what was learned is forgotten")
	b.untilText(".now .state", "learning")
	b.shot("anew")
	b.sound("levels")
}

// cutter is a wire between browser and page that a test can cut.
type cutter struct {
	ln    net.Listener
	to    string
	mu    sync.Mutex
	conns []net.Conn
	cut   bool
}

func newCutter(t testing.TB, to string) *cutter {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	k := &cutter{ln: ln, to: to}
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			k.mu.Lock()
			up, err := net.Dial("tcp", to)
			if k.cut || err != nil {
				_ = c.Close()
				k.mu.Unlock()
				continue
			}
			k.conns = append(k.conns, c, up)
			k.mu.Unlock()
			wg.Go(func() { _, _ = io.Copy(up, c); _ = up.Close() })
			wg.Go(func() { _, _ = io.Copy(c, up); _ = c.Close() })
		}
	})
	t.Cleanup(func() { _ = ln.Close(); k.set(true); wg.Wait() })
	return k
}

func (k *cutter) set(cut bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.cut = cut; cut {
		for _, c := range k.conns {
			_ = c.Close()
		}
		k.conns = nil
	}
}

// When the connection drops the page says so, comes back by itself, and then
// shows what it missed.
func TestPageReconnects(t *testing.T) {
	browser := newBrowser(t)
	c := newCellar(t, "")
	c.history(2)
	wire := newCutter(t, c.at.page.String())
	b := newTab(t, browser, screens[0])
	b.open("http://" + wire.ln.Addr().String() + "/")
	b.untilText("#link-state", "live")
	c.publish("freezer", 1501)
	b.untilText(".row", "1501 counts")
	wire.set(true)
	b.untilText("#link-state", "Connection lost")
	b.shot("lost")
	c.publish("freezer", 1502)
	text := eval[string](b, `document.querySelector("#list").innerText`)
	assert.NotContains(t, text, "1502", "nothing can have come over a cut wire")
	wire.set(false)
	b.untilText("#link-state", "live")
	b.untilText(".row", "1502 counts")
	b.mu.Lock()
	defer b.mu.Unlock()
	assert.Empty(t, b.errs)
}

// Who presses a button of a page that shows less than there is gets the page anew, and
// can acknowledge what it shows then.
func TestPageAckAfterNews(t *testing.T) {
	browser := newBrowser(t)
	c := newCellar(t, "")
	lights := func() {
		for _, v := range []float64{1500, 1500, 2000, 2000} {
			c.publish("freezer", v)
		}
	}
	b := newTab(t, browser, screens[0])
	// No news reaches this page by itself, and nothing of it is replaced while it is pressed.
	_, err := chromedp.Call(b.ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{
		Source: `window.EventSource = class extends EventTarget { close() {} }`})
	require.NoError(t, err)
	lights()
	for _, where := range []string{"/", "/lamp?name=freezer"} {
		b.open(c.url + where)
		lights()
		press := `form[action="/do/ack"] button`
		b.click(press)
		b.untilText("#said", "freezer: not acknowledged yet")
		b.click(press)
		b.untilText("#said", "freezer: acknowledged.")
		lights()
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	assert.Empty(t, b.errs)
}

// With people configured one has to log in.
func TestPageLogin(t *testing.T) {
	browser := newBrowser(t)
	hash, err := broker.HashPassword("correct horse")
	require.NoError(t, err)
	c := newCellar(t, fmt.Sprintf("[[person]]\nname = \"ann\"\npassword_hash = %q\n", hash))
	b := newTab(t, browser, screens[0])
	b.open(c.url + "/lamp?name=tank")
	b.keys("#name", "ann")
	b.keys("#password", "wrong\r")
	b.untilText("[role=alert]", "Name or password is wrong.")
	b.shot("login-wrong")
	b.keys("#password", "correct horse\r")
	b.untilText("h1", "tank")
	b.untilText("#link-state", "live")
	assert.NotContains(t, eval[string](b, `document.cookie`), "lampward", "the script must not see the session")
	b.button("Log out")
	b.untilText("h1", "Log in")
	b.open(c.url + "/alerts")
	b.untilText("h1", "Log in")
}

// axe-core finds no serious mistake that keeps people with disabilities out.
func TestPageAccessible(t *testing.T) {
	browser := newBrowser(t)
	npm := needProgram(t, "npm")
	dir := t.TempDir()
	cmd := exec.Command(npm, "install", "--no-save", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix", dir, axePackage)
	if out, err := cmd.CombinedOutput(); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("npm: %v\n%s", err, out)
		}
		t.Skipf("npm: %v", err)
	}
	axe, err := os.ReadFile(filepath.Join(dir, "node_modules", "axe-core", "axe.min.js"))
	require.NoError(t, err)
	hash, err := broker.HashPassword("correct horse")
	require.NoError(t, err)
	var many strings.Builder // so that some are folded away
	for i := range 30 {
		fmt.Fprintf(&many, "[[lamp]]\nname = \"cellar %d\"\ntopic = \"many/%d\"\n", i, i)
	}
	c := newCellar(t, many.String())
	c.history(34)
	locked := newCellar(t, fmt.Sprintf("[[person]]\nname = \"ann\"\npassword_hash = %q\n", hash))
	check := func(b *tab) []string {
		eval[bool](b, string(axe)+"\n;true")
		out := eval[string](b, `axe.run(document, { resultTypes: ["violations"] }).then(r => JSON.stringify(r.violations.map(v => ({ id: v.id, impact: v.impact, help: v.help, nodes: v.nodes.map(n => n.html).slice(0, 3) }))))`, chromedp.EvalAwaitPromise)
		var list []struct {
			ID, Impact, Help string
			Nodes            []string
		}
		require.NoError(t, json.Unmarshal([]byte(out), &list))
		var bad []string
		for _, v := range list {
			t.Logf("axe: %s (%s): %s %q", v.ID, v.Impact, v.Help, v.Nodes)
			if v.Impact == "serious" || v.Impact == "critical" {
				bad = append(bad, v.ID+": "+v.Help)
			}
		}
		return bad
	}
	for _, s := range screens {
		b := newTab(t, browser, s)
		for _, path := range []string{"/", "/lamp?name=tank&span=7d", "/lamp?name=freezer", "/aim?name=tank", "/alerts", "/board?name=salt", "/lamp?name=nobody"} {
			b.open(c.url + path)
			eval[bool](b, `document.querySelectorAll("details").forEach(d => d.open = true), true`)
			assert.Empty(t, check(b), "%s on %s", path, s.name)
		}
		b.open(locked.url + "/")
		assert.Empty(t, check(b), "login on %s", s.name)
	}
	// The control: a mistake is found.
	b := newTab(t, browser, screens[0])
	b.open(c.url + "/")
	eval[bool](b, `document.querySelector("main").insertAdjacentHTML("beforeend", '<button></button><img src="/static/mark.svg">'); true`)
	assert.NotEmpty(t, check(b))
}

// A browser that runs no script gets the whole page, and its forms work.
func TestPageWithoutScript(t *testing.T) {
	browser := newBrowser(t)
	c := newCellar(t, "")
	c.history(1)
	b := newTab(t, browser, screens[0])
	_, err := chromedp.Call(b.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	require.NoError(t, err)
	b.run(chromedp.Navigate(c.url + "/lamp?name=tank"))
	// The page that answers must be there before it is searched: the one left has
	// the same parts.
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	_, err = chromedp.RunResponse(ctx, chromedp.Click(chromedp.Search(`//button[normalize-space(.)="Shelve"]`)))
	require.NoError(t, err)
	said, err := chromedp.Run(b.ctx, chromedp.Text(chromedp.CSS(`#said:not([hidden])`)))
	require.NoError(t, err)
	assert.Equal(t, "tank: nothing is sent about it for 8 h.", said)
}
