package streamlog

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// resolve finds out what became of an append that was not acknowledged: nil
// means that the entry is stored after all.
func (l *Log) resolve(ctx context.Context, k *link, m mark, cause error) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), askWithin)
	defer cancel()
	if f := (*foreignAck)(nil); errors.As(cause, &f) {
		return &events.Fault{
			Kind: events.ErrInvalid, Who: "log", Where: "subject " + l.subject, What: "acknowledgement", Cause: cause,
			Hints: []string{"another stream, or something else, answers on the subject of this log: leave it to this log alone"},
		}
	}
	tail, err := k.lastFrom(ctx, l.expect.pos)
	if f := (*flaw)(nil); errors.As(err, &f) {
		return l.fail(f)
	}
	if err != nil {
		return unavailable("append", errors.Join(cause, err))
	}
	if tail == l.expect.pos {
		if isWrongSequence(cause) {
			l.refused++ // others have sent what is not stored yet
		}
		return unavailable("append", cause)
	}
	got, err := l.follow(ctx, l.expect, tail)
	if err != nil {
		return err
	}
	if tail == m.pos && got.hash == m.hash {
		return nil
	}
	return l.movedTo(got)
}

func isWrongSequence(err error) bool {
	api := (*jetstream.APIError)(nil)
	return errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence
}

// settle makes sure, before anything is appended, that the tail is where the
// caller knows it to be, and restarts a server that failed.
func (l *Log) settle(ctx context.Context) error {
	k, err := l.connection()
	if err != nil && l.state() != nil {
		return err
	}
	if l.blocks != nil && (k == nil || k.log.failure() != "") {
		return l.restart(ctx)
	}
	if !l.unsure {
		return nil
	}
	tail, err := k.lastFrom(ctx, l.expect.pos)
	if f := (*flaw)(nil); errors.As(err, &f) {
		return l.fail(f)
	}
	if err != nil {
		return err
	}
	got, err := l.follow(ctx, l.expect, tail)
	if err != nil {
		return err
	}
	if got != l.expect {
		return l.movedTo(got)
	}
	l.unsure = false
	return nil
}

// restart stops a server that failed (a full disk leaves it frozen) and opens
// the store again with all checks.
func (l *Log) restart(ctx context.Context) error {
	l.setLink(nil)
	before := l.expect
	err := l.examine(ctx)
	if f := (*flaw)(nil); errors.As(err, &f) {
		if err := l.keepWhole(f); err != nil {
			return err
		}
		return l.Damage()
	}
	if err != nil {
		return err
	}
	if l.expect != before {
		return &TailMovedError{l.expect.pos, l.expect.hash}
	}
	return nil
}

// movedTo takes over a tail that others, or an append of unknown outcome, moved.
func (l *Log) movedTo(m mark) error {
	if l.blocks != nil {
		if err := l.settleTail(m); err != nil {
			return err
		}
	} else if err := l.advance(m); err != nil {
		return err
	}
	l.expect, l.unsure = m, false
	l.refused++
	return &TailMovedError{m.pos, m.hash}
}

// follow reads from behind a known entry to the tail and checks the chain. It
// returns the tail with its hash.
func (l *Log) follow(ctx context.Context, from mark, tail events.Position) (mark, error) {
	if tail < from.pos {
		return from, l.fail(&flaw{
			from: tail + 1, to: from.pos, where: l.storeName(), what: "end of the log",
			wanted: fmt.Sprintf("position %d", from.pos), got: fmt.Sprintf("position %d", tail),
		})
	}
	if tail == from.pos {
		return from, nil
	}
	c, err := l.store.open(ctx, from.pos+1, tail)
	if err != nil {
		return from, err
	}
	defer c.close()
	for from.pos < tail {
		r, err := c.next(ctx)
		if err == nil {
			e, perr := events.ParseEntry(r.body)
			if errors.Is(perr, events.ErrInvalid) {
				return from, perr
			}
			if f := wrongEntry(e, perr, l.id, mark{from.pos + 1, from.hash}); f != nil {
				f.where, err = r.where, f
			}
		}
		if f := (*flaw)(nil); errors.As(err, &f) {
			return from, l.fail(f)
		}
		if err != nil {
			return from, err
		}
		from = mark{r.pos, events.EntryHash(r.body)}
	}
	return from, nil
}

func (l *Log) storeName() string {
	if l.blocks != nil {
		return l.blocks.dir
	}
	return "stream " + l.opt.Stream
}
