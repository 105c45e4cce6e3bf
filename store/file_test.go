package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A power cut leaves the old file or the new one: what is new is on disk before
// it takes the old one's place, and its place before WriteFile returns.
func TestWriteFileOutlivesPowerCut(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "levels.json")
	text := func(p string) string {
		b, err := os.ReadFile(p)
		require.NoError(t, err)
		return string(b)
	}
	require.NoError(t, WriteFile(path, strings.NewReader("old"), true))
	var synced []string
	fail := error(nil)
	fsync = func(f *os.File) error {
		what := "folder"
		if f.Name() != dir {
			what = text(f.Name())
		}
		synced = append(synced, fmt.Sprintf("%s while there is %s", what, text(path)))
		return errors.Join(fail, f.Sync())
	}
	defer func() { fsync = (*os.File).Sync }()
	require.NoError(t, WriteFile(path, strings.NewReader("new"), true))
	want := []string{"new while there is old", "folder while there is new"}
	if runtime.GOOS == "windows" {
		want = want[:1]
	}
	require.Equal(t, want, synced)

	synced = nil
	require.NoError(t, WriteFile(path, strings.NewReader("new"), false))
	require.Empty(t, synced)

	// One that cannot be written changes nothing and leaves nothing.
	fail = errors.New("no space left on device")
	require.ErrorIs(t, WriteFile(path, strings.NewReader("newer"), true), fail)
	require.Equal(t, "new", text(path))
	list, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, list, 1)
}
