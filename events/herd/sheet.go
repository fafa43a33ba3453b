package herd

import (
	"dewclaw/events"
)

// A revision is one revision of a roster statement that was not retracted.
type revision struct {
	day  day // its own date, or the day it was received
	ids  []events.Identifier
	says *events.Animal
}

// A sheet is what one record of one roster says of one animal, over all its
// revisions; or what a decision says of two identifiers.
type sheet struct {
	entity    string
	source    string // "" for a decision
	revisions []revision
	claims    []claim
	stays     []stay
}

// decided reports whether a person made the sheet.
func (s *sheet) decided() bool { return s.source == "" }

// newest returns what counts now; nil for a decision.
func (s *sheet) newest() *events.Animal {
	if len(s.revisions) == 0 {
		return nil
	}
	return s.revisions[len(s.revisions)-1].says
}

// A claim says that an animal has an identifier for some days.
type claim struct {
	ident
	valid   span
	named   day  // of the statement that named it first
	begun   bool // valid.from is known; otherwise it is open to the past
	soft    bool // valid.from is only the day of the statement that named it instead of another
	dropped bool // a later statement of the record no longer names it
}

// A stay is time in the herd; the day of leaving belongs to it.
type stay struct {
	entered, left day // always and never if not stated
	why           string
}

func (s stay) span() span {
	if s.left == never {
		return span{s.entered, never}
	}
	return span{s.entered, s.left + 1}
}

// newSheet works out claims and stays from the revisions, oldest first.
//
// An identifier that an earlier revision named and a later one does not is
// closed at the day of the later one: its own date, or the day it was received
// if it has none. The identifier of the same scheme that came in its place holds
// from that day on. What a statement says by From and To goes before.
func newSheet(entity, source string, revisions []revision) *sheet {
	s := &sheet{entity: entity, source: source, revisions: revisions}
	open := map[ident]int{} // index into s.claims
	for i := range revisions {
		s.read(&revisions[i], i == 0, open)
	}
	kept := s.claims[:0]
	for _, c := range s.claims {
		if !c.valid.empty() {
			kept = append(kept, c)
		}
	}
	s.claims = kept
	s.readStays()
	return s
}

func (s *sheet) read(r *revision, first bool, open map[ident]int) {
	now := map[ident]events.Identifier{}
	for _, g := range r.ids {
		if g.Value != "" && !passing(g.Scheme) {
			now[ident{g.Scheme, g.Value}] = g
		}
	}
	replaced := map[string]bool{} // schemes of which a value is gone
	for n, i := range open {
		if _, still := now[n]; !still {
			c := &s.claims[i]
			c.valid.to, c.dropped = min(c.valid.to, r.day), true
			replaced[n.scheme] = true
			delete(open, n)
		}
	}
	for _, n := range idents(r.ids) {
		g, ok := now[n]
		if !ok {
			continue
		}
		i, ok := open[n]
		if !ok {
			i = len(s.claims)
			s.claims = append(s.claims, claim{ident: n, valid: span{always, never}, named: r.day})
			if !first && replaced[n.scheme] {
				s.claims[i].valid.from, s.claims[i].begun, s.claims[i].soft = r.day, true, true
			}
			open[n] = i
		}
		c := &s.claims[i]
		if from, ok := parseDay(g.From); ok {
			c.valid.from, c.begun, c.soft = from, true, false
		}
		c.valid.to = dayOf(g.To, never)
	}
}

// readStays follows entered and left over the revisions. Another day of entry
// behind a day of leaving is another stay; anything else is a correction.
func (s *sheet) readStays() {
	for _, r := range s.revisions {
		next := stay{dayOf(r.says.Entered, always), dayOf(r.says.Left, never), r.says.LeftWhy}
		n := len(s.stays)
		if n > 0 && next.entered <= s.stays[n-1].left || n > 0 && s.stays[n-1].left == never {
			s.stays[n-1] = next
			continue
		}
		s.stays = append(s.stays, next)
	}
	if len(s.stays) == 1 && s.stays[0].entered == always && s.stays[0].left == never {
		s.stays = nil // nothing is stated
	}
}

// active returns the days on which the sheet's claim c holds as far as the sheet
// tells. A tag that belongs to the animal for life is not bound to its stays.
func (s *sheet) active(c *claim) []span {
	if rank(c.scheme) < rank(transponder) || c.scheme == herdbook {
		return []span{c.valid}
	}
	return within(c.valid, s.stays)
}

// within cuts a span to the stays, or leaves it whole if none is stated.
func within(v span, stays []stay) []span {
	if len(stays) == 0 {
		return []span{v}
	}
	var out []span
	for _, s := range stays {
		if x := v.and(s.span()); !x.empty() {
			out = append(out, x)
		}
	}
	return out
}

func anyMeet(a, b []span) bool {
	for _, x := range a {
		for _, y := range b {
			if x.meets(y) {
				return true
			}
		}
	}
	return false
}
