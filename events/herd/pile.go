package herd

import "slices"

// A pile gathers values in blocks: a list of unknown length is copied once at the
// end, and not with each growth.
type pile[T any] struct {
	full [][]T
	last []T
}

// Blocks grow from the first size to the last.
const firstBlock, lastBlock = 16, 512

// add returns a new place on top, valid until list is called.
func (p *pile[T]) add() *T {
	if len(p.last) == cap(p.last) {
		if len(p.last) > 0 {
			p.full = append(p.full, p.last)
		}
		p.last = make([]T, 0, min(max(firstBlock, 2*cap(p.last)), lastBlock))
	}
	var none T
	p.last = append(p.last, none)
	return &p.last[len(p.last)-1]
}

// list returns all values in the order in which they came; nil if there is none.
func (p *pile[T]) list() []T {
	if len(p.full) == 0 && len(p.last) == 0 {
		return nil
	}
	return slices.Concat(append(p.full, p.last)...)
}
