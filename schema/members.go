package schema

import "slices"

func (n *node) setRequired(v any) {
	list, _ := v.([]any)
	for _, x := range list {
		name := text(x)
		i := slices.IndexFunc(n.props, func(p property) bool { return p.name == name })
		if i < 0 {
			i = len(n.props)
			n.props = append(n.props, property{name: name})
			if n.additional != nil {
				n.unsure = true // it would be judged by the wrong schema
			}
		}
		if i > 63 {
			n.unsure = true
			return
		}
		n.required |= 1 << i
	}
	n.unsure = n.unsure || len(n.props) > 64
}

// setNeeds notes which members the conditions in place are about: a walk of the
// object has seen whether they are there.
func (n *node) setNeeds() {
	n.needs = make([]uint64, len(n.all))
	for i, x := range n.all {
		if x.cond != nil && x.otherwise == nil && x.only() {
			for j, p := range x.cond.props {
				if x.cond.required&(1<<j) != 0 {
					n.needs[i] |= n.bit(p.name)
				}
			}
		}
	}
	for i := range n.switches {
		n.switches[i].needs = n.bit(n.switches[i].member)
	}
}

// only reports whether n is a condition and nothing else.
func (n *node) only() bool {
	return n.kinds == 0 && !n.hasEnum && n.props == nil && n.additional == nil && n.names == nil && n.all == nil && n.switches == nil &&
		n.any == nil && n.one == nil && n.not == nil && !n.unsure && !n.never && n.minMembers == 0
}

func (n *node) bit(member string) uint64 {
	for i, p := range n.props {
		if p.name == member && i < 64 {
			return 1 << i
		}
	}
	return 0
}

// hash finds a multiplier under which no two property names meet.
func (n *node) hash() {
	if len(n.props) == 0 {
		return
	}
	for shift := uint32(28); shift >= 22; shift-- {
		for m := uint32(0x9e3779b1); m != 0x9e3779b1+4096; m += 2 {
			if s := place(n.props, m, shift); s != nil {
				n.slots, n.multiplier, n.shift = s, m, shift
				return
			}
		}
	}
	n.unsure = true
}

func place(props []property, multiplier, shift uint32) []int8 {
	slots := make([]int8, 1<<(32-shift))
	for i := range slots {
		slots[i] = -1
	}
	for i := range props {
		h := nameHash([]byte(props[i].name), multiplier) >> shift
		if slots[h] >= 0 {
			return nil
		}
		slots[h] = int8(i)
	}
	return slots
}

// nameHash mixes length, first, middle and last byte of a name into the high
// bits of the result.
func nameHash(b []byte, multiplier uint32) uint32 {
	if len(b) == 0 {
		return 0
	}
	return (uint32(len(b)) + uint32(b[0])<<8 + uint32(b[len(b)-1])<<16 + uint32(b[len(b)/2])<<24) * multiplier
}

// find returns which of the declared members has the name, or -1.
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
