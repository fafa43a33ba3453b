package herd_test

import (
	"slices"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

func TestAnimal_HistoryOfManyStatements(t *testing.T) {
	s := newStory(t)
	say := func(received string, calving, service, pen, from, dry string, parity int) {
		s.roster("roster", "a", received, cow, func(a *events.Animal) {
			if calving != "" {
				a.Calvings = []string{calving}
			}
			if service != "" {
				a.Services = []string{service}
			}
			a.Pen, a.PenFrom, a.DriedOff, a.Parity = pen, from, dry, &parity
		})
	}
	say("2024-02-01", "2024-01-15", "", "1", "", "", 1)
	say("2024-05-01", "2024-01-17", "2024-04-20", "1", "", "", 1) // the calving is corrected
	say("2024-06-01", "2024-01-17", "2024-05-11", "2", "", "", 1) // served again
	say("2025-01-10", "2024-01-17", "2024-05-11", "dry", "2024-12-20", "2024-12-19", 1)
	say("2025-03-01", "2025-02-18", "", "1", "2025-02-18", "", 2)
	a := must(s.view().Animal(t.Context(), farm+"/"+cow))(t)
	check := func(what string, got, want []string) {
		t.Helper()
		if !slices.Equal(got, want) {
			t.Errorf("%s: got %q, want %q", what, got, want)
		}
	}
	check("calvings", a.Calvings, []string{"2024-01-17", "2025-02-18"})
	check("services", a.Services, []string{"2024-04-20", "2024-05-11"})
	check("dry-offs", a.DryOffs, []string{"2024-12-19"})
	check("pens", []string{a.Pen("2024-03-01"), a.Pen("2024-06-01"), a.Pen("2024-12-20"), a.Pen("2025-03-01")}, []string{"1", "2", "dry", "1"})
	if *a.Parity != 2 || a.AsOf != "2025-03-01" {
		t.Errorf("got parity %d as of %s", *a.Parity, a.AsOf)
	}
	if got := a.LastCalving("2025-02-17"); got != "2024-01-17" {
		t.Errorf("last calving: got %s", got)
	}
}

// Days are calendar arithmetic: 2024-02-01 plus 280 days is 2024-11-07, and 56
// and 28 days before that are 2024-09-12 and 2024-10-10 (proleptic Gregorian
// calendar, ISO 8601). That Holstein cows carry 279 to 280 days is from memory.
func TestAnimal_EarliestCalving(t *testing.T) {
	tests := []struct {
		name string
		a    herd.Animal
		on   string
		days int
		want string
	}{
		{"by the service", herd.Animal{Services: []string{"2024-02-01"}}, "2024-09-12", 280, "2024-11-07"},
		{"by another length", herd.Animal{Services: []string{"2024-02-01"}}, "2024-09-12", 290, "2024-11-17"},
		{"by the first of two services", herd.Animal{Services: []string{"2024-02-01", "2024-02-22"}}, "2024-09-12", 280, "2024-11-07"},
		{"by the second once the first is long past", herd.Animal{Services: []string{"2024-02-01", "2024-02-25"}}, "2024-11-29", 280, "2024-12-01"},
		{"as stated", herd.Animal{ExpectedCalving: "2024-10-10"}, "2024-09-12", 280, "2024-10-10"},
		{"whichever comes first", herd.Animal{ExpectedCalving: "2024-12-01", Services: []string{"2024-02-01"}}, "2024-09-12", 280, "2024-11-07"},
		{"services before the last calving are over", herd.Animal{Calvings: []string{"2024-11-05"}, Services: []string{"2024-02-01"}}, "2024-11-06", 280, ""},
		{"a service that is still to come", herd.Animal{Services: []string{"2024-02-01"}}, "2024-01-31", 280, ""},
		{"an expected calving that has been", herd.Animal{ExpectedCalving: "2024-10-10", Calvings: []string{"2024-10-12"}}, "2024-10-20", 280, ""},
		{"expected of the last calving, which came ten days early", herd.Animal{ExpectedCalving: "2024-10-10", Calvings: []string{"2024-09-30"}}, "2024-10-05", 280, ""},
		{"expected a year after the last calving", herd.Animal{ExpectedCalving: "2025-10-10", Calvings: []string{"2024-09-30"}}, "2025-09-01", 280, "2025-10-10"},
		{"nothing stated", herd.Animal{}, "2024-09-12", 280, ""},
		{"no day", herd.Animal{Services: []string{"2024-02-01"}}, "soon", 280, ""},
	}
	for _, tt := range tests {
		if got := tt.a.EarliestCalving(tt.on, tt.days); got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.name, got, tt.want)
		}
	}
}

func TestView_HeldWaitingAndCounts(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", cow)
	s.fact("chute", examined(cow, "2026-02-01", "RH findings"), lesion(cow, "2026-02-01", "SU", "RH", "outer", 4))
	s.fact("chute", scored("herd-number:9", "2026-02-01", 1))
	s.w.put("2026-02-02", line{farm: farm, source: "chute", record: "visit", payload: &events.Visit{Common: events.Common{Occurred: events.Occurred{Date: "2026-02-01", Precision: "date"}}, Purpose: "scoring"}})
	hold := func(ids ...string) {
		e := &events.Entry{Cause: events.CauseChunk, Source: "chute", Name: "list.csv", Time: "2026-02-03T00:00:00Z", Defaults: events.Defaults{Farm: farm}}
		for _, id := range ids {
			e.Held = append(e.Held, events.Held{ID: id, Line: 7, Seen: events.Seen{Animal: "31", Foot: "RH", Words: "Verband"}, Reasons: []events.Reason{{Field: "foot", Wanted: "one of LF", Got: "XX"}}})
		}
		s.log.append(e)
	}
	hold("h-1", "h-2")
	wait := events.Entity("w")
	s.log.append(&events.Entry{Cause: events.CauseChunk, Source: "chute", Time: "2026-02-03T00:00:00Z", Defaults: events.Defaults{Farm: farm}, Waits: []events.Wait{{Entity: wait, Why: "a wrap"}, {Entity: "x", Why: "a block"}}})
	v := s.view()
	held := heldOf(t, v)
	if len(held) != 2 || held[0].ID != "h-1" || held[0].Seen.Words != "Verband" || held[0].Name != "list.csv" || held[0].Source != "chute" {
		t.Errorf("got %+v", held)
	}
	c := must(v.Counts(t.Context(), farm))(t)
	if c.Animals != 1 || c.Unmatched != 1 || c.UnmatchedFacts != 1 || c.Held != 2 || c.Waiting != 2 || c.Contradictions != 0 ||
		c.Facts[events.KindLesion] != 1 || c.Facts[events.KindVisit] != 1 || c.Facts[events.KindLocomotion] != 1 {
		t.Errorf("got %+v", c)
	}
	visits := must(v.Facts(t.Context(), herd.FactQuery{Farm: farm, Kinds: []events.Kind{events.KindVisit}}))(t)
	if len(visits) != 1 || visits[0].Animal != "" || visits[0].Payload.(*events.Visit).Purpose != "scoring" {
		t.Errorf("got %+v, want the visit", visits)
	}
	if f := must(v.Facts(t.Context(), herd.FactQuery{Farm: farm, From: "2026-02-02"}))(t); len(f) != 0 {
		t.Errorf("got %+v, want nothing from the day after", f)
	}

	s.w.decide(farm, "2026-02-04", &events.Decision{Action: events.ActionDrop, Held: "h-1"})
	s.w.decide(farm, "2026-02-04", &events.Decision{Action: events.ActionRefuse, Targets: []events.Entity{wait}})
	s.log.append(&events.Entry{Cause: events.CauseChunk, Source: "chute", Time: "2026-02-05T00:00:00Z", Defaults: events.Defaults{Farm: farm}, Back: []events.Entity{"x"}})
	hold("h-1") // read again: dropped is dropped
	if held := heldOf(t, s.view()); len(held) != 1 || held[0].ID != "h-2" {
		t.Errorf("got %+v, want the one nobody has settled", held)
	}
	if w := must(s.view().Waiting(t.Context(), farm))(t); len(w) != 0 {
		t.Errorf("got %+v, want none", w)
	}
}
