package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"lampward/cmd/lampward/config"
	"lampward/rules"
)

var completionCommand = command{
	name: "completion", brief: "write the completions of a shell, or the manual page", usage: "bash|zsh|fish|man",
	about: `
Completion writes to standard output what makes a shell complete lampward's
commands, flags and file names; or, with man, the manual page.

examples:
  lampward completion bash > ~/.local/share/bash-completion/completions/lampward
  lampward completion zsh > ~/.zfunc/_lampward     # a folder in your fpath
  lampward completion fish > ~/.config/fish/completions/lampward.fish
  lampward completion man > lampward.1 && man ./lampward.1`,
}

func init() {
	completionCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		if code, ok := completionCommand.parse(c, f, args, 1); !ok {
			return code
		}
		writers := map[string]func(io.Writer, []commandSyntax){
			"bash": bashCompletion, "zsh": zshCompletion, "fish": fishCompletion, "man": manPage,
		}
		switch what := f.Arg(0); {
		case writers[what] != nil:
			writers[what](c.out, syntax(ctx))
		case what == "names": // for the completions themselves
			completeNames(c.out)
		default:
			fmt.Fprintf(c.err, "lampward completion: %q is none of bash, zsh, fish and man\n", what)
			return exitUsage
		}
		return exitOK
	}
}

// commandSyntax is what a shell needs to know of a command.
type commandSyntax struct {
	command
	flags []flagSyntax
	words []string // what may stand first after the name; none: file names
}

type flagSyntax struct {
	name, about string
	value       string // FILE, NAME, TIME and so on; empty: it takes none
}

// syntax reads the command table and the flags that each command defines.
func syntax(ctx context.Context) []commandSyntax {
	var out []commandSyntax
	for _, cmd := range commands() {
		s := commandSyntax{command: cmd}
		f := flag.NewFlagSet(cmd.name, flag.ContinueOnError)
		f.SetOutput(io.Discard)
		f.Usage = func() {}
		// Asked for help, a command defines its flags, parses, and stops.
		cmd.run(ctx, console{strings.NewReader(""), io.Discard, io.Discard}, f, []string{"-help"})
		f.VisitAll(func(x *flag.Flag) {
			value, about := flag.UnquoteUsage(x)
			s.flags = append(s.flags, flagSyntax{x.Name, firstLine(about), value})
		})
		s.words = firstWords(cmd.usage)
		out = append(out, s)
	}
	help := commandSyntax{command: command{name: "help", brief: "show how to use a command, or a chapter of the manual", usage: "[COMMAND|TOPIC]"}}
	for _, s := range out {
		help.words = append(help.words, s.name)
	}
	for _, t := range chapters() {
		help.words = append(help.words, t.name)
	}
	help.words = append(help.words, "manual")
	return append(out, help)
}

func firstLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	return s
}

// firstWords returns the fixed words that a usage such as "lit|dark NAME"
// begins with.
func firstWords(usage string) []string {
	first, _, _ := strings.Cut(usage, " ")
	if first == "" || strings.ToLower(first) != first || strings.ContainsAny(first, "[-.") {
		return nil
	}
	return strings.Split(first, "|")
}

// completeNames writes the names of the lamps and boards of the configuration
// that is found without a flag, one a line; none if it cannot be read.
func completeNames(w io.Writer) {
	file, err := config.Find()
	if err != nil {
		return
	}
	cfg, err := config.Load(file)
	if err != nil {
		return
	}
	var names []string
	for _, l := range cfg.Lamps {
		names = append(names, l.Name)
	}
	for _, d := range cfg.Devices {
		names = append(names, d.Name)
	}
	slices.Sort(names)
	for _, n := range slices.Compact(names) {
		fmt.Fprintln(w, n)
	}
}

// takesFile tells whether a value is the name of a file.
func takesFile(value string) bool { return value == "FILE" || value == "DIR" }

// takesName tells whether a value is the name of a lamp or board.
func takesName(value string) bool { return value == "NAME" || value == "LAMP" || value == "BOARD" }

// fixedValues are those that a value must be one of; nil: others than these.
func fixedValues(value string) (words []string) {
	if value == "KIND" {
		for _, k := range rules.Kinds() {
			words = append(words, string(k))
		}
	}
	return words
}

func bashCompletion(w io.Writer, cmds []commandSyntax) {
	fmt.Fprint(w, `# bash completion of lampward
_lampward() {
	local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} words= IFS=$'\n'
	COMPREPLY=()
	if [ "$COMP_CWORD" -eq 1 ]; then
		words=$'`)
	for _, s := range cmds {
		fmt.Fprintf(w, `%s\n`, s.name)
	}
	fmt.Fprint(w, `'
		COMPREPLY=($(compgen -W "$words" -- "$cur"))
		return
	fi
	case ${COMP_WORDS[1]} in
`)
	for _, s := range cmds {
		var all, files, names, fixed, other []string
		for _, f := range s.flags {
			all = append(all, "-"+f.name)
			switch {
			case f.value == "":
			case takesFile(f.value):
				files = append(files, "-"+f.name)
			case takesName(f.value):
				names = append(names, "-"+f.name)
			case fixedValues(f.value) != nil:
				fixed = append(fixed, fmt.Sprintf("-%s) COMPREPLY=($(compgen -W $'%s' -- \"$cur\")); return ;;", f.name, strings.Join(fixedValues(f.value), `\n`)))
			default:
				other = append(other, "-"+f.name)
			}
		}
		fmt.Fprintf(w, "\t%s)\n\t\tcase $prev in\n", s.name)
		if len(files) > 0 {
			fmt.Fprintf(w, "\t\t%s) COMPREPLY=($(compgen -f -- \"$cur\")); return ;;\n", strings.Join(files, "|"))
		}
		if len(names) > 0 {
			fmt.Fprintf(w, "\t\t%s) COMPREPLY=($(compgen -W \"$(lampward completion names 2>/dev/null)\" -- \"$cur\")); return ;;\n", strings.Join(names, "|"))
		}
		for _, f := range fixed {
			fmt.Fprintf(w, "\t\t%s\n", f)
		}
		if len(other) > 0 {
			fmt.Fprintf(w, "\t\t%s) return ;;\n", strings.Join(other, "|"))
		}
		fmt.Fprint(w, "\t\tesac\n")
		if len(s.words) > 0 {
			fmt.Fprintf(w, "\t\t[ \"$COMP_CWORD\" -eq 2 ] && words=$'%s\\n'\n", strings.Join(s.words, `\n`))
		}
		fmt.Fprintf(w, "\t\t[ \"${cur:0:1}\" = - ] && words=$'%s'\n\t\t;;\n", strings.Join(append(all, "-help"), `\n`))
	}
	fmt.Fprint(w, `	esac
	if [ -n "$words" ]; then
		COMPREPLY=($(compgen -W "$words" -- "$cur"))
	else
		COMPREPLY=($(compgen -f -- "$cur") $(compgen -W "$(lampward completion names 2>/dev/null)" -- "$cur"))
	fi
}
complete -o filenames -o bashdefault -F _lampward lampward
`)
}

// quoteShell makes s one word for a POSIX shell.
func quoteShell(s string) string { return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'" }

// quoteZsh makes a description fit for _arguments and _describe.
func quoteZsh(s string) string {
	return strings.NewReplacer(`\`, `\\`, ":", `\:`, "[", `\[`, "]", `\]`).Replace(s)
}

func zshCompletion(w io.Writer, cmds []commandSyntax) {
	fmt.Fprint(w, `#compdef lampward
_lampward_names() {
	local -a names
	names=(${(f)"$(lampward completion names 2>/dev/null)"})
	compadd -a names
}
_lampward() {
	local -a commands
	commands=(
`)
	for _, s := range cmds {
		fmt.Fprintf(w, "\t\t%s\n", quoteShell(s.name+":"+quoteZsh(s.brief)))
	}
	fmt.Fprint(w, `	)
	if (( CURRENT == 2 )); then
		_describe command commands
		return
	fi
	local command=$words[2]
	shift words
	(( CURRENT-- ))
	case $command in
`)
	for _, s := range cmds {
		fmt.Fprintf(w, "\t%s)\n\t\t_arguments \\\n", s.name)
		for _, f := range s.flags {
			spec := "-" + f.name + "[" + quoteZsh(f.about) + "]"
			switch {
			case f.value == "":
			case takesFile(f.value):
				spec += ":" + f.value + ":_files"
			case takesName(f.value):
				spec += ":" + f.value + ":_lampward_names"
			case fixedValues(f.value) != nil:
				spec += ":" + f.value + ":(" + strings.Join(fixedValues(f.value), " ") + ")"
			default:
				spec += ":" + f.value + ":"
			}
			fmt.Fprintf(w, "\t\t\t%s \\\n", quoteShell(spec))
		}
		fmt.Fprintf(w, "\t\t\t'-help[show how to use it]' \\\n")
		if len(s.words) > 0 {
			fmt.Fprintf(w, "\t\t\t%s \\\n", quoteShell("1:what:("+strings.Join(s.words, " ")+")"))
		}
		fmt.Fprintf(w, "\t\t\t'*: :{_files; _lampward_names}'\n\t\t;;\n")
	}
	fmt.Fprint(w, `	esac
}
_lampward "$@"
`)
}

func fishCompletion(w io.Writer, cmds []commandSyntax) {
	quote := func(s string) string {
		return "'" + strings.NewReplacer(`\`, `\\`, "'", `\'`).Replace(s) + "'"
	}
	fmt.Fprint(w, "# fish completion of lampward\n")
	for _, s := range cmds {
		fmt.Fprintf(w, "complete -c lampward -f -n __fish_use_subcommand -a %s -d %s\n", s.name, quote(s.brief))
	}
	for _, s := range cmds {
		on := quote("__fish_seen_subcommand_from " + s.name)
		for _, f := range s.flags {
			value := ""
			switch {
			case f.value == "":
			case takesFile(f.value):
				value = " -r -F"
			case takesName(f.value):
				value = " -x -a '(lampward completion names 2>/dev/null)'"
			case fixedValues(f.value) != nil:
				value = " -x -a " + quote(strings.Join(fixedValues(f.value), " "))
			default:
				value = " -x"
			}
			fmt.Fprintf(w, "complete -c lampward -n %s -o %s%s -d %s\n", on, f.name, value, quote(f.about))
		}
		if len(s.words) > 0 {
			fmt.Fprintf(w, "complete -c lampward -f -n %s -a %s\n", on, quote(strings.Join(s.words, " ")))
		}
	}
}

// manPage writes the manual page in the mdoc language (mdoc(7)).
func manPage(w io.Writer, cmds []commandSyntax) {
	fmt.Fprintf(w, manHead, buildDate())
	for _, s := range cmds {
		manCommand(w, s)
	}
	fmt.Fprint(w, manTopics)
	for _, t := range chapters() {
		fmt.Fprintf(w, ".It Cm %s\n%s\n", t.name, roffText(t.title))
	}
	fmt.Fprint(w, manTail)
}

func manCommand(w io.Writer, s commandSyntax) {
	fmt.Fprintf(w, ".It Cm %s", s.name)
	if s.usage != "" {
		fmt.Fprintf(w, " Li %s", roffQuote(s.usage))
	}
	fmt.Fprintf(w, "\n%s.\n", roffText(sentenceCase(s.brief)))
	if len(s.flags) == 0 {
		return
	}
	fmt.Fprint(w, ".Bl -tag -width Ds -compact\n")
	for _, f := range s.flags {
		fmt.Fprintf(w, ".It Fl %s", f.name)
		if f.value != "" {
			fmt.Fprintf(w, " Ar %s", f.value)
		}
		fmt.Fprintf(w, "\n%s\n", roffText(f.about))
	}
	fmt.Fprint(w, ".El\n")
}

// The manual page: before the commands, between them and the chapters, and after.
const (
	manHead = `.Dd %s
.Dt LAMPWARD 1
.Os
.Sh NAME
.Nm lampward
.Nd alerts from the indicator lamps of appliances
.Sh SYNOPSIS
.Nm
.Ar command
.Op Ar flags
.Nm
.Cm help
.Op Ar command | topic
.Sh DESCRIPTION
.Nm
watches the indicator lamps of ordinary appliances through light sensors that
publish raw counts over MQTT, and tells a phone when one lights, blinks or goes
out.
It learns by itself what lit and dark look like.
.Pp
It is a convenience, not a life-safety alarm: never rely on it where people
could come to harm.
.Sh COMMANDS
.Bl -tag -width Ds
`
	manTopics = `.El
.Sh TOPICS
The manual is built in; each chapter is shown by
.Nm
.Cm help
.Ar topic :
.Bl -tag -width Ds -compact
`
	manTail = `.El
.Sh SIGNALS
.Bl -tag -width SIGTERM -compact
.It Dv SIGTERM , SIGINT
Store what is pending and exit.
.It Dv SIGHUP
Read the configuration again; at a terminal, stop as the others do.
.El
.Sh ENVIRONMENT
.Bl -tag -width Ds -compact
.It Ev STATE_DIRECTORY
Where the history is kept if the configuration does not say.
.It Ev XDG_STATE_HOME
Else the history is kept in the folder lampward of this one.
.It Ev NOTIFY_SOCKET , WATCHDOG_USEC
Set by the service manager; see
.Xr systemd.service 5 .
.El
.Sh FILES
.Bl -tag -width Ds -compact
.It Pa ./lampward.toml
The configuration, if
.Fl config
does not name another; else
.It Pa ~/.config/lampward/lampward.toml
.It Pa /etc/lampward/lampward.toml
The configuration of the system's service.
.It Pa /var/lib/lampward
Its history and learned state.
.It Pa ~/.local/state/lampward
The same, of one that a person starts.
.El
.Sh EXIT STATUS
0 on success, 1 if the command failed, 2 if the command line or the
configuration is wrong.
.Sh EXAMPLES
See it at work, with nothing else needed:
.Pp
.Dl lampward demo -for 20s
`
)

// buildDate is the date of the revision that this was built from, as mdoc
// writes it.
func buildDate() string {
	when := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	if b, ok := debug.ReadBuildInfo(); ok {
		for _, s := range b.Settings {
			if t, err := time.Parse(time.RFC3339, s.Value); s.Key == "vcs.time" && err == nil {
				when = t
			}
		}
	}
	return when.Format("January 2, 2006")
}

// roffText makes text safe as lines of mdoc, none longer than 78 bytes where
// words allow.
func roffText(s string) string {
	var b strings.Builder
	width := 0
	for _, word := range strings.Fields(roffEscape(s)) {
		switch {
		case width == 0:
		case width+1+len(word) > 78:
			b.WriteByte('\n')
			width = 0
		default:
			b.WriteByte(' ')
			width++
		}
		if width == 0 && (word[0] == '.' || word[0] == '\'') {
			b.WriteString(`\&`)
		}
		b.WriteString(word)
		width += len(word)
	}
	return b.String()
}

func roffEscape(s string) string {
	return strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(s)
}

// roffQuote makes text one argument of a macro.
func roffQuote(s string) string { return `"` + strings.ReplaceAll(roffEscape(s), `"`, `""`) + `"` }

func sentenceCase(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
