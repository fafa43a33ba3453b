package codes

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"dewclaw/events"
)

func TestScales_AreTotalAndRising(t *testing.T) {
	for _, s := range Locomotion().All() {
		if s.Refused != "" {
			if s.Points != nil || s.Accepts(number("1")) {
				t.Errorf("%s is refused and yet has points", s.Code)
			}
			continue
		}
		if s.Wording == "" {
			t.Errorf("%s has no version of its wording", s.Code)
		}
		for i, p := range s.Points {
			if p.Says == "" {
				t.Errorf("%s %v says nothing", s.Code, p.Value)
			}
			if i == 0 {
				continue
			}
			if next, err := s.Points[i-1].Value.Add(s.Step); err != nil || next.Cmp(p.Value) != 0 {
				t.Errorf("%s: %v does not follow %v by the step %v", s.Code, p.Value, s.Points[i-1].Value, s.Step)
			}
			before := s.Points[i-1].Gait
			if (p.Gait == nil) != (before == nil) {
				t.Errorf("%s: %v has grades and its neighbour has none", s.Code, p.Value)
			} else if p.Gait != nil && (p.Gait[0] < before[0] || p.Gait[1] < before[1]) {
				t.Errorf("%s: the grades %v of %v fall below %v", s.Code, p.Gait, p.Value, before)
			}
		}
		for _, c := range []events.Decimal{s.Lame, s.Severe} {
			if c.IsSet() && s.Point(c) == nil {
				t.Errorf("%s: the cut %v is no point", s.Code, c)
			}
		}
		if s.Lame.IsSet() && s.Severe.IsSet() && s.Severe.Cmp(s.Lame) < 0 {
			t.Errorf("%s: severe from %v and lame from %v", s.Code, s.Severe, s.Lame)
		}
		if s.Indirect && len(s.Points) > 0 && s.Points[0].Gait != nil {
			t.Errorf("%s is indirect and has grades", s.Code)
		}
	}
}

// TestScales_KeepGradesOnTheirSideOfTheLameCut holds that scale and grades never
// disagree on lame: bands are sound to g2 and lame from g3.
func TestScales_KeepGradesOnTheirSideOfTheLameCut(t *testing.T) {
	graded := 0
	for _, s := range Locomotion().All() {
		for _, p := range s.Points {
			if p.Gait == nil {
				continue
			}
			graded++
			if len(p.Gait) != 2 || p.Gait[0] < 0 || p.Gait[0] > p.Gait[1] || p.Gait[1] > 6 {
				t.Errorf("%s %v: grades %v", s.Code, p.Value, p.Gait)
				continue
			}
			lame := s.LameAt(p.Value) == "yes"
			if lame && p.Gait[0] < 3 || !lame && p.Gait[1] > 2 {
				t.Errorf("%s %v: lame %v and grades %v", s.Code, p.Value, lame, p.Gait)
			}
		}
	}
	if graded < 60 {
		t.Errorf("saw %d graded points", graded)
	}
}

func TestScale_HasItsPointsAndNoOther(t *testing.T) {
	// Sources as in the list; 2.5 on a whole-point scale is never rounded.
	tests := []struct {
		scale, value string
		want         bool
	}{
		{"loc5-posture", "1", true}, {"loc5-posture", "5", true}, {"loc5-posture", "0", false}, {"loc5-posture", "6", false},
		{"loc5-posture", "2.5", false}, {"nrs5", "2.5", true}, {"nrs5", "2.25", false}, {"loc9-half", "4.5", true}, {"loc9-half", "1.0", true},
		{"mob4-uk", "0", true}, {"mob4-uk", "4", false}, {"mob4-uk", "2.0", true}, {"wq2-tied", "1", false}, {"wq2-tied", "2", true},
		{"vas100", "33.3", true}, {"vas100", "100.1", false}, {"vas100", "-1", false}, {"pairwise", "-3.75", true}, {"conformation-9", "8", false},
		{"loc5-nz-old", "3", false},
	}
	for _, tt := range tests {
		if got := Locomotion().Get(tt.scale).Accepts(number(tt.value)); got != tt.want {
			t.Errorf("%s accepts %s: %v, wanted %v", tt.scale, tt.value, got, tt.want)
		}
	}
	if Locomotion().Get("mob4-uk").Accepts(events.Decimal{}) {
		t.Error("mob4-uk accepts nothing as a score")
	}
	p := Locomotion().Get("conformation-9").Problem("8")
	if p.Wanted != "a lameness scale: a conformation trait is not a lameness score" {
		t.Errorf("a conformation trait is refused with %q", p.Wanted)
	}
	if got := Locomotion().Get("mob4-uk").Problem("4").Error(); got != "wanted one of 0, 1, 2, 3 (scale mob4-uk), got 4" {
		t.Error(got)
	}
	if got := Locomotion().Get("vas100").Problem("101").Wanted; got != "a number from 0 to 100 (scale vas100)" {
		t.Error(got)
	}
}

func TestScale_AcceptsExactlyTheMultiplesOfItsStep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := Locomotion().All()
		s := &all[rapid.IntRange(0, len(all)-1).Draw(t, "scale")]
		if len(s.Points) == 0 {
			return
		}
		d := events.DecimalOf(rapid.Int64Range(-200, 1200).Draw(t, "hundredths"), 2)
		want := false
		for x := s.Points[0].Value; x.Cmp(s.Points[len(s.Points)-1].Value) <= 0; {
			want = want || x.Cmp(d) == 0
			var err error
			if x, err = x.Add(s.Step); err != nil {
				t.Fatal(err)
			}
		}
		if got := s.Accepts(d); got != want {
			t.Errorf("%s accepts %v: %v, wanted %v", s.Code, d, got, want)
		}
	})
}

func TestGait_HasSevenGradesInThreeBands(t *testing.T) {
	bands := ""
	for i, g := range Gait().All() {
		if g.Code != "g"+string(rune('0'+i)) {
			t.Errorf("grade %d has the code %s", i, g.Code)
		}
		bands += g.Band[:1]
	}
	if bands != "sssllss" {
		t.Errorf("bands %s, wanted three sound, two lame, two severe", bands)
	}
}

func TestZones_OfEachMap(t *testing.T) {
	for _, m := range ZoneMaps().All() {
		for n := m.First; n <= m.Last; n++ {
			z := m.Zone(n)
			if z == nil || z.Map != m.Code || z.Number != n || z.Tissue != "horn" && z.Tissue != "skin" || z.Per != "claw" && z.Per != "foot" {
				t.Errorf("zone %d of %s: %+v", n, m.Code, z)
			} else if (z.Tissue == "skin") != (z.Per == "foot") {
				t.Errorf("zone %d of %s is %s and belongs to the %s", n, m.Code, z.Tissue, z.Per)
			}
		}
		if m.Zone(m.First-1) != nil || m.Zone(m.Last+1) != nil {
			t.Errorf("%s has a zone beyond %d to %d", m.Code, m.First, m.Last)
		}
	}
	// Source: agproud.com/articles/28244 (0, 10, 13 numbers), extension.psu.edu (4).
	wide := ZoneMaps().Get(WideZones)
	for n, word := range map[int]string{0: "interdigital-skin", 4: "sole-bulb-junction", 10: "heel-skin", 12: ""} {
		if got := wide.Zone(n).Word; got != word {
			t.Errorf("zone %d is %q, wanted %q", n, got, word)
		}
	}
	for _, n := range []int{-1, 13} {
		if wide.Has(n) {
			t.Errorf("%s has zone %d", WideZones, n)
		}
	}
	if got := ZoneMaps().Get("claw-zones-11").Problem("11").Error(); got != `wanted a zone from 0 to 10 (map claw-zones-11), got "11"` {
		t.Error(got)
	}
}

func TestConvertZone_NeverInvents(t *testing.T) {
	all := ZoneMaps().All()
	for i := range all {
		for j := range all {
			for n := -2; n <= 14; n++ {
				got, ok := ConvertZone(&all[i], n, &all[j])
				if !ok {
					if got != 0 {
						t.Errorf("%s %d to %s: %d and not safe", all[i].Code, n, all[j].Code, got)
					}
					continue
				}
				from, to := all[i].Zone(n), all[j].Zone(got)
				if from == nil || to == nil || got != n || from.Word != to.Word || i != j && (n < 1 || n > 6) {
					t.Errorf("%s %d to %s gives %d", all[i].Code, n, all[j].Code, got)
				}
			}
		}
	}
}

func TestScale_GradesByDeclaredCuts(t *testing.T) {
	// A cut declared by the sender: proposal of our own; on scales of this kind no
	// cut is agreed (visual analogue from memory; ranks: Gardenier et al. 2021).
	tests := []struct {
		scale, score, lame, severe string
		gait                       []int
		want                       string // lame, severe by grade, severe by cut
	}{
		{"vas100", "39.9", "40", "", []int{0, 2}, "no no "},
		{"vas100", "40", "40", "", []int{3, 6}, "yes undetermined "},
		{"vas100", "40", "40", "70", []int{3, 4}, "yes no no"},
		{"vas100", "70", "40", "70", []int{4, 6}, "yes undetermined yes"},
		{"vas100", "80", "", "70", nil, "  yes"},
		{"vas100", "80", "", "", nil, "  "},
		{"pairwise", "-0.25", "0.5", "", []int{0, 2}, "no no "},
		{"sensor", "12", "10", "", []int{3, 6}, "yes undetermined "},
		{"inparlour4", "3", "2", "", []int{3, 6}, "yes undetermined "},
		{"classes-4", "2", "3", "4", []int{0, 2}, "no no no"},
		{"classes-5", "5", "3", "5", []int{4, 6}, "yes undetermined yes"},
		{"loc5-nz-from0", "3", "2", "", []int{3, 4}, "yes no no"},
		{"loc5-nz-from0", "4", "", "", nil, "  yes"},
		{"loc9-half", "4.5", "", "4.5", []int{5, 6}, "yes yes yes"},
		{"us3-v1", "3", "", "", []int{3, 6}, "yes undetermined "},
		// What contradicts itself or a cut in print says nothing.
		{"vas100", "80", "70", "40", nil, "  "},
		{"vas100", "80", "101", "", nil, "  "},
		{"mob4-uk", "1", "1", "", []int{1, 2}, "no no no"},
		{"loc9-half", "3", "", "2", []int{3, 3}, "yes no "},
		{"sls4", "1", "1", "", nil, "no  "},
		{"mob4-uk", "2.5", "", "", nil, "  "},
	}
	for _, tt := range tests {
		s := Locomotion().Get(tt.scale)
		g := s.Grade(number(tt.score), events.Cuts{Lame: number(tt.lame), Severe: number(tt.severe)})
		if got := g.Lame + " " + g.Severe + " " + g.SevereNative; got != tt.want || !slices.Equal(g.Gait, tt.gait) {
			t.Errorf("%s %s with cuts %q and %q: %q and grades %v, wanted %q and %v", tt.scale, tt.score, tt.lame, tt.severe, got, g.Gait, tt.want, tt.gait)
		}
	}
}

// anyScore draws a score a scale accepts.
func anyScore(t *rapid.T, s *Scale, label string) events.Decimal {
	if len(s.Points) > 0 {
		return s.Points[rapid.IntRange(0, len(s.Points)-1).Draw(t, label)].Value
	}
	low, high := int64(-10_000), int64(10_000)
	if s.Low.IsSet() {
		low, high = 0, 10_000
	}
	return events.DecimalOf(rapid.Int64Range(low, high).Draw(t, label), 2)
}

// TestScale_GradeIsTotalAndRising holds, for every scale and any declared cuts: a
// score of a graded scale has an interval; a higher score never has a lower one,
// nor is it less lame; no interval crosses the lame cut; severe by grade says
// what the interval says; and a cut in print wins over a declared one.
func TestScale_GradeIsTotalAndRising(t *testing.T) {
	all := Locomotion().All()
	rank := map[string]int{"no": 0, "undetermined": 1, "yes": 2}
	rapid.Check(t, func(t *rapid.T) {
		s := &all[rapid.IntRange(0, len(all)-1).Draw(t, "scale")]
		if s.Refused != "" {
			return
		}
		var cuts events.Cuts
		if rapid.Bool().Draw(t, "declares lame") {
			cuts.Lame = anyScore(t, s, "lame")
		}
		if rapid.Bool().Draw(t, "declares severe") {
			cuts.Severe = anyScore(t, s, "severe")
		}
		a, b := anyScore(t, s, "a"), anyScore(t, s, "b")
		if a.Cmp(b) > 0 {
			a, b = b, a
		}
		x, y := s.Grade(a, cuts), s.Grade(b, cuts)
		graded := len(s.Points) > 0 && s.Points[0].Gait != nil
		if graded && (x.Gait == nil || x.Lame == "") || (x.Gait == nil) != (y.Gait == nil) || (x.Lame == "") != (y.Lame == "") {
			t.Fatalf("%s with %+v: %v gives %+v and %v gives %+v", s.Code, cuts, a, x, b, y)
		}
		if x.Gait != nil && (x.Gait[0] > y.Gait[0] || x.Gait[1] > y.Gait[1] || rank[x.Severe] > rank[y.Severe]) || rank[x.Lame] > rank[y.Lame] || rank[x.SevereNative] > rank[y.SevereNative] {
			t.Fatalf("%s with %+v: %v gives %+v and the higher %v gives %+v", s.Code, cuts, a, x, b, y)
		}
		if x.Gait != nil && (x.Gait[0] > x.Gait[1] || x.Gait[0] < 0 || x.Gait[1] > 6 || x.Gait[0] <= 2 && x.Gait[1] >= 3 || (x.Lame == "yes") != (x.Gait[0] >= 3)) {
			t.Fatalf("%s with %+v: %v gives %+v, which crosses the lame cut", s.Code, cuts, a, x)
		}
		if want := (&Point{Gait: x.Gait}).Severity(); x.Severe != want {
			t.Fatalf("%s %v: severe %q, the grades %v say %q", s.Code, a, x.Severe, x.Gait, want)
		}
		if s.Lame.IsSet() && x.Lame != s.LameAt(a) || s.Severe.IsSet() && x.SevereNative != s.SevereAt(a) {
			t.Fatalf("%s with %+v: %v gives %+v against the cuts in print", s.Code, cuts, a, x)
		}
	})
}

func TestScale_GradeDoesNotAllocate(t *testing.T) {
	s, score, cuts := Locomotion().Get("vas100"), number("55"), events.Cuts{Lame: number("40"), Severe: number("70")}
	if n := testing.AllocsPerRun(100, func() { s.Grade(score, cuts) }); n != 0 {
		t.Errorf("allocates %v times", n)
	}
}

// The conformation trait runs the other way and is never a gait grade.
func TestScale_ConformationIsNoLameness(t *testing.T) {
	// Source: ahdb.org.uk, dairy locomotion page: 9 is the good end.
	if g := Locomotion().Get("conformation-9").Grade(number("9"), events.Cuts{Lame: number("3")}); g.Gait != nil || g.Lame != "" || g.Severe != "" {
		t.Errorf("a conformation score of 9 gives %+v", g)
	}
}
