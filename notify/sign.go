package notify

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Headers of the Standard Webhooks specification 1.0.
const (
	headerID        = "Webhook-Id"
	headerTimestamp = "Webhook-Timestamp"
	headerSignature = "Webhook-Signature"
)

// signer signs webhook bodies as Standard Webhooks 1.0 says: HMAC-SHA256 over
// id.timestamp.body with the decoded secret, in base64, marked v1. While a
// secret is being changed there are several keys and as many signatures.
type signer struct{ keys [][]byte }

// newSigner reads one or more secrets, separated by spaces, each base64 of 24
// to 64 bytes (the specification's limits), usually after "whsec_".
// Without any it is nil.
func newSigner(s Secret) (*signer, error) {
	if s.IsZero() {
		return nil, nil
	}
	var sg signer
	for _, one := range strings.Fields(s.Reveal()) {
		key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(one, "whsec_"))
		if err != nil {
			// The decoder's own error quotes no text, but a position in a
			// secret helps no one either.
			return nil, errors.New(`the signing secret is not base64; it should look like "whsec_" and 32 random bytes in base64, as from: head -c 32 /dev/urandom | base64`)
		}
		if len(key) < 24 || len(key) > 64 {
			return nil, fmt.Errorf("the signing secret holds %d bytes; it must be 24 to 64, as from: head -c 32 /dev/urandom | base64", len(key))
		}
		sg.keys = append(sg.keys, key)
	}
	if len(sg.keys) == 0 {
		return nil, errors.New(`the signing secret is blank; write "whsec_" and 32 random bytes in base64, as from: head -c 32 /dev/urandom | base64, or leave it out`)
	}
	return &sg, nil
}

// CheckSecret tells what is wrong with the secret that signs a webhook; nil:
// nothing.
func CheckSecret(s Secret) error {
	_, err := newSigner(s)
	return err
}

// sign returns the timestamp and signature headers.
func (s *signer) sign(id string, at time.Time, body []byte) (timestamp, signature string) {
	timestamp = strconv.FormatInt(at.Unix(), 10)
	sigs := make([]string, len(s.keys))
	for i, key := range s.keys {
		mac := hmac.New(sha256.New, key)
		mac.Write([]byte(id + "." + timestamp + "."))
		mac.Write(body)
		sigs[i] = "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
	}
	return timestamp, strings.Join(sigs, " ")
}
