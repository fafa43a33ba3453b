package mapping

import (
	"fmt"
	"regexp"
	"slices"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// This file compiles who, when and what a record is, and which rows are none.

func (c *compiler) identifiers(n *node) []identifier {
	if n.kind != mapNode || len(n.keys) == 0 {
		c.add(n, "animal", "a map of schemes to values", n.describe())
		return nil
	}
	schemes := codes.Find("schemes")
	var ids []identifier
	for i, k := range n.keys {
		what := "animal." + k.text
		if !schemes.Has(k.text) {
			c.addNear(k, what, oneOf("a scheme", k.text, schemes.Codes()), k.text, schemes.Codes())
			continue
		}
		if slices.ContainsFunc(ids, func(d identifier) bool { return d.scheme == k.text }) {
			c.add(k, what, "every scheme once", quote(k.text)+" twice")
			continue
		}
		if v := c.value(n.vals[i], what, &target{field: what, typ: events.TextField}, &scope{}); v != nil {
			ids = append(ids, identifier{k.text, v})
		}
	}
	return ids
}

func (c *compiler) occurred(n *node, what string, s *scope) *occurred {
	if !c.keys(n, what, "date", "time", "at", "layout", "pass") {
		return nil
	}
	o := new(occurred)
	date, at := n.get("date"), n.get("at")
	switch {
	case date == nil && at == nil:
		c.add(n, what, "date or at", "neither")
		return nil
	case date != nil && at != nil:
		c.add(n, what, "date or at", "both")
		return nil
	}
	if date != nil {
		o.date = c.value(date, what+".date", &target{field: "occurred.date", typ: events.DayField}, s)
		if x := n.get("time"); x != nil {
			o.time = c.value(x, what+".time", &target{field: "occurred.time", typ: events.TextField, clock: true}, s)
		}
		if x := n.get("layout"); x != nil {
			c.add(x, what+".layout", "it only beside at; of date and time each has its own", "it beside date")
		}
	} else {
		if x := n.get("time"); x != nil {
			c.add(x, what+".time", "date and time, or at alone", "time beside at")
		}
		saved := c.dates
		if x := n.get("layout"); x != nil {
			c.dates = c.layout(x, what+".layout")
		}
		o.at = c.value(at, what+".at", &target{field: "occurred.date", typ: events.MomentField}, s)
		c.dates = saved
	}
	if x := n.get("pass"); x != nil {
		o.pass = plainField(c.value(x, what+".pass", &target{field: "pass", typ: events.IntegerField}, s))
	}
	return o
}

func (c *compiler) record(root *node, in *Inward) {
	n := root.get("record")
	if n == nil {
		c.add(root, "record", "how a record is known again: {key: …}, {examination: …} or {identifier: […]}", "nothing")
		return
	}
	if !c.keys(n, "record", "key", "examination", "identifier", "group") {
		return
	}
	r := &in.record
	given := 0
	text := &target{field: "record", typ: events.TextField}
	if x := n.get("key"); x != nil {
		given++
		r.own = c.value(x, "record.key", text, &scope{})
	}
	if x := n.get("examination"); x != nil {
		given++
		r.examination = c.value(x, "record.examination", text, &scope{})
	}
	if x := n.get("identifier"); x != nil {
		given++
		for _, s := range c.strings(x, "record.identifier", "a scheme") {
			if a := root.get("animal"); a != nil && a.get(s) == nil {
				c.add(x, "record.identifier", "a scheme that stands under \"animal\"", quote(s))
			}
			r.schemes = append(r.schemes, s)
		}
	}
	if given != 1 {
		c.add(n, "record", "one of key, examination and identifier", fmt.Sprintf("%d of them", given))
	}
	if x := n.get("group"); x != nil {
		list := []*node{x}
		if x.kind == listNode {
			list = x.vals
		}
		for _, y := range list {
			if v := c.value(y, "record.group", text, &scope{}); v != nil {
				r.group = append(r.group, v)
			}
		}
		if in.layout.Each != "" {
			c.add(x, "record.group", "rows of csv or lines of ndjson to group", "elements of a document")
		}
	}
}

// ignored reads the rules that ignore rows and the total line.
func (c *compiler) ignored(root *node, in *Inward) {
	if n := root.get("ignore"); n != nil {
		if n.kind != listNode {
			c.add(n, "ignore", "a list of rules {if: …, why: …}", n.describe())
			return
		}
		for i, x := range n.vals {
			in.ignore = append(in.ignore, c.ignoreRule(x, fmt.Sprintf("ignore[%d]", i+1)))
		}
	}
	read := root.get("read")
	if read == nil {
		return
	}
	n := read.get("total")
	if n == nil || !c.csv || !c.keys(n, "read.total", "if", "count", "of") {
		return
	}
	t := &total{of: "rows"}
	if x := n.get("if"); x != nil {
		t.conds = c.conds(x, "read.total.if", nil, &scope{})
	} else {
		c.add(n, "read.total.if", "how the total line is known", "nothing")
	}
	if x := n.get("count"); x != nil {
		t.count = c.value(x, "read.total.count", &target{field: "total", typ: events.IntegerField}, &scope{})
	}
	if x := n.get("of"); x != nil {
		t.of = c.word(x, "read.total.of", "animals", "rows", "records")
	} else if t.count != nil {
		c.add(n, "read.total.of", "what is counted: animals, rows or records", "nothing")
	}
	in.total = t
}

func (c *compiler) ignoreRule(n *node, what string) (r ignoreRule) {
	if !c.keys(n, what, "if", "line", "why") {
		return r
	}
	if x := n.get("if"); x != nil {
		r.conds = c.conds(x, what+".if", nil, &scope{})
	}
	if x := n.get("line"); x != nil {
		text, ok := c.scalar(x, what+".line", "a pattern (RE2) for the whole line")
		re, err := regexp.Compile(text)
		if ok && err != nil {
			c.add(x, what+".line", "a pattern (RE2)", quote(text)+": "+err.Error())
		}
		r.line = re
	}
	if n.get("if") == nil && n.get("line") == nil {
		c.add(n, what, "if or line", "neither")
	}
	if x := n.get("why"); x != nil {
		r.why, _ = c.scalar(x, what+".why", "why such a row is nothing")
	} else {
		c.add(n, what+".why", "why such a row is nothing", "nothing")
	}
	return r
}

func (c *compiler) completeness(root *node, in *Inward) {
	n := root.get("complete")
	if n == nil || !c.keys(n, "complete", "by", "scope", "as-of", "brake") {
		return
	}
	k := &completeness{brake: defaultBrake}
	if x := n.get("by"); x != nil {
		c.word(x, "complete.by", "day")
	} else {
		c.add(n, "complete.by", "day", "nothing")
	}
	whole := &scope{doc: true}
	if x := n.get("scope"); x != nil {
		k.scope = c.value(x, "complete.scope", &target{field: "scope", typ: events.TextField}, whole)
	}
	if x := n.get("as-of"); x != nil {
		k.asOf = c.value(x, "complete.as-of", &target{field: "as-of", typ: events.MomentField}, whole)
	}
	if x := n.get("brake"); x != nil {
		k.brake = c.whole(x, "complete.brake", 0, 1_000_000)
	}
	in.complete = k
}
