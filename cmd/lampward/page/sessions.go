package page

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"slices"
	"strings"
	"time"
)

// keptSession is a session as it outlasts a restart. It holds no secret: the
// cookie cannot be told from its hash.
type keptSession struct {
	Cookie   string    `json:"cookie"` // SHA-256 of it, in hex
	Name     string    `json:"name"`
	Password string    `json:"password"` // fingerprint of the password's hash: another password ends the session
	Began    time.Time `json:"began"`
	Used     time.Time `json:"used"` // last request, a day late at most
}

// fingerprint tells one password hash from another, and nothing else of it.
func fingerprint(hash string) string {
	sum := sha256.Sum256([]byte("lampward session\x00" + hash))
	return hex.EncodeToString(sum[:16])
}

// restore takes up the sessions that were kept, of those who may still log in
// by the password they had. It ignores what it cannot read.
func (d *doorkeeper) restore(kept []byte) error {
	if len(kept) == 0 {
		return nil
	}
	var all []keptSession
	if err := json.Unmarshal(kept, &all); err != nil {
		return err
	}
	now := d.now()
	for _, k := range all[:min(len(all), sessionsMost)] {
		b, err := hex.DecodeString(k.Cookie)
		hash, exists := d.o.People[k.Name]
		if err != nil || len(b) != sha256.Size || !exists ||
			subtle.ConstantTimeCompare([]byte(fingerprint(hash)), []byte(k.Password)) != 1 {
			continue
		}
		s := &session{name: k.Name, began: k.Began, used: k.Used, kept: k.Used}
		if s.over(now) {
			continue
		}
		d.sessions[[sha256.Size]byte(b)] = s
	}
	return nil
}

// keep has the sessions kept for the next start: d.mu is held.
func (d *doorkeeper) keep() {
	if d.o.Keep == nil {
		return
	}
	all := make([]keptSession, 0, len(d.sessions))
	for key, s := range d.sessions {
		s.kept = s.used
		all = append(all, keptSession{
			Cookie: hex.EncodeToString(key[:]), Name: s.name, Password: fingerprint(d.o.People[s.name]),
			Began: s.began.UTC(), Used: s.used.UTC(),
		})
	}
	slices.SortFunc(all, func(a, b keptSession) int { return strings.Compare(a.Cookie, b.Cookie) })
	b, err := json.Marshal(all)
	if err == nil {
		err = d.o.Keep(b)
	}
	if err != nil {
		d.o.Log.Warn("logins to the page cannot be kept for the next start", "error", err)
	}
}
