package broker

import (
	"fmt"
	"strconv"
	"strings"
)

// checkPointer tells what is wrong with a JSON Pointer (RFC 6901 section 3).
func checkPointer(p string) error {
	if p != "" && p[0] != '/' {
		return fmt.Errorf("%s is no JSON Pointer (RFC 6901): write one such as %s, or senml:NAME", clip(p), clip("/"+strings.ReplaceAll(strings.TrimLeft(p, "$."), ".", "/")))
	}
	for i := 0; i < len(p); i++ {
		if p[i] == '~' && (i+1 == len(p) || p[i+1] != '0' && p[i+1] != '1') {
			return fmt.Errorf("%s is no JSON Pointer (RFC 6901): write ~0 for ~, and ~1 for a / within a name", clip(p))
		}
	}
	return nil
}

// resolve finds what a JSON Pointer points at in a decoded JSON document
// (RFC 6901 section 4); where tells how far it came if there is no such thing.
func resolve(doc any, p string) (v any, where string, ok bool) {
	v = doc
	rest := p
	for rest != "" {
		token := rest[1:]
		if i := strings.IndexByte(token, '/'); i >= 0 {
			token = token[:i]
		}
		done := p[:len(p)-len(rest)]
		rest = rest[1+len(token):]
		if strings.IndexByte(token, '~') >= 0 {
			// ~1 first: ~01 stands for ~1, not for /.
			token = strings.ReplaceAll(strings.ReplaceAll(token, "~1", "/"), "~0", "~")
		}
		switch in := v.(type) {
		case map[string]any:
			if v, ok = in[token]; !ok {
				return nil, done, false
			}
		case []any:
			// An index has no sign and no leading zero; "-" is the element
			// after the last, which does not exist.
			i, err := strconv.ParseUint(token, 10, 31)
			if err != nil || int(i) >= len(in) || len(token) > 1 && token[0] == '0' || token[0] == '+' {
				return nil, done, false
			}
			v = in[i]
		default:
			return nil, done, false
		}
	}
	return v, "", true
}
