//go:build unix

package broker

import (
	"syscall"
	"time"
)

// cpuUsed is the processor time of this process.
func cpuUsed() time.Duration {
	var u syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u)
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
