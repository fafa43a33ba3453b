package streamlog

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

const (
	fewEntries = 8           // up to these are asked for one by one; a consumer costs three round trips
	pullBytes  = 16 << 20    // on their way at once; at least two of the largest entries
	pullCount  = 256         // on their way at once
	quietAfter = time.Second // without an entry from a consumer, the stream is asked for it
)

// remote is the stream of a log by URL.
type remote struct{ log *Log }

// open implements store.
func (r *remote) open(_ context.Context, from, through events.Position) (cursor, error) {
	return &remoteCursor{log: r.log, want: from, through: through}, nil
}

// A remoteCursor reads entries from the leader of the stream: a few by request,
// many by an ordered consumer. A consumer skips what the server cannot read, so
// a gap is asked for once more before it is called one.
type remoteCursor struct {
	log           *Log
	want, through events.Position
	msgs          jetstream.MessagesContext
	ahead         *raw // arrived, but behind missing ones
	alone         int  // so many are asked for one by one: a consumer fell silent
}

func (c *remoteCursor) close() {
	if c.msgs != nil {
		c.msgs.Stop()
		c.msgs = nil
	}
}

func (c *remoteCursor) next(ctx context.Context) (raw, error) {
	if c.want > c.through {
		return raw{}, io.EOF
	}
	if k, err := c.log.anyLink(); err != nil {
		return raw{}, err
	} else if k.stream == nil || c.msgs == nil && c.through-c.want < fewEntries || c.alone > 0 {
		c.alone = max(0, c.alone-1)
		return c.ask(ctx)
	}
	r, err := c.pull(ctx)
	switch {
	case errors.Is(err, errQuiet): // its server may be gone, and it with it
		c.close()
		c.alone = pullCount
		return c.ask(ctx)
	case err == nil && r.pos > c.want:
		c.ahead = &r
		return c.ask(ctx)
	case err != nil:
		return raw{}, err
	}
	c.want = r.pos + 1
	return r, nil
}

// ask requests the entry wanted; if it is not there, it is missing, and with it
// all behind it if the stream ends before.
func (c *remoteCursor) ask(ctx context.Context) (raw, error) {
	r, err := c.get(ctx, c.want)
	if f := (*flaw)(nil); errors.As(err, &f) {
		if f.to, err = c.lostUpTo(ctx); err != nil {
			return raw{}, err
		}
		c.want = f.to + 1
		return raw{}, f
	}
	if err != nil {
		return raw{}, err
	}
	c.want++
	return r, nil
}

// lostUpTo returns where the entries end that are missing from the one wanted.
func (c *remoteCursor) lostUpTo(ctx context.Context) (events.Position, error) {
	k, err := c.log.anyLink()
	if err != nil {
		return 0, err
	}
	tail, err := k.lastFrom(ctx, c.want)
	if f := (*flaw)(nil); err != nil && !errors.As(err, &f) {
		return 0, err
	}
	if tail < c.want {
		return c.through, nil
	}
	return c.want, nil
}

// get requests one entry from the stream's leader.
func (c *remoteCursor) get(ctx context.Context, pos events.Position) (raw, error) {
	k, err := c.log.anyLink()
	if err != nil {
		return raw{}, err
	}
	if k.stream == nil {
		f := k.noStream()
		f.from, f.to = pos, pos
		return raw{}, f
	}
	m, err := k.stream.GetMsg(ctx, uint64(pos))
	if errors.Is(err, jetstream.ErrMsgNotFound) && k.replicas > 1 { // a new leader may be behind
		if _, lerr := k.lastFrom(ctx, pos); lerr != nil {
			return raw{}, lerr
		}
		m, err = k.stream.GetMsg(ctx, uint64(pos))
	}
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return raw{}, &flaw{
			from: pos, to: pos, where: "stream " + k.name, what: "stored entries",
			wanted: fmt.Sprintf("position %d", pos), got: "none that the server can read",
		}
	}
	if err != nil {
		return raw{}, unavailable(fmt.Sprintf("read position %d", pos), err)
	}
	return raw{pos, m.Data, "stream " + k.name}, nil
}

// pull returns the next entry of the consumer at or behind the one wanted.
func (c *remoteCursor) pull(ctx context.Context) (raw, error) {
	if r := c.ahead; r != nil && r.pos >= c.want {
		if r.pos == c.want {
			c.ahead = nil
		}
		return *r, nil
	}
	c.ahead = nil
	k, err := c.log.anyLink()
	if err != nil {
		return raw{}, err
	}
	if c.msgs == nil {
		if err := c.consume(ctx, k); err != nil {
			return raw{}, unavailable("read the stream", err)
		}
	}
	for {
		m, err := nextWithin(ctx, c.msgs, quietAfter)
		if errors.Is(err, errQuiet) || ctx.Err() != nil {
			return raw{}, err
		}
		if err != nil {
			return raw{}, unavailable("read the stream", err)
		}
		meta, err := m.Metadata()
		if err != nil {
			return raw{}, unavailable("read the stream", err)
		}
		if pos := events.Position(meta.Sequence.Stream); pos >= c.want {
			return raw{pos, m.Data(), "stream " + k.name}, nil
		}
	}
}

var errQuiet = errors.New("nothing arrived")

// nextWithin returns the next message, the cause if ctx ends, or errQuiet.
func nextWithin(ctx context.Context, msgs jetstream.MessagesContext, d time.Duration) (jetstream.Msg, error) {
	short, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	m, err := msgs.Next(jetstream.NextContext(short))
	if err != nil && ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, nats.ErrTimeout) {
		return nil, errQuiet
	}
	return m, err
}

func (c *remoteCursor) consume(ctx context.Context, k *link) error {
	cons, err := k.js.OrderedConsumer(ctx, k.name, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: uint64(c.want), MaxResetAttempts: 3,
	})
	if err != nil {
		return err
	}
	size := max(pullBytes, 2*int(k.nc.MaxPayload()))
	c.msgs, err = cons.Messages(jetstream.PullMaxMessagesWithBytesLimit(pullCount, size))
	return err
}
