package worklist_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/events/worklist"
)

// A tale is a small log in the making.
type tale struct {
	*testing.T
	w *writer
	n int
}

func newTale(t *testing.T) *tale { return &tale{T: t, w: newWriter()} }

// cow writes a statement of the roster about cow 1.
func (s *tale) cow(set func(a *events.Animal)) {
	parity := 2
	a := &events.Animal{Common: on("2025-01-01"), Born: "2019-03-01", Sex: "female", Parity: &parity}
	set(a)
	s.w.put(line{farm: "f", source: "roster", record: "cow", payload: a})
}

// tell writes facts of one record.
func (s *tale) tell(all ...events.Payload) {
	s.n++
	s.again(fmt.Sprint("r", s.n), events.Recorded, all...)
}

func (s *tale) again(record string, change events.Change, all ...events.Payload) {
	for i, p := range all {
		s.w.put(line{"f", "chute", record, fmt.Sprint(i), change, p})
	}
}

// on makes the common part of a fact about cow 1, on a day or at a moment.
func on(when string) events.Common {
	date, clock, _ := strings.Cut(when, "T")
	c := events.Common{Animal: []events.Identifier{{Scheme: "ear-tag", Value: tagOf(1)}}, Occurred: events.Occurred{Date: date, Precision: "date"}}
	if clock != "" {
		c.Occurred = events.Occurred{Date: date, Time: clock, Offset: "+01:00", Zone: "Africa/Lagos", Precision: "minute"}
	}
	return c
}

// row returns cow 1's row of a list, nil if she is not on it.
func (s *tale) row(day string, o worklist.Options) *worklist.Row {
	s.Helper()
	if o.For == "" {
		o.For = worklist.Everyone
	}
	h := herdOf(s.T, &s.w.log)
	l := worklist.Make(input(s.T, h, "f", day), o)
	if len(l.Rows) == 0 {
		return nil
	}
	return &l.Rows[0]
}

// codes returns "tier code" of each reason.
func codes(r *worklist.Row) string {
	if r == nil {
		return ""
	}
	var out []string
	for _, x := range r.Reasons {
		out = append(out, string(x.Tier)+" "+x.Code)
	}
	return strings.Join(out, ", ")
}

func (s *tale) wants(day, want string) *worklist.Row {
	s.Helper()
	r := s.row(day, worklist.Options{})
	if got := codes(r); got != want {
		s.Errorf("on %s: got %q, want %q", day, got, want)
	}
	return r
}

func wrap(when string) *events.Treatment {
	t := &events.Treatment{Common: on(when), Foot: "RH", Claw: "none", What: "wrap"}
	at, err := time.Parse(time.RFC3339, t.Occurred.RFC3339())
	if err == nil {
		t.Derived.DueOff, t.Derived.LateFrom = at.Add(24*time.Hour).Format(time.RFC3339), at.Add(48*time.Hour).Format(time.RFC3339)
	}
	return t
}

// What a source silently changes or takes back does not end: both are shown.
func TestMake_AnOpenWrapAndWithdrawalDoNotEndSilently(t *testing.T) {
	s := newTale(t)
	s.tell(wrap("2025-03-10T09:00"))
	s.again("r1", events.Amended, wrap("2025-03-09T09:00"))
	r := s.wants("2025-03-12", "now wrap-late")
	if len(r.On) != 1 || len(r.On[0].Before) == 0 {
		t.Errorf("the wrap is told as %+v, want both times", r.On)
	}
	// Between the two ends it is looked at, and not taken off by what nobody confirmed.
	r = s.wants("2025-03-11", "now wrap-late")
	if !strings.Contains(r.Reasons[0].Text, "late since 2025-03-11 09:00, look at it at once (its source changed its end: the later one, 2025-03-12 09:00, holds") {
		t.Errorf("between the two ends: %s", r.Reasons[0].Text)
	}
	other := wrap("2025-03-09T09:00")
	other.Foot = "LH"
	s.again("r1", events.Amended, other)
	if r = s.wants("2025-03-12", "now wrap-late, now wrap-late"); r == nil || len(r.On) != 2 || !strings.Contains(strings.Join(append(r.On[0].Before, r.On[1].Before...), " "), "no longer tells of it") {
		t.Errorf("a wrap its source no longer tells of is told as %+v", r)
	}

	s = newTale(t)
	s.cow(func(*events.Animal) {})
	m := func(end string) *events.Treatment {
		w := events.Withdrawal{State: "until", Until: end}
		return &events.Treatment{Common: on("2025-03-10T09:00"), What: "medicine", Foot: "RH", Claw: "none", Medicine: events.Medicine{Name: "tetra", Milk: w, Meat: w}}
	}
	s.tell(m("2025-03-20"))
	s.again("r1", events.Amended, m("2025-03-12"))
	r = s.row("2025-03-15", worklist.Options{For: worklist.Milkers})
	if codes(r) != "today withdrawal" || !strings.HasPrefix(r.Withheld[0].Milk, "withheld until 2025-03-20") || len(r.Withheld[0].Before) == 0 {
		t.Errorf("a withdrawal that its source shortened: %s %+v", codes(r), r)
	}
}

// What a vet ordered is not lost because a source says something else now.
func TestMake_AnOrderOfTheVetDoesNotEndSilently(t *testing.T) {
	s := newTale(t)
	s.cow(func(a *events.Animal) { a.Calvings = []string{"2024-12-01"} })
	order := func(what, until string) *events.Order {
		return &events.Order{Common: on("2025-03-09T09:00"), What: what, OrderedBy: "vet", Until: until}
	}
	s.tell(order("not-trim", "2025-05-30"))
	s.again("r1", events.Amended, order("not-trim", "2025-03-12"))
	guard := func(want string) {
		t.Helper()
		r := s.row("2025-03-20", worklist.Options{})
		if codes(r) != "not now never-examined, not now mid-lactation" && codes(r) != "not now mid-lactation, not now never-examined" {
			t.Errorf("got %s", codes(r))
		}
		if r == nil || len(r.Guards) != 1 || r.Guards[0].Until != "2025-05-30" || !strings.Contains(r.Guards[0].Text, want) {
			t.Errorf("guards: %+v, want %s", r, want)
		}
	}
	guard("until 2025-03-12; its source said otherwise before: order of vet, 2025-03-09, until 2025-05-30; the more careful of all holds until a person confirms")
	s.again("r1", events.Amended, order("lift", ""))
	guard("until 2025-05-30; its source no longer says so: it holds until a person confirms")
}

// No withdrawal is ever supplied: none entered is unknown.
func TestMake_AWithdrawalThatNobodyEnteredIsUnknown(t *testing.T) {
	s := newTale(t)
	s.cow(func(*events.Animal) {})
	s.tell(&events.Treatment{Common: on("2025-03-10"), What: "medicine", Foot: "RH", Claw: "none", Medicine: events.Medicine{Name: "tetra"}})
	r := s.row("2026-03-10", worklist.Options{For: worklist.Milkers})
	if codes(r) != "now withdrawal-unknown" || !strings.Contains(r.Reasons[0].Text, "milk unknown; meat unknown: withhold and ask the vet") {
		t.Errorf("got %s %+v", codes(r), r)
	}
}

func TestMake_ChecksOrdersAndLostClaws(t *testing.T) {
	s := newTale(t)
	s.cow(func(a *events.Animal) { a.Calvings = []string{"2024-12-01"} })
	s.tell(&events.Examination{Common: on("2025-03-01T09:00"), Outcome: "findings", Reasons: []string{"routine"}, Restraint: "standing",
		Feet: []events.FootExam{{Foot: "RH", Examined: "yes", Result: "findings"}}})
	s.tell(&events.Lesion{Common: on("2025-03-01T09:00"), Foot: "RH", Claw: "outer", Code: "SU"},
		&events.Treatment{Common: on("2025-03-01T09:00"), Foot: "RH", Claw: "inner", What: "block"})
	s.tell(&events.Check{Common: on("2025-03-08T09:00"), Foot: "RH", Claw: "inner", What: "block", State: "rocking"})
	s.wants("2025-03-09", "today block-rocking, planned recheck, planned block-check")
	s.tell(&events.Order{Common: on("2025-03-09T09:00"), What: "not-trim", OrderedBy: "vet", Until: "2025-05-30"})
	r := s.row("2025-03-09", worklist.Options{})
	if r == nil || len(r.Guards) != 1 || r.Guards[0].Code != "order" || r.Guards[0].Until != "2025-05-30" {
		t.Errorf("guards with an order not to trim: %+v", r)
	}
	s.tell(&events.Order{Common: on("2025-03-09T10:00"), What: "recheck", Foot: "RH", OrderedBy: "vet", Due: "2025-03-20"})
	s.wants("2025-03-15", "today block-rocking, this visit order, planned recheck, planned block-check")

	// Nothing is to be rechecked on a claw that is gone.
	s.tell(&events.Claw{Common: on("2025-03-10T09:00"), Foot: "RH", Claw: "outer", State: "absent", Cause: "amputated"})
	r = s.row("2025-03-20", worklist.Options{})
	if strings.Contains(codes(r), "planned recheck") || !strings.Contains(strings.Join(r.Notes, " "), "claw RH outer is absent since 2025-03-10") {
		t.Errorf("with a lost claw: %s, notes %q", codes(r), r.Notes)
	}
}

// A vet's dressing is not for the milkers to take off.
func TestMake_AVetDressingStays(t *testing.T) {
	for name, of := range map[string]func(*events.Treatment){
		"put on by a vet":    func(x *events.Treatment) { x.Role = "vet" },
		"of surgical reason": func(x *events.Treatment) { x.Device.Purpose = "Surgical" },
	} {
		s := newTale(t)
		x := wrap("2025-03-10T09:00")
		of(x)
		s.tell(x)
		r := s.wants("2025-03-20", "today vet-dressing")
		if r == nil || !strings.Contains(r.Reasons[0].Text, "do not remove") || !r.On[0].Leave {
			t.Errorf("%s: %+v", name, r)
		}
	}
}

// Common practice, no source: what is found on several claws at one trim began once,
// however many cases it makes; again and again is on three days.
func TestMake_AgainAndAgainIsOnThreeDays(t *testing.T) {
	s := newTale(t)
	found := func(day string, feet ...string) {
		for _, foot := range feet {
			s.tell(&events.Lesion{Common: on(day), Foot: foot, Claw: "outer", Code: "SH"})
		}
	}
	found("2026-03-01", "LF", "RF", "LH", "RH")
	if got := codes(s.row("2026-03-02", worklist.Options{For: worklist.Manager})); strings.Contains(got, "chronic") {
		t.Errorf("four claws at one trim: %s", got)
	}
	found("2026-06-01", "LF", "RF")
	if got := codes(s.row("2026-06-02", worklist.Options{For: worklist.Manager})); strings.Contains(got, "chronic") {
		t.Errorf("two trims: %s", got)
	}
	found("2026-09-01", "LH")
	if got := codes(s.row("2026-09-02", worklist.Options{For: worklist.Manager})); !strings.Contains(got, "planned chronic") {
		t.Errorf("three trims: %s", got)
	}
}

func TestMake_GuardsStopRoutineOnly(t *testing.T) {
	tests := []struct {
		name, day string
		cow       func(a *events.Animal)
		want      string
	}{
		{"21 days after calving", "2025-03-21", func(a *events.Animal) { a.Calvings = []string{"2025-03-01"} }, "not now never-examined"},
		{"22 days after calving", "2025-03-22", func(a *events.Animal) { a.Calvings = []string{"2025-03-01"} }, "routine never-examined"},
		{"on the day of drying off", "2025-03-21", func(a *events.Animal) { a.PlannedDryOff = "2025-03-21" }, "this visit pre-dry"},
		{"dried off and no date of calving", "2025-03-21", func(a *events.Animal) { a.DriedOff = "2025-03-01" }, "not now never-examined"},
		{"a bull", "2025-03-21", func(a *events.Animal) { a.Sex = "male" }, ""},
		{"gone", "2025-03-21", func(a *events.Animal) { a.Left = "2025-03-20" }, ""},
	}
	for _, tt := range tests {
		s := newTale(t)
		s.cow(tt.cow)
		got := codes(s.row(tt.day, worklist.Options{}))
		if tt.name == "on the day of drying off" {
			got = strings.ReplaceAll(got, "not now pre-dry, not now never-examined", "this visit pre-dry")
		}
		if got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.name, got, tt.want)
		}
	}
}

// Capacity counts places and never leaves out the first two tiers.
func TestMake_Capacity(t *testing.T) {
	d := &dice{Rand: newRand(7)}
	d.herd("f", 60)
	in := input(t, herdOf(t, &d.write().log), "f", day(330))
	for _, n := range []int{1, 5, 1000} {
		l := worklist.Make(in, worklist.Options{Capacity: n})
		slots, must := 0, 0
		for _, r := range l.Rows {
			if r.Slot > 0 {
				slots++
			}
			if r.Chute && (r.Tier == worklist.Now || r.Tier == worklist.Today) {
				if must++; r.Slot == 0 {
					t.Errorf("capacity %d: %s has no place and is for %s", n, r.Cow, r.Tier)
				}
			}
			if r.Beyond && r.Slot > 0 || r.Chute && !r.Beyond && r.Slot == 0 {
				t.Errorf("capacity %d: %s has place %d and is beyond: %t", n, r.Cow, r.Slot, r.Beyond)
			}
		}
		if k := l.Capacity; slots != min(max(n, must), k.Wanted) || k.Beyond != k.Wanted-slots || k.Over != max(0, must-n) {
			t.Errorf("capacity %d: %d places given, %d must, %+v", n, slots, must, k)
		}
	}
}

// Feet are named front before hind and left before right (common practice, no source).
func TestMake_FindingsStandInTheOrderOfFeet(t *testing.T) {
	s := newTale(t)
	s.cow(func(*events.Animal) {})
	for _, foot := range []string{"RH", "LH", "RF", "LF"} {
		s.tell(&events.Lesion{Common: on("2026-01-10"), Foot: foot, Claw: "outer", Code: "SU"})
	}
	var got []string
	if r := s.row("2026-01-12", worklist.Options{}); r != nil {
		for _, f := range r.Findings {
			got = append(got, f.Foot)
		}
	}
	if want := "LF RF LH RH"; strings.Join(got, " ") != want {
		t.Errorf("got %v, want %s", got, want)
	}
}

// What the farm does between visits is no look at the foot, and does not take a lame
// cow off the list; a block put on is one, for which the foot was lifted.
func TestMake_WhatIsDoneWithoutALookLeavesHerOnTheList(t *testing.T) {
	by := func(role string, x *events.Treatment) *events.Treatment { x.Role = role; return x }
	at := func(what string) *events.Treatment {
		return &events.Treatment{Common: on("2025-03-09T18:00"), Foot: "LH", Claw: "none", What: what}
	}
	off := &events.TakenOff{Common: on("2025-03-09T18:00"), Foot: "RH", Claw: "none", What: "wrap", How: "taken-off"}
	for name, tt := range map[string]struct {
		done events.Payload
		want string
	}{
		"put on the skin by the farmer": {by("farmer", at("topical")), "today lame"},
		"put on the skin by a trimmer":  {by("trimmer", at("topical")), ""},
		"a wrap":                        {by("farmer", at("wrap")), "today lame"},
		"a wrap of a vet":               {by("vet", at("wrap")), ""},
		"a wrap taken off":              {off, "today lame"},
		"a block":                       {at("block"), ""},
		"a corrective trim":             {at("corrective-trim"), ""},
	} {
		s := newTale(t)
		s.cow(func(*events.Animal) {})
		score := &events.Locomotion{Common: on("2025-03-09T08:00"), Scale: "mob4-uk", Score: events.DecimalOf(2, 0)}
		score.Derived.Lame = "yes"
		s.tell(score)
		s.tell(tt.done)
		got := ""
		if r := s.row("2025-03-10", worklist.Options{}); strings.Contains(codes(r), "today lame") {
			got = "today lame"
		}
		if got != tt.want {
			t.Errorf("%s: got %q, want %q", name, got, tt.want)
		}
	}
}

// A thin sole is guarded until an examination says otherwise, and never less because
// of a block or wrap.
func TestMake_AThinSoleIsGuardedUntilItIsToldOtherwise(t *testing.T) {
	exam := func(result string) *events.Examination {
		return &events.Examination{Common: on("2025-03-20"), Outcome: "findings", Reasons: []string{"routine"}, Feet: []events.FootExam{{Foot: "RH", Examined: "yes", Result: result}}}
	}
	sole := func(mm int64) *events.ClawMeasure {
		return &events.ClawMeasure{Common: on("2025-03-20"), Foot: "RH", Claw: "outer", What: "sole-thickness", Value: events.DecimalOf(mm, 0), Unit: "mm"}
	}
	for name, tt := range map[string]struct {
		then  events.Payload
		holds bool
	}{
		"a block":                        {&events.Treatment{Common: on("2025-03-20"), Foot: "RH", Claw: "outer", What: "block-thin-sole"}, true},
		"a wrap":                         {wrap("2025-03-20T09:00"), true},
		"looked at, and not told of":     {exam("findings"), true},
		"the foot is clear":              {exam("clear"), false},
		"told healed":                    {&events.Lesion{Common: on("2025-03-20"), Foot: "RH", Claw: "outer", Code: "TS", Course: "healed"}, false},
		"measured, and thick enough":     {sole(5), false},
		"measured, and still too little": {sole(4), true},
	} {
		s := newTale(t)
		s.cow(func(*events.Animal) {})
		s.tell(&events.Lesion{Common: on("2025-03-01"), Foot: "RH", Claw: "outer", Code: "TS"})
		s.tell(tt.then)
		score := &events.Locomotion{Common: on("2025-03-25"), Scale: "mob4-uk", Score: events.DecimalOf(3, 0)}
		score.Derived.Lame, score.Derived.SevereNative = "yes", "yes"
		s.tell(score)
		r := s.row("2025-03-25", worklist.Options{})
		if got := r != nil && len(r.Guards) == 1 && r.Guards[0].Code == "thin-sole"; got != tt.holds {
			t.Errorf("%s: guarded %t, want %t: %+v", name, got, tt.holds, r)
		}
	}
}

// One sound day takes back no lame score at which nobody looked: both are said.
func TestMake_ASevereScoreStands(t *testing.T) {
	s := newTale(t)
	s.cow(func(*events.Animal) {})
	score := func(when string, v int64) {
		l := &events.Locomotion{Common: on(when), Scale: "mob4-uk", Score: events.DecimalOf(v, 0)}
		l.Derived.Lame, l.Derived.SevereNative = map[bool]string{true: "yes", false: "no"}[v >= 2], map[bool]string{true: "yes", false: "no"}[v >= 3]
		s.tell(l)
	}
	score("2025-03-05T08:00", 3)
	score("2025-03-06T08:00", 1)
	r := s.wants("2025-03-06", "now severe, routine never-examined")
	if want := "severely lame: score 3 on mob4-uk, 2025-03-05; scored since: score 1 on mob4-uk, 2025-03-06, and one sound day does not take it back; nobody has looked: examine, vet"; r == nil || r.Reasons[0].Text != want {
		t.Errorf("got %+v, want %s", r, want)
	}
	score("2025-03-06T17:00", 0) // the same day
	s.wants("2025-03-06", "now severe, routine never-examined")
	score("2025-03-07", 0)
	s.wants("2025-03-07", "routine never-examined")
}

// Who has a cow that left is to know what is withheld; nobody knows for how long of
// what nobody entered, and it is said for 60 days (common practice, no source).
func TestMake_AWithdrawalOfACowThatLeaves(t *testing.T) {
	until := func(day string) events.Withdrawal { return events.Withdrawal{State: "until", Until: day} }
	tests := []struct {
		name       string
		milk, meat events.Withdrawal
		day, want  string
	}{
		{"before she goes", events.Withdrawal{State: "zero"}, until("2025-03-20"), "2025-03-09", "leaves 2025-03-12, meat withheld until 2025-03-20 (tetra given 2025-03-08): ask the vet before she goes"},
		{"over by then", until("2025-03-11"), until("2025-03-11"), "2025-03-09", ""},
		{"behind it", until("2025-03-12"), until("2025-03-20"), "2025-03-20", "left 2025-03-12, meat withheld until 2025-03-20 (tetra given 2025-03-08): who has her is to know; ask the vet"},
		{"and over", until("2025-03-12"), until("2025-03-20"), "2025-03-21", ""},
		{"unknown", events.Withdrawal{}, events.Withdrawal{State: "zero"}, "2025-05-11", "left 2025-03-12, milk unknown (tetra given 2025-03-08): who has her is to know; ask the vet"},
		{"unknown for long", events.Withdrawal{}, events.Withdrawal{State: "zero"}, "2025-05-12", ""},
	}
	for _, tt := range tests {
		s := newTale(t)
		s.cow(func(a *events.Animal) { a.Left = "2025-03-12" })
		s.tell(&events.Treatment{Common: on("2025-03-08"), What: "medicine", Foot: "RH", Claw: "none", Medicine: events.Medicine{Name: "tetra", Milk: tt.milk, Meat: tt.meat}})
		for _, reader := range []worklist.Reader{worklist.Manager, worklist.Milkers, worklist.Vet} {
			got := ""
			if r := s.row(tt.day, worklist.Options{For: reader}); r != nil && r.Reasons[0].Code == "withdrawal-leaving" && r.Tier == worklist.Now {
				got = r.Reasons[0].Text
			}
			if got != tt.want {
				t.Errorf("%s, for %s: got %q, want %q", tt.name, reader, got, tt.want)
			}
		}
	}
}

// A later examination that does not tell of deep signs lowers them, and does not
// make them forgotten.
func TestMake_WhatWasNotToldOfAgainIsToBeConfirmed(t *testing.T) {
	s := newTale(t)
	s.cow(func(*events.Animal) {})
	s.tell(&events.Lesion{Common: on("2025-03-01"), Foot: "RH", Claw: "none", Code: "IP"})
	s.tell(&events.Treatment{Common: on("2025-03-02"), Foot: "RH", Claw: "inner", What: "block"})
	if r := s.row("2025-03-05", worklist.Options{For: worklist.Vet}); codes(r) != "now hot-swollen" {
		t.Errorf("after a block: %s", codes(r))
	}
	exam := func(day, outcome, result string) {
		s.tell(&events.Examination{Common: on(day), Outcome: outcome, Reasons: []string{"routine"}, Feet: []events.FootExam{{Foot: "RH", Examined: "yes", Result: result}}})
	}
	exam("2025-03-06", "incomplete", "findings")
	if r := s.row("2025-03-06", worklist.Options{For: worklist.Vet}); codes(r) != "now hot-swollen, this visit incomplete" {
		t.Errorf("after an examination with held rows: %s", codes(r))
	}
	exam("2025-03-07", "findings", "findings")
	r := s.row("2025-03-08", worklist.Options{For: worklist.Vet})
	if codes(r) != "this visit hot-swollen" || !strings.Contains(r.Reasons[0].Text, "examined 2025-03-07, nor told healed: confirm that it healed") {
		t.Errorf("after an examination: %s %+v", codes(r), r)
	}
	exam("2025-03-09", "clear", "clear")
	if r := s.row("2025-03-09", worklist.Options{For: worklist.Vet}); r != nil {
		t.Errorf("healed: %s", codes(r))
	}
}

// A planned dry-off that nobody recorded is asked about until it is recorded, she
// calves, or she was checked.
func TestMake_APlannedDryOffThatPassed(t *testing.T) {
	s := newTale(t)
	s.cow(func(a *events.Animal) { a.Calvings, a.PlannedDryOff = []string{"2024-05-01"}, "2025-03-10" })
	s.tell(&events.Treatment{Common: on("2025-02-20"), Foot: "RH", Claw: "inner", What: "block"})
	s.tell(&events.Examination{Common: on("2024-12-01"), Outcome: "clear", Reasons: []string{"routine"}})
	r := s.wants("2025-03-20", "this visit block-dry, this visit dry-passed, planned block-check")
	if r == nil || !strings.Contains(r.Reasons[0].Text, "still on at drying off, planned for 2025-03-10 and not recorded: dried?") ||
		r.Reasons[1].Text != "planned dry-off 2025-03-10 passed, none recorded: dried? check before drying off missed" {
		t.Errorf("got %+v", r)
	}
	s.tell(&events.Examination{Common: on("2025-03-21"), Outcome: "clear", Reasons: []string{"dry-off"}})
	s.wants("2025-03-21", "this visit block-dry, planned block-check")
}

// A wrap that was to come off and did not is said with both milkings, so that a list
// and the report of the visit before name the same one.
func TestMake_TheMilkingThatWasMissedIsNamed(t *testing.T) {
	s := newTale(t)
	s.cow(func(*events.Animal) {})
	s.tell(wrap("2025-03-13T08:05"))
	off := "wrap on RH since 2025-03-13 08:05: off at the milking of 2025-03-14 17:00, late from 2025-03-15 08:05"
	if r := s.wants("2025-03-13", "planned wrap-on, routine never-examined"); r == nil || r.Reasons[0].Text != off {
		t.Errorf("got %+v, want %s", r, off)
	}
	if v := s.report("2025-03-13"); len(v.ComeOff) != 1 || v.ComeOff[0].Text != off {
		t.Errorf("the report: got %+v, want %s", v.ComeOff, off)
	}
	missed := "wrap on RH since 2025-03-13 08:05: was to be off at the milking of 2025-03-14 17:00, not recorded: off at the milking of 2025-03-15 06:00, late from 2025-03-15 08:05"
	if r := s.wants("2025-03-14", "today wrap-due, routine never-examined"); r == nil || r.Reasons[0].Text != missed {
		t.Errorf("got %+v, want %s", r, missed)
	}
}

// Two sources with one lesion on opposite feet put one block on one foot: which?
func TestMake_WhichFoot(t *testing.T) {
	s := newTale(t)
	s.cow(func(*events.Animal) {})
	for i, foot := range []string{"RH", "LH"} {
		source := []string{"log", "two"}[i]
		s.w.put(line{farm: "f", source: source, record: "r", slot: "l", payload: &events.Lesion{Common: on("2025-03-08"), Foot: foot, Claw: "outer", Code: "SU"}})
		s.w.put(line{farm: "f", source: source, record: "r", slot: "b", payload: &events.Treatment{Common: on("2025-03-08"), Foot: foot, Claw: "inner", What: "block"}})
	}
	h := herdOf(t, &s.w.log)
	l := worklist.Make(input(t, h, "f", "2025-03-09"), worklist.Options{})
	if len(l.Rows) != 1 || l.Rows[0].Reasons[0].Text != "block, and on which foot? two has it on LH inner since 2025-03-08; log has it on RH inner since 2025-03-08: look" {
		t.Errorf("got %+v", l.Rows)
	}
	if c := l.Unseen.Conflicts; len(c) != 1 || len(c[0].Events) != 4 || len(c[0].Cows) != 1 || c[0].Cows[0] != tagOf(1) ||
		!strings.HasPrefix(c[0].Text, tagOf(1)+": log has SU on RH on 2025-03-08, two has SU on LH") || !strings.Contains(c[0].Text, "(events "+string(c[0].Events[0])+", ") {
		t.Errorf("the contradiction: %+v", c)
	}
}

// Who was not scored of late is counted, though somebody was.
func TestMake_CountsWhoWasNotScored(t *testing.T) {
	d := &dice{Rand: newRand(3), farm: "f"}
	none := 0
	for c := range 5 {
		parity := 2
		a := &events.Animal{Common: events.Common{Animal: d.ids(c)}, Born: "2019-03-01", Sex: "female", Parity: &parity}
		switch c {
		case 3:
			a.Parity = &none // a heifer
		case 4:
			a.Left = "2025-03-01"
		}
		d.lines = append(d.lines, line{farm: "f", source: "roster", record: fmt.Sprint("cow", c), payload: a})
	}
	for c, n := range []int{40, 12} {
		common := events.Common{Animal: d.ids(c), Occurred: events.Occurred{Date: day(n), Precision: "date"}}
		l := &events.Locomotion{Common: common, Scale: "mob4-uk", Score: events.DecimalOf(0, 0)}
		l.Derived.Lame = "no"
		d.add("scores", "s", l)
		d.rec++
	}
	l := worklist.Make(input(t, herdOf(t, &d.write().log), "f", day(60)), worklist.Options{})
	for _, c := range l.Cannot {
		if c.Code == "scores-few" && c.Text == "2 of 3 cows were not scored within 28 days: whether these are lame now cannot be worked out" {
			return
		}
	}
	t.Errorf("got %+v", l.Cannot)
}

// A held record that names her is said on her row.
func TestMake_SaysWhichHeldRecordIsHers(t *testing.T) {
	s := newTale(t)
	s.cow(func(*events.Animal) {})
	in := input(t, herdOf(t, &s.w.log), "f", "2025-03-10")
	in.HeldOf = map[string]worklist.Held{worklist.HeldKey(strings.ToLower(tagOf(1)[:4]) + " " + tagOf(1)[4:]): {ID: "h-1", Day: "2025-03-09"}}
	l := worklist.Make(in, worklist.Options{})
	if len(l.Rows) != 1 || len(l.Rows[0].Notes) != 1 || l.Rows[0].Notes[0] != "a record of her of 2025-03-09 is held and not read: h-1" {
		t.Errorf("got %+v", l.Rows)
	}
}
