package streamlog

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

const (
	appendWithin = 20 * time.Second // for an acknowledgement
	askWithin    = 5 * time.Second  // for the tail, when an outcome is unknown

	// A leader that dies answers nothing, and the next one knows nothing of what
	// was on its way to it: sent again soon.
	clusterWithin = 5 * time.Second
)

// Append appends an entry and returns its position. It fills V, Log, At, Prev
// and, if it is empty, Time. When it returns without an error the entry is on
// the disk (for a log by URL: acknowledged by the stream) and so is the head
// anchor that names it: only then may anything be acknowledged, moved or
// forgotten upstream. This is the beat "append" of the way in; the kill test of
// this package covers it.
//
// After an error the entry is not in the log, or it is as if the entry were
// somebody else's: the next call then returns a [*TailMovedError] instead of
// appending, and the caller works out identity from the new tail. So an entry
// is never stored twice.
//
// Errors are of kind [events.ErrInvalid] for an entry too large for a message or
// a log opened read-only, [events.ErrCorrupt] if the log is damaged, and
// [events.ErrUnavailable] if disk or server do not answer or the tail moved.
// Append blocks while another append is under way and until the outcome is
// known; ctx ends both, the second after asking the stream once more.
func (l *Log) Append(ctx context.Context, e *events.Entry) (events.Position, error) {
	if l.opt.ReadOnly {
		return 0, &events.Fault{Kind: events.ErrInvalid, Who: "log", Where: l.opt.Dir, What: "append to a log opened read-only"}
	}
	if err := l.take(ctx); err != nil {
		return 0, err
	}
	defer func() { <-l.appending }()
	if err := l.settle(ctx); err != nil {
		return 0, err
	}
	k, err := l.connection()
	if err != nil {
		return 0, err
	}
	if err := l.makeRoom(ctx, k); err != nil {
		return 0, err
	}
	e.V, e.Log, e.At, e.Prev = events.EntryVersion, l.id, l.expect.pos+1, l.expect.hash
	if e.Time == "" {
		e.Time = events.FormatTime(l.opt.Now())
	}
	if l.buf, err = e.Append(l.buf[:0]); err != nil {
		return 0, err
	}
	if len(l.buf) > k.bound() {
		return 0, &events.Fault{
			Kind: events.ErrInvalid, Who: "log", What: "size of an entry",
			Wanted: fmt.Sprintf("at most %d bytes (the server's max_payload)", k.bound()), Got: fmt.Sprint(len(l.buf)),
		}
	}
	if err := l.publish(ctx, k, mark{e.At, events.EntryHash(l.buf)}); err != nil {
		return 0, err
	}
	return e.At, nil
}

// take waits for the token of the appender.
func (l *Log) take(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case l.appending <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-l.done:
		return errClosed
	}
}

// publish stores the entry in l.buf and writes the anchor.
func (l *Log) publish(ctx context.Context, k *link, m mark) error {
	l.unsure = true
	err := k.publish(ctx, l.subject, l.buf, l.expect.pos)
	if err != nil {
		err = l.resolve(ctx, k, m, err)
	}
	if err == nil {
		err = l.syncNames()
	}
	if err == nil {
		err = l.advance(m)
	}
	if err != nil {
		return err
	}
	if l.refused >= roomAfter {
		l.sayRoom(k, roomDone)
	}
	l.expect, l.unsure, l.refused = m, false, 0
	return nil
}

// syncNames makes the name of a new block file as durable as what is in it.
func (l *Log) syncNames() error {
	if l.blocks == nil {
		return nil
	}
	now := l.blocks.current()
	if now == l.named {
		return nil
	}
	if err := syncFolder(l.blocks.dir); err != nil {
		return unavailable("sync the blocks", err)
	}
	l.named = now
	return nil
}

// publish sends a message and waits for its acknowledgement.
func (k *link) publish(ctx context.Context, subject string, body []byte, after events.Position) error {
	patience := appendWithin
	if k.replicas > 1 {
		patience = clusterWithin
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	defer k.log.whenFailed(cancel)() // the embedded server answers no failed write
	ctx, end := k.whileConnected(ctx)
	defer end()
	ack, err := k.js.PublishMsg(ctx, &nats.Msg{Subject: subject, Data: body},
		jetstream.WithExpectStream(k.name), jetstream.WithExpectLastSequence(uint64(after)))
	if text := k.log.failure(); err != nil && text != "" {
		return errors.New(text) // says more than that nobody answered
	}
	if err != nil {
		return orLost(ctx, err)
	}
	if ack.Stream != k.name || ack.Domain != k.domain || ack.Sequence != uint64(after)+1 || ack.Duplicate {
		return &foreignAck{want: fmt.Sprintf("stream %s, domain %q, position %d", k.name, k.domain, after+1), ack: *ack}
	}
	return nil
}

// A foreignAck is an acknowledgement from another stream or domain: it says
// nothing of the log.
type foreignAck struct {
	want string
	ack  jetstream.PubAck
}

func (f *foreignAck) Error() string {
	return fmt.Sprintf("wanted %s, got stream %s, domain %q, position %d, duplicate %t",
		f.want, f.ack.Stream, f.ack.Domain, f.ack.Sequence, f.ack.Duplicate)
}
