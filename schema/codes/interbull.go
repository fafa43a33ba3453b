package codes

import (
	"strconv"
	"strings"

	"dewclaw/events"
)

// The international number of a herd book has 19 characters
// (wiki.interbull.org, Format605 and ID guidelines).
const (
	interbullLength = 19
	interbullNumber = 12 // characters of the number, filled with zeros from the left
)

// An InterbullID is the international number of an animal in a herd book.
type InterbullID struct {
	Breed   string // three letters
	Country string // ISO 3166-1 alpha-3, or the numeric code, which some national lists have
	Sex     string // M or F
	Number  string // twelve letters and digits
}

// String returns the 19 characters.
func (id InterbullID) String() string { return id.Breed + id.Country + id.Sex + id.Number }

// NewInterbullID puts a number together from its parts; number is filled with
// zeros from the left, which is the form of this scheme and of no other.
func NewInterbullID(breed, country, sex, number string) (InterbullID, *Problem) {
	n := events.Compact(trim(number))
	if n == "" || len(n) > interbullNumber {
		return InterbullID{}, &Problem{Wanted: "a number of 1 to 12 characters", Got: quote(number)}
	}
	return ParseInterbullID(breed + country + sex + strings.Repeat("0", interbullNumber-len(n)) + n)
}

// ParseInterbullID reads the 19 characters; spaces, points and hyphens between
// them are ignored. The country is not looked up: herd books keep animals of
// countries that are no more.
func ParseInterbullID(given string) (InterbullID, *Problem) {
	t := events.Compact(trim(given))
	if mangled(trim(given)) {
		return InterbullID{}, &Problem{Wanted: "19 characters", Got: quote(given) + mangledWords}
	}
	if len(t) != interbullLength {
		return InterbullID{}, &Problem{Wanted: "19 characters", Got: strconv.Itoa(len(t)) + " (" + quote(given) + ")"}
	}
	id := InterbullID{Breed: t[:3], Country: t[3:6], Sex: t[6:7], Number: t[7:]}
	for i := range len(t) {
		if !upper(t[i]) && !digit(t[i]) {
			return InterbullID{}, &Problem{Wanted: "letters and digits", Got: quote(given)}
		}
	}
	switch {
	case !letters(id.Breed):
		return InterbullID{}, &Problem{Wanted: "three letters of breed", Got: quote(id.Breed) + " (" + quote(given) + ")"}
	case !letters(id.Country) && !allDigits(id.Country):
		return InterbullID{}, &Problem{Wanted: "three letters of country, or its number", Got: quote(id.Country) + " (" + quote(given) + ")"}
	case id.Sex != "M" && id.Sex != "F":
		return InterbullID{}, &Problem{Wanted: "M or F as the seventh character", Got: quote(id.Sex) + " (" + quote(given) + ")"}
	}
	return id, nil
}

func letters(s string) bool {
	for i := range len(s) {
		if !upper(s[i]) {
			return false
		}
	}
	return s != ""
}
