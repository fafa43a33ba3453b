package json

import (
	"encoding/json"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// Bounds on what is accepted: see the package comment.
const (
	maxNumber   = 64
	maxExponent = 400
	maxDepth    = 100
	maxValues   = 1 << 20 // of one text: a value takes many times its two bytes
)

// A mistake says why a text is not accepted, and at which byte of it.
type mistake struct {
	at          int
	wanted, got string
}

// A span is where a value stands in the text, with the spans of what is in it:
// for an object in the order of names, for an array of the elements.
type span struct {
	start, end int
	names      []string
	in         []span
}

// A parser reads one JSON text, which is valid UTF-8.
type parser struct {
	s     string
	i     int
	depth int
	count int      // values so far
	wrong *mistake // the first
}

// parse reads s, which must be one value with white space around it. The span
// is only worked out if it is not nil.
func parse(s string, sp *span) (any, *mistake) {
	p := parser{s: s}
	if !utf8.ValidString(s) {
		return nil, badUTF8(s)
	}
	p.space()
	v := p.value(sp)
	if p.wrong == nil {
		if p.space(); p.i < len(s) {
			p.fail("the end of the text", p.here())
		}
	}
	if p.wrong != nil {
		return nil, p.wrong
	}
	return v, nil
}

func badUTF8(s string) *mistake {
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		if r == utf8.RuneError && n == 1 {
			return &mistake{i, "text in utf-8", "byte 0x" + strings.ToUpper(strconv.FormatUint(uint64(s[i]), 16))}
		}
		i += n
	}
	return nil
}

func (p *parser) fail(wanted, got string) { p.failAt(p.i, wanted, got) }

func (p *parser) failAt(at int, wanted, got string) {
	if p.wrong == nil {
		p.wrong = &mistake{at, wanted, got}
	}
}

// endOfText is what stands where a text ends too early.
const endOfText = "the end of the text"

// here names what stands at the current place.
func (p *parser) here() string {
	if p.i >= len(p.s) {
		return endOfText
	}
	r, _ := utf8.DecodeRuneInString(p.s[p.i:])
	return strconv.QuoteRune(r)
}

func (p *parser) space() {
	for p.i < len(p.s) {
		switch p.s[p.i] {
		case ' ', '\t', '\n', '\r':
			p.i++
		default:
			return
		}
	}
}

func (p *parser) value(sp *span) any {
	if sp != nil {
		sp.start = p.i
		defer func() { sp.end = p.i }()
	}
	if p.i >= len(p.s) {
		p.fail("a value", p.here())
		return nil
	}
	if p.count++; p.count > maxValues {
		p.fail("at most "+strconv.Itoa(maxValues)+" values in one text", "more")
		return nil
	}
	switch c := p.s[p.i]; {
	case c == '{', c == '[':
		if p.depth++; p.depth > maxDepth {
			p.fail("nesting of at most "+strconv.Itoa(maxDepth), "more")
			return nil
		}
		defer func() { p.depth-- }()
		if c == '{' {
			return p.object(sp)
		}
		return p.array(sp)
	case c == '"':
		return p.text()
	case c == '-', c >= '0' && c <= '9':
		return p.number()
	case p.word("true"):
		return true
	case p.word("false"):
		return false
	case p.word("null"):
		return nil
	}
	p.fail("a value", p.here())
	return nil
}

func (p *parser) word(w string) bool {
	if strings.HasPrefix(p.s[p.i:], w) {
		p.i += len(w)
		return true
	}
	return false
}

func (p *parser) object(sp *span) any {
	m := map[string]any{}
	p.i++
	for first := true; p.wrong == nil; first = false {
		p.space()
		if first && p.word("}") {
			return m
		}
		at := p.i
		if p.i >= len(p.s) || p.s[p.i] != '"' {
			p.fail("a name in quotes", p.here())
			return nil
		}
		name := p.text()
		if _, twice := m[name]; twice {
			p.failAt(at, "every name once (RFC 7493)", strconv.Quote(name)+" twice")
		}
		if p.space(); !p.word(":") {
			p.fail(`":" behind the name`, p.here())
			return nil
		}
		p.space()
		var in *span
		if sp != nil {
			sp.names, sp.in = append(sp.names, name), append(sp.in, span{})
			in = &sp.in[len(sp.in)-1]
		}
		m[name] = p.value(in)
		if p.space(); p.word("}") {
			return m
		}
		if !p.word(",") {
			p.fail(`"," or "}"`, p.here())
		}
	}
	return nil
}

func (p *parser) array(sp *span) any {
	a := []any{}
	p.i++
	for first := true; p.wrong == nil; first = false {
		p.space()
		if first && p.word("]") {
			return a
		}
		var in *span
		if sp != nil {
			sp.in = append(sp.in, span{})
			in = &sp.in[len(sp.in)-1]
		}
		a = append(a, p.value(in))
		if p.space(); p.word("]") {
			return a
		}
		if !p.word(",") {
			p.fail(`"," or "]"`, p.here())
		}
	}
	return nil
}

// number reads a number of RFC 8259 section 6 and keeps it as it is written.
func (p *parser) number() any {
	start := p.i
	p.word("-")
	lead := p.i
	if p.digits() == 0 || p.s[lead] == '0' && p.i > lead+1 {
		p.failAt(start, "a number", strconv.Quote(clip(p.s[start:], 20)))
		return nil
	}
	if p.word(".") && p.digits() == 0 {
		p.fail("digits behind the point", p.here())
		return nil
	}
	exponent := 0
	if p.word("e") || p.word("E") {
		if !p.word("-") {
			p.word("+")
		}
		at := p.i
		if p.digits() == 0 {
			p.fail("digits of an exponent", p.here())
			return nil
		}
		if n, err := strconv.Atoi(p.s[at:p.i]); err == nil {
			exponent = n
		} else {
			exponent = maxExponent + 1
		}
	}
	if n := p.i - start; n > maxNumber || exponent > maxExponent {
		p.failAt(start, "a number of at most "+strconv.Itoa(maxNumber)+" characters with an exponent within ±"+strconv.Itoa(maxExponent),
			clip(p.s[start:p.i], 20)+" ("+strconv.Itoa(n)+" characters)")
		return nil
	}
	return json.Number(p.s[start:p.i])
}

func (p *parser) digits() int {
	start := p.i
	for p.i < len(p.s) && p.s[p.i] >= '0' && p.s[p.i] <= '9' {
		p.i++
	}
	return p.i - start
}

// text reads a string; without escapes it is a slice of the text.
func (p *parser) text() string {
	p.i++
	start := p.i
	for p.i < len(p.s) {
		switch c := p.s[p.i]; {
		case c == '"':
			s := p.s[start:p.i]
			p.i++
			return s
		case c == '\\':
			return p.escaped(start)
		case c < 0x20:
			p.fail("an escape in a text", "a control character")
			return ""
		}
		p.i++
	}
	p.fail(`the '"' that ends a text`, p.here())
	return ""
}

const escapes = `"\/bfnrt`

// escaped goes on with a string that began at start and has an escape.
func (p *parser) escaped(start int) string {
	b := []byte(p.s[start:p.i])
	for p.i < len(p.s) {
		c := p.s[p.i]
		switch {
		case c == '"':
			p.i++
			return string(b)
		case c < 0x20:
			p.fail("an escape in a text", "a control character")
			return ""
		case c != '\\':
			b = append(b, c)
			p.i++
			continue
		}
		p.i++
		if p.i >= len(p.s) {
			break
		}
		if p.s[p.i] == 'u' {
			b = p.unicode(b)
		} else if k := strings.IndexByte(escapes, p.s[p.i]); k >= 0 {
			b = append(b, "\"\\/\b\f\n\r\t"[k])
			p.i++
		} else {
			p.fail("an escape", strconv.Quote(`\`+p.s[p.i:p.i+1]))
		}
		if p.wrong != nil {
			return ""
		}
	}
	p.fail(`the '"' that ends a text`, p.here())
	return ""
}

// unicode reads \uXXXX, of surrogates both; p.i stands at the u.
func (p *parser) unicode(b []byte) []byte {
	at := p.i - 1
	r := p.hex()
	if utf16.IsSurrogate(r) {
		low := rune(-1)
		if strings.HasPrefix(p.s[p.i:], `\u`) {
			p.i++
			low = p.hex()
		}
		if r = utf16.DecodeRune(r, low); r == utf8.RuneError {
			p.failAt(at, "both halves of a surrogate pair", strconv.Quote(p.s[at:min(len(p.s), at+6)]))
		}
	}
	return utf8.AppendRune(b, r)
}

// hex reads the four digits behind the u at p.i.
func (p *parser) hex() rune {
	end := p.i + 5
	if end <= len(p.s) {
		if n, err := strconv.ParseUint(p.s[p.i+1:end], 16, 32); err == nil {
			p.i = end
			return rune(n)
		}
	}
	p.fail(`four hex digits behind \u`, strconv.Quote(p.s[p.i:min(len(p.s), end)]))
	return 0
}

func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	return cut(s, n) + "…"
}

// cut returns at most n bytes of s, up to the border of a character.
func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n]
}
