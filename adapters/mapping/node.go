package mapping

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"dewclaw/events"
)

// Bounds of a mapping file, far beyond any that people write: they keep a
// hostile file (nesting, an alias bomb) from costing more than a moment.
const (
	maxSource  = 256 << 10
	maxLines   = 5000
	maxNesting = 64
	maxNodes   = 50_000
)

type nodeKind uint8

const (
	scalarNode nodeKind = iota
	mapNode
	listNode
)

func (k nodeKind) String() string { return [...]string{"a value", "a map", "a list"}[k] }

// A node is one value of a YAML file with its place. Scalars keep the text they
// are written with: the language knows what is a number.
type node struct {
	kind      nodeKind
	text      string // scalar, or name of the key for the key of a map
	null      bool   // scalar: nothing is written
	quoted    bool
	keys      []*node // map, in order
	vals      []*node // map: one for each key; list: the elements
	line, col int
}

// get returns the value of a key, or nil.
func (n *node) get(key string) *node {
	if n.kind == mapNode {
		for i, k := range n.keys {
			if k.text == key {
				return n.vals[i]
			}
		}
	}
	return nil
}

// substitute returns a copy in which "{}" is replaced by word in every scalar
// and key.
func (n *node) substitute(word string) *node {
	c := *n
	c.text = strings.ReplaceAll(n.text, "{}", word)
	c.keys, c.vals = nil, nil
	for _, k := range n.keys {
		c.keys = append(c.keys, k.substitute(word))
	}
	for _, v := range n.vals {
		c.vals = append(c.vals, v.substitute(word))
	}
	return &c
}

// builder turns the tree of the library into nodes: aliases resolved, within
// the bounds.
type builder struct {
	anchors map[string]*node
	nodes   int
	depth   int
}

// A syntaxError is a mistake in the YAML itself.
type syntaxError struct {
	line, col   int
	wanted, got string
}

func (e *syntaxError) Error() string { return fmt.Sprintf("wanted %s, got %s", e.wanted, e.got) }

// parseYAML reads one YAML document. The error is a *syntaxError.
func parseYAML(src []byte) (n *node, err error) {
	defer func() {
		if p := recover(); p != nil {
			n, err = nil, &syntaxError{1, 1, "a YAML document", fmt.Sprint("one the parser cannot read: ", p)}
		}
	}()
	if err := bounded(src); err != nil {
		return nil, err
	}
	f, err := parser.ParseBytes(src, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		var y yaml.Error
		if errors.As(err, &y) && y.GetToken() != nil {
			p := y.GetToken().Position
			return nil, &syntaxError{p.Line, p.Column, "YAML", y.GetMessage()}
		}
		return nil, &syntaxError{1, 1, "YAML", err.Error()}
	}
	var body ast.Node
	for _, d := range f.Docs {
		if d.Body == nil {
			continue
		}
		if body != nil {
			p := d.Body.GetToken().Position
			return nil, &syntaxError{p.Line, p.Column, "one YAML document", "a second one"}
		}
		body = d.Body
	}
	if body == nil {
		return nil, &syntaxError{1, 1, "a map of keys", "nothing"}
	}
	b := builder{anchors: map[string]*node{}}
	return b.build(body)
}

func bounded(src []byte) error {
	if len(src) > maxSource {
		return &syntaxError{1, 1, fmt.Sprintf("at most %d bytes", maxSource), fmt.Sprint(len(src))}
	}
	if !utf8.Valid(src) {
		return &syntaxError{1, 1, "UTF-8", "bytes that are none"}
	}
	open, line := 0, 0
	for l := range strings.Lines(string(src)) {
		if line++; line > maxLines {
			return &syntaxError{line, 1, fmt.Sprintf("at most %d lines", maxLines), "more"}
		}
		open = max(open+count(l, "[", "{")-count(l, "]", "}"), 0)
		if max(open, count(l, "[", "{"), count(l, "- ", "? ")) > maxNesting {
			return &syntaxError{line, 1, fmt.Sprintf("at most %d levels of nesting", maxNesting), "more"}
		}
	}
	return nil
}

// count returns how often the marks stand in l.
func count(l string, marks ...string) int {
	n := 0
	for _, m := range marks {
		n += strings.Count(l, m)
	}
	return n
}

func (b *builder) build(a ast.Node) (*node, error) {
	if b.nodes++; b.nodes > maxNodes {
		return nil, syntaxAt(a, fmt.Sprintf("at most %d values, aliases counted each time", maxNodes), "more")
	}
	if b.depth++; b.depth > maxNesting {
		return nil, syntaxAt(a, fmt.Sprintf("at most %d levels of nesting", maxNesting), "more")
	}
	defer func() { b.depth-- }()
	switch v := a.(type) {
	case *ast.MappingNode:
		return b.buildMap(a, v.Values)
	case *ast.MappingValueNode:
		return b.buildMap(a, []*ast.MappingValueNode{v})
	case *ast.SequenceNode:
		n := &node{kind: listNode}
		n.place(a)
		for _, x := range v.Values {
			c, err := b.build(x)
			if err != nil {
				return nil, err
			}
			n.vals = append(n.vals, c)
		}
		return n, nil
	case *ast.AnchorNode:
		n, err := b.build(v.Value)
		if err == nil {
			b.anchors[v.Name.GetToken().Value] = n
		}
		return n, err
	case *ast.AliasNode:
		name := v.Value.GetToken().Value
		n := b.anchors[name]
		if n == nil {
			return nil, syntaxAt(a, "an alias of an anchor above it", "*"+name)
		}
		return n, b.again(n)
	case *ast.TagNode:
		return nil, syntaxAt(a, "a value without a tag", v.GetToken().Value)
	case *ast.LiteralNode:
		n := &node{text: v.Value.Value, quoted: true}
		n.place(a)
		return n, nil
	case *ast.NullNode:
		n := &node{null: true}
		n.place(a)
		return n, nil
	case ast.ScalarNode:
		t := v.GetToken()
		n := &node{text: t.Value, quoted: isQuoted(t)}
		n.place(a)
		return n, nil
	}
	return nil, syntaxAt(a, "a value, a map or a list", a.Type().String())
}

// again counts an aliased value once more, so that aliases of aliases are bounded.
func (b *builder) again(n *node) error {
	b.nodes++
	for _, v := range n.vals {
		if err := b.again(v); err != nil {
			return err
		}
	}
	if b.nodes > maxNodes {
		return &syntaxError{n.line, n.col, fmt.Sprintf("at most %d values, aliases counted each time", maxNodes), "more"}
	}
	return nil
}

func (b *builder) buildMap(a ast.Node, values []*ast.MappingValueNode) (*node, error) {
	n := &node{kind: mapNode}
	n.place(a)
	for i, m := range values {
		key := m.Key.GetToken()
		_, plain := m.Key.(ast.ScalarNode)
		if !plain || m.Key.IsMergeKey() {
			return nil, syntaxAt(m.Key, "a plain key", key.Value)
		}
		k := &node{text: key.Value, line: key.Position.Line, col: key.Position.Column, quoted: isQuoted(key)}
		v, err := b.build(m.Value)
		if err != nil {
			return nil, err
		}
		if v.null {
			w := *v // what is not written stands where its key does
			w.line, w.col = k.line, k.col
			v = &w
		}
		n.keys, n.vals = append(n.keys, k), append(n.vals, v)
		if i == 0 && n.line == k.line && n.col > k.col {
			n.col = k.col
		}
	}
	return n, nil
}

func (n *node) place(a ast.Node) {
	if p := a.GetToken().Position; p != nil {
		n.line, n.col = p.Line, p.Column
	}
}

func syntaxAt(a ast.Node, wanted, got string) error {
	p := a.GetToken().Position
	return &syntaxError{p.Line, p.Column, wanted, got}
}

// faults collects the mistakes of one file.
type faults struct {
	file string
	all  []mistake
}

// A mistake is a fault with its place.
type mistake struct {
	line, col int
	fault     *events.Fault
}

// add notes a mistake at n: what is the path of the key in the file.
func (f *faults) add(n *node, what, wanted, got string, hints ...string) {
	f.all = append(f.all, mistake{n.line, n.col, &events.Fault{
		Kind: events.ErrInvalid, Where: fmt.Sprintf("%s:%d:%d", f.file, n.line, n.col),
		What: what, Wanted: wanted, Got: got, Hints: hints,
	}})
}

// err returns all mistakes in the order of the file, or nil.
func (f *faults) err() error {
	slices.SortStableFunc(f.all, func(a, b mistake) int { return cmp.Or(cmp.Compare(a.line, b.line), cmp.Compare(a.col, b.col)) })
	errs := make([]error, len(f.all))
	for i, m := range f.all {
		errs[i] = m.fault
	}
	return errors.Join(errs...)
}

func isQuoted(t *token.Token) bool {
	return t.Type == token.SingleQuoteType || t.Type == token.DoubleQuoteType
}
