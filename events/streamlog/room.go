package streamlog

import (
	"context"
	"time"

	"github.com/nats-io/nats.go"
)

// Daemons that share a log append at its tail, and whoever has just appended
// knows it first: one that reads a large file would leave no room for the others.
// So one that was refused twice asks for room, on a subject beside the log's that
// no stream keeps, and the others wait until it says that it is done, or half a
// second. Nothing depends on it but who waits for how long.
const (
	roomPrefix = "dewclaw.room."
	roomDone   = "done"
	roomAfter  = 2 // refusals one after the other
	roomFor    = 500 * time.Millisecond
	roomHeard  = 20 * time.Millisecond // until the others have heard of it and what they had sent is stored
)

// hearRoom listens for those who ask for room.
func (l *Log) hearRoom(k *link) error {
	_, err := k.nc.Subscribe(roomPrefix+l.id, func(m *nats.Msg) {
		from, done := m.Header.Get("from"), string(m.Data) == roomDone
		if from == l.self {
			return
		}
		l.mu.Lock()
		defer l.mu.Unlock()
		switch {
		case !done:
			l.room, l.roomOf = time.Now().Add(roomFor), from
		case from == l.roomOf:
			l.room = time.Time{}
			l.wake()
		}
	})
	if err != nil {
		return unavailable("follow the log", err)
	}
	return nil
}

// sayRoom asks for room, or says that it is done. A connection that is lost is met
// by what follows.
func (l *Log) sayRoom(k *link, what string) {
	_ = k.nc.PublishMsg(&nats.Msg{Subject: roomPrefix + l.id, Header: nats.Header{"from": {l.self}}, Data: []byte(what)})
}

// makeRoom asks for room if this log was refused again and again, and gives it to
// others if it was not.
func (l *Log) makeRoom(ctx context.Context, k *link) error {
	if l.self == "" { // nobody else appends
		return nil
	}
	if l.refused >= roomAfter {
		l.sayRoom(k, "")
		return l.until(ctx, nil, roomHeard)
	}
	for {
		l.mu.Lock()
		wait, moved := time.Until(l.room), l.moved
		l.mu.Unlock()
		if wait <= 0 {
			return nil
		}
		if err := l.until(ctx, moved, wait); err != nil {
			return err
		}
	}
}

// until waits for a channel to be closed, a time, or the end of ctx or the log.
func (l *Log) until(ctx context.Context, moved <-chan struct{}, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-moved:
	case <-t.C:
	case <-l.done:
		return errClosed
	case <-ctx.Done():
		return ctx.Err()
	}
	return nil
}
