package herd

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"dewclaw/events"
)

// A reader is the side of the file that queries use: a few connections, each
// for one goroutine at a time.
type reader struct {
	path   string
	places chan struct{} // one for each connection that may be in use

	mu     sync.Mutex
	free   []*db
	closed bool
}

// mostReaders bounds how many queries read at once; more wait.
const mostReaders = 8

var readPragmas = []string{"busy_timeout=10000", "cache_size=-4096", "query_only=1"}

func openReader(path string) (*reader, error) {
	r := &reader{path: path, places: make(chan struct{}, mostReaders)}
	d, err := openDB(path, readPragmas...)
	if err != nil {
		return nil, err
	}
	r.free = append(r.free, d)
	return r, nil
}

// take returns a connection, which the caller gives back.
func (r *reader) take(ctx context.Context) (*db, error) {
	select {
	case r.places <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	r.mu.Lock()
	if n := len(r.free); n > 0 && !r.closed {
		d := r.free[n-1]
		r.free = r.free[:n-1]
		r.mu.Unlock()
		return d, nil
	}
	r.mu.Unlock()
	d, err := openDB(r.path, readPragmas...)
	if err != nil {
		<-r.places
	}
	return d, err
}

func (r *reader) give(d *db) error {
	d.rollback()
	r.mu.Lock()
	closed := r.closed
	if !closed {
		r.free = append(r.free, d)
	}
	r.mu.Unlock()
	<-r.places
	if closed {
		return d.close()
	}
	return nil
}

// close closes the connections that are not in use; the others are closed when
// they are given back.
func (r *reader) close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.closed = true
	var err error
	for _, d := range r.free {
		err = errors.Join(err, d.close())
	}
	r.free = nil
	return err
}

// reading returns the reader, or an error of kind [events.ErrUnavailable].
func (h *Herd) reading() (*reader, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.closed:
		return nil, fmt.Errorf("herd: closed: %w", events.ErrUnavailable)
	case h.reader == nil:
		return nil, &events.Fault{
			Kind: events.ErrUnavailable, Who: "herd", What: "it is being built from the log",
			Hints: []string{"nothing is lost; ask again when it is done"},
		}
	}
	return h.reader, nil
}

// A View is the herd at one log position. What it returns does not change while
// it is open; the herd goes on behind it. It is for one goroutine and must be
// closed; it holds one of eight places, so it should not be kept.
//
// All its methods return errors of kind [events.ErrUnavailable] if the file
// cannot be read, and the error of ctx.
type View struct {
	h     *Herd
	r     *reader
	d     *db // nil once it is closed
	at    events.Position
	gap   int
	names map[id]string
	ids   map[string]id

	doubted map[string]map[events.Entity][]string // by farm, see doubts
}

// View opens a view of the newest state. While the herd is being built it
// returns an error of kind [events.ErrUnavailable]. It waits for a place, until ctx ends.
func (h *Herd) View(ctx context.Context) (*View, error) {
	r, err := h.reading()
	if err != nil {
		return nil, err
	}
	d, err := r.take(ctx)
	if err != nil {
		return nil, h.spoiled(err)
	}
	v := &View{h: h, r: r, d: d, gap: h.o.GapDays, names: map[id]string{}, ids: map[string]id{}, doubted: map[string]map[events.Entity][]string{}}
	if err := d.begin("BEGIN"); err != nil {
		return nil, errors.Join(h.spoiled(err), v.Close())
	}
	err = v.each(ctx, func(row []value) error {
		_, err := fmt.Sscan(textOf(row[0]), &v.at)
		return err
	}, "SELECT value FROM meta WHERE key=?", metaPosition)
	if err == nil {
		err = v.each(ctx, func(row []value) error {
			n := id(intOf(row[0]))
			v.names[n], v.ids[textOf(row[1])] = textOf(row[1]), n
			return nil
		}, "SELECT id, name FROM names")
	}
	if err != nil {
		return nil, errors.Join(err, v.Close())
	}
	return v, nil
}

// Position returns the log position the view was made at: it has all entries up
// to it and none behind it.
func (v *View) Position() events.Position { return v.at }

// GapDays returns the gap the stored cases were worked out with.
func (v *View) GapDays() int { return v.gap }

// Close ends the view. It is safe to call it twice.
func (v *View) Close() error {
	if v.d == nil {
		return nil
	}
	d := v.d
	v.d = nil
	return v.r.give(d)
}

// each calls f for every row. Blobs and texts may be kept.
func (v *View) each(ctx context.Context, f func(row []value) error, query string, args ...any) error {
	if v.d == nil {
		return fmt.Errorf("herd: the view is closed: %w", events.ErrUnavailable)
	}
	err := v.d.prepared(query).within(ctx, func(row []value) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return f(row)
	}, args...)
	if err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	return v.h.spoiled(err)
}
