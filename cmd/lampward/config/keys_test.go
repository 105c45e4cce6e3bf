package config

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// everyKey is two files in which each key says something else than its default.
var everyKey = []string{`
[broker]
listen = "127.0.0.1:2883"
max_packet = 1024
max_clients = 90
max_per_address = 80
cert_file = "broker.pem"
key_file = "broker.key"
[[account]]
name = "boards"
password_hash = "` + hash + `"
publish = ["cellar/#"]
subscribe = ["pantry/#"]
[store]
dir = "history"
keep_readings = "30d"
flush = "7s"
early_ack = true
[log]
level = "debug"
format = "json"
[page]
listen = "127.0.0.1:2080"
hosts = ["cellar.example.com"]
url = "https://cellar.example.com"
trusted_proxies = ["192.0.2.5"]
cert_file = "page.pem"
key_file = "page.key"
[[person]]
name = "ann"
password_hash = "` + hash + `"
[alarm]
remind_every = "2h"
escalate_after = "3h"
chatter_count = 4
chatter_within = "30m"
chatter_settle = "20m"
fold_devices = 5
[heartbeat]
url = "https://watcher.example.com/cellar"
ca_file = "heart.pem"
every = "11m"
all_routes = true
[[lamp]]
name = "tank"
topic = "cellar/tank"
value = "/raw"
device = "tank-board"
lit_reads = "lower"
on_above = 100
off_below = 120
on_delay = "1m"
off_delay = "2m"
false_every = "400d"
normal = "lit"
say_lit = "The tank is empty"
say_dark = "The tank is full"
say_blinking = "The tank leaks"
[[device]]
name = "tank-board"
topic = "cellar/status"
volts = "/volts"
rssi = "/rssi"
report_every = "61s"
silent_after = "9m"
false_every = "500d"
[device.battery]
chemistry = "alkaline"
cells = 3
flat_volts = 2.9
capacity_mah = 2400
current_ma = 0.4
derate = 0.7
warn = "9d"
[[device]]
name = "salt-board"
millivolts = "topic:cellar/salt/millivolts"
rssi = "topic:cellar/salt/rssi"
[[device]]
name = "freezer-board"
charge = "/charge"
[[webhook]]
name = "phone"
url = "https://push.example.com/x"
method = "PUT"
body = "{{.Text}}"
content_type = "text/markdown"
headers = { Title = "Cellar" }
secret = "whsec_MDEyMzQ1Njc4OTAxMjM0NTY3ODkwMTIz"
ca_file = "hook.pem"
cert_file = "hook-client.pem"
key_file = "hook-client.key"
timeout = "8s"
kinds = ["lit", "silent", "escalated"]
quiet_hours = ["22:00-07:00 UTC"]
quiet_through = ["silent"]
escalation = true
min_gap = "6s"
per_hour = 66
fold_over = 6
[[webhook]]
url = "https://push.example.com/y"
form = { message = "{{.Text}}" }
secret_file = "hook-secret"
[[webhook]]
url = "https://push.example.com/z"
secret_env = "HOOK_SECRET"
[[mail]]
name = "letter"
server = "mail.example.com:25"
security = "none"
user = "cellar"
password_file = "mail-password"
ca_file = "mail.pem"
from = "cellar@example.com"
to = ["ann@example.com"]
kinds = ["dark"]
quiet_hours = ["21:00-06:00 UTC"]
quiet_through = []
escalation = true
min_gap = "5s"
per_hour = 55
fold_over = 5
[[mail]]
server = "mail.example.com:25"
user = "cellar"
password_env = "MAIL_PASSWORD"
from = "cellar@example.com"
to = ["bob@example.com"]
`, minimal + `
[broker]
url = "mqtts://broker.example.com:8883"
client_id = "cellar"
user = "lampward"
password_file = "broker-password"
ca_file = "broker-ca.pem"
`}

// Each key that is known makes a difference: without its line the configuration is
// another one, or wrong. And everyKey has them all.
func TestEveryKeyCounts(t *testing.T) {
	parse := func(text string) (Config, error) {
		c, err := Parse("f.toml", []byte(text))
		if err != nil {
			return Config{}, err
		}
		c.lines = nil
		return *c, nil
	}
	var have []string // "table.key"
	for _, text := range everyKey {
		full, err := parse(text)
		require.NoError(t, err)
		lines, table := strings.Split(text, "\n"), ""
		for i, line := range lines {
			if strings.HasPrefix(line, "[") {
				table = strings.Trim(line, "[]")
			}
			key, _, ok := strings.Cut(line, " = ")
			if !ok {
				continue
			}
			have = append(have, table+"."+strings.TrimSpace(key))
			without := slices.Clone(lines)
			without[i] = ""
			got, err := parse(strings.Join(without, "\n"))
			assert.False(t, err == nil && assert.ObjectsAreEqual(full, got), "line %d changes nothing: %s", i+1, line)
		}
	}

	// The error of a key that there is not names all that there are.
	wrong := regexp.MustCompile(`(?m)^\[.*\]$`).ReplaceAllString(everyKey[0], "$0\nwrong = 1")
	_, err := parse(wrong)
	var problems Problems
	require.ErrorAs(t, err, &problems)
	tables := 0
	for _, p := range problems {
		_, known, ok := strings.Cut(p.Text, "known are ")
		if !ok {
			continue
		}
		tables++
		table := regexp.MustCompile(`\[\d+\]`).ReplaceAllString(strings.TrimSuffix(p.Key, ".wrong"), "")
		for _, key := range strings.Split(known, ", ") {
			if table == "device" && key == "battery" {
				continue // a table of its own
			}
			assert.Contains(t, have, table+"."+key)
		}
	}
	assert.Equal(t, strings.Count(wrong, "wrong = 1"), tables)
}
