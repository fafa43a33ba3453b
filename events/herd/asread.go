package herd

import (
	"cmp"
	"slices"
	"strings"
)

// This file says what each naming means from day to day, and brings together
// the namings that no roster explains: a block that was put on a cow nobody
// knows is still on her.

// read fills the spans of every naming.
func (r *roll) read() {
	meanings := make([][]meaning, len(r.namings))
	unknown := make([]bool, len(r.namings))
	for i := range r.namings {
		n := &r.namings[i]
		n.turns = r.owners.turns(n.ids)
		for _, d := range n.turns {
			m := r.owners.resolve(n.ids, d)
			meanings[i] = append(meanings[i], m)
			unknown[i] = unknown[i] || m.b == nil && m.doubt == ""
		}
	}
	strangers := map[string]*being{} // as read only, by key
	groups := r.groups(unknown)
	for i := range r.namings {
		n := &r.namings[i]
		for k, m := range meanings[i] {
			b := m.b
			switch {
			case m.doubt != "":
				b = stranger(strangers, r.farm, n, n.ids)
				b.doubt, b.might = m.doubt, union([][]*being{b.might, m.might})
				slices.SortFunc(b.might, func(a, b *being) int { return cmp.Compare(a.key, b.key) })
			case b == nil:
				b = stranger(strangers, r.farm, n, groups.of(i))
			}
			if last := len(n.spans) - 1; last < 0 || n.spans[last].b != b {
				n.spans = append(n.spans, meant{n.turns[k], b})
			}
		}
	}
	added := make([]*being, 0, len(strangers))
	for _, b := range strangers {
		slices.SortFunc(b.idents, compareIdents)
		b.idents = slices.Compact(b.idents)
		added = append(added, b)
	}
	slices.SortFunc(added, func(a, b *being) int { return cmp.Compare(a.key, b.key) })
	r.beings = append(r.beings, added...)
}

// asRead stands in the id of an animal that no roster knows.
const asRead = "as-read"

// stranger returns the being for a naming that names no one animal of a roster.
// name is what it is known by.
func stranger(all map[string]*being, farm string, n *naming, name []ident) *being {
	var b strings.Builder
	b.WriteString(farm + "/" + asRead + "/")
	bound := false
	for i, x := range name {
		if i > 0 {
			b.WriteByte('+')
		}
		b.WriteString(x.String())
		bound = bound || passing(x.scheme)
	}
	if bound {
		b.WriteString("@" + n.visit)
	}
	s, ok := all[b.String()]
	if !ok {
		s = &being{key: b.String()}
		all[s.key] = s
	}
	s.idents = append(s.idents, n.ids...)
	return s
}

// A grouping joins namings that share a tag which belongs to an animal for life,
// or that a person joined.
type grouping struct {
	namings []naming
	parent  []int
	apart   []pair
	name    map[int][]ident // by root
}

// groups joins the namings that are unknown on some days.
func (r *roll) groups(unknown []bool) *grouping {
	g := &grouping{namings: r.namings, parent: make([]int, len(r.namings)), apart: r.apart, name: map[int][]ident{}}
	for i := range g.parent {
		g.parent[i] = i
	}
	first := map[ident][]int{}
	for i, n := range r.namings {
		if !unknown[i] {
			continue
		}
		for _, x := range n.ids {
			if lasting(x.scheme) {
				first[x] = append(first[x], i)
			}
		}
	}
	shared := make([]ident, 0, len(first))
	for x, list := range first {
		if len(list) > 1 {
			shared = append(shared, x)
		}
	}
	slices.SortFunc(shared, compareIdents)
	for _, x := range shared {
		for _, i := range first[x][1:] {
			g.join(first[x][0], i, false)
		}
	}
	r.joinDecided(g, unknown)
	return g
}

// joinDecided joins namings by the decisions of persons that no roster took up.
func (r *roll) joinDecided(g *grouping, unknown []bool) {
	for _, s := range r.sheets {
		if !s.decided() {
			continue
		}
		last := -1
		for i, n := range r.namings {
			if !unknown[i] || !slices.ContainsFunc(n.ids, func(x ident) bool { return slices.ContainsFunc(s.claims, func(c claim) bool { return c.ident == x }) }) {
				continue
			}
			if last >= 0 {
				g.join(last, i, true)
			}
			last = i
		}
	}
}

func (g *grouping) root(i int) int {
	for g.parent[i] != i {
		g.parent[i] = g.parent[g.parent[i]]
		i = g.parent[i]
	}
	return i
}

func (g *grouping) join(a, b int, decided bool) {
	a, b = g.root(a), g.root(b)
	if a == b {
		return
	}
	x, y := g.idents(a), g.idents(b)
	for _, p := range g.apart {
		if overlap(x, p.a) && overlap(y, p.b) || overlap(x, p.b) && overlap(y, p.a) {
			return
		}
	}
	if !decided && unlike(x, y) {
		return
	}
	if a > b {
		a, b = b, a
	}
	g.parent[b] = a
	all := slices.Concat(x, y)
	slices.SortFunc(all, compareIdents)
	g.name[a] = slices.Compact(all)
	delete(g.name, b)
}

// unlike reports whether two groups have different ear tags: then a transponder
// they share was moved, or misread.
func unlike(x, y []ident) bool {
	a, b := of(x, earTag), of(y, earTag)
	return len(a) > 0 && len(b) > 0 && !overlap(a, b)
}

func of(ids []ident, scheme string) (out []ident) {
	for _, n := range ids {
		if n.scheme == scheme {
			out = append(out, n)
		}
	}
	return out
}

func (g *grouping) idents(root int) []ident {
	if n, ok := g.name[root]; ok {
		return n
	}
	return g.namings[root].ids
}

// of returns what the group of a naming is known by: its first lasting
// identifier, or all identifiers of the naming if it has none.
func (g *grouping) of(i int) []ident {
	ids := g.idents(g.root(i))
	if len(ids) > 0 && lasting(ids[0].scheme) {
		return ids[:1]
	}
	return ids
}
