package folder

import (
	"context"
	"io"
	"os"
	"strconv"

	"dewclaw/events"
)

// open opens a file that was handed over, if it is still in the state it was in.
func (s *Source) open(ctx context.Context, c candidate) (io.ReadCloser, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	s.mu.Lock()
	root := s.root
	s.mu.Unlock()
	if root == nil {
		return nil, s.readFault(c, "open the folder", os.ErrClosed)
	}
	f, err := root.OpenFile(c.name, os.O_RDONLY|readFlags, 0)
	if err != nil {
		return nil, s.readFault(c, "open", err)
	}
	r := &reader{s: s, c: c, f: f}
	if err := r.check(); err != nil {
		_ = f.Close()
		return nil, err
	}
	return r, nil
}

// A reader reads one state of a file to its end, or fails.
type reader struct {
	s    *Source
	c    candidate
	f    *os.File
	read int64
}

func (r *reader) Read(p []byte) (int, error) {
	n, err := r.f.Read(p)
	r.read += int64(n)
	switch {
	case r.read > r.c.state.size:
		return 0, r.changed(r.read)
	case err == io.EOF && r.read < r.c.state.size:
		return n, r.changed(r.read)
	case err == io.EOF:
		if err := r.check(); err != nil {
			return n, err
		}
		return n, io.EOF
	case err != nil:
		return n, r.s.readFault(r.c, "read", err)
	}
	return n, nil
}

func (r *reader) Close() error { return r.f.Close() }

// check compares the open file with what was handed over. The name may have been
// given to another file meanwhile; the bytes of this one are whole all the same.
func (r *reader) check() error {
	fi, err := r.f.Stat()
	if err != nil {
		return r.s.readFault(r.c, "read", err)
	}
	if stateOf(fi) != r.c.state {
		return r.changed(fi.Size())
	}
	return nil
}

func (r *reader) changed(size int64) error {
	f := &events.Fault{
		Kind: events.ErrUnavailable, Who: r.s.o.Who, Where: label(r.c.name), What: "changed before it was read to its end",
		Hints: []string{"nothing of it was taken; it is read again when it rests"},
	}
	if size != r.c.state.size {
		f.Wanted, f.Got = strconv.FormatInt(r.c.state.size, 10)+" bytes", strconv.FormatInt(size, 10)
	}
	return f
}

func (s *Source) readFault(c candidate, what string, err error) error {
	return &events.Fault{Kind: events.ErrUnavailable, Who: s.o.Who, Where: label(c.name), What: what, Cause: err}
}
