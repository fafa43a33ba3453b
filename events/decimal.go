package events

import (
	"fmt"

	"github.com/govalues/decimal"
)

// A Decimal is an exact decimal number or nothing. The zero value is nothing,
// which is not the number 0. It never passes through a binary float: 82.55 is
// 82.55. It holds up to 19 significant digits and 19 places.
type Decimal struct {
	d   decimal.Decimal
	set bool
}

// ParseDecimal reads an optional minus, digits, and an optional point with
// digits behind it; no exponent, no grouping, no spaces. Anything else, or more
// digits than a Decimal holds, is an error of kind [ErrInvalid].
func ParseDecimal(s string) (Decimal, error) {
	if !plainNumber(s) {
		return Decimal{}, fmt.Errorf("%q is not a plain decimal number: %w", clip(s, 40), ErrInvalid)
	}
	d, err := decimal.Parse(s)
	if err != nil {
		return Decimal{}, fmt.Errorf("%q has more digits than can be kept exactly: %w", clip(s, 40), ErrInvalid)
	}
	if places(s) > d.Scale() { // the library rounds what does not fit
		return Decimal{}, fmt.Errorf("%q has more places than can be kept exactly: %w", clip(s, 40), ErrInvalid)
	}
	return Decimal{d: d.Trim(0), set: true}, nil
}

// DecimalOf returns n/10^places exactly; it panics if places is outside 0 to 19,
// which is a programming error.
func DecimalOf(n int64, places int) Decimal {
	return Decimal{d: decimal.MustNew(n, places).Trim(0), set: true}
}

// IsSet reports whether there is a number.
func (d Decimal) IsSet() bool { return d.set }

// IsInt reports whether the number is whole. Nothing is not.
func (d Decimal) IsInt() bool { return d.set && d.d.IsInt() }

// Cmp returns -1, 0 or +1. Nothing sorts before every number.
func (d Decimal) Cmp(e Decimal) int {
	switch {
	case d.set && e.set:
		return d.d.Cmp(e.d)
	case d.set:
		return 1
	case e.set:
		return -1
	}
	return 0
}

// Mul returns d times e exactly, or an error of kind [ErrInvalid] if the
// product does not fit or either is nothing.
func (d Decimal) Mul(e Decimal) (Decimal, error) {
	if !d.set || !e.set {
		return Decimal{}, fmt.Errorf("multiply nothing: %w", ErrInvalid)
	}
	if !d.d.IsZero() && !e.d.IsZero() && (d.d.Prec()+e.d.Prec() > decimal.MaxPrec || d.d.Scale()+e.d.Scale() > decimal.MaxScale) {
		return Decimal{}, fmt.Errorf("%v × %v has more digits than can be kept exactly: %w", d, e, ErrInvalid)
	}
	p, err := d.d.Mul(e.d)
	if err != nil {
		return Decimal{}, fmt.Errorf("multiply %v and %v: %w", d, e, ErrInvalid)
	}
	return Decimal{d: p.Trim(0), set: true}, nil
}

// Add returns d plus e exactly, or an error of kind [ErrInvalid] if the sum
// does not fit or either is nothing.
func (d Decimal) Add(e Decimal) (Decimal, error) {
	if !d.set || !e.set {
		return Decimal{}, fmt.Errorf("add nothing: %w", ErrInvalid)
	}
	s, err := d.d.AddExact(e.d, max(d.d.Scale(), e.d.Scale()))
	if err != nil {
		return Decimal{}, fmt.Errorf("add %v and %v: %w", d, e, ErrInvalid)
	}
	return Decimal{d: s.Trim(0), set: true}, nil
}

// String returns the shortest plain form ("82.55", "-1", "0"), or "" for nothing.
func (d Decimal) String() string {
	if !d.set {
		return ""
	}
	return d.d.String()
}

// AppendText appends what String returns.
func (d Decimal) AppendText(b []byte) ([]byte, error) {
	if !d.set {
		return b, nil
	}
	return d.d.AppendText(b)
}

// MarshalJSON writes the number as a JSON number in its shortest plain form, or
// null for nothing.
func (d Decimal) MarshalJSON() ([]byte, error) {
	if !d.set {
		return []byte("null"), nil
	}
	return d.AppendText(nil)
}

// UnmarshalJSON reads a plain JSON number (no exponent) or null.
func (d *Decimal) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*d = Decimal{}
		return nil
	}
	v, err := ParseDecimal(string(b))
	if err != nil {
		return err
	}
	*d = v
	return nil
}

// IsZero reports whether there is no number; it makes omitzero leave it out.
func (d Decimal) IsZero() bool { return !d.set }

// plainNumber reports whether s is -?digits(.digits)? of at most 64 bytes.
func plainNumber(s string) bool {
	if len(s) > 64 {
		return false
	}
	i := 0
	if i < len(s) && s[i] == '-' {
		i++
	}
	n := digits(s[i:])
	if n == 0 {
		return false
	}
	i += n
	if i == len(s) {
		return true
	}
	if s[i] != '.' {
		return false
	}
	n = digits(s[i+1:])
	return n > 0 && i+1+n == len(s)
}

func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

// places counts the digits behind the point, zeros at the end left out.
func places(s string) int {
	for i := 0; i < len(s); i++ {
		if s[i] == '.' {
			end := len(s)
			for end > i+1 && s[end-1] == '0' {
				end--
			}
			return end - i - 1
		}
	}
	return 0
}

// clip shortens s for a message to at most n bytes, at a character boundary.
func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && s[n]&0xC0 == 0x80 {
		n--
	}
	return s[:n] + "…"
}
