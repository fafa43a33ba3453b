package herd

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewclaw/events"
)

// Bounds of one transaction.
const (
	maxEvents   = 20_000  // when the herd follows: few enough that lists are young
	buildEvents = 200_000 // of a first build
)

// CatchUp applies what is in the log and returns. It returns the error of the
// log, of ctx, or one of kind [events.ErrUnavailable] if the file cannot be
// written; what was committed stays. A file that turns out to be damaged is
// built anew.
func (h *Herd) CatchUp(ctx context.Context) error {
	h.following.Lock()
	defer h.following.Unlock()
	return h.catchUp(ctx)
}

// Follow applies the log as it grows, until ctx ends; then it returns nil. Other
// errors are those of CatchUp.
func (h *Herd) Follow(ctx context.Context) error {
	h.following.Lock()
	defer h.following.Unlock()
	for {
		err := h.catchUp(ctx)
		if err == nil {
			err = h.wait(ctx)
		}
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// wait blocks until the log grows, or the file is found damaged.
func (h *Herd) wait(ctx context.Context) error {
	waiting, cancel := context.WithCancel(ctx)
	defer cancel()
	h.mu.Lock()
	at, bad := h.at, h.bad
	h.wake = cancel
	h.mu.Unlock()
	if bad {
		return nil
	}
	err := h.o.Log.Wait(waiting, at)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.wake = nil
	if h.bad {
		return nil
	}
	return err
}

func (h *Herd) catchUp(ctx context.Context) error {
	if h.w == nil {
		return fmt.Errorf("herd: closed: %w", events.ErrUnavailable)
	}
	h.mu.Lock()
	bad := h.bad
	h.bad = false
	h.mu.Unlock()
	err := errDamaged
	if !bad {
		err = h.apply(ctx)
	}
	if errors.Is(err, errDamaged) {
		h.o.Logger.Warn("the herd is built anew", "why", "the file is damaged", "error", err)
		if err = h.anew(); err == nil {
			err = h.apply(ctx)
		}
	}
	if err != nil && h.w != nil {
		err = errors.Join(err, h.giveUp())
	}
	return err
}

// giveUp takes back what was not committed. A first build cannot be taken back:
// it begins anew.
func (h *Herd) giveUp() error {
	if h.f.building {
		return h.anew()
	}
	h.w.rollback()
	f, err := newFollower(h.w, false)
	if err == nil {
		h.f = f
	}
	return err
}

// apply brings the file up to the end of the log.
func (h *Herd) apply(ctx context.Context) error {
	if h.f.building {
		return h.build(ctx)
	}
	r := h.newRun()
	for {
		// All facts of an animal are read when one is new. Far behind, a herd takes
		// as many events at once as half of what it has, so that none is read often.
		more, err := r.some(ctx, max(maxEvents, h.f.facts/2))
		if err != nil {
			return err
		}
		if r.pending == 0 {
			return r.broken
		}
		if err := r.commit(ctx); err != nil {
			return err
		}
		h.mu.Lock()
		h.move(r.at)
		h.mu.Unlock()
		if !more {
			return r.broken
		}
	}
}

// build reads the whole log, and works everything out at the end.
func (h *Herd) build(ctx context.Context) error {
	r := h.newRun()
	for {
		more, err := r.some(ctx, buildEvents)
		if err != nil {
			return err
		}
		if !more {
			break
		}
		if err := h.f.insert.flush(); err != nil {
			return err
		}
		if err := h.w.commit(); err != nil {
			return err
		}
	}
	if err := h.f.insert.flush(); err != nil {
		return err
	}
	if err := h.w.commit(); err != nil {
		return err
	}
	h.tell(Progress{At: r.at, Last: r.at, Events: r.events, Building: true, Working: true})
	if err := h.w.script(ctx, indexes); err != nil {
		return err
	}
	if err := h.w.begin("BEGIN IMMEDIATE"); err != nil {
		return err
	}
	if err := r.commit(ctx); err != nil {
		return err
	}
	if err := h.w.script(ctx, lateIndexes); err != nil {
		return err
	}
	return errors.Join(h.finish(), r.broken)
}

func (h *Herd) tell(p Progress) {
	if h.o.Progress != nil {
		h.o.Progress(p)
	}
}

// A run is one way through the log, from where the file is to its end. Entries
// are read and parsed by one goroutine while another writes.
type run struct {
	h       *Herd
	at      events.Position
	pending int // entries since the last commit
	events  int
	newest  *events.Entry
	broken  error // the log could not be read behind at
	told    time.Time
}

func (h *Herd) newRun() *run { return &run{h: h, at: h.At()} }

// some applies entries until n events are in or the log ends; more reports
// whether there may be more.
func (r *run) some(caller context.Context, n int) (more bool, err error) {
	last, _ := r.h.o.Log.Last()
	if r.at >= last {
		return false, nil
	}
	r.h.o.Beat(BeatRead)
	if err := r.h.w.begin("BEGIN IMMEDIATE"); err != nil {
		return false, err
	}
	ctx, cancel := context.WithCancel(caller)
	entries, done := make(chan *events.Entry, 16), make(chan error, 1)
	go func() {
		defer close(entries)
		done <- r.read(ctx, entries)
	}()
	taken := 0
	for e := range entries {
		if err = r.h.f.entry(e); err != nil {
			break
		}
		r.at, r.newest = e.At, e
		r.pending++
		taken += len(e.Events)
		r.events += len(e.Events)
		r.progress(last)
		if taken >= n {
			more = true
			break
		}
	}
	cancel()
	for range entries { // until the reader is gone
	}
	readErr := <-done
	switch {
	case err != nil || more || readErr == nil:
	case caller.Err() != nil:
		err = caller.Err()
	default:
		r.broken = readErr // what is whole goes in all the same
	}
	return more, err
}

// read sends the entries behind the newest one that was applied.
func (r *run) read(ctx context.Context, to chan<- *events.Entry) error {
	for e, err := range r.h.o.Log.Read(ctx, r.at+1) {
		if err != nil {
			return err
		}
		select {
		case to <- e:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// progressEvery is how often progress is told.
const progressEvery = 500 * time.Millisecond

func (r *run) progress(last events.Position) {
	if r.h.o.Progress == nil || r.h.o.Now == nil {
		return
	}
	now := r.h.o.Now()
	if r.told.IsZero() {
		r.told = now // short runs tell nothing
	}
	if now.Sub(r.told) < progressEvery {
		return
	}
	r.told = now
	r.h.tell(Progress{At: r.at, Last: max(last, r.at), Events: r.events, Building: r.h.f.building})
}

// commit works out what follows from what was applied and commits both with the
// position they belong to. It returns the error of ctx if that ends while there is
// something to work out; nothing is committed then.
func (r *run) commit(ctx context.Context) error {
	r.h.o.Beat(BeatSettle)
	if err := r.h.f.settle(ctx, r.h.o.GapDays); err != nil {
		return err
	}
	if r.newest != nil {
		if err := r.h.f.position(r.newest); err != nil {
			return err
		}
	}
	r.pending = 0
	r.h.o.Beat(BeatCommit)
	return r.h.w.commit()
}
