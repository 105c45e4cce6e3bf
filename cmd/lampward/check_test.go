package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
)

// Who types the password at a terminal ends the line, not the input.
func TestPasswordTakesALine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // a command that waits for more fails it at once
		in, keys := io.Pipe()
		go func() { _, _ = keys.Write([]byte("a b\r\n")) }()
		var out, errOut strings.Builder
		assert.Equal(t, exitOK, passwordCommand.execute(context.Background(), console{in, &out, &errOut}, nil))
		assert.True(t, broker.VerifyPassword(strings.TrimSpace(out.String()), "a b"), "%s%s", out.String(), errOut.String())
	})
}

// Ctrl-C ends the command while it waits for the line.
func TestPasswordIsStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in, keys := io.Pipe()
		defer keys.Close()
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan int)
		var out, errOut strings.Builder
		go func() { ended <- passwordCommand.execute(ctx, console{in, &out, &errOut}, nil) }()
		synctest.Wait()
		stop()
		assert.Equal(t, exitFailed, <-ended)
		assert.Equal(t, "lampward password: stopped\n", errOut.String())
	})
}

// What run refuses, check and a reload refuse, also what reading the file let
// pass.
func TestCheckAgreesWithRun(t *testing.T) {
	for name, spoil := range map[string]func(*config.Config){
		"broker: broker packet limit 100": func(c *config.Config) { c.Broker.MaxPacket = 100 },
		"broker: account 1":               func(c *config.Config) { c.Accounts = []config.Account{{Name: "a", PasswordHash: "$argon2id$broken"}} },
		"broker: topic":                   func(c *config.Config) { c.Broker.URL, c.Lamps[0].Topic = "mqtt://192.0.2.1", strings.Repeat("a/", 40) },
		"broker: broker url":              func(c *config.Config) { c.Broker.URL = "http://192.0.2.1" },
		"broker: broker listen":           func(c *config.Config) { c.Broker.Listen = ":0" },
		"levels set by hand: ": func(c *config.Config) {
			require.NoError(t, os.WriteFile(filepath.Join(c.Store.Dir, levelsFile), []byte("null"), 0o600))
		},
		"heartbeat: ": func(c *config.Config) { c.Beat.URL = "ftp://192.0.2.1" },
		"":            func(*config.Config) {},
	} {
		c, err := config.Parse("f.toml", fmt.Appendf(nil, "[broker]\nlisten = \"127.0.0.1:0\"\n[store]\ndir = %q\n[page]\nlisten = \"\"\n%s", t.TempDir(), tankOnly))
		require.NoError(t, err)
		old := *c
		spoil(c)
		ctx, stop := context.WithCancel(t.Context())
		run := serve(ctx, c, serveOptions{log: slog.New(slog.DiscardHandler), ready: func(addresses) { stop() }})
		stop()
		_, check := tryParts(c)
		reload := tryConfig(&old, c)
		if name == "" {
			assert.NoError(t, errors.Join(run, check, reload))
			continue
		}
		assert.Error(t, run, name)
		assert.ErrorContains(t, check, name)
		assert.ErrorAs(t, check, &config.Problems{}, name)
		assert.Equal(t, check, reload)
	}
}

// An alert that leaves the own network without TLS is doubted.
func TestCheckDoubtsHTTP(t *testing.T) {
	for address, want := range map[string]string{
		"http://push.example.com/x": "push.example.com", "http://192.0.2.7:8080/": "192.0.2.7", "http://[2001:db8::1]/": "2001:db8::1",
		"https://push.example.com/x": "", "http://127.0.0.1:9000/hook": "", "http://[::1]:9000": "", "http://10.1.2.3": "", "http://[fd00::1]": "",
		"http://localhost:1": "", "http://pi": "", "http://pi.local:9000": "", "http://pi.HOME.arpa": "", "http://pi.lan": "",
	} {
		assert.Equal(t, want, clearHost(address), address)
	}
	cfg, err := config.Parse("t.toml", []byte("[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n[[webhook]]\nurl = \"http://push.example.com/secret\"\n"))
	require.NoError(t, err)
	got := doubts(cfg)
	require.Len(t, got, 1)
	assert.Contains(t, got[0], "goes over http to push.example.com:")
	assert.NotContains(t, got[0], "secret")
}

// Templates in an address are none.
func TestCheckDoubtsTemplateInURL(t *testing.T) {
	for address, many := range map[string]int{"https://push.example.com/x?text={{.Text}}": 1, "https://push.example.com/x": 0} {
		cfg, err := config.Parse("t.toml", []byte("[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n[[webhook]]\nurl = \""+address+"\"\n"))
		require.NoError(t, err)
		got := doubts(cfg)
		require.Len(t, got, many)
		if many > 0 {
			assert.Contains(t, got[0], "form into the url with method = \"GET\"")
			assert.NotContains(t, got[0], "push.example.com")
		}
	}
}

// A certificate that is out of date keeps boards and browsers away.
func TestCheckDoubtsCertificate(t *testing.T) {
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	pkcs8, err := x509.MarshalPKCS8PrivateKey(k)
	require.NoError(t, err)
	key := writeFile(t, "key.pem", string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8})))
	for until, doubted := range map[time.Time]bool{time.Now().Add(time.Hour): false, time.Now().Add(-time.Hour): true} {
		c := x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: until, DNSNames: []string{"cellar.example.com"}}
		der, err := x509.CreateCertificate(rand.Reader, &c, &c, k.Public(), k)
		require.NoError(t, err)
		cert := writeFile(t, "cert.pem", string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})))
		for table, told := range map[string]bool{"[broker]\nlisten = \"127.0.0.1:1883\"": true, "[page]\nlisten = \"127.0.0.1:8080\"": true, "[broker]\nurl = \"mqtts://192.0.2.7\"": false} {
			cfg, err := config.Parse("t.toml", fmt.Appendf(nil, "%s\ncert_file = %q\nkey_file = %q\n[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n[[webhook]]\nurl = \"https://push.example.com/x\"\n", table, cert, key))
			require.NoError(t, err)
			if got := doubts(cfg); doubted && told {
				require.Len(t, got, 1)
				assert.Contains(t, got[0], "was good until "+until.UTC().Format(time.DateOnly))
			} else {
				assert.Empty(t, got)
			}
		}
	}
}

// wantDoubt checks that a configuration raises this one doubt, or none ("").
func wantDoubt(t *testing.T, text, doubted string) {
	t.Helper()
	cfg, err := config.Parse("t.toml", []byte(text))
	require.NoError(t, err)
	got := doubts(cfg)
	if doubted == "" {
		assert.Empty(t, got, text)
		return
	}
	require.Len(t, got, 1, text)
	assert.Contains(t, got[0], doubted)
}

// What a board publishes on topics that no lamp has needs an account as well.
func TestCheckDoubtsAccountOfBoard(t *testing.T) {
	const text = "[[account]]\nname = \"b\"\npassword_hash = \"$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0$MDEyMzQ1Njc4OWFiY2RlZjAxMjM0NTY3ODlhYmNkZWY\"\npublish = [\"cellar/tank/light\", \"cellar/tank/battery\"]\n" +
		"[[lamp]]\nname = \"tank\"\ntopic = \"cellar/tank/light\"\n[[webhook]]\nurl = \"https://push.example.com/x\"\n[[device]]\nname = \"tank\"\n"
	for more, doubted := range map[string]string{
		"": "",
		"charge = \"topic:cellar/tank/battery\"\n": "",
		"charge = \"topic:cellar/tank/charge\"\n":  "no [[account]] may publish to \"cellar/tank/charge\", a topic of device \"tank\"",
		"rssi = \"topic:cellar/tank/rssi\"\n":      "no [[account]] may publish to \"cellar/tank/rssi\"",
		"topic = \"cellar/tank/status\"\n":         "no [[account]] may publish to \"cellar/tank/status\"",
	} {
		wantDoubt(t, text+more, doubted)
	}
}

// Volts alone say nothing of when the battery is flat; a charge needs no more.
func TestCheckDoubtsVolts(t *testing.T) {
	const text = "[[lamp]]\nname = \"tank\"\ntopic = \"t\"\nvalue = \"/v\"\n[[webhook]]\nurl = \"https://push.example.com/x\"\n[[device]]\nname = \"tank\"\n"
	const set, leave, none = "set chemistry in its [device.battery]", "reports its charge", "has no battery, says its chemistry"
	for more, doubted := range map[string]string{
		"":                      "",
		"volts = \"/b\"\n":      set,
		"millivolts = \"/b\"\n": set,
		"volts = \"/b\"\n[device.battery]\ncapacity_mah = 2500\n":                   set,
		"volts = \"/b\"\n[device.battery]\ncapacity_mah = 2500\ncurrent_ma = 4.5\n": "",
		"volts = \"/b\"\n[device.battery]\nchemistry = \"nimh\"\n":                  "",
		"charge = \"/b\"\n": "",
		"charge = \"/b\"\n[device.battery]\ncapacity_mah = 2500\n":  "",
		"charge = \"/b\"\n[device.battery]\nchemistry = \"nimh\"\n": leave,
		"charge = \"/b\"\n[device.battery]\ncells = 2\n":            leave,
		"charge = \"/b\"\n[device.battery]\nflat_volts = 3\n":       leave,
		"charge = \"/b\"\n[device.battery]\nchemistry = \"none\"\n": none,
		"volts = \"/b\"\n[device.battery]\nchemistry = \"none\"\n":  none,
		"[device.battery]\nchemistry = \"none\"\ncells = 2\n":       none,
		"[device.battery]\nchemistry = \"none\"\n":                  "",
		"volts = \"\"\n": "volts of device \"tank\" is empty, and nothing is read by it",
		"rssi = \"\"\n":  "rssi of device \"tank\" is empty",
	} {
		wantDoubt(t, text+more, doubted)
	}
}

// Where the names that the page answers to tell of a proxy before it, what that needs
// is said.
func TestCheckDoubtsProxy(t *testing.T) {
	const routes = "[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n[[webhook]]\nurl = \"https://push.example.com/x\"\n"
	person := "[[person]]\nname = \"ann\"\npassword_hash = \"$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0$MDEyMzQ1Njc4OWFiY2RlZjAxMjM0NTY3ODlhYmNkZWY\"\n"
	wantDoubt(t, routes, "")
	wantDoubt(t, routes+person, "")
	wantDoubt(t, routes+person+"[page]\nurl = \"https://cellar.example.com\"\n", "as trusted_proxies in [page]")
	wantDoubt(t, routes+person+"[page]\nurl = \"https://cellar.example.com\"\ntrusted_proxies = [\"127.0.0.1\"]\n", "")
	wantDoubt(t, routes+person+"[page]\nlisten = \"0.0.0.0:8080\"\nurl = \"http://cellar.example.com\"\n", "")
	wantDoubt(t, routes+"[page]\nurl = \"https://cellar.example.com\"\n", "answers to the name cellar.example.com, and nobody needs to log in")
	wantDoubt(t, routes+"[page]\nhosts = [\"127.0.0.1\", \"cellar.lan\"]\n", "answers to the name cellar.lan")
	wantDoubt(t, routes+"[page]\nurl = \"http://localhost:8080\"\nhosts = [\"::1\"]\n", "")
	wantDoubt(t, routes+"[page]\nlisten = \"\"\nurl = \"https://cellar.example.com\"\n", "")
}

// Only some mail servers take an address with letters beyond ASCII before the @; those of
// a domain are no trouble.
func TestCheckDoubtsSMTPUTF8(t *testing.T) {
	for to, doubted := range map[string]string{"anna@bücher.example": "", "käthe@example.com": "the address \"käthe@example.com\" of route \"mail-1\" has letters beyond ASCII"} {
		wantDoubt(t, "[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n[[mail]]\nserver = \"post.bücher.example:587\"\nfrom = \"a@example.com\"\nto = [\""+to+"\"]\n", doubted)
	}
}
