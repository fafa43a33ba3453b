package codes

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dewclaw/events"
)

const (
	ecvi    = "AAVLD-USAHA-ITStandards/eCVI ecvi2.xsd"
	eu2021  = "Regulation (EU) 2021/520, article 12"
	adeList = "adewg/ICAR, well-known animal identifier schemes"
	filled  = "lawinsider.com, national identification code: filled with zeros"
	ibull   = "wiki.interbull.org, Format605 and ID guidelines"
)

func TestReadEarTag(t *testing.T) {
	tests := []struct{ in, form, country, number, rule, source string }{
		{"DE 09 412 00731", FormEU, "DE", "0941200731", "", eu2021},
		{"NL 6802 5082 9", FormEU, "NL", "680250829", "", adeList + ", eu.bovine"},
		{"UK230011200123", FormEU, "UK", "230011200123", "", adeList + ", uk.cts.eartag: twelve digits behind UK"},
		{"GB230011200123", FormEU, "UK", "230011200123", "GB is UK on tags", adeList + ", uk.cts.eartag; ISO 3166-1"},
		{"EL000123456789", FormEU, "EL", "000123456789", "", eu2021 + ": EL for Greece"},
		{"GR000123456789", FormEU, "EL", "000123456789", "GR is EL on tags", eu2021 + ": not GR"},
		{"XI123456789012", FormEU, "XI", "123456789012", "", eu2021 + ": XI for Northern Ireland"},
		{"840003123456789", FormUSAnimal, "840", "003123456789", "", ecvi + ", AINType"},
		{"982000123456789", FormUSManufacturer, "982", "000123456789", "", ecvi + ", MfrRFIDType"},
		{"999000123456789", FormOther, "", "999000123456789", "", ecvi + ", MfrRFIDType: 999 does not match"},
		{"124000123456789", FormInternational, "124", "000123456789", "", ecvi + ": other countries"},
		{"12ABC3456", FormUniform9, "", "12ABC3456", "", ecvi + ", NUES9Type"},
		{"12AB3456", FormUniform8, "", "12AB3456", "", ecvi + ", NUES8Type"},
		{"WIABC1234", FormUniform9, "", "WIABC1234", "", ecvi + ", NUES9Type, letters of a state"},
		{"XXABC1234", FormOther, "", "XXABC1234", "", ecvi + ", NUES9Type: no state"},
		{"USA0003123456789", FormUSLetters, "USA", "0003123456789", "USA before the digits is no official form", adeList + ", usa.ain: an example that fits no pattern"},
		{"QABC1234XBC2345", FormOther, "", "QABC1234XBC2345", "", adeList + ", au.nlis"},
	}
	for _, tt := range tests {
		n, p := ReadEarTag(tt.in)
		if p != nil || n.Form != tt.form || n.Country != tt.country || n.Number != tt.number || n.Rule != tt.rule {
			t.Errorf("ReadEarTag(%q) = %+v, %v, wanted %s %s %s %q (%s)", tt.in, n, p, tt.form, tt.country, tt.number, tt.rule, tt.source)
		}
		if plain, p := ParseEarTag(tt.in); p != nil || plain != n.Text {
			t.Errorf("ParseEarTag(%q) = %q, %v, ReadEarTag has %q", tt.in, plain, p, n.Text)
		}
		if !Find("tag-forms").Has(n.Form) {
			t.Errorf("the form %q is not in its list", n.Form)
		}
	}
}

func TestReadEarTag_FormatsWhatItReads(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(Countries().All()).Draw(t, "country")
		number := rapid.StringMatching(`[0-9]{1,12}`).Draw(t, "number")
		letters := c.Alpha2
		if c.Tag != "" && rapid.Bool().Draw(t, "tag") {
			letters = c.Tag
		}
		var written strings.Builder
		for _, r := range letters + number {
			written.WriteString(rapid.SampledFrom([]string{"", "", " ", ".", "-"}).Draw(t, "between"))
			written.WriteRune(r)
		}
		n, p := ReadEarTag(written.String())
		want := letters
		if c.Tag != "" {
			want = c.Tag
		}
		if p != nil || n.Form != FormEU || n.Country != want || n.Number != number || n.Text != want+number {
			t.Fatalf("ReadEarTag(%q) = %+v, %v", written.String(), n, p)
		}
		if again, p := ReadEarTag(n.Text); p != nil || again.Text != n.Text || again.Rule != "" {
			t.Fatalf("%q reads back as %+v, %v", n.Text, again, p)
		}
		if iso, ok := CountryOf(n.Country); !ok || fmt.Sprintf("%03d", iso) != c.Code {
			t.Fatalf("%s is %d, %v, wanted %s", n.Country, iso, ok, c.Code)
		}
	})
}

func TestInterbullID(t *testing.T) {
	id, p := NewInterbullID("LIM", "FRA", "F", "8795005065")
	if p != nil || id.String() != "LIMFRAF008795005065" || len(id.String()) != 19 {
		t.Errorf("got %q, %v, wanted LIMFRAF008795005065 (%s)", id, p, ibull)
	}
	tests := []struct{ in, want, problem, source string }{
		{"LIMFRAF008795005065", "LIMFRAF008795005065", "", ibull},
		{"hol 840 m 000123456789", "HOL840M000123456789", "", "redmine.uscdcb.com, accepted international numbers: the country may be a number"},
		{"HOLDEUM00A123456789", "HOLDEUM00A123456789", "", ibull},
		{"LIMFRAF8795005065", "", "wanted 19 characters, got 17", ibull},
		{"LIMFRAX008795005065", "", "wanted M or F as the seventh character", ibull},
		{"L1MFRAF008795005065", "", "wanted three letters of breed", ibull},
		{"LIMF9AF008795005065", "", "wanted three letters of country", ibull},
		{"LIMFRAF00879500506?", "", "wanted letters and digits", ""},
		{"9.82E+14", "", "which a spreadsheet has rounded", ""},
	}
	for _, tt := range tests {
		id, p := ParseInterbullID(tt.in)
		if tt.problem == "" && (p != nil || id.String() != tt.want) || tt.problem != "" && (p == nil || id != (InterbullID{}) || !strings.Contains(p.Error(), tt.problem)) {
			t.Errorf("ParseInterbullID(%q) = %q, %v, wanted %q %q (%s)", tt.in, id, p, tt.want, tt.problem, tt.source)
		}
	}
	for _, number := range []string{"", "1234567890123"} {
		if _, p := NewInterbullID("LIM", "FRA", "F", number); p == nil {
			t.Errorf("the number %q is accepted", number)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		want := InterbullID{
			Breed:   rapid.StringMatching(`[A-Z]{3}`).Draw(t, "breed"),
			Country: rapid.StringMatching(`[A-Z]{3}|[0-9]{3}`).Draw(t, "country"),
			Sex:     rapid.SampledFrom([]string{"M", "F"}).Draw(t, "sex"),
			Number:  rapid.StringMatching(`[0-9A-Z]{12}`).Draw(t, "number"),
		}
		if got, p := ParseInterbullID(want.String()); p != nil || got != want {
			t.Fatalf("%s reads back as %+v, %v", want, got, p)
		}
	})
}

func TestAlike_OnlySuggests(t *testing.T) {
	tag := func(v string) events.Identifier { return events.Identifier{Scheme: EarTag, Value: v} }
	chip := func(v string) events.Identifier { return events.Identifier{Scheme: Transponder, Value: v} }
	tests := []struct {
		a, b   events.Identifier
		code   string // "" if nothing is suggested
		source string
	}{
		{tag("DE000312312345"), chip("276000312312345"), "276000312312345", eu2021},
		{tag("NL 6802 5082 9"), chip("528000680250829"), "528000680250829", adeList + ", eu.bovine; " + filled},
		{tag("XI123456789012"), chip("899123456789012"), "899123456789012", eu2021},
		{tag("EL000123456789"), chip("300000123456789"), "300000123456789", eu2021},
		{tag("GR000123456789"), chip("300000123456789"), "300000123456789", eu2021},
		{tag("UK230011200123"), chip("826230011200123"), "826230011200123", adeList + ", uk.cts.eartag"},
		{tag("840003123456789"), chip("840 003 123 456 789"), "840003123456789", ecvi},
		{tag("USA0003123456789"), chip("840003123456789"), "840003123456789", adeList + ", usa.ain: two spellings of one example"},
		{tag("USA003123456789"), tag("840003123456789"), "840003123456789", adeList + ", usa.ain"},
		{tag("GR000123456789"), tag("EL000123456789"), "", "one spelling already"},
		{tag("DE000312312345"), chip("276000312312346"), "", "another number"},
		{tag("DE000312312345"), chip("040000312312345"), "", "another country"},
		{tag("982000123456789"), chip("982000123456789"), "", "a manufacturer's number is no tag"},
		{tag("UK999999999999"), chip("826274877906943"), "", "twelve digits that no transponder can have"},
		{chip("276000312312345"), chip("276 000312312345"), "", "the same scheme"},
		{events.Identifier{Scheme: "herd-number", Value: "276000312312345"}, chip("276000312312345"), "", "a herd number means nothing outside its farm"},
		{tag("12345"), chip("276000000012345"), "", "a short number is never filled"},
		{tag("DE000312312345"), chip("999"), "", "no transponder"},
	}
	for _, tt := range tests {
		for range 2 {
			got := Alike(tt.a, tt.b)
			if tt.code == "" && got != "" || tt.code != "" && !strings.HasPrefix(got, "both are "+tt.code) {
				t.Errorf("Alike(%v, %v) = %q, wanted %q (%s)", tt.a, tt.b, got, tt.code, tt.source)
			}
			tt.a, tt.b = tt.b, tt.a
		}
	}
}

func FuzzReadEarTag(f *testing.F) {
	for _, s := range []string{"DE 09 412 00731", "GR000123456789", "USA0003123456789", "12ABC3456", "WIABC1234", "", "9.82E+14", "é/"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		n, p := ReadEarTag(s)
		if p != nil {
			if n != (EarTagNumber{}) || p.Wanted == "" || p.Got == "" {
				t.Fatalf("ReadEarTag(%q) = %+v, %+v", s, n, p)
			}
			return
		}
		if again, p := ReadEarTag(n.Text); p != nil || again.Text != n.Text || again.Form != n.Form {
			t.Fatalf("%q reads back as %+v, %v", n.Text, again, p)
		}
	})
}

func FuzzParseInterbullID(f *testing.F) {
	for _, s := range []string{"LIMFRAF008795005065", "HOL840M000123456789", "", "é"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		id, p := ParseInterbullID(s)
		if p != nil {
			if id != (InterbullID{}) || p.Wanted == "" || p.Got == "" {
				t.Fatalf("ParseInterbullID(%q) = %+v, %+v", s, id, p)
			}
			return
		}
		if again, p := ParseInterbullID(id.String()); p != nil || again != id {
			t.Fatalf("%s reads back as %+v, %v", id, again, p)
		}
	})
}
