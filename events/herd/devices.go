package herd

import (
	"cmp"
	"slices"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A Device is a block or wrap from the day it was put on to the day it came off.
// It never ends because nobody told of it: one that is On stays open until a
// record says that it came off, or that another one took its place.
//
// What came off on a day came off before what was put on that day, unless both
// have a time of day that says otherwise. A record of taking off ends the device
// on its foot and claw; if it does not tell the claw, or no device is on that
// one, it ends the only device it can mean, and none if there are several. A
// check that found it gone does the same. What a check saw on a claw where nobody
// told of putting it on is a device too, from the day it was seen.
type Device struct {
	Animal string
	Known  bool   // a roster has the animal
	What   string // block or wrap, code list devices
	Kind   string // what was written: code list treatments (block-thin-sole, ...)
	Foot   string // "" if not told
	Claw   string // of a block: the claw it sits on; "none" for a wrap

	On      string // day it was put on
	OnAt    string // RFC 3339 with local offset, or "" if only the day is known
	Due     string // wrap: when it is due off; RFC 3339 or a day; "" if nothing says. The earliest of several reports
	Late    string // wrap: from when it is late; as Due
	Planned string // as the source planned, if it did
	ByVet   bool   // a report of putting it on is a vet's
	Found   bool   // no record tells of putting it on: a check saw it, On is the day it was first seen, and it has been on for longer

	Off    string // day it came off or was found gone; "" if it is on
	OffAt  string // as OnAt
	OffHow string // taken-off, found-gone (code list taken-off-how) or replaced; "" if it is on
	Gone   string // found gone: since when, as told; "" if not told

	State  string  // how it was last found, code list check-states: the worst of that day; "" if nobody looked
	Checks []Check // by day and time, while it was on
	Order  *Order  // the newest order in force about it, see Times; nil if there is none

	Details events.Device   // material, height and purpose, of the first report that tells any
	For     []events.Entity // lesions it is for, where a source says so
	Events  []events.Entity // reports of putting it on, sorted
	OffBy   []events.Entity // reports of taking it off, sorted
	Sources []string        // of the reports of putting it on, sorted
	Doubts  []string        // contradictions its reports take part in; the device is shown all the same

	Old    bool     // its sources no longer tell of it, or tell of it elsewhere, and nobody confirmed that
	Before []Before // what its reports said before their sources changed them, and nobody confirmed
}

// Before is what an earlier revision of a report says of a device that a later
// one says otherwise.
type Before struct {
	Event              events.Entity
	On, OnAt           string
	Due, Late, Planned string
}

// Replaced is the OffHow of a device whose place another one took.
const Replaced = "replaced"

// vet is the role of a veterinarian, code list roles.
const vet = "vet"

// A move is a device put on or taken off.
type move struct {
	f          *Fact
	off        bool
	check      bool   // neither: it was looked at
	old        bool   // told by an old revision only
	what       string // block or wrap
	foot, claw string
	day        day
	time       string
}

// order sorts moves of one day: those off without a time, then by time, off
// before on, then those on without a time, then looks without one.
func (m *move) order(o *move) int {
	return cmp.Or(cmp.Compare(m.day, o.day), cmp.Compare(m.part(), o.part()), cmp.Compare(m.time, o.time),
		cmp.Compare(m.side(), o.side()), compareFacts(m.f, o.f))
}

func (m *move) part() int {
	switch {
	case m.time != "":
		return 1
	case m.off:
		return 0
	case m.check:
		return 3
	}
	return 2
}

func (m *move) side() int {
	switch {
	case m.off:
		return 0
	case m.check:
		return 2
	}
	return 1
}

// devices works out the blocks and wraps of one animal from its facts and their
// old revisions, sorted by day put on, what, foot and claw.
func devices(facts, old []*Fact) []Device {
	elsewhere, here := devicesBefore(facts, old)
	moves := append(movesOf(facts), elsewhere...)
	slices.SortFunc(moves, func(a, b *move) int { return a.order(b) })
	var out []*Device
	for _, m := range moves {
		switch {
		case m.off:
			takeOff(out, m)
		case m.check:
			out = see(out, m)
		default:
			out = putOn(out, m)
		}
	}
	list := make([]Device, 0, len(out))
	for _, d := range out {
		d.before(here)
		d.found()
		d.tidy()
		list = append(list, *d)
	}
	slices.SortStableFunc(list, compareDevices)
	return list
}

func compareDevices(a, b Device) int {
	return cmp.Or(cmp.Compare(a.Animal, b.Animal), cmp.Compare(a.On, b.On), cmp.Compare(a.What, b.What), cmp.Compare(a.Foot, b.Foot),
		cmp.Compare(a.Claw, b.Claw), cmp.Compare(a.Off, b.Off))
}

func movesOf(facts []*Fact) (out []*move) {
	for _, f := range facts {
		m := &move{f: f, day: f.day, time: f.Time()}
		switch p := f.Payload.(type) {
		case *events.Treatment:
			t := codes.Treatments().Get(p.What)
			if t == nil || t.Device == "" {
				continue
			}
			m.what, m.foot, m.claw = t.Device, p.Foot, p.Claw
		case *events.TakenOff:
			m.off, m.what, m.foot, m.claw = true, p.What, p.Foot, p.Claw
		case *events.Check:
			if !codes.Find("devices").Has(p.What) {
				continue
			}
			m.off, m.check, m.what, m.foot, m.claw = p.State == stateGone, p.State != stateGone, p.What, p.Foot, p.Claw
		default:
			continue
		}
		if m.claw == "" {
			m.claw = "unknown"
		}
		if m.what == "wrap" {
			m.claw = "none"
		}
		out = append(out, m)
	}
	return out
}

// putOn adds a device, or another report of one that was put on the same day.
func putOn(out []*Device, m *move) []*Device {
	on := m.day.String()
	for _, d := range out {
		if d.Off != "" || d.What != m.what || d.Foot != m.foot || d.Claw != m.claw {
			continue
		}
		if d.On == on {
			d.report(m)
			return out
		}
		d.Off, d.OffAt, d.OffHow = on, m.f.At(), Replaced
		d.OffBy = append(d.OffBy, m.f.Entity)
	}
	d := &Device{What: m.what, Foot: m.foot, Claw: m.claw, On: on, Old: true}
	d.report(m)
	return append(out, d)
}

// report takes over what one report of putting it on says.
func (d *Device) report(m *move) {
	t := m.f.Payload.(*events.Treatment)
	first := func(to *string, from string) {
		if *to == "" {
			*to = from
		}
	}
	d.Old = (d.Old || d.Found) && m.old
	d.Found = false
	first(&d.Kind, t.What)
	first(&d.OnAt, m.f.At())
	first(&d.Planned, t.PlannedOff)
	d.ByVet = d.ByVet || t.Role == vet
	d.Due = sooner(d.Due, t.Derived.DueOff)
	d.Late = sooner(d.Late, t.Derived.LateFrom)
	if d.Details == (events.Device{}) {
		d.Details = t.Device
	}
	if t.For != "" {
		d.For = append(d.For, t.For)
	}
	d.Events = append(d.Events, m.f.Entity)
	d.Sources = append(d.Sources, m.f.Source)
	d.Doubts = append(d.Doubts, m.f.Doubts...)
}

// sooner returns the earlier of two moments or days of one farm; "" is none. A
// day alone is earlier than a moment of that day: the careful reading.
func sooner(a, b string) string {
	if a == "" || b != "" && b < a {
		return b
	}
	return a
}

// takeOff ends the device that m means, if it is clear which.
func takeOff(all []*Device, m *move) {
	var exact, possible []*Device
	for _, d := range all {
		if d.Off != "" || d.What != m.what {
			continue
		}
		if d.Foot == m.foot && d.Claw == m.claw {
			exact = append(exact, d)
		} else if alike(d.Foot, m.foot) && alike(d.Claw, m.claw) {
			possible = append(possible, d)
		}
	}
	switch {
	case len(exact) == 1:
		exact[0].end(m)
	case len(exact) == 0 && len(possible) == 1:
		possible[0].end(m)
	case len(exact) == 0 && len(possible) == 0:
		confirm(all, m)
	}
}

// confirm adds another source's report of the same taking off.
func confirm(all []*Device, m *move) {
	for _, d := range slices.Backward(all) {
		if d.What == m.what && d.Foot == m.foot && d.Claw == m.claw && d.Off == m.day.String() && d.OffHow != Replaced {
			d.OffBy = append(d.OffBy, m.f.Entity)
			d.Doubts = append(d.Doubts, m.f.Doubts...)
			return
		}
	}
}

// alike reports whether two words for a foot or claw may mean one: equal, or one
// of them not told.
func alike(a, b string) bool {
	return a == b || a == "" || b == "" || a == "unknown" || b == "unknown"
}

func (d *Device) end(m *move) {
	d.Off, d.OffAt = m.day.String(), m.f.At()
	switch t := m.f.Payload.(type) {
	case *events.TakenOff:
		d.OffHow, d.Gone = t.How, t.Since
	case *events.Check:
		d.OffHow, d.Gone = "found-gone", t.Since
	}
	if d.OffHow == "" {
		d.OffHow = "taken-off"
	}
	d.OffBy = append(d.OffBy, m.f.Entity)
	d.Doubts = append(d.Doubts, m.f.Doubts...)
}

// devicesBefore sorts old revisions: those that say what the newest does not say
// of this animal and claw are reports of their own, the others stand beside
// the newest.
func devicesBefore(facts, old []*Fact) (elsewhere []*move, here []*Fact) {
	for _, o := range old {
		t, ok := o.Payload.(*events.Treatment)
		if !ok || deviceOf(t) == "" {
			continue
		}
		i := slices.IndexFunc(facts, func(f *Fact) bool { return f.Entity == o.Entity })
		if i >= 0 && samePlace(t, facts[i].Payload.(*events.Treatment)) {
			here = append(here, o)
			continue
		}
		m := movesOf([]*Fact{o})[0]
		m.old = true
		elsewhere = append(elsewhere, m)
	}
	return elsewhere, here
}

// before notes what its reports said before.
func (d *Device) before(old []*Fact) {
	for _, o := range old {
		if !slices.Contains(d.Events, o.Entity) {
			continue
		}
		t := o.Payload.(*events.Treatment)
		d.Before = append(d.Before, Before{o.Entity, o.Day, o.At(), t.Derived.DueOff, t.Derived.LateFrom, t.PlannedOff})
	}
}

// own writes whose it is.
func (d *Device) own(animal string, known bool) {
	d.Animal, d.Known = animal, known
	if d.Order != nil {
		d.Order.Animal, d.Order.Known = animal, known
	}
}

func (d *Device) tidy() {
	slices.Sort(d.Events)
	d.Events = slices.Compact(d.Events)
	slices.Sort(d.OffBy)
	slices.Sort(d.For)
	d.For = slices.Compact(d.For)
	slices.Sort(d.Sources)
	d.Sources = slices.Compact(d.Sources)
	slices.Sort(d.Doubts)
	d.Doubts = slices.Compact(d.Doubts)
}
