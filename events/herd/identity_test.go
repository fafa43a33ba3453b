package herd_test

import (
	"errors"
	"slices"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

func TestIdentity_AReusedHerdNumberNeverInheritsTheOldCow(t *testing.T) {
	s := newStory(t)
	s.fact("gait", scored("herd-number:31", "2026-02-10", 0))
	s.roster("roster", "old", "2026-01-20", "ear-tag:DE1 herd-number:31", left("2026-01-10"))
	s.means("herd-number:31", "2026-02-10", "none")
	s.roster("roster", "new", "2026-01-25", "ear-tag:DE2 herd-number:31")
	s.fact("paper", lesion("herd-number:31", "2026-01-08", "SU", "RH", "outer"))
	s.means("herd-number:31", "2026-01-08", "ear-tag:DE1")
	s.means("herd-number:31", "2026-01-10", "ear-tag:DE1")
	s.means("herd-number:31", "2026-01-11", "ear-tag:DE2")
	s.factsOf("ear-tag:DE1", 1)
	s.factsOf("ear-tag:DE2", 1)
	s.contradicts()
	s.roster("roster", "new", "2026-02-20", "ear-tag:DE2 herd-number:31", entered("2026-02-01"))
	s.means("herd-number:31", "2026-01-15", "none") // between the two nobody had it
	s.means("herd-number:31", "2026-02-01", "ear-tag:DE2")
}

func TestIdentity_AReplacedTagIsClosed(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "c", "2026-01-05", "ear-tag:DE1 herd-number:5")
	s.roster("roster", "c", "2026-03-01", "ear-tag:DE2 herd-number:5")
	s.means("ear-tag:DE1", "2026-02-28", "ear-tag:DE1")
	s.means("ear-tag:DE1", "2026-03-01", "none")
	s.means("ear-tag:DE2", "2026-03-01", "ear-tag:DE1") // the animal keeps its id
	s.means("ear-tag:DE2", "2026-02-20", "ear-tag:DE1") // put in before the roster came
	s.means("herd-number:5", "2026-02-20", "ear-tag:DE1")
	s.fact("chute", lesion("ear-tag:DE1", "2026-03-09", "SU", "RH", "outer"))
	u := must(s.view().Unmatched(t.Context(), farm))(t)
	if len(u) != 1 || len(u[0].Suggestions) != 1 || u[0].Suggestions[0].Why != herd.NoLonger || u[0].Suggestions[0].Animal != farm+"/ear-tag:DE1" {
		t.Errorf("got %+v, want the cow that had the tag suggested", u)
	}
	a := must(s.view().Animal(t.Context(), farm+"/ear-tag:DE1"))(t)
	want := []herd.Identifier{{Scheme: "ear-tag", Value: "DE1", To: "2026-03-01"}, {Scheme: "ear-tag", Value: "DE2", From: "2026-03-01"}, {Scheme: "herd-number", Value: "5"}}
	if !slices.Equal(a.Identifiers, want) {
		t.Errorf("got %+v, want %+v", a.Identifiers, want)
	}
}

func TestIdentity_ADatedStatementClosesAtItsDate(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "c", "2026-01-05", "ear-tag:DE1")
	s.roster("roster", "c", "2026-03-20", "ear-tag:DE2", asOf("2026-03-01"))
	s.means("ear-tag:DE1", "2026-02-28", "ear-tag:DE1")
	s.means("ear-tag:DE1", "2026-03-01", "none")
}

func TestIdentity_StatedDaysGoBefore(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "c", "2026-01-05", "ear-tag:DE1 transponder:276000000000001", func(a *events.Animal) {
		a.Animal[1].From, a.Animal[1].To = "2025-06-01", "2026-02-01"
	})
	s.means("transponder:276000000000001", "2025-05-31", "none")
	s.means("transponder:276000000000001", "2025-06-01", "ear-tag:DE1")
	s.means("transponder:276000000000001", "2026-02-01", "none")
}

func TestIdentity_AMovedTransponder(t *testing.T) {
	s := newStory(t)
	const eid = "transponder:276000000000009"
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE1 "+eid)
	s.roster("roster", "b", "2026-01-05", "ear-tag:DE2")
	s.roster("roster", "a", "2026-03-01", "ear-tag:DE1 transponder:276000000000010")
	s.roster("roster", "b", "2026-03-01", "ear-tag:DE2 "+eid)
	s.means(eid, "2026-02-28", "ear-tag:DE1")
	s.means(eid, "2026-03-01", "ear-tag:DE2")
	s.contradicts()
}

func TestIdentity_ACorrectedRosterRepairsThePast(t *testing.T) {
	s := newStory(t)
	const eid = "transponder:276000000000009"
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE1 "+eid) // mistyped
	s.roster("roster", "b", "2026-01-06", "ear-tag:DE2 "+eid)
	s.fact("gait", scored(eid, "2026-01-20", 2))
	s.means(eid, "2026-01-20", "several")
	s.contradicts("shared-identifier: transponder 276000000000009 may mean", "shared-identifier: two animals of the roster have transponder 276000000000009")
	s.roster("roster", "a", "2026-03-01", "ear-tag:DE1 transponder:276000000000010")
	s.means(eid, "2026-01-20", "ear-tag:DE2")
	s.means("transponder:276000000000010", "2026-01-20", "ear-tag:DE1")
	s.factsOf("ear-tag:DE2", 1)
	s.contradicts()
}

func TestIdentity_TwoRostersOfOneCow(t *testing.T) {
	s := newStory(t)
	s.roster("book", "1", "2026-01-05", "ear-tag:DE1 herd-number:31", func(a *events.Animal) { a.Calvings = []string{"2025-02-01"}; a.Breed = "HOL" })
	s.roster("parlour", "x", "2026-01-06", "herd-number:31 transponder:276000000000001", func(a *events.Animal) { a.Pen = "2" })
	s.means("transponder:276000000000001", "2026-01-20", "ear-tag:DE1")
	a := must(s.view().Animals(t.Context(), farm, "2026-01-20"))(t)
	if len(a) != 1 || a[0].Breed != "HOL" || a[0].Pen("2026-01-20") != "2" || !slices.Equal(a[0].Sources, []string{"book", "parlour"}) {
		t.Errorf("got %+v, want one cow of both rosters", a)
	}
	s.roster("book", "2", "2026-01-07", "ear-tag:DE2 herd-number:32")
	s.roster("book", "3", "2026-01-07", "ear-tag:DE2 herd-number:33") // two cows of one roster
	if a := must(s.view().Animals(t.Context(), farm, ""))(t); len(a) != 3 {
		t.Errorf("got %d animals, want three", len(a))
	}
	s.contradicts("shared-identifier: two animals of the roster have ear-tag DE2")
	s.means("ear-tag:DE2 herd-number:33", "2026-01-20", "ear-tag:DE2~2") // the number tells which
	s.means("ear-tag:DE2", "2026-01-20", "several")
}

func TestIdentity_IdentifiersOfTwoAnimals(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE1 herd-number:31")
	s.roster("roster", "b", "2026-01-05", "ear-tag:DE2 herd-number:32")
	s.fact("chute", put("ear-tag:DE1 herd-number:32", "2026-02-01", "wrap", "RH", "none"))
	s.means("ear-tag:DE1 herd-number:32", "2026-02-01", "several")
	s.contradicts("two-animals: ear-tag DE1 and herd-number 32 of one event are the identifiers of different animals: larkfield/ear-tag:DE1 and larkfield/ear-tag:DE2")
	c := must(s.view().Contradictions(t.Context(), farm))(t)[0]
	if want := []string{farm + "/as-read/ear-tag:DE1+herd-number:32", farm + "/ear-tag:DE1", farm + "/ear-tag:DE2"}; !slices.Equal(c.Animals, want) || len(c.LeftOut) != 1 {
		t.Errorf("got %+v, want animals %q", c, want)
	}
	d := must(s.view().OpenDevices(t.Context(), farm, "2026-02-01"))(t)
	if len(d) != 1 || d[0].Known || !slices.Equal(d[0].Doubts, []string{herd.KindTwoAnimals}) {
		t.Errorf("got %+v, want the wrap all the same", d)
	}
	if u := must(s.view().Unmatched(t.Context(), farm))(t); len(u) != 0 {
		t.Errorf("got %+v unmatched, want it among the contradictions alone", u)
	}
}

func TestIdentity_SuggestsAndNeverGuesses(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE0941200731 transponder:276000941200731 herd-number:1042")
	for _, x := range []struct{ read, found, why string }{
		{"ear-tag:DE0941200741", "ear-tag:DE0941200731", herd.OneDigitOff},
		{"ear-tag:DE0941200713", "ear-tag:DE0941200731", herd.Transposed},
		{"herd-number:1024", "herd-number:1042", herd.Transposed},
		{"herd-number:1043", "herd-number:1042", herd.OneDigitOff},
		{"transponder:276000941200732", "transponder:276000941200731", herd.OneDigitOff},
	} {
		s.fact("chute", scored(x.read, "2026-02-01", 1))
		s.means(x.read, "2026-02-01", "none")
		found := false
		for _, u := range must(s.view().Unmatched(t.Context(), farm))(t) {
			for _, g := range u.Suggestions {
				found = found || g == herd.Suggestion{Animal: farm + "/ear-tag:DE0941200731", Given: x.read, Found: x.found, Why: x.why}
			}
		}
		if !found {
			t.Errorf("%s: %s is not suggested as %s", x.read, x.found, x.why)
		}
	}
	s.fact("chute", scored("ear-tag:DE0941200999", "2026-02-01", 1))
	s.fact("chute", scored("ear-tag:DE0941200888 herd-number:1044", "2026-02-01", 1))
	for _, u := range must(s.view().Unmatched(t.Context(), farm))(t) {
		if v := u.Identifiers[0].Value; (v == "DE0941200999" || v == "DE0941200888") && len(u.Suggestions) != 0 {
			t.Errorf("got %+v, want no suggestion for a tag two digits off, whatever the number", u)
		}
	}
}

func TestIdentity_TagAndTransponderOfOneNumberAreOnlyASuggestion(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE0941200731")
	s.fact("gait", scored("transponder:276000941200731", "2026-02-01", 1)) // 276 is DE in ISO 3166-1
	s.fact("gait", scored("transponder:056000941200731", "2026-02-01", 1)) // 056 is BE
	s.means("transponder:276000941200731", "2026-02-01", "none")
	got := map[string]int{}
	for _, u := range must(s.view().Unmatched(t.Context(), farm))(t) {
		for _, g := range u.Suggestions {
			got[g.Given+" "+g.Why]++
		}
	}
	if len(got) != 1 || got["transponder:276000941200731 "+herd.SameNumber] != 1 {
		t.Errorf("got %v, want the German one alone", got)
	}
	s.w.decide(farm, "2026-02-02", &events.Decision{Action: events.ActionSame, Common: events.Common{Animal: ids("transponder:276000941200731")}, Other: ids("ear-tag:DE0941200731")})
	s.means("transponder:276000941200731", "2026-02-01", "ear-tag:DE0941200731")
	s.factsOf("ear-tag:DE0941200731", 1)
	s.w.decide(farm, "2026-02-03", &events.Decision{Action: events.ActionNotSame, Common: events.Common{Animal: ids("ear-tag:DE0941200731")}, Other: ids("transponder:276000941200731")})
	s.means("transponder:276000941200731", "2026-02-01", "none") // the later decision holds
	for _, u := range must(s.view().Unmatched(t.Context(), farm))(t) {
		if len(u.Suggestions) != 0 {
			t.Errorf("got %+v, want no suggestion a person refused", u)
		}
	}
}

func TestIdentity_StrangersAreOneByATagAndNotByANumber(t *testing.T) {
	s := newStory(t)
	const eid = "transponder:840003141592653"
	s.fact("chute", put(eid+" herd-number:1042", "2026-02-01", "wrap", "RH", "none"))
	s.fact("vet", off(eid, "2026-02-02", "wrap", "RH", "none"))
	s.fact("paper", put("herd-number:1042", "2026-02-01", "block", "LH", "outer"))
	if d := must(s.view().OpenDevices(t.Context(), farm, "2026-02-05"))(t); len(d) != 1 || d[0].What != "block" {
		t.Errorf("got %+v, want the block alone", d)
	}
	if u := must(s.view().Unmatched(t.Context(), farm))(t); len(u) != 2 || u[1].Facts != 2 || u[1].First != "2026-02-01" || u[1].Last != "2026-02-02" || len(u[1].Sources) != 2 {
		t.Errorf("got %+v, want the number and the transponder apart", u)
	}
}

func TestIdentity_TemporaryNamesEndWithTheirVisit(t *testing.T) {
	s := newStory(t)
	first := line{farm: farm, source: "chute", record: "1", visit: "visit-one", payload: put("temporary:red", "2026-02-01", "wrap", "RH", "none")}
	other := line{farm: farm, source: "chute", record: "2", visit: "visit-two", payload: off("temporary:red", "2026-02-02", "wrap", "RH", "none")}
	same := line{farm: farm, source: "chute", record: "3", visit: "visit-one", payload: put("temporary:red", "2026-02-01", "block", "LH", "outer")}
	s.w.put("2026-02-02", first, other, same)
	d := must(s.view().OpenDevices(t.Context(), farm, "2026-02-05"))(t)
	if len(d) != 2 || d[0].Animal != d[1].Animal {
		t.Errorf("got %+v, want wrap and block of one animal still on", d)
	}
	s.means("temporary:red", "2026-02-01", "none")
}

func TestIdentity_StaysAndWhatLiesBetween(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE1", entered("2025-01-01"), born("2022-01-01"))
	s.roster("roster", "a", "2026-01-20", "ear-tag:DE1", entered("2025-01-01"), born("2022-01-01"), left("2026-01-15"))
	s.roster("roster", "a", "2026-03-05", "ear-tag:DE1", entered("2026-03-01"), born("2022-01-01"))
	for _, day := range []string{"2021-12-31", "2024-12-31", "2025-01-01", "2026-01-15", "2026-02-01", "2026-03-01"} {
		s.fact("gait", scored("ear-tag:DE1", day, 0))
	}
	s.contradicts(
		"before-birth: seen on 2021-12-31, before she was born on 2022-01-01",
		"before-entry: seen on 2024-12-31, before she came on 2025-01-01",
		"after-leaving: seen on 2026-02-01, after she left on 2026-01-15",
	)
	a := must(s.view().Animal(t.Context(), farm+"/ear-tag:DE1"))(t)
	if want := []herd.Stay{{Entered: "2025-01-01", Left: "2026-01-15"}, {Entered: "2026-03-01"}}; !slices.Equal(a.Stays, want) {
		t.Errorf("got %+v, want %+v", a.Stays, want)
	}
	s.roster("roster", "a", "2026-03-06", "ear-tag:DE1", entered("2025-01-01"), born("2021-01-01"))
	s.factsOf("ear-tag:DE1", 6)
}

func TestIdentity_ARetractedStatementIsNone(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE1 herd-number:31")
	l := line{farm: farm, source: "roster", record: "a", change: events.Retracted, payload: &events.Animal{Common: events.Common{Animal: ids("ear-tag:DE1 herd-number:31")}}}
	s.w.put("2026-01-06", l)
	s.means("ear-tag:DE1", "2026-01-05", "none")
	if _, err := s.view().Animal(t.Context(), farm+"/ear-tag:DE1"); !errors.Is(err, events.ErrNotFound) {
		t.Errorf("got %v, want not found", err)
	}
}

func TestIdentity_AFarmKnowsOnlyItsOwn(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2026-01-05", "ear-tag:DE1")
	s.w.put("2026-02-01", line{farm: "stony-run", source: "chute", record: "1", payload: lesion("ear-tag:DE1", "2026-02-01", "SU", "RH", "outer")})
	if u := must(s.view().Unmatched(t.Context(), "stony-run"))(t); len(u) != 1 {
		t.Errorf("got %+v, want her unmatched on the other farm", u)
	}
	s.factsOf("ear-tag:DE1", 0)
	if got := must(s.view().Farms(t.Context()))(t); !slices.Equal(got, []string{"larkfield", "stony-run"}) {
		t.Errorf("got farms %q", got)
	}
}

// A decision about two animals is found again however it is said, until a later one
// says something else.
func TestView_FindsADecisionMadeBefore(t *testing.T) {
	s := newStory(t)
	said := func(action, one, other string) *events.Decision {
		return &events.Decision{Common: events.Common{Animal: ids(one)}, Action: action, Other: ids(other)}
	}
	decide := func(day string, d *events.Decision) events.Position {
		s.w.decide(farm, day, d)
		at, _ := s.log.Last()
		return at
	}
	const tag, chip = "ear-tag:DE0912345671", "transponder:276000912345671"
	wants := func(d *events.Decision, want events.Position) {
		t.Helper()
		if got := must(s.view().Decided(t.Context(), farm, d))(t); got != want {
			t.Errorf("%s %v %v: got log position %d, want %d", d.Action, d.Animal, d.Other, got, want)
		}
	}
	wants(said(events.ActionSame, tag, chip), 0)
	first := decide("2026-04-01", said(events.ActionSame, tag, chip))
	wants(said(events.ActionSame, chip, tag), first)
	spaced := said(events.ActionSame, tag, chip)
	spaced.Animal[0].Value = "DE 09 123 45671"
	wants(spaced, first)
	wants(said(events.ActionSame, tag, "transponder:276000912345672"), 0)
	wants(said(events.ActionNotSame, tag, chip), 0)
	second := decide("2026-04-02", said(events.ActionNotSame, chip, tag))
	wants(said(events.ActionSame, tag, chip), 0)
	wants(said(events.ActionNotSame, tag, chip), second)
}
