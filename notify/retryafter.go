package notify

import (
	"net/http"
	"strconv"
	"strings"
	"time"
)

// retryAfter reads a Retry-After header, in either of its forms: seconds, or
// an HTTP-date (RFC 9110 section 10.2.3). A date is taken relative to the
// answer's own Date header where there is one, because a small board without a
// battery-backed clock may be years off; else relative to wall. It returns 0
// if there is no usable header or the time has passed.
func retryAfter(h http.Header, wall time.Time) time.Duration {
	v := strings.TrimSpace(h.Get("Retry-After"))
	if v == "" {
		return 0
	}
	if digits(v) {
		n, err := strconv.ParseInt(v, 10, 64)
		if err != nil || n > int64(1<<62/time.Second) {
			return 1 << 62 // more than can be written: the caller's cap decides
		}
		return time.Duration(n) * time.Second
	}
	at, err := http.ParseTime(v)
	if err != nil {
		return 0
	}
	from := wall
	if d, err := http.ParseTime(h.Get("Date")); err == nil {
		from = d
	}
	return max(0, at.Sub(from))
}

func digits(s string) bool {
	for _, r := range s {
		if r < '0' || r > '9' {
			return false
		}
	}
	return s != ""
}
