package herd

import (
	"cmp"
	"slices"
)

// A Suggestion names an animal that an unmatched one may be. Nothing is ever
// done with it but to show it: a person decides (same animal, not the same).
type Suggestion struct {
	Animal string // animal id
	Given  string // identifier as it was read: scheme:value
	Found  string // identifier of the animal that it looks like
	Why    string // one-digit-off, transposed, same-number, no-longer, read-together
}

// mostSuggestions bounds what is suggested for one animal: of many none helps.
const mostSuggestions = 5

// suggest fills the suggestions of the animals that are only as read.
func (r *roll) suggest() {
	var strangers []*being
	for _, b := range r.beings {
		if !b.known && b.doubt == "" {
			strangers = append(strangers, b)
		}
	}
	if len(strangers) == 0 {
		return
	}
	near, others := newNearIndex(), map[ident]*being{}
	for n, list := range r.owners {
		if len(list) > 0 {
			near.add(n)
		}
	}
	for _, b := range strangers {
		for _, n := range b.idents {
			if p := plainNumber(n); p != "" && !near.exact[n] {
				near.byPlain[p] = append(near.byPlain[p], n)
				others[n] = b
			}
		}
	}
	together := r.together()
	for _, b := range strangers {
		b.suggest = r.suggestions(b, near, others, together)
	}
}

func (r *roll) suggestions(b *being, near *nearIndex, others map[ident]*being, together map[ident][]*being) (out []Suggestion) {
	add := func(given, found ident, who *being, why string) {
		if who != b && !r.keptApart(b.idents, who) {
			out = append(out, Suggestion{who.key, given.String(), found.String(), why})
		}
	}
	tagged := slices.ContainsFunc(b.idents, func(n ident) bool { return lasting(n.scheme) })
	for _, n := range b.idents {
		for _, o := range r.owners[n] {
			add(n, n, o.b, NoLonger)
		}
		for _, w := range together[n] {
			add(n, n, w, ReadTogether)
		}
		if tagged && !lasting(n.scheme) {
			continue // her tag tells that a number like another cow's is no slip
		}
		for _, l := range near.find(n) {
			for _, o := range r.owners[l.ident] {
				add(n, l.ident, o.b, l.why)
			}
			if o := others[l.ident]; o != nil {
				add(n, l.ident, o, l.why)
			}
		}
	}
	slices.SortFunc(out, func(x, y Suggestion) int {
		return cmp.Or(cmp.Compare(x.Animal, y.Animal), cmp.Compare(x.Why, y.Why), cmp.Compare(x.Given, y.Given), cmp.Compare(x.Found, y.Found))
	})
	out = slices.Compact(out)
	slices.SortStableFunc(out, func(x, y Suggestion) int { return cmp.Compare(weight(x.Why), weight(y.Why)) })
	return out[:min(len(out), mostSuggestions)]
}

// weight puts what says most first.
func weight(why string) int {
	return slices.Index([]string{ReadTogether, SameNumber, NoLonger, Transposed, OneDigitOff}, why)
}

// together returns the known animals that an identifier no roster has was read
// with: one device wrote both for one cow.
func (r *roll) together() map[ident][]*being {
	out := map[ident][]*being{}
	for i := range r.namings {
		for _, m := range r.namings[i].spans {
			if !m.b.known {
				continue
			}
			for _, n := range r.namings[i].ids {
				if len(r.owners[n]) == 0 && !passing(n.scheme) && !slices.Contains(out[n], m.b) {
					out[n] = append(out[n], m.b)
				}
			}
		}
	}
	return out
}

// keptApart reports whether a person said that the identifiers are not b's.
func (r *roll) keptApart(ids []ident, b *being) bool {
	has := func(list []ident) bool {
		if overlap(b.idents, list) {
			return true
		}
		return slices.ContainsFunc(b.sheets, func(s *sheet) bool { return s.hasAny(list) })
	}
	return slices.ContainsFunc(r.apart, func(p pair) bool {
		return overlap(ids, p.a) && has(p.b) || overlap(ids, p.b) && has(p.a)
	})
}
