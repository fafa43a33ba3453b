// Package packed unpacks originals: gzip and zip, and what is not packed at all.
// It streams, writes no file and trusts nothing an archive says about itself.
// It does not know what the bytes mean. Start with [Members].
//
// # What is read
//
// The first bytes decide, never the name: RFC 1952 gzip (several members one
// after another are one stream), PKWARE's APPNOTE 6.3.10 zip with the methods
// store and deflate, anything else is plain. A member of a zip that is gzip is
// unpacked as well, for people who zip up a folder of .csv.gz; nothing else is
// unpacked twice.
//
// # What is refused
//
// Each with an error of kind invalid that says what to do. A member: encrypted,
// packed by another method, a symlink or device, a name that leads out of the
// archive, a name that two members have, an archive inside. An original: a file
// that is no text in any encoding (spreadsheet workbooks, PDF, other packers),
// an archive that is cut or fails its checksum, one that unpacks beyond [Limits].
package packed

import (
	"bufio"
	"io"
	"iter"

	"dewclaw/events"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zip"
)

// Limits bound what one original may unpack to. They guard against bytes that
// are made to exhaust the disk or the day; they do not bound what is not packed.
type Limits struct {
	Bytes   int64 // unpacked, of all members together; 0 means 8 GiB
	Ratio   int64 // unpacked bytes to packed ones; 0 means 200. Text rarely passes 20, deflate ends at 1032 (common practice, no source)
	Slack   int64 // unpacked bytes before Ratio counts; 0 means 64 MiB
	Members int   // of a zip; 0 means 10,000
}

func (l Limits) orDefault() Limits {
	if l.Bytes <= 0 {
		l.Bytes = 8 << 30
	}
	if l.Ratio <= 0 {
		l.Ratio = 200
	}
	if l.Slack <= 0 {
		l.Slack = 64 << 20
	}
	if l.Members <= 0 {
		l.Members = 10_000
	}
	return l
}

// A Member is one stream of bytes of an original.
type Member struct {
	Name    string    // inside a zip, as a Go string literal if it is not printable; "" for plain bytes and gzip
	Size    int64     // unpacked, as the archive says; -1 if it does not
	Ignored string    // why it is not data (what an operating system adds); then Reader is nil
	Reader  io.Reader // the bytes; until the next iteration, for one goroutine
}

// Members iterates over the members of the original in r, which is size bytes
// long; name is for messages. Plain bytes and gzip are one member.
//
// An error that comes with a Name spoils that member alone, and the next ones
// follow; an error without a name spoils the original and is the last. Errors
// of a member's reader are final for it; after one from a limit the iteration
// ends with the same error. Errors of the packing are of kind invalid; those of
// r keep the kind they have.
func Members(r io.ReaderAt, size int64, name string, l Limits) iter.Seq2[Member, error] {
	return func(yield func(Member, error) bool) {
		src := &source{r: r}
		head := make([]byte, min(size, headSize))
		if _, err := io.ReadFull(io.NewSectionReader(src, 0, size), head); err != nil {
			yield(Member{}, readFault(name, src, err))
			return
		}
		b := &budget{limits: l.orDefault(), packed: size, where: name}
		switch f := sniff(head); f {
		case plain:
			yield(Member{Size: size, Reader: io.NewSectionReader(r, 0, size)}, nil)
		case gzipped:
			z, err := newGunzip(io.NewSectionReader(src, 0, size), name, src, b)
			if err != nil {
				yield(Member{}, err)
				return
			}
			if yield(Member{Size: -1, Reader: z}, nil) && b.err != nil {
				yield(Member{}, b.err)
			}
		case zipped:
			zipMembers(src, size, name, b, yield)
		default:
			yield(Member{}, foreignFault(name, f))
		}
	}
}

// newGunzip unpacks r, and refuses what is an archive inside of it.
func newGunzip(r io.Reader, where string, src *source, b *budget) (io.Reader, error) {
	z, err := gzip.NewReader(bufio.NewReaderSize(r, 64<<10))
	if err != nil {
		return nil, readFault(where, src, err)
	}
	inner := bufio.NewReaderSize(&guarded{r: z, where: where, src: src, b: b}, headSize)
	return inner, refuseArchive(where, inner)
}

// refuseArchive looks at the first bytes of what was unpacked. An error in them
// is left for whoever reads them.
func refuseArchive(where string, r *bufio.Reader) error {
	head, _ := r.Peek(headSize)
	switch f := sniff(head); f {
	case plain:
		return nil
	case gzipped, zipped:
		return &events.Fault{
			Kind: events.ErrInvalid, Where: where, What: "packed twice", Wanted: "text inside", Got: string(f) + " inside",
			Hints: []string{"unpack it once and put what is inside into the folder"},
		}
	default:
		return foreignFault(where, f)
	}
}

// A source remembers the error of the reader below, to tell it from an error of
// the packing.
type source struct {
	r   io.ReaderAt
	err error
}

func (s *source) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 { // a directory may say so
		return 0, zip.ErrFormat
	}
	n, err := s.r.ReadAt(p, off)
	if err != nil && err != io.EOF && s.err == nil {
		s.err = err
	}
	return n, err
}

// A guarded reader counts against the budget and turns errors into faults.
type guarded struct {
	r     io.Reader
	where string
	src   *source
	b     *budget
	err   error
}

func (g *guarded) Read(p []byte) (int, error) {
	if g.err != nil {
		return 0, g.err
	}
	n, err := g.r.Read(p)
	if g.err = g.b.take(n); g.err != nil {
		return 0, g.err
	}
	if g.err = err; err != nil && err != io.EOF {
		g.err = readFault(g.where, g.src, err)
	}
	return n, g.err
}
