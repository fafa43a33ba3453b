package herd

import (
	"cmp"
	"fmt"
	"slices"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A LostClaw is a claw that is absent or lost its horn capsule, from the first
// day any source tells.
type LostClaw struct {
	Animal  string `json:"-"`
	Known   bool   `json:"-"` // a roster has the animal
	Foot    string //
	Claw    string // "unknown" if no source says which
	State   string // code list claw-states
	Cause   string `json:",omitempty"` // code list claw-causes, of the first that tells it
	Since   string // first day it was so; the day somebody saw it where nobody says more
	Until   string `json:",omitempty"` // horn capsule lost: day from which there is one again
	Events  []events.Entity
	Sources []string // sorted
	Doubts  []string `json:",omitempty"`
}

const absent = "absent" // code list claw-states

// Gone reports whether there is no such claw on a day, so that it belongs into no
// denominator: it is absent, and was so before that day. What is in doubt is not
// gone.
func (c *LostClaw) Gone(day string) bool {
	return c.State == absent && len(c.Doubts) == 0 && c.Since < day
}

// lostClaws works out the lost claws of one animal from its facts, sorted by
// foot, claw, state and first day.
func lostClaws(facts []*Fact) []LostClaw {
	var all []LostClaw
	for _, f := range facts {
		if p, ok := f.Payload.(*events.Claw); ok {
			all = append(all, LostClaw{
				Foot: p.Foot, Claw: p.Claw, State: p.State, Cause: p.Cause, Since: cmp.Or(p.Since, f.Day), Until: p.Until,
				Events: []events.Entity{f.Entity}, Sources: []string{f.Source}, Doubts: f.Doubts,
			})
		}
	}
	slices.SortStableFunc(all, compareLostClaws)
	var out []LostClaw
	for _, c := range all {
		last := len(out) - 1
		if last < 0 || !out[last].takes(&c) {
			out = append(out, c)
			continue
		}
		x := &out[last]
		x.Cause, x.Until = cmp.Or(x.Cause, c.Cause), cmp.Or(x.Until, c.Until)
		x.Events, x.Sources, x.Doubts = append(x.Events, c.Events...), append(x.Sources, c.Sources...), slices.Concat(x.Doubts, c.Doubts)
	}
	for i := range out {
		for _, list := range []*[]string{&out[i].Sources, &out[i].Doubts} {
			slices.Sort(*list)
			*list = slices.Compact(*list)
		}
		slices.Sort(out[i].Events)
	}
	return out
}

// takes reports whether x, told for the same day or later, is another report of c.
func (c *LostClaw) takes(x *LostClaw) bool {
	return c.Foot == x.Foot && c.Claw == x.Claw && c.State == x.State && (c.Until == "" || x.Since < c.Until)
}

func compareLostClaws(a, b LostClaw) int {
	return cmp.Or(cmp.Compare(a.Animal, b.Animal), cmp.Compare(a.Foot, b.Foot), cmp.Compare(a.Claw, b.Claw), cmp.Compare(a.State, b.State),
		cmp.Compare(a.Since, b.Since))
}

// clawless finds what is told of a claw after the day from which it is told to be
// absent: lesions of the claw, measures, and blocks under it. One contradiction a
// claw, with whoever says that it is absent.
func (c *caseFile) clawless() {
	type place struct{ foot, claw string }
	since, says := map[place]string{}, map[place][]*Fact{}
	for _, f := range c.facts {
		p, ok := f.Payload.(*events.Claw)
		if !ok || p.State != absent || p.Claw == codes.UnknownClaw {
			continue
		}
		k := place{p.Foot, p.Claw}
		if s := cmp.Or(p.Since, f.Day); since[k] == "" || s < since[k] {
			since[k] = s
		}
		says[k] = append(says[k], f)
	}
	if len(says) == 0 {
		return
	}
	after, told := map[place][]*Fact{}, map[place][]string{}
	var order []place
	for _, f := range c.facts {
		foot, claw, what := needsClaw(f.Payload)
		k := place{foot, claw}
		if what == "" || says[k] == nil || f.Day <= since[k] {
			continue
		}
		if after[k] == nil {
			order = append(order, k)
		}
		after[k] = append(after[k], f)
		told[k] = append(told[k], what+" on "+f.Day)
	}
	for _, k := range order {
		c.add(KindClawGone, fmt.Sprintf("the %s claw of %s is told to be gone since %s, and after that told of: %s", k.claw, k.foot, since[k], words(told[k])),
			slices.Concat(says[k], after[k])...)
	}
}

// needsClaw returns the claw that must be there for a payload to be true, and
// what it says of it; what is "" for everything else. Skin heals and is treated
// where a claw was.
func needsClaw(p events.Payload) (foot, claw, what string) {
	switch p := p.(type) {
	case *events.Lesion:
		if _, ofFoot := classOf(p.Code); !ofFoot && p.Code != codes.OtherLesion && !gone(p) {
			return p.Foot, p.Claw, p.Code
		}
	case *events.Treatment:
		if deviceOf(p) == "block" {
			return p.Foot, p.Claw, "a block"
		}
	case *events.ClawMeasure:
		return p.Foot, p.Claw, p.What
	case *events.Check:
		if p.What == "block" && p.State != stateGone {
			return p.Foot, p.Claw, "a block that is " + p.State
		}
	}
	return "", "", ""
}
