package herd

import (
	"encoding/binary"
	"fmt"
	"slices"

	"dewclaw/events"
)

// This file keeps results in a form that is read several times faster than JSON:
// lists and figures read all of a farm. Every member is written in turn, texts with
// their length before them; one function a type goes both ways, so the two
// cannot differ. Whoever changes one raises form.

// A packer writes members behind each other, or reads them back. What it reads
// are slices of the text it was given.
type packer struct {
	b       []byte // written so far
	s       string // what is still to be read
	reading bool
	bad     bool // the text is not what was written
}

// packing is a type that goes both ways.
type packing interface{ pack(*packer) }

func packed(x packing) string {
	var p packer
	x.pack(&p)
	return string(p.b)
}

// unpack fills x from what packed returned. Its texts are slices of the body.
func unpack(body value, x packing) error {
	p := packer{s: textOf(body), reading: true}
	if x.pack(&p); p.bad || p.s != "" {
		return fmt.Errorf("herd: read a %T: %w: %w", x, errDamaged, events.ErrUnavailable)
	}
	return nil
}

func (p *packer) number(n *int) {
	if !p.reading {
		p.b = binary.AppendUvarint(p.b, uint64(*n))
		return
	}
	*n = 0
	for i, shift := 0, 0; i < len(p.s) && shift < 63; i, shift = i+1, shift+7 {
		*n |= int(p.s[i]&0x7f) << shift
		if p.s[i] < 0x80 {
			p.s = p.s[i+1:]
			return
		}
	}
	p.bad, p.s = true, ""
}

func pack[T ~string](p *packer, all ...*T) {
	for _, t := range all {
		n := len(*t)
		p.number(&n)
		switch {
		case !p.reading:
			p.b = append(p.b, *t...)
		case n < 0 || n > len(p.s):
			p.bad, p.s = true, ""
		default:
			*t, p.s = T(p.s[:n]), p.s[n:]
		}
	}
}

func (p *packer) truth(all ...*bool) {
	for _, t := range all {
		n := 0
		if *t {
			n = 1
		}
		p.number(&n)
		*t = n == 1
	}
}

func (p *packer) decimal(d *events.Decimal) {
	s := d.String()
	if pack(p, &s); p.reading && s != "" {
		var err error
		*d, err = events.ParseDecimal(s)
		p.bad = p.bad || err != nil
	}
}

// packList packs the length of a list and its elements; none is nil.
func packList[T any](p *packer, list *[]T, each func(*T, *packer)) {
	n := len(*list)
	p.number(&n)
	if p.reading {
		if n < 0 || n > len(p.s) { // every element takes a byte at least
			p.bad, p.s, n = true, "", 0
		}
		if n > 0 {
			*list = make([]T, n)
		}
	}
	for i := range *list {
		each(&(*list)[i], p)
	}
}

func packText[T ~string](t *T, p *packer) { pack(p, t) }
func packNumber(n *int, p *packer)        { p.number(n) }

func (s *Standing) pack(p *packer) {
	pack(p, &s.Until, &s.Since)
	p.number(&s.Sessions)
	packLook(p, &s.Examined)
	packLook(p, &s.Checked)
	packList(p, &s.Missed, (*Look).pack)
	packList(p, &s.Feet, (*FootSeen).pack)
	packList(p, &s.Scored, (*Scored).pack)
	packList(p, &s.Before, (*Scored).pack)
	packList(p, &s.Unseen, (*Scored).pack)
	packList(p, &s.Stands, (*Scored).pack)
	packList(p, &s.Cases, (*Case).pack)
	packList(p, &s.Begun, (*Begun).pack)
	packList(p, &s.Devices, (*Device).pack)
	packList(p, &s.Wounds, (*Wound).pack)
	packList(p, &s.Orders, (*Order).pack)
	packList(p, &s.Claws, (*LostClaw).pack)
	packList(p, &s.Withdrawals, (*Withdrawal).pack)
	packList(p, &s.Soles, (*Sole).pack)
}

func packLook(p *packer, l **Look) { packMaybe(p, l, (*Look).pack) }

// packMaybe packs what may not be there.
func packMaybe[T any](p *packer, x **T, each func(*T, *packer)) {
	there := *x != nil
	p.truth(&there)
	if there && *x == nil {
		*x = new(T)
	}
	if there {
		each(*x, p)
	}
}

func (l *Look) pack(p *packer) {
	pack(p, &l.Event, &l.Visit)
	pack(p, &l.Source, &l.Day, &l.At, &l.Outcome, &l.NotDone, &l.Restraint)
	packList(p, &l.Reasons, packText)
	packList(p, &l.Feet, func(f *events.FootExam, p *packer) { pack(p, &f.Examined, &f.Foot, &f.Result, &f.Trimmed) })
}

func (f *FootSeen) pack(p *packer) {
	pack(p, &f.Event)
	pack(p, &f.Foot, &f.Day, &f.At, &f.Trimmed, &f.Vet, &f.Exam)
}

func (x *Scored) pack(p *packer) {
	pack(p, &x.Event)
	pack(p, &x.Source, &x.Day, &x.At, &x.Scale, &x.Lame, &x.Severe, &x.Native, &x.Limb, &x.BlockOn, &x.WrapOn)
	p.decimal(&x.Value)
	packList(p, &x.Gait, packNumber)
	packList(p, &x.Doubts, packText)
}

func (c *Case) pack(p *packer) {
	pack(p, &c.Class, &c.Foot, &c.Claw, &c.Words, &c.First, &c.Last, &c.Healed)
	p.truth(&c.Open, &c.Recurrence)
	packList(p, &c.Seen, (*Sighting).pack)
	packList(p, &c.Doubts, packText)
}

func (s *Sighting) pack(p *packer) {
	pack(p, &s.Day)
	packList(p, &s.Lesions, (*Found).pack)
}

func (f *Found) pack(p *packer) {
	pack(p, &f.Code, &f.Stage)
	packList(p, &f.Zones, packNumber)
	packList(p, &f.Reports, (*Report).pack)
}

func (r *Report) pack(p *packer) {
	pack(p, &r.Entity)
	pack(p, &r.Source, &r.Code, &r.Severity.Scale, &r.Severity.Value, &r.Stage, &r.Course, &r.Site)
	packList(p, &r.Signs, func(s *events.Sign, p *packer) { pack(p, &s.Detail, &s.Sign) })
	p.truth(&r.DD)
}

func (b *Begun) pack(p *packer) {
	pack(p, &b.Class)
	packList(p, &b.First, packText)
}

func (d *Device) pack(p *packer) {
	pack(p, &d.What, &d.Kind, &d.Foot, &d.Claw, &d.On, &d.OnAt, &d.Due, &d.Late, &d.Planned, &d.Off, &d.OffAt, &d.OffHow, &d.Gone)
	p.truth(&d.ByVet, &d.Found)
	pack(p, &d.State)
	packList(p, &d.Checks, (*Check).pack)
	packMaybe(p, &d.Order, (*Order).pack)
	p.decimal(&d.Details.HeightMM)
	pack(p, &d.Details.Material, &d.Details.Purpose)
	packList(p, &d.For, packText)
	packList(p, &d.Events, packText)
	packList(p, &d.OffBy, packText)
	packList(p, &d.Sources, packText)
	packList(p, &d.Doubts, packText)
	p.truth(&d.Old)
	packList(p, &d.Before, func(b *Before, p *packer) {
		pack(p, &b.Event)
		pack(p, &b.On, &b.OnAt, &b.Due, &b.Late, &b.Planned)
	})
}

func (c *Check) pack(p *packer) {
	pack(p, &c.Event)
	pack(p, &c.Source, &c.Day, &c.At, &c.State)
	p.truth(&c.ByVet)
	packList(p, &c.Doubts, packText)
}

func (w *Wound) pack(p *packer) {
	pack(p, &w.Event)
	pack(p, &w.Foot, &w.Claw, &w.First, &w.Last, &w.At, &w.State)
	packList(p, &w.Doubts, packText)
}

func (o *Order) pack(p *packer) {
	pack(p, &o.Event, &o.Visit, &o.DoneBy, &o.EndBy)
	pack(p, &o.Source, &o.Day, &o.At, &o.What, &o.Foot, &o.Claw, &o.Detail, &o.By, &o.Due, &o.Until, &o.Done, &o.Early, &o.Ended)
	packList(p, &o.Cancels, packText)
	packList(p, &o.Doubts, packText)
	p.truth(&o.Old)
	packList(p, &o.Before, func(s *Said, p *packer) {
		pack(p, &s.Day, &s.At, &s.Detail, &s.By, &s.Due, &s.Until)
		packList(p, &s.Cancels, packText)
	})
}

func (c *LostClaw) pack(p *packer) {
	pack(p, &c.Foot, &c.Claw, &c.State, &c.Cause, &c.Since, &c.Until)
	packList(p, &c.Events, packText)
	packList(p, &c.Sources, packText)
	packList(p, &c.Doubts, packText)
}

func (w *Withdrawal) pack(p *packer) {
	pack(p, &w.Event)
	pack(p, &w.Source, &w.Day, &w.At, &w.Foot, &w.Claw)
	packMedicine(&w.Medicine, p)
	packList(p, &w.Doubts, packText)
	p.truth(&w.Old)
	packList(p, &w.Before, packMedicine)
}

func packMedicine(m *events.Medicine, p *packer) {
	pack(p, &m.Batch, &m.Days, &m.Meat.State, &m.Meat.Until, &m.Milk.State, &m.Milk.Until, &m.Name, &m.OrderedBy, &m.Quantity, &m.Route)
}

func (s *Sole) pack(p *packer) {
	pack(p, &s.Event)
	pack(p, &s.Day, &s.Foot, &s.Claw)
	p.decimal(&s.MM)
}

// pack writes the events once where all of them are left out, as mostly they are.
func (c *Contradiction) pack(p *packer) {
	pack(p, &c.Kind, &c.Farm, &c.Day, &c.Words)
	packList(p, &c.Animals, packText)
	packList(p, &c.Events, packText)
	all := slices.Equal(c.Events, c.LeftOut)
	if p.truth(&all); !all {
		packList(p, &c.LeftOut, packText)
	} else if p.reading {
		c.LeftOut = slices.Clone(c.Events)
	}
}
