package measures

import (
	"cmp"
	"slices"

	"dewclaw/events/herd"
	"dewclaw/events/worklist"
)

// A watched is one record of somebody looking at an animal.
type watched struct {
	*herd.Glance
	day day
}

// watch gathers the looks of each animal, in order of days.
func (u *duty) watch() {
	u.looks = map[string][]watched{}
	for i := range u.d.Looks {
		g := &u.d.Looks[i]
		u.looks[g.Animal] = append(u.looks[g.Animal], watched{g, dayOf(g.Day, never)})
	}
	for _, list := range u.looks {
		slices.SortStableFunc(list, func(a, b watched) int { return int(a.day) - int(b.day) })
	}
}

// first returns the first look on one of the days, at the foot, or with foot ""
// at the animal; nil if there is none.
func (u *duty) first(animal, foot string, days span) *watched {
	list := u.looks[animal]
	from, _ := slices.BinarySearchFunc(list, days.from, func(x watched, d day) int { return cmp.Compare(x.day, d) })
	for i := from; i < len(list) && list[i].day < days.to; i++ {
		if x := &list[i]; foot == "" && x.Whole || foot != "" && slices.Contains(x.Feet, foot) {
			return x
		}
	}
	return nil
}

// lifted reports whether an order in force on a day says that a default time does
// not hold for a foot, or for the animal.
func (u *duty) lifted(animal, name, foot string, d day) bool {
	return slices.ContainsFunc(u.orders[animal], func(o *herd.Order) bool {
		return len(o.Doubts) == 0 && o.Open(d.String()) && o.Lifts(name) && (o.Foot == "" || o.Foot == foot)
	})
}

// rechecks adds each day on which an ulcer, a white line or a toe lesion was seen.
func (u *duty) rechecks() {
	for i := range u.d.Cases {
		c := &u.d.Cases[i]
		if !worklist.Relieved(c) {
			continue
		}
		for j := range c.Seen {
			if s := &c.Seen[j]; s.Day != c.Healed {
				u.recheck(c, s)
			}
		}
	}
}

func (u *duty) recheck(c *herd.Case, s *herd.Sighting) {
	window := u.set.RecheckWindow(s.Day)
	seen, from, closes := dayOf(s.Day, never), dayOf(window.From, never), dayOf(window.To, never)
	if !u.period.has(closes) {
		return
	}
	gone := slices.ContainsFunc(u.lost[c.Animal], func(x *herd.LostClaw) bool { return x.Foot == c.Foot && x.Claw == c.Claw && x.Gone(window.To) })
	look := u.first(c.Animal, c.Foot, span{seen + 1, never})
	switch {
	case gone:
		u.aside(recheck, closes, "the claw is gone")
	case look != nil && look.day < from:
		u.aside(recheck, closes, "looked at before the time for it began, from which a new time runs if the lesion was there")
	case u.lifted(c.Animal, "recheck-time", c.Foot, closes):
		u.aside(recheck, closes, "an order named another time")
	default:
		t := &dueThing{kind: recheck, animal: c.Animal, closes: closes, did: never}
		for _, l := range s.Lesions {
			for _, r := range l.Reports {
				t.made = append(t.made, r.Entity)
			}
		}
		if look != nil {
			t.done(look.day, look.Event)
		}
		u.take(t, len(c.Doubts) > 0)
	}
}

// checks adds the checks of a lactation.
func (u *duty) checks() {
	for i := range u.d.Animals {
		a := &u.d.Animals[i]
		if c := u.cows[a.ID]; a.Known && a.Sex != "male" {
			u.midLactation(c)
			u.beforeCalving(c)
		}
	}
}

// A check is a look at the animal that a window asks for.
type check struct {
	kind   string
	window worklist.Window
	before day // a look from this day on, ahead of the window, makes it needless
	until  day // on which it is no longer of use
}

func (u *duty) check(c *cow, k check) {
	from, closes := dayOf(k.window.From, never), dayOf(k.window.To, never)
	if !u.period.has(closes) {
		return
	}
	t := &dueThing{kind: k.kind, animal: c.ID, closes: closes, did: never, made: c.Statements}
	stops := slices.ContainsFunc(u.orders[c.ID], func(o *herd.Order) bool {
		return o.What == "not-trim" && len(o.Doubts) == 0 && o.Open(closes.String())
	})
	early := u.first(c.ID, "", span{k.before, from})
	switch {
	case stops || u.lifted(c.ID, "trim-time", "", closes):
		u.aside(k.kind, closes, "an order stopped it or named another time")
	case early != nil:
		u.aside(k.kind, closes, "looked at before, so that none was needed")
	default:
		if look := u.first(c.ID, "", span{from, k.until}); look != nil {
			t.done(look.day, look.Event)
		}
		u.take(t, false)
	}
}

// midLactation adds the check of each lactation that lasts so long.
func (u *duty) midLactation(c *cow) {
	for _, s := range c.milk {
		if s.from == beforeAll {
			continue
		}
		w := u.set.MidLactationWindow(s.from.String())
		if s.to > dayOf(w.To, never) {
			u.check(c, check{midLactation, w, s.from, s.to})
		}
	}
}

// beforeCalving adds the checks before each drying off, planned or reckoned from
// the earliest calving, and before a heifer calves.
func (u *duty) beforeCalving(c *cow) {
	planned := dayOf(c.PlannedDryOff, never)
	if planned != never {
		u.beforeDry(c, c.PlannedDryOff)
	}
	var calvings []string
	if c.ExpectedCalving != "" {
		calvings = append(calvings, c.ExpectedCalving)
	}
	for _, s := range c.Services {
		if d := dayOf(s, never); d != never {
			calvings = append(calvings, (d + day(u.set.Gestation)).String())
		}
	}
	slices.Sort(calvings)
	for _, calving := range slices.Compact(calvings) {
		u.heifer(c, calving)
		dry := u.set.DryBefore(calving)
		closes := u.set.PreDryWindow(dry).To
		plan := planned != never && c.LastCalving(c.PlannedDryOff) == c.LastCalving(closes)
		if !plan && c.EarliestCalving(closes, u.set.Gestation) == calving {
			u.beforeDry(c, dry)
		}
	}
}

func (u *duty) beforeDry(c *cow, dry string) {
	w := u.set.PreDryWindow(dry)
	closes := dayOf(w.To, never)
	last := c.LastCalving(w.To)
	dried := slices.ContainsFunc(c.DryOffs, func(d string) bool { return d > last && d <= w.To })
	if closes == never || dried || isHeifer(c, closes) {
		return
	}
	u.check(c, check{preDry, w, closes - day(u.set.PreDryLooked), dayOf(dry, never) + 1})
}

// heiferYears is how old an animal may be of which no calving is told and no
// parity, to be taken for a heifer; as lists have it.
const heiferYears = 3

// isHeifer reports whether she has not calved by a day, by what the roster says.
func isHeifer(c *cow, d day) bool {
	_, calved := c.lastCalving(d)
	return !calved && (c.Parity != nil || dayOf(c.Born, always) > d-heiferYears*365)
}

func (u *duty) heifer(c *cow, calving string) {
	w := u.set.HeiferWindow(calving)
	closes := dayOf(w.To, never)
	if closes == never || c.EarliestCalving(w.To, u.set.Gestation) != calving || !isHeifer(c, closes) {
		return
	}
	u.check(c, check{heiferCheck, w, dayOf(w.From, never), dayOf(calving, never) + 1})
}

// dueHistory is how many days before the period looks, blocks and wraps are read:
// as far as a window that closes in the period can reach, and 120 at the least.
func dueHistory(s *worklist.Settings) day {
	return day(max(120, s.BlockLong, s.RecheckTo, s.PreDryLooked+s.PreDryFrom, s.MidLactationTo))
}

// looks reads who looked at which foot.
func (l *loader) looks() (err error) {
	l.d.Looks, err = l.v.Glances(l.ctx, l.q.Farm, l.longBefore().String(), l.q.To)
	if err != nil {
		return err
	}
	l.d.Orders, err = l.v.FarmOrders(l.ctx, l.q.Farm)
	return err
}

func (l *loader) longBefore() day {
	s := l.q.Lists
	if s == nil {
		s = worklist.Defaults()
	}
	return dayOf(l.q.From, 0) - dueHistory(s)
}
