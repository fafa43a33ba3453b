package adapters

import (
	"context"
	"io"
	"time"
)

// A Source hands over originals: files, messages, request bodies.
//
// Next blocks until there is one, the context ends, or the source fails; after
// a failure of kind unavailable the caller backs off and calls Next again. It
// returns io.EOF when nothing more can come (a folder that is read once). One
// goroutine calls Next; an original that was handed over is settled before or
// after the next one is asked for, in any order.
type Source interface {
	Next(ctx context.Context) (*Delivery, error)
}

// A Batcher is a [Source] whose originals are small and many, such as messages:
// it hands over several at once, so that one commit can carry them all.
//
// NextBatch blocks like Next until there is one original, then collects what
// else comes within wait, up to max. It returns at least one delivery or an
// error, never both, in the order of the source. Each delivery is one original
// and is settled by itself, in the order they were handed over. Next and
// NextBatch may be mixed, from one goroutine.
type Batcher interface {
	NextBatch(ctx context.Context, max int, wait time.Duration) ([]*Delivery, error)
}

// A Delivery is one original on its way in, and what settles it.
type Delivery struct {
	Name     string    // as the source tells it: file name below the folder, subject; for people and for the log
	Message  string    // transport identity of a message; "" for a file
	Stream   string    // identity of the stream Sequence counts in; "" for a file
	Sequence uint64    // place in the stream; 0 for a file
	Received time.Time // when it was first received
	Modified time.Time // when a file was last changed, as its file system says; zero for anything else
	Size     int64     // bytes; -1 if not known before reading

	// Counted says that Sequence is the source's own count, begun where the log was
	// said to end. What the log has under it is this message only if it is called
	// Message there.
	Counted bool

	// Open opens the bytes from the start. It may be called again. The bytes are
	// the same at every call or the call fails: an original that changes while
	// it is read is an error of kind unavailable, and is handed over again.
	Open func(ctx context.Context) (io.ReadCloser, error)

	// Body says that it is a request body: bytes the source has read before change
	// nothing, whatever they are called, and small ones share a commit. It has no
	// Message and no Stream.
	Body bool
	Key  string // idempotency key a body came with, behind who sent it; "" if none

	// Tell is told what became of a body, once, before Settle, unless it could not
	// be committed; it must be quick. Nil if nobody asks.
	Tell func(Account)

	// Settle tells the source what became of the original, once, after the
	// commit: the beat "acknowledge". Nothing is moved, deleted or acknowledged
	// upstream before. Its error is for the operator; the original was taken.
	Settle func(ctx context.Context, v Verdict) error
}

// A Verdict is what became of an original.
type Verdict int

// The verdicts.
const (
	Taken    Verdict = iota // committed: whatever was in it is in the log, accepted or held
	NotTaken                // not committed: hand it over again later
)
