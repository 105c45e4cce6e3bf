package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/broker/brokertest"
)

// instance is one of several lampwards on the same broker.
type instance struct {
	*phone
	file, dir, page string
	process         *daemonProcess
}

// newInstance writes the configuration of a lampward that watches some lamps
// on m; each lamp's topic is cellar/NAME.
func newInstance(t testing.TB, m *mosquitto, clientID string, receiver *phone, lamps ...string) *instance {
	x := &instance{phone: receiver, dir: t.TempDir(), page: brokertest.FreeAddress(t)}
	var text strings.Builder
	fmt.Fprintf(&text, "[broker]\nurl = \"mqtt://%s\"\nclient_id = %q\n[store]\ndir = %q\n[page]\nlisten = %q\n[[webhook]]\nurl = %q\n",
		m.address, clientID, x.dir, x.page, receiver.URL)
	for _, lamp := range lamps {
		fmt.Fprintf(&text, "[[lamp]]\nname = %q\ntopic = \"cellar/%s\"\n", lamp, lamp)
	}
	x.file = writeFile(t, "lampward.toml", text.String())
	return x
}

func (x *instance) start(t testing.TB) {
	x.process = startProcess(t, "run", x.file, x.page)
	waitFor(t, x.process, "connected to the broker")
}

// told lists lamp and kind of the alerts that arrived, each delivery as often
// as it came.
func (x *instance) told() (out []string) {
	for _, a := range x.all() {
		out = append(out, a.Data.Lamp+" "+a.Data.Kind)
	}
	return out
}

const takenOver = "another client with the client id"

// Two lampwards on one broker, each with topics of its own: each tells of its
// own lamp, once, and neither disturbs the other. The control gives the second
// one the first one's lamp too, and is found out.
func TestTwoOnOneBroker(t *testing.T) {
	run := func(t *testing.T, second ...string) (tank, salt []string, logs string) {
		m := startMosquitto(t)
		a := newInstance(t, m, "cellar-tank", newPhone(t), "tank")
		b := newInstance(t, m, "cellar-salt", newPhone(t), second...)
		a.start(t)
		b.start(t)
		boards := []*publisher{newPublisher(t, m.address, "cellar/tank"), newPublisher(t, m.address, "cellar/salt")}
		for _, phase := range []struct{ n, level int }{{40, 200}, {25, 600}, {40, 200}} {
			for range phase.n {
				for _, p := range boards {
					p.publish(1, phase.level)
				}
			}
		}
		a.wait(t, has(2))
		b.wait(t, has(2*len(second)))
		// A clean stop sends what is still owed, so nothing comes later.
		require.Zero(t, a.process.terminate(t), "%s", a.process.log)
		require.Zero(t, b.process.terminate(t), "%s", b.process.log)
		return a.told(), b.told(), a.process.log.String() + b.process.log.String()
	}
	tank, salt, logs := run(t, "salt")
	assert.Equal(t, []string{"tank lit", "tank dark"}, tank)
	assert.Equal(t, []string{"salt lit", "salt dark"}, salt)
	assert.NotContains(t, logs, takenOver)
	assert.NotContains(t, logs, "the connection to the broker is down")

	_, salt, _ = run(t, "salt", "tank")
	assert.Contains(t, salt, "tank lit", "the control tells of a lamp that is not its own")
}

// Two lampwards with one client id: the broker lets only the newest be
// connected. Each says why it is thrown out and what to do.
func TestTwoWithOneClientID(t *testing.T) {
	m := startMosquitto(t)
	a := newInstance(t, m, "lampward", newPhone(t), "tank")
	b := newInstance(t, m, "lampward", newPhone(t), "salt")
	a.start(t)
	b.start(t)
	for _, x := range []*instance{a, b} {
		waitFor(t, x.process, takenOver)
		waitFor(t, x.process, "give each lampward a client_id of its own")
	}
	require.Zero(t, a.process.terminate(t), "%s", a.process.log)
	require.Zero(t, b.process.terminate(t), "%s", b.process.log)
}

// A broker that does not let lampward read a lamp's topic is said to, in the log and
// in the status, for the lamp looks like one that nobody has switched on.
func TestTopicThatTheBrokerRefuses(t *testing.T) {
	hash, err := broker.HashPassword("correct horse")
	require.NoError(t, err)
	listen, pageAt := brokertest.FreeAddress(t), brokertest.FreeAddress(t)
	b := startProcess(t, "run", writeFile(t, "broker.toml", fmt.Sprintf(`
[broker]
listen = %q
[[account]]
name = "lampward"
password_hash = %q
subscribe = ["cellar/salt/light"]
[store]
dir = %q
[page]
listen = ""
[[lamp]]
name  = "unused"
topic = "unused"
`, listen, hash, t.TempDir())), listen)
	file := writeFile(t, "lampward.toml", fmt.Sprintf(`
[broker]
url = "mqtt://lampward:correct%%20horse@%s"
[store]
dir = %q
[page]
listen = %q
[[lamp]]
name  = "tank"
topic = "cellar/tank/light"
[[lamp]]
name  = "salt"
topic = "cellar/salt/light"
`, listen, t.TempDir(), pageAt))
	t.Cleanup(b.kill)
	p := startProcess(t, "run", file, pageAt)
	t.Cleanup(p.kill)
	waitFor(t, p, "connected to the broker")
	assert.Contains(t, p.log.String(), "topic=cellar/tank/light reason=not_subscribed")
	code, out, errOut := runMain(t.Context(), "status", "-config", file)
	require.Equal(t, exitOK, code, errOut)
	assert.Contains(t, out, "does not let lampward read cellar/tank/light: nobody watches")
}

// A standby: the machine dies, a backup is restored on another one, and a
// lampward with the same configuration takes over the broker's session. What
// was published meanwhile was kept by the broker and is told; what was told
// after the backup is told again, under ids that were never used. The control
// copies the database instead of restoring it, and uses ids twice.
func TestStandby(t *testing.T) {
	// It returns what was told under each id, in the order they came.
	run := func(t *testing.T, restored bool, ids int) (told []string) {
		m := startMosquitto(t)
		receiver := newPhone(t)
		first := newInstance(t, m, "lampward", receiver, "tank")
		standby := newInstance(t, m, "lampward", receiver, "tank")
		board := newPublisher(t, m.address, "cellar/tank")
		first.start(t)
		// What is told is stored, and so in the backup; readings that the broker
		// acknowledged may yet be under way.
		board.publish(40, 200)
		board.publish(25, 600)
		board.publish(40, 200)
		receiver.wait(t, has(2))
		backup := filepath.Join(t.TempDir(), "lampward.bak")
		code, _, errOut := runMain(t.Context(), "backup", "-config", first.file, backup)
		require.Zero(t, code, errOut)
		board.publish(25, 600)
		receiver.wait(t, has(3))
		first.process.kill()
		board.publish(25, 600) // nobody is there
		board.publish(40, 200)
		if restored {
			code, _, errOut = runMain(t.Context(), "restore", "-config", standby.file, backup)
			require.Zero(t, code, errOut)
		} else {
			copied, err := os.ReadFile(backup)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(standby.dir, "lampward.db"), copied, 0o600))
		}
		standby.start(t)
		receiver.wait(t, has(ids))
		require.Zero(t, standby.process.terminate(t), "%s", standby.process.log)
		return kindsOf(receiver.all())
	}
	assert.Equal(t, []string{"lit", "dark", "lit", "lit", "dark"}, run(t, true, 5))
	assert.Equal(t, []string{"lit", "dark", "lit", "dark"}, run(t, false, 4), "the control uses an id twice")
}
