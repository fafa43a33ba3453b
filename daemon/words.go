package main

import (
	"fmt"
	"strings"

	"dewclaw/events"
)

// say tells what an event says in a few words, for lists: codes stay codes, for
// people of the trade read them, and "dewclaw codes" explains them.
func say(p events.Payload) string {
	var w words
	switch p := p.(type) {
	case *events.Visit:
		w.add(p.Purpose)
		w.pair("shown", count(p.Shown))
		w.pair("of", count(p.Eligible))
	case *events.Examination:
		for _, f := range p.Feet {
			if f.Examined == "yes" {
				w.add(f.Foot)
			}
		}
		w.add(p.Outcome, p.NotDone)
		if len(p.Reasons) > 0 && p.Reasons[0] != "not-stated" {
			w.add("because " + join(p.Reasons))
		}
	case *events.Lesion:
		w.add(p.Code, p.Foot, claw(p.Claw), p.Stage, p.Description)
		w.pair("zone", numbers(p.Zones.Numbers))
		w.pair("severity", p.Severity.Value)
		w.pair("size mm", p.SizeMM.String())
	case *events.Treatment:
		w.add(p.What, p.Foot, claw(p.Claw), p.Medicine.Name, p.Medicine.Quantity)
	case *events.TakenOff:
		w.add(p.What, p.How, p.Foot, claw(p.Claw))
	case *events.Check:
		w.add(p.What, p.State, p.Foot, claw(p.Claw))
		w.pair("since", p.Since)
	case *events.Claw:
		w.add(p.State, p.Foot, p.Claw, p.Cause)
		w.pair("since", p.Since)
		w.pair("until", p.Until)
	case *events.Order:
		w.add(p.What, p.Foot, claw(p.Claw), p.Detail)
		w.pair("due", p.Due)
		w.pair("until", p.Until)
		w.pair("by", p.OrderedBy)
		w.pair("cancels", strings.Join(p.Cancels, ","))
	case *events.Group:
		w.add(p.What, p.Product, p.Concentration)
		w.pair("pens", strings.Join(p.Pens, ","))
		w.pair("passed", count(p.Passed))
	case *events.Locomotion:
		w.pair("score", p.Score.String())
		w.add(p.NotScorable)
		w.pair("on", p.Scale)
		w.pair("lame", p.Derived.Lame)
	case *events.ClawMeasure:
		w.add(p.What, p.Foot, claw(p.Claw), p.Value.String(), p.Unit, p.When)
	case *events.Animal:
		w.pair("born", p.Born)
		w.pair("parity", count(p.Parity))
		w.pair("calved", strings.Join(p.Calvings, " "))
		w.pair("left", p.Left)
	case *events.Decision:
		w.add(p.Action, p.Held)
		for _, s := range p.Set {
			w = append(w, fmt.Sprintf("%s %s -> %s", s.Field, quoteEmpty(s.From), quoteEmpty(s.To)))
		}
		w.pair("by", p.Who)
		w.pair("why", p.Why)
	}
	for _, n := range p.Base().Notes {
		w = append(w, "! "+n.Code)
	}
	return strings.Join(w, " ")
}

// words are gathered and joined by blanks; empty ones are left out.
type words []string

func (w *words) add(list ...string) {
	for _, s := range list {
		if s != "" {
			*w = append(*w, s)
		}
	}
}

func (w *words) pair(name, value string) {
	if value != "" {
		*w = append(*w, name, value)
	}
}

func claw(c string) string {
	if c == "none" {
		return ""
	}
	return c
}

func count(n *int) string {
	if n == nil {
		return ""
	}
	return fmt.Sprint(*n)
}

func quoteEmpty(s string) string {
	if s == "" {
		return "nothing"
	}
	return s
}

// when tells when a fact occurred: the day, and the time of day if it is known.
func when(o events.Occurred) string {
	return strings.TrimSpace(o.Date + " " + o.Time)
}

// plural writes a number with its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func numbers(list []int) string {
	var w words
	for _, n := range list {
		w.add(fmt.Sprint(n))
	}
	return strings.Join(w, ",")
}

// lines names the lines of a record: "line 5", "lines 5 to 7".
func lines(member string, first, last int) string {
	s := ""
	switch {
	case first == 0:
	case last > first:
		s = fmt.Sprintf("lines %d to %d", first, last)
	default:
		s = fmt.Sprintf("line %d", first)
	}
	if member != "" {
		s = safe(member) + " " + s
	}
	return s
}

// colon puts a colon before s, if there is anything to say.
func colon(s string) string {
	if s == "" {
		return ""
	}
	return ": " + s
}
