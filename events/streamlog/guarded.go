package streamlog

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// ErrChanged is the kind of the error of a [Guarded] bucket when somebody else wrote
// a key since it was read. It is of kind [events.ErrUnavailable] too: read again
// what is stored, and go on from there.
var ErrChanged = fmt.Errorf("somebody else has written it since it was read: %w", events.ErrUnavailable)

// A Guarded bucket overwrites and deletes only what it has read or written last:
// of two daemons that both believe to be the one that writes, only one does. Safe
// for use by several goroutines at once.
type Guarded struct {
	*Bucket

	mu   sync.Mutex
	seen map[string]uint64 // revision by key; 0 for one that is not there
}

// Guard returns the bucket with what it has read forgotten.
func (b *Bucket) Guard() *Guarded { return &Guarded{Bucket: b, seen: map[string]uint64{}} }

// Forget forgets what was read of the keys that begin with prefix: they are
// overwritten only when they have been read again.
func (g *Guarded) Forget(prefix string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for k := range g.seen {
		if strings.HasPrefix(k, prefix) {
			delete(g.seen, k)
		}
	}
}

func (g *Guarded) note(key string, rev uint64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.seen[key] = rev
}

func (g *Guarded) known(key string) uint64 {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.seen[key]
}

// Get is [Bucket.Get].
func (g *Guarded) Get(ctx context.Context, key string) ([]byte, error) {
	if err := checkKey(key); err != nil {
		return nil, err
	}
	kv, err := g.open(ctx, false)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return nil, g.notFound(key)
	}
	if err != nil {
		return nil, err
	}
	e, err := kv.Get(ctx, key)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		g.note(key, 0)
		return nil, g.notFound(key)
	}
	if err != nil {
		return nil, unavailable("get "+key, err)
	}
	g.note(key, e.Revision())
	return slices.Clone(e.Value()), nil
}

// Put is [Bucket.Put], of a key that is as it was read; one that was never read must
// not be there. Otherwise the error is [ErrChanged]. After any other error read the
// key again.
func (g *Guarded) Put(ctx context.Context, key string, value []byte) error {
	kv, err := g.change(ctx, key, len(value))
	if err != nil {
		return err
	}
	rev := g.known(key)
	if rev == 0 {
		rev, err = kv.Create(ctx, key, value)
	} else {
		rev, err = kv.Update(ctx, key, value, rev)
	}
	if err != nil {
		return changed("put "+key, err)
	}
	g.note(key, rev)
	return nil
}

// Delete is [Bucket.Delete], of a key that is as it was read. One that was never
// read is deleted as it is.
func (g *Guarded) Delete(ctx context.Context, key string) error {
	kv, err := g.change(ctx, key, 0)
	if err != nil {
		return err
	}
	var opts []jetstream.KVDeleteOpt
	if rev := g.known(key); rev > 0 {
		opts = append(opts, jetstream.LastRevision(rev))
	}
	if err := kv.Delete(ctx, key, opts...); err != nil {
		return changed("delete "+key, err)
	}
	g.note(key, 0)
	return nil
}

func changed(what string, err error) error {
	if isTaken(err) {
		return &events.Fault{Kind: ErrChanged, Who: "log", What: what, Cause: err}
	}
	return unavailable(what, err)
}
