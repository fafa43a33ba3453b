package config

import (
	"encoding/json"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"dewclaw/events"
	"dewclaw/schema"
)

// checkShape asks the published schema, which says the same as the tables of
// keys: who reads the schema alone may rely on it.
func (r *reader) checkShape(top value) {
	for _, v := range schema.CheckDocument("config", r.plain(top)) {
		path := strings.ReplaceAll(v.Path, "/", ".")
		r.faultAt(r.at(path), &events.Fault{What: path, Wanted: v.Wanted, Got: v.Got, Hints: []string{"dewclaw schema config"}})
	}
}

// plain returns a value as the schema judges it: map[string]any, []any, string,
// json.Number, bool or nil.
func (r *reader) plain(v value) any {
	switch n := v.node.(type) {
	case *ast.MappingNode:
		m := map[string]any{}
		for _, p := range r.pairs(v) {
			m[p.key] = r.plain(p.value)
		}
		return m
	case *ast.SequenceNode:
		list := []any{}
		for _, e := range n.Values {
			list = append(list, r.plain(r.resolve(value{node: e, path: v.path})))
		}
		return list
	case *ast.StringNode:
		return n.Value
	case *ast.LiteralNode:
		return n.Value.Value
	case *ast.BoolNode:
		return n.Value
	case *ast.IntegerNode, *ast.FloatNode:
		text := n.GetToken().Value
		if !json.Valid([]byte(text)) { // 010, +5, .5: numbers of YAML only
			return text
		}
		return json.Number(text)
	}
	return nil
}
