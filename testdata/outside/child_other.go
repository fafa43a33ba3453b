//go:build !linux

package outside

import "syscall"

// child is for Linux: elsewhere a process outlives a test that is killed, and runs as
// who the test runs as.
func child(*account) *syscall.SysProcAttr { return nil }
