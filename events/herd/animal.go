package herd

import (
	"cmp"
	"slices"

	"dewclaw/events"
)

// An Animal is one animal of a farm, as its rosters and decisions tell. Of
// statements that disagree the newest that says anything counts; a statement is
// as new as its own date, or the day it was received if it has none.
//
// An animal belongs to one farm. A cow that moves between two farms of a log is
// an animal of each: what one farm knows is not told to the other.
type Animal struct {
	ID          string       // "farm/scheme:value": her oldest identifier of the scheme that proves most
	Farm        string       //
	Known       bool         // a roster has her; otherwise she is known only from events
	Identifiers []Identifier `json:",omitempty"` // by scheme, the one that proves most first, then by day

	Born   string `json:",omitempty"`
	Sex    string `json:",omitempty"` // code list sexes
	Breed  string `json:",omitempty"`
	Use    string `json:",omitempty"`
	Parity *int   `json:",omitempty"` // nil if not stated
	AsOf   string `json:",omitempty"` // day of the statement that says the parity

	Stays           []Stay   `json:",omitempty"` // by day; none if no statement tells of coming or leaving
	Pens            []Pen    `json:",omitempty"` // by day
	Calvings        []string `json:",omitempty"` // by day
	Services        []string `json:",omitempty"` // by day
	DryOffs         []string `json:",omitempty"` // by day
	PlannedDryOff   string   `json:",omitempty"`
	ExpectedCalving string   `json:",omitempty"` // as stated, by the newest statement that does

	Sources    []string        `json:",omitempty"` // of the statements, sorted
	Statements []events.Entity `json:",omitempty"` // sorted
	Shared     []Shared        `json:",omitempty"` // identifiers that another live animal has too

	Suggestions []Suggestion `json:",omitempty"` // only if not Known
	Might       []string     `json:",omitempty"` // only if not Known: animals that its identifiers name
	Doubt       string       `json:",omitempty"` // kind of contradiction that keeps Might from being one
}

// An Identifier is one identifier with the days on which it means the animal.
type Identifier struct {
	Scheme, Value string
	From          string `json:",omitempty"` // first day; "" if open
	To            string `json:",omitempty"` // first day it no longer does; "" if it does
}

// A Stay is time in the herd. She was there on the day she left.
type Stay struct {
	Entered string `json:",omitempty"` // "" if not stated
	Left    string `json:",omitempty"` // "" if she is there
	Why     string `json:",omitempty"` // in the source's words
}

// A Pen is where she was from a day on, until the next.
type Pen struct {
	Name string
	From string `json:",omitempty"` // "" if not stated
}

// Shared says that another live animal has the same identifier.
type Shared struct {
	Scheme, Value string
	Other         string // animal id
	From, To      string // days on which both have it, To not included
}

// In reports whether she is in the herd on a day, as far as stays are stated.
func (a *Animal) In(day string) bool {
	if len(a.Stays) == 0 {
		return true
	}
	return slices.ContainsFunc(a.Stays, func(s Stay) bool {
		return (s.Entered == "" || s.Entered <= day) && (s.Left == "" || day <= s.Left)
	})
}

// Pen returns the pen she was in on a day, or "" if none is known.
func (a *Animal) Pen(day string) string {
	pen := ""
	for _, p := range a.Pens {
		if p.From <= day {
			pen = p.Name
		}
	}
	return pen
}

// LastCalving returns the newest calving not after a day, or "".
func (a *Animal) LastCalving(day string) string {
	last := ""
	for _, c := range a.Calvings {
		if c <= day {
			last = c
		}
	}
	return last
}

// overdue is how long past its date an expected calving still counts: none is
// known to come later by so much. From memory; breeds differ by ten days.
const overdue = 21

// EarliestCalving returns the earliest day on which she may calve, as seen on a
// day: by the earliest service since her last calving plus the days of gestation
// (280 where the herd was not told otherwise; Holstein and Jersey carry for 279
// to 280 days, from memory), or by the expected calving as stated, whichever
// comes first. A cow that was served again may still carry from the first
// service, so a later service moves nothing. An expected calving nearer to her last
// one than two calvings can be is what was expected of that one, which came early.
// It is "" if neither is stated.
func (a *Animal) EarliestCalving(on string, gestation int) string {
	today, ok := parseDay(on)
	if !ok {
		return ""
	}
	last := dayOf(a.LastCalving(on), always)
	best := never
	consider := func(d day) {
		if d > last && int(today)-int(d) <= overdue {
			best = min(best, d)
		}
	}
	if d, ok := parseDay(a.ExpectedCalving); ok && int(d)-int(last) >= calvingGap {
		consider(d)
	}
	for _, s := range a.Services {
		if d, ok := parseDay(s); ok && d > last && d <= today {
			consider(d + day(gestation))
		}
	}
	return best.String()
}

// describe makes the animal from its sheets.
func (r *roll) describe(b *being) *Animal {
	a := &Animal{ID: b.key, Farm: r.farm, Known: b.known, Doubt: b.doubt}
	if !b.known {
		for _, n := range b.idents {
			a.Identifiers = append(a.Identifiers, Identifier{Scheme: n.scheme, Value: n.value})
		}
		for _, m := range b.might {
			a.Might = append(a.Might, m.key)
		}
		a.Suggestions = b.suggest
		return a
	}
	for i := range b.claims {
		a.Identifiers = append(a.Identifiers, b.claims[i].public()...)
	}
	slices.SortStableFunc(a.Identifiers, func(x, y Identifier) int {
		return cmp.Or(cmp.Compare(rank(x.Scheme), rank(y.Scheme)), cmp.Compare(x.From, y.From), cmp.Compare(x.Value, y.Value), cmp.Compare(x.To, y.To))
	})
	a.Identifiers = slices.Compact(a.Identifiers)
	for _, s := range b.stays {
		a.Stays = append(a.Stays, Stay{s.entered.String(), s.left.String(), s.why})
	}
	sheets := slices.Clone(b.sheets)
	slices.SortFunc(sheets, compareSheets)
	for _, s := range sheets {
		if s.decided() {
			continue
		}
		a.fill(s)
		a.Sources = append(a.Sources, s.source)
		a.Statements = append(a.Statements, events.Entity(s.entity))
	}
	a.history(sheets)
	slices.Sort(a.Sources)
	a.Sources = slices.Compact(a.Sources)
	slices.Sort(a.Statements)
	a.Shared = r.shared(b)
	return a
}

// public returns the strong days of the claim, or its stated ones if it has none.
func (c *held) public() (out []Identifier) {
	for _, s := range c.strong {
		out = append(out, Identifier{c.scheme, c.value, s.from.String(), s.to.String()})
	}
	return out
}

// fill takes from the newest revision of a sheet what no newer sheet said.
func (a *Animal) fill(s *sheet) {
	x := s.newest()
	for _, p := range []struct {
		to   *string
		from string
	}{
		{&a.Born, x.Born}, {&a.Sex, x.Sex}, {&a.Breed, x.Breed}, {&a.Use, x.Use},
		{&a.PlannedDryOff, x.PlannedDryOff}, {&a.ExpectedCalving, x.ExpectedCalving},
	} {
		if *p.to == "" {
			*p.to = p.from
		}
	}
	if a.Parity == nil && x.Parity != nil {
		a.Parity, a.AsOf = x.Parity, s.said().String()
	}
}

// history brings together what all revisions of all sheets say of days.
func (a *Animal) history(sheets []*sheet) {
	var calvings, services, dryOffs [][]string // newest statement first
	for _, s := range sheets {
		for i := len(s.revisions) - 1; i >= 0; i-- {
			x := s.revisions[i].says
			calvings = append(calvings, x.Calvings)
			services = append(services, x.Services)
			if x.DriedOff != "" {
				dryOffs = append(dryOffs, []string{x.DriedOff})
			}
		}
		a.Pens = append(a.Pens, pens(s)...)
	}
	a.Calvings = history(calvings, calvingGap)
	a.Services = history(services, 0)
	a.DryOffs = history(dryOffs, calvingGap)
	slices.SortStableFunc(a.Pens, func(x, y Pen) int { return cmp.Or(cmp.Compare(x.From, y.From), cmp.Compare(x.Name, y.Name)) })
	a.Pens = slices.CompactFunc(a.Pens, func(x, y Pen) bool { return x.Name == y.Name })
}

// calvingGap is the least number of days between two calvings, or two dry-offs,
// of one animal; what is nearer is one of them corrected. Below any gestation of
// cattle (about 280 days, from memory) by a good margin for early calvings.
const calvingGap = 200

// history joins lists of days, the newest statement first. An older list adds
// the days before the first one of every newer list: a roster that tells only
// the last calving still makes a history, and a corrected day replaces the one
// it corrects.
func history(lists [][]string, least int) (out []string) {
	for _, list := range lists {
		before := never
		if len(out) > 0 {
			before = dayOf(out[0], never) - day(least)
		}
		var add []string
		for _, s := range list {
			if d, ok := parseDay(s); ok && d < before {
				add = append(add, s[:10])
			}
		}
		slices.Sort(add)
		out = append(slices.Compact(add), out...)
	}
	return out
}

// pens follows the pen over the revisions of a sheet. A pen without a day began
// on the day of the statement that moved her, or at no known day if the first
// statement names it.
func pens(s *sheet) (out []Pen) {
	for i, r := range s.revisions {
		x := r.says
		if x.Pen == "" {
			continue
		}
		if n := len(out); n > 0 && out[n-1].Name == x.Pen && x.PenFrom == "" {
			continue
		}
		p := Pen{x.Pen, x.PenFrom}
		if p.From == "" && i > 0 {
			p.From = r.day.String()
		}
		for n := len(out); n > 0 && out[n-1].From >= p.From; n = len(out) {
			out = out[:n-1] // corrected
		}
		out = append(out, p)
	}
	return out
}

// shared lists the identifiers that another animal has on the same days.
func (r *roll) shared(b *being) (out []Shared) {
	for i := range b.claims {
		c := &b.claims[i]
		for _, o := range r.owners[c.ident] {
			if o.b == b {
				continue
			}
			for _, x := range c.strong {
				for _, y := range o.c.strong {
					if s := x.and(y); !s.empty() {
						out = append(out, Shared{c.scheme, c.value, o.b.key, s.from.String(), s.to.String()})
					}
				}
			}
		}
	}
	slices.SortFunc(out, func(x, y Shared) int {
		return cmp.Or(cmp.Compare(x.Scheme, y.Scheme), cmp.Compare(x.Value, y.Value), cmp.Compare(x.Other, y.Other), cmp.Compare(x.From, y.From), cmp.Compare(x.To, y.To))
	})
	return slices.Compact(out)
}
