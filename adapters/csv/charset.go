package csv

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"

	"dewclaw/events"
)

// A charset turns bytes of an original into UTF-8 and back. A byte that is no
// text becomes bytes that are no UTF-8 either, from which raw finds it again:
// so a faulty line is known by utf8.ValidString, and nothing is lost.
type charset struct {
	name   string
	single *[256]rune // single-byte encodings: the characters; -1 for none
	back   map[rune]byte
	order  int // UTF-16: littleEndian or bigEndian
}

const (
	littleEndian = 1
	bigEndian    = 2
)

// charsets lists the encodings; utf-16 is resolved by its byte order mark.
var charsets = map[string]*charset{
	"utf-8":        {name: "utf-8"},
	"utf-16le":     {name: "utf-16le", order: littleEndian},
	"utf-16be":     {name: "utf-16be", order: bigEndian},
	"windows-1252": singleByte("windows-1252", charmap.Windows1252, 0x81, 0x8d, 0x8f, 0x90, 0x9d),
	"iso-8859-1":   singleByte("iso-8859-1", charmap.ISO8859_1, c1()...),
	"iso-8859-15":  singleByte("iso-8859-15", charmap.ISO8859_15, c1()...),
}

// c1 is the range to which ISO/IEC 8859 gives no characters.
func c1() []byte {
	var b []byte
	for c := 0x80; c < 0xa0; c++ {
		b = append(b, byte(c))
	}
	return b
}

func singleByte(name string, m *charmap.Charmap, undefined ...byte) *charset {
	c := &charset{name: name, single: new([256]rune), back: make(map[rune]byte, 256)}
	for i := range c.single {
		c.single[i] = m.DecodeByte(byte(i))
	}
	for _, b := range undefined {
		c.single[b] = -1
	}
	for i, r := range c.single {
		if r >= 0 {
			c.back[r] = byte(i)
		}
	}
	return c
}

// marks are the byte order marks, the longest first.
var marks = []struct{ bytes, encoding string }{
	{"\xff\xfe\x00\x00", "utf-32le"},
	{"\x00\x00\xfe\xff", "utf-32be"},
	{"\xef\xbb\xbf", "utf-8"},
	{"\xff\xfe", "utf-16le"},
	{"\xfe\xff", "utf-16be"},
}

// detect returns the charset of an original that begins with start and is
// declared as name, and the length of its byte order mark.
func detect(name string, start []byte) (*charset, int, error) {
	for _, m := range marks {
		if !strings.HasPrefix(string(start), m.bytes) {
			continue
		}
		if m.encoding != name && !(name == "utf-16" && strings.HasPrefix(m.encoding, "utf-16")) {
			return nil, 0, &events.Fault{
				Kind: events.ErrInvalid, What: "encoding", Wanted: name + " as declared",
				Got:   "a byte order mark of " + m.encoding,
				Hints: []string{"declare encoding: " + m.encoding + " in the mapping, or save the file as " + name},
			}
		}
		return charsets[m.encoding], len(m.bytes), nil
	}
	if name == "utf-16" {
		return nil, 0, &events.Fault{
			Kind: events.ErrInvalid, What: "encoding", Wanted: "utf-16 with a byte order mark", Got: "none",
			Hints: []string{"declare encoding: utf-16le or utf-16be"},
		}
	}
	return charsets[name], 0, nil
}

// plain reports whether bytes pass through unchanged.
func (c *charset) plain() bool { return c.single == nil && c.order == 0 }

// decode appends src as UTF-8 to dst and returns how many bytes of src it has
// used: all but an incomplete character at the end, unless last.
func (c *charset) decode(dst, src []byte, last bool) ([]byte, int) {
	switch {
	case c.plain():
		return append(dst, src...), len(src)
	case c.single != nil:
		for _, b := range src {
			switch r := c.single[b]; {
			case b < utf8.RuneSelf:
				dst = append(dst, b)
			case r < 0:
				dst = append(dst, b) // a lone byte over 0x7F is no UTF-8
			default:
				dst = utf8.AppendRune(dst, r)
			}
		}
		return dst, len(src)
	}
	return c.decode16(dst, src, last)
}

func (c *charset) unit(b []byte) rune {
	if c.order == littleEndian {
		return rune(b[0]) | rune(b[1])<<8
	}
	return rune(b[0])<<8 | rune(b[1])
}

func (c *charset) decode16(dst, src []byte, last bool) ([]byte, int) {
	i := 0
	for i+1 < len(src) {
		u := c.unit(src[i:])
		switch {
		case u < 0xd800 || u > 0xdfff:
			dst = utf8.AppendRune(dst, u)
		case u < 0xdc00 && i+3 < len(src):
			if low := c.unit(src[i+2:]); low >= 0xdc00 && low <= 0xdfff {
				dst = utf8.AppendRune(dst, (u-0xd800)<<10|(low-0xdc00)+0x10000)
				i += 2
				break
			}
			dst = appendLone(dst, u)
		case u < 0xdc00 && !last:
			return dst, i
		default:
			dst = appendLone(dst, u)
		}
		i += 2
	}
	if last && i < len(src) {
		dst = append(dst, 0xff, 0x80|src[i]>>4, 0x80|src[i]&15) // half a unit
		i++
	}
	return dst, i
}

// appendLone writes a surrogate that stands alone in three bytes that UTF-8
// does not allow.
func appendLone(dst []byte, u rune) []byte {
	return append(dst, 0xe0|byte(u>>12), 0x80|byte(u>>6)&0x3f, 0x80|byte(u)&0x3f)
}

// raw appends the bytes that decode made s from.
func (c *charset) raw(dst []byte, s string) []byte {
	if c.plain() {
		return append(dst, s...)
	}
	for len(s) > 0 {
		r, n := utf8.DecodeRuneInString(s)
		bad := r == utf8.RuneError && n == 1
		switch {
		case c.single != nil && bad:
			dst = append(dst, s[0])
		case c.single != nil:
			dst = append(dst, c.back[r])
		case bad && len(s) > 2 && s[0] == 0xff:
			dst, n = append(dst, s[1]<<4|s[2]&15), 3
		case bad && len(s) > 2:
			dst, n = c.appendUnit(dst, rune(s[0]&15)<<12|rune(s[1]&0x3f)<<6|rune(s[2]&0x3f)), 3
		case r > 0xffff:
			dst = c.appendUnit(dst, 0xd800+(r-0x10000)>>10)
			dst = c.appendUnit(dst, 0xdc00+(r-0x10000)&0x3ff)
		default:
			dst = c.appendUnit(dst, r)
		}
		s = s[n:]
	}
	return dst
}

func (c *charset) appendUnit(dst []byte, u rune) []byte {
	if c.order == littleEndian {
		return append(dst, byte(u), byte(u>>8))
	}
	return append(dst, byte(u>>8), byte(u))
}

// size returns how many bytes of the original s was made from.
func (c *charset) size(s string) int {
	switch {
	case c.plain():
		return len(s)
	case c.single != nil:
		return utf8.RuneCountInString(s)
	}
	n := 0
	for len(s) > 0 {
		r, w := utf8.DecodeRuneInString(s)
		switch {
		case r == utf8.RuneError && w == 1 && s[0] == 0xff:
			n, w = n+1, min(3, len(s))
		case r == utf8.RuneError && w == 1:
			n, w = n+2, min(3, len(s))
		case r > 0xffff:
			n += 4
		default:
			n += 2
		}
		s = s[w:]
	}
	return n
}

// check says which character of s the charset does not have.
func (c *charset) check(s string) error {
	for i, r := range s {
		if r == utf8.RuneError && !strings.HasPrefix(s[i:], "\ufffd") {
			return fmt.Errorf("%q is not UTF-8: %w", s, events.ErrInvalid)
		}
		if c.single == nil {
			continue
		}
		if _, ok := c.back[r]; !ok {
			return fmt.Errorf("%q has %q, which %s cannot write: %w", s, r, c.name, events.ErrInvalid)
		}
	}
	return nil
}
