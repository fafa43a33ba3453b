package mapping

import (
	"encoding/json"
	"regexp"
	"strconv"
	"strings"

	"github.com/theory/jsonpath/spec"
)

// This file reads texts from the places of values.

// column names the place in a reason.
func (p *place) column() string {
	if p.kind == constant {
		return ""
	}
	return p.text
}

// column names the place in a reason as it stands in the current row: the
// column that "columns" found, the whole path of an item of "each".
func (m *Mapper) column(p *place) string {
	switch {
	case p.kind != inItem && p.kind != inName:
	case m.run.in.csv:
		if m.key != "" {
			return m.key
		}
	case m.item.at != nil && p.up <= len(m.item.at):
		at := pathText(m.item.at[:len(m.item.at)-p.up])
		if p.kind == inItem && p.text != "." {
			at += memberPath(p.text)
		}
		return at
	}
	return p.column()
}

// memberPath turns a path from an item into what follows the path of the item.
func memberPath(text string) string {
	if strings.HasPrefix(text, ".[") {
		return text[1:]
	}
	return text
}

// pathText writes the path of an item the way a person does, and "held fix" takes.
func pathText(at []spec.NormalSelector) string {
	b := []byte{'$'}
	for _, s := range at {
		switch k := s.(type) {
		case spec.Name:
			if plainName.MatchString(string(k)) {
				b = append(append(b, '.'), k...)
			} else {
				b = append(append(append(b, "['"...), k...), "']"...)
			}
		case spec.Index:
			b = append(strconv.AppendInt(append(b, '['), int64(k), 10), ']')
		}
	}
	return string(b)
}

var plainName = regexp.MustCompile(`^[\pL_][\pL\pN_-]*$`)

// fetch returns what stands at the place of v as text, spaces at both ends
// removed. It is not ok if a reason was noted.
func (m *Mapper) fetch(v *value) (string, bool) {
	p := &v.place
	m.numeric = false
	switch p.kind {
	case inColumn:
		i := m.run.columns[p.at]
		if i >= len(m.row.Cells) {
			m.refuse(v, "column "+p.text, strconv.Itoa(len(m.row.Cells))+" cells")
			return "", false
		}
		return trim(m.row.Cells[i]), true
	case constant:
		return p.fixed, true
	case inItem:
		if m.run.in.csv {
			return trim(m.cell), true
		}
	case inTitle:
		if p.at < len(m.run.head.Titles) {
			return trim(m.run.head.Titles[p.at]), true
		}
		m.refuse(v, p.text, "no such line")
		return "", false
	case inName:
		return m.name(p), true
	case inCEL:
		s, err := p.expr.text(m.vars())
		if err != nil {
			m.refuse(v, "an expression that can be worked out", clip(err.Error(), 200))
			return "", false
		}
		return strings.TrimSpace(s), true
	case sameFoot:
		return m.foot, true
	}
	x, _ := m.json(p)
	_, m.numeric = x.(json.Number)
	s, ok := scalar(x)
	if !ok {
		m.refuse(v, "one text, number or truth", describeJSON(x))
	}
	return s, ok
}

// trim removes white space at both ends, mostly finding none.
func trim(s string) string {
	if s == "" || s[0] > ' ' && s[0] < 0x80 && s[len(s)-1] > ' ' && s[len(s)-1] < 0x80 {
		return s
	}
	return strings.TrimSpace(s)
}

// json returns the JSON value at a place.
func (m *Mapper) json(p *place) (any, bool) {
	root := m.row.Value
	switch p.kind {
	case inDoc:
		root = m.row.Doc
	case inItem:
		root = m.item.value
		if p.up > 0 {
			above, ok := m.item.above(m.row.Value, p.up)
			if !ok {
				return nil, false
			}
			root = above.value
		}
	}
	v, ok := p.path.get(root)
	m.looked.at(p.at, ok)
	return v, ok
}

// name returns a part of the name of the current column or key.
func (m *Mapper) name(p *place) string {
	if p.at > 0 {
		return m.names[p.at-1]
	}
	if p.up > 0 {
		above, _ := m.item.above(m.row.Value, p.up)
		return above.key
	}
	return m.key
}

func describeJSON(v any) string {
	switch x := v.(type) {
	case map[string]any:
		return "an object"
	case []any:
		return strconv.Itoa(len(x)) + " values"
	}
	return "something else"
}

// text returns the text of v after its pattern, and whether it is a constant of
// "empty" that stands for itself. It is not ok if a reason was noted.
func (m *Mapper) text(v *value) (s string, final, ok bool) {
	s, ok = m.fetch(v)
	if !ok {
		return "", false, false
	}
	if s != "" && v.pattern != nil && v.place.kind != constant {
		if s, ok = m.match(v, s); !ok {
			return "", false, false
		}
	}
	if s == "" && v.empty != nil {
		if v.empty.place.kind == constant {
			return v.empty.place.fixed, true, true
		}
		return m.text(v.empty)
	}
	return s, v.place.kind == constant, true
}

// match keeps the first group of the pattern, or the whole match.
func (m *Mapper) match(v *value, s string) (string, bool) {
	at := v.pattern.FindStringSubmatchIndex(s)
	switch {
	case at == nil:
		m.refuse(v, "a text like "+v.pattern.String(), quote(s))
		return "", false
	case len(at) > 2 && at[2] < 0:
		return "", true
	case len(at) > 2:
		return strings.TrimSpace(s[at[2]:at[3]]), true
	}
	return strings.TrimSpace(s[at[0]:at[1]]), true
}

// pieces returns the texts of a value that may be several. They stay valid
// until the next call.
func (m *Mapper) pieces(v *value) (list []string, final, ok bool) {
	m.list = m.list[:0]
	if !m.run.in.csv && (v.place.kind == inRow || v.place.kind == inDoc || v.place.kind == inItem) {
		x, _ := m.json(&v.place)
		if a, several := x.([]any); several {
			return m.jsonPieces(v, a)
		}
	}
	s, final, ok := m.text(v)
	switch {
	case !ok || s == "":
	case v.split == "" || final:
		m.list = append(m.list, s)
	default:
		for part := range strings.SplitSeq(s, v.split) {
			if part = strings.TrimSpace(part); part != "" {
				m.list = append(m.list, part)
			}
		}
	}
	return m.list, final, ok
}

func (m *Mapper) jsonPieces(v *value, a []any) (list []string, final, ok bool) {
	ok = true
	for _, x := range a {
		s, fine := scalar(x)
		if !fine {
			m.refuse(v, "texts, numbers or truths", describeJSON(x))
			return nil, false, false
		}
		if s != "" && v.pattern != nil {
			if s, fine = m.match(v, s); !fine {
				ok = false
				continue
			}
		}
		if s != "" {
			m.list = append(m.list, s)
		}
	}
	if len(m.list) == 0 && ok && v.empty != nil {
		s, final, ok := m.text(v.empty)
		if ok && s != "" {
			m.list = append(m.list, s)
		}
		return m.list, final, ok
	}
	return m.list, false, ok
}
