package worklist_test

import (
	"context"
	"flag"
	"fmt"
	"iter"
	"path/filepath"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/worklist"
)

var long = flag.Bool("long", false, "the long forms of property tests and benchmarks")

// zone has no clock changes.
var zone = time.FixedZone("", 3600)

// A memLog is a log in memory.
type memLog struct{ entries [][]byte }

func (l *memLog) ID() string                      { return "lists" }
func (l *memLog) Last() (events.Position, string) { return events.Position(len(l.entries)), "" }

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

func (l *memLog) Wait(ctx context.Context, _ events.Position) error {
	<-ctx.Done()
	return ctx.Err()
}

// events returns all events of the log, by farm.
func (l *memLog) events(t testing.TB) map[string][]events.Event {
	t.Helper()
	out := map[string][]events.Event{}
	for e, err := range l.Read(t.Context(), 1) {
		if err != nil {
			t.Fatal(err)
		}
		for i := range e.Events {
			ev, err := e.Event(i)
			if err != nil {
				t.Fatal(err)
			}
			out[ev.Farm] = append(out[ev.Farm], ev)
		}
	}
	return out
}

// A line is one event on its way into a log.
type line struct {
	farm, source, record, slot string
	change                     events.Change // recorded if empty
	payload                    events.Payload
}

// A writer puts lines into a log and numbers their revisions.
type writer struct {
	log memLog
	rev map[events.Entity]events.Revision
	enc events.Encoder
}

func newWriter() *writer { return &writer{rev: map[events.Entity]events.Revision{}} }

// put appends one entry of lines of one farm and source.
func (w *writer) put(lines ...line) {
	at := events.Position(len(w.log.entries) + 1)
	e := &events.Entry{
		V: events.EntryVersion, Log: w.log.ID(), At: at, Prev: events.NoEntry, Cause: events.CauseChunk, Source: lines[0].source,
		Time: "2026-01-01T10:00:00Z", Received: "2026-01-01T09:59:59Z", Defaults: events.Defaults{Farm: lines[0].farm},
	}
	if n := len(w.log.entries); n > 0 {
		e.Prev = events.EntryHash(w.log.entries[n-1])
	}
	for i, l := range lines {
		k := events.NewKeyer(l.farm, l.source)
		entity := k.OwnKey(l.record).Entity(k.Slot(l.payload.Kind(), 0, l.slot))
		r := w.rev[entity]
		data, _ := w.enc.Append(nil, l.payload)
		open := events.AppendOpen(nil, events.Envelope{Kind: l.payload.Kind(), Entity: entity}, data)
		r.Number, r.Change = r.Number+1, events.Recorded
		if l.change != "" {
			r.Change = l.change
		}
		if r.Before != nil && r.Before.Position == at {
			r.Before = &events.Place{Index: r.Before.Index}
		}
		e.Events = append(e.Events, events.AppendRevision(nil, open, r))
		r.Before = &events.Place{Position: at, Index: i}
		w.rev[entity] = r
	}
	b, err := e.Append(nil)
	if err != nil {
		panic(err)
	}
	w.log.entries = append(w.log.entries, b)
}

// herdOf builds the read model of a log.
func herdOf(t testing.TB, log herd.Log) *herd.Herd {
	t.Helper()
	h, err := herd.Open(t.Context(), herd.Options{Path: filepath.Join(t.TempDir(), "herd.db"), Log: log})
	if err == nil {
		err = h.CatchUp(t.Context())
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.Close() })
	return h
}

// input gathers what lists of a day are made of.
func input(t testing.TB, h *herd.Herd, farm, day string) *worklist.Input {
	t.Helper()
	in := &worklist.Input{Farm: farm, Day: day, Now: time.Date(2026, 6, 1, 12, 0, 0, 0, zone), Zone: zone, Settings: worklist.Defaults()}
	v, err := h.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	in.Position = v.Position()
	var errs [4]error
	in.Standings, errs[0] = v.Standings(t.Context(), farm, day)
	in.Roster, errs[1] = v.Roster(t.Context(), farm)
	in.Unmatched, errs[2] = v.Unmatched(t.Context(), farm)
	in.Conflicts, errs[3] = v.Contradictions(t.Context(), farm)
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
	return in
}

func tagOf(c int) string { return fmt.Sprintf("DE09%08d", 1000+c*37) }
