package rules

import (
	"slices"
	"testing"

	"dewclaw/events"
)

func treated(what, foot, claw string) *events.Treatment {
	return &events.Treatment{What: what, Foot: foot, Claw: claw}
}

func examined(reasons []string, feet ...events.FootExam) *events.Examination {
	return &events.Examination{Outcome: "findings", Reasons: reasons, Feet: feet}
}

func foot(name, examined string) events.FootExam {
	return events.FootExam{Foot: name, Examined: examined}
}

// toe is a toe length after trimming unless told otherwise, from the hairline.
func toe(foot, claw, value, when string) *events.ClawMeasure {
	return &events.ClawMeasure{What: "toe-length", Foot: foot, Claw: claw, Value: dec(value), Unit: "mm", Landmark: "hairline", When: when}
}

// told lists what a record is advised of: the index of the payload and the code.
func told(record []events.Payload) (out []string) {
	for i, p := range record {
		for _, code := range notes(p) {
			out = append(out, string(rune('0'+i))+" "+code)
		}
	}
	return out
}

// TestApply_Advises holds every advisory of a record that is not in a table of
// its own: the condition, its edge, and what is near it and says nothing.
func TestApply_Advises(t *testing.T) {
	lameOn := func(feet ...events.FootExam) *events.Examination { return examined([]string{"lame"}, feet...) }
	su := func() *events.Lesion { return lesion("SU", "RH", "outer", 4) }
	ts := func(foot, claw string) *events.Lesion { return lesion("TS", foot, claw, 5) }
	sign := func(l *events.Lesion, site string, signs ...string) *events.Lesion {
		for _, s := range signs {
			l.Signs = append(l.Signs, events.Sign{Sign: s})
		}
		l.Site = site
		return l
	}
	healedSU := su()
	healedSU.Course = "healed"
	healedIP := lesion("IP", "RH", "none", 9)
	healedIP.Course = "healed"
	notDoneExam := lameOn(foot("LH", "yes"))
	notDoneExam.Outcome = "not-done"
	pastMethod := toe("RH", "inner", "90", "after")
	pastMethod.Method = "photo"
	otherLandmark := toe("RH", "inner", "90", "after")
	otherLandmark.Landmark = "hard-horn"
	tests := []struct {
		name   string
		record []events.Payload
		want   []string
		source string
	}{
		{"lame, both hind feet", []events.Payload{lameOn(foot("LH", "yes"), foot("RH", "yes"))}, nil, "Thomas et al. 2016, PMC4752658"},
		{"lame, one hind foot", []events.Payload{lameOn(foot("RH", "yes"))}, []string{"0 other-hind-foot"}, "Thomas et al. 2016, PMC4752658: 38 % lame on the other"},
		{"lame, the other not examined", []events.Payload{lameOn(foot("LH", "yes"), foot("RH", "no"))}, []string{"0 other-hind-foot"}, "the same"},
		{"lame, front feet only", []events.Payload{lameOn(foot("LF", "yes"))}, nil, "no hind foot was examined"},
		{"not lame, one hind foot", []events.Payload{examined([]string{"routine"}, foot("RH", "yes"))}, nil, "the rule is of lame animals"},
		{"lame, nothing done", []events.Payload{notDoneExam}, nil, "nothing was examined"},
		{"lame, the other foot in a second pass", []events.Payload{lameOn(foot("RH", "yes")), lameOn(foot("LH", "yes"))}, nil, "passes of one day count together"},

		{"ulcer and block", []events.Payload{su(), treated("block", "RH", "inner")}, nil, "pubmed.gov/18832211"},
		{"ulcer without a block", []events.Payload{su()}, []string{"0 ulcer-without-block"}, "pubmed.gov/18832211: ulcers 9.2 %, blocks 2.2 %"},
		{"ulcer, block on another foot", []events.Payload{su(), treated("block", "LH", "inner")}, []string{"0 ulcer-without-block"}, "the same"},
		{"parent of ulcers", []events.Payload{lesion("U", "RH", "outer", 4)}, []string{"0 ulcer-without-block"}, "ICAR Claw Health Atlas, from memory"},
		{"ulcer and wrap", []events.Payload{su(), treated("wrap", "RH", "none")}, []string{"0 ulcer-without-block"}, "a wrap is no block"},
		{"healed ulcer", []events.Payload{healedSU}, nil, "nothing is left to relieve"},
		{"white line", []events.Payload{lesion("WLA", "RH", "outer", 3)}, nil, "the rule is of ulcers"},
		{"ulcer on a foot that is not told", []events.Payload{lesion("SU", "", "outer", 4)}, nil, "the block may be on it"},

		{"block beside a thin sole", []events.Payload{ts("RH", "outer"), treated("block", "RH", "inner")}, []string{"1 block-beside-thin-sole"}, "common practice, no source, against pdfslide.net, thin soles"},
		{"thin sole block beside it", []events.Payload{ts("RH", "outer"), treated("block-thin-sole", "RH", "inner")}, []string{"1 block-beside-thin-sole"}, "the same"},
		{"block on the thin sole", []events.Payload{ts("RH", "outer"), treated("block-thin-sole", "RH", "outer")}, nil, "pdfslide.net, thin soles"},
		{"thin sole and another finding", []events.Payload{ts("RH", "outer"), lesion("SH", "RH", "outer", 4), treated("block", "RH", "inner")}, nil, "the block may be for the other one"},
		{"thin soles on both", []events.Payload{ts("RH", "outer"), ts("RH", "inner"), treated("block", "RH", "inner")}, nil, "it sits on a thin one"},
		{"blocks on both claws", []events.Payload{treated("block", "RH", "inner"), treated("block-thin-sole", "RH", "outer")}, []string{"0 blocks-on-both-claws", "1 blocks-on-both-claws"}, "pdfslide.net, thin soles: or on all claws"},
		{"blocks on two feet", []events.Payload{treated("block", "RH", "inner"), treated("block", "LH", "outer")}, nil, "one on each foot"},
		{"block twice on one claw", []events.Payload{treated("block", "RH", "inner"), treated("block", "RH", "inner")}, nil, "one claw"},
		{"block at the dry-off", []events.Payload{examined([]string{"dry-off"}, foot("RH", "yes")), treated("block", "RH", "inner")}, []string{"1 block-at-dry-off"}, "ahdb.org.uk, which cows should be on the trim list"},
		{"wrap at the dry-off", []events.Payload{examined([]string{"dry-off"}, foot("RH", "yes")), treated("wrap", "RH", "none")}, nil, "the rule is of blocks"},
		{"block in milk", []events.Payload{examined([]string{"mid-lactation"}, foot("RH", "yes")), treated("block", "RH", "inner")}, nil, "the same"},

		{"phlegmon", []events.Payload{lesion("IP", "RH", "none", 9)}, []string{"0 vet-infection"}, "common practice, no source"},
		{"phlegmon that healed", []events.Payload{healedIP}, nil, "common practice, no source"},
		{"digital dermatitis", []events.Payload{lesion("DD", "RH", "none", 10)}, nil, "whether it needs a medicine the record does not tell"},
		{"toe necrosis", []events.Payload{lesion("TN", "RH", "outer", 1), treated("block", "RH", "inner")}, []string{"0 vet-deep"}, "mdpi.com 2076-2607/13/9/2159: dead tissue down to the bone"},
		{"swelling above the claw", []events.Payload{sign(lesion("SW", "RH", "none", 9), "fetlock", "swelling")}, []string{"0 vet-deep"}, "common practice, no source"},
		{"swelling at the coronet", []events.Payload{sign(lesion("SW", "RH", "none", 9), "", "swelling")}, nil, "it does not go above the claw"},
		{"goes deep", []events.Payload{sign(lesion("WLA", "RH", "outer", 3), "", "pus", "depth")}, []string{"0 vet-deep"}, "common practice, no source"},
		{"pus alone", []events.Payload{sign(lesion("WLA", "RH", "outer", 3), "", "pus")}, nil, "an abscess has pus"},

		{"parent and child", []events.Payload{lesion("WL", "RH", "outer", 3), lesion("WLF", "RH", "outer", 3)}, []string{"0 told-twice"}, "common practice, no source"},
		{"child and parent", []events.Payload{lesion("WLF", "RH", "outer", 3), lesion("WL", "RH", "outer", 3)}, []string{"1 told-twice"}, "the order does not matter"},
		{"parent on another claw", []events.Payload{lesion("WL", "RH", "inner", 3), lesion("WLF", "RH", "outer", 3)}, nil, "two lesions"},
		{"two kinds", []events.Payload{lesion("WLA", "RH", "outer", 3), lesion("WLF", "RH", "outer", 3)}, nil, "two lesions"},
		{"one code twice", []events.Payload{lesion("SH", "RH", "outer", 4), lesion("SH", "RH", "outer", 4)}, []string{"1 told-twice"}, "common practice, no source"},
		{"one code twice, claws not told", []events.Payload{lesion("DS", "RH", "unknown", 4), lesion("DS", "RH", "unknown", 4)}, []string{"0 claw-missing", "1 claw-missing"}, "they may be on two claws"},
		{"one code, two zones", []events.Payload{lesion("SH", "RH", "outer", 4), lesion("SH", "RH", "outer", 5)}, nil, "two lesions"},
		{"dermatitis with and without a claw", []events.Payload{lesion("DD", "RH", "none", 10), lesion("DD", "RH", "outer", 10)}, []string{"1 told-twice"}, "skin belongs to the foot"},

		{"sole without its claw", []events.Payload{lesion("SH", "RH", "unknown", 4)}, []string{"0 claw-missing"}, "anatomy, from memory"},
		{"sole, claw not written", []events.Payload{lesion("SH", "RH", "", 4)}, []string{"0 claw-missing"}, "the same"},
		{"sole on no claw", []events.Payload{lesion("SH", "RH", "none", 4)}, []string{"0 claw-missing"}, "the same"},
		{"sole on a dewclaw", []events.Payload{lesion("SH", "RH", "dewclaw-outer", 4)}, nil, "it has its claw"},
		{"skin without a claw", []events.Payload{lesion("IH", "RH", "none", 0)}, nil, "skin belongs to the foot"},
		{"outside the atlas without a claw", []events.Payload{&events.Lesion{Code: "OTHER", Description: "cut", Foot: "RH", Claw: "none"}}, nil, "nobody knows whose it is"},

		{"claws alike", []events.Payload{toe("RH", "inner", "85", "after"), toe("RH", "outer", "90", "after")}, nil, "proposal of our own: 5 mm"},
		{"claws unequal", []events.Payload{toe("RH", "inner", "85", "after"), toe("RH", "outer", "90.1", "after")}, []string{"1 claws-unequal"}, "proposal of our own: more than 5 mm"},
		{"unequal before trimming", []events.Payload{toe("RH", "inner", "85", "before"), toe("RH", "outer", "95", "before")}, nil, "they are still to be made alike"},
		{"unequal on two feet", []events.Payload{toe("RH", "inner", "85", "after"), toe("LH", "outer", "95", "after")}, nil, "two feet"},
		{"unequal by two methods", []events.Payload{pastMethod, toe("RH", "outer", "99", "after")}, nil, "Laven 2015, en.engormix.com a40714: not interchangeable"},
		{"unequal from two landmarks", []events.Payload{otherLandmark, toe("RH", "outer", "99", "after")}, nil, "mainsitelive.azurewebsites.net, trimming cows' feet: two landmarks"},
		{"shorter after", []events.Payload{toe("RH", "outer", "95", "before"), toe("RH", "outer", "85", "after")}, nil, "as it should be"},
		{"as long as the tolerance", []events.Payload{toe("RH", "outer", "85", "before"), toe("RH", "outer", "87", "after")}, nil, "proposal of our own: 2 mm"},
		{"longer after", []events.Payload{toe("RH", "outer", "85", "before"), toe("RH", "outer", "87.1", "after")}, []string{"1 longer-after-trim"}, "proposal of our own: more than 2 mm"},
		{"longer on the other claw", []events.Payload{toe("RH", "inner", "85", "before"), toe("RH", "outer", "89", "after")}, nil, "two claws"},
		{"claws not told", []events.Payload{toe("RH", "unknown", "85", "after"), toe("RH", "unknown", "95", "after")}, nil, "nobody knows which"},

		{"wrap with a time", []events.Payload{&events.Treatment{Common: on("2026-03-04", "08:31", "+01:00", ""), What: "wrap"}}, nil, ""},
		{"wrap with a day alone", []events.Payload{&events.Treatment{Common: on("2026-03-04", "", "", ""), What: "wrap"}}, []string{"0 wrap-time-unknown"}, "proposal of our own"},
		{"block with a day alone", []events.Payload{&events.Treatment{Common: on("2026-03-04", "", "", ""), What: "block"}}, nil, "a block is not due by the hour"},

		{"cuts that contradict", []events.Payload{&events.Locomotion{Scale: "vas100", Score: dec("80"), Cuts: events.Cuts{Lame: dec("60"), Severe: dec("30")}}}, []string{"0 cuts-contradict"}, "follows from the words"},
		{"cuts that agree", []events.Payload{&events.Locomotion{Scale: "vas100", Score: dec("80"), Cuts: events.Cuts{Lame: dec("30"), Severe: dec("60")}}}, nil, "the same"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := Defaults()
			Apply(tt.record, s)
			if got := told(tt.record); !slices.Equal(got, tt.want) {
				t.Errorf("advised %v, wanted %v (%s)", got, tt.want, tt.source)
			}
			for _, p := range tt.record {
				for _, n := range p.Base().Notes {
					if n.Detail == "" || p.Base().Derived.Rules != Version {
						t.Errorf("%s says nothing of what it judged, or not by which rules (%q)", n.Code, p.Base().Derived.Rules)
					}
					if err := s.Set(n.Code, "off"); err != nil {
						t.Error(err)
					}
				}
			}
			if Apply(tt.record, s); len(told(tt.record)) > 0 {
				t.Errorf("advised %v although it is switched off", told(tt.record))
			}
		})
	}
}

// The order of a record does not matter but for which of two equal findings is
// told again.
func TestApply_AdvisesInAnyOrder(t *testing.T) {
	record := []events.Payload{
		examined([]string{"lame", "dry-off"}, foot("RH", "yes")), lesion("U", "RH", "outer", 4), lesion("SU", "RH", "outer", 4), treated("block", "RH", "outer"),
		treated("wrap", "RH", "none"), toe("RH", "inner", "75", "after"), toe("RH", "outer", "88", "after"), toe("RH", "outer", "80", "before"),
	}
	want := map[events.Payload][]string{}
	Apply(record, Defaults())
	seen := 0
	for _, p := range record {
		want[p] = notes(p)
		seen += len(want[p])
	}
	if seen < 7 {
		t.Errorf("only %d advisories: %v", seen, told(record))
	}
	for range len(record) {
		record = append(record[1:], record[0])
		Apply(record, Defaults())
		for _, p := range record {
			if got := notes(p); !slices.Equal(got, want[p]) {
				t.Errorf("%s: %v, in another order %v", p.Kind(), want[p], got)
			}
		}
		slices.Reverse(record)
	}
}

// Ranges of heifers and cows count where the record tells which she is. The
// figures are a proposal of our own; a heifer under 24 months has shorter claws.
func TestApply_JudgesLengthsByWhatSheIs(t *testing.T) {
	parity := func(n string) *events.Examination {
		x := examined([]string{"routine"})
		x.AsGiven.Parity = n
		return x
	}
	three := 3
	tests := []struct {
		name  string
		exam  events.Payload
		value string
		want  []string
	}{
		{"nothing told", examined([]string{"routine"}), "55", []string{ToeShort}},
		{"nothing told, long", examined([]string{"routine"}), "125", nil},
		{"heifer by her reason", examined([]string{"heifer"}), "55", nil},
		{"heifer, too short", examined([]string{"heifer"}), "49", []string{MeasureUnusual}},
		{"heifer, long", examined([]string{"heifer"}), "111", []string{MeasureUnusual}},
		{"heifer, longer than any", examined([]string{"heifer"}), "150.1", []string{MeasureForAge}},
		{"heifer, longest", examined([]string{"heifer"}), "150", []string{MeasureUnusual}},
		{"heifer by parity", parity("0"), "55", nil},
		{"cow by parity", parity("2"), "59", []string{ToeShort, MeasureUnusual}},
		{"cow by parity, shorter than any", parity("2"), "39.9", []string{ToeShort, MeasureForAge}},
		{"cow by her reason", examined([]string{"dry-off"}), "59", []string{ToeShort, MeasureUnusual}},
		{"cow by her reason, long", examined([]string{"mid-lactation"}), "130", nil},
		{"cow by the roster", &events.Animal{Parity: &three}, "59", []string{ToeShort, MeasureUnusual}},
		{"a parity that cannot be read", parity("two"), "55", []string{ToeShort}},
		{"heifer and cow", examined([]string{"heifer", "dry-off"}), "55", []string{ToeShort}},
	}
	for _, tt := range tests {
		m := toe("RH", "outer", tt.value, "after")
		Apply([]events.Payload{tt.exam, m}, Defaults())
		if got := notes(m); !slices.Equal(got, tt.want) {
			t.Errorf("%s, %s mm: %v, wanted %v", tt.name, tt.value, m.Notes, tt.want)
		}
	}
}

func TestApply_AdvisesOnIdentifiers(t *testing.T) {
	const (
		telegram = "002898891fcab56f80407f73f8040201" // flipperdevices/flipperzero-firmware, unit test
		icar     = "icar.org, page on misuse of codes"
		eu       = "Regulation (EU) 2021/520, article 12"
	)
	frame := func(animal, country string) string { // a serial frame with its check byte
		body := "171A9253A3" + country + "0" + animal + "0000000000"
		sum := byte(0)
		for i := range len(body) {
			sum ^= body[i]
		}
		return "\x02" + body + string([]byte{sum, ^sum, 3})
	}
	tests := []struct{ scheme, value, want, source string }{
		{"transponder", "276000941200731", "", "ISO 3166-1: Germany"},
		{"transponder", "899123456789012", "", eu + ": Northern Ireland"},
		{"transponder", "985113007399202", "", "ISO 11784: a manufacturer"},
		{"transponder", "900250000023921", "", "ospri.co.nz, approval of devices: shared manufacturer code"},
		{"transponder", "900155000101234", TransponderMisused, icar},
		{"transponder", "897000000000001", PrefixUnknown, icar + ": wrong manufacturer codes; ISO 3166-1 has no 897"},
		{"transponder", "001000000000001", PrefixUnknown, "ISO 3166-1 has no 001"},
		{"transponder", "12345", "", "no transponder: the record is held for that"},
		{"transponder", telegram, "", "its animal flag is set"},
		{"transponder", frame("1", "4830"), "", "its animal flag is set"},
		{"transponder", frame("0", "4830"), TagNotAnimal, "ISO 11784, bit 1; " + icar + ": wrong animal bit"},
		{"ear-tag", "EL000123456789", "", eu},
		{"ear-tag", "GR000123456789", CountryLetters, eu},
		{"ear-tag", "gb 230011 200123", CountryLetters, "adewg/ICAR, uk.cts.eartag; ISO 3166-1"},
		{"ear-tag", "UK230011200123", "", "adewg/ICAR, uk.cts.eartag"},
		{"ear-tag", "USA0003123456789", CountryLetters, "adewg/ICAR, usa.ain: fits no pattern"},
		{"ear-tag", "840003123456789", "", "AAVLD-USAHA-ITStandards/eCVI ecvi2.xsd"},
		{"ear-tag", "GRABC1234", "", "no number of Greece"},
		{"ear-tag", "7", "", ""},
		{"herd-number", "GR1", "", "the farm's own"},
	}
	for _, tt := range tests {
		x := &events.Examination{Common: events.Common{Animal: []events.Identifier{{Scheme: tt.scheme, Value: tt.value}}}}
		Apply([]events.Payload{x}, Defaults())
		if got := notes(x); tt.want == "" && got != nil || tt.want != "" && !slices.Equal(got, []string{tt.want}) {
			t.Errorf("%s %q: %v, wanted %q (%s)", tt.scheme, tt.value, x.Notes, tt.want, tt.source)
		}
	}
	// A telegram whose retagging counter is 2, worked out from ISO 11784.
	x := &events.Examination{Common: events.Common{Animal: []events.Identifier{{Scheme: "transponder", Value: "002898891fcab56f8040134c08040201"}}}}
	replaced := retagged()
	x.Animal[0].Value = replaced
	Apply([]events.Payload{x}, Defaults())
	if got := notes(x); !slices.Equal(got, []string{TagReplaced}) || x.Notes[0].Detail != "985113007399202, replaced 2 times" {
		t.Errorf("a replaced transponder: %v", x.Notes)
	}
	if got := x.Derived.Animal; len(got) != 1 || got[0].Value != "985113007399202" {
		t.Errorf("normalized %v, wanted the digits", got)
	}
}

func TestApply_AdvisesOnClocks(t *testing.T) {
	// Common practice, no source: what clocks and exports write that know nothing.
	tests := []struct {
		common events.Common
		want   []string
	}{
		{on("2026-03-04", "08:12", "+01:00", ""), nil},
		{on("1970-01-01", "01:00", "+01:00", ""), []string{ClockReset}},
		{on("2000-01-01", "", "", ""), []string{ClockReset}},
		{on("2001-06-30", "10:15", "+02:00", ""), []string{ClockReset}},
		{on("2002-01-01", "10:15", "+01:00", ""), nil},
		{on("2026-03-04", "00:00", "+01:00", ""), []string{Midnight}},
		{on("2026-03-04", "00:01", "+01:00", ""), nil},
		{on("2026-03-04", "", "", ""), nil},
		{on("1970-01-01", "00:00", "+00:00", ""), []string{ClockReset, Midnight}},
		{events.Common{Occurred: events.Occurred{Date: "2026-03-04", Time: "00:00:00.000", Offset: "+00:00", Precision: "ms"}}, []string{Midnight}},
		{events.Common{}, nil},
	}
	for _, tt := range tests {
		x, l := &events.Examination{Common: tt.common}, lesion("SH", "RH", "outer", 4)
		l.Common = tt.common
		Apply([]events.Payload{x, l}, Defaults())
		if got := notes(x); !slices.Equal(got, tt.want) || notes(l) != nil {
			t.Errorf("%+v: %v and %v, wanted %v once", tt.common.Occurred, x.Notes, l.Notes, tt.want)
		}
	}
}
