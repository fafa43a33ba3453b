package herd_test

import (
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// sampleHerd reads the seven samples; n is how many events an entry has.
func sampleHerd(t *testing.T, n int, names ...string) *herd.View {
	t.Helper()
	log := newMemLog("samples")
	w := newWriter(log)
	for _, name := range names {
		readGolden(t, w, name, n)
	}
	return view(t, openHerd(t, log))
}

var sampleNames = []string{"01-semicolon", "02-inches", "03-gait", "04-visit", "05-roster", "06-reexport", "07-rotten"}

func TestSamples_SeenAfterSheLeft(t *testing.T) {
	v := sampleHerd(t, 7, sampleNames...)
	all := must(v.Contradictions(t.Context(), "larkfield"))(t)
	if len(all) != 1 {
		t.Fatalf("got %d contradictions, want the one of the sold cow: %+v", len(all), all)
	}
	c := all[0]
	if c.Kind != herd.KindAfterLeaving || c.Animals[0] != "larkfield/ear-tag:DE0941200803" || c.Day != "2026-03-30" ||
		c.Words != "seen on 2026-03-30, after she left on 2026-03-20 (sold)" || len(c.LeftOut) != 1 {
		t.Errorf("got %+v", c)
	}
	scores := must(v.Scores(t.Context(), "larkfield", "", ""))(t)
	if len(scores) != 5 {
		t.Fatalf("got %d scores, want 5", len(scores))
	}
	for _, s := range scores {
		if doubtful := len(s.Doubts) > 0; doubtful != (s.Entity == c.LeftOut[0]) {
			t.Errorf("score of %s: doubts %v", s.Animal, s.Doubts)
		}
	}
	if ann := must(v.Animals(t.Context(), "larkfield", "2026-03-21"))(t); len(ann) != 7 {
		t.Errorf("the day after: got %d animals, want 7 of 8", len(ann))
	}
	if ann := must(v.Animals(t.Context(), "larkfield", "2026-03-20"))(t); len(ann) != 8 {
		t.Errorf("the day she left: got %d animals, want 8", len(ann))
	}
}

func TestSamples_OneCaseOfTwoSources(t *testing.T) {
	v := sampleHerd(t, 512, sampleNames...)
	all := must(v.Cases(t.Context(), herd.CaseQuery{Animal: "larkfield/ear-tag:DE0941200731"}))(t)
	i := slices.IndexFunc(all, func(c herd.Case) bool { return c.Foot == "RH" })
	if i < 0 || len(all) != 2 {
		t.Fatalf("got %+v, want a case on RH and one on LH", all)
	}
	c := all[i]
	if c.Class != "U" || c.Claw != "outer" || !c.Open || len(c.Seen) != 1 || len(c.Seen[0].Lesions) != 1 {
		t.Fatalf("got %+v", c)
	}
	var got []string
	for _, r := range c.Seen[0].Lesions[0].Reports {
		got = append(got, r.Code+" "+r.Severity.Scale+" "+r.Severity.Value)
	}
	if want := []string{"SU grade-3 3", "SU grade-3 2"}; !slices.Equal(got, want) && !slices.Equal(got, []string{want[1], want[0]}) {
		t.Errorf("got severities %q, want 2 and 3 side by side", got)
	}
	if s := c.Sources(); len(s) != 2 {
		t.Errorf("got sources %q, want two", s)
	}
}

func TestSamples_OffAndOnOnOneDayLeaveOneBlock(t *testing.T) {
	forward := sampleHerd(t, 512, "02-inches", "04-visit")
	backward := sampleHerd(t, 512, "04-visit", "02-inches")
	for name, v := range map[string]*herd.View{"forward": forward, "backward": backward} {
		all := must(v.OpenDevices(t.Context(), "stony-run", "2026-03-10"))(t)
		var got []string
		for _, d := range all {
			got = append(got, strings.TrimPrefix(d.Animal, "stony-run/as-read/transponder:840003141592")+" "+d.What+" "+d.Foot+" "+d.Claw+" "+d.On)
		}
		want := []string{"653 block RH inner 2026-03-10", "711 block LH inner 2026-03-04", "745 block RH outer 2026-03-08"}
		if !slices.Equal(got, want) {
			t.Errorf("%s: got %q, want %q", name, got, want)
		}
	}
	before := must(forward.OpenDevices(t.Context(), "stony-run", "2026-03-09"))(t)
	i := slices.IndexFunc(before, func(d herd.Device) bool { return d.What == "wrap" })
	if i < 0 || before[i].Due != "2026-03-08T22:00:00-05:00" || before[i].Late != "2026-03-09T22:00:00-05:00" || before[i].Off != "2026-03-10" {
		t.Errorf("the day before: got %+v, want the wrap of 840003141592729 with its hours", before)
	}
	if c := must(forward.Cases(t.Context(), herd.CaseQuery{Animal: "stony-run/as-read/transponder:840003141592653"}))(t); len(c) != 2 || len(c[0].Seen) != 2 {
		t.Errorf("got %+v, want the ulcer seen twice and the white line once", c)
	}
}

func TestSamples_RosterComesAfterTheEvents(t *testing.T) {
	log := newMemLog("samples")
	w := newWriter(log)
	for _, name := range []string{"01-semicolon", "03-gait"} {
		readGolden(t, w, name, 5)
	}
	h := openHerd(t, log)
	v := view(t, h)
	before := must(v.Unmatched(t.Context(), "larkfield"))(t)
	if len(before) != 11 {
		t.Errorf("without the roster: got %d unmatched, want 6 ear tags and 5 transponders", len(before))
	}
	for _, u := range before {
		last := u.Identifiers[0].Value[len(u.Identifiers[0].Value)-3:]
		if last == "772" || last == "785" || last == "803" {
			continue // only one of the two was read
		}
		if len(u.Suggestions) != 1 || u.Suggestions[0].Why != herd.SameNumber || !strings.HasSuffix(u.Suggestions[0].Animal, last) {
			t.Errorf("%s: got suggestions %+v, want the other number of the same cow", u.Animal, u.Suggestions)
		}
	}
	readGolden(t, w, "05-roster", 3)
	v = view(t, h)
	if u := must(v.Unmatched(t.Context(), "larkfield"))(t); len(u) != 0 {
		t.Errorf("with the roster: got %+v, want none unmatched", u)
	}
	facts := must(v.Facts(t.Context(), herd.FactQuery{Animal: "larkfield/ear-tag:DE0941200731"}))(t)
	if n := len(facts); n != 8 || facts[7].Kind() != events.KindLocomotion {
		t.Errorf("got %d facts of 731, want the 7 of the chute and the score", n)
	}
	ids := []events.Identifier{{Scheme: "transponder", Value: "276 000 941 200 731"}}
	if known := must(h.Known(t.Context(), "larkfield", ids, "2026-03-05"))(t); !known {
		t.Error("a transponder with spaces is not known")
	}
	if known := must(h.Known(t.Context(), "stony-run", ids, "2026-03-05"))(t); known {
		t.Error("a transponder is known on the other farm")
	}
}
