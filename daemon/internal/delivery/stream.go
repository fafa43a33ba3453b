package delivery

import (
	"context"
	"fmt"
	"runtime"
	"time"

	"dewclaw/events"
)

// ahead is how many entries a stream renders ahead of the batch in the making.
const ahead = 8

// A stream is the log from a place up to its end at the time it was opened,
// rendered ahead on several cores and handed out in order. It must be closed.
type stream struct {
	ended   func() error // of its context
	cancel  context.CancelFunc
	done    chan struct{}
	leaves  chan chan leaf
	current *leaf
	at      int // parcels of current that were taken
}

// openStream starts at from. Entries for which gap is true are not rendered.
func openStream(ctx context.Context, v view, log Log, finder Finder, from events.Place, gap func(time.Time) bool) *stream {
	ctx, cancel := context.WithCancel(ctx)
	s := &stream{ended: ctx.Err, cancel: cancel, done: make(chan struct{}), leaves: make(chan chan leaf, ahead)}
	type job struct {
		entry *events.Entry
		from  int
		out   chan leaf
	}
	jobs := make(chan job)
	workers := max(1, runtime.GOMAXPROCS(0))
	left := make(chan struct{}, workers)
	for range workers {
		go func() {
			defer func() { left <- struct{}{} }()
			r := newRenderer(v, log, finder)
			for j := range jobs {
				j.out <- r.safely(ctx, j.entry, j.from)
			}
		}()
	}
	go func() {
		defer close(s.done)
		defer func() {
			close(jobs)
			for range workers {
				<-left
			}
		}()
		defer close(s.leaves)
		send := func(e *events.Entry, l leaf) bool {
			out := make(chan leaf, 1)
			select {
			case s.leaves <- out:
			case <-ctx.Done():
				return false
			}
			if e == nil || l.gap {
				out <- l
				return true
			}
			start := 0
			if e.At == from.Position {
				start = from.Index
			}
			select {
			case jobs <- job{e, start, out}:
				return true
			case <-ctx.Done():
				out <- leaf{err: ctx.Err()}
				return false
			}
		}
		for e, err := range log.Read(ctx, from.Position) {
			if err != nil {
				send(nil, leaf{err: err})
				return
			}
			if e.At > v.seen {
				return
			}
			l := leaf{at: e.At, events: len(e.Events)}
			l.gap = gap(recorded(e))
			if !send(e, l) {
				return
			}
		}
	}()
	return s
}

// recorded returns when the entry was made; zero if it does not say.
func recorded(e *events.Entry) time.Time {
	t, err := time.Parse(time.RFC3339, e.Time)
	if err != nil {
		return time.Time{}
	}
	return t
}

// safely renders an entry; a panic of a rule or mapping stops this feed, not
// the daemon.
func (r *renderer) safely(ctx context.Context, e *events.Entry, from int) (l leaf) {
	defer func() {
		if p := recover(); p != nil {
			l = leaf{at: e.At, err: fmt.Errorf("render log position %d: panic: %v", e.At, p)}
		}
	}()
	return r.entry(ctx, e, from)
}

// peek returns the entry that is next, nil at the end of the stream.
func (s *stream) peek() (*leaf, error) {
	if s.current == nil {
		out, ok := <-s.leaves
		if !ok {
			return nil, s.ended()
		}
		l := <-out
		if l.err != nil {
			return nil, l.err
		}
		s.current, s.at = &l, 0
	}
	return s.current, nil
}

// next goes on to the next entry.
func (s *stream) next() { s.current = nil }

// close ends the stream and waits for its goroutines.
func (s *stream) close() {
	s.cancel()
	for range s.leaves {
	}
	<-s.done
}
