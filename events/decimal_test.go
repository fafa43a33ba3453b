package events_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dewclaw/events"
)

func rat(t *rapid.T, d events.Decimal) *big.Rat {
	r, ok := new(big.Rat).SetString(d.String())
	if !ok {
		t.Fatalf("%q is no number", d.String())
	}
	return r
}

func TestParseDecimal(t *testing.T) {
	tests := []struct{ in, want string }{
		{"82.55", "82.55"}, {"0", "0"}, {"-0", "0"}, {"-1", "-1"}, {"007", "7"}, {"1.50", "1.5"}, {"-0.50", "-0.5"}, {"9999999999999999999", "9999999999999999999"},
		{"0.0000000000000000001", "0.0000000000000000001"}, {"1.000000000000000000000", "1"}, {"276000941200731", "276000941200731"},
		{"", ""}, {"-", ""}, {".5", ""}, {"5.", ""}, {"1e3", ""}, {"1e1000001", ""}, {"+5", ""}, {" 5", ""}, {"1,5", ""}, {"NaN", ""}, {"0x1", ""}, {"1_000", ""}, {"٣", ""},
		{"99999999999999999999", ""}, {"0.00000000000000000001", ""}, {"12345678901.123456789", ""}, {strings.Repeat("9", 200_000), ""},
	}
	for _, tt := range tests {
		d, err := events.ParseDecimal(tt.in)
		if tt.want == "" {
			if !errors.Is(err, events.ErrInvalid) || d.IsSet() || len(err.Error()) > 200 {
				t.Errorf("ParseDecimal(%.40q) = %v, %v, wanted an error of kind invalid", tt.in, d, err)
			}
			continue
		}
		if err != nil || d.String() != tt.want || !d.IsSet() {
			t.Errorf("ParseDecimal(%q) = %v, %v, wanted %s", tt.in, d, err, tt.want)
		}
	}
}

// The oracle of all of these is math/big.
func TestDecimal_IsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := decimals().Draw(t, "a"), decimals().Draw(t, "b")
		ra, rb := rat(t, a), rat(t, b)
		if got, want := a.Cmp(b), ra.Cmp(rb); got != want {
			t.Fatalf("%v against %v: %d, wanted %d", a, b, got, want)
		}
		if a.IsInt() != ra.IsInt() {
			t.Fatalf("%v is whole: %v", a, a.IsInt())
		}
		hold := func(op string, got events.Decimal, err error, want *big.Rat) {
			switch {
			case err != nil && (!errors.Is(err, events.ErrInvalid) || got.IsSet()):
				t.Fatalf("%v %s %v = %v, %v", a, op, b, got, err)
			case err == nil && rat(t, got).Cmp(want) != 0:
				t.Fatalf("%v %s %v = %v, wanted %v: never rounded", a, op, b, got, want)
			case err != nil && fits(want):
				t.Fatalf("%v %s %v = %v was refused and fits: %v", a, op, b, want.FloatString(20), err)
			}
		}
		sum, err := a.Add(b)
		hold("+", sum, err, new(big.Rat).Add(ra, rb))
		product, err := a.Mul(b)
		if err == nil || len(want(ra))+len(want(rb)) <= 19 {
			hold("×", product, err, new(big.Rat).Mul(ra, rb))
		}
	})
}

// want returns the digits of a finite decimal.
func want(r *big.Rat) string {
	return strings.TrimLeft(strings.NewReplacer("-", "", ".", "").Replace(strings.TrimRight(r.FloatString(19), "0")), "0")
}

// fits reports whether a number has at most 19 digits and 19 places, with room
// to spare for how a sum is worked out.
func fits(r *big.Rat) bool {
	limit := new(big.Rat).SetFrac64(1e8, 1)
	places, exact := r.FloatPrec()
	return exact && places <= 10 && new(big.Rat).Abs(r).Cmp(limit) < 0
}

func TestDecimal_WritesTheShortestFormAndReadsItBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := decimals().Draw(t, "d")
		s := d.String()
		if strings.Contains(s, ".") && strings.HasSuffix(s, "0") || strings.HasSuffix(s, ".") || s == "-0" || strings.ContainsAny(s, "eE+ ") {
			t.Fatalf("%q is not the shortest plain form", s)
		}
		again, err := events.ParseDecimal(s)
		if err != nil || again.Cmp(d) != 0 || again.String() != s {
			t.Fatalf("%q reads back as %v, %v", s, again, err)
		}
		b, err := json.Marshal(d)
		var read events.Decimal
		if err != nil || string(b) != s || json.Unmarshal(b, &read) != nil || read.Cmp(d) != 0 {
			t.Fatalf("JSON of %v is %s, %v, and reads as %v", d, b, err, read)
		}
		if text, err := d.AppendText([]byte("x")); err != nil || string(text) != "x"+s {
			t.Fatalf("AppendText %q, %v", text, err)
		}
	})
}

func TestDecimal_NothingIsNotZero(t *testing.T) {
	var nothing events.Decimal
	zero := events.DecimalOf(0, 0)
	if nothing.IsSet() || !nothing.IsZero() || nothing.IsInt() || nothing.String() != "" || !zero.IsSet() || zero.IsZero() || zero.String() != "0" {
		t.Errorf("nothing %+v, zero %+v", nothing, zero)
	}
	if nothing.Cmp(events.DecimalOf(-5, 0)) != -1 || zero.Cmp(nothing) != 1 || nothing.Cmp(events.Decimal{}) != 0 {
		t.Error("nothing does not sort before every number")
	}
	b, err := json.Marshal(nothing)
	read := events.DecimalOf(7, 0)
	if err != nil || string(b) != "null" || json.Unmarshal(b, &read) != nil || read.IsSet() {
		t.Errorf("nothing is %s, %v, and reads as %v", b, err, read)
	}
	for _, op := range []func(events.Decimal) (events.Decimal, error){zero.Add, zero.Mul, nothing.Add, nothing.Mul} {
		if got, err := op(nothing); !errors.Is(err, events.ErrInvalid) || got.IsSet() {
			t.Errorf("with nothing: %v, %v, wanted an error of kind invalid", got, err)
		}
	}
	for _, s := range []string{`"5"`, `1e3`, `1e1000001`, `true`, `5.`} {
		if err := json.Unmarshal([]byte(s), &read); err == nil {
			t.Errorf("%s was read as %v", s, read)
		}
	}
	if text, err := nothing.AppendText(nil); err != nil || len(text) != 0 {
		t.Errorf("text of nothing: %q, %v", text, err)
	}
}

func ExampleDecimal() {
	inches, _ := events.ParseDecimal("3.25")
	mm, _ := inches.Mul(events.DecimalOf(254, 1))
	fmt.Println(mm)
	// Output: 82.55
}
