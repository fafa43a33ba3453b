package mapping

import "strings"

// nothing is the word of a table for "says nothing".
const nothing = "-"

// A table is a code table: source words to what they mean.
type table struct {
	name   string // "" for one in place
	node   *node
	words  []string // in the order of the file
	codes  []string // one for each word
	index  map[string]int
	folded map[string]int // words in lower case, made when somebody ignores case
}

func newTable(name string, n *node) *table {
	return &table{name: name, node: n, index: make(map[string]int, len(n.keys))}
}

// find returns the place of a word, or -1.
func (t *table) find(word string, ignoreCase bool) int {
	if i, ok := t.index[word]; ok {
		return i
	}
	if ignoreCase {
		if i, ok := t.folded[strings.ToLower(word)]; ok {
			return i
		}
	}
	return -1
}

// fold makes the words findable without case; two words that differ in nothing
// else are a mistake, of which it returns the second.
func (t *table) fold() string {
	if t.folded != nil {
		return ""
	}
	t.folded = make(map[string]int, len(t.words))
	for i, w := range t.words {
		low := strings.ToLower(w)
		if j, ok := t.folded[low]; ok && t.codes[i] != t.codes[j] {
			return w
		}
		t.folded[low] = i
	}
	return ""
}

// compileTable reads a table in place or by name. check says what is wrong with
// a code, or "".
func (c *compiler) table(n *node, what string, check func(code string) string) *table {
	if n.kind == scalarNode {
		t := c.tables[n.text]
		if t == nil {
			c.addNear(n, what, "the name of a table under \"tables\"", n.text, c.tableNames)
			return nil
		}
		c.checkCodes(t, what, check)
		return t
	}
	t := c.readTable("", n, what)
	if t != nil {
		c.checkCodes(t, what, check)
	}
	return t
}

func (c *compiler) readTable(name string, n *node, what string) *table {
	if n.kind != mapNode || len(n.keys) == 0 {
		c.add(n, what, "a map of words to codes", n.describe())
		return nil
	}
	t := newTable(name, n)
	for i, k := range n.keys {
		v := n.vals[i]
		if _, twice := t.index[k.text]; twice {
			c.add(k, what, "every word once", quote(k.text)+" twice")
			continue
		}
		if v.kind != scalarNode || v.null {
			c.add(v, what+"."+k.text, "a code, or \"-\" for nothing", v.describe())
			continue
		}
		t.index[k.text] = len(t.words)
		t.words = append(t.words, k.text)
		t.codes = append(t.codes, v.text)
	}
	return t
}

// checkCodes checks that a table maps to known codes only.
func (c *compiler) checkCodes(t *table, what string, check func(code string) string) {
	if check == nil {
		return
	}
	for i, code := range t.codes {
		if code == nothing {
			continue
		}
		if wanted := check(code); wanted != "" {
			where := t.node.get(t.words[i])
			c.add(where, what+"."+t.words[i], wanted, quote(code))
		}
	}
}
