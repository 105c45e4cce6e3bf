package main

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules"
	"lampward/store"
)

// partsFrom is a store whose snapshot is these parts; err comes after them.
type partsFrom struct {
	keeper
	parts []store.Part
	err   error
}

// LoadSnapshot spoils each part's data after the call, as the database may.
func (s *partsFrom) LoadSnapshot(_ context.Context, fn func(store.Part) error) (int64, error) {
	var data []byte
	for _, p := range s.parts {
		data = append(data[:0], p.Data...)
		if err := fn(store.Part{Key: p.Key, Data: data}); err != nil {
			return 0, err
		}
		clear(data)
	}
	if s.err != nil {
		return 0, s.err
	}
	return int64(len(s.parts)), nil
}

// Whatever the snapshot's size, however it ends, and whether its parts are of
// use or not, loading it ends, and leaves no goroutine.
func TestLoadSnapshot(t *testing.T) {
	m := rules.New()
	var cfg rules.Config
	at := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	for i := range 160 { // four parts each: ten times what is handed over at once
		cfg.Lamps = append(cfg.Lamps, rules.LampConfig{Name: fmt.Sprint("lamp", i)})
	}
	m.Step(rules.Input{At: at, Kind: rules.InConfig, Config: &cfg})
	for i := range 40 {
		at = at.Add(time.Minute)
		for k, l := range cfg.Lamps {
			m.Step(rules.Input{At: at, Kind: rules.InReading, Lamp: l.Name, Device: l.Name, Value: float64(200 + 10*k + i%7)})
		}
	}
	whole, err := m.Snapshot()
	require.NoError(t, err)
	require.Greater(t, len(whole), 600)

	load := func(from *partsFrom) (parts rules.Restorer, seq int64, bad, err error) {
		synctest.Test(t, func(t *testing.T) { // fails when a goroutine waits for ever
			seq, bad, err = loadSnapshot(t.Context(), from, parts.Add)
		})
		return parts, seq, bad, err
	}
	parts, seq, bad, err := load(&partsFrom{parts: whole})
	require.NoError(t, errors.Join(bad, err))
	assert.EqualValues(t, len(whole), seq)
	again, err := parts.Machine()
	require.NoError(t, err)
	got, err := again.Snapshot()
	require.NoError(t, err)
	assert.Equal(t, whole, got)

	for _, n := range []int{0, 1, 63, 64, 65, 128, 192, 256, len(whole)} {
		_, seq, bad, err := load(&partsFrom{parts: whole[:n]})
		assert.NoError(t, errors.Join(bad, err), "%d parts", n)
		assert.EqualValues(t, n, seq)
		_, seq, bad, err = load(&partsFrom{parts: whole[:n], err: errDisk})
		assert.ErrorIs(t, err, errDisk, "%d parts", n)
		assert.NoError(t, bad)
		assert.Zero(t, seq)
	}
	for _, n := range []int{0, 2, 63, 64, 300, len(whole) - 1} { // of no use from part n on
		damaged := append([]store.Part(nil), whole...)
		damaged[n].Data = []byte("?")
		_, seq, bad, err := load(&partsFrom{parts: damaged})
		assert.NoError(t, err)
		assert.EqualValues(t, len(whole), seq)
		assert.ErrorContains(t, bad, fmt.Sprintf("%q", whole[n].Key))
	}
}
