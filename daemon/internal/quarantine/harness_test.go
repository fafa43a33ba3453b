package quarantine_test

import (
	"bytes"
	"context"
	"io"
	"iter"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/csv"
	jsonrows "dewclaw/adapters/json"
	"dewclaw/adapters/mapping"
	"dewclaw/adapters/packed"
	"dewclaw/daemon/internal/archive"
	"dewclaw/daemon/internal/intake"
	"dewclaw/daemon/internal/quarantine"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/events/streamlog"
	"dewclaw/schema"
)

var (
	received = time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	decoders = map[string]adapters.NewDecoder{"csv": csv.NewDecoder, "json": jsonrows.NewDecoder, "ndjson": jsonrows.NewDecoder}
)

func unpack(r io.ReaderAt, size int64, name string) iter.Seq2[intake.Member, error] {
	return func(yield func(intake.Member, error) bool) {
		for m, err := range packed.Members(r, size, name, packed.Limits{}) {
			if !yield(intake.Member{Name: m.Name, Reader: m.Reader, Ignored: m.Ignored}, err) {
				return
			}
		}
	}
}

// A barn is an intake and a quarantine on a real log.
type barn struct {
	t       *testing.T
	dir     string
	log     *streamlog.Log
	ix      *index.Index
	archive *archive.Archive
	in      *intake.Intake
	q       *quarantine.Quarantine
	sources map[string]*intake.Source
	now     func() time.Time
}

// restart makes intake and quarantine anew, with nothing in memory.
func (b *barn) restart() {
	b.in = intake.New(intake.Deps{
		Log: b.log, Index: b.ix, Archive: b.archive, Decoders: decoders, Unpack: unpack, Now: b.now, Logger: slog.New(slog.DiscardHandler),
	})
	b.q = quarantine.New(quarantine.Deps{
		Intake: b.in, Log: b.log, Index: b.ix, Archive: b.archive, Now: b.now,
		Source: func(id string) *intake.Source { return b.sources[id] },
	})
}

func newBarn(t *testing.T) *barn {
	t.Helper()
	b := &barn{t: t, dir: t.TempDir(), sources: map[string]*intake.Source{}}
	now := func() time.Time { return received.Add(time.Hour) }
	var err error
	if b.log, err = streamlog.Open(t.Context(), streamlog.Options{Dir: filepath.Join(b.dir, "log"), Now: now}); err != nil {
		t.Fatal(err)
	}
	if b.ix, err = index.Open(t.Context(), index.Options{Path: filepath.Join(b.dir, "index.db"), Log: b.log}); err != nil {
		t.Fatal(err)
	}
	if b.archive, err = archive.Open(filepath.Join(b.dir, "archive")); err != nil {
		t.Fatal(err)
	}
	b.now = now
	b.restart()
	t.Cleanup(func() {
		if err := b.ix.Close(); err != nil {
			t.Error(err)
		}
		if err := b.log.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// source configures a source, or gives it another mapping.
func (b *barn) source(id, farm, yaml string) *intake.Source {
	b.t.Helper()
	m, err := mapping.ParseInward(id+".yaml", []byte(yaml))
	if err != nil {
		b.t.Fatal(err)
	}
	zone := map[string]string{"larkfield": "Europe/Berlin", "stony-run": "America/Chicago"}[farm]
	b.sources[id] = &intake.Source{ID: id, Farm: farm, Zone: zone, Mapping: m, MappingBytes: []byte(yaml)}
	return b.sources[id]
}

func (b *barn) take(source, name, body string) intake.Receipt {
	b.t.Helper()
	r, err := b.in.Take(b.t.Context(), b.sources[source], &adapters.Delivery{
		Name: name, Received: received, Size: int64(len(body)),
		Open: func(context.Context) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader([]byte(body))), nil },
	}, intake.Options{})
	if err != nil {
		b.t.Fatal(err)
	}
	return r
}

// counts fails unless taking a file gives the counts.
func (b *barn) counts(source, name, body string, want events.Counts) {
	b.t.Helper()
	if got := b.take(source, name, body).Counts; got != want {
		b.t.Errorf("%s: got %v, want %v", name, got, want)
	}
}

// held returns the only record that is held.
func (b *barn) held() quarantine.Item {
	b.t.Helper()
	var list []quarantine.Item
	for item, err := range b.q.List(b.t.Context(), quarantine.Filter{}) {
		if err != nil {
			b.t.Fatal(err)
		}
		list = append(list, item)
	}
	if len(list) != 1 {
		b.t.Fatalf("%d records are held, want one: %+v", len(list), list)
	}
	return list[0]
}

// newest returns the newest revision of every entity of a kind.
func (b *barn) newest(kind events.Kind) []events.Event {
	b.t.Helper()
	at := map[events.Entity]int{}
	var out []events.Event
	for e, err := range b.log.Read(b.t.Context(), 1) {
		if err != nil {
			b.t.Fatal(err)
		}
		for ev, err := range e.All() {
			if err != nil {
				b.t.Fatal(err)
			}
			if ev.Kind != kind {
				continue
			}
			if i, ok := at[ev.Entity]; ok {
				out[i] = ev
				continue
			}
			at[ev.Entity] = len(out)
			out = append(out, ev)
		}
	}
	return out
}

// only returns the newest revision of the only entity of a kind, decoded.
func only[P events.Payload](b *barn, kind events.Kind) (events.Event, P) {
	b.t.Helper()
	list := b.newest(kind)
	if len(list) != 1 {
		b.t.Fatalf("%d entities of kind %s, want one", len(list), kind)
	}
	p, err := list[0].Payload()
	if err != nil {
		b.t.Fatal(err)
	}
	return list[0], p.(P)
}

// balanced fails unless the books balance, and the log's entries are what the
// published schema allows.
func (b *barn) balanced() {
	b.t.Helper()
	r, err := intake.Verify(b.t.Context(), intake.VerifyDeps{
		Log: b.log, Archive: b.archive, Decoders: decoders, Unpack: unpack, Dir: filepath.Join(b.dir, "tmp"),
	})
	if err != nil {
		b.t.Fatal(err)
	}
	for _, d := range r.Differences {
		b.t.Errorf("the books do not balance: %+v", d)
	}
	for e, err := range b.log.Read(b.t.Context(), 1) {
		if err != nil {
			b.t.Fatal(err)
		}
		raw, err := e.Append(nil)
		if err != nil {
			b.t.Fatal(err)
		}
		for _, v := range schema.CheckEntry(raw) {
			b.t.Errorf("entry %d: %v", e.At, v)
		}
	}
}
