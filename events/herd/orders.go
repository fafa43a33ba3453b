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
//
// An order that its source changed without a person's word (see old.go) holds as
// it was and as it is: it is done, or ended, only if it would be in every wording,
// its first time is the one to look at and its last the one until which it holds.
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

	Old    bool   `json:",omitempty"` // its source no longer gives it, or gives another one, and nobody confirmed that
	Before []Said `json:",omitempty"` // what its source said of it before, and nobody confirmed the change
}

// Said is what one revision of a record says of an order.
type Said struct {
	Day     string
	At      string   `json:",omitempty"`
	Detail  string   `json:",omitempty"`
	By      string   `json:",omitempty"`
	Due     string   `json:",omitempty"`
	Until   string   `json:",omitempty"`
	Cancels []string `json:",omitempty"`
}

func (o *Order) said() Said { return Said{o.Day, o.At, o.Detail, o.By, o.Due, o.Until, o.Cancels} }

// wordings returns what the newest revision says of it and what earlier ones said
// that count until a person confirms.
func (o *Order) wordings() []Said { return append([]Said{o.said()}, o.Before...) }

func (o *Order) every(is func(s Said) bool) bool {
	return is(o.said()) && !slices.ContainsFunc(o.Before, func(s Said) bool { return !is(s) })
}

// vets reports whether it is a vet's, as the source says now or said before.
func (o *Order) vets() bool { return !o.every(func(s Said) bool { return s.By != vet }) }

// Same reports whether x is the same order: not another one of the same record.
func (o *Order) Same(x *Order) bool {
	return o.Event == x.Event && o.Old == x.Old && o.samePlace(x)
}

func (o *Order) samePlace(x *Order) bool {
	return o.What == x.What && o.Foot == x.Foot && o.Claw == x.Claw
}

// DueFirst returns the earliest time by which it must happen; "" if none is told.
func (o *Order) DueFirst() (due string) {
	for _, s := range o.wordings() {
		due = sooner(due, s.Due)
	}
	return due
}

// UntilLast returns the latest time until which it holds; "" if it has no end.
func (o *Order) UntilLast() string {
	until := o.Until
	for _, s := range o.Before {
		if until == "" || s.Until == "" {
			return ""
		}
		until = max(until, s.Until)
	}
	return until
}

// Open reports whether it is in force on a day: given, not done, not put out of
// force and not over.
func (o *Order) Open(day string) bool {
	given := slices.MinFunc(o.wordings(), func(a, b Said) int { return cmp.Compare(a.Day, b.Day) })
	return given.Day <= day && dayOf(day, never-1) < o.lastDay()
}

// Lifts reports whether it puts a default time out of force (code list
// order-cancels). One that names no other time lifts nothing: without a default
// nobody would be reminded. One that its source no longer gives does so only if it
// is a vet's.
func (o *Order) Lifts(time string) bool {
	if o.Old && !o.vets() {
		return false
	}
	return o.every(func(s Said) bool { return s.lifts(time) })
}

func (s Said) lifts(time string) bool { return s.time() != "" && slices.Contains(s.Cancels, time) }

// time is when it says that something must come off.
func (s Said) time() string { return cmp.Or(s.Due, s.Until) }

// lastDay returns the first day on which it is no longer in force, or never.
func (o *Order) lastDay() day {
	end := never
	for _, d := range []string{o.Done, o.Ended} {
		if d != "" {
			end = min(end, dayOf(d, never))
		}
	}
	if until, ok := parseDay(o.UntilLast()); ok {
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

// orders works out the orders about one animal from its facts and their old
// revisions, sorted by compareFacts, and its devices, and tells each device which
// order it goes by.
func orders(facts, old []*Fact, ds []Device) []Order {
	given := slices.DeleteFunc(slices.Concat(facts, old), func(f *Fact) bool { return f.Kind() != events.KindOrder })
	if len(given) == 0 {
		return nil
	}
	sortFacts(given)
	var out []Order
	newest := map[events.Entity]Order{}
	for _, f := range given {
		if f.state&stateOld == 0 {
			newest[f.Entity] = orderOf(f)
		}
	}
	before := map[events.Entity][]Said{}
	for _, f := range given {
		o := orderOf(f)
		if n, ok := newest[f.Entity]; o.Old && ok && o.samePlace(&n) {
			before[f.Entity] = append(before[f.Entity], o.said())
			continue
		}
		out = append(out, o)
	}
	for i := range out {
		if !out[i].Old {
			out[i].Before = before[out[i].Event]
		}
	}
	for i := range out {
		out[i].end(out)
		out[i].settle(facts, ds)
	}
	for i := range ds {
		ds[i].Order = ds[i].ordered(out)
	}
	return out
}

func orderOf(f *Fact) Order {
	p := f.Payload.(*events.Order)
	return Order{
		Event: f.Entity, Source: f.Source, Visit: f.Visit, Day: f.Day, At: f.At(), What: p.What, Foot: p.Foot, Claw: p.Claw, Detail: p.Detail,
		By: cmp.Or(p.OrderedBy, p.Role), Due: p.Due, Until: p.Until, Cancels: p.Cancels, Doubts: f.Doubts, Old: f.state&stateOld != 0,
	}
}

// end finds the first order that puts o out of force. One that its source no
// longer gives ends none, and one that was changed only if it did so all the time.
func (o *Order) end(all []Order) {
	for i := range all {
		x := &all[i]
		if len(x.Doubts) > 0 || x.Old || x.Event == o.Event || !x.behind(o) {
			continue
		}
		ours := !o.vets() || x.every(func(s Said) bool { return s.By == vet })
		if ours && (x.cancels(o) || x.replaces(o)) {
			o.Ended, o.EndBy = x.Day, x.Event
			return
		}
	}
}

// behind reports whether x was given after o, in every wording of both.
func (o *Order) behind(x *Order) bool {
	return o.every(func(s Said) bool {
		return x.every(func(y Said) bool { return afterwards(s.Day, s.At, y.Day, y.At) })
	})
}

// settle finds out whether it was done, in every wording.
func (o *Order) settle(facts []*Fact, ds []Device) {
	o.fulfil(facts, ds)
	for _, s := range o.Before {
		x := *o
		x.Day, x.At, x.Detail, x.By, x.Due, x.Until, x.Cancels, x.Done, x.DoneBy = s.Day, s.At, s.Detail, s.By, s.Due, s.Until, s.Cancels, "", ""
		x.fulfil(facts, ds)
		o.Early = max(o.Early, x.Early)
		if o.Done != "" && (x.Done == "" || x.Done > o.Done) {
			o.Done, o.DoneBy = x.Done, x.DoneBy
		}
	}
}

// cancels reports whether x cancels orders, and o is one it means.
func (o *Order) cancels(x *Order) bool {
	whole := o.Claw == "" || o.Claw == "unknown" || o.Claw == codes.NoClaw
	cancels := o.every(func(s Said) bool { return slices.Contains(s.Cancels, cancelsOrders) })
	return cancels && (o.Foot == "" || o.Foot == x.Foot && (whole || o.Claw == x.Claw))
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
		if o := &all[i]; o.means(d) && (newest == nil || o.outranks(newest)) {
			newest = o
		}
	}
	if newest == nil {
		return nil
	}
	x := *newest
	for i := range all { // what else the record says, or said, of the device
		if o := &all[i]; o.Event == x.Event && !o.Same(&x) && o.means(d) {
			x.Before = append(slices.Clone(x.Before), o.wordings()...)
		}
	}
	return &x
}

// means reports whether an order is about the device and counts.
func (o *Order) means(d *Device) bool {
	subject := o.device() == d.What || slices.Contains(o.Cancels, d.What+"-time")
	return subject && o.about(d) && o.Ended == "" && len(o.Doubts) == 0
}

// outranks reports whether o counts and not x, which is about the same device.
func (o *Order) outranks(x *Order) bool {
	if o.vets() != x.vets() {
		return o.vets()
	}
	return o.behind(x) || !x.behind(o) && sooner(o.time(), x.time()) == o.time()
}

// time is when an order says that something must come off: of several times the
// earliest.
func (o *Order) time() (t string) {
	for _, s := range o.wordings() {
		t = sooner(t, s.time())
	}
	return t
}

// Times returns when the device must come off and from when it is late, as
// RFC 3339 or days; "" if nothing says. An order in force that lifts the default
// counts alone (lifted), another one only if it asks for an earlier time. Of
// times that its sources changed and nobody confirmed it is the earliest, at which
// somebody looks; see Later.
func (d *Device) Times() (due, late string, lifted bool) {
	due, late = d.Due, d.Late
	if due != "" || late != "" { // without a time now, nobody knows: that is for a look at once
		for _, b := range d.Before {
			due, late = sooner(due, b.Due), sooner(late, b.Late)
		}
	}
	if d.Order == nil {
		return due, late, false
	}
	if d.Order.Lifts(d.What + "-time") {
		t := d.Order.time()
		return t, t, true
	} else if t := d.Order.DueFirst(); t != "" {
		due, late = sooner(due, t), sooner(late, t)
	}
	return due, late, false
}

// Later returns the last of the ends that its sources named, if they changed it
// and nobody confirmed that: from when a wrap is late, when a block was planned
// off, or the time of an order that lifts the default. Until then it counts as
// being in place by right; "" if they named one end only.
func (d *Device) Later() string {
	ends, byDefault := []string{}, d.Order == nil
	if o := d.Order; o != nil {
		for _, s := range o.wordings() {
			if s.lifts(d.What+"-time") && (!o.Old || o.vets()) {
				ends = append(ends, s.time())
			} else {
				byDefault = true
			}
		}
	}
	if byDefault {
		ends = append(ends, d.endOf(d.Late, d.Planned))
		for _, b := range d.Before {
			ends = append(ends, d.endOf(b.Late, b.Planned))
		}
	}
	slices.Sort(ends)
	if last := ends[len(ends)-1]; last != ends[0] {
		return last
	}
	return ""
}

// endOf returns which of two ends is that of the device.
func (d *Device) endOf(late, planned string) string {
	if d.What == "wrap" {
		return late
	}
	return planned
}

// PlannedFirst returns the earliest of the days on which its sources planned it
// off; "" if they planned none.
func (d *Device) PlannedFirst() string {
	planned := d.Planned
	for _, b := range d.Before {
		planned = sooner(planned, b.Planned)
	}
	return planned
}

// OnFirst returns the earliest of the days on which its sources said that it was
// put on.
func (d *Device) OnFirst() string {
	on := d.On
	for _, b := range d.Before {
		on = sooner(on, b.On)
	}
	return on
}

func compareOrders(a, b Order) int {
	return cmp.Or(cmp.Compare(a.Animal, b.Animal), cmp.Compare(a.Day, b.Day), cmp.Compare(a.At, b.At), cmp.Compare(a.Event, b.Event))
}
