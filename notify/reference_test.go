package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"lampward/rules"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The reference libraries, from the npm registry, pinned.
var npmPackages = []string{"standardwebhooks@1.1.1", "cloudevents@10.0.0", "smtp-server@3.21.6"}

var npmOnce = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "lampward-npm-")
	if err != nil {
		return "", err
	}
	npmDir = dir
	args := append([]string{"install", "--prefix", dir, "--no-save", "--no-audit", "--no-fund", "--ignore-scripts", "--loglevel", "error"}, npmPackages...)
	out, err := exec.Command("npm", args...).CombinedOutput()
	if err != nil {
		return string(out), err
	}
	return dir, nil
})

var npmDir string

func TestMain(m *testing.M) {
	code := m.Run()
	if npmDir != "" {
		_ = os.RemoveAll(npmDir)
	}
	os.Exit(code)
}

// need skips a test without the program, except where CI is set: there it must
// not be missing.
func need(t *testing.T, program string) {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is needed for this test", program)
		}
		t.Skipf("%s is not installed", program)
	}
}

// node returns a command that runs a script of testdata with the reference
// libraries at hand.
func node(t *testing.T, script string, args ...string) *exec.Cmd {
	t.Helper()
	need(t, "node")
	need(t, "npm")
	dir, err := npmOnce()
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("cannot install the reference libraries: %v: %s", err, dir)
		}
		t.Skipf("cannot install the reference libraries: %v", err)
	}
	path, err := filepath.Abs(filepath.Join("testdata", script))
	require.NoError(t, err)
	cmd := exec.Command("node", append([]string{path}, args...)...)
	cmd.Env = append(os.Environ(), "NODE_PATH="+filepath.Join(dir, "node_modules"))
	return cmd
}

// request is what a receiver saw.
type request struct {
	Method  string
	Target  string
	Headers map[string]string
	Body    string
}

// receiver is an HTTP server that keeps what it is sent.
func receiver(t *testing.T, code int) (*httptest.Server, func() []request) {
	t.Helper()
	var mu sync.Mutex
	var all []request
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		h := map[string]string{}
		for k := range r.Header {
			h[strings.ToLower(k)] = r.Header.Get(k)
		}
		mu.Lock()
		all = append(all, request{r.Method, r.URL.RequestURI(), h, string(b)})
		mu.Unlock()
		w.WriteHeader(code)
	}))
	t.Cleanup(srv.Close)
	return srv, func() []request {
		mu.Lock()
		defer mu.Unlock()
		return all
	}
}

// The published vector of Standard Webhooks (its repository, test
// TestSymmetricWebhookSign of the Go library).
func TestSignatureVector(t *testing.T) {
	s, err := newSigner(NewSecret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"))
	require.NoError(t, err)
	body := []byte(`{"test": 2432232314}`)
	ts, sig := s.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), body)
	assert.Equal(t, "1614265330", ts)
	assert.Equal(t, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=", sig)
	// Controls: another body, id, time or an undecoded secret must not match.
	for _, f := range []func() string{
		func() string {
			_, s := s.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test":2432232314}`))
			return s
		},
		func() string { _, s := s.sign("msg_other", time.Unix(1614265330, 0), body); return s },
		func() string {
			_, s := s.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265331, 0), body)
			return s
		},
	} {
		assert.NotEqual(t, sig, f())
	}
	two, err := newSigner(NewSecret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw whsec_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"))
	require.NoError(t, err)
	_, both := two.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), body)
	assert.True(t, strings.HasPrefix(both, sig+" v1,"), "while a secret is changed both sign")
	for _, bad := range []string{"whsec_!!!", "whsec_c2hvcnQ=", strings.Repeat("A", 4*40)} {
		_, err := newSigner(NewSecret(bad))
		require.Error(t, err)
		assert.NotContains(t, err.Error(), bad)
	}
}

// What is sent by default is verified by the standardwebhooks library and
// accepted by the cloudevents library; what is tampered with is not.
func TestAgainstReferenceLibraries(t *testing.T) {
	const secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
	srv, got := receiver(t, 204)
	w, err := NewWebhook(WebhookOptions{URL: srv.URL, Secret: NewSecret(secret)})
	require.NoError(t, err)
	at := time.Date(2026, 3, 4, 5, 6, 7, 89e6, time.UTC)
	d := lit("webhook", "Kühl \"truhe\"\r\nX: y \u2028</script>", at)
	d.EventID = "ev-0001"
	require.Equal(t, Delivered, w.Send(t.Context(), d).Kind)
	silent := rules.Delivery{EventID: "ev-0002", Wall: at, Event: rules.Event{
		At: at, Kind: rules.Silent, Device: "board", Text: "board is silent", Why: "no report for 9 min", Cause: "battery", Since: at.Add(-9 * time.Minute)}}
	require.Equal(t, Delivered, w.Send(t.Context(), silent).Kind)
	require.Equal(t, Delivered, w.SendFolded(t.Context(), []rules.Delivery{d, silent}).Kind)

	cmd := node(t, "webhook.cjs")
	var in bytes.Buffer
	write := func(r request, change func(m map[string]any)) {
		m := map[string]any{"secret": secret, "headers": r.Headers, "body": r.Body}
		if change != nil {
			change(m)
		}
		require.NoError(t, json.NewEncoder(&in).Encode(m))
	}
	reqs := got()
	require.Len(t, reqs, 3)
	for _, r := range reqs {
		write(r, nil)
	}
	// Controls: a changed body, and an event that lacks a required attribute.
	write(reqs[0], func(m map[string]any) { m["body"] = strings.Replace(reqs[0].Body, "lit", "lot", 1) })
	write(reqs[0], func(m map[string]any) {
		m["secret"], m["body"] = "", strings.Replace(reqs[0].Body, `"source"`, `"sauce"`, 1)
	})
	cmd.Stdin = &in
	out, err := cmd.Output()
	require.NoError(t, err)
	type result struct {
		Verified bool
		Error    string
		Event    map[string]any
	}
	var results []result
	for _, l := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		var r result
		require.NoError(t, json.Unmarshal([]byte(l), &r))
		results = append(results, r)
	}
	require.Len(t, results, 5)
	for _, r := range results[:3] {
		assert.Empty(t, r.Error)
		assert.True(t, r.Verified)
		assert.Equal(t, "1.0", r.Event["specversion"])
		assert.Equal(t, "lampward", r.Event["source"])
	}
	e := results[0].Event
	assert.Equal(t, "ev-0001", e["id"])
	assert.Equal(t, "lampward.lit", e["type"])
	assert.Equal(t, "2026-03-04T05:06:07.089Z", e["time"])
	data := e["data"].(map[string]any)
	assert.Equal(t, d.Event.Lamp, data["lamp"])
	assert.Equal(t, "lit", data["kind"])
	assert.Equal(t, 900.0, data["value"])
	assert.Equal(t, 700.0, data["on_above"])
	assert.Equal(t, 600.0, data["off_below"])
	assert.Equal(t, 0.99, data["confidence"])
	assert.Equal(t, d.Event.Why, data["why"])
	assert.Equal(t, "application/cloudevents+json", reqs[0].Headers["content-type"])
	assert.Equal(t, "ev-0001", reqs[0].Headers["webhook-id"])
	data = results[1].Event["data"].(map[string]any)
	assert.Equal(t, "board", data["device"])
	assert.Equal(t, "battery", data["cause"])
	assert.Equal(t, "2026-03-04T04:57:07.089Z", data["since"])
	items := results[2].Event["data"].(map[string]any)["items"].([]any)
	require.Len(t, items, 2)
	assert.Equal(t, "ev-0001", items[0].(map[string]any)["id"])
	assert.Equal(t, "ev-0002", items[1].(map[string]any)["id"])

	assert.False(t, results[3].Verified)
	assert.NotEmpty(t, results[3].Error)
	assert.NotEmpty(t, results[4].Error)
}

// The same delivery gives the same id every time; the time stamp of the
// signature is that of the attempt.
func TestIDIsStable(t *testing.T) {
	srv, got := receiver(t, 500)
	wall := time.Unix(1700000000, 0)
	w, err := NewWebhook(WebhookOptions{URL: srv.URL, Secret: NewSecret("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"), Wall: func() time.Time { return wall }})
	require.NoError(t, err)
	d := lit("webhook", "tank", wall)
	d.EventID = "ev-7"
	for range 2 {
		assert.Equal(t, Again, w.Send(context.Background(), d).Kind)
		wall = wall.Add(time.Hour)
	}
	r := got()
	assert.Equal(t, r[0].Body, r[1].Body)
	assert.Equal(t, "ev-7", r[1].Headers["webhook-id"])
	assert.Equal(t, "1700000000", r[0].Headers["webhook-timestamp"])
	assert.Equal(t, "1700003600", r[1].Headers["webhook-timestamp"])
}
