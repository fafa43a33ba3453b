package events_test

import (
	"testing"

	"dewclaw/events"
)

// The payloads hold what makes the two ways to a digest differ if one is wrong:
// numbers, brackets and quotes in texts, a member named like an uncounted one
// inside a text, no counted member at all.
func TestStoredDigest_AgreesWithTheEncoder(t *testing.T) {
	size, err := events.ParseDecimal("-82.55")
	if err != nil {
		t.Fatal(err)
	}
	parity := 3
	common := events.Common{
		Animal:   []events.Identifier{{Scheme: "ear-tag", Value: `DE 09 "412" \ 1-2`}},
		Occurred: events.Occurred{Date: "2026-03-04", Precision: "date"},
		Remarks:  []events.Remark{{Foot: "RH", Text: "a {\"notes\":[1]} , \"origin\":{ 4"}},
		Derived:  events.Derived{Gait: []int{1, 2}, Rules: "1"},
		Notes:    []events.Note{{Code: "x", Detail: "1 2"}},
		Origin:   events.Origin{Archive: "00", Line: 7},
		Words:    events.Words{{Field: "claw", Text: "außen 5"}},
	}
	tests := []events.Payload{
		&events.Lesion{
			Common: common, Code: "SU", SizeMM: size, DDAssociated: true,
			Zones: events.Zones{Map: "m", Numbers: []int{0, 12}}, Severity: events.Severity{Scale: "grade-3", Value: "3"},
		},
		&events.Examination{Common: common, Pass: 2, Feet: []events.FootExam{{Foot: "LF", Examined: "yes"}}},
		&events.Locomotion{Common: common, Score: events.DecimalOf(25, 1), Observer: "p-1"},
		&events.Animal{Common: common, Parity: &parity},
		&events.Decision{Who: "p-1"},
		&events.Visit{Operators: []string{"p-1"}},
	}
	for _, p := range tests {
		var x events.Encoder
		data, want := x.Append(nil, p)
		if got := events.StoredDigest(data); got != want {
			t.Errorf("%s: got %v, want %v, of %s", p.Kind(), got, want, data)
		}
	}
}

func TestEntry_EventFindsTheRevisionBeforeInItsOwnEntry(t *testing.T) {
	var r events.RecordID
	r[3] = 1
	open := events.AppendOpen(nil, events.Envelope{Kind: events.KindLesion, Entity: r.Entity(events.Slot{2})}, []byte(`{}`))
	e := &events.Entry{V: 1, At: 9, Time: "2026-04-01T00:00:00Z"}
	e.Events = append(e.Events,
		events.AppendRevision(nil, open, events.Revision{Number: 1, Change: events.Recorded}),
		events.AppendRevision(nil, open, events.Revision{Number: 2, Change: events.Amended, Before: &events.Place{Index: 0}}),
		events.AppendRevision(nil, open, events.Revision{Number: 3, Change: events.Amended, Before: &events.Place{Position: 7, Index: 4}}),
	)
	b, err := e.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	got, err := events.ParseEntry(b)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []events.Place{{}, {Position: 9}, {Position: 7, Index: 4}} {
		ev, err := got.Event(i)
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 && ev.Before != nil {
			t.Errorf("event 0: got a revision before it")
		}
		if i > 0 && *ev.Before != want {
			t.Errorf("event %d: got %v, want %v", i, *ev.Before, want)
		}
	}
}
