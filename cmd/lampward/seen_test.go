package main

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/cmd/lampward/page"
	"lampward/notify"
	"lampward/notify/link"
	"lampward/rules"
	"lampward/store"
)

// Whoever acknowledges what a page showed acknowledges nothing that came since: the
// page says what that is, and asks again.
func TestAckOnlyWhatWasSeen(t *testing.T) {
	c := newCellar(t, "")
	c.history(1)
	read := func(value float64) {
		for range 3 {
			c.publish("freezer", value)
		}
	}
	state := func() (s rules.AlarmStatus) {
		require.NoError(t, c.d.do(t.Context(), job{look: func(m *rules.Machine) { s, _ = m.LampAlarm("freezer") }}))
		return s
	}
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	client := &http.Client{Jar: jar}
	answer := func(r *http.Response, err error) (int, string) {
		require.NoError(t, err)
		defer r.Body.Close()
		b, err := io.ReadAll(r.Body)
		require.NoError(t, err)
		return r.StatusCode, string(b)
	}
	token, err := link.Make(c.d.linkKey, link.Claims{Action: link.Ack, About: "lamp/freezer", Expires: c.clock.Wall().Add(time.Hour)})
	require.NoError(t, err)
	field := regexp.MustCompile(`name="seen" value="(\d+)"`)
	for _, where := range []string{"/link?t=" + token, "/", "/lamp?name=freezer"} {
		read(1500)
		read(2000)
		require.Equal(t, rules.AlarmUnacknowledged, state().State)
		path, ok := "/do/ack", false
		form := url.Values{"lamp": {"freezer"}, "back": {where}}
		if _, body := answer(client.Get(c.url + where)); assert.Regexp(t, field, body, where) {
			form.Set("seen", field.FindStringSubmatch(body)[1])
			ok = true
		}
		require.True(t, ok, where)
		isLink := strings.HasPrefix(where, "/link")
		if isLink {
			path, form = "/link", url.Values{"t": {token}, "seen": form["seen"]}
		}
		read(1500)
		read(2000) // lit once more
		code, body := answer(client.PostForm(c.url+path, form))
		require.Equal(t, rules.AlarmUnacknowledged, state().State, "%s: what was not shown is acknowledged", where)
		assert.Contains(t, body, "freezer is lit", where)
		if isLink {
			assert.Equal(t, http.StatusConflict, code)
			assert.Contains(t, body, "this came since you were asked")
		} else {
			assert.Contains(t, body, "freezer: not acknowledged yet, for this came since you looked: freezer is lit (2 min ago). If you know that too, acknowledge again.</p>")
		}
		// As the script asks, and as a person who is asked again.
		code, body = answer(client.PostForm(c.url+"/api/ack", url.Values{"lamp": {"freezer"}, "seen": form["seen"]}))
		assert.Equal(t, http.StatusConflict, code)
		assert.Contains(t, body, "not acknowledged yet")
		_, body = answer(client.Get(c.url + where))
		require.Regexp(t, field, body, where)
		form.Set("seen", field.FindStringSubmatch(body)[1])
		code, body = answer(client.PostForm(c.url+path, form))
		assert.Equal(t, http.StatusOK, code)
		assert.Contains(t, body, "freezer: acknowledged.")
		require.Equal(t, rules.AlarmAcknowledged, state().State)
		// A second press is no news.
		_, body = answer(client.PostForm(c.url+path, form))
		assert.Contains(t, body, "freezer: there was nothing to acknowledge.")
	}
}

// Who says that a lamp is lit while it reads as when dark is told what may be
// wrong, and which key to set.
func TestTeachTellsOfSwapped(t *testing.T) {
	c := newCellar(t, "[[lamp]]\nname = \"fan\"\ntopic = \"cellar/fan/light\"\nlit_reads = \"lower\"\n")
	teach := func(lamp, state string) string {
		said, err := (&pageSource{d: c.d}).Do(t.Context(), page.Action{Verb: page.Teach, Lamp: lamp, State: state})
		require.NoError(t, err)
		return said
	}
	for range 3 {
		for _, level := range []float64{3000, 1000} { // dark and lit, of a lamp that reads lower when lit
			for i := range 40 {
				c.publish("salt", level+float64(i%5))
			}
		}
	}
	assert.Equal(t, `salt: noted that it is lit now. But its newest reading, 1004, lies where it is known as dark. If the lamp changed after that reading, say it again after the next; if not, lit and dark may be swapped: then write lit_reads = "lower" for it in the configuration.`,
		teach("salt", "lit"))
	c.publish("freezer", 1500)
	assert.Contains(t, teach("freezer", "lit"), `is dark by the levels set by hand. If`)
	assert.Equal(t, "freezer: noted that it is dark now.", teach("freezer", "dark"))
	c.publish("fan", 300)
	teach("fan", "dark")
	for range 10 {
		c.publish("fan", 500)
	}
	assert.Contains(t, teach("fan", "lit"), `higher than that at which it was taught as dark, 300. If the lamp changed after that reading, say it again after the next; if not, lit and dark may be swapped: then write lit_reads = "higher" for it in the configuration.`)
}

// "Messages" show what is doubtful about a message that was taken.
func TestMessagesShowDoubt(t *testing.T) {
	// Held by quiet hours, so that nothing but this test sends it.
	c := newCellar(t, "[[webhook]]\nname = \"held\"\nurl = \"http://192.0.2.1/\"\nkinds = [\"dark\"]\nquiet_hours = [\"00:00-13:00\", \"12:00-01:00\"]\n")
	for _, v := range []float64{1500, 1500, 2000, 2000, 1500, 1500} {
		c.publish("freezer", v)
	}
	st := c.d.store.(*store.Store)
	look := func() string {
		r, err := http.Get(c.url + "/alerts")
		require.NoError(t, err)
		defer r.Body.Close()
		b, err := io.ReadAll(r.Body)
		require.NoError(t, err)
		return string(b)
	}
	waiting, err := st.Deliveries(t.Context(), store.DeliveryFilter{Route: "held", State: store.Pending})
	require.NoError(t, err)
	require.Len(t, waiting, 1)
	require.NotContains(t, look(), "see whether")
	require.NoError(t, st.Sent(t.Context(), waiting[0].ID, c.clock.Now(), "200 OK"+notify.WebPage+": see whether it arrived"))
	assert.Contains(t, look(), "Answer: <q>200 OK, with a web page: see whether it arrived</q>")
}

// The state of a lamp does not go on over a time in which it was not in the
// configuration.
func TestStateEndsWithTheConfiguration(t *testing.T) {
	c := newCellar(t, "")
	configure := func(cfg rules.Config) {
		require.NoError(t, c.d.do(t.Context(), job{}, rules.Input{Kind: rules.InConfig, Config: &cfg}))
	}
	hour := func(v float64) {
		for range 60 {
			c.publish("freezer", v)
		}
	}
	hour(1500)
	hour(2000)
	with := c.d.cfg.Rules
	without := with
	without.Lamps = slices.DeleteFunc(slices.Clone(with.Lamps), func(l rules.LampConfig) bool { return l.Name == "freezer" })
	configure(without)
	c.clock.Advance(10 * time.Hour)
	configure(with)
	hour(1500)
	r, err := http.Get(c.url + "/lamp?name=freezer&span=24h")
	require.NoError(t, err)
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	row := regexp.MustCompile(`<th scope="row">in all</th><td>(\d+) min</td><td>(\d+ min|2 h)`).FindStringSubmatch(string(b))
	require.NotNil(t, row, "%s", regexp.MustCompile(`<th scope="row">in all</th>.*?</tr>`).FindString(string(b)))
	assert.Contains(t, []string{"58", "59", "60"}, row[1], "lit for an hour")
}
