//go:build unix

package main

import (
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// cpuTime is the processor time of this process, senders included.
func cpuTime() time.Duration {
	var u syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u)
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// openFiles is how many files a process may have open here.
func openFiles(b *testing.B) int {
	var l syscall.Rlimit
	require.NoError(b, syscall.Getrlimit(syscall.RLIMIT_NOFILE, &l))
	return int(min(l.Cur, 1<<20)) // the runtime has raised it to the most
}
