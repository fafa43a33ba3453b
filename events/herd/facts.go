package herd

import (
	"context"
	"slices"
	"strconv"
	"strings"

	"dewclaw/events"
)

// A FactQuery asks for facts. An empty member asks for all.
type FactQuery struct {
	Farm     string // ignored if Animal is set
	Animal   string // animal id
	Kinds    []events.Kind
	From, To string // first and last day
}

// Facts returns the facts of an animal, or of all animals of a farm, sorted by
// animal, day, time, kind, source and entity. Visits and groups have no animal and
// come first; they are there only if the farm is asked and their kind is among Kinds.
func (v *View) Facts(ctx context.Context, q FactQuery) ([]Fact, error) {
	doubts, err := v.doubts(ctx, q)
	if err != nil {
		return nil, err
	}
	kinds, farms := kindList(q.Kinds, events.Kind.Animals), kindList(q.Kinds, func(k events.Kind) bool { return !k.Animals() })
	from, to := dayOf(q.From, always), dayOf(q.To, never)
	r := &factReader{v: v, doubts: doubts, kinds: kinds, from: from, to: to}
	where, what := "a.farm=?", any(v.ids[q.Farm])
	if q.Animal != "" {
		where, what, farms = oneAnimal, q.Animal, ""
	}
	if err = r.name(ctx, where, what); err == nil {
		err = r.read(ctx, where, what)
	}
	if err == nil && strings.ContainsAny(farms, "0123456789") {
		err = v.each(ctx, func(row []value) error {
			f := r.out.add()
			err := f.scan(row, v.names)
			f.Farm = q.Farm
			return err
		}, "SELECT "+factColumns+` FROM namings n CROSS JOIN facts f INDEXED BY facts_naming ON f.naming = n.id AND f.day >= ? AND f.day <= ?
			WHERE n.farm=? AND n.key='' AND f.state & ? = 0`+farms, from, to, v.ids[q.Farm], hidden)
	}
	if err != nil {
		return nil, err
	}
	out := r.out.list()
	sortByAnimal(out)
	return out, nil
}

// A factReader reads facts of animals, with what stands beside them.
type factReader struct {
	v        *View
	doubts   map[events.Entity][]string
	kinds    string // a condition; see kindList
	from, to day
	out      pile[Fact]

	animals map[id]factAnimal
	as      map[id][]events.Identifier // what a naming says
}

// A factAnimal is what facts tell of their animal.
type factAnimal struct {
	key, farm string
	known     bool
}

// oneAnimal finds an animal by its id alone: the index begins with the farm.
const oneAnimal = "a.farm IN (SELECT id FROM names) AND a.key=?"

// read adds the facts of the animals for which a condition is true, once they are
// named.
func (r *factReader) read(ctx context.Context, where string, what ...any) error {
	args := append(append([]any{r.from, r.to}, what...), hidden)
	return r.v.each(ctx, func(row []value) error {
		f := r.out.add()
		if err := f.scan(row, r.v.names); err != nil {
			return err
		}
		a := r.animals[id(intOf(row[9]))]
		f.Animal, f.Known, f.Farm = a.key, a.known, a.farm
		f.As = r.as[id(intOf(row[10]))]
		f.Doubts = r.doubts[f.Entity]
		return nil
	}, "SELECT "+factColumns+`, p.animal, p.naming FROM animals a CROSS JOIN spans p ON p.animal = a.id
		CROSS JOIN facts f INDEXED BY facts_naming ON f.naming = p.naming AND f.day >= max(p."from", ?) AND f.day < p."to" AND f.day <= ?
		WHERE `+where+" AND f.state & ? = 0"+r.kinds, args...)
}

// name notes how the animals are named for which a condition is true: their facts
// share that, which is read once an animal and not once a fact.
func (r *factReader) name(ctx context.Context, where string, what ...any) error {
	r.animals, r.as = map[id]factAnimal{}, map[id][]events.Identifier{}
	return r.v.each(ctx, func(row []value) error {
		r.animals[id(intOf(row[0]))] = factAnimal{key: textOf(row[1]), farm: r.v.names[id(intOf(row[3]))], known: intOf(row[2]) != 0}
		ids, _ := parseNaming(textOf(row[5]))
		var list []events.Identifier
		for _, n := range ids {
			list = append(list, events.Identifier{Scheme: n.scheme, Value: n.value})
		}
		r.as[id(intOf(row[4]))] = list
		return nil
	}, `SELECT a.id, a.key, a.known, a.farm, n.id, n.key FROM animals a CROSS JOIN spans p ON p.animal = a.id
		CROSS JOIN namings n ON n.id = p.naming WHERE `+where, what...)
}

// sortByAnimal sorts by animal, then as compareFacts does. Facts are read animal
// by animal: so runs of one are sorted and, where they come in order, nothing else.
func sortByAnimal(facts []Fact) {
	ordered := true
	for i := 0; i < len(facts); {
		n := i + 1
		for n < len(facts) && facts[n].Animal == facts[i].Animal {
			n++
		}
		slices.SortFunc(facts[i:n], func(a, b Fact) int { return compareFacts(&a, &b) })
		ordered = ordered && (i == 0 || facts[i-1].Animal < facts[i].Animal)
		i = n
	}
	if !ordered {
		slices.SortFunc(facts, compareByAnimal)
	}
}

// kindList returns a condition for those of the kinds asked for that fit; "" if
// all are asked for.
func kindList(kinds []events.Kind, fits func(events.Kind) bool) string {
	if len(kinds) == 0 {
		return ""
	}
	var numbers []string
	for _, k := range kinds {
		if n, ok := kindNumbers[string(k)]; ok && fits(k) {
			numbers = append(numbers, strconv.Itoa(n))
		}
	}
	return " AND f.kind IN (" + strings.Join(numbers, ",") + ")"
}

// doubts returns the kinds of contradictions that leave facts out, by entity. Those
// of a farm are read once a view; the map is shared.
func (v *View) doubts(ctx context.Context, q FactQuery) (map[events.Entity][]string, error) {
	if out := v.doubted[q.Farm]; q.Animal == "" && out != nil {
		return out, nil
	}
	out := map[events.Entity][]string{}
	add := func(c *Contradiction) {
		for _, e := range c.LeftOut {
			if !slices.Contains(out[e], c.Kind) {
				out[e] = append(out[e], c.Kind)
				slices.Sort(out[e])
			}
		}
	}
	if q.Animal != "" {
		return out, v.ofAnimal(ctx, q.Animal, resultContradiction, func(_ bool, body value) error {
			var c Contradiction
			err := unpack(body, &c)
			add(&c)
			return err
		})
	}
	all, err := v.Contradictions(ctx, q.Farm)
	for i := range all {
		add(&all[i])
	}
	if err == nil {
		v.doubted[q.Farm] = out
	}
	return out, err
}

// A Score is one locomotion score with what stands beside it.
type Score struct {
	Fact
	Scale  string
	Value  events.Decimal // raw, on its scale; not set if not scorable
	Why    string         // why no score could be given
	Gait   []int          // lowest and highest gait grade; none if the scale has none
	Lame   string         // yes, no or "", by the scale's own cut
	Severe string         // yes, no, undetermined or "", by gait grade
	Native string         // severe by the scale's own cut: yes, no or ""
	On     []string       // blocks and wraps she wore by the records: "block", "wrap"; such a score is no part of a trend
}

// Scores returns the locomotion scores of a farm from a day to another, both
// included, sorted by animal, day, time, source and entity. Contradictory ones
// have Doubts.
func (v *View) Scores(ctx context.Context, farm, from, to string) ([]Score, error) {
	devices, err := v.FarmDevices(ctx, farm, from)
	if err != nil {
		return nil, err
	}
	return v.ScoresWith(ctx, farm, from, to, devices)
}

// ScoresWith is Scores for a caller who has the devices of the farm that were on at
// some time from that day on, as [View.FarmDevices] returns them; more do no harm.
func (v *View) ScoresWith(ctx context.Context, farm, from, to string, devices []Device) ([]Score, error) {
	facts, err := v.Facts(ctx, FactQuery{Farm: farm, Kinds: []events.Kind{events.KindLocomotion}, From: from, To: to})
	if err != nil {
		return nil, err
	}
	worn := map[string][]Device{}
	for i := 0; i < len(devices); {
		n := i + 1
		for n < len(devices) && devices[n].Animal == devices[i].Animal {
			n++
		}
		worn[devices[i].Animal] = devices[i:n]
		i = n
	}
	out := make([]Score, 0, len(facts))
	for _, f := range facts {
		l := f.Payload.(*events.Locomotion)
		s := Score{
			Fact: f, Scale: l.Scale, Value: l.Score, Why: l.NotScorable, Gait: l.Derived.Gait,
			Lame: l.Derived.Lame, Severe: l.Derived.Severe, Native: l.Derived.SevereNative,
		}
		s.On = wearing(worn[f.Animal], f.Day, l)
		out = append(out, s)
	}
	return out, nil
}

// wearing tells what she wore at a score: by its own words, or by the records of
// the day. On the day a device came off or was put on, it counts as worn: the
// careful reading for a trend.
func wearing(devices []Device, day string, l *events.Locomotion) (out []string) {
	for _, w := range []struct{ what, told string }{{"block", l.BlockOn}, {"wrap", l.WrapOn}} {
		on := w.told == "yes"
		if w.told == "" || w.told == "unknown" {
			for i := 0; i < len(devices) && !on; i++ {
				d := &devices[i]
				on = d.What == w.what && d.On <= day && (d.Off == "" || day <= d.Off)
			}
		}
		if on {
			out = append(out, w.what)
		}
	}
	return out
}
