package main

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// On a phone the needle covers no word, wherever it stands; and who aims can have
// nothing sent meanwhile.
func TestPageAim(t *testing.T) {
	c := newCellar(t, "")
	c.history(34)
	b := newTab(t, newBrowser(t), screens[0])
	b.open(c.url + "/aim?name=tank")
	b.untilText("#link-state", "live")
	for _, v := range []int{640, 212, 400} {
		c.publish("tank", float64(v))
		b.until(`document.querySelector(".huge").innerText == ` + strconv.Itoa(v))
		over := eval[bool](b, `(() => { const n = document.querySelector(".needle").getBoundingClientRect();
			return [...document.querySelectorAll(".aim-word")].some(w => { const r = w.getBoundingClientRect();
				return n.left < r.right && r.left < n.right && n.top < r.bottom && r.top < n.bottom }) })()`)
		assert.False(t, over, "at %v", v)
		b.shot("aim-at-" + strconv.Itoa(v))
	}
	b.button("Send nothing for 1 hour")
	b.untilText("#said", "tank: nothing is sent about it for 60 min.")
	c.publish("tank", 401)
	b.untilText("#aim", "Nothing is sent about it until")
	b.sound("aiming")
}

// What was advised before is not repeated when nothing is advised any more, and
// each line fits a terminal of 80 columns.
func TestAimForgetsAdvice(t *testing.T) {
	lamp := func(at, hint string) string {
		return `{"name":"tank","state":"blinking","at":"2026-05-01T10:00:0` + at + `Z","value":123456.7,"aim":{"dark":200,"lit":600,"noise":2,"separation":238.94,"grade":"excellent"` + hint + `}}`
	}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/api/lamp" {
			_, _ = io.WriteString(w, lamp("0", `,"hint":"move \u001b[2Jit"`))
			return
		}
		for _, l := range []string{lamp("1", `,"hint":"move \u001b[2Jit"`), lamp("2", ""), lamp("3", `,"hint":"move \u001b[2Jit"`)} {
			_, _ = io.WriteString(w, "event: lamp\ndata: "+l+"\n\n")
		}
	}))
	defer srv.Close()
	var out, errOut bytes.Buffer
	code := Main(context.Background(), []string{"aim", "tank", "-url", srv.URL}, strings.NewReader(""), &out, &errOut)
	require.Equal(t, exitFailed, code, "for the stream ended")
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	require.Len(t, lines, 6, out.String())
	assert.Equal(t, "         move ?[2Jit", lines[1], "once, for it stays the same, and harmless")
	assert.Equal(t, lines[1], lines[5], "again, for it was not so in between")
	for _, l := range lines {
		assert.LessOrEqual(t, utf8.RuneCountInString(l), 80, l)
	}
	assert.NotContains(t, out.String(), "\x1b")
}
