package streamlog

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"iter"

	"dewclaw/events"
)

// Read returns the entries from a position (0 is 1) to the newest one at the
// time of the call, in order. An entry belongs to the caller.
//
// Every position is there once, and every entry is checked against what the
// next one, or the log itself, says of its hash before it is yielded. The first
// one that is missing or damaged ends the sequence with an error of kind
// [events.ErrCorrupt] that names position and block file; from then on the log
// is damaged ([Log.Damage]). Other errors end it too: [events.ErrUnavailable]
// if disk or server do not answer, [events.ErrInvalid] for an entry of a newer
// version, the cause if ctx ends.
func (l *Log) Read(ctx context.Context, from events.Position) iter.Seq2[*events.Entry, error] {
	return l.read(ctx, from, l.newest(), false)
}

// ReadAll is Read, but goes on behind entries that are missing or damaged, with
// one error of kind [events.ErrCorrupt] for each stretch of them. It is for
// whoever looks for damage, or saves what is whole.
func (l *Log) ReadAll(ctx context.Context, from events.Position) iter.Seq2[*events.Entry, error] {
	return l.read(ctx, from, l.newest(), true)
}

// Get returns the entry at a position, checked as [Log.Read] does. Errors are
// those of Read, and of kind [events.ErrNotFound] behind the newest entry.
func (l *Log) Get(ctx context.Context, pos events.Position) (*events.Entry, error) {
	last := l.newest()
	if pos == 0 || pos > last.pos {
		return nil, &events.Fault{
			Kind: events.ErrNotFound, Who: "log", What: "position",
			Wanted: fmt.Sprintf("1 to %d", last.pos), Got: fmt.Sprint(pos),
		}
	}
	through := mark{pos, last.hash}
	if pos < last.pos {
		through.hash = l.prevOf(ctx, pos+1)
	}
	for e, err := range l.read(ctx, pos, through, false) {
		return e, err
	}
	return nil, unavailable("get an entry", io.ErrUnexpectedEOF)
}

// prevOf returns what the entry at a position says of the one before it, or ""
// if it cannot be read: whoever reads it finds that out.
func (l *Log) prevOf(ctx context.Context, pos events.Position) string {
	c, err := l.store.open(ctx, pos, pos)
	if err != nil {
		return ""
	}
	defer c.close()
	r, err := c.next(ctx)
	if err != nil {
		return ""
	}
	const name, size = `"prev":"`, 64
	b := r.body[:min(len(r.body), 512)]
	i := bytes.Index(b, []byte(name)) + len(name)
	if i < len(name) || len(b) < i+size {
		return ""
	}
	return string(b[i : i+size])
}

// A reading is a read under way. It holds one entry back until the next one has
// said what its hash must be.
type reading struct {
	log   *Log
	c     cursor
	end   mark          // the last entry to be read, and its hash if it is known
	held  *events.Entry // read, not yet yielded
	body  []byte        // of held
	hash  string        // of held
	where string        // of held
}

func (l *Log) read(ctx context.Context, from events.Position, end mark, goOn bool) iter.Seq2[*events.Entry, error] {
	return func(yield func(*events.Entry, error) bool) {
		l.readRaw(ctx, from, end, goOn, func(r Raw, err error) bool { return yield(r.Entry, err) })
	}
}

// readRaw yields entries and errors as read does, until yield has enough.
func (l *Log) readRaw(ctx context.Context, from events.Position, end mark, goOn bool, yield func(Raw, error) bool) {
	told := false
	if from = max(from, 1); from <= end.pos {
		c, err := l.store.open(ctx, from, end.pos)
		if err != nil {
			yield(Raw{}, err)
			return
		}
		defer c.close()
		r := &reading{log: l, c: c, end: end}
		for {
			e, err := r.step(ctx)
			if e.Entry != nil && !yield(e, nil) {
				return
			}
			if err == io.EOF {
				break
			}
			f := (*flaw)(nil)
			if errors.As(err, &f) {
				err, told = l.fail(f), true
			}
			if err != nil && (!yield(Raw{}, err) || f == nil || !goOn) {
				return
			}
		}
	}
	if err := l.Damage(); err != nil && !told {
		yield(Raw{}, err)
	}
}

// step reads one entry and returns the one before it, now that it is checked, or
// nil. Beside an entry may stand the error that comes after it; after a *flaw
// the next step goes on behind the damage.
func (r *reading) step(ctx context.Context) (Raw, error) {
	next, err := r.c.next(ctx)
	if err == io.EOF {
		return r.last()
	}
	if err != nil {
		return r.release(), err
	}
	e, err := events.ParseEntry(next.body)
	if errors.Is(err, events.ErrInvalid) {
		return r.release(), err
	}
	if f := wrongEntry(e, err, r.log.id, mark{next.pos, ""}); f != nil {
		f.where = next.where
		return r.release(), f
	}
	before, err := r.confirm(e.Prev)
	r.held, r.body, r.hash, r.where = e, next.body, events.EntryHash(next.body), next.where
	return before, err
}

// last confirms the entry held back at the end.
func (r *reading) last() (Raw, error) {
	hash := r.hash
	if r.held != nil && r.held.At == r.end.pos && r.end.hash != "" {
		hash = r.end.hash
	}
	e, err := r.confirm(hash)
	if err == nil {
		err = io.EOF
	}
	return e, err
}

// confirm releases the entry held back if its hash is the one wanted.
func (r *reading) confirm(hash string) (Raw, error) {
	e := r.release()
	if e.Entry == nil || r.hash == hash {
		return e, nil
	}
	return Raw{}, &flaw{from: e.Entry.At, to: e.Entry.At, where: r.where, what: "hash of the entry", wanted: hash, got: r.hash}
}

func (r *reading) release() Raw {
	e := Raw{r.held, r.hash, r.body}
	r.held = nil
	return e
}
