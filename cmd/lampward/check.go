package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"runtime/debug"
	"strings"

	"lampward/broker"
)

var checkCommand = command{
	name: "check", brief: "check a configuration without running it", usage: "[-config FILE]",
	about: `
Check reports every mistake in the configuration, one a line, as
FILE:LINE: key: what is wrong, what to write instead. It exits with 0 if
there is none, else with 2.

examples:
  lampward check
  lampward check -config /etc/lampward/lampward.toml`,
}

var passwordCommand = command{
	name: "password", brief: "turn a password into the hash that an [[account]] or [[person]] needs", usage: "",
	about: `
Password reads one line from standard input and prints the password_hash for
an [[account]] of the broker or a [[person]] of the page. The password itself is stored nowhere.

examples:
  lampward password
  lampward password < password.txt`,
}

var versionCommand = command{
	name: "version", brief: "show the version", usage: "",
	about: `
Version shows which version this is, and which revision it was built from.

example:
  lampward version`,
}

func init() {
	checkCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		cfg, code := checkCommand.configured(c, f, args)
		if cfg == nil {
			return code
		}
		// What cannot be told from the file alone: secrets, certificates,
		// templates.
		_, routes := newRoutes(cfg, routeOptions{})
		if err := errors.Join(tryFiles(cfg), routes); err != nil {
			fmt.Fprintln(c.err, err)
			return exitUsage
		}
		fmt.Fprintf(c.out, "%s: correct: %s, %s\n", cfg.File,
			plural(len(cfg.Lamps), "lamp"), plural(len(cfg.Webhooks)+len(cfg.Mails), "route"))
		return exitOK
	}
	passwordCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		if code, ok := passwordCommand.parse(c, f, args, 0); !ok {
			return code
		}
		if atTerminal(c) {
			fmt.Fprint(c.err, "Type the password (it shows as you type) and press Enter: ")
		}
		// Up to the end of the line, not of the input: a terminal has none.
		line, err := bufio.NewReader(io.LimitReader(c.in, 4096)).ReadString('\n')
		if err == io.EOF {
			err = nil
		}
		pw := strings.TrimRight(line, "\r\n")
		if err == nil && pw == "" {
			err = fmt.Errorf("no password on standard input; write one line")
		}
		var hash string
		if err == nil {
			hash, err = broker.HashPassword(pw)
		}
		if err != nil {
			fmt.Fprintln(c.err, "lampward password:", err)
			return exitFailed
		}
		fmt.Fprintln(c.out, hash)
		return exitOK
	}
	versionCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		if code, ok := versionCommand.parse(c, f, args, 0); !ok {
			return code
		}
		fmt.Fprintln(c.out, "lampward", version())
		return exitOK
	}
}

// version is the module version and revision that the Go tool stamped.
func version() string {
	b, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	out := b.Main.Version
	if out == "" {
		out = "(devel)"
	}
	for _, s := range b.Settings {
		if s.Key == "vcs.revision" && !strings.Contains(out, s.Value[:min(12, len(s.Value))]) {
			out += " " + s.Value
		}
	}
	return out + " " + b.GoVersion
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
