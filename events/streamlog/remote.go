package streamlog

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// openURL opens the log of an external stream, making the stream if it is not
// there and this folder has never seen it.
func (l *Log) openURL(ctx context.Context) error {
	h, err := openHead(l.opt.Dir, l.opt.ReadOnly)
	lost := (*flaw)(nil)
	switch {
	case err == nil:
		l.adopt(h)
	case !errors.As(err, &lost) && !errors.Is(err, errNoHead):
		return err
	}
	k := &link{log: &serverLog{logger: l.opt.Logger}, buckets: map[string]jetstream.KeyValue{}}
	l.setLink(k)
	l.store = &remote{l}
	opts, err := l.dialOptions()
	if err != nil {
		return err
	}
	if err := k.connect(l.opt.URL, opts...); err != nil {
		return err
	}
	if lost != nil {
		return l.joinBlind(ctx, k, lost)
	}
	err = l.join(ctx, k)
	if f := (*flaw)(nil); errors.As(err, &f) {
		l.fail(f)
		return nil
	}
	if err != nil || l.opt.ReadOnly {
		return err
	}
	if l.self, err = newID(l.opt.Rand); err != nil {
		return err
	}
	if err := l.hearRoom(k); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	l.work.Go(func() { l.watch(ctx, k) })
	l.work.Go(func() { <-l.done; cancel() })
	return nil
}

// joinBlind opens a log whose anchor is damaged, for reading.
func (l *Log) joinBlind(ctx context.Context, k *link, lost *flaw) error {
	info, err := k.find(ctx, l.opt.Stream)
	if err != nil {
		return err
	}
	l.setID(idOf(info.Config.Subjects[0]))
	l.last = mark{events.Position(info.State.LastSeq), ""}
	l.fail(lost, "without the anchor nothing tells whether stream "+l.opt.Stream+" has lost entries")
	return nil
}

func (l *Log) dialOptions() ([]nats.Option, error) {
	opts, err := l.opt.Login.options()
	if err != nil {
		return nil, err
	}
	return append(opts,
		nats.ReconnectWait(500*time.Millisecond),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				l.opt.Logger.Error("log connection lost", "server", redact(l.opt.URL), "error", err)
			}
		}),
		nats.ReconnectHandler(func(*nats.Conn) {
			l.opt.Logger.Info("log connection is back", "server", redact(l.opt.URL))
		}),
	), nil
}

// redact takes the passwords out of a list of server addresses.
func redact(list string) string {
	parts := strings.Split(list, ",")
	for i, p := range parts {
		if u, err := url.Parse(strings.TrimSpace(p)); err == nil {
			if u.User != nil {
				u.User = url.User("xxxxx") // a lone user name is a token
			}
			parts[i] = u.String()
		}
	}
	return strings.Join(parts, ",")
}

// join finds or makes the stream and checks it against the anchor.
func (l *Log) join(ctx context.Context, k *link) error {
	info, err := k.find(ctx, l.opt.Stream)
	if errors.Is(err, events.ErrNotFound) {
		if info, err = l.found(ctx, k, err); err != nil {
			return err
		}
	}
	if err != nil {
		return err
	}
	if info.Config.Replicas < l.opt.Replicas {
		return &events.Fault{
			Kind: events.ErrInvalid, Who: "log", Where: "stream " + l.opt.Stream, What: "replicas",
			Wanted: fmt.Sprintf("at least %d", l.opt.Replicas), Got: fmt.Sprint(info.Config.Replicas),
			Hints: []string{"raise them at the server; nothing is lost by it, and daemons need not be stopped"},
		}
	}
	id := idOf(info.Config.Subjects[0])
	if l.head != nil && l.head.id != id && l.last.pos > 0 {
		return &events.Fault{
			Kind: events.ErrInvalid, Who: "log", Where: "stream " + l.opt.Stream, What: "log id",
			Wanted: l.head.id + ", the log this data folder belongs to", Got: id,
			Hints: []string{"one data folder belongs to one log: correct stream or URL, or use an empty folder"},
		}
	}
	l.setID(id)
	tail, err := k.lastFrom(ctx, l.last.pos)
	if err != nil {
		return err
	}
	if l.head == nil || l.head.id != id {
		return l.firstJoin(ctx, tail)
	}
	return l.rejoin(ctx, tail)
}

// found makes the stream of a new log.
func (l *Log) found(ctx context.Context, k *link, absent error) (*jetstream.StreamInfo, error) {
	if l.last.pos > 0 {
		return nil, &flaw{
			from: 1, to: l.last.pos, where: "stream " + l.opt.Stream, what: "stream",
			wanted: fmt.Sprintf("the log up to position %d, as the head anchor says", l.last.pos), got: "none",
		}
	}
	if l.opt.ReadOnly {
		return nil, absent
	}
	if l.head == nil {
		id, err := newID(l.opt.Rand)
		if err != nil {
			return nil, err
		}
		h, err := createHead(l.opt.Dir, id, start)
		if err != nil {
			return nil, err
		}
		l.adopt(h)
	}
	return k.create(ctx, l.opt.Stream, l.subject, l.opt.Replicas)
}

// firstJoin begins to follow a stream that others have written: it is taken as
// it is, and its chain is checked by whoever reads it.
func (l *Log) firstJoin(ctx context.Context, tail events.Position) error {
	m := start
	if tail > 0 {
		r, e, err := l.tailEntry(ctx, tail)
		if err != nil {
			return err
		}
		m = mark{e.At, events.EntryHash(r.body)}
	}
	if !l.opt.ReadOnly {
		h, err := createHead(l.opt.Dir, l.id, m)
		if err != nil {
			return err
		}
		if l.head != nil {
			l.head.close()
		}
		l.head = h
	}
	l.last, l.expect = m, m
	return nil
}

// rejoin checks that the stream still holds what the anchor names, and that
// what came after it chains.
func (l *Log) rejoin(ctx context.Context, tail events.Position) error {
	anchor := l.last
	if anchor.pos > 0 && tail >= anchor.pos {
		r, _, err := l.tailEntry(ctx, anchor.pos)
		if err != nil {
			return err
		}
		if got := events.EntryHash(r.body); got != anchor.hash {
			return &flaw{
				from: anchor.pos, to: anchor.pos, where: "stream " + l.opt.Stream, what: "entry",
				wanted: "the one the head anchor names, " + anchor.hash, got: got,
			}
		}
	}
	m, err := l.follow(ctx, anchor, tail)
	if l.Damage() != nil {
		return nil // told by follow
	}
	if err != nil {
		return err
	}
	l.expect = m
	if l.opt.ReadOnly {
		l.last = m
		return nil
	}
	return l.advance(m)
}

// tailEntry reads one entry and checks what it says of itself.
func (l *Log) tailEntry(ctx context.Context, pos events.Position) (raw, *events.Entry, error) {
	c := &remoteCursor{log: l, want: pos, through: pos}
	r, err := c.get(ctx, pos)
	if err != nil {
		return r, nil, err
	}
	e, err := events.ParseEntry(r.body)
	if errors.Is(err, events.ErrInvalid) {
		return r, nil, err
	}
	if f := wrongEntry(e, err, l.id, mark{pos, ""}); f != nil {
		f.where = r.where
		return r, nil, f
	}
	return r, e, nil
}
