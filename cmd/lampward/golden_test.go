package main

import (
	"bytes"
	"flag"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the golden files anew; read the difference before you commit it")

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
