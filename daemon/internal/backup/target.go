package backup

import (
	"archive/tar"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"
)

// A target takes the files of a backup. put returns the SHA-256 of what it kept,
// in hex; finish writes the manifest, after which the backup counts.
type target interface {
	put(ctx context.Context, name string, size int64, r io.Reader) (string, error)
	finish(manifest []byte) error
	close() // lets go, and removes what is half done
}

// passing is the end of the name of a file that is being written.
const passing = ".part"

// A folderTarget is a backup in a folder.
type folderTarget struct{ dir string }

func (t *folderTarget) put(ctx context.Context, name string, size int64, r io.Reader) (string, error) {
	full := filepath.Join(t.dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(full), 0o700); err != nil {
		return "", unavailable(full, "make the folder", err)
	}
	f, err := os.OpenFile(full+passing, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return "", unavailable(full, "write", err)
	}
	defer f.Close()
	sum, err := copySum(ctx, f, size, r)
	if err == nil {
		err = errors.Join(f.Sync(), f.Close(), os.Rename(full+passing, full), syncFolder(filepath.Dir(full)))
	}
	if err != nil {
		_ = os.Remove(full + passing)
		return "", unavailable(full, "write", err)
	}
	return sum, nil
}

// finish makes the names of all folders durable before that of the manifest.
func (t *folderTarget) finish(manifest []byte) error {
	err := filepath.WalkDir(t.dir, func(p string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() {
			err = syncFolder(p)
		}
		return err
	})
	if err != nil {
		return unavailable(t.dir, "fsync the folders", err)
	}
	_, err = t.put(context.Background(), manifestName, int64(len(manifest)), strings.NewReader(string(manifest)))
	return err
}

func (t *folderTarget) close() {}

// A tarTarget is a backup in one file.
type tarTarget struct {
	name string
	f    *os.File
	w    *tar.Writer
	now  time.Time
	done bool
}

func newTar(name string, now time.Time) (*tarTarget, error) {
	f, err := os.OpenFile(name+passing, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, unavailable(name, "write", err)
	}
	return &tarTarget{name: name, f: f, w: tar.NewWriter(f), now: now}, nil
}

func (t *tarTarget) put(ctx context.Context, name string, size int64, r io.Reader) (string, error) {
	err := t.w.WriteHeader(&tar.Header{
		Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o600, ModTime: t.now.Truncate(time.Second), Format: tar.FormatPAX,
	})
	if err != nil {
		return "", unavailable(t.name, "write", err)
	}
	sum, err := copySum(ctx, t.w, size, r)
	if err != nil {
		return "", unavailable(t.name, "write "+name, err)
	}
	return sum, nil
}

func (t *tarTarget) finish(manifest []byte) error {
	if _, err := t.put(context.Background(), manifestName, int64(len(manifest)), strings.NewReader(string(manifest))); err != nil {
		return err
	}
	err := errors.Join(t.w.Close(), t.f.Sync(), t.f.Close())
	if err == nil {
		err = errors.Join(os.Rename(t.name+passing, t.name), syncFolder(filepath.Dir(t.name)))
	}
	if err != nil {
		return unavailable(t.name, "write", err)
	}
	t.done = true
	return nil
}

func (t *tarTarget) close() {
	if !t.done {
		_ = t.f.Close()
		_ = os.Remove(t.name + passing)
	}
}

// copySum copies exactly size bytes and returns their SHA-256.
func copySum(ctx context.Context, w io.Writer, size int64, r io.Reader) (string, error) {
	h := sha256.New()
	n, err := io.CopyBuffer(io.MultiWriter(w, h), io.LimitReader(under{ctx, r}, size), make([]byte, 256<<10))
	if err == nil && n != size {
		err = fmt.Errorf("wanted %d bytes, got %d", size, n)
	}
	return hex.EncodeToString(h.Sum(nil)), err
}

// under is a reader that ends with its context.
type under struct {
	ctx context.Context
	r   io.Reader
}

func (u under) Read(p []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	return u.r.Read(p)
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// isTar reports whether a path names a backup in one file.
func isTar(name string) bool { return path.Ext(name) == ".tar" }
