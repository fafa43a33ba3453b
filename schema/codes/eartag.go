package codes

import (
	"strconv"
	"strings"

	"dewclaw/events"
)

// earTagDigits is the most digits behind the country (Regulation (EU) 2021/520,
// article 12).
const earTagDigits = 12

// Forms of ear tags that rules speak of (list tag-forms).
const (
	FormEU              = "eu"
	FormUSAnimal        = "us-ain"
	FormUSManufacturer  = "us-manufacturer"
	FormInternational   = "international-ain"
	FormUniform9        = "us-nues-9"
	FormUniform8        = "us-nues-8"
	FormUSLetters       = "us-letters"
	FormOther           = "other"
	northernIreland     = "XI"
	unitedStates        = 840
	greeceISO, greece   = "GR", "EL"
	britainISO, britain = "GB", "UK"
)

// An EarTagNumber is the number printed on an ear tag, taken apart.
type EarTagNumber struct {
	Text    string // letters and digits in upper case, the country in the letters of the tag
	Form    string // list tag-forms
	Country string // letters or digits of the country as in Text; "" if the form has none
	Number  string // what follows
	Rule    string // why Text has other letters than were given, or what is odd about them; "" if nothing is
}

// ParseEarTag reads the number printed on an ear tag. It returns letters and
// digits in upper case, without spaces, points, hyphens and strokes. Two
// letters of country and digits must have at most twelve digits; other forms
// are kept, for national tags differ. Nothing is filled with zeros. GR and GB
// become EL and UK, the letters that stand on tags: the same country, which
// [ReadEarTag] says. It does not allocate if given is in that form already.
func ParseEarTag(given string) (string, *Problem) {
	t, letters, p := plainEarTag(given)
	if p == nil && letters == 2 {
		t = onTag(t)
	}
	return t, p
}

// ReadEarTag reads what [ParseEarTag] reads and takes it apart.
func ReadEarTag(given string) (EarTagNumber, *Problem) {
	t, letters, p := plainEarTag(given)
	if p != nil {
		return EarTagNumber{}, p
	}
	n := EarTagNumber{Text: t, Form: FormOther, Number: t}
	switch {
	case letters == 2 && upper(t[0]) && upper(t[1]):
		n.Text, n.Form = onTag(t), FormEU
		n.Country, n.Number = n.Text[:2], n.Text[2:]
		if n.Text != t {
			n.Rule = t[:2] + " is " + n.Country + " on tags"
		}
	case letters == 0 && len(t) == transponderDigits:
		n.Country, n.Number = t[:3], t[3:]
		prefix, _ := strconv.Atoi(n.Country)
		switch {
		case prefix == unitedStates:
			n.Form = FormUSAnimal
		case prefix >= firstManufacturer && prefix <= lastManufacturer:
			n.Form = FormUSManufacturer
		case KnownPrefix(prefix):
			n.Form = FormInternational
		default:
			n.Form, n.Country, n.Number = FormOther, "", t
		}
	case letters == 3 && strings.HasPrefix(t, "USA") && (len(t) == 15 || len(t) == 16):
		n.Form, n.Country, n.Number = FormUSLetters, "USA", t[3:]
		n.Rule = "USA before the digits is no official form"
	case uniform(t, 9):
		n.Form = FormUniform9
	case uniform(t, 8):
		n.Form = FormUniform8
	}
	return n, nil
}

// onTag replaces the letters ISO 3166-1 has for a country by those on its tags.
func onTag(t string) string {
	switch {
	case strings.HasPrefix(t, greeceISO):
		return greece + t[2:]
	case strings.HasPrefix(t, britainISO):
		return britain + t[2:]
	}
	return t
}

// uniform reports whether t is a uniform tag of the United States: two digits,
// or the letters of a state on a tag of nine, then three letters, or two on a tag
// of eight, then four digits (AAVLD-USAHA-ITStandards/eCVI ecvi2.xsd).
func uniform(t string, n int) bool {
	if len(t) != n || !allDigits(t[n-4:]) {
		return false
	}
	for i := 2; i < n-4; i++ {
		if !upper(t[i]) {
			return false
		}
	}
	return digit(t[0]) && digit(t[1]) || n == 9 && states[t[:2]]
}

// states are the letters of states and territories of the United States (USPS).
var states = func() map[string]bool {
	m := map[string]bool{}
	for s := range strings.FieldsSeq(`AL AK AS AZ AR CA CO CT DE DC FM FL GA GU HI ID IL IN IA KS KY LA ME MH MD MA MI MN MS MO MT NE NV NH NJ NM NY NC
		ND MP OH OK OR PW PA PR RI SC SD TN TX UT VT VI VA WA WV WI WY`) {
		m[s] = true
	}
	return m
}()

// plainEarTag returns the letters and digits of a tag, and how many letters.
func plainEarTag(given string) (t string, letters int, p *Problem) {
	t = events.Compact(trim(given))
	if strings.IndexByte(t, '/') >= 0 {
		t = strings.ReplaceAll(t, "/", "")
	}
	if mangled(trim(given)) {
		return "", 0, &Problem{Wanted: "the number on the ear tag", Got: quote(given) + mangledWords}
	}
	digits := 0
	for i := 0; i < len(t); i++ {
		switch {
		case digit(t[i]):
			digits++
		case upper(t[i]):
			letters++
		default:
			return "", 0, &Problem{Wanted: "letters and digits", Got: quote(given)}
		}
	}
	switch {
	case digits == 0:
		return "", 0, &Problem{Wanted: "letters and digits", Got: quote(given)}
	case letters == 2 && upper(t[0]) && upper(t[1]) && digits > earTagDigits:
		return "", 0, &Problem{
			Wanted: "a country and at most " + strconv.Itoa(earTagDigits) + " digits",
			Got:    strconv.Itoa(digits) + " digits (" + quote(given) + ")",
		}
	}
	return t, letters, nil
}
