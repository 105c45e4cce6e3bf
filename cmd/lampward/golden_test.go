package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules"
)

var update = flag.Bool("update", false, "write the golden files anew; read the difference before you commit it")

// What an event does not know is printed as null, and else the event as it is.
func TestPrinted(t *testing.T) {
	text := func(e rules.Event) string {
		b, err := json.Marshal(printed(&e))
		require.NoError(t, err)
		return string(b)
	}
	e := rules.Event{Kind: rules.Lit, Lamp: "tank", Value: 640, OnAbove: 470, OffBelow: 380}
	plain, err := json.Marshal(e)
	require.NoError(t, err)
	assert.Equal(t, string(plain), text(e))
	assert.JSONEq(t, `{"time":"0001-01-01T00:00:00Z","kind":"unlearned","lamp":"tank","value":640,"on_above":null,"off_below":null,"confidence":1,"text":"","why":""}`,
		text(rules.Event{Kind: rules.Unlearned, Lamp: "tank", Value: 640, Confidence: 1}))
	assert.JSONEq(t, `{"time":"0001-01-01T00:00:00Z","kind":"reminder","lamp":"tank","value":null,"on_above":null,"off_below":null,"confidence":1,"text":"","why":""}`,
		text(rules.Event{Kind: rules.Reminder, Lamp: "tank", Confidence: 1}))
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
