package delivery

import (
	"context"
	"fmt"
	"strings"

	"dewclaw/events"
)

// again renders an event that stayed behind.
func (r *renderer) again(ctx context.Context, c listed) (*parcel, bool, error) {
	var p parcel
	var ok bool
	r.replay = c.Before != nil
	if !r.layout.byExamination() && (r.layout.mapping == nil || r.lookup.finder != nil) {
		f, err := r.lookup.event(ctx, c.Place)
		if err != nil {
			return nil, false, err
		}
		// what it belongs to is found one by one: its entry may hold a thousand others
		p, ok, err = r.one(ctx, f, c.against(f), c.Also, new(entry))
		p.letGo()
		return &p, ok, err
	}
	all, err := r.whole(ctx, c.Place.Position)
	if err != nil {
		return nil, false, err
	}
	if c.Place.Index >= len(all.facts) {
		return nil, false, fmt.Errorf("read event %d of log position %d: %w", c.Place.Index, c.Place.Position, events.ErrCorrupt)
	}
	f := all.facts[c.Place.Index]
	if r.layout.byExamination() {
		x := examinationOf(f)
		if x == "" {
			return nil, false, nil
		}
		p, ok, err = r.examination(ctx, f, x, all)
	} else {
		p, ok, err = r.one(ctx, f, c.against(f), c.Also, all)
	}
	p.letGo()
	return &p, ok, err
}

// letGo lets go of the event: whose it is is known, and its entry need not stay in
// memory.
func (p *parcel) letGo() {
	if p.owner != nil {
		p.farm, p.barn, p.owner = strings.Clone(p.owner.Farm), strings.Clone(p.owner.Barn), nil
	}
}

// against returns where the revision stands that f is judged against.
func (c *listed) against(f *fact) *events.Place {
	switch {
	case c.Before == nil:
		return f.Before
	case c.Before.Position == 0:
		return nil
	}
	return c.Before
}

// whole returns the facts of a whole entry, those of the last one asked for
// without reading it again.
func (r *renderer) whole(ctx context.Context, p events.Position) (*entry, error) {
	if r.kept != nil && r.keptAt == p {
		return r.kept, nil
	}
	e, err := r.lookup.entry(ctx, p)
	if err != nil {
		return nil, err
	}
	all := &entry{facts: make([]*fact, len(e.Events))}
	for i := range all.facts {
		ev, err := e.Event(i)
		if err != nil {
			return nil, err
		}
		all.facts[i] = &fact{Event: &ev}
	}
	r.kept, r.keptAt = all, p
	return all, nil
}
