package outside

import (
	"errors"
	"os"
	"syscall"
	"testing"
)

// NeedMounts skips a test where file systems cannot be mounted: where nobody is
// root, or root may not (a container without the right). It says so; as root
// with the right the test must run, in CI and elsewhere.
func NeedMounts(t testing.TB) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("not run: it mounts a file system, and needs root for that")
	}
	dir := t.TempDir()
	switch err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=64k"); {
	case errors.Is(err, syscall.EPERM):
		t.Skip("not run: it mounts a file system, and root may not do that here")
	case err != nil:
		t.Fatalf("mount: %v", err)
	}
	if err := syscall.Unmount(dir, 0); err != nil {
		t.Fatalf("unmount: %v", err)
	}
}
