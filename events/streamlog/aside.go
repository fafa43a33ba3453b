package streamlog

import (
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

const (
	asideName    = "aside"
	asideNewest  = "newest-"
	asideDamaged = "damaged-"
)

// setAside copies the newest block before the server may touch it. Only the
// newest copy is kept, and those that were kept for damage.
func (l *Log) setAside() error {
	path, index, ok := l.blocks.newest()
	if !ok {
		return nil
	}
	dir := filepath.Join(l.opt.Dir, asideName)
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return unavailable("copy the newest block aside", err)
	}
	name := fmt.Sprintf("%s%d%s", asideNewest, index, blockSuffix)
	if err := copyFile(filepath.Join(dir, name), path); err != nil {
		return unavailable("copy the newest block aside", err)
	}
	old, err := os.ReadDir(dir)
	if err != nil {
		return unavailable("copy the newest block aside", err)
	}
	for _, o := range old {
		if strings.HasPrefix(o.Name(), asideNewest) && o.Name() != name {
			_ = os.Remove(filepath.Join(dir, o.Name()))
		}
	}
	return nil
}

// copyFile copies a file, sharing its blocks where the file system can, and
// puts it in place whole.
func copyFile(to, from string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.Create(to + ".new")
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in) // copy_file_range on Linux
	if e := out.Close(); err == nil {
		err = e
	}
	if err != nil {
		return err
	}
	return os.Rename(to+".new", to)
}

// keepAside keeps the newest block as it was before the server could touch it,
// under a name made from its content, so that opening again keeps no second
// copy. served is true if the server has opened the store since it was copied.
// The result is "" without a block or when read-only.
func (l *Log) keepAside(served bool) (string, error) {
	path, index, ok := l.blocks.newest()
	if l.opt.ReadOnly || !ok {
		return "", nil
	}
	dir := filepath.Join(l.opt.Dir, asideName)
	if copies, err := filepath.Glob(filepath.Join(dir, asideNewest+"*"+blockSuffix)); err != nil {
		return "", err
	} else if served && len(copies) == 1 {
		path = copies[0]
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return "", unavailable("keep the newest block", err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return "", unavailable("keep the newest block", err)
	}
	sum := sha256.Sum256(b)
	kept := filepath.Join(dir, fmt.Sprintf("%s%d-%x%s", asideDamaged, index, sum[:6], blockSuffix))
	if _, err := os.Stat(kept); err == nil {
		return kept, nil
	}
	if err := copyFile(kept, path); err != nil {
		return "", unavailable("keep the newest block", err)
	}
	if err := syncFile(kept); err != nil {
		return "", unavailable("keep the newest block", err)
	}
	return kept, nil
}
