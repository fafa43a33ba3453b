package mapping

import (
	"slices"

	"cel.dev/cel-go/cel"

	"dewclaw/events"
)

// A cond is one condition of an "if".
type cond struct {
	value *value
	words []string
	any   bool        // "*": something is there
	expr  *expression // instead of a value
}

// A test is a place that some "if" tests for words: it accepts only the words
// that the mapping knows.
type test struct {
	value *value
	field string // for messages
	each  string // path of the items it belongs to; "" for the row
	words []string
	free  bool // every word is accepted
}

// conds compiles an "if": all of its conditions must hold. t is the template it
// belongs to, or nil for one that only picks rows out: such an "if" knows its
// words but does not refuse others.
func (c *compiler) conds(n *node, what string, t *template, s *scope) []cond {
	if n.kind != mapNode || len(n.keys) == 0 {
		c.add(n, what, "a map of columns or paths to words", n.describe())
		return nil
	}
	var out []cond
	for i, k := range n.keys {
		if k.text == "cel" {
			if x := c.expression(n.vals[i], what+".cel", cel.BoolType); x != nil {
				out = append(out, cond{expr: x})
			}
			continue
		}
		v := &value{target: &target{field: "if", typ: events.TextField}, node: k}
		if k.text == "" || !c.short(k, what, k.text, s, &v.place) {
			continue
		}
		if v.place.kind == constant {
			c.add(k, what, "a place to read from", quote(k.text))
			continue
		}
		x := cond{value: v}
		for _, w := range c.strings(n.vals[i], join(what, k.text), "a word, \"*\" for any or \"\" for none") {
			if w == "*" {
				x.any = true
			}
			x.words = append(x.words, w)
		}
		c.tested(&x, t)
		out = append(out, x)
	}
	return out
}

// tested notes the words a condition knows.
func (c *compiler) tested(x *cond, t *template) {
	if t == nil {
		c.known = append(c.known, x)
		return
	}
	each := ""
	if t.each != nil {
		each = t.each.query.String()
	} else if t.columns != nil {
		each = inColumns
	}
	i := slices.IndexFunc(c.tests, func(o *test) bool {
		return o.value.place.same(&x.value.place) && (o.each == each || x.value.place.kind != inItem)
	})
	if i < 0 {
		i = len(c.tests)
		c.tests = append(c.tests, &test{value: x.value, field: string(t.kind), each: each})
	}
	o := c.tests[i]
	o.words = append(o.words, x.words...)
	o.free = o.free || x.any
}

// inColumns stands for the items of all "columns" of csv: several may find the
// same column.
const inColumns = "columns"

// settleTests adds what the tables and fields of the mapping know of the tested
// places.
func (c *compiler) settleTests() {
	for _, o := range c.tests {
		for _, x := range c.known {
			if x.value.place.same(&o.value.place) {
				o.words = append(o.words, x.words...)
			}
		}
		for _, v := range c.values {
			if !v.place.same(&o.value.place) {
				continue
			}
			switch {
			case v.pattern != nil || v.split != "":
				o.free = true
			case v.table != nil && !v.ignoreCase:
				o.words = append(o.words, v.table.words...)
			case v.target.isCode() && v.target.list != nil && v.table == nil:
				o.words = append(o.words, v.target.list.Codes()...)
			default:
				o.free = true
			}
		}
		slices.Sort(o.words)
		o.words = slices.DeleteFunc(slices.Compact(o.words), func(w string) bool { return w == "" || w == "*" })
	}
}
