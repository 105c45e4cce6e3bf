// Package config reads lampward.toml. Call [Load]; [Find] says where the file
// is when nobody named one. Every mistake in a file is reported at once, each
// with its line.
package config

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"lampward/broker"
	"lampward/notify"
	"lampward/rules"
	"lampward/rules/battery"
	"lampward/rules/learn"
)

// Config is the whole configuration with defaults filled in.
type Config struct {
	File     string
	Broker   Broker
	Accounts []Account
	Store    Store
	Page     Page
	People   []Person
	Log      Log
	Beat     Heartbeat
	Lamps    []Lamp
	Devices  []Device
	Webhooks []Webhook
	Mails    []Mail
	Rules    rules.Config // what the rules need of the above

	lines map[string]int // of the keys that name a file or a variable, and of their tables
}

// Line is where a key of [broker], [store], [page], [heartbeat], [[webhook]] or
// [[mail]] stands, such as webhook[1].secret_file, or else its table; 1: neither does.
func (c *Config) Line(key string) int { return lineOf(c.lines, key) }

// Broker says which broker feeds lampward.
type Broker struct {
	Listen        string // embedded: HOST:PORT; default 127.0.0.1:1883
	URL           string // external: mqtt://HOST:PORT; empty: embedded
	ClientID      string // external; default "lampward"
	User          string // external
	PasswordFile  string // external
	CAFile        string // external: PEM of the authorities that vouch for the broker; empty: the system's
	CertFile      string // TLS certificate; embedded: makes the listener speak TLS
	KeyFile       string
	MaxPacket     int // embedded, bytes; 0: the broker's default
	MaxClients    int // embedded; 0: the broker's default
	MaxPerAddress int // embedded; 0: the broker's default
}

// Account is one user name of the embedded broker.
type Account struct {
	Name         string
	PasswordHash string
	Publish      []string
	Subscribe    []string
}

// Store says where history is kept.
type Store struct {
	Dir          string
	KeepReadings time.Duration // raw readings; default 90 days
	// Flush is how long readings that change nothing and that nobody waits for
	// may stay unwritten: what a power cut can cost. Default 60 s; 0: none.
	Flush time.Duration
	// EarlyAck acknowledges readings that change nothing before they are
	// written, so that Flush holds for QoS 1 and 2 as well. Changes are always
	// written first.
	EarlyAck bool
}

// Page says where the page is served.
type Page struct {
	Listen   string   // HOST:PORT; default 127.0.0.1:8080; empty: no page
	Hosts    []string // names under which browsers reach it, besides localhost; empty: with people, any
	URL      string   // address for links in messages, without a path: https://cellar.example.com; empty: no links
	CertFile string   // TLS certificate; empty: plain HTTP
	KeyFile  string
	// TrustedProxies are reverse proxies that are believed who the client is.
	TrustedProxies []netip.Prefix
}

// Person is somebody who may log in to the page.
type Person struct {
	Name         string
	PasswordHash string
}

// Log says how much is logged, and how.
type Log struct {
	Level  string // debug, info, warn, error; default info
	Format string // text or json; default text
}

// Heartbeat is a request to an outside watcher in regular intervals, which
// raises the alarm when it stays away.
type Heartbeat struct {
	URL    string        // empty: none
	Every  time.Duration // default 5 minutes
	CAFile string        // PEM of the authorities that vouch for the watcher; empty: the system's
	// AllRoutes holds it back when any one route fails; else it is when an alert of
	// some kind would reach nobody.
	AllRoutes bool
}

// Lamp is where the readings of one lamp come from.
type Lamp struct {
	Name   string
	Topic  string
	Value  string // JSON Pointer or senml:NAME; empty: the whole payload
	Device string
}

// Device is where other news of a board comes from.
type Device struct {
	Name  string
	Topic string // a topic of its own, besides those of its lamps; may be empty
	// Battery is where it tells of its battery, a JSON Pointer or senml:NAME: the
	// voltage or, if its rules.BatteryConfig says so, the charge in per cent. It is
	// broker.WholePayload if BatteryTopic, one that nothing else is read from, is set.
	Battery      string
	BatteryTopic string
	Millivolts   bool   // that voltage is in mV, else in V
	RSSI         string // the same of the signal strength, dBm
	RSSITopic    string
	Empty        []string // keys of the four that stand there and name no place; nothing is read by them
}

// Topics returns the topics that no lamp names and the board is heard on.
func (v Device) Topics() []string {
	return slices.DeleteFunc([]string{v.Topic, v.BatteryTopic, v.RSSITopic}, func(name string) bool { return name == "" })
}

// Webhook is one route over HTTP.
type Webhook struct {
	Name        string
	URL         string
	Method      string
	Headers     map[string]string
	Body        string
	ContentType string
	Form        map[string]string
	Secret      string
	SecretFile  string
	SecretEnv   string
	CAFile      string
	CertFile    string
	KeyFile     string
	Timeout     time.Duration
	Route
}

// Mail is one route over SMTP.
type Mail struct {
	Name         string
	Server       string // HOST:PORT
	Security     string // starttls, tls or none
	User         string
	PasswordFile string
	PasswordEnv  string
	CAFile       string
	From         string
	To           []string
	Route
}

// Route is what every route has: which alerts it takes, and when.
type Route struct {
	Policy notify.Policy // kinds of event and quiet hours
	Limit  notify.Limit  // how many messages
}

// Packaged is where the Debian package puts its configuration; tests look
// elsewhere.
var Packaged = "/etc/lampward/lampward.toml"

// Find returns the file to use when none was named: ./lampward.toml, else
// lampward/lampward.toml in the platform's configuration folder, else that of
// an installed package.
func Find() (string, error) {
	places := []string{"lampward.toml"}
	if dir, err := os.UserConfigDir(); err == nil {
		places = append(places, filepath.Join(dir, "lampward", "lampward.toml"))
	}
	places = append(places, Packaged)
	for _, p := range places {
		if _, err := os.Stat(p); err == nil {
			return p, nil
		} else if !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	return "", fmt.Errorf("no configuration file: none of %s exists; write one or name it with -config FILE", strings.Join(places, ", "))
}

// Load reads a file. A mistake in it is a [Problems].
func Load(file string) (*Config, error) {
	c, err := Examine(file)
	if err != nil {
		return nil, err
	}
	return c, nil
}

// Examine is Load for who looks for more mistakes: beside [Problems] it returns
// what could be read of the file; nil: nothing.
func Examine(file string) (*Config, error) {
	data, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrPermission) {
		return nil, fmt.Errorf("configuration: %w; ask as root (sudo), or let this account read it", err)
	}
	if err != nil {
		return nil, fmt.Errorf("configuration: %w; create it or name another with -config FILE", err)
	}
	return examine(file, data)
}

// tableHead is the line that begins a table; its name is not resolved further
// than it takes to know [page] and [store].
var tableHead = regexp.MustCompile(`^\s*\[{1,2}\s*["']?([^\]"']*?)["']?\s*\]`)

// Reach reads only where the daemon of a configuration is, [page] and [store],
// and passes over mistakes: one that runs goes on with the file as it was before
// somebody edited it. The error is that these two cannot be read either.
func Reach(file string, data []byte) (*Config, error) {
	var own strings.Builder
	in := ""
	for line := range strings.Lines(strings.TrimPrefix(string(data), "\ufeff")) {
		if m := tableHead.FindStringSubmatch(line); m != nil {
			in = m[1]
		}
		key, _, _ := strings.Cut(strings.TrimSpace(line), "=")
		if in == "" { // a key before the first table, such as page.listen
			key, _, _ = strings.Cut(strings.TrimSpace(key), ".")
		} else {
			key = in
		}
		if key != "page" && key != "store" {
			line = "\n" // so that lines keep their numbers
		}
		own.WriteString(line)
	}
	d, tree, err := parse(file, []byte(own.String()))
	if err != nil {
		return nil, err
	}
	c := &Config{File: file}
	c.readStore(&table{d: d, m: tree})
	return c, nil
}

// Parse reads a configuration from memory; file is its name in errors.
func Parse(file string, data []byte) (*Config, error) {
	c, err := examine(file, data)
	if err != nil {
		return nil, err
	}
	return c, nil
}

func examine(file string, data []byte) (*Config, error) {
	if len(data) > 4<<20 {
		return nil, Problems{{File: file, Line: 1, Text: "is larger than 4 MiB, which no configuration needs"}}
	}
	d, tree, err := parse(file, data)
	if err != nil {
		return nil, err
	}
	c := &Config{File: file}
	t := &table{d: d, m: tree}
	c.readBroker(t)
	c.readStore(t)
	for _, l := range t.tables("lamp") {
		c.readLamp(l)
	}
	for _, v := range t.tables("device") {
		c.readDevice(v)
	}
	c.shareBoards()
	for i, w := range t.tables("webhook") {
		c.readWebhook(w, i)
	}
	for i, m := range t.tables("mail") {
		c.readMail(m, i)
	}
	c.readAlarm(t)
	t.done()
	if len(c.Lamps) == 0 && !t.has("lamp") {
		d.fail("lamp", `no lamp is configured; write at least a table [[lamp]] with name = "tank" and topic = "cellar/tank/light"`)
	}
	c.crossCheck(t)
	c.keepLines(d)
	return c, d.err()
}

// keepLines keeps the lines of what can be wrong outside the file. Those of the
// lamps, of which there may be thousands, are not among them.
func (c *Config) keepLines(d *document) {
	c.lines = map[string]int{}
	for key, line := range d.lines {
		table, name, _ := strings.Cut(key, ".")
		table, _, _ = strings.Cut(table, "[")
		if !slices.Contains([]string{"broker", "store", "page", "heartbeat", "webhook", "mail"}, table) {
			continue
		}
		if name == "" || strings.HasSuffix(name, "_file") || strings.HasSuffix(name, "_env") || name == "listen" || name == "dir" {
			c.lines[key] = line
		}
	}
}

func (c *Config) readBroker(root *table) {
	b := &c.Broker
	t, _ := root.table("broker")
	listen := t.str("listen", "127.0.0.1:1883", &b.Listen)
	if t.str("url", "mqtt://192.0.2.7:1883", &b.URL) {
		if listen {
			t.fail("url", "stands beside listen; keep listen for the embedded broker or url for an external one")
		}
		if err := broker.CheckURL(b.URL); err != nil {
			t.fail("url", "%v", err)
		}
	} else if !listen {
		b.Listen = "127.0.0.1:1883"
	}
	if listen {
		checkAddress(t, "listen", b.Listen, "127.0.0.1:1883")
	}
	b.ClientID = "lampward"
	external := []string{"client_id", "user", "password_file", "ca_file"}
	t.str("client_id", "lampward", &b.ClientID)
	t.str("user", "lampward", &b.User)
	t.str("password_file", "/etc/lampward/mqtt-password", &b.PasswordFile)
	t.str("ca_file", "/etc/lampward/ca.pem", &b.CAFile)
	needPair(t, &b.CertFile, &b.KeyFile)
	embedded := []string{"max_packet", "max_clients", "max_per_address"}
	t.whole("max_packet", broker.LeastPacket, broker.MostPacket, &b.MaxPacket)
	t.whole("max_clients", 1, 1_000_000, &b.MaxClients)
	t.whole("max_per_address", 1, 1_000_000, &b.MaxPerAddress)
	for _, k := range external {
		if t.has(k) && b.URL == "" {
			t.fail(k, "only counts for an external broker; write url as well, or leave it out")
		}
	}
	for _, k := range embedded {
		if t.has(k) && b.URL != "" {
			t.fail(k, "only counts for the embedded broker; leave it out, for url names an external one")
		}
	}
	t.done()
	seen := map[string]bool{}
	for _, a := range root.tables("account") {
		var x Account
		needName(a, "boards", &x.Name, seen)
		needHash(a, &x.PasswordHash)
		a.strings("publish", "cellar/#", &x.Publish)
		a.strings("subscribe", "cellar/#", &x.Subscribe)
		for i, list := range [][]string{x.Publish, x.Subscribe} {
			for _, f := range list {
				if err := broker.CheckFilter(f); err != nil {
					a.fail([]string{"publish", "subscribe"}[i], "%v", err)
				}
			}
		}
		if b.URL != "" {
			a.fail("name", "accounts only count for the embedded broker; leave them out, for broker.url names an external one")
		}
		a.done()
		c.Accounts = append(c.Accounts, x)
	}
}

func (c *Config) readStore(root *table) {
	s := &c.Store
	*s = Store{KeepReadings: 90 * 24 * time.Hour, Flush: time.Minute}
	t, _ := root.table("store")
	if !t.str("dir", "/var/lib/lampward", &s.Dir) {
		s.Dir = defaultDir()
	} else if s.Dir == "" {
		t.fail("dir", `is empty; write a folder, such as "/var/lib/lampward"`)
	}
	t.duration("keep_readings", 24*time.Hour, 3650*24*time.Hour, &s.KeepReadings)
	t.duration("flush", 0, 10*time.Minute, &s.Flush)
	t.boolean("early_ack", &s.EarlyAck)
	t.done()

	c.readPage(root)

	l, _ := root.table("log")
	c.Log = Log{Level: "info", Format: "text"}
	l.choice("level", []string{"info", "debug", "warn", "error"}, &c.Log.Level)
	l.choice("format", []string{"text", "json"}, &c.Log.Format)
	l.done()
}

func (c *Config) readPage(root *table) {
	p, _ := root.table("page")
	c.Page.Listen = "127.0.0.1:8080"
	if p.str("listen", "127.0.0.1:8080", &c.Page.Listen) && c.Page.Listen != "" {
		checkAddress(p, "listen", c.Page.Listen, "127.0.0.1:8080")
	}
	p.strings("hosts", "cellar.example.com", &c.Page.Hosts)
	for i, h := range c.Page.Hosts {
		if h == "" || strings.ContainsAny(h, "/:@ ") && net.ParseIP(h) == nil {
			p.fail("hosts", `%q is no host name; write it alone, such as "cellar.example.com"`, h)
		}
		c.Page.Hosts[i] = strings.ToLower(strings.TrimSuffix(h, "."))
	}
	if p.str("url", "https://cellar.example.com", &c.Page.URL) {
		u, err := url.Parse(c.Page.URL)
		if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
			p.fail("url", `is not the address of the page; write one such as "http://192.0.2.7:8080", without a path`)
		}
		c.Page.URL = strings.TrimRight(c.Page.URL, "/")
	}
	needPair(p, &c.Page.CertFile, &c.Page.KeyFile)
	var proxies []string
	p.strings("trusted_proxies", "127.0.0.1", &proxies)
	for _, s := range proxies {
		n, err := netip.ParsePrefix(s)
		if a, e := netip.ParseAddr(s); e == nil {
			a = a.Unmap().WithZone("")
			n, err = netip.PrefixFrom(a, a.BitLen()), nil
		}
		switch {
		case err != nil:
			p.fail("trusted_proxies", `%q is no IP address; write the one that the proxy connects from, such as "127.0.0.1" if it runs on this machine, or its network, such as "172.18.0.0/16"`, s)
		case n.Addr().Is4In6():
			p.fail("trusted_proxies", `%q stands for addresses of IPv4; write it as such, as in "172.18.0.0/16"`, s)
		case n.Bits() == 0:
			p.fail("trusted_proxies", "%q is everybody, and anybody could pass for another address; write that of the proxy alone", s)
		}
		c.Page.TrustedProxies = append(c.Page.TrustedProxies, n)
	}
	p.done()
	seen := map[string]bool{}
	for _, t := range root.tables("person") {
		var x Person
		needName(t, "ann", &x.Name, seen)
		needHash(t, &x.PasswordHash)
		t.done()
		c.People = append(c.People, x)
	}
}

// defaultDir is where history goes when nobody says: the folder that systemd
// made for the service, else the platform's place for state.
func defaultDir() string {
	if dir := os.Getenv("STATE_DIRECTORY"); dir != "" {
		return dir
	}
	if dir := os.Getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "lampward")
	}
	if home, err := os.UserHomeDir(); err == nil {
		return filepath.Join(home, ".local", "state", "lampward")
	}
	return "lampward-data"
}

func (c *Config) readLamp(t *table) {
	var l Lamp
	var r rules.LampConfig
	needName(t, "tank", &l.Name, nil)
	if !t.str("topic", "cellar/tank/light", &l.Topic) {
		if !t.has("topic") {
			t.fail("topic", `is missing; write the topic that the board publishes to, such as "cellar/tank/light"`)
		}
	} else {
		checkTopic(t, "topic", l.Topic)
	}
	readPlace(t, "value", "/light/raw", &l.Value)
	t.str("device", "tank-board", &l.Device)
	reads := "higher"
	t.choice("lit_reads", []string{"higher", "lower"}, &reads)
	r.Learn.LitLower = reads == "lower"
	var on, off float64
	haveOn := t.number("on_above", -1e9, 1e9, &on)
	haveOff := t.number("off_below", -1e9, 1e9, &off)
	switch {
	case haveOn != haveOff && t.has("on_above") != t.has("off_below"):
		t.fail("on_above", "on_above and off_below go together; write both to set the levels by hand, or neither to have them learned")
	case haveOn && haveOff:
		if r.Learn.LitLower && on > off || !r.Learn.LitLower && on < off {
			t.fail("on_above", "the two levels are the wrong way round for a lamp that reads %s when lit; swap them", reads)
		}
		r.Learn.Manual = learn.Levels{OnAbove: on, OffBelow: off}
	}
	t.duration("on_delay", 0, 24*time.Hour, &r.Learn.OnDelay)
	t.duration("off_delay", 0, 24*time.Hour, &r.Learn.OffDelay)
	t.duration("false_every", 24*time.Hour, 36500*24*time.Hour, &r.Learn.FalseEvery)
	normal := "dark"
	t.choice("normal", []string{"dark", "lit"}, &normal)
	if normal == "lit" {
		c.Rules.Alarm.DarkIsAlarm = append(c.Rules.Alarm.DarkIsAlarm, l.Name)
	}
	t.str("say_lit", "The tank is full", &r.SayLit)
	t.str("say_dark", "The tank was emptied", &r.SayDark)
	t.str("say_blinking", "The tank lamp blinks", &r.SayBlinking)
	t.done()
	r.Name, r.Device = l.Name, l.Device
	c.Lamps = append(c.Lamps, l)
	c.Rules.Lamps = append(c.Rules.Lamps, r)
}

// shareBoards gives lamps of one topic one board, for it is one that publishes
// there: the one that a lamp of the topic names, or that is described under a
// lamp's name, else the first lamp's own.
func (c *Config) shareBoards() {
	described := map[string]bool{}
	for _, v := range c.Devices {
		described[v.Name] = true
	}
	board := map[string]string{} // of each topic
	for _, named := range []bool{true, false} {
		for i, l := range c.Lamps {
			r := &c.Rules.Lamps[i]
			switch known := board[l.Topic]; {
			case (l.Device != "" || described[l.Name]) != named:
			case known == "":
				board[l.Topic] = r.Board()
			case !named && known != l.Name:
				r.Device = known
			}
		}
	}
}

func (c *Config) readDevice(t *table) {
	var v Device
	var r rules.DeviceConfig
	needName(t, "tank-board", &v.Name, nil)
	if t.str("topic", "cellar/tank/status", &v.Topic) {
		checkTopic(t, "topic", v.Topic)
	}
	for _, key := range []string{"volts", "millivolts", "charge"} {
		if place, topic := v.readPlace(t, key, "battery"); place != "" {
			v.Battery, v.BatteryTopic = place, topic
			v.Millivolts, r.Battery.InPercent = key == "millivolts", key == "charge"
		}
	}
	oneOf(t, "volts", "millivolts", "charge")
	v.RSSI, v.RSSITopic = v.readPlace(t, "rssi", "rssi")
	t.duration("report_every", time.Second, 30*24*time.Hour, &r.ReportEvery)
	t.duration("silent_after", time.Second, 365*24*time.Hour, &r.SilentAfter)
	t.duration("false_every", 24*time.Hour, 36500*24*time.Hour, &r.FalseEvery)
	if b, ok := t.table("battery"); ok {
		b.choice("chemistry", append(battery.Chemistries(), battery.None), &r.Battery.Chemistry)
		b.whole("cells", 1, 100, &r.Battery.Cells)
		b.number("flat_volts", 0.1, 1000, &r.Battery.FlatVolts)
		b.number("capacity_mah", 1, 1e7, &r.Battery.CapacityMAh)
		b.number("current_ma", 1e-6, 1e5, &r.Battery.CurrentMA)
		b.number("derate", 0.05, 1, &r.Battery.Derate)
		b.duration("warn", time.Hour, 365*24*time.Hour, &r.Battery.Warn)
		b.done()
	}
	t.done()
	r.Name = v.Name
	c.Devices = append(c.Devices, v)
	c.Rules.Devices = append(c.Rules.Devices, r)
}

func (c *Config) readWebhook(t *table, i int) {
	w := Webhook{Name: fmt.Sprintf("webhook-%d", i+1)}
	t.str("name", "phone", &w.Name)
	if !t.str("url", "https://push.example.com/topic", &w.URL) {
		if !t.has("url") {
			t.fail("url", `is missing; write where alerts are sent, such as "https://push.example.com/topic"`)
		}
	} else {
		checkWeb(t, w.URL)
	}
	t.str("method", "POST", &w.Method)
	t.str("body", "{{.Text}}", &w.Body)
	t.str("content_type", "text/plain", &w.ContentType)
	t.stringMap("headers", `{ Title = "lampward" }`, &w.Headers)
	t.stringMap("form", `{ message = "{{.Text}}" }`, &w.Form)
	t.str("secret", "whsec_...", &w.Secret)
	t.str("secret_file", "/etc/lampward/webhook-secret", &w.SecretFile)
	t.str("secret_env", "LAMPWARD_WEBHOOK_SECRET", &w.SecretEnv)
	oneOf(t, "secret", "secret_file", "secret_env")
	o := notify.WebhookOptions{
		URL: w.URL, Method: w.Method, Headers: w.Headers, Body: w.Body,
		ContentType: w.ContentType, Form: w.Form, Secret: notify.NewSecret(w.Secret),
	}
	for _, m := range o.Check() {
		if m.Key != "url" { // told already
			t.fail(m.Key, "%s", m.Text)
		}
	}
	t.str("ca_file", "/etc/lampward/ca.pem", &w.CAFile)
	needPair(t, &w.CertFile, &w.KeyFile)
	t.duration("timeout", time.Second, 10*time.Minute, &w.Timeout)
	w.Route.read(t, w.Name, c.Rules.Alarm.DarkIsAlarm)
	t.done()
	c.Webhooks = append(c.Webhooks, w)
}

func (c *Config) readMail(t *table, i int) {
	m := Mail{Name: fmt.Sprintf("mail-%d", i+1), Security: "starttls"}
	t.str("name", "mail", &m.Name)
	need := func(key, example string, dst *string) (read bool) {
		if read = t.str(key, example, dst); !read && !t.has(key) {
			t.fail(key, "is missing; write one such as %q", example)
		}
		return read
	}
	if need("server", "mail.example.com:587", &m.Server) {
		// The port by number, for the library takes it like that.
		host, port, _ := net.SplitHostPort(m.Server)
		blank := func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) }
		if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 || host == "" || strings.ContainsFunc(host, blank) {
			t.fail("server", `%q is no address; write HOST:PORT, such as "mail.example.com:587"`, m.Server)
		} else if err := notify.CheckMailHost(host); err != nil {
			t.fail("server", "%v", err)
		}
	}
	t.choice("security", []string{"starttls", "tls", "none"}, &m.Security)
	t.str("user", "cellar@example.com", &m.User)
	t.str("password_file", "/etc/lampward/mail-password", &m.PasswordFile)
	t.str("password_env", "LAMPWARD_MAIL_PASSWORD", &m.PasswordEnv)
	oneOf(t, "password_file", "password_env")
	switch password := t.set("password_file") || t.set("password_env"); {
	case t.set("user") && !password:
		t.fail("user", "has no password; write password_file or password_env as well, or leave user out")
	case password && !t.set("user"):
		t.fail("user", "is missing; write the name that the password belongs to, or leave the password out")
	}
	t.str("ca_file", "/etc/lampward/ca.pem", &m.CAFile)
	if need("from", "cellar@example.com", &m.From) {
		if err := notify.CheckAddress(m.From); err != nil {
			t.fail("from", "%v", err)
		}
	}
	if read := t.strings("to", "someone@example.com", &m.To); read && len(m.To) == 0 || !t.has("to") {
		t.fail("to", `is missing; write who gets the mail, such as ["someone@example.com"]`)
	}
	for _, to := range m.To {
		if err := notify.CheckAddress(to); err != nil {
			t.fail("to", "%v", err)
		}
	}
	m.Route.read(t, m.Name, c.Rules.Alarm.DarkIsAlarm)
	t.done()
	c.Mails = append(c.Mails, m)
}

func (r *Route) read(t *table, name string, darkIsAlarm []string) {
	r.Policy.Route = name
	kinds := make([]string, 0, len(rules.Kinds()))
	for _, k := range rules.Kinds() {
		if k.Alerts() {
			kinds = append(kinds, string(k))
		}
	}
	list := func(key string, dst *[]rules.Kind) {
		var words []string
		if !t.strings(key, "lit", &words) {
			return
		}
		*dst = []rules.Kind{} // empty is not the same as missing
		for _, k := range words {
			if !slices.Contains(kinds, k) {
				t.fail(key, "%q is no kind of alert%s; known are %s", k, hint(k, kinds), strings.Join(kinds, ", "))
			}
			*dst = append(*dst, rules.Kind(k))
		}
	}
	list("kinds", &r.Policy.Kinds)
	if t.has("kinds") && len(r.Policy.Kinds) == 0 {
		t.fail("kinds", "names no kind of alert, so that nothing would be sent; leave it out for every alert")
	}
	list("quiet_through", &r.Policy.Through)
	r.Policy.DarkIsAlarm = darkIsAlarm
	var hours []string
	t.strings("quiet_hours", "22:00-07:00 Europe/Lisbon", &hours)
	for _, h := range hours {
		q, err := notify.ParseQuietHours(h, time.Local)
		if err != nil {
			t.fail("quiet_hours", "%v", err)
		}
		r.Policy.Quiet = append(r.Policy.Quiet, q)
	}
	t.boolean("escalation", &r.Policy.Escalation)
	t.duration("min_gap", 0, 24*time.Hour, &r.Limit.Gap)
	t.whole("per_hour", 1, 100_000, &r.Limit.Rate)
	t.whole("fold_over", 2, 100_000, &r.Limit.FoldOver)
}

func (c *Config) readAlarm(root *table) {
	t, _ := root.table("alarm")
	a := &c.Rules.Alarm
	t.duration("remind_every", time.Minute, 365*24*time.Hour, &a.RemindEvery)
	t.duration("escalate_after", time.Minute, 365*24*time.Hour, &a.EscalateAfter)
	t.whole("chatter_count", 2, 50, &a.ChatterCount)
	t.duration("chatter_within", time.Minute, 7*24*time.Hour, &a.ChatterWithin)
	t.duration("chatter_settle", time.Minute, 7*24*time.Hour, &a.ChatterSettle)
	b, _ := root.table("heartbeat")
	c.Beat.Every = 5 * time.Minute
	if b.str("url", "https://watcher.example.com/cellar", &c.Beat.URL) {
		checkWeb(b, c.Beat.URL)
	} else if _, ok := root.m["heartbeat"]; ok && !b.has("url") {
		b.fail("url", `is missing; write what to request, such as "https://watcher.example.com/cellar"`)
	}
	b.str("ca_file", "/etc/lampward/ca.pem", &c.Beat.CAFile)
	b.duration("every", 10*time.Second, 24*time.Hour, &c.Beat.Every)
	b.boolean("all_routes", &c.Beat.AllRoutes)
	b.done()
	t.whole("fold_devices", 2, 100_000, &c.Rules.FoldDevices)
	t.done()
}

// crossCheck finds mistakes that take more than one table to see.
func (c *Config) crossCheck(t *table) {
	twice := func(what string, n int, name func(int) string) {
		seen := map[string]int{}
		for i := range n {
			s := name(i)
			if first, ok := seen[s]; ok && s != "" {
				t.d.fail(fmt.Sprintf("%s[%d].name", what, i+1), "%q is already the name of %s[%d]; write another", s, what, first+1)
				continue
			}
			seen[s] = i
		}
	}
	twice("lamp", len(c.Lamps), func(i int) string { return c.Lamps[i].Name })
	twice("device", len(c.Devices), func(i int) string { return c.Devices[i].Name })
	c.checkAlone(t)
	routes := map[string]bool{}
	route := func(what string, i int, name string) {
		if routes[name] {
			t.d.fail(fmt.Sprintf("%s[%d].name", what, i+1), "%q is already the name of another route; write another", name)
		}
		routes[name] = true
		checkName(t.d, fmt.Sprintf("%s[%d].name", what, i+1), name)
	}
	for i, w := range c.Webhooks {
		route("webhook", i, w.Name)
	}
	for i, m := range c.Mails {
		route("mail", i, m.Name)
	}
	if len(c.People) == 0 && c.Page.Listen != "" && !loopback(c.Page.Listen) {
		t.d.fail("page.listen", "%s can be reached from other machines, and nobody needs to log in; write 127.0.0.1:8080, or add a [[person]]", c.Page.Listen)
	}
	if len(c.Accounts) == 0 && c.Broker.URL == "" && c.Broker.Listen != "" && !loopback(c.Broker.Listen) {
		t.d.fail("broker.listen", "%s can be reached from other machines, and no account is configured; write 127.0.0.1:1883, or add an [[account]]", c.Broker.Listen)
	}
	if c.Broker.URL == "" && collide(c.Broker.Listen, c.Page.Listen) {
		key, other := "broker.listen", "page.listen ("+c.Page.Listen+")"
		if _, said := t.d.lines["page.listen"]; said {
			key, other = "page.listen", "broker.listen ("+c.Broker.Listen+")"
		}
		t.d.fail(key, "has the port of %s, and only one of the two can listen there; write another port", other)
	}
}

// checkAlone refuses a topic of a battery or a signal strength alone that something
// else is read from: its whole payload is one number.
func (c *Config) checkAlone(t *table) {
	use := map[string]string{} // of each topic, by whom
	for _, l := range c.Lamps {
		use[l.Topic] = fmt.Sprintf("the topic of lamp %q", l.Name)
	}
	for _, v := range c.Devices {
		if v.Topic != "" {
			use[v.Topic] = fmt.Sprintf("the topic of device %q", v.Name)
		}
	}
	for i, v := range c.Devices {
		alone := func(topic, what string, keys ...string) {
			if topic == "" {
				return
			}
			if other := use[topic]; other != "" {
				for _, key := range keys {
					if key = fmt.Sprintf("device[%d].%s", i+1, key); t.d.lines[key] != 0 {
						t.d.fail(key, "%q is %s as well, and its whole payload can be one number only; name another topic, or say where in the payload the number is, such as %q", topic, other, "/"+what)
						break
					}
				}
			}
			use[topic] = fmt.Sprintf("the topic of the %s of device %q", what, v.Name)
		}
		alone(v.BatteryTopic, "battery", "volts", "millivolts", "charge")
		alone(v.RSSITopic, "rssi", "rssi")
	}
}

// collide tells whether only one of two addresses can be listened on, as far as they
// themselves tell.
func collide(a, b string) bool {
	hostA, portA, errA := net.SplitHostPort(a)
	hostB, portB, errB := net.SplitHostPort(b)
	if errA != nil || errB != nil {
		return false
	}
	p, errA := net.LookupPort("tcp", portA)
	q, errB := net.LookupPort("tcp", portB)
	if errA != nil || errB != nil || p != q || p == 0 { // 0: any that is free
		return false
	}
	local := func(host string) string {
		if strings.EqualFold(host, "localhost") {
			return "127.0.0.1"
		}
		return host
	}
	hostA, hostB = local(hostA), local(hostB)
	every := func(all, one string) bool {
		return all == "" || all == "::" || all == "0.0.0.0" && !strings.Contains(one, ":")
	}
	return hostA == hostB || every(hostA, hostB) || every(hostB, hostA)
}

// needName reads the name of a table; seen, if not nil, refuses repeats.
func needName(t *table, example string, dst *string, seen map[string]bool) {
	if !t.str("name", example, dst) {
		if !t.has("name") {
			t.fail("name", "is missing; write a short name, such as %q", example)
		}
		return
	}
	checkName(t.d, join(t.name, "name"), *dst)
	if seen != nil {
		if seen[*dst] {
			t.fail("name", "%q stands twice; write another", *dst)
		}
		seen[*dst] = true
	}
}

// needHash reads a password_hash.
func needHash(t *table, dst *string) {
	if t.str("password_hash", "$argon2id$...", dst) {
		if err := broker.CheckHash(*dst); err != nil {
			t.fail("password_hash", "%v", err)
		}
	} else if !t.has("password_hash") {
		t.fail("password_hash", "is missing; make one with `lampward password`")
	}
}

// oneOf refuses more than one of keys that say the same.
func oneOf(t *table, keys ...string) {
	first := ""
	for _, k := range keys {
		switch {
		case !t.set(k):
		case first == "":
			first = k
		default:
			t.fail(k, "stands beside %s; keep one of the two", first)
		}
	}
}

// needPair reads the files of a TLS certificate and its key.
func needPair(t *table, cert, key *string) {
	t.str("cert_file", "/etc/lampward/cert.pem", cert)
	t.str("key_file", "/etc/lampward/key.pem", key)
	if t.has("cert_file") != t.has("key_file") {
		t.fail("cert_file", "cert_file and key_file go together; write both or neither")
	}
}

// checkName refuses names that could not be shown or typed.
func checkName(d *document, key, name string) {
	switch {
	case name == "":
		d.fail(key, `is empty; write a short name, such as "tank"`)
	case len(name) > 100:
		d.fail(key, "is longer than 100 bytes; write a shorter one")
	case strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f || r == 0xfffd }):
		d.fail(key, "%q holds a control character; leave it out", name)
	case strings.TrimSpace(name) != name:
		d.fail(key, "%q begins or ends with a space; leave it out", name)
	}
}

func checkTopic(t *table, key, topic string) {
	if err := broker.CheckTopic(topic); err != nil {
		t.fail(key, "%v", err)
	} else if strings.HasPrefix(topic, "$") {
		t.fail(key, "%q begins with $, which MQTT keeps for brokers; write another", topic)
	}
}

// readPlace reads where in a payload a number is.
func readPlace(t *table, key, example string, dst *string) {
	if t.str(key, example, dst) {
		if err := broker.CheckPlace(*dst); err != nil {
			t.fail(key, "%v", err)
		}
	}
}

// readPlace reads where a board tells of its battery or its signal strength: a place in
// its payloads, or the topic of a payload that is that number alone. An empty one was
// passed over before there were such topics, and an upgrade must not stop for it.
func (v *Device) readPlace(t *table, key, what string) (place, topic string) {
	if !t.str(key, "/"+what, &place) {
		return "", ""
	}
	if place == "" {
		v.Empty = append(v.Empty, key)
		return "", ""
	}
	if topic, ok := strings.CutPrefix(place, "topic:"); ok {
		checkTopic(t, key, topic)
		return broker.WholePayload, topic
	}
	if err := broker.CheckPlace(place); err != nil {
		t.fail(key, "%v; where a payload is nothing but the number write its topic, such as %q", err, "topic:cellar/tank/"+what)
	}
	return place, ""
}

func checkAddress(t *table, key, addr, example string) {
	_, port, err := net.SplitHostPort(addr)
	if err == nil {
		_, err = net.LookupPort("tcp", port)
	}
	if err != nil {
		t.fail(key, `%q is no address; write HOST:PORT, such as %q`, addr, example)
	}
}

// checkWeb does not repeat the address, for it may hold a key.
func checkWeb(t *table, addr string) {
	if err := notify.CheckURL(addr); err != nil {
		t.fail("url", "%v", err)
	}
}

func loopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	return err != nil || broker.Loopback(host) // an error is reported already
}
