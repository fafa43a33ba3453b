package codes

import (
	"strings"
	"testing"

	"dewclaw/events"
)

// Published scales with what each score must give: lame, severe by grade, severe
// by the scale's own cut. Severe by grade is a rule of our own: a score that
// covers strong limping and very lame alike is undetermined.
func TestOutside_Locomotion(t *testing.T) {
	const (
		posture = "wisfarmer.com 2018-04-25 (points); Thomsen et al. 2023, cnr-bea.fr 2023/05/11 (cuts)"
		beef    = "veterinaryrecord.bmj.com, table markup 149150"
		levy    = "paperzz.com/doc/7132093"
		nz      = "dairynz.co.nz, identifying lameness"
		au      = "paperexplained.cn e7995dcd"
		first   = "agproud.com/articles/22426"
		second  = "agproud.com/articles/31548"
		stall   = "dairyproducer.com, stall lameness scoring"
		memory  = "from memory"
	)
	tests := []struct{ scale, score, want, source string }{
		{"loc5-posture", "1", "no no no", posture}, {"loc5-posture", "2", "no no no", posture}, {"loc5-posture", "3", "yes no no", posture},
		{"loc5-posture", "4", "yes undetermined yes", posture}, {"loc5-posture", "5", "yes yes yes", posture},
		{"mob4-uk", "0", "no no no", levy}, {"mob4-uk", "1", "no no no", levy}, {"mob4-uk", "2", "yes no no", levy}, {"mob4-uk", "3", "yes yes yes", levy},
		{"mob4-beef", "0", "no no no", beef}, {"mob4-beef", "1", "no no no", beef}, {"mob4-beef", "2", "yes no no", beef}, {"mob4-beef", "3", "yes yes yes", beef},
		{"mob4-nz", "2", "yes no no", nz}, {"mob4-nz", "3", "yes yes yes", nz}, {"mob4-au", "2", "yes no no", au}, {"mob4-au", "3", "yes yes yes", au},
		{"us3-v1", "2", "no no ", first}, {"us3-v1", "3", "yes undetermined ", first},
		{"us3-v2", "2", "yes no no", second}, {"us3-v2", "3", "yes undetermined yes", second},
		{"loc9-half", "2.5", "no no ", "veterinaryrecord.bmj.com/content/164/13/388 (cut at 3)"}, {"loc9-half", "3", "yes no ", "the same"},
		{"nrs5", "2.5", "no no no", "researchportal.be, Schlageter-Tello (cuts)"}, {"nrs5", "4", "yes undetermined yes", "the same"}, {"nrs5", "4.5", "yes undetermined yes", "the same"},
		{"sls4", "1", "no  ", stall}, {"sls4", "2", "yes  ", stall},
		{"wq3-loose", "0", "no no no", memory}, {"wq3-loose", "1", "yes no no", memory}, {"wq3-loose", "2", "yes undetermined yes", memory},
		{"wq2-tied", "0", "no  ", memory}, {"wq2-tied", "2", "yes  ", memory},
		{"loc4-us", "3", "yes no no", memory}, {"loc4-us", "4", "yes undetermined yes", memory},
		{"loc5-dk", "3", "yes no no", memory}, {"loc5-at", "4", "yes undetermined yes", memory},
		{"loc6-uk", "4", "yes no no", memory}, {"loc6-uk", "5", "yes yes yes", memory}, {"loc6-uk", "6", "yes yes yes", memory},
		{"binary", "0", "no no ", memory}, {"binary", "1", "yes undetermined ", memory},
		{"vas100", "99", "  ", memory}, {"pairwise", "2", "  ", "Gardenier et al. 2021, abstract"}, {"inparlour4", "4", "  ", "Animals 12(6), 703, abstract"},
		{"sensor", "1", "  ", "lirias.kuleuven.be 457494"}, {"conformation-9", "9", "  ", "ahdb.org.uk, dairy locomotion page"},
	}
	for _, tt := range tests {
		g := Locomotion().Get(tt.scale).Grade(number(tt.score), events.Cuts{})
		if got := g.Lame + " " + g.Severe + " " + g.SevereNative; got != tt.want {
			t.Errorf("%s %s: %q, wanted %q (%s)", tt.scale, tt.score, got, tt.want, tt.source)
		}
	}
	// agr.gc.ca publication 35933000000526 (Gibbons et al. 2014): against limping.
	if s := Locomotion().Get("sls4"); s.Sensitivity.String() != "0.63" || s.Specificity.String() != "0.77" || !s.Indirect {
		t.Errorf("stall signs: sensitivity %v, specificity %v, wanted 0.63 and 0.77", s.Sensitivity, s.Specificity)
	}
	// veterinaryrecord.bmj.com 164/13/388 and others: no cut from memory is a default.
	if s := Locomotion().Get("loc9-half"); s.Severe.IsSet() {
		t.Errorf("loc9-half has a severe cut %v that no source settles", s.Severe)
	}
}

func TestOutside_Units(t *testing.T) {
	// UCUM (unitsofmeasure.org; build.fhir.org) is case-sensitive; the codes are
	// from memory.
	for code, want := range map[string]bool{"mm": true, "[in_i]": true, "deg": true, "d": true, "MM": false, "in": false, "IN": false, "Deg": false, "days": false} {
		if got := Units().Has(code); got != want {
			t.Errorf("the unit %s is known: %v, wanted %v", code, got, want)
		}
	}
	// UN/CEFACT Recommendation 20, from memory.
	for code, want := range map[string]string{"mm": "MMT", "cm": "CMT", "[in_i]": "INH", "deg": "DD", "d": "DAY"} {
		if got := Units().Get(code).Rec20; got != want {
			t.Errorf("the unit %s is %s in Recommendation 20, wanted %s", code, got, want)
		}
	}
	// The inch is 25.4 mm exactly: international yard and pound agreement 1959.
	for in, want := range map[string]string{"3 1/4": "82.55", "1/4": "6.35", "3": "76.2", "3.25": "82.55", "3¼": "82.55"} {
		d, p := ParseNumber(in, NumberForm{Fractions: true})
		if p != nil {
			t.Errorf("%s: %v", in, p)
			continue
		}
		if mm, p := Units().Get("[in_i]").Neutralize(d); p != nil || mm.String() != want {
			t.Errorf("%s in is %v mm, %v, wanted %s", in, mm, p, want)
		}
	}
	if d, p := ParseNumber("3,25", NumberForm{Mark: ','}); p != nil || d.String() != "3.25" {
		t.Errorf("3,25 with a decimal comma is %v, %v", d, p)
	}
	// 75 mm in inches to four places, worked out from the definition.
	if v, exact, ok := Units().Get("[in_i]").From(number("75"), 4); !ok || exact || v.String() != "2.9528" {
		t.Errorf("75 mm is %v in (exact %v, %v), wanted 2.9528 and not exact", v, exact, ok)
	}
	if v, exact, ok := Units().Get("[in_i]").From(number("82.55"), 4); !ok || !exact || v.String() != "3.25" {
		t.Errorf("82.55 mm is %v in (exact %v), wanted 3.25 exactly", v, exact)
	}
}

// Ranges of the trade are proposals of our own; what they rest on stands in the
// list measures. Common practice, no source, for the looks of a wrong unit.
func TestOutside_Measures(t *testing.T) {
	tests := []struct{ what, value, looks string }{
		{"toe-length", "3.25", "looks like inch (it would be 82.55 mm)"}, {"toe-length", "2", "looks like inch (it would be 50.8 mm)"},
		{"toe-length", "7.5", "looks like centimetre (it would be 75 mm)"}, {"toe-length", "18", "looks like centimetre (it would be 180 mm)"},
		{"toe-length", "1.9", ""}, {"toe-length", "25", ""}, {"toe-length", "304.9", ""}, {"sole-thickness", "0.5", ""},
	}
	for _, tt := range tests {
		m := Measures().Get(tt.what)
		d := number(tt.value)
		if m.Hard.Has(d) {
			t.Errorf("%s %s is possible", tt.what, tt.value)
		}
		p := m.Problem(d)
		if !strings.HasPrefix(p.Got, tt.value+" "+m.Unit) || tt.looks == "" && strings.Contains(p.Got, "looks") || !strings.Contains(p.Got, tt.looks) {
			t.Errorf("%s %s: %v, wanted %q", tt.what, tt.value, p, tt.looks)
		}
	}
	toe := Measures().Get("toe-length")
	for _, r := range []Ranges{toe.Heifer, toe.Cow} {
		if !r.IsSet() || r.Hard[0].Cmp(toe.Hard[0]) < 0 || r.Hard[1].Cmp(toe.Hard[1]) > 0 || r.Soft[0].Cmp(toe.Soft[0]) < 0 || r.Soft[1].Cmp(toe.Soft[1]) > 0 {
			t.Errorf("the range %v is not inside that of all animals", r)
		}
	}
	if toe.Heifer.Soft.String() != "50 to 110" || toe.Cow.Soft.String() != "60 to 130" || Measures().Get("claw-angle").Cow.IsSet() {
		t.Errorf("heifers %v, cows %v", toe.Heifer, toe.Cow)
	}
}

func TestOutside_Zones(t *testing.T) {
	wide := ZoneMaps().Get(WideZones)
	tests := []struct {
		n                   int
		word, tissue, per   string
		source              string
		sixToo, elevenToo   bool
		convertsFromTheWide bool
	}{
		{0, "interdigital-skin", "skin", "foot", "agproud.com/articles/28244", false, true, false},
		{1, "white-line-toe", "horn", "claw", "agproud.com/articles/28244; name from memory", true, true, true},
		{2, "white-line-abaxial", "horn", "claw", "agproud.com/articles/28244; name from memory", true, true, true},
		{3, "wall-bulb-junction", "horn", "claw", "agproud.com/articles/28244; mdpi.com 2076-2607/13/9/2159", true, true, true},
		{4, "sole-bulb-junction", "horn", "claw", "extension.psu.edu, hoof health photo gallery", true, true, true},
		{5, "sole-apex", "horn", "claw", "from memory", true, true, true},
		{6, "bulb", "horn", "claw", "International Lameness Committee brochure; from memory", true, true, true},
		{7, "abaxial-wall", "horn", "claw", "agproud.com/articles/28244 (7 and 8 are the outer wall)", false, true, false},
		{8, "abaxial-wall", "horn", "claw", "agproud.com/articles/28244 (7 and 8 are the outer wall)", false, true, false},
		{9, "coronet-skin", "skin", "foot", "International Lameness Committee brochure; name from memory", false, true, false},
		{10, "heel-skin", "skin", "foot", "agproud.com/articles/28244", false, true, false},
		{11, "axial-wall", "horn", "claw", "from memory", false, false, false},
		{12, "", "horn", "claw", "from memory; sources do not agree", false, false, false},
	}
	for _, tt := range tests {
		z := wide.Zone(tt.n)
		if z.Word != tt.word || z.Tissue != tt.tissue || z.Per != tt.per {
			t.Errorf("zone %d: %s, %s of a %s, wanted %s, %s of a %s (%s)", tt.n, z.Word, z.Tissue, z.Per, tt.word, tt.tissue, tt.per, tt.source)
		}
		for name, there := range map[string]bool{"claw-zones-6": tt.sixToo, "claw-zones-11": tt.elevenToo} {
			m := ZoneMaps().Get(name)
			if m.Has(tt.n) != there {
				t.Errorf("%s has zone %d: %v (Greenough and Vermunt 1991 and older maps, from memory)", name, tt.n, !there)
			}
			if got, ok := ConvertZone(wide, tt.n, m); ok != tt.convertsFromTheWide || ok && got != tt.n {
				t.Errorf("zone %d is %d on %s: %v", tt.n, got, name, ok)
			}
		}
	}
	// A word names a zone only where one zone alone has it.
	for word, want := range map[string]int{"sole-bulb-junction": 4, "interdigital-skin": 0, "axial-wall": 11, "abaxial-wall": -1, "": -1, "hat": -1} {
		n, ok := wide.At(word)
		if ok != (want >= 0) || ok && n != want {
			t.Errorf("%q is zone %d, %v, wanted %d", word, n, ok, want)
		}
	}
	if n, ok := ZoneMaps().Get("claw-zones-6").At("heel-skin"); ok {
		t.Errorf("the map of the weight-bearing face has the skin of the heel as %d", n)
	}
}

// Every word that is a zone of a map is that zone, on every map that has it.
func TestZones_WordsNeverInvent(t *testing.T) {
	for _, w := range ZoneWords().All() {
		for i := range ZoneMaps().All() {
			m := &ZoneMaps().All()[i]
			n, ok := m.At(w.Code)
			if !ok {
				continue
			}
			if z := m.Zone(n); z == nil || z.Word != w.Code {
				t.Errorf("%s on %s is %d", w.Code, m.Code, n)
			}
		}
	}
}

func TestOutside_Transponders(t *testing.T) {
	tests := []struct {
		name, given, want, problem, source string
		national                           uint64
		told, animal                       bool
	}{
		{"telegram", "002898891fcab56f80407f73f8040201", "985113007399202", "", fromFirmware, 113007399202, true, true},
		{"telegram in capitals", "002898891FCAB56F80407F73F8040201", "985113007399202", "", fromFirmware, 113007399202, true, true},
		{"telegram of a test code", "00339a080402079f8040797788040201", "", "which is a test code", fromHarness, 0, false, false},
		{"telegram with a turned bit", "0028988e1fcab56f80407f73f8040201", "", "wanted 15 digits, or", byHand, 0, false, false},
		{"digits say nothing of the animal flag", "985113007399202", "985113007399202", "", "ISO 11784", 113007399202, false, true},
		{"largest national number", "985274877906943", "985274877906943", "", "ISO 11784: 38 bits", largestNational, false, true},
		{"39 bits", "985274877906944", "", "38 bits", byHand, 0, false, false},
	}
	for _, tt := range tests {
		c, told, p := ReadTransponder(tt.given)
		got, p2 := ParseTransponder(tt.given)
		if (p == nil) != (p2 == nil) || p != nil && p.Error() != p2.Error() {
			t.Errorf("%s: ReadTransponder says %v and ParseTransponder %v", tt.name, p, p2)
		}
		if tt.problem == "" && (p != nil || got != tt.want || c.Digits() != tt.want || c.National != tt.national || told != tt.told || c.Animal != tt.animal) {
			t.Errorf("%s: %q %+v %v, %v, wanted %q (%s)", tt.name, got, c, told, p, tt.want, tt.source)
		}
		if tt.problem != "" && (p == nil || got != "" || !strings.Contains(p.Error(), tt.problem)) {
			t.Errorf("%s: %q, %v, wanted %q (%s)", tt.name, got, p, tt.problem, tt.source)
		}
	}
}
