package herd_test

import (
	"fmt"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

func wrapDue(when, due, late string) *events.Treatment {
	x := put(cow, when, "wrap", "RH", "none")
	x.Derived.DueOff, x.Derived.LateFrom = due, late
	return x
}

func blockPlanned(off string) *events.Treatment {
	x := put(cow, "2026-02-01", "block", "RH", "inner")
	x.PlannedOff = off
	return x
}

func medicine(animal, when, milk, meat string) *events.Treatment {
	x := put(animal, when, "medicine", "RH", "none")
	state := func(s string) events.Withdrawal {
		switch s {
		case "", "zero", "unknown":
			return events.Withdrawal{State: s}
		}
		return events.Withdrawal{State: "until", Until: s}
	}
	x.Medicine = events.Medicine{Name: "M", Milk: state(milk), Meat: state(meat)}
	return x
}

// open writes what is on a farm and what is withheld, in short.
func (s *story) open(day string) string {
	s.Helper()
	var out []string
	for _, x := range must(s.view().Standings(s.Context(), farm, day))(s) {
		who := strings.TrimPrefix(x.Animal.ID, farm+"/")
		for _, d := range x.Devices {
			if d.Off != "" {
				continue
			}
			t := fmt.Sprintf("%s: %s %s %s since %s", who, d.What, d.Foot, d.Claw, d.On)
			if d.Due != "" {
				t += " due " + d.Due
			}
			if d.Planned != "" {
				t += " planned " + d.Planned
			}
			if d.Old {
				t += " (its source says otherwise)"
			}
			for _, b := range d.Before {
				t += fmt.Sprintf(" (before: since %s due %s)", b.On, b.Due+b.Planned)
			}
			out = append(out, t)
		}
		for _, w := range x.Withdrawals {
			t := fmt.Sprintf("%s: milk %s%s meat %s%s", who, w.Milk().State, w.Milk().Until, w.Meat().State, w.Meat().Until)
			if w.Old {
				t += " (its source says otherwise)"
			}
			for _, b := range w.Before {
				t += fmt.Sprintf(" (before: %s %s)", b.Milk.Until, b.Meat.Until)
			}
			out = append(out, t)
		}
	}
	return strings.Join(out, "; ")
}

// A block, a wrap or a withdrawal does not end because its source says something
// else; it does when a person decides (common practice, no source).
func TestOld_NothingEndsByASilentAmendment(t *testing.T) {
	const other = "ear-tag:DE2"
	topical := put(cow, "2026-02-01", "topical", "RH", "none")
	moved := wrapDue("2026-02-01", "2026-02-02", "2026-02-03")
	moved.Animal = ids(other)
	both := wrapDue("2026-02-01", "2026-02-02", "2026-02-03")
	both.Animal = ids(cow + " transponder:276000912345671")
	left := put(cow, "2026-02-01", "wrap", "LH", "none")
	tests := []struct {
		name string
		says []*events.Treatment // revisions of one record
		want string
	}{
		{"a wrap that is a spray now", []*events.Treatment{wrapDue("2026-02-01", "2026-02-02", "2026-02-03"), topical},
			"ear-tag:DE1: wrap RH none since 2026-02-01 due 2026-02-02 (its source says otherwise)"},
		{"a wrap on the other foot now", []*events.Treatment{wrapDue("2026-02-01", "2026-02-02", "2026-02-03"), left},
			"ear-tag:DE1: wrap LH none since 2026-02-01; ear-tag:DE1: wrap RH none since 2026-02-01 due 2026-02-02 (its source says otherwise)"},
		{"a wrap of another cow now", []*events.Treatment{wrapDue("2026-02-01", "2026-02-02", "2026-02-03"), moved},
			"ear-tag:DE1: wrap RH none since 2026-02-01 due 2026-02-02 (its source says otherwise); ear-tag:DE2: wrap RH none since 2026-02-01 due 2026-02-02"},
		{"the same cow, named by one more tag", []*events.Treatment{wrapDue("2026-02-01", "2026-02-02", "2026-02-03"), both},
			"ear-tag:DE1: wrap RH none since 2026-02-01 due 2026-02-02 (before: since 2026-02-01 due 2026-02-02)"},
		{"a wrap with another hour", []*events.Treatment{wrapDue("2026-02-01", "2026-02-02", "2026-02-03"), wrapDue("2026-02-03", "2026-02-04", "2026-02-05")},
			"ear-tag:DE1: wrap RH none since 2026-02-03 due 2026-02-04 (before: since 2026-02-01 due 2026-02-02)"},
		{"a block that is planned off earlier", []*events.Treatment{blockPlanned("2026-03-20"), blockPlanned("2026-03-01")},
			"ear-tag:DE1: block RH inner since 2026-02-01 planned 2026-03-01 (before: since 2026-02-01 due 2026-03-20)"},
		{"a block that is planned off later", []*events.Treatment{blockPlanned("2026-03-01"), blockPlanned("2026-03-20")},
			"ear-tag:DE1: block RH inner since 2026-02-01 planned 2026-03-20 (before: since 2026-02-01 due 2026-03-01)"},
		{"a block whose planned day is gone", []*events.Treatment{blockPlanned("2026-03-20"), blockPlanned("")},
			"ear-tag:DE1: block RH inner since 2026-02-01 (before: since 2026-02-01 due 2026-03-20)"},
		{"now this, now that", []*events.Treatment{wrapDue("2026-02-01", "2026-02-02", "2026-02-03"), topical, wrapDue("2026-02-01", "2026-02-02", "2026-02-03"), topical},
			"ear-tag:DE1: wrap RH none since 2026-02-01 due 2026-02-02 (its source says otherwise)"},
		{"an earlier end", []*events.Treatment{medicine(cow, "2026-02-01", "2026-02-10", "zero"), medicine(cow, "2026-02-01", "2026-02-05", "zero")},
			"ear-tag:DE1: milk until2026-02-10 meat zero (before: 2026-02-10 )"},
		{"a later end", []*events.Treatment{medicine(cow, "2026-02-01", "2026-02-05", "zero"), medicine(cow, "2026-02-01", "2026-02-10", "zero")},
			"ear-tag:DE1: milk until2026-02-10 meat zero"},
		{"an end that was unknown", []*events.Treatment{medicine(cow, "2026-02-01", "", ""), medicine(cow, "2026-02-01", "2026-02-10", "2026-02-20")},
			"ear-tag:DE1: milk until2026-02-10 meat until2026-02-20"},
		{"an end that is unknown now", []*events.Treatment{medicine(cow, "2026-02-01", "2026-02-10", "zero"), medicine(cow, "2026-02-01", "unknown", "zero")},
			"ear-tag:DE1: milk unknown meat zero (before: 2026-02-10 )"},
		{"no medicine now", []*events.Treatment{medicine(cow, "2026-02-01", "2026-02-10", "zero"), topical},
			"ear-tag:DE1: milk until2026-02-10 meat zero (its source says otherwise)"},
		{"only the batch", []*events.Treatment{medicine(cow, "2026-02-01", "2026-02-10", "zero"), func() *events.Treatment {
			x := medicine(cow, "2026-02-01", "2026-02-10", "zero")
			x.Medicine.Batch = "7"
			return x
		}()}, "ear-tag:DE1: milk until2026-02-10 meat zero"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStory(t)
			s.roster("roster", "a", "2018-01-05", cow+" transponder:276000912345671")
			s.roster("roster", "b", "2018-01-05", other)
			change := events.Recorded
			var lines []line
			for i, x := range tt.says {
				lines = s.again("chute", "r", change, x)
				change = events.Amended
				if i%2 == 0 {
					s.view() // followed, and built at once below
				}
			}
			if got := s.open(""); got != tt.want {
				t.Errorf("got  %s\nwant %s", got, tt.want)
			}
			if got := s.open("2026-02-04"); got != tt.want {
				t.Errorf("of a past day: got  %s\nwant %s", got, tt.want)
			}
			anew := openHerd(t, s.log)
			if got, want := dump(t, view(t, anew)), dump(t, s.view()); got != want {
				t.Error(difference(got, want))
			}
			last := tt.says[len(tt.says)-1]
			last.Remarks = []events.Remark{{Text: "so it is"}}
			s.correct(events.ActionChange, events.Amended, lines[0], last)
			if got := s.open(""); strings.Contains(got, "otherwise") || strings.Contains(got, "before") {
				t.Errorf("after a person decided: got %s", got)
			}
		})
	}
}

// What came off came off, whatever its source says of putting it on.
func TestOld_EndsWhenItCameOff(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2018-01-05", cow)
	s.again("chute", "r", events.Recorded, wrapDue("2026-02-01", "2026-02-02", "2026-02-03"))
	s.again("chute", "r", events.Amended, put(cow, "2026-02-01", "topical", "RH", "none"))
	s.fact("parlour", off(cow, "2026-02-02", "wrap", "RH", "none"))
	if got := s.open(""); got != "" {
		t.Errorf("got %s, want nothing on", got)
	}
	d := must(s.view().Devices(t.Context(), farm+"/"+cow))(t)
	if len(d) != 1 || !d[0].Old || d[0].Off != "2026-02-02" {
		t.Errorf("got %+v", d)
	}
	if facts := must(s.view().Facts(t.Context(), herd.FactQuery{Farm: farm}))(t); len(facts) != 2 {
		t.Errorf("got %d facts, want the newest revisions only", len(facts))
	}
}
