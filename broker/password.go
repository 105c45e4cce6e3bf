package broker

import "errors"

// HashPassword returns a hash of pw fit for Account.PasswordHash.
func HashPassword(pw string) (string, error) {
	return "", errors.New("broker: HashPassword is being written")
}

// VerifyPassword tells whether hash is a hash of pw.
func VerifyPassword(hash, pw string) bool { return false }
