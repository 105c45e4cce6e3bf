package main

import (
	"context"
	"fmt"
	"maps"
	"math"
	"net/http"
	"runtime/metrics"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"lampward/broker"
	"lampward/cmd/lampward/page"
	"lampward/rules"
	"lampward/store"
)

// meters serves the daemon's numbers in the OpenMetrics text format 1.0, for
// whatever program collects such. The usual client library would add eight
// modules and 2.4 MB to the program for these few; the format is a page long.
// Labels are names from the configuration and fixed words, so a scrape grows
// with the lamps and with nothing a stranger sends.
type meters struct {
	source  page.Source
	store   keeper
	broker  broker.Broker
	started time.Time

	mu     sync.Mutex
	events map[rules.Kind]uint64 // since the start
}

// newMeters returns the meters of a daemon and makes them count its events, each once
// it is stored: what could not be is decided again. It must be called before the loop
// runs. b may be nil.
func newMeters(d *daemon, src page.Source, b broker.Broker) *meters {
	m := &meters{source: src, store: d.store, broker: b, started: d.clock.Wall(), events: map[rules.Kind]uint64{}}
	d.keeps = func(recs []store.Record) {
		m.mu.Lock()
		defer m.mu.Unlock()
		for i := range recs {
			for j := range recs[i].Events {
				m.events[recs[i].Events[j].Kind]++
			}
		}
	}
	return m
}

// openMetricsType is the media type of the format (OpenMetrics 1.0).
const openMetricsType = "application/openmetrics-text; version=1.0.0; charset=utf-8"

// ServeHTTP answers a scrape.
func (m *meters) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), 8*time.Second)
	defer cancel()
	text, err := m.text(ctx)
	if err != nil {
		http.Error(w, "the numbers could not be gathered; the daemon's log says more", http.StatusServiceUnavailable)
		return
	}
	w.Header().Set("Content-Type", openMetricsType)
	_, _ = w.Write([]byte(text))
}

func (m *meters) text(ctx context.Context) (string, error) {
	st, err := m.source.Status(ctx)
	if err != nil {
		return "", fmt.Errorf("status: %w", err)
	}
	var x exposition
	x.family("lampward_build", "info", "", "The version that runs.")
	x.sample("lampward_build_info", 1, "version", st.Version)
	x.family("lampward_start_time_seconds", "gauge", "seconds", "When the daemon started, Unix time.")
	x.sample("lampward_start_time_seconds", unix(m.started))
	x.family("lampward_heap_bytes", "gauge", "bytes", "Memory in use by live and not yet collected objects.")
	x.sample("lampward_heap_bytes", heapBytes())
	x.family("lampward_storing", "gauge", "", "1 while readings can be stored, else 0: they are refused then.")
	x.sample("lampward_storing", bit(st.Broken == ""))
	x.family("lampward_route_failing", "gauge", "", "1 for a webhook or mail that refuses messages, or has taken none for some minutes, else 0.")
	for _, r := range st.Routes {
		x.sample("lampward_route_failing", bit(slices.ContainsFunc(st.Failing, func(f page.Failing) bool { return f.Route == r })), "route", r)
	}
	x.family("lampward_clock_set", "gauge", "", "1 once the wall clock is set, 0 while times are uncertain.")
	x.sample("lampward_clock_set", bit(!st.Uncertain))

	x.family("lampward_messages", "counter", "", "MQTT messages by what became of them.")
	for _, k := range sortedKeys(st.Counts) {
		result := k
		if k == "readings" {
			result = "taken"
		}
		x.sample("lampward_messages_total", float64(st.Counts[k]), "result", result)
	}
	m.writeEvents(&x)
	m.writeBroker(&x)
	if err := m.writeStore(ctx, &x); err != nil {
		return "", err
	}
	writeLamps(&x, st.Lamps)
	writeBoards(&x, st.Boards)
	writeAlarms(&x, st)
	x.b.WriteString("# EOF\n")
	return x.b.String(), nil
}

func (m *meters) writeEvents(x *exposition) {
	m.mu.Lock()
	defer m.mu.Unlock()
	x.family("lampward_events", "counter", "", "Events decided, by kind.")
	for _, k := range rules.Kinds() {
		x.sample("lampward_events_total", float64(m.events[k]), "kind", string(k))
	}
}

func (m *meters) writeBroker(x *exposition) {
	type count struct {
		word string
		n    uint64
	}
	var connects, lost uint64
	var refused []count
	switch b := m.broker.(type) {
	case *broker.Embedded:
		s := b.Stats()
		connects, lost = s.Connects, s.Lost
		refused = []count{
			{"denied", s.Denied}, {"login", s.LoginsRefused}, {"malformed", s.Malformed},
			{"not_stored", s.Refused}, {"too_many", s.TurnedAway}, {"slow", s.SlowDropped},
		}
	case *broker.External:
		s := b.Stats()
		connects, lost = s.Connects, s.Lost
		refused = []count{{"not_stored", s.Refused}, {"too_long", s.TooLong}}
	default:
		return
	}
	x.family("lampward_broker_connects", "counter", "", "MQTT connections that came up.")
	x.sample("lampward_broker_connects_total", float64(connects))
	x.family("lampward_broker_lost", "counter", "", "MQTT connections that ended without a goodbye.")
	x.sample("lampward_broker_lost_total", float64(lost))
	x.family("lampward_broker_refused", "counter", "", "Connections, logins and packets refused, by reason.")
	for _, c := range refused {
		x.sample("lampward_broker_refused_total", float64(c.n), "reason", c.word)
	}
}

func (m *meters) writeStore(ctx context.Context, x *exposition) error {
	size, err := m.store.Size(ctx)
	if err != nil {
		return err
	}
	x.family("lampward_store_bytes", "gauge", "bytes", "Room that the database takes on disk.")
	x.sample("lampward_store_bytes", float64(size.DB), "file", "database")
	x.sample("lampward_store_bytes", float64(size.WAL), "file", "log")
	owed, err := m.store.Owed(ctx)
	if err != nil {
		return err
	}
	x.family("lampward_alerts_owed", "gauge", "", "Alerts not delivered: pending ones are still tried, dead ones were given up.")
	x.sample("lampward_alerts_owed", float64(owed.Pending), "state", string(store.Pending))
	x.sample("lampward_alerts_owed", float64(owed.Dead), "state", string(store.Dead))
	return nil
}

func writeLamps(x *exposition, lamps []page.Lamp) {
	x.family("lampward_lamp_state", "stateset", "", "State of each lamp.")
	for _, l := range lamps {
		for _, s := range []string{"learning", "dark", "lit", "blinking"} {
			x.sample("lampward_lamp_state", bit(l.State == s), "lamp", l.Name, "lampward_lamp_state", s)
		}
	}
	each := func(name, unit, help string, value func(page.Lamp) (float64, bool)) {
		x.family(name, "gauge", unit, help)
		for _, l := range lamps {
			if v, ok := value(l); ok {
				x.sample(name, v, "lamp", l.Name)
			}
		}
	}
	each("lampward_lamp_value", "", "Newest reading, in counts.", func(l page.Lamp) (float64, bool) { return l.Value, !l.At.IsZero() })
	each("lampward_lamp_reading_time_seconds", "seconds", "When the newest reading came, Unix time.", func(l page.Lamp) (float64, bool) { return unix(l.At), !l.At.IsZero() })
	each("lampward_lamp_confidence_ratio", "ratio", "How sure the state is.", func(l page.Lamp) (float64, bool) { return l.Confidence, true })
	each("lampward_lamp_suspect", "", "1 while the sensor is under suspicion.", func(l page.Lamp) (float64, bool) { return bit(l.Fault != ""), true })
}

func writeBoards(x *exposition, boards []page.Board) {
	each := func(name, unit, help string, value func(page.Board) (float64, bool)) {
		x.family(name, "gauge", unit, help)
		for _, b := range boards {
			if v, ok := value(b); ok {
				x.sample(name, v, "board", b.Name)
			}
		}
	}
	pointer := func(p *float64) (float64, bool) {
		if p == nil {
			return 0, false
		}
		return *p, true
	}
	each("lampward_board_silent", "", "1 while the board is silent.", func(b page.Board) (float64, bool) { return bit(b.Silent), true })
	each("lampward_board_report_time_seconds", "seconds", "When the board last reported, Unix time.", func(b page.Board) (float64, bool) { return unix(b.Last), !b.Last.IsZero() })
	each("lampward_board_battery_volts", "volts", "Battery voltage, as reported.", func(b page.Board) (float64, bool) { return pointer(b.Volts) })
	each("lampward_board_battery_charge_ratio", "ratio", "Charge of the battery, 0 to 1, by its voltage or as reported.", func(b page.Board) (float64, bool) { return pointer(b.Charge) })
	each("lampward_board_signal_dbm", "", "Radio signal strength, dBm, as reported.", func(b page.Board) (float64, bool) { return pointer(b.RSSI) })
	each("lampward_board_battery_flat_time_seconds", "seconds", "When the battery is forecast to be flat, Unix time.", func(b page.Board) (float64, bool) {
		if b.Flat == nil {
			return 0, false
		}
		return unix(b.Flat.At), true
	})
}

func writeAlarms(x *exposition, st page.Status) {
	n := map[string]int64{"unacknowledged": 0, "acknowledged": 0, "returned_unacknowledged": 0, "shelved": 0, "out_of_service": 0}
	count := func(a page.Alarm) {
		if _, ok := n[a.State]; ok {
			n[a.State]++
		}
	}
	for _, l := range st.Lamps {
		count(l.Alarm)
	}
	for _, b := range st.Boards {
		count(b.Alarm)
	}
	x.family("lampward_alarms", "gauge", "", "Lamps and boards by the state of their alarm, except normal ones.")
	for _, k := range sortedKeys(n) {
		x.sample("lampward_alarms", float64(n[k]), "state", k)
	}
}

// exposition builds a text in the OpenMetrics format.
type exposition struct{ b strings.Builder }

// family begins a metric family; unit may be empty, else name ends with it.
func (x *exposition) family(name, kind, unit, help string) {
	fmt.Fprintf(&x.b, "# TYPE %s %s\n", name, kind)
	if unit != "" {
		fmt.Fprintf(&x.b, "# UNIT %s %s\n", name, unit)
	}
	fmt.Fprintf(&x.b, "# HELP %s %s\n", name, escapeLabel(help))
}

// sample writes one number; labels are name, value, name, value.
func (x *exposition) sample(name string, v float64, labels ...string) {
	x.b.WriteString(name)
	for i := 0; i < len(labels); i += 2 {
		x.b.WriteByte("{,"[min(i, 1)])
		x.b.WriteString(labels[i] + `="` + escapeLabel(labels[i+1]) + `"`)
	}
	if len(labels) > 0 {
		x.b.WriteByte('}')
	}
	x.b.WriteByte(' ')
	switch {
	case math.IsNaN(v):
		x.b.WriteString("NaN")
	case v == math.Trunc(v) && math.Abs(v) < 1<<53:
		x.b.WriteString(strconv.FormatFloat(v, 'f', -1, 64))
	default:
		x.b.WriteString(strconv.FormatFloat(v, 'g', -1, 64))
	}
	x.b.WriteByte('\n')
}

// escapeLabel makes text fit for a label value (OpenMetrics 1.0, "escaped-string").
func escapeLabel(s string) string {
	return strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`).Replace(strings.ToValidUTF8(s, "\uFFFD"))
}

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func unix(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

func heapBytes() float64 {
	s := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	metrics.Read(s)
	if s[0].Value.Kind() != metrics.KindUint64 {
		return 0
	}
	return float64(s[0].Value.Uint64())
}

func sortedKeys(m map[string]int64) []string { return slices.Sorted(maps.Keys(m)) }
