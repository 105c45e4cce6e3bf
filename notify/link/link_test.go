package link

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var (
	key     = []byte("0123456789abcdef0123456789abcdef")
	now     = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	expires = now.Add(24 * time.Hour)
)

func TestRoundTrip(t *testing.T) {
	for _, c := range []Claims{
		{Action: Ack, About: "lamp/tank", Event: "ev-1", Expires: expires},
		{Action: Shelve, About: "device/ä \"b\" & <c>\n", Event: "ev-2", For: 4 * time.Hour, Expires: expires},
	} {
		token, err := Make(key, c)
		require.NoError(t, err)
		assert.NotContains(t, token, "+")
		assert.NotContains(t, token, "/")
		assert.NotContains(t, token, "=")
		got, err := Verify(key, token, now)
		require.NoError(t, err)
		assert.Equal(t, c, got)
		_, err = Verify(key, token, expires.Add(-time.Second))
		require.NoError(t, err)
		_, err = Verify(key, token, expires)
		require.ErrorIs(t, err, ErrExpired)
	}
}

// Any change of any character, a foreign key or a piece of a token is refused.
func TestForgeries(t *testing.T) {
	token, err := Make(key, Claims{Action: Ack, About: "lamp/tank", Event: "ev-1", Expires: expires})
	require.NoError(t, err)
	other, err := Make(key, Claims{Action: Ack, About: "lamp/salt", Event: "ev-1", Expires: expires})
	require.NoError(t, err)
	for i := range len(token) {
		for _, c := range "Aa0_-.\r\n" {
			for _, forged := range []string{token[:i] + string(c) + token[i+1:], token[:i] + string(c) + token[i:]} {
				if forged == token {
					continue
				}
				_, err := Verify(key, forged, now)
				require.ErrorIs(t, err, ErrInvalid, "character %d", i)
			}
		}
		_, err := Verify(key, token[:i], now)
		require.ErrorIs(t, err, ErrInvalid)
	}
	body, _, _ := strings.Cut(token, ".")
	_, sig, _ := strings.Cut(other, ".")
	for _, bad := range []string{body + "." + sig, token + "A", token + ".", "." + sig, "", ".", strings.Repeat("A", 1<<20) + "." + sig} {
		_, err := Verify(key, bad, now)
		require.ErrorIs(t, err, ErrInvalid)
	}
	_, err = Verify([]byte("another key, another key, another"), token, now)
	require.ErrorIs(t, err, ErrInvalid)
	_, err = Verify(nil, token, now)
	require.ErrorIs(t, err, ErrInvalid)
}

func TestMakeRefuses(t *testing.T) {
	for _, c := range []Claims{
		{Action: "delete", About: "lamp/tank"},
		{Action: Ack},
		{Action: Shelve, About: "lamp/tank"},
		{Action: Ack, About: "lamp/tank", For: time.Hour},
	} {
		_, err := Make(key, c)
		require.Error(t, err)
	}
	_, err := Make(key[:31], Claims{Action: Ack, About: "lamp/tank"})
	require.Error(t, err)
}

func FuzzVerify(f *testing.F) {
	token, err := Make(key, Claims{Action: Ack, About: "lamp/tank", Expires: expires})
	require.NoError(f, err)
	f.Add(token)
	f.Add("a.b")
	f.Add(token + "\n")
	f.Fuzz(func(t *testing.T, s string) {
		if _, err := Verify(key, s, now); err == nil && s != token {
			t.Fatalf("accepted %q", s)
		}
	})
}
