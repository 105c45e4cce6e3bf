package notify

import (
	"bytes"
	"encoding/json"
	"fmt"
	"mime"
	"net/url"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"text/template"
	"text/template/parse"
)

// escaping is how a template's values are made safe for where they land.
type escaping int

const (
	escapeNone escaping = iota // plain text
	escapeJSON
	escapeHTML // HTML and XML
	escapeForm // application/x-www-form-urlencoded
	escapeLine // a header value: one line
)

// escapingFor picks the escaping that a content type needs.
func escapingFor(contentType string) escaping {
	t, _, err := mime.ParseMediaType(contentType)
	if err != nil {
		t = strings.ToLower(contentType)
	}
	switch {
	case strings.HasSuffix(t, "json"):
		return escapeJSON
	case strings.HasSuffix(t, "html"), strings.HasSuffix(t, "xml"):
		return escapeHTML
	case t == "application/x-www-form-urlencoded":
		return escapeForm
	}
	return escapeNone
}

// safeTemplate is a text/template whose every printed value is escaped for the
// place where it lands, so that no name or message can change the structure
// around it. In JSON both "{{.Text}}" (inside quotes) and {{.Text}} (a whole
// value) do the right thing, and so does {{json .Text}}.
type safeTemplate struct {
	t   *template.Template
	esc escaping
}

// rawJSON is a text that is JSON already.
type rawJSON string

const escapeFunc = "_escape"

// baseFuncs are the functions of templates. The built-in html, js and urlquery
// are there too; their results are escaped again like any other value.
var baseFuncs = template.FuncMap{
	"json": func(v any) (rawJSON, error) {
		b, err := marshalValue(v)
		return rawJSON(b), err
	},
	"num":      num,
	"upper":    strings.ToUpper,
	"lower":    strings.ToLower,
	escapeFunc: func(any) (string, error) { return "", fmt.Errorf("internal: not bound") },
}

// parseTemplate reads a template, called where in messages of the library, and
// checks it on samples of every kind of message; in JSON the results must be valid
// JSON.
func parseTemplate(where, text string, esc escaping) (*safeTemplate, error) {
	t, err := template.New(where).Option("missingkey=error").Funcs(baseFuncs).Parse(text)
	if err != nil {
		return nil, fmt.Errorf("the template cannot be read: %s", templateFault(where, err))
	}
	for _, sub := range t.Templates() {
		if sub.Tree != nil {
			addEscapes(sub.Root)
		}
	}
	s := &safeTemplate{t, esc}
	for _, m := range sampleMessages() {
		_, err := s.render(&m)
		if err == nil {
			continue
		}
		if name := unknownValue.FindStringSubmatch(err.Error()); name != nil {
			return nil, fmt.Errorf("there is no {{.%s}}; there are %s", name[1], strings.Join(values(), ", "))
		}
		return nil, fmt.Errorf("the template fails on a %q message: %s", m.Kind, templateFault(where, err))
	}
	return s, nil
}

// templateFault is what the library says of a template, without its own names for
// things.
func templateFault(where string, err error) string {
	said, own := strings.CutPrefix(err.Error(), "template: "+where+":")
	if !own {
		return said
	}
	place, rest, _ := strings.Cut(said, ": executing ")
	if _, fault, ours := strings.Cut(rest, "error calling "+escapeFunc+": "); ours {
		said = place + ": " + fault
	}
	return "line " + said
}

// unknownValue finds in the library's words what a template asks for in vain.
var unknownValue = regexp.MustCompile(`can't evaluate field (\w+) in type \*?notify\.Message`)

// values are what a template can show, as it writes them.
func values() (out []string) {
	for _, f := range reflect.VisibleFields(reflect.TypeFor[Message]()) {
		out = append(out, "{{."+f.Name+"}}")
	}
	return out
}

// num is a number in six digits, for people.
func num(f float64) string { return strconv.FormatFloat(f, 'g', 6, 64) }

// addEscapes appends the escape function to every pipeline that prints.
func addEscapes(n parse.Node) {
	switch n := n.(type) {
	case *parse.ListNode:
		if n == nil {
			return
		}
		for _, c := range n.Nodes {
			addEscapes(c)
		}
	case *parse.ActionNode:
		if len(n.Pipe.Decl) > 0 {
			return // sets a variable, prints nothing
		}
		id := parse.NewIdentifier(escapeFunc).SetPos(n.Pos)
		n.Pipe.Cmds = append(n.Pipe.Cmds, &parse.CommandNode{
			NodeType: parse.NodeCommand, Pos: n.Pos, Args: []parse.Node{id},
		})
	case *parse.IfNode:
		addEscapes(n.List)
		addEscapes(n.ElseList)
	case *parse.RangeNode:
		addEscapes(n.List)
		addEscapes(n.ElseList)
	case *parse.WithNode:
		addEscapes(n.List)
		addEscapes(n.ElseList)
	}
}

// maxRendered bounds a rendered template, in bytes.
const maxRendered = 256 << 10

// trackWriter collects output and knows whether it stands inside a JSON
// string, which decides how the next value is escaped: text/template writes
// everything before an action ahead of evaluating it.
type trackWriter struct {
	bytes.Buffer
	inString, escaped bool
}

func (w *trackWriter) Write(p []byte) (int, error) {
	if w.Len()+len(p) > maxRendered {
		return 0, fmt.Errorf("the result is longer than %d kB", maxRendered>>10)
	}
	for _, c := range p {
		switch {
		case w.escaped:
			w.escaped = false
		case w.inString && c == '\\':
			w.escaped = true
		case c == '"':
			w.inString = !w.inString
		}
	}
	return w.Buffer.Write(p)
}

func (s *safeTemplate) render(m *Message) ([]byte, error) {
	t, err := s.t.Clone()
	if err != nil {
		return nil, err
	}
	var w trackWriter
	t.Funcs(template.FuncMap{escapeFunc: func(v any) (string, error) {
		switch s.esc {
		case escapeJSON:
			if w.escaped {
				return "", fmt.Errorf(`a value follows a lone backslash`)
			}
			return escapeJSONValue(v, w.inString)
		case escapeHTML:
			return template.HTMLEscapeString(plain(v)), nil
		case escapeForm:
			return url.QueryEscape(plain(v)), nil
		case escapeLine:
			return oneLine(plain(v)), nil
		}
		return plain(v), nil
	}})
	if err := t.Execute(&w, m); err != nil {
		return nil, err
	}
	if s.esc == escapeJSON && !json.Valid(w.Bytes()) {
		return nil, fmt.Errorf("the result is not valid JSON: %s", jsonFault(w.Bytes()))
	}
	return w.Bytes(), nil
}

// jsonFault says where JSON goes wrong.
func jsonFault(b []byte) string {
	var v any
	err := json.Unmarshal(b, &v)
	if err == nil {
		return "unknown"
	}
	if se, ok := err.(*json.SyntaxError); ok {
		from, to := max(0, int(se.Offset)-20), min(len(b), int(se.Offset)+20)
		return fmt.Sprintf("%v near %q", err, b[from:to])
	}
	return err.Error()
}

// escapeJSONValue writes v as JSON: its text inside a string, or a whole value
// outside.
func escapeJSONValue(v any, inString bool) (string, error) {
	raw, isRaw := v.(rawJSON)
	if !inString {
		if isRaw {
			return string(raw), nil
		}
		b, err := marshalValue(v)
		return string(b), err
	}
	text := plain(v)
	if isRaw {
		// "{{json .Text}}": the quotes are there already.
		var s string
		if json.Unmarshal([]byte(raw), &s) == nil {
			text = s
		}
	}
	b, err := marshalValue(text)
	if err != nil {
		return "", err
	}
	return string(b[1 : len(b)-1]), nil
}

// marshalValue is json.Marshal with null for numbers that JSON cannot hold.
func marshalValue(v any) ([]byte, error) {
	if f, ok := v.(float64); ok {
		return json.Marshal(number(f))
	}
	return json.Marshal(v)
}

// plain is the text of a value as text/template would print it.
func plain(v any) string {
	rv := reflect.ValueOf(v)
	if !rv.IsValid() {
		return ""
	}
	return fmt.Sprint(v)
}

// oneLine replaces control characters, line breaks above all, by spaces.
func oneLine(s string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD")))
}
