package events

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"unicode/utf8"
)

// AppendJSONString appends s as a JSON string the way RFC 8785 section 3.2.2.2
// writes it: only what must be escaped is. Invalid UTF-8 becomes U+FFFD; the
// decoders hold such records, so none comes this far.
func AppendJSONString(b []byte, s string) []byte {
	if plainText(s) {
		b = append(b, '"')
		b = append(b, s...)
		return append(b, '"')
	}
	b = append(b, '"')
	start := 0
	for i := 0; i < len(s); {
		c := s[i]
		if c >= 0x20 && c != '"' && c != '\\' && c < utf8.RuneSelf {
			i++
			continue
		}
		if c >= utf8.RuneSelf {
			r, n := utf8.DecodeRuneInString(s[i:])
			if r != utf8.RuneError || n > 1 {
				i += n
				continue
			}
			b = append(b, s[start:i]...)
			b = append(b, "\ufffd"...)
			i++
			start = i
			continue
		}
		b = append(b, s[start:i]...)
		switch c {
		case '"', '\\':
			b = append(b, '\\', c)
		case '\b':
			b = append(b, `\b`...)
		case '\f':
			b = append(b, `\f`...)
		case '\n':
			b = append(b, `\n`...)
		case '\r':
			b = append(b, `\r`...)
		case '\t':
			b = append(b, `\t`...)
		default:
			const hex = "0123456789abcdef"
			b = append(b, '\\', 'u', '0', '0', hex[c>>4], hex[c&15])
		}
		i++
		start = i
	}
	b = append(b, s[start:]...)
	return append(b, '"')
}

// plainText reports whether s stands in a JSON string as it is: ASCII without
// control characters, quotes and backslashes. It looks at eight bytes at a time.
func plainText(s string) bool {
	const ones, highs = 0x0101010101010101, 0x8080808080808080
	for len(s) >= 8 {
		x := uint64(s[0]) | uint64(s[1])<<8 | uint64(s[2])<<16 | uint64(s[3])<<24 |
			uint64(s[4])<<32 | uint64(s[5])<<40 | uint64(s[6])<<48 | uint64(s[7])<<56
		quote, slash := x^ones*'"', x^ones*'\\'
		bad := x | (x-ones*0x20)&^x | (quote-ones)&^quote | (slash-ones)&^slash
		if bad&highs != 0 {
			return false
		}
		s = s[8:]
	}
	for i := 0; i < len(s); i++ {
		if c := s[i]; c < 0x20 || c == '"' || c == '\\' || c >= utf8.RuneSelf {
			return false
		}
	}
	return true
}

func appendInt(b []byte, n int) []byte { return strconv.AppendInt(b, int64(n), 10) }

// An encoder appends JSON objects member by member. Members that are empty are
// left out. It notes where numbers stand, for the digest.
type encoder struct {
	buf  []byte
	nums []int // start and end of each number in buf

	// What the events of a record mostly share is written once. Neither has
	// numbers.
	animal   memo[[]Identifier]
	occurred memo[Occurred]
}

// A memo is the last value of a member and the member as it was written, with
// its name and without a comma before it.
type memo[T any] struct {
	of   T
	text []byte
}

// keep takes what was written from start on.
func (m *memo[T]) keep(buf []byte, start int) {
	if buf[start] == ',' {
		start++
	}
	m.text = append(m.text[:0], buf[start:]...)
}

// append writes the member again.
func (m *memo[T]) append(b []byte) []byte {
	if c := b[len(b)-1]; c != '{' && c != '[' {
		b = append(b, ',')
	}
	return append(b, m.text...)
}

func (e *encoder) key(name string) { e.buf = appendKey(e.buf, name) }

func appendKey(b []byte, name string) []byte {
	if c := b[len(b)-1]; c != '{' && c != '[' {
		b = append(b, ',')
	}
	b = append(b, '"')
	b = append(b, name...)
	return append(b, '"', ':')
}

func (e *encoder) open()  { e.buf = append(e.buf, '{') }
func (e *encoder) close() { e.buf = append(e.buf, '}') }

// item begins an element of an array.
func (e *encoder) item() {
	if e.buf[len(e.buf)-1] != '[' {
		e.buf = append(e.buf, ',')
	}
}

func (e *encoder) text(name, v string) {
	if v == "" {
		return
	}
	e.buf = AppendJSONString(appendKey(e.buf, name), v)
}

func (e *encoder) texts(name string, v []string) {
	if len(v) == 0 {
		return
	}
	e.key(name)
	e.buf = append(e.buf, '[')
	for _, s := range v {
		e.item()
		e.buf = AppendJSONString(e.buf, s)
	}
	e.buf = append(e.buf, ']')
}

func (e *encoder) truth(name string, v bool) {
	if v {
		e.key(name)
		e.buf = append(e.buf, "true"...)
	}
}

func (e *encoder) number(v int) {
	start := len(e.buf)
	e.buf = appendInt(e.buf, v)
	e.nums = append(e.nums, start, len(e.buf))
}

func (e *encoder) count(name string, v *int) {
	if v != nil {
		e.key(name)
		e.number(*v)
	}
}

func (e *encoder) integer(name string, v int) {
	if v != 0 {
		e.key(name)
		e.number(v)
	}
}

func (e *encoder) integers(name string, v []int) {
	if len(v) == 0 {
		return
	}
	e.key(name)
	e.buf = append(e.buf, '[')
	for _, n := range v {
		e.item()
		e.number(n)
	}
	e.buf = append(e.buf, ']')
}

func (e *encoder) decimal(name string, v Decimal) {
	if !v.IsSet() {
		return
	}
	e.key(name)
	start := len(e.buf)
	e.buf, _ = v.AppendText(e.buf)
	e.nums = append(e.nums, start, len(e.buf))
}

// object appends an object member made by f, or nothing if f made no members.
func (e *encoder) object(name string, f func(*encoder)) {
	start := len(e.buf)
	e.key(name)
	e.open()
	inner := len(e.buf)
	f(e)
	if len(e.buf) == inner {
		e.buf = e.buf[:start]
		return
	}
	e.close()
}

func (e *encoder) identifiers(name string, v []Identifier) {
	if len(v) == 0 {
		return
	}
	e.key(name)
	e.buf = append(e.buf, '[')
	for i := range v {
		e.item()
		e.open()
		e.text("from", v[i].From)
		e.key("scheme")
		e.buf = AppendJSONString(e.buf, v[i].Scheme)
		e.text("to", v[i].To)
		e.key("value")
		e.buf = AppendJSONString(e.buf, v[i].Value)
		e.close()
	}
	e.buf = append(e.buf, ']')
}

func appendWords(b []byte, w Words) []byte {
	b = append(b, '{')
	for i, x := range w {
		if i > 0 {
			b = append(b, ',')
		}
		b = AppendJSONString(b, x.Field)
		b = append(b, ':')
		b = AppendJSONString(b, x.Text)
	}
	return append(b, '}')
}

// eachMember calls f for each member of the JSON object b in its order.
func eachMember(b []byte, f func(name string, value json.RawMessage) error) error {
	if string(bytes.TrimSpace(b)) == "null" {
		return nil
	}
	d := json.NewDecoder(bytes.NewReader(b))
	t, err := d.Token()
	if err != nil {
		return err
	}
	if t != json.Delim('{') {
		return fmt.Errorf("wanted an object, got %v", t)
	}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return err
		}
		var v json.RawMessage
		if err := d.Decode(&v); err != nil {
			return err
		}
		if err := f(t.(string), v); err != nil {
			return err
		}
	}
	return nil
}
