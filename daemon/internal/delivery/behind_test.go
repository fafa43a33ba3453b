package delivery

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// A refused event parks what follows of its animal until it is replayed; other
// animals are not held up.
func TestFeed_ParksTheAnimalOfARefusedEvent(t *testing.T) {
	w := newWorld(t, vet(""))
	picky := &pickySink{bad: map[string]string{}}
	w.picky(picky)
	w.say("A", "r1/x", lesion("SU"))
	w.say("B", "r2/x", lesion("SU"))
	w.commit()
	picky.bad[string(w.entity("r1/x"))+".1"] = "no such animal"
	w.say("A", "r3/x", lesion("DD"))
	w.say("B", "r4/x", lesion("DD"))
	w.commit()
	w.once()
	w.want("r2/x 1 recorded", "r4/x 1 recorded")
	d := w.desk()
	s := w.show(d)
	if s.Parked != 2 || len(s.Animals) != 1 || s.Animals[0].Subject != "ear-tag:A" || !strings.Contains(s.Animals[0].Why, "no such animal") || s.Behind != 0 {
		t.Errorf("got %+v", s)
	}
	w.say("A", "r5/x", lesion("WL"))
	w.commit()
	w.once()
	w.want("r2/x 1 recorded", "r4/x 1 recorded")
	if n, err := d.Replay(w.ctx(), "vet", "ear-tag:B", ""); n != 0 || !errors.Is(err, events.ErrNotFound) {
		t.Errorf("got %d, %v", n, err)
	}
	// still refused: stays parked
	d = w.desk()
	if _, err := d.Replay(w.ctx(), "vet", "", ""); err != nil {
		t.Fatal(err)
	}
	w.once()
	w.want("r2/x 1 recorded", "r4/x 1 recorded")
	if s := w.show(w.desk()); s.Parked != 3 {
		t.Errorf("got %+v", s)
	}
	clear(picky.bad)
	if n, err := w.desk().Replay(w.ctx(), "vet", "ear-tag:A", ""); n != 1 || err != nil {
		t.Fatalf("got %d, %v", n, err)
	}
	w.once()
	w.want("r2/x 1 recorded", "r4/x 1 recorded", "r1/x 1 recorded", "r3/x 1 recorded", "r5/x 1 recorded")
	if s := w.show(w.desk()); s.Parked != 0 || len(s.Animals) != 0 {
		t.Errorf("got %+v", s)
	}
	if keys, _ := w.shelf.Keys(w.ctx()); slices.ContainsFunc(keys, func(k string) bool { return strings.Contains(k, ".animal.") }) {
		t.Errorf("keys are left: %v", keys)
	}
}

// A correction heals what was refused: a replay sends the newest revision only.
func TestDesk_ReplaySendsTheCorrection(t *testing.T) {
	w := newWorld(t, vet(""))
	picky := &pickySink{bad: map[string]string{}}
	w.picky(picky)
	w.say("A", "r1/x", lesion("SU"))
	w.say("A", "r2/x", lesion("SU"))
	w.commit()
	picky.bad[string(w.entity("r1/x"))+".1"] = "refused"
	w.once()
	w.say("A", "r1/x", lesion("SH"))
	w.unsay("A", "r2/x", lesion("SU")) // never sent: nothing to delete
	w.commit()
	w.once()
	w.want()
	if _, err := w.desk().Replay(w.ctx(), "vet", "", ""); err != nil {
		t.Fatal(err)
	}
	w.once()
	w.want("r1/x 2 amended")
	if s := w.show(w.desk()); s.Parked != 0 {
		t.Errorf("got %+v", s)
	}
}

func TestFeed_StopsWhenEverythingIsRefused(t *testing.T) {
	w := newWorld(t, vet(""))
	picky := &pickySink{all: "no more, thank you"}
	w.picky(picky)
	for i := range 50 {
		w.say(fmt.Sprintf("A%d", i), fmt.Sprintf("r%d/x", i), lesion("SU"))
	}
	w.commit()
	w.once()
	s := w.show(w.desk())
	if s.State != "refused" || s.Parked >= maxRefusals+1 || !strings.Contains(s.Why, "no more") {
		t.Errorf("got %+v", s)
	}
	picky.all = ""
	d := w.desk()
	if err := d.Resume(w.ctx(), "vet", false); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Replay(w.ctx(), "vet", "", ""); err != nil {
		t.Fatal(err)
	}
	w.once()
	if n := len(w.sent()); n != 50 {
		t.Errorf("got %d events, want 50", n)
	}
}

// pickySink refuses whole batches that hold an event it does not like, as a
// folder or a server does, and gives the rest to another sink.
type pickySink struct {
	mu   sync.Mutex
	bad  map[string]string
	all  string
	next adapters.Sink
}

func (w *world) picky(p *pickySink) {
	inner := w.o.Sink
	w.o.Sink = func(ctx context.Context, f *config.Feed) (adapters.Sink, error) {
		s, err := inner(ctx, f)
		p.next = s
		return p, err
	}
}

func (p *pickySink) Send(ctx context.Context, b *adapters.Batch) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.all != "" {
		return fmt.Errorf("%s: %w", p.all, events.ErrInvalid)
	}
	for _, id := range b.IDs {
		if why, ok := p.bad[id]; ok {
			return fmt.Errorf("%s: %w", why, events.ErrInvalid)
		}
	}
	return p.next.Send(ctx, b)
}

func (p *pickySink) Close() error { return p.next.Close() }

// roster knows the animals it was told of.
type roster struct {
	mu    sync.Mutex
	known map[string]bool
}

func (r *roster) Known(_ context.Context, farm string, ids []events.Identifier, _ string) (bool, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.ContainsFunc(ids, func(id events.Identifier) bool { return r.known[farm+"|"+id.Value] }), nil
}

func (r *roster) WaitFor(context.Context, events.Position) error { return nil }

func TestFeed_WaitsUntilAnAnimalIsKnown(t *testing.T) {
	w := newWorld(t, vet("known-animals: wait"))
	r := &roster{known: map[string]bool{"larkfield|B": true}}
	w.o.Known = r
	w.say("A", "r1/x", lesion("SU"))
	w.say("B", "r2/x", lesion("SU"))
	w.commit()
	w.say("A", "r3/x", &events.Treatment{What: "medicine", Foot: "RH", Medicine: events.Medicine{Name: "as entered"}})
	w.say("B", "r4/x", lesion("SU"))
	w.commit()
	w.once()
	w.want("r2/x 1 recorded", "r4/x 1 recorded")
	s := w.show(w.desk())
	if s.Waiting != 2 || s.Parked != 0 || !s.Animals[0].Urgent {
		t.Errorf("got %+v", s)
	}
	r.known["larkfield|A"] = true
	w.say("A", "a/x", &events.Animal{Sex: "female"})
	w.say("A", "r5/x", lesion("WL"))
	w.commit()
	w.once()
	// the statement goes in its turn, then what waited, in order; what comes
	// after it of the same animal waited with it
	w.want("r2/x 1 recorded", "r4/x 1 recorded", "a/x 1 recorded", "r1/x 1 recorded", "r3/x 1 recorded", "r5/x 1 recorded")
	names := w.files()
	if late := names[len(names)-1]; !strings.HasPrefix(late, "vet-g1-late-000001-") {
		t.Errorf("got %v", names)
	}
	m, err := folder.ReadManifest([]byte(w.read(names[len(names)-1] + folder.ManifestSuffix)))
	if err != nil || !m.Late || len(m.Extents) != 1 || m.Extents[0].Farm != "larkfield" {
		t.Errorf("manifest %+v, %v", m, err)
	}
	if s := w.show(w.desk()); s.Waiting != 0 || s.Late != 3 {
		t.Errorf("got %+v", s)
	}
}

// A retraction of what waits cancels out at the recipient, in order.
func TestFeed_KeepsTheOrderOfWhatWaits(t *testing.T) {
	w := newWorld(t, vet("known-animals: wait"))
	r := &roster{known: map[string]bool{}}
	w.o.Known = r
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	w.unsay("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	r.known["larkfield|A"] = true
	w.once()
	w.want("r1/x 1 recorded", "r1/x 2 retracted")
}

// The thousandth animal that stays behind is as good as the first: plans stay
// small enough for one value, and nothing is lost.
func TestFeed_ManyAnimalsStayBehind(t *testing.T) {
	if testing.Short() {
		t.Skip("it is about size, and tells the race detector nothing")
	}
	w := newWorld(t, vet("known-animals: wait"))
	r := &roster{known: map[string]bool{}}
	w.o.Known = r
	const n = 2500
	for i := range n {
		for j := range 2 {
			w.say(fmt.Sprintf("A%d", i), fmt.Sprintf("r%d-%d/x", i, j), lesion("SU"))
		}
		if len(w.pending) > 900 {
			w.commit()
		}
	}
	w.commit()
	w.once()
	d := w.desk()
	if s := w.show(d); s.Waiting != 2*n || s.Rows != 0 || len(s.Animals) != maxShown {
		t.Fatalf("waiting %d, rows %d, animals %d", s.Waiting, s.Rows, len(s.Animals))
	}
	for i := range n {
		r.known[fmt.Sprintf("larkfield|A%d", i)] = true
	}
	w.once()
	if s := w.show(w.desk()); s.Waiting != 0 || s.Rows != 2*n || s.Late != 2*n {
		t.Errorf("waiting %d, rows %d, late %d", s.Waiting, s.Rows, s.Late)
	}
}

// Numbers of one herd are numbers of another: what is replayed of a name is of one farm.
func TestDesk_ReplaysANameOfOneFarm(t *testing.T) {
	w := newWorld(t, `
feeds:
  vet: {recipient: vet, farms: [larkfield, stony-run], kinds: [lesion], to: {folder: OUT}, batch: {rows: 1} }
grants:
  - {farm: larkfield, recipient: vet, purpose: care, kinds: [lesion], fields: identities, from: 2026-01-01}
  - {farm: stony-run, recipient: vet, purpose: care, kinds: [lesion], fields: identities, from: 2026-01-01}
`)
	picky := &pickySink{bad: map[string]string{}}
	w.picky(picky)
	w.say("17", "r1/x", lesion("SU"))
	w.say("17", "r2/x", lesion("WL"))
	w.pending[1].farm = "stony-run"
	w.commit()
	for _, r := range []string{"r1/x", "r2/x"} {
		picky.bad[string(w.entity(r))+".1"] = "no such animal"
	}
	w.once()
	d := w.desk()
	if s := w.show(d); s.Parked != 2 || len(s.Animals) != 2 || s.Animals[0].Farm == s.Animals[1].Farm {
		t.Fatalf("got %+v", s)
	}
	_, err := d.Replay(w.ctx(), "vet", "ear-tag:17", "")
	if !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "one each of farms larkfield, stony-run") {
		t.Errorf("of both: got %v", err)
	}
	if _, err := d.Replay(w.ctx(), "vet", "", "another"); !errors.Is(err, events.ErrNotFound) {
		t.Errorf("of no farm: got %v", err)
	}
	clear(picky.bad)
	if n, err := d.Replay(w.ctx(), "vet", "ear-tag:17", "stony-run"); n != 1 || err != nil {
		t.Fatalf("got %d, %v", n, err)
	}
	w.once()
	w.want("r2/x 1 recorded")
	if n, err := w.desk().Replay(w.ctx(), "vet", "ear-tag:17", ""); n != 1 || err != nil {
		t.Fatalf("the one that is left: got %d, %v", n, err)
	}
	w.once()
	w.want("r2/x 1 recorded", "r1/x 1 recorded")
}
