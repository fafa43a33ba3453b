package streamlog

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"path/filepath"

	"dewclaw/events"
)

// A Raw is an entry with the bytes it is stored as, which its hash is of. The
// bytes must not be changed: the entry is made of slices of them.
type Raw struct {
	Entry *events.Entry
	Hash  string // SHA-256 of Body, in hex
	Body  []byte
}

// ReadRaw is [Log.Read] with the bytes of each entry, up to and including a
// position that the log has: for a copy that must be the same byte for byte.
func (l *Log) ReadRaw(ctx context.Context, from, through events.Position) iter.Seq2[Raw, error] {
	return func(yield func(Raw, error) bool) {
		end := l.newest()
		if through < end.pos {
			end = mark{through, l.prevOf(ctx, through+1)}
		}
		l.readRaw(ctx, from, end, false, yield)
	}
}

// Restore makes a log anew from the stored bytes of its entries, in their order
// from the first, in a folder that has none: the same id, positions and chain.
// The log it returns is open and can be appended to.
//
// Every entry is held to the chain before it is stored. The head anchor names
// nothing before all of them are, so a folder in which Restore was cut short is
// a log that lacks entries: make it under another name than the one it is to
// have, and rename it when Restore has returned and the log is closed. An error
// of entries ends it with that error; errors of its own are of kind
// [events.ErrCorrupt] for entries that are not a chain of this log,
// [events.ErrInvalid] for a folder that has a log or a log by URL, and
// [events.ErrUnavailable].
func Restore(ctx context.Context, opt Options, id string, entries iter.Seq2[[]byte, error]) (*Log, error) {
	if opt.URL != "" || opt.ReadOnly || !validID(id) {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: "log", Where: opt.Dir, What: "restore",
			Wanted: "the id of a log, and a folder of the embedded server", Got: fmt.Sprintf("id %q, url %q", id, opt.URL),
		}
	}
	opt.Rand = fixedID(id)
	l, err := Open(ctx, opt)
	if err != nil {
		return nil, err
	}
	if err := l.refill(ctx, id, entries); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// fixedID is the source of randomness that gives a new log an id that is known.
type fixedID string

func (f fixedID) Read(b []byte) (int, error) {
	raw, err := idEncoding.DecodeString(string(f))
	if err != nil {
		return 0, err
	}
	return copy(b, raw), nil
}

// refill stores entries as they are, and the anchor of the last.
func (l *Log) refill(ctx context.Context, id string, entries iter.Seq2[[]byte, error]) error {
	if err := l.take(ctx); err != nil {
		return err
	}
	defer func() { <-l.appending }()
	k, err := l.connection()
	if err != nil {
		return err
	}
	if l.expect.pos != 0 || l.id != id {
		return &events.Fault{Kind: events.ErrInvalid, Who: "log", Where: l.opt.Dir, What: "restore", Wanted: "a folder without a log", Got: "log " + l.id}
	}
	at := start
	for body, err := range entries {
		if err != nil {
			return err
		}
		e, err := events.ParseEntry(body)
		if errors.Is(err, events.ErrInvalid) {
			return err
		}
		next := mark{at.pos + 1, events.EntryHash(body)}
		if f := wrongEntry(e, err, id, mark{next.pos, at.hash}); f != nil {
			f.where, f.from, f.to = fmt.Sprintf("entry %d of what is restored", next.pos), 0, 0
			return &events.Fault{Kind: events.ErrCorrupt, Who: "log", Where: f.where, What: f.what, Wanted: f.wanted, Got: f.got}
		}
		if len(body) > k.bound() {
			return &events.Fault{Kind: events.ErrCorrupt, Who: "log", What: "size of an entry", Wanted: fmt.Sprintf("at most %d bytes", k.bound()), Got: fmt.Sprint(len(body))}
		}
		if err := k.publish(ctx, l.subject, body, at.pos); err != nil {
			return unavailable(fmt.Sprintf("restore entry %d", next.pos), err)
		}
		at = next
	}
	if at.pos == 0 {
		return nil
	}
	l.blocks.current()
	l.named = 0
	if err := l.syncNames(); err != nil {
		return err
	}
	if err := l.advance(at); err != nil {
		return err
	}
	l.expect = at
	return syncFolder(filepath.Dir(l.opt.Dir))
}
