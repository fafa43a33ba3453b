package config

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// Bounds of one file: a config is written by hand.
const (
	maxBytes = 4 << 20
	maxNodes = 200_000 // aliases are followed, so a small file can stand for many
	maxDepth = 32
)

// A place is where a value stands in the file, from 1.
type place struct{ line, column int }

// A value is a node of the file with the path that people name it by.
type value struct {
	node ast.Node // aliases and anchors resolved; nil if nothing is there
	path string   // feeds.vet.to
	at   place
}

// A reader walks the file and collects every mistake.
type reader struct {
	name    string // file name for messages
	dir     string // folder that paths are relative to
	anchors map[string]ast.Node
	faults  []*located
	places  map[string]place // of every value by its path, for checks across the file
	nodes   int
}

type located struct {
	at place
	*events.Fault
}

// parse returns the top of the file; on bad YAML a fault and an empty value.
func (r *reader) parse(src []byte) (top value) {
	defer func() {
		if p := recover(); p != nil { // the parser met what its authors did not
			r.faultAt(place{1, 1}, &events.Fault{What: "wanted a YAML file, got text the parser cannot read"})
			top = value{}
		}
	}()
	f, err := parser.ParseBytes(src, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		at, text := place{1, 1}, firstLine(err.Error())
		var syntax *yaml.SyntaxError
		if errors.As(err, &syntax) {
			at, text = tokenPlace(syntax.Token), firstLine(syntax.Message)
		}
		r.faultAt(at, &events.Fault{What: "not YAML: " + text})
		return value{}
	}
	var docs []*ast.DocumentNode
	for _, d := range f.Docs {
		if d.Body != nil && d.Body.Type() != ast.CommentType {
			docs = append(docs, d)
		}
	}
	switch {
	case len(docs) == 0:
		r.faultAt(place{1, 1}, &events.Fault{Wanted: "a config", Got: "an empty file", Hints: []string{"begin with: version: 1"}})
		return value{}
	case len(docs) > 1:
		r.faultAt(nodePlace(docs[1].Body), &events.Fault{Wanted: "one YAML document", Got: "a second one"})
	}
	r.findAnchors(docs[0].Body)
	v := r.resolve(value{node: docs[0].Body, at: nodePlace(docs[0].Body)})
	if _, ok := v.node.(*ast.MappingNode); !ok {
		r.wrong(v, "keys and values", describe(v.node))
		return value{}
	}
	return v
}

// findAnchors notes every anchor once.
func (r *reader) findAnchors(n ast.Node) {
	switch n := n.(type) {
	case *ast.AnchorNode:
		r.anchors[n.Name.String()] = n.Value
		r.findAnchors(n.Value)
	case *ast.MappingNode:
		for _, v := range n.Values {
			r.findAnchors(v.Value)
		}
	case *ast.SequenceNode:
		for _, v := range n.Values {
			r.findAnchors(v)
		}
	case *ast.TagNode:
		r.findAnchors(n.Value)
	}
}

// resolve follows anchors and aliases to what they stand for.
func (r *reader) resolve(v value) value {
	for range maxDepth {
		r.nodes++
		switch n := v.node.(type) {
		case *ast.AnchorNode:
			v.node = n.Value
		case *ast.AliasNode:
			target, ok := r.anchors[n.Value.String()]
			if !ok {
				r.wrong(v, "the name of an anchor", quote(n.Value.String()))
				return value{path: v.path, at: v.at}
			}
			v.node = target
		case *ast.TagNode:
			v.node = n.Value
		case *ast.NullNode:
			v.node = nil
			return v
		default:
			if r.nodes > maxNodes || strings.Count(v.path, ".") > maxDepth {
				if r.nodes <= maxNodes*2 { // said once
					r.nodes = maxNodes * 3
					r.wrong(v, "a config", "one with too many values")
				}
				v.node = nil
			}
			return v
		}
	}
	r.wrong(v, "a value", "an alias that leads to itself")
	v.node = nil
	return v
}

// A pair is one key of a mapping with its value.
type pair struct {
	key   string
	keyAt place
	value value
}

// pairs returns the keys of v in the order of the file; a fault and none if v
// is something else. Keys that stand twice are told and left out.
func (r *reader) pairs(v value) []pair {
	m, ok := v.node.(*ast.MappingNode)
	if !ok {
		r.wrong(v, "keys and values", describe(v.node))
		return nil
	}
	var out []pair
	for _, kv := range m.Values {
		key, keyAt := keyText(kv.Key), nodePlace(kv.Key)
		if kv.Key.IsMergeKey() {
			r.faultAt(keyAt, &events.Fault{What: v.path, Wanted: "a key", Got: `the merge key "<<"`, Hints: []string{"write the values out"}})
			continue
		}
		if i := slices.IndexFunc(out, func(p pair) bool { return p.key == key }); i >= 0 {
			r.faultAt(keyAt, &events.Fault{What: join(v.path, key), Wanted: "each key once", Got: fmt.Sprintf("it again; it stands in line %d already", out[i].keyAt.line)})
			continue
		}
		child := r.resolve(value{node: kv.Value, path: join(v.path, key), at: nodePlace(kv.Value)})
		if child.node == nil {
			child.at = keyAt
		}
		r.places[child.path] = keyAt
		out = append(out, pair{key, keyAt, child})
	}
	return out
}

// A member is one key of an object that becomes a T.
type member[T any] struct {
	name string
	must bool
	read func(r *reader, v value, into *T)
}

// object reads the keys of v into t by the table m.
func object[T any](r *reader, v value, m []member[T], t *T) {
	seen := map[string]bool{}
	for _, p := range r.pairs(v) {
		i := slices.IndexFunc(m, func(x member[T]) bool { return x.name == p.key })
		if i < 0 {
			r.unknownKey(v, p, names(m))
			continue
		}
		seen[p.key] = true
		m[i].read(r, p.value, t)
	}
	if v.node == nil {
		return
	}
	for _, x := range m {
		if x.must && !seen[x.name] {
			r.faultAt(v.at, &events.Fault{What: join(v.path, x.name), Wanted: "a value", Got: "nothing"})
		}
	}
}

func names[T any](m []member[T]) []string {
	out := make([]string, len(m))
	for i := range m {
		out[i] = m[i].name
	}
	return out
}

func (r *reader) unknownKey(v value, p pair, known []string) {
	f := &events.Fault{What: join(v.path, p.key), Wanted: "a known key", Got: quote(p.key)}
	if near := codes.Nearest(p.key, known, 1); len(near) == 1 && alike(p.key, near[0]) {
		f.Hints = append(f.Hints, fmt.Sprintf("did you mean %q?", near[0]))
	}
	f.Hints = append(f.Hints, "known here: "+strings.Join(known, ", "))
	r.faultAt(p.keyAt, f)
}

// alike reports whether a is near enough to b to be a slip of the pen: they
// share most of their letters in order.
func alike(a, b string) bool {
	a, b = strings.ToLower(a), strings.ToLower(b)
	if len(a) > 40 {
		return false
	}
	if strings.HasPrefix(a, b) || strings.HasPrefix(b, a) {
		return len(a) > 1
	}
	rows := make([][]int, len(a)+1)
	rows[0] = make([]int, len(b)+1)
	for i := range len(a) {
		rows[i+1] = make([]int, len(b)+1)
		for j := range len(b) {
			if a[i] == b[j] {
				rows[i+1][j+1] = rows[i][j] + 1
			} else {
				rows[i+1][j+1] = max(rows[i][j+1], rows[i+1][j])
			}
		}
	}
	return rows[len(a)][len(b)]*3 >= 2*max(len(a), len(b))
}

// wrong notes that v is not what was wanted.
func (r *reader) wrong(v value, wanted, got string, hints ...string) {
	r.faultAt(v.at, &events.Fault{What: v.path, Wanted: wanted, Got: got, Hints: hints})
}

func (r *reader) faultAt(at place, f *events.Fault) {
	f.Kind = events.ErrInvalid
	f.Where = fmt.Sprintf("%s:%d:%d", r.name, at.line, at.column)
	r.faults = append(r.faults, &located{at, f})
}

// at returns where the value with the path stands, or the nearest above it.
func (r *reader) at(path string) place {
	for path != "" {
		if p, ok := r.places[path]; ok {
			return p
		}
		path, _ = cutLast(path)
	}
	return place{1, 1}
}

// err joins the faults in the order of the file; nil if there are none.
func (r *reader) err() error {
	slices.SortStableFunc(r.faults, func(a, b *located) int {
		if a.at.line != b.at.line {
			return a.at.line - b.at.line
		}
		return a.at.column - b.at.column
	})
	errs := make([]error, len(r.faults))
	for i, f := range r.faults {
		errs[i] = f.Fault
	}
	return errors.Join(errs...)
}

// resolvePath returns p joined with the folder of the file.
func (r *reader) resolvePath(p string) string {
	if filepath.IsAbs(p) {
		return filepath.Clean(p)
	}
	return filepath.Join(r.dir, p)
}

func nodePlace(n ast.Node) place {
	if m, ok := n.(*ast.MappingNode); ok && len(m.Values) > 0 && !m.IsFlowStyle {
		return nodePlace(m.Values[0].Key) // its own token is the first colon
	}
	if n == nil {
		return place{1, 1}
	}
	return tokenPlace(n.GetToken())
}

func tokenPlace(t *token.Token) place {
	if t == nil || t.Position == nil {
		return place{1, 1}
	}
	return place{max(t.Position.Line, 1), max(t.Position.Column, 1)}
}

func keyText(k ast.MapKeyNode) string {
	switch k := k.(type) {
	case *ast.StringNode:
		return k.Value
	case *ast.MappingKeyNode:
		if k.Value != nil {
			return strings.TrimSpace(k.Value.String())
		}
	}
	if t := k.GetToken(); t != nil {
		return t.Value
	}
	return ""
}

// describe names a node for a message.
func describe(n ast.Node) string {
	switch n := n.(type) {
	case nil:
		return "nothing"
	case *ast.MappingNode:
		return "keys and values"
	case *ast.SequenceNode:
		return "a list"
	case *ast.StringNode:
		return quote(n.Value)
	case *ast.LiteralNode:
		return quote(n.Value.Value)
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return "the number " + clip(n.GetToken().Value)
	case *ast.BoolNode:
		return n.GetToken().Value + " (quote it if it is a text)"
	}
	return "something else"
}

func join(path, key string) string {
	if len(key) == 0 || len(key) > 80 || strings.ContainsFunc(key, func(c rune) bool { return c < ' ' || c == '.' || c == 0x7f }) {
		key = quote(key)
	}
	if path == "" {
		return key
	}
	return path + "." + key
}

func cutLast(path string) (string, string) {
	if i := strings.LastIndexAny(path, ".["); i >= 0 {
		return path[:i], path[i:]
	}
	return "", path
}

func quote(s string) string { return strconv.Quote(clip(s)) }

// clip shortens s for a message, at a character boundary.
func clip(s string) string {
	const n = 60
	if len(s) <= n {
		return s
	}
	end := n
	for end > 0 && s[end]&0xC0 == 0x80 {
		end--
	}
	return s[:end] + "…"
}

func firstLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	return clip(strings.TrimSpace(s))
}
