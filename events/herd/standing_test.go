package herd_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// standing returns where an animal stands at the end of a day, in short.
func (s *story) standing(animal, day string) herd.Standing {
	s.Helper()
	for _, x := range must(s.view().Standings(s.Context(), farm, day))(s) {
		if x.Animal.ID == farm+"/"+animal {
			return x
		}
	}
	s.Fatalf("no standing of %s", animal)
	return herd.Standing{}
}

// short writes what a test looks at.
func short(s herd.Standing) string {
	var out []string
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if l := s.Examined; l != nil {
		add("examined %s%s", l.Day, clockOf(l.At))
	}
	if l := s.Checked; l != nil {
		add("checked %s", l.Day)
	}
	for _, l := range s.Missed {
		add("missed %s %s", l.Day, l.NotDone)
	}
	for _, f := range s.Feet {
		add("%s seen %s trimmed %s vet %s", f.Foot, f.Day, f.Trimmed, f.Vet)
	}
	if s.Sessions > 0 {
		add("lame %d times since %s", s.Sessions, s.Since)
	}
	for _, x := range s.Unseen {
		add("unseen %s", x.Day)
	}
	for _, x := range s.Stands {
		add("stands %s", x.Day)
	}
	return strings.Join(out, "; ")
}

func clockOf(at string) string {
	if at == "" {
		return ""
	}
	return " " + at[11:16]
}

func byVet(p events.Payload) events.Payload { return byRole(p, "vet") }

func byRole(p events.Payload, role string) events.Payload { p.Base().Role = role; return p }

func because(x *events.Examination, reasons ...string) *events.Examination {
	x.Reasons = reasons
	return x
}

func notDone(animal, when, why string) *events.Examination {
	return &events.Examination{Common: on(animal, when), Outcome: "not-done", NotDone: why, Reasons: []string{"lame"}}
}

func gait(animal, when string, score int64) *events.Locomotion {
	l := scored(animal, when, score)
	l.Derived.Lame = "no"
	if score >= 2 {
		l.Derived.Lame = "yes"
	}
	return l
}

func TestStandings(t *testing.T) {
	tests := []struct {
		name  string
		facts []events.Payload
		want  string
	}{
		{"nothing was told", nil, ""},
		{"examined and checked", []events.Payload{because(examined(cow, "2026-02-01", "LH clear", "RH findings"), "routine"), because(examined(cow, "2026-03-01", "LH findings"), "lame")},
			"examined 2026-03-01; checked 2026-02-01; LH seen 2026-03-01 trimmed  vet ; RH seen 2026-02-01 trimmed  vet "},
		{"all four feet of a lame cow are a look at the animal", []events.Payload{because(examined(cow, "2026-02-01", "LF clear", "RF clear", "LH clear", "RH clear"), "lame")},
			"examined 2026-02-01; checked 2026-02-01; LF seen 2026-02-01 trimmed  vet ; LH seen 2026-02-01 trimmed  vet ; RF seen 2026-02-01 trimmed  vet ; RH seen 2026-02-01 trimmed  vet "},
		{"not done is no look, and done later it is no longer missed", []events.Payload{notDone(cow, "2026-02-01", "refused"), because(examined(cow, "2026-02-03"), "routine"), notDone(cow, "2026-02-04", "no-time")},
			"examined 2026-02-03; checked 2026-02-03; missed 2026-02-04 no-time"},
		{"done and not done on one day without a time: done", []events.Payload{notDone(cow, "2026-02-03", "refused"), because(examined(cow, "2026-02-03"), "lame")},
			"examined 2026-02-03"},
		{"a lesion alone tells of a look", []events.Payload{byVet(lesion(cow, "2026-02-01", "SU", "RH", "outer"))},
			"examined 2026-02-01; RH seen 2026-02-01 trimmed  vet 2026-02-01"},
		{"the last look of a day counts", []events.Payload{because(examined(cow, "2026-02-01T08:00", "RH findings"), "lame"), gait(cow, "2026-02-01T12:00", 2), byVet(put(cow, "2026-02-01T15:00", "wrap", "RH", "none"))},
			"examined 2026-02-01 15:00; RH seen 2026-02-01 trimmed  vet 2026-02-01; lame 1 times since 2026-02-01"},
		{"lame behind the look of the day", []events.Payload{because(examined(cow, "2026-02-01T08:00"), "lame"), gait(cow, "2026-02-01T12:00", 2)},
			"examined 2026-02-01 08:00; lame 1 times since 2026-02-01; unseen 2026-02-01"},
		{"lame on the day of the look, times unknown", []events.Payload{because(examined(cow, "2026-02-01"), "lame"), gait(cow, "2026-02-01T12:00", 2)},
			"examined 2026-02-01; lame 1 times since 2026-02-01"},
		{"a sound score ends the days in a row, and the score nobody looked at stands", []events.Payload{gait(cow, "2026-02-01", 2), gait(cow, "2026-02-08", 1)}, "stands 2026-02-01"},
		{"two scores of one sound day are one", []events.Payload{gait(cow, "2026-02-01", 2), gait(cow, "2026-02-08T08:00", 1), gait(cow, "2026-02-08T09:00", 0)}, "stands 2026-02-01"},
		{"two sound days take it back", []events.Payload{gait(cow, "2026-02-01", 2), gait(cow, "2026-02-08", 1), gait(cow, "2026-02-09", 1)}, ""},
		{"two sound days that are not in a row do not", []events.Payload{gait(cow, "2026-02-01", 3), gait(cow, "2026-02-08", 1), gait(cow, "2026-02-15", 2), gait(cow, "2026-02-22", 1)},
			"stands 2026-02-01; stands 2026-02-15"},
		{"so does a look", []events.Payload{gait(cow, "2026-02-01", 3), gait(cow, "2026-02-08", 1), because(examined(cow, "2026-02-09"), "lame")},
			"examined 2026-02-09"},
		{"a wrap, what was put on the skin, a medicine and what came off are no looks", []events.Payload{
			because(examined(cow, "2026-02-01", "LH findings"), "lame"), gait(cow, "2026-02-02", 3), byRole(put(cow, "2026-02-03", "wrap", "LH", "none"), "farmer"),
			put(cow, "2026-02-04", "topical", "LH", "none"), byRole(put(cow, "2026-02-05", "medicine", "LH", "none"), "farmer"), off(cow, "2026-02-06", "wrap", "LH", "none"),
			&events.Check{Common: on(cow, "2026-02-07"), Foot: "LH", What: "wrap", State: "on"}},
			"examined 2026-02-01; LH seen 2026-02-01 trimmed  vet ; lame 1 times since 2026-02-02; unseen 2026-02-02"},
		{"a block is, for which the foot was lifted", []events.Payload{gait(cow, "2026-02-02", 3), put(cow, "2026-02-03", "block", "LH", "outer")},
			"examined 2026-02-03; LH seen 2026-02-03 trimmed  vet ; lame 1 times since 2026-02-02"},
		{"so is a corrective trim", []events.Payload{gait(cow, "2026-02-02", 3), put(cow, "2026-02-03", "corrective-trim", "LH", "outer")},
			"examined 2026-02-03; LH seen 2026-02-03 trimmed  vet ; lame 1 times since 2026-02-02"},
		{"and a wrap of a trimmer", []events.Payload{gait(cow, "2026-02-02", 3), byRole(put(cow, "2026-02-03", "wrap", "LH", "none"), "trimmer")},
			"examined 2026-02-03; LH seen 2026-02-03 trimmed  vet ; lame 1 times since 2026-02-02"},
		{"and whatever a vet wrote, on a foot or not", []events.Payload{gait(cow, "2026-02-02", 3), byVet(put(cow, "2026-02-03", "medicine", "", ""))},
			"examined 2026-02-03;  seen  trimmed  vet 2026-02-03; lame 1 times since 2026-02-02"},
		{"that a vet took a wrap off is a look", []events.Payload{gait(cow, "2026-02-02", 3), byVet(off(cow, "2026-02-03", "wrap", "LH", "none"))},
			"examined 2026-02-03; LH seen 2026-02-03 trimmed  vet 2026-02-03; lame 1 times since 2026-02-02"},
		{"lame again and again", []events.Payload{gait(cow, "2026-01-25", 1), gait(cow, "2026-02-01", 2), because(examined(cow, "2026-02-02"), "lame"), gait(cow, "2026-02-08", 2), gait(cow, "2026-02-15", 3)},
			"examined 2026-02-02; lame 3 times since 2026-02-01; unseen 2026-02-08; unseen 2026-02-15"},
		{"two scores of a day that differ: lame", []events.Payload{gait(cow, "2026-02-01", 1), gait(cow, "2026-02-01T09:00", 2)}, "lame 1 times since 2026-02-01; unseen 2026-02-01"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for seed := range uint64(4) {
				order := slices.Clone(tt.facts)
				rand.New(rand.NewPCG(seed, 1)).Shuffle(len(order), func(i, k int) { order[i], order[k] = order[k], order[i] })
				s := newStory(t)
				s.roster("roster", "a", "2018-01-05", cow)
				for i, f := range order {
					s.fact(fmt.Sprint("source", i), f)
				}
				if got := short(s.standing(cow, "")); got != tt.want {
					t.Errorf("seed %d:\ngot  %s\nwant %s", seed, got, tt.want)
				}
			}
		})
	}
}

// The standing of a past day is that of a herd that knows no later fact.
func TestStandings_OfAPastDay(t *testing.T) {
	facts := []events.Payload{
		because(examined(cow, "2026-01-10", "RH findings"), "routine"), lesion(cow, "2026-01-10", "SU", "RH", "outer", 4), put(cow, "2026-01-10", "block", "RH", "inner"),
		gait(cow, "2026-01-20", 2), off(cow, "2026-02-10", "block", "RH", "inner"), gait(cow, "2026-02-20", 1),
		because(examined(cow, "2026-03-01", "RH clear"), "recheck"),
		&events.ClawMeasure{Common: on(cow, "2026-03-01"), Foot: "RH", Claw: "outer", What: "sole-thickness", Value: events.DecimalOf(45, 1), Unit: "mm"},
	}
	whole := newStory(t)
	whole.roster("roster", "a", "2018-01-05", cow)
	for _, f := range facts {
		whole.fact("chute", f)
	}
	for _, day := range []string{"2026-01-01", "2026-01-10", "2026-01-31", "2026-02-10", "2026-02-28", "2026-03-01"} {
		part := newStory(t)
		part.roster("roster", "a", "2018-01-05", cow)
		for _, f := range facts {
			if part.n++; f.Base().Occurred.Date <= day {
				part.n--
				part.fact("chute", f)
			}
		}
		if d := cmp.Diff(part.standing(cow, ""), whole.standing(cow, day), cmp.Comparer(func(a, b events.Decimal) bool { return a.Cmp(b) == 0 })); d != "" {
			t.Errorf("%s (-alone +of the past):\n%s", day, d)
		}
	}
	if got := whole.standing(cow, ""); len(got.Soles) != 1 || got.Soles[0].MM.String() != "4.5" || len(got.Devices) != 1 || got.Devices[0].Off != "2026-02-10" || len(got.Cases) != 1 || got.Cases[0].Healed != "2026-03-01" {
		t.Errorf("got %+v", got)
	}
}

func TestRoster_TellsItsAge(t *testing.T) {
	s := newStory(t)
	s.fact("chute", gait(cow, "2026-02-01", 2))
	if got := must(s.view().Roster(t.Context(), farm))(t); got != (herd.Roster{}) {
		t.Errorf("without a roster: got %+v", got)
	}
	s.roster("roster", "a", "2026-01-05", cow)
	s.roster("roster", "b", "2026-03-05", "ear-tag:DE2", asOf("2026-03-01"))
	s.roster("roster", "a", "2026-02-05", cow, born("2020-01-01"))
	if got, want := must(s.view().Roster(t.Context(), farm))(t), (herd.Roster{Statements: 2, Newest: "2026-03-01", Oldest: "2026-02-05"}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}
