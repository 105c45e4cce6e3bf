//go:build unix

package main

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Who removes the database of a running lampward is told before the next start
// knows nothing.
func TestDatabaseRemoved(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		h := newHarness(t, harnessConfig)
		ctx, stop := context.WithCancel(t.Context())
		looped := make(chan error, 1)
		go func() { looped <- h.d.loop(ctx) }()
		shown := func() string {
			s, err := (&pageSource{d: h.d}).Status(ctx)
			require.NoError(t, err)
			return s.Broken
		}
		assert.NoError(t, h.d.healthy())
		assert.Empty(t, shown())
		file, aside := filepath.Join(h.dir, "lampward.db"), filepath.Join(dir, "aside.db")
		require.NoError(t, os.Rename(file, aside))
		assert.ErrorContains(t, h.d.healthy(), "was removed while lampward runs")
		assert.Contains(t, shown(), file)
		require.NoError(t, os.Rename(aside, file))
		assert.NoError(t, h.d.healthy())
		assert.Empty(t, shown())
		stop()
		assert.NoError(t, <-looped)
	})
}
