package backup

import (
	"archive/tar"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"dewclaw/events"
)

// A file is one file of a backup, open for reading.
type file interface {
	io.Reader
	io.ReaderAt
	io.Closer
}

// A store is where the files of a backup are read from.
type store interface {
	open(name string) (file, int64, error) // of kind not found, or unavailable
	close() error
}

// A folderStore reads a backup in a folder and never leaves it.
type folderStore struct{ root *os.Root }

func (s folderStore) open(name string) (file, int64, error) {
	fi, err := s.root.Lstat(filepath.FromSlash(name)) // first: to open a pipe would wait for ever
	if err == nil && !fi.Mode().IsRegular() {
		err = errors.New("not a regular file")
	}
	if err != nil {
		return nil, 0, readFault(name, err)
	}
	f, err := s.root.Open(filepath.FromSlash(name))
	if err != nil {
		return nil, 0, readFault(name, err)
	}
	return f, fi.Size(), nil
}

func (s folderStore) close() error { return s.root.Close() }

// A tarStore reads a backup in one file, by where its members begin.
type tarStore struct {
	f  *os.File
	at map[string]span
}

type span struct{ off, size int64 }

// maxMembers bounds the memory that the names of a tar file take.
const maxMembers = 4 << 20

func openTar(name string) (*tarStore, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, readFault(name, err)
	}
	s := &tarStore{f: f, at: map[string]span{}}
	r := tar.NewReader(f)
	for {
		h, err := r.Next()
		if err == io.EOF {
			return s, nil
		}
		var off int64
		if err == nil {
			off, err = f.Seek(0, io.SeekCurrent)
		}
		if err == nil && len(s.at) >= maxMembers {
			err = errors.New("too many files in it")
		}
		if err != nil {
			_ = f.Close()
			return nil, corrupt(name, "tar file", "one that can be read to its end", err.Error())
		}
		if h.Typeflag == tar.TypeReg {
			s.at[h.Name] = span{off, h.Size}
		}
	}
}

func (s *tarStore) open(name string) (file, int64, error) {
	at, ok := s.at[name]
	if !ok {
		return nil, 0, readFault(name, fs.ErrNotExist)
	}
	return member{io.NewSectionReader(s.f, at.off, at.size)}, at.size, nil
}

func (s *tarStore) close() error { return s.f.Close() }

type member struct{ *io.SectionReader }

func (member) Close() error { return nil }

func readFault(name string, err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return &events.Fault{Kind: events.ErrNotFound, Who: "backup", Where: name, What: "there is no such file"}
	}
	return unavailable(name, "read", err)
}
