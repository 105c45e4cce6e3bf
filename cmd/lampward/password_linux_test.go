package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	sys "golang.org/x/sys/unix"

	"lampward/broker"
)

// pseudoTerminal opens both ends of a terminal; see pty(7).
func pseudoTerminal(t *testing.T) (keys, tty *os.File) {
	keys, err := os.OpenFile("/dev/ptmx", os.O_RDWR|sys.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { keys.Close() })
	require.NoError(t, sys.IoctlSetPointerInt(int(keys.Fd()), sys.TIOCSPTLCK, 0))
	n, err := sys.IoctlGetInt(int(keys.Fd()), sys.TIOCGPTN)
	require.NoError(t, err)
	tty, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|sys.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { tty.Close() })
	return keys, tty
}

// At a terminal the password is asked for twice and not shown, whatever ends it;
// afterwards what is typed shows again.
func TestPasswordAtATerminal(t *testing.T) {
	for name, c := range map[string]struct {
		typed  [2]string // after each question
		stop   bool      // instead of the second answer
		code   int
		errors string
	}{
		"the same twice":      {typed: [2]string{"s3cret w\u00f6rd\r", "s3cret w\u00f6rd\r"}, code: exitOK},
		"with a slip mended":  {typed: [2]string{"s3cret w\u00f6rx\u007fd\r", "s3cret w\u00f6rd\r"}, code: exitOK},
		"not the same":        {typed: [2]string{"s3cret w\u00f6rd\r", "s3cret word\r"}, code: exitFailed, errors: "the two are not the same"},
		"nothing":             {typed: [2]string{"\r", ""}, code: exitFailed, errors: "no password"},
		"Ctrl-C":              {typed: [2]string{"s3c\u0003", ""}, code: exitFailed, errors: "stopped"},
		"a signal from aside": {typed: [2]string{"s3cret w\u00f6rd\r", ""}, stop: true, code: exitFailed, errors: "stopped"},
	} {
		t.Run(name, func(t *testing.T) {
			keys, tty := pseudoTerminal(t)
			before, err := sys.IoctlGetTermios(int(tty.Fd()), sys.TCGETS)
			require.NoError(t, err)
			require.NotZero(t, before.Lflag&sys.ECHO, "what is typed does show before")
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			var out strings.Builder
			ended := make(chan int, 1)
			go func() { ended <- passwordCommand.execute(ctx, console{tty, &out, tty}, nil) }()
			seen := readUntil(t, keys, "press Enter: ")
			_, err = io.WriteString(keys, c.typed[0])
			require.NoError(t, err)
			if c.typed[1] != "" || c.stop {
				seen += readUntil(t, keys, "Once more: ")
				if c.stop {
					stop()
				}
				_, err = io.WriteString(keys, c.typed[1])
				require.NoError(t, err)
			}
			assert.Equal(t, c.code, <-ended)
			after, err := sys.IoctlGetTermios(int(tty.Fd()), sys.TCGETS)
			require.NoError(t, err)
			assert.Equal(t, before, after)
			_, err = io.WriteString(tty, "\nend")
			require.NoError(t, err)
			seen += readUntil(t, keys, "end")
			assert.NotContains(t, seen, "s3c")
			assert.Contains(t, seen, c.errors)
			if c.code == exitOK {
				assert.True(t, broker.VerifyPassword(strings.TrimSpace(out.String()), "s3cret w\u00f6rd"), out.String())
			} else {
				assert.Empty(t, out.String())
			}
		})
	}
}

// readUntil returns what a terminal shows up to a text.
func readUntil(t *testing.T, keys io.Reader, text string) string {
	var seen []byte
	for b := make([]byte, 1); !bytes.HasSuffix(seen, []byte(text)); seen = append(seen, b[0]) {
		_, err := keys.Read(b)
		require.NoError(t, err, "%s", seen)
	}
	return string(seen)
}
