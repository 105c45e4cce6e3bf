package page

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// A freezer's compressor switches its lamp about fifty times a day, so that a
// year holds more events than one query gives. The time before those that were
// counted is left out; it is not taken for one long state.
func TestBusyYear(t *testing.T) {
	f := newFake()
	f.events = nil
	for at, n := now, 0; now.Sub(at) < 366*24*time.Hour; at, n = at.Add(-15*time.Minute), n+1 {
		f.events = append(f.events, Event{Time: at, Kind: []string{"lit", "dark"}[n%2], Lamp: "tank"})
	}
	s := newServer(t, f, nil)
	body := get(s, "/lamp?name=tank&span=1y").Body.String()
	for _, state := range []string{"lit", "dark", "learning"} {
		assert.NotContains(t, body, state+" from 2 May 11:00 to ", "a state that began with the year")
	}
	assert.Contains(t, body, "<td>15 min</td>")
	assert.NotContains(t, body, "<h2>In 1 year</h2>")
	assert.Contains(t, body, "<h2>Since 18 Jan 07:15</h2>")

	assert.NotContains(t, body, "All that happened", "what one query gives is not all")
	assert.NotContains(t, get(s, "/alerts").Body.String(), "All messages")

	body = get(s, "/lamp?name=tank&span=30d").Body.String()
	assert.Contains(t, body, "<h2>In 30 days</h2>", "the control: what one query gives is counted whole")
	assert.Contains(t, body, "lit from 2 Apr 11:00 to ")
}
