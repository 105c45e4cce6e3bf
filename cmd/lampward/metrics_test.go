package main

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/rules"
	"lampward/store"
)

// scrape lets a daemon live for an hour, with trouble of several kinds, and
// returns what its meters then say.
func scrape(t *testing.T, text string) string {
	h := newHarness(t, text)
	b, err := broker.NewEmbedded(broker.Options{Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	m := newMeters(h.d, &pageSource{d: h.d}, b)
	for i := range 60 {
		v := 200 + i%3
		if i >= 30 {
			v = 900
		}
		require.NoError(t, h.publish("cellar/freezer", fmt.Sprint(v)))
		require.NoError(t, h.publish("cellar/salt", "no number"))
		require.NoError(t, h.publish("cellar/nobody", "1"))
		h.clock.Advance(time.Minute)
	}
	volts := 3.71
	require.NoError(t, h.turn(&entry{inputs: []rules.Input{{Kind: rules.InReading, Device: "freezer", Volts: &volts}}}))
	ctx, stop := context.WithCancel(t.Context())
	looped := make(chan error, 1)
	go func() { looped <- h.d.loop(ctx) }()
	defer func() { stop(); <-looped }()
	w := httptest.NewRecorder()
	m.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	require.Equal(t, 200, w.Code, w.Body)
	assert.Equal(t, openMetricsType, w.Header().Get("Content-Type"))
	return w.Body.String()
}

func TestMetrics(t *testing.T) {
	text := scrape(t, harnessConfig)
	for _, want := range []string{
		`lampward_messages_total{result="taken"} 60`,
		`lampward_messages_total{result="malformed"} 60`,
		`lampward_messages_total{result="unknown"} 60`,
		`lampward_events_total{kind="lit"} 1`,
		`lampward_events_total{kind="dark"} 0`,
		`lampward_lamp_state{lamp="freezer",lampward_lamp_state="lit"} 1`,
		`lampward_lamp_state{lamp="freezer",lampward_lamp_state="dark"} 0`,
		`lampward_lamp_state{lamp="tank",lampward_lamp_state="learning"} 1`,
		`lampward_lamp_value{lamp="freezer"} 900`,
		`lampward_board_battery_volts{board="freezer"} 3.71`,
		`lampward_board_silent{board="freezer"} 0`,
		`lampward_alerts_owed{state="pending"} 1`,
		`lampward_alarms{state="unacknowledged"} 1`,
		`lampward_storing 1`,
		`lampward_route_failing{route="webhook-1"} 0`,
		`lampward_broker_refused_total{reason="login"} 0`,
		`lampward_lamp_suspect{lamp="tank"} 0`,
	} {
		assert.Contains(t, text, "\n"+want+"\n")
	}
	assert.NotContains(t, text, `lampward_lamp_value{lamp="tank"}`, "no reading came, so there is no value")
	assert.NotContains(t, text, "192.0.2.1", "where alerts go may be secret")
	assert.NotContains(t, text, "cellar/", "topics of strangers would make labels without bound")
	assert.True(t, strings.HasSuffix(text, "\n# EOF\n"))
}

// A charge that a board reports is no voltage.
func TestMetricsOfACharge(t *testing.T) {
	text := scrape(t, strings.Replace(harnessConfig, `report_every = "1m"`, `charge = "/battery"`, 1))
	assert.Contains(t, text, "\nlampward_board_battery_charge_ratio{board=\"freezer\"} 0.0371\n")
	assert.NotContains(t, text, "lampward_board_battery_volts{")
}

// Names from the configuration may hold what the format gives a meaning to.
const awkwardNames = `
[[lamp]]
name = "a \"b\" \\ {c}, d=é"
topic = "x"
`

// Each line follows the grammar of OpenMetrics 1.0 (its ABNF, as far as the
// meters use it; from memory).
var openMetricsLine = regexp.MustCompile(`^(?:# (?:TYPE [a-z_]+ (?:counter|gauge|info|stateset)|UNIT [a-z_]+ [a-z]+|HELP [a-z_]+ (?:[^"\\\n]|\\[n"\\])+|EOF)` +
	`|[a-z_]+(?:\{[a-z_]+="(?:[^"\\\n]|\\[n"\\])*"(?:,[a-z_]+="(?:[^"\\\n]|\\[n"\\])*")*\})? (?:-?[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?|NaN))$`)

func TestMetricsGrammar(t *testing.T) {
	for _, config := range []string{harnessConfig, awkwardNames} {
		for line := range strings.Lines(scrape(t, config)) {
			assert.Regexp(t, openMetricsLine, strings.TrimSuffix(line, "\n"))
		}
	}
	assert.NotRegexp(t, openMetricsLine, `lampward_x{lamp="a"b"} 1`)
}

// The families are whole and in one piece, as OpenMetrics 1.0 wants (from
// memory): metadata before samples, counters end in _total, an end mark.
func TestMetricsFamilies(t *testing.T) {
	for _, config := range []string{harnessConfig, awkwardNames} {
		require.NoError(t, openMetricsFamilies(scrape(t, config)))
	}
	// Controls: what is wrong is refused.
	good := scrape(t, harnessConfig)
	for what, bad := range map[string]string{
		"no end":            strings.TrimSuffix(good, "# EOF\n"),
		"counter's name":    strings.Replace(good, "# TYPE lampward_messages counter", "# TYPE lampward_messages_total counter", 1),
		"sample alone":      strings.Replace(good, "# EOF", "lampward_storing 1\n# EOF", 1),
		"family in pieces":  strings.Replace(good, "# EOF", "# TYPE lampward_storing gauge\n# EOF", 1),
		"same sample twice": strings.Replace(good, "lampward_storing 1\n", "lampward_storing 1\nlampward_storing 1\n", 1),
	} {
		assert.Error(t, openMetricsFamilies(bad), what)
	}
}

// openMetricsFamilies checks the order of an exposition.
func openMetricsFamilies(text string) error {
	if !strings.HasSuffix(text, "\n# EOF\n") {
		return fmt.Errorf("does not end with # EOF")
	}
	family, kind := "", ""
	families, samples := map[string]bool{}, map[string]bool{}
	for line := range strings.Lines(strings.TrimSuffix(text, "# EOF\n")) {
		f := strings.Fields(line)
		switch {
		case f[0] == "#" && f[1] == "TYPE":
			if family, kind = f[2], f[3]; families[family] {
				return fmt.Errorf("family %s comes in pieces", family)
			}
			families[family] = true
		case f[0] == "#":
			if f[2] != family {
				return fmt.Errorf("%s outside of its family", line)
			}
		default:
			name, _, _ := strings.Cut(f[0], "{")
			want := family + map[string]string{"counter": "_total", "info": "_info"}[kind]
			key := line[:strings.LastIndexByte(line, ' ')]
			if name != want || samples[key] {
				return fmt.Errorf("sample %s of family %s: out of place or twice", line, family)
			}
			samples[key] = true
		}
	}
	return nil
}

// What could not be stored, and is decided again, is counted once.
func TestMetricsCountWhatIsStored(t *testing.T) {
	h := newHarness(t, harnessConfig)
	m := newMeters(h.d, &pageSource{d: h.d}, nil)
	say := func(v int) (err error) {
		for range 5 {
			h.clock.Advance(time.Minute)
			err = cmp.Or(err, h.publish("cellar/freezer", fmt.Sprint(v)))
		}
		return err
	}
	require.NoError(t, say(200))
	*h.failing = true
	require.ErrorIs(t, say(900), errDisk)
	*h.failing = false
	h.clock.Advance(mendEvery)
	require.NoError(t, h.turn(nil))
	require.NoError(t, say(900))
	var x exposition
	m.writeEvents(&x)
	for kind, n := range map[rules.Kind]int{rules.Lit: 1, rules.Downtime: 1, rules.Silent: 0} {
		assert.Contains(t, x.b.String(), fmt.Sprintf("lampward_events_total{kind=%q} %d\n", kind, n))
	}
}

// A store that does not answer is no reason to serve half of the numbers.
func TestMetricsWithoutStore(t *testing.T) {
	h := newHarness(t, harnessConfig)
	h.d.store = failingSizes{h.d.store}
	m := newMeters(h.d, &pageSource{d: h.d}, nil)
	ctx, stop := context.WithCancel(t.Context())
	looped := make(chan error, 1)
	go func() { looped <- h.d.loop(ctx) }()
	defer func() { stop(); <-looped }()
	w := httptest.NewRecorder()
	m.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	assert.Equal(t, 503, w.Code)
	assert.NotContains(t, w.Body.String(), "errDisk")
}

type failingSizes struct{ keeper }

func (failingSizes) Size(context.Context) (store.Size, error) { return store.Size{}, errDisk }
