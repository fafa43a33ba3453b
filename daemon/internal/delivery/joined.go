package delivery

import (
	"context"

	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// examinations renders one row for each examination that the entry changes, from
// index from on:
// the examination and the events that belong to it, as the log knew them after
// this entry. Events that belong to no examination make no row.
func (r *renderer) examinations(ctx context.Context, e *entry, from int) ([]parcel, error) {
	var out []parcel
	done := map[events.Entity]bool{}
	for _, f := range e.from(from) {
		x := examinationOf(f)
		if x == "" || done[x] {
			continue
		}
		done[x] = true
		p, ok, err := r.examination(ctx, f, x, e)
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, p)
		}
	}
	return out, nil
}

// examination renders the row of examination e, which f belongs to.
func (r *renderer) examination(ctx context.Context, f *fact, e events.Entity, around *entry) (parcel, bool, error) {
	at := f.Place.Position
	x, before, err := r.examined(ctx, e, at, around)
	if err != nil || x == nil {
		return parcel{}, false, err
	}
	return r.judge(ctx, f, x, func(had *fact, fields config.Fields) (parcel, bool, error) {
		return r.joined(ctx, f, x, had, fields, around)
	}, placeOf(before))
}

// joined renders the row of examination x, which f belongs to; or, if the recipient
// has had and should lose it, its delete with the data of had.
func (r *renderer) joined(ctx context.Context, f, x, had *fact, fields config.Fields, around *entry) (parcel, bool, error) {
	at := f.Place.Position
	p := parcel{place: f.Place, entity: x.Entity, owner: x, kind: events.KindExamination, fields: fields, drop: had != nil}
	ev := *x.Event
	switch {
	case p.drop:
		ev.Change, ev.Data, ev.Subject = events.Retracted, had.Data, had.Subject
		p.what = describe(x, had)
	case x.Place.Position != at: // only what belongs to it has changed
		ev.Change = events.Amended
	}
	out := &fact{Event: &ev}
	if !p.drop {
		out.payload = x.payload
	}
	w := row{}
	var err error
	if w.joined, err = r.members(ctx, x.Entity, x, at, around); err != nil {
		return p, false, err
	}
	if w.visit, err = r.linked(ctx, x, events.Entity(x.Visit), around); err != nil {
		return p, false, err
	}
	if fields == config.Pseudonyms {
		if out, err = r.mask.apply(out); err != nil {
			return p, false, err
		}
		if p.drop {
			p.what = string(p.kind) + " " + string(out.Entity)
		}
	}
	p.id, w.event = out.ID(), out.Event
	if w.payload, err = out.decoded(); err != nil {
		return p, false, err
	}
	w.examination = w.payload
	return r.mapped(p, w)
}

// examined returns the examination as the log knew it at the position, and
// where the revision stands that the recipient may have.
func (r *renderer) examined(ctx context.Context, e events.Entity, at events.Position, around *entry) (*fact, *events.Place, error) {
	var first, last *fact
	for _, f := range around.facts {
		if f.Entity == e {
			if last = f; first == nil {
				first = f
			}
		}
	}
	if last != nil {
		return last, first.Before, nil
	}
	x, err := r.lookup.find(ctx, e, at, 0)
	if err != nil || x == nil {
		return nil, nil, err
	}
	return x, &x.Place, nil
}

// members returns the payloads of the events that belong to examination e, as
// far as the feed carries them, in the order they were first recorded.
func (r *renderer) members(ctx context.Context, e events.Entity, x *fact, at events.Position, around *entry) ([]events.Payload, error) {
	newest := map[events.Entity]*fact{}
	var order []events.Entity
	add := func(f *fact) {
		if f.Kind == events.KindExamination {
			return
		}
		if newest[f.Entity] == nil {
			order = append(order, f.Entity)
		}
		newest[f.Entity] = f
	}
	if x.Revision > 1 || x.Place.Position != at || around.facts == nil { // else this entry has all of it
		if rec, _, err := e.Split(); err == nil {
			facts, err := r.lookup.record(ctx, rec, at)
			if err != nil {
				return nil, err
			}
			for _, f := range facts {
				add(f)
			}
		}
	}
	for _, f := range around.facts {
		if examinationOf(f) == e {
			add(f)
		}
	}
	var out []events.Payload
	for _, k := range order {
		f := newest[k]
		if _, ok, err := r.rule.match(f, r.layout.writer); err != nil || !ok || examinationOf(f) != e {
			if err != nil {
				return nil, err
			}
			continue
		}
		p, err := r.visible(f)
		if err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}
