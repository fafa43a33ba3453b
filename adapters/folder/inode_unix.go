//go:build unix

package folder

import (
	"io/fs"
	"syscall"
)

// readFlags keep an open from waiting at a pipe that took the place of a file.
const readFlags = syscall.O_NONBLOCK

func inode(fi fs.FileInfo) uint64 {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return st.Ino
	}
	return 0
}
