package folder

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"dewclaw/adapters"
	"dewclaw/events"
)

// SinkOptions say where a [Sink] writes.
type SinkOptions struct {
	Who string // "feed vet-daily": opens every message
	Dir string // the recipient's folder; must be there
	IDs bool   // list the ids of the events in the manifest
}

// A Sink writes batches into a folder: the beat "send". A batch is a file and its
// manifest, each written under a passing name, fsynced, renamed, and the folder
// fsynced. The file comes first and the manifest last: whoever waits for the
// manifest finds the whole file beside it, and whoever does not never finds half
// of one. For use by one goroutine at a time.
type Sink struct{ o SinkOptions }

var _ adapters.Sink = (*Sink)(nil)

// ManifestSuffix follows the name of a file in the name of its manifest.
const ManifestSuffix = ".manifest.json"

// OpenSink checks the options. A folder that is missing is for Send to say. The
// error is of kind invalid.
func OpenSink(o SinkOptions) (*Sink, error) {
	if o.Dir == "" {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: o.Who, What: "folder", Wanted: "a path", Got: "none"}
	}
	return &Sink{o}, nil
}

// Close does nothing: a Sink holds nothing between batches.
func (s *Sink) Close() error { return nil }

// Send writes a batch and returns when it is on disk for good. A batch that is
// there already, byte for byte, is not written again. Errors: of kind unavailable
// if the folder is missing, full or may not be written to; of kind invalid if a
// file of that name has other bytes, which stays as it is, or if the name is not
// one of a file in the folder.
func (s *Sink) Send(ctx context.Context, b *adapters.Batch) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if !filepath.IsLocal(b.Name) || strings.ContainsAny(b.Name, `/\`) || passing(b.Name) {
		return &events.Fault{
			Kind: events.ErrInvalid, Who: s.o.Who, What: "name of the file", Wanted: "one in the folder", Got: strconv.Quote(b.Name),
		}
	}
	root, err := os.OpenRoot(s.o.Dir)
	if err != nil {
		return s.fault(s.o.Dir, "open the folder", err)
	}
	defer root.Close()
	if err := s.place(root, b.Name, b.Body); err != nil {
		return err
	}
	m, err := newManifest(b, s.o.IDs).encode()
	if err != nil {
		return err
	}
	if there, err := root.ReadFile(b.Name + ManifestSuffix); err == nil {
		// What it says of the grant was true when the file first went out.
		old, err := ReadManifest(there)
		if err == nil && old.File == b.Name && old.SHA256 == digest(b.Body) {
			m = there
		}
	}
	return s.place(root, b.Name+ManifestSuffix, m)
}

// place writes a file unless it is there as it should be. The folder is fsynced
// in both cases: what was written before a crash may not have come to that.
func (s *Sink) place(root *os.Root, name string, body []byte) error {
	where := filepath.Join(s.o.Dir, name)
	there, err := s.compare(root, name, body)
	if err != nil {
		return err
	}
	if !there {
		temp := passingName(name)
		err = write(root, temp, body)
		if err == nil {
			err = renameFree(place{root, ".", temp}, place{root, ".", name})
		}
		if err != nil {
			_ = root.Remove(temp)
			return s.fault(where, "write", err)
		}
	}
	if err := syncFolder(root, "."); err != nil {
		return s.fault(where, "fsync the folder", err)
	}
	return nil
}

// compare reports whether a file is there with the bytes it should have. Other
// bytes are an error of kind invalid: one of the two is not what was sent.
func (s *Sink) compare(root *os.Root, name string, body []byte) (bool, error) {
	where := filepath.Join(s.o.Dir, name)
	fi, err := root.Lstat(name)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	got := ""
	switch {
	case err != nil:
		return false, s.fault(where, "look at the file", err)
	case !fi.Mode().IsRegular():
		got = "something that is not a file"
	case fi.Size() != int64(len(body)):
		got = strconv.FormatInt(fi.Size(), 10) + " bytes"
	default:
		old, err := root.ReadFile(name)
		if err != nil {
			return false, s.fault(where, "read the file", err)
		}
		if bytes.Equal(old, body) {
			return true, nil
		}
		got = "SHA-256 " + digest(old)
	}
	return false, &events.Fault{
		Kind: events.ErrInvalid, Who: s.o.Who, Where: where, What: "a file of this name is there and differs; it was left as it is",
		Wanted: strconv.Itoa(len(body)) + " bytes, SHA-256 " + digest(body), Got: got,
		Hints: []string{"move that file away; the feed sends its own then"},
	}
}

func write(root *os.Root, name string, body []byte) error {
	f, err := root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(body)
	return errors.Join(err, f.Sync(), f.Close())
}

func (s *Sink) fault(where, what string, err error) error {
	f := &events.Fault{
		Kind: events.ErrUnavailable, Who: s.o.Who, Where: where, What: what, Cause: err,
		Hints: []string{"what was not written waits safely in the log"},
	}
	if where == s.o.Dir && errors.Is(err, fs.ErrNotExist) {
		f.Hints = append(f.Hints, "make the folder, if no share is away: mkdir -p "+strconv.Quote(where))
	}
	return f
}

func digest(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

// passingName returns the name a file has while it is written: the same for the
// same file, so that what a crash leaves is written over and not gathered.
func passingName(name string) string { return ".dewclaw-" + digest([]byte(name))[:16] + ".tmp" }
