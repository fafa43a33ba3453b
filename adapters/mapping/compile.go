package mapping

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"cel.dev/cel-go/cel"
	"golang.org/x/text/unicode/norm"
)

// A compiler turns the nodes of one mapping into what runs. It goes on after a
// mistake, so that all are told at once.
type compiler struct {
	faults
	csv         bool    // rows are cells
	dates       *layout // layout of every date that has none of its own; nil if there is none
	times       *layout
	mark        byte // decimal mark
	months      []string
	tables      map[string]*table
	tableNames  []string
	columns     []*column
	paths       []string // of json
	cel         *cel.Env
	expressions []*expression
	tests       []*test
	known       []*cond // of "ignore" and "total"
	pass        *field  // of an examination; nil if there is none
	values      []*value
}

// A column is a column a mapping reads, by name or by number.
type column struct {
	name   string // in NFC
	raw    string // as the mapping has it
	number int    // from 1; 0 if it is named
	node   *node
}

func (c *column) String() string {
	if c.number > 0 {
		return strconv.Itoa(c.number)
	}
	return c.name
}

func (c *compiler) column(n *node, name string) int {
	number := 0
	if d, err := strconv.Atoi(name); err == nil && !n.quoted {
		if number = d; d < 1 || d > 10_000 {
			c.add(n, "column", "a number from 1 to 10000", name)
			number = 1
		}
		name = ""
	}
	raw := name
	name = norm.NFC.String(name)
	i := slices.IndexFunc(c.columns, func(x *column) bool { return x.name == name && x.number == number })
	if i < 0 {
		i = len(c.columns)
		c.columns = append(c.columns, &column{name, raw, number, n})
	}
	return i
}

func (c *compiler) addNear(n *node, what, wanted, got string, candidates []string) {
	var hints []string
	if w := near(got, candidates); w != "" {
		hints = []string{fmt.Sprintf("did you mean %q?", w)}
	}
	c.add(n, what, wanted, quote(got), hints...)
}

// describe says what a node is, for a message.
func (n *node) describe() string {
	switch {
	case n.null:
		return "nothing"
	case n.kind == scalarNode:
		return quote(n.text)
	}
	return n.kind.String()
}

// keys checks that n is a map with known keys only, each once, and reports
// whether it is a map.
func (c *compiler) keys(n *node, what string, known ...string) bool {
	if n.kind != mapNode {
		c.add(n, what, "a map with "+listed(known), n.describe())
		return false
	}
	for i, k := range n.keys {
		if !slices.Contains(known, k.text) {
			c.addNear(k, join(what, k.text), "one of the keys "+listed(known), k.text, known)
		}
		if slices.ContainsFunc(n.keys[:i], func(o *node) bool { return o.text == k.text }) {
			c.add(k, join(what, k.text), "every key once", quote(k.text)+" twice")
		}
	}
	return true
}

func listed(words []string) string { return strings.Join(words, ", ") }

func join(what, key string) string {
	if what == "" {
		return key
	}
	return what + "." + key
}

// scalar returns the text of n, which must be a value.
func (c *compiler) scalar(n *node, what, wanted string) (string, bool) {
	if n.kind != scalarNode || n.null || n.text == "" {
		c.add(n, what, wanted, n.describe())
		return "", false
	}
	return n.text, true
}

// word returns the text of n, which must be one of the words.
func (c *compiler) word(n *node, what string, words ...string) string {
	wanted := words[0]
	if len(words) > 1 {
		wanted = "one of " + listed(words)
	}
	s, ok := c.scalar(n, what, wanted)
	if ok && !slices.Contains(words, s) {
		c.addNear(n, what, wanted, s, words)
		ok = false
	}
	if !ok {
		return words[0]
	}
	return s
}

func (c *compiler) truth(n *node, what string) bool {
	return c.word(n, what, "false", "true") == "true"
}

func (c *compiler) whole(n *node, what string, least, most int) int {
	s, ok := c.scalar(n, what, fmt.Sprintf("a number from %d to %d", least, most))
	d, err := strconv.Atoi(s)
	if ok && (err != nil || d < least || d > most) {
		c.add(n, what, fmt.Sprintf("a number from %d to %d", least, most), quote(s))
	}
	return min(max(d, least), most)
}

// strings returns the texts of n, a value or a list of values.
func (c *compiler) strings(n *node, what, wanted string) []string {
	list := []*node{n}
	if n.kind == listNode {
		list = n.vals
	}
	var out []string
	for _, v := range list {
		if v.kind != scalarNode || v.null {
			c.add(v, what, wanted, v.describe())
			continue
		}
		out = append(out, v.text)
	}
	return out
}

// layout reads a layout, or a list of them of which the first that fits counts.
func (c *compiler) layout(n *node, what string) *layout {
	if n.kind != listNode {
		return c.oneLayout(n, what)
	}
	if len(n.vals) == 0 {
		c.add(n, what, "a layout such as YYYY-MM-DD, or several", "an empty list")
		return nil
	}
	l := c.oneLayout(n.vals[0], what)
	for _, x := range n.vals[1:] {
		o := c.oneLayout(x, what)
		if l == nil || o == nil {
			continue
		}
		if l.special != "" || o.special != "" || l.date != o.date {
			c.add(x, what, "layouts that are all of dates, or all of times of day, written out", quote(o.text)+" beside "+quote(l.text))
			continue
		}
		l.others = append(l.others, o)
	}
	return l
}

func (c *compiler) oneLayout(n *node, what string) *layout {
	s, ok := c.scalar(n, what, "a layout such as YYYY-MM-DD")
	if !ok {
		return nil
	}
	l, err := parseLayout(s, c.months)
	if err != nil {
		c.add(n, what, "a layout such as YYYY-MM-DD or HH:mm", quote(s)+", "+err.Error())
		return nil
	}
	return l
}

// decimal reads a decimal mark.
func (c *compiler) decimal(n *node, what string) byte {
	if w := c.word(n, what, ".", ","); w != "" {
		return w[0]
	}
	return '.'
}
