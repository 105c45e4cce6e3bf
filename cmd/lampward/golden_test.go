package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the golden files anew; read the difference before you commit it")

// Each line has the three counts, as numbers, whatever kind it is.
func TestEachLineHasNumbers(t *testing.T) {
	var out, errOut bytes.Buffer
	trace := filepath.Join(t.TempDir(), "trace.csv")
	var rows strings.Builder
	rows.WriteString("time,value\n")
	for i := range 6 * 1440 { // a lamp, and then its sensor stuck at an end
		v := 300 + i%7 + 400*(i/200%2)
		if i > 4*1440 {
			v = 1023
		}
		fmt.Fprintf(&rows, "%d,%d\n", 1772323200+60*i, v)
	}
	require.NoError(t, os.WriteFile(trace, []byte(rows.String()), 0o600))
	code := Main(t.Context(), []string{"replay", "-config", "../../testdata/cellar.toml", "-lamp", "tank", trace}, nil, &out, &errOut)
	require.Equal(t, exitOK, code, "%s", errOut.String())
	kinds := map[string]bool{}
	for line := range strings.Lines(out.String()) {
		var e map[string]any
		require.NoError(t, json.Unmarshal([]byte(line), &e))
		for _, key := range []string{"value", "on_above", "off_below", "confidence"} {
			assert.IsType(t, 0.0, e[key], "%s of %s", key, line)
		}
		kinds[e["kind"].(string)] = true
	}
	assert.Subset(t, kinds, map[string]bool{"lit": true, "dark": true, "fault": true})
}

// The trace in testdata, invented for the demo, decides as it always did, byte
// for byte and on every processor. A change of the learner may change it: run
// with -update and read what changed.
func TestGoldenReplay(t *testing.T) {
	var out, errOut bytes.Buffer
	code := Main(t.Context(), []string{"replay", "-config", "../../testdata/cellar.toml", "-lamp", "tank", "-score", "../../testdata/tank.csv"},
		nil, &out, &errOut)
	require.Equal(t, exitOK, code, "%s", errOut.String())
	assert.Contains(t, errOut.String(), "missed          0\n")
	assert.Contains(t, errOut.String(), "false           0\n")
	const golden = "../../testdata/tank.events.jsonl"
	if *update {
		require.NoError(t, os.WriteFile(golden, out.Bytes(), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, string(want), out.String())
}
