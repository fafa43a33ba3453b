package codes

import (
	"fmt"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParseNumber(t *testing.T) {
	tests := []struct {
		in        string
		mark      byte
		fractions bool
		want      string // "" if it is no number
		got       string // end of the problem
	}{
		{"78.5", '.', false, "78.5", ""}, {"78,5", ',', false, "78.5", ""}, {"77,0", ',', false, "77", ""}, {" 78.5 ", '.', false, "78.5", ""},
		{"\u00a078,5\u202f", ',', false, "78.5", ""}, {"0", '.', false, "0", ""}, {"-1.25", '.', false, "-1.25", ""}, {"-0", '.', false, "0", ""},
		{".5", '.', false, "0.5", ""}, {",5", ',', false, "0.5", ""}, {"007", '.', false, "7", ""}, {"3", 0, false, "3", ""},
		{"0,250", ',', false, "0.25", ""}, {"82.550", '.', false, "82.55", ""}, {"1234567890123456789", '.', false, "1234567890123456789", ""},
		{"123456789012345678,9", ',', false, "123456789012345678.9", ""}, {"3.25", '.', true, "3.25", ""},
		// Common practice, no source: the written forms of a quarter of an inch.
		{"3 1/4", '.', true, "3.25", ""}, {"3¼", '.', true, "3.25", ""}, {"3 ¼", '.', true, "3.25", ""}, {"3-1/4", '.', true, "3.25", ""},
		{"1/4", '.', true, "0.25", ""}, {"¾", '.', true, "0.75", ""}, {"3 3/8", '.', true, "3.375", ""}, {"3 1⁄8", '.', true, "3.125", ""},
		{"-1 1/2", '.', true, "-1.5", ""}, {"5/4", '.', true, "1.25", ""}, {"3 1/4", ',', true, "3.25", ""}, {"2 63/64", '.', true, "2.984375", ""},
		{"3 1/3", '.', true, "", `"3 1/3", which is no exact decimal number`}, {"⅓", '.', true, "", "which is no exact decimal number"},
		{"3 1/4", '.', false, "", `"3 1/4"`}, {"3 5/4", '.', true, "", `"3 5/4"`}, {"3 1/0", '.', true, "", `"3 1/0"`}, {"1/4/2", '.', true, "", ""},
		{"3 1/4 5", '.', true, "", ""}, {"3/", '.', true, "", ""}, {"/4", '.', true, "", ""}, {"3 1/1234567", '.', true, "", ""},
		// The comma with three digits behind it: one of two readings, so none.
		{"3,250", ',', false, "", `"3,250", which may be 3.25 or 3250`}, {"3,250", '.', false, "", `"3,250", which may be 3.25 or 3250`},
		{"-78,500", ',', false, "", "which may be 78.5 or 78500"}, {"3.250", ',', false, "", "which may be 3.25 or 3250"}, {"1,000", ',', false, "", "which may be 1 or 1000"},
		{"3,25", '.', false, "", `"3,25"`}, {"3.25", ',', false, "", `"3.25"`}, {"1.234,5", ',', false, "", ""}, {"1 234", '.', false, "", ""},
		{"", '.', false, "", `""`}, {" ", '.', false, "", ""}, {"-", '.', false, "", ""}, {".", '.', false, "", ""}, {"5.", '.', false, "", ""},
		{"1e3", '.', false, "", `"1e3"`}, {"1e1000001", '.', true, "", ""}, {"9.82E+14", '.', false, "", ""}, {"+5", '.', false, "", ""}, {"0x10", '.', false, "", ""},
		{"NaN", '.', false, "", ""}, {"Inf", '.', false, "", ""}, {"1.2.3", '.', false, "", ""}, {"٣", '.', false, "", ""}, {"12345678901234567890", '.', false, "", ""},
		{"0.00000000000000000001", '.', false, "", ""}, {strings.Repeat("9", 200_000), '.', true, "", "…"},
	}
	for _, tt := range tests {
		f := NumberForm{Mark: tt.mark, Fractions: tt.fractions}
		got, p := ParseNumber(tt.in, f)
		switch {
		case tt.want != "":
			if p != nil || got.String() != tt.want {
				t.Errorf("ParseNumber(%.30q, %+v) = %v, %v, wanted %s", tt.in, f, got, p, tt.want)
			}
		case p == nil:
			t.Errorf("ParseNumber(%.30q, %+v) = %v, wanted a problem", tt.in, f, got)
		case !strings.Contains(p.Got, tt.got) || !strings.HasPrefix(p.Wanted, "a number with decimal mark") || got.IsSet() || len(p.Got) > 200:
			t.Errorf("ParseNumber(%.30q, %+v): %v, wanted a problem with %q", tt.in, f, p, tt.got)
		}
	}
}

// Every number that is read has the value an exact fraction says it has.
func TestParseNumber_IsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole := rapid.Int64Range(0, 9999).Draw(t, "whole")
		den := rapid.SampledFrom([]int64{2, 3, 4, 5, 7, 8, 10, 16, 32, 64, 100}).Draw(t, "den")
		num := rapid.Int64Range(1, den-1).Draw(t, "num")
		want := new(big.Rat).Add(big.NewRat(whole, 1), big.NewRat(num, den))
		d, p := ParseNumber(fmt.Sprintf("%d %d/%d", whole, num, den), NumberForm{Fractions: true})
		_, exact := want.FloatPrec()
		if exact != (p == nil) {
			t.Fatalf("%v: exact %v, problem %v", want, exact, p)
		}
		if p == nil {
			if got, _ := new(big.Rat).SetString(d.String()); got.Cmp(want) != 0 {
				t.Fatalf("%v was read as %v", want, d)
			}
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Range(-1e15, 1e15).Draw(t, "n")
		places := rapid.IntRange(0, 6).Draw(t, "places")
		want := new(big.Rat).SetFrac64(n, pow10(places))
		text := want.FloatString(places)
		for _, mark := range []byte{'.', ','} {
			in := strings.Replace(text, ".", string(rune(mark)), 1)
			d, p := ParseNumber(in, NumberForm{Mark: mark})
			if p != nil {
				if ambiguous(in, mark) == "" {
					t.Fatalf("ParseNumber(%q, %q): %v", in, mark, p)
				}
				continue
			}
			if got, _ := new(big.Rat).SetString(d.String()); got.Cmp(want) != 0 {
				t.Fatalf("%s was read as %v", in, d)
			}
		}
	})
}

func pow10(n int) int64 {
	p := int64(1)
	for range n {
		p *= 10
	}
	return p
}

func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"3 1/4", "3¼", "3,250", "-0.5", "1e1000001", "99999999999999999999", "3-1/4", "½", "5."} {
		f.Add(s, true, true)
		f.Add(s, false, false)
	}
	f.Fuzz(func(t *testing.T, s string, comma, fractions bool) {
		form := NumberForm{Mark: '.', Fractions: fractions}
		if comma {
			form.Mark = ','
		}
		d, p := ParseNumber(s, form)
		if (p == nil) != d.IsSet() {
			t.Fatalf("ParseNumber(%q) = %v, %v", s, d, p)
		}
		if p == nil {
			if again, p := ParseNumber(d.String(), NumberForm{}); p != nil || again.Cmp(d) != 0 {
				t.Fatalf("%v does not read back: %v, %v", d, again, p)
			}
		}
	})
}

func TestUnits(t *testing.T) {
	// Source: the international inch of 1959 is 25.4 mm exactly; UCUM.
	tests := []struct{ unit, in, want string }{
		{"[in_i]", "3.25", "82.55"}, {"[in_i]", "0.25", "6.35"}, {"[in_i]", "3", "76.2"}, {"[in_i]", "3.375", "85.725"}, {"[in_i]", "3.125", "79.375"},
		{"cm", "1.5", "15"}, {"m", "0.0785", "78.5"}, {"mm", "78.5", "78.5"}, {"deg", "48", "48"}, {"1", "3", "3"}, {"d", "2", "2"},
	}
	for _, tt := range tests {
		u := Units().Get(tt.unit)
		got, p := u.Neutralize(number(tt.in))
		if p != nil || got.String() != tt.want {
			t.Errorf("%s %s = %v, %v, wanted %s", tt.in, tt.unit, got, p, tt.want)
			continue
		}
		if back, exact, ok := u.From(got, 4); !ok || !exact || back.Cmp(number(tt.in)) != 0 {
			t.Errorf("%v back to %s: %v, exact %v, %v", got, tt.unit, back, exact, ok)
		}
	}
	// Source: UCUM is case-sensitive.
	for _, code := range []string{"MM", "in", "Deg", "days", "inch", `"`, ""} {
		if Units().Has(code) {
			t.Errorf("%q is a unit", code)
		}
	}
	if v, exact, ok := Units().Get("[in_i]").From(number("75"), 4); !ok || exact || v.String() != "2.9528" {
		t.Errorf("75 mm = %v [in_i], exact %v, %v, wanted 2.9528 (computed from the definition)", v, exact, ok)
	}
	if _, p := Units().Get("[in_i]").Neutralize(number("1234567890123456789")); p == nil {
		t.Error("a product with too many digits was kept")
	}
	for in, want := range map[string]string{"12.7": "0", "38.1": "2", "-12.7": "0", "-38.1": "-2", "63.5": "2"} {
		if v, _, _ := Units().Get("[in_i]").From(number(in), 0); v.String() != want {
			t.Errorf("%s mm to whole inches: %v, wanted %s (half to even)", in, v, want)
		}
	}
	for _, places := range []int{-1, 20} {
		if _, _, ok := Units().Get("mm").From(number("1"), places); ok {
			t.Errorf("%d places are possible", places)
		}
	}
}

func BenchmarkParseNumber(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, p := ParseNumber("78,5", NumberForm{Mark: ','}); p != nil {
			b.Fatal(p)
		}
	}
}
