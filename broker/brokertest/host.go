// Package brokertest is for tests that run a broker, or connect to one. Call
// [FreeAddress].
package brokertest

import (
	"fmt"
	"net"
	"os"
	"runtime"
	"testing"
)

// Host is a loopback address that only this process's tests use: on 127.0.0.1
// a port that is free now may be another process's a moment later, or that of a
// client's end of a connection. On Linux all of 127.0.0.0/8 is this machine.
var Host = func() string {
	if runtime.GOOS != "linux" {
		return "127.0.0.1"
	}
	pid := os.Getpid()
	return fmt.Sprintf("127.77.%d.%d", pid>>8&255, pid&255)
}()

// FreeAddress returns an address of [Host], with a port, that nothing listens on, also
// when a test comes back to it.
func FreeAddress(t testing.TB) string {
	t.Helper()
	ln, err := net.Listen("tcp", net.JoinHostPort(Host, "0"))
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}
