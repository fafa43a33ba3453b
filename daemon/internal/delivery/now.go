package delivery

import (
	"context"
	"time"
)

// Now lets feeds that [Desk.Run] runs deliver at once what the log holds,
// batches that are not full included, and returns when each is done, paused or
// has failed three times. A feed that waits before its next attempt tries at
// once. The error joins what kept feeds from delivering, of kind unavailable if a
// recipient cannot be reached; it ends no feed.
func (d *Desk) Now(ctx context.Context) error {
	return d.each(func(f *feed) error { return f.hurry(ctx) })
}

// hurry takes turns with the goroutine that runs the feed.
func (f *feed) hurry(ctx context.Context) error {
	if err := f.take(ctx, false); err != nil {
		return err
	}
	f.attempt, f.retry = 0, time.Time{}
	f.give()
	defer f.poke() // what failed is for the run to try again
	for {
		p := f.round(ctx, true)
		if p.err != nil || p.idle || ctx.Err() != nil {
			return p.err
		}
	}
}
