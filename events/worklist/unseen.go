package worklist

import (
	"fmt"
	"slices"
	"strings"

	"dewclaw/events/herd"
)

// unseen tells what no list of the farm can see.
func unseen(in *Input) Unseen {
	u := Unseen{Held: in.Held, Urgent: len(in.Urgent), First: in.Urgent, Maybe: in.Maybe, Unmatched: len(in.Unmatched), Waiting: in.Waiting, Conflicts: []Conflict{}, Roster: in.Roster.Newest}
	var byID map[string]*herd.Standing
	for _, c := range in.Conflicts {
		if c.Day == "" || c.Day <= in.Day {
			if byID == nil {
				byID = byAnimal(in)
			}
			u.Conflicts = append(u.Conflicts, conflict(in, &c, byID))
		}
	}
	for i := range in.Standings {
		s := &in.Standings[i]
		if s.Examined != nil && s.Examined.Outcome == "incomplete" && here(s, in.Day) {
			u.Incomplete++
		}
		if len(s.Scored) > 0 {
			u.Scored = max(u.Scored, s.Scored[0].Day)
		}
	}
	u.RosterAge, _ = daysBetween(u.Roster, in.Day)
	u.RosterAge = max(0, u.RosterAge)
	return u
}

func byAnimal(in *Input) map[string]*herd.Standing {
	out := make(map[string]*herd.Standing, len(in.Standings))
	for i := range in.Standings {
		out[in.Standings[i].Animal.ID] = &in.Standings[i]
	}
	return out
}

// mostEvents is how many events of a contradiction a sentence names.
const mostEvents = 4

// conflict tells of a contradiction with its animals and events.
func conflict(in *Input, c *herd.Contradiction, standings map[string]*herd.Standing) Conflict {
	out := Conflict{Kind: c.Kind, Day: c.Day, Animals: c.Animals, Cows: []string{}, Events: c.Events}
	for _, id := range c.Animals {
		name := strings.TrimPrefix(id, in.Farm+"/")
		if s := standings[id]; s != nil {
			cow, second := (&animal{Standing: s, clock: clock{day: in.Day}}).names()
			if name = cow; second != "" {
				name += " (" + second + ")"
			}
		}
		out.Cows = append(out.Cows, name)
	}
	out.Text = strings.Join(out.Cows, ", ") + ": " + c.Words
	var all []string
	for _, e := range c.Events[:min(len(c.Events), mostEvents)] {
		all = append(all, string(e))
	}
	if n := len(c.Events) - mostEvents; n > 0 {
		all = append(all, fmt.Sprintf("and %d more", n))
	}
	if len(all) > 0 {
		out.Text += fmt.Sprintf(" (%s %s)", map[bool]string{true: "event", false: "events"}[len(c.Events) == 1], strings.Join(all, ", "))
	}
	return out
}

// unscored counts the cows of the roster that are there on the day and have calved,
// and those of them that were not scored within so many days.
func unscored(in *Input) (cows, not int) {
	since := addDays(in.Day, -in.Settings.ScoresOld)
	for i := range in.Standings {
		s := &in.Standings[i]
		a := &animal{Standing: s, clock: clock{day: in.Day}}
		if !s.Animal.Known || !s.Animal.In(in.Day) || s.Animal.Sex == "male" || a.heifer() {
			continue
		}
		cows++
		if len(s.Scored) == 0 || s.Scored[0].Day < since {
			not++
		}
	}
	return cows, not
}

// cannot tells why the list cannot be complete.
func cannot(in *Input, l *List) (out []Cannot) {
	add := func(code, format string, args ...any) { out = append(out, Cannot{code, fmt.Sprintf(format, args...)}) }
	u := &l.Unseen
	switch {
	case in.Roster.Statements == 0:
		add("no-roster", "no roster: who is there, who calves or dries off and who was never examined cannot be worked out")
	case u.RosterAge > in.Settings.RosterOld:
		add("roster-old", "the newest statement of the roster is of %s, %d days old: who calves, dries off or has left since cannot be worked out", u.Roster, u.RosterAge)
	}
	if !slices.ContainsFunc(in.Standings, func(s herd.Standing) bool { return s.Until != "" }) {
		add("no-facts", "no examination, finding, treatment or score was ever read: what is on or open cannot be worked out")
	}
	age, ok := daysBetween(u.Scored, in.Day)
	switch {
	case !ok:
		add("no-scores", "nobody was ever scored: who is lame cannot be worked out")
	case age > in.Settings.ScoresOld:
		add("scores-old", "nobody was scored since %s, %d days ago: who is lame now cannot be worked out", u.Scored, age)
	}
	if cows, not := unscored(in); ok && age <= in.Settings.ScoresOld && not > 0 {
		add("scores-few", "%d of %s not scored within %d days: whether these are lame now cannot be worked out", not, count(cows, "cow was", "cows were"), in.Settings.ScoresOld)
	}
	if u.Held > 0 {
		add("held", "%s not read: each may hide a wrap, a block, a medicine or a severely lame cow", count(u.Held, "held record is", "held records are"))
	}
	return out
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// nameOrder is the order in which people name a cow: the short number of the
// farm, then what is on her.
var nameOrder = []string{"herd-number", "ear-tag", "transponder", "interbull", "herdbook", "place", "temporary"}

// names returns what people call her, and a second identifier to be sure it is
// her: those that hold on the day, or the newest of a scheme.
func (a *animal) names() (cow, second string) {
	var all []string
	for _, scheme := range nameOrder {
		if v := a.identifier(scheme); v != "" {
			all = append(all, v)
		}
	}
	if len(all) == 0 {
		return a.Animal.ID, ""
	}
	if len(all) > 1 {
		second = all[1]
	}
	return all[0], second
}

func (a *animal) identifier(scheme string) string {
	best := ""
	for _, i := range a.Animal.Identifiers {
		if i.Scheme != scheme {
			continue
		}
		if (i.From == "" || i.From <= a.day) && (i.To == "" || a.day < i.To) {
			return i.Value
		}
		best = i.Value
	}
	return best
}

// notes tells what is odd about her.
func (a *animal) notes() (out []string) {
	if !a.Animal.Known {
		out = append(out, "no roster knows her: compare the tag")
		for _, s := range a.Animal.Suggestions {
			out = append(out, fmt.Sprintf("%s may be %s, read as %s (%s)", s.Given, strings.TrimPrefix(s.Animal, a.Animal.Farm+"/"), s.Found, s.Why))
		}
		for _, m := range a.Animal.Might {
			out = append(out, "her identifiers name "+strings.TrimPrefix(m, a.Animal.Farm+"/")+" too")
		}
	} else if !a.Animal.In(a.day) && !a.gone {
		out = append(out, "told of after she left by the roster: is she here?")
	}
	for _, s := range a.Animal.Shared {
		if (s.From == "" || s.From <= a.day) && (s.To == "" || a.day < s.To) {
			out = append(out, s.Scheme+" "+s.Value+" is also that of "+strings.TrimPrefix(s.Other, a.Animal.Farm+"/"))
		}
	}
	out = append(out, a.lostClaws()...)
	if h, ok := a.heldRecord(); ok {
		out = append(out, fmt.Sprintf("a record of her of %s is held and not read: %s", h.Day, h.ID))
	}
	for _, k := range a.doubts() {
		out = append(out, "contradiction: "+k)
	}
	return out
}

// doubts returns the kinds of contradictions her facts take part in, sorted.
func (a *animal) doubts() (out []string) {
	add := func(list []string) {
		for _, k := range list {
			if !slices.Contains(out, k) {
				out = append(out, k)
			}
		}
	}
	for _, c := range a.Cases {
		add(c.Doubts)
	}
	for _, d := range a.Devices {
		add(d.Doubts)
	}
	for _, w := range a.Withdrawals {
		add(w.Doubts)
	}
	for _, o := range a.Orders {
		add(o.Doubts)
	}
	for _, x := range a.Wounds {
		add(x.Doubts)
	}
	for _, c := range a.Claws {
		add(c.Doubts)
	}
	for _, list := range [][]herd.Scored{a.Scored, a.Unseen, a.Stands} {
		for _, s := range list {
			add(s.Doubts)
		}
	}
	slices.Sort(out)
	return out
}

// HeldKey writes an animal as a held record names it as identifiers are compared:
// without blanks, in capitals.
func HeldKey(animal string) string {
	return strings.ToUpper(strings.Join(strings.Fields(animal), ""))
}

// heldRecord returns the newest held record up to the day that names one of her
// identifiers as it is.
func (a *animal) heldRecord() (newest Held, found bool) {
	if len(a.held) == 0 {
		return Held{}, false
	}
	for _, i := range a.Animal.Identifiers {
		h, ok := a.held[HeldKey(i.Value)]
		if ok && h.Day <= a.day && (i.From == "" || i.From <= h.Day) && (i.To == "" || h.Day < i.To) && (!found || h.Day > newest.Day) {
			newest, found = h, true
		}
	}
	return newest, found
}
