package worklist

import (
	"fmt"
	"slices"
	"strings"

	"dewclaw/events/herd"
	"dewclaw/schema/codes"
)

// orders adds what was ordered and is not done, and wounds that do not heal.
// Orders about a block or wrap that is on stand with it.
func (a *animal) orders() {
	for i := range a.Orders {
		o := &a.Orders[i]
		if !o.Open(a.day) || a.aboutDevice(o) {
			continue
		}
		switch o.What {
		case "not-trim", "lift", "leave-wrap", "leave-block":
		case "vet":
			a.add(orderVet, orderText(o, a.clock), o.Day, orDay(o.DueFirst(), o.UntilLast()))
		case "separate":
			a.add(orderKeep, orderText(o, a.clock), o.Day, orDay(o.DueFirst(), o.UntilLast()))
		default:
			a.add(orderGiven, orderText(o, a.clock), o.Day, orDay(o.DueFirst(), o.UntilLast()))
		}
	}
	for _, w := range a.Wounds {
		if w.State == "not-healing" {
			a.add(notImproving, fmt.Sprintf("not improving: wound on %s, looked at %s, is not healing", place(w.Foot, w.Claw), w.Last), w.Last, "")
		}
	}
}

// aboutDevice reports whether an order is about a block or wrap that is on: its
// time is that of the device.
func (a *animal) aboutDevice(o *herd.Order) bool {
	return slices.ContainsFunc(a.Devices, func(d herd.Device) bool { return d.Off == "" && d.Order != nil && d.Order.Same(o) })
}

func orderText(o *herd.Order, c clock) string {
	name := o.What
	if x := codes.Orders().Get(o.What); x != nil && o.What != "other" {
		name = x.Name
	}
	var b strings.Builder
	fmt.Fprintf(&b, "order of %s, %s: %s", orderedBy(o.By), o.Day, name)
	if o.Foot != "" {
		b.WriteString(" on " + place(o.Foot, o.Claw))
	}
	b.WriteString(saidWords(o.Detail, o.Due, o.Until, c))
	b.WriteString(changed(o, c))
	return b.String()
}

func orderedBy(role string) string {
	if role == "" || role == "not-stated" {
		return "somebody"
	}
	return role
}

func saidWords(detail, due, until string, c clock) (s string) {
	if detail != "" {
		s += ", " + detail
	}
	if due != "" {
		s += ", due " + c.say(due)
	}
	if until != "" {
		s += ", until " + c.say(until)
	}
	return s
}

// changed tells what the source of an order said before and nobody confirmed.
func changed(o *herd.Order, c clock) (s string) {
	for _, x := range o.Before {
		s += fmt.Sprintf("; its source said otherwise before: order of %s, %s%s", orderedBy(x.By), x.Day, orWords(saidWords(x.Detail, x.Due, x.Until, c), ", without a time"))
	}
	switch {
	case o.Old:
		return s + "; its source no longer says so: it holds until a person confirms"
	case s != "":
		return s + "; the more careful of all holds until a person confirms"
	}
	return ""
}

// lifted reports whether an order in force puts a default time out of force: of
// a foot, or of the whole animal with foot "".
func (a *animal) lifted(time, foot string) bool {
	return slices.ContainsFunc(a.Orders, func(o herd.Order) bool {
		return o.Open(a.day) && o.Lifts(time) && (o.Foot == "" || o.Foot == foot)
	})
}

// forbidden returns the orders that say that nobody trims her.
func (a *animal) forbidden() (out []herd.Order) {
	for _, o := range a.Orders {
		if o.What == "not-trim" && o.Open(a.day) {
			out = append(out, o)
		}
	}
	return out
}

// lostClaws tells which claws are not there, or without horn.
func (a *animal) lostClaws() (out []string) {
	for _, c := range a.Claws {
		if c.Since > a.day || c.Until != "" && c.Until <= a.day {
			continue
		}
		what := "has no horn since"
		if c.State == "absent" {
			what = "is absent since"
		}
		out = append(out, fmt.Sprintf("claw %s %s %s", place(c.Foot, c.Claw), what, c.Since))
	}
	return out
}
