package herd

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"dewclaw/events"
)

// This file works out the animals of one farm: it loads what rosters, decisions
// and events say, and writes which animal each naming means from day to day.
// All of a farm is worked out at once, for any statement may touch any other; it
// costs some microseconds a statement.

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
// statements tells that a roster or a decision is new, and not only a naming.
func (f *follower) identify(farm id, statements bool) (changed map[id]bool, err error) {
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
	return f.store(r, statements)
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

// store writes what changed. Claims follow from statements alone.
func (f *follower) store(r *roll, statements bool) (map[id]bool, error) {
	changed := map[id]bool{}
	if err := f.storeAnimals(r, changed); err != nil {
		return nil, err
	}
	if err := f.storeSpans(r, changed); err != nil {
		return nil, err
	}
	if !statements {
		return changed, nil
	}
	return changed, f.storeClaims(r)
}

func (f *follower) storeAnimals(r *roll, changed map[id]bool) error {
	type old struct {
		id    id
		known bool
		body  string
	}
	before := map[string]old{}
	err := f.db.prepared("SELECT id, key, known, body FROM animals WHERE farm=?").each(func(row []value) error {
		before[textOf(row[1])] = old{id(intOf(row[0])), intOf(row[2]) != 0, textOf(row[3])}
		return nil
	}, r.number)
	if err != nil {
		return err
	}
	for _, b := range r.beings {
		body, err := json.Marshal(r.describe(b))
		if err != nil {
			return fmt.Errorf("herd: describe %s: %w", b.key, err)
		}
		o, ok := before[b.key]
		delete(before, b.key)
		switch {
		case !ok:
			err = f.db.prepared("INSERT INTO animals(farm, key, known, body) VALUES(?,?,?,?)").exec(r.number, b.key, b.known, string(body))
			if err == nil {
				b.id, err = f.lastID()
			}
		case o.known != b.known || o.body != string(body):
			b.id = o.id
			err = f.db.prepared("UPDATE animals SET known=?, body=? WHERE id=?").exec(b.known, string(body), b.id)
		default:
			b.id = o.id
			continue
		}
		if err != nil {
			return err
		}
		changed[b.id] = true
	}
	for _, o := range before {
		if err := f.db.prepared("DELETE FROM animals WHERE id=?").exec(o.id); err != nil {
			return err
		}
		changed[o.id] = true
	}
	return nil
}

func (f *follower) lastID() (id, error) {
	row, err := f.db.prepared("SELECT last_insert_rowid()").first()
	if err != nil {
		return 0, err
	}
	return id(intOf(row[0])), nil
}

func (f *follower) storeSpans(r *roll, changed map[id]bool) error {
	type old struct{ from, to, animal int64 }
	before := map[id][]old{}
	err := f.db.prepared(`SELECT s.naming, s."from", s."to", s.animal FROM spans s JOIN namings n ON n.id = s.naming
		WHERE n.farm=? ORDER BY s.naming, s."from"`).each(func(row []value) error {
		n := id(intOf(row[0]))
		before[n] = append(before[n], old{intOf(row[1]), intOf(row[2]), intOf(row[3])})
		return nil
	}, r.number)
	if err != nil {
		return err
	}
	for _, n := range r.namings {
		var after []old
		for i, m := range n.spans {
			to := never
			if i+1 < len(n.spans) {
				to = n.spans[i+1].from
			}
			after = append(after, old{int64(m.from), int64(to), int64(m.b.id)})
		}
		was := before[n.id]
		delete(before, n.id)
		if slices.Equal(was, after) {
			continue
		}
		for _, o := range was {
			changed[id(o.animal)] = true
		}
		if err := f.db.prepared("DELETE FROM spans WHERE naming=?").exec(n.id); err != nil {
			return err
		}
		for _, o := range after {
			changed[id(o.animal)] = true
			err := f.db.prepared(`INSERT INTO spans(naming, "from", "to", animal) VALUES(?,?,?,?)`).exec(n.id, o.from, o.to, o.animal)
			if err != nil {
				return err
			}
		}
	}
	for n, was := range before { // no fact has them any more
		for _, o := range was {
			changed[id(o.animal)] = true
		}
		if err := f.db.prepared("DELETE FROM spans WHERE naming=?").exec(n); err != nil {
			return err
		}
	}
	return nil
}

func (f *follower) storeClaims(r *roll) error {
	if err := f.db.prepared("DELETE FROM claims WHERE farm=?").exec(r.number); err != nil {
		return err
	}
	insert := f.db.prepared(`INSERT INTO claims(farm, identifier, "from", "to", strong, animal) VALUES(?,?,?,?,?,?) ON CONFLICT DO NOTHING`)
	for _, b := range r.beings {
		for i := range b.claims {
			c := &b.claims[i]
			name := c.ident.String()
			for _, s := range c.strong {
				if err := insert.exec(r.number, name, s.from, s.to, true, b.id); err != nil {
					return err
				}
			}
			if c.weak.empty() {
				continue
			}
			if err := insert.exec(r.number, name, c.weak.from, c.weak.to, false, b.id); err != nil {
				return err
			}
		}
	}
	return nil
}

// words joins for a sentence: "a", "a and b", "a, b and c".
func words(list []string) string {
	if len(list) < 2 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:len(list)-1], ", ") + " and " + list[len(list)-1]
}
