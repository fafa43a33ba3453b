package delivery

import (
	"context"
	"errors"

	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// runHeld runs the feed whenever it is this daemon's to run, until ctx ends; with
// once, as soon as it is, until there is nothing to do.
func (f *feed) runHeld(ctx context.Context, once bool) error {
	if f.d.o.Hold == nil {
		f.ours.Store(true)
		return f.run(ctx, once)
	}
	for {
		held, release, err := f.d.o.Hold(ctx, f.cfg.ID)
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
		f.readAgain()
		f.ours.Store(true)
		err = f.run(held, once)
		f.ours.Store(false)
		over := held.Err() == nil
		release()
		if err != nil || over || ctx.Err() != nil {
			return err
		}
	}
}

// readAgain forgets what is stored of the feed: another daemon may have written it.
func (f *feed) readAgain() {
	if f.take(context.Background(), false) != nil {
		return
	}
	defer f.give()
	f.forgetStored()
}

// forgetStored does so in the feed's turn.
func (f *feed) forgetStored() {
	f.reset()
	f.loaded, f.ready, f.again = false, nil, false
	f.view, f.fetched = view{}, fetched{}
	f.replies.mu.Lock()
	f.replies.loaded = false
	f.replies.mu.Unlock()
	f.store.forget()
}

// changedElsewhere reports whether an error says that another daemon has written what this
// one was about to; then what is stored is read again before anything else is done.
func (f *feed) changedElsewhere(err error) bool {
	if !errors.Is(err, streamlog.ErrChanged) {
		return false
	}
	f.forgetStored()
	return true
}

// tellElsewhere says so if another daemon runs the feed, or none.
func (f *feed) tellElsewhere(ctx context.Context, s *State) {
	if f.d.o.Elsewhere == nil || f.ours.Load() {
		return
	}
	switch who, err := f.d.o.Elsewhere(ctx, f.cfg.ID); {
	case err != nil || s.State != "running":
	case who == "":
		s.State = "not held"
	default:
		s.State, s.Holder = "elsewhere", who
	}
}

// mine returns nil if this daemon may change the feed, else an error that names the
// one that may. Without other daemons it always may.
func (f *feed) mine(ctx context.Context) error {
	if f.d.o.Elsewhere == nil || f.ours.Load() {
		return nil
	}
	who, err := f.d.o.Elsewhere(ctx, f.cfg.ID)
	if err != nil || who == "" {
		return err
	}
	return &events.Fault{
		Kind: events.ErrUnavailable, Who: "feed " + f.cfg.ID, What: "daemon " + who + " runs it",
		Hints: []string{"ask that daemon; who runs what: dewclaw leases"},
	}
}
