package mapping

import (
	"encoding/json"
	"errors"
	"strconv"
	"strings"

	"github.com/theory/jsonpath"
	"github.com/theory/jsonpath/spec"
)

// A jsonPath is a JSONPath. One that names at most one value is walked directly;
// the library does the others.
type jsonPath struct {
	query *jsonpath.Path
	steps []step
	one   bool // steps is the whole path
}

// A step is a name, or an index if name is not in use.
type step struct {
	name  string
	index int
	named bool
}

func parsePath(s string) (*jsonPath, error) {
	q, err := jsonpath.Parse(s)
	if err != nil {
		return nil, err
	}
	if descents(s) > 1 {
		return nil, errors.New("at most one \"..\": with more the work grows as a power of what a document holds")
	}
	p := &jsonPath{query: q, one: true}
	for _, seg := range q.Query().Segments() {
		sel := seg.Selectors()
		if seg.IsDescendant() || len(sel) != 1 {
			p.one = false
			break
		}
		switch k := sel[0].(type) {
		case spec.Name:
			p.steps = append(p.steps, step{name: string(k), named: true})
		case spec.Index:
			p.steps = append(p.steps, step{index: int(k)})
		default:
			p.one = false
		}
	}
	return p, nil
}

// get returns the value at the path, or nil and false. Of several it returns
// all as an array.
func (p *jsonPath) get(v any) (any, bool) {
	if !p.one {
		list := p.query.SelectLocated(v)
		list.Sort()
		switch len(list) {
		case 0:
			return nil, false
		case 1:
			return list[0].Node, true
		}
		all := make([]any, len(list))
		for i, n := range list {
			all[i] = n.Node
		}
		return all, true
	}
	for _, s := range p.steps {
		switch c := v.(type) {
		case map[string]any:
			x, ok := c[s.name]
			if !s.named || !ok {
				return nil, false
			}
			v = x
		case []any:
			i := s.index
			if i < 0 {
				i += len(c)
			}
			if s.named || i < 0 || i >= len(c) {
				return nil, false
			}
			v = c[i]
		default:
			return nil, false
		}
	}
	return v, true
}

// An item is one element that "each" goes over.
type item struct {
	value any
	key   string // its name in an object, its index in an array
	at    []spec.NormalSelector
}

// items returns what the path selects, in a fixed order; of one array or object
// its elements, objects by name.
func (p *jsonPath) items(v any, out []item) []item {
	list := p.query.SelectLocated(v)
	list.Sort()
	if p.one && len(list) == 1 {
		at := list[0].Path
		switch c := list[0].Node.(type) {
		case []any:
			for i, e := range c {
				out = append(out, item{e, strconv.Itoa(i), append(at[:len(at):len(at)], spec.Index(i))})
			}
		case map[string]any:
			for _, k := range sortedKeys(c) {
				out = append(out, item{c[k], k, append(at[:len(at):len(at)], spec.Name(k))})
			}
		}
		return out
	}
	for _, n := range list {
		out = append(out, item{n.Node, lastKey(n.Path), n.Path})
	}
	return out
}

func lastKey(at []spec.NormalSelector) string {
	if len(at) == 0 {
		return ""
	}
	switch k := at[len(at)-1].(type) {
	case spec.Name:
		return string(k)
	case spec.Index:
		return strconv.Itoa(int(k))
	}
	return ""
}

// above returns what stands n steps of the path above an item; root is what
// the path begins at.
func (it *item) above(root any, n int) (item, bool) {
	if n > len(it.at) {
		return item{}, false
	}
	at := it.at[:len(it.at)-n]
	v, ok := follow(root, at)
	return item{v, lastKey(at), at}, ok
}

func follow(v any, at []spec.NormalSelector) (any, bool) {
	for _, s := range at {
		switch k := s.(type) {
		case spec.Name:
			c, ok := v.(map[string]any)
			if !ok {
				return nil, false
			}
			if v, ok = c[string(k)]; !ok {
				return nil, false
			}
		case spec.Index:
			c, ok := v.([]any)
			if !ok || int(k) >= len(c) {
				return nil, false
			}
			v = c[k]
		}
	}
	return v, true
}

// scalar returns the text of a JSON value, spaces at both ends removed. Objects
// and arrays have none.
func scalar(v any) (string, bool) {
	switch x := v.(type) {
	case nil:
		return "", true
	case string:
		return strings.TrimSpace(x), true
	case json.Number:
		return string(x), true
	case bool:
		return strconv.FormatBool(x), true
	}
	return "", false
}

// descents counts the descendant segments of a path (RFC 9535 section 2.5.2),
// those inside filters too. Two dots in a quoted name are none.
func descents(s string) int {
	n := 0
	var quote byte
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case quote != 0 && c == '\\':
			i++
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '.' && i+1 < len(s) && s[i+1] == '.':
			n++
			i++
		}
	}
	return n
}
