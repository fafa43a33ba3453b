package herd

import (
	"cmp"
	"slices"
)

// This file works out on which days an identifier means which animal.

// A held claim is a claim with the days on which it counts.
//
// On strong days the roster says that the animal had the identifier and was in
// the herd. On weak days nothing speaks against it: before the first statement
// that named a tag, before the animal came and after she left. Weak days count
// where no animal is strong, and only for tags that belong to an animal for
// life; a herd number means nothing outside its days.
type held struct {
	claim
	strong []span
	weak   span
}

// An owner is a being with one of its claims.
type owner struct {
	b *being
	c *held
}

// owners is an index of claims by identifier. Owners of one identifier are
// sorted by the key of their being.
type owners map[ident][]owner

// hold works out the claims of all known beings of a farm.
func hold(beings []*being) owners {
	all := owners{}
	for _, b := range beings {
		for _, s := range b.sheets {
			for _, c := range s.claims {
				b.claims = append(b.claims, held{claim: c, strong: within(c.valid, b.stays)})
			}
		}
		slices.SortStableFunc(b.claims, func(x, y held) int {
			return cmp.Or(compareIdents(x.ident, y.ident), cmp.Compare(x.valid.from, y.valid.from), cmp.Compare(x.valid.to, y.valid.to))
		})
		for i := range b.claims {
			all[b.claims[i].ident] = append(all[b.claims[i].ident], owner{b, &b.claims[i]})
		}
	}
	for n, list := range all {
		agree(n, list)
	}
	return all
}

// agree makes what several animals claim of one identifier agree, as far as
// the statements tell.
func agree(n ident, list []owner) {
	mistakes := make([]bool, len(list))
	starts := make([]day, len(list))
	for i, x := range list {
		starts[i] = always
		for _, y := range list {
			if x.b == y.b {
				continue
			}
			mistakes[i] = mistakes[i] || mistaken(x.c, y.c)
			if end, ok := y.c.end(); ok && !x.c.begun && x.c.opens() && end <= x.c.lastDay() {
				// Who holds it without a day began when the one before ended.
				starts[i] = max(starts[i], end)
			}
		}
	}
	for i, x := range list {
		c := x.c
		if mistakes[i] {
			c.strong, c.weak = nil, span{}
			continue
		}
		for k := range c.strong {
			c.strong[k].from = max(c.strong[k].from, starts[i])
		}
		c.strong = slices.DeleteFunc(c.strong, span.empty)
		if lasting(n.scheme) {
			c.weak = span{always, c.valid.to}
			if c.begun && !c.soft {
				c.weak.from = c.valid.from
			}
		}
	}
}

// mistaken reports whether x, which its record no longer makes, was never right:
// y said the same of another animal while x still stood.
func mistaken(x, y *held) bool {
	if !x.dropped || y.dropped && y.valid.to <= x.valid.to {
		return false
	}
	return y.named < x.valid.to && anyMeet(x.strong, y.strong)
}

// opens reports whether the claim has no first day.
func (c *held) opens() bool { return len(c.strong) > 0 && c.strong[0].from == always }

// end returns the first day behind the claim, if it has one.
func (c *held) end() (day, bool) {
	if len(c.strong) == 0 {
		return 0, false
	}
	e := c.strong[len(c.strong)-1].to
	return e, e != never
}

func (c *held) lastDay() day {
	if len(c.strong) == 0 {
		return always
	}
	return c.strong[len(c.strong)-1].to
}

func (c *held) isStrong(d day) bool {
	return slices.ContainsFunc(c.strong, func(s span) bool { return s.has(d) })
}

// who returns the animals that n means on d, each once: the strong ones, or the
// weak ones if none is.
func (o owners) who(n ident, d day) (out []*being, strong bool) {
	for _, x := range o[n] {
		if x.c.isStrong(d) && !slices.Contains(out, x.b) {
			out = append(out, x.b)
		}
	}
	if len(out) > 0 {
		return out, true
	}
	for _, x := range o[n] {
		if x.c.weak.has(d) && !slices.Contains(out, x.b) {
			out = append(out, x.b)
		}
	}
	if len(out) > 1 {
		return nil, false // between two animals nothing is guessed
	}
	return out, false
}

// A meaning is what identifiers mean on a day.
type meaning struct {
	b     *being   // the one animal, or nil
	might []*being // if several: those it might be, sorted by key
	doubt string   // if several: kind of the contradiction
}

// resolve returns which animal the identifiers name on a day. Identifiers that
// are weak count only if none is strong; one that nobody knows does not count.
func (o owners) resolve(ids []ident, d day) meaning {
	var sets, weak [][]*being
	for _, n := range ids {
		if passing(n.scheme) {
			continue
		}
		switch who, strong := o.who(n, d); {
		case len(who) == 0:
		case strong:
			sets = append(sets, who)
		default:
			weak = append(weak, who)
		}
	}
	b, might, doubt := agreement(sets, weak)
	slices.SortFunc(might, func(a, b *being) int { return cmp.Compare(a.key, b.key) })
	return meaning{b, might, doubt}
}

// agreement returns what several identifiers mean together, each given as the
// animals it means: the one animal that all mean; or those it might be, with the
// kind of contradiction; or nothing. Weak ones count if none is strong.
func agreement[T comparable](strong, weak [][]T) (one T, might []T, doubt string) {
	sets := strong
	if len(sets) == 0 {
		sets = weak
	}
	if len(sets) == 0 {
		return one, nil, ""
	}
	common := slices.Clone(sets[0])
	for _, s := range sets[1:] {
		common = slices.DeleteFunc(common, func(x T) bool { return !slices.Contains(s, x) })
	}
	switch len(common) {
	case 1:
		return common[0], nil, ""
	case 0:
		return one, union(sets), KindTwoAnimals
	}
	return one, common, KindSharedIdentifier
}

// union returns what is in any of the sets, each once.
func union[T comparable](sets [][]T) (out []T) {
	for _, s := range sets {
		for _, x := range s {
			if !slices.Contains(out, x) {
				out = append(out, x)
			}
		}
	}
	return out
}

// turns returns the days on which the meaning of the identifiers may change,
// always first, sorted.
func (o owners) turns(ids []ident) []day {
	out := []day{always}
	for _, n := range ids {
		for _, x := range o[n] {
			for _, s := range slices.Concat(x.c.strong, []span{x.c.weak}) {
				out = append(out, s.from, s.to)
			}
		}
	}
	slices.Sort(out)
	out = slices.Compact(out)
	if out[len(out)-1] == never {
		out = out[:len(out)-1]
	}
	return out
}
