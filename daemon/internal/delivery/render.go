package delivery

import (
	"context"
	"errors"
	"fmt"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// A parcel is one event (or examination) that the recipient should get or lose,
// already in its layout. Everything but the decision whether it goes now.
type parcel struct {
	place  events.Place  // of the event that makes it go
	entity events.Entity // as in the log
	owner  *fact         // as in the log: whose it is; nil of what stayed behind
	farm   string        // of the owner that was let go
	barn   string        // of it
	kind   events.Kind
	fields config.Fields // how much of the animal it tells; "" of a delete that no grant is about any more
	id     string        // CloudEvents id, as it leaves
	drop   bool          // the recipient should no longer have it
	what   string        // of a drop, for people

	old    []*parcel // deletes that go before it, of animals the event was of; with it or not at all
	chains [][]link  // what the recipient may have of the event, until settled: see moved.go

	line  []byte          // as a CloudEvent
	event *events.Event   // for a sink that takes events
	cells []adapters.Cell // as a row of a mapping
	err   error           // kind invalid: the mapping refuses it
}

// A leaf is one entry with what a feed makes of it.
type leaf struct {
	at      events.Position
	events  int // events of the entry
	gap     bool
	roster  bool // it holds a statement about an animal, or a decision
	parcels []parcel
	err     error // the log cannot be read, or damaged: ends the stream
}

// A view is what events are judged and written by. It does not change.
type view struct {
	rule    *rule
	waits   bool     // the feed waits for animals: what is judged may stay behind and be overtaken
	history *history // as it was when the view was made
	layout  *layout
	key     []byte // of pseudonyms
	seen    events.Position
}

// A renderer makes parcels. One for each goroutine.
type renderer struct {
	view
	lookup lookup
	mask   *mask
	replay bool   // revisions before were collapsed: what the generation before sent may still be there
	kept   *entry // read last by whole
	keptAt events.Position
}

func newRenderer(v view, log Log, finder Finder) *renderer {
	return &renderer{view: v, lookup: lookup{log: log, finder: finder}, mask: newMask(v.key)}
}

// entry renders the events of e from index from on.
func (r *renderer) entry(ctx context.Context, e *events.Entry, from int) leaf {
	l := leaf{at: e.At, events: len(e.Events)}
	facts := make([]*fact, len(e.Events))
	all := &entry{facts: facts}
	store := make([]struct {
		f fact
		e events.Event
	}, len(e.Events))
	for i := range e.Events {
		ev, err := e.Event(i)
		if err != nil {
			l.err = err
			return l
		}
		store[i].e = ev
		store[i].f.Event = &store[i].e
		facts[i] = &store[i].f
		if ev.Kind == events.KindAnimal || ev.Kind == events.KindDecision {
			l.roster = true
		}
	}
	l.parcels, l.err = r.facts(ctx, all, from)
	return l
}

// An entry is the facts of one entry of the log.
type entry struct {
	facts  []*fact
	newest map[events.Entity]*fact
}

// from returns the facts from index i on.
func (e *entry) from(i int) []*fact { return e.facts[min(i, len(e.facts)):] }

// last returns the newest revision of an entity in the entry, or nil.
func (e *entry) last(x events.Entity) *fact {
	if e.newest == nil {
		e.newest = make(map[events.Entity]*fact, len(e.facts))
		for _, f := range e.facts {
			e.newest[f.Entity] = f
		}
	}
	return e.newest[x]
}

// facts renders the facts of an entry from index from on.
func (r *renderer) facts(ctx context.Context, e *entry, from int) ([]parcel, error) {
	if r.layout.byExamination() {
		return r.examinations(ctx, e, from)
	}
	var out []parcel
	for _, f := range e.from(from) {
		p, ok, err := r.one(ctx, f, f.Before, nil, e)
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, p)
		}
	}
	return out, nil
}

// one judges one revision against the one before it and renders what follows.
// before is where the revision stands that the recipient may have, also where
// further ones do; around is the entry of f.
func (r *renderer) one(ctx context.Context, f *fact, before *events.Place, also []events.Place, around *entry) (parcel, bool, error) {
	return r.judge(ctx, f, f, func(had *fact, fields config.Fields) (parcel, bool, error) {
		return r.parcel(ctx, f, had, fields, around)
	}, append([]events.Place{placeOf(before)}, also...)...)
}

// placeOf is p, or nowhere.
func placeOf(p *events.Place) events.Place {
	if p == nil {
		return events.Place{}
	}
	return *p
}

// sentBefore returns f itself if the generation before sent it and this one
// does not: a rewind under a narrower rule takes it back.
func (r *renderer) sentBefore(f *fact) (*fact, error) {
	old := r.history.prior(f.Place)
	if old == nil {
		return nil, nil
	}
	return r.heldBy(old, f)
}

// parcel renders f; or, if the recipient has had and should lose it, its delete
// with the data of had.
func (r *renderer) parcel(ctx context.Context, f, had *fact, fields config.Fields, around *entry) (parcel, bool, error) {
	p := parcel{place: f.Place, entity: f.Entity, owner: f, kind: f.Kind, fields: fields, drop: had != nil}
	out := f
	if p.drop {
		e := *f.Event
		e.Change, e.Data, e.Subject = events.Retracted, had.Data, had.Subject
		out = &fact{Event: &e, payload: had.payload}
		p.what = describe(f, had)
	} else if f.Change == events.Retracted {
		return p, false, nil
	}
	var err error
	if fields == config.Pseudonyms {
		if out, err = r.mask.apply(out); err != nil {
			return p, false, err
		}
		if p.drop {
			p.what = fmt.Sprintf("%s %s", f.Kind, out.Entity)
		}
	}
	p.id = out.ID()
	if r.layout.mapping == nil {
		return p, true, r.layout.object(&p, out)
	}
	row := row{event: out.Event}
	if row.payload, err = out.decoded(); err != nil {
		return p, false, err
	}
	if row.examination, err = r.linked(ctx, f, examinationOf(f), around); err != nil {
		return p, false, err
	}
	if row.visit, err = r.linked(ctx, f, events.Entity(f.Visit), around); err != nil {
		return p, false, err
	}
	return r.mapped(p, row)
}

// mapped writes the row of a parcel.
func (r *renderer) mapped(p parcel, w row) (parcel, bool, error) {
	cells, err := r.layout.mapping.row(w)
	switch {
	case errors.Is(err, errSkip):
		return p, false, nil
	case isRefusal(err):
		p.err = err
	case err != nil:
		return p, false, fmt.Errorf("map event %s: %w", p.id, err)
	}
	p.cells = cells
	return p, true, nil
}

func examinationOf(f *fact) events.Entity {
	if f.Kind == events.KindExamination {
		return f.Entity
	}
	p, err := f.decoded()
	if err != nil {
		return ""
	}
	return p.Base().Examination
}

// linked returns the payload of the examination or visit that f belongs to, as
// the log knew it at f, masked as its own grant says; nil if there is none or
// no grant lets the recipient have it.
func (r *renderer) linked(ctx context.Context, f *fact, e events.Entity, around *entry) (events.Payload, error) {
	if e == "" {
		return nil, nil
	}
	x := around.last(e)
	if x == nil {
		var err error
		if x, err = r.lookup.find(ctx, e, f.Place.Position, r.seen); err != nil || x == nil {
			return nil, err
		}
	}
	return r.visible(x)
}

// visible returns the payload of f as far as a grant lets the recipient see it.
func (r *renderer) visible(f *fact) (events.Payload, error) {
	fields, err := r.rule.consent(f)
	if err != nil || fields == "" {
		return nil, err
	}
	if fields == config.Pseudonyms {
		m, err := r.mask.apply(f)
		if err != nil {
			return nil, err
		}
		f = m
	}
	return f.decoded()
}

// describe says for people what a recipient should no longer have.
func describe(f, had *fact) string {
	why := "taken back"
	if f.Change != events.Retracted {
		why = "changed, and no longer what this feed carries"
	}
	return describeFact(had) + ": " + why
}

func describeFact(had *fact) string {
	day := ""
	if p, err := had.decoded(); err == nil {
		day = " of " + p.Base().Occurred.Date
	}
	return fmt.Sprintf("%s%s, %s, farm %s, revision %d", had.Kind, day, had.Subject, had.Farm, had.Revision)
}
