package config

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// A Problem is one mistake in a configuration file.
type Problem struct {
	File string // as the caller named it
	Line int    // 1-based; 0 if the mistake is that something is missing altogether
	Key  string // dotted, with [[tables]] counted from 1: "lamp[2].topic"
	Text string // what is wrong and what to write instead
}

func (p Problem) String() string {
	out := fmt.Sprintf("%s:%d: ", p.File, p.Line)
	if p.Key != "" {
		out += p.Key + ": "
	}
	// A key may be any text, and a terminal obeys some.
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return '?'
		}
		return r
	}, out+p.Text)
}

// Problems is every mistake of one file, by line.
type Problems []Problem

// Error gives each problem on a line of its own, FILE:LINE: key: text.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// document is a TOML file with the line of every key.
type document struct {
	file     string
	lines    map[string]int // dotted key to line
	problems Problems
}

// parse reads TOML into plain maps and notes where each key stands. A syntax
// error is the only mistake reported of a file that has one, for what follows
// it cannot be read reliably.
func parse(file string, data []byte) (*document, map[string]any, error) {
	d := &document{file: file, lines: map[string]int{}}
	var tree map[string]any
	// Some editors begin a file with a byte order mark. It takes no line.
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) {
		return nil, nil, Problems{{File: file, Line: 1, Text: "is written in UTF-16; have the editor save it as UTF-8"}}
	}
	if err := toml.Unmarshal(data, &tree); err != nil {
		p := Problem{File: file, Line: 1, Text: err.Error()}
		var de *toml.DecodeError
		if errors.As(err, &de) {
			p.Line, _ = de.Position()
			p.Key = strings.Join(de.Key(), ".")
			p.Text = "not valid TOML: " + strings.TrimPrefix(de.Error(), "toml: ")
			if p.Key == "" { // else it can be read, and contradicts another line
				p.Text += advice(strings.Split(string(data), "\n")[p.Line-1])
			}
		}
		return nil, nil, Problems{p}
	}
	d.locate(data)
	return d, tree, nil
}

// advice says what to write instead, for a line that the library cannot read; it
// says "expected keyword true" of name = tank.
func advice(line string) string {
	_, value, is := strings.Cut(line, "=")
	value = strings.TrimSpace(value)
	switch {
	case !is || value == "":
	case strings.ContainsRune(`"'`, rune(value[0])):
		if strings.Count(value, value[:1])%2 == 1 {
			return "; a quotation mark is missing, or one too many"
		}
	case !strings.ContainsRune("[{", rune(value[0])):
		return `; text stands between straight quotation marks, such as name = "tank"`
	}
	return ""
}

// locate fills lines. It walks the library's syntax tree, since decoding
// into maps drops positions.
func (d *document) locate(data []byte) {
	var p unstable.Parser
	p.Reset(data)
	table := ""
	count := map[string]int{}
	// The library's Shape counts the lines from the start of the file each time.
	var ends []int // offsets of the line ends
	for i, c := range data {
		if c == '\n' {
			ends = append(ends, i)
		}
	}
	line := func(n *unstable.Node) int {
		at, _ := slices.BinarySearch(ends, int(n.Raw.Offset))
		return at + 1
	}
	// resolve puts the number of the newest [[table]] into a dotted path.
	resolve := func(base string, key unstable.Iterator) (string, int) {
		at := 0
		for key.Next() {
			n := key.Node()
			base = join(base, string(n.Data))
			if c := count[base]; c > 0 {
				base = fmt.Sprintf("%s[%d]", base, c)
			}
			at = line(n)
		}
		return base, at
	}
	var values func(base string, n *unstable.Node)
	values = func(base string, n *unstable.Node) {
		switch n.Kind {
		case unstable.KeyValue:
			key, at := resolve(base, n.Key())
			d.lines[key] = at
			values(key, n.Value())
		case unstable.InlineTable:
			for it := n.Children(); it.Next(); {
				values(base, it.Node())
			}
		case unstable.Array:
			i := 0
			for it := n.Children(); it.Next(); {
				i++
				values(fmt.Sprintf("%s[%d]", base, i), it.Node())
			}
		}
	}
	for p.NextExpression() {
		switch n := p.Expression(); n.Kind {
		case unstable.Table:
			key, at := resolve("", n.Key())
			table, d.lines[key] = key, at
		case unstable.ArrayTable:
			// Only the last part of the name begins a new element.
			var names []*unstable.Node
			for it := n.Key(); it.Next(); {
				names = append(names, it.Node())
			}
			base := ""
			for i, n := range names {
				base = join(base, string(n.Data))
				if i == len(names)-1 {
					count[base]++
				}
				if c := count[base]; c > 0 {
					base = fmt.Sprintf("%s[%d]", base, c)
				}
			}
			table, d.lines[base] = base, line(names[len(names)-1])
		case unstable.KeyValue:
			values(table, n)
		}
	}
}

func join(base, key string) string {
	if base == "" {
		return key
	}
	return base + "." + key
}

// line returns where key stands, or else the table that should hold it.
func (d *document) line(key string) int { return lineOf(d.lines, key) }

func lineOf(lines map[string]int, key string) int {
	for {
		if l, ok := lines[key]; ok {
			return l
		}
		i := strings.LastIndexByte(key, '.')
		if i < 0 {
			return 1
		}
		key = key[:i]
	}
}

func (d *document) fail(key, format string, args ...any) {
	d.problems = append(d.problems, Problem{d.file, d.line(key), key, fmt.Sprintf(format, args...)})
}

// err returns all problems in the order of the file.
func (d *document) err() error {
	if len(d.problems) == 0 {
		return nil
	}
	slices.SortStableFunc(d.problems, func(a, b Problem) int { return a.Line - b.Line })
	return d.problems
}

// table reads the keys of one TOML table and remembers which were asked for,
// so that done can name the unknown ones.
type table struct {
	d     *document
	name  string
	m     map[string]any
	known []string
}

// get marks key as known and returns its value and full name.
func (t *table) get(key string) (v any, full string, ok bool) {
	t.known = append(t.known, key)
	v, ok = t.m[key]
	return v, join(t.name, key), ok
}

// read assigns a value of TOML type T to dst if the key is there.
func read[T any](t *table, key, want string, dst *T) bool {
	v, full, ok := t.get(key)
	if !ok {
		return false
	}
	x, ok := v.(T)
	if !ok {
		t.d.fail(full, "is %s; write %s", describe(v), want)
		return false
	}
	*dst = x
	return true
}

func describe(v any) string {
	switch v := v.(type) {
	case string:
		return "the string " + strconv.Quote(v)
	case int64, float64:
		return fmt.Sprintf("the number %v", v)
	case bool:
		return fmt.Sprintf("the truth value %v", v)
	case []any:
		return "an array"
	case map[string]any:
		return "a table"
	}
	return fmt.Sprintf("%v", v)
}

func (t *table) str(key, example string, dst *string) bool {
	return read(t, key, `a string, such as `+strconv.Quote(example), dst)
}

func (t *table) boolean(key string, dst *bool) bool {
	return read(t, key, "true or false", dst)
}

// choice reads a string that must be one of words.
func (t *table) choice(key string, words []string, dst *string) bool {
	var s string
	if !t.str(key, words[0], &s) {
		return false
	}
	if !slices.Contains(words, s) {
		t.d.fail(join(t.name, key), "%q is unknown; write \"%s\"%s", s, strings.Join(words, `" or "`), hint(s, words))
		return false
	}
	*dst = s
	return true
}

// whole reads a whole number between lo and hi.
func (t *table) whole(key string, lo, hi int64, dst *int) bool {
	var n int64
	if !read(t, key, fmt.Sprintf("a whole number from %d to %d", lo, hi), &n) {
		return false
	}
	if n < lo || n > hi {
		t.d.fail(join(t.name, key), "%d is out of range; write a whole number from %d to %d", n, lo, hi)
		return false
	}
	*dst = int(n)
	return true
}

// number reads a finite number between lo and hi, whole or not.
func (t *table) number(key string, lo, hi float64, dst *float64) bool {
	v, full, ok := t.get(key)
	if !ok {
		return false
	}
	var x float64
	switch v := v.(type) {
	case int64:
		x = float64(v)
	case float64:
		x = v
	default:
		t.d.fail(full, "is %s; write a number from %s to %s", describe(v), plain(lo), plain(hi))
		return false
	}
	if math.IsNaN(x) || x < lo || x > hi {
		t.d.fail(full, "%v is out of range; write a number from %s to %s", x, plain(lo), plain(hi))
		return false
	}
	*dst = x
	return true
}

// plain writes a number without an exponent.
func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// duration reads a length of time between lo and hi: "90s", "5m", "12h" or
// "30d".
func (t *table) duration(key string, lo, hi time.Duration, dst *time.Duration) bool {
	var s string
	if !t.str(key, "60s", &s) {
		return false
	}
	d, err := ParseDuration(s)
	if err != nil {
		t.d.fail(join(t.name, key), "%v", err)
		return false
	}
	if d < lo || d > hi {
		t.d.fail(join(t.name, key), "%s is out of range; write a length of time from %s to %s", s, brief(lo), brief(hi))
		return false
	}
	*dst = d
	return true
}

func brief(d time.Duration) string {
	if d >= 24*time.Hour && d%(24*time.Hour) == 0 {
		return fmt.Sprintf("%dd", d/(24*time.Hour))
	}
	// Only a part that is zero may go: the "0s" of "10s" and the "0m" of "10m"
	// belong to a number.
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// ParseDuration reads a length of time as time.ParseDuration does, and also
// whole or fractional days: "30d", "1.5d".
func ParseDuration(s string) (time.Duration, error) {
	if days, ok := strings.CutSuffix(s, "d"); ok {
		if n, err := strconv.ParseFloat(days, 64); err == nil && math.Abs(n) < 100_000 {
			return time.Duration(n * 24 * float64(time.Hour)), nil
		}
	} else if d, err := time.ParseDuration(s); err == nil {
		return d, nil
	}
	return 0, fmt.Errorf(`%q is not a length of time; write a number and a unit, such as "45s", "5m", "12h" or "30d"`, s)
}

// strings reads an array of strings.
func (t *table) strings(key, example string, dst *[]string) bool {
	var a []any
	want := fmt.Sprintf("an array of strings, such as [%q]", example)
	if !read(t, key, want, &a) {
		return false
	}
	out := make([]string, 0, len(a))
	for i, v := range a {
		s, ok := v.(string)
		if !ok {
			t.d.fail(join(t.name, key), "item %d is %s; write %s", i+1, describe(v), want)
			return false
		}
		out = append(out, s)
	}
	*dst = out
	return true
}

// table reads a sub-table; the result is empty, not nil, if it is missing.
func (t *table) table(key string) (*table, bool) {
	var m map[string]any
	ok := read(t, key, "a table ["+join(t.name, key)+"]", &m)
	return &table{d: t.d, name: join(t.name, key), m: m}, ok
}

// tables reads an array of tables, [[key]].
func (t *table) tables(key string) []*table {
	var a []any
	if !read(t, key, "one or more tables [["+join(t.name, key)+"]], with two brackets on each side", &a) {
		return nil
	}
	var out []*table
	for i, v := range a {
		name := fmt.Sprintf("%s[%d]", join(t.name, key), i+1)
		m, ok := v.(map[string]any)
		if !ok {
			t.d.fail(name, "is %s; write a table [[%s]]", describe(v), key)
			continue
		}
		out = append(out, &table{d: t.d, name: name, m: m})
	}
	return out
}

// has tells whether key stands in the table, without reading it.
func (t *table) has(key string) bool {
	_, ok := t.m[key]
	return ok
}

// set tells whether key stands in the table, and is no empty string.
func (t *table) set(key string) bool {
	v, ok := t.m[key]
	return ok && v != ""
}

func (t *table) fail(key, format string, args ...any) {
	t.d.fail(join(t.name, key), format, args...)
}

// done reports every key that was never asked for.
func (t *table) done() {
	var unknown []string
	for k := range t.m {
		if !slices.Contains(t.known, k) {
			unknown = append(unknown, k)
		}
	}
	slices.Sort(unknown)
	for _, k := range unknown {
		slices.Sort(t.known)
		say := hint(k, t.known)
		if home := homes[k]; home != "" {
			say = "; it belongs in " + home
		}
		t.fail(k, "no such key here%s; known are %s", say, strings.Join(t.known, ", "))
	}
}

// homes tells of keys that are easily written into a lamp's table, or a board's, where
// they belong: which is which is clear only to those who know that a board may read
// several lamps.
var homes = map[string]string{
	"lit_reads": "[[lamp]]", "normal": "[[lamp]]", "value": "[[lamp]]",
	"on_above": "[[lamp]]", "off_below": "[[lamp]]", "on_delay": "[[lamp]]", "off_delay": "[[lamp]]",
	"say_lit": "[[lamp]]", "say_dark": "[[lamp]]", "say_blinking": "[[lamp]]",
	"silent_after": "[[device]]", "report_every": "[[device]]", "rssi": "[[device]]",
	"volts": "[[device]]", "millivolts": "[[device]]", "charge": "[[device]]",
	"chemistry": "[device.battery]", "cells": "[device.battery]", "flat_volts": "[device.battery]",
	"capacity_mah": "[device.battery]", "current_ma": "[device.battery]",
	"remind_every": "[alarm]", "escalate_after": "[alarm]",
	"quiet_hours": "[[webhook]] or [[mail]]", "quiet_through": "[[webhook]] or [[mail]]", "min_gap": "[[webhook]] or [[mail]]",
}

// hint suggests the word nearest to a mistyped one.
func hint(s string, words []string) string {
	best, bestAt := len(s)/2+1, ""
	for _, w := range words {
		if n := distance(s, w); n < best {
			best, bestAt = n, w
		}
	}
	if bestAt == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %q?)", bestAt)
}

// distance counts the letters to insert, delete or replace to turn a into b
// (Levenshtein, Soviet Physics Doklady 10, 1966; from memory).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// stringMap reads a table whose values are strings.
func (t *table) stringMap(key, example string, dst *map[string]string) bool {
	var m map[string]any
	want := "a table of strings, such as " + example
	if !read(t, key, want, &m) {
		return false
	}
	out := make(map[string]string, len(m))
	for k, v := range m {
		s, ok := v.(string)
		if !ok {
			t.d.fail(join(join(t.name, key), k), "is %s; write a string", describe(v))
			continue
		}
		out[k] = s
	}
	*dst = out
	return true
}
