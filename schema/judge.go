package schema

import (
	"math/bits"
	"unicode/utf8"
)

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

// against judges that v lies on the given side of limit: 1 above, -1 below.
func (v bound) against(limit *bound, side int, equal bool) verdict {
	if limit == nil {
		return yes
	}
	c, ok := v.cmp(*limit)
	switch {
	case !ok:
		return unsure
	case c == side, c == 0 && equal:
		return yes
	}
	return no
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

func (n *node) find(name []byte) int {
	if n.slots == nil {
		return -1
	}
	p := n.slots[nameHash(name, n.multiplier)>>n.shift]
	if p >= 0 && string(name) == n.props[p].name {
		return int(p)
	}
	return -1
}

// A bound is a decimal number: n/10^places.
type bound struct {
	n      int64
	places int
}

// boundOf reads a plain number of at most 18 digits.
func boundOf(b []byte) (bound, bool) {
	var v bound
	i, point := 0, false
	if len(b) > 0 && b[0] == '-' {
		i = 1
	}
	count := 0
	for j := i; j < len(b); j++ {
		c := b[j]
		if c == '.' && !point {
			point = true
			continue
		}
		if c < '0' || c > '9' || count == 18 {
			return v, false
		}
		count++
		v.n = v.n*10 + int64(c-'0')
		if point {
			v.places++
		}
	}
	for v.places > 0 && v.n%10 == 0 {
		v.n, v.places = v.n/10, v.places-1
	}
	if i == 1 {
		v.n = -v.n
	}
	return v, count > 0
}

// cmp compares two numbers; ok is false if that takes more than a machine word.
func (v bound) cmp(w bound) (int, bool) {
	a, okA := v.scaled(w.places - v.places)
	b, okB := w.scaled(v.places - w.places)
	switch {
	case !okA || !okB:
		return 0, false
	case a < b:
		return -1, true
	case a > b:
		return 1, true
	}
	return 0, true
}

func (v bound) scaled(places int) (int64, bool) {
	n, negative := uint64(v.n), v.n < 0
	if negative {
		n = -n
	}
	for ; places > 0; places-- {
		hi, lo := bits.Mul64(n, 10)
		if hi != 0 || lo > 1<<62 {
			return 0, false
		}
		n = lo
	}
	if negative {
		return -int64(n), true
	}
	return int64(n), true
}
