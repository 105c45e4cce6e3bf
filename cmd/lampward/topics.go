package main

import (
	"embed"
	"fmt"
	"io"
	"strings"
)

// The manual is one text for the terminal and for deploy/MANUAL.md: a file of
// Markdown a chapter.
//
//go:embed topics/*.md
var topicFiles embed.FS

// chapter is one chapter of the manual.
type chapter struct{ name, title, text string }

// chapters returns the chapters in the order of reading.
func chapters() []chapter {
	var out []chapter
	for _, name := range []string{
		"wiring", "resistor", "payloads", "aiming", "alerts", "configuration", "install", "troubleshooting", "backups", "several", "upgrade", "metrics", "cautions",
	} {
		b, err := topicFiles.ReadFile("topics/" + name + ".md")
		if err != nil {
			panic(err) // embedded: a test would have seen it
		}
		title, _, _ := strings.Cut(string(b), "\n")
		out = append(out, chapter{name, strings.TrimPrefix(title, "# "), string(b)})
	}
	return out
}

// helpTopic shows a chapter, or with "manual" all of them, and tells whether
// there is one of that name.
func helpTopic(w io.Writer, name string) bool {
	if name == "manual" {
		manual(w)
		return true
	}
	for _, t := range chapters() {
		if t.name == name {
			fmt.Fprint(w, t.text)
			return true
		}
	}
	return false
}

// listTopics lists the chapters, for the list of commands.
func listTopics(w io.Writer) {
	fmt.Fprint(w, "\nChapters of the manual, shown by `lampward help TOPIC`; all: `lampward help manual`:\n\n")
	for _, t := range chapters() {
		fmt.Fprintf(w, "  %-15s  %s\n", t.name, t.title)
	}
}

// manual writes the whole manual as Markdown, as it stands in deploy/MANUAL.md.
func manual(w io.Writer) {
	fmt.Fprint(w, "# The manual of lampward\n\nThis is what `lampward help manual` prints; each chapter is also `lampward help TOPIC`.\n\n")
	for _, t := range chapters() {
		fmt.Fprintf(w, "- [%s](#%s)\n", t.title, anchor(t.title))
	}
	for _, t := range chapters() {
		fmt.Fprint(w, "\n")
		// Its headings go one level down.
		code := false
		for line := range strings.Lines(t.text) {
			if strings.HasPrefix(line, "```") {
				code = !code
			}
			if !code && strings.HasPrefix(line, "#") {
				fmt.Fprint(w, "#")
			}
			fmt.Fprint(w, line)
		}
	}
}

// anchor is how Markdown viewers name a heading in links.
func anchor(title string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == ' ':
			return '-'
		case r == '-' || r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			return r
		}
		return -1
	}, strings.ToLower(title))
}
