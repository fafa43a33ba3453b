package herd

import (
	"cmp"
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
// for a past day too. A past day costs the reading of all facts up to it.
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
	out, err := unpackStandings(rows)
	if err != nil {
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

// unpackStandings decodes on every core: of a large herd that takes longer than
// reading does.
func unpackStandings(rows [][2]value) ([]Standing, error) {
	out := make([]Standing, len(rows))
	n := runtime.GOMAXPROCS(0)
	errs := make([]error, n)
	var wg sync.WaitGroup
	for k := range n {
		wg.Go(func() {
			for i := k * len(rows) / n; i < (k+1)*len(rows)/n && errs[k] == nil; i++ {
				errs[k] = out[i].fill(rows[i])
			}
		})
	}
	wg.Wait()
	return out, errors.Join(errs...)
}

func (s *Standing) fill(row [2]value) error {
	if row[1] != nil {
		if err := s.unpack(row[1]); err != nil {
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
		s.Devices[i].Animal, s.Devices[i].Known = s.Animal.ID, s.Animal.Known
	}
	for i := range s.Withdrawals {
		s.Withdrawals[i].Animal, s.Withdrawals[i].Known = s.Animal.ID, s.Animal.Known
	}
}

// goBack works out anew the standings that have facts behind the day.
func (v *View) goBack(ctx context.Context, farm, day string, all []Standing) error {
	facts, err := v.Facts(ctx, FactQuery{Farm: farm, To: day})
	if err != nil {
		return err
	}
	for len(facts) > 0 {
		n := 1
		for n < len(facts) && facts[n].Animal == facts[0].Animal {
			n++
		}
		i, ok := slices.BinarySearchFunc(all, facts[0].Animal, func(s Standing, id string) int { return cmp.Compare(s.Animal.ID, id) })
		if ok && all[i].Until > day {
			list := make([]*Fact, n)
			for k := range list {
				list[k] = &facts[k]
			}
			s := stand(list, cases(list, v.gap), devices(list), withdrawals(list))
			s.Animal = all[i].Animal
			all[i] = *s
			all[i].own()
		}
		facts = facts[n:]
	}
	for i := range all {
		if all[i].Until > day { // nothing was told of her by then
			all[i] = Standing{Animal: all[i].Animal}
		}
	}
	return nil
}
