package measures_test

import (
	"fmt"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/measures"
)

// exam makes an examination of cow n with these feet examined.
func exam(n int, day, reason string, feet ...string) herd.Fact {
	p := &events.Examination{Outcome: "findings", Reasons: []string{reason}}
	for _, f := range feet {
		p.Feet = append(p.Feet, events.FootExam{Foot: f, Examined: "yes"})
	}
	return herd.Fact{Entity: events.Entity(fmt.Sprintf("exam.%d.%s", n, day)), Day: day, Animal: fmt.Sprint("c", n), Known: true, Payload: p}
}

// lesion makes a finding of that examination.
func lesion(n int, day, foot, claw, code string, zones ...int) herd.Fact {
	p := &events.Lesion{Foot: foot, Claw: claw, Code: code, Zones: events.Zones{Map: "claw-zones-13", Numbers: zones}}
	p.Examination = events.Entity(fmt.Sprintf("exam.%d.%s", n, day))
	return herd.Fact{Entity: events.Entity(fmt.Sprintf("lesion.%d.%s.%s.%s.%s", n, day, foot, claw, code)), Day: day, Animal: fmt.Sprint("c", n), Known: true, Payload: p}
}

func staged(f herd.Fact, stage string) herd.Fact {
	f.Payload.(*events.Lesion).Stage = stage
	f.Entity += events.Entity("." + stage)
	return f
}

// trimmed is four cows on the chute, one of them twice; cow 5 was not.
func trimmed() *measures.Data {
	return &measures.Data{Animals: cows(5), Exams: []herd.Fact{
		exam(1, "2025-03-05", "routine", "LF", "RF", "LH", "RH"),
		lesion(1, "2025-03-05", "LH", "outer", "SU", 4),
		lesion(1, "2025-03-05", "LH", "outer", "WLF", 3),
		exam(1, "2025-04-05", "recheck", "LH"),
		lesion(1, "2025-04-05", "LH", "outer", "SU", 4),
		exam(2, "2025-03-05", "routine", "LF", "RF", "LH", "RH"),
		exam(3, "2025-03-05", "lame", "RH"),
		lesion(3, "2025-03-05", "RH", "inner", "U", 5),
		staged(lesion(3, "2025-03-05", "RH", "none", "DD", 10), "M2"),
		exam(4, "2025-03-05", "routine", "LH", "RH"),
		staged(lesion(4, "2025-03-05", "LH", "none", "DD", 10), "M4"),
		staged(lesion(4, "2025-03-05", "RH", "none", "DD", 10), ""),
	}}
}

func TestLesions_CountOnlyWhatWasExamined(t *testing.T) {
	r := work(t, trimmed(), question(), "lesions")
	wants(t, r, map[string]string{
		"animals.any": "75 3/4",
		"animals.U":   "50 2/4",
		"animals.SU":  "25 1/4",
		"animals.WL":  "25 1/4",
		"animals.DD":  "50 2/4",
		"feet.any":    "36.36 4/11", // 4 + 4 + 1 + 2 feet; LH of cow 1, RH of 3, both of 4
		"feet.U":      "18.18 2/11",
		"claws.U":     "9.091 2/22",
		"claws.any":   "9.091 2/22", // skin belongs to no claw
		// by reason
		"animals.routine.any": "66.67 2/3",
		"animals.lame.any":    "100 1/1",
		"animals.recheck.U":   "100 1/1",
	})
	if f := r.Figure("animals.any"); *f.Seen != 4 || *f.Eligible != 5 {
		t.Errorf("seen %d of %d, wanted 4 of 5", *f.Seen, *f.Eligible)
	}
}

func TestLesions_AClawThatIsGoneIsInNoDenominator(t *testing.T) {
	d := trimmed()
	d.Claws = []herd.LostClaw{{Animal: "c2", Foot: "RH", Claw: "inner", State: "absent", Since: "2025-01-01"}}
	wants(t, work(t, d, question(), "lesions"), map[string]string{"claws.any": "9.524 2/21", "feet.any": "36.36 4/11"})
	d.Claws[0].Since = "2025-03-05" // she had it on the day it was taken off
	wants(t, work(t, d, question(), "lesions"), map[string]string{"claws.any": "9.091 2/22"})
	d.Claws[0].Since, d.Claws[0].State = "2025-01-01", "capsule-lost" // the claw is there, without its horn
	wants(t, work(t, d, question(), "lesions"), map[string]string{"claws.any": "9.091 2/22"})
}

func TestLesions_LeavesOutWhatCannotBeSeenWhole(t *testing.T) {
	for _, x := range []struct {
		name    string
		change  func(*events.Examination, *herd.Fact)
		want    string
		because string
	}{
		{"held rows", func(p *events.Examination, _ *herd.Fact) { p.Outcome = "incomplete" }, "66.67 2/3", "incomplete"},
		{"not done", func(p *events.Examination, _ *herd.Fact) { p.Outcome = "not-done" }, "66.67 2/3", "not carried out"},
		{"in doubt", func(_ *events.Examination, f *herd.Fact) { f.Doubts = []string{"mirrored-foot"} }, "66.67 2/3", "contradict"},
	} {
		d := trimmed()
		x.change(d.Exams[6].Payload.(*events.Examination), &d.Exams[6]) // of cow 3
		r := work(t, d, question(), "lesions")
		wants(t, r, map[string]string{"animals.any": x.want})
		if leftOut(r, x.because) == 0 {
			t.Errorf("%s: left out is %v", x.name, r.LeftOut)
		}
	}
}

func TestLesions_AHealedOneIsNoneOnAFootThatWasSeen(t *testing.T) {
	d := trimmed()
	d.Exams[7].Payload.(*events.Lesion).Course = "healed"
	wants(t, work(t, d, question(), "lesions"), map[string]string{"animals.U": "25 1/4", "feet.U": "9.091 1/11"})
}

func TestZones_CountClawsAndFeet(t *testing.T) {
	wants(t, work(t, trimmed(), question(), "zones"), map[string]string{
		"zone.hind.outer.4":  "14.29 1/7", // hind feet: 2 + 2 + 1 + 2
		"zone.hind.outer.3":  "14.29 1/7",
		"zone.hind.inner.5":  "14.29 1/7",
		"zone.hind.foot.10":  "42.86 3/7",
		"zone.front.inner.4": "0 0/4",
	})
}

func TestDermatitis_ByStageOfTheNewestExamination(t *testing.T) {
	d := trimmed()
	wants(t, work(t, d, question(), "dermatitis"), map[string]string{
		"active.feet":    "9.091..18.18 1/11", // RH of cow 4: nobody told the stage
		"active.animals": "25..50 1/4",
		"stage.M2":       "9.091 1/11",
		"stage.M4":       "9.091 1/11",
		"stage.not-told": "9.091 1/11",
		"stage.none":     "72.73 8/11",
	})
	d.Exams = append(d.Exams, exam(3, "2025-04-20", "recheck", "RH"))
	wants(t, work(t, d, question(), "dermatitis"), map[string]string{"active.feet": "0..9.091 0/11"})
}

// lesionCase is a case of class U of cow n on LH outer.
func lesionCase(n int, first, healed string, recurrence bool) herd.Case {
	return herd.Case{
		Animal: fmt.Sprint("c", n), Known: true, Class: "U", Foot: "LH", Claw: "outer", First: first, Last: first, Healed: healed,
		Open: healed == "", Recurrence: recurrence,
		Seen: []herd.Sighting{{Day: first, Lesions: []herd.Found{{Code: "SU", Reports: []herd.Report{{Entity: events.Entity(fmt.Sprint("case.", n, ".", first))}}}}}},
	}
}

func TestCases_PerTimePresent(t *testing.T) {
	d := &measures.Data{Animals: cows(4), Cases: []herd.Case{
		lesionCase(1, "2025-02-01", "2025-03-01", false), // before the period
		lesionCase(1, "2025-04-01", "", true),
		lesionCase(2, "2025-03-02", "2025-03-20", false),
		lesionCase(9, "2025-03-02", "", false), // no roster knows her
	}}
	d.Animals[2].Stays = []herd.Stay{{Entered: "2025-04-21"}}
	d.Animals[3].Stays = []herd.Stay{{Entered: "2024-01-01", Left: "2025-03-11"}}
	r := work(t, d, question(), "cases")
	// 61 days for cows 1 and 2, 10 for cow 3 and 10 for cow 4: 142 cow-days.
	wants(t, r, map[string]string{
		"new.any.year":  "514.4 2 in 142",
		"new.U.month":   "42.87 2 in 142",
		"again.U.month": "21.43 1 in 142",
	})
	if leftOut(r, "no roster") != 1 {
		t.Errorf("left out: %v", r.LeftOut)
	}
}

func TestRecurrence_WatchesUntilSheLeft(t *testing.T) {
	d := &measures.Data{Animals: cows(3), Cases: []herd.Case{
		lesionCase(1, "2024-12-20", "2025-01-01", false),
		lesionCase(1, "2025-02-10", "", true), // 40 days
		lesionCase(2, "2024-12-20", "2025-01-11", false),
		lesionCase(3, "2024-12-20", "2025-01-01", false),
	}}
	d.Animals[1].Stays = []herd.Stay{{Entered: "2024-01-01", Left: "2025-01-31"}} // 20 days
	q := question()
	q.From, q.To = "2025-01-01", "2025-12-31"
	r := work(t, d, q, "recurrence")
	// At risk at 40 days: cows 1 and 3; half of them came back.
	wants(t, r, map[string]string{"again.any-lesion.90": "50 1/3", "again.any-lesion.median": "40 1/3"})
	if len(r.Curves) != 1 || r.Curves[0].N != 3 {
		t.Errorf("curves: %+v", r.Curves)
	}
}

// Where all came back nobody is watched any longer, and all are back ever after.
func TestRecurrence_OfAllIsAll(t *testing.T) {
	d := &measures.Data{Animals: cows(5)}
	for n := range 5 {
		d.Cases = append(d.Cases, lesionCase(n+1, "2025-01-01", "2025-02-01", false), lesionCase(n+1, "2025-03-23", "", true)) // 50 days
	}
	q := question()
	q.From, q.To = "2025-01-01", "2025-12-31"
	r := work(t, d, q, "recurrence")
	wants(t, r, map[string]string{"again.any-lesion.90": "100 5/5", "again.any-lesion.180": "100 5/5", "again.any-lesion.median": "50 5/5"})
	if f := r.Figure("again.any-lesion.90"); len(f.Notes) > 0 || len(f.Intervals) > 0 {
		t.Errorf("notes %v, intervals %v", f.Notes, f.Intervals)
	}
}

// A claw that was cut off is watched until then: what has no claw has no recurrence.
func TestRecurrence_EndsWithTheClaw(t *testing.T) {
	d := &measures.Data{Animals: cows(3), Cases: []herd.Case{
		lesionCase(1, "2025-01-01", "2025-01-10", false),
		lesionCase(2, "2025-01-01", "2025-01-10", false),
		lesionCase(2, "2025-04-20", "", true),            // 100 days
		lesionCase(3, "2025-01-01", "2025-02-10", false), // found clear without the claw
	}, Claws: []herd.LostClaw{
		{Animal: "c1", Foot: "LH", Claw: "outer", State: "absent", Since: "2025-01-30"},
		{Animal: "c2", Foot: "LH", Claw: "inner", State: "absent", Since: "2025-01-30"},
		{Animal: "c3", Foot: "LH", Claw: "outer", State: "absent", Since: "2025-01-30"},
	}}
	q := question()
	q.From, q.To = "2025-01-01", "2025-12-31"
	r := work(t, d, q, "recurrence")
	wants(t, r, map[string]string{"again.any-lesion.90": "0 1/2", "again.any-lesion.180": "100 1/2"})
	if s := r.Curves[0].Steps; len(s) != 2 || s[0].T != 20 || s[0].Censored != 1 {
		t.Errorf("steps: %+v", s)
	}
	if leftOut(r, "loss of their claw") != 1 {
		t.Errorf("left out: %v", r.LeftOut)
	}
}

// Each part says how much of it was looked at; sections by reason warn of few animals.
func TestLesions_PartsSayHowMuchTheySaw(t *testing.T) {
	d := &measures.Data{Animals: cows(40)}
	for i := range d.Animals {
		parity := 1 + i%2
		d.Animals[i].Parity, d.Animals[i].AsOf = &parity, "2025-02-01"
	}
	for n := 1; n <= 10; n++ { // 5 of 20 of each parity
		d.Exams = append(d.Exams, exam(n, "2025-03-05", map[bool]string{true: "routine", false: "lame"}[n < 6], "LH"))
	}
	d.Exams = append(d.Exams, lesion(1, "2025-03-05", "LH", "outer", "SU", 4))
	q := question()
	q.By = measures.ByParity
	f := work(t, d, q, "lesions").Figure("animals.any.parity-1")
	if f.Seen == nil || *f.Seen != 5 || *f.Eligible != 20 || !strings.Contains(strings.Join(f.Cautions, "; "), "only 25 % of the cows") {
		t.Errorf("by parity: %+v", f)
	}
	q.By = measures.ByFoot
	if f = work(t, d, q, "lesions").Figure("feet.any.LH"); f.Seen == nil || *f.Seen != 10 || *f.Eligible != 40 || len(f.Cautions) == 0 {
		t.Errorf("by foot: %+v", f)
	}
	if said := strings.Join(work(t, d, question(), "lesions").Figure("animals.lame.any").Cautions, "; "); !strings.Contains(said, "few animals") {
		t.Errorf("by reason: %s", said)
	}
}

// Findings of all visits of a long time gather, and stand beside no range of one trim
// round; claws that are no more alike than chance have no design effect.
func TestLesions_AreComparedOfOneRound(t *testing.T) {
	until := func(last string) *measures.Data {
		d := &measures.Data{Animals: cows(40)}
		for n := 1; n <= 40; n++ {
			day := "2025-03-05"
			if n > 20 {
				day = last
			}
			d.Exams = append(d.Exams, exam(n, day, "routine", "LH", "RH"))
			if n <= 30 {
				d.Exams = append(d.Exams, lesion(n, day, []string{"LH", "RH"}[n%2], "outer", []string{"U", "WL", "SH", "HHE", "DD", "TS"}[n%6]))
			}
		}
		return d
	}
	r := work(t, until("2025-03-20"), question(), "lesions")
	if f := r.Figure("animals.any"); len(f.Ranges) == 0 {
		t.Errorf("one round: %+v", f)
	}
	// One of two feet of nearly all: less alike than chance.
	if said := strings.Join(r.Figure("feet.any").Notes, "; "); strings.Contains(said, "design effect") {
		t.Errorf("feet: %s", said)
	}
	f := work(t, until("2025-04-25"), question(), "lesions").Figure("animals.any")
	if len(f.Ranges) > 0 || !strings.Contains(strings.Join(f.Cautions, "; "), "one trim of each animal") {
		t.Errorf("two months: ranges %v, cautions %v", f.Ranges, f.Cautions)
	}
}

// The last day is alike, whether she leaves or is dried off: a case on it counts, and
// it is no time at risk (own choice).
func TestCases_OnTheLastDayCount(t *testing.T) {
	d := &measures.Data{Animals: cows(2), Cases: []herd.Case{lesionCase(1, "2025-03-11", "", false), lesionCase(2, "2025-03-11", "", false)}}
	d.Animals[0].Stays = []herd.Stay{{Left: "2025-03-11"}}
	d.Animals[1].DryOffs = []string{"2025-03-11"}
	q := question()
	q.Of = measures.InMilk
	wants(t, work(t, d, q, "cases"), map[string]string{"new.any.year": "3652 2 in 20"}) // 100 * 365.25 * 2 / 20 = 3652.5, to four digits
	d.Cases[1].First = "2025-03-12"
	r := work(t, d, q, "cases")
	if f := r.Figure("new.any.year"); *f.X != 1 || leftOut(r, "not among") != 1 {
		t.Errorf("a day later: %v, left out %v", says(f), r.LeftOut)
	}
}
