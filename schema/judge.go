package schema

import "unicode/utf8"

// A verdict of the fast check. Unsure is always allowed: the schema library
// then decides.
type verdict uint8

const (
	unsure verdict = iota
	yes
	no
)

// judge judges value i of the tape by n.
func (n *node) judge(t *tape, i int32) verdict {
	if n.unsure {
		return unsure
	}
	if n.never {
		return no
	}
	k := &t.tokens[i]
	if n.kinds != 0 && n.kinds&setOf(k.kind) == 0 {
		return no
	}
	worst := yes
	if n.hasEnum {
		worst = n.judgeEnum(t, i)
		if worst == no {
			return no
		}
	}
	var v verdict
	seen := everything
	switch k.kind {
	case kindString, kindName:
		v = n.judgeText(t, i)
	case kindNumber:
		v = n.judgeNumber(t, i)
	case kindObject:
		v, seen = n.judgeObject(t, i)
	case kindArray:
		v = n.judgeArray(t, i)
	default:
		v = yes
	}
	if worst = least(worst, v); worst == no {
		return no
	}
	if !n.inPlace {
		return worst
	}
	return least(worst, n.judgeInPlace(t, i, seen))
}

// least is the conjunction of two verdicts.
func least(a, b verdict) verdict {
	switch {
	case a == no || b == no:
		return no
	case a == unsure || b == unsure:
		return unsure
	}
	return yes
}

func setOf(kind byte) kindSet {
	switch kind {
	case kindObject:
		return setObject
	case kindArray:
		return setArray
	case kindString, kindName:
		return setString
	case kindNumber:
		return setNumber
	case kindNull:
		return setNull
	}
	return setBoolean
}

func (n *node) judgeEnum(t *tape, i int32) verdict {
	k := &t.tokens[i]
	b := t.src[k.start:k.end]
	switch k.kind {
	case kindString, kindName:
		if k.escaped {
			return unsure
		}
		if n.many != nil {
			if n.many[string(b)] {
				return yes
			}
			return no
		}
		for _, s := range n.texts {
			if string(b) == s {
				return yes
			}
		}
		return no
	case kindNumber:
		v, ok := boundOf(b)
		if !ok || !k.plain {
			return unsure
		}
		for _, w := range n.numbers {
			c, ok := v.cmp(w)
			if !ok {
				return unsure
			}
			if c == 0 {
				return yes
			}
		}
		return no
	case kindTrue, kindFalse, kindNull:
		for _, x := range n.truths {
			if x == k.kind {
				return yes
			}
		}
		return no
	}
	return unsure
}

func (n *node) judgeText(t *tape, i int32) verdict {
	k := &t.tokens[i]
	b := t.src[k.start:k.end]
	if n.minRunes == 1 && len(b) > 0 && n.maxRunes < 0 {
		// at least one character, escaped or not
	} else if n.minRunes > 0 || n.maxRunes >= 0 {
		switch runes := utf8.RuneCount(b); {
		case k.escaped: // an escape is one character, so there are fewer than runes and at least one
			if n.minRunes > 1 || n.maxRunes >= 0 && runes > n.maxRunes {
				return unsure
			}
		case runes < n.minRunes, n.maxRunes >= 0 && runes > n.maxRunes:
			return no
		}
	}
	if n.pattern == nil && n.format == nil {
		return yes
	}
	if k.escaped {
		return unsure
	}
	if n.pattern != nil && !n.pattern(b) {
		return no
	}
	if n.format != nil {
		return n.format(b)
	}
	return yes
}

func (n *node) judgeNumber(t *tape, i int32) verdict {
	k := &t.tokens[i]
	if !k.plain {
		return unsure
	}
	if !n.integer && n.low == nil && n.high == nil && n.over == nil && n.under == nil {
		return yes
	}
	v, ok := boundOf(t.src[k.start:k.end])
	if !ok || n.integer && v.places > 0 {
		return unsure
	}
	return least(least(v.against(n.low, 1, true), v.against(n.over, 1, false)),
		least(v.against(n.high, -1, true), v.against(n.under, -1, false)))
}

func (n *node) judgeArray(t *tape, i int32) verdict {
	count, hits := 0, 0
	worst := yes
	for j := i + 1; j < t.tokens[i].next; j = t.tokens[j].next {
		count++
		if n.items != nil {
			if worst = least(worst, n.items.judge(t, j)); worst == no {
				return no
			}
		}
		if n.contains != nil {
			switch n.contains.judge(t, j) {
			case yes:
				hits++
			case unsure:
				worst = unsure
			}
		}
	}
	switch {
	case count < n.minItems, n.maxItems >= 0 && count > n.maxItems:
		return no
	case n.contains != nil && worst == yes && (hits < n.minHits || n.maxHits >= 0 && hits > n.maxHits):
		return no
	}
	if n.unique && count > 1 {
		worst = least(worst, t.allDifferent(i, count))
	}
	if n.walks && n.items == nil && count > 0 {
		worst = least(worst, unsure)
	}
	return worst
}

// allDifferent judges that no value stands twice in array i.
func (t *tape) allDifferent(i int32, count int) verdict {
	if int(t.tokens[i].next-i)-1 != count || count > 32 {
		return unsure // something nested, or too long to compare pair by pair
	}
	for a := i + 1; a < t.tokens[i].next; a++ {
		k := &t.tokens[a]
		if k.escaped || k.kind == kindNumber && !isDigits(t.bytes(a)) {
			return unsure
		}
		for b := i + 1; b < a; b++ {
			if t.tokens[b].kind == k.kind && string(t.bytes(a)) == string(t.bytes(b)) {
				return no
			}
		}
	}
	return yes
}

func isDigits(b []byte) bool { return digits(b, 0) == len(b) }

// judgeObject also returns which of the declared members are there, as bits.
func (n *node) judgeObject(t *tape, i int32) (verdict, uint64) {
	if !n.walks && n.names == nil && n.minMembers == 0 && n.additional == nil && len(n.props) <= 3 {
		return n.pickMembers(t, i), everything
	}
	var seen uint64
	worst, count, others := yes, 0, int32(0)
	for j := i + 1; j < t.tokens[i].next; j = t.tokens[j+1].next {
		count++
		k := &t.tokens[j]
		if k.escaped {
			return unsure, seen
		}
		name := t.src[k.start:k.end]
		if n.names != nil {
			if worst = least(worst, n.names.judge(t, j)); worst == no {
				return no, seen
			}
		}
		p := n.find(name)
		var child *node
		if p >= 0 {
			if seen&(1<<p) != 0 {
				return unsure, seen // a member stands twice
			}
			seen |= 1 << p
			child = n.props[p].node
		} else {
			if child = n.additional; child != nil && child.never {
				return no, seen
			}
			if others++; others > 24 || t.standsBefore(i, j) {
				return unsure, seen
			}
		}
		if child == nil {
			if !n.walks {
				continue
			}
			if v := t.tokens[j+1].kind; v == kindObject || v == kindArray {
				worst = unsure // nobody looks inside
			}
			continue
		}
		if worst = least(worst, child.judge(t, j+1)); worst == no {
			return no, seen
		}
	}
	if seen&n.required != n.required || count < n.minMembers {
		return no, seen
	}
	return worst, seen
}

// standsBefore reports whether an earlier member of object i has the name of j.
func (t *tape) standsBefore(i, j int32) bool {
	name := t.bytes(j)
	for a := i + 1; a < j; a = t.tokens[a+1].next {
		if string(t.bytes(a)) == string(name) {
			return true
		}
	}
	return false
}

// pickMembers judges an object by the few members a condition names.
func (n *node) pickMembers(t *tape, i int32) verdict {
	worst := yes
	for p := range n.props {
		v := t.member(i, n.props[p].name)
		if v < 0 {
			if n.required&(1<<p) != 0 {
				return no
			}
			continue
		}
		if x := n.props[p].node; x != nil {
			if worst = least(worst, x.judge(t, v)); worst == no {
				return no
			}
		}
	}
	return worst
}
