package packed

import (
	"errors"
	"fmt"
	"io"

	"dewclaw/events"

	"github.com/klauspost/compress/flate"
	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zip"
)

// A budget counts what one original unpacks to, over all its members.
type budget struct {
	limits Limits
	packed int64
	where  string
	seen   int64
	err    error // the limit that was passed
}

func (b *budget) take(n int) error {
	if b.err != nil {
		return b.err
	}
	b.seen += int64(n)
	switch {
	case b.seen > b.limits.Bytes:
		b.err = b.fault(fmt.Sprintf("at most %d bytes", b.limits.Bytes), "more")
	case b.seen > b.limits.Slack && b.seen/b.limits.Ratio > b.packed:
		b.err = b.fault(fmt.Sprintf("at most %d times its size of %d bytes", b.limits.Ratio, b.packed), "more")
	}
	return b.err
}

func (b *budget) fault(wanted, got string) error {
	return &events.Fault{
		Kind: events.ErrInvalid, Where: b.where, What: "what it unpacks to", Wanted: wanted, Got: got,
		Hints: []string{"if the file is what it should be, unpack it and put what is inside into the folder"},
	}
}

// readFault tells an error of the packing, which is the sender's, from one of
// the reader below, which keeps its kind. A cut is an error of the packing: the
// size of what is read is known.
func readFault(where string, src *source, err error) error {
	if src.err != nil {
		return fmt.Errorf("unpack %s: %w", where, src.err)
	}
	wanted, got := "a whole gzip or zip", err.Error()
	var corrupt flate.CorruptInputError
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		got = "one that ends early"
	case errors.Is(err, gzip.ErrChecksum), errors.Is(err, zip.ErrChecksum):
		got = "one whose checksum is wrong"
	case errors.Is(err, zip.ErrFormat):
		got = "one whose directory is broken"
	case errors.Is(err, gzip.ErrHeader):
		got = "other bytes where a gzip begins"
	case errors.As(err, &corrupt):
		got = fmt.Sprintf("one that is broken at byte %d of its stream", int64(corrupt))
	}
	return &events.Fault{
		Kind: events.ErrInvalid, Where: where, What: "the packing", Wanted: wanted, Got: got,
		Hints: []string{"ask the sender for the file again; the bytes as they came are in the archive"},
	}
}
