package store

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// The Store works under faked time, as simulations of the whole program need.
func TestUnderFakedTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		s, err := Open(ctx, Options{Dir: t.TempDir(), Log: quiet()})
		require.NoError(t, err)
		for range 100 {
			at := time.Now().UTC().Truncate(time.Millisecond)
			_, err := s.Append(ctx, []Record{alert(at, "tank", rules.Lit, "phone")}, true)
			require.NoError(t, err)
			time.Sleep(10 * time.Second)
		}
		due, _, err := s.Due(ctx, time.Now(), 1, nil)
		require.NoError(t, err)
		require.Len(t, due, 1)
		require.NoError(t, s.Prune(ctx, time.Now()))
		require.NoError(t, s.Close())
	})
}
