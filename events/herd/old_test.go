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

// orders writes what orders are in force on a farm, in short.
func (s *story) orders(day string) string {
	s.Helper()
	var out []string
	for _, o := range must(s.view().Orders(s.Context(), farm, day))(s) {
		t := fmt.Sprintf("%s: %s of %s", strings.TrimPrefix(o.Animal, farm+"/"), strings.TrimSpace(o.What+" "+o.Foot), o.By)
		if d := o.DueFirst(); d != "" {
			t += " due " + d
		}
		if u := o.UntilLast(); u != "" {
			t += " until " + u
		}
		if o.Lifts("wrap-time") {
			t += " lifts"
		}
		if o.Old {
			t += " (its source says otherwise)"
		}
		for _, b := range o.Before {
			t += fmt.Sprintf(" (before: %s due %s until %s)", b.By, b.Due, b.Until)
		}
		out = append(out, t)
	}
	return strings.Join(out, "; ")
}

// What a vet ordered, or anybody, does not end because its source says something
// else; it does when a person decides (common practice, no source).
func TestOld_AnOrderDoesNotEndByASilentAmendment(t *testing.T) {
	const other = "ear-tag:DE2"
	order := func(what, by, due, until string, cancels ...string) *events.Order {
		o := &events.Order{Common: put(cow, "2026-02-01", "block", "RH", "").Common, What: what, Foot: "RH", OrderedBy: by, Due: due, Until: until, Cancels: cancels}
		return o
	}
	moved := order("not-trim", "vet", "", "2026-03-01")
	moved.Animal = ids(other)
	left := order("recheck", "vet", "2026-02-20", "")
	left.Foot = "LH"
	earlier := order("recheck", "vet", "2026-02-20", "")
	earlier.Occurred.Date = "2026-01-20"
	worded := order("other", "vet", "", "")
	worded.Detail = "no water bath"
	more := order("other", "vet", "", "")
	more.Detail = "no water bath, dry straw"
	tests := []struct {
		name string
		says []*events.Order // revisions of one record
		want string
	}{
		{"not so long", []*events.Order{order("not-trim", "vet", "", "2026-03-01"), order("not-trim", "vet", "", "2026-02-02")},
			"ear-tag:DE1: not-trim RH of vet until 2026-03-01 (before: vet due  until 2026-03-01)"},
		{"no longer without an end", []*events.Order{order("not-trim", "vet", "", ""), order("not-trim", "vet", "", "2026-02-02")},
			"ear-tag:DE1: not-trim RH of vet (before: vet due  until )"},
		{"longer", []*events.Order{order("not-trim", "vet", "", "2026-02-02"), order("not-trim", "vet", "", "2026-03-01")},
			"ear-tag:DE1: not-trim RH of vet until 2026-03-01"},
		{"something else", []*events.Order{order("not-trim", "vet", "", "2026-03-01"), order("recheck", "vet", "2026-03-05", "")},
			"ear-tag:DE1: not-trim RH of vet until 2026-03-01 (its source says otherwise); ear-tag:DE1: recheck RH of vet due 2026-03-05"},
		{"another foot", []*events.Order{order("recheck", "vet", "2026-02-20", ""), left},
			"ear-tag:DE1: recheck RH of vet due 2026-02-20 (its source says otherwise); ear-tag:DE1: recheck LH of vet due 2026-02-20"},
		{"another cow", []*events.Order{order("not-trim", "vet", "", "2026-03-01"), moved},
			"ear-tag:DE1: not-trim RH of vet until 2026-03-01 (its source says otherwise); ear-tag:DE2: not-trim RH of vet until 2026-03-01"},
		{"due later", []*events.Order{order("recheck", "farmer", "2026-02-20", ""), order("recheck", "farmer", "2026-03-20", "")},
			"ear-tag:DE1: recheck RH of farmer due 2026-02-20 (before: farmer due 2026-02-20 until )"},
		{"due sooner", []*events.Order{order("recheck", "farmer", "2026-03-20", ""), order("recheck", "farmer", "2026-02-20", "")},
			"ear-tag:DE1: recheck RH of farmer due 2026-02-20"},
		{"no longer a vet's", []*events.Order{order("recheck", "vet", "2026-02-20", ""), order("recheck", "farmer", "2026-02-20", "")},
			"ear-tag:DE1: recheck RH of farmer due 2026-02-20 (before: vet due 2026-02-20 until )"},
		{"given earlier, so that what was done meanwhile would count", []*events.Order{order("recheck", "vet", "2026-02-20", ""), earlier},
			"ear-tag:DE1: recheck RH of vet due 2026-02-20 (before: vet due 2026-02-20 until )"},
		{"more words", []*events.Order{worded, more}, "ear-tag:DE1: other RH of vet"},
		{"other words", []*events.Order{more, worded}, "ear-tag:DE1: other RH of vet (before: vet due  until )"},
		{"lifts what it did not", []*events.Order{order("leave-wrap", "farmer", "2026-02-09", ""), order("leave-wrap", "farmer", "2026-02-09", "", "wrap-time")},
			"ear-tag:DE1: leave-wrap RH of farmer due 2026-02-09 (before: farmer due 2026-02-09 until )"},
		{"lifts for longer", []*events.Order{order("leave-wrap", "vet", "2026-02-09", "", "wrap-time"), order("leave-wrap", "vet", "2026-02-19", "", "wrap-time")},
			"ear-tag:DE1: leave-wrap RH of vet due 2026-02-09 lifts (before: vet due 2026-02-09 until )"},
		{"a vet's that lifts, and is another now", []*events.Order{order("leave-wrap", "vet", "2026-02-09", "", "wrap-time"), order("vet", "vet", "2026-02-19", "")},
			"ear-tag:DE1: leave-wrap RH of vet due 2026-02-09 lifts (its source says otherwise); ear-tag:DE1: vet RH of vet due 2026-02-19"},
		{"now this, now that", []*events.Order{order("not-trim", "vet", "", "2026-03-01"), order("not-trim", "vet", "", "2026-02-09"),
			order("not-trim", "vet", "", "2026-03-01"), order("not-trim", "vet", "", "2026-02-09")},
			"ear-tag:DE1: not-trim RH of vet until 2026-03-01 (before: vet due  until 2026-03-01)"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStory(t)
			s.roster("roster", "a", "2018-01-05", cow)
			s.roster("roster", "b", "2018-01-05", other)
			change := events.Recorded
			var lines []line
			for i, x := range tt.says {
				lines = s.again("vet", "r", change, x)
				change = events.Amended
				if i%2 == 0 {
					s.view() // followed, and built at once below
				}
			}
			if got := s.orders("2026-02-01"); got != tt.want {
				t.Errorf("got  %s\nwant %s", got, tt.want)
			}
			anew := openHerd(t, s.log)
			if got, want := dump(t, view(t, anew)), dump(t, s.view()); got != want {
				t.Error(difference(got, want))
			}
			last := tt.says[len(tt.says)-1]
			last.Remarks = []events.Remark{{Text: "so it is"}}
			s.correct(events.ActionChange, events.Amended, lines[0], last)
			if got := s.orders("2026-02-01"); strings.Contains(got, "otherwise") || strings.Contains(got, "before") || strings.Count(got, ":DE") != 1 {
				t.Errorf("after a person decided: got %s", got)
			}
		})
	}
}

// An order that was changed silently is done if it would be in each of its
// wordings, and a farmer's order that is called a vet's now ends no vet's.
func TestOld_AnOrderEndsIfEachWordingDoes(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2018-01-05", cow)
	order := func(day, due, by string) *events.Order {
		return &events.Order{Common: put(cow, day, "block", "RH", "").Common, What: "recheck", Foot: "RH", OrderedBy: by, Due: due}
	}
	s.again("vet", "r", events.Recorded, order("2026-02-01", "2026-02-20", "vet"))
	s.again("vet", "r", events.Amended, order("2026-02-01", "2026-02-25", "vet"))
	s.again("farm", "r2", events.Recorded, order("2026-02-03", "2026-02-20", "farmer"))
	s.again("farm", "r2", events.Amended, order("2026-02-03", "2026-02-20", "vet"))
	if got := s.orders("2026-02-04"); strings.Count(got, "recheck") != 2 {
		t.Errorf("got %s, want both orders", got)
	}
	s.fact("chute", &events.Lesion{Common: put(cow, "2026-02-21", "block", "RH", "").Common, Foot: "RH", Claw: "outer", Code: "SU"})
	if got := s.orders("2026-02-22"); !strings.Contains(got, "(before: vet due 2026-02-20") {
		t.Errorf("looked at between the two days: got %s, want the order that is due on the 25th, too", got)
	}
	s.fact("chute", &events.Lesion{Common: put(cow, "2026-02-26", "block", "RH", "").Common, Foot: "RH", Claw: "outer", Code: "SU"})
	if got := s.orders("2026-02-27"); got != "" {
		t.Errorf("looked at behind both days: got %s, want none", got)
	}
}

// Of two ends of a wrap or block that nobody confirmed the earlier is for a look,
// and the later one holds (common practice, no source).
func TestOld_TimesOfADevice(t *testing.T) {
	tests := []struct {
		name       string
		says       []*events.Treatment
		due, later string
		on         string
	}{
		{"a wrap, earlier", []*events.Treatment{wrapDue("2026-02-01", "2026-02-04", "2026-02-05"), wrapDue("2026-02-01", "2026-02-02", "2026-02-03")}, "2026-02-02", "2026-02-05", "2026-02-01"},
		{"a wrap, later", []*events.Treatment{wrapDue("2026-02-01", "2026-02-02", "2026-02-03"), wrapDue("2026-02-02", "2026-02-04", "2026-02-05")}, "2026-02-02", "2026-02-05", "2026-02-01"},
		{"a wrap, of which nothing is known now", []*events.Treatment{wrapDue("2026-02-01", "2026-02-02", "2026-02-03"), wrapDue("2026-02-01", "", "")}, "", "2026-02-03", "2026-02-01"},
		{"a block, later", []*events.Treatment{blockPlanned("2026-03-01"), blockPlanned("2026-03-20")}, "2026-03-01", "2026-03-20", "2026-02-01"},
		{"a block, earlier", []*events.Treatment{blockPlanned("2026-03-20"), blockPlanned("2026-03-01")}, "2026-03-01", "2026-03-20", "2026-02-01"},
		{"a wrap, as it was", []*events.Treatment{wrapDue("2026-02-01", "2026-02-02", "2026-02-03")}, "2026-02-02", "", "2026-02-01"},
	}
	for _, tt := range tests {
		s := newStory(t)
		change := events.Recorded
		for _, x := range tt.says {
			s.again("chute", "r", change, x)
			change = events.Amended
		}
		d := must(s.view().OpenDevices(t.Context(), farm, ""))(t)
		if len(d) != 1 {
			t.Errorf("%s: got %+v", tt.name, d)
			continue
		}
		due, _, _ := d[0].Times()
		if d[0].What == "block" {
			due = d[0].PlannedFirst()
		}
		if due != tt.due || d[0].Later() != tt.later || d[0].OnFirst() != tt.on {
			t.Errorf("%s: got %q, %q, on %s; want %q, %q, on %s", tt.name, due, d[0].Later(), d[0].OnFirst(), tt.due, tt.later, tt.on)
		}
	}
}

// Whoever confirms what the source of a fact changed changes nothing of it: the
// decision stands alone, and what was said before no longer counts.
func TestOld_AConfirmationStandsAlone(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2018-01-05", cow)
	wrap := s.again("chute", "w", events.Recorded, wrapDue("2026-02-01", "2026-02-02", "2026-02-03"))
	s.again("chute", "w", events.Amended, wrapDue("2026-02-01", "2026-02-04", "2026-02-05"))
	o := &events.Order{Common: put(cow, "2026-02-01", "block", "RH", "").Common, What: "not-trim", OrderedBy: "vet", Until: "2026-03-01"}
	ended := *o
	ended.Until = "2026-02-02"
	order := s.again("vet", "o", events.Recorded, o)
	s.again("vet", "o", events.Amended, &ended)
	if got := s.open("") + s.orders("2026-02-05"); strings.Count(got, "before") != 2 {
		t.Fatalf("got %s", got)
	}
	for _, l := range []line{wrap[0], order[0]} {
		s.w.decide(farm, "2026-04-01", &events.Decision{Action: events.ActionChange, Targets: []events.Entity{l.entity()}})
	}
	if got, want := s.open("")+s.orders("2026-02-05"), "ear-tag:DE1: wrap RH none since 2026-02-01 due 2026-02-04"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got, want := dump(t, view(t, openHerd(t, s.log))), dump(t, s.view()); got != want {
		t.Error(difference(got, want))
	}
}
