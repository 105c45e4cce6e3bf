package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker/brokertest"
	"lampward/rules"
	"lampward/store"
)

// runLine runs a command line of lampward in this process.
func runLine(t *testing.T, cmd command, args ...string) (code int, out, errOut string) {
	var o, e bytes.Buffer
	code = cmd.execute(context.Background(), console{strings.NewReader(""), &o, &e}, args)
	return code, o.String(), e.String()
}

// A backup is taken of a running daemon, whose readings go on; the database is
// damaged; lampward refuses it and says what to do; the backup is restored.
func TestBackupDamageRestore(t *testing.T) {
	receiver := newPhone(t)
	listen := brokertest.FreeAddress(t)
	dir := t.TempDir()
	file := writeFile(t, "lampward.toml", quickConfig(listen, dir, "cellar/tank", receiver.URL))
	bak := filepath.Join(t.TempDir(), "lampward.bak")

	p := startProcess(t, "run", file, listen)
	b := newSimBoard(t, listen, "tank-board", "")
	say := func(level, n int) {
		for i := range n {
			tok := b.Publish("cellar/tank", 1, false, fmt.Sprint(level+i%7))
			tok.Wait()
			require.NoError(t, tok.Error())
		}
	}
	say(200, 40)
	for _, name := range besides {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte("as backed up"), 0o600))
	}

	// Backups while readings come in; each must be sound.
	stop := make(chan struct{})
	said := make(chan struct{})
	go func() {
		defer close(said)
		for {
			select {
			case <-stop:
				return
			default:
				say(200, 10)
			}
		}
	}()
	for range 5 {
		code, out, errOut := runLine(t, backupCommand, "-config", file, bak)
		require.Zero(t, code, errOut)
		assert.Contains(t, out, "up to input")
	}
	close(stop)
	<-said
	say(800, 40)
	receiver.wait(t, has(1))
	code, out, errOut := runLine(t, backupCommand, "-config", file, bak)
	require.Zero(t, code, errOut)
	assert.Regexp(t, `: \d+ events, \d+ messages? waiting to be sent, 0 not delivered, up to input \d+\n$`, out, "as the page says it")
	info, err := os.Stat(bak)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm(), "a backup is nobody else's business")
	for _, name := range besides {
		assert.FileExists(t, bak+"."+name)
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte("changed since"), 0o600))
	}

	code, _, errOut = runLine(t, restoreCommand, "-config", file, bak)
	assert.Equal(t, exitFailed, code, "restored under a running daemon")
	assert.Contains(t, errOut, "stop lampward first")
	b.Disconnect(0)
	require.Zero(t, p.terminate(t), "%s", p.log)

	// Stopped, a backup works too.
	code, _, errOut = runLine(t, backupCommand, "-config", file, bak+"2")
	require.Zero(t, code, errOut)

	db := filepath.Join(dir, "lampward.db")
	good, err := os.ReadFile(db)
	require.NoError(t, err)
	for name, spoil := range map[string][]byte{
		"garbage":  bytes.Repeat([]byte("not a database "), 1000),
		"empty":    {},
		"half":     good[:len(good)/2],
		"one page": func() []byte { b := bytes.Clone(good); copy(b[len(b)/2:], make([]byte, 4096)); return b }(),
	} {
		t.Run(name, func(t *testing.T) {
			require.NoError(t, os.WriteFile(db, spoil, 0o600))
			code, _, errOut := runLine(t, runCommand, "-config", file)
			require.Equal(t, exitFailed, code)
			assert.Contains(t, errOut, "damaged")
			assert.Contains(t, errOut, "lampward restore", "the way out is named")
			now, err := os.ReadFile(db)
			require.NoError(t, err)
			assert.True(t, bytes.Equal(spoil, now), "a damaged database must not be touched")
			code, _, errOut = runLine(t, backupCommand, "-config", file, bak)
			assert.Equal(t, exitFailed, code, "a damaged database must not replace a good backup")
			assert.Contains(t, errOut, "damaged")

			code, out, errOut := runLine(t, restoreCommand, "-config", file, bak)
			require.Zero(t, code, errOut)
			assert.Contains(t, out, "kept as")
			_, aside, _ := strings.Cut(strings.Split(out, "\n")[1], "kept as ")
			kept, err := os.ReadFile(strings.Split(aside, ";")[0])
			require.NoError(t, err)
			assert.True(t, bytes.Equal(spoil, kept), "the damaged database is kept")
		})
	}

	for _, name := range besides {
		b, err := os.ReadFile(filepath.Join(dir, name))
		require.NoError(t, err)
		assert.Equal(t, "as backed up", string(b))
		require.NoError(t, os.Remove(filepath.Join(dir, name)))
	}

	// And the daemon goes on from the backup: the lamp is known to be lit, and
	// going dark is news, under an id of its own.
	before := receiver.all()
	p = startProcess(t, "run", file, listen)
	b = newSimBoard(t, listen, "tank-board", "")
	say(800, 10)
	say(200, 40)
	receiver.wait(t, func(as []alert) bool { return as[len(as)-1].Data.Kind == "dark" })
	b.Disconnect(0)
	require.Zero(t, p.terminate(t), "%s", p.log)
	ids := map[string]string{}
	for _, a := range receiver.all() {
		if k, ok := ids[a.ID]; ok {
			assert.Equal(t, k, a.Data.Kind, "one id, two meanings")
		}
		ids[a.ID] = a.Data.Kind
	}
	assert.Equal(t, "lit", before[len(before)-1].Data.Kind)
	st, err := store.Open(context.Background(), store.Options{Dir: dir})
	require.NoError(t, err)
	defer st.Close()
	events, err := st.Events(context.Background(), store.EventFilter{Limit: 100})
	require.NoError(t, err)
	n := 0
	for _, e := range events {
		if e.Event.Kind == rules.Lit {
			n++
		}
	}
	assert.Equal(t, 1, n)
}

func TestBackupMistakes(t *testing.T) {
	dir := t.TempDir()
	file := writeFile(t, "lampward.toml", fmt.Sprintf("[store]\ndir = %q\n[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n", dir))
	text := writeFile(t, "letter.txt", "Dear Ann")
	for _, c := range []struct {
		cmd  command
		args []string
		code int
		says string
	}{
		{backupCommand, []string{"-config", file}, exitUsage, "name the file"},
		{backupCommand, []string{"-config", file, text}, exitFailed, "no database"},
		{backupCommand, []string{"-config", "/nowhere/x.toml", text}, exitUsage, "x.toml"},
		{restoreCommand, []string{"-config", file}, exitUsage, "name the backup"},
		{restoreCommand, []string{"-config", file, text}, exitFailed, "letter.txt is damaged, or is none: it is not a database (it does not begin as an SQLite file does). Nothing was changed. Name another file\n"},
		{restoreCommand, []string{"-check", text}, exitFailed, "Name another file"},
		{restoreCommand, []string{"-check", filepath.Join(dir, "none")}, exitFailed, "no database"},
	} {
		code, _, errOut := runLine(t, c.cmd, c.args...)
		assert.Equal(t, c.code, code, "%v", c.args)
		assert.Contains(t, errOut, c.says)
		assert.NotContains(t, errOut, "Stop lampward", "it is not the database in use")
		assert.LessOrEqual(t, strings.Count(errOut, "letter.txt"), 1, "said once")
	}
	st, err := store.Open(context.Background(), store.Options{Dir: dir})
	require.NoError(t, err)
	require.NoError(t, st.Close())
	code, _, errOut := runLine(t, backupCommand, "-config", file, text)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errOut, "not a backup")
	b, err := os.ReadFile(text)
	require.NoError(t, err)
	assert.Equal(t, "Dear Ann", string(b), "another file must not be replaced")
	code, _, errOut = runLine(t, backupCommand, "-config", file, filepath.Join(dir, "lampward.db"))
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errOut, "database itself")
}

// A backup of an older version is not said to be empty.
func TestCheckOldBackup(t *testing.T) {
	code, out, errOut := run1("restore", "-check", "../../store/testdata/version1.db")
	require.Equal(t, exitOK, code, errOut)
	require.Equal(t, "../../store/testdata/version1.db is sound: from an older lampward, so what is in it was not counted; the start after restoring brings it up to date\n", out)
}
