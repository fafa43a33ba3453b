package herd_test

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// A memLog is a log in memory that keeps entries as bytes, as the real one does.
type memLog struct {
	id string

	mu      sync.Mutex
	entries [][]byte
	grown   chan struct{}
	broken  events.Position // entries from here on cannot be read
}

func newMemLog(id string) *memLog { return &memLog{id: id, grown: make(chan struct{})} }

func (l *memLog) ID() string { return l.id }

func (l *memLog) Last() (events.Position, string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return events.Position(len(l.entries)), ""
}

func (l *memLog) Read(_ context.Context, from events.Position) iter.Seq2[*events.Entry, error] {
	return func(yield func(*events.Entry, error) bool) {
		l.mu.Lock()
		entries, broken := l.entries, l.broken
		l.mu.Unlock()
		for p := int(from); p <= len(entries); p++ {
			if broken > 0 && p >= int(broken) {
				yield(nil, fmt.Errorf("position %d: %w", p, events.ErrCorrupt))
				return
			}
			e, err := events.ParseEntry(entries[p-1])
			if !yield(e, err) || err != nil {
				return
			}
		}
	}
}

func (l *memLog) Wait(ctx context.Context, after events.Position) error {
	for {
		l.mu.Lock()
		n, grown := events.Position(len(l.entries)), l.grown
		l.mu.Unlock()
		if n > after {
			return nil
		}
		select {
		case <-grown:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (l *memLog) append(e *events.Entry) {
	l.mu.Lock()
	defer l.mu.Unlock()
	e.V, e.Log, e.At, e.Prev = events.EntryVersion, l.id, events.Position(len(l.entries)+1), events.NoEntry
	if n := len(l.entries); n > 0 {
		e.Prev = events.EntryHash(l.entries[n-1])
	}
	b, err := e.Append(nil)
	if err != nil {
		panic(err)
	}
	l.entries = append(l.entries, b)
	close(l.grown)
	l.grown = make(chan struct{})
}

// A line is one event on its way into a log, without what the log adds.
type line struct {
	farm    string
	source  string // "" for what a person decides
	record  string
	slot    string
	change  events.Change // recorded if empty
	visit   events.Entity
	payload events.Payload
}

func (l *line) entity() events.Entity {
	k := events.NewKeyer(l.farm, l.source)
	return k.OwnKey(l.record).Entity(k.Slot(l.payload.Kind(), 0, l.slot))
}

// about makes a line of a person amend the entity of a line of a source.
type about struct {
	line
	target *line
}

// A book is a log that can be written.
type book interface {
	herd.Log
	append(e *events.Entry)
}

// A writer puts lines into a log and numbers their revisions.
type writer struct {
	log book
	rev map[events.Entity]events.Revision
	enc events.Encoder
}

func newWriter(log book) *writer {
	return &writer{log: log, rev: map[events.Entity]events.Revision{}}
}

// entry appends one entry with these lines. received is a day.
func (w *writer) entry(cause events.Cause, received string, lines ...about) {
	first := lines[0]
	e := &events.Entry{
		Cause: cause, Source: first.source, Time: received + "T10:00:00Z", Received: received + "T09:59:59Z",
		Defaults: events.Defaults{Farm: first.farm},
	}
	last, _ := w.log.Last()
	for i, l := range lines {
		entity := l.entity()
		if l.target != nil {
			entity = l.target.entity()
		}
		change := l.change
		if change == "" {
			change = events.Recorded
		}
		r := w.rev[entity]
		data, _ := w.enc.Append(nil, l.payload)
		open := events.AppendOpen(nil, events.Envelope{Kind: l.payload.Kind(), Entity: entity, Visit: string(l.visit)}, data)
		r.Number, r.Change = r.Number+1, change
		if r.Before != nil && r.Before.Position == last+1 {
			r.Before = &events.Place{Index: r.Before.Index}
		}
		e.Events = append(e.Events, events.AppendRevision(nil, open, r))
		r.Before = &events.Place{Position: last + 1, Index: i}
		w.rev[entity] = r
	}
	w.log.append(e)
}

// put appends one entry of lines of one source.
func (w *writer) put(received string, lines ...line) {
	all := make([]about, len(lines))
	for i, l := range lines {
		all[i] = about{line: l}
	}
	w.entry(events.CauseChunk, received, all...)
}

// decide appends one entry of a decision and what it does to targets.
func (w *writer) decide(farm, received string, d *events.Decision, done ...about) {
	d.Who, d.Why = "p-1", "looked"
	all := []about{{line: line{farm: farm, record: fmt.Sprint(d.Action, received, len(done), d.Animal, d.Other, d.Held), payload: d}}}
	w.entry(events.CauseDecision, received, append(all, done...)...)
}

// openHerd opens a herd over log in a file of its own.
func openHerd(t testing.TB, log herd.Log) *herd.Herd {
	t.Helper()
	return openAt(t, filepath.Join(t.TempDir(), "herd.db"), log)
}

func openAt(t testing.TB, path string, log herd.Log) *herd.Herd {
	t.Helper()
	h, err := herd.Open(t.Context(), herd.Options{Path: path, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	})
	return h
}

// view catches up and opens a view.
func view(t testing.TB, h *herd.Herd) *herd.View {
	t.Helper()
	if err := h.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	v, err := h.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = v.Close() })
	return v
}

// must returns what a query returned, and fails if it failed.
// heldOf collects the held records of the farm.
func heldOf(t testing.TB, v *herd.View) (out []herd.Held) {
	t.Helper()
	err := v.EachHeld(t.Context(), farm, func(h herd.Held) error {
		out = append(out, h)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func must[T any](v T, err error) func(testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// dump writes all that a herd tells of its farms, without log positions.
func dump(t testing.TB, v *herd.View) string {
	t.Helper()
	ctx := t.Context()
	var out []byte
	add := func(what string, x any) {
		b, err := json.MarshalIndent(x, "", " ")
		if err != nil {
			t.Fatal(err)
		}
		out = append(append(append(out, what...), '\n'), append(b, '\n')...)
	}
	for _, farm := range must(v.Farms(ctx))(t) {
		add("farm", farm)
		add("animals", must(v.Animals(ctx, farm, ""))(t))
		add("unmatched", must(v.Unmatched(ctx, farm))(t))
		add("contradictions", must(v.Contradictions(ctx, farm))(t))
		add("cases", must(v.Cases(ctx, herd.CaseQuery{Farm: farm}))(t))
		add("cases 28", must(v.Cases(ctx, herd.CaseQuery{Farm: farm, Gap: 28}))(t))
		add("devices", must(v.OpenDevices(ctx, farm, ""))(t))
		add("withdrawals", must(v.Withdrawals(ctx, farm, ""))(t))
		add("orders", must(v.Orders(ctx, farm, "2026-02-15"))(t))
		add("lost claws", must(v.LostClaws(ctx, farm))(t))
		for _, day := range []string{"", "2026-02-15"} {
			add("standings "+day, must(v.Standings(ctx, farm, day))(t))
		}
		facts := must(v.Facts(ctx, herd.FactQuery{Farm: farm}))(t)
		for i := range facts {
			facts[i].Place = events.Place{}
		}
		add("facts", facts)
		scores := must(v.Scores(ctx, farm, "", ""))(t)
		for i := range scores {
			scores[i].Place = events.Place{}
		}
		add("scores", scores)
		held := heldOf(t, v)
		for i := range held {
			held[i].Position = 0
		}
		add("held", held)
		add("waiting", must(v.Waiting(ctx, farm))(t))
		add("counts", must(v.Counts(ctx, farm))(t))
	}
	return string(out)
}

// readGolden appends the events of a golden file of the samples to a log, in
// entries of n events.
func readGolden(t testing.TB, w *writer, name string, n int) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "samples", name+".golden.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	var chunk []about
	for _, text := range splitLines(b) {
		var e struct {
			Type, Farm, Entity, Source string
			Change                     events.Change
			Data                       json.RawMessage
		}
		if err := json.Unmarshal(text, &e); err != nil {
			t.Fatal(err)
		}
		if e.Type == "" {
			continue // what a file has beside events
		}
		kind := events.Kind(e.Type[len("dewclaw.") : len(e.Type)-len(".v1")])
		p, err := events.DecodePayload(kind, e.Data)
		if err != nil {
			t.Fatal(err)
		}
		l := line{farm: e.Farm, source: filepath.Base(e.Source), record: e.Entity, slot: e.Entity, change: e.Change, payload: p}
		if x := p.Base().Examination; x != "" {
			l.record = string(x)
			exam := line{farm: l.farm, source: l.source, record: l.record, slot: l.record, payload: &events.Examination{}}
			p.Base().Examination = exam.entity()
		}
		if chunk = append(chunk, about{line: l}); len(chunk) == n {
			w.entry(events.CauseChunk, "2026-04-01", chunk...)
			chunk = nil
		}
	}
	if len(chunk) > 0 {
		w.entry(events.CauseChunk, "2026-04-01", chunk...)
	}
}

func splitLines(b []byte) (out [][]byte) {
	start := 0
	for i, c := range b {
		if c == '\n' {
			if i > start {
				out = append(out, b[start:i])
			}
			start = i + 1
		}
	}
	return out
}
