package codes

import (
	"strconv"
	"strings"

	"dewclaw/events"
)

// Alike says why two identifiers of different schemes, or two spellings of one,
// may name the same animal; "" if nothing says so. It is a suggestion for a
// person and never more: nothing is joined by arithmetic, for countries program
// transponders in their own ways and tags are replaced. Identifiers that cannot
// be read suggest nothing. The order of the two does not matter.
//
// An ear tag of a country and a transponder of the same country are two
// spellings of one code if the number on the tag, filled with zeros to twelve
// digits, is the national number (Regulation (EU) 2021/520, article 12; that
// numbers are filled with zeros: lawinsider.com, national identification code).
// In the United States the 15 digits on the tag are those of the transponder, or
// stand behind the letters USA (AAVLD-USAHA-ITStandards/eCVI ecvi2.xsd;
// adewg/ICAR, usa.ain).
func Alike(a, b events.Identifier) string {
	if a.Scheme == b.Scheme && a.Scheme != EarTag {
		return ""
	}
	x, okA := fullCode(a)
	y, okB := fullCode(b)
	if !okA || !okB || x != y {
		return ""
	}
	if a.Scheme == EarTag && b.Scheme == EarTag {
		if n, _ := ParseEarTag(a.Value); n == mustTag(b.Value) {
			return "" // one spelling: nothing to suggest
		}
	}
	return "both are " + x + ", the number of the country filled with zeros"
}

func mustTag(value string) string { n, _ := ParseEarTag(value); return n }

// fullCode returns the 15 digits an identifier stands for, of a country and
// never of a manufacturer, whose numbers say nothing of the tag.
func fullCode(id events.Identifier) (string, bool) {
	switch id.Scheme {
	case Transponder:
		n, p := ParseTransponder(id.Value)
		return n, p == nil && n[0] != '9'
	case EarTag:
		tag, p := ReadEarTag(id.Value)
		if p != nil {
			return "", false
		}
		return tag.fullCode()
	}
	return "", false
}

func (n EarTagNumber) fullCode() (string, bool) {
	switch n.Form {
	case FormUSAnimal, FormInternational:
		return n.Text, true
	case FormUSLetters:
		digits := n.Number
		if len(digits) > earTagDigits {
			digits = strings.TrimPrefix(digits, "0") // adewg/ICAR has an example with 13
		}
		return withZeros(unitedStates, digits)
	case FormEU:
		country, ok := CountryOf(n.Country)
		if !ok || !allDigits(n.Number) {
			return "", false
		}
		return withZeros(country, n.Number)
	}
	return "", false
}

// withZeros returns country and number as 15 digits, if the number fits a
// transponder.
func withZeros(country int, number string) (string, bool) {
	national, err := strconv.ParseUint(number, 10, 64)
	if err != nil || len(number) > earTagDigits || national > largestNational {
		return "", false
	}
	return TransponderCode{Prefix: country, National: national}.Digits(), true
}
