package mapping

import (
	"unsafe"

	"dewclaw/adapters"
	"dewclaw/events"
)

// take returns an empty payload of a kind, mostly one used before.
func (m *Mapper) take(k events.Kind) events.Payload {
	pool := &m.pools[kindIndex(k)]
	if n := len(*pool); n > 0 {
		p := (*pool)[n-1]
		*pool = (*pool)[:n-1]
		return p
	}
	return k.New()
}

// give takes a payload back, emptied but for the room of its lists.
func (m *Mapper) give(p events.Payload) {
	c := p.Base()
	common := events.Common{Words: c.Words[:0], Remarks: c.Remarks[:0]}
	switch p := p.(type) {
	case *events.Visit:
		*p = events.Visit{Common: common}
	case *events.Examination:
		*p = events.Examination{Common: common, Feet: p.Feet[:0], Reasons: p.Reasons[:0]}
	case *events.Lesion:
		*p = events.Lesion{Common: common, Signs: p.Signs[:0], Zones: events.Zones{Numbers: p.Zones.Numbers[:0]}}
	case *events.Treatment:
		*p = events.Treatment{Common: common}
	case *events.TakenOff:
		*p = events.TakenOff{Common: common}
	case *events.Check:
		*p = events.Check{Common: common}
	case *events.Claw:
		*p = events.Claw{Common: common}
	case *events.Order:
		*p = events.Order{Common: common, Cancels: p.Cancels[:0]}
	case *events.Group:
		*p = events.Group{Common: common, Pens: p.Pens[:0]}
	case *events.Locomotion:
		*p = events.Locomotion{Common: common}
	case *events.ClawMeasure:
		*p = events.ClawMeasure{Common: common}
	case *events.Animal:
		*p = events.Animal{Common: common, Calvings: p.Calvings[:0], Services: p.Services[:0]}
	}
	pool := &m.pools[kindIndex(p.Kind())]
	*pool = append(*pool, p)
}

func kindIndex(k events.Kind) int {
	switch k {
	case events.KindVisit:
		return 0
	case events.KindExamination:
		return 1
	case events.KindLesion:
		return 2
	case events.KindTreatment:
		return 3
	case events.KindTakenOff:
		return 4
	case events.KindLocomotion:
		return 5
	case events.KindClawMeasure:
		return 6
	case events.KindAnimal:
		return 7
	case events.KindCheck:
		return 8
	case events.KindClaw:
		return 9
	case events.KindOrder:
		return 10
	case events.KindGroup:
		return 11
	}
	return 12
}

// blocks are the memory of what one call of Map hands out: bytes and drafts are
// cut from few large pieces, which nobody writes again.
type blocks struct {
	buf    []byte
	drafts []adapters.Draft
	used   int // bytes handed out in this call
	perRow int // and by the call before, a row
	rows   int
}

// begin makes room for a call with so many rows.
func (b *blocks) begin(rows int) {
	if b.rows > 0 {
		b.perRow = b.used/b.rows + 1
	}
	b.rows, b.used = rows, 0
	b.buf = make([]byte, 0, max(1<<10, rows*b.perRow*9/8))
	b.drafts = nil
}

// room returns the block with room for about n more bytes.
func (b *blocks) room(n int) []byte {
	if cap(b.buf)-len(b.buf) < n {
		b.buf = make([]byte, 0, max(32<<10, n))
	}
	return b.buf
}

// keep makes what was appended to the block since it had length from part of
// it, and returns that part.
func (b *blocks) keep(buf []byte, from int) []byte {
	b.used += len(buf) - from
	b.buf = buf
	return buf[from:len(buf):len(buf)]
}

// text puts parts together in the block.
func (b *blocks) text(parts ...string) string {
	n := 0
	for _, p := range parts {
		n += len(p)
	}
	if n == 0 {
		return ""
	}
	buf := b.room(n)
	from := len(buf)
	for _, p := range parts {
		buf = append(buf, p...)
	}
	s := b.keep(buf, from)
	return unsafe.String(unsafe.SliceData(s), len(s))
}

// draft returns room for n drafts.
func (b *blocks) draft(n int) []adapters.Draft {
	if cap(b.drafts)-len(b.drafts) < n {
		b.drafts = make([]adapters.Draft, 0, max(n, 2*b.rows, 64))
	}
	from := len(b.drafts)
	b.drafts = b.drafts[:from+n]
	return b.drafts[from : from+n : from+n]
}
