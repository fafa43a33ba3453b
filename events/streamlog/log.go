package streamlog

import (
	"context"
	"errors"
	"strings"
	"sync"
	"time"

	"dewclaw/events"
)

// A Log is an append-only stream of entries. Its methods may be called by
// several goroutines at once; appends wait for each other, reads for nobody.
type Log struct {
	opt     Options
	id      string
	subject string
	lock    *lock
	head    *head   // nil if both slots are damaged
	blocks  *blocks // of the embedded server; nil by URL
	store   store

	done chan struct{} // closed by Close
	work sync.WaitGroup

	appending chan struct{} // one token: who holds it appends
	expect    mark          // newest entry the appender has been told of; with the token
	unsure    bool          // an append ended without a known outcome; with the token
	buf       []byte        // of the entry being appended; with the token
	named     uint32        // newest block whose name is durable; with the token
	refused   int           // appends one after the other because others were first; with the token

	self string // names this opening of a log by URL to the others; "" if nobody else appends

	linkMu sync.RWMutex
	link   *link // nil if nothing was started

	mu     sync.Mutex
	last   mark
	moved  chan struct{} // closed and replaced when last moves, or nothing more can
	damage *events.Fault
	closed bool
	room   time.Time // until when another one is let first
	roomOf string    // which
}

// ID returns the id of the log: 26 characters, or "" if damage hides it.
func (l *Log) ID() string { return l.id }

// Last returns the newest acknowledged position and the hash of the entry there
// (SHA-256 in hex). An empty log returns 0 and [events.NoEntry]. Of a damaged
// log it is what the head anchor says was acknowledged, or the newest entry
// that is whole if the anchor cannot be read.
func (l *Log) Last() (events.Position, string) {
	m := l.newest()
	return m.pos, m.hash
}

func (l *Log) newest() mark {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.last
}

// Damage returns nil, or an [*events.Fault] of kind [events.ErrCorrupt] that
// tells what was found damaged first: at open, or by a reader since. It says
// where, what is safe and what to do.
func (l *Log) Damage() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.damage == nil {
		return nil
	}
	return l.damage
}

// fail records damage: from here on nothing is appended. It returns the fault.
func (l *Log) fail(f *flaw, hints ...string) *events.Fault {
	fault := f.fault(hints...)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.damage == nil {
		l.damage = fault
		l.opt.Logger.Error("log damaged", "where", fault.Where, "error", fault)
		l.wake()
	}
	return fault
}

// advance makes m the newest acknowledged entry: it is on the disk, the anchor
// is written, and waiters wake up.
func (l *Log) advance(m mark) error {
	if m.pos <= l.newest().pos {
		return nil
	}
	if err := l.head.write(m); err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if m.pos > l.last.pos {
		l.last = m
		l.wake()
	}
	return nil
}

// wake wakes all waiters; l.mu is held.
func (l *Log) wake() {
	close(l.moved)
	l.moved = make(chan struct{})
}

// Wait blocks until there is an entry after the position, by this process or,
// for a log by URL, by any other. It returns nil then, the cause if ctx ends,
// an error of kind [events.ErrCorrupt] if the log is damaged and of kind
// [events.ErrUnavailable] if it is closed.
func (l *Log) Wait(ctx context.Context, after events.Position) error {
	for {
		l.mu.Lock()
		last, moved, damage, closed := l.last.pos, l.moved, l.damage, l.closed
		l.mu.Unlock()
		switch {
		case damage != nil:
			return damage
		case last > after:
			return nil
		case closed:
			return errClosed
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Close ends the server or the connection and lets go of the folder. An append
// under way is waited for. It returns within half a minute, and nil; a second
// call does nothing.
func (l *Log) Close() error {
	l.mu.Lock()
	was := l.closed
	l.closed = true
	if !was {
		l.wake()
	}
	l.mu.Unlock()
	if was {
		return nil
	}
	close(l.done)
	l.appending <- struct{}{} // for good
	l.work.Wait()
	l.setLink(nil)
	if l.head != nil {
		l.head.close()
	}
	l.lock.release()
	return nil
}

// state returns what keeps the log from being used, if something does.
func (l *Log) state() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.closed:
		return errClosed
	case l.damage != nil:
		return l.damage
	}
	return nil
}

// connection returns the link in use, of a log that is neither closed nor
// damaged.
func (l *Log) connection() (*link, error) {
	if err := l.state(); err != nil {
		return nil, err
	}
	return l.anyLink()
}

// anyLink returns the link in use, even of a damaged log.
func (l *Log) anyLink() (*link, error) {
	l.linkMu.RLock()
	defer l.linkMu.RUnlock()
	if l.link == nil {
		return nil, errNoServer
	}
	return l.link, nil
}

var errNoServer = unavailable("ask the server", errors.New("it is not running"))

// setLink puts a link in use and ends the one before it.
func (l *Log) setLink(k *link) {
	l.linkMu.Lock()
	defer l.linkMu.Unlock()
	l.link.close()
	l.link = k
}

// setID sets what follows from the id of the log.
func (l *Log) setID(id string) {
	l.id, l.subject = id, subjectPrefix+id
}

// idOf returns the id in the subject of a log's stream.
func idOf(subject string) string { return strings.TrimPrefix(subject, subjectPrefix) }
