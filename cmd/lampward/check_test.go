package main

import (
	"context"
	"io"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"

	"lampward/broker"
)

// Who types the password at a terminal ends the line, not the input.
func TestPasswordTakesALine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // a command that waits for more fails it at once
		in, keys := io.Pipe()
		go func() { _, _ = keys.Write([]byte("a b\r\n")) }()
		var out, errOut strings.Builder
		assert.Equal(t, exitOK, passwordCommand.execute(context.Background(), console{in, &out, &errOut}, nil))
		assert.True(t, broker.VerifyPassword(strings.TrimSpace(out.String()), "a b"), "%s%s", out.String(), errOut.String())
	})
}
