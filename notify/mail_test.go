package notify

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"image/png"
	"io"
	"math/big"
	"net"
	netmail "net/mail"
	"net/textproto"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lampward/rules"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// certificate makes a self-signed certificate for names, as PEM texts, and what
// vouches for it.
func certificate(t *testing.T, names []string, until time.Time) (cert, key string, roots *x509.CertPool) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	tpl := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: names[0]},
		NotBefore: until.Add(-48 * time.Hour), NotAfter: until, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	for _, n := range names {
		if ip := net.ParseIP(n); ip != nil {
			tpl.IPAddresses = append(tpl.IPAddresses, ip)
		} else {
			tpl.DNSNames = append(tpl.DNSNames, n)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, tpl, tpl, &k.PublicKey, k)
	require.NoError(t, err)
	kd, err := x509.MarshalPKCS8PrivateKey(k)
	require.NoError(t, err)
	cert = string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	key = string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: kd}))
	roots = x509.NewCertPool()
	require.True(t, roots.AppendCertsFromPEM([]byte(cert)))
	return cert, key, roots
}

type received struct {
	From string
	To   []string
	TLS  bool
	User string
	Data []byte
}

// smtpServer starts a real mail server (npm smtp-server) and returns its port
// and a function that returns the next message.
func smtpServer(t *testing.T, o map[string]any) (port int, next func() received) {
	t.Helper()
	arg, err := json.Marshal(o)
	require.NoError(t, err)
	cmd := node(t, "smtp.cjs", string(arg))
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { in.Close(); _ = cmd.Wait() })
	r := bufio.NewReaderSize(out, 1<<20)
	line, err := r.ReadString('\n')
	require.NoError(t, err)
	port, err = strconv.Atoi(strings.TrimSpace(line))
	require.NoError(t, err)
	return port, func() received {
		line, err := r.ReadString('\n')
		require.NoError(t, err)
		var m received
		require.NoError(t, json.Unmarshal([]byte(line), &m))
		return m
	}
}

type parsed struct {
	Headers [][2]string
	Parts   []struct{ Type, Charset, ID, Disposition, Text, Magic string }
	Defects []string
	Date    time.Time
	Longest int
}

// get returns the only header of that name.
func (p parsed) get(t *testing.T, name string) string {
	t.Helper()
	var vs []string
	for _, h := range p.Headers {
		if strings.EqualFold(h[0], name) {
			vs = append(vs, h[1])
		}
	}
	require.Len(t, vs, 1, name)
	return vs[0]
}

// pythonParse parses with an independent parser, Python's email package.
func pythonParse(t *testing.T, data []byte) parsed {
	t.Helper()
	need(t, "python3")
	cmd := exec.Command("python3", filepath.Join("testdata", "parse.py"))
	cmd.Stdin = bytes.NewReader(data)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	require.NoError(t, err)
	var p parsed
	require.NoError(t, json.Unmarshal(out, &p))
	return p
}

func trace(context.Context, string) ([]Point, error) {
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	var ps []Point
	for i := range 600 {
		v := 500 + 20*float64(i%7)
		if i > 400 {
			v += 400
		}
		ps = append(ps, Point{at.Add(time.Duration(i) * time.Minute), v})
	}
	return ps, nil
}

const mailTestTime = 60 * time.Second

// Lit and dark of a lamp arrive at a real server over STARTTLS and implicit
// TLS, with a login; an independent parser finds what was meant, and no header
// that a name tried to smuggle in.
func TestMailArrives(t *testing.T) {
	cert, key, roots := certificate(t, []string{"localhost", "127.0.0.1"}, time.Now().Add(time.Hour))
	for _, security := range []string{"starttls", "tls"} {
		t.Run(security, func(t *testing.T) {
			port, next := smtpServer(t, map[string]any{"secure": security == "tls", "cert": cert, "key": key, "user": "me", "pass": "s3cret!"})
			m, err := NewMail(MailOptions{
				Host: "127.0.0.1", Port: port, Security: security, User: "me", Password: NewSecret("s3cret!"),
				From: "lampward <lampward@example.com>", To: "Anna <anna@example.com>",
				TLS: &tls.Config{RootCAs: roots}, Trace: trace, Location: time.UTC, Timeout: mailTestTime,
				Links: func(rules.Delivery) Links {
					return Links{Ack: "https://lamp.test/a?t=1&u=2", Shelve: "https://lamp.test/s"}
				},
			})
			require.NoError(t, err)
			const name = "Kühltruhe \"1\"\r\nBcc: evil@example.com\r\n\r\n<script>alert(1)</script>"
			at := time.Date(2026, 3, 1, 2, 3, 4, 0, time.UTC)
			d := lit("mail", name, at)
			d.EventID, d.Event.Confidence = "ev-1", 0.9986
			before := time.Now().Add(-time.Second)
			out := m.Send(t.Context(), d)
			require.Equal(t, Delivered, out.Kind, out.Note)
			assert.Equal(t, "accepted", out.Note)
			first := next()
			assert.Equal(t, []string{"anna@example.com"}, first.To)
			assert.Equal(t, "lampward@example.com", first.From)
			assert.True(t, first.TLS)
			assert.Equal(t, "me", first.User)

			d.EventID, d.Event.Kind, d.Event.Text = "ev-2", rules.Dark, "it is dark"
			require.Equal(t, Delivered, m.Send(t.Context(), d).Kind)
			dark := next()

			p, q := pythonParse(t, first.Data), pythonParse(t, dark.Data)
			assert.Empty(t, p.Defects)
			assert.LessOrEqual(t, p.Longest, 998, "RFC 5322 section 2.1.1")
			for _, h := range p.Headers {
				assert.NotEqual(t, "bcc", strings.ToLower(h[0]))
			}
			assert.Equal(t, "auto-generated", p.get(t, "Auto-Submitted"))
			assert.Equal(t, "lampward <lampward@example.com>", p.get(t, "From"))
			assert.Equal(t, "Anna <anna@example.com>", p.get(t, "To"))
			assert.WithinRange(t, p.Date, before.Add(-time.Minute), time.Now().Add(time.Minute))
			assert.Equal(t, p.get(t, "Subject"), q.get(t, "Subject"), "one conversation")
			assert.Contains(t, p.get(t, "Subject"), "Kühltruhe")
			assert.Equal(t, p.get(t, "References"), q.get(t, "References"))
			assert.Equal(t, p.get(t, "References"), p.get(t, "In-Reply-To"))
			assert.NotEqual(t, p.get(t, "Message-ID"), q.get(t, "Message-ID"))
			assert.Regexp(t, `^<message\.[0-9a-f]{32}@example\.com>$`, p.get(t, "Message-ID"))

			var types []string
			for _, part := range p.Parts {
				types = append(types, part.Type)
				switch part.Type {
				case "text/plain":
					assert.Contains(t, part.Text, "Reading:    900")
					assert.Contains(t, part.Text, "Sure:       99.8 %", "never the whole")
					assert.Contains(t, part.Text, "Sun 1 Mar 2026, 02:03:04 UTC")
					assert.Contains(t, part.Text, "https://lamp.test/a?t=1&u=2")
				case "text/html":
					assert.NotContains(t, part.Text, "<script>")
					assert.Contains(t, part.Text, `src="cid:trace"`)
					assert.Contains(t, part.Text, "<td>99.8 %</td>")
				case "image/png":
					assert.Equal(t, "89504e470d0a1a0a", part.Magic)
					assert.Equal(t, "<trace>", part.ID)
					assert.Equal(t, "inline", part.Disposition)
				}
			}
			assert.ElementsMatch(t, []string{"multipart/related", "multipart/alternative", "text/plain", "text/html", "image/png"}, types)

			// A retry has the same Message-ID.
			d.EventID = "ev-1"
			require.Equal(t, Delivered, m.Send(t.Context(), d).Kind)
			assert.Equal(t, p.get(t, "Message-ID"), pythonParse(t, next().Data).get(t, "Message-ID"))

			require.Equal(t, Delivered, m.SendFolded(t.Context(), []rules.Delivery{d, lit("mail", "salt", at)}).Kind)
			f := pythonParse(t, next().Data)
			assert.Contains(t, f.Parts[1].Text, "salt is lit")
			assert.Contains(t, f.Parts[1].Text, "it is dark")
		})
	}
}

// Certificates that are unknown, for another name or out of date are refused,
// and so is a server without TLS; nothing is lost, for all are tried again.
func TestMailRefusesBadServers(t *testing.T) {
	good, goodKey, goodCA := certificate(t, []string{"localhost", "127.0.0.1"}, time.Now().Add(time.Hour))
	_, _, otherCA := certificate(t, []string{"localhost", "127.0.0.1"}, time.Now().Add(time.Hour))
	other, otherKey, otherNameCA := certificate(t, []string{"elsewhere.test"}, time.Now().Add(time.Hour))
	old, oldKey, oldCA := certificate(t, []string{"localhost", "127.0.0.1"}, time.Now().Add(-time.Hour))
	for _, c := range []struct {
		name      string
		cert, key string
		roots     *x509.CertPool
		hide      bool
		pass      string
		want      string
	}{
		{"unknown authority", good, goodKey, otherCA, false, "s3cret!", "signed by an unknown authority"},
		{"another name", other, otherKey, otherNameCA, false, "s3cret!", "is for another name"},
		{"out of date", old, oldKey, oldCA, false, "s3cret!", "out of date"},
		{"no STARTTLS", good, goodKey, goodCA, true, "s3cret!", "offers no STARTTLS"},
		{"wrong password", good, goodKey, goodCA, false, "wr0ng-pass", "refuses the login"},
		{"control: all is well", good, goodKey, goodCA, false, "s3cret!", ""},
	} {
		for _, security := range []string{"starttls", "tls"} {
			if c.hide && security == "tls" {
				continue
			}
			t.Run(c.name+" "+security, func(t *testing.T) {
				port, _ := smtpServer(t, map[string]any{"secure": security == "tls", "cert": c.cert, "key": c.key, "hide": c.hide, "user": "me", "pass": "s3cret!"})
				m, err := NewMail(MailOptions{Host: "127.0.0.1", Port: port, Security: security, User: "me", Password: NewSecret(c.pass),
					From: "lampward@example.com", To: "anna@example.com", TLS: &tls.Config{RootCAs: c.roots}, Timeout: mailTestTime})
				require.NoError(t, err)
				out := m.Send(t.Context(), lit("mail", "tank", time.Now()))
				t.Logf("%s: %s", out.Kind, out.Note)
				assert.NotContains(t, out.Note, c.pass)
				if c.want == "" {
					assert.Equal(t, Delivered, out.Kind)
					return
				}
				assert.Equal(t, Again, out.Kind)
				assert.Contains(t, out.Note, c.want)
				assert.Equal(t, c.name != "out of date", out.Mistake, "our clock may be wrong, and be set yet")
			})
		}
	}
}

// A mailbox that is full is tried again, one that is none is not.
func TestMailRecipients(t *testing.T) {
	port, next := smtpServer(t, map[string]any{"hide": true, "refuse": map[string]string{
		"gone@example.com": "550 no such user", "full@example.com": "452 try later"}})
	for to, want := range map[string]struct {
		kind OutcomeKind
		note string
	}{
		"gone@example.com": {Never, "550"}, "full@example.com": {Again, "452"}, "anna@example.com": {Delivered, "accepted"},
	} {
		m, err := NewMail(MailOptions{Host: "127.0.0.1", Port: port, Security: "none", From: "lampward@example.com", To: to, Timeout: mailTestTime})
		require.NoError(t, err)
		require.Len(t, m.Warnings(), 1)
		out := m.Send(t.Context(), lit("mail", "tank", time.Now()))
		assert.Equal(t, want.kind, out.Kind, to)
		assert.Equal(t, want.kind == Never, out.Mistake, to)
		assert.Contains(t, out.Note, want.note)
		assert.NotContains(t, out.Note, "affected", "whom it is about stands beside it")
	}
	assert.Equal(t, []string{"anna@example.com"}, next().To)
}

// pipeTo lets a route talk to a server in this process; closed is closed when
// it has hung up, each time.
func pipeTo(m *Mail, behave func(net.Conn)) (closed chan struct{}) {
	closed = make(chan struct{}, 1000)
	m.dial = func(context.Context, string, string) (net.Conn, error) {
		ours, theirs := net.Pipe()
		go func() {
			behave(theirs)
			_, _ = io.Copy(io.Discard, theirs) // until our end is closed
			closed <- struct{}{}
		}()
		return ours, nil
	}
	return closed
}

// slowServer is a mail server that takes its time before it answers a command,
// and notes to whom it delivers what it has received in full, even if the other
// side has gone meanwhile: RFC 5321 section 6.1 lets it.
type slowServer struct {
	wait    map[string]time.Duration
	putsOff string // takes no letter with this text; empty: takes all
	refuses string // the same, and for good
	got     []string
}

func (s *slowServer) behave(c net.Conn) {
	r := textproto.NewReader(bufio.NewReader(c))
	say := func(command, answer string) {
		time.Sleep(max(s.wait[command], s.wait[command[:min(len(command), 4)]]))
		fmt.Fprint(c, answer+"\r\n")
	}
	say("connect", "220 mail.test")
	to := ""
	for {
		line, err := r.ReadLine()
		if err != nil {
			return
		}
		switch word, rest, _ := strings.Cut(line, " "); word {
		case "RCPT":
			to = strings.Trim(strings.TrimPrefix(rest, "TO:"), "<>")
			say(line, "250 ok")
		case "DATA":
			say(word, "354 go on")
			text, err := r.ReadDotBytes()
			if err != nil {
				return
			}
			time.Sleep(s.wait["."])
			if s.putsOff != "" && bytes.Contains(text, []byte(s.putsOff)) {
				fmt.Fprint(c, "451 4.7.1 try again later\r\n")
				continue
			}
			if s.refuses != "" && bytes.Contains(text, []byte(s.refuses)) {
				fmt.Fprint(c, "554 5.7.1 refused\r\n")
				continue
			}
			s.got = append(s.got, to)
			fmt.Fprint(c, "250 accepted\r\n")
		case "QUIT":
			say(word, "221 bye")
		case "EHLO":
			say(word, "250-mail.test\r\n250 ENHANCEDSTATUSCODES")
		default:
			say(word, "250 ok")
		}
	}
}

// A server that takes minutes to answer gets each letter once. RFC 5321 section
// 4.5.3.2 gives it five minutes for the greeting, MAIL and RCPT, and ten to
// accept the text.
func TestMailSlowServer(t *testing.T) {
	for name, c := range map[string]struct {
		wait  map[string]time.Duration
		takes time.Duration // at most
	}{
		"quick":  {nil, time.Second},
		"accept": {map[string]time.Duration{".": 9 * time.Minute}, 19 * time.Minute},
		"greets": {map[string]time.Duration{"connect": 3 * time.Minute}, 30 * time.Minute},
		"asks":   {map[string]time.Duration{"RCPT": 100 * time.Second, ".": 5 * time.Minute}, 30 * time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m, err := NewMail(MailOptions{Host: "mail.test", Security: "none", From: "lampward@example.com", To: "anna@example.com"})
				require.NoError(t, err)
				s := &slowServer{wait: c.wait}
				pipeTo(m, s.behave)
				box := &memOutbox{}
				box.add(lit("mail", "tank", time.Now()))
				runWorker(t, Options{Outbox: box, Routes: []Route{m}}, c.takes)
				assert.Equal(t, []string{"anna@example.com"}, s.got)
				_, sent, _ := box.count()
				assert.Equal(t, 1, sent, box.noted)
				runWorker(t, Options{Outbox: box, Routes: []Route{m}}, 2*time.Hour)
				assert.Len(t, s.got, 1, "and never again")
			})
		})
	}
}

// A server that reads each letter and then refuses it, for the sender's domain does not
// vouch for this machine (X.7.20 to X.7.26 of RFC 7372, from memory), or the login may
// not send as that sender: what a person puts right within three hours is not lost. A
// letter that it refuses while it takes others is given up as soon as that is seen.
func TestMailRefusedOnceRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, err := NewMail(MailOptions{Host: "mail.test", Security: "none", From: "lampward@example.com", To: "anna@example.com"})
		require.NoError(t, err)
		refusing := &talker{answers: map[string]string{"EHLO": "250-mail.test\r\n250 ENHANCEDSTATUSCODES", ".": "550 5.7.26 not authenticated"}}
		pipeTo(m, refusing.behave)
		box := &memOutbox{}
		box.add(lit("mail", "tank", time.Now()), lit("mail", "salt", time.Now()))
		runWorker(t, Options{Outbox: box, Routes: []Route{m}}, 90*time.Minute)
		waiting, _, dead := box.count()
		require.Equal(t, []int{2, 0}, []int{waiting, dead}, box.noted)
		s := &slowServer{} // mended
		pipeTo(m, s.behave)
		runWorker(t, Options{Outbox: box, Routes: []Route{m}}, 30*time.Minute)
		_, sent, _ := box.count()
		assert.Equal(t, 2, sent, box.noted)

		s.refuses = "it looks like spam"
		spam := lit("mail", "tank", time.Now())
		spam.Event.Text = s.refuses
		box.add(spam, lit("mail", "salt", time.Now()))
		runWorker(t, Options{Outbox: box, Routes: []Route{m}}, 5*time.Minute)
		_, sent, dead = box.count()
		assert.Equal(t, []int{3, 1}, []int{sent, dead}, box.noted)
	})
}

// A letter that the server puts off for ever, while it takes others, does not hold
// up its lamp for a month.
func TestMailPoison(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, err := NewMail(MailOptions{Host: "mail.test", Security: "none", From: "lampward@example.com", To: "anna@example.com"})
		require.NoError(t, err)
		s := &slowServer{putsOff: "tank is lit"}
		pipeTo(m, s.behave)
		box := &memOutbox{}
		start := time.Now()
		dark := lit("mail", "tank", start)
		dark.Event.Kind, dark.Event.Text = rules.Dark, "tank is dark"
		box.add(lit("mail", "tank", start), dark)
		for h := range 30 {
			o := lit("mail", "salt", start)
			o.Due = start.Add(time.Duration(h) * time.Hour)
			box.add(o)
		}
		runWorker(t, Options{Outbox: box, Routes: []Route{m}, Poll: time.Hour}, 30*time.Hour)
		open, sent, dead := box.count()
		assert.Equal(t, []int{0, 31, 1}, []int{open, sent, dead})
		assert.Contains(t, box.rows[0].note, "takes other messages but not this one")
	})
}

// The two ports of a mail server are easily mixed up, and the port of something else
// is written by mistake: RFC 8314 section 3.3 has TLS from the start on 465, where the
// server says nothing before the client does, RFC 6409 a greeting in clear on 587.
func TestMailWrongPort(t *testing.T) {
	greets := func(c net.Conn) {
		go io.Copy(io.Discard, c) // both speak first, and a pipe holds nothing
		_, _ = io.WriteString(c, "220 mail.test ESMTP\r\n")
	}
	silent := func(net.Conn) {}
	closes := func(c net.Conn) { c.Close() }
	for name, c := range map[string]struct {
		security string
		behave   func(net.Conn)
		want     string
	}{
		"TLS to 587":        {"tls", greets, `mail.test does not answer in TLS; for port 587 write security "starttls", or take the port that speaks TLS from the start, mostly 465`},
		"clear to 465":      {"starttls", silent, `mail.test did not answer in time; is that the port of a mail server? For one that speaks TLS from the start, mostly 465, write security "tls"`},
		"not a mail server": {"none", closes, `mail.test closed the connection without a greeting; is that the port of a mail server? For one that speaks TLS from the start, mostly 465, write security "tls"`},
		"TLS, but silent":   {"tls", silent, `mail.test did not answer in time`},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m, err := NewMail(MailOptions{Host: "mail.test", Security: c.security, From: "lampward@example.com", To: "anna@example.com"})
				require.NoError(t, err)
				closed := pipeTo(m, c.behave)
				out := m.Send(t.Context(), lit("mail", "tank", time.Now()))
				assert.Equal(t, Again, out.Kind)
				assert.Equal(t, c.want, out.Note)
				<-closed
			})
		})
	}
}

// A server that says nothing more is given up, soon if it has nothing yet, and soon
// if it has it all: what it accepted is delivered, though it takes no leave.
func TestMailServerGoesSilent(t *testing.T) {
	for at, want := range map[string]struct {
		after time.Duration
		kind  OutcomeKind
	}{".": {mailAccept, Again}, "RCPT": {defaultMailTimeout, Again}, "QUIT": {mailBye, Delivered}} {
		synctest.Test(t, func(t *testing.T) {
			m, err := NewMail(MailOptions{Host: "mail.test", Security: "none", From: "lampward@example.com", To: "anna@example.com"})
			require.NoError(t, err)
			closed := pipeTo(m, (&slowServer{wait: map[string]time.Duration{at: 24 * time.Hour}}).behave)
			start := time.Now()
			out := m.Send(t.Context(), lit("mail", "tank", start))
			assert.Equal(t, want.kind, out.Kind, at)
			if want.kind == Again {
				assert.Contains(t, out.Note, "did not answer in time")
			}
			assert.Equal(t, want.after, time.Since(start), at)
			<-closed
		})
	}
}

// talker is a mail server that answers as a test says, by command, with "." for the
// text, and notes what it hears.
type talker struct {
	answers map[string]string
	heard   []string // lines; a letter is one
}

func (s *talker) behave(c net.Conn) {
	r := textproto.NewReader(bufio.NewReader(c))
	say := func(command, answer string) {
		if a, ok := s.answers[command]; ok {
			answer = a
		}
		fmt.Fprint(c, answer+"\r\n")
	}
	say("connect", "220 mail.test")
	for {
		line, err := r.ReadLine()
		if err != nil {
			return
		}
		s.heard = append(s.heard, line)
		switch word, _, _ := strings.Cut(line, " "); word {
		case "DATA":
			say(word, "354 go on")
			if a := s.answers[word]; a != "" {
				continue
			}
			text, err := r.ReadDotBytes()
			if err != nil {
				return
			}
			s.heard = append(s.heard, string(text))
			say(".", "250 accepted")
		default:
			say(word, "250 ok")
		}
	}
}

// A mail server may be named by an IPv6 address.
func TestMailServerByAddress(t *testing.T) {
	for host, want := range map[string]string{"::1": "[::1]:2525", "2001:db8::25": "[2001:db8::25]:2525", "192.0.2.25": "192.0.2.25:2525", "mail.test": "mail.test:2525"} {
		synctest.Test(t, func(t *testing.T) {
			m, err := NewMail(MailOptions{Host: host, Port: 2525, Security: "none", From: "lampward@example.com", To: "anna@example.com"})
			require.NoError(t, err)
			closed := pipeTo(m, (&talker{answers: map[string]string{}}).behave)
			pipe, to := m.dial, ""
			m.dial = func(ctx context.Context, network, addr string) (net.Conn, error) {
				to = addr
				return pipe(ctx, network, addr)
			}
			assert.Equal(t, Delivered, m.Send(t.Context(), lit("mail", "tank", time.Now())).Kind)
			assert.Equal(t, want, to)
			<-closed
		})
	}
}

// What becomes of a letter, and what people are told, by the answer of the server and
// what it was to. Codes: RFC 5321 section 4.2.3 and RFC 4954 section 6, from memory.
func TestMailAnswers(t *testing.T) {
	for _, c := range []struct {
		to, answer string
		kind       OutcomeKind
		mistake    bool
		unsent     bool
		answered   bool
		note       string
	}{
		{"MAIL", "250 ok", Delivered, false, false, true, "accepted"},
		{"connect", "421 too busy", Again, false, true, false, "too busy"},
		{"EHLO", "250-mail.test\r\n250 AUTH GSSAPI", Delivered, false, false, true, "accepted"},
		{"MAIL", "451 try later", Again, false, false, true, "try later"},
		{"MAIL", "530 log in first", Again, true, false, true, "mail.test wants a login (sending SMTP MAIL FROM command: 530 \"log in first\")"},
		{"MAIL", "550 not from you", Again, true, false, true,
			"mail.test takes no letter from lampward@example.com; check from (mostly the address of the login), user and password: 550 \"not from you\""},
		{"MAIL", "501 5.1.7 bad address", Again, true, false, true, "bad address"},
		{"RCPT", "553 5.7.1 sender address not owned by user", Again, true, false, true,
			"mail.test takes no letter from lampward@example.com to anna@example.com; check both (from is mostly that of the login, to may take some senders only): 553 \"5.7.1 sender address not owned by user\""},
		{"RCPT", "553 5.1.7 sender has no domain", Again, true, false, true, "; check from "},
		{"RCPT", "550 5.1.8 no such domain", Again, true, false, true, "; check from "},
		{"RCPT", "550 relay not permitted", Again, true, false, true, "; check from "},
		{"RCPT", "554 Relaying denied", Again, true, false, true, "; check from "},
		{"RCPT", "553 sorry, that domain isn't in my list of allowed rcpthosts (#5.7.1)", Again, true, false, true, "; check both "},
		{"RCPT", "550 no such user", Never, true, false, true, "no such user"},
		{"RCPT", "550 5.1.1 no relay.test user", Never, true, false, true, "no relay.test user"},
		{"RCPT", "550 5.1.1 no such user", Never, true, false, true, "no such user"},
		{"RCPT", "550 5.17.1 no such user", Never, true, false, true, "no such user"},
		{".", "554 5.7.1 looks like spam", Again, true, false, true, "looks like spam"},
		{".", "550 5.7.26 the sender's domain is not authenticated", Again, true, false, true, "5.7.26 the sender"},
		{".", "554 5.6.0 cannot be read", Again, true, false, true, "cannot be read"},
		{"RCPT", "450 greylisted", Again, false, false, true, "greylisted"},
		{"RCPT", "552 mailbox full", Again, false, false, true, "mailbox full"},
		{"RCPT", "551 moved away", Never, true, false, true, "moved away"},
		{"DATA", "451 out of space", Again, false, false, true, "out of space"},
		{"DATA", "554 no valid recipient", Again, true, false, true, "no valid recipient"},
		{".", "451 virus check is down", Again, false, false, true, "virus check is down"},
		{".", "554 looks like spam", Again, true, false, true, "looks like spam"},
		{"RSET", "500 what?", Delivered, false, false, true, "accepted"},
		{"QUIT", "500 what?", Delivered, false, false, true, "accepted"},
	} {
		synctest.Test(t, func(t *testing.T) {
			m, err := NewMail(MailOptions{Host: "mail.test", Security: "none", From: "lampward@example.com", To: "anna@example.com"})
			require.NoError(t, err)
			answers := map[string]string{"EHLO": "250-mail.test\r\n250 ENHANCEDSTATUSCODES"}
			answers[c.to] = c.answer
			closed := pipeTo(m, (&talker{answers: answers}).behave)
			out := m.Send(t.Context(), lit("mail", "tank", time.Now()))
			what := c.to + " " + c.answer
			assert.Equal(t, c.kind, out.Kind, what)
			assert.Equal(t, c.mistake, out.Mistake, what)
			assert.Equal(t, c.unsent, out.Unsent, what)
			assert.Equal(t, c.answered, out.Answered, what)
			assert.Contains(t, out.Note, c.note, what)
			assert.Equal(t, strings.HasPrefix(c.answer, "530"), strings.Contains(out.Note, "wants a login"), "%s: %s", what, out.Note)
			<-closed
		})
	}
}

// A password is not sent in clear, and no note tells it, be it that the server repeats
// what it was sent.
func TestMailKeepsThePassword(t *testing.T) {
	const password = "s3cret!"
	login := base64.StdEncoding.EncodeToString([]byte(password))
	plain := base64.StdEncoding.EncodeToString([]byte("\x00me\x00" + password))
	for _, c := range []struct {
		host, offers, answer string
		heard                bool
		note                 string
	}{
		{"mail.test", "PLAIN", "", false, "unencrypted"},
		{"mail.test", "LOGIN", "", false, "unencrypted"},
		{"localhost", "PLAIN", "535 no: AUTH PLAIN " + plain, true, "refuses the login"},
		{"localhost", "LOGIN", "535 no: " + login, true, "refuses the login"},
		{"localhost", "LOGIN", "535 no: " + password, true, "refuses the login"},
	} {
		synctest.Test(t, func(t *testing.T) {
			m, err := NewMail(MailOptions{Host: c.host, Security: "none", User: "me", Password: NewSecret(password), From: "lampward@example.com", To: "anna@example.com"})
			require.NoError(t, err)
			s := &talker{answers: map[string]string{"EHLO": "250-mail.test\r\n250 AUTH " + c.offers,
				"AUTH": c.answer, login: c.answer}}
			if c.offers == "LOGIN" {
				s.answers["AUTH"] = "334 " + base64.StdEncoding.EncodeToString([]byte("Username:"))
				s.answers[base64.StdEncoding.EncodeToString([]byte("me"))] = "334 " + base64.StdEncoding.EncodeToString([]byte("Password:"))
			}
			closed := pipeTo(m, s.behave)
			out := m.Send(t.Context(), lit("mail", "tank", time.Now()))
			<-closed
			heard := strings.Join(s.heard, "\n")
			assert.Equal(t, c.heard, strings.Contains(heard, login) || strings.Contains(heard, plain), heard)
			assert.Equal(t, Again, out.Kind)
			assert.True(t, out.Unsent)
			assert.Contains(t, out.Note, c.note)
			for _, secret := range []string{password, login, plain} {
				assert.NotContains(t, out.Note, secret)
			}
		})
	}
}

// A letter is dated by the wall clock that the route was given, and each attempt sends
// the same one; a picture that does not come is left out.
func TestMailLetter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		at := time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC)
		hangs := func(ctx context.Context, _ string) ([]Point, error) { <-ctx.Done(); return nil, ctx.Err() }
		m, err := NewMail(MailOptions{Host: "mail.test", Security: "none", From: "lampward@example.com", To: "anna@example.com",
			Trace: hangs, Wall: func() time.Time { return at }})
		require.NoError(t, err)
		s := &talker{}
		pipeTo(m, s.behave)
		letter := func(d rules.Delivery) netmail.Header {
			s.heard = nil
			require.Equal(t, Delivered, m.Send(t.Context(), d).Kind)
			synctest.Wait()
			i := slices.Index(s.heard, "DATA")
			require.Positive(t, i)
			assert.NotContains(t, s.heard[i+1], "cid:trace")
			msg, err := netmail.ReadMessage(strings.NewReader(s.heard[i+1]))
			require.NoError(t, err)
			date, err := msg.Header.Date()
			require.NoError(t, err)
			assert.True(t, at.Equal(date), date)
			return msg.Header
		}
		tank, salt := lit("mail", "tank", at), lit("mail", "salt", at)
		tank.EventID, salt.EventID = "ev-1", "ev-2"
		board := lit("mail", "", at)
		board.EventID, board.Event.Device, board.Event.Kind = "ev-3", "tank", rules.Silent
		first, again := letter(tank), letter(tank)
		assert.Equal(t, first["Message-Id"], again["Message-Id"])
		for _, d := range []rules.Delivery{salt, board} {
			other := letter(d)
			assert.NotEqual(t, first["Message-Id"], other["Message-Id"])
			assert.NotEqual(t, first["References"], other["References"], "another conversation")
		}
		ofBoard := letter(board)["References"]
		board.EventID, board.Event.Device = "ev-5", "salt"
		assert.NotEqual(t, ofBoard, letter(board)["References"], "another board")
		tank.EventID, tank.Event.Kind = "ev-4", rules.Dark
		over := letter(tank)
		assert.NotEqual(t, first["Message-Id"], over["Message-Id"])
		assert.Equal(t, first["References"], over["References"])
	})
}

// The names of a letter, by which a repeat is known and a conversation kept together,
// are of ASCII and no encoded words (RFC 5322 section 3.6.4, RFC 2047 section 5; from
// memory), whatever domain the sender is of.
func TestMailNamesOfOtherScripts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, err := NewMail(MailOptions{Host: "post.bücher.example", Security: "none", From: "Wärter <keller@bücher.example>", To: "Anna <anna@Straße.example>"})
		require.NoError(t, err)
		s := &talker{answers: map[string]string{"EHLO": "250-mail.test\r\n250 SMTPUTF8"}}
		closed := pipeTo(m, s.behave)
		pipe := m.dial
		m.dial = func(ctx context.Context, network, addr string) (net.Conn, error) {
			assert.Equal(t, "post.xn--bcher-kva.example:25", addr)
			return pipe(ctx, network, addr)
		}
		require.Equal(t, Delivered, m.Send(t.Context(), lit("mail", "tank", time.Now())).Kind)
		<-closed
		msg, err := netmail.ReadMessage(strings.NewReader(s.heard[slices.Index(s.heard, "DATA")+1]))
		require.NoError(t, err)
		for _, h := range []string{"Message-Id", "In-Reply-To", "References"} {
			assert.Regexp(t, `^<[!-;=?-~]+@xn--bcher-kva\.example>$`, msg.Header.Get(h), h)
			assert.NotContains(t, msg.Header.Get(h), "=?", h)
		}
		// Domains by the example of RFC 3492 section 7.1 (bücher) and IDNA 2008, which
		// keeps ß (RFC 5891); from memory. Any server takes them.
		assert.Contains(t, s.heard, "MAIL FROM:<keller@xn--bcher-kva.example>")
		assert.Contains(t, s.heard, "RCPT TO:<anna@xn--strae-oqa.example>")
		assert.Equal(t, `"Anna" <anna@xn--strae-oqa.example>`, msg.Header.Get("To"))

		// In words people see what they wrote.
		s.answers["MAIL"] = "550 no"
		assert.Contains(t, m.Send(t.Context(), lit("mail", "tank", time.Now())).Note, "post.bücher.example takes no letter from keller@bücher.example;")
		<-closed
	})
}

// What stands before the @ cannot be written in ASCII: such an address needs a server
// with SMTPUTF8 (RFC 6531), and only for such an address one is asked for it, for who is
// asked may send the letter back where the next server has it not.
func TestMailSMTPUTF8(t *testing.T) {
	for _, c := range []struct {
		to, offers, heard string
	}{
		{"anna@example.com", "", "MAIL FROM:<lampward@example.com>"},
		{"anna@example.com", "SMTPUTF8", "MAIL FROM:<lampward@example.com>"},
		{"anna@bücher.example", "SMTPUTF8", "MAIL FROM:<lampward@example.com>"},
		{"käthe@example.com", "SMTPUTF8", "MAIL FROM:<lampward@example.com> SMTPUTF8"},
		{"käthe@example.com", "", ""},
	} {
		synctest.Test(t, func(t *testing.T) {
			m, err := NewMail(MailOptions{Host: "mail.test", Security: "none", From: "lampward@example.com", To: c.to})
			require.NoError(t, err)
			s := &talker{answers: map[string]string{"EHLO": "250-mail.test\r\n250 " + cmp.Or(c.offers, "HELP")}}
			closed := pipeTo(m, s.behave)
			out := m.Send(t.Context(), lit("mail", "tank", time.Now()))
			<-closed
			assert.Equal(t, strings.HasPrefix(c.to, "k"), NeedsSMTPUTF8(c.to))
			if c.heard != "" {
				assert.Equal(t, Delivered, out.Kind, out.Note)
				assert.Contains(t, s.heard, c.heard)
				letter := s.heard[slices.Index(s.heard, "DATA")+1]
				assert.Equal(t, NeedsSMTPUTF8(c.to), !isASCII(letter), letter)
				return
			}
			assert.Equal(t, Again, out.Kind)
			assert.True(t, out.Mistake && out.Unsent)
			assert.Contains(t, out.Note, "mail.test does not offer SMTPUTF8")
			assert.NotContains(t, strings.Join(s.heard, "\n"), "MAIL")
		})
	}
}

// A server that says nothing more once it has accepted a letter holds up neither what
// is noted of it nor the letters after it. What is broken off before that is sent
// again, under the same name, by which the recipient's mail program knows it.
func TestMailBrokenOff(t *testing.T) {
	for how, want := range map[string]struct {
		letters int           // that the server has
		takes   time.Duration // at most
	}{
		"":                {1, 0},
		"421, no letter":  {1, 10 * time.Second},
		"greylisted":      {1, 20 * time.Minute},
		"cut in the text": {1, 10 * time.Second},
		"cut, no answer":  {2, 10 * time.Second},
		"421, no answer":  {2, 10 * time.Second},
		"then silent":     {1, mailBye},
		"then hangs up":   {1, 0},
		"then 421":        {1, 0},
	} {
		t.Run(how, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m, err := NewMail(MailOptions{Host: "mail.test", Security: "none", From: "lampward@example.com", To: "anna@example.com"})
				require.NoError(t, err)
				s := &breaker{how: how, start: time.Now()}
				pipeTo(m, s.behave)
				box := &memOutbox{}
				start := time.Now()
				box.add(lit("mail", "tank", start))
				runWorker(t, Options{Outbox: box, Routes: []Route{m}}, 2*time.Hour)
				require.Equal(t, "sent", box.rows[0].state, box.noted)
				assert.LessOrEqual(t, box.rows[0].at.Sub(start), want.takes)
				require.Len(t, s.names, want.letters)
				for _, n := range s.names {
					assert.Equal(t, s.names[0], n)
					assert.NotEmpty(t, n)
				}
			})
		})
	}
}

// breaker is a mail server whose first connection, or whose first five minutes if it
// greylists, goes wrong in some way.
type breaker struct {
	how   string
	start time.Time
	tried int
	names []string // Message-IDs of the letters that it has
}

func (s *breaker) behave(c net.Conn) {
	how := s.how
	if s.tried++; s.tried > 1 && how != "greylisted" {
		how = ""
	}
	r := textproto.NewReader(bufio.NewReader(c))
	say := func(a string) { fmt.Fprint(c, a+"\r\n") }
	if how == "421, no letter" {
		say("421 4.3.2 busy")
		c.Close()
		return
	}
	say("220 mail.test")
	for {
		line, err := r.ReadLine()
		if err != nil {
			return
		}
		switch word, _, _ := strings.Cut(line, " "); {
		case word == "RCPT" && how == "greylisted" && time.Since(s.start) < 5*time.Minute:
			say("450 4.7.1 try again in five minutes")
		case word == "DATA" && how == "cut in the text":
			say("354 go on")
			_, _ = r.ReadLine()
			c.Close()
			return
		case word == "DATA":
			say("354 go on")
			text, err := r.ReadDotBytes()
			if err != nil {
				return
			}
			msg, err := netmail.ReadMessage(bytes.NewReader(text))
			if err != nil {
				return
			}
			s.names = append(s.names, msg.Header.Get("Message-Id"))
			switch how {
			case "421, no answer":
				say("421 4.3.2 shutting down")
				c.Close()
				return
			case "cut, no answer":
				c.Close()
				return
			}
			say("250 accepted")
			switch how {
			case "then silent":
				_, _ = io.Copy(io.Discard, c)
				return
			case "then 421":
				_, _ = r.ReadLine()
				say("421 4.4.2 enough")
				c.Close()
				return
			case "then hangs up":
				c.Close()
				return
			}
		case word == "QUIT":
			say("221 bye")
		default:
			say("250 ok")
		}
	}
}

// A server that hangs, babbles without end or breaks off is a failed attempt
// within the time limit, with the connection closed.
func TestMailHostileServer(t *testing.T) {
	for name, behave := range map[string]func(net.Conn){
		"silent":   func(c net.Conn) { _, _ = io.Copy(io.Discard, c) },
		"slow":     func(c net.Conn) { trickle(c, "220 welcome, take a seat\r\n", 10*time.Second) },
		"babbles":  func(c net.Conn) { babble(c) },
		"hangs up": func(c net.Conn) { c.Close() },
		"no smtp":  func(c net.Conn) { fmt.Fprint(c, "HTTP/1.1 400 Bad Request\r\n\r\n"); c.Close() },
		"no TLS": func(c net.Conn) {
			fmt.Fprint(c, "220 hi\r\n")
			_, _ = c.Read(make([]byte, 99))
			fmt.Fprint(c, "250 hi\r\n")
			_, _ = io.Copy(io.Discard, c)
		},
		"sorry": func(c net.Conn) { fmt.Fprint(c, "554 no service here\r\n"); _, _ = io.Copy(io.Discard, c) },
		"TLS garbage": func(c net.Conn) {
			fmt.Fprint(c, "220 hi\r\n")
			_, _ = c.Read(make([]byte, 99))
			fmt.Fprint(c, "250-hi\r\n250 STARTTLS\r\n")
			_, _ = c.Read(make([]byte, 99))
			fmt.Fprint(c, "220 go\r\n")
			go io.Copy(io.Discard, c)
			fmt.Fprint(c, "garbage, much of it\r\n")
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m, err := NewMail(MailOptions{Host: "mail.test", From: "lampward@example.com", To: "anna@example.com"})
				require.NoError(t, err)
				closed := pipeTo(m, behave)
				start := time.Now()
				out := m.Send(t.Context(), lit("mail", "tank", start))
				t.Logf("%s after %s: %s", out.Kind, time.Since(start), out.Note)
				assert.Equal(t, Again, out.Kind)
				assert.LessOrEqual(t, time.Since(start), defaultMailTimeout)
				<-closed
			})
		})
	}
}

// babble sends one endless line until the other side hangs up.
func babble(c net.Conn) {
	b := bytes.Repeat([]byte("220-"), 4096)
	for {
		if _, err := c.Write(b); err != nil {
			return
		}
	}
}

func TestMailOptionErrors(t *testing.T) {
	ok := MailOptions{Host: "smtp.test", From: "a@example.com", To: "b@example.com"}
	_, err := NewMail(ok)
	require.NoError(t, err)
	for want, change := range map[string]func(*MailOptions){
		"no mail server": func(o *MailOptions) { o.Host = "" },
		"is unknown":     func(o *MailOptions) { o.Security = "maybe" },
		"is not an addr": func(o *MailOptions) { o.From = "x\r\nBcc: y" },
		"to: ":           func(o *MailOptions) { o.To = "nobody" },
		`to: ""`:         func(o *MailOptions) { o.To = "" },
		"both a user":    func(o *MailOptions) { o.User = "me" },
		"not between":    func(o *MailOptions) { o.Port = 70000 },
	} {
		o := ok
		change(&o)
		_, err := NewMail(o)
		require.ErrorContains(t, err, want)
	}
}

// The levels of a lamp that reads lower when lit stand the other way round,
// and long fractions are cut.
func TestLetterLevels(t *testing.T) {
	for _, c := range []struct {
		on, off float64
		want    []string
	}{
		{700.123456789, 650, []string{"Lit above:  700.123\n", "Dark below: 650\n"}},
		{300, 350, []string{"Lit below:  300\n", "Dark above: 350\n"}},
	} {
		var b bytes.Buffer
		require.NoError(t, plainLetter.Execute(&b, letterView{Message: Message{Kind: "lit", Lamp: "tank", Value: 1.0 / 3, OnAbove: c.on, OffBelow: c.off}}))
		assert.Contains(t, b.String(), "Reading:    0.333333\n")
		for _, w := range c.want {
			assert.Contains(t, b.String(), w)
		}
	}
}

func TestPicture(t *testing.T) {
	ps, _ := trace(t.Context(), "")
	b, err := tracePNG(ps, []float64{700, 650})
	require.NoError(t, err)
	img, err := png.Decode(bytes.NewReader(b))
	require.NoError(t, err)
	assert.Equal(t, pictureWidth, img.Bounds().Dx())
	assert.Less(t, len(b), 20<<10)
	if p := os.Getenv("LAMPWARD_PICTURE"); p != "" { // to look at it
		require.NoError(t, os.WriteFile(p, b, 0o600))
	}
	// Hostile values give an error or a picture, never a panic.
	at := time.Unix(0, 0)
	for _, vs := range [][]float64{{}, {1}, {1, 1}, {-1.7e308, 1.7e308}, {nan, inf, 1, 2}, {nan, nan}} {
		var ps []Point
		for i, v := range vs {
			ps = append(ps, Point{at.Add(time.Duration(i) * time.Hour), v})
		}
		_, _ = tracePNG(ps, []float64{inf, nan, 1})
	}
}

// How sure an alert is stands in a letter twice, in the reason and beside the
// levels: in the same words.
func TestLetterSaysHowSure(t *testing.T) {
	for _, sure := range []float64{0.5, 0.87, 0.991, 0.9986, 0.9999, 1} {
		m := Message{Name: "tank", Lamp: "tank", Kind: "lit", Text: "tank is lit", OnAbove: 400, OffBelow: 300, Confidence: sure}
		var plain, html strings.Builder
		require.NoError(t, plainLetter.Execute(&plain, newLetterView(&m)))
		require.NoError(t, htmlLetter.Execute(&html, newLetterView(&m)))
		assert.Contains(t, plain.String(), "Sure:       "+rules.Sure(sure)+"\n")
		assert.Contains(t, html.String(), "<td>"+rules.Sure(sure)+"</td>")
	}
}

// What a server says of a login, or of too much for now, is no verdict on the letter.
// Codes: RFC 5321 section 4.2.3 and RFC 4954 section 6, from memory.
func TestPermanent(t *testing.T) {
	for code, want := range map[int]bool{
		0: false, 250: false, 421: false, 450: false, 451: false, 452: false, 454: false,
		530: false, 534: false, 535: false, 538: false, 552: false,
		500: true, 550: true, 551: true, 553: true, 554: true,
	} {
		assert.Equal(t, want, permanent(code), code)
	}
}
