package mapping

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"cel.dev/cel-go/cel"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A placeKind says where a value is read from.
type placeKind uint8

const (
	inColumn placeKind = iota // a cell of the row
	inRow                     // JSONPath from the row
	inDoc                     // JSONPath from the document
	inItem                    // JSONPath from the item of "each"; the cell of "columns"
	inTitle                   // a title line
	inName                    // a part of a column's or key's name
	inCEL                     // an expression
	constant                  // the mapping itself
	sameFoot                  // the foot of the row
)

// A place is what a value is read from.
type place struct {
	kind  placeKind
	text  string      // as people know it: the column, the path, "title 1"
	at    int         // column or path: index in those of the mapping; title: from 0; name: index of the part
	path  *jsonPath   // nil for the item itself
	up    int         // steps of the path above the item
	expr  *expression // CEL
	fixed string      // constant
}

// same reports whether two places are one.
func (p *place) same(o *place) bool { return p.kind == o.kind && p.text == o.text }

// A target is what a value is for: it decides what the value may be.
type target struct {
	field string           // neutral field, for messages
	typ   events.FieldType // what comes out
	list  *codes.List      // of codes; nil for free values
	unit  string           // neutral unit of a number; "" for none
	words []string         // words that "empty" may have, explained by the target
	sides bool             // a claw: left and right are codes too
	clock bool             // a time of day: the layout is one of times
	extra []string         // more keys of the long form, read by the caller
}

// isList reports whether the target takes several values.
func (t *target) isList() bool {
	switch t.typ {
	case events.TextsField, events.CodesField, events.DaysField, events.IntegersField:
		return true
	}
	return false
}

// isCode reports whether the target takes codes.
func (t *target) isCode() bool { return t.typ == events.CodeField || t.typ == events.CodesField }

func (t *target) isNumber() bool {
	return t.typ == events.DecimalField || t.typ == events.IntegerField
}

func (t *target) isTime() bool {
	return t.typ == events.DayField || t.typ == events.DaysField || t.typ == events.MomentField || t.clock
}

// sideSchemes are the claw schemes a mapping may declare: those whose words say
// nothing of the foot. Numbers of claws are two tables over one column.
var sideSchemes = []string{"from-behind", "from-front", "medial-lateral"}

// isSide reports whether a word is one of a scheme, beside the codes of a claw.
func isSide(s string) bool {
	switch strings.TrimPrefix(s, "dewclaw-") {
	case "left", "right", "medial", "lateral":
		return true
	}
	return false
}

// sideWords are the words of a scheme; of any of them for "".
func sideWords(scheme string) []string {
	var out []string
	for _, code := range sideSchemes {
		if scheme != "" && scheme != code {
			continue
		}
		for _, w := range codes.ClawSchemes().Get(code).Words {
			if !slices.Contains(out, w) {
				out = append(out, w)
			}
		}
	}
	return out
}

// check says what was wanted instead of a code in a table, or "".
func (t *target) check(code string) string {
	switch {
	case t.isCode() && t.list != nil:
		if t.list.Has(code) || t.sides && isSide(code) {
			return ""
		}
		words := t.list.Codes()
		if t.sides {
			words = append(slices.Clone(words), sideWords("")...)
		}
		return oneOf("a code of "+t.list.Name, code, words)
	case t.typ == events.TruthField:
		if code != "true" {
			return "true, or \"-\" for nothing"
		}
	case t.typ == events.IntegersField || t.typ == events.IntegerField:
		if n, err := strconv.Atoi(code); err != nil || n < 0 {
			return "a whole number"
		}
	}
	return ""
}

// A value is a compiled value of the language.
type value struct {
	place      place
	pattern    *regexp.Regexp
	split      string
	empty      *value // nil if there is none
	emptyWord  string // one of the target's words
	table      *table
	ignoreCase bool
	layout     *layout
	unit       *codes.Unit
	mark       byte
	fractions  bool
	target     *target
	node       *node
}

// sides returns the words of claw schemes that the mapping itself makes of the
// value.
func (v *value) sides() []string {
	var out []string
	if v.place.kind == constant && isSide(v.place.fixed) {
		out = append(out, v.place.fixed)
	}
	if v.table != nil {
		for _, s := range v.table.codes {
			if isSide(s) {
				out = append(out, s)
			}
		}
	}
	return out
}

// A scope is where a value stands: what it may read beside the row.
type scope struct {
	item  bool     // within "each" or "columns"
	names []string // parts of the name; nil if there is none
	doc   bool     // only the document, titles and constants: not the row
}

var longKeys = []string{
	"from", "title", "name", "cel", "up", "pattern", "split", "empty", "table", "ignore-case", "layout", "unit", "decimal", "fractions",
}

// value compiles a value in its short or long form. It returns nil after a
// mistake that leaves nothing to run.
func (c *compiler) value(n *node, what string, t *target, s *scope) *value {
	v := &value{target: t, node: n, mark: c.mark}
	if n.kind != mapNode {
		text, ok := c.scalar(n, what, c.shortForms(s))
		if !ok || !c.short(n, what, text, s, &v.place) {
			return nil
		}
		return c.finish(v, what)
	}
	if !c.keys(n, what, append(slices.Clone(longKeys), t.extra...)...) {
		return nil
	}
	if !c.source(n, what, s, v) {
		return nil
	}
	c.refine(n, what, s, v)
	return c.finish(v, what)
}

// finish settles what depends on several keys.
func (c *compiler) finish(v *value, what string) *value {
	t := v.target
	if t.isTime() && v.layout == nil && v.place.kind != constant {
		v.layout = c.dates
		if t.clock {
			v.layout = c.times
		}
		if v.layout == nil {
			c.add(v.node, what, "a layout, here or for all as \"dates\" or \"times\"", "none")
			return nil
		}
	}
	if v.layout != nil && v.place.kind != constant {
		switch {
		case t.clock && v.layout.special == "" && (v.layout.date || !v.layout.clock):
			c.add(v.node, what, "a layout of a time of day", quote(v.layout.text))
		case (t.typ == events.DayField || t.typ == events.DaysField) && !t.clock && !v.layout.date:
			c.add(v.node, what, "a layout of a date", quote(v.layout.text))
		case t.typ == events.MomentField && !v.layout.date:
			c.add(v.node, what, "a layout with a date", quote(v.layout.text))
		}
	}
	c.values = append(c.values, v)
	return v
}

func (c *compiler) shortForms(s *scope) string {
	switch {
	case c.csv:
		return "a column by name or number, or =constant"
	case !s.item:
		return "$.path from the row, ^.path from the document, or =constant (.path from an item only within \"each\")"
	}
	return "$.path from the row, ^.path from the document, .path from the item, or =constant"
}

// short reads a short form.
func (c *compiler) short(n *node, what, text string, s *scope, p *place) bool {
	if rest, ok := strings.CutPrefix(text, "="); ok {
		*p = place{kind: constant, text: text, fixed: rest}
		return true
	}
	if c.csv {
		if text == "." && s.item {
			*p = place{kind: inItem, text: "."}
			return true
		}
		if s.doc {
			c.add(n, what, "a title line or =constant: this is the same for all rows", quote(text))
			return false
		}
		*p = place{kind: inColumn, text: text, at: c.column(n, text)}
		return true
	}
	query := ""
	switch {
	case text[0] == '$':
		p.kind, query = inRow, text
	case text[0] == '^':
		p.kind, query = inDoc, "$"+text[1:]
	case text[0] == '.' && s.item:
		p.kind, query = inItem, "$"+text
		if text == "." {
			query = "$"
		}
		if strings.HasPrefix(text, ".[") {
			query = "$" + text[1:]
		}
	default:
		c.add(n, what, c.shortForms(s), quote(text))
		return false
	}
	if s.doc && p.kind != inDoc {
		c.add(n, what, "^.path from the document or =constant: this is the same for all rows", quote(text))
		return false
	}
	path, err := parsePath(query)
	if err != nil {
		c.add(n, what, "JSONPath (RFC 9535)", quote(text)+": "+err.Error())
		return false
	}
	p.text, p.path, p.at = text, path, c.path(text)
	return true
}

// source reads the place of a long form: exactly one of from, title, name, cel.
func (c *compiler) source(n *node, what string, s *scope, v *value) bool {
	var given []*node
	for _, k := range []string{"from", "title", "name", "cel"} {
		if x := n.get(k); x != nil {
			given = append(given, x)
		}
	}
	if len(given) == 0 && v.target.field == feetField {
		v.place = place{kind: sameFoot, text: "the foot of the row"}
		return true
	}
	if len(given) != 1 {
		c.add(n, what, "one of from, title, name and cel", strconv.Itoa(len(given))+" of them")
		return false
	}
	p := &v.place
	switch {
	case n.get("from") != nil:
		text, ok := c.scalar(given[0], what+".from", c.shortForms(s))
		if !ok || !c.short(given[0], what+".from", text, s, p) {
			return false
		}
	case n.get("title") != nil:
		if !c.csv {
			c.add(given[0], what+".title", "a title line, which only csv has", given[0].describe())
			return false
		}
		k := c.whole(given[0], what+".title", 1, 1000)
		*p = place{kind: inTitle, text: fmt.Sprintf("title %d", k), at: k - 1}
	case n.get("name") != nil:
		if !c.name(given[0], what+".name", s, p) {
			return false
		}
	default:
		p.expr = c.expression(given[0], what+".cel", cel.StringType, cel.IntType, cel.UintType, cel.DoubleType, cel.BoolType, cel.NullType)
		if p.kind = inCEL; p.expr == nil {
			return false
		}
		p.text = p.expr.column()
	}
	if up := n.get("up"); up != nil {
		if !s.item || c.csv || p.kind != inItem && p.kind != inName {
			c.add(up, what+".up", "\"up\" beside a .path or a name, within \"each\"", up.describe())
			return false
		}
		p.up = c.whole(up, what+".up", 1, maxNesting)
	}
	return true
}

// name reads a part of the name of a column or key.
func (c *compiler) name(n *node, what string, s *scope, p *place) bool {
	text, ok := c.scalar(n, what, "a part of the name")
	if !ok {
		return false
	}
	i := slices.Index(s.names, text)
	if i < 0 {
		wanted := "a part of a name, which stands only within \"columns\" or \"each\""
		if s.names != nil {
			wanted = oneOf("a part of the name", text, s.names)
		}
		c.add(n, what, wanted, quote(text))
		return false
	}
	*p = place{kind: inName, text: text + " in the name", at: i}
	return true
}

func (c *compiler) expression(n *node, what string, want ...*cel.Type) *expression {
	text, ok := c.scalar(n, what, "a CEL expression")
	if !ok {
		return nil
	}
	if c.cel == nil {
		env, err := celEnv(c.csv)
		if err != nil {
			c.add(n, what, "CEL", err.Error())
			return nil
		}
		c.cel = env
	}
	x, err := compile(c.cel, c.csv, text, want...)
	if err != nil {
		got := err.Error()
		var e *celError
		if errors.As(err, &e) {
			got = fmt.Sprintf("%s (line %d, column %d of the expression)", e.message, e.line, e.col)
		}
		c.add(n, what, "a CEL expression", got)
		return nil
	}
	c.expressions = append(c.expressions, x)
	return x
}

// refine reads what a long form does with the text.
func (c *compiler) refine(n *node, what string, s *scope, v *value) {
	t := v.target
	if x := n.get("pattern"); x != nil {
		if text, ok := c.scalar(x, what+".pattern", "a pattern (RE2)"); ok {
			re, err := regexp.Compile(text)
			if err != nil {
				c.add(x, what+".pattern", "a pattern (RE2)", quote(text)+": "+err.Error())
			}
			v.pattern = re
		}
	}
	if x := n.get("split"); x != nil && c.only(x, what+".split", t.isList(), "a value that may be several") {
		v.split, _ = c.scalar(x, what+".split", "what stands between the values")
	}
	if x := n.get("table"); x != nil {
		v.table = c.table(x, what+".table", t.check)
	}
	if x := n.get("ignore-case"); x != nil {
		v.ignoreCase = c.truth(x, what+".ignore-case")
		if v.ignoreCase && v.table != nil {
			if w := v.table.fold(); w != "" {
				c.add(x, what+".ignore-case", "words that differ in more than case", quote(w))
			}
		}
	}
	if x := n.get("layout"); x != nil && c.only(x, what+".layout", t.isTime(), "a date or a time") {
		v.layout = c.layout(x, what+".layout")
	}
	if x := n.get("unit"); x != nil && c.only(x, what+".unit", t.typ == events.DecimalField, "a measured value") {
		v.unit = c.unit(x, what+".unit", t)
	}
	if x := n.get("decimal"); x != nil && c.only(x, what+".decimal", t.isNumber() || t.isTime(), "a number") {
		v.mark = c.decimal(x, what+".decimal")
	}
	if x := n.get("fractions"); x != nil && c.only(x, what+".fractions", t.typ == events.DecimalField, "a number") {
		v.fractions = c.truth(x, what+".fractions")
	}
	if x := n.get("empty"); x != nil {
		if slices.Contains(t.words, x.text) && x.kind == scalarNode {
			v.emptyWord = x.text
		} else if x.kind == scalarNode {
			v.empty = c.fallback(x, what+".empty", s, v)
		} else {
			c.add(x, what+".empty", "a short form", x.describe())
		}
	}
}

// only reports whether a key belongs to the kind of value it stands at.
func (c *compiler) only(n *node, what string, fits bool, wanted string) bool {
	if !fits {
		c.add(n, what, "it only at "+wanted, "it here")
	}
	return fits
}

// fallback compiles the value of "empty": a constant stands for itself, a place
// is read like the value it stands in for.
func (c *compiler) fallback(n *node, what string, s *scope, v *value) *value {
	text, ok := c.scalar(n, what, "a short form"+orWords(v.target.words))
	e := *v
	e.empty, e.emptyWord, e.pattern, e.node = nil, "", nil, n
	if !ok || !c.short(n, what, text, s, &e.place) {
		return nil
	}
	return &e
}

func orWords(words []string) string {
	if len(words) == 0 {
		return ""
	}
	return " or one of " + listed(words)
}

func (c *compiler) unit(n *node, what string, t *target) *codes.Unit {
	text, ok := c.scalar(n, what, "a UCUM unit")
	if !ok {
		return nil
	}
	u := codes.Units().Get(text)
	if u == nil {
		c.add(n, what, oneOf("a UCUM unit", text, codes.Units().Codes()), quote(text))
		return nil
	}
	if t.unit != "" && t.unit != u.Neutral {
		c.add(n, what, "a unit of "+t.unit, quote(text)+", a unit of "+u.Neutral)
		return nil
	}
	return u
}
