package measures

import (
	"slices"

	"dewclaw/events/herd"
)

// A cow is an animal of the rosters with what her days come to.
type cow struct {
	*herd.Animal
	here     []span // days she is in the herd, the day she left in it
	watched  []span // days that count as time at risk: the day she left is not
	milk     []span
	calved   span // from her first calving on
	calvings []day
}

// beforeAll stands for a calving of which only the parity tells.
const beforeAll = always

func newCow(a *herd.Animal) *cow {
	c := &cow{Animal: a}
	born := dayOf(a.Born, always)
	stays := a.Stays
	if len(stays) == 0 {
		stays = []herd.Stay{{}}
	}
	for _, s := range stays {
		from, left := max(born, dayOf(s.Entered, always)), dayOf(s.Left, never)
		c.watched = append(c.watched, span{from, left})
		c.here = append(c.here, span{from, min(left, never-1) + 1})
	}
	c.lactations()
	return c
}

// lactations fills calvings, milk and calved. A parity greater than the calvings
// told tells of one that nobody dated.
func (c *cow) lactations() {
	c.calved = span{never, never}
	if c.Sex == "male" {
		return
	}
	known := 0
	for _, s := range c.Calvings {
		d := dayOf(s, never)
		if d == never {
			continue
		}
		c.calvings = append(c.calvings, d)
		if s <= c.AsOf {
			known++
		}
	}
	if c.Parity != nil && *c.Parity > known {
		c.calvings = slices.Insert(c.calvings, 0, beforeAll)
	}
	if len(c.calvings) == 0 {
		return
	}
	c.calved = span{c.calvings[0], never}
	for i, from := range c.calvings {
		to := never
		if i+1 < len(c.calvings) {
			to = c.calvings[i+1]
		}
		for _, s := range c.DryOffs {
			if d := dayOf(s, never); d > from && d < to {
				to = d
			}
		}
		c.milk = append(c.milk, span{from, to})
	}
}

// in returns the days on which she is one of the animals asked for.
func (c *cow) in(base string) []span {
	switch base {
	case InMilk:
		return and(c.here, c.milk)
	case Cows:
		return and(c.here, []span{c.calved})
	}
	return c.here
}

// atRisk returns the days of in that count as time at risk.
func (c *cow) atRisk(base string) []span {
	switch base {
	case InMilk:
		return and(c.watched, c.milk)
	case Cows:
		return and(c.watched, []span{c.calved})
	}
	return c.watched
}

// parity returns her parity on a day, as far as a roster states one.
func (c *cow) parity(d day) (int, bool) {
	if c.Parity == nil {
		return 0, false
	}
	asOf, n := dayOf(c.AsOf, always), *c.Parity
	for _, calved := range c.calvings {
		switch {
		case calved == beforeAll:
		case asOf < calved && calved <= d:
			n++
		case d < calved && calved <= asOf:
			n--
		}
	}
	return max(n, 0), true
}

// lastCalving returns the newest calving not after a day; ok is false if there is
// none. It is beforeAll if only the parity tells of it.
func (c *cow) lastCalving(d day) (last day, ok bool) {
	for _, x := range c.calvings {
		if x <= d {
			last, ok = x, true
		}
	}
	return last, ok
}

// left returns the first day after a day on which she leaves the herd for good or
// for a time; never if none is told.
func (c *cow) left(after day) day {
	for _, s := range c.watched {
		if s.from <= after && after <= s.to {
			return s.to
		}
	}
	return never
}

// lastDay returns the last day on which an animal that is in the herd on a day is
// in it; never-1 if no roster tells.
func (w *work) lastDay(animal string, after day) day {
	if c := w.cows[animal]; c != nil {
		return min(c.left(after), never-1)
	}
	return never - 1
}

// tellsLactations reports whether a roster tells a calving or a parity of at least
// one animal.
func tellsLactations(animals []herd.Animal) bool {
	return slices.ContainsFunc(animals, func(a herd.Animal) bool { return len(a.Calvings) > 0 || a.Parity != nil })
}

// baseWords says which animals a base has.
var baseWords = map[string]string{InMilk: "cows in milk", Cows: "cows (calved at least once)", Anyone: "animals"}

// chooseBase settles which animals the report is about.
func (w *work) chooseBase(otherwise string) {
	w.base = w.q.Of
	if w.base == "" {
		w.base = otherwise
	}
	if w.base != Anyone && !tellsLactations(w.d.Animals) {
		w.base = Anyone
		w.note("no roster of the farm tells calvings or parities: all animals are taken, cows in milk cannot be told from others")
	}
	w.report.Of = baseWords[w.base]
	w.parameter("animals", w.base)
	w.spans = w.kept.inBase(w.base, w.cows)
	if w.base == InMilk {
		w.undated()
	}
}

// undated says of how many cows only the parity tells of the lactation before the
// one that is told: when they were dry is not known.
func (w *work) undated() {
	n := 0
	for _, c := range w.cows {
		if len(c.calvings) > 1 && c.calvings[0] == beforeAll && c.milk[0].to == c.calvings[1] && days(and(and(c.here, c.milk[:1]), []span{w.period})) > 0 {
			n++
		}
	}
	if n > 0 {
		w.note("of %s only the parity tells of a lactation before the one that is told, and nobody of its end: they count as in milk until they calved, dry days among them", plural(n, "cow"))
	}
}

// isIn reports whether an animal is one of those asked for on a day. An animal
// no roster knows is one of all.
func (w *work) isIn(animal string, d day) bool {
	c := w.cows[animal]
	if c == nil {
		return w.base == Anyone
	}
	return has(w.spans[animal], d)
}

// counts reports whether a case on a day is one of the animals asked for. The last
// day counts, on which she leaves or is dried off, though it is no time at risk.
func (w *work) counts(animal string, d day) bool {
	if w.isIn(animal, d) {
		return true
	}
	c := w.cows[animal]
	return w.base == InMilk && c != nil && has(c.here, d) && w.isIn(animal, d-1) && slices.Contains(c.DryOffs, d.String())
}

// eligible counts the animals of the rosters that are asked for on a day.
func (w *work) eligible(d day) (n int) {
	for _, s := range w.spans {
		if has(s, d) {
			n++
		}
	}
	return n
}

// eligibleIn counts those that are asked for on at least one day of the period.
func (w *work) eligibleIn() (n int) {
	for _, s := range w.spans {
		if len(and(s, []span{w.period})) > 0 {
			n++
		}
	}
	return n
}
