package codes

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParseTransponder(t *testing.T) {
	tests := []struct {
		in, want, problem string
		source            string
	}{
		{"985-113007399202", "985113007399202", "", "display forms in public FDX-B decoder sources"},
		{"985 113007399202", "985113007399202", "", "the same"},
		{" 985.113.007.399.202 ", "985113007399202", "", "the same"},
		{"840 003 141 592 653", "840003141592653", "", "the same"},
		{"276\u00a0000312312345", "276000312312345", "", "the same, with a space that does not break"},
		{"276000312312345", "276000312312345", "", "adewg/ICAR well-known animal identifier schemes, std.iso.11785"},
		{"840003123456789", "840003123456789", "", "adewg/ICAR, usa.ain; pattern in AAVLD-USAHA-ITStandards/eCVI ecvi2.xsd"},
		{"985274877906943", "985274877906943", "", "ISO 11784: 38 bits, the largest national number"},
		{"900250000023921", "900250000023921", "", "public serial module decoder sources"},
		{"900155000101234", "900155000101234", "", "icar.org, misuse of codes: the form is right"},
		{"985274877906944", "", "wanted a national number of at most 274877906943 (38 bits), got 274877906944 (\"985274877906944\")", "ISO 11784: needs 39 bits"},
		{"276999999999999", "", "38 bits", "ISO 11784"},
		{"000123456789012", "", "which has none", "icar.org, misuse of codes: 000-coded tags"},
		{"999123456789012", "", "which is a test code", "ISO 11784; public RFID firmware"},
		{"999000000001337", "", "which is a test code", "public decoder test harness"},
		{"84000312345678", "", "wanted 15 digits, got 14 (\"84000312345678\")", "AAVLD-USAHA-ITStandards/eCVI ecvi2.xsd"},
		{"2760009412007311", "", "wanted 15 digits, got 16", "ISO 11784"},
		{"99202", "", "wanted 15 digits, got 5", "ISO 24631-6: a reader may show the last digits only; never padded"},
		{"9.82E+14", "", "which a spreadsheet has rounded: the digits are lost", "common practice, no source"},
		{"9,82E+14", "", "which a spreadsheet has rounded: the digits are lost", "common practice, no source"},
		{"982E+12", "", "which a spreadsheet has rounded: the digits are lost", "common practice, no source"},
		{"USA0003123456789", "", "wanted 15 digits, got \"USA0003123456789\"", "adewg/ICAR example that fits no pattern"},
		{"27600031231234O", "", "wanted 15 digits", "a letter O is no zero"},
		{"٢٧٦٠٠٠٣١٢٣١٢٣٤٥", "", "wanted 15 digits", "other digits are not read"},
		{"", "", "wanted 15 digits", ""},
		{"276000312312345\n276000312312346", "", `\n`, "control characters are shown, not printed"},
	}
	for _, tt := range tests {
		got, p := ParseTransponder(tt.in)
		switch {
		case tt.problem == "" && (p != nil || got != tt.want):
			t.Errorf("ParseTransponder(%q) = %q, %v, wanted %q (%s)", tt.in, got, p, tt.want, tt.source)
		case tt.problem != "" && (p == nil || got != "" || !strings.Contains(p.Error(), tt.problem)):
			t.Errorf("ParseTransponder(%q) = %q, %v, wanted a problem with %q (%s)", tt.in, got, p, tt.problem, tt.source)
		}
	}
}

func TestParseTransponder_ReadsEveryWrittenForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		digits := fmt.Sprintf("%03d%012d", rapid.IntRange(1, 998).Draw(t, "country"), rapid.Int64Range(0, largestNational).Draw(t, "national"))
		var written strings.Builder
		for _, c := range digits {
			written.WriteString(rapid.SampledFrom([]string{"", "", "", " ", ".", "-", "\u00a0"}).Draw(t, "between"))
			written.WriteRune(c)
		}
		if got, p := ParseTransponder(written.String()); p != nil || got != digits {
			t.Fatalf("ParseTransponder(%q) = %q, %v, wanted %q", written.String(), got, p, digits)
		}
	})
}

func TestParseTransponder_DoesNotAllocateOnPlainDigits(t *testing.T) {
	if n := testing.AllocsPerRun(100, func() { ParseTransponder("276000941200731") }); n != 0 {
		t.Errorf("allocates %v times", n)
	}
}

func TestParseEarTag(t *testing.T) {
	tests := []struct{ in, want, problem, source string }{
		{"DE 09 412 00731", "DE0941200731", "", "Regulation (EU) 2021/520, article 12: country and at most 12 digits"},
		{"de0941200731", "DE0941200731", "", "the same"},
		{"NL 6802 5082 9", "NL680250829", "", "adewg/ICAR, eu.bovine"},
		{"UK230011200123", "UK230011200123", "", "adewg/ICAR, uk.cts.eartag"},
		{"UK 230011/200123", "UK230011200123", "", "the same, with a stroke"},
		{"EL000123456789", "EL000123456789", "", "Regulation (EU) 2021/520, article 12: EL for Greece"},
		{"XI123456789012", "XI123456789012", "", "Regulation (EU) 2021/520, article 12: XI for Northern Ireland"},
		{"DE000312312345", "DE000312312345", "", "Regulation (EU) 2021/520: nothing is filled or cut"},
		{"12ABC3456", "12ABC3456", "", "AAVLD-USAHA-ITStandards/eCVI ecvi2.xsd, NUES9"},
		{"12AB3456", "12AB3456", "", "the same, NUES8"},
		{"WIABC1234", "WIABC1234", "", "the same, NUES9 with letters of the state"},
		{"QABC1234XBC2345", "QABC1234XBC2345", "", "adewg/ICAR, au.nlis"},
		{"DE0003123123456", "", "wanted a country and at most 12 digits, got 13 digits", "Regulation (EU) 2021/520, article 12"},
		{"DE 09 412 0073?", "", "wanted letters and digits", "a digit that could not be read"},
		{"DE", "", "wanted letters and digits", "a country alone is no tag"},
		{"9.41E+10", "", "which a spreadsheet has rounded", "common practice, no source"},
		{"", "", "wanted letters and digits", ""},
		{"DE09412ä", "", "wanted letters and digits", ""},
	}
	for _, tt := range tests {
		got, p := ParseEarTag(tt.in)
		switch {
		case tt.problem == "" && (p != nil || got != tt.want):
			t.Errorf("ParseEarTag(%q) = %q, %v, wanted %q (%s)", tt.in, got, p, tt.want, tt.source)
		case tt.problem != "" && (p == nil || got != "" || !strings.Contains(p.Error(), tt.problem)):
			t.Errorf("ParseEarTag(%q) = %q, %v, wanted a problem with %q (%s)", tt.in, got, p, tt.problem, tt.source)
		}
	}
}

func TestParseIdentifier(t *testing.T) {
	tests := []struct{ scheme, in, want, problem string }{
		{"transponder", "840 003 141 592 653", "840003141592653", ""},
		{"ear-tag", "DE 09 412 00731", "DE0941200731", ""},
		{"herd-number", "007", "007", ""}, // never padded, never cut
		{"herd-number", " 31 ", "31", ""},
		{"herd-number", "9.82E+14", "", "which a spreadsheet has rounded"},
		{"herdbook", "LIMFRAF008795005065", "LIMFRAF008795005065", ""}, // wiki.interbull.org, ID guidelines: 19 characters
		{"place", "Stall 2, Platz 14", "Stall 2, Platz 14", ""},
		{"place", "34/123/1234", "34/123/1234", ""}, // a holding number; adewg/ICAR, uk.cph
		{"temporary", "the white one, 1E+2", "the white one, 1E+2", ""},
		{"interbull", "LIM FRA F 008795005065", "LIMFRAF008795005065", ""},
		{"interbull", "31", "", "wanted 19 characters, got 2"},
		{"hat", "1", "", "wanted one of transponder, ear-tag"},
	}
	for _, tt := range tests {
		got, p := ParseIdentifier(tt.scheme, tt.in)
		if tt.problem == "" && (p != nil || got != tt.want) || tt.problem != "" && (p == nil || !strings.Contains(p.Error(), tt.problem)) {
			t.Errorf("ParseIdentifier(%s, %q) = %q, %v, wanted %q %q", tt.scheme, tt.in, got, p, tt.want, tt.problem)
		}
	}
	for _, s := range Find("schemes").Codes() {
		if _, p := ParseIdentifier(s, "276000941200731"); p != nil && s != Interbull {
			t.Errorf("scheme %s refuses a plain number: %v", s, p)
		}
	}
}

func FuzzParseIdentifier(f *testing.F) {
	for _, s := range []string{"DE 09 412 00731", "276000941200731", "9.82E+14", "", "007", "é"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for _, scheme := range Find("schemes").Codes() {
			n, p := ParseIdentifier(scheme, s)
			if p != nil {
				if n != "" || p.Wanted == "" || p.Got == "" {
					t.Fatalf("ParseIdentifier(%s, %q) = %q, %+v", scheme, s, n, p)
				}
				continue
			}
			if again, p := ParseIdentifier(scheme, n); p != nil || again != n {
				t.Fatalf("%s: %q normalizes to %q and that to %q, %v", scheme, s, n, again, p)
			}
		}
	})
}

func ExampleParseTransponder() {
	id, _ := ParseTransponder("840 003 141 592 653")
	_, problem := ParseTransponder("9.82E+14")
	fmt.Println(id)
	fmt.Println(problem)
	// Output:
	// 840003141592653
	// wanted 15 digits, got "9.82E+14", which a spreadsheet has rounded: the digits are lost
}
