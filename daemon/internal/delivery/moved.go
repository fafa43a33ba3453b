package delivery

import (
	"context"
	"fmt"
	"slices"

	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// A recipient that goes by the animal would keep the row of the old one for ever
// if it were sent nothing but the revision with the new one. So that revision is
// preceded by a delete of what the recipient has: the parcel carries it along, and
// both go or stay behind together.

// another reports whether two revisions of an event are of two animals.
func another(had, f *fact) (bool, error) {
	if !f.Kind.Animals() || had.Place == f.Place {
		return false, nil
	}
	old, err := names(had)
	if err != nil {
		return false, err
	}
	now, err := names(f)
	return twoAnimals(f.Kind, old, now), err
}

// twoAnimals reports whether identifiers are of two animals: they have none in common,
// or in some scheme different ones. A statement about an animal may give it a new
// number, so there only the first counts.
func twoAnimals(k events.Kind, old, now identifiers) bool {
	if len(old) == 0 || !k.Animals() {
		return false
	}
	shared, other := false, false
	for scheme, values := range old {
		same := false
		for v := range values {
			same = same || now[scheme][v]
		}
		shared = shared || same
		other = other || !same && len(now[scheme]) > 0
	}
	return !shared || other && k != events.KindAnimal
}

// identifiers are those of an animal, by scheme.
type identifiers map[string]map[string]bool

// names returns the identifiers of the animal of f by scheme, normalized where
// the rules know how.
func names(f *fact) (identifiers, error) {
	p, err := f.decoded()
	if err != nil {
		return nil, err
	}
	c := p.Base()
	out := identifiers{}
	for _, id := range c.Derived.Animal {
		out.put(id)
	}
	for _, id := range c.Animal {
		if out[id.Scheme] == nil || len(c.Derived.Animal) == 0 {
			out.put(id)
		}
	}
	return out, nil
}

func (l identifiers) put(id events.Identifier) {
	if l[id.Scheme] == nil {
		l[id.Scheme] = map[string]bool{}
	}
	l[id.Scheme][events.Compact(id.Value)] = true
}

// A link is a revision that the recipient may have.
type link struct {
	at    events.Place
	row   *parcel     // what takes it back; nil if nothing must
	moved *parcel     // the same beside another delete, if p is a delete; nil of its first chain
	names identifiers // of its animal, if p is a delete
}

// judge judges f, of which x is what the recipient should get, against what the
// recipient may have: the revisions at these places, or what stands before those if
// they stay behind. render renders x, or its delete with the data of had.
func (r *renderer) judge(
	ctx context.Context, f, x *fact, render func(had *fact, fields config.Fields) (parcel, bool, error), places ...events.Place,
) (parcel, bool, error) {
	fields, match, err := r.rule.match(x, r.layout.writer)
	if err != nil {
		return parcel{}, false, err
	}
	var p parcel
	if match {
		var ok bool
		p, ok, err = render(nil, fields)
		if err != nil || !ok || r.layout.writer != nil { // there a resource replaces that of its id as a whole, with its animal
			return p, ok, err
		}
	} else {
		p = parcel{place: f.Place, entity: x.Entity, owner: x, kind: x.Kind, drop: true}
	}
	take := func(had *fact) (l link, err error) {
		l.at = had.Place
		if match {
			if moved, err := another(had, x); err != nil || !moved {
				return l, err
			}
			l.row, err = r.farewell(ctx, f, had)
			return l, err
		}
		q, ok, err := render(had, r.rule.widest(had.Farm, had.Kind))
		if err != nil || !ok {
			return l, err
		}
		if l.row = &q; len(p.chains) > 0 && r.layout.writer == nil {
			l.moved, err = r.farewell(ctx, f, had)
		}
		if err == nil {
			l.names, err = names(had)
		}
		return l, err
	}
	for _, at := range places {
		c, err := r.chain(ctx, at, take)
		if err != nil {
			return p, false, err
		}
		if c != nil {
			p.chains = append(p.chains, c)
		}
	}
	if match {
		return p, true, nil
	}
	prior, err := r.sentBefore(x)
	if err == nil && prior != nil {
		var l link
		if l, err = take(prior); l.row != nil {
			p.chains = append(p.chains, []link{l})
		}
	}
	return p, len(p.chains) > 0, err
}

// chain goes back from a revision to those that the recipient may have instead of
// it. It has one link unless the feed waits for animals; nil if nothing of it must
// be taken back. A stretch that was skipped for want of a grant says nothing, so
// the revision before counts.
func (r *renderer) chain(ctx context.Context, at events.Place, take func(had *fact) (link, error)) ([]link, error) {
	var out []link
	any := false
	for p := &at; p != nil && p.Position > 0; {
		s := r.history.at(*p)
		if s == nil {
			break // from before the feed
		}
		f, err := r.lookup.event(ctx, *p)
		if err != nil {
			return nil, err
		}
		if !s.Skip {
			had, err := r.heldBy(s.Rule, f)
			if had == nil && err == nil && r.replay {
				had, err = r.sentBefore(f)
			}
			if err != nil {
				return nil, err
			}
			l := link{at: *p}
			if had != nil {
				if l, err = take(had); err != nil {
					return nil, err
				}
				any = any || l.row != nil
			}
			out = append(out, l)
			if !r.waits {
				break
			}
		}
		p = f.Before
	}
	if !any {
		return nil, nil
	}
	return out, nil
}

// held returns the revision that the recipient has, if the one at p was its
// newest: the newest that was judged and matched.
func (r *renderer) held(ctx context.Context, p *events.Place) (*fact, error) {
	var f *fact
	_, err := r.chain(ctx, placeOf(p), func(had *fact) (link, error) {
		if f == nil {
			f = had
		}
		return link{at: had.Place}, nil
	})
	return f, err
}

func (r *renderer) heldBy(old *rule, f *fact) (*fact, error) {
	_, match, err := old.match(f, r.layout.writer)
	if err != nil || !match || r.rule.widest(f.Farm, f.Kind) == "" { // nothing may be said of it today
		return nil, err
	}
	return f, nil
}

// settle decides what p takes back: of each chain the newest revision that went.
// It reports whether anything is left of p.
func (p *parcel) settle(behind func(events.Entity, events.Place) bool) bool {
	chains := p.chains
	var main identifiers // of the animal of the delete, if p is one and has become it
	for _, c := range chains {
		i := slices.IndexFunc(c, func(l link) bool { return behind == nil || !behind(p.entity, l.at) })
		if i < 0 || c[i].row == nil {
			continue
		}
		l := &c[i]
		switch {
		case !p.drop:
			p.take(l.row)
		case main == nil:
			main = l.names
			*p = *l.row
		case l.moved != nil && twoAnimals(p.kind, l.names, main):
			p.take(l.moved)
		}
	}
	p.chains = nil
	return !p.drop || main != nil
}

// take puts a delete before p.
func (p *parcel) take(q *parcel) {
	if p.old = append(p.old, q); p.err == nil {
		p.err = q.err
	}
}

// farewell renders the delete of had, which the recipient has, because f gives the
// event another animal; nil if the mapping makes no row of it. It is had as it was
// sent; its id and revision are those of had too, so that whoever keeps the highest
// revision loses nothing should the delete come again behind what it preceded.
func (r *renderer) farewell(ctx context.Context, f, had *fact) (*parcel, error) {
	fields := r.rule.widest(had.Farm, had.Kind)
	p := parcel{place: f.Place, entity: had.Entity, owner: had, kind: had.Kind, fields: fields, drop: true}
	e := *had.Event
	e.Change, e.Recorded, e.Moved = events.Retracted, f.Recorded, true
	out := &fact{Event: &e, payload: had.payload}
	p.what = describeFact(had) + ": it is of another animal"
	if f.Entity == had.Entity {
		p.what += ", " + f.Subject
	}
	var err error
	if fields == config.Pseudonyms {
		if out, err = r.mask.apply(out); err != nil {
			return nil, err
		}
		p.what = fmt.Sprintf("%s %s: it is of another animal", had.Kind, out.Entity)
	}
	p.id = out.ID()
	if r.layout.mapping == nil {
		return &p, r.layout.object(&p, out)
	}
	w := row{event: out.Event}
	if w.payload, err = out.decoded(); err != nil {
		return nil, err
	}
	if w.visit, err = r.linked(ctx, had, events.Entity(had.Visit), new(entry)); err != nil {
		return nil, err
	}
	if r.layout.byExamination() {
		w.examination = w.payload
		w.joined, err = r.members(ctx, had.Entity, had, f.Place.Position-1, new(entry))
	} else {
		w.examination, err = r.linked(ctx, had, examinationOf(had), new(entry))
	}
	if err != nil {
		return nil, err
	}
	p, ok, err := r.mapped(p, w)
	if err != nil || !ok {
		return nil, err
	}
	return &p, nil
}

// behind reports whether the revision of an event at a place stays behind and
// never arrived.
func (b *batch) behind(e events.Entity, at events.Place) bool {
	return b.must[at] || b.owners.has(e, at) || b.f.attic.has(e, at) && !b.goes[at]
}

// passes reports whether a revision of the event waits under another animal, which
// p need not wait for.
func (b *batch) passes(p *parcel) bool {
	return len(b.owners.byEntity[p.entity])+len(b.f.attic.byEntity[p.entity]) > 0
}

// has reports whether the revision at a place stays behind and never arrived.
func (a *attic) has(e events.Entity, at events.Place) bool {
	return slices.ContainsFunc(a.byEntity[e], func(o *owner) bool {
		return slices.ContainsFunc(o.Items, func(it item) bool { return it.Place == at && !it.Doubt })
	})
}

// tidy lets go of what waits until its animal is known although a later revision,
// of another animal, has gone: it is not so any more. After a start it looks at all
// that stays behind, later at what something passed by.
func (f *feed) tidy(ctx context.Context) error {
	if f.d.o.Finder == nil || f.tidied && len(f.outrun) == 0 {
		return nil
	}
	l := lookup{log: f.d.o.Log, finder: f.d.o.Finder}
	for _, o := range f.attic.list() {
		n := *o
		n.Items = nil
		for _, it := range o.Items {
			if !it.Drop && (!f.tidied || f.outrun[it.Entity]) {
				by, err := f.overtaken(ctx, &l, it, nil)
				if err == nil && by > 0 {
					err = f.noteUnsent(ctx, it.Place, by)
				}
				if err != nil {
					return err
				}
				if by > 0 {
					continue
				}
			}
			n.Items = append(n.Items, it)
		}
		if len(n.Items) < len(o.Items) {
			if err := f.keep(ctx, o.Key, &n); err != nil {
				return err
			}
		}
	}
	f.tidied = true
	for e := range f.outrun {
		if len(f.attic.byEntity[e]) == 0 {
			delete(f.outrun, e)
		}
	}
	return nil
}

// overtaken returns a later revision than that of the item that has gone, or goes
// with what leaves; 0 if there is none.
func (f *feed) overtaken(ctx context.Context, l *lookup, it item, leaving map[events.Place]bool) (int, error) {
	e, err := l.newest(ctx, it.Entity)
	for err == nil && e != nil && it.Place.Before(e.Place) {
		stays := f.attic.stays(it.Entity, e.Place) && !leaving[e.Place]
		if s := f.history.at(e.Place); s != nil && !s.Skip && e.Place.Before(f.state.Cursor) && !stays {
			return e.Revision, nil
		}
		if e.Before == nil {
			break
		}
		e, err = l.event(ctx, *e.Before)
	}
	return 0, err
}

// stays reports whether the revision at a place stays behind.
func (a *attic) stays(e events.Entity, at events.Place) bool {
	return slices.ContainsFunc(a.byEntity[e], func(o *owner) bool {
		return slices.ContainsFunc(o.Items, func(it item) bool { return it.Place == at })
	})
}
