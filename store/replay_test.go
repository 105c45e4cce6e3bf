package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
	"lampward/rules/learn"
)

// Should the snapshot be of no use, as to an older lampward, the machine is made
// anew from the inputs that are kept. They are of use only after the
// configuration that they came under, however old that is.
func TestPruneKeepsTheConfiguration(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	config := func(at time.Time, lamps ...string) Record {
		var c rules.Config
		for _, l := range lamps {
			c.Lamps = append(c.Lamps, rules.LampConfig{Name: l, Learn: learn.Config{}})
		}
		return Record{Input: rules.Input{At: at, Kind: rules.InConfig, Config: &c}}
	}
	appendAll(t, s, config(day0, "tank"), config(day0.Add(time.Minute), "tank", "salt"), Record{Input: rules.Input{At: day0.Add(time.Minute), Kind: rules.InAck, Lamp: "salt", By: "ann"}})
	at := day0
	for range 200 * 24 {
		at = at.Add(time.Hour)
		appendAll(t, s, reading(at, "tank", 200), reading(at, "salt", 90))
	}
	appendAll(t, s, Record{Input: rules.Input{At: at, Kind: rules.InTeach, Lamp: "salt", Word: "dark"}})
	require.NoError(t, s.SaveSnapshot(ctx, s.LastSeq(), partsOf()))
	for range 2 { // and the next time too
		require.NoError(t, s.Prune(ctx, at))
	}
	m, first := rules.New(), int64(0)
	n, taught := 0, 0
	require.NoError(t, s.Inputs(ctx, 0, func(seq int64, in rules.Input, _ [][]byte) error {
		if n++; first == 0 {
			first = seq
		}
		if in.Kind == rules.InTeach {
			taught++
		}
		m.Step(in)
		return nil
	}))
	require.Equal(t, 1, taught, "what a person said of late is kept, as the readings of that time are")
	require.EqualValues(t, 2, first, "the newest configuration of those that are old")
	require.Less(t, n, 91*24*2+100, "the rest was dropped")
	require.Len(t, m.Lamps(), 2)
	st, ok := m.LampStatus("tank")
	require.True(t, ok)
	require.Equal(t, at, st.At, "the readings were heard")
}
