package schema

import (
	"testing"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

func ptr(n int) *int { return &n }

func dec(s string) events.Decimal {
	d, err := events.ParseDecimal(s)
	if err != nil {
		panic(err)
	}
	return d
}

const (
	someEntity  = events.Entity("0g00000000000000000000000000v")
	otherEntity = events.Entity("0g000000000000000000000000010")
	someHash    = "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"
)

// common is a Common with everything in it that a kind may have.
func common() events.Common {
	return events.Common{
		Animal: []events.Identifier{
			{Scheme: "ear-tag", Value: "DE 09 412 00731", From: "2024-01-01", To: "2026-12-31"},
			{Scheme: "herd-number", Value: "31"},
		},
		AsGiven:     events.AsGiven{DaysInMilk: "97", Parity: "3", Pen: "Stall 2"},
		Examination: someEntity,
		Occurred:    events.Occurred{Date: "2026-03-04", Offset: "+01:00", Precision: "minute", Time: "08:12", Zone: "Europe/Berlin"},
		Remarks:     []events.Remark{{Claw: "outer", Foot: "RH", Text: "deep, \"hot\" foot\nGröße ca. 1 cm"}},
		Role:        "trimmer",
		Derived:     events.Derived{Animal: []events.Identifier{{Scheme: "ear-tag", Value: "DE0941200731"}}, Rules: "1"},
		Notes:       []events.Note{{Code: "zone-unusual", Detail: "SU in zone 1"}},
		Origin:      events.Origin{Line: 4, LastLine: 5, Member: "a.csv", Message: "m-1", Path: "$['cattle'][0]", Archive: someHash},
		Words:       events.Words{{Field: "foot", Text: "HR"}, {Field: "severity.value", Text: "2"}},
	}
}

// payloads are valid payloads of every kind, with every member somewhere.
func payloads() []events.Payload {
	second := common()
	second.Occurred = events.Occurred{Date: "2026-03-29", Offset: "-05:00", Precision: "second", Time: "03:00:01", Zone: "America/Chicago"}
	ms := common()
	ms.Occurred = events.Occurred{Date: "2024-02-29", Offset: "+13:45", Precision: "ms", Time: "23:59:59.999"}
	day := common()
	day.Occurred = events.Occurred{Date: "2026-03-04", Precision: "date"}
	undated := common()
	undated.Occurred = events.Occurred{}
	visit := common()
	visit.Animal, visit.AsGiven, visit.Examination = nil, events.AsGiven{}, ""
	small := events.Common{Animal: []events.Identifier{{Scheme: "transponder", Value: "276000941200731"}}, Occurred: day.Occurred}
	bull := common()
	bull.Animal = []events.Identifier{{Scheme: "interbull", Value: "LIMFRAM008795005065"}}
	bull.Notes = nil
	for _, a := range codes.Advisories().All() {
		if a.Of == "record" {
			bull.Notes = append(bull.Notes, events.Note{Code: a.Code})
		}
	}
	gait := common()
	gait.Derived = events.Derived{Gait: []int{5, 6}, Lame: "yes", Severe: "yes", SevereNative: "yes", Rules: "1"}
	wrap := common()
	wrap.Derived = events.Derived{DueOff: "2026-03-05T08:12:00+01:00", LateFrom: "2026-03-06", Rules: "1"}
	return []events.Payload{
		&events.Visit{
			Common: visit, Begin: "2026-03-04T08:00:00+01:00", Booked: ptr(40), Chosen: "all", Device: "tablet", Eligible: ptr(80),
			End: "2026-03-04", EndedEarly: "rain", Floor: "concrete", Operators: []string{"p-1", "p-2"}, Pens: []string{"1"},
			Purpose: "whole-herd", Shown: ptr(0),
		},
		&events.Examination{
			Common: second, Outcome: "findings", Pass: 2, Reasons: []string{"lame", "routine"}, Restraint: "tilt",
			Feet: []events.FootExam{
				{Examined: "yes", Foot: "RH", Result: "findings", Trimmed: "corrective"}, {Examined: "no", Foot: "LF"}, {Examined: "unknown", Foot: "LH"},
			},
		},
		&events.Examination{Common: small, Outcome: "not-done", NotDone: "refused"},
		&events.Examination{Common: small, Outcome: "clear"},
		&events.Lesion{
			Common: ms, Claw: "outer", Code: "SU", Course: "worse", DDAssociated: true, Foot: "RH",
			Severity: events.Severity{Scale: "words-3", Value: "moderate"}, SizeMM: dec("15.5"), Site: "above the coronet",
			Signs: []events.Sign{{Sign: "swelling", Detail: "to the fetlock"}, {Sign: "pus"}},
			Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{4, 12, 0}},
		},
		&events.Lesion{Common: day, Claw: "none", Code: "DD", Foot: "LH", Stage: "M4.1", Zones: events.Zones{Map: "claw-zones-11", Numbers: []int{10}}},
		&events.Lesion{Common: small, Code: "OTHER", Description: "Horn säule"},
		&events.Treatment{
			Common: wrap, Claw: "none", Foot: "LH", For: otherEntity, What: "wrap", PlannedOff: "2026-03-05",
			Device: events.Device{HeightMM: dec("25"), Material: "cotton", Purpose: "protect"},
			Medicine: events.Medicine{
				Batch: "B1", Days: "3", Name: "paste", OrderedBy: "vet", Quantity: "2 g", Route: "on the skin",
				Meat: events.Withdrawal{State: "until", Until: "2026-03-09"}, Milk: events.Withdrawal{State: "zero"},
			},
		},
		&events.Treatment{Common: small, What: "block"},
		&events.Lesion{Common: bull, Code: "IP", Foot: "RF"},
		&events.TakenOff{Common: common(), Claw: "inner", Foot: "RH", How: "found-gone", Since: "2026-03-01", What: "block"},
		&events.TakenOff{Common: small, What: "wrap"},
		&events.Check{Common: common(), Claw: "outer", Foot: "RH", Since: "2026-03-03", State: "gone", What: "block"},
		&events.Check{Common: small, State: "rocking", What: "block"},
		&events.Check{Common: small, State: "loose", What: "wrap", Foot: "LF"},
		&events.Check{Common: small, State: "not-healing", What: "wound", Foot: "LF", Claw: "none"},
		&events.Claw{Common: common(), Cause: "amputated", Claw: "outer", Foot: "RH", Since: "2026-02-27", State: "absent"},
		&events.Claw{Common: small, Cause: "injury", Claw: "unknown", Foot: "LF", State: "capsule-lost", Until: "2026-06-01"},
		&events.Order{
			Common: common(), Cancels: []string{"wrap-time", "orders"}, Claw: "none", Detail: "keep dry", Due: "2026-03-08T10:00:00+01:00", Foot: "LH",
			OrderedBy: "vet", Until: "2026-03-08", What: "leave-wrap",
		},
		&events.Order{Common: small, What: "recheck", Due: "2026-04-01"},
		&events.Order{Common: small, What: "lift", Cancels: []string{"trim-time"}},
		&events.Order{Common: small, What: "other", Detail: "straw, and look at her every day"},
		&events.Group{Common: visit, Concentration: "5 %", Passed: ptr(118), Pens: []string{"2", "fresh cows"}, Product: "copper sulphate", What: "footbath"},
		&events.Group{Common: events.Common{Occurred: day.Occurred}, What: "spray"},
		&events.Locomotion{Common: gait, BlockOn: "yes", Limb: "LH", Observer: "o-7", Scale: "mob4-uk", Score: dec("3"), WrapOn: "unknown"},
		&events.Locomotion{Common: small, Scale: "nrs5", Score: dec("2.5")},
		&events.Locomotion{Common: small, Scale: "vas100", Score: dec("99.75")},
		&events.Locomotion{Common: small, Scale: "sensor", Score: dec("-0.004")},
		&events.Locomotion{Common: small, Scale: "sls4", NotScorable: "lying"},
		&events.Locomotion{Common: small, Scale: "vas100", Score: dec("41.5"), Cuts: events.Cuts{Lame: dec("40"), Severe: dec("72.5")}},
		&events.Locomotion{Common: small, Scale: "classes-4", Score: dec("3"), Cuts: events.Cuts{Lame: dec("3")}},
		&events.Locomotion{Common: small, Scale: "loc9-half", Score: dec("4.5"), Cuts: events.Cuts{Severe: dec("4.5")}},
		&events.ClawMeasure{
			Common: common(), Claw: "outer", Foot: "RF", Landmark: "hairline", Method: "tape", Unit: "mm", Value: dec("82.55"),
			What: "toe-length", When: "after",
		},
		&events.ClawMeasure{Common: small, Unit: "deg", Value: dec("20"), What: "claw-angle"},
		&events.Animal{
			Common: undated, Born: "2021-05-02", Breed: "HOL", Calvings: []string{"2023-04-01", "2025-11-28"}, DriedOff: "2025-10-01",
			Entered: "2021-05-02", ExpectedCalving: "2026-12-01", Left: "2026-12-31", LeftWhy: "sold", Parity: ptr(3), Pen: "2",
			PenFrom: "2026-01-01", PlannedDryOff: "2026-10-05", Services: []string{"2026-02-24"}, Sex: "female", Use: "milk",
		},
		&events.Decision{
			Common: small, Action: "same-animal", Other: []events.Identifier{{Scheme: "ear-tag", Value: "DE0941200731"}}, Who: "p-1", Why: "new tag",
		},
		&events.Decision{
			Common: visit, Action: "change-value", Set: []events.Assignment{{Field: "code", From: "SU", To: "SH"}, {Field: "stage"}},
			Targets: []events.Entity{someEntity, otherEntity}, Who: "p-1", Why: "typing error",
		},
		&events.Decision{Common: events.Common{}, Action: "drop-held", Held: "h-0123456789av", Who: "p-1", Why: "test row"},
	}
}

// A sample is the data of one event.
type sample struct {
	kind events.Kind
	data []byte
}

func samples() []sample {
	var x events.Encoder
	var out []sample
	for _, p := range payloads() {
		b, _ := x.Append(nil, p)
		out = append(out, sample{p.Kind(), b})
	}
	return out
}

func TestSamples_CoverEveryKind(t *testing.T) {
	seen := map[events.Kind]bool{}
	for _, s := range samples() {
		seen[s.kind] = true
	}
	for _, k := range events.Kinds() {
		if !seen[k] {
			t.Errorf("no sample of kind %s", k)
		}
	}
}
