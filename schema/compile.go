package schema

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

// A node is one schema object compiled for the fast check. What it cannot
// express makes it unsure, and the schema library decides.
type node struct {
	unsure bool // something in the schema is beyond the fast check
	never  bool // the schema false

	kinds    kindSet // 0: any
	integer  bool    // of numbers only whole ones
	texts    []string
	many     map[string]bool // texts, if they are many
	numbers  []bound
	truths   []byte // kindTrue, kindFalse, kindNull
	hasEnum  bool
	pattern  func([]byte) bool
	format   func([]byte) verdict
	minRunes int
	maxRunes int // -1: no limit
	low      *bound
	high     *bound
	over     *bound // exclusive minimum
	under    *bound // exclusive maximum

	walks      bool // reads every member, and finds members that stand twice
	props      []property
	slots      []int8 // hash table into props; nil if there are none
	multiplier uint32
	shift      uint32
	required   uint64
	additional *node // nil: anything
	names      *node // of every member
	minMembers int

	minItems int
	maxItems int // -1: no limit
	unique   bool
	items    *node
	contains *node
	minHits  int
	maxHits  int // -1: no limit

	all       []*node
	needs     []uint64 // members without which the condition all[i] says nothing
	any       []*node
	one       []*node
	not       *node
	cond      *node
	then      *node
	otherwise *node
	switches  []choice
	inPlace   bool // there is any of these eight
}

type property struct {
	name string
	node *node // nil: anything
}

// A choice stands for many conditions "if the member has this value then": they
// are one look-up.
type choice struct {
	member string
	needs  uint64 // the member, as a bit of the node; 0 if the node does not know it
	then   map[string][]*node
}

// A kindSet is a set of JSON types.
type kindSet uint8

const (
	setObject kindSet = 1 << iota
	setArray
	setString
	setNumber
	setBoolean
	setNull
)

// A compiler makes nodes of the built-in schemas.
type compiler struct {
	docs map[string]any
	made map[nodeKey]*node
}

type nodeKey struct {
	pointer string // document, #, JSON pointer
	inPlace bool
}

// node compiles the schema at pointer. One that is in place (allOf, if, then,
// ...) judges a value beside another node, which walks it.
func (c *compiler) node(doc, pointer string, inPlace bool) *node {
	key := nodeKey{doc + "#" + pointer, inPlace}
	if n, ok := c.made[key]; ok {
		return n
	}
	if s, ok := resolve(c.docs[doc], pointer).(map[string]any); ok && onlyRefers(s) {
		n := c.ref(doc, text(s["$ref"]), inPlace)
		c.made[key] = n
		return n
	}
	n := &node{maxRunes: -1, maxItems: -1, maxHits: -1, walks: !inPlace}
	c.made[key] = n
	switch s := resolve(c.docs[doc], pointer).(type) {
	case bool:
		n.never = !s
	case map[string]any:
		c.object(n, s, doc, pointer, inPlace)
	default:
		n.unsure = true
	}
	return n
}

// onlyRefers reports whether a schema says nothing but where another one is.
func onlyRefers(s map[string]any) bool {
	for word := range s {
		if word != "$ref" && word != "description" && word != "x-wanted" {
			return false
		}
	}
	return text(s["$ref"]) != ""
}

// object compiles a schema object, one case a keyword. A keyword it does not
// know makes the node unsure.
func (c *compiler) object(n *node, s map[string]any, doc, pointer string, inPlace bool) {
	at := func(path ...string) string {
		p := pointer
		for _, x := range path {
			p += "/" + escapePointer(x)
		}
		return p
	}
	for _, word := range slices.Sorted(maps.Keys(s)) {
		v := s[word]
		switch word {
		case "$schema", "$id", "$defs", "title", "description", "x-list", "x-each", "x-wanted", "required", "minContains", "maxContains":
		case "type":
			n.setTypes(v)
		case "enum":
			list, ok := v.([]any)
			n.unsure = n.unsure || !ok
			n.setEnum(list)
		case "const":
			n.setEnum([]any{v})
		case "pattern":
			n.pattern = patternOf(text(v))
		case "format":
			if n.format = formats[text(v)]; n.format == nil {
				n.unsure = true
			}
		case "minLength":
			n.minRunes = n.whole(v)
		case "maxLength":
			n.maxRunes = n.whole(v)
		case "minimum":
			n.low = n.bound(v)
		case "maximum":
			n.high = n.bound(v)
		case "exclusiveMinimum":
			n.over = n.bound(v)
		case "exclusiveMaximum":
			n.under = n.bound(v)
		case "properties":
			m, _ := v.(map[string]any)
			for _, name := range slices.Sorted(maps.Keys(m)) {
				n.props = append(n.props, property{name, c.node(doc, at("properties", name), false)})
			}
		case "additionalProperties":
			n.additional = c.node(doc, at(word), false)
		case "propertyNames":
			n.names = c.node(doc, at(word), true)
		case "minProperties":
			n.minMembers = n.whole(v)
		case "items":
			n.items = c.node(doc, at(word), false)
		case "minItems":
			n.minItems = n.whole(v)
		case "maxItems":
			n.maxItems = n.whole(v)
		case "uniqueItems":
			n.unique = v == true
		case "contains":
			n.contains, n.minHits = c.node(doc, at(word), true), 1
			if x, ok := s["minContains"]; ok {
				n.minHits = n.whole(x)
			}
			if x, ok := s["maxContains"]; ok {
				n.maxHits = n.whole(x)
			}
		case "$ref":
			n.all = append(n.all, c.ref(doc, text(v), inPlace))
		case "allOf":
			c.allOf(n, v, doc, at(word))
		case "anyOf":
			n.any = c.list(v, doc, at(word))
		case "oneOf":
			n.one = c.list(v, doc, at(word))
		case "not":
			n.not = c.node(doc, at(word), true)
		case "if":
			n.cond = c.node(doc, at(word), true)
		case "then":
			n.then = c.node(doc, at(word), true)
		case "else":
			n.otherwise = c.node(doc, at(word), true)
		default:
			n.unsure = true
		}
	}
	n.setRequired(s["required"])
	n.hash()
	n.inPlace = n.all != nil || n.switches != nil || n.any != nil || n.one != nil || n.not != nil || n.cond != nil
	n.setNeeds()
	if len(n.texts) > 6 {
		n.many = map[string]bool{}
		for _, s := range n.texts {
			n.many[s] = true
		}
	}
	if _, ok := s["$ref"]; ok && n.props == nil && n.additional == nil {
		n.walks = false // the schema it refers to walks
	}
}

func (c *compiler) list(v any, doc, pointer string) []*node {
	list, _ := v.([]any)
	var out []*node
	for i := range list {
		out = append(out, c.node(doc, pointer+"/"+strconv.Itoa(i), true))
	}
	return out
}

// allOf gathers conditions on the value of one member into choices.
func (c *compiler) allOf(n *node, v any, doc, pointer string) {
	list, _ := v.([]any)
	for i, x := range list {
		at := pointer + "/" + strconv.Itoa(i)
		member, value, ok := isChoice(x)
		if !ok {
			n.all = append(n.all, c.node(doc, at, true))
			continue
		}
		j := slices.IndexFunc(n.switches, func(s choice) bool { return s.member == member })
		if j < 0 {
			j = len(n.switches)
			n.switches = append(n.switches, choice{member: member, then: map[string][]*node{}})
		}
		m := n.switches[j].then
		m[value] = append(m[value], c.node(doc, at+"/then", true))
	}
}

// isChoice reports whether a schema is {if: {properties: {member: {const:
// value}}, required: [member]}, then: …} with a text as value.
func isChoice(x any) (member, value string, ok bool) {
	s, _ := x.(map[string]any)
	cond, _ := s["if"].(map[string]any)
	props, _ := cond["properties"].(map[string]any)
	required, _ := cond["required"].([]any)
	then := s["then"]
	if then == nil || s["else"] != nil || len(props) != 1 || len(cond) != 2 || len(required) != 1 {
		return "", "", false
	}
	for word := range s {
		if word != "if" && word != "then" && word != "description" && word != "x-wanted" {
			return "", "", false
		}
	}
	for name, p := range props {
		m, _ := p.(map[string]any)
		v, isText := m["const"].(string)
		if len(m) == 1 && isText && required[0] == name {
			return name, v, true
		}
	}
	return "", "", false
}

// ref compiles what a reference leads to: #/… or file.schema.json#/….
func (c *compiler) ref(doc, target string, inPlace bool) *node {
	file, pointer, _ := strings.Cut(target, "#")
	if file != "" {
		doc = strings.TrimSuffix(file, suffix)
	}
	if p, err := url.PathUnescape(pointer); err == nil {
		pointer = p
	}
	return c.node(doc, pointer, inPlace)
}

func (n *node) setTypes(v any) {
	types := map[string]kindSet{
		"object": setObject, "array": setArray, "string": setString, "number": setNumber, "integer": setNumber,
		"boolean": setBoolean, "null": setNull,
	}
	s, ok := v.(string)
	n.kinds, n.integer = types[s], s == "integer"
	n.unsure = n.unsure || !ok || n.kinds == 0
}

func (n *node) setEnum(list []any) {
	n.unsure = n.unsure || n.hasEnum
	n.hasEnum = true
	for _, v := range list {
		switch v := v.(type) {
		case string:
			n.texts = append(n.texts, v)
		case json.Number:
			if b := n.bound(v); b != nil {
				n.numbers = append(n.numbers, *b)
			}
		case bool:
			n.truths = append(n.truths, map[bool]byte{true: kindTrue, false: kindFalse}[v])
		case nil:
			n.truths = append(n.truths, kindNull)
		default:
			n.unsure = true
		}
	}
}

func (n *node) whole(v any) int {
	i, err := strconv.Atoi(fmt.Sprint(v))
	if err != nil {
		n.unsure = true
	}
	return i
}

func (n *node) bound(v any) *bound {
	b, ok := boundOf([]byte(fmt.Sprint(v)))
	if !ok {
		n.unsure = true
		return nil
	}
	return &b
}

func text(v any) string { s, _ := v.(string); return s }

// resolve returns what a JSON pointer (RFC 6901) leads to in doc, or nil.
func resolve(doc any, pointer string) any {
	if pointer == "" {
		return doc
	}
	for part := range strings.SplitSeq(pointer[1:], "/") {
		part = strings.NewReplacer("~1", "/", "~0", "~").Replace(part)
		switch d := doc.(type) {
		case map[string]any:
			doc = d[part]
		case []any:
			i, err := strconv.Atoi(part)
			if err != nil || i < 0 || i >= len(d) {
				return nil
			}
			doc = d[i]
		default:
			return nil
		}
	}
	return doc
}

func escapePointer(s string) string { return strings.NewReplacer("~", "~0", "/", "~1").Replace(s) }
