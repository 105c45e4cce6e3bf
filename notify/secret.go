package notify

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
)

// Secret is a text that is never printed: every way of formatting, logging or
// encoding it shows "[secret]". Reveal returns it.
type Secret struct{ text string }

const hidden = "[secret]"

// NewSecret wraps text.
func NewSecret(text string) Secret { return Secret{text} }

// Reveal returns the text itself.
func (s Secret) Reveal() string { return s.text }

// IsZero tells whether there is none.
func (s Secret) IsZero() bool { return s.text == "" }

func (s Secret) String() string {
	if s.text == "" {
		return ""
	}
	return hidden
}

// Format hides the text from every verb, %#v and %x included.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, s.String()) }

// LogValue hides the text from slog.
func (s Secret) LogValue() slog.Value { return slog.StringValue(s.String()) }

// MarshalText hides the text from JSON, TOML and others.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// maxSecret bounds a secret file, in bytes.
const maxSecret = 64 << 10

// LoadSecret takes a secret from one of three places: the value itself, the
// first line of a file, or an environment variable. At most one may be named;
// with none it returns the zero Secret. Errors name the place, never the text.
func LoadSecret(value, file, env string) (Secret, error) {
	named := 0
	for _, s := range []string{value, file, env} {
		if s != "" {
			named++
		}
	}
	switch {
	case named > 1:
		return Secret{}, errors.New("a secret is given in more than one place; keep one of value, file and environment variable")
	case value != "":
		return Secret{value}, nil
	case file != "":
		f, err := os.Open(file)
		if err != nil {
			return Secret{}, fmt.Errorf("cannot read the secret: %w; make the file readable to the account that runs lampward", err)
		}
		defer f.Close()
		b, err := io.ReadAll(io.LimitReader(f, maxSecret))
		if err != nil {
			return Secret{}, fmt.Errorf("cannot read the secret: %w", err)
		}
		line, _, _ := strings.Cut(string(b), "\n")
		line = strings.TrimSpace(line)
		if line == "" {
			return Secret{}, fmt.Errorf("the secret file %s has an empty first line; put the secret there", file)
		}
		return Secret{line}, nil
	case env != "":
		v, ok := os.LookupEnv(env)
		if v = strings.TrimSpace(v); !ok || v == "" {
			return Secret{}, fmt.Errorf("the environment variable %s, which should hold a secret, is not set or empty", env)
		}
		return Secret{v}, nil
	}
	return Secret{}, nil
}
