package broker

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// Limits on topics and filters. The broker library walks a topic once per
// level, so that a topic of 60,000 slashes would cost seconds of processor
// time; no board needs more than a few levels.
const (
	MaxTopicBytes  = 1024 // longest topic or filter, in bytes
	MaxTopicLevels = 32   // most levels ("/" + 1) of a topic or filter
)

// CheckTopic tells what is wrong with a topic name to publish to; nil: nothing
// (MQTT 5.0 section 4.7, and the limits above).
func CheckTopic(topic string) error {
	if err := checkText(topic); err != nil {
		return fmt.Errorf("%s %w", clip(topic), err)
	}
	if strings.ContainsAny(topic, "+#") {
		return fmt.Errorf("%s holds a wildcard, + or #: write out the one topic", clip(topic))
	}
	return nil
}

// CheckFilter tells what is wrong with a topic filter to subscribe with; nil:
// nothing (MQTT 5.0 section 4.7.1, and the limits above).
func CheckFilter(filter string) error {
	if err := checkText(filter); err != nil {
		return fmt.Errorf("%s %w", clip(filter), err)
	}
	for rest, more := filter, true; more; {
		var level string
		level, rest, more = strings.Cut(rest, "/")
		switch {
		case strings.Contains(level, "#") && (level != "#" || more):
			return fmt.Errorf("%s is no topic filter, for # must be the last level, alone: write e.g. cellar/#", clip(filter))
		case strings.Contains(level, "+") && level != "+":
			return fmt.Errorf("%s is no topic filter, for + must be a whole level: write e.g. cellar/+/light", clip(filter))
		}
	}
	return nil
}

func checkText(s string) error {
	switch {
	case s == "":
		return errors.New("is empty: write a topic such as cellar/tank/light")
	case len(s) > MaxTopicBytes:
		return fmt.Errorf("is %d bytes long: keep it to %d", len(s), MaxTopicBytes)
	case strings.Count(s, "/") >= MaxTopicLevels:
		return fmt.Errorf("has %d levels: keep it to %d", strings.Count(s, "/")+1, MaxTopicLevels)
	case strings.IndexByte(s, 0) >= 0 || !utf8.ValidString(s):
		return errors.New("holds a zero byte or is not UTF-8")
	}
	return nil
}

// Covers tells whether every topic that filter matches is also matched by
// allowed. A topic name is a filter that matches itself, so Covers also tells
// whether allowed matches a topic.
func Covers(allowed, filter string) bool {
	// Wildcards at the first level do not match topics that begin with $
	// (MQTT 5.0 section 4.7.2).
	if strings.HasPrefix(filter, "$") && !strings.HasPrefix(allowed, "$") {
		return false
	}
	for {
		a, arest, amore := strings.Cut(allowed, "/")
		if a == "#" {
			return true
		}
		f, frest, fmore := strings.Cut(filter, "/")
		if f == "#" || (a != "+" && a != f) {
			return false
		}
		switch {
		case amore && fmore:
			allowed, filter = arest, frest
		case amore: // "a/#" also matches "a" (MQTT 5.0 section 4.7.1.2)
			return arest == "#"
		default:
			return !fmore
		}
	}
}

// unshared takes the $share/GROUP/ from a shared subscription.
func unshared(filter string) string {
	if len(filter) < 7 || !strings.EqualFold(filter[:7], "$share/") {
		return filter
	}
	if _, rest, ok := strings.Cut(filter[7:], "/"); ok {
		return rest
	}
	return ""
}

// clip quotes s for a message to people, shortened.
func clip(s string) string {
	const most = 40
	if len(s) <= most {
		return fmt.Sprintf("%q", s)
	}
	return fmt.Sprintf("%q... (%d bytes)", s[:most], len(s))
}
