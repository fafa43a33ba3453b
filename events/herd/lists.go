package herd

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"dewclaw/events"
)

// Farms returns the farms the log tells of, sorted.
func (v *View) Farms(ctx context.Context) (out []string, err error) {
	err = v.each(ctx, func(row []value) error {
		out = append(out, textOf(row[0]))
		return nil
	}, `SELECT name FROM names n WHERE name <> '' AND (EXISTS (SELECT 1 FROM namings WHERE farm=n.id)
		OR EXISTS (SELECT 1 FROM statements WHERE farm=n.id)) ORDER BY name`)
	return out, err
}

// Animals returns the animals of a farm's rosters that are in the herd on a day,
// sorted by id; with day "" all that the rosters ever told of. An animal of
// which no roster tells when she came or left is there on every day.
func (v *View) Animals(ctx context.Context, farm, day string) (out []Animal, err error) {
	err = v.each(ctx, func(row []value) error {
		var a Animal
		if err := a.unpack(row[0]); err != nil {
			return err
		}
		if day == "" || a.In(day) {
			out = append(out, a)
		}
		return nil
	}, "SELECT body FROM animals WHERE farm=? AND known=1 ORDER BY key", v.ids[farm])
	return out, err
}

// Animal returns one animal, of a roster or as read only. The error is of kind
// [events.ErrNotFound] if there is none with this id.
func (v *View) Animal(ctx context.Context, animal string) (*Animal, error) {
	var a *Animal
	err := v.each(ctx, func(row []value) error {
		a = &Animal{}
		return a.unpack(row[0])
	}, "SELECT a.body FROM animals a WHERE "+oneAnimal, animal)
	if err == nil && a == nil {
		err = &events.Fault{Kind: events.ErrNotFound, Who: "herd", What: "animal", Wanted: "an id as lists show it", Got: fmt.Sprintf("%.200q", animal)}
	}
	return a, err
}

// Unmatched is an animal that events name and no roster explains.
type Unmatched struct {
	Animal      string       // animal id
	Identifiers []Identifier // as read
	Facts       int
	First, Last string // days of the first and last fact
	Sources     []string
	Suggestions []Suggestion // what says most first; never acted upon
}

// Unmatched returns the animals of a farm that no roster explains, sorted by id.
// Those whose identifiers name several animals are contradictions and not here.
func (v *View) Unmatched(ctx context.Context, farm string) (out []Unmatched, err error) {
	index := map[id]int{}
	err = v.each(ctx, func(row []value) error {
		var a Animal
		if err := a.unpack(row[1]); err != nil {
			return err
		}
		if a.Doubt == "" {
			index[id(intOf(row[0]))] = len(out)
			out = append(out, Unmatched{Animal: a.ID, Identifiers: a.Identifiers, Suggestions: a.Suggestions})
		}
		return nil
	}, "SELECT id, body FROM animals WHERE farm=? AND known=0 ORDER BY key", v.ids[farm])
	if err != nil {
		return nil, err
	}
	err = v.each(ctx, func(row []value) error {
		i, ok := index[id(intOf(row[0]))]
		if !ok {
			return nil
		}
		u := &out[i]
		u.Facts += int(intOf(row[2]))
		u.Sources = append(u.Sources, v.names[id(intOf(row[1]))])
		if d := day(intOf(row[3])).String(); u.First == "" || d < u.First {
			u.First = d
		}
		u.Last = max(u.Last, day(intOf(row[4])).String())
		return nil
	}, `SELECT a.id, f.source, count(*), min(f.day), max(f.day) FROM animals a CROSS JOIN spans p ON p.animal = a.id
		CROSS JOIN facts f INDEXED BY facts_naming ON f.naming = p.naming AND f.day >= p."from" AND f.day < p."to"
		WHERE a.farm=? AND a.known=0 AND f.state & ? = 0 GROUP BY a.id, f.source`, v.ids[farm], hidden)
	for i := range out {
		slices.Sort(out[i].Sources)
		out[i].Sources = slices.Compact(out[i].Sources)
	}
	// A naming without a fact is left over from facts that went elsewhere.
	return slices.DeleteFunc(out, func(u Unmatched) bool { return u.Facts == 0 }), err
}

// results reads results of one kind of a farm that last to a day.
func (v *View) results(ctx context.Context, farm string, kind int, from day, f func(animal string, known bool, body value) error) error {
	return v.each(ctx, func(row []value) error {
		return f(textOf(row[0]), intOf(row[1]) != 0, row[2])
	}, `SELECT a.key, a.known, r.body FROM results r INDEXED BY results_farm JOIN animals a ON a.id = r.animal
		WHERE r.farm=? AND r.kind=? AND r.last >= ?`, v.ids[farm], kind, from)
}

// Contradictions returns what contradicts itself on a farm, sorted by animals,
// day and kind.
func (v *View) Contradictions(ctx context.Context, farm string) ([]Contradiction, error) {
	var bodies []value
	err := v.each(ctx, func(row []value) error {
		bodies = append(bodies, row[0])
		return nil
	}, "SELECT body FROM results INDEXED BY results_farm WHERE farm=? AND kind=? AND last >= ?", v.ids[farm], resultContradiction, always)
	if err != nil {
		return nil, err
	}
	if len(bodies) == 0 {
		return nil, nil
	}
	out := make([]Contradiction, len(bodies))
	err = onEveryCore(len(bodies), func(i int) error { return unpack(bodies[i], &out[i]) })
	out = sorted(out, compareContradictions)
	// Two animals each have the contradiction they share.
	return slices.CompactFunc(out, func(a, b Contradiction) bool { return compareContradictions(a, b) == 0 }), err
}

// OpenDevices returns the blocks and wraps of a farm that are on at the end of a
// day, sorted by animal and day put on. Animals that no roster knows and devices
// told of by contradictory records are among them.
func (v *View) OpenDevices(ctx context.Context, farm, day string) (out []Device, err error) {
	today := dayOf(day, never-1)
	err = v.results(ctx, farm, resultDevice, today+1, func(animal string, known bool, body value) error {
		var d Device
		if err := unpack(body, &d); err != nil {
			return err
		}
		if d.own(animal, known); dayOf(d.On, always) <= today {
			out = append(out, d)
		}
		return nil
	})
	slices.SortStableFunc(out, compareDevices)
	return out, err
}

// Devices returns all blocks and wraps an animal ever had, sorted by day put on.
func (v *View) Devices(ctx context.Context, animal string) (out []Device, err error) {
	err = v.ofAnimal(ctx, animal, resultDevice, func(known bool, body value) error {
		var d Device
		if err := unpack(body, &d); err != nil {
			return err
		}
		d.own(animal, known)
		out = append(out, d)
		return nil
	})
	return out, err
}

func (v *View) ofAnimal(ctx context.Context, animal string, kind int, f func(known bool, body value) error) error {
	return v.each(ctx, func(row []value) error { return f(intOf(row[0]) != 0, row[1]) },
		"SELECT a.known, r.body FROM animals a JOIN results r ON r.animal = a.id WHERE "+oneAnimal+" AND r.kind=? ORDER BY r.n", animal, kind)
}

// Withdrawals returns what is not over on a day, or unknown, sorted by animal and
// day; see [Withdrawal].
func (v *View) Withdrawals(ctx context.Context, farm, day string) (out []Withdrawal, err error) {
	today := dayOf(day, never-1)
	err = v.results(ctx, farm, resultWithdrawal, today+1, func(animal string, known bool, body value) error {
		var w Withdrawal
		if err := unpack(body, &w); err != nil {
			return err
		}
		if w.Animal, w.Known = animal, known; dayOf(w.Day, always) <= today {
			out = append(out, w)
		}
		return nil
	})
	slices.SortStableFunc(out, compareWithdrawals)
	return out, err
}

// A CaseQuery asks for cases. An empty member asks for all.
type CaseQuery struct {
	Farm   string // ignored if Animal is set
	Animal string // animal id
	Gap    int    // days, see [Case]; 0 is the gap the herd was opened with
	Open   bool   // only cases that are open
	Newest bool   // with their newest sighting only: cheaper where cases are long
}

// Cases returns cases, sorted by animal, foot, class, claw and first day. Cases
// made of contradictory records have Doubts. Another gap than the herd's own is
// worked out at once, from every fact asked for.
func (v *View) Cases(ctx context.Context, q CaseQuery) (out []Case, err error) {
	if q.Gap == 0 || q.Gap == v.gap {
		out, err = v.storedCases(ctx, q)
	} else {
		out, err = v.freshCases(ctx, q)
	}
	if q.Open {
		out = slices.DeleteFunc(out, func(c Case) bool { return !c.Open })
	}
	if q.Newest {
		for i, c := range out {
			out[i].Seen = c.Seen[len(c.Seen)-1:]
		}
	}
	return sorted(out, compareCases), err
}

func (v *View) storedCases(ctx context.Context, q CaseQuery) ([]Case, error) {
	// All cases of a farm lie animal by animal, and so they are sorted; the open ones
	// of all those are few.
	from, where, what := always, "a.farm=?", any(v.ids[q.Farm])
	table := "animals a CROSS JOIN results r ON r.animal = a.id"
	switch {
	case q.Animal != "":
		where, what = oneAnimal, q.Animal
	case q.Open:
		table, where = "results r INDEXED BY results_farm JOIN animals a ON a.id = r.animal", "r.farm=?"
	}
	if q.Open {
		from = never
	}
	older, join := "NULL", ""
	if !q.Newest {
		older, join = "o.body", " LEFT JOIN older o ON o.animal = r.animal AND o.n = r.n"
	}
	var all pile[Case]
	err := v.each(ctx, func(row []value) error {
		c := all.add()
		if err := unpack(row[2], c); err != nil {
			return err
		}
		if row[3] != nil {
			var older Case
			if err := unpack(row[3], &older); err != nil {
				return err
			}
			c.Seen = append(older.Seen, c.Seen...)
		}
		c.Animal, c.Known = textOf(row[0]), intOf(row[1]) != 0
		return nil
	}, "SELECT a.key, a.known, r.body, "+older+" FROM "+table+join+" WHERE "+where+" AND r.kind=? AND r.last >= ?", what, resultCase, from)
	return all.list(), err
}

func (v *View) freshCases(ctx context.Context, q CaseQuery) (out []Case, err error) {
	facts, err := v.Facts(ctx, FactQuery{Farm: q.Farm, Animal: q.Animal, Kinds: []events.Kind{events.KindLesion, events.KindExamination}})
	if err != nil {
		return nil, err
	}
	for len(facts) > 0 {
		n := 1
		for n < len(facts) && facts[n].Animal == facts[0].Animal {
			n++
		}
		list := make([]*Fact, n)
		for i := range list {
			list[i] = &facts[i]
		}
		for _, c := range cases(list, q.Gap) {
			c.Animal, c.Known = facts[0].Animal, facts[0].Known
			out = append(out, c)
		}
		facts = facts[n:]
	}
	return out, nil
}

// EachHeld calls f with every held record of a farm that nobody has settled, and
// with those of its sources whose farm cannot be read, of which it is told nothing
// more (see [Held]), in the order of the log: there may be many. It ends with the
// first error of f.
func (v *View) EachHeld(ctx context.Context, farm string, f func(Held) error) error {
	return v.each(ctx, func(row []value) error {
		var h Held
		if err := json.Unmarshal([]byte(textOf(row[0])), &h); err != nil {
			return fmt.Errorf("herd: read a held record: %w: %w: %w", err, errDamaged, events.ErrUnavailable)
		}
		return f(h)
	}, "SELECT data FROM held WHERE farm IN (?,?) AND settled='' ORDER BY place, id", v.ids[farm], v.ids[""])
}

// Waiting returns the retractions of a farm that wait for a person, sorted by entity.
func (v *View) Waiting(ctx context.Context, farm string) (out []Waiting, err error) {
	err = v.each(ctx, func(row []value) error {
		out = append(out, Waiting{events.Entity(textOf(row[0])), farm, v.names[id(intOf(row[1]))], textOf(row[2])})
		return nil
	}, "SELECT entity, source, why FROM waits WHERE farm=? ORDER BY entity", v.ids[farm])
	return out, err
}

func compareByAnimal(a, b Fact) int {
	return cmp.Or(cmp.Compare(a.Animal, b.Animal), compareFacts(&a, &b))
}
