package measures_test

import (
	"context"
	"fmt"
	"iter"
	"path/filepath"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// A memLog is a log in memory.
type memLog struct{ entries [][]byte }

func (l *memLog) ID() string                      { return "test" }
func (l *memLog) Last() (events.Position, string) { return events.Position(len(l.entries)), "" }
func (l *memLog) Wait(ctx context.Context, _ events.Position) error {
	<-ctx.Done()
	return ctx.Err()
}

func (l *memLog) Read(_ context.Context, from events.Position) iter.Seq2[*events.Entry, error] {
	return func(yield func(*events.Entry, error) bool) {
		for p := int(from); p <= len(l.entries); p++ {
			e, err := events.ParseEntry(l.entries[p-1])
			if !yield(e, err) || err != nil {
				return
			}
		}
	}
}

// A line is one event on its way into the log.
type line struct {
	farm, source, record, slot string
	p                          events.Payload
}

func (l line) entity() events.Entity {
	k := events.NewKeyer(l.farm, l.source)
	return k.OwnKey(l.record).Entity(k.Slot(l.p.Kind(), 0, l.slot))
}

// put appends an entry of lines of one source.
func (l *memLog) put(received string, lines []line) {
	e := &events.Entry{
		V: events.EntryVersion, Log: "test", At: events.Position(len(l.entries) + 1), Prev: events.NoEntry, Cause: events.CauseChunk,
		Source: lines[0].source, Time: received + "T10:00:00Z", Received: received + "T09:59:59Z", Defaults: events.Defaults{Farm: lines[0].farm},
	}
	if n := len(l.entries); n > 0 {
		e.Prev = events.EntryHash(l.entries[n-1])
	}
	var enc events.Encoder
	for _, x := range lines {
		data, _ := enc.Append(nil, x.p)
		open := events.AppendOpen(nil, events.Envelope{Kind: x.p.Kind(), Entity: x.entity()}, data)
		e.Events = append(e.Events, events.AppendRevision(nil, open, events.Revision{Number: 1, Change: events.Recorded}))
	}
	b, err := e.Append(nil)
	if err != nil {
		panic(err)
	}
	l.entries = append(l.entries, b)
}

// herdOf builds the read model of a log and returns a view of it.
func herdOf(t testing.TB, l *memLog) *herd.View {
	t.Helper()
	return grownHerd(t, l, 1, func(int) {})
}

// grownHerd is herdOf for a log that comes in parts, which add makes. What the read
// model has of them is dropped from the log.
func grownHerd(t testing.TB, l *memLog, parts int, add func(part int)) *herd.View {
	t.Helper()
	h, err := herd.Open(t.Context(), herd.Options{Path: filepath.Join(t.TempDir(), "herd.db"), Log: l})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.Close() })
	for part := range parts {
		add(part)
		if err := h.CatchUp(t.Context()); err != nil {
			t.Fatal(err)
		}
		if part < parts-1 {
			clear(l.entries)
		}
	}
	v, err := h.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = v.Close() })
	return v
}

func tag(n int) string { return fmt.Sprintf("DE09%08d", n) }
