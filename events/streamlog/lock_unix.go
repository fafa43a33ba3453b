//go:build unix

package streamlog

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// canLock returns nil: the folder of a log can be held here.
func canLock(string) error { return nil }

// tryLock locks a file without waiting, for one or for any number; held is true if
// another process has it so that this cannot be.
func tryLock(f *os.File, shared bool) (held bool, err error) {
	how := unix.LOCK_EX
	if shared {
		how = unix.LOCK_SH
	}
	for {
		err = unix.Flock(int(f.Fd()), how|unix.LOCK_NB)
		switch {
		case errors.Is(err, unix.EINTR):
		case errors.Is(err, unix.EWOULDBLOCK):
			return true, nil
		default:
			return false, err
		}
	}
}
