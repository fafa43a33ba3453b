package codes

import (
	"strconv"
	"strings"

	"dewclaw/events"
)

// Figures of ISO 11784, as told in public FDX-B decoder sources and on icar.org
// (page on misuse of codes); the list transponder-prefixes has them too.
const (
	transponderDigits = 15           // 3 of country or manufacturer, 12 of national number
	nationalBits      = 38           // of the national number
	largestNational   = 274877906943 // the largest number of 38 bits
	noCountry         = 0            // found in wrongly programmed tags
	firstManufacturer = 900          // shared by several, by blocks of a million
	lastManufacturer  = 998
	testCountry       = 999  // for tests alone
	prefixes          = 1024 // of 10 bits; 1000 and more do not fit three digits
)

// A TransponderCode is the 64-bit identification code of ISO 11784. Bits are
// counted from the most significant one; the place of retagging counter and user
// information is from memory (high).
type TransponderCode struct {
	Animal   bool   // bit 1: the transponder is in an animal
	Retag    int    // bits 2 to 4: how often it was replaced, 0 to 7
	User     int    // bits 5 to 9: user information, 0 to 31
	Reserved int    // bits 10 to 15
	Data     bool   // bit 16: a data block follows
	Prefix   int    // bits 17 to 26: country or manufacturer
	National uint64 // bits 27 to 64
}

// TransponderCodeOf takes a 64-bit code apart. Every code has a reading; whether
// it may stand for an animal is what [TransponderCode.Problem] says.
func TransponderCodeOf(code uint64) TransponderCode {
	return TransponderCode{
		Animal: code>>63 == 1, Retag: int(code >> 60 & 7), User: int(code >> 55 & 31), Reserved: int(code >> 49 & 63),
		Data: code>>48&1 == 1, Prefix: int(code >> nationalBits & (prefixes - 1)), National: code & largestNational,
	}
}

// Uint64 puts the code together; bits beyond a field are cut off.
func (c TransponderCode) Uint64() uint64 {
	code := uint64(c.Retag&7)<<60 | uint64(c.User&31)<<55 | uint64(c.Reserved&63)<<49 |
		uint64(c.Prefix&(prefixes-1))<<nationalBits | c.National&largestNational
	if c.Animal {
		code |= 1 << 63
	}
	if c.Data {
		code |= 1 << 48
	}
	return code
}

// Digits returns the 15 digits of country or manufacturer and national number;
// "" if they do not fit.
func (c TransponderCode) Digits() string {
	if c.Prefix < 0 || c.Prefix > testCountry || c.National > largestNational {
		return ""
	}
	s := strconv.FormatUint(uint64(c.Prefix)*1e12+c.National, 10)
	return strings.Repeat("0", transponderDigits-len(s)) + s
}

// Problem says why the code cannot stand for an animal in the field: no country,
// the test code, or a prefix of more than three digits. It is nil if it can;
// whether its animal flag is set is not looked at, for many tags are programmed
// wrongly.
func (c TransponderCode) Problem() *Problem {
	const wanted = "a country or manufacturer in the first three digits"
	switch {
	case c.Prefix == noCountry:
		return &Problem{Wanted: wanted, Got: quote(c.Digits()) + ", which has none"}
	case c.Prefix == testCountry:
		return &Problem{Wanted: wanted, Got: quote(c.Digits()) + ", which is a test code"}
	case c.Prefix < 0 || c.Prefix > testCountry:
		return &Problem{Wanted: wanted, Got: strconv.Itoa(c.Prefix)}
	case c.National > largestNational:
		return tooLarge(c.National, quote(strconv.FormatUint(c.National, 10)))
	}
	return nil
}

func tooLarge(national uint64, given string) *Problem {
	return &Problem{
		Wanted: "a national number of at most " + strconv.Itoa(largestNational) + " (38 bits)",
		Got:    strconv.FormatUint(national, 10) + " (" + given + ")",
	}
}

// ParseTransponder reads a 15-digit code of ISO 11784 in any of its written
// forms: spaces, points and hyphens anywhere; or what a reader sends, if it
// carries its own check sum: the 128-bit telegram of ISO 11785 as 32 hexadecimal
// digits, and the frame of a serial module (see [ReadTransponder]). It returns
// the 15 digits. Refused are other lengths, the country 000, the test code 999, a
// national number over 38 bits, and numbers a spreadsheet has rounded. Short
// numbers are never padded: a reader may be set to show the last digits only (ISO
// 24631-6). It does not allocate if given is 15 digits already.
func ParseTransponder(given string) (string, *Problem) {
	if len(given) == transponderDigits && allDigits(given) {
		if p := judgeDigits(given, given); p != nil {
			return "", p
		}
		return given, nil
	}
	c, digits, p := readTransponder(given)
	switch {
	case p != nil:
		return "", p
	case digits != "":
		if p := judgeDigits(digits, given); p != nil {
			return "", p
		}
		return digits, nil
	}
	if p := c.Problem(); p != nil {
		return "", p
	}
	return c.Digits(), nil
}

// ReadTransponder reads what [ParseTransponder] reads and says what the code
// tells beside its digits. told is false where only digits were given, which say
// nothing of the rest of the code. The problem is the one of ParseTransponder.
func ReadTransponder(given string) (c TransponderCode, told bool, p *Problem) {
	c, digits, p := readTransponder(given)
	switch {
	case p != nil:
		return TransponderCode{}, false, p
	case digits == "":
		if p := c.Problem(); p != nil {
			return TransponderCode{}, false, p
		}
		return c, true, nil
	}
	if p := judgeDigits(digits, given); p != nil {
		return TransponderCode{}, false, p
	}
	return TransponderCode{Animal: true, Prefix: int(wholeNumber(digits[:3])), National: wholeNumber(digits[3:])}, false, nil
}

// readTransponder returns digits, or the code of a telegram or frame.
func readTransponder(given string) (c TransponderCode, digits string, p *Problem) {
	t := trim(given)
	if isSerial(t) {
		c, p = parseSerialText(t)
		return c, "", p
	}
	digits = events.Compact(t)
	switch {
	case mangled(t):
		return c, "", &Problem{Wanted: "15 digits", Got: quote(given) + mangledWords}
	case len(digits) == 2*telegramBytes && hexadecimal(digits):
		c, p = parseTelegramText(digits, given)
		return c, "", p
	case !allDigits(digits):
		return c, "", &Problem{Wanted: "15 digits", Got: quote(given)}
	case len(digits) != transponderDigits:
		return c, "", &Problem{Wanted: "15 digits", Got: strconv.Itoa(len(digits)) + " (" + quote(given) + ")"}
	}
	return c, digits, nil
}

// judgeDigits judges 15 digits. It does not allocate unless there is a problem.
func judgeDigits(digits, given string) *Problem {
	prefix := int(digits[0]-'0')*100 + int(digits[1]-'0')*10 + int(digits[2]-'0')
	const wanted = "a country or manufacturer in the first three digits"
	switch prefix {
	case noCountry:
		return &Problem{Wanted: wanted, Got: quote(given) + ", which has none"}
	case testCountry:
		return &Problem{Wanted: wanted, Got: quote(given) + ", which is a test code"}
	}
	if national := wholeNumber(digits[3:]); national > largestNational {
		return tooLarge(national, quote(given))
	}
	return nil
}

// wholeNumber returns the number that s, at most 18 digits, writes.
func wholeNumber(s string) uint64 {
	n := uint64(0)
	for i := 0; i < len(s); i++ {
		n = n*10 + uint64(s[i]-'0')
	}
	return n
}
