//go:build unix

package store

import (
	"os"
	"os/exec"
	"syscall"
)

// openAsNobody runs this test program as a user of no rights, on dir.
func openAsNobody(program, dir string) (said string, err error) {
	cmd := exec.Command(program, "-test.run=^$")
	cmd.Dir = "/"
	cmd.Env = append(os.Environ(), crashEnv+"="+dir)
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	out, err := cmd.CombinedOutput()
	return string(out), err
}
