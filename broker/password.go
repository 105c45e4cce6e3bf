package broker

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Cost of a new hash: argon2id, 19 MiB, 2 passes, 1 lane, the first choice of
// the OWASP Password Storage Cheat Sheet (from memory). It suits a Raspberry
// Pi too.
const (
	hashMemory  = 19 * 1024 // KiB
	hashPasses  = 2
	hashLanes   = 1
	hashSaltLen = 16
	hashKeyLen  = 32
)

// argonHash is a parsed hash in the string format of the argon2 reference
// library: $argon2id$v=19$m=19456,t=2,p=1$SALT$KEY, base64 without padding.
type argonHash struct {
	memory, passes uint32
	lanes          uint8
	salt, key      []byte
}

// HashPassword returns a hash of pw fit for Account.PasswordHash: argon2id with
// a random salt, as text that names its own parameters.
func HashPassword(pw string) (string, error) {
	if pw == "" {
		return "", errors.New("the password is empty: give one of at least 12 characters")
	}
	h := argonHash{memory: hashMemory, passes: hashPasses, lanes: hashLanes, salt: make([]byte, hashSaltLen)}
	if _, err := rand.Read(h.salt); err != nil {
		return "", fmt.Errorf("hash password: no random bytes: %w", err)
	}
	h.key = h.derive(pw, hashKeyLen)
	return h.String(), nil
}

// VerifyPassword tells whether hash is a hash of pw. It compares in constant
// time; a hash that cannot be read matches no password.
func VerifyPassword(hash, pw string) bool {
	h, err := parseHash(hash)
	return err == nil && h.matches(pw)
}

func (h *argonHash) derive(pw string, n int) []byte {
	return argon2.IDKey([]byte(pw), h.salt, h.passes, h.memory, h.lanes, uint32(n))
}

func (h *argonHash) matches(pw string) bool {
	return subtle.ConstantTimeCompare(h.derive(pw, len(h.key)), h.key) == 1
}

func (h *argonHash) String() string {
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.memory, h.passes, h.lanes,
		b64.EncodeToString(h.salt), b64.EncodeToString(h.key))
}

// CheckHash tells what is wrong with a hash of a password; nil: nothing. The
// error repeats nothing of what may be the password itself.
func CheckHash(hash string) error {
	_, err := parseHash(hash)
	return err
}

// parseHash reads a hash and refuses parameters so large that one login could
// exhaust the machine.
func parseHash(s string) (*argonHash, error) {
	parts := strings.Split(s, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" {
		return nil, errors.New("is no hash of lampward's, which begins with $argon2id$, or not the whole of it: make one with `lampward password`")
	}
	var version int
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return nil, fmt.Errorf("has version %q: only v=%d is known", parts[2], argon2.Version)
	}
	var h argonHash
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &h.memory, &h.passes, &h.lanes); err != nil {
		return nil, fmt.Errorf("has parameters %q: want m=KIB,t=PASSES,p=LANES", parts[3])
	}
	if h.memory < 8 || h.memory > 256*1024 || h.passes < 1 || h.passes > 16 || h.lanes < 1 || h.lanes > 16 {
		return nil, fmt.Errorf("has parameters %q: want m from 8 to 262144, t and p from 1 to 16", parts[3])
	}
	var err error
	if h.salt, err = base64.RawStdEncoding.DecodeString(parts[4]); err != nil || len(h.salt) < 8 {
		return nil, errors.New("has a damaged salt: make the hash anew with `lampward password`")
	}
	// Other tools make keys of 16, 32 or 64 bytes; one that was cut off has hardly
	// ever such a length.
	if h.key, err = base64.RawStdEncoding.DecodeString(parts[5]); err != nil || len(h.key) == 0 || len(h.key)%16 != 0 || len(h.key) > 128 {
		return nil, errors.New("was cut off, or has too much at its end: copy all of it, or make it anew with `lampward password`")
	}
	return &h, nil
}
