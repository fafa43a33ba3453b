package schema

import (
	"errors"
	"unicode/utf8"
)

// Limits of what is checked at all.
const (
	maxDepth  = 64
	maxDigits = 19 // what an exact decimal holds: see events.Decimal
)

// A token is one value, or the name of a member, on a tape. The tokens of an
// object are name, value, name, value, ...; each value is followed by what is
// inside it, and next leads behind that.
type token struct {
	start, end int32
	next       int32
	kind       byte // one of the constants below
	escaped    bool // string: it has a backslash
	plain      bool // number: no exponent, at most maxDigits digits
}

// Kinds of tokens.
const (
	kindObject = '{'
	kindArray  = '['
	kindString = '"' // start and end lie inside the quotes
	kindName   = 'k' // as kindString
	kindNumber = '0'
	kindTrue   = 't'
	kindFalse  = 'f'
	kindNull   = 'n'
)

// A tape is one JSON text taken apart, in the order of the text, without being
// decoded. It is reused: not for use by several goroutines at once.
type tape struct {
	src    []byte
	tokens []token
	at     int
}

// Faults of a text, beside those of the syntax.
var (
	errSyntax = errors.New("not JSON")
	errDepth  = errors.New("nested too deep")
	errUTF8   = errors.New("not UTF-8")
)

// read takes src apart. It accepts exactly what RFC 8259 does, of valid UTF-8
// and at most maxDepth levels. After an error t.at is the offset of the fault.
func (t *tape) read(src []byte) error {
	t.src, t.tokens, t.at = src, t.tokens[:0], 0
	if len(src) > 1<<31-2 {
		return errSyntax
	}
	if err := t.value(0); err != nil {
		return err
	}
	t.space()
	if t.at != len(src) {
		return errSyntax
	}
	return nil
}

// push returns a new token at the end of the tape, to be filled member by member:
// that is twice as fast as appending one that was put together before.
func (t *tape) push() *token {
	n := len(t.tokens)
	if n == cap(t.tokens) {
		t.tokens = append(t.tokens, make([]token, max(64, n))...)
	}
	t.tokens = t.tokens[:n+1]
	return &t.tokens[n]
}

func (t *tape) space() {
	for t.at < len(t.src) {
		switch t.src[t.at] {
		case ' ', '\t', '\n', '\r':
			t.at++
		default:
			return
		}
	}
}

func (t *tape) value(depth int) error {
	if t.at < len(t.src) && t.src[t.at] <= ' ' {
		t.space()
	}
	if t.at >= len(t.src) {
		return errSyntax
	}
	switch c := t.src[t.at]; c {
	case '"':
		return t.text(kindString)
	case '{', '[':
		if depth == maxDepth {
			return errDepth
		}
		return t.container(c, depth+1)
	case 't':
		return t.literal("true", kindTrue)
	case 'f':
		return t.literal("false", kindFalse)
	case 'n':
		return t.literal("null", kindNull)
	}
	return t.number()
}

// container reads an object or array up to its end.
func (t *tape) container(open byte, depth int) error {
	self := len(t.tokens)
	k := t.push()
	k.start, k.kind, k.escaped, k.plain = int32(t.at), open, false, false
	end := byte('}')
	if open == '[' {
		end = ']'
	}
	t.at++
	t.space()
	if t.at < len(t.src) && t.src[t.at] == end {
		t.at++
		t.close(self)
		return nil
	}
	for {
		if open == '{' {
			if err := t.name(); err != nil {
				return err
			}
		}
		if err := t.value(depth); err != nil {
			return err
		}
		if t.at < len(t.src) && t.src[t.at] <= ' ' {
			t.space()
		}
		if t.at >= len(t.src) {
			return errSyntax
		}
		c := t.src[t.at]
		if c != ',' && c != end {
			return errSyntax
		}
		t.at++
		if c == end {
			t.close(self)
			return nil
		}
	}
}

func (t *tape) close(self int) {
	t.tokens[self].end = int32(t.at)
	t.tokens[self].next = int32(len(t.tokens))
}

// name reads the name of a member and the colon behind it.
func (t *tape) name() error {
	if t.at < len(t.src) && t.src[t.at] <= ' ' {
		t.space()
	}
	if t.at >= len(t.src) || t.src[t.at] != '"' {
		return errSyntax
	}
	if err := t.text(kindName); err != nil {
		return err
	}
	if t.at < len(t.src) && t.src[t.at] <= ' ' {
		t.space()
	}
	if t.at >= len(t.src) || t.src[t.at] != ':' {
		return errSyntax
	}
	t.at++
	return nil
}

// ordinary marks the bytes of a string that need no second look.
var ordinary = func() (m [256]bool) {
	for c := 0x20; c < utf8.RuneSelf; c++ {
		m[c] = c != '"' && c != '\\'
	}
	return m
}()

func (t *tape) text(kind byte) error {
	src, start := t.src, t.at+1
	escaped, wide := false, false
	for i := start; i < len(src); i++ {
		c := src[i]
		if ordinary[c] {
			continue
		}
		switch {
		case c == '"':
			if wide && !utf8.Valid(src[start:i]) {
				t.at = start
				return errUTF8
			}
			t.at = i + 1
			k := t.push()
			k.start, k.end, k.next = int32(start), int32(i), int32(len(t.tokens))
			k.kind, k.escaped, k.plain = kind, escaped, false
			return nil
		case c == '\\':
			n := escape(src[i:])
			if n == 0 {
				t.at = i
				return errSyntax
			}
			escaped = true
			i += n - 1
		case c < 0x20:
			t.at = i
			return errSyntax
		default:
			wide = true
		}
	}
	t.at = len(src)
	return errSyntax
}

// escape returns the length of the escape b begins with, or 0.
func escape(b []byte) int {
	if len(b) < 2 {
		return 0
	}
	switch b[1] {
	case '"', '\\', '/', 'b', 'f', 'n', 'r', 't':
		return 2
	case 'u':
		if len(b) < 6 {
			return 0
		}
		for _, c := range b[2:6] {
			if (c < '0' || c > '9') && (c|0x20 < 'a' || c|0x20 > 'f') {
				return 0
			}
		}
		return 6
	}
	return 0
}

func (t *tape) literal(word string, kind byte) error {
	if len(t.src)-t.at < len(word) || string(t.src[t.at:t.at+len(word)]) != word {
		return errSyntax
	}
	k := t.push()
	k.start, k.end, k.next = int32(t.at), int32(t.at+len(word)), int32(len(t.tokens))
	k.kind, k.escaped, k.plain = kind, false, false
	t.at += len(word)
	return nil
}

func (t *tape) number() error {
	b, i := t.src, t.at
	plain := true
	if i < len(b) && b[i] == '-' {
		i++
	}
	whole := digits(b, i)
	if whole == 0 || whole > 1 && b[i] == '0' {
		return errSyntax
	}
	i += whole
	part := 0
	if i < len(b) && b[i] == '.' {
		if part = digits(b, i+1); part == 0 {
			return errSyntax
		}
		i += 1 + part
	}
	if i < len(b) && b[i]|0x20 == 'e' {
		plain = false
		i++
		if i < len(b) && (b[i] == '+' || b[i] == '-') {
			i++
		}
		n := digits(b, i)
		if n == 0 {
			return errSyntax
		}
		i += n
	}
	k := t.push()
	k.start, k.end, k.next = int32(t.at), int32(i), int32(len(t.tokens))
	k.kind, k.escaped, k.plain = kindNumber, false, plain && whole+part <= maxDigits
	t.at = i
	return nil
}

func digits(b []byte, i int) int {
	n := 0
	for i+n < len(b) && b[i+n] >= '0' && b[i+n] <= '9' {
		n++
	}
	return n
}

// bytes returns the text of token i: of a string what is inside its quotes.
func (t *tape) bytes(i int32) []byte { return t.src[t.tokens[i].start:t.tokens[i].end] }
