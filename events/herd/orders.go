package herd

import (
	"cmp"
	"slices"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// An Order is what somebody said must happen to an animal, or must not.
//
// A later order puts an earlier one out of force if it cancels orders and the
// foot and claw it names are those of the earlier one, or if it is about the
// same thing (a wrap, a block, a recheck, ...) of the same foot and claw. What a
// vet ordered only a vet's order ends (common practice, no source). Of two orders
// of one day of which the times do not tell, neither ends the other.
//
// An order is done by a later fact: a block or wrap that must come off by its
// coming off, a wrap that must be changed by another wrap, a recheck by a look at
// the foot on the day it is due or after it, a trim by the foot being trimmed, the
// vet's look by a record of a vet. The rest holds until its time is over. Facts in
// doubt end no order, and orders in doubt end none either.
type Order struct {
	Animal string `json:"-"`
	Known  bool   `json:"-"` // a roster has the animal
	Event  events.Entity
	Source string
	Visit  events.Entity `json:",omitempty"`
	Day    string        // day it was given
	At     string        `json:",omitempty"` // RFC 3339 with local offset, or "" if only the day is known

	What    string   // code list orders
	Foot    string   `json:",omitempty"` // "" if it is about the animal, or not told
	Claw    string   `json:",omitempty"`
	Detail  string   `json:",omitempty"`
	By      string   `json:",omitempty"` // role of who said it, code list roles
	Due     string   `json:",omitempty"` // when it must happen: RFC 3339 or a day
	Until   string   `json:",omitempty"` // until when it holds: RFC 3339 or a day, which counts
	Cancels []string `json:",omitempty"` // code list order-cancels

	Done   string        `json:",omitempty"` // day it was done; "" if it is not
	DoneBy events.Entity `json:",omitempty"` // by which fact
	Early  string        `json:",omitempty"` // recheck: the newest day the foot was looked at before it was due
	Ended  string        `json:",omitempty"` // day another order put it out of force; "" if none did
	EndBy  events.Entity `json:",omitempty"` // which order that is
	Doubts []string      `json:",omitempty"`
}

// Open reports whether it is in force on a day: given, not done, not put out of
// force and not over.
func (o *Order) Open(day string) bool { return o.Day <= day && dayOf(day, never-1) < o.lastDay() }

// Lifts reports whether it puts a default time out of force (code list
// order-cancels). One that names no other time lifts nothing: without a default
// nobody would be reminded.
func (o *Order) Lifts(time string) bool {
	return (o.Due != "" || o.Until != "") && slices.Contains(o.Cancels, time)
}

// lastDay returns the first day on which it is no longer in force, or never.
func (o *Order) lastDay() day {
	end := never
	for _, d := range []string{o.Done, o.Ended} {
		if d != "" {
			end = min(end, dayOf(d, never))
		}
	}
	if until, ok := parseDay(o.Until); ok {
		end = min(end, until+1)
	}
	return end
}

// Codes of the lists orders and order-cancels that the herd acts on.
const (
	orderChangeWrap = "change-wrap"
	orderRecheck    = "recheck"
	orderTrim       = "trim"
	orderVet        = "vet"
	orderLift       = "lift"
	orderOther      = "other"

	cancelsOrders = "orders"
)

// orders works out the orders about one animal from its facts, sorted by
// compareFacts, and its devices, and tells each device which order it goes by.
func orders(facts []*Fact, ds []Device) []Order {
	var out []Order
	for _, f := range facts {
		if p, ok := f.Payload.(*events.Order); ok {
			out = append(out, Order{
				Event: f.Entity, Source: f.Source, Visit: f.Visit, Day: f.Day, At: f.At(), What: p.What, Foot: p.Foot, Claw: p.Claw, Detail: p.Detail,
				By: cmp.Or(p.OrderedBy, p.Role), Due: p.Due, Until: p.Until, Cancels: p.Cancels, Doubts: f.Doubts,
			})
		}
	}
	for i := range out {
		out[i].end(out[i+1:])
		out[i].fulfil(facts, ds)
	}
	for i := range ds {
		ds[i].Order = ds[i].ordered(out)
	}
	return out
}

// end finds the order that puts o out of force among those behind it.
func (o *Order) end(behind []Order) {
	for i := range behind {
		x := &behind[i]
		if len(x.Doubts) == 0 && x.after(o.Day, o.At) && (o.By != vet || x.By == vet) && (x.cancels(o) || x.replaces(o)) {
			o.Ended, o.EndBy = x.Day, x.Event
			return
		}
	}
}

// cancels reports whether x cancels orders, and o is one it means.
func (o *Order) cancels(x *Order) bool {
	whole := o.Claw == "" || o.Claw == "unknown" || o.Claw == codes.NoClaw
	return slices.Contains(o.Cancels, cancelsOrders) && (o.Foot == "" || o.Foot == x.Foot && (whole || o.Claw == x.Claw))
}

// replaces reports whether o is about the same as x, which was given before it.
func (o *Order) replaces(x *Order) bool {
	s := o.subject()
	return s != orderOther && s != orderLift && s == x.subject() && o.Foot == x.Foot && (o.Claw == x.Claw || s == "wrap")
}

// subject is what an order is about: a device, or what must happen.
func (o *Order) subject() string {
	if d := o.device(); d != "" {
		return d
	}
	return o.What
}

func (o *Order) device() string {
	if c := codes.Orders().Get(o.What); c != nil {
		return c.Device
	}
	return ""
}

// after reports whether o was given after something of a day or moment. Of one
// day both must have a time that says so.
func (o *Order) after(day, at string) bool { return afterwards(o.Day, o.At, day, at) }

// fulfil finds out whether o was done.
func (o *Order) fulfil(facts []*Fact, ds []Device) {
	switch {
	case o.What == orderLift && !slices.ContainsFunc(o.Cancels, func(c string) bool { return c != cancelsOrders }):
		o.Done, o.DoneBy = o.Day, o.Event // it was done by being said
	case o.What == orderChangeWrap:
		for _, d := range ds {
			if d.What == "wrap" && len(d.Events) > 0 && len(d.Doubts) == 0 && alike(d.Foot, o.Foot) && afterwards(d.On, d.OnAt, o.Day, o.At) {
				o.Done, o.DoneBy = d.On, d.Events[0]
				return
			}
		}
	case o.device() != "":
		o.wornOff(ds)
	default:
		o.lookedAt(facts)
	}
}

// wornOff finds the end of all devices o may mean.
func (o *Order) wornOff(ds []Device) {
	var last *Device
	for i := range ds {
		d := &ds[i]
		if d.What != o.device() || !o.about(d) {
			continue
		}
		if d.Off == "" || len(d.Doubts) > 0 {
			return
		}
		if last == nil || d.Off > last.Off {
			last = d
		}
	}
	if last != nil {
		o.Done, o.DoneBy = last.Off, last.OffBy[0]
	}
}

// about reports whether o, given while the device was on, may mean it.
func (o *Order) about(d *Device) bool {
	claw := alike(o.Claw, d.Claw) || o.Claw == codes.NoClaw || d.What == "wrap"
	return alike(o.Foot, d.Foot) && claw && d.On <= o.Day && (d.Off == "" || o.Day <= d.Off)
}

// lookedAt finds the look, the trim or the vet that o asks for.
func (o *Order) lookedAt(facts []*Fact) {
	for _, f := range facts {
		if len(f.Doubts) > 0 || !afterwards(f.Day, f.At(), o.Day, o.At) || !o.answers(f) {
			continue
		}
		if o.What == orderRecheck && len(o.Due) >= 10 && f.Day < o.Due[:10] {
			o.Early = f.Day
			continue
		}
		o.Done, o.DoneBy = f.Day, f.Entity
		return
	}
}

// answers reports whether a fact is what o asks for.
func (o *Order) answers(f *Fact) bool {
	foot, trimmed, looked := o.Foot, false, false
	switch p := f.Payload.(type) {
	case *events.Examination:
		if p.Outcome == "not-done" {
			return false
		}
		for _, x := range p.Feet {
			if x.Examined == "yes" && (foot == "" || foot == x.Foot) {
				looked = true
				trimmed = trimmed || x.Trimmed == "preventive" || x.Trimmed == "corrective"
			}
		}
		looked = looked || foot == "" || len(p.Feet) == 0 && p.Role == vet
	case *events.Lesion:
		looked = foot == "" || foot == p.Foot
	case *events.Treatment:
		looked = foot == "" || foot == p.Foot
		trimmed = looked && p.What == "corrective-trim"
	case *events.Check:
		looked = (p.What == "wound" || o.What == orderVet) && (foot == "" || foot == p.Foot)
	}
	switch o.What {
	case orderRecheck:
		return looked
	case orderTrim:
		return trimmed
	case orderVet:
		return looked && f.Payload.Base().Role == vet
	}
	return false
}

// ordered returns the newest order in force about the device, or nil: a vet's
// before anybody's else. Of two of one moment the earlier time counts.
func (d *Device) ordered(all []Order) (newest *Order) {
	for i := range all {
		o := &all[i]
		about := o.device() == d.What || slices.Contains(o.Cancels, d.What+"-time")
		if !about || !o.about(d) || o.Ended != "" || len(o.Doubts) > 0 {
			continue
		}
		if newest == nil || o.outranks(newest) {
			newest = o
		}
	}
	if newest == nil {
		return nil
	}
	x := *newest
	return &x
}

// outranks reports whether o counts and not x, which is about the same device.
func (o *Order) outranks(x *Order) bool {
	if (o.By == vet) != (x.By == vet) {
		return o.By == vet
	}
	return o.after(x.Day, x.At) || !x.after(o.Day, o.At) && sooner(o.time(), x.time()) == o.time()
}

// time is when an order says that something must come off.
func (o *Order) time() string { return cmp.Or(o.Due, o.Until) }

// Times returns when the device must come off and from when it is late, as
// RFC 3339 or days; "" if nothing says. An order in force that lifts the default
// counts alone (lifted), another one only if it asks for an earlier time.
func (d *Device) Times() (due, late string, lifted bool) {
	due, late = d.Due, d.Late
	if d.Order == nil {
		return due, late, false
	}
	if t := d.Order.time(); d.Order.Lifts(d.What + "-time") {
		return t, t, true
	} else if d.Order.Due != "" {
		due, late = sooner(due, t), sooner(late, t)
	}
	return due, late, false
}

func compareOrders(a, b Order) int {
	return cmp.Or(cmp.Compare(a.Animal, b.Animal), cmp.Compare(a.Day, b.Day), cmp.Compare(a.At, b.At), cmp.Compare(a.Event, b.Event))
}
