package herd

import (
	"strconv"
	"strings"

	"golang.org/x/text/language"
)

// Why an identifier is suggested for another. A suggestion is never acted upon.
const (
	OneDigitOff  = "one-digit-off" // same length, one character differs
	Transposed   = "transposed"    // two neighbouring characters changed places
	SameNumber   = "same-number"   // ear tag and transponder of one country and number
	NoLonger     = "no-longer"     // the animal had it on other days
	ReadTogether = "read-together" // was read together with an identifier of the animal
)

// shortest is the least length of which one-off values are suggested: of shorter
// ones nearly every number has many.
const shortest = 4

// nearness tells how a and b, of one scheme, look alike; "" if they do not.
func nearness(a, b string) string {
	if len(a) != len(b) || len(a) < shortest || a == b {
		return ""
	}
	first, n := -1, 0
	for i := range len(a) {
		if a[i] != b[i] {
			if n++; first < 0 {
				first = i
			}
		}
	}
	switch {
	case n == 1:
		return OneDigitOff
	case n == 2 && first+1 < len(a) && a[first] == b[first+1] && a[first+1] == b[first]:
		return Transposed
	}
	return ""
}

// A nearIndex finds values that look like a given one. It compares with every
// value of the same scheme and length; once it is asked often it makes itself an
// index in which each value stands once with each character left open.
type nearIndex struct {
	exact   map[ident]bool
	byShape map[shape][]ident
	byPlain map[string][]ident // country and number of ear tags and transponders
	asked   int
	byHole  map[ident][]ident // nil until it is worth its while
}

type shape struct {
	scheme string
	length int
}

// manyAsked is how often the index is asked before it makes the holes.
const manyAsked = 200

func newNearIndex() *nearIndex {
	return &nearIndex{exact: map[ident]bool{}, byShape: map[shape][]ident{}, byPlain: map[string][]ident{}}
}

func (x *nearIndex) add(n ident) {
	if x.exact[n] || passing(n.scheme) {
		return
	}
	x.exact[n] = true
	if p := plainNumber(n); p != "" {
		x.byPlain[p] = append(x.byPlain[p], n)
	}
	s := shape{n.scheme, len(n.value)}
	x.byShape[s] = append(x.byShape[s], n)
}

func hole(n ident, i int) ident {
	return ident{n.scheme, n.value[:i] + "\x00" + n.value[i+1:]}
}

func (x *nearIndex) makeHoles() {
	x.byHole = map[ident][]ident{}
	for n := range x.exact {
		for i := range len(n.value) {
			h := hole(n, i)
			x.byHole[h] = append(x.byHole[h], n)
		}
	}
}

// A likeness is a value that looks like another, and how.
type likeness struct {
	ident
	why string
}

func (x *nearIndex) find(n ident) (out []likeness) {
	for _, m := range x.byPlain[plainNumber(n)] {
		if m.scheme != n.scheme {
			out = append(out, likeness{m, SameNumber})
		}
	}
	if len(n.value) < shortest {
		return out
	}
	if x.asked++; x.asked <= manyAsked {
		for _, m := range x.byShape[shape{n.scheme, len(n.value)}] {
			if why := nearness(n.value, m.value); why != "" {
				out = append(out, likeness{m, why})
			}
		}
		return out
	}
	if x.byHole == nil {
		x.makeHoles()
	}
	return append(out, x.findByHole(n)...)
}

func (x *nearIndex) findByHole(n ident) (out []likeness) {
	for i := range len(n.value) {
		for _, m := range x.byHole[hole(n, i)] {
			if m != n {
				out = append(out, likeness{m, OneDigitOff})
			}
		}
	}
	b := []byte(n.value)
	for i := range len(b) - 1 {
		if b[i] == b[i+1] {
			continue
		}
		b[i], b[i+1] = b[i+1], b[i]
		if m := (ident{n.scheme, string(b)}); x.exact[m] {
			out = append(out, likeness{m, Transposed})
		}
		b[i], b[i+1] = b[i+1], b[i]
	}
	return out
}

// plainNumber returns country and number of an ear tag or transponder in a
// common form, "" if it has none: a transponder begins with the three digits of
// ISO 3166-1 (ISO 11784), a European ear tag with the two letters of the same
// list and up to twelve digits (Regulation (EU) 2021/520, article 12). That two
// are equal is no proof: the numbers are given out apart in some countries.
func plainNumber(n ident) string {
	switch n.scheme {
	case transponder:
		if len(n.value) == 15 {
			return n.value[:3] + strings.TrimLeft(n.value[3:], "0")
		}
	case earTag:
		if len(n.value) < 4 || len(n.value) > 14 {
			return ""
		}
		digits := n.value[2:]
		if _, err := strconv.ParseUint(digits, 10, 64); err != nil {
			return ""
		}
		r, err := language.ParseRegion(n.value[:2])
		if err != nil || !r.IsCountry() {
			return ""
		}
		code := strconv.Itoa(r.M49()) // equal to ISO 3166-1 numeric for countries
		return strings.Repeat("0", 3-len(code)) + code + strings.TrimLeft(digits, "0")
	}
	return ""
}
