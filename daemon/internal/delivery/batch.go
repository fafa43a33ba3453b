package delivery

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// Bounds of what stays behind by one batch: a plan must fit into one value.
const (
	maxHolds  = 4096
	maxOwners = 800
)

// A batch is a run of parcels on its way to becoming one file or send.
type batch struct {
	f        *feed
	layout   *layout
	main     *output
	drops    *output // with deletes: file
	report   strings.Builder
	reported []string  // ids
	started  time.Time // when its first row came

	from  events.Place // range
	next  events.Place // range: the event behind the last
	last  events.Place // range: the last event looked at
	limit int          // rows

	kinds   []events.Kind
	told    map[told]bool
	barns   []string
	events  []events.Event
	bytes   int // of events
	rows    int // rows of both files, and lines of the report
	deletes int
	only    events.Place // the event of the last row
	several bool         // rows are of several events
	holds   int
	upserts map[events.Entity]bool // in main, with deletes: file
	closed  bool                   // the event that the recipient refused is in: that is settled first
	owners  *attic                 // what stays behind by this batch, not yet in the feed's attic
	must    map[events.Place]bool  // making a planned batch again: what stays behind; nil else
	goes    map[events.Place]bool  // a list: events that it sends itself
	list    *lister                // makes a batch of what stayed behind; nil else
	err     error                  // what spoils the batch
}

func newBatch(f *feed, l *layout, from events.Place) *batch {
	b := &batch{f: f, layout: l, from: from, next: from, last: from, limit: f.limit(from), owners: newAttic()}
	b.main, b.drops = b.output(), b.output()
	return b
}

func (b *batch) output() *output {
	return &output{
		layout: b.layout,
		keep:   b.keep,
		refuse: b.refuse,
		wrote:  b.wrote,
	}
}

// full reports whether the batch has reached one of its limits.
func (b *batch) full() bool {
	return b.closed || b.rows+len(b.main.waiting)+len(b.drops.waiting) >= b.limit || b.size() >= b.f.cfg.Size ||
		b.holds >= maxHolds || len(b.owners.byKey) >= maxOwners
}

func (b *batch) size() int { return b.bytes + b.main.size() + b.drops.size() + b.report.Len() }

// one reports whether all rows are of one event.
func (b *batch) one() bool { return b.rows > 0 && !b.several }

// clashes reports whether p deletes what the batch itself brings in another file:
// the file of deletes goes first, so that is for the next batch.
func (b *batch) clashes(p *parcel) bool {
	return b.layout.id.Deletes == config.DeletesFile && (p.drop || len(p.old)+len(p.chains) > 0) && b.upserts[p.entity]
}

// empty reports whether nothing would be sent.
func (b *batch) empty() bool { return b.rows+len(b.main.waiting)+len(b.drops.waiting) == 0 }

// add decides about one parcel: it goes, or it stays behind.
func (b *batch) add(ctx context.Context, p *parcel) error {
	left := p.settle(b.behind)
	if b.must != nil {
		if b.must[p.place] || !left {
			return nil
		}
		if p.err != nil {
			return fmt.Errorf("event %s was planned and is refused now: %w", p.id, p.err)
		}
		return b.put(p)
	}
	if b.passes(p) {
		b.f.outrun[p.entity] = true
	}
	if !left { // it deletes what stays behind: with that, or never
		b.staysBehind(p)
		return b.err
	}
	b.spoil(p)
	switch waits, why, err := b.waits(ctx, p); {
	case err != nil:
		return err
	case b.staysBehind(p):
		return b.err
	case p.err != nil:
		b.hold(p, true, p.err.Error())
		return b.err
	case waits:
		b.hold(p, false, why)
		return b.err
	}
	return b.put(p)
}

// spoil marks the parcel that the recipient has refused.
func (b *batch) spoil(p *parcel) {
	if r := b.f.state.Refused; r != nil && r.Place == p.place && p.err == nil {
		p.err = &events.Fault{Kind: events.ErrInvalid, What: r.Why}
		b.closed = true
	}
}

// keep reports whether a row that waits may still be written.
func (b *batch) keep(p *parcel) bool {
	if b.list != nil {
		return !b.list.stopped(p)
	}
	return !b.staysBehind(p)
}

// refuse takes note of a row that cannot be written.
func (b *batch) refuse(p *parcel, err error) {
	switch {
	case b.must != nil:
		b.err = fmt.Errorf("event %s was planned and is refused now: %w", p.id, err)
	case b.list != nil:
		b.list.stop(p, err)
	default:
		b.hold(p, true, err.Error())
	}
}

// put gives the parcel to its output.
func (b *batch) put(p *parcel) error {
	if b.started.IsZero() {
		b.started = b.f.now()
	}
	apart := b.layout.id.Deletes != config.DeletesColumn
	if apart && len(p.old) > 0 { // they do not stand before it but elsewhere
		for _, q := range p.old {
			if err := b.put(q); err != nil {
				return err
			}
		}
		p.old = nil
		if err := b.drops.flush(); err != nil {
			return err
		}
	}
	switch {
	case p.drop && b.layout.id.Deletes == config.DeletesReport:
		fmt.Fprintf(&b.report, "%s\n", oneLine(p.what))
		b.reported = append(b.reported, p.id)
		b.wrote(p)
		return nil
	case p.drop && b.layout.id.Deletes == config.DeletesFile:
		return b.drops.add(p)
	case b.layout.id.Deletes == config.DeletesFile:
		if b.upserts == nil {
			b.upserts = map[events.Entity]bool{}
		}
		b.upserts[p.entity] = true
	}
	return b.main.add(p)
}

// wrote counts a row that is in its output.
func (b *batch) wrote(p *parcel) {
	b.several = b.several || b.rows > 0 && b.only != p.place
	b.rows++
	if p.drop {
		b.deletes++
	}
	b.only = p.place
	if b.list != nil {
		b.list.sent(p)
	}
	if !slices.Contains(b.kinds, p.kind) {
		b.kinds = append(b.kinds, p.kind)
	}
	b.tells(p)
	if p.event != nil {
		ev := *p.event
		ev.Data = slices.Clone(ev.Data) // else one event in a batch would hold its whole entry in memory
		b.events = append(b.events, ev)
		b.bytes += len(p.event.Data) + 640
	}
}

// staysBehind holds the parcel back if something of its animal, or an earlier
// revision of it, already stays behind: the order of each animal is kept.
func (b *batch) staysBehind(p *parcel) bool {
	if b.must != nil || b.owners.empty() && b.f.attic.empty() {
		return false
	}
	o, err := identify(p.owner)
	if err != nil {
		b.err = err
		return false
	}
	all := append(b.owners.find(o, p.entity), b.f.attic.find(o, p.entity)...)
	for _, q := range p.old { // what is refused of the old animal goes before its delete
		before, err := identify(q.owner)
		if err != nil {
			b.err = err
			return false
		}
		for _, x := range append(b.owners.find(before, ""), b.f.attic.find(before, "")...) {
			if x.Parked {
				all = append(all, x)
			}
		}
	}
	if len(all) == 0 || exempt(p.owner.Kind) && !slices.ContainsFunc(all, func(x *owner) bool { return x.Parked }) {
		return false
	}
	parked, why := false, ""
	for _, x := range all {
		if why == "" || x.Parked && !parked {
			parked, why = x.Parked, x.Why
		}
	}
	b.holdFor(o, p, parked, why)
	return true
}

// hold keeps the parcel back: it was refused, or its animal is not known yet.
func (b *batch) hold(p *parcel, parked bool, why string) {
	o, err := identify(p.owner)
	if err != nil {
		b.err = err
		return
	}
	b.holdFor(o, p, parked, why)
}

func (b *batch) holdFor(o *owner, p *parcel, parked bool, why string) {
	o.Parked, o.Why, o.Since = parked, oneLine(why), b.f.now()
	o.Urgent = urgent(p.owner)
	for _, q := range p.old {
		if before, err := identify(q.owner); err != nil {
			b.err = err
		} else if parked { // its delete is refused with the rest
			for _, m := range before.Marks {
				o.mark(m)
			}
		}
	}
	for _, x := range b.owners.find(o, p.entity) { // one animal known by several names: one owner takes all
		b.owners.drop(x.Key)
		o.join(x)
		o.Key = x.Key
	}
	o.add(item{Place: p.place, Entity: p.entity, Doubt: parked && b.f.mayHave(p.place), Drop: p.drop})
	b.owners.put(o)
	b.holds++
}

// urgent reports whether a fact must not wait in silence: a medicine or an order.
func urgent(f *fact) bool {
	if f.Kind == events.KindOrder {
		return true
	}
	if f.Kind != events.KindTreatment {
		return false
	}
	p, err := f.decoded()
	if err != nil {
		return false
	}
	t, ok := p.(*events.Treatment)
	return ok && (t.What == "medicine" || t.Medicine != events.Medicine{})
}

// waits reports whether the parcel must wait until its animal is known.
func (b *batch) waits(ctx context.Context, p *parcel) (bool, string, error) {
	if !b.f.cfg.KnownAnimals || p.err != nil {
		return false, "", nil
	}
	if exempt(p.owner.Kind) {
		return false, "", nil
	}
	d, err := p.owner.decoded()
	if err != nil {
		return false, "", err
	}
	c := d.Base()
	if len(c.Animal) == 0 {
		return false, "", nil
	}
	known, err := b.f.isKnown(ctx, p.owner.Farm, c.Animal, c.Occurred.Date)
	return !known, "no roster knows the animal yet", err
}

// exempt reports whether events of the kind go although their animal is not
// known: they may be what makes it known.
func exempt(k events.Kind) bool {
	return k == events.KindAnimal || !k.Animals()
}

// oneLine makes a text fit for one line of a report or a screen.
func oneLine(s string) string {
	return strings.Map(func(c rune) rune {
		if c < ' ' || c == 0x7f || c >= 0x80 && c < 0xa0 || c == '\u2028' || c == '\u2029' {
			return ' '
		}
		return c
	}, s)
}
