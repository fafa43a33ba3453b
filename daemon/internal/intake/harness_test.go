package intake_test

import (
	"bytes"
	"context"
	"io"
	"iter"
	"log/slog"
	"os"
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
	"dewclaw/events"
	"dewclaw/events/index"
)

// received is the time of first receipt that the samples are written for.
var received = time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)

// tb is what the harness needs of a test, be it of testing or of rapid.
type tb interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
	Context() context.Context
	Cleanup(func())
}

// A house is an intake with everything around it, in a folder of its own.
type house struct {
	t       tb
	dir     string
	log     *memoryLog
	ix      *index.Index
	archive *archive.Archive
	in      *intake.Intake
	entries []*events.Entry // committed
	settled []adapters.Verdict
}

func unpack(r io.ReaderAt, size int64, name string) iter.Seq2[intake.Member, error] {
	return func(yield func(intake.Member, error) bool) {
		for m, err := range packed.Members(r, size, name, packed.Limits{}) {
			if !yield(intake.Member{Name: m.Name, Reader: m.Reader, Ignored: m.Ignored}, err) {
				return
			}
		}
	}
}

var decoders = map[string]adapters.NewDecoder{"csv": csv.NewDecoder, "json": jsonrows.NewDecoder, "ndjson": jsonrows.NewDecoder}

// newHouse builds a house in dir, on a log that may hold entries already.
func newHouse(t tb, dir string, log *memoryLog) *house {
	t.Helper()
	return newSizedHouse(t, dir, log, intake.Sizes{})
}

func newSizedHouse(t tb, dir string, log *memoryLog, sizes intake.Sizes) *house {
	t.Helper()
	h := &house{t: t, dir: dir, log: log}
	var err error
	if h.archive, err = archive.Open(filepath.Join(dir, "archive")); err != nil {
		t.Fatal(err)
	}
	if h.ix, err = index.Open(context.Background(), index.Options{Path: filepath.Join(dir, "index.db"), Log: log, Passing: true}); err != nil {
		t.Fatal(err)
	}
	h.in = intake.New(intake.Deps{
		Log: log, Index: h.ix, Archive: h.archive, Decoders: decoders, Unpack: unpack,
		Now:    func() time.Time { return received.Add(time.Hour) },
		Logger: slog.New(slog.NewTextHandler(io.Discard, nil)), Workers: 2, Sizes: sizes,
		Committed: func(e *events.Entry) { h.entries = append(h.entries, e) },
	})
	return h
}

func (h *house) close() {
	if err := h.ix.Close(); err != nil {
		h.t.Fatal(err)
	}
}

// fresh is a house on an empty log in a folder that goes with the test.
func fresh(t *testing.T) *house {
	t.Helper()
	h := newHouse(t, t.TempDir(), &memoryLog{id: "log-1"})
	t.Cleanup(h.close)
	return h
}

func delivery(name string, body []byte) *adapters.Delivery {
	return &adapters.Delivery{
		Name: name, Received: received, Size: int64(len(body)),
		Open: func(context.Context) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(body)), nil },
	}
}

// take takes bytes in as a file of a source.
func (h *house) take(src *intake.Source, name string, body []byte) intake.Receipt {
	h.t.Helper()
	return h.takeWith(src, name, body, intake.Options{})
}

func (h *house) takeWith(src *intake.Source, name string, body []byte, o intake.Options) intake.Receipt {
	h.t.Helper()
	d := delivery(name, body)
	d.Settle = func(_ context.Context, v adapters.Verdict) error { h.settled = append(h.settled, v); return nil }
	n := len(h.settled)
	r, err := h.in.Take(context.Background(), src, d, o)
	if err != nil {
		h.t.Fatalf("take %s: %v", name, err)
	}
	if len(h.settled) != n+1 || h.settled[n] != adapters.Taken {
		h.t.Fatalf("take %s: settled as %v, want taken once", name, h.settled[n:])
	}
	if !r.Counts.Balanced() {
		h.t.Fatalf("take %s: the books do not balance: %v", name, r.Counts)
	}
	return r
}

// events returns every event of the log.
func (h *house) events() []events.Event {
	h.t.Helper()
	return eventsOf(h.t, h.log, 1)
}

func eventsOf(t tb, log *memoryLog, from events.Position) []events.Event {
	t.Helper()
	var out []events.Event
	for e, err := range log.Read(context.Background(), from) {
		if err != nil {
			t.Fatal(err)
		}
		for ev, err := range e.All() {
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, ev)
		}
	}
	return out
}

// newest returns the newest revision of each entity.
func (h *house) newest() map[events.Entity]events.Event {
	h.t.Helper()
	out := map[events.Entity]events.Event{}
	for _, ev := range h.events() {
		out[ev.Entity] = ev
	}
	return out
}

// source makes a source of a mapping in YAML.
func source(t tb, id, farm, name string, src []byte) *intake.Source {
	t.Helper()
	m, err := mapping.ParseInward(name, src)
	if err != nil {
		t.Fatal(err)
	}
	zones := map[string]string{"larkfield": "Europe/Berlin", "stony-run": "America/Chicago"}
	return &intake.Source{ID: id, Farm: farm, Zone: zones[farm], Mapping: m, MappingBytes: src}
}

func readFile(t tb, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
