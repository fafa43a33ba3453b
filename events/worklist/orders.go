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
			a.add(orderVet, orderText(o, a.clock), o.Day, orDay(o.Due, o.Until))
		case "separate":
			a.add(orderKeep, orderText(o, a.clock), o.Day, orDay(o.Due, o.Until))
		default:
			a.add(orderGiven, orderText(o, a.clock), o.Day, orDay(o.Due, o.Until))
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
	return slices.ContainsFunc(a.Devices, func(d herd.Device) bool { return d.Off == "" && d.Order != nil && d.Order.Event == o.Event })
}

func orderText(o *herd.Order, c clock) string {
	name := o.What
	if x := codes.Orders().Get(o.What); x != nil && o.What != "other" {
		name = x.Name
	}
	by := o.By
	if by == "" || by == "not-stated" {
		by = "somebody"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "order of %s, %s: %s", by, o.Day, name)
	if o.Foot != "" {
		b.WriteString(" on " + place(o.Foot, o.Claw))
	}
	if o.Detail != "" {
		b.WriteString(", " + o.Detail)
	}
	if o.Due != "" {
		b.WriteString(", due " + c.say(o.Due))
	}
	if o.Until != "" {
		b.WriteString(", until " + c.say(o.Until))
	}
	return b.String()
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
