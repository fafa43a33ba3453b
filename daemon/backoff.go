package main

import (
	"context"
	"math/rand/v2"
	"time"
)

// A backoff says how long to wait before the next try: doubling from first to
// most, each time anywhere between half of it and all of it, so that many who
// failed together do not come back together.
type backoff struct {
	first, most time.Duration
	tries       int
}

// next returns the wait before the next try.
func (b *backoff) next() time.Duration {
	d := b.first << min(b.tries, 20)
	if d <= 0 || d > b.most {
		d = b.most
	}
	b.tries++
	return d/2 + rand.N(d/2+1)
}

// reset begins anew after a success.
func (b *backoff) reset() { b.tries = 0 }

// pause waits for d or until ctx ends, and then returns its error.
func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
