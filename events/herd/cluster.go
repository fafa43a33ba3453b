package herd

import (
	"cmp"
	"slices"
)

// This file brings together the sheets that speak of one animal.

// A being is an animal on its way to being worked out.
type being struct {
	id      id // number of its row
	key     string
	sheets  []*sheet // sorted by entity
	stays   []stay
	claims  []held
	known   bool   // a roster has it
	doubt   string // as read only: why its identifiers name no one animal
	might   []*being
	idents  []ident // as read only
	suggest []Suggestion
}

// clusters joins sheets that share an identifier on the same days, the schemes
// that prove most first. Two sheets are kept apart if a person said so, if a
// scheme that proves more tells them apart, or if one source has them as two
// records with different identifiers or birthdays. The order of the sheets does
// not matter.
func clusters(sheets []*sheet, apart []pair) []*being {
	slices.SortFunc(sheets, func(a, b *sheet) int { return cmp.Compare(a.entity, b.entity) })
	j := joiner{parent: make([]int, len(sheets)), members: make([][]int, len(sheets)), sheets: sheets, apart: apart}
	for i := range sheets {
		j.parent[i], j.members[i] = i, []int{i}
	}
	groups := map[ident][]int{}
	for i, s := range sheets {
		for _, c := range s.claims {
			if g := groups[c.ident]; len(g) == 0 || g[len(g)-1] != i {
				groups[c.ident] = append(g, i)
			}
		}
	}
	shared := make([]ident, 0, len(groups))
	for n, g := range groups {
		if len(g) > 1 {
			shared = append(shared, n)
		}
	}
	slices.SortFunc(shared, compareIdents)
	for _, byDecision := range []bool{true, false} {
		for _, n := range shared {
			j.group(n, groups[n], byDecision)
		}
	}
	return j.beings()
}

type joiner struct {
	parent  []int
	members [][]int // of a root
	sheets  []*sheet
	apart   []pair
}

func (j *joiner) root(i int) int {
	for j.parent[i] != i {
		j.parent[i] = j.parent[j.parent[i]]
		i = j.parent[i]
	}
	return i
}

func (j *joiner) group(n ident, group []int, byDecision bool) {
	for x, a := range group {
		for _, b := range group[x+1:] {
			if (j.sheets[a].decided() || j.sheets[b].decided()) == byDecision {
				j.join(a, b, n)
			}
		}
	}
}

func (j *joiner) join(a, b int, by ident) {
	ra, rb := j.root(a), j.root(b)
	if ra == rb {
		return
	}
	sa, sb := j.sheets[a], j.sheets[b]
	if !anyMeet(sa.spans(by), sb.spans(by)) {
		return
	}
	// A person's word goes before other identifiers, but a herd number may have
	// been another cow's before or since.
	decided := (sa.decided() || sb.decided()) && lasting(by.scheme)
	for _, x := range j.members[ra] {
		for _, y := range j.members[rb] {
			if setApart(j.sheets[x], j.sheets[y], j.apart) || !decided && conflict(j.sheets[x], j.sheets[y], by.scheme) {
				return
			}
		}
	}
	if ra > rb {
		ra, rb = rb, ra
	}
	j.parent[rb] = ra
	j.members[ra] = append(j.members[ra], j.members[rb]...)
	j.members[rb] = nil
}

func (j *joiner) beings() []*being {
	var out []*being
	for i := range j.sheets {
		if j.root(i) != i {
			continue
		}
		b := &being{}
		slices.Sort(j.members[i])
		for _, m := range j.members[i] {
			b.sheets = append(b.sheets, j.sheets[m])
			b.known = b.known || !j.sheets[m].decided()
		}
		out = append(out, b)
	}
	return out
}

// spans returns the days on which the sheet claims n.
func (s *sheet) spans(n ident) (out []span) {
	for i := range s.claims {
		if s.claims[i].ident == n {
			out = append(out, s.active(&s.claims[i])...)
		}
	}
	return out
}

// A pair is two groups of identifiers that a person said name two animals.
type pair struct{ a, b []ident }

func setApart(x, y *sheet, apart []pair) bool {
	for _, p := range apart {
		if x.hasAny(p.a) && y.hasAny(p.b) || x.hasAny(p.b) && y.hasAny(p.a) {
			return true
		}
	}
	return false
}

func (s *sheet) hasAny(ids []ident) bool {
	for i := range s.claims {
		if slices.Contains(ids, s.claims[i].ident) {
			return true
		}
	}
	return false
}

// conflict reports whether x and y cannot be one animal although they share an
// identifier of the scheme via.
func conflict(x, y *sheet, via string) bool {
	if x.decided() || y.decided() {
		return false
	}
	same := x.source == y.source
	for _, scheme := range []string{earTag, transponder, herdbook, herdNumber} {
		if (same || rank(scheme) < rank(via)) && scheme != via && differ(x, y, scheme) {
			return true
		}
	}
	if !same {
		return false
	}
	a, b := x.newest().Born, y.newest().Born
	return a != "" && b != "" && a != b
}

// differ reports whether both have identifiers of the scheme on the same days
// and none in common.
func differ(x, y *sheet, scheme string) bool {
	met := false
	for i := range x.claims {
		a := &x.claims[i]
		if a.scheme != scheme {
			continue
		}
		for k := range y.claims {
			b := &y.claims[k]
			if b.scheme != scheme || !anyMeet(x.active(a), y.active(b)) {
				continue
			}
			if a.value == b.value {
				return false
			}
			met = true
		}
	}
	return met
}
