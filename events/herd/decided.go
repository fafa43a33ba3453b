package herd

import (
	"context"
	"slices"

	"dewclaw/events"
)

// Decided returns where a decision stands that says of two animals of a farm what d
// says: the same action and, in any order and writing, the same identifiers. It is
// 0 if there is none, or if a later one about these two says something else.
func (v *View) Decided(ctx context.Context, farm string, d *events.Decision) (events.Position, error) {
	asked := pair{asGiven(d.Animal), asGiven(d.Other)}
	var at events.Position
	err := v.each(ctx, func(row []value) error {
		p, err := payload(events.KindDecision, blobOf(row[1]))
		if err != nil {
			return err
		}
		x := p.(*events.Decision)
		said := pair{asGiven(x.Animal), asGiven(x.Other)}
		switch {
		case !said.about(asked):
		case x.Action != d.Action:
			at = 0
		case said.equal(asked):
			at = placeOf(id(intOf(row[0]))).Position
		}
		return nil
	}, "SELECT id, data FROM decisions WHERE farm=? ORDER BY recorded, entity", v.ids[farm])
	return at, err
}

// equal reports whether p and q name the same two animals by the same identifiers.
func (p pair) equal(q pair) bool {
	same := func(a, b []ident) bool {
		return len(a) == len(b) && !slices.ContainsFunc(a, func(n ident) bool { return !slices.Contains(b, n) })
	}
	return same(p.a, q.a) && same(p.b, q.b) || same(p.a, q.b) && same(p.b, q.a)
}
