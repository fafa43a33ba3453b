package herd

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"dewclaw/events"
)

// This file finds what contradicts itself in the facts of one animal. Whoever
// adds a kind of contradiction adds a function to doubters.

// A case file is one animal with its facts, on the way to its results.
type caseFile struct {
	animal *Animal
	facts  []*Fact // sorted by compareFacts
	gone   []*Fact // retracted, after a person had decided about them
	old    []*Fact // superseded revisions, sorted by compareFacts; see stateOld
	twins  []twin  // examinations of other animals at the same moment
	found  []Contradiction
}

// A twin is an examination of another animal that one source told of at the same
// moment as f, with what was found there.
type twin struct {
	f      *Fact
	animal string
	ids    []ident // as read
	facts  []*Fact
	own    []ident // as read, of f
}

var doubters = []func(*caseFile){
	(*caseFile).outside, (*caseFile).unclear, (*caseFile).shared, (*caseFile).mirrored, (*caseFile).clawless,
	(*caseFile).twice, (*caseFile).swapped, (*caseFile).changed,
}

// doubt fills found and the doubts of the facts.
func (c *caseFile) doubt() {
	for _, d := range doubters {
		d(c)
	}
	for i := range c.found {
		x := &c.found[i]
		x.Farm = c.animal.Farm
		slices.Sort(x.Animals)
		x.Animals = slices.Compact(x.Animals)
		slices.Sort(x.Events)
		x.Events = slices.Compact(x.Events)
		slices.Sort(x.LeftOut)
		x.LeftOut = slices.Compact(x.LeftOut)
	}
	slices.SortFunc(c.found, compareContradictions)
	byEntity := map[events.Entity]*Fact{}
	for _, f := range c.facts {
		byEntity[f.Entity] = f
	}
	for _, x := range c.found {
		for _, e := range x.LeftOut {
			if f := byEntity[e]; f != nil && !slices.Contains(f.Doubts, x.Kind) {
				f.Doubts = append(f.Doubts, x.Kind)
				slices.Sort(f.Doubts)
			}
		}
	}
}

func compareContradictions(a, b Contradiction) int {
	if c := slices.Compare(a.Animals, b.Animals); c != 0 {
		return c
	}
	if a.Day != b.Day { // mostly; the rest is not looked at then
		return cmp.Compare(a.Day, b.Day)
	}
	return cmp.Or(cmp.Compare(a.Kind, b.Kind), slices.Compare(a.Events, b.Events), cmp.Compare(a.Words, b.Words))
}

// add notes a contradiction about facts, all of which are left out.
func (c *caseFile) add(kind, words string, facts ...*Fact) *Contradiction {
	x := Contradiction{Kind: kind, Animals: []string{c.animal.ID}, Words: words}
	for _, f := range facts {
		x.Events = append(x.Events, f.Entity)
		if x.Day == "" || f.Day < x.Day {
			x.Day = f.Day
		}
	}
	x.LeftOut = slices.Clone(x.Events)
	c.found = append(c.found, x)
	return &c.found[len(c.found)-1]
}

// outside finds facts before birth, before entry and after leaving: one
// contradiction a day and kind.
func (c *caseFile) outside() {
	if !c.animal.Known {
		return
	}
	type group struct{ kind, day string }
	said, groups := map[group]string{}, map[group][]*Fact{}
	var order []group
	for _, f := range c.facts {
		kind, words := c.animal.outside(f.Day)
		if kind == "" {
			continue
		}
		g := group{kind, f.Day}
		if groups[g] == nil {
			order = append(order, g)
		}
		groups[g], said[g] = append(groups[g], f), words
	}
	for _, g := range order {
		c.add(g.kind, said[g], groups[g]...)
	}
}

// outside tells why a fact of a day cannot be about the animal; "" if it can.
func (a *Animal) outside(day string) (kind, words string) {
	if a.Born != "" && day < a.Born {
		return KindBeforeBirth, fmt.Sprintf("seen on %s, before she was born on %s", day, a.Born)
	}
	if a.In(day) {
		return "", ""
	}
	left, why := "", ""
	for _, s := range a.Stays {
		if s.Left != "" && s.Left < day {
			left, why = s.Left, s.Why
		}
	}
	if left == "" {
		return KindBeforeEntry, fmt.Sprintf("seen on %s, before she came on %s", day, a.Stays[0].Entered)
	}
	if why != "" {
		why = " (" + why + ")"
	}
	return KindAfterLeaving, fmt.Sprintf("seen on %s, after she left on %s%s", day, left, why)
}

// unclear makes a contradiction of facts whose identifiers name no one animal.
func (c *caseFile) unclear() {
	if c.animal.Doubt == "" || len(c.facts) == 0 {
		return
	}
	var ids []string
	for _, n := range c.animal.Identifiers {
		ids = append(ids, n.Scheme+" "+n.Value)
	}
	said := fmt.Sprintf("%s of one event are the identifiers of different animals: %s", words(ids), words(c.animal.Might))
	if c.animal.Doubt == KindSharedIdentifier {
		said = fmt.Sprintf("%s may mean %s", words(ids), words(c.animal.Might))
	}
	x := c.add(c.animal.Doubt, said, c.facts...)
	x.Animals = append(x.Animals, c.animal.Might...)
}

// shared tells of identifiers that two live animals have. It concerns no fact:
// facts that name such an identifier are unclear, or known by another one.
func (c *caseFile) shared() {
	for _, s := range c.animal.Shared {
		if s.Other < c.animal.ID {
			continue // told with the other
		}
		c.found = append(c.found, Contradiction{
			Kind: KindSharedIdentifier, Animals: []string{c.animal.ID, s.Other}, Day: s.From,
			Events: c.animal.Statements,
			Words:  fmt.Sprintf("two animals of the roster have %s %s%s", s.Scheme, s.Value, period(s.From, s.To)),
		})
	}
}

func period(from, to string) string {
	s := ""
	if from != "" {
		s += " from " + from
	}
	if to != "" {
		s += " to the day before " + to
	}
	return s
}

// changed finds facts that their source changed after a person had decided.
func (c *caseFile) changed() {
	for _, f := range c.facts {
		if f.state&stateChanged != 0 {
			c.add(KindChangedAfter, fmt.Sprintf("%s changed this %s after a person had corrected it", f.Source, f.Kind()), f)
		}
	}
	for _, f := range c.gone {
		if f.state&stateChanged != 0 {
			c.add(KindChangedAfter, fmt.Sprintf("%s no longer has this %s, which a person had corrected", f.Source, f.Kind()), f)
		}
	}
}

// mirrorDays is how far apart two sources may tell of one lesion on opposite
// feet for it to look like left taken for right (common practice, no source).
const mirrorDays = 14

var opposite = map[string]string{"LF": "RF", "RF": "LF", "LH": "RH", "RH": "LH"}

// mirrored finds lesions that one source has on the left and another on the
// right, and neither on both. Whoever stands behind a cow and whoever stands
// before her do not mean the same by left. A block or wrap that both put on with
// what they found is on one foot, and nobody knows on which.
func (c *caseFile) mirrored() {
	var all []*Fact
	for _, f := range c.facts {
		if l, ok := f.Payload.(*events.Lesion); ok && opposite[l.Foot] != "" && !gone(l) {
			all = append(all, f)
		}
	}
	for i, f := range all {
		for _, g := range all[i+1:] {
			if gap(f.day, g.day) > mirrorDays {
				break
			}
			if f.Source != g.Source && reflects(f, g) && !onBoth(all, f) && !onBoth(all, g) {
				a, b := f.Payload.(*events.Lesion), g.Payload.(*events.Lesion)
				with := c.mirroredDevices(f, g)
				c.add(KindMirroredFoot, fmt.Sprintf("%s has %s on %s on %s, %s has %s on %s on %s",
					f.Source, a.Code, a.Foot, f.Day, g.Source, b.Code, b.Foot, g.Day), append(with, f, g)...)
			}
		}
	}
}

// mirroredDevices returns the blocks and wraps that the sources of two mirrored
// lesions put on beside them: of one kind on the same claw, but for the side.
func (c *caseFile) mirroredDevices(f, g *Fact) (out []*Fact) {
	beside := func(l *Fact) (all []*Fact) {
		for _, x := range c.facts {
			t, ok := x.Payload.(*events.Treatment)
			if ok && deviceOf(t) != "" && x.Source == l.Source && x.day == l.day && t.Foot == l.Payload.(*events.Lesion).Foot {
				all = append(all, x)
			}
		}
		return all
	}
	for _, x := range beside(f) {
		for _, y := range beside(g) {
			a, b := x.Payload.(*events.Treatment), y.Payload.(*events.Treatment)
			if what := deviceOf(a); what == deviceOf(b) && (what == "wrap" || alike(a.Claw, b.Claw)) {
				out = append(out, x, y)
			}
		}
	}
	return out
}

// reflects reports whether two lesions are alike but for the side.
func reflects(f, g *Fact) bool {
	a, b := f.Payload.(*events.Lesion), g.Payload.(*events.Lesion)
	x, y := keyOf(a), keyOf(b)
	if x.foot != opposite[y.foot] || x.class != y.class || x.words != y.words || !alike(x.claw, y.claw) {
		return false
	}
	p, q := zonesOf(a), zonesOf(b)
	return len(p) == 0 || len(q) == 0 || slices.ContainsFunc(p, func(z int) bool { return slices.Contains(q, z) })
}

// onBoth reports whether the source of f tells of the same lesion on both feet.
func onBoth(all []*Fact, f *Fact) bool {
	return slices.ContainsFunc(all, func(g *Fact) bool {
		return g.Source == f.Source && gap(f.day, g.day) <= mirrorDays && reflects(f, g)
	})
}

// words joins for a sentence: "a", "a and b", "a, b and c".
func words(list []string) string {
	if len(list) < 2 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:len(list)-1], ", ") + " and " + list[len(list)-1]
}
