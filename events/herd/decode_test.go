package herd

import (
	"errors"
	"reflect"
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dewclaw/events"
)

// anyPayload draws a payload of a kind with any of its fields set.
func anyPayload(t *rapid.T, k events.Kind) events.Payload {
	p := k.New()
	some := rapid.StringMatching(`[a-z"\\ {},\[\]:äß0-9-]{0,12}`)
	for _, f := range k.Fields() {
		if !f.Settable() || !rapid.Bool().Draw(t, f.Name) {
			continue
		}
		var v events.Value
		switch f.Type {
		case events.DecimalField:
			v.Number = events.DecimalOf(rapid.Int64Range(-9999, 9999).Draw(t, f.Name), rapid.IntRange(0, 3).Draw(t, "places"))
		case events.IntegerField:
			v.Number = events.DecimalOf(rapid.Int64Range(0, 99).Draw(t, f.Name), 0)
		case events.TextsField, events.CodesField, events.DaysField:
			v.List = rapid.SliceOfN(some, 1, 3).Draw(t, f.Name)
		case events.IntegersField:
			for _, n := range rapid.SliceOfN(rapid.IntRange(0, 12), 1, 3).Draw(t, f.Name) {
				v.List = append(v.List, strconv.Itoa(n))
			}
		case events.TruthField:
			v.Text = "true"
		default:
			v.Text = some.Draw(t, f.Name)
		}
		f.Set(p, v)
	}
	c := p.Base()
	c.Animal = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) events.Identifier {
		return events.Identifier{Scheme: some.Draw(t, "scheme"), Value: some.Draw(t, "value"), From: some.Draw(t, "from"), To: some.Draw(t, "to")}
	}), 0, 2).Draw(t, "animal")
	c.Examination = events.Entity(some.Draw(t, "examination"))
	c.Occurred = events.Occurred{Date: some.Draw(t, "date"), Time: some.Draw(t, "time"), Zone: some.Draw(t, "zone"), Offset: some.Draw(t, "offset"), Precision: some.Draw(t, "precision")}
	c.Remarks = []events.Remark{{Claw: some.Draw(t, "claw"), Foot: some.Draw(t, "foot"), Text: some.Draw(t, "text")}}
	c.Derived = events.Derived{Animal: c.Animal, DueOff: some.Draw(t, "due"), LateFrom: some.Draw(t, "late"), Gait: []int{0, 6},
		Lame: some.Draw(t, "lame"), Severe: some.Draw(t, "severe"), SevereNative: some.Draw(t, "native"), Rules: some.Draw(t, "rules")}
	c.Notes = []events.Note{{Code: some.Draw(t, "note"), Detail: some.Draw(t, "detail")}}
	c.Origin = events.Origin{Archive: some.Draw(t, "archive"), Line: 3, LastLine: 4, Member: some.Draw(t, "member"), Message: some.Draw(t, "message"), Path: some.Draw(t, "path")}
	c.Words = events.Words{{Field: "foot", Text: some.Draw(t, "word")}}
	special(t, p, some)
	return p
}

// special fills what no field names.
func special(t *rapid.T, p events.Payload, some *rapid.Generator[string]) {
	switch p := p.(type) {
	case *events.Examination:
		p.Feet = []events.FootExam{{Foot: some.Draw(t, "foot"), Examined: "yes", Result: some.Draw(t, "result"), Trimmed: some.Draw(t, "trimmed")}, {Foot: "RH", Examined: "no"}}
	case *events.Lesion:
		p.Signs = []events.Sign{{Sign: "pus", Detail: some.Draw(t, "detail")}}
	case *events.Treatment:
		p.For = events.Entity(some.Draw(t, "for"))
	case *events.Decision:
		p.Other = p.Animal
		p.Set = []events.Assignment{{Field: some.Draw(t, "field"), From: some.Draw(t, "from"), To: some.Draw(t, "to")}}
		p.Targets = []events.Entity{"a", events.Entity(some.Draw(t, "target"))}
	}
}

// The decoder of the standard library is the outside here: encoding/json by way
// of events.DecodePayload.
func TestDecode_AgreesWithEvents(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.SampledFrom(events.Kinds()).Draw(t, "kind")
		var x events.Encoder
		data, _ := x.Append(nil, anyPayload(t, k))
		want, err := events.DecodePayload(k, data)
		if err != nil {
			t.Fatal(err)
		}
		got, err := payload(k, data)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("%s:\ngot  %+v\nwant %+v", data, got, want)
		}
	})
}

func TestDecode_RefusesWhatIsCutOff(t *testing.T) {
	var x events.Encoder
	whole, _ := x.Append(nil, &events.Lesion{Common: events.Common{Animal: []events.Identifier{{Scheme: "ear-tag", Value: "DE1"}}}, Code: "SU", Zones: events.Zones{Map: "m", Numbers: []int{4}}})
	for end := range whole {
		if _, err := payload(events.KindLesion, whole[:end]); !errors.Is(err, events.ErrCorrupt) {
			t.Errorf("%s: got %v, want an error of kind corrupt", whole[:end], err)
		}
	}
}

// The calendar of the standard library is the outside here.
func TestDay_AgreesWithTheCalendar(t *testing.T) {
	for d := day(-200_000); d < 200_000; d += 13 {
		s := time.Unix(0, 0).UTC().AddDate(0, 0, int(d)).Format(time.DateOnly)
		if len(s) != 10 {
			continue
		}
		got, ok := parseDay(s)
		if !ok || got != d || got.String() != s {
			t.Fatalf("%s: got %d (%v) and back %s, want %d", s, got, ok, got, d)
		}
	}
	for _, s := range []string{"", "2026-13-01", "2026-00-01", "2026-01-32", "20260101", "2026-1-1", "x026-01-01"} {
		if _, ok := parseDay(s); ok {
			t.Errorf("%q was read as a day", s)
		}
	}
}
