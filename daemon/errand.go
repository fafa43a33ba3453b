package main

import (
	"context"
	"errors"
	"io"
	"slices"
	"sync"
	"time"

	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// An errand is something the reader of a source does between two originals
// because somebody asked: one goroutine alone reads a source.
type errand struct {
	do   func(ctx context.Context, r *reader) error
	done chan error // told once; buffered
}

// errands are what waits for the reader of one source. A nil one never has any.
// Safe for use by several goroutines at once.
type errands struct {
	mu   sync.Mutex
	list []*errand
	wake context.CancelFunc // ends what the reader waits for
	over error              // why there is no reader; nil while there is one
}

var errReaderOver = &events.Fault{
	Kind: events.ErrUnavailable, What: "the source is not read any more",
	Hints: []string{"see what the daemon said when it stopped reading, and start it again"},
}

// run has the reader do something and waits for it. If ctx ends first, it is
// done all the same.
func (q *errands) run(ctx context.Context, do func(context.Context, *reader) error) error {
	x := &errand{do, make(chan error, 1)}
	q.mu.Lock()
	if over := q.over; over != nil {
		q.mu.Unlock()
		return over
	}
	q.list = append(q.list, x)
	if q.wake != nil {
		q.wake()
	}
	q.mu.Unlock()
	select {
	case err := <-x.done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// until returns a context that ends when an errand waits.
func (q *errands) until(ctx context.Context) (context.Context, context.CancelFunc) {
	if q == nil {
		return ctx, func() {}
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	ctx, q.wake = context.WithCancel(ctx)
	if len(q.list) > 0 {
		q.wake()
	}
	return ctx, q.wake
}

// next returns the errand that has waited longest, nil if there is none.
func (q *errands) next() *errand {
	if q == nil {
		return nil
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.list) == 0 {
		return nil
	}
	x := q.list[0]
	q.list = q.list[1:]
	return x
}

// begin says that there is a reader.
func (q *errands) begin() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.over = nil
}

// end tells whoever waits that there is no reader, and why.
func (q *errands) end(why error) {
	if q == nil {
		return
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	q.over = why
	for _, x := range q.list {
		x.done <- why
	}
	q.list = nil
}

// runErrands does the errands that wait. An error is returned only if intake must stop.
func (r *reader) runErrands(ctx context.Context) error {
	for x := r.errands.next(); x != nil; x = r.errands.next() {
		err := x.do(ctx, r)
		x.done <- err
		if err != nil && ctx.Err() == nil && mustStop(err) {
			return err
		}
	}
	return nil
}

// mustStop reports whether an error of a source or an errand is no matter of its
// own: stored bytes are damaged, or a bug.
func mustStop(err error) bool {
	passes := func(kind error) bool { return errors.Is(err, kind) }
	return errors.Is(err, events.ErrCorrupt) ||
		!slices.ContainsFunc([]error{events.ErrUnavailable, events.ErrInvalid, events.ErrNotFound}, passes)
}

// lookFor is how long a stream may be read on for somebody who asked: one that
// never falls silent would keep them waiting.
const lookFor = 10 * time.Second

// look takes what waits at the source now.
func (r *reader) look(ctx context.Context, receipt func(intake.Receipt)) error {
	now := r.e.reader(r.config, true, func(c intake.Receipt) { r.receipt(c); receipt(c) })
	if r.config.Folder != "" {
		return errors.Join(now.run(ctx), now.close())
	}
	if r.from == nil {
		if err := r.connect(); err != nil {
			return err
		}
	}
	now.from = r.from // a stream has one subscriber
	for end := time.Now().Add(lookFor); time.Now().Before(end); {
		if err := now.next(ctx, ctx); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
	}
	return nil
}

// once is the operation "once" of a daemon: its readers look at once, its feeds
// deliver at once, and the answer tells what came of it.
func (d *daemon) once(ctx context.Context, q onceQuery, emit func(any) error) error {
	var mu sync.Mutex
	var errs []error
	over := false // an errand may outlast whoever asked
	tell := func(i onceItem) {
		mu.Lock()
		defer mu.Unlock()
		if !over {
			errs = append(errs, emit(i))
		}
	}
	quiet := d.held.listen(func(h heldNow) { tell(onceItem{Refused: h.String()}) })
	err := d.e.passOver(ctx, q, d.readNow, tell)
	quiet()
	mu.Lock()
	defer mu.Unlock()
	over = true
	return errors.Join(append(errs, err)...)
}

// readNow has the readers of the daemon read.
func (d *daemon) readNow(ctx context.Context, q onceQuery, receipt func(intake.Receipt)) error {
	if len(q.Again) > 0 {
		return d.e.eachAgain(q, func(s *config.Source, path string) error {
			return d.errands[s.ID].run(ctx, func(ctx context.Context, r *reader) error {
				return d.e.again(ctx, s, path, func(c intake.Receipt) { r.receipt(c); receipt(c) })
			})
		})
	}
	sources := d.e.project.config.Sources
	errs := make([]error, len(sources))
	var wg sync.WaitGroup
	for i := range sources {
		wg.Go(func() {
			errs[i] = d.errands[sources[i].ID].run(ctx, func(ctx context.Context, r *reader) error { return r.look(ctx, receipt) })
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}
