package main

import (
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A key that a power cut emptied, say, keeps no daemon from watching.
func TestDamagedLinkKey(t *testing.T) {
	dir, quiet := t.TempDir(), slog.New(slog.DiscardHandler)
	first, err := linkKey(dir, quiet)
	require.NoError(t, err)
	again, err := linkKey(dir, quiet)
	require.NoError(t, err)
	require.Equal(t, first, again)
	for _, damaged := range []string{"", "\n", "00", "no hexadecimal digits"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, linkKeyFile), []byte(damaged), 0o600))
		fresh, err := linkKey(dir, quiet)
		require.NoError(t, err)
		require.NotEqual(t, first, fresh)
		again, err = linkKey(dir, quiet)
		require.NoError(t, err)
		require.Equal(t, fresh, again)
	}
}
