package oracle

import (
	"dewclaw/events"
)

// orders judges what was ordered. What the source of an order changed and nobody
// confirmed holds in each of its wordings: it is due at the earliest of their
// times, and in force as long as one of them is.
func (j *judge) orders() {
	for i := range j.facts {
		f := &j.facts[i]
		o := f.order()
		if o == nil || !j.inForce(f) {
			continue
		}
		due := ""
		for _, p := range f.said {
			if d := p.(*events.Order).Due; d != "" && (due == "" || d < due) {
				due = d
			}
		}
		if due == "" {
			due = lastUntil(f)
		}
		switch o.What {
		case "separate":
			j.say("this visit", "order-keep", due)
		case "other":
			j.say("this visit", "order", due)
		}
	}
}

// lastUntil is the last of the days until which the wordings of an order hold; ""
// if one of them has no end.
func lastUntil(f *fact) string {
	last := ""
	for _, p := range f.said {
		switch u := p.(*events.Order).Until; {
		case u == "":
			return ""
		case u > last:
			last = u
		}
	}
	return last
}

// inForce reports whether an order is not over, and no later one about the same is
// in its place. What a vet ordered only a vet's order ends.
func (j *judge) inForce(f *fact) bool {
	if until := lastUntil(f); until != "" && until < j.day {
		return false
	}
	o := f.order()
	return o.What == "other" || !j.any(func(g *fact) bool {
		x := g.order()
		return x != nil && g.day > f.day && x.What == o.What && x.Foot == o.Foot && (!byVet(f, false) || byVet(g, true))
	})
}

// byVet reports whether one of the wordings of an order, or each, is a vet's.
func byVet(f *fact, each bool) bool {
	for _, p := range f.said {
		if (p.(*events.Order).OrderedBy == "vet") != each {
			return !each
		}
	}
	return each
}
