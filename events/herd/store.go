package herd

import (
	"encoding/json"
	"fmt"
	"slices"
)

// This file writes the animals of a farm, and which animal each naming and each
// identifier means from day to day.

// store writes what changed.
func (f *follower) store(r *roll) (map[id]bool, error) {
	changed := map[id]bool{}
	if err := f.storeAnimals(r, changed); err != nil {
		return nil, err
	}
	return changed, f.storeSpans(r, changed)
}

// An oldAnimal is a row of animals as it was.
type oldAnimal struct {
	id           id
	known        bool
	body, claims string
}

func (f *follower) storeAnimals(r *roll, changed map[id]bool) error {
	before := map[string]oldAnimal{}
	err := f.db.prepared("SELECT id, key, known, body, claims FROM animals WHERE farm=?").each(func(row []value) error {
		before[textOf(row[1])] = oldAnimal{id(intOf(row[0])), intOf(row[2]) != 0, textOf(row[3]), textOf(row[4])}
		return nil
	}, r.number)
	if err != nil {
		return err
	}
	for _, b := range r.beings {
		o, ok := before[b.key]
		delete(before, b.key)
		differs, err := f.storeAnimal(r, b, o, ok)
		if err != nil {
			return err
		}
		if differs {
			changed[b.id] = true
		}
	}
	for _, o := range before {
		if err := f.db.prepared("DELETE FROM animals WHERE id=?").exec(o.id); err != nil {
			return err
		}
		if err := f.db.prepared("DELETE FROM claims WHERE animal=?").exec(o.id); err != nil {
			return err
		}
		changed[o.id] = true
	}
	return nil
}

// storeAnimal writes the row of an animal and its claims, and reports whether
// the row is another than before.
func (f *follower) storeAnimal(r *roll, b *being, o oldAnimal, there bool) (changed bool, err error) {
	body, err := json.Marshal(r.describe(b))
	if err != nil {
		return false, fmt.Errorf("herd: describe %s: %w", b.key, err)
	}
	rows := b.claimRows()
	b.id = o.id
	now := oldAnimal{o.id, b.known, string(body), fmt.Sprint(rows)}
	switch {
	case !there:
		err = f.db.prepared("INSERT INTO animals(farm, key, known, body, claims) VALUES(?,?,?,?,?)").exec(r.number, b.key, now.known, now.body, now.claims)
		if err == nil {
			b.id, err = f.lastID()
		}
	case now != o:
		err = f.db.prepared("UPDATE animals SET known=?, body=?, claims=? WHERE id=?").exec(now.known, now.body, now.claims, b.id)
	default:
		return false, nil
	}
	if err == nil && (!there || now.claims != o.claims) {
		err = f.storeClaims(r.number, b.id, rows)
	}
	return true, err
}

// A claimRow is one row of the table claims.
type claimRow struct {
	identifier string
	on         span
	strong     bool
}

func (b *being) claimRows() (out []claimRow) {
	for i := range b.claims {
		c := &b.claims[i]
		for _, s := range c.strong {
			out = append(out, claimRow{c.ident.String(), s, true})
		}
		if !c.weak.empty() {
			out = append(out, claimRow{c.ident.String(), c.weak, false})
		}
	}
	return out
}

func (f *follower) storeClaims(farm, animal id, rows []claimRow) error {
	if err := f.db.prepared("DELETE FROM claims WHERE animal=?").exec(animal); err != nil {
		return err
	}
	insert := f.db.prepared(`INSERT INTO claims(farm, identifier, "from", "to", strong, animal) VALUES(?,?,?,?,?,?) ON CONFLICT DO NOTHING`)
	for _, c := range rows {
		if err := insert.exec(farm, c.identifier, c.on.from, c.on.to, c.strong, animal); err != nil {
			return err
		}
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
