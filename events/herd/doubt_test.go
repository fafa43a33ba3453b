package herd_test

import (
	"fmt"
	"maps"
	"slices"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

func TestDoubt_MirroredFeetOfTwoSources(t *testing.T) {
	tests := []struct {
		name string
		all  []func(*story)
		want bool
	}{
		{"left and right", []func(*story){
			func(s *story) { s.fact("trimmer", lesion("ear-tag:DE1", "2026-02-01", "SU", "RH", "outer", 4)) },
			func(s *story) { s.fact("vet", lesion("ear-tag:DE1", "2026-02-15", "U", "LH", "outer")) },
		}, true},
		{"over two weeks apart", []func(*story){
			func(s *story) { s.fact("trimmer", lesion("ear-tag:DE1", "2026-02-01", "SU", "RH", "outer", 4)) },
			func(s *story) { s.fact("vet", lesion("ear-tag:DE1", "2026-02-16", "SU", "LH", "outer", 4)) },
		}, false},
		{"one source", []func(*story){
			func(s *story) { s.fact("vet", lesion("ear-tag:DE1", "2026-02-01", "SU", "RH", "outer", 4)) },
			func(s *story) { s.fact("vet", lesion("ear-tag:DE1", "2026-02-01", "SU", "LH", "outer", 4)) },
		}, false},
		{"one of them has it on both feet", []func(*story){
			func(s *story) { s.fact("trimmer", lesion("ear-tag:DE1", "2026-02-01", "SU", "RH", "outer", 4)) },
			func(s *story) {
				s.fact("vet", lesion("ear-tag:DE1", "2026-02-01", "SU", "LH", "outer", 4), lesion("ear-tag:DE1", "2026-02-01", "SU", "RH", "outer", 4))
			},
		}, false},
		{"another claw", []func(*story){
			func(s *story) { s.fact("trimmer", lesion("ear-tag:DE1", "2026-02-01", "SU", "RH", "outer", 4)) },
			func(s *story) { s.fact("vet", lesion("ear-tag:DE1", "2026-02-01", "SU", "LH", "inner", 4)) },
		}, false},
		{"front and hind", []func(*story){
			func(s *story) { s.fact("trimmer", lesion("ear-tag:DE1", "2026-02-01", "SU", "RH", "outer", 4)) },
			func(s *story) { s.fact("vet", lesion("ear-tag:DE1", "2026-02-01", "SU", "LF", "outer", 4)) },
		}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStory(t)
			for _, f := range tt.all {
				f(s)
			}
			all := must(s.view().Contradictions(t.Context(), farm))(t)
			if (len(all) == 1 && all[0].Kind == herd.KindMirroredFoot) != tt.want || !tt.want && len(all) > 0 {
				t.Errorf("got %+v, want a contradiction: %v", all, tt.want)
			}
			for _, c := range must(s.view().Cases(t.Context(), herd.CaseQuery{Farm: farm}))(t) {
				if (len(c.Doubts) > 0) != tt.want {
					t.Errorf("case %+v: doubts %q", c, c.Doubts)
				}
			}
		})
	}
}

// What a source tells of two farms at one moment is of two animals, however alike
// their identifiers are; nothing of the one is told to the other.
func TestDoubt_AnotherFarmIsNoTwin(t *testing.T) {
	s := newStory(t)
	const stony = "stony-run"
	for i, of := range []string{farm, stony} {
		var all []line
		for n, p := range []events.Payload{examined("ear-tag:DE100000"+fmt.Sprint(1+6*i), "2026-02-01T08:00", "RH findings"), lesion("ear-tag:DE100000"+fmt.Sprint(1+6*i), "2026-02-01T08:00", "SU", "RH", "outer", 4)} {
			all = append(all, line{farm: of, source: "chute", record: "r" + of, slot: fmt.Sprint(n), change: events.Recorded, payload: p})
		}
		s.w.put("2026-02-01", all...)
		s.view() // the other farm is followed
	}
	for _, again := range []string{"followed", "built"} {
		for _, of := range []string{farm, stony} {
			if got := must(s.view().Contradictions(t.Context(), of))(t); len(got) > 0 {
				t.Errorf("%s, %s: got %+v", again, of, got)
			}
			if got := must(s.view().Facts(t.Context(), herd.FactQuery{Farm: of}))(t); len(got) != 2 || len(got[0].Doubts)+len(got[1].Doubts) > 0 {
				t.Errorf("%s, %s: got %+v, want two facts without a doubt", again, of, got)
			}
		}
		s.h = openHerd(t, s.log)
	}
}

// What both put on with it is in doubt with it, and nothing else they put on is.
func TestDoubt_MirroredFeetTakeTheirBlocksAndWrapsAlong(t *testing.T) {
	s := newStory(t)
	s.fact("trimmer", lesion(cow, "2026-02-01", "SU", "RH", "outer"), put(cow, "2026-02-01", "block", "RH", "inner"), put(cow, "2026-02-01", "wrap", "RH", "none"))
	s.fact("vet", lesion(cow, "2026-02-03", "SU", "LH", "outer"), put(cow, "2026-02-03", "block-thin-sole", "LH", "inner"), put(cow, "2026-02-03", "block", "LF", "inner"))
	s.fact("barn", put(cow, "2026-02-03", "wrap", "LH", "none"))
	got := map[string]bool{}
	for _, d := range must(s.view().OpenDevices(t.Context(), farm, "2026-02-04"))(t) {
		got[d.Foot+" "+d.What] = slices.Contains(d.Doubts, herd.KindMirroredFoot)
	}
	if want := map[string]bool{"RH block": true, "LH block": true, "RH wrap": false, "LF block": false, "LH wrap": false}; !maps.Equal(got, want) {
		t.Errorf("in doubt: got %v, want %v", got, want)
	}
}

func TestDoubt_TellsWhatASourceTellsTwice(t *testing.T) {
	ulcer := func(animal, when string) []events.Payload {
		return []events.Payload{examined(animal, when, "RH findings"), lesion(animal, when, "SU", "RH", "outer", 4), put(animal, when, "block", "RH", "inner")}
	}
	tests := []struct {
		name          string
		first, second []events.Payload
		want          string // beginning of the contradiction; "" for none
		out           int    // facts no figure uses
	}{
		{"corrected time", ulcer("ear-tag:DE1000001", "2026-02-01T08:00"), ulcer("ear-tag:DE1000001", "2026-02-01T08:40"),
			"near-duplicate: chute tells the same twice on 2026-02-01, at 08:00 and at 08:40", 3},
		{"time added", ulcer("ear-tag:DE1000001", "2026-02-01"), ulcer("ear-tag:DE1000001", "2026-02-01T08:40"),
			"near-duplicate: chute tells the same twice on 2026-02-01, once without a time", 3},
		{"second pass", ulcer("ear-tag:DE1000001", "2026-02-01T08:00"), ulcer("ear-tag:DE1000001", "2026-02-01T14:00"), "", 0},
		{"day and month", ulcer("ear-tag:DE1000001", "2026-03-04T08:00"), ulcer("ear-tag:DE1000001", "2026-04-03T08:00"),
			"near-duplicate: chute tells the same at 08:00 on 2026-03-04 and on 2026-04-03", 6},
		{"another visit", ulcer("ear-tag:DE1000001", "2026-03-04T08:00"), ulcer("ear-tag:DE1000001", "2026-04-15T08:00"), "", 0},
		{"corrected tag", ulcer("ear-tag:DE1000001", "2026-02-01T08:00"), ulcer("ear-tag:DE1000007", "2026-02-01T08:00"),
			"near-duplicate: chute tells the same of ear-tag DE1000001 and DE1000007 at 08:00 on 2026-02-01", 6},
		{"two cows", ulcer("ear-tag:DE1000001", "2026-02-01T08:00"), ulcer("ear-tag:DE1000032", "2026-02-01T08:00"), "", 0},
		{"two cows one after the other", ulcer("ear-tag:DE1000001", "2026-02-01T08:00"), ulcer("ear-tag:DE1000007", "2026-02-01T08:06"), "", 0},
		{"another finding", ulcer("ear-tag:DE1000001", "2026-02-01T08:00"),
			[]events.Payload{examined("ear-tag:DE1000001", "2026-02-01T08:00"), lesion("ear-tag:DE1000001", "2026-02-01T08:00", "WL", "RH", "outer", 3)}, "", 0},
		{"two clear looks", []events.Payload{examined("ear-tag:DE1000001", "2026-02-01", "RH clear")}, []events.Payload{examined("ear-tag:DE1000001", "2026-02-01", "RH clear")}, "", 0},
		{"scored morning and evening", []events.Payload{scored("ear-tag:DE1000001", "2026-02-01T06:00", 2)}, []events.Payload{scored("ear-tag:DE1000001", "2026-02-01T09:00", 2)}, "", 0},
		{"a score a day, all at one time", []events.Payload{scored("ear-tag:DE1000001", "2026-02-01T06:00", 2), scored("ear-tag:DE1000001", "2026-02-02T06:00", 2)},
			[]events.Payload{scored("ear-tag:DE1000001", "2026-02-03T06:00", 2), scored("ear-tag:DE1000001", "2026-02-04T06:00", 3)}, "", 0},
		{"one score twice", []events.Payload{scored("ear-tag:DE1000001", "2026-02-01T06:00", 2)}, []events.Payload{scored("ear-tag:DE1000001", "2026-02-01T06:00", 2)},
			"near-duplicate: chute tells the same twice on 2026-02-01, both at 06:00", 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStory(t)
			s.fact("chute", tt.first...)
			s.view()
			s.fact("chute", tt.second...) // followed, and not read at once
			if tt.want == "" {
				s.contradicts()
			} else {
				s.contradicts(tt.want)
			}
			out := 0
			for _, f := range must(s.view().Facts(t.Context(), herd.FactQuery{Farm: farm}))(t) {
				if len(f.Doubts) > 0 {
					out++
				}
			}
			if out != tt.out {
				t.Errorf("got %d facts left out, want %d", out, tt.out)
			}
			if c := must(s.view().Counts(t.Context(), farm))(t); c.LeftOut != tt.out {
				t.Errorf("counts: got %d facts left out, want %d", c.LeftOut, tt.out)
			}
		})
	}
}

func TestDoubt_GoesWhenAPersonWithdrawsTheFact(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE1", left("2026-01-20"))
	l := s.fact("gait", scored("ear-tag:DE1", "2026-02-01", 2))
	s.contradicts("after-leaving")
	s.correct(events.ActionWithdraw, events.Retracted, l[0], l[0].payload)
	s.contradicts()
	s.factsOf("ear-tag:DE1", 0)
}

func TestDoubt_TheSourceChangedWhatAPersonHadCorrected(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE1")
	l := s.fact("chute", lesion("ear-tag:DE1", "2026-02-01", "SU", "RH", "outer", 4))
	s.correct(events.ActionChange, events.Amended, l[0], lesion("ear-tag:DE1", "2026-02-01", "WL", "RH", "outer", 3))
	s.contradicts()
	facts := must(s.view().Facts(t.Context(), herd.FactQuery{Farm: farm}))(t)
	if len(facts) != 1 || !facts[0].Decided || facts[0].Revision != 2 {
		t.Errorf("got %+v, want the corrected fact", facts)
	}
	s.again("chute", l[0].record, events.Amended, lesion("ear-tag:DE1", "2026-02-01", "DS", "RH", "outer", 4))
	s.contradicts("changed-after: chute changed this lesion")
	s.again("chute", l[0].record, events.Retracted, lesion("ear-tag:DE1", "2026-02-01", "DS", "RH", "outer", 4))
	s.contradicts("changed-after: chute no longer has this lesion")
	s.factsOf("ear-tag:DE1", 0)
}

// What a person settles of an animal moves all that hangs on the fact.
func TestDoubt_ReassignedWrapTakesItsHoursAlong(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE1 herd-number:1024")
	s.roster("roster", "b", "2026-01-05", "ear-tag:DE2 herd-number:1042")
	wrap := put("herd-number:1024", "2026-02-01T08:00", "wrap", "RH", "none")
	wrap.Derived.DueOff, wrap.Derived.LateFrom = "2026-02-02T08:00:00+01:00", "2026-02-03T08:00:00+01:00"
	l := s.fact("chute", wrap)
	moved := *wrap
	moved.Animal = ids("herd-number:1042")
	s.correct(events.ActionReassign, events.Amended, l[0], &moved)
	d := must(s.view().OpenDevices(t.Context(), farm, "2026-02-01"))(t)
	if len(d) != 1 || d[0].Animal != farm+"/ear-tag:DE2" || d[0].Due != wrap.Derived.DueOff || d[0].Late != wrap.Derived.LateFrom {
		t.Errorf("got %+v, want the wrap on DE2 with its hours", d)
	}
	s.factsOf("ear-tag:DE1", 0)
}

func TestDoubt_LeavesFiguresAndNotLists(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE1", left("2026-01-20"))
	medicine := put("ear-tag:DE1", "2026-02-01", "medicine", "RH", "none")
	s.fact("vet", lesion("ear-tag:DE1", "2026-01-10", "SU", "RH", "outer", 4))
	s.fact("vet", lesion("ear-tag:DE1", "2026-02-01", "SU", "RH", "outer", 4), put("ear-tag:DE1", "2026-02-01", "block", "RH", "inner"), medicine)
	var got []int
	for _, c := range must(s.view().Cases(t.Context(), herd.CaseQuery{Farm: farm}))(t) {
		got = append(got, len(c.Seen), len(c.Doubts))
	}
	if want := []int{1, 0, 1, 1}; !slices.Equal(got, want) {
		t.Errorf("got sightings and doubts %v, want a sure case and a doubtful one: %v", got, want)
	}
	if d := must(s.view().OpenDevices(t.Context(), farm, "2026-02-01"))(t); len(d) != 1 || len(d[0].Doubts) != 1 {
		t.Errorf("got %+v, want the block shown with its doubt", d)
	}
	if w := must(s.view().Withdrawals(t.Context(), farm, "2026-02-01"))(t); len(w) != 1 || len(w[0].Doubts) != 1 {
		t.Errorf("got %+v, want the medicine shown with its doubt", w)
	}
}
