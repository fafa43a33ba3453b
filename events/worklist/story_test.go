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
