package delivery

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"dewclaw/adapters"
	"dewclaw/events"
)

// maxRefusals is how many events a recipient may refuse one after the other
// before the feed stops: then it is not the events.
const maxRefusals = 20

// carry sends the planned batch and settles it: the beats "send" and "save".
func (f *feed) carry(ctx context.Context) error {
	p := f.state.Plan
	if f.ready == nil {
		s, err := f.remake(ctx, p)
		if isRefusal(err) { // the same rules would make the same bytes: they are others now
			f.log.Warn("a planned batch cannot be made again and is planned anew", "name", p.Name, "error", err)
			return f.dropPlan(ctx)
		}
		if err != nil {
			return err
		}
		f.ready = s
	}
	for _, part := range f.ready.parts {
		f.d.o.Beat(BeatSend)
		err := f.send(ctx, part)
		if isRefusal(err) {
			return f.refused(ctx, p, err)
		}
		if err != nil {
			return err
		}
	}
	f.d.o.Beat(BeatSave)
	done, cancel := context.WithTimeout(context.WithoutCancel(ctx), saveTimeout)
	defer cancel()
	return f.settle(done, p)
}

// send hands one part to the recipient, within a time limit.
func (f *feed) send(ctx context.Context, b *adapters.Batch) error {
	ctx, cancel := context.WithTimeout(ctx, f.d.o.SendTimeout)
	defer cancel()
	if f.sink == nil {
		s, err := f.d.o.Sink(ctx, f.cfg)
		if err != nil {
			return late(ctx, fmt.Errorf("reach the recipient: %w", err))
		}
		f.sink = s
	}
	return late(ctx, f.sink.Send(ctx, b))
}

// late makes an error that comes of the time limit one of kind unavailable.
func late(ctx context.Context, err error) error {
	if err == nil || errors.Is(err, events.ErrInvalid) || errors.Is(err, events.ErrUnavailable) || !errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return err
	}
	return fmt.Errorf("%w: no answer in time: %w", err, events.ErrUnavailable)
}

// refused looks for the event that the recipient would not take: smaller batches,
// then that event alone stays behind.
func (f *feed) refused(ctx context.Context, p *plan, err error) error {
	if f.again { // it may have arrived before under this name, with the bytes of an older version
		f.log.Warn("the recipient refuses a batch that was made again; it is sent under another name", "name", p.Name, "error", err)
		f.state.Doubt = p.To
		return f.dropPlan(ctx)
	}
	s := &f.state
	if p.Rows > 1 && !p.One {
		s.Cut = cut{Rows: p.Rows / 2, To: p.To}
		if p.Kind != planRange {
			s.Cut.To = events.Place{}
		}
		return f.dropPlan(ctx)
	}
	s.Refused = &refused{Place: p.Only, Why: oneLine(err.Error())}
	if s.Refusals++; s.Refusals >= maxRefusals {
		why := fmt.Sprintf("the recipient refused %d events one after the other, last: %s", s.Refusals, s.Refused.Why)
		f.log.Error("feed pauses", "why", why)
		s.Paused = &pause{By: byRefusals, Why: why, Since: f.now()}
	}
	return f.dropPlan(ctx)
}

// settle stores what stays behind and moves the cursor. It changes nothing that
// a repeat would not change the same way.
func (f *feed) settle(ctx context.Context, p *plan) error {
	next := f.state
	if p.Kind == planRange {
		for _, o := range p.Owners {
			if err := f.leave(ctx, o); err != nil {
				return err
			}
		}
		next.Cursor = p.To
	} else {
		if err := f.noteReleased(ctx, p); err != nil {
			return err
		}
		for i := range p.Releases {
			if err := f.release(ctx, &p.Releases[i], p.Kind); err != nil {
				return err
			}
		}
		next.Lists++
		next.Late += p.Rows
		if next.Cut.To == (events.Place{}) {
			next.Cut = cut{}
		}
		if r := next.Refused; r != nil && slices.ContainsFunc(p.Releases, func(x release) bool { return x.Why == r.Why }) {
			next.Refused = nil
		}
	}
	next.Plan = nil
	if p.Rows > 0 {
		next.Batches++
		next.Rows += p.Rows
		next.Deletes += p.Deletes
		next.LastSent, next.LastName = f.now(), p.Name
		next.Refusals = 0
	}
	old := f.state
	f.state = next
	f.passed()
	if err := f.save(ctx); err != nil {
		f.state = old
		return err
	}
	f.ready, f.again = nil, false
	return nil
}

// leave lets what a batch could not take stay behind.
func (f *feed) leave(ctx context.Context, o *owner) error {
	new := true
	for _, it := range o.Items {
		if len(f.attic.find(o, it.Entity)) > 0 {
			new = false
		}
	}
	into, gone := f.attic.take(o)
	if len(into.Items) > maxItems {
		return errFull(f.cfg.ID, into)
	}
	if err := f.keep(ctx, into.Key, into); err != nil {
		return err
	}
	for _, key := range gone {
		if err := f.store.remove(ctx, f.store.key("animal", key)); err != nil {
			return err
		}
	}
	switch {
	case o.Parked && new:
		f.log.Warn("an event is parked, and with it what follows of its animal", "animal", o.Subject, "why", o.Why,
			"position", o.first().Position, "hint", "dewclaw feed replay "+f.cfg.ID)
	case o.Urgent:
		f.log.Warn("a medicine waits until its animal is known", "animal", o.Subject, "position", o.first().Position)
	}
	return nil
}

// mayHave reports whether the recipient may have an event at p although it
// refuses it now: it was sent before under another name, or in the generation
// before.
func (f *feed) mayHave(p events.Place) bool {
	return p.Before(f.state.Doubt) || f.history.prior(p) != nil
}
