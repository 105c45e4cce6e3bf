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

// The examples of MQTT 3.1.1, section 4.7.1.
func TestCovers(t *testing.T) {
	for filter, topics := range map[string]string{
		"sport/tennis/player1/#": "sport/tennis/player1 sport/tennis/player1/ranking sport/tennis/player1/score/wimbledon",
		"sport/#":                "sport",
		"sport/tennis/+":         "sport/tennis/player1 sport/tennis/player2",
		"sport/+":                "sport/",
		"+/+":                    "/finance",
		"/+":                     "/finance",
	} {
		for _, topic := range strings.Fields(topics) {
			assert.True(t, covers(filter, topic), "%s %s", filter, topic)
		}
	}
	for _, x := range [][2]string{{"sport/tennis/+", "sport/tennis/player1/ranking"}, {"sport/+", "sport"}, {"+", "/finance"}, {"sport", "sport/"}} {
		assert.False(t, covers(x[0], x[1]), "%s", x)
	}
}
