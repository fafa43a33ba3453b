package intake_test

import (
	"context"
	"fmt"
	"iter"
	"sync"

	"dewclaw/events"
)

// A memoryLog keeps entries as bytes, checks nothing and cannot fail: the log
// for tests that are not about the log.
type memoryLog struct {
	mu    sync.Mutex
	id    string
	bytes [][]byte
	fail  error // of the append at failAt
	at    events.Position
}

func (l *memoryLog) ID() string { return l.id }

func (l *memoryLog) Last() (events.Position, string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.last()
}

func (l *memoryLog) last() (events.Position, string) {
	if len(l.bytes) == 0 {
		return 0, events.NoEntry
	}
	return events.Position(len(l.bytes)), events.EntryHash(l.bytes[len(l.bytes)-1])
}

func (l *memoryLog) Append(ctx context.Context, e *events.Entry) (events.Position, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	at, hash := l.last()
	if l.fail != nil && at+1 == l.at {
		err := l.fail
		l.fail = nil
		return 0, err
	}
	e.V, e.Log, e.At, e.Prev = events.EntryVersion, l.id, at+1, hash
	if e.Time == "" {
		e.Time = "2026-04-01T00:00:00Z"
	}
	b, err := e.Append(nil)
	if err != nil {
		return 0, err
	}
	l.bytes = append(l.bytes, b)
	return e.At, nil
}

func (l *memoryLog) Get(_ context.Context, p events.Position) (*events.Entry, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if p < 1 || int(p) > len(l.bytes) {
		return nil, fmt.Errorf("log position %d: %w", p, events.ErrNotFound)
	}
	return events.ParseEntry(l.bytes[p-1])
}

func (l *memoryLog) Read(ctx context.Context, from events.Position) iter.Seq2[*events.Entry, error] {
	return func(yield func(*events.Entry, error) bool) {
		last, _ := l.Last()
		for p := max(from, 1); p <= last; p++ {
			e, err := l.Get(ctx, p)
			if !yield(e, err) || err != nil {
				return
			}
		}
	}
}

// failAt makes the append of a position fail once.
func (l *memoryLog) failAt(p events.Position, err error) { l.at, l.fail = p, err }

// cut makes the log end at a position, as a crash before the next append would.
func (l *memoryLog) cut(at events.Position) *memoryLog {
	return &memoryLog{id: l.id, bytes: append([][]byte(nil), l.bytes[:at]...)}
}
