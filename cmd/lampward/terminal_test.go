package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// harm clears the screen, sets the title, colours by a C1 control, and turns the
// order of letters round.
const harm = "\x1b[2J\x1b]0;owned\a\u009b31m\u202eevil"

// Whatever a stranger answers, no command hands the terminal what it would obey.
func TestTerminalIsSafe(t *testing.T) {
	quoted, err := json.Marshal(harm)
	require.NoError(t, err)
	h := string(quoted)
	status := 200
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(status)
		text := `{"error":` + h + `,"said":` + h + `,"name":"tank","state":` + h + `,"at":"2026-05-01T10:00:00Z","aim":{"separation":9,"grade":` + h + `,"hint":` + h + `},
			"version":` + h + `,"broken":` + h + `,"cut_off":` + h + `,"routes":[],"failing":[{"route":` + h + `,"note":` + h + `}],
			"lamps":[{"name":"tank","state":` + h + `,"fault":` + h + `,"alarm":{"state":` + h + `}},{"name":` + h + `,"state":"lit"}],
			"boards":[{"name":` + h + `,"cause":` + h + `,"alarm":{"state":` + h + `}}],"events":[{"text":` + h + `,"why":` + h + `}]}`
		_, _ = io.WriteString(w, strings.Join(strings.Fields(text), " "))
	}))
	defer srv.Close()
	// Reason phrase and body are the service's own text.
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer ln.Close()
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			_, _ = c.Read(make([]byte, 4096))
			_, _ = fmt.Fprintf(c, "HTTP/1.1 410 Gone %s\r\nContent-Length: %d\r\nConnection: close\r\n\r\n%s", harm, len(harm), harm)
			_ = c.Close()
		}
	}()
	route := writeFile(t, "lampward.toml", fmt.Sprintf("[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n[[webhook]]\nurl = \"http://%s/\"\n", ln.Addr()))
	wrong := writeFile(t, "wrong.toml", "[[lamp]]\nname = \"tank\"\ntopic = \"t\"\n\"\\u001b[2J\" = 1\n")
	for _, x := range [][]string{
		{"status", "-url", srv.URL}, {"status", "-json", "-url", srv.URL}, {"history", "-url", srv.URL}, {"history", "-json", "-url", srv.URL},
		{"ack", "tank", "-url", srv.URL}, {"ack", "nobody", "-url", srv.URL}, {"aim", "tank", "-once", "-url", srv.URL},
		{"notify", "test", "-config", route}, {"check", "-config", wrong},
	} {
		for _, status = range []int{200, 400} {
			var out, errOut bytes.Buffer
			Main(context.Background(), x, strings.NewReader(""), &out, &errOut)
			all := out.String() + errOut.String()
			assert.NotEmpty(t, all, x)
			for _, r := range all {
				if r != '\n' && (unicode.IsControl(r) || unicode.Is(unicode.Cf, r)) {
					t.Errorf("%v, answer %d: %q is printed in %q", x, status, r, all)
					break
				}
			}
		}
	}
	// What is JSON still says the same.
	status = 200
	code, out, _ := runMain(t.Context(), "status", "-json", "-url", srv.URL)
	require.Equal(t, exitOK, code)
	var st struct{ Broken string }
	require.NoError(t, json.Unmarshal([]byte(out), &st))
	assert.Equal(t, harm, st.Broken)
}
