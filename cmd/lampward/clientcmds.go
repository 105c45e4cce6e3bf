package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math"
	"net/url"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"
	"unicode/utf16"

	"lampward/cmd/lampward/page"
	"lampward/rules"
)

var statusCommand = command{
	name: "status", brief: "what the lamps and boards show now", usage: "[-json]",
	about: `
Status asks the running daemon what it knows: first, in a line, what is lit; then
each lamp's state, since when, the newest reading and how sure it is; each
board's health. What a person has not acknowledged is marked with !.

examples:
  lampward status
  lampward status -json`,
}

var historyCommand = command{
	name: "history", brief: "what happened", usage: "[NAME] [-kind KIND] [-limit N] [-json]",
	about: `
History lists events, newest first, with the reason for each. Of a lamp or board
that is gone from the configuration it lists what happened before.

examples:
  lampward history
  lampward history tank -limit 5
  lampward history tank -board -kind silent
  lampward history -json -limit 10000 > history.json`,
}

var ackCommand = command{
	name: "ack", brief: "acknowledge an alert", usage: "NAME [-board]",
	about: `
Ack acknowledges the alert of a lamp or board: no more reminders are sent for
what is known now. A new change is told again. Of a lamp and a board by the same
name it takes the one that has an alert; if both have, the lamp.

examples:
  lampward ack tank
  lampward ack tank -board`,
}

var shelveCommand = command{
	name: "shelve", brief: "send nothing about a lamp or board for a time", usage: "NAME [-for 8h] [-end] [-board]",
	about: `
Shelve keeps the events of a lamp or board in the history and sends nothing
until the time is over; what is still active then is told.

examples:
  lampward shelve tank
  lampward shelve tank -for 2d
  lampward shelve tank -end`,
}

var teachCommand = command{
	name: "teach", brief: "say what a lamp shows now", usage: "NAME lit|dark|anew",
	about: `
Teach tells lampward what you see: the lamp is lit now, or dark. One word from
you is worth more than a day of readings. After you mounted, moved or changed
the sensor, "anew" has it forget what it learned before, and learn from now on.

examples:
  lampward teach tank dark
  lampward teach tank lit
  lampward teach tank anew`,
}

var aimCommand = command{
	name: "aim", brief: "see the signal while you place the sensor", usage: "NAME [-once]",
	about: `
Aim shows each new reading of a lamp, where it stands between dark and lit, and
how well the two can be told apart, until Ctrl-C.

examples:
  lampward aim tank
  lampward aim tank -once`,
}

var batteryCommand = command{
	name: "battery", brief: "say that a fresh battery was put in", usage: "changed BOARD",
	about: `
Battery tells lampward that you put a fresh battery into a board, from which it
learns how long one lasts.

Lithium cells: use the charger and holder made for them, never short or pierce
them, and do not charge them unattended.

examples:
  lampward battery changed tank`,
}

// say prints what the daemon said, or what went wrong.
func say(c console, name, said string, err error) int {
	if err != nil {
		fmt.Fprintf(c.err, "lampward %s: %s\n", name, printable(err.Error()))
		return exitFailed
	}
	fmt.Fprintln(c.out, printable(said))
	return exitOK
}

func writeIndented(w io.Writer, v any) {
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	_ = e.Encode(v)
	// The encoder escapes only the control characters of ASCII.
	for _, r := range b.String() {
		if r != '\n' && !harmless(r) {
			for _, u := range utf16.AppendRune(nil, r) {
				fmt.Fprintf(w, `\u%04x`, u)
			}
			continue
		}
		_, _ = io.WriteString(w, string(r))
	}
}

// Here and not in the literals: what runs a command names the command, to read its
// flags, and Go takes that for a cycle.
func init() {
	statusCommand.run = runStatus
	historyCommand.run = runHistory
	ackCommand.run = runAck
	shelveCommand.run = runShelve
	teachCommand.run = runTeach
	batteryCommand.run = runBattery
	aimCommand.run = runAim
}

func runStatus(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
	r := remoteFlags(f)
	asJSON := f.Bool("json", false, "print JSON, as GET /api/status gives it")
	if _, code, ok := statusCommand.names(c, f, args, 0, 0); !ok {
		return code
	}
	k, code := r.connect(ctx, c)
	if k == nil {
		return code
	}
	var st page.Status
	if err := k.get(ctx, "/api/status", nil, &st); err != nil {
		return say(c, "status", "", err)
	}
	if *asJSON {
		writeIndented(c.out, st)
		return exitOK
	}
	printStatus(c.out, st)
	return exitOK
}

// stamp is a moment in a list, with its zone where clocks that were put back show
// the same time twice.
func stamp(t time.Time) string {
	s := t.Format(time.DateTime)
	from, to := t.ZoneBounds()
	back := func(change time.Time) time.Duration { // by how much the clocks are put back then
		_, before := change.Add(-time.Second).Zone()
		_, after := change.Zone()
		return time.Duration(before-after) * time.Second
	}
	if !to.IsZero() && to.Sub(t) <= back(to) || !from.IsZero() && t.Sub(from) < back(from) {
		s += t.Format(" MST")
	}
	return s
}

func runHistory(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
	r := remoteFlags(f)
	asJSON := f.Bool("json", false, "print JSON")
	board := f.Bool("board", false, "NAME is a board")
	kind := f.String("kind", "", "only events of this `KIND`, such as lit")
	limit := f.Int("limit", 20, "at most this many `EVENTS`, from 1 to 10000")
	names, code, ok := historyCommand.names(c, f, args, 0, 1)
	if !ok {
		return code
	}
	k, code := r.connect(ctx, c)
	if k == nil {
		return code
	}
	q := url.Values{"limit": {strconv.Itoa(*limit)}}
	if *kind != "" {
		q.Set("kind", *kind)
	}
	for _, n := range names {
		about, err := k.subjectOf(ctx, n, *board, anyAlarm)
		if err != nil {
			if about = k.formerly(ctx, n, *board); about == nil {
				return say(c, "history", "", err)
			}
		}
		for key, v := range about {
			q.Set(key, fmt.Sprint(v))
		}
	}
	var out struct{ Events []page.Event }
	if err := k.get(ctx, "/api/history", q, &out); err != nil {
		return say(c, "history", "", err)
	}
	if *asJSON {
		writeIndented(c.out, out.Events)
		return exitOK
	}
	if len(out.Events) == 0 {
		fmt.Fprintln(c.err, "no such event is in the history")
	}
	for _, e := range out.Events {
		fmt.Fprintf(c.out, "%s  %s\n", stamp(e.Time.Local()), printable(e.Text))
		if e.Why != "" {
			fmt.Fprintf(c.out, "%21s%s\n", "", printable(e.Why))
		}
	}
	return exitOK
}

// formerly is subjectOf of a lamp or board that is gone from the configuration, and
// has a history; nil: there is none.
func (k *client) formerly(ctx context.Context, name string, board bool) map[string]any {
	for _, sort := range []string{"lamp", "board"} {
		if board && sort == "lamp" {
			continue
		}
		var out struct{ Events []page.Event }
		if err := k.get(ctx, "/api/history", url.Values{sort: {name}, "limit": {"1"}}, &out); err == nil && len(out.Events) > 0 {
			return map[string]any{sort: name}
		}
	}
	return nil
}

func runAck(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
	r := remoteFlags(f)
	board := f.Bool("board", false, "NAME is a board")
	names, code, ok := ackCommand.names(c, f, args, 1, 1)
	if !ok {
		return code
	}
	return r.about(ctx, c, "ack", page.Ack, names[0], *board, nil)
}

func runShelve(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
	r := remoteFlags(f)
	board := f.Bool("board", false, "NAME is a board")
	length := f.String("for", "8h", "for this `TIME`, from 1m to 30d")
	end := f.Bool("end", false, "end it now")
	names, code, ok := shelveCommand.names(c, f, args, 1, 1)
	if !ok {
		return code
	}
	if *end {
		return r.about(ctx, c, "shelve", page.Unshelve, names[0], *board, nil)
	}
	return r.about(ctx, c, "shelve", page.Shelve, names[0], *board, map[string]any{"for": *length})
}

func runTeach(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
	r := remoteFlags(f)
	names, code, ok := teachCommand.names(c, f, args, 2, 2)
	if !ok {
		return code
	}
	if names[1] != "lit" && names[1] != "dark" && names[1] != page.Anew {
		fmt.Fprintf(c.err, "lampward teach: %q is neither lit nor dark; write what the lamp shows now, or %s if the sensor was moved\n", names[1], page.Anew)
		return exitUsage
	}
	return r.about(ctx, c, "teach", page.Teach, names[0], false, map[string]any{"state": names[1]})
}

func runBattery(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
	r := remoteFlags(f)
	names, code, ok := batteryCommand.names(c, f, args, 2, 2)
	if !ok {
		return code
	}
	if names[0] != "changed" {
		fmt.Fprintf(c.err, "lampward battery: %q is not known; write `lampward battery changed BOARD`\n", names[0])
		return exitUsage
	}
	return r.about(ctx, c, "battery", page.Battery, names[1], true, nil)
}

func runAim(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
	r := remoteFlags(f)
	once := f.Bool("once", false, "print one line and end")
	names, code, ok := aimCommand.names(c, f, args, 1, 1)
	if !ok {
		return code
	}
	k, code := r.connect(ctx, c)
	if k == nil {
		return code
	}
	// First, so that a wrong name is told and not waited for.
	var l page.Lamp
	if err := k.get(ctx, "/api/lamp", url.Values{"name": {names[0]}}, &l); err != nil {
		return say(c, "aim", "", err)
	}
	a := aimer{out: c.out}
	a.show(l)
	if *once {
		return exitOK
	}
	seen := l.At
	err := k.stream(ctx, func(event string, data []byte) bool {
		var l page.Lamp // a new one, for what is left out is not what it was
		if event == "lamp" && json.Unmarshal(data, &l) == nil && l.Name == names[0] && !l.At.Equal(seen) {
			seen = l.At
			a.show(l)
		}
		return true
	})
	if err != nil {
		return say(c, "aim", "", err)
	}
	return exitOK
}

func anyAlarm(page.Alarm) bool { return true }

// about does something to one lamp or board.
func (r remote) about(ctx context.Context, c console, name, verb, subject string, board bool, args map[string]any) int {
	k, code := r.connect(ctx, c)
	if k == nil {
		return code
	}
	fits := anyAlarm
	switch verb { // of a lamp and its board by one name, that which there is something to do about
	case page.Ack:
		fits = page.Alarm.Waits
	case page.Unshelve:
		fits = func(a page.Alarm) bool { return a.State == "shelved" }
	}
	about, err := k.subjectOf(ctx, subject, board, fits)
	if err != nil {
		return say(c, name, "", err)
	}
	for key, v := range args {
		about[key] = v
	}
	said, err := k.act(ctx, verb, about)
	return say(c, name, said, err)
}

// printable keeps what others wrote from moving the terminal's cursor, and from
// showing in another order than it is.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case harmless(r):
			return r
		case r > 0x9f && unicode.IsSpace(r):
			return ' '
		}
		return '?'
	}, s)
}

// harmless is true of what a terminal only shows, and of the two joiners that
// names in some scripts need.
func harmless(r rune) bool { return unicode.IsPrint(r) || r == 0x200c || r == 0x200d }

func printStatus(out io.Writer, st page.Status) {
	printTrouble(out, st)
	a := st.Answer()
	fmt.Fprintln(out, printable(a.Text))
	if a.More != "" {
		fmt.Fprintln(out, printable(a.More))
	}
	fmt.Fprintln(out)
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "\tLAMP\tSTATE\tFOR\tREADING\tHEARD\tSURE\tALERT")
	for _, l := range st.Lamps {
		printLamp(w, l, st.Now)
	}
	fmt.Fprintln(w, "\t\t\t\t\t\t\t")
	fmt.Fprintln(w, "\tBOARD\tSTATE\tEVERY\tBATTERY\tHEARD\tFLAT\tALERT")
	for _, b := range st.Boards {
		printBoard(w, b, st.Now)
	}
	_ = w.Flush()
}

// printTrouble prints what keeps the daemon from its job.
func printTrouble(out io.Writer, st page.Status) {
	if st.Broken != "" {
		fmt.Fprintln(out, "NOTHING CAN BE STORED:", printable(st.Broken))
	}
	if st.Damaged != "" {
		fmt.Fprintln(out, "THE DATABASE IS DAMAGED:", printable(st.Damaged))
	}
	if st.CutOff != "" {
		fmt.Fprintln(out, "NO READING COMES IN:", printable(st.CutOff))
	}
	if text := st.Unread(); text != "" {
		fmt.Fprintln(out, printable(text))
	}
	if text := st.Astray(); text != "" {
		fmt.Fprintln(out, text)
	}
	if st.Uncertain {
		fmt.Fprintln(out, "The clock of that machine is not set yet: times are uncertain.")
	}
	if len(st.Routes) == 0 {
		fmt.Fprintln(out, "No message leaves that machine: no webhook and no mail is configured.")
	}
	for _, f := range st.Failing {
		fmt.Fprintf(out, "%s HAS TAKEN NO MESSAGE since %s: %s\n", printable(f.Route), f.Since.Local().Format("2 Jan 15:04"), printable(f.Note))
	}
}

func printLamp(w io.Writer, l page.Lamp, now time.Time) {
	since, sure, reading := "", "", ""
	heard := "not since start" // readings of before are not asked for here
	if !l.At.IsZero() {
		heard = ago(l.At, now)
		reading = strconv.FormatFloat(l.Value, 'g', 6, 64)
	}
	if !l.Since.IsZero() {
		since = page.Long(now.Sub(l.Since))
	}
	if l.State != "learning" {
		sure = rules.Sure(l.Confidence)
	}
	alarm := alarmText(l.Alarm)
	if l.Fault != "" {
		alarm = strings.TrimPrefix(alarm+", sensor "+strings.ReplaceAll(l.Fault, "_", " "), ", ")
	}
	fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", flagged(l.Alarm), printable(l.Name), printable(l.State), since, reading, heard, sure, printable(alarm))
}

func printBoard(w io.Writer, b page.Board, now time.Time) {
	state, every, flat := "reports", "", ""
	switch {
	case b.Silent:
		state = "silent"
	case b.Last.IsZero():
		state = "not heard"
	}
	if b.Every > 0 {
		every = page.Interval(b.Every)
	}
	if b.Flat != nil {
		flat = b.Flat.At.Local().Format("2006-01-02")
	}
	fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", flagged(b.Alarm), printable(b.Name), state, every, b.Battery(), ago(b.Last, now), flat, printable(alarmText(b.AlarmShown())))
}

func flagged(a page.Alarm) string {
	if a.Waits() {
		return "!"
	}
	return ""
}

func alarmText(a page.Alarm) string {
	if a.Until.IsZero() {
		return a.Words()
	}
	return a.Words() + " until " + a.Until.Local().Format("2 Jan 15:04")
}

func ago(t, now time.Time) string {
	if t.IsZero() {
		return "never"
	}
	return page.Long(now.Sub(t)) + " ago"
}

// aimer shows readings between dark and lit, each on a line that fits 80 columns;
// what to do is said when it changes.
type aimer struct {
	out  io.Writer
	hint string // said last
}

func (a *aimer) show(l page.Lamp) {
	const width = 20
	if l.At.IsZero() {
		fmt.Fprintln(a.out, "no reading yet; each new one will show here")
		return
	}
	bar := strings.Repeat(".", width)
	if m := l.Aim; m.Lit != m.Dark {
		at := int(math.Round((l.Value - m.Dark) / (m.Lit - m.Dark) * (width - 1)))
		at = min(width-1, max(0, at))
		bar = bar[:at] + "#" + bar[at+1:]
	}
	line := fmt.Sprintf("%s %-8s %7.6g dark %s lit", l.At.Local().Format("15:04:05"), printable(l.State), l.Value, bar)
	if l.Aim.Separation != 0 {
		line += fmt.Sprintf(" %s, %.4g x noise", printable(l.Aim.Grade), l.Aim.Separation)
	}
	fmt.Fprintln(a.out, line)
	if l.Aim.Hint != a.hint {
		if a.hint = l.Aim.Hint; a.hint != "" {
			fmt.Fprintf(a.out, "%8s %s\n", "", printable(a.hint))
		}
	}
}
