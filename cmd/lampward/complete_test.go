package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/cmd/lampward/config"
)

// shell finds a shell, and a folder in whose PATH this test binary is lampward.
func shell(t *testing.T, name string) (bin string, env []string) {
	bin, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is not installed", name)
		}
		t.Skip("needs " + name)
	}
	dir := t.TempDir()
	self, err := filepath.Abs(os.Args[0])
	require.NoError(t, err)
	script := "#!/bin/sh\n" + childEnv + "=run exec " + quoteShell(self) + ` "$@"` + "\n"
	require.NoError(t, os.WriteFile(filepath.Join(dir, "lampward"), []byte(script), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "lampward.toml"), []byte(`
[[lamp]]
name = "salt lamp"
topic = "s"
device = "salt-board"
[[lamp]]
name = "tank"
topic = "t"
[[device]]
name = "salt-board"
`), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "trace one.csv"), nil, 0o644))
	return bin, append(os.Environ(), "PATH="+dir+":"+os.Getenv("PATH"), "HOME="+dir, "DIR="+dir)
}

// completions are what a person gets for pressing Tab, the line and some of
// the answers expected; absent must not be among them.
var completions = []struct {
	line   string
	want   []string
	absent string
}{
	{"lampward ", []string{"run", "check", "help", "completion"}, "wiring"},
	{"lampward he", []string{"help", "healthcheck"}, "run"},
	{"lampward help wi", []string{"wiring"}, "run"},
	{"lampward help man", []string{"manual"}, "run"},
	{"lampward help ru", []string{"run"}, "wiring"},
	{"lampward completion ", []string{"bash", "zsh", "fish", "man"}, "run"},
	{"lampward notify ", []string{"test"}, "run"},
	{"lampward replay -l", []string{"-lamp"}, "-config"},
	{"lampward replay -lamp ", []string{"tank", "salt lamp", "salt-board"}, "run"},
	{"lampward replay -lamp tank tra", []string{"trace one.csv"}, "run"},
	{"lampward status -user ", nil, "tank"},
	{"lampward history -kind ", []string{"lit", "battery_low", "many_silent"}, "tank"},
	{"lampward history tank -kind batt", []string{"battery_low", "battery_new"}, "lit"},
	{"lampward check -config lampw", []string{"lampward.toml"}, "trace one.csv"},
}

// tryCompletions compares what a shell answers with completions. A name with a
// space is answered as the shell writes it.
func tryCompletions(t *testing.T, complete func(line string) string) {
	for _, c := range completions {
		out := strings.NewReplacer(`\ `, " ", "'", "").Replace(complete(c.line))
		lines := strings.Split(out, "\n")
		for i := range lines {
			lines[i], _, _ = strings.Cut(strings.TrimSpace(lines[i]), "\t")
		}
		for _, w := range c.want {
			assert.Contains(t, lines, w, c.line)
		}
		assert.NotContains(t, lines, c.absent, c.line)
	}
}

func TestBashCompletion(t *testing.T) {
	bin, env := shell(t, "bash")
	tryCompletions(t, func(line string) string {
		cmd := exec.Command(bin, "--norc", "-c", `cd "$DIR"; source <(lampward completion bash)
eval "COMP_WORDS=($1)"
case $1 in *" ") COMP_WORDS+=("") ;; esac
COMP_CWORD=$((${#COMP_WORDS[@]} - 1))
spec=$(complete -p lampward); fn=${spec#*-F }; ${fn%% *}
printf '%s\n' "${COMPREPLY[@]}"`, "bash", line)
		cmd.Env = env
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, string(out))
		return string(out)
	})
}

func TestFishCompletion(t *testing.T) {
	bin, env := shell(t, "fish")
	tryCompletions(t, func(line string) string {
		cmd := exec.Command(bin, "--no-config", "-c", `cd $DIR; lampward completion fish | source; complete -C $argv[1]`, line)
		cmd.Env = env
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, string(out))
		return string(out)
	})
}

// zsh completes only at a terminal, which its own module zpty gives it: the
// matches are captured on their way to being listed.
func TestZshCompletion(t *testing.T) {
	bin, env := shell(t, "zsh")
	const capture = `
zmodload zsh/zpty
zpty z zsh -f -i
() {
	zpty -w z 'PS1=; cd $DIR; fpath=($DIR/fn $fpath); autoload -Uz compinit; compinit -D -u'
	zpty -w z 'compadd () {
		if [[ ${@[1,(i)(-|--)]} == *-(O|A|D)\ * ]]; then builtin compadd "$@"; return $?; fi
		local -a hits; builtin compadd -O hits "$@"; local h; for h in $hits; print -r -- "<$h>"
	}'
	zpty -w z "bindkey '^I' complete-word; zstyle ':completion:*' list-grouped false; _done () { print -r -- '<<end>>' }; compprefuncs=(); comppostfuncs=(_done)"
	zpty -w z 'print -r -- "<<""ready>>"'
	local l; while zpty -r z l; do [[ $l == *"<<ready>>"* ]] && break; done
	zpty -w -n z "$1"$'\t'
	while zpty -r z l; do
		[[ $l == *"<<end>>"* ]] && break
		l=${l//$'\r'/}
		[[ $l == *"<"*">"* ]] && { l=${l##*"<"}; print -r -- ${l%%">"*}; }
	done
} "$1"
zpty -d z
`
	dir := ""
	for _, e := range env {
		if v, ok := strings.CutPrefix(e, "DIR="); ok {
			dir = v
		}
	}
	require.NoError(t, os.Mkdir(filepath.Join(dir, "fn"), 0o755))
	code, text, _ := run1("completion", "zsh")
	require.Equal(t, exitOK, code)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "fn", "_lampward"), []byte(text), 0o644))
	tryCompletions(t, func(line string) string {
		cmd := exec.Command(bin, "-f", "-c", capture, "zsh", line)
		cmd.Env = env
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, string(out))
		return string(out)
	})
}

func TestManPage(t *testing.T) {
	code, text, _ := run1("completion", "man")
	require.Equal(t, exitOK, code)
	for _, s := range syntax(t.Context()) {
		assert.Contains(t, text, "\n.It Cm "+s.name)
	}
	for _, v := range []string{"STATE_DIRECTORY", "XDG_STATE_HOME"} {
		assert.Contains(t, text, "\n.It Ev "+v)
		t.Setenv(v, "")
	}
	t.Setenv("HOME", "/home/ann")
	t.Setenv("USERPROFILE", "/home/ann")
	cfg, err := config.Parse("test.toml", []byte(tankOnly))
	require.NoError(t, err)
	history := strings.Replace(filepath.ToSlash(cfg.Store.Dir), "/home/ann", "~", 1)
	assert.Contains(t, text, "\n.It Pa "+history+"\n")
	readme, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	assert.Contains(t, string(readme), "`"+history+"`")
	bin, err := exec.LookPath("mandoc")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("mandoc is not installed")
		}
		t.Skip("needs mandoc")
	}
	lint := func(page string) string {
		cmd := exec.CommandContext(t.Context(), bin, "-Tlint", "-Wstyle")
		cmd.Stdin = strings.NewReader(page)
		out, _ := cmd.CombinedOutput()
		var kept []string
		for l := range strings.Lines(string(out)) {
			// Whether systemd's own page is installed is not ours to mend.
			if !strings.Contains(l, "systemd.service") {
				kept = append(kept, l)
			}
		}
		return strings.Join(kept, "")
	}
	assert.Empty(t, lint(text))
	assert.NotEmpty(t, lint(text+".El\n"), "the check does complain")
}

// Asking a command for its flags must not make it do anything.
func TestSyntaxIsHarmless(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	assert.NotEmpty(t, syntax(t.Context()))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, left)
}
