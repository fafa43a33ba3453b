package mapping

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A template makes events of one kind from a row.
type template struct {
	kind    events.Kind
	number  int    // place in "events", from 0
	name    string // as the mapping calls it; else "#" and the number
	repeat  string // word of "repeat" it was made for
	node    *node
	conds   []cond
	each    *jsonPath      // nil without "each"
	eachAt  int            // its number among the paths
	columns *regexp.Regexp // nil without "columns"
	parts   []string       // named parts of the columns
	lead    *field         // nil if the kind has none
	fields  []field        // in the order of the mapping, without the lead
	inherit []inherited    // fields of "row"
	remarks *value
	own     struct{ remarks, foot, claw bool } // it says them itself

	feet     *value // examination: nil if the foot of the row is meant
	all      bool   // no foot at all means all four
	othersNo bool   // feet that are not listed were not examined
	trimmed  *field
	occurred *occurred // documents: of its own
	tells    []*value  // values that tell of the leading field
}

// inherited is a field that a template takes from "row".
type inherited struct {
	event *events.Field
	row   int
}

// Names of special fields.
const (
	feetField    = "feet"
	trimmedField = "trimmed"
	remarksField = "remarks"
)

const byFinding = "by-finding"

var templateKeys = []string{"if", "each", "repeat", "columns", "name"}

// templates compiles one element of "events" or "documents": one template, or
// one for each word of "repeat".
func (c *compiler) templates(n *node, what string, number int, kinds []events.Kind, doc bool) []*template {
	var names []string
	for _, k := range kinds {
		names = append(names, string(k))
	}
	keys := slices.Concat(names, templateKeys)
	if doc {
		keys = append(names, "name", "occurred")
	}
	if !c.keys(n, what, keys...) {
		return nil
	}
	var kind events.Kind
	for _, k := range n.keys {
		if slices.Contains(names, k.text) {
			if kind != "" {
				c.add(k, what, "one kind", fmt.Sprintf("%q beside %q", k.text, kind))
				return nil
			}
			kind = events.Kind(k.text)
		}
	}
	if kind == "" {
		c.add(n, what, "one of the kinds "+listed(names), "none")
		return nil
	}
	r := n.get("repeat")
	if r == nil {
		if t := c.template(n, what, kind, number, doc); t != nil {
			return []*template{t}
		}
		return nil
	}
	var out []*template
	words := c.strings(r, what+".repeat", "words")
	if len(words) == 0 {
		c.add(r, what+".repeat", "words", "an empty list")
	}
	seen := len(c.all)
	for _, w := range words {
		if t := c.template(n.substitute(w), what, kind, number, doc); t != nil {
			t.repeat = w
			out = append(out, t)
		}
		if len(c.all) > seen {
			break // the same mistakes again would help nobody
		}
	}
	return out
}

func (c *compiler) template(n *node, what string, kind events.Kind, number int, doc bool) *template {
	t := &template{kind: kind, number: number, name: "#" + strconv.Itoa(number), node: n}
	if x := n.get("name"); x != nil {
		t.name, _ = c.scalar(x, what+".name", "a name")
	}
	s := &scope{doc: doc}
	c.over(n, what, t, s)
	if x := n.get("if"); x != nil {
		t.conds = c.conds(x, what+".if", t, s)
	}
	body := n.get(string(kind))
	what += "." + string(kind)
	if body.null {
		body.kind = mapNode
	}
	if body.kind != mapNode {
		c.add(body, what, "a map of fields", body.describe())
		return nil
	}
	for i, k := range body.keys {
		if slices.ContainsFunc(body.keys[:i], func(o *node) bool { return o.text == k.text }) {
			c.add(k, join(what, k.text), "every field once", quote(k.text)+" twice")
			continue
		}
		c.fieldOf(t, k, body.vals[i], join(what, k.text), s)
	}
	c.complete(t, body, what)
	return t
}

// over reads "each" and "columns".
func (c *compiler) over(n *node, what string, t *template, s *scope) {
	if x := n.get("each"); x != nil {
		text, ok := c.scalar(x, what+".each", "a JSONPath to the items")
		switch {
		case !ok:
		case c.csv:
			c.add(x, what+".each", "\"columns\" or \"repeat\": \"each\" is for json", quote(text))
		case text[0] != '$':
			c.add(x, what+".each", "a path from the row: $.…", quote(text))
		default:
			p, err := parsePath(text)
			if err != nil {
				c.add(x, what+".each", "JSONPath (RFC 9535)", quote(text)+": "+err.Error())
			}
			t.each, t.eachAt = p, c.path(text)
		}
		s.item, s.names = true, []string{"key"}
	}
	x := n.get("columns")
	if x == nil {
		return
	}
	s.item, s.names = true, []string{"key"}
	text, ok := c.scalar(x, what+".columns", "a pattern (RE2) with named parts")
	if !ok {
		return
	}
	re, err := regexp.Compile(`^(?:` + text + `)$`)
	if err != nil {
		c.add(x, what+".columns", "a pattern (RE2)", quote(text)+": "+err.Error())
		return
	}
	t.columns = re
	for _, name := range re.SubexpNames()[1:] {
		t.parts = append(t.parts, name)
		if name != "" {
			s.names = append(s.names, name)
		}
	}
	if !c.csv && t.each == nil {
		t.each, _ = parsePath("$") // the names of the row itself
		t.eachAt = c.path("$")
	}
}

// feet compiles the feet of an examination.
func (c *compiler) feet(t *template, n *node, what string, s *scope) {
	g := &target{
		field: feetField, typ: events.CodesField, list: codes.Find("feet"), words: []string{"all", "none"}, extra: []string{"others"},
	}
	v := c.value(n, what, g, s)
	if v == nil {
		return
	}
	t.all = v.emptyWord == "all"
	if v.place.kind != sameFoot {
		t.feet = v
	}
	if x := n.get("others"); x != nil {
		t.othersNo = c.word(x, what+".others", "unknown", "no") == "no"
	}
}

// complete checks that a template has what its kind cannot do without.
func (c *compiler) complete(t *template, body *node, what string) {
	has := func(key string) bool { return body.get(key) != nil } // a wrong one was told already
	for _, f := range t.kind.Fields() {
		if f.Lead && !has(f.Name) && !(t.kind == events.KindLocomotion && has("notScorable")) {
			c.add(body, what, "the field "+f.Name+", without which the event says nothing", "none")
		}
	}
	need := func(key string) {
		if !has(key) {
			c.add(body, what, "the field "+key, "none")
		}
	}
	switch t.kind {
	case events.KindLocomotion:
		need("scale")
	case events.KindClawMeasure, events.KindCheck:
		need("what")
	}
	// The value of a measure is read in the unit of what is measured, a score on
	// its scale: those come first.
	slices.SortStableFunc(t.fields, func(a, b field) int { return first(a.key) - first(b.key) })
	if t.kind == events.KindClawMeasure && t.lead != nil && t.lead.value.unit != nil {
		c.measureUnit(t, what)
	}
}

// take gives a template the fields of "row" that it does not have itself.
func (t *template) take(row []field) {
	for i := range row {
		key := row[i].key
		own := slices.ContainsFunc(t.fields, func(f field) bool { return f.key == key }) || t.lead != nil && t.lead.key == key
		if f := t.kind.Field(key); f != nil && settable(t.kind, f, key) && !f.Lead && !own && key != remarksField {
			t.inherit = append(t.inherit, inherited{f, i})
		}
	}
}
