package herd

import (
	"cmp"
	"fmt"
	"slices"
)

// This file works out the animals of one farm from what rosters, decisions and
// events say. All of a farm is worked out at once, for any statement may touch
// any other; it costs some microseconds a statement.

// A roll is one farm while its animals are worked out.
type roll struct {
	farm    string
	number  id
	sheets  []*sheet
	apart   []pair
	namings []naming
	beings  []*being // known ones sorted by key, then those as read only
	owners  owners
}

// A naming is one way to name an animal in events.
type naming struct {
	id    id
	ids   []ident
	visit string
	turns []day
	spans []meant // what it means, from the beginning of time
}

// meant says what a naming means from a day on.
type meant struct {
	from day
	b    *being
}

// identify works out the animals of a farm and returns the numbers of the rows
// of animals of which anything changed.
func (f *follower) identify(farm id) (changed map[id]bool, err error) {
	r := &roll{number: farm}
	row, err := f.db.prepared("SELECT name FROM names WHERE id=?").first(farm)
	if err != nil {
		return nil, err
	}
	r.farm = textOf(row[0])
	if err := f.loadSheets(r); err != nil {
		return nil, err
	}
	if err := f.loadNamings(r); err != nil {
		return nil, err
	}
	r.workOut()
	return f.store(r)
}

func (r *roll) workOut() {
	r.beings = slices.DeleteFunc(clusters(r.sheets, r.apart), func(b *being) bool { return !b.known })
	taken := map[string]int{}
	for _, b := range r.beings {
		b.key = b.name(r.farm)
		if taken[b.key]++; taken[b.key] > 1 {
			b.key = fmt.Sprintf("%s~%d", b.key, taken[b.key])
		}
		b.stays = joinStays(b.sheets)
	}
	slices.SortFunc(r.beings, func(a, b *being) int { return cmp.Compare(a.key, b.key) })
	r.owners = hold(r.beings)
	r.read()
	r.suggest()
}

// name returns the id of an animal: its farm and its oldest identifier of the
// scheme that proves most. It stays when tags are replaced.
func (b *being) name(farm string) string {
	var best *claim
	for _, s := range b.sheets {
		for i := range s.claims {
			c := &s.claims[i]
			if best == nil || cmp.Or(cmp.Compare(rank(c.scheme), rank(best.scheme)), cmp.Compare(c.valid.from, best.valid.from),
				cmp.Compare(c.named, best.named), compareIdents(c.ident, best.ident)) < 0 {
				best = c
			}
		}
	}
	if best == nil {
		return farm + "/statement:" + b.sheets[0].entity
	}
	return farm + "/" + best.ident.String()
}

// joinStays brings together what several sheets say of stays: where they
// overlap, the newest statement that says a day counts.
func joinStays(sheets []*sheet) []stay {
	type said struct {
		stay
		s *sheet
	}
	var all []said
	for _, s := range sheets {
		for _, x := range s.stays {
			all = append(all, said{x, s})
		}
	}
	slices.SortStableFunc(all, func(a, b said) int {
		return cmp.Or(compareSheets(a.s, b.s), -cmp.Compare(a.entered, b.entered))
	})
	var out []stay
	for _, x := range all {
		i := slices.IndexFunc(out, func(o stay) bool { return o.span().meets(x.span()) })
		if i < 0 {
			out = append(out, x.stay)
			continue
		}
		if out[i].entered == always {
			out[i].entered = x.entered
		}
		if out[i].left == never {
			out[i].left, out[i].why = x.left, x.why
		}
	}
	slices.SortFunc(out, func(a, b stay) int {
		return cmp.Or(cmp.Compare(a.entered, b.entered), cmp.Compare(a.left, b.left))
	})
	return out
}

// compareSheets puts the sheet with the newest statement first.
func compareSheets(a, b *sheet) int {
	return cmp.Or(-cmp.Compare(a.said(), b.said()), cmp.Compare(a.source, b.source), cmp.Compare(a.entity, b.entity))
}

func (s *sheet) said() day {
	if len(s.revisions) == 0 {
		return always
	}
	return s.revisions[len(s.revisions)-1].day
}
