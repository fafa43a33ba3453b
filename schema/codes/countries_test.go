package codes

import (
	"fmt"
	"testing"

	"golang.org/x/text/language"
)

// The outside here is the region data of Unicode CLDR in golang.org/x/text.
func TestCountries_AreThoseOfISO3166(t *testing.T) {
	n := 0
	for _, c := range Countries().All() {
		if c.Alpha3 == "" {
			if c.Code != "899" || c.Alpha2 != "XI" {
				t.Errorf("%s %s is no country of ISO 3166-1", c.Code, c.Alpha2)
			}
			continue
		}
		n++
		r, err := language.ParseRegion(c.Alpha2)
		if err != nil || r.ISO3() != c.Alpha3 || fmt.Sprintf("%03d", r.M49()) != c.Code || !r.IsCountry() {
			t.Errorf("%s %s %s: CLDR has %s %s %03d (%v)", c.Code, c.Alpha2, c.Alpha3, r, r.ISO3(), r.M49(), err)
		}
	}
	if n != 249 {
		t.Errorf("%d countries, ISO 3166-1 has 249 (package iso-codes 4.15)", n)
	}
}

func TestKnownPrefix(t *testing.T) {
	// AAVLD-USAHA-ITStandards/eCVI ecvi2.xsd, list of other countries; 840 stands
	// in a type of its own there, 535 and 654 are left out, 899 is of Regulation
	// (EU) 2021/520, article 12.
	for _, n := range []int{276, 250, 528, 56, 372, 826, 124, 554, 36, 756, 40, 208, 752, 578, 246, 300, 724, 380, 620, 616, 840, 535, 654, 899} {
		if !KnownPrefix(n) || !Countries().Has(fmt.Sprintf("%03d", n)) {
			t.Errorf("%03d is not known as a country", n)
		}
	}
	// ISO 11784; icar.org, page on misuse of codes.
	for n, want := range map[int]bool{0: false, 1: false, 900: true, 985: true, 998: true, 999: false, 1000: false, 1023: false, -1: false, 898: false} {
		if got := KnownPrefix(n); got != want {
			t.Errorf("KnownPrefix(%d) = %v, wanted %v", n, got, want)
		}
	}
	for _, s := range []string{"900", "000", "999"} {
		if Countries().Has(s) {
			t.Errorf("%s is in the list of countries", s)
		}
	}
}

// The quick marks and the list are one.
func TestCountries_TheMarksAreTheList(t *testing.T) {
	numbers, letters := 0, 0
	for _, known := range countryMarks().numbers {
		if known {
			numbers++
		}
	}
	for _, n := range countryMarks().letters {
		if n != 0 {
			letters++
		}
	}
	want := len(Countries().All())
	for _, c := range Countries().All() {
		for _, l := range []string{c.Alpha2, c.Tag} {
			if l == "" {
				continue
			}
			if n, ok := CountryOf(l); !ok || fmt.Sprintf("%03d", n) != c.Code {
				t.Errorf("CountryOf(%s) = %d, %v, wanted %s", l, n, ok, c.Code)
			}
		}
		if c.Tag != "" {
			letters--
		}
	}
	if numbers != want || letters != want {
		t.Errorf("marks of %d numbers and %d letters, the list has %d", numbers, letters, want)
	}
	for _, l := range []string{"", "D", "DEU", "de", "EU", "Ä", "ZZ"} {
		if n, ok := CountryOf(l); ok {
			t.Errorf("CountryOf(%q) = %d", l, n)
		}
	}
	if n := testing.AllocsPerRun(100, func() { KnownPrefix(276); CountryOf("DE") }); n != 0 {
		t.Errorf("look-ups allocate %v times", n)
	}
}

func TestTransponderPrefixes_AreWhatIsRead(t *testing.T) {
	next := 0
	for _, x := range TransponderPrefixes().All() {
		if x.First != next || x.Last < x.First {
			t.Errorf("%s begins at %d, wanted %d", x.Code, x.First, next)
		}
		next = x.Last + 1
		code := fmt.Sprintf("%03d", x.First)
		if x.Last != x.First {
			code = fmt.Sprintf("%03d-%03d", x.First, x.Last)
		}
		if code != x.Code {
			t.Errorf("the row from %d to %d has the code %s", x.First, x.Last, x.Code)
		}
		for n := x.First; n <= x.Last; n++ {
			c := TransponderCode{Animal: true, Prefix: n, National: 1}
			if (c.Problem() != nil) != (x.Use == "refused") {
				t.Errorf("%d is for %s and the problem is %v", n, x.Use, c.Problem())
			}
			if x.Use == "manufacturer" && !KnownPrefix(n) || x.Use == "refused" && KnownPrefix(n) {
				t.Errorf("%d is for %s and known: %v", n, x.Use, KnownPrefix(n))
			}
		}
	}
	if next != prefixes {
		t.Errorf("the rows end at %d, wanted %d", next, prefixes)
	}
}
