package codes

import (
	"bytes"
	"strconv"
	"sync"
)

// A Country is an entry of the list countries; its code is the ISO 3166-1
// numeric one.
type Country struct {
	Entry  `yaml:",inline"`
	Alpha2 string `yaml:"alpha2"`
	Alpha3 string `yaml:"alpha3"` // "" for Northern Ireland
	Tag    string `yaml:"tag"`    // letters on ear tags, where they are not Alpha2
}

var countries = later[Country]("countries")

// Countries returns the list of countries in numbers of animals.
func Countries() *Table[Country] { return countries() }

// A TransponderPrefix is an entry of the list transponder-prefixes.
type TransponderPrefix struct {
	Entry `yaml:",inline"`
	First int    `yaml:"first"`
	Last  int    `yaml:"last"`
	Use   string `yaml:"use"` // country, manufacturer or refused
}

var transponderPrefixes = later[TransponderPrefix]("transponder-prefixes")

// TransponderPrefixes returns the list of what the first three digits of a
// transponder number may say.
func TransponderPrefixes() *Table[TransponderPrefix] { return transponderPrefixes() }

// marks are the countries as every record needs them: which numbers there are,
// and which number two letters stand for. Reading the list itself would take a
// hundred times as long.
type marks struct {
	numbers [1000]bool
	letters [26 * 26]int16 // number of the country the letters stand for; 0 for none
}

var countryMarks = sync.OnceValue(readMarks)

func readMarks() *marks {
	b, err := files.ReadFile("lists/countries.yaml")
	if err != nil {
		panic("code list countries: " + err.Error())
	}
	m := new(marks)
	for line := range bytes.Lines(b) {
		_, entry, ok := bytes.Cut(line, []byte(`- {code: "`))
		if ok {
			code, rest, _ := bytes.Cut(entry, []byte(`"`))
			n, err := strconv.Atoi(string(code))
			if err != nil {
				panic("code list countries: " + err.Error())
			}
			m.numbers[n] = true
			for _, member := range []string{"alpha2: ", "tag: "} {
				if _, after, ok := bytes.Cut(rest, []byte(member)); ok {
					after = bytes.TrimPrefix(after, []byte(`"`))
					m.letters[letterPair(after[0], after[1])] = int16(n)
				}
			}
		}
	}
	return m
}

func letterPair(a, b byte) int { return int(a-'A')*26 + int(b-'A') }

// CountryOf returns the ISO 3166-1 numeric code that two upper-case letters of
// an ear tag stand for (EL and GR are both 300, UK and GB both 826, XI 899), or
// false. It does not allocate.
func CountryOf(letters string) (number int, ok bool) {
	if len(letters) != 2 || !upper(letters[0]) || !upper(letters[1]) {
		return 0, false
	}
	n := countryMarks().letters[letterPair(letters[0], letters[1])]
	return int(n), n != 0
}

// KnownPrefix reports whether the first three digits of a transponder number
// name a country of ISO 3166-1, Northern Ireland or a manufacturer. It does not
// allocate.
func KnownPrefix(prefix int) bool {
	switch {
	case prefix >= firstManufacturer && prefix <= lastManufacturer:
		return true
	case prefix < 0 || prefix >= len(countryMarks().numbers):
		return false
	}
	return countryMarks().numbers[prefix]
}

func upper(c byte) bool { return c >= 'A' && c <= 'Z' }
func digit(c byte) bool { return c >= '0' && c <= '9' }
