package streamlog

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// watch follows what others append, until ctx ends.
func (l *Log) watch(ctx context.Context, k *link) {
	for ctx.Err() == nil && l.state() == nil {
		if err := l.watchStream(ctx, k); err != nil && ctx.Err() == nil {
			l.opt.Logger.Warn("follow the log", "stream", k.name, "error", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

// watchEvery is how often the tail is asked for when nothing is heard.
const watchEvery = 30 * time.Second

func (l *Log) watchStream(ctx context.Context, k *link) error {
	if err := l.refresh(ctx, k); err != nil {
		return err
	}
	c, err := k.js.OrderedConsumer(ctx, k.name, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: uint64(l.newest().pos) + 1,
		HeadersOnly: true, MaxResetAttempts: 1,
	})
	if err != nil {
		return err
	}
	msgs, err := c.Messages()
	if err != nil {
		return err
	}
	defer msgs.Stop()
	for l.state() == nil {
		m, err := nextWithin(ctx, msgs, watchEvery)
		if err != nil && !errors.Is(err, errQuiet) {
			return err
		}
		if err == nil {
			meta, err := m.Metadata()
			if err != nil {
				return err
			}
			if events.Position(meta.Sequence.Stream) <= l.newest().pos {
				continue
			}
		}
		if err := l.refresh(ctx, k); err != nil {
			return err
		}
	}
	return nil
}

// Refresh brings Last up to what others have appended, as far as the server that
// answers knows: one of a cluster may be behind. It does nothing for a log of this
// process alone. Errors are of kind [events.ErrUnavailable] if the server does not
// answer and [events.ErrCorrupt] if the log is damaged.
func (l *Log) Refresh(ctx context.Context) error {
	if l.opt.URL == "" {
		return nil
	}
	k, err := l.anyLink()
	if err != nil {
		return err
	}
	return l.refresh(ctx, k)
}

// refresh reads what others appended since the newest entry known, checks its
// chain, writes the anchor and wakes waiters.
func (l *Log) refresh(ctx context.Context, k *link) error {
	ctx, cancel := context.WithTimeout(ctx, watchEvery)
	defer cancel()
	known := l.newest() // before asking: this process appends as well
	tail, err := k.lastFrom(ctx, known.pos)
	if f := (*flaw)(nil); errors.As(err, &f) {
		return l.fail(f)
	}
	if err != nil {
		return err
	}
	if tail == known.pos {
		return nil
	}
	m, err := l.follow(ctx, known, tail)
	if err != nil {
		return err
	}
	return l.advance(m)
}
