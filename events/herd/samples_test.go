package herd_test

import (
	"fmt"
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

// The barn diary tells what became of the block and wrap of the chute, which
// claw is gone, and what is still to be done.
func TestSamples_TheBarnDiaryGoesOnWhereTheChuteEnded(t *testing.T) {
	for _, names := range [][]string{{"01-semicolon", "05-roster", "08-barn-diary"}, {"08-barn-diary", "05-roster", "01-semicolon"}} {
		v := sampleHerd(t, 3, names...)
		var got []string
		for _, d := range must(v.OpenDevices(t.Context(), "larkfield", "2026-03-20"))(t) {
			due, late, lifted := d.Times()
			got = append(got, fmt.Sprintf("%s %s %s %s on %s %s %d %s %s %v", d.Animal[len(d.Animal)-3:], d.What, d.Foot, d.Claw, d.On, d.State, len(d.Checks), due, late, lifted))
		}
		want := []string{
			"731 block RH inner on 2026-03-04 on 2 2026-04-05 2026-04-05 true",  // it rocked, was seen to, and is left on by order
			"758 wrap RH none on 2026-03-04 loose 1 2026-03-07 2026-03-07 true", // by order a day longer than the default
			"760 block LH inner on 2026-03-04  0   false",
		}
		if !slices.Equal(got, want) {
			t.Errorf("%q: got\n%s\nwant\n%s", names, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		gone := must(v.Devices(t.Context(), "larkfield/ear-tag:DE0941200731"))(t)
		i := slices.IndexFunc(gone, func(d herd.Device) bool { return d.Foot == "LH" })
		if i < 0 || gone[i].Off != "2026-03-12" || gone[i].OffHow != "found-gone" || gone[i].Gone != "2026-03-11" {
			t.Errorf("%q: got %+v, want the block of LH gone since 2026-03-11", names, gone)
		}
		if o := must(v.Orders(t.Context(), "larkfield", "2026-03-20"))(t); len(o) != 2 || o[0].What != "leave-block" || o[1].What != "recheck" || o[1].By != "vet" {
			t.Errorf("%q: got %+v, want the block to be left and LH of 772 to be rechecked", names, o)
		}
		claws := must(v.LostClaws(t.Context(), "larkfield"))(t)
		if len(claws) != 2 || claws[0].Foot != "LH" || !claws[0].Gone("2026-03-11") || claws[1].State != "capsule-lost" || !claws[1].Known {
			t.Errorf("%q: got %+v", names, claws)
		}
		if g := must(v.Groups(t.Context(), "larkfield", "2026-03-01", "2026-03-31"))(t); len(g) != 2 || *g[0].Passed != 118 || g[1].Pens[0] != "Trockensteher" {
			t.Errorf("%q: got %+v", names, g)
		}
	}
}
