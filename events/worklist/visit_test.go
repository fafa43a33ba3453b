package worklist_test

import (
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/worklist"
)

// report makes the report of a day.
func (s *tale) report(day string) *worklist.Visit {
	s.Helper()
	h := herdOf(s.T, &s.w.log)
	v, err := h.View(s.Context())
	if err != nil {
		s.Fatal(err)
	}
	defer v.Close()
	facts, err := v.Facts(s.Context(), herd.FactQuery{Farm: "f", From: day, To: day})
	if err != nil {
		s.Fatal(err)
	}
	return worklist.Report(input(s.T, h, "f", day), facts, "", day)
}

const visitDay = "2025-03-10"

func seen(outcome string, feet ...string) *events.Examination {
	x := &events.Examination{Common: on(visitDay), Outcome: outcome, Reasons: []string{"routine"}}
	for _, f := range feet {
		foot, result, _ := strings.Cut(f, " ")
		x.Feet = append(x.Feet, events.FootExam{Foot: foot, Examined: "yes", Result: result})
	}
	return x
}

func ulcer(foot, course string) *events.Lesion {
	return &events.Lesion{Common: on(visitDay), Foot: foot, Claw: "outer", Code: "SU", Course: course}
}

func TestReport_Counts(t *testing.T) {
	block := &events.Treatment{Common: on(visitDay), Foot: "RH", Claw: "inner", What: "block"}
	tests := []struct {
		name string
		told [][]events.Payload // by source
		want worklist.VisitCounts
		feet string
	}{
		{"clear", [][]events.Payload{{seen("clear", "LH clear", "RH clear")}}, worklist.VisitCounts{Animals: 1, Examined: 1, Feet: 2, Clear: 1}, "LH, clear; RH, clear"},
		{"rows of it are held", [][]events.Payload{{seen("incomplete", "LH clear", "RH findings")}}, worklist.VisitCounts{Animals: 1, Examined: 1, Feet: 2, Incomplete: 1}, "LH; RH"},
		{"told healed", [][]events.Payload{{seen("findings", "RH findings"), ulcer("RH", "healed")}}, worklist.VisitCounts{Animals: 1, Examined: 1, Feet: 1, Clear: 1}, "RH"},
		{"a wrap that came off, and no look", [][]events.Payload{{&events.TakenOff{Common: on(visitDay), Foot: "RH", Claw: "none", What: "wrap", How: "taken-off"}}},
			worklist.VisitCounts{Animals: 1, Off: 1}, ""},
		{"a block that was looked at", [][]events.Payload{{&events.Check{Common: on(visitDay), Foot: "RH", Claw: "inner", What: "block", State: "on"}}}, worklist.VisitCounts{Animals: 1}, ""},
		{"two sources tell of one thing", [][]events.Payload{{seen("findings", "RH findings"), ulcer("RH", ""), block}, {seen("findings", "RH findings"), ulcer("RH", ""), block}},
			worklist.VisitCounts{Animals: 1, Examined: 1, Feet: 1, Findings: 1, Blocks: 1}, "RH"},
		{"the ulcer is on the foot that was told clear", [][]events.Payload{{seen("findings", "LH findings", "RH clear"), ulcer("RH", "")}},
			worklist.VisitCounts{Animals: 1, Examined: 1, Feet: 2, Findings: 1}, "LH, no finding that stands; RH"},
	}
	for _, tt := range tests {
		s := newTale(t)
		s.cow(func(*events.Animal) {})
		for i, facts := range tt.told {
			for k, p := range facts {
				s.w.put(line{farm: "f", source: []string{"chute", "vet"}[i], record: "r", slot: string(rune('a' + k)), payload: p})
			}
		}
		v := s.report(visitDay)
		if v.Counts != tt.want || len(v.Animals) != 1 || strings.Join(v.Animals[0].Feet, "; ") != tt.feet {
			t.Errorf("%s: got %+v, want %+v; %+v, want feet %s", tt.name, v.Counts, tt.want, v.Animals, tt.feet)
		}
		if len(v.Animals) == 1 && (len(v.Animals[0].Found) > 1 || len(v.Animals[0].Done) > 1) {
			t.Errorf("%s: told twice: %+v", tt.name, v.Animals[0])
		}
	}
}

// Of a block whose end its source changed the report says what the list says, and of
// one that should be off by long ago that it is overdue.
func TestReport_WhenBlocksComeOff(t *testing.T) {
	s := newTale(t)
	s.cow(func(*events.Animal) {})
	block := func(planned string) *events.Treatment {
		return &events.Treatment{Common: on("2025-03-01"), Foot: "RH", Claw: "inner", What: "block", PlannedOff: planned}
	}
	s.tell(block("2025-03-20"))
	s.again("r1", events.Amended, block("2025-03-30"))
	s.tell(&events.Check{Common: on("2025-03-22"), Foot: "RH", Claw: "inner", What: "block", State: "on"},
		&events.Check{Common: on("2025-04-05"), Foot: "RH", Claw: "inner", What: "block", State: "on"})
	both := "look at it from 2025-03-20, off by 2025-03-30 (its source changed its end: the later one, 2025-03-30, holds until a person confirms)"
	r := s.row("2025-03-22", worklist.Options{})
	if v := s.report("2025-03-22"); r == nil || !strings.Contains(r.On[0].Text, both) || len(v.ComeOff) != 1 || !strings.Contains(v.ComeOff[0].Text, both) || v.ComeOff[0].When != "2025-03-30" {
		t.Errorf("the list: %+v; the report: %+v; want %s", r, v.ComeOff, both)
	}
	if v := s.report("2025-04-05"); len(v.ComeOff) != 1 || !strings.Contains(v.ComeOff[0].Text, "off by 2025-03-20, overdue by 16 days") {
		t.Errorf("overdue: %+v", v.ComeOff)
	}
}

func TestReport_NamesTheLastDayWithRecords(t *testing.T) {
	s := newTale(t)
	s.cow(func(*events.Animal) {})
	s.tell(seen("clear", "LH clear"))
	if v := s.report("2025-05-01"); v.Last != visitDay || slices.ContainsFunc(v.Animals, func(worklist.Visited) bool { return true }) {
		t.Errorf("got %+v, want the last day %s", v, visitDay)
	}
}
