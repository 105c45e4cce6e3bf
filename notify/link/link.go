// Package link makes and checks the addresses inside an alert with which a
// person acknowledges or shelves it: a token that is signed, names one action
// on one lamp or device, and expires. Make one with Make, check it with Verify.
//
// A token is a right to do that one thing; whoever has the message has it.
// Mail filters and chat programs open links on their own to look at them, so
// the page behind one must ask for a confirmation (a POST) before it acts.
package link

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Actions of a token.
const (
	Ack    = "ack"
	Shelve = "shelve"
)

// MinKey is the least length of a key, in bytes.
const MinKey = 32

// Claims is what a token says.
type Claims struct {
	Action  string        // Ack or Shelve
	About   string        // rules.Event.Key: "lamp/NAME" or "device/NAME"
	Event   string        // id of the event that the link was sent with
	For     time.Duration // Shelve: how long, whole seconds; else 0
	Expires time.Time     // whole seconds, by the clock that Verify is given
}

// Errors of Verify. ErrExpired says that the token was genuine once.
var (
	ErrInvalid = errors.New("this link is not genuine or was cut short; open the newest message, or use the page")
	ErrExpired = errors.New("this link has expired; use the page")
)

// payload is the wire form, short names for a short link.
type payload struct {
	Action  string `json:"a"`
	About   string `json:"k"`
	Event   string `json:"e,omitempty"`
	For     int64  `json:"f,omitempty"`
	Expires int64  `json:"x"`
}

var encoding = base64.RawURLEncoding.Strict()

// domain keeps these signatures apart from any other use of the same key.
const domain = "lampward link 1\x00"

func tag(key []byte, body string) []byte {
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(domain + body))
	return mac.Sum(nil)
}

// Make returns the token, safe in a URL as it is. The key must hold MinKey
// random bytes at least.
func Make(key []byte, c Claims) (string, error) {
	switch {
	case len(key) < MinKey:
		return "", fmt.Errorf("link: the key holds %d bytes; it needs %d random ones at least", len(key), MinKey)
	case c.Action != Ack && c.Action != Shelve:
		return "", fmt.Errorf("link: action %q is neither %q nor %q", c.Action, Ack, Shelve)
	case c.About == "":
		return "", errors.New("link: no lamp or device is named")
	case c.Action == Shelve && c.For < time.Second:
		return "", errors.New("link: a shelve link needs a time of a second at least")
	case c.Action == Ack && c.For != 0:
		return "", errors.New("link: an acknowledge link has no time")
	}
	b, err := json.Marshal(payload{c.Action, c.About, c.Event, int64(c.For / time.Second), c.Expires.Unix()})
	if err != nil {
		return "", fmt.Errorf("link: %w", err)
	}
	body := encoding.EncodeToString(b)
	return body + "." + encoding.EncodeToString(tag(key, body)), nil
}

// maxToken bounds what Verify looks at, in bytes.
const maxToken = 4 << 10

// Verify checks a token at the time now and returns its claims.
func Verify(key []byte, token string, now time.Time) (Claims, error) {
	if len(key) < MinKey || len(token) > maxToken {
		return Claims{}, ErrInvalid
	}
	body, sig, ok := strings.Cut(token, ".")
	if !ok {
		return Claims{}, ErrInvalid
	}
	// Compared as text: decoding would pass over line breaks, and so one token
	// would have several spellings.
	if !hmac.Equal([]byte(sig), []byte(encoding.EncodeToString(tag(key, body)))) {
		return Claims{}, ErrInvalid
	}
	// Genuine from here on: it is ours, so it parses.
	b, err := encoding.DecodeString(body)
	if err != nil {
		return Claims{}, ErrInvalid
	}
	var p payload
	if err := json.Unmarshal(b, &p); err != nil {
		return Claims{}, ErrInvalid
	}
	if now.Unix() >= p.Expires {
		return Claims{}, ErrExpired
	}
	return Claims{
		Action: p.Action, About: p.About, Event: p.Event,
		For: time.Duration(p.For) * time.Second, Expires: time.Unix(p.Expires, 0).UTC(),
	}, nil
}
