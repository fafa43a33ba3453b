package ade

import (
	"context"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/streamlog"
	"dewclaw/schema"
	"dewclaw/schema/rules"
)

// What ADE tells in many resources, received in any order on one day, is one
// animal in the herd, with all her calvings.
func TestRoster_TheHerdSeesOneAnimal(t *testing.T) {
	const cow = `"animal": {"scheme": "eu.bovine", "id": "DE 03 123 12345"}`
	resources := []string{
		`{"resourceType": "icarReproParturitionEventResource", "id": "c-2", ` + cow + `, "eventDateTime": "2025-02-20T23:30:00Z", "damParity": 3}`,
		`{"resourceType": "icarAnimalCoreResource", "identifier": {"scheme": "eu.bovine", "id": "DE 03 123 12345"}, "specie": "Cattle", "gender": "Female",
		  "alternativeIdentifiers": [{"scheme": "std.iso.11785", "id": "276000312312345"}], "birthDate": "2021-05-04T00:00:00Z", "managementTag": "451"}`,
		`{"resourceType": "icarReproParturitionEventResource", "id": "c-1", ` + cow + `, "eventDateTime": "2024-01-15T00:00:00", "damParity": 2}`,
		`{"resourceType": "icarLactationResource", "id": "l-1", ` + cow + `, "beginDate": "2023-01-03T00:00:00Z", "parity": 1}`,
		`{"resourceType": "icarMilkingDryOffEventResource", "id": "d-1", ` + cow + `, "eventDateTime": "2024-12-20T00:00:00Z"}`,
		`{"resourceType": "icarReproInseminationEventResource", "id": "s-1", ` + cow + `, "eventDateTime": "2025-05-10T09:00:00+02:00", "inseminationType": "Insemination"}`,
		`{"resourceType": "icarMovementArrivalEventResource", "id": "m-1", ` + cow + `, "eventDateTime": "2022-11-02T10:00:00Z"}`,
		`{"resourceType": "icarMovementDepartureEventResource", "id": "m-2", ` + cow + `, "eventDateTime": "2026-01-12T10:00:00Z", "departureReason": "LegOrClaw"}`,
	}
	want := herd.Animal{
		Born: "2021-05-04", Sex: "female", Calvings: []string{"2023-01-03", "2024-01-15", "2025-02-21"}, DryOffs: []string{"2024-12-20"},
		Services: []string{"2025-05-10"}, Stays: []herd.Stay{{Entered: "2022-11-02", Left: "2026-01-12", Why: "LegOrClaw"}},
	}
	for round := range 2 {
		got := herdOf(t, resources)
		if len(got) != 1 {
			t.Fatalf("%d animals, want one: %+v", len(got), got)
		}
		a := got[0]
		has := herd.Animal{Born: a.Born, Sex: a.Sex, Calvings: a.Calvings, DryOffs: a.DryOffs, Services: a.Services, Stays: a.Stays}
		if !reflect.DeepEqual(has, want) || len(a.Identifiers) != 3 || a.Parity == nil || *a.Parity != 3 {
			t.Errorf("round %d: got %+v, parity %v, want %+v", round, a, a.Parity, want)
		}
		for i, j := 0, len(resources)-1; i < j; i, j = i+1, j-1 {
			resources[i], resources[j] = resources[j], resources[i]
		}
	}
}

// herdOf reads the resources by the built-in mapping and returns what the herd
// knows.
func herdOf(t *testing.T, resources []string) []herd.Animal {
	t.Helper()
	ctx := context.Background()
	dir := t.TempDir()
	log, err := streamlog.Open(ctx, streamlog.Options{Dir: filepath.Join(dir, "log"), Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	src, err := Files.ReadFile("roster.yaml")
	if err != nil {
		t.Fatal(err)
	}
	in, err := mapping.ParseInward("roster.yaml", src)
	if err != nil {
		t.Fatal(err)
	}
	received := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	run, err := in.Start(mapping.Job{Source: "herd", Farm: "larkfield", Zone: "Europe/Berlin", Received: received, Rules: rules.Defaults()}, adapters.Head{})
	if err != nil {
		t.Fatal(err)
	}
	e := &events.Entry{Cause: events.CauseChunk, Source: "herd", Defaults: events.Defaults{Farm: "larkfield"}, Time: events.FormatTime(received), Received: events.FormatTime(received)}
	m := run.Mapper()
	var records []adapters.Record
	for _, r := range resources {
		records = m.Map(read(t, r, ""), records)
	}
	for _, r := range m.Flush(records) {
		if r.Outcome != adapters.Mapped {
			t.Fatalf("line %d: %v %v", r.Line, r.Why, r.Held)
		}
		for _, d := range r.Drafts {
			if v := schema.Check(d.Kind, d.Data); len(v) > 0 {
				t.Fatalf("%s: %v", d.Data, v)
			}
			e.Events = append(e.Events, events.AppendRevision(nil, d.Open, events.Revision{Number: 1, Change: events.Recorded}))
		}
	}
	if _, err := log.Append(ctx, e); err != nil {
		t.Fatal(err)
	}
	h, err := herd.Open(ctx, herd.Options{Path: filepath.Join(dir, "herd.db"), Log: log})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	if err := h.CatchUp(ctx); err != nil {
		t.Fatal(err)
	}
	v, err := h.View(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	list, err := v.Animals(ctx, "larkfield", "2025-06-01")
	if err != nil {
		t.Fatal(err)
	}
	return list
}
