package mapping

// A coverage notes which words of the tables were met.
type coverage struct {
	met map[*table]map[int]bool
}

func (c *coverage) word(t *table, i int) {
	if c.met[t] == nil {
		c.met[t] = map[int]bool{}
	}
	c.met[t][i] = true
}
