package herd

import (
	"slices"

	"dewclaw/events"
)

// This file loads what rosters and decisions say of a farm, and how its animals
// were named.

func (f *follower) loadSheets(r *roll) error {
	var entity, source string
	var revisions []revision
	gone := false
	finish := func() {
		if len(revisions) > 0 && !gone {
			r.sheets = append(r.sheets, newSheet(entity, source, revisions))
		}
	}
	err := f.db.prepared(`SELECT s.entity, s.retracted, s.day, s.data, n.name FROM statements s JOIN names n ON n.id = s.source
		WHERE s.farm=? ORDER BY s.entity, s.revision`).each(func(row []value) error {
		if e := textOf(row[0]); e != entity {
			finish()
			entity, source, revisions = e, textOf(row[4]), nil
		}
		if gone = intOf(row[1]) != 0; gone {
			return nil
		}
		p, err := payload(events.KindAnimal, blobOf(row[3]))
		if err != nil {
			return err
		}
		a := p.(*events.Animal)
		revisions = append(revisions, revision{day(intOf(row[2])), Normalized(&a.Common), a})
		return nil
	}, r.number)
	finish()
	if err != nil {
		return err
	}
	return f.loadDecisions(r)
}

// loadDecisions turns "same animal" into sheets and "not the same" into pairs.
// Of two decisions that contradict each other the later holds.
func (f *follower) loadDecisions(r *roll) error {
	type settled struct {
		entity, at string
		same       bool
		pair
		claims []claim
	}
	var all []settled
	err := f.db.prepared("SELECT entity, recorded, data FROM decisions WHERE farm=? ORDER BY recorded, entity").each(func(row []value) error {
		p, err := payload(events.KindDecision, blobOf(row[2]))
		if err != nil {
			return err
		}
		x := p.(*events.Decision)
		s := settled{entity: textOf(row[0]), at: textOf(row[1]), same: x.Action == events.ActionSame}
		s.a, s.b = asGiven(x.Animal), asGiven(x.Other)
		for _, g := range slices.Concat(x.Animal, x.Other) {
			for _, n := range asGiven([]events.Identifier{g}) {
				if passing(n.scheme) {
					continue
				}
				v := span{dayOf(g.From, always), dayOf(g.To, never)}
				s.claims = append(s.claims, claim{ident: n, valid: v, named: always, begun: v.from != always})
			}
		}
		all = append(all, s)
		return nil
	}, r.number)
	if err != nil {
		return err
	}
	for i, s := range all {
		if slices.ContainsFunc(all[i+1:], func(o settled) bool { return o.same != s.same && o.about(s.pair) }) {
			continue
		}
		if s.same {
			r.sheets = append(r.sheets, &sheet{entity: s.entity, claims: s.claims})
		} else {
			r.apart = append(r.apart, s.pair)
		}
	}
	return nil
}

// about reports whether p and q speak of the same two animals, as far as one
// identifier of each tells.
func (p pair) about(q pair) bool {
	return overlap(p.a, q.a) && overlap(p.b, q.b) || overlap(p.a, q.b) && overlap(p.b, q.a)
}

func overlap(a, b []ident) bool {
	return slices.ContainsFunc(a, func(n ident) bool { return slices.Contains(b, n) })
}

func (f *follower) loadNamings(r *roll) error {
	return f.db.prepared("SELECT id, key FROM namings WHERE farm=? AND used=1 ORDER BY key").each(func(row []value) error {
		n := naming{id: id(intOf(row[0]))}
		if n.ids, n.visit = parseNaming(textOf(row[1])); len(n.ids) > 0 {
			r.namings = append(r.namings, n)
		}
		return nil
	}, r.number)
}
