package schema

// This file judges a value by the schemas that stand beside the one that walks
// it: allOf, anyOf, oneOf, not, if.

// everything says of an object that any member may be there.
const everything = ^uint64(0)

func (n *node) judgeInPlace(t *tape, i int32, seen uint64) verdict {
	worst := yes
	for j, x := range n.all {
		if seen&n.needs[j] != n.needs[j] {
			continue
		}
		if worst = least(worst, x.judge(t, i)); worst == no {
			return no
		}
	}
	for j := range n.switches {
		if seen&n.switches[j].needs != n.switches[j].needs {
			continue
		}
		if worst = least(worst, n.switches[j].judge(t, i)); worst == no {
			return no
		}
	}
	if n.any != nil {
		best := no
		for _, x := range n.any {
			v := x.judge(t, i)
			if v == yes {
				best = yes
				break
			}
			if v == unsure {
				best = unsure
			}
		}
		worst = least(worst, best)
	}
	if n.one != nil {
		worst = least(worst, n.judgeOne(t, i))
	}
	if n.not != nil {
		worst = least(worst, opposite(n.not.judge(t, i)))
	}
	if n.cond != nil {
		worst = least(worst, n.judgeCondition(t, i))
	}
	return worst
}

func opposite(v verdict) verdict {
	switch v {
	case yes:
		return no
	case no:
		return yes
	}
	return unsure
}

func (n *node) judgeOne(t *tape, i int32) verdict {
	hits := 0
	for _, x := range n.one {
		switch x.judge(t, i) {
		case unsure:
			return unsure
		case yes:
			hits++
		}
	}
	if hits == 1 {
		return yes
	}
	return no
}

func (n *node) judgeCondition(t *tape, i int32) verdict {
	branch := n.then
	switch n.cond.judge(t, i) {
	case unsure:
		return unsure
	case no:
		branch = n.otherwise
	}
	if branch == nil {
		return yes
	}
	return branch.judge(t, i)
}

func (c *choice) judge(t *tape, i int32) verdict {
	if t.tokens[i].kind != kindObject {
		return yes
	}
	v := t.member(i, c.member)
	if v < 0 || t.tokens[v].kind != kindString {
		return yes
	}
	if t.tokens[v].escaped {
		return unsure
	}
	worst := yes
	for _, x := range c.then[string(t.bytes(v))] {
		if worst = least(worst, x.judge(t, i)); worst == no {
			return no
		}
	}
	return worst
}

// member returns the value of the first member of that name, or -1.
func (t *tape) member(object int32, name string) int32 {
	end := t.tokens[object].next
	for j := object + 1; j < end; j = t.tokens[j+1].next {
		k := &t.tokens[j]
		if int(k.end-k.start) == len(name) && string(t.src[k.start:k.end]) == name {
			return j + 1
		}
	}
	return -1
}
