package codes

import (
	"strconv"
	"strings"

	"dewclaw/events"
)

// Schemes of identifiers that have a form (list schemes). Identifiers of the
// others are kept as they are.
const (
	Transponder = "transponder"
	EarTag      = "ear-tag"
)

// Figures of ISO 11784 and of the tags on the market.
const (
	transponderDigits = 15           // 3 of country or manufacturer, 12 of national number (ISO 11784)
	largestNational   = 274877906943 // 38 bits (ISO 11784)
	noCountry         = "000"        // no country; found in wrongly programmed tags (icar.org, page on misuse of codes)
	testCountry       = "999"        // test code (ISO 11784; icar.org)
	earTagDigits      = 12           // most digits behind the country (Regulation (EU) 2021/520, article 12)
)

// ParseIdentifier reads an identifier of a scheme as given and returns its
// normalized form. Short numbers are never padded and no form is made into
// another. The problem is nil if it was read; given must not be empty.
func ParseIdentifier(scheme, given string) (string, *Problem) {
	switch scheme {
	case Transponder:
		return ParseTransponder(given)
	case EarTag:
		return ParseEarTag(given)
	case "place", "temporary":
		return trim(given), nil
	case "herd-number", "herdbook": // known without a look into the list
	default:
		if l := Find("schemes"); !l.Has(scheme) {
			return "", l.Problem(scheme)
		}
	}
	t := trim(given)
	if mangled(t) {
		return "", &Problem{Wanted: "an identifier as printed", Got: quote(given) + mangledWords}
	}
	return t, nil
}

// ParseTransponder reads a 15-digit code of ISO 11784 in any of its written
// forms: spaces, points and hyphens anywhere. It returns the 15 digits. Refused
// are other lengths, the country 000, the test code 999, a national number over
// 38 bits, and numbers a spreadsheet has rounded. It does not allocate if given
// is 15 digits already.
func ParseTransponder(given string) (string, *Problem) {
	digits := given
	if len(given) != transponderDigits || !allDigits(given) {
		digits = events.Compact(trim(given))
		switch {
		case mangled(trim(given)):
			return "", &Problem{Wanted: "15 digits", Got: quote(given) + mangledWords}
		case !allDigits(digits):
			return "", &Problem{Wanted: "15 digits", Got: quote(given)}
		case len(digits) != transponderDigits:
			return "", &Problem{Wanted: "15 digits", Got: strconv.Itoa(len(digits)) + " (" + quote(given) + ")"}
		}
	}
	switch digits[:3] {
	case noCountry:
		return "", &Problem{Wanted: "a country or manufacturer in the first three digits", Got: quote(given) + ", which has none"}
	case testCountry:
		return "", &Problem{Wanted: "a country or manufacturer in the first three digits", Got: quote(given) + ", which is a test code"}
	}
	if national := wholeNumber(digits[3:]); national > largestNational {
		return "", &Problem{
			Wanted: "a national number of at most " + strconv.Itoa(largestNational) + " (38 bits)",
			Got:    strconv.FormatInt(national, 10) + " (" + quote(given) + ")",
		}
	}
	return digits, nil
}

// ParseEarTag reads the number printed on an ear tag. It returns letters and
// digits in upper case, without spaces, points, hyphens and strokes. Two
// letters of country and digits must have at most twelve digits; other forms
// are kept, for national tags differ. Nothing is filled with zeros.
func ParseEarTag(given string) (string, *Problem) {
	t := events.Compact(trim(given))
	if strings.IndexByte(t, '/') >= 0 {
		t = strings.ReplaceAll(t, "/", "")
	}
	if mangled(trim(given)) {
		return "", &Problem{Wanted: "the number on the ear tag", Got: quote(given) + mangledWords}
	}
	letters, digits := 0, 0
	for i := 0; i < len(t); i++ {
		switch c := t[i]; {
		case c >= '0' && c <= '9':
			digits++
		case c >= 'A' && c <= 'Z':
			letters++
		default:
			return "", &Problem{Wanted: "letters and digits", Got: quote(given)}
		}
	}
	switch {
	case digits == 0:
		return "", &Problem{Wanted: "letters and digits", Got: quote(given)}
	case letters == 2 && t[0] >= 'A' && t[1] >= 'A' && digits > earTagDigits:
		return "", &Problem{
			Wanted: "a country and at most " + strconv.Itoa(earTagDigits) + " digits",
			Got:    strconv.Itoa(digits) + " digits (" + quote(given) + ")",
		}
	}
	return t, nil
}

const mangledWords = ", which a spreadsheet has rounded: the digits are lost"

// mangled reports whether s is a number in the form spreadsheets give long
// numbers: 9.82E+14, with point or comma.
func mangled(s string) bool {
	i := strings.IndexByte(s, '+')
	if i < 2 || s[i-1]|0x20 != 'e' || !allDigits(s[i+1:]) {
		return false
	}
	for j := range i - 1 {
		if c := s[j]; (c < '0' || c > '9') && c != '.' && c != ',' {
			return false
		}
	}
	return true
}

// wholeNumber returns the number that s, at most 18 digits, writes.
func wholeNumber(s string) int64 {
	n := int64(0)
	for i := 0; i < len(s); i++ {
		n = n*10 + int64(s[i]-'0')
	}
	return n
}

func allDigits(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return len(s) > 0
}
