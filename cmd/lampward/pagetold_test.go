package main

import (
	"bufio"
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/cmd/lampward/page"
)

// When several boards fall silent together there is one event, which names no
// board; who watches is told of each board all the same.
func TestWatchersHearOfManySilent(t *testing.T) {
	c := newCellar(t, "")
	c.history(3)
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	req, err := http.NewRequestWithContext(ctx, "GET", c.url+"/api/stream", nil)
	require.NoError(t, err)
	res, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer res.Body.Close()
	in := bufio.NewReader(res.Body)
	silent := map[string]bool{}
	// news reads up to the next mark, and tells whether kind was among the news.
	news := func(kind string) (found bool) {
		event := ""
		for {
			line, err := in.ReadString('\n')
			require.NoError(t, err)
			line = strings.TrimSpace(line)
			if e, ok := strings.CutPrefix(line, "event: "); ok {
				event = e
			}
			data, ok := strings.CutPrefix(line, "data: ")
			switch {
			case !ok:
			case event == "board":
				var b page.Board
				require.NoError(t, json.Unmarshal([]byte(data), &b))
				silent[b.Name] = b.Silent
			case event == "news":
				found = found || strings.Contains(data, `"kind":"`+kind+`"`)
			case event == "mark":
				return found
			}
		}
	}
	news("")
	assert.Equal(t, map[string]bool{"tank": false, "salt": false, "freezer": false}, silent)
	for range 120 { // nobody is heard
		c.clock.Advance(time.Minute)
		require.NoError(t, c.d.do(ctx, job{}))
	}
	for !news("many_silent") {
	}
	assert.Equal(t, map[string]bool{"tank": true, "salt": true, "freezer": true}, silent)
}
