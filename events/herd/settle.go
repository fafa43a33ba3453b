package herd

import (
	"context"
	"maps"
	"slices"
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

// settle brings everything that is worked out up to date with the tables. It may
// take long where many animals with many facts are concerned, and ends with ctx.
func (f *follower) settle(ctx context.Context, gapDays int) error {
	if err := f.insert.flush(); err != nil {
		return err
	}
	if err := f.settleWaits(ctx); err != nil {
		return err
	}
	if err := f.markUsed(ctx); err != nil {
		return err
	}
	changed := map[id]bool{}
	for farm := range f.farms {
		if err := ctx.Err(); err != nil {
			return err
		}
		some, err := f.identify(farm)
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
	if err := s.all(ctx, changed); err != nil {
		return err
	}
	clear(f.farms)
	clear(f.touched)
	clear(f.marks)
	return nil
}

// markUsed notes which namings have facts. One that gains its first fact or
// loses its last makes the identities of its farm worth another look.
func (f *follower) markUsed(ctx context.Context) error {
	if f.building {
		err := f.db.script(ctx, "UPDATE namings SET used = EXISTS (SELECT 1 FROM facts INDEXED BY facts_naming WHERE naming = namings.id)")
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
		f.farms[id(intOf(row[0]))] = true
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
func (s *settler) all(ctx context.Context, changed map[id]bool) error {
	beside := map[id]bool{}
	first := slices.Sorted(maps.Keys(changed)) // results lie in this order
	err := s.each(ctx, first, func(w *work) {
		for _, o := range w.beside {
			if !changed[o] {
				beside[o] = true
			}
		}
	})
	if err != nil {
		return err
	}
	return s.each(ctx, slices.Sorted(maps.Keys(beside)), func(*work) {})
}

// How far loading may be ahead of writing: in animals, and in facts, for there are
// animals with thousands of them.
const (
	ahead     = 8
	aheadRows = 6000
)

// each loads, works out and writes animals one after the other. One goroutine
// reads and writes the file while another works.
func (s *settler) each(ctx context.Context, animals []id, loaded func(*work)) (err error) {
	in, out := make(chan *work, ahead), make(chan *work, ahead+1)
	go func() {
		defer close(out)
		for w := range in {
			w.do(s.names, s.gapDays)
			out <- w
		}
	}()
	waiting, rows := 0, 0
	for _, a := range animals {
		if err = ctx.Err(); err != nil {
			break
		}
		var w *work
		if w, err = s.load(a); err != nil {
			break
		}
		loaded(w)
		w.size = len(w.rows)
		for _, t := range w.twins {
			w.size += len(t.rows)
		}
		in <- w
		waiting++
		rows += w.size
		for err == nil && (waiting > ahead || waiting > 1 && rows > aheadRows) {
			done := <-out
			waiting--
			rows -= done.size
			err = s.write(done)
		}
		if err != nil {
			break
		}
	}
	close(in)
	for w := range out {
		if err == nil {
			err = s.write(w)
		}
	}
	return err
}

// write replaces the results of an animal.
func (s *settler) write(w *work) error {
	if w.err != nil {
		return w.err
	}
	if !s.f.building {
		for _, table := range []string{"results", "older"} {
			if err := s.f.db.prepared("DELETE FROM " + table + " WHERE animal=?").exec(w.animal); err != nil {
				return err
			}
		}
	}
	insert := s.f.db.prepared("INSERT INTO results(animal, kind, n, farm, first, last, body) VALUES(?,?,?,?,?,?,?)")
	for i, r := range w.results {
		if err := insert.exec(w.animal, r.kind, i, w.farm, r.first, r.last, r.body); err != nil {
			return err
		}
		if r.older == "" {
			continue
		}
		if err := s.f.db.prepared("INSERT INTO older(animal, n, body) VALUES(?,?,?)").exec(w.animal, i, r.older); err != nil {
			return err
		}
	}
	return nil
}

// load reads what is needed to work out an animal. One that is no longer there
// has no farm and gets no results.
func (s *settler) load(a id) (*work, error) {
	w := &work{animal: a}
	row, err := s.f.db.prepared("SELECT farm, body FROM animals WHERE id=?").first(a)
	if err != nil || row == nil {
		return w, err
	}
	w.farm, w.body = id(intOf(row[0])), textOf(row[1])
	err = s.f.db.prepared("SELECT "+factColumns+`, f.mark, f.naming FROM spans p CROSS JOIN facts f INDEXED BY facts_naming
		ON f.naming = p.naming AND f.day >= p."from" AND f.day < p."to" WHERE p.animal=?`).each(func(row []value) error {
		w.rows = append(w.rows, slices.Clone(row))
		return nil
	}, a)
	if err != nil {
		return nil, err
	}
	at := map[[2]int64][]rawTwin{} // by mark and day
	for i, row := range w.rows {
		m := intOf(row[9])
		if m <= 0 || intOf(row[3])&hidden != 0 || s.double != nil && !s.double[m] {
			continue
		}
		k := [2]int64{m, intOf(row[1])}
		if _, ok := at[k]; !ok {
			if at[k], err = s.loadTwins(w, row); err != nil {
				return nil, err
			}
		}
		if len(at[k]) == 0 {
			continue
		}
		own, err := s.idents(intOf(row[10]))
		if err != nil {
			return nil, err
		}
		for _, t := range at[k] {
			t.row, t.own = i, own
			w.twins = append(w.twins, t)
		}
	}
	return w, nil
}

// loadTwins reads the examinations of other animals at the moment of one of hers.
// Those of her own, which may be many, cost one look at each.
func (s *settler) loadTwins(w *work, self []value) (out []rawTwin, err error) {
	type other struct {
		entity              []byte
		naming, day, animal int64
		key                 string
	}
	var others []other
	err = s.f.db.prepared(`SELECT f.entity, f.naming, f.day, p.animal, a.key FROM facts f INDEXED BY facts_mark
		JOIN spans p ON p.naming = f.naming AND p."from" <= f.day AND p."to" > f.day JOIN animals a ON a.id = p.animal
		WHERE f.mark=? AND f.day=? AND f.state & ? = 0 AND p.animal <> ?`).each(func(row []value) error {
		others = append(others, other{blobOf(row[0]), intOf(row[1]), intOf(row[2]), intOf(row[3]), textOf(row[4])})
		return nil
	}, self[9], self[1], hidden, w.animal)
	if err != nil {
		return nil, err
	}
	for _, o := range others {
		t := rawTwin{animal: o.key, record: recordOf(string(o.entity))}
		w.beside = append(w.beside, id(o.animal))
		if t.ids, err = s.idents(o.naming); err != nil {
			return nil, err
		}
		err = s.f.db.prepared("SELECT "+factColumns+" FROM facts f INDEXED BY facts_naming WHERE f.naming=? AND f.day=? AND f.state & ? = 0").
			each(func(row []value) error {
				t.rows = append(t.rows, slices.Clone(row))
				return nil
			}, o.naming, o.day, hidden)
		if err != nil {
			return nil, err
		}
		out = append(out, t)
	}
	return out, nil
}

func (s *settler) idents(naming int64) ([]ident, error) {
	row, err := s.f.db.prepared("SELECT key FROM namings WHERE id=?").first(naming)
	if err != nil || row == nil {
		return nil, err
	}
	ids, _ := parseNaming(textOf(row[0]))
	return ids, nil
}
