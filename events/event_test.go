package events_test

import (
	"encoding/json"
	"errors"
	"slices"
	"testing"
	"time"

	cloudevents "github.com/cloudevents/sdk-go/v2"
	"pgregory.net/rapid"

	"dewclaw/events"
)

// The receiver is the CloudEvents SDK: what it reads is what we meant.
func TestAppendCloudEvent_IsReadByTheSDK(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.SampledFrom(events.Kinds()).Draw(t, "kind")
		p := payload(t, k)
		p.Base().Occurred = rapid.SampledFrom([]events.Occurred{
			{}, {Date: "2026-03-04", Precision: "date"},
			{Date: "2026-03-04", Precision: "minute", Time: "08:12", Offset: "+01:00", Zone: "Europe/Berlin"},
			{Date: "2026-03-04", Precision: "ms", Time: "08:12:01.250", Offset: "-05:30"},
		}).Draw(t, "occurred")
		data, _ := new(events.Encoder).Append(nil, p)
		e := events.Event{
			Kind: k, Entity: "0g00000000000000000000000000v", Revision: rapid.IntRange(1, 9).Draw(t, "revision"), Change: events.Amended, Farm: "larkfield",
			Source: rapid.SampledFrom([]string{"", "chute"}).Draw(t, "source"), Subject: rapid.SampledFrom([]string{"", `ear-tag:DE"Ä`}).Draw(t, "subject"),
			Visit: rapid.SampledFrom([]string{"", "v"}).Draw(t, "visit"), Recorded: time.Date(2026, 4, 1, 0, 0, 0, 5e6, time.UTC), Data: data,
		}
		var got cloudevents.Event
		b := e.AppendCloudEvent(nil)
		if err := json.Unmarshal(b, &got); err != nil {
			t.Fatalf("%s: %v", b, err)
		}
		if err := got.Validate(); err != nil {
			t.Fatalf("%s: %v", b, err)
		}
		source := "/farms/larkfield/sources/chute"
		if e.Source == "" {
			source = "/farms/larkfield/decisions"
		}
		if got.ID() != e.ID() || got.Type() != "dewclaw."+string(k)+".v1" || got.Source() != source || got.Subject() != e.Subject || got.DataContentType() != "application/json" ||
			got.DataSchema() != "https://dewclaw.example/schema/v1/"+string(k)+".schema.json" || got.SpecVersion() != "1.0" || string(got.Data()) != string(data) {
			t.Fatalf("%s was read as %v", b, got)
		}
		want := time.Time{}
		if o := p.Base().Occurred; o.Time != "" {
			var err error
			if want, err = time.Parse(time.RFC3339, o.RFC3339()); err != nil {
				t.Fatal(err)
			}
		}
		if !got.Time().Equal(want) {
			t.Fatalf("time %v, wanted %v: a day alone is never midnight", got.Time(), want)
		}
		extensions := map[string]any{"farm": "larkfield", "entity": string(e.Entity), "revision": int32(e.Revision), "change": "amended", "recordedtime": "2026-04-01T00:00:00.005Z"}
		if e.Visit != "" {
			extensions["visit"] = e.Visit
		}
		for name, value := range extensions {
			if got.Extensions()[name] != value {
				t.Fatalf("extension %s is %v (%T), wanted %v", name, got.Extensions()[name], got.Extensions()[name], value)
			}
		}
		if len(got.Extensions()) != len(extensions) {
			t.Fatalf("extensions %v, wanted %v", got.Extensions(), extensions)
		}
	})
}

func TestKinds_AreAllThere(t *testing.T) {
	if len(events.Kinds()) != 13 {
		t.Errorf("%d kinds", len(events.Kinds()))
	}
	for _, k := range events.Kinds() {
		p := k.New()
		if p == nil || p.Kind() != k || p.Base() == nil {
			t.Errorf("%s makes %T of kind %v", k, p, p.Kind())
		}
		if _, err := events.DecodePayload(k, []byte(`{"animal":7}`)); !errors.Is(err, events.ErrCorrupt) {
			t.Errorf("%s decodes an animal that is a number: %v", k, err)
		}
	}
	if _, err := events.DecodePayload("hat", []byte(`{}`)); !errors.Is(err, events.ErrCorrupt) {
		t.Errorf("a hat is decoded: %v", err)
	}
}

func TestSlotParts_TellEventsOfARecordApart(t *testing.T) {
	tests := []struct {
		p    events.Payload
		want []string
	}{
		{&events.Lesion{Foot: "RH", Claw: "outer", Code: "SU", Zones: events.Zones{Numbers: []int{4, 12}}, Severity: events.Severity{Value: "3"}}, []string{"RH", "outer", "SU", "4", "12"}},
		{&events.Treatment{Foot: "RH", Claw: "inner", What: "block"}, []string{"RH", "inner", "block"}},
		{&events.TakenOff{Foot: "RH", Claw: "inner", What: "block", How: "taken-off"}, []string{"RH", "inner", "block"}},
		{&events.ClawMeasure{Foot: "RH", Claw: "outer", What: "toe-length", Landmark: "hairline", When: "after", Value: events.DecimalOf(80, 0)}, []string{"RH", "outer", "toe-length", "hairline", "after"}},
		{&events.Examination{}, nil}, {&events.Examination{Pass: 2}, []string{"2"}}, {&events.Visit{}, nil}, {&events.Locomotion{Scale: "x"}, nil}, {&events.Animal{}, nil}, {&events.Decision{}, nil},
	}
	for _, tt := range tests {
		if got := events.AppendSlotParts(nil, tt.p); !slices.Equal(got, tt.want) {
			t.Errorf("%T: %q, wanted %q", tt.p, got, tt.want)
		}
	}
}
