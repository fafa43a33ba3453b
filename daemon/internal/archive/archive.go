// Package archive keeps originals byte for byte, each once, under the SHA-256
// of its bytes. It does not know what an original means, never changes one and
// never deletes one. Start with [Archive.Put] and [Archive.Open]; messages,
// which are many and small, go in a chunk at a time: [Archive.PutPack].
//
// # Layout
//
//	<dir>/ab/abcdef…   an original; the name is its SHA-256, 64 lower-case hex digits
//	<dir>/tmp/put-…    an original on its way in; of daemons that share the archive
//	                   tmp/ID/put-…, with a folder for each of them
//	<dir>/id           of an archive that is shared: a random text that names it
//
// The layout can be read without this program: sha256sum of each file is its
// name, but for the folder tmp.
//
// # What a crash leaves
//
// An original is written under tmp, fsynced, renamed, and its folder fsynced
// before Put returns: it is there whole or not at all. What a crash leaves under
// tmp was never promised to anyone; [Open] removes it. Assumed is a file system
// whose rename is atomic and which keeps a file it fsynced, as POSIX 2024 rename()
// and fsync() say.
package archive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"dewclaw/events"
)

// An Archive is a folder of originals. Safe for use by several goroutines at
// once. Of an archive opened by [Open], that no other process writes to the folder
// is the caller's to see to (the lock of the data folder).
type Archive struct {
	dir      string
	readOnly bool
	create   func() (file, error)
	buffers  sync.Pool
}

// A file is what Put writes to. Tests put one in its place that fails.
type file interface {
	io.Writer
	Name() string
	Chmod(fs.FileMode) error
	Sync() error
	Close() error
}

const (
	tempDir    = "tmp"
	bufferSize = 256 << 10
)

// Open takes hold of the archive in dir, which it makes if it is missing, and
// removes what a crash left half written. Errors are of kind unavailable.
func Open(dir string) (*Archive, error) { return openWith(dir, filepath.Join(dir, tempDir)) }

// OpenShared opens an archive to which other processes write too, each under an id
// of its own that may stand in a file name.
func OpenShared(dir, id string) (*Archive, error) {
	return openWith(dir, filepath.Join(dir, tempDir, id))
}

func openWith(dir, temp string) (*Archive, error) {
	a := newArchive(dir, temp)
	if err := os.MkdirAll(temp, 0o750); err != nil {
		return nil, diskFault(dir, "make the archive", err)
	}
	left, err := os.ReadDir(temp)
	if err != nil {
		return nil, diskFault(temp, "read the folder", err)
	}
	for _, e := range left {
		if err := os.RemoveAll(filepath.Join(temp, e.Name())); err != nil {
			return nil, diskFault(temp, "remove what was half written", err)
		}
	}
	// A crash may have come between the making of a folder and its fsync.
	for _, d := range []string{filepath.Dir(dir), dir} {
		if err := syncDir(d); err != nil {
			return nil, diskFault(d, "fsync the folder", err)
		}
	}
	return a, nil
}

// OpenReadOnly opens the archive in dir and touches nothing: for looking into a
// data folder that is damaged, restored or on read-only media. Put and PutPack
// then fail with an error of kind invalid. A missing folder is an error of kind
// not found.
func OpenReadOnly(dir string) (*Archive, error) {
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		return nil, &events.Fault{Kind: events.ErrNotFound, Where: dir, What: "there is no archive of originals here"}
	} else if err != nil {
		return nil, diskFault(dir, "open the archive", err)
	}
	a := newArchive(dir, "")
	a.readOnly = true
	return a, nil
}

func newArchive(dir, temp string) *Archive {
	a := &Archive{dir: dir}
	a.create = func() (file, error) { return os.CreateTemp(temp, "put-*") }
	a.buffers.New = func() any { b := make([]byte, bufferSize); return &b }
	return a
}

// Put keeps everything r has, up to its end, and returns the hash and the size.
// It streams: memory does not grow with the size. When it returns without an
// error the original is on disk for good: the part of the beat "next" that must
// come before anything is mapped. An original that is there already is compared
// by size and not written again.
//
// An error of r is returned wrapped, with the kind it has; an error of the disk
// (full, read-only, broken) is of kind unavailable; one of the same hash and
// another size is of kind corrupt. In every case nothing half stays behind.
// Between reads it ends when ctx does, with the error of ctx.
func (a *Archive) Put(ctx context.Context, r io.Reader) (hash string, size int64, err error) {
	return a.put(ctx, r, "")
}

// PutAs keeps what r has if it is the original of a hash, which somebody else gives
// out as such. Errors are those of Put, and one of kind corrupt if it is another:
// then nothing is kept.
func (a *Archive) PutAs(ctx context.Context, hash string, r io.Reader) error {
	_, _, err := a.put(ctx, r, hash)
	return err
}

// put keeps what r has, unless its hash is not the wanted one; "" for any.
func (a *Archive) put(ctx context.Context, r io.Reader, wanted string) (hash string, size int64, err error) {
	if a.readOnly {
		return "", 0, &events.Fault{Kind: events.ErrInvalid, Where: a.dir, What: "the archive is open for reading only"}
	}
	f, err := a.create()
	if err != nil {
		return "", 0, diskFault(a.dir, "begin to keep an original", err)
	}
	defer func() {
		if err != nil {
			_ = f.Close()
			_ = os.Remove(f.Name())
		}
	}()
	hash, size, err = a.fill(ctx, f, r)
	if err != nil {
		return "", 0, err
	}
	if wanted != "" && hash != wanted {
		return "", 0, &events.Fault{
			Kind: events.ErrCorrupt, Where: a.dir, What: "an original that is not what it was given out as", Wanted: "SHA-256 " + wanted, Got: hash,
			Hints: []string{"it was not kept, and nothing else was changed"},
		}
	}
	if err = errors.Join(f.Chmod(0o440), f.Sync(), f.Close()); err != nil {
		return "", 0, diskFault(f.Name(), "keep an original", err)
	}
	if err = a.place(f.Name(), hash, size); err != nil {
		return "", 0, err
	}
	return hash, size, nil
}

// fill copies r to f and tells an error of the one from an error of the other.
func (a *Archive) fill(ctx context.Context, f file, r io.Reader) (string, int64, error) {
	buf := a.buffers.Get().(*[]byte)
	defer a.buffers.Put(buf)
	h := sha256.New()
	var size int64
	for {
		if err := ctx.Err(); err != nil {
			return "", 0, err
		}
		n, err := r.Read(*buf)
		if n > 0 {
			h.Write((*buf)[:n])
			if _, werr := f.Write((*buf)[:n]); werr != nil {
				return "", 0, diskFault(f.Name(), fmt.Sprintf("keep an original, after %d bytes", size), werr)
			}
			size += int64(n)
		}
		if err == io.EOF {
			return hex.EncodeToString(h.Sum(nil)), size, nil
		}
		if err != nil {
			return "", 0, fmt.Errorf("read the original after %d bytes: %w", size, err)
		}
	}
}

// place gives the written file its name, or removes it if the archive has the
// original. The folder is fsynced in both cases: the process that renamed an
// earlier copy may have died before it came to that.
func (a *Archive) place(temp, hash string, size int64) error {
	name := a.Path(hash)
	dir := filepath.Dir(name)
	switch err := os.Mkdir(dir, 0o750); {
	case err == nil:
		if err := syncDir(a.dir); err != nil {
			return diskFault(a.dir, "fsync the folder", err)
		}
	case !errors.Is(err, fs.ErrExist):
		return diskFault(dir, "make the folder", err)
	}
	fi, err := os.Stat(name)
	switch {
	case err == nil && fi.Size() != size:
		return corruptFault(name, fmt.Sprintf("%d bytes", size), fmt.Sprintf("%d bytes", fi.Size()))
	case err == nil:
		err = os.Remove(temp)
	case errors.Is(err, fs.ErrNotExist):
		err = os.Rename(temp, name)
	}
	if err != nil {
		return diskFault(name, "keep an original", err)
	}
	if err := syncDir(dir); err != nil {
		return diskFault(dir, "fsync the folder", err)
	}
	return nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func diskFault(where, what string, err error) error {
	return &events.Fault{
		Kind: events.ErrUnavailable, Where: where, What: what, Cause: err,
		Hints: []string{"nothing is lost: what was not kept was not acknowledged either, and is read again"},
	}
}

func corruptFault(name, wanted, got string) error {
	return &events.Fault{
		Kind: events.ErrCorrupt, Where: name, What: "an original is not what was written", Wanted: wanted, Got: got,
		Hints: []string{
			"the log and every other original are untouched; nothing was changed",
			"put this one file back from a backup, then: dewclaw verify",
		},
	}
}
