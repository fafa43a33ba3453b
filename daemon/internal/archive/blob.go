package archive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"time"

	"dewclaw/events"
)

// A Blob is one original, open for reading. Read and Seek move one position and
// are for one goroutine; ReadAt is for any number.
type Blob struct {
	f    *os.File
	size int64
}

var (
	_ io.ReadSeekCloser = (*Blob)(nil)
	_ io.ReaderAt       = (*Blob)(nil)
)

// Read reads on from the position.
func (b *Blob) Read(p []byte) (int, error) { return b.f.Read(p) }

// ReadAt reads from an offset, whatever the position is.
func (b *Blob) ReadAt(p []byte, off int64) (int, error) { return b.f.ReadAt(p, off) }

// Seek sets the position.
func (b *Blob) Seek(off int64, whence int) (int64, error) { return b.f.Seek(off, whence) }

// Size returns the size in bytes.
func (b *Blob) Size() int64 { return b.size }

// Close ends the reading.
func (b *Blob) Close() error { return b.f.Close() }

// An Info is what [Archive.List] tells of an original.
type Info struct {
	Hash string
	Size int64
	Time time.Time // when it was kept
}

// Path returns the file an original has or would have, for messages to people.
func (a *Archive) Path(hash string) string {
	if !isHash(hash) {
		return filepath.Join(a.dir, "?")
	}
	return filepath.Join(a.dir, hash[:2], hash)
}

// Open opens an original for reading. It does not hash it: whoever must know
// that the bytes are whole calls [Archive.Verify]. The error is of kind not
// found if the archive has no such original.
func (a *Archive) Open(hash string) (*Blob, error) {
	if !isHash(hash) {
		return nil, notFound(a.dir, hash)
	}
	name := a.Path(hash)
	f, err := os.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, notFound(name, hash)
	}
	if err != nil {
		return nil, diskFault(name, "open an original", err)
	}
	fi, err := f.Stat()
	if err != nil {
		_ = f.Close()
		return nil, diskFault(name, "open an original", err)
	}
	return &Blob{f, fi.Size()}, nil
}

// Has reports whether the archive has an original, and its size.
func (a *Archive) Has(hash string) (size int64, ok bool) {
	if !isHash(hash) {
		return 0, false
	}
	fi, err := os.Stat(a.Path(hash))
	if err != nil {
		return 0, false
	}
	return fi.Size(), true
}

// Verify reads an original and compares its hash with its name. The error is of
// kind corrupt if they differ, not found if there is none, unavailable if the
// disk cannot be read. It ends when ctx does.
func (a *Archive) Verify(ctx context.Context, hash string) error {
	b, err := a.Open(hash)
	if err != nil {
		return err
	}
	defer b.Close()
	buf := a.buffers.Get().(*[]byte)
	defer a.buffers.Put(buf)
	h := sha256.New()
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := b.Read(*buf)
		h.Write((*buf)[:n])
		if err == io.EOF {
			break
		}
		if err != nil {
			return diskFault(a.Path(hash), "read an original", err)
		}
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != hash {
		return corruptFault(a.Path(hash), "SHA-256 "+hash, got)
	}
	return nil
}

// List returns every original, in the order of their hashes. It ends at the
// first error, which is of kind unavailable.
func (a *Archive) List() iter.Seq2[Info, error] {
	return func(yield func(Info, error) bool) {
		dirs, err := os.ReadDir(a.dir)
		if err != nil {
			yield(Info{}, diskFault(a.dir, "list the archive", err))
			return
		}
		for _, d := range dirs {
			if len(d.Name()) == 2 && !a.listFolder(d.Name(), yield) {
				return
			}
		}
	}
}

func (a *Archive) listFolder(prefix string, yield func(Info, error) bool) bool {
	dir := filepath.Join(a.dir, prefix)
	files, err := os.ReadDir(dir)
	if err != nil {
		yield(Info{}, diskFault(dir, "list the archive", err))
		return false
	}
	for _, e := range files {
		if !isHash(e.Name()) || e.Name()[:2] != prefix {
			continue
		}
		fi, err := e.Info()
		if err != nil {
			yield(Info{}, diskFault(filepath.Join(dir, e.Name()), "list the archive", err))
			return false
		}
		if !yield(Info{e.Name(), fi.Size(), fi.ModTime()}, nil) {
			return false
		}
	}
	return true
}

// isHash reports whether s is a hash as we write it, which also keeps any other
// text out of file names.
func isHash(s string) bool {
	if len(s) != 2*sha256.Size {
		return false
	}
	for _, c := range s {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

func notFound(where, hash string) error {
	return &events.Fault{
		Kind: events.ErrNotFound, Where: where, What: "original", Wanted: "the file of SHA-256 " + hash, Got: "none",
		Hints: []string{"put it back from a backup, then: dewclaw verify"},
	}
}
