package codes

import (
	"strings"

	"dewclaw/events"
)

// A NumberForm is how a source writes numbers; nothing about it is guessed.
type NumberForm struct {
	Mark      byte // decimal mark: '.' or ','; 0 stands for '.'
	Fractions bool // numbers such as 3 1/4, 3-1/4, 3¼ and 1/4 are numbers too
}

// Limits of what is read as a number: a text over the first is none, and
// numerator and denominator have at most the second number of digits.
const (
	longestNumber   = 64
	fractionDigits  = 6
	mantissaDigits  = 18 // what surely fits an int64
	groupAfterComma = 3
)

// ParseNumber reads a number exactly. Spaces at both ends are ignored. It is
// digits with an optional minus before and the decimal mark inside or before
// them; no exponent, no grouping.
//
// A comma with one to three digits before and exactly three behind is
// ambiguous, whatever the mark ("3,250" may be 3.25 or 3250), unless the digits
// before it are a zero; so is a point written that way where the mark is a
// comma. A fraction must be an exact decimal: 1/3 is none. The problem is nil if
// the number was read.
func ParseNumber(s string, f NumberForm) (events.Decimal, *Problem) {
	if f.Mark == 0 {
		f.Mark = '.'
	}
	t := trim(s)
	if len(t) == 0 || len(t) > longestNumber {
		return events.Decimal{}, f.problem(s, "")
	}
	if d, ok := f.plain(t); ok {
		return d, nil
	}
	if mayBe := ambiguous(t, f.Mark); mayBe != "" {
		return events.Decimal{}, f.problem(s, ", which may be "+mayBe)
	}
	if f.Fractions {
		d, isFraction, ok := fraction(t)
		if ok {
			return d, nil
		}
		if isFraction {
			return events.Decimal{}, f.problem(s, ", which is no exact decimal number")
		}
	}
	return events.Decimal{}, f.problem(s, "")
}

func (f NumberForm) problem(got, more string) *Problem {
	w := `a number with decimal mark "` + string(rune(f.Mark)) + `"`
	if f.Fractions {
		w += " or a fraction"
	}
	return &Problem{Wanted: w, Got: quote(got) + more}
}

// plain reads -?digits, with the mark inside or before them.
func (f NumberForm) plain(t string) (events.Decimal, bool) {
	i, negative := 0, false
	if t[0] == '-' {
		i, negative = 1, true
	}
	if f.Mark == ',' && ambiguous(t, f.Mark) != "" {
		return events.Decimal{}, false
	}
	var n int64
	digits, places, point := 0, 0, false
	for ; i < len(t); i++ {
		c := t[i]
		switch {
		case c >= '0' && c <= '9':
			if digits++; digits > mantissaDigits {
				return f.long(t)
			}
			n = n*10 + int64(c-'0')
			if point {
				places++
			}
		case c == f.Mark && !point:
			point = true
		default:
			return events.Decimal{}, false
		}
	}
	if digits == 0 || point && places == 0 {
		return events.Decimal{}, false
	}
	if negative {
		n = -n
	}
	return events.DecimalOf(n, places), true
}

// long reads a number with more digits than fit a machine word.
func (f NumberForm) long(t string) (events.Decimal, bool) {
	if f.Mark != '.' {
		if strings.IndexByte(t, '.') >= 0 {
			return events.Decimal{}, false
		}
		t = strings.Replace(t, string(rune(f.Mark)), ".", 1)
	}
	d, err := events.ParseDecimal(t)
	return d, err == nil
}

// ambiguous returns the two readings of a number whose mark may group
// thousands, or "".
func ambiguous(t string, mark byte) string {
	t = strings.TrimPrefix(t, "-")
	i := strings.IndexAny(t, ".,")
	if i < 1 || i > groupAfterComma || len(t)-i-1 != groupAfterComma || t[0] == '0' {
		return ""
	}
	if t[i] == '.' && mark == '.' {
		return ""
	}
	for j := range len(t) {
		if j != i && (t[j] < '0' || t[j] > '9') {
			return ""
		}
	}
	whole, part := t[:i], strings.TrimRight(t[i+1:], "0")
	if part != "" {
		part = "." + part
	}
	return whole + part + " or " + whole + t[i+1:]
}

// vulgar are the fraction characters of Unicode with an exact decimal value.
var vulgar = map[rune]struct{ num, den int64 }{
	'¼': {1, 4}, '½': {1, 2}, '¾': {3, 4}, '⅒': {1, 10}, '⅕': {1, 5}, '⅖': {2, 5}, '⅗': {3, 5}, '⅘': {4, 5},
	'⅛': {1, 8}, '⅜': {3, 8}, '⅝': {5, 8}, '⅞': {7, 8},
	'⅓': {1, 3}, '⅔': {2, 3}, '⅙': {1, 6}, '⅚': {5, 6}, '⅐': {1, 7}, '⅑': {1, 9},
}

// fraction reads a whole number and a fraction, or a fraction alone. isFraction
// says that it has the form of one, ok that it is an exact decimal.
func fraction(t string) (d events.Decimal, isFraction, ok bool) {
	negative := strings.HasPrefix(t, "-")
	t = strings.TrimPrefix(t, "-")
	whole, rest := leadingDigits(t)
	mixed := whole >= 0
	if mixed && strings.HasPrefix(rest, "/") || strings.HasPrefix(rest, "⁄") {
		whole, rest, mixed = 0, t, false
	}
	if mixed {
		rest = strings.TrimLeft(strings.TrimPrefix(trim(rest), "-"), " ")
	}
	num, den, ok := ratio(rest)
	if !ok || mixed && num >= den {
		return d, false, false
	}
	if !mixed {
		whole = 0
	}
	d, ok = divide(whole*den+num, den, negative)
	return d, true, ok
}

// ratio reads num/den or one fraction character.
func ratio(s string) (num, den int64, ok bool) {
	for r, v := range vulgar {
		if s == string(r) {
			return v.num, v.den, true
		}
	}
	num, rest := leadingDigits(s)
	after, slash := strings.CutPrefix(rest, "/")
	if !slash {
		after, slash = strings.CutPrefix(rest, "⁄") // U+2044 fraction slash
	}
	den, end := leadingDigits(after)
	return num, den, slash && num >= 0 && den > 0 && end == ""
}

// leadingDigits returns the number s begins with and what follows it, or -1.
func leadingDigits(s string) (int64, string) {
	n, i := int64(0), 0
	for i < len(s) && s[i] >= '0' && s[i] <= '9' {
		if i == fractionDigits {
			return -1, s
		}
		n = n*10 + int64(s[i]-'0')
		i++
	}
	if i == 0 {
		return -1, s
	}
	return n, s[i:]
}

// divide returns num/den if it is a finite decimal that can be kept exactly.
func divide(num, den int64, negative bool) (events.Decimal, bool) {
	n, rest, places := num/den, num%den, 0
	for ; rest != 0; places++ {
		if places == 19 || n > 1<<59 {
			return events.Decimal{}, false
		}
		rest *= 10
		n = n*10 + rest/den
		rest %= den
	}
	if negative {
		n = -n
	}
	return events.DecimalOf(n, places), true
}

// trim removes spaces at both ends, the ones that do not break included.
func trim(s string) string {
	if s != "" && s[0] > ' ' && s[0] < 0x80 && s[len(s)-1] > ' ' && s[len(s)-1] < 0x80 {
		return s // as nearly all are
	}
	return strings.Trim(s, " \t\u00a0\u202f")
}
