package notify

import (
	"time"

	"lampward/rules"
)

// sampleMessages returns messages of every kind that is sent, with names that
// would break careless escaping; templates are tried on them when they are
// read, so that a mistake shows at start and not on the night of an alert.
func sampleMessages() []Message {
	const nasty = "tank \"1\" \\ </b>&'{{.}}\r\nBcc: x\u2028,]}\x00\x1b é"
	at := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	var out []Message
	for _, k := range rules.Kinds() {
		if !k.Alerts() {
			continue
		}
		e := rules.Event{At: at, Kind: k, Text: nasty, Why: nasty, Confidence: 0.5}
		switch k {
		case rules.Silent, rules.Returned, rules.BatteryLow, rules.BatteryHolds:
			e.Device, e.Cause = nasty, nasty
		case rules.ManySilent, rules.ManyReturned, rules.Test, rules.Downtime:
		default:
			e.Lamp, e.Device, e.Value, e.OnAbove, e.OffBelow = nasty, nasty, 900.5, 800, 700
			e.Since = at.Add(-time.Minute)
		}
		d := rules.Delivery{EventID: "sample-" + string(k), Event: e, Wall: at}
		out = append(out, newMessage(d, nil))
	}
	var two []rules.Delivery
	for _, id := range []string{"sample-a", "sample-b"} {
		two = append(two, rules.Delivery{EventID: id, Wall: at,
			Event: rules.Event{At: at, Kind: rules.Lit, Lamp: nasty, Text: nasty, Why: nasty}})
	}
	return append(out, foldMessages(two, func(rules.Delivery) Links {
		return Links{Ack: "https://example.com/a?b=c&d=\"", Shelve: "https://example.com/s"}
	}, time.UTC))
}
