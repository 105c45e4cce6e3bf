package main

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	netmail "net/mail"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"lampward/cmd/lampward/config"
	"lampward/notify"
	"lampward/rules"
	"lampward/store"
)

// routes are the ways to people, and what each wants to hear.
type routes struct {
	all      []notify.Route
	policies []notify.Policy
	limits   map[string]notify.Limit
}

// routeOptions are what routes need of the running daemon; the zero value
// does to check a configuration.
type routeOptions struct {
	wall  func() time.Time // nil: time.Now
	links func(rules.Delivery) notify.Links
	trace func(ctx context.Context, lamp string) ([]notify.Point, error)
}

// newRoutes makes the routes of a configuration. It reads the secrets that
// the configuration names, and reports all that is wrong with any route as
// config.Problems.
func newRoutes(cfg *config.Config, o routeOptions) (*routes, error) {
	out := &routes{limits: map[string]notify.Limit{}}
	var wrong config.Problems
	add := func(key string, r notify.Route, p config.Route, err error) {
		if err != nil {
			wrong = append(wrong, problem(cfg, key, err))
			return
		}
		out.all = append(out.all, r)
		out.policies = append(out.policies, p.Policy)
		out.limits[p.Policy.Route] = p.Limit
	}
	for i, w := range cfg.Webhooks {
		if bad := webhookFiles(cfg, i); len(bad) > 0 {
			wrong = append(wrong, bad...)
			continue
		}
		r, err := newWebhook(w, o)
		add(fmt.Sprintf("webhook[%d]", i+1), r, w.Route, err)
	}
	for i, m := range cfg.Mails {
		if bad := mailFiles(cfg, i); len(bad) > 0 {
			wrong = append(wrong, bad...)
			continue
		}
		for _, one := range recipients(m) {
			var r notify.Route
			err := fmt.Errorf("%q is the name of another route, too; write another", one.Name)
			if out.policy(one.Name) == nil {
				r, err = newMail(one, o)
			}
			if add(fmt.Sprintf("mail[%d]", i+1), r, one.Route, err); err != nil {
				break // the others would say the same
			}
		}
	}
	if len(wrong) > 0 {
		return nil, wrong
	}
	return out, nil
}

// recipients makes one of each recipient of a mail, each a route of its own, so
// that none waits for another who cannot be reached.
func recipients(m config.Mail) (out []config.Mail) {
	seen := map[string]bool{}
	for _, to := range m.To {
		address := to
		if a, err := netmail.ParseAddress(to); err == nil { // else newMail tells
			address = a.Address
		}
		if seen[address] {
			continue
		}
		seen[address] = true
		one := m
		one.Name, one.To = m.Name+" to "+address, []string{to}
		one.Policy.Route = one.Name
		out = append(out, one)
	}
	return out
}

// marks are the routes as store.Follow knows them again: by all that says where a
// message goes. They are keyed, for an address may hold a secret.
func (r *routes) marks(cfg *config.Config, key []byte) (out []store.RouteMark) {
	add := func(name string, to ...any) {
		sum := hmac.New(sha256.New, key)
		_ = json.NewEncoder(sum).Encode(to) // words, and maps of words: cannot fail
		out = append(out, store.RouteMark{Name: name, Mark: int64(binary.BigEndian.Uint64(sum.Sum(nil))>>1) | 1})
	}
	for _, w := range cfg.Webhooks {
		add(w.Name, "webhook", w.Method, w.URL, w.Headers, w.Form, w.Body)
	}
	for _, m := range cfg.Mails {
		for _, one := range recipients(m) {
			add(one.Name, "mail", one.To)
		}
	}
	return out
}

// names are those of the routes, in order.
func (r *routes) names() []string {
	names := make([]string, len(r.policies))
	for i := range names {
		names[i] = r.policies[i].Route
	}
	return names
}

// policy is what a route wants; nil: there is none of that name.
func (r *routes) policy(name string) *notify.Policy {
	for i := range r.policies {
		if r.policies[i].Route == name {
			return &r.policies[i]
		}
	}
	return nil
}

// warn says what is unsafe or missing.
func (r *routes) warn(log *slog.Logger) {
	if len(r.all) == 0 {
		log.Warn("no [[webhook]] and no [[mail]] is configured: no alert leaves this machine")
	}
	for _, x := range r.all {
		if w, ok := x.(interface{ Warnings() []string }); ok {
			for _, text := range w.Warnings() {
				log.Warn(text, "route", x.Name())
			}
		}
	}
}

func newWebhook(w config.Webhook, o routeOptions) (notify.Route, error) {
	s, err := notify.LoadSecret(w.Secret, w.SecretFile, w.SecretEnv)
	if err != nil {
		return nil, err
	}
	t, err := clientTLS(w.CAFile, w.CertFile, w.KeyFile)
	if err != nil {
		return nil, err
	}
	return notify.NewWebhook(notify.WebhookOptions{
		Name: w.Name, URL: w.URL, Method: w.Method, Headers: w.Headers, Body: w.Body,
		ContentType: w.ContentType, Form: w.Form, Secret: s, Timeout: w.Timeout,
		Links: o.links, Wall: o.wall, TLS: t,
	})
}

// newMail makes the route to the first recipient of a mail.
func newMail(m config.Mail, o routeOptions) (notify.Route, error) {
	s, err := notify.LoadSecret("", m.PasswordFile, m.PasswordEnv)
	if err != nil {
		return nil, err
	}
	host, port, err := net.SplitHostPort(m.Server)
	if err != nil {
		return nil, err
	}
	n, err := strconv.Atoi(port)
	if err != nil {
		return nil, fmt.Errorf("server %q: write the port as a number, such as %s:587", m.Server, host)
	}
	t, err := clientTLS(m.CAFile, "", "")
	if err != nil {
		return nil, err
	}
	return notify.NewMail(notify.MailOptions{
		Name: m.Name, Host: host, Port: n, Security: m.Security, User: m.User, Password: s,
		From: m.From, To: m.To[0], TLS: t,
		Trace: o.trace, Links: o.links, Wall: o.wall,
	})
}

// traceHours is how much of the past the picture in a mail shows.
const traceHours = 12 * time.Hour

// recentTrace reads a lamp's recent past, at the wall time now, for the picture in a
// mail.
func recentTrace(ctx context.Context, st *store.Store, now time.Time, lamp string) ([]notify.Point, error) {
	points, err := st.Trace(ctx, lamp, now.Add(-traceHours), now, 300)
	if err != nil {
		return nil, err
	}
	out := make([]notify.Point, len(points))
	for i, p := range points {
		out[i] = notify.Point{At: p.At, Value: p.Mean}
	}
	return out, nil
}

// serverTLS reads a certificate to show.
func serverTLS(cert, key string) (*tls.Config, error) {
	c, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		return nil, fmt.Errorf("%w; name a PEM file that the account that runs lampward can read", err)
	}
	return &tls.Config{Certificates: []tls.Certificate{c}, MinVersion: tls.VersionTLS12}, nil
}

// clientTLS reads how servers are checked, and which certificate they are shown;
// without a file: by the system's authorities, and none.
func clientTLS(ca, cert, key string) (t *tls.Config, err error) {
	t = &tls.Config{MinVersion: tls.VersionTLS12}
	if cert != "" {
		if t, err = serverTLS(cert, key); err != nil {
			return nil, err
		}
	}
	if ca != "" {
		pem, err := os.ReadFile(ca)
		if err != nil {
			return nil, fmt.Errorf("%w; name a PEM file that the account that runs lampward can read", err)
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate in PEM form; name the authority's own certificate", ca)
		}
	}
	return t, nil
}

// problem is what is wrong with a key of the configuration, on one line.
func problem(cfg *config.Config, key string, err error) config.Problem {
	return config.Problem{File: cfg.File, Line: cfg.Line(key), Key: key, Text: strings.ReplaceAll(err.Error(), "\n", "; ")}
}

// named reads the files and variables that one table names; what is empty is not
// named.
type named struct {
	cfg   *config.Config
	table string
	wrong config.Problems
}

func (n *named) try(key string, err error) {
	if err != nil {
		n.wrong = append(n.wrong, problem(n.cfg, n.table+"."+key, err))
	}
}

func (n *named) ca(file string) {
	_, err := clientTLS(file, "", "")
	n.try("ca_file", err)
}

func (n *named) certificate(cert, key string) {
	if cert != "" && key != "" {
		_, err := serverTLS(cert, key)
		n.try("cert_file", err)
	}
}

// secret reads a file and a variable, of keys that begin with what it is: "secret"
// or "password". check is asked about it; nil: nobody.
func (n *named) secret(what, file, env string, check func(notify.Secret) error) {
	for _, one := range [][3]string{{"_file", file, ""}, {"_env", "", env}} {
		s, err := notify.LoadSecret("", one[1], one[2])
		if err == nil && check != nil {
			err = check(s)
		}
		n.try(what+one[0], err)
	}
}

func webhookFiles(cfg *config.Config, i int) config.Problems {
	w, n := cfg.Webhooks[i], named{cfg: cfg, table: fmt.Sprintf("webhook[%d]", i+1)}
	n.secret("secret", w.SecretFile, w.SecretEnv, notify.CheckSecret)
	n.ca(w.CAFile)
	n.certificate(w.CertFile, w.KeyFile)
	return n.wrong
}

func mailFiles(cfg *config.Config, i int) config.Problems {
	m, n := cfg.Mails[i], named{cfg: cfg, table: fmt.Sprintf("mail[%d]", i+1)}
	n.secret("password", m.PasswordFile, m.PasswordEnv, nil)
	n.ca(m.CAFile)
	return n.wrong
}

// tryFiles reads the files and variables that the configuration names, and what is
// beside the history for a start to read, and reports all that is wrong with any of
// them.
func tryFiles(cfg *config.Config) (wrong config.Problems) {
	b := named{cfg: cfg, table: "broker"}
	b.ca(cfg.Broker.CAFile)
	b.certificate(cfg.Broker.CertFile, cfg.Broker.KeyFile)
	b.secret("password", cfg.Broker.PasswordFile, "", nil)
	s := named{cfg: cfg, table: "store"}
	if _, err := readLevels(cfg.Store.Dir); !errors.Is(err, fs.ErrPermission) { // for who checks may be another than who runs it
		s.try("dir", err)
	}
	p := named{cfg: cfg, table: "page"}
	p.certificate(cfg.Page.CertFile, cfg.Page.KeyFile)
	h := named{cfg: cfg, table: "heartbeat"}
	h.ca(cfg.Beat.CAFile)
	wrong = slices.Concat(b.wrong, s.wrong, p.wrong, h.wrong)
	for i := range cfg.Webhooks {
		wrong = append(wrong, webhookFiles(cfg, i)...)
	}
	for i := range cfg.Mails {
		wrong = append(wrong, mailFiles(cfg, i)...)
	}
	return wrong
}

var notifyCommand = command{
	name: "notify", brief: "send a test alert through each route", usage: "test [-config FILE]",
	about: `
Notify test sends one test alert through each [[webhook]] and [[mail]] of the
configuration, past quiet hours and limits, and says what happened. It needs no
running daemon.

examples:
  lampward notify test
  lampward notify test -config /etc/lampward/lampward.toml`,
}

func init() {
	notifyCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		if len(args) > 0 && args[0] == "test" {
			args = args[1:]
		} else if len(args) == 0 || args[0][0] != '-' {
			fmt.Fprintln(c.err, "lampward notify: write `lampward notify test`")
			return exitUsage
		}
		cfg, code := notifyCommand.configured(c, f, args)
		if cfg == nil {
			return code
		}
		r, err := newRoutes(cfg, routeOptions{})
		if err != nil {
			fmt.Fprintln(c.err, err)
			return exitUsage
		}
		if len(r.all) == 0 {
			fmt.Fprintf(c.err, "%s: no [[webhook]] and no [[mail]] is configured; add one\n", cfg.File)
			return exitUsage
		}
		code = exitOK
		for _, t := range notify.Test(ctx, r.all, time.Now()) {
			fmt.Fprintln(c.out, printable(t.String()))
			if t.Outcome.Kind != notify.Delivered {
				code = exitFailed
			}
		}
		return code
	}
}
