package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"lampward/broker"
	"lampward/rules"
	"lampward/rules/learn"
	"lampward/rules/span"
)

var replayCommand = command{
	name: "replay", brief: "decide over a recorded trace, as the daemon would have", usage: "[-config FILE] -lamp NAME [-states] [-score] TRACE.csv",
	about: `
Replay reads a CSV file with the header time,value or time,value,truth and
prints what lampward would have told, one JSON object a line. Times are
RFC 3339 or Unix seconds; truth is 0, 1, 2 or dark, lit, blinking, and is only
used by -score. The readings that a lamp's page offers as CSV will do as well, as
long as each line of them is one reading. A file with lines that cannot be read is
not decided over; the first 20 of them are told.

-score counts a change of the truth as missed if it was not told within 30 readings,
and no later than 3 after the next change. The way back from a lit that was missed
is not told, and so missed as well. An event that fits no change is false. What
changed within the last 15 readings counts only if it was told.

examples:
  lampward replay -config lampward.toml -lamp tank tank.csv
  lampward replay -config lampward.toml -lamp tank -states tank.csv > states.csv
  lampward replay -config lampward.toml -lamp tank -score tank.csv > /dev/null`,
}

func init() {
	replayCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		file := f.String("config", "", configUsage)
		name := f.String("lamp", "", "`NAME` of the lamp in the configuration; its settings are used")
		states := f.Bool("states", false, "print CSV time,value,state for every reading instead of events")
		score := f.Bool("score", false, "compare with the truth column: print changes, missed, false and median delay on standard error")
		if code, ok := replayCommand.parse(c, f, args, 1); !ok {
			return code
		}
		fail := func(code int, format string, args ...any) int {
			fmt.Fprintf(c.err, "lampward replay: "+format+"\n", args...)
			return code
		}
		if f.NArg() != 1 {
			return fail(exitUsage, "name one trace file; usage: lampward replay %s", replayCommand.usage)
		}
		cfg, code := loadConfig(c, *file)
		if cfg == nil {
			return code
		}
		own, ok := oneLamp(cfg.Rules, *name)
		if !ok {
			var names []string
			for _, l := range cfg.Lamps {
				names = append(names, l.Name)
			}
			return fail(exitUsage, "%s has no lamp %q; write -lamp and one of %s", cfg.File, *name, strings.Join(names, ", "))
		}
		in := c.in
		if f.Arg(0) != "-" {
			r, err := os.Open(f.Arg(0))
			if err != nil {
				return fail(exitFailed, "%v", err)
			}
			defer r.Close()
			in = r
		}
		out := bufio.NewWriter(c.out)
		err := replay(ctx, in, f.Arg(0), own, replayOptions{states: *states, score: *score, out: out, err: c.err})
		if e := out.Flush(); err == nil {
			err = e
		}
		if wrong := (traceMistakes{}); errors.As(err, &wrong) {
			fmt.Fprintln(c.err, wrong)
			return exitFailed
		}
		if err != nil {
			return fail(exitFailed, "%v", err)
		}
		return exitOK
	}
}

// oneLamp returns the part of a configuration that is about one lamp.
func oneLamp(all rules.Config, name string) (rules.Config, bool) {
	for _, l := range all.Lamps {
		if l.Name == name {
			own := rules.Config{Lamps: []rules.LampConfig{l}}
			for _, d := range all.Devices {
				if d.Name == l.Board() {
					own.Devices = []rules.DeviceConfig{d}
				}
			}
			return own, true
		}
	}
	return rules.Config{}, false
}

type replayOptions struct {
	states, score bool
	out, err      io.Writer
}

// replay steps every reading of a trace and writes what the lamp's learner
// makes of it.
func replay(ctx context.Context, trace io.Reader, file string, cfg rules.Config, o replayOptions) error {
	r, err := newTraceReader(trace, file)
	if err != nil {
		return err
	}
	// All of it before anything is decided or printed: half a result would pass for
	// a whole one.
	rows, err := r.all(ctx)
	if err != nil {
		return err
	}
	switch {
	case len(rows) == 0:
		return fmt.Errorf("%s: there is no reading below the header", file)
	case len(rows) > 2 && r.backward == len(rows)-1: // all by one time, nothing would be decided
		return fmt.Errorf("%s:%d: from here on every time is before that in line %d; put the newest reading last", file, r.backwardLine, r.lastLine)
	}
	if o.score && !r.haveTruth {
		return fmt.Errorf("%s:1: -score needs a third column, truth", file)
	}
	lamp := cfg.Lamps[0].Name
	m := rules.New()
	var w *csv.Writer
	enc := json.NewEncoder(o.out)
	enc.SetEscapeHTML(false)
	if o.states {
		w = csv.NewWriter(o.out)
		_ = w.Write([]string{"time", "value", "state"})
	}
	var s scorer
	for i, row := range rows {
		if ctx.Err() != nil {
			break
		}
		if i == 0 {
			m.Step(rules.Input{At: row.at, Kind: rules.InConfig, Config: &cfg})
			m.Step(rules.Input{At: row.at, Kind: rules.InStart})
		}
		events := m.Step(rules.Input{At: row.at, Kind: rules.InReading, Lamp: lamp, Value: row.value})
		for i := range events {
			if events[i].Lamp != lamp {
				continue
			}
			s.event(&events[i])
			if !o.states {
				if err := enc.Encode(&events[i]); err != nil {
					return err
				}
			}
		}
		state, _ := m.LampState(lamp)
		s.reading(row, state)
		if o.states {
			if err := w.Write([]string{row.timeText, row.valueText, state.String()}); err != nil {
				return err
			}
		}
	}
	if w != nil {
		w.Flush()
		if err := w.Error(); err != nil {
			return err
		}
	}
	if r.backward > 0 {
		were := "readings were older than the one before and were"
		if r.backward == 1 {
			were = "reading was older than the one before and was"
		}
		fmt.Fprintf(o.err, "%s: %d %s taken as simultaneous with it, first at line %d\n", file, r.backward, were, r.backwardLine)
	}
	if o.score {
		s.report(o.err)
	}
	return ctx.Err()
}

// traceRow is one reading of a trace.
type traceRow struct {
	at                  time.Time
	value               float64
	truth               learn.State // learn.Learning: not told
	timeText, valueText string
}

// traceReader reads a trace and names file and line of what it cannot read.
type traceReader struct {
	csv          *csv.Reader
	file         string
	haveTruth    bool
	fromPage     bool // saved from a lamp's page; see pageHead
	last         time.Time
	lastLine     int
	backward     int
	backwardLine int
}

// traceMistakes is what is wrong with the lines of a trace: one text a line, and how
// many more there are.
type traceMistakes struct {
	told []string
	more int
}

func (w traceMistakes) Error() string {
	text := strings.Join(w.told, "\n")
	if w.more > 0 {
		text += fmt.Sprintf("\nand %d more", w.more)
	}
	return text
}

// mostMistakes is how many of them are told.
const mostMistakes = 20

// farBack is how far times may go back within a trace. A board's clock may be set by
// an hour or so; one that was years ahead would make all that follows simultaneous.
const farBack = 24 * time.Hour

// all reads every reading. It reports all lines that are none as traceMistakes.
func (t *traceReader) all(ctx context.Context) (rows []traceRow, err error) {
	var wrong traceMistakes
	for ctx.Err() == nil {
		row, err := t.next()
		var line *lineError
		switch {
		case errors.Is(err, io.EOF):
			if len(wrong.told) > 0 {
				return nil, wrong
			}
			return rows, nil
		case !errors.As(err, &line):
			if err != nil {
				return nil, err
			}
			rows = append(rows, row)
		case len(wrong.told) < mostMistakes:
			wrong.told = append(wrong.told, line.Error())
		default:
			wrong.more++
		}
	}
	return nil, ctx.Err()
}

// lineError is about one line; the next ones can be read.
type lineError struct{ text string }

func (e *lineError) Error() string { return e.text }

// pageHead begins the readings that a lamp's page offers as CSV.
const pageHead = "time,seconds,min,mean,max,count"

func newTraceReader(r io.Reader, file string) (*traceReader, error) {
	t := &traceReader{csv: csv.NewReader(bufio.NewReader(r)), file: file}
	t.csv.ReuseRecord = true
	t.csv.FieldsPerRecord = -1
	t.csv.TrimLeadingSpace = true
	head, err := t.csv.Read()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s:1: the file is empty; write a header time,value and a reading a line", file)
	}
	if quote := (*csv.ParseError)(nil); errors.As(err, &quote) {
		return nil, fmt.Errorf("%s:%d: a quotation mark is out of place; write the header time,value or time,value,truth", file, quote.Line)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	got := strings.TrimPrefix(strings.Join(head, ","), "\ufeff")
	switch strings.ToLower(strings.ReplaceAll(got, " ", "")) {
	case "time,value":
	case "time,value,truth":
		t.haveTruth = true
	case pageHead:
		t.fromPage = true
	default:
		return nil, fmt.Errorf("%s:1: the header is %q; write time,value or time,value,truth", file, got)
	}
	return t, nil
}

func (t *traceReader) next() (traceRow, error) {
	rec, err := t.csv.Read()
	if errors.Is(err, io.EOF) {
		return traceRow{}, err
	}
	var quote *csv.ParseError
	if errors.As(err, &quote) {
		return traceRow{}, &lineError{fmt.Sprintf("%s:%d: a quotation mark is out of place; leave it out", t.file, quote.Line)}
	}
	if err != nil {
		return traceRow{}, fmt.Errorf("%s: %w", t.file, err)
	}
	line, _ := t.csv.FieldPos(0)
	fail := func(format string, args ...any) error {
		return &lineError{fmt.Sprintf("%s:%d: "+format, append([]any{t.file, line}, args...)...)}
	}
	bad := func(what, got, want string) error { return fail("%s is %q; write %s", what, got, want) }
	for i := range rec {
		rec[i] = strings.TrimSpace(rec[i])
	}
	if t.fromPage && len(rec) == strings.Count(pageHead, ",")+1 {
		if rec[5] != "1" {
			return traceRow{}, fail("is a mean of %s readings; choose a shorter time on the page before you save it", rec[5])
		}
		rec = []string{rec[0], rec[3]}
	}
	if want := 2 + btoi(t.haveTruth); len(rec) != want {
		return traceRow{}, fail("has %s; write %d, as the header has", span.Count(len(rec), "column"), want)
	}
	row := traceRow{timeText: rec[0], valueText: rec[1]}
	if row.at, err = parseTime(rec[0]); err != nil {
		return row, bad("time", rec[0], "RFC 3339, such as 2026-01-31T06:30:00Z, or Unix seconds")
	}
	// What a board may send is what may stand here.
	if row.value, err = broker.ParseNumber(rec[1]); err != nil {
		return row, bad("value", rec[1], fmt.Sprintf("a finite number, such as 512, of at most %g", broker.MaxValue))
	}
	if t.haveTruth {
		if row.truth, err = parseTruth(rec[2]); err != nil {
			return row, bad("truth", rec[2], "0, 1, 2, dark, lit or blinking")
		}
	}
	switch last, lastLine := t.last, t.lastLine; {
	case row.at.Before(last.Add(-farBack)):
		t.last, t.lastLine = row.at, line // tell it once
		return row, fail("time goes back by %s, from %s in line %d to %s; correct or remove the lines whose clock was wrong",
			span.Text(last.Sub(row.at)), last.Format(time.RFC3339), lastLine, row.at.Format(time.RFC3339))
	case row.at.Before(last):
		if t.backward++; t.backward == 1 {
			t.backwardLine = line
		}
		row.at = last
	default:
		t.last, t.lastLine = row.at, line
	}
	return row, nil
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// parseTime reads RFC 3339 or Unix seconds, to the millisecond.
func parseTime(s string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err == nil {
		return t.UTC().Truncate(engineResolution), nil
	}
	sec, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(sec) || math.Abs(sec) > 253402300799 { // the year 9999
		return time.Time{}, fmt.Errorf("no time")
	}
	return time.UnixMilli(int64(math.Round(sec * 1000))).UTC(), nil
}

func parseTruth(s string) (learn.State, error) {
	switch s {
	case "0", "dark":
		return learn.Dark, nil
	case "1", "lit":
		return learn.Lit, nil
	case "2", "blinking":
		return learn.Blinking, nil
	}
	return learn.Learning, fmt.Errorf("no state")
}
