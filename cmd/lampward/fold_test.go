package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/broker/brokertest"
)

// A receiver that is gone for a while, with the real program: what waited for
// the lamp comes as one message that says how the lamp is now. The receiver
// fails on it, the program is killed, and the next one sends it again, the same
// to the letter, though more has happened since. The link in it acknowledges;
// another route was told all the while.
func TestBacklogAfterOutage(t *testing.T) {
	listen, gone, page := brokertest.FreeAddress(t), brokertest.FreeAddress(t), brokertest.FreeAddress(t)
	well := newPhone(t)
	text := quickConfig(listen, t.TempDir(), "cellar/tank", "http://"+gone)
	text = strings.Replace(text, "[page]\nlisten = \"\"", fmt.Sprintf("[page]\nlisten = %q\nurl = %q", page, "http://"+page), 1)
	text += fmt.Sprintf("name = \"phone\"\nfold_over = 3\n[[webhook]]\nname = \"well\"\nurl = %q\n",
		well.URL)
	file := writeFile(t, "lampward.toml", text)

	p := startProcess(t, "run", file, listen)
	changes := 0
	levels := func(ns ...int) { // publishes readings until each change is told to who is well
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + listen).SetClientID("board").SetAutoReconnect(false))
		require.True(t, c.Connect().WaitTimeout(30*time.Second))
		defer c.Disconnect(0)
		for _, n := range ns {
			for range 5 {
				require.True(t, c.Publish("cellar/tank", 1, false, fmt.Sprint(n)).WaitTimeout(30*time.Second))
			}
			if n != 200 || changes > 0 { // the first level is no change
				for changes++; len(kindsOf(well.all())) < changes; {
					require.True(t, c.Publish("cellar/tank", 1, false, fmt.Sprint(n)).WaitTimeout(30*time.Second))
				}
			}
		}
	}
	levels(200, 800, 201, 800, 201, 800)
	assert.Equal(t, []string{"lit", "dark", "lit", "dark", "lit"}, kindsOf(well.all()))

	bodies := make(chan []byte, 100)
	fails := make(chan struct{})
	ln, err := net.Listen("tcp", gone)
	require.NoError(t, err)
	s := &httptest.Server{Listener: ln, Config: &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		bodies <- b
		select {
		case <-fails:
		default:
			http.Error(w, "not well yet", http.StatusInternalServerError)
		}
	})}}
	s.Start()
	defer s.Close()
	next := func() []byte {
		select {
		case b := <-bodies:
			return b
		case <-time.After(90 * time.Second):
			t.Fatalf("nothing came\n%s", p.log)
			return nil
		}
	}
	first := next()
	p.kill()
	close(fails)
	p = startProcess(t, "run", file, listen)
	levels(201)
	var m struct {
		ID   string `json:"id"`
		Data struct {
			Lamp, Kind, Text, State string
			AckURL                  string `json:"ack_url"`
			Items                   []struct{ ID, Kind string }
		} `json:"data"`
	}
	require.NoError(t, json.Unmarshal(first, &m), "%s", first)
	assert.Equal(t, []string{"tank", "several", "lit"}, []string{m.Data.Lamp, m.Data.Kind, m.Data.State})
	assert.Regexp(t, `^tank is lit \(5 messages since [0-9:]+: lit 3 times, dark twice\)$`, m.Data.Text)
	require.Len(t, m.Data.Items, 5)
	for i, a := range well.all()[:5] {
		assert.Equal(t, a.ID, m.Data.Items[i].ID)
	}

	b, times := next(), 0
	for ; bytes.Equal(b, first); b = next() {
		times++ // at times once more before the kill
	}
	assert.Positive(t, times, "it is not sent again")
	var later alert
	require.NoError(t, json.Unmarshal(b, &later))
	assert.Equal(t, "dark", later.Data.Kind, "what came later is another message: %s", b)
	levels(800)
	require.NoError(t, json.Unmarshal(next(), &later))
	assert.Equal(t, "lit", later.Data.Kind)
	u, err := url.Parse(m.Data.AckURL)
	require.NoError(t, err)
	r, err := http.PostForm("http://"+page+"/link", url.Values{"t": {u.Query().Get("t")}})
	require.NoError(t, err)
	defer r.Body.Close()
	said, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	assert.Equal(t, http.StatusOK, r.StatusCode, "%s", said)
	assert.Contains(t, string(said), "cknowledged")
	require.Zero(t, p.terminate(t), "%s", p.log)
}
