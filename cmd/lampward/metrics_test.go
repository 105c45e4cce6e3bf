package main

import (
	"context"
	"fmt"
	"log/slog"
	"net/http/httptest"
	"os"
	"os/exec"
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
	src, err := newPageSource(h.d)
	require.NoError(t, err)
	b, err := broker.NewEmbedded(broker.Options{Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	m := newMeters(h.d, src, h.st, b)
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
	require.NoError(t, h.turn(&job{inputs: []rules.Input{{Kind: rules.InReading, Device: "freezer", Volts: &volts}}}))
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

// The reference parser of the format's authors, strict by design, reads what
// the meters write (prometheus_client.openmetrics.parser, Debian's package
// python3-prometheus-client).
func TestMetricsReferenceParser(t *testing.T) {
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import prometheus_client.openmetrics.parser").Run(); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("Debian's package python3-prometheus-client is not installed")
		}
		t.Skip("needs Debian's package python3-prometheus-client")
	}
	parse := func(text string) (string, error) {
		cmd := exec.Command(python, "-c", `
import sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse
for f in parse(sys.stdin.read()):
    for s in f.samples:
        print(f.name, f.type, f.unit, s.name, sorted(s.labels.items()), float(s.value))`)
		cmd.Stdin = strings.NewReader(text)
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
	out, err := parse(scrape(t, harnessConfig))
	require.NoError(t, err, out)
	assert.Contains(t, out, "lampward_lamp_state stateset  lampward_lamp_state [('lamp', 'freezer'), ('lampward_lamp_state', 'lit')] 1.0\n")
	assert.Contains(t, out, "lampward_messages counter  lampward_messages_total [('result', 'taken')] 60.0\n")
	assert.Contains(t, out, "lampward_board_battery_volts gauge volts lampward_board_battery_volts [('board', 'freezer')] 3.71\n")

	out, err = parse(scrape(t, awkwardNames))
	require.NoError(t, err, out)
	assert.Contains(t, out, `('lamp', 'a "b" \\ {c}, d=é')`)

	// Controls: the parser does refuse.
	good := scrape(t, harnessConfig)
	for _, bad := range []string{
		strings.TrimSuffix(good, "# EOF\n"),
		strings.Replace(good, "# TYPE lampward_messages counter", "# TYPE lampward_messages_total counter", 1),
		strings.Replace(good, `lamp="tank"`, `lamp="ta"nk"`, 1),
	} {
		_, err := parse(bad)
		assert.Error(t, err)
	}
}

// A store that does not answer is no reason to serve half of the numbers.
func TestMetricsWithoutStore(t *testing.T) {
	h := newHarness(t, harnessConfig)
	src, err := newPageSource(h.d)
	require.NoError(t, err)
	m := newMeters(h.d, src, failingSizes{h.st}, nil)
	ctx, stop := context.WithCancel(t.Context())
	looped := make(chan error, 1)
	go func() { looped <- h.d.loop(ctx) }()
	defer func() { stop(); <-looped }()
	w := httptest.NewRecorder()
	m.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	assert.Equal(t, 503, w.Code)
	assert.NotContains(t, w.Body.String(), "errDisk")
}

type failingSizes struct{ *store.Store }

func (failingSizes) Size(context.Context) (store.Size, error) { return store.Size{}, errDisk }
