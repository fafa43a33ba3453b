package codes

import "strings"

// Schemes of identifiers that have a form (list schemes). Identifiers of the
// others are kept as they are.
const (
	Transponder = "transponder"
	EarTag      = "ear-tag"
	Interbull   = "interbull"
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
	case Interbull:
		id, p := ParseInterbullID(given)
		return id.String(), p
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

const mangledWords = ", which a spreadsheet has rounded: the digits are lost"

// mangled reports whether s is a number in the form spreadsheets give long
// numbers: 9.82E+14, with point or comma.
func mangled(s string) bool {
	i := strings.IndexByte(s, '+')
	if i < 2 || s[i-1]|0x20 != 'e' || !allDigits(s[i+1:]) {
		return false
	}
	for j := range i - 1 {
		if c := s[j]; !digit(c) && c != '.' && c != ',' {
			return false
		}
	}
	return true
}

func allDigits(s string) bool {
	for i := 0; i < len(s); i++ {
		if !digit(s[i]) {
			return false
		}
	}
	return len(s) > 0
}
