package delivery

import (
	"context"
	"fmt"
	"iter"

	"dewclaw/events"
)

// A Log is what feeds follow: streamlog.Log.
type Log interface {
	Last() (events.Position, string)
	Read(ctx context.Context, from events.Position) iter.Seq2[*events.Entry, error]
	Get(ctx context.Context, p events.Position) (*events.Entry, error)
	Wait(ctx context.Context, after events.Position) error
}

// A Finder finds what belongs together: the newest revision of each event of a
// record, in the order in which the events were first recorded; nil if the
// record is not known. It must know every entry that the log hands out, or
// nearly: what it does not know yet is looked for in the entry at hand.
type Finder interface {
	Find(ctx context.Context, r events.RecordID) ([]Found, error)
}

// A Found is one event of a record.
type Found struct {
	Entity events.Entity
	Place  events.Place // of its newest revision
}

// keptEntries is how many entries a lookup keeps: corrections mostly go back to
// neighbouring entries.
const keptEntries = 8

// A lookup reads single events back from the log. Not for use by several
// goroutines at once.
type lookup struct {
	log    Log
	finder Finder // may be nil
	kept   [keptEntries]*events.Entry
	next   int
}

// event returns the event at p.
func (l *lookup) event(ctx context.Context, p events.Place) (*fact, error) {
	e, err := l.entry(ctx, p.Position)
	if err != nil {
		return nil, err
	}
	if p.Index < 0 || p.Index >= len(e.Events) {
		return nil, fmt.Errorf("read event %d of log position %d: the entry has %d: %w", p.Index, p.Position, len(e.Events), events.ErrCorrupt)
	}
	ev, err := e.Event(p.Index)
	if err != nil {
		return nil, err
	}
	return &fact{Event: &ev}, nil
}

func (l *lookup) entry(ctx context.Context, p events.Position) (*events.Entry, error) {
	for _, e := range l.kept {
		if e != nil && e.At == p {
			return e, nil
		}
	}
	e, err := l.log.Get(ctx, p)
	if err != nil {
		return nil, fmt.Errorf("read log position %d: %w", p, err)
	}
	l.kept[l.next], l.next = e, (l.next+1)%keptEntries
	return e, nil
}

// asOf goes back from p to the newest revision at or before the position; nil
// if the event is younger.
func (l *lookup) asOf(ctx context.Context, p events.Place, at events.Position) (*fact, error) {
	for {
		f, err := l.event(ctx, p)
		if err != nil || p.Position <= at {
			return f, err
		}
		if f.Before == nil {
			return nil, nil
		}
		p = *f.Before
	}
}

// find returns the revision of the entity as the log knew it at the position;
// if it did not know it yet, as it knew it at seen. nil if it knew it at
// neither.
func (l *lookup) find(ctx context.Context, e events.Entity, at, seen events.Position) (*fact, error) {
	rec, _, err := e.Split()
	if err != nil || l.finder == nil {
		return nil, nil // the link of an event leads nowhere: it has no examination then
	}
	found, err := l.finder.Find(ctx, rec)
	if err != nil {
		return nil, fmt.Errorf("find %s: %w", e, err)
	}
	for _, x := range found {
		if x.Entity != e {
			continue
		}
		f, err := l.asOf(ctx, x.Place, at)
		if f == nil && err == nil && seen > at {
			f, err = l.asOf(ctx, x.Place, seen)
		}
		return f, err
	}
	return nil, nil
}

// record returns the events of a record as the log knew them at the position.
func (l *lookup) record(ctx context.Context, rec events.RecordID, at events.Position) ([]*fact, error) {
	if l.finder == nil {
		return nil, nil
	}
	found, err := l.finder.Find(ctx, rec)
	if err != nil {
		return nil, fmt.Errorf("find record %s: %w", rec, err)
	}
	var out []*fact
	for _, x := range found {
		f, err := l.asOf(ctx, x.Place, at)
		if err != nil {
			return nil, err
		}
		if f != nil {
			out = append(out, f)
		}
	}
	return out, nil
}
