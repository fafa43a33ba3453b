package delivery

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/csv"
	"dewclaw/adapters/folder"
	jsonadapter "dewclaw/adapters/json"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// memory is a log in memory: what feeds follow, without a disk below it.
type memory struct {
	mu      sync.Mutex
	entries []*events.Entry
	grown   chan struct{}
}

func newMemory() *memory { return &memory{grown: make(chan struct{})} }

func (m *memory) Last() (events.Position, string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return events.Position(len(m.entries)), ""
}

func (m *memory) append(e *events.Entry) events.Position {
	m.mu.Lock()
	defer m.mu.Unlock()
	e.V, e.At = events.EntryVersion, events.Position(len(m.entries)+1)
	b, err := e.Append(nil)
	if err != nil {
		panic(err)
	}
	p, err := events.ParseEntry(b)
	if err != nil {
		panic(err)
	}
	m.entries = append(m.entries, p)
	close(m.grown)
	m.grown = make(chan struct{})
	return e.At
}

func (m *memory) Get(_ context.Context, p events.Position) (*events.Entry, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if p < 1 || int(p) > len(m.entries) {
		return nil, events.ErrNotFound
	}
	return m.entries[p-1], nil
}

func (m *memory) Read(ctx context.Context, from events.Position) iter.Seq2[*events.Entry, error] {
	last, _ := m.Last()
	return func(yield func(*events.Entry, error) bool) {
		for p := max(from, 1); p <= last; p++ {
			e, err := m.Get(ctx, p)
			if ctx.Err() != nil {
				err = ctx.Err()
			}
			if !yield(e, err) || err != nil {
				return
			}
		}
	}
}

func (m *memory) Wait(ctx context.Context, after events.Position) error {
	for {
		m.mu.Lock()
		n, grown := len(m.entries), m.grown
		m.mu.Unlock()
		if events.Position(n) > after {
			return nil
		}
		select {
		case <-grown:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// shelf is a bucket in memory.
type shelf struct {
	mu     sync.Mutex
	values map[string][]byte
}

func newShelf() *shelf { return &shelf{values: map[string][]byte{}} }

func (s *shelf) Get(_ context.Context, k string) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if v, ok := s.values[k]; ok {
		return slices.Clone(v), nil
	}
	return nil, fmt.Errorf("key %s: %w", k, events.ErrNotFound)
}

func (s *shelf) Put(_ context.Context, k string, v []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(v) > 1<<20 {
		return fmt.Errorf("a value of %d bytes", len(v))
	}
	s.values[k] = slices.Clone(v)
	return nil
}

func (s *shelf) Delete(_ context.Context, k string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.values, k)
	return nil
}

func (s *shelf) Keys(context.Context) ([]string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Sorted(maps.Keys(s.values)), nil
}

// A world is a log with what stands around it.
type world struct {
	t       testing.TB
	log     *memory
	shelf   *shelf
	append  func(*events.Entry) events.Position // to the log
	bucket  Bucket
	dir     string
	cfg     *config.Config
	clock   time.Time
	keyer   *events.Keyer
	newest  map[events.Entity]*held
	ids     map[string]events.Entity
	o       Options
	pending []draft
	mapping string // text of herd.yaml

	mu     sync.Mutex
	bodies map[string]string // of files that were kept in memory
	order  []string          // names of files in the order in which they were sent
}

type held struct {
	revision int
	place    events.Place
	gone     bool
}

type draft struct {
	name    string
	entity  events.Entity
	subject string
	visit   string
	farm    string
	payload events.Payload
	change  events.Change
}

// herdMapping is a layout of a recipient, with the identifier and the change of
// each row.
const herdMapping = `mapping: herd
direction: out
about: One row a lesion
write: {format: csv, delimiter: ";", header: true}
rows: event
identifier: {first: [ear-tag], missing: park}
columns:
  Id: id
  Entity: entity
  Change: change
  Animal: identifier
  Lesion: code
`

const farmsAndRecipients = `version: 1
farms:
  larkfield: {zone: Europe/Berlin}
  stony-run: {zone: America/Chicago}
recipients:
  vet: {pseudonyms: {file: vet.key}}
  herd: {}
`

// newWorld makes a world with the feeds and grants of the YAML, of farm
// larkfield. OUT stands for the folder files go to, which is made.
func newWorld(t testing.TB, yaml string) *world {
	t.Helper()
	w := &world{
		t: t, log: newMemory(), shelf: newShelf(), dir: t.TempDir(), clock: time.Date(2026, 4, 1, 10, 0, 0, 0, time.UTC),
		keyer: events.NewKeyer("larkfield", "chute"), newest: map[events.Entity]*held{}, ids: map[string]events.Entity{}, mapping: herdMapping,
	}
	w.append, w.bucket = func(e *events.Entry) events.Position { return w.log.append(e) }, w.shelf
	if err := os.Mkdir(w.out(), 0o755); err != nil {
		t.Fatal(err)
	}
	w.o = Options{
		Log: w.log, Bucket: w.shelf, Finder: w, Now: func() time.Time { return w.clock },
		Encoders: map[string]adapters.NewEncoder{"csv": csv.NewEncoder, "json": jsonadapter.NewEncoder, "ndjson": jsonadapter.NewEncoder}, Writers: plainWriters,
		After: func(d time.Duration) <-chan time.Time {
			w.clock = w.clock.Add(d) // nobody waits in a test of one feed
			c := make(chan time.Time, 1)
			c <- w.clock
			return c
		},
		Sink: func(_ context.Context, f *config.Feed) (adapters.Sink, error) {
			s, err := folder.OpenSink(folder.SinkOptions{Who: "feed " + f.ID, Dir: f.Folder, IDs: true})
			return &postman{w, s}, err
		},
		ReadFile: func(name string) ([]byte, error) {
			if filepath.Base(name) == "herd.yaml" {
				return []byte(w.mapping), nil
			}
			if filepath.Base(name) == "vet.key" {
				return []byte("0123456789abcdef0123456789abcdef"), nil
			}
			return os.ReadFile(name)
		},
	}
	w.configure(yaml)
	return w
}

// postman notes in which order batches arrive.
type postman struct {
	w    *world
	next adapters.Sink
}

func (p *postman) Send(ctx context.Context, b *adapters.Batch) error {
	err := p.next.Send(ctx, b)
	p.w.mu.Lock()
	defer p.w.mu.Unlock()
	if err == nil && !slices.Contains(p.w.order, b.Name) {
		p.w.order = append(p.w.order, b.Name)
	}
	return err
}

func (p *postman) Close() error { return p.next.Close() }

func (w *world) out() string { return filepath.Join(w.dir, "out") }

func (w *world) configure(yaml string) {
	w.t.Helper()
	src := farmsAndRecipients + strings.ReplaceAll(yaml, "OUT", "out")
	c, err := config.Parse(filepath.Join(w.dir, "dewclaw.yaml"), []byte(src), nil)
	if err != nil {
		w.t.Fatalf("%v\n%s", err, src)
	}
	w.cfg = c
	w.o.Config = c
}

// desk opens a desk as a start of the daemon does: nothing is remembered but
// what is stored.
func (w *world) desk() *Desk {
	w.t.Helper()
	d, err := New(w.o)
	if err != nil {
		w.t.Fatal(err)
	}
	return d
}

// once delivers what there is with a new desk.
func (w *world) once() {
	w.t.Helper()
	if err := w.desk().Once(w.ctx()); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) ctx() context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	w.t.Cleanup(cancel)
	return ctx
}

// Find implements [Finder] from what was written.
func (w *world) Find(_ context.Context, r events.RecordID) ([]Found, error) {
	var out []Found
	for e, h := range w.newest {
		if rec, _, _ := e.Split(); rec == r {
			out = append(out, Found{e, h.place})
		}
	}
	slices.SortFunc(out, func(a, b Found) int { return strings.Compare(string(a.Entity), string(b.Entity)) })
	return out, nil
}

// say puts one fact of the animal into the next entry. name tells facts of one
// record apart: "record/slot".
func (w *world) say(animal, name string, p events.Payload) { w.change(animal, name, p, "") }

// unsay retracts a fact.
func (w *world) unsay(animal, name string, p events.Payload) {
	w.change(animal, name, p, events.Retracted)
}

func (w *world) change(animal, name string, p events.Payload, change events.Change) {
	record, slot, _ := strings.Cut(name, "/")
	e := w.keyer.OwnKey(record).Entity(w.keyer.Slot(p.Kind(), 0, slot))
	w.ids[name] = e
	subject := ""
	if animal != "" {
		subject = "ear-tag:" + animal
		p.Base().Animal = []events.Identifier{{Scheme: "ear-tag", Value: animal}}
	}
	if p.Base().Occurred.Date == "" && p.Kind() != events.KindAnimal {
		p.Base().Occurred = events.Occurred{Date: "2026-03-04", Precision: "date"}
	}
	w.pending = append(w.pending, draft{name: name, entity: e, subject: subject, payload: p, change: change})
}

// entity returns the entity of a fact that was said.
func (w *world) entity(name string) events.Entity { return w.ids[name] }

// commit appends what was said since as one entry.
func (w *world) commit() events.Position {
	var enc events.Encoder
	last, _ := w.o.Log.Last()
	e := &events.Entry{
		Cause: events.CauseChunk, Source: "chute", Archive: "ab12", Time: events.FormatTime(w.clock),
		Defaults: events.Defaults{Farm: "larkfield"},
	}
	for i, d := range w.pending {
		data, _ := enc.Append(nil, d.payload)
		h := w.newest[d.entity]
		r := events.Revision{Number: 1, Change: events.Recorded}
		if h != nil {
			before := h.place
			r = events.Revision{Number: h.revision + 1, Change: events.Amended, Before: &before}
			if h.gone {
				r.Change = events.Recorded
			}
		}
		if d.change != "" {
			r.Change = d.change
		}
		open := events.AppendOpen(nil, events.Envelope{Kind: d.payload.Kind(), Entity: d.entity, Subject: d.subject, Visit: d.visit, Farm: d.farm}, data)
		e.Events = append(e.Events, events.AppendRevision(nil, open, r))
		w.newest[d.entity] = &held{revision: r.Number, place: events.Place{Position: last + 1, Index: i}, gone: r.Change == events.Retracted}
	}
	w.pending = nil
	return w.append(e)
}

func lesion(code string) *events.Lesion {
	return &events.Lesion{Code: code, Foot: "RH", Claw: "outer"}
}

// files returns the names of the files in the folder, manifests left out.
func (w *world) files() []string {
	w.t.Helper()
	list, err := os.ReadDir(w.out())
	if err != nil {
		w.t.Fatal(err)
	}
	var out []string
	for _, x := range list {
		if !strings.HasSuffix(x.Name(), folder.ManifestSuffix) {
			out = append(out, x.Name())
		}
	}
	return out
}

func (w *world) read(name string) string {
	w.t.Helper()
	if s, ok := w.bodies[name]; ok {
		return s
	}
	b, err := os.ReadFile(filepath.Join(w.out(), name))
	if err != nil {
		w.t.Fatal(err)
	}
	return string(b)
}

// A sent event as a recipient sees it.
type sentEvent struct {
	ID       string          `json:"id"`
	Type     string          `json:"type"`
	Entity   events.Entity   `json:"entity"`
	Subject  string          `json:"subject"`
	Revision int             `json:"revision"`
	Change   string          `json:"change"`
	Data     json.RawMessage `json:"data"`
}

// sent returns every CloudEvent in the order in which they were sent, file by file.
func (w *world) sent() []sentEvent {
	w.t.Helper()
	var out []sentEvent
	for _, name := range w.order {
		if strings.HasSuffix(name, ".ndjson") {
			out = append(out, parseEvents(w.t, w.read(name))...)
		}
	}
	return out
}

func parseEvents(t testing.TB, body string) []sentEvent {
	t.Helper()
	var out []sentEvent
	for line := range strings.Lines(body) {
		var e sentEvent
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("%v in %q", err, line)
		}
		out = append(out, e)
	}
	return out
}

// told returns what was sent as "name revision change", in order.
func (w *world) told() []string {
	w.t.Helper()
	names := map[events.Entity]string{}
	for n, e := range w.ids {
		names[e] = n
	}
	var out []string
	for _, e := range w.sent() {
		out = append(out, fmt.Sprintf("%s %d %s", names[e.Entity], e.Revision, e.Change))
	}
	return out
}

// moves returns what was sent as "name revision change subject", in order, with
// the mark of a delete because of another animal.
func (w *world) moves() []string {
	out := w.told()
	for i, e := range w.sent() {
		out[i] += " " + strings.TrimPrefix(e.Subject, "ear-tag:")
		if events.IsMovedID(e.ID) {
			out[i] += " moved"
		}
	}
	return out
}

func (w *world) wantMoves(want ...string) {
	w.t.Helper()
	if got := w.moves(); !slices.Equal(got, want) {
		w.t.Errorf("got\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}

func (w *world) want(want ...string) {
	w.t.Helper()
	if got := w.told(); !slices.Equal(got, want) {
		w.t.Errorf("got\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}

// show returns the state of the only feed.
func (w *world) show(d *Desk) State {
	w.t.Helper()
	s, err := d.Show(w.ctx(), w.cfg.Feeds[0].ID)
	if err != nil {
		w.t.Fatal(err)
	}
	return s
}

const vetFeed = `
feeds:
  vet:
    recipient: vet
    farms: [larkfield]
    kinds: [lesion, examination, treatment, animal]
    to: {folder: OUT}
    MORE
grants:
  - {farm: larkfield, recipient: vet, purpose: care, kinds: [lesion, examination, treatment, animal], fields: identities, from: 2026-01-01}
`

func vet(more string) string { return strings.Replace(vetFeed, "    MORE\n", indent(more), 1) }

func indent(s string) string {
	var b strings.Builder
	for line := range strings.Lines(s) {
		b.WriteString("    " + strings.TrimRight(line, "\n") + "\n")
	}
	return b.String()
}

var errCrash = errors.New("the process dies here")

// damagedLog cannot read its second entry.
type damagedLog struct{ *memory }

func (d damagedLog) Read(ctx context.Context, from events.Position) iter.Seq2[*events.Entry, error] {
	return func(yield func(*events.Entry, error) bool) {
		for e, err := range d.memory.Read(ctx, from) {
			if e.At == 2 {
				e, err = nil, fmt.Errorf("log position 2: %w", events.ErrCorrupt)
			}
			if !yield(e, err) || err != nil {
				return
			}
		}
	}
}
