package worklist

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/events/herd"
)

// devices adds what her blocks and wraps come to.
func (a *animal) devices() {
	for i := range a.Devices {
		d := &a.Devices[i]
		switch {
		case d.Off != "":
			a.lost(d)
		case d.What == "wrap":
			a.wrap(d)
		default:
			a.block(d)
		}
	}
	a.whichFoot()
}

// whichFoot adds blocks and wraps of which two sources tell on opposite feet.
func (a *animal) whichFoot() {
	for _, k := range []struct {
		what string
		kind *kind
	}{{"wrap", whichFootWrap}, {"block", whichFootBlock}} {
		var all []string
		since := ""
		for i := range a.Devices {
			if d := &a.Devices[i]; d.Off == "" && d.What == k.what && slices.Contains(d.Doubts, herd.KindMirroredFoot) {
				all = append(all, fmt.Sprintf("%s has it on %s since %s", strings.Join(d.Sources, ", "), place(d.Foot, d.Claw), d.On))
				since = d.On
			}
		}
		if len(all) > 0 {
			a.add(k.kind, fmt.Sprintf("%s, and on which foot? %s: look", k.what, strings.Join(all, "; ")), since, "")
		}
	}
}

// Dressed reports whether a wrap is a vet's dressing: put on by a vet, or for a
// purpose that says so.
func Dressed(d *herd.Device) bool {
	if d.ByVet {
		return true
	}
	purpose := strings.ToLower(d.Details.Purpose)
	return slices.ContainsFunc([]string{"vet", "surg", "operat", "amput"}, func(w string) bool { return strings.Contains(purpose, w) })
}

// wrap adds a wrap that is on.
func (a *animal) wrap(d *herd.Device) {
	k, text, closes := a.wrapWords(d)
	since := orDay(d.OnAt, d.On)
	a.add(k, text, since, closes)
}

// wrapWords tells what is to be done with a wrap that is on, and when that closes.
func (a *animal) wrapWords(d *herd.Device) (k *kind, text, closes string) {
	what := "wrap on " + place(d.Foot, "")
	since := orDay(d.OnAt, d.On)
	due, late, lifted := Times(d)
	later, open := a.laterEnd(d)
	do, done := "off", "off"
	if open {
		do, done = "look at it", "looked at"
	}
	switch {
	case Dressed(d):
		return dressing, fmt.Sprintf("vet dressing on %s since %s: do not remove; the vet says when", place(d.Foot, ""), a.say(since)), d.Planned
	case due == "" && late == "":
		return wrapUnknown, what + ", and nobody knows since when: look today", since
	case d.Found && !lifted:
		return wrapUnknown, fmt.Sprintf("%s, first seen %s, and nobody wrote when it was put on: look today", what, a.say(since)), since
	case late != "" && a.passed(late) && open:
		return wrapLate, fmt.Sprintf("%s since %s: late since %s, look at it at once%s%s", what, a.say(since), a.say(late), later, a.orderWords(d)), late
	case late != "" && a.passed(late):
		return wrapLate, fmt.Sprintf("%s since %s: late since %s, off at once", what, a.say(since), a.say(late)), late
	}
	plan, at := a.milking(d, time.Time{}), a.milking(d, a.at)
	when := do
	if plan.Before(a.at) {
		when = fmt.Sprintf("was to be %s at the milking of %s, not recorded: %s", done, plan.Format("2006-01-02 15:04"), do)
	}
	if at.Before(a.at) { // no milking is left before it is late
		when += " at once"
	} else {
		when += " at the milking of " + at.Format("2006-01-02 15:04")
	}
	k = wrapOn
	if plan.Format(time.DateOnly) <= a.day {
		k = wrapDue
	}
	return k, fmt.Sprintf("%s since %s: %s, late from %s%s%s", what, a.say(since), when, a.say(late), later, a.orderWords(d)), at.Format(time.RFC3339)
}

// laterEnd tells of the later of the ends that the sources of a device named and
// nobody confirmed; open reports whether it has not come.
func (a *animal) laterEnd(d *herd.Device) (words string, open bool) {
	end := d.Later()
	if end == "" || a.passed(end) {
		return "", false
	}
	return fmt.Sprintf(" (its source changed its end: the later one, %s, holds until a person confirms)", a.say(end)), true
}

// orderWords tells of an order about a device.
func (a *animal) orderWords(d *herd.Device) string {
	if d.Order == nil {
		return ""
	}
	return fmt.Sprintf(" (order of %s, %s: %s%s)", orderedBy(d.Order.By), d.Order.Day, d.Order.What, changed(d.Order, a.clock))
}

// milking returns the milking at which a wrap comes off: the first from when it
// is due, and not before a moment, so that the staff can do it, or the last
// before it is late where none lies between. Of a wrap of which only the day is
// known it is the first of the day it is due.
func (a *animal) milking(d *herd.Device, from time.Time) time.Time {
	dueText, lateText, _ := Times(d)
	due, ok := a.moment(dueText)
	late, lateKnown := a.moment(lateText)
	if !ok {
		due = late
	}
	if due.Before(from) && (!lateKnown || from.Before(late)) {
		due = from
	}
	last := due
	for day := due.AddDate(0, 0, -2).Format(time.DateOnly); ; day = addDays(day, 1) {
		for _, m := range a.set.Milkings {
			t := a.clockTime(day, m)
			switch {
			case !t.Before(due) && (!lateKnown || t.Before(late)):
				return t
			case !t.Before(due):
				return last
			}
			last = t
		}
	}
}

// block adds a block that is on.
func (a *animal) block(d *herd.Device) {
	on := d.OnFirst()
	n, ok := daysBetween(on, a.day)
	if !ok {
		return
	}
	age := count(n, "day", "days")
	what := fmt.Sprintf("block on %s since %s (%s)", place(d.Foot, d.Claw), on, age)
	if dry := a.stageSince(on); dry != "" {
		a.add(blockDry, what+": still on at "+dry, on, "")
	}
	if d.Found {
		what = fmt.Sprintf("block on %s, first seen %s (%s)", place(d.Foot, d.Claw), on, age)
	}
	switch d.State {
	case "rocking":
		a.add(rocking, what+": the claw rocks on it", lastCheck(d), "")
	case "loose", "worn":
		a.add(blockBad, what+": found "+d.State, lastCheck(d), "")
	}
	window := a.set.BlockCheckWindow(on)
	check, longest := window.From, window.To
	due, _, lifted := Times(d)
	if due == "" && !lifted {
		due = d.PlannedFirst()
	}
	later, open := a.laterEnd(d)
	switch planned := a.localDay(due); {
	case planned != "" && planned <= a.day && open:
		a.add(blockOff, fmt.Sprintf("%s: look at it from %s%s%s", what, planned, orWords(a.orderWords(d), " as planned"), later), on, planned)
	case planned != "" && planned <= a.day:
		a.add(blockOff, fmt.Sprintf("%s: off %s%s", what, planned, orWords(a.orderWords(d), " as planned")), on, planned)
	case lifted:
	case longest <= a.day:
		a.add(blockLong, what+": take it off", on, longest)
	case (check <= a.day || check < a.next) && lastCheck(d) < check:
		_, off := a.blockEnd(d)
		a.add(blockCheck, fmt.Sprintf("%s: check from %s, %s", what, check, off), on, longest)
	}
}

// lastCheck returns the day a device was last looked at, or "".
func lastCheck(d *herd.Device) string {
	if n := len(d.Checks); n > 0 {
		return d.Checks[n-1].Day
	}
	return ""
}

// stageSince tells whether she was dried off or calved with something on that was
// put on on a day, or is to be dried off on the day of the list.
func (a *animal) stageSince(on string) string {
	for _, d := range slices.Backward(a.Animal.DryOffs) {
		if d > on && d <= a.day {
			return "drying off on " + d
		}
	}
	if p := a.Animal.PlannedDryOff; p == a.day {
		return "drying off today"
	} else if p > on && p < a.day && p > a.Animal.LastCalving(a.day) && a.dry() == "" {
		return "drying off, planned for " + p + " and not recorded: dried?"
	}
	if c := a.Animal.LastCalving(a.day); c > on {
		return "calving on " + c
	}
	return ""
}

// lost adds a block that was found gone over a lesion that is open, and at which
// nobody looked since.
func (a *animal) lost(d *herd.Device) {
	if d.What != "block" || d.OffHow != "found-gone" {
		return
	}
	off := d.Off
	if d.Gone != "" && d.Gone < off {
		off = d.Gone
	}
	open := slices.IndexFunc(a.Cases, func(c herd.Case) bool { return c.Open && c.Foot == d.Foot && Relieved(&c) && len(c.Seen) > 0 })
	looked := slices.ContainsFunc(a.Feet, func(f herd.FootSeen) bool { return f.Foot == d.Foot && f.Day > d.Off })
	if open < 0 || looked {
		return
	}
	text := fmt.Sprintf("block on %s lost, found gone %s, over %s", place(d.Foot, d.Claw), d.Off, caseWords(&a.Cases[open]))
	if n, ok := daysBetween(d.On, off); ok && n < a.set.BlockEarly {
		text += fmt.Sprintf(" (early: after %s)", count(n, "day", "days"))
	}
	a.add(blockLost, text, d.Off, "")
}

// on returns the blocks and wraps she wears.
func (a *animal) on() (out []On) {
	for i := range a.Devices {
		d := &a.Devices[i]
		if d.Off != "" {
			continue
		}
		o := On{What: d.What, Foot: d.Foot, Since: orDay(d.OnAt, d.On), Dubious: d.Doubts}
		if d.What == "block" {
			o.Claw = d.Claw
			var off string
			o.Off, off = a.blockEnd(d)
			o.Text = fmt.Sprintf("block on %s since %s, %s", place(d.Foot, d.Claw), d.On, off)
		} else {
			due, _, _ := Times(d)
			o.Off, o.Leave = due, Dressed(d)
			o.Text = fmt.Sprintf("wrap on %s since %s, due off %s%s", place(d.Foot, ""), a.say(o.Since), orWords(a.say(due), "unknown"), a.bothEnds(d)+a.orderWords(d))
			if o.Leave {
				o.Off, o.Text = "", fmt.Sprintf("vet dressing on %s since %s: do not remove", place(d.Foot, ""), a.say(o.Since))
			}
		}
		o.Before = a.before(d)
		out = append(out, o)
	}
	return out
}

// bothEnds is laterEnd without whether it has come.
func (a *animal) bothEnds(d *herd.Device) string {
	words, _ := a.laterEnd(d)
	return words
}

// blockEnd returns the day by which a block comes off, as ordered, as planned, or
// when it has been on for long, and tells of it. Of two ends that its source named
// the earlier is for a look and the later one holds.
func (a *animal) blockEnd(d *herd.Device) (day, text string) {
	due, _, _ := Times(d)
	day = orDay(a.localDay(orDay(due, d.PlannedFirst())), addDays(d.OnFirst(), a.set.BlockLong))
	if later, open := a.laterEnd(d); open {
		return a.localDay(d.Later()), fmt.Sprintf("look at it from %s, off by %s%s", day, a.localDay(d.Later()), later)
	}
	text = "off by " + day
	if n, ok := daysBetween(day, a.day); ok && n > 0 {
		text += fmt.Sprintf(", overdue by %s", count(n, "day", "days"))
	}
	return day, text
}

// before tells what the sources of a device said before and nobody confirmed.
func (a *animal) before(d *herd.Device) (out []string) {
	if d.Old {
		out = append(out, "its source no longer tells of it; it counts as on until a person confirms")
	}
	for _, b := range d.Before {
		out = append(out, fmt.Sprintf("its source first said: on %s, due off %s; now: on %s, due off %s; until a person confirms, look at it at the earlier end, and the later one holds",
			a.say(orDay(b.OnAt, b.On)), orWords(a.say(orDay(b.Due, b.Planned)), "not told"),
			a.say(orDay(d.OnAt, d.On)), orWords(a.say(orDay(d.Due, d.Planned)), "not told")))
	}
	return out
}

func orWords(s, none string) string {
	if s == "" {
		return none
	}
	return s
}
