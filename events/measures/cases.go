package measures

import (
	"fmt"
	"slices"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/measures/stats"
	"dewclaw/schema/codes"
)

// caseRates makes the rates of new lesion cases and of recurrences, by class. The
// time is that of the animals present, for any of them can get a case.
func (w *work) caseRates() {
	w.chooseBase(Cows)
	w.parameter("days between two records of one case", w.q.Gap)
	days, parts := w.present()
	byClass := map[string]*caseCount{"": {}}
	doubtful, strange, others := 0, 0, 0
	for i := range w.d.Cases {
		c := &w.d.Cases[i]
		d := dayOf(c.First, never)
		switch {
		case !w.period.has(d):
		case len(c.Doubts) > 0:
			doubtful++
		case w.cows[c.Animal] == nil:
			strange++
		case !w.counts(c.Animal, d):
			others++
		default:
			if byClass[c.Class] == nil {
				byClass[c.Class] = &caseCount{}
			}
			byClass[""].take(c)
			byClass[c.Class].take(c)
			if w.q.By != "" {
				p := partOf(parts, w.groupOf(c.Animal, d, events.AsGiven{}))
				p.cases++
				p.ill.add(c.Animal, true, false)
				p.counted = append(p.counted, firstSeen(c)...)
			}
		}
	}
	w.leave("cases told of by records that contradict others", doubtful)
	w.leave("cases of animals no roster knows", strange)
	w.leave("cases of animals that were not among the "+w.report.Of, others)
	kinds := map[string][]string{}
	for _, class := range sortedClasses(byClass) {
		n, key, name := byClass[class], class, className(class)
		if class == "" {
			key, name = "any", "any lesion"
		}
		for _, x := range []struct {
			kind, what string
			of         []*herd.Case
		}{{"new", "new cases", n.all}, {"again", "of them recurrences", n.again}} {
			a := &atRisk{cases: len(x.of), days: days.days, rest: days.rest, there: days.there}
			for _, c := range x.of {
				a.ill.add(c.Animal, true, false)
				a.counted = append(a.counted, firstSeen(c)...)
			}
			k := x.kind + "." + slug(key)
			from := len(w.report.Figures)
			w.rates(k, x.what, a.cases, a.days, "cow-time present")
			for i := range w.report.Figures[from:] {
				w.report.Figures[from+i].Section = name
			}
			w.evidence(k, a)
			if class != "" {
				kinds[x.kind] = append(kinds[x.kind], k)
			}
		}
	}
	for _, kind := range []string{"new", "again"} {
		w.ratesAddUp(kind+".any", kinds[kind])
	}
	w.splitRates("new", "new cases", "cow-time present", parts)
	w.ratesAddUp("new.any", partKeys("new", parts))
	w.note("a case begins with the first record of it: how long the lesion was there before, nobody knows; of animals bought in, neither what they had before they came. A case on the day she leaves or is dried off counts, and that day is no time at risk")
}

// A caseCount is the cases of one class.
type caseCount struct{ all, again []*herd.Case }

func (n *caseCount) take(c *herd.Case) {
	n.all = append(n.all, c)
	if c.Recurrence {
		n.again = append(n.again, c)
	}
}

// firstSeen returns the events that a case begins with.
func firstSeen(c *herd.Case) (out []events.Entity) {
	if len(c.Seen) == 0 {
		return nil
	}
	for _, l := range c.Seen[0].Lesions {
		for _, r := range l.Reports {
			out = append(out, r.Entity)
		}
	}
	return out
}

// present returns the time of all animals asked for in the period, also by the
// parts of the split.
func (w *work) present() (*atRisk, map[string]*atRisk) {
	whole, parts := &atRisk{}, map[string]*atRisk{}
	for i := range w.d.Animals {
		c := w.cows[w.d.Animals[i].ID]
		spans := and(c.atRisk(w.base), []span{w.period})
		n := days(spans)
		if n == 0 {
			continue
		}
		whole.days += n
		whole.there.add(c.ID, true, false)
		whole.rest = append(whole.rest, c.Statements...)
		w.splitDays(c, spans, parts)
	}
	return whole, parts
}

// evidence gives the figures of a key their events.
func (w *work) evidence(key string, a *atRisk) {
	for _, unit := range []string{".year", ".month"} {
		if f := w.report.Figure(key + unit); f != nil {
			f.made(a.counted, a.rest)
			f.heads = a.heads()
		}
	}
}

// ratesAddUp says that cases of parts are those of a whole.
func (w *work) ratesAddUp(total string, parts []string) {
	for _, unit := range []string{".year", ".month"} {
		var keys []string
		for _, p := range parts {
			keys = append(keys, p+unit)
		}
		w.addsUp(total+unit, keys...)
	}
}

func partKeys(key string, parts map[string]*atRisk) (out []string) {
	for _, g := range sortedGroups(parts) {
		out = append(out, key+".by."+slug(g))
	}
	return out
}

// splitRates adds the rates of each part of a split; of two parts also ratio and
// difference.
func (w *work) splitRates(key, what, of string, parts map[string]*atRisk) {
	names := sortedGroups(parts)
	for _, g := range names {
		a, k := parts[g], key+".by."+slug(g)
		from := len(w.report.Figures)
		w.rates(k, what, a.cases, a.days, of)
		for i := range w.report.Figures[from:] {
			f := &w.report.Figures[from+i]
			f.Section, f.Group, f.Family = "by "+w.q.By, g, key+f.Unit
		}
		w.evidence(k, a)
	}
	if len(names) != 2 {
		return
	}
	a, b := parts[names[0]], parts[names[1]]
	if a.days == 0 || b.days == 0 {
		return
	}
	r := stats.RateRatio(b.cases, float64(b.days), a.cases, float64(a.days), w.q.Level)
	e := stats.RateRatioExact(b.cases, float64(b.days), a.cases, float64(a.days), w.q.Level)
	f := w.add(key+".by.ratio", fmt.Sprintf("%s: %s over %s", what, names[1], names[0]))
	from := []string{key + ".by." + slug(names[0]) + ".year", key + ".by." + slug(names[1]) + ".year"}
	f.Section, f.Unit, f.Value, f.from = "by "+w.q.By, "times", Number(e.Value), from
	f.Intervals = intervals(Interval{Log, Number(r.Low), Number(r.High)}, Interval{Exact, Number(e.Low), Number(e.High)})
	f.made(slices.Concat(a.counted, b.counted), nil)
	d := stats.RateDifference(b.cases, float64(b.days), a.cases, float64(a.days), w.q.Level)
	const perYear = 100 * daysAYear
	f = w.add(key+".by.difference", fmt.Sprintf("%s: %s less %s", what, names[1], names[0]))
	f.Section, f.Unit, f.Value, f.from = "by "+w.q.By, "per 100 cow-years", Number(d.Value*perYear), from
	f.Intervals = []Interval{interval(Normal, d.Interval, perYear)}
	f.made(slices.Concat(a.counted, b.counted), nil)
}

// intervals leaves out those that have no end at all.
func intervals(list ...Interval) (out []Interval) {
	for _, i := range list {
		if i.Low.Told() || i.High.Told() {
			out = append(out, i)
		}
	}
	return out
}

// className says a class of lesions for people: code and name.
func className(class string) string {
	if l := codes.Lesions().Get(class); l != nil {
		return class + " " + l.Name
	}
	return class
}

// sortedClasses sorts codes as the code list has them, "" first.
func sortedClasses[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	if _, ok := m[""]; ok {
		out = append(out, "")
	}
	for _, c := range codes.Lesions().Codes() {
		if _, ok := m[c]; ok {
			out = append(out, c)
		}
	}
	return out
}
