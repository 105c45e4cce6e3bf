package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

func TestSmoke(t *testing.T) {
	ctx := context.Background()
	s, err := Open(ctx, Options{Dir: t.TempDir()})
	require.NoError(t, err)
	at := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	v := 3.71
	seq, err := s.Append(ctx, []Record{{Input: rules.Input{At: at, Kind: rules.InReading, Lamp: "tank", Device: "b", Value: 512, Volts: &v},
		Events: []rules.Event{{At: at, Kind: rules.Lit, Lamp: "tank", Text: "x"}}, Routes: [][]Target{{{"phone", at}}}}}, true)
	require.NoError(t, err)
	require.EqualValues(t, 1, seq)
	due, _, err := s.Due(ctx, at, 10, nil)
	require.NoError(t, err)
	require.Len(t, due, 1)
	t.Log(due[0])
	require.NoError(t, s.Inputs(ctx, 0, func(seq int64, in rules.Input, ev [][]byte) error { t.Log(seq, in, string(ev[0])); return nil }))
	ev, err := s.Events(ctx, EventFilter{Key: "lamp/tank"})
	require.NoError(t, err)
	t.Log(ev)
	ps, err := s.Trace(ctx, "tank", at.Add(-time.Hour), at.Add(time.Hour), 10)
	require.NoError(t, err)
	t.Log(ps)
	require.NoError(t, s.Sync(ctx))
	require.NoError(t, s.Prune(ctx, at))
	require.NoError(t, s.Close())
}
