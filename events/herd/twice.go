package herd

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"dewclaw/events"
)

// This file finds what one source tells twice. A source without record keys
// knows a record by its animal, day and time: when one of these is corrected at
// the device, the corrected record is a second fact beside the first.

// A telling is one record of one source on one day: its facts and what they say.
type telling struct {
	record, source string
	day            day
	time           string
	facts          []*Fact
	says           string // everything but identifiers, day and time
	full           bool   // it tells of a lesion or a treatment, or is a score
}

// tellings groups facts by record and day, sorted by record.
func tellings(facts []*Fact) []*telling {
	byRecord := map[string]*telling{}
	var out []*telling
	for _, f := range facts {
		k := f.record() + f.Day + f.Source
		t := byRecord[k]
		if t == nil {
			t = &telling{record: f.record(), source: f.Source, day: f.day}
			byRecord[k] = t
			out = append(out, t)
		}
		t.time = max(t.time, f.Time())
		t.facts = append(t.facts, f)
	}
	for _, t := range out {
		var parts []string
		for _, f := range t.facts {
			s, full := saying(f)
			t.full = t.full || full
			if s != "" {
				parts = append(parts, s)
			}
		}
		slices.Sort(parts)
		t.says = strings.Join(parts, "\n")
	}
	slices.SortFunc(out, func(a, b *telling) int {
		return cmp.Or(cmp.Compare(a.day, b.day), cmp.Compare(a.time, b.time), cmp.Compare(a.record, b.record))
	})
	return out
}

// saying puts what a fact says into one line; measures and remarks are left out,
// for they are what a device fills in anew.
func saying(f *Fact) (line string, full bool) {
	switch p := f.Payload.(type) {
	case *events.Lesion:
		zones := make([]string, 0, len(p.Zones.Numbers))
		for _, z := range p.Zones.Numbers {
			zones = append(zones, strconv.Itoa(z))
		}
		return strings.Join([]string{"lesion", p.Foot, p.Claw, p.Code, strings.Join(zones, ","), p.Stage, p.Severity.Scale, p.Severity.Value, p.Description}, "|"), true
	case *events.Treatment:
		return strings.Join([]string{"treatment", p.Foot, p.Claw, p.What, p.Medicine.Name}, "|"), true
	case *events.TakenOff:
		return strings.Join([]string{"taken-off", p.Foot, p.Claw, p.What}, "|"), true
	case *events.Check:
		return strings.Join([]string{"check", p.Foot, p.Claw, p.What, p.State}, "|"), false
	case *events.Claw:
		return strings.Join([]string{"claw", p.Foot, p.Claw, p.State}, "|"), false
	case *events.Order:
		return strings.Join([]string{"order", p.Foot, p.Claw, p.What, p.Due, p.Until, p.Detail}, "|"), true
	case *events.Locomotion:
		return strings.Join([]string{"score", p.Scale, p.Score.String(), p.Limb, p.Observer}, "|"), true
	}
	return "", false
}

// isScore reports whether the telling is a score alone.
func (t *telling) isScore() bool {
	return len(t.facts) == 1 && t.facts[0].Kind() == events.KindLocomotion
}

// twice finds records of one source about this animal that say the same. Each of one
// day is told of once, beside the first that it may repeat: a device that says the
// same four hundred times makes four hundred contradictions, not one a pair.
func (c *caseFile) twice() {
	bySaying, days := map[string][]*telling{}, map[string]int{}
	at := map[string]day{}
	var sayings []string
	for _, t := range tellings(c.facts) {
		if !t.full {
			continue
		}
		if was, ok := at[t.moment()]; !ok || was != t.day { // they are in the order of days
			days[t.moment()]++
		}
		at[t.moment()] = t.day
		k := t.source + "\n" + t.says
		if bySaying[k] == nil {
			sayings = append(sayings, k)
		}
		bySaying[k] = append(bySaying[k], t)
	}
	for _, k := range sayings {
		group := bySaying[k] // sorted by day and time
		from := 0            // of the day, the first that may be near
		for i, o := range group {
			for from < i && (group[from].day != o.day || !nearTimes(group[from], o)) {
				from++
			}
			if from < i {
				t := group[from]
				x := c.add(KindNearDuplicate, fmt.Sprintf("%s tells the same twice on %s%s: a corrected time?", t.source, t.day, times(t, o)),
					slices.Concat(t.facts, o.facts)...)
				x.LeftOut = entities(o.facts) // it is true once
			}
		}
		c.otherDay(group, days)
	}
}

// otherDay finds records that say the same at one time of two days that look alike;
// days counts on how many a source tells of the animal at that time.
func (c *caseFile) otherDay(group []*telling, days map[string]int) {
	atTime := map[string][]*telling{}
	for _, o := range group {
		if o.time == "" || days[o.moment()] >= habit {
			continue
		}
		for _, t := range atTime[o.time] {
			if o.record != t.record && o.day != t.day && likeDays(t.day.String(), o.day.String()) {
				c.add(KindNearDuplicate, fmt.Sprintf("%s tells the same at %s on %s and on %s: a corrected day?", t.source, t.time, t.day, o.day),
					slices.Concat(t.facts, o.facts)...)
			}
		}
		atTime[o.time] = append(atTime[o.time], o)
	}
}

// habit is on how many days a source must tell of an animal at one time of the day for
// that to be how it works, as of a scorer that looks each day at six: then the same
// time on another day is no sign of a corrected day (common practice, no source).
const habit = 3

// moment is the source and the time of the day.
func (t *telling) moment() string { return t.source + "\n" + t.time }

func entities(facts []*Fact) (out []events.Entity) {
	for _, f := range facts {
		out = append(out, f.Entity)
	}
	return out
}

// nearHours is how near two equal tellings of one day must be to look like one
// (common practice, no source). A score given at another time is another score.
const nearHours = 6

func nearTimes(a, b *telling) bool {
	if a.time == "" || b.time == "" || a.time == b.time {
		return true
	}
	if a.isScore() || b.isScore() {
		return false
	}
	x, y := minutes(a.time), minutes(b.time)
	return max(x, y)-min(x, y) < nearHours*60
}

// minutes reads HH:MM and what follows.
func minutes(clock string) int {
	if len(clock) < 5 {
		return 0
	}
	h, _ := digits(clock[:2])
	m, _ := digits(clock[3:5])
	return h*60 + m
}

func times(a, b *telling) string {
	switch {
	case a.time == b.time && a.time == "":
		return ""
	case a.time == "":
		return ", once without a time and once at " + b.time
	case a.time == b.time:
		return ", both at " + a.time
	}
	return ", at " + a.time + " and at " + b.time
}

// likeDays reports whether a day may be the other one mistyped: one digit off,
// two neighbours changed, or day and month changed.
func likeDays(a, b string) bool {
	return nearness(a, b) != "" || a[:4] == b[:4] && a[5:7] == b[8:10] && a[8:10] == b[5:7]
}

// swapped finds records of one source at one moment that say the same of this
// animal and of another whose identifier looks alike.
func (c *caseFile) swapped() {
	for _, w := range c.twins {
		like := ""
		for _, n := range w.own {
			for _, m := range w.ids {
				if n.scheme == m.scheme && nearness(n.value, m.value) != "" {
					like = fmt.Sprintf("%s %s and %s", n.scheme, min(n.value, m.value), max(n.value, m.value))
				}
			}
		}
		own := recordFacts(c.facts, w.f)
		if like == "" || !sameSaying(own, w.facts) {
			continue
		}
		x := c.add(KindNearDuplicate, fmt.Sprintf("%s tells the same of %s at %s on %s: a corrected identifier?", w.f.Source, like, w.f.Time(), w.f.Day),
			slices.Concat(own, w.facts)...)
		x.Animals = append(x.Animals, w.animal)
	}
}

// recordFacts returns the facts of the record of f on its day.
func recordFacts(facts []*Fact, f *Fact) (out []*Fact) {
	for _, g := range facts {
		if g.record() == f.record() && g.day == f.day {
			out = append(out, g)
		}
	}
	return out
}

func sameSaying(a, b []*Fact) bool {
	x, y := tellings(a), tellings(b)
	return len(x) == 1 && len(y) == 1 && x[0].full && x[0].says == y[0].says
}
