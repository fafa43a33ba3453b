package herd

import (
	"encoding/json"
	"fmt"

	"dewclaw/events"
)

// This file works out what follows from the facts of each animal, and writes it
// as results. It is done for the animals of which something changed.

// A settler works out animals from the tables.
type settler struct {
	f       *follower
	gapDays int
	names   map[id]string  // farms and sources
	double  map[int64]bool // marks that several examinations have; nil to ask for each
}

// settle brings everything that is worked out up to date with the tables.
func (f *follower) settle(gapDays int) error {
	if err := f.insert.flush(); err != nil {
		return err
	}
	if err := f.markUsed(); err != nil {
		return err
	}
	changed := map[id]bool{}
	for farm, statements := range f.farms {
		some, err := f.identify(farm, statements)
		if err != nil {
			return err
		}
		for a := range some {
			changed[a] = true
		}
	}
	s := &settler{f: f, gapDays: gapDays, names: map[id]string{}}
	for name, n := range f.names {
		s.names[n] = name
	}
	if err := s.addTouched(changed); err != nil {
		return err
	}
	if f.building {
		if err := s.loadDouble(); err != nil {
			return err
		}
	}
	if err := s.all(changed); err != nil {
		return err
	}
	clear(f.farms)
	clear(f.touched)
	clear(f.marks)
	return nil
}

// markUsed notes which namings have facts. One that gains its first fact or
// loses its last makes the identities of its farm worth another look.
func (f *follower) markUsed() error {
	if f.building {
		err := f.db.script("UPDATE namings SET used = EXISTS (SELECT 1 FROM facts INDEXED BY facts_naming WHERE naming = namings.id)")
		if err != nil {
			return err
		}
		return f.db.prepared("SELECT DISTINCT farm FROM namings WHERE used=1").each(func(row []value) error {
			f.farms[id(intOf(row[0]))] = true
			return nil
		})
	}
	for n := range f.touched {
		row, err := f.db.prepared(`SELECT farm, used, EXISTS (SELECT 1 FROM facts INDEXED BY facts_naming WHERE naming = namings.id)
			FROM namings WHERE id=?`).first(n)
		if err != nil {
			return err
		}
		if row == nil || row[1] == row[2] {
			continue
		}
		farm := id(intOf(row[0]))
		if _, ok := f.farms[farm]; !ok {
			f.farms[farm] = false
		}
		if err := f.db.prepared("UPDATE namings SET used=? WHERE id=?").exec(row[2], n); err != nil {
			return err
		}
	}
	return nil
}

// addTouched adds the animals of touched namings and marks.
func (s *settler) addTouched(changed map[id]bool) error {
	for m := range s.f.marks {
		err := s.f.db.prepared("SELECT naming FROM facts WHERE mark=?").each(func(row []value) error {
			s.f.touched[id(intOf(row[0]))] = true
			return nil
		}, m)
		if err != nil {
			return err
		}
	}
	for n := range s.f.touched {
		err := s.f.db.prepared("SELECT animal FROM spans WHERE naming=?").each(func(row []value) error {
			changed[id(intOf(row[0]))] = true
			return nil
		}, n)
		if err != nil {
			return err
		}
	}
	return nil
}

// loadDouble notes the marks that several examinations have. In a first build
// that is cheaper than asking for each.
func (s *settler) loadDouble() error {
	s.double = map[int64]bool{}
	return s.f.db.prepared("SELECT mark FROM facts WHERE mark IS NOT NULL GROUP BY mark HAVING count(*) > 1").each(func(row []value) error {
		s.double[intOf(row[0])] = true
		return nil
	})
}

// all works out the changed animals and those whose examinations stand beside
// theirs.
func (s *settler) all(changed map[id]bool) error {
	beside := map[id]bool{}
	for a := range changed {
		others, err := s.animal(a)
		if err != nil {
			return err
		}
		for _, o := range others {
			if !changed[o] {
				beside[o] = true
			}
		}
	}
	for a := range beside {
		if _, err := s.animal(a); err != nil {
			return err
		}
	}
	return nil
}

// animal works out one animal and returns those that one source had on the chute
// at the same moment.
func (s *settler) animal(a id) (beside []id, err error) {
	if !s.f.building {
		if err := s.f.db.prepared("DELETE FROM results WHERE animal=?").exec(a); err != nil {
			return nil, err
		}
	}
	row, err := s.f.db.prepared("SELECT farm, body FROM animals WHERE id=?").first(a)
	if err != nil || row == nil {
		return nil, err
	}
	farm := id(intOf(row[0]))
	c := &caseFile{animal: &Animal{}}
	if err := json.Unmarshal([]byte(textOf(row[1])), c.animal); err != nil {
		return nil, fmt.Errorf("herd: read animal: %w: %w", err, errDamaged)
	}
	marks, err := s.load(a, c)
	if err != nil {
		return nil, err
	}
	for f, m := range marks {
		if beside, err = s.twins(a, c, f, m, beside); err != nil {
			return nil, err
		}
	}
	sortFacts(c.facts)
	c.doubt()
	return beside, s.write(a, farm, c)
}

// load reads the facts of an animal and the marks of its examinations.
func (s *settler) load(a id, c *caseFile) (map[*Fact]mark, error) {
	var marks map[*Fact]mark
	err := s.f.db.prepared("SELECT "+factColumns+`, f.mark, f.naming FROM spans p CROSS JOIN facts f INDEXED BY facts_naming
		ON f.naming = p.naming AND f.day >= p."from" AND f.day < p."to" WHERE p.animal=?`).each(func(row []value) error {
		f, err := scanFact(row, s.names)
		if err != nil {
			return err
		}
		f.Animal, f.Known, f.Farm = c.animal.ID, c.animal.Known, c.animal.Farm
		if f.state&stateRetracted != 0 {
			c.gone = append(c.gone, f)
			return nil
		}
		c.facts = append(c.facts, f)
		if m := intOf(row[9]); m != 0 && (s.double == nil || s.double[m]) {
			if marks == nil {
				marks = map[*Fact]mark{}
			}
			marks[f] = mark{m, id(intOf(row[10]))}
		}
		return nil
	}, a)
	return marks, err
}

// A mark with the naming of the examination that has it.
type mark struct {
	mark   int64
	naming id
}

// twins adds the examinations of other animals at the moment of f.
func (s *settler) twins(a id, c *caseFile, f *Fact, m mark, beside []id) ([]id, error) {
	type other struct {
		entity      events.Entity
		naming, day int64
	}
	var others []other
	err := s.f.db.prepared("SELECT entity, naming, day FROM facts WHERE mark=? AND id<>? AND day=? AND state & ? = 0").each(func(row []value) error {
		others = append(others, other{events.Entity(blobOf(row[0])), intOf(row[1]), intOf(row[2])})
		return nil
	}, m.mark, f.id, f.day, stateRetracted)
	if err != nil {
		return nil, err
	}
	for _, o := range others {
		row, err := s.f.db.prepared(`SELECT p.animal, a.key FROM spans p JOIN animals a ON a.id = p.animal
			WHERE p.naming=? AND p."from" <= ? AND p."to" > ?`).first(o.naming, o.day, o.day)
		if err != nil {
			return nil, err
		}
		if row == nil || id(intOf(row[0])) == a {
			continue
		}
		w := twin{f: f, animal: textOf(row[1])}
		beside = append(beside, id(intOf(row[0])))
		if w.own, err = s.idents(int64(m.naming)); err != nil {
			return nil, err
		}
		if w.ids, err = s.idents(o.naming); err != nil {
			return nil, err
		}
		if w.facts, err = s.record(o.naming, o.day, o.entity); err != nil {
			return nil, err
		}
		c.twins = append(c.twins, w)
	}
	return beside, nil
}

func (s *settler) idents(naming int64) ([]ident, error) {
	row, err := s.f.db.prepared("SELECT key FROM namings WHERE id=?").first(naming)
	if err != nil || row == nil {
		return nil, err
	}
	ids, _ := parseNaming(textOf(row[0]))
	return ids, nil
}

// record returns the facts of the record of an examination.
func (s *settler) record(naming, day int64, e events.Entity) (out []*Fact, err error) {
	err = s.f.db.prepared("SELECT "+factColumns+" FROM facts f INDEXED BY facts_naming WHERE f.naming=? AND f.day=? AND f.state & ? = 0").
		each(func(row []value) error {
			f, err := scanFact(row, s.names)
			if err != nil {
				return err
			}
			if f.record() == recordOf(string(e)) {
				out = append(out, f)
			}
			return nil
		}, naming, day, stateRetracted)
	sortFacts(out)
	return out, err
}

// write stores the results of one animal.
func (s *settler) write(a, farm id, c *caseFile) error {
	w := resultWriter{d: s.f.db, animal: a, farm: farm}
	for _, x := range cases(c.facts, s.gapDays) {
		last := never
		if !x.Open {
			last = dayOf(x.Last, never)
		}
		w.add(resultCase, dayOf(x.First, always), last, x)
	}
	for _, x := range devices(c.facts) {
		w.add(resultDevice, dayOf(x.On, always), dayOf(x.Off, never), x)
	}
	for _, x := range withdrawals(c.facts) {
		w.add(resultWithdrawal, dayOf(x.Day, always), x.lastDay(), x)
	}
	for _, x := range c.found {
		w.add(resultContradiction, dayOf(x.Day, always), never, x)
	}
	return w.err
}

// A resultWriter writes results and keeps the first error.
type resultWriter struct {
	d            *db
	animal, farm id
	n            int
	err          error
}

func (w *resultWriter) add(kind int, first, last day, body any) {
	if w.err != nil {
		return
	}
	b, err := json.Marshal(body)
	if err != nil {
		w.err = fmt.Errorf("herd: write result: %w", err)
		return
	}
	w.n++
	w.err = w.d.prepared("INSERT INTO results(animal, kind, n, farm, first, last, body) VALUES(?,?,?,?,?,?,?)").
		exec(w.animal, kind, w.n, w.farm, first, last, string(b))
}
