// Package span writes lengths of time, and numbers of things, for people. Call [Text]
// and [Count].
package span

import (
	"fmt"
	"time"
)

// Text writes a duration as people say it: "45 s", "12 min", "3 h 20 min",
// "2 d 4 h".
func Text(d time.Duration) string {
	switch {
	case d < 0:
		return "0 s"
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d < 48*time.Hour:
		if m := d % time.Hour / time.Minute; m > 0 {
			return fmt.Sprintf("%d h %d min", d/time.Hour, m)
		}
		return fmt.Sprintf("%d h", d/time.Hour)
	}
	day := 24 * time.Hour
	if h := d % day / time.Hour; h > 0 {
		return fmt.Sprintf("%d d %d h", d/day, h)
	}
	return fmt.Sprintf("%d d", d/day)
}

// Count writes a number of things: "1 reading", "3 readings". The name of one of
// them becomes that of many by an s.
func Count[N int | int64 | uint32](n N, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
