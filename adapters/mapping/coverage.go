package mapping

import "slices"

// A coverage notes which words of the tables were met.
type coverage struct {
	met map[metWord]bool
}

// A metWord is a word by its place in the file: tables of "repeat" stand there
// once.
type metWord struct{ line, col, word int }

func (c *coverage) word(t *table, i int) { c.met[metWord{t.node.line, t.node.col, i}] = true }

// unmet returns the words of tables that were not met: for a table by name with
// its name, for one in place with the column it is read from.
func (in *Inward) unmet(c *coverage) []string {
	var out []string
	done := map[metWord]bool{}
	for _, v := range in.values {
		t := v.table
		if t == nil || done[metWord{t.node.line, t.node.col, 0}] {
			continue
		}
		done[metWord{t.node.line, t.node.col, 0}] = true
		name := t.name
		if name == "" {
			name = v.place.text
		}
		for i, w := range t.words {
			s := name + ": " + w
			if !c.met[metWord{t.node.line, t.node.col, i}] && !slices.Contains(out, s) {
				out = append(out, s)
			}
		}
	}
	return out
}
