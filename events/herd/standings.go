package herd

import (
	"context"
	"errors"
	"runtime"
	"slices"
	"sync"
)

// Standings returns where each animal of a farm stands at the end of a day,
// sorted by animal id: those of its rosters, in the herd on that day or not, and
// those known only from events. With day "" it is where they stand now.
//
// Who an animal is and what contradicts itself is always what the log says now,
// for a past day too. A past day costs the reading of all facts of the animals of
// which anything was told behind it.
func (v *View) Standings(ctx context.Context, farm, day string) ([]Standing, error) {
	var rows [][2]value
	err := v.each(ctx, func(row []value) error {
		rows = append(rows, [2]value{row[0], row[1]})
		return nil
	}, "SELECT a.body, r.body FROM animals a LEFT JOIN results r ON r.animal = a.id AND r.kind=? WHERE a.farm=? ORDER BY a.key",
		resultStanding, v.ids[farm])
	if err != nil {
		return nil, err
	}
	out := make([]Standing, len(rows))
	if err := onEveryCore(len(rows), func(i int) error { return out[i].fill(rows[i]) }); err != nil {
		return nil, err
	}
	// Without facts an animal as read is left over from facts that went elsewhere.
	gone := func(s Standing) bool { return s.Until == "" && !s.Animal.Known }
	out = slices.DeleteFunc(out, gone)
	if day != "" && slices.ContainsFunc(out, func(s Standing) bool { return s.Until > day }) {
		if err := v.goBack(ctx, farm, day, out); err != nil {
			return nil, err
		}
		out = slices.DeleteFunc(out, gone)
	}
	return out, nil
}

// onEveryCore calls f for each of n numbers from 0 on, and returns the error of one:
// decoding a large herd takes longer than reading it does.
func onEveryCore(n int, f func(i int) error) error {
	cores := runtime.GOMAXPROCS(0)
	errs := make([]error, cores)
	var wg sync.WaitGroup
	for k := range cores {
		wg.Go(func() {
			for i := k * n / cores; i < (k+1)*n/cores && errs[k] == nil; i++ {
				errs[k] = f(i)
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

func (s *Standing) fill(row [2]value) error {
	if row[1] != nil {
		if err := unpack(row[1], s); err != nil {
			return err
		}
	}
	if err := s.Animal.unpack(row[0]); err != nil {
		return err
	}
	s.own()
	return nil
}

// own writes the animal into what is hers.
func (s *Standing) own() {
	for i := range s.Cases {
		s.Cases[i].Animal, s.Cases[i].Known = s.Animal.ID, s.Animal.Known
	}
	for i := range s.Devices {
		s.Devices[i].own(s.Animal.ID, s.Animal.Known)
	}
	for i := range s.Orders {
		s.Orders[i].Animal, s.Orders[i].Known = s.Animal.ID, s.Animal.Known
	}
	for i := range s.Claws {
		s.Claws[i].Animal, s.Claws[i].Known = s.Animal.ID, s.Animal.Known
	}
	for i := range s.Withdrawals {
		s.Withdrawals[i].Animal, s.Withdrawals[i].Known = s.Animal.ID, s.Animal.Known
	}
}

// goBack works out anew the standings that have facts behind the day, and reads
// the facts of no other animal.
func (v *View) goBack(ctx context.Context, farm, day string, all []Standing) error {
	doubts, err := v.doubts(ctx, FactQuery{Farm: farm})
	if err != nil {
		return err
	}
	old, err := v.oldFacts(ctx, farm, day)
	if err != nil {
		return err
	}
	r := &factReader{v: v, doubts: doubts, from: always, to: dayOf(day, never)}
	if err := r.name(ctx, "a.farm=?", v.ids[farm]); err != nil {
		return err
	}
	for i := range all {
		if all[i].Until <= day {
			continue
		}
		r.out = pile[Fact]{}
		if err := r.read(ctx, "a.farm=? AND a.key=?", v.ids[farm], all[i].Animal.ID); err != nil {
			return err
		}
		facts := r.out.list()
		sortByAnimal(facts)
		f, o := make([]*Fact, len(facts)), old[all[i].Animal.ID]
		for j := range facts {
			f[j] = &facts[j]
		}
		s := &Standing{}
		if len(f)+len(o) > 0 {
			ds := devices(f, o)
			s = stand(f, o, cases(f, v.gap), ds, withdrawals(f, o), orders(f, o, ds))
		}
		s.Animal = all[i].Animal
		all[i] = *s
		all[i].own()
	}
	return nil
}

// oldFacts returns the old revisions of a farm up to a day, by animal id.
func (v *View) oldFacts(ctx context.Context, farm, day string) (map[string][]*Fact, error) {
	out := map[string][]*Fact{}
	err := v.each(ctx, func(row []value) error {
		f, err := scanFact(row, v.names)
		if err == nil {
			out[textOf(row[9])] = append(out[textOf(row[9])], f)
		}
		return err
	}, "SELECT "+factColumns+`, a.key FROM facts f INDEXED BY facts_mark JOIN spans p ON p.naming = f.naming AND f.day >= p."from" AND f.day < p."to"
		JOIN animals a ON a.id = p.animal WHERE f.mark < 0 AND f.state & ? <> 0 AND f.day <= ? AND a.farm=?`, stateOld, dayOf(day, never), v.ids[farm])
	for _, list := range out {
		sortFacts(list)
	}
	return out, err
}
