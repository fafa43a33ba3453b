package herd_test

import (
	"fmt"
	"slices"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

const cow = "ear-tag:DE1"

// told returns cases in short: foot class claw first-last, open or healed, and
// how often it was seen; R for a recurrence.
func told(cases []herd.Case) (out []string) {
	for _, c := range cases {
		state := "open"
		switch {
		case c.Healed != "":
			state = "healed " + c.Healed
		case !c.Open:
			state = "over"
		}
		if c.Recurrence {
			state += " R"
		}
		out = append(out, fmt.Sprintf("%s %s %s %s to %s %s %d", c.Foot, c.Class, c.Claw, c.First, c.Last, state, len(c.Seen)))
	}
	return out
}

func TestCases(t *testing.T) {
	tests := []struct {
		name  string
		facts []events.Payload // each a record of its own, of sources in turn
		gap   int
		want  []string
	}{
		{"follow-up of the same case", []events.Payload{
			lesion(cow, "2026-01-01", "SU", "RH", "outer", 4), lesion(cow, "2026-02-12", "SU", "RH", "outer", 4),
		}, 42, []string{"RH U outer 2026-01-01 to 2026-02-12 open 2"}},
		{"a day behind the gap", []events.Payload{
			lesion(cow, "2026-01-01", "SU", "RH", "outer", 4), lesion(cow, "2026-02-13", "SU", "RH", "outer", 4),
		}, 42, []string{"RH U outer 2026-01-01 to 2026-01-01 over 1", "RH U outer 2026-02-13 to 2026-02-13 open R 1"}},
		{"gap of 28 days", []events.Payload{
			lesion(cow, "2026-01-01", "SU", "RH", "outer", 4), lesion(cow, "2026-01-29", "SU", "RH", "outer", 4), lesion(cow, "2026-02-27", "SU", "RH", "outer", 4),
		}, 28, []string{"RH U outer 2026-01-01 to 2026-01-29 over 2", "RH U outer 2026-02-27 to 2026-02-27 open R 1"}},
		{"gap of 60 days", []events.Payload{
			lesion(cow, "2026-01-01", "SU", "RH", "outer", 4), lesion(cow, "2026-03-02", "SU", "RH", "outer", 4),
		}, 60, []string{"RH U outer 2026-01-01 to 2026-03-02 open 2"}},
		{"the gap counts from the last record", []events.Payload{
			lesion(cow, "2026-01-01", "SU", "RH", "outer", 4), lesion(cow, "2026-02-01", "SU", "RH", "outer", 4), lesion(cow, "2026-03-01", "SU", "RH", "outer", 4),
		}, 42, []string{"RH U outer 2026-01-01 to 2026-03-01 open 3"}},
		{"healed by its course, and back", []events.Payload{
			lesion(cow, "2026-01-01", "SU", "RH", "outer", 4), func() *events.Lesion {
				l := lesion(cow, "2026-01-20", "SU", "RH", "outer", 4)
				l.Course = "healed"
				return l
			}(), lesion(cow, "2026-02-01", "SU", "RH", "outer", 4),
		}, 42, []string{"RH U outer 2026-01-01 to 2026-01-01 healed 2026-01-20 1", "RH U outer 2026-02-01 to 2026-02-01 open R 1"}},
		{"healed by a clear foot", []events.Payload{
			lesion(cow, "2026-01-01", "SU", "RH", "outer", 4), lesion(cow, "2026-01-01", "SU", "LH", "outer", 4), examined(cow, "2026-01-20", "RH clear", "LH findings"),
		}, 42, []string{"LH U outer 2026-01-01 to 2026-01-01 open 1", "RH U outer 2026-01-01 to 2026-01-01 healed 2026-01-20 1"}},
		{"a clear foot on the day it was found heals nothing", []events.Payload{
			lesion(cow, "2026-01-01", "SU", "RH", "outer", 4), examined(cow, "2026-01-01", "RH clear"),
		}, 42, []string{"RH U outer 2026-01-01 to 2026-01-01 open 1"}},
		{"an incomplete examination heals nothing", []events.Payload{
			lesion(cow, "2026-01-01", "SU", "RH", "outer", 4), func() *events.Examination {
				x := examined(cow, "2026-01-20", "RH clear")
				x.Outcome = "incomplete"
				return x
			}(),
		}, 42, []string{"RH U outer 2026-01-01 to 2026-01-01 open 1"}},
		{"nothing ends by absence", []events.Payload{
			lesion(cow, "2020-01-01", "SU", "RH", "outer", 4), examined(cow, "2026-01-20", "LH clear"),
		}, 42, []string{"RH U outer 2020-01-01 to 2020-01-01 open 1"}},
		{"a kind and its parent are one class", []events.Payload{
			lesion(cow, "2026-01-01", "WL", "RH", "outer", 3), lesion(cow, "2026-01-20", "WLA", "RH", "outer", 3),
		}, 42, []string{"RH WL outer 2026-01-01 to 2026-01-20 open 2"}},
		{"claws are apart, also the one that is not told", []events.Payload{
			lesion(cow, "2026-01-01", "SU", "RH", "outer", 4), lesion(cow, "2026-01-01", "SU", "RH", "inner", 4), lesion(cow, "2026-01-01", "SU", "RH", "unknown"), lesion(cow, "2026-01-02", "SU", "RH", ""),
		}, 42, []string{"RH U inner 2026-01-01 to 2026-01-01 open 1", "RH U outer 2026-01-01 to 2026-01-01 open 1", "RH U unknown 2026-01-01 to 2026-01-02 open 2"}},
		{"skin belongs to the foot", []events.Payload{
			lesion(cow, "2026-01-01", "DD", "RH", "none", 10), lesion(cow, "2026-01-10", "DD", "RH", "outer", 10),
		}, 42, []string{"RH DD none 2026-01-01 to 2026-01-10 open 2"}},
		{"normal skin is healed", []events.Payload{
			lesion(cow, "2026-01-01", "DD", "RH", "none", 10), func() *events.Lesion {
				l := lesion(cow, "2026-01-10", "DD", "RH", "none", 10)
				l.Stage = "M0"
				return l
			}(),
		}, 42, []string{"RH DD none 2026-01-01 to 2026-01-01 healed 2026-01-10 1"}},
		{"findings outside the atlas by their words", []events.Payload{
			&events.Lesion{Common: on(cow, "2026-01-01"), Code: "OTHER", Foot: "RH", Claw: "outer", Description: "stone"},
			&events.Lesion{Common: on(cow, "2026-01-05"), Code: "OTHER", Foot: "RH", Claw: "outer", Description: "nail"},
		}, 42, []string{"RH OTHER outer 2026-01-05 to 2026-01-05 open 1", "RH OTHER outer 2026-01-01 to 2026-01-01 open 1"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStory(t)
			s.roster("roster", "a", "2019-01-05", cow)
			for i, f := range slices.Backward(tt.facts) { // they arrive in another order
				s.fact(fmt.Sprint("source", i), f)
			}
			got := told(must(s.view().Cases(t.Context(), herd.CaseQuery{Animal: farm + "/" + cow, Gap: tt.gap}))(t))
			if !slices.Equal(got, tt.want) {
				t.Errorf("got %q, want %q", got, tt.want)
			}
			open := 0
			for _, w := range must(s.view().Cases(t.Context(), herd.CaseQuery{Farm: farm, Gap: tt.gap, Open: true}))(t) {
				if !w.Open {
					t.Errorf("%+v is among the open ones", w)
				}
				open++
			}
			all := 0
			for _, c := range must(s.view().Cases(t.Context(), herd.CaseQuery{Farm: farm, Gap: tt.gap}))(t) {
				if c.Open {
					all++
				}
			}
			if open != all {
				t.Errorf("got %d open cases alone and %d among all", open, all)
			}
		})
	}
}

// A double count of parent and child is an error in published counts of lesions
// (ICAR Claw Health Atlas: a parent is recorded where the kind is not known).
func TestCases_ParentAndChildOfOneDayCountOnce(t *testing.T) {
	s := newStory(t)
	s.fact("chute", lesion(cow, "2026-01-01", "WL", "RH", "outer", 3), lesion(cow, "2026-01-01", "WLF", "RH", "outer", 3), lesion(cow, "2026-01-01", "WLA", "RH", "outer", 1))
	s.fact("vet", lesion(cow, "2026-01-01", "WL", "RH", "outer"))
	c := must(s.view().Cases(t.Context(), herd.CaseQuery{Farm: farm}))(t)
	if len(c) != 1 || len(c[0].Seen) != 1 {
		t.Fatalf("got %+v, want one case seen once", c)
	}
	var got []string
	for _, l := range c[0].Seen[0].Lesions {
		got = append(got, fmt.Sprint(l.Code, l.Zones, len(l.Reports)))
	}
	if want := []string{"WLA[1] 2", "WLF[3] 2"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
