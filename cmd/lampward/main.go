// Lampward watches the indicator lamps of ordinary appliances through light
// sensors that publish raw counts over MQTT, and tells a person's phone when
// one lights, blinks or goes out.
//
// The program only parses, runs and exits: [Main] is what tests call too.
// Open daemon.go next.
package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"lampward/cmd/lampward/config"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := Main(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// Exit codes of every command.
const (
	exitOK     = 0
	exitFailed = 1 // the command was understood, but could not do its job
	exitUsage  = 2 // the command line or the configuration is wrong
)

// console is where a command reads and writes.
type console struct {
	in       io.Reader
	out, err io.Writer
}

// command is one subcommand.
type command struct {
	name  string
	brief string // one line for the list of commands
	usage string // what follows the name
	about string // a paragraph, then examples
	run   func(ctx context.Context, c console, f *flag.FlagSet, args []string) int
}

func commands() []command {
	return []command{
		runCommand, checkCommand, demoCommand, replayCommand, planCommand, notifyCommand,
		backupCommand, restoreCommand,
		statusCommand, historyCommand, ackCommand, shelveCommand, teachCommand, aimCommand, batteryCommand,
		passwordCommand, healthcheckCommand, completionCommand, versionCommand,
	}
}

// Main runs one command line and returns the exit code: 0, 1 if the command
// failed, 2 if the command line or configuration is wrong.
func Main(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) int {
	c := console{in, out, errOut}
	if len(args) == 0 {
		// A script that lost its command is not to go on as if it had worked (common
		// practice, no source).
		help(c.err)
		return exitUsage
	}
	name, args := args[0], args[1:]
	switch name {
	case "help", "-h", "-help", "--help":
		if len(args) > 0 && helpTopic(c.out, args[0]) {
			return exitOK
		}
		if len(args) > 0 {
			return Main(ctx, []string{args[0], "-help"}, in, out, errOut)
		}
		help(c.out)
		return exitOK
	case "-version", "--version":
		name = "version"
	}
	for _, cmd := range commands() {
		if cmd.name == name {
			return cmd.execute(ctx, c, args)
		}
	}
	if helpTopic(io.Discard, name) {
		fmt.Fprintf(c.err, "lampward: there is no command %q; `lampward help %s` shows that chapter\n", name, name)
		return exitUsage
	}
	fmt.Fprintf(c.err, "lampward: there is no command %q, and no chapter; `lampward help` lists them\n", name)
	return exitUsage
}

func (cmd command) execute(ctx context.Context, c console, args []string) int {
	f := flag.NewFlagSet(cmd.name, flag.ContinueOnError)
	f.SetOutput(io.Discard)
	f.Usage = func() {}
	return cmd.run(ctx, c, f, args)
}

// parse reads the flags of a command, which may stand before names and after them:
// whoever has typed the name of a file often adds -config. What f.Args gives then are
// the names. If ok is false, the command is to return code: help was asked for, or the
// flags are wrong.
func (cmd command) parse(c console, f *flag.FlagSet, args []string, most int) (code int, ok bool) {
	names := []string{"--"}
	err := f.Parse(args)
	for err == nil && f.NArg() > 0 { // the library stops at the first name
		names = append(names, f.Arg(0))
		err = f.Parse(f.Args()[1:])
	}
	if err == nil {
		err = f.Parse(names)
	}
	switch {
	case errors.Is(err, flag.ErrHelp):
		cmd.help(c.out, f)
		return exitOK, false
	case err != nil:
		// The library says only that it cannot parse.
		said := strings.Replace(err.Error(), "parse error", "write a number, and for a time its unit, such as 60s", 1)
		said = strings.Replace(said, "flag provided but not defined: ", "there is no flag ", 1)
		fmt.Fprintf(c.err, "lampward %s: %s; `lampward help %s` shows what there is\n", cmd.name, said, cmd.name)
		return exitUsage, false
	case f.NArg() > most:
		fmt.Fprintf(c.err, "lampward %s: %q is too much; usage: lampward %s %s\n", cmd.name, f.Arg(most), cmd.name, cmd.usage)
		return exitUsage, false
	}
	return exitOK, true
}

// configured reads the flags of a command that takes -config and nothing else,
// and the configuration. If cfg is nil, the command is to return code.
func (cmd command) configured(c console, f *flag.FlagSet, args []string) (cfg *config.Config, code int) {
	file := f.String("config", "", configUsage)
	if code, ok := cmd.parse(c, f, args, 0); !ok {
		return nil, code
	}
	return loadConfig(c, *file)
}

func (cmd command) help(w io.Writer, f *flag.FlagSet) {
	fmt.Fprintf(w, "usage: lampward %s\n\n%s\n", strings.TrimSpace(cmd.name+" "+cmd.usage), strings.TrimSpace(cmd.about))
	any := false
	f.VisitAll(func(*flag.Flag) { any = true })
	if any {
		fmt.Fprintln(w, "\nflags:")
		f.SetOutput(w)
		f.PrintDefaults()
		f.SetOutput(io.Discard)
	}
}

func help(w io.Writer) {
	fmt.Fprint(w, `lampward tells your phone when the indicator lamp of an appliance lights,
blinks or goes out. A light sensor over the lamp publishes raw counts over
MQTT; lampward learns what lit and dark look like.

usage: lampward COMMAND [flags]

`)
	for _, cmd := range commands() {
		fmt.Fprintf(w, "  %-11s %s\n", cmd.name, cmd.brief)
	}
	listTopics(w)
	fmt.Fprint(w, `
`+"`lampward help COMMAND`"+` shows examples. See it work now:

  lampward demo -for 20s

lampward is a convenience, not a life-safety alarm: never rely on it where
people could come to harm.
`)
}

// loadConfig reads the configuration for a command and reports mistakes.
func loadConfig(c console, file string) (*config.Config, int) {
	if file == "" {
		found, err := config.Find()
		if err != nil {
			fmt.Fprintln(c.err, "lampward:", err)
			return nil, exitUsage
		}
		file = found
	}
	cfg, err := config.Load(file)
	if err != nil {
		return nil, c.refuse(err)
	}
	return cfg, exitOK
}

// refuse tells why a configuration cannot be used.
func (c console) refuse(err error) int {
	if ps := (config.Problems)(nil); errors.As(err, &ps) {
		fmt.Fprintln(c.err, ps)
	} else {
		fmt.Fprintln(c.err, "lampward:", err)
	}
	return exitUsage
}

// reachConfig reads a configuration for a command that needs only where the
// daemon is. What else is wrong with the file does not keep the command from it.
func reachConfig(c console, file string) (*config.Config, int) {
	var said bytes.Buffer
	cfg, code := loadConfig(console{c.in, c.out, &said}, file)
	if cfg == nil {
		if file == "" {
			file, _ = config.Find()
		}
		if data, err := os.ReadFile(file); err == nil && len(data) < 4<<20 {
			if cfg, err = config.Reach(file, data); err == nil {
				fmt.Fprintf(c.err, "note: %s has mistakes; a lampward that runs goes on with what it read before. `lampward check -config %s` tells them.\n", file, file)
				return cfg, exitOK
			}
		}
	}
	_, _ = said.WriteTo(c.err)
	return cfg, code
}

const configUsage = "configuration `FILE`; default: ./lampward.toml, then lampward/lampward.toml in the platform's configuration folder, then /etc/lampward/lampward.toml"
