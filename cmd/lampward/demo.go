package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"lampward/cmd/lampward/config"
	"lampward/rules"
	"lampward/rules/learn"
)

var demoCommand = command{
	name: "demo", brief: "see it work: a simulated cellar, real MQTT, real alerts", usage: "[-for 20s]",
	about: `
Demo simulates three boards in a shared house's cellar: over the tank lamp of a
portable air conditioner, the salt lamp of a water softener and the alarm lamp
of a chest freezer. They publish over real MQTT to lampward's own broker, a day
and a half in the time you give; alerts go out as webhooks to a receiver that
the demo starts as well. It needs nothing and leaves nothing behind.

With -for it ends by itself: exit code 0 if every expected alert arrived, once.
Without, it goes on until Ctrl-C; look at the page meanwhile.

examples:
  lampward demo
  lampward demo -for 20s`,
}

func init() {
	demoCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		length := f.Duration("for", 0, "end after about this `TIME`, such as 20s; 0: go on until Ctrl-C")
		if code, ok := demoCommand.parse(c, f, args, 0); !ok {
			return code
		}
		if *length < 0 {
			fmt.Fprintln(c.err, "lampward demo: -for must not be negative; write a length of time such as 20s")
			return exitUsage
		}
		d := demo{out: c.out, length: *length}
		if err := d.run(ctx); err != nil {
			fmt.Fprintln(c.err, "lampward demo:", err)
			return exitFailed
		}
		return exitOK
	}
}

// demo is the simulated cellar and the receiver of its alerts.
type demo struct {
	out    io.Writer
	length time.Duration // 0: until ctx ends

	clock *simClock
	start time.Time

	mu       sync.Mutex
	arrived  map[string]int // by "kind subject"
	ids      map[string]int
	readings int
}

// demoBoard is one board and the lamp under its sensor. Invented data.
type demoBoard struct {
	name      string
	dark, lit float64 // counts
	noise     float64
	lamp      func(hour float64) learn.State
	gone      func(hour float64) bool // the board does not report
	daylight  float64                 // counts at noon
	client    mqtt.Client
	expected  []string // alerts of one run, "kind subject"
}

const demoHours = 36

// between tells whether x lies in one of the spans, given as pairs.
func between(x float64, spans ...float64) bool {
	for i := 0; i+1 < len(spans); i += 2 {
		if x >= spans[i] && x < spans[i+1] {
			return true
		}
	}
	return false
}

func demoBoards() []*demoBoard {
	when := func(s learn.State, spans ...float64) func(float64) learn.State {
		return func(h float64) learn.State {
			if between(h, spans...) {
				return s
			}
			return learn.Dark
		}
	}
	always := func(float64) bool { return false }
	return []*demoBoard{
		{name: "tank", dark: 212, lit: 640, noise: 5, gone: always,
			lamp:     when(learn.Lit, 8, 10.5, 20, 23),
			expected: []string{"lit tank", "dark tank", "lit tank", "dark tank"}},
		{name: "salt", dark: 96, lit: 181, noise: 3, daylight: 20,
			lamp:     when(learn.Lit, 28, 40),
			gone:     func(h float64) bool { return between(h, 16, 18) },
			expected: []string{"silent salt", "returned salt", "lit salt"}},
		{name: "freezer", dark: 1490, lit: 2210, noise: 12, gone: always,
			lamp:     when(learn.Blinking, 13, 14.5, 25, 26.5),
			expected: []string{"blinking freezer", "dark freezer", "blinking freezer", "dark freezer"}},
	}
}

// count is what the sensor reads; phase says whether a blinking lamp is on.
func (b *demoBoard) count(hour float64, rng *rand.Rand) float64 {
	level := b.dark + b.daylight*math.Max(0, math.Sin((hour-6)*math.Pi/12))
	switch b.lamp(hour) {
	case learn.Lit:
		level += b.lit - b.dark
	case learn.Blinking:
		if rng.IntN(2) == 1 {
			level += b.lit - b.dark
		}
	}
	return math.Round(level + b.noise*rng.NormFloat64())
}

func (d *demo) run(ctx context.Context) (err error) {
	dir, err := os.MkdirTemp("", "lampward-demo-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	receiver, err := d.receive()
	if err != nil {
		return err
	}
	defer receiver.stop()
	boards := demoBoards()
	cfg, err := demoConfig(boards, receiver.url, dir)
	if err != nil {
		return err
	}
	d.start = time.Now().UTC().Truncate(24 * time.Hour)
	d.clock = &simClock{now: d.start}
	d.arrived, d.ids = map[string]int{}, map[string]int{}

	serving, stopServing := context.WithCancel(context.WithoutCancel(ctx))
	defer stopServing()
	ready := make(chan addresses, 1)
	served := make(chan error, 1)
	go func() {
		served <- serve(serving, cfg, serveOptions{
			log: slog.New(slog.DiscardHandler), clock: d.clock, wall: d.clock.Wall,
			ready: func(a addresses) { ready <- a },
		})
	}()
	var at addresses
	select {
	case at = <-ready:
	case err := <-served:
		return err
	}
	fmt.Fprintf(d.out, "A simulated cellar with %d boards publishes to the broker at %s.\n", len(boards), at.broker)
	fmt.Fprintf(d.out, "Alerts go to %s; the page is at http://%s/\n\n", receiver.url, at.page)
	if d.length == 0 {
		openPage("http://" + at.page.String() + "/")
	}
	simErr := d.simulate(ctx, boards, at.broker.String(), served)
	stopServing()
	// After a clean stop every alert that was due has been tried.
	if err := <-served; err != nil {
		return err
	}
	if simErr != nil {
		if errors.Is(simErr, context.Canceled) && d.length == 0 {
			return nil // Ctrl-C is how an endless demo ends
		}
		return simErr
	}
	return d.summary(boards)
}

// simulate lets the boards publish minute by minute. Engine time moves only
// when every reading of a minute was acknowledged, so a slow machine makes the
// demo longer, never different.
func (d *demo) simulate(ctx context.Context, boards []*demoBoard, broker string, served chan error) error {
	for _, b := range boards {
		o := mqtt.NewClientOptions().AddBroker("tcp://" + broker).SetClientID(b.name + "-board").SetAutoReconnect(false)
		b.client = mqtt.NewClient(o)
		if t := b.client.Connect(); t.Wait() && t.Error() != nil {
			return fmt.Errorf("board %s cannot connect: %w", b.name, t.Error())
		}
		defer b.client.Disconnect(250)
	}
	length := d.length * 9 / 10 // the rest is for start and end
	if length == 0 {
		length = time.Minute
	}
	steps := demoHours * 60
	rng := rand.New(rand.NewPCG(7, 11))
	began := time.Now()
	for i := 0; d.length == 0 || i < steps; i++ {
		hour := float64(i%steps) / 60
		var tokens []mqtt.Token
		for _, b := range boards {
			if b.gone(hour) {
				continue
			}
			count := strconv.FormatFloat(b.count(hour, rng), 'f', 0, 64)
			tokens = append(tokens, b.client.Publish("cellar/"+b.name+"/light", 1, false, count))
		}
		for _, t := range tokens {
			select {
			case <-t.Done():
			case err := <-served:
				served <- err
				return fmt.Errorf("the daemon stopped: %w", err)
			case <-ctx.Done():
				return ctx.Err()
			}
			if t.Error() != nil {
				return t.Error()
			}
			d.mu.Lock()
			d.readings++
			d.mu.Unlock()
		}
		d.clock.Advance(time.Minute)
		pace := time.NewTimer(time.Until(began.Add(length * time.Duration(i+1) / time.Duration(steps))))
		select {
		case <-pace.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// demoConfig is a configuration as a person would write it.
func demoConfig(boards []*demoBoard, hook, dir string) (*config.Config, error) {
	text := fmt.Sprintf("[broker]\nlisten = \"127.0.0.1:0\"\n[store]\ndir = %q\n[page]\nlisten = \"127.0.0.1:0\"\n", dir)
	for _, b := range boards {
		text += fmt.Sprintf("[[lamp]]\nname = %q\ntopic = \"cellar/%s/light\"\n", b.name, b.name)
	}
	text += fmt.Sprintf("[[webhook]]\nname = \"phone\"\nurl = %q\n", hook)
	return config.Parse("demo.toml", []byte(text))
}

// demoReceiver stands for the phone.
type demoReceiver struct {
	url  string
	stop func()
}

func (d *demo) receive() (*demoReceiver, error) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	srv := &http.Server{Handler: http.HandlerFunc(d.alert), ReadHeaderTimeout: 10 * time.Second}
	done := make(chan struct{})
	go func() { defer close(done); _ = srv.Serve(ln) }()
	return &demoReceiver{
		url:  "http://" + ln.Addr().String() + "/phone",
		stop: func() { _ = srv.Close(); <-done },
	}, nil
}

// alert takes one webhook.
func (d *demo) alert(w http.ResponseWriter, r *http.Request) {
	var ce struct {
		ID   string    `json:"id"`
		Time time.Time `json:"time"`
		Data struct {
			Lamp, Device, Kind, Text, Why string
			Confidence                    float64
		} `json:"data"`
	}
	if err := json.NewDecoder(io.LimitReader(r.Body, 1<<20)).Decode(&ce); err != nil {
		http.Error(w, "not JSON", http.StatusBadRequest)
		return
	}
	subject := ce.Data.Lamp
	if subject == "" {
		subject = ce.Data.Device
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ids[ce.ID]++
	if d.ids[ce.ID] > 1 {
		fmt.Fprintf(d.out, "%s  (again: %s)\n", d.stamp(ce.Time), ce.Data.Text)
		return
	}
	d.arrived[ce.Data.Kind+" "+subject]++
	fmt.Fprintf(d.out, "%s  ALERT  %s\n%18s%s\n", d.stamp(ce.Time), ce.Data.Text, "", ce.Data.Why)
}

func (d *demo) stamp(t time.Time) string {
	return fmt.Sprintf("day %d %s", 1+int(t.Sub(d.start)/(24*time.Hour)), t.Format("15:04"))
}

// summary compares what arrived with what should have.
func (d *demo) summary(boards []*demoBoard) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	want := map[string]int{}
	total := 0
	for _, b := range boards {
		for _, e := range b.expected {
			want[e]++
			total++
		}
	}
	var missing, extra, good int
	fmt.Fprintln(d.out)
	for _, kind := range rules.Kinds() {
		for _, b := range boards {
			key := string(kind) + " " + b.name
			n, w := d.arrived[key], want[key]
			good += min(n, w)
			if n < w {
				missing += w - n
				fmt.Fprintf(d.out, "missing: %s (%d of %d)\n", key, n, w)
			}
			if n > w {
				extra += n - w
				fmt.Fprintf(d.out, "not expected: %s (%d times more)\n", key, n-w)
			}
		}
	}
	again := 0
	for _, n := range d.ids {
		again += n - 1
	}
	fmt.Fprintf(d.out, "%d readings in %d simulated hours; %d of %d expected alerts arrived, %d wrong, %d twice.\n",
		d.readings, demoHours, good, total, extra, again)
	if missing+extra > 0 {
		return fmt.Errorf("%d alerts missing, %d wrong", missing, extra)
	}
	return nil
}

// openPage shows the page in the person's browser if there is a desktop; the
// address has been printed in any case.
func openPage(url string) {
	var cmd *exec.Cmd
	switch {
	case runtime.GOOS == "darwin":
		cmd = exec.Command("open", url)
	case runtime.GOOS == "windows":
		cmd = exec.Command("rundll32", "url.dll,FileProtocolHandler", url)
	case os.Getenv("DISPLAY") != "" || os.Getenv("WAYLAND_DISPLAY") != "":
		cmd = exec.Command("xdg-open", url)
	default:
		return
	}
	if cmd.Start() == nil {
		go func() { _ = cmd.Wait() }()
	}
}
