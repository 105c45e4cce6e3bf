package main

import (
	"testing"
	"time"
)

// cpuTime is not known here: the ratio of the rates is.
func cpuTime() time.Duration { return 0 }

// openFiles is how many files a process may have open: here nobody counts.
func openFiles(*testing.B) int { return 1 << 20 }
