package main

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"net/url"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"golang.org/x/term"

	"lampward/broker"
	"lampward/cmd/lampward/config"
	"lampward/notify"
	"lampward/rules"
	"lampward/rules/battery"
	"lampward/rules/span"
)

var checkCommand = command{
	name: "check", brief: "check a configuration without running it", usage: "[-config FILE]",
	about: `
Check reports every mistake in the configuration, one a line, as
FILE:LINE: key: what is wrong, what to write instead. It exits with 0 if
there is none, else with 2. What is correct, but hardly meant so, follows
"but:".

examples:
  lampward check
  lampward check -config /etc/lampward/lampward.toml`,
}

var passwordCommand = command{
	name: "password", brief: "turn a password into the hash that an [[account]] or [[person]] needs", usage: "",
	about: `
Password reads one line from standard input and prints the password_hash for
an [[account]] of the broker or a [[person]] of the page. The password itself is
stored nowhere. At a terminal it asks twice, and does not show what is typed.

examples:
  lampward password
  lampward password < password.txt`,
}

var versionCommand = command{
	name: "version", brief: "show the version", usage: "",
	about: `
Version shows which version this is, and which revision it was built from.

example:
  lampward version`,
}

func init() {
	checkCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		file := f.String("config", "", configUsage)
		if code, ok := checkCommand.parse(c, f, args, 0); !ok {
			return code
		}
		cfg, routes, err := examine(*file)
		if err != nil {
			return c.refuse(err)
		}
		fmt.Fprintf(c.out, "%s: correct: %s, %s\n", cfg.File,
			span.Count(len(cfg.Lamps), "lamp"), span.Count(len(routes.all), "route"))
		for _, text := range doubts(cfg) {
			fmt.Fprintln(c.out, "but:", text)
		}
		return exitOK
	}
	passwordCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		if code, ok := passwordCommand.parse(c, f, args, 0); !ok {
			return code
		}
		pw, err := readPassword(ctx, c)
		if err == nil && pw == "" {
			err = fmt.Errorf("no password on standard input; write one line")
		}
		var hash string
		if err == nil {
			hash, err = broker.HashPassword(pw)
		}
		if err != nil {
			fmt.Fprintln(c.err, "lampward password:", err)
			return exitFailed
		}
		fmt.Fprintln(c.out, hash)
		return exitOK
	}
	versionCommand.run = func(ctx context.Context, c console, f *flag.FlagSet, args []string) int {
		if code, ok := versionCommand.parse(c, f, args, 0); !ok {
			return code
		}
		fmt.Fprintln(c.out, "lampward", version())
		return exitOK
	}
}

// readPassword reads a line; at a terminal twice and without showing it, for
// nobody sees a slip there.
func readPassword(ctx context.Context, c console) (string, error) {
	if !atTerminal(c) {
		return readLine(ctx, c.in)
	}
	fd := int(c.in.(*os.File).Fd())
	before, err := term.MakeRaw(fd) // from now on nothing shows by itself, and Ctrl-C is a key like others
	if err != nil {
		return "", err
	}
	defer func() { _ = term.Restore(fd, before) }()
	t := term.NewTerminal(struct {
		io.Reader
		io.Writer
	}{c.in, c.err}, "")
	type answer struct {
		pw  string
		err error
	}
	ask := func(what string) (string, error) {
		done := make(chan answer, 1)
		go func() { // if nobody waits for it any more, it ends with the process
			pw, err := t.ReadPassword(what)
			done <- answer{pw, err}
		}()
		select {
		case a := <-done:
			if a.err == io.EOF { // Ctrl-C or Ctrl-D
				a.err = errStopped
			}
			return a.pw, a.err
		case <-ctx.Done():
			return "", errStopped
		}
	}
	pw, err := ask("Type the password (it does not show) and press Enter: ")
	if err != nil || pw == "" {
		return "", err
	}
	again, err := ask("Once more: ")
	if err == nil && again != pw {
		err = errors.New("the two are not the same; start again")
	}
	return pw, err
}

var errStopped = errors.New("stopped")

// readLine reads up to the end of a line, not of the input, for a terminal has none.
// Ctrl-C ends it: who reads from a terminal is not woken by a signal.
func readLine(ctx context.Context, in io.Reader) (line string, err error) {
	done := make(chan struct{}) // a reader that nobody waits for any more ends with the process
	var text string
	var failed error
	go func() {
		defer close(done)
		text, failed = bufio.NewReader(io.LimitReader(in, 4096)).ReadString('\n')
	}()
	select {
	case <-done:
	case <-ctx.Done():
		return "", errStopped
	}
	if failed == io.EOF {
		failed = nil
	}
	return strings.TrimRight(text, "\r\n"), failed
}

// examine reads a configuration and tries what it names: all that is wrong, in
// the order of the file, is the error. An empty name means that which is found.
func examine(file string) (*config.Config, *routes, error) {
	if file == "" {
		found, err := config.Find()
		if err != nil {
			return nil, nil, err
		}
		file = found
	}
	cfg, err := config.Examine(file)
	var wrong config.Problems
	switch {
	case err == nil:
		routes, err := tryParts(cfg)
		return cfg, routes, err
	case cfg != nil && errors.As(err, &wrong):
		return nil, nil, inOrder(append(wrong, tryFiles(cfg)...))
	}
	return nil, nil, err
}

// inOrder sorts problems by line; nil: there is none.
func inOrder(wrong config.Problems) error {
	if len(wrong) == 0 {
		return nil
	}
	slices.SortStableFunc(wrong, func(a, b config.Problem) int { return a.Line - b.Line })
	return wrong
}

// tryParts makes what a daemon is made of, as run does, without a socket or the
// store, and finds what cannot be told from the configuration alone: secrets,
// certificates. It reports all that is wrong as config.Problems.
func tryParts(cfg *config.Config) (*routes, error) {
	wrong := tryFiles(cfg)
	try := func(key string, err error) {
		ps := config.Problems(nil)
		if err != nil && !errors.As(err, &ps) {
			ps = config.Problems{problem(cfg, key, err)}
		}
		for _, p := range ps {
			// What a file has already been blamed for, its table need not be.
			if !slices.ContainsFunc(wrong, func(q config.Problem) bool { return q == p || strings.HasPrefix(q.Key, p.Key+".") }) {
				wrong = append(wrong, p)
			}
		}
	}
	log := slog.New(slog.DiscardHandler)
	d := &daemon{cfg: cfg, log: log, intake: newIntake(cfg, log)}
	_, err := d.newBroker(nil)
	try("broker", err)
	routes, err := newRoutes(cfg, routeOptions{})
	try("", err)
	_, err = d.newHeartbeat()
	try("heartbeat", err)
	return routes, inOrder(wrong)
}

// usualMethods are those of RFC 9110 section 9.3 and RFC 5789 that could carry an
// alert. They are case-sensitive (RFC 9110 section 9.1), and others may exist.
var usualMethods = []string{"POST", "PUT", "PATCH", "GET", "HEAD", "DELETE"}

// proxyDoubts tells what may be amiss where a reverse proxy stands before the page,
// which is known by the names that it is to answer to.
func proxyDoubts(p *config.Page, people bool) (out []string) {
	u, err := url.Parse(p.URL)
	if p.Listen == "" || err != nil {
		return nil
	}
	if people {
		if u.Scheme == "https" && p.CertFile == "" && len(p.TrustedProxies) == 0 {
			out = append(out, "url in [page] begins with https, and the page itself does not speak TLS: if a proxy before it does, write the address that the proxy connects from as trusted_proxies in [page], or who guesses passwords makes everybody wait")
		}
		return out
	}
	for _, name := range append([]string{u.Hostname()}, p.Hosts...) {
		if ip := net.ParseIP(name); name != "" && name != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return []string{fmt.Sprintf("the page answers to the name %s, and nobody needs to log in: who reaches it by that name, through a proxy, sees everything and may acknowledge it; add a [[person]], unless the proxy asks who it is", name)}
		}
	}
	return nil
}

// doubts tells what may be meant as it stands, and is more likely a slip.
func doubts(cfg *config.Config) (out []string) {
	if len(cfg.Webhooks)+len(cfg.Mails) == 0 {
		out = append(out, "no alert leaves this machine; add a [[webhook]] or [[mail]]")
	}
	var routes []config.Route
	for _, w := range cfg.Webhooks {
		routes = append(routes, w.Route)
		if host := clearHost(w.URL); host != "" {
			out = append(out, fmt.Sprintf("route %q goes over http to %s: who is on the way can read the alerts, and a sign-in page there can pass for the service; write https:// if it has that", w.Name, host))
		}
		if w.Method != "" && !slices.Contains(usualMethods, w.Method) {
			out = append(out, fmt.Sprintf("route %q sends with the method %q, which few receivers know, and capitals count; usual are %s", w.Name, w.Method, strings.Join(usualMethods, ", ")))
		}
		if strings.Contains(w.URL, "{{") {
			out = append(out, fmt.Sprintf("the url of route %q holds {{, which is sent as it stands; values go into body, headers or form, and form into the url with method = \"GET\"", w.Name))
		}
		shows := fmt.Sprint(w.Body, w.Form, w.Headers)
		if cfg.Page.URL == "" && (strings.Contains(shows, ".AckURL") || strings.Contains(shows, ".ShelveURL")) {
			out = append(out, fmt.Sprintf("route %q shows a link, which is empty until url in [page] says how a phone reaches the page", w.Name))
		}
	}
	for _, m := range cfg.Mails {
		routes = append(routes, m.Route)
		for _, a := range append([]string{m.From}, m.To...) {
			if notify.NeedsSMTPUTF8(a) {
				out = append(out, fmt.Sprintf("the address %q of route %q has letters beyond ASCII before the @, which only mail servers with SMTPUTF8 take; write one of ASCII unless yours, and the recipient's, have that", a, m.Route.Policy.Route))
			}
		}
	}
	for _, of := range [][3]string{{"broker", cfg.Broker.CertFile, cfg.Broker.KeyFile}, {"page", cfg.Page.CertFile, cfg.Page.KeyFile}} {
		if of[0] == "broker" && cfg.Broker.URL != "" {
			continue // it is shown to another broker
		}
		pair, err := tls.LoadX509KeyPair(of[1], of[2])
		if of[1] == "" || err != nil { // which is told elsewhere
			continue
		}
		if until := pair.Leaf.NotAfter; time.Now().After(until) {
			out = append(out, fmt.Sprintf("the certificate of %s.cert_file was good until %s, if this machine's clock is right: who looks at that does not connect; renew it", of[0], until.UTC().Format(time.DateOnly)))
		}
	}
	out = append(out, proxyDoubts(&cfg.Page, len(cfg.People) > 0)...)
	if len(routes) > 0 && !slices.ContainsFunc(routes, func(r config.Route) bool { return !r.Policy.Escalation }) {
		out = append(out, "every route takes only what was escalated: nothing is sent when a lamp changes; add one without escalation = true")
	}
	for _, r := range routes {
		if r.Policy.Escalation && cfg.Rules.Alarm.EscalateAfter == 0 {
			out = append(out, fmt.Sprintf("route %q takes only what was escalated, and nothing is: set escalate_after in [alarm]", r.Policy.Route))
		}
	}
	reader := map[string]int{} // of each topic, the first lamp
	for i, l := range cfg.Lamps {
		board := cfg.Rules.Lamps[i].Board()
		j, again := reader[l.Topic]
		if !again {
			reader[l.Topic] = i
		}
		switch first := cfg.Lamps[j]; {
		case again && first.Value == l.Value:
			out = append(out, fmt.Sprintf("lamps %q and %q read the same number of the same topic; give one of them another topic or value", first.Name, l.Name))
		case again && cfg.Rules.Lamps[j].Board() != board:
			out = append(out, fmt.Sprintf("lamps %q and %q have one topic and two boards; give both the same device", first.Name, l.Name))
		}
		if plain := plainTopic(l.Topic); plain != l.Topic {
			out = append(out, fmt.Sprintf("the topic of lamp %q, %q, has a / or a space too many, it seems: for MQTT it is another than %q; unless its board writes it so too, nothing comes", l.Name, l.Topic, plain))
		}
		if !mayPublish(cfg, l.Topic) {
			out = append(out, fmt.Sprintf("no [[account]] may publish to %q, the topic of lamp %q; add it to the publish list of its board", l.Topic, l.Name))
		}
	}
	for _, v := range cfg.Devices {
		for _, key := range v.Empty {
			out = append(out, fmt.Sprintf("%s of device %q is empty, and nothing is read by it; write where in the board's payloads the number is, such as \"/%s\", or the topic of a payload that is nothing but the number, such as \"topic:cellar/tank/%s\", or leave it out", key, v.Name, key, key))
		}
		for _, name := range v.Topics() {
			if !mayPublish(cfg, name) {
				out = append(out, fmt.Sprintf("no [[account]] may publish to %q, a topic of device %q; add it to the publish list of its board", name, v.Name))
			}
		}
	}
	for _, v := range cfg.Rules.Devices {
		if v.SilentAfter > 0 && v.SilentAfter <= v.ReportEvery {
			out = append(out, fmt.Sprintf("device %q reports every %s and is taken for silent after %s: between any two reports; make silent_after several times report_every, or leave it out", v.Name, span.Text(v.ReportEvery), span.Text(v.SilentAfter)))
		}
	}
	for i, v := range cfg.Devices {
		switch b := cfg.Rules.Devices[i].Battery; {
		case b.Chemistry == battery.None:
			if v.Battery != "" || b.Cells != 0 || b.FlatVolts != 0 || b.CapacityMAh != 0 || b.CurrentMA != 0 {
				out = append(out, fmt.Sprintf("device %q has no battery, says its chemistry, so what else is said of its battery counts for nothing; leave it out", v.Name))
			}
		case b.InPercent && (b.Chemistry != "" || b.Cells != 0 || b.FlatVolts != 0):
			out = append(out, fmt.Sprintf("device %q reports its charge, beside which chemistry, cells and flat_volts in its [device.battery] count for nothing; leave them out", v.Name))
		case v.Battery != "" && !b.InPercent && b.Chemistry == "" && (b.CapacityMAh == 0 || b.CurrentMA == 0):
			out = append(out, fmt.Sprintf("device %q reports volts, which forecast no flat date before a battery has been changed, for the chemistry is not known; set chemistry in its [device.battery]", v.Name))
		}
		if len(v.Topics()) == 0 && !slices.ContainsFunc(cfg.Rules.Lamps, func(l rules.LampConfig) bool { return l.Board() == v.Name }) {
			out = append(out, fmt.Sprintf("no lamp is of device %q, which has no topic of its own, so that it is only ever missed; compare its name with the lamps' and their device", v.Name))
		}
	}
	return out
}

// mayPublish tells whether some account may publish to a topic, or none is needed.
func mayPublish(cfg *config.Config, topic string) bool {
	return len(cfg.Accounts) == 0 || slices.ContainsFunc(cfg.Accounts, func(a config.Account) bool {
		return slices.ContainsFunc(a.Publish, func(f string) bool { return broker.Covers(f, topic) })
	})
}

// clearHost is the host of an address that is reached without TLS and not in the
// own network, as far as its name tells; else empty.
func clearHost(address string) string {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "http" {
		return ""
	}
	host := u.Hostname()
	if ip, err := netip.ParseAddr(host); err == nil {
		if ip.IsLoopback() || ip.IsPrivate() || ip.IsLinkLocalUnicast() {
			return ""
		}
		return host
	}
	// Names of the own network: without a dot, and those of RFC 6762, RFC 8375 and
	// (common practice, no source) of many routers.
	if !strings.Contains(host, ".") {
		return ""
	}
	for _, end := range []string{".localhost", ".local", ".home.arpa", ".internal", ".lan", ".home"} {
		if strings.HasSuffix(strings.ToLower(host), end) {
			return ""
		}
	}
	return host
}

// version is the module version and revision that the Go tool stamped.
func version() string {
	b, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	out := b.Main.Version
	if out == "" {
		out = "(devel)"
	}
	for _, s := range b.Settings {
		if s.Key == "vcs.revision" && !strings.Contains(out, s.Value[:min(12, len(s.Value))]) {
			out += " " + s.Value
		}
	}
	return out + " " + b.GoVersion
}

// plainTopic is a topic without the empty levels that people write by mistake, most
// often at an end. MQTT allows them, and tells "a/b/" from "a/b" (MQTT 5.0 section
// 4.7.3), which some boards make use of; so they are only told of.
func plainTopic(topic string) string {
	levels := strings.FieldsFunc(topic, func(r rune) bool { return r == '/' })
	for i := range levels {
		levels[i] = strings.TrimSpace(levels[i])
	}
	return strings.Join(slices.DeleteFunc(levels, func(l string) bool { return l == "" }), "/")
}
