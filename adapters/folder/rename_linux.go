package folder

import (
	"errors"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// renameFree renames a file unless the new name is taken (fs.ErrExist). Both
// folders are held open, so that neither can be swapped for one outside.
func renameFree(from, to place) error {
	fromDir, err := from.root.Open(from.dir)
	if err != nil {
		return err
	}
	defer fromDir.Close()
	toDir, err := to.root.Open(to.dir)
	if err != nil {
		return err
	}
	defer toDir.Close()
	err = unix.Renameat2(int(fromDir.Fd()), from.base, int(toDir.Fd()), to.base, unix.RENAME_NOREPLACE)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, syscall.EINVAL), errors.Is(err, syscall.ENOSYS), errors.Is(err, syscall.ENOTSUP):
		return renameReserved(from, to) // a file system that knows no such flag
	}
	return &os.LinkError{Op: "rename", Old: fullPath(from), New: fullPath(to), Err: err}
}
