package schema

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"dewclaw/events"
)

// A Violation is one rule of a schema a value breaks.
type Violation struct {
	Path    string // of the value, as fields are named: "zones.numbers[1]"; "" for the whole
	Keyword string // the keyword of JSON Schema that failed, or number, json, utf-8, depth, duplicate, kind
	Wanted  string
	Got     string // quoted where it is a text of the value
}

// String returns the violation as one line.
func (v Violation) String() string {
	s := "wanted " + v.Wanted + ", got " + v.Got
	if v.Path == "" {
		return s
	}
	return v.Path + ": " + s
}

// Reason returns the violation as a reason to hold a record.
func (v Violation) Reason() events.Reason {
	return events.Reason{Field: cmp.Or(v.Path, "row"), Wanted: v.Wanted, Got: v.Got}
}

// sorted sorts violations by path and keyword and drops what is said twice.
func sorted(vs []Violation) []Violation {
	slices.SortFunc(vs, func(a, b Violation) int {
		return cmp.Or(comparePaths(a.Path, b.Path), cmp.Compare(a.Keyword, b.Keyword), cmp.Compare(a.Wanted, b.Wanted), cmp.Compare(a.Got, b.Got))
	})
	return slices.CompactFunc(vs, func(a, b Violation) bool { return a.Path == b.Path && a.Wanted == b.Wanted && a.Got == b.Got })
}

// comparePaths compares paths so that element 2 comes before element 10.
func comparePaths(a, b string) int {
	for a != "" && b != "" {
		n, m := leadingDigits(a), leadingDigits(b)
		if n > 0 && m > 0 {
			if c := cmp.Or(cmp.Compare(n, m), cmp.Compare(a[:n], b[:m])); c != 0 {
				return c
			}
			a, b = a[n:], b[m:]
			continue
		}
		if a[0] != b[0] {
			return cmp.Compare(a[0], b[0])
		}
		a, b = a[1:], b[1:]
	}
	return cmp.Compare(len(a), len(b))
}

func leadingDigits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

// pathOf writes the parts of a JSON pointer as fields are named. An index is a
// part that leads into a list.
func pathOf(doc any, pointer []string) string {
	var b strings.Builder
	for _, part := range pointer {
		switch d := doc.(type) {
		case []any:
			b.WriteString("[" + part + "]")
			doc = nil
			if i, err := strconv.Atoi(part); err == nil && i >= 0 && i < len(d) {
				doc = d[i]
			}
		default:
			if b.Len() > 0 {
				b.WriteByte('.')
			}
			b.WriteString(part)
			m, _ := d.(map[string]any)
			doc = m[part]
		}
	}
	return b.String()
}

// pointerParts splits a JSON pointer (RFC 6901).
func pointerParts(pointer string) []string {
	if pointer == "" {
		return nil
	}
	parts := strings.Split(pointer[1:], "/")
	for i, p := range parts {
		parts[i] = strings.NewReplacer("~1", "/", "~0", "~").Replace(p)
	}
	return parts
}

// quote quotes a text for a message: control characters are escaped, a long
// text is cut.
func quote(s string) string {
	const most = 60
	if len(s) > most {
		n := most
		for n > 0 && s[n]&0xC0 == 0x80 {
			n--
		}
		s = s[:n] + "…"
	}
	return strconv.Quote(s)
}
