package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"flag"
	"fmt"
	"log/slog"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/notify"
	"lampward/rules"
)

var updateManual = flag.Bool("update-manual", false, "write deploy/MANUAL.md anew")

// run1 runs one command line in this process.
func run1(args ...string) (code int, out, errOut string) {
	var o, e bytes.Buffer
	code = Main(context.Background(), args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

// The manual in the repository is the one that the program prints.
func TestManualFile(t *testing.T) {
	const file = "../../deploy/MANUAL.md"
	code, out, _ := run1("help", "manual")
	require.Equal(t, exitOK, code)
	if *updateManual {
		require.NoError(t, os.WriteFile(file, []byte(out), 0o644))
	}
	have, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(have), out, "run: go test ./cmd/lampward -run TestManualFile -update-manual")
}

func TestHelpTopics(t *testing.T) {
	_, list, _ := run1("help")
	for _, c := range chapters() {
		code, out, _ := run1("help", c.name)
		assert.Equal(t, exitOK, code)
		assert.True(t, strings.HasPrefix(out, "# "+c.title+"\n"), c.name)
		assert.Contains(t, list, c.title)
		for _, cmd := range commands() {
			assert.NotEqual(t, cmd.name, c.name, "a chapter would hide the help of the command")
		}
	}
	code, _, errOut := run1("help", "nothing")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errOut, "nothing")
}

// block is one fenced block of a chapter.
type block struct{ chapter, kind, text string }

func blocks() []block {
	var out []block
	for _, c := range chapters() {
		for _, m := range regexp.MustCompile("(?ms)^```(\\w*)\n(.*?)^```$").FindAllStringSubmatch(c.text, -1) {
			out = append(out, block{c.name, m[1], m[2]})
		}
	}
	return out
}

// Every piece of configuration in the manual is right.
func TestManualConfigurations(t *testing.T) {
	n := 0
	hash, err := broker.HashPassword(rand.Text())
	require.NoError(t, err)
	check := func(text string) error {
		text = strings.ReplaceAll(text, `"$argon2id$..."`, fmt.Sprintf("%q", hash))
		if !strings.Contains(text, "[[lamp]]") {
			text += "\n[[lamp]]\nname = \"x\"\ntopic = \"x\"\n"
		}
		_, err := config.Parse("manual.toml", []byte(text))
		return err
	}
	for _, b := range blocks() {
		if b.kind == "toml" {
			n++
			assert.NoError(t, check(b.text), b.chapter)
		}
	}
	assert.Greater(t, n, 8)
	assert.Error(t, check("[[webhook]]\nadress = \"http://192.0.2.1\"\n"))
}

// The manual names each kind of alert, and those that quiet hours let through.
func TestManualNamesKinds(t *testing.T) {
	_, keys, _ := run1("help", "configuration")
	for _, k := range rules.Kinds() {
		if k.Alerts() {
			assert.Regexp(t, "(?s)The kinds of alert are.*`"+string(k)+"`", keys)
		}
	}
	var through []string
	for _, k := range notify.DefaultThrough() {
		through = append(through, "`"+string(k)+"`")
	}
	assert.Contains(t, strings.Join(strings.Fields(keys), " "), "without `quiet_through`: "+strings.Join(through, ", "))
}

// Every payload in the manual is read by the configuration that follows it.
func TestManualPayloads(t *testing.T) {
	var payload string
	n := 0
	for _, b := range blocks() {
		if b.chapter != "payloads" {
			continue
		}
		if b.kind != "toml" {
			payload = b.text
			continue
		}
		cfg, err := config.Parse("manual.toml", []byte(b.text))
		require.NoError(t, err)
		n++
		if lines := strings.Split(payload, "\n"); strings.Contains(lines[0], "/light ") { // topics with their payloads
			var got rules.Input
			in := newIntake(cfg, slog.New(slog.DiscardHandler))
			for _, line := range lines {
				topic, number, ok := strings.Cut(line, " ")
				if !ok {
					continue
				}
				for _, x := range in.inputs(nil, broker.Message{Topic: topic, Payload: []byte(number)}, time.Now) {
					got.Value += x.Value
					got.Volts, got.RSSI = cmp.Or(x.Volts, got.Volts), cmp.Or(x.RSSI, got.RSSI)
				}
			}
			volts, rssi := 3.71, -67.0
			assert.Equal(t, rules.Input{Value: 512, Volts: &volts, RSSI: &rssi}, got)
			continue
		}
		o := broker.DecodeOptions{Value: cfg.Lamps[0].Value}
		if len(cfg.Devices) > 0 {
			o.Battery, o.RSSI = cfg.Devices[0].Battery, cfg.Devices[0].RSSI
		}
		s, err := broker.Decode([]byte(payload), o)
		require.NoError(t, err, payload)
		require.Len(t, s, 1)
		assert.Equal(t, 512.0, s[0].Value)
		if o.Battery != "" {
			require.NotNil(t, s[0].Battery)
			require.NotNil(t, s[0].RSSI)
			assert.Equal(t, 3.71, *s[0].Battery)
			assert.Equal(t, -67.0, *s[0].RSSI)
		}
	}
	assert.Equal(t, 4, n)
	s, err := broker.Decode([]byte(`{"value": 512}`), broker.DecodeOptions{})
	require.NoError(t, err)
	assert.Equal(t, 512.0, s[0].Value)
}

// Every command that the manual and the examples name exists, with its flags.
func TestManualCommands(t *testing.T) {
	known := map[string]commandSyntax{}
	for _, s := range syntax(t.Context()) {
		known[s.name] = s
	}
	wrong := func(text string) (out []string) {
		for _, m := range regexp.MustCompile("(?:`|    |# |sudo |run --rm -T |^)lampward ([a-z]+)([^`\n#]*)").FindAllStringSubmatch(text, -1) {
			s, ok := known[m[1]]
			if !ok {
				out = append(out, m[0])
				continue
			}
			words := strings.Fields(m[2])
			for _, w := range words {
				if len(w) > 1 && w[0] == '-' && !slices.ContainsFunc(s.flags, func(f flagSyntax) bool { return "-"+f.name == w }) {
					out = append(out, m[0])
				}
			}
			if len(s.words) > 0 && len(words) > 0 && words[0] != "TOPIC" && !slices.Contains(s.words, words[0]) {
				out = append(out, m[0])
			}
		}
		return out
	}
	texts := []string{}
	for _, c := range chapters() {
		texts = append(texts, c.text)
	}
	for _, pattern := range []string{"../../deploy/examples/*.toml", "../../deploy/debian/*", "../../deploy/*.service"} {
		files, err := filepath.Glob(pattern)
		require.NoError(t, err)
		require.NotEmpty(t, files)
		for _, f := range files {
			b, err := os.ReadFile(f)
			require.NoError(t, err)
			texts = append(texts, string(b))
		}
	}
	for _, text := range texts {
		assert.Empty(t, wrong(text))
	}
	assert.NotEmpty(t, wrong("    lampward chekc"))
	assert.NotEmpty(t, wrong("`lampward check -colour red`"))
	assert.NotEmpty(t, wrong("`lampward help wirring`"))
}

// Every example passes `lampward check`, given the files that it names.
func TestExamples(t *testing.T) {
	files, err := filepath.Glob("../../deploy/examples/*.toml")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 5)
	cert, key := selfSigned(t)
	for _, f := range append(files, "../../deploy/debian/lampward.toml") {
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		dir := t.TempDir()
		for name, text := range map[string]string{
			"mqtt-password": "secret", "mail-password": "secret", "webhook-secret": "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
			"broker-ca.pem": cert, "recorder-ca.pem": cert, "client.pem": cert, "client-key.pem": key,
		} {
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
		}
		file := filepath.Join(dir, "lampward.toml")
		require.NoError(t, os.WriteFile(file, bytes.ReplaceAll(b, []byte("/etc/lampward"), []byte(dir)), 0o600))
		code, out, errOut := run1("check", "-config", file)
		assert.Equal(t, exitOK, code, "%s: %s", f, errOut)
		assert.Contains(t, out, "correct")
	}
}

// selfSigned returns a certificate and its key as PEM.
func selfSigned(t testing.TB) (cert, key string) {
	srv := httptest.NewTLSServer(http.NotFoundHandler())
	defer srv.Close()
	k, err := x509.MarshalPKCS8PrivateKey(srv.TLS.Certificates[0].PrivateKey)
	require.NoError(t, err)
	return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: srv.Certificate().Raw})),
		string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: k}))
}

// otherCertificate returns TLS with a certificate that nobody configured.
func otherCertificate(t testing.TB) *tls.Config {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	tpl := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), DNSNames: []string{"localhost"}}
	der, err := x509.CreateCertificate(rand.Reader, tpl, tpl, &key.PublicKey, key)
	require.NoError(t, err)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
}
