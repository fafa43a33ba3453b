package folder

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path"
	"syscall"
)

// A place is a name in a folder below a root.
type place struct {
	root *os.Root
	dir  string
	base string
}

func (p place) path() string { return path.Join(p.dir, p.base) }

// renameFirstFree renames a file, with a number in its name if the name is taken.
func renameFirstFree(from, to place) error {
	base := to.base
	for n := 1; ; n++ {
		to.base = numbered(base, n)
		if err := renameFree(from, to); !errors.Is(err, fs.ErrExist) || n > 1<<20 {
			return err
		}
	}
}

// moveTo moves a file to another folder, never over another file: by its name if
// it can, else by a copy that is fsynced before the file is removed.
func moveTo(ctx context.Context, from, to place) error {
	if err := to.root.MkdirAll(to.dir, 0o755); err != nil {
		return err
	}
	err := renameFirstFree(from, to)
	if !errors.Is(err, syscall.EXDEV) {
		return err
	}
	temp, err := copyAside(ctx, from, to)
	if err != nil {
		return err
	}
	if err := renameFirstFree(temp, to); err != nil {
		return errors.Join(err, to.root.Remove(temp.path()))
	}
	if err := syncFolder(to.root, to.dir); err != nil {
		return err
	}
	return from.root.Remove(from.path())
}

// copyAside copies a file under a passing name into the folder it is to go to.
func copyAside(ctx context.Context, from, to place) (place, error) {
	temp := place{to.root, to.dir, passingName(to.base)}
	src, err := from.root.OpenFile(from.path(), os.O_RDONLY|readFlags, 0)
	if err != nil {
		return temp, err
	}
	defer src.Close()
	fi, err := src.Stat()
	if err != nil {
		return temp, err
	}
	dst, err := temp.root.OpenFile(temp.path(), os.O_WRONLY|os.O_CREATE|os.O_TRUNC, fi.Mode().Perm())
	if err != nil {
		return temp, err
	}
	_, err = io.Copy(dst, stopped{ctx, src})
	if err = errors.Join(err, dst.Sync(), dst.Close()); err == nil {
		err = temp.root.Chtimes(temp.path(), fi.ModTime(), fi.ModTime())
	}
	if err != nil {
		return temp, errors.Join(err, temp.root.Remove(temp.path()))
	}
	return temp, nil
}

// A stopped reader ends when its context does.
type stopped struct {
	ctx context.Context
	r   io.Reader
}

func (s stopped) Read(p []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.r.Read(p)
}

func syncFolder(root *os.Root, dir string) error {
	d, err := root.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// renameReserved renames where the system cannot refuse to rename over another
// file: an empty file made for the purpose holds the name. A crash in between
// leaves that empty file.
func renameReserved(from, to place) error {
	f, err := to.root.OpenFile(to.path(), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Rename(fullPath(from), fullPath(to)); err != nil {
		return errors.Join(err, to.root.Remove(to.path()))
	}
	return nil
}

func fullPath(p place) string { return path.Join(p.root.Name(), p.path()) }
