package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"lampward/cmd/lampward/config"
	"lampward/cmd/lampward/page"
)

// passwordEnv holds the password for -user.
const passwordEnv = "LAMPWARD_PASSWORD"

// client talks to a running daemon by the API of its page.
type client struct {
	base  string
	token string
	http  *http.Client
}

// remote are the flags that say which daemon a command talks to.
type remote struct {
	file, url, user *string
}

func remoteFlags(f *flag.FlagSet) remote {
	return remote{
		f.String("config", "", configUsage),
		f.String("url", "", "`ADDRESS` of the page, such as http://192.0.2.7:8080; default: that of the configuration"),
		f.String("user", "", "log in to the page as `PERSON`, with the password in "+passwordEnv),
	}
}

// names parses a command line and returns the names in it. If ok is false the command
// is to return code.
func (cmd command) names(c console, f *flag.FlagSet, args []string, least, most int) (names []string, code int, ok bool) {
	if code, ok := cmd.parse(c, f, args, len(args)); !ok {
		return nil, code, false
	}
	names = f.Args()
	if len(names) < least || len(names) > most {
		fmt.Fprintf(c.err, "lampward %s: usage: lampward %s %s\n", cmd.name, cmd.name, cmd.usage)
		return nil, exitUsage, false
	}
	return names, exitOK, true
}

// connect makes a client, and logs in if a user was named.
func (r remote) connect(ctx context.Context, c console) (*client, int) {
	k := &client{http: &http.Client{}}
	if *r.url != "" {
		u, err := url.Parse(*r.url)
		if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			fmt.Fprintf(c.err, "lampward: -url %q is no address; write one such as http://192.0.2.7:8080\n", *r.url)
			return nil, exitUsage
		}
		k.base = strings.TrimRight(*r.url, "/")
	} else {
		cfg, code := reachConfig(c, *r.file)
		if cfg == nil {
			if _, err := config.Find(); *r.file == "" && err != nil {
				fmt.Fprintln(c.err, "lampward: to ask a lampward on another machine, name its page with -url")
			}
			return nil, code
		}
		if err := k.local(cfg); err != nil {
			fmt.Fprintln(c.err, "lampward:", printable(err.Error()))
			return nil, exitFailed
		}
	}
	if *r.user != "" {
		if err := k.login(ctx, *r.user, os.Getenv(passwordEnv)); err != nil {
			fmt.Fprintln(c.err, "lampward:", printable(err.Error()))
			return nil, exitFailed
		}
	}
	return k, exitOK
}

// local finds the page of a configuration, which runs on this machine.
func (k *client) local(cfg *config.Config) error {
	if cfg.Page.Listen == "" {
		return fmt.Errorf("%s turns the page off (page.listen is empty), and commands speak to the daemon by it; give it an address", cfg.File)
	}
	host, port, err := net.SplitHostPort(cfg.Page.Listen)
	if err != nil {
		return err
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	k.base = "http://" + net.JoinHostPort(host, port)
	if cfg.Page.CertFile != "" {
		t, err := trust(cfg.Page.CertFile)
		if err != nil {
			return fmt.Errorf("page.cert_file: %w", err)
		}
		k.base = "https://" + net.JoinHostPort(host, port)
		k.http.Transport = &http.Transport{TLSClientConfig: t}
	}
	// Without it, a page with people asks for a login, and says so.
	b, err := os.ReadFile(filepath.Join(cfg.Store.Dir, tokenFile))
	if err == nil {
		k.token = strings.TrimSpace(string(b))
	}
	return nil
}

// trust accepts the very certificate that the page was given, under its own
// name, whatever address it is reached by.
func trust(file string) (*tls.Config, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(b) {
		return nil, fmt.Errorf("%s holds no certificate", file)
	}
	block, rest := pem.Decode(b)
	for block.Type != "CERTIFICATE" { // there is one, says pool
		block, rest = pem.Decode(rest)
	}
	leaf, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return nil, err
	}
	t := &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	switch {
	case len(leaf.DNSNames) > 0:
		t.ServerName = strings.Replace(leaf.DNSNames[0], "*", "any", 1) // a wildcard stands for any name
	case len(leaf.IPAddresses) > 0:
		t.ServerName = leaf.IPAddresses[0].String()
	}
	return t, nil
}

func (k *client) login(ctx context.Context, name, password string) error {
	if password == "" {
		return fmt.Errorf("-user needs the password in the environment variable %s", passwordEnv)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		return err
	}
	k.http.Jar = jar
	form := url.Values{"name": {name}, "password": {password}}
	return k.do(ctx, http.MethodPost, "/login", "application/x-www-form-urlencoded", strings.NewReader(form.Encode()), nil)
}

// answerTime is how long a command waits for the daemon.
const answerTime = 90 * time.Second // a test message takes a minute at most

func (k *client) get(ctx context.Context, path string, q url.Values, to any) error {
	if len(q) > 0 {
		path += "?" + q.Encode()
	}
	return k.do(ctx, http.MethodGet, path, "", nil, to)
}

// act asks for an action and returns what the daemon said.
func (k *client) act(ctx context.Context, verb string, args map[string]any) (said string, err error) {
	if u, err := user.Current(); err == nil {
		args["by"] = u.Username
	}
	b, err := json.Marshal(args)
	if err != nil {
		return "", err
	}
	var out struct{ Said string }
	err = k.do(ctx, http.MethodPost, "/api/"+verb, "application/json", bytes.NewReader(b), &out)
	return out.Said, err
}

func (k *client) do(ctx context.Context, method, path, kind string, body io.Reader, to any) error {
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	res, err := k.send(ctx, method, path, kind, body)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if to == nil {
		return nil
	}
	if err := json.NewDecoder(res.Body).Decode(to); err != nil {
		return fmt.Errorf("the answer of %s cannot be read: %w; is it lampward, and of this version?", k.base, err)
	}
	return nil
}

// send sends a request; an answer that tells of an error becomes one.
func (k *client) send(ctx context.Context, method, path, kind string, body io.Reader) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, k.base+path, body)
	if err != nil {
		return nil, err
	}
	req.Header.Set("Accept", "application/json")
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	if k.token != "" {
		req.Header.Set("Authorization", "Bearer "+k.token)
	}
	res, err := k.http.Do(req)
	if err != nil {
		if errors.Is(ctx.Err(), context.DeadlineExceeded) {
			return nil, fmt.Errorf("lampward at %s did not answer within %s; its log may say why", k.base, page.Long(answerTime))
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		var op *net.OpError
		if errors.As(err, &op) && op.Op == "dial" {
			return nil, fmt.Errorf("lampward does not answer at %s (%v); start it with `lampward run`, or name its configuration with -config", k.base, op.Err)
		}
		var cert *tls.CertificateVerificationError
		if errors.As(err, &cert) {
			return nil, fmt.Errorf("this machine does not trust the certificate of %s (%w); name lampward's configuration with -config, whose certificate is trusted", k.base, cert.Err)
		}
		var ue *url.Error
		if errors.As(err, &ue) {
			err = ue.Err
		}
		return nil, fmt.Errorf("what answers at %s is not lampward's page (%w); is the port right, and http:// or https://?", k.base, err)
	}
	if res.StatusCode < 300 {
		return res, nil
	}
	defer res.Body.Close()
	var out struct{ Error string }
	text, _ := io.ReadAll(io.LimitReader(res.Body, 64<<10))
	if json.Unmarshal(text, &out) != nil || out.Error == "" {
		out.Error = strings.TrimSpace(fmt.Sprintf("%s answered %s", k.base, res.Status))
	}
	if res.StatusCode == http.StatusUnauthorized && path != "/login" {
		out.Error += " Run this as the user that lampward runs as, without -url, or give -user and " + passwordEnv + "."
	}
	return nil, errors.New(out.Error)
}

// stream calls fn with each event of the API's stream until fn or ctx ends it.
func (k *client) stream(ctx context.Context, fn func(event string, data []byte) (more bool)) error {
	res, err := k.send(ctx, http.MethodGet, "/api/stream", "", nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	in := bufio.NewScanner(res.Body)
	in.Buffer(nil, 16<<20)
	event := ""
	for in.Scan() {
		if e, ok := strings.CutPrefix(in.Text(), "event: "); ok {
			event = e
		}
		if d, ok := bytes.CutPrefix(in.Bytes(), []byte("data: ")); ok && !fn(event, d) {
			return nil
		}
	}
	if ctx.Err() != nil {
		return nil // the person has seen enough
	}
	if err := in.Err(); err != nil {
		return fmt.Errorf("the connection to lampward broke: %w", err)
	}
	return errors.New("lampward ended the connection")
}

// subjectOf says whether a name means a lamp or a board: a lamp, unless only a
// board has the name, or board is set, or fits is true of the board's alarm alone.
func (k *client) subjectOf(ctx context.Context, name string, board bool, fits func(page.Alarm) bool) (map[string]any, error) {
	var st page.Status
	if err := k.get(ctx, "/api/status", nil, &st); err != nil {
		return nil, err
	}
	var lamps, boards []string
	its := slices.IndexFunc(st.Boards, func(b page.Board) bool { return b.Name == name })
	for _, l := range st.Lamps {
		if l.Name == name && !board && (its < 0 || fits(l.Alarm) || !fits(st.Boards[its].Alarm)) {
			return map[string]any{"lamp": name}, nil
		}
		lamps = append(lamps, l.Name)
	}
	for _, b := range st.Boards {
		if b.Name == name {
			return map[string]any{"board": name}, nil
		}
		boards = append(boards, b.Name)
	}
	some := func(names []string) string { return strings.Join(names[:min(len(names), 20)], ", ") }
	if board {
		return nil, fmt.Errorf("there is no board %q; boards are %s", name, some(boards))
	}
	return nil, fmt.Errorf("there is no lamp or board %q; lamps are %s; boards are %s", name, some(lamps), some(boards))
}
