package delivery

import (
	"context"
	"fmt"

	"dewclaw/events"
)

// remake makes the bytes of a planned batch again, after a restart.
func (f *feed) remake(ctx context.Context, p *plan) (*shipment, error) {
	l, err := f.layoutOf(ctx, p.Layout)
	if err != nil {
		return nil, err
	}
	v := view{rule: p.Rule, waits: f.cfg.KnownAnimals, layout: l, key: f.view.key, history: f.history.copy(), seen: events.Position(p.Seen)}
	b := newBatch(f, l, p.From)
	b.must, b.goes = map[events.Place]bool{}, map[events.Place]bool{}
	for _, o := range p.Owners {
		for _, it := range o.Items {
			b.must[it.Place] = true
		}
	}
	r := newRenderer(v, f.d.o.Log, f.d.o.Finder)
	if p.Kind == planRange {
		err = f.remakeRange(ctx, r, b, p)
	} else {
		for _, rel := range p.Releases {
			for _, x := range rel.Sent {
				q, ok, e := r.again(ctx, x)
				if e == nil && ok {
					b.goes[x.Place] = true
					if !q.settle(b.behind) {
						continue
					}
					if e = q.err; e == nil {
						e = b.put(q)
					}
				}
				if e != nil {
					return nil, e
				}
			}
		}
	}
	if err == nil {
		err = b.flush()
	}
	if err != nil {
		return nil, err
	}
	if b.rows != p.Rows {
		return nil, &events.Fault{Kind: events.ErrInvalid, What: "rows of " + p.Name, Wanted: fmt.Sprint(p.Rows), Got: fmt.Sprint(b.rows)}
	}
	return b.ship(p)
}

func (f *feed) remakeRange(ctx context.Context, r *renderer, b *batch, p *plan) error {
	for e, err := range f.d.o.Log.Read(ctx, p.From.Position) {
		if err != nil {
			return err
		}
		if e.At > p.Last.Position {
			return nil
		}
		start := 0
		if e.At == p.From.Position {
			start = p.From.Index
		}
		l := r.entry(ctx, e, start)
		if l.err != nil {
			return l.err
		}
		for i := range l.parcels {
			if !l.parcels[i].place.Before(p.To) {
				return nil
			}
			if err := b.add(ctx, &l.parcels[i]); err != nil {
				return err
			}
		}
		if err := b.flush(); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// layoutOf returns the layout a batch was planned in.
func (f *feed) layoutOf(ctx context.Context, id layoutID) (*layout, error) {
	if id == f.layout.id {
		return f.layout, nil
	}
	l := &layout{id: id, events: f.layout.events, encoders: f.layout.encoders}
	if m, ok := f.d.o.Writers[id.Format]; ok {
		return l.written(m)
	}
	if id.Mapping == "" {
		return l, nil
	}
	source, err := f.d.o.Bucket.Get(ctx, f.store.mappingKey(id.Mapping))
	if err != nil {
		return nil, &events.Fault{Kind: events.ErrInvalid, What: "mapping of a planned batch", Cause: err}
	}
	return l.with(f.cfg.Mapping, source)
}
