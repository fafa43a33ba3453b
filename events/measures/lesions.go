package measures

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"dewclaw/events"
	"dewclaw/events/measures/stats"
	"dewclaw/schema/codes"
)

// A unit is what is counted: an animal, a foot or a claw, that was examined at
// least once.
type unit struct {
	animal, foot, claw string
}

// examined are units with the codes found on each, and the events behind.
type examined struct {
	units map[unit]*unitSeen
	base  []events.Entity // of all of them, sorted; made when first asked for
	order []unit          // all of them, by animal, foot and claw; made when first asked for
}

type unitSeen struct {
	codes  map[string][]events.Entity // code to its findings; kinds are not yet added to their parents
	events []events.Entity            // of the examinations
}

func newExamined() *examined { return &examined{units: map[unit]*unitSeen{}} }

// events returns what tells that the units were examined. It is shared.
func (x *examined) events() []events.Entity {
	if x.base == nil {
		for _, s := range x.units {
			x.base = append(x.base, s.events...)
		}
		x.base = tidy(x.base)
	}
	return x.base
}

func (x *examined) at(u unit) *unitSeen {
	s := x.units[u]
	if s == nil {
		s = &unitSeen{codes: map[string][]events.Entity{}}
		x.units[u] = s
	}
	return s
}

// Levels at which lesions are counted.
const (
	animalLevel = "animals"
	footLevel   = "feet"
	clawLevel   = "claws"
)

// count gathers the units of one level in some visits. Findings of the skin of
// the foot belong to no claw, nor do those whose claw nobody wrote.
func (w *work) countUnits(visits []*visit, level string) (x *examined, noClaw int) {
	x = newExamined()
	for _, v := range visits {
		feet := slices.Sorted(maps.Keys(v.feet))
		switch level {
		case animalLevel:
			s := x.at(unit{animal: v.animal})
			s.events = append(s.events, v.made...)
			s.take(v.found)
		case footLevel:
			for _, foot := range feet {
				s := x.at(unit{v.animal, foot, ""})
				s.events = append(s.events, v.made...)
				s.take(onFoot(v.found, foot))
			}
		case clawLevel:
			for _, foot := range feet {
				noClaw += w.countClaws(x, v, foot)
			}
		}
	}
	return x, noClaw
}

// countClaws adds the claws of a foot and returns how many findings have no place
// on one of them.
func (w *work) countClaws(x *examined, v *visit, foot string) (noClaw int) {
	here := onFoot(v.found, foot)
	for _, claw := range claws {
		if !w.has(v.animal, foot, claw, v.day) {
			continue
		}
		s := x.at(unit{v.animal, foot, claw})
		s.events = append(s.events, v.made...)
		s.take(slices.DeleteFunc(slices.Clone(here), func(f *found) bool { return f.lesion.Claw != claw || isSkin(f.lesion.Code) }))
	}
	for _, f := range here {
		if !isSkin(f.lesion.Code) && !slices.Contains(claws, f.lesion.Claw) {
			noClaw++
		}
	}
	return noClaw
}

func onFoot(list []*found, foot string) (out []*found) {
	for _, f := range list {
		if f.lesion.Foot == foot {
			out = append(out, f)
		}
	}
	return out
}

func isSkin(code string) bool {
	l := codes.Lesions().Get(code)
	return l != nil && l.Level == "foot"
}

func (s *unitSeen) take(list []*found) {
	for _, f := range list {
		s.codes[f.lesion.Code] = append(s.codes[f.lesion.Code], f.fact.Entity)
	}
}

// having returns the findings of a code or of its kinds; "" is any code.
func (s *unitSeen) having(code string) (out []events.Entity) {
	for c, list := range s.codes {
		if code == "" || codes.Lesions().Is(c, code) {
			out = append(out, list...)
		}
	}
	return out
}

// A lesionCount is how many units have a code.
type lesionCount struct {
	tally
	clusters []stats.Cluster // by animal
}

func (x *examined) count(code string) (c lesionCount) {
	if len(x.order) != len(x.units) {
		x.order = slices.SortedFunc(maps.Keys(x.units), compareUnits)
	}
	for i, u := range x.order {
		if i == 0 || x.order[i-1].animal != u.animal {
			c.clusters = append(c.clusters, stats.Cluster{})
		}
		cl := &c.clusters[len(c.clusters)-1]
		c.n++
		cl.N++
		if found := x.units[u].having(code); len(found) > 0 {
			c.x++
			cl.X++
			c.counted = append(c.counted, found...)
		}
	}
	c.rest = x.events()
	return c
}

func compareUnits(a, b unit) int {
	return cmp.Or(cmp.Compare(a.animal, b.animal), cmp.Compare(a.foot, b.foot), cmp.Compare(a.claw, b.claw))
}

// codesFound returns every code found in the visits with its parents, in the order
// of the code list.
func codesFound(visits []*visit) []string {
	all := map[string]bool{}
	for _, v := range visits {
		for _, f := range v.found {
			for code := f.lesion.Code; code != ""; {
				all[code] = true
				l := codes.Lesions().Get(code)
				if l == nil {
					break
				}
				code = l.Parent
			}
		}
	}
	return sortedClasses(all)
}

// lesions makes the prevalence of lesions at trimming: animals, feet and claws
// with a finding of those examined, for each code, whole and by the reason the
// animals were on the chute.
func (w *work) lesions() {
	w.chooseBase(Cows)
	visits := w.among(w.makeVisits())
	if w.q.By != "" {
		w.splitLesions(visits)
		return
	}
	found := codesFound(visits)
	for _, level := range []string{animalLevel, footLevel, clawLevel} {
		w.lesionLevel(visits, found, level, "")
	}
	byReason := byReason(visits)
	for _, r := range reasonGroups {
		if len(byReason[r]) > 0 && len(byReason) > 1 {
			w.lesionLevel(byReason[r], found, animalLevel, r)
		}
	}
	w.lesionsAddUp(byReason, found)
	w.trimmingNotes(visits, found)
}

// lesionsAddUp says what could be subtracted: animals examined for one reason of all,
// and one class of any, where no unit has two.
func (w *work) lesionsAddUp(byReason map[string][]*visit, found []string) {
	names := []string{"any"}
	for _, c := range topCodes(found) {
		names = append(names, slug(c))
	}
	levels := []string{animalLevel, footLevel, clawLevel}
	for _, name := range names {
		var parts []string
		for _, r := range reasonGroups {
			if len(byReason[r]) > 0 {
				parts = append(parts, animalLevel+"."+slug(r)+"."+name)
			}
		}
		w.addsUp(animalLevel+"."+name, parts...)
	}
	for r := range byReason {
		levels = append(levels, animalLevel+"."+slug(r))
	}
	slices.Sort(levels)
	for _, level := range levels {
		any, all := w.report.Figure(level+".any"), 0
		var parts []string
		for _, name := range names[1:] {
			if f := w.report.Figure(level + "." + name); f != nil {
				all += *f.X
				parts = append(parts, f.Key)
			}
		}
		if any != nil && *any.X == all {
			w.addsUp(any.Key, parts...)
		}
	}
}

func byReason(visits []*visit) map[string][]*visit {
	out := map[string][]*visit{}
	for _, v := range visits {
		out[v.reason] = append(out[v.reason], v)
	}
	return out
}

// lesionLevel adds the figures of one level; reason is "" for all visits.
func (w *work) lesionLevel(visits []*visit, found []string, level, reason string) {
	x, noClaw := w.countUnits(visits, level)
	section := level + " examined"
	key := level
	if reason != "" {
		section += ": " + reason
		key += "." + slug(reason)
	}
	for _, code := range append([]string{""}, found...) {
		if level == clawLevel && isSkin(code) {
			continue
		}
		name, k := "any lesion", "any"
		if code != "" {
			name, k = className(code), code
		}
		c := x.count(code)
		f := w.lesionShare(key+"."+slug(k), name, c, level)
		f.Section = section
		if level == animalLevel {
			if reason != "" {
				f.caution("animals chosen for this reason, not the herd")
				f.cautions()
				continue
			}
			w.trimCover(f, visits)
			switch {
			case len(lesionRanges[code]) == 0:
			case !oneRound(visits):
				f.caution("not compared with published figures: those are of one trim of each animal, and this is of all visits of a longer time")
			case wellRecorded(visits):
				f.compare(lesionRanges[code])
			}
		}
		if level == clawLevel && code == "" && noClaw > 0 {
			f.note("not in it: %s whose claw nobody wrote, or on a dewclaw; the truth is not lower", plural(noClaw, "finding"))
		}
	}
}

// lesionShare adds the share of a count; feet and claws of one animal are alike,
// so their intervals carry a design effect.
func (w *work) lesionShare(key, name string, c lesionCount, level string) *Figure {
	f := w.share(key, name, c.x, c.n, level+" examined")
	f.Events, f.Base = tidy(c.counted), c.rest
	if level == animalLevel {
		return f
	}
	f.heads = &heads{n: len(c.clusters)}
	for _, cl := range c.clusters {
		f.heads.counted += boolInt(cl.X > 0)
		f.heads.rest += boolInt(cl.X < cl.N)
	}
	f.heads.sure = f.heads.rest
	if effect := stats.DesignEffect(c.clusters); effect > 1 {
		f.Intervals = []Interval{interval(WilsonDesign, stats.WilsonDesign(c.x, c.n, effect, w.q.Level), 100)}
		if len(c.clusters) >= fewAnimals {
			f.note("design effect %.2f: %s of one animal are alike", effect, level)
		}
	}
	return f
}

// trimCover says how much of the herd was examined.
func (w *work) trimCover(f *Figure, visits []*visit) {
	f.covers(w.known(visits), w.eligibleIn(), w.report.Of).cautions()
}

// known counts the animals of visits that the rosters know.
func (w *work) known(visits []*visit) int {
	seen := map[string]bool{}
	for _, v := range visits {
		if w.cows[v.animal] != nil {
			seen[v.animal] = true
		}
	}
	return len(seen)
}

// eligibleParts counts the animals of the rosters that were in each part of the split
// on at least one day of the period on which they were among those asked for.
func (w *work) eligibleParts() map[string]int {
	out := map[string]int{}
	for id, spans := range w.spans {
		in := map[string]bool{}
		for _, s := range and(spans, []span{w.period}) {
			for d := s.from; d < s.to; d++ {
				in[w.groupOf(id, d, events.AsGiven{})] = true
			}
		}
		for g := range in {
			out[g]++
		}
	}
	return out
}

// trimmingNotes warns of what makes lesion figures lie.
func (w *work) trimmingNotes(visits []*visit, found []string) {
	all, four := map[string]bool{}, map[string]bool{}
	for _, v := range visits {
		all[v.animal] = true
		if len(v.feet) == 4 {
			four[v.animal] = true
		}
	}
	if len(all) > 0 {
		w.note("of %d animals all four feet were examined at least once at one time: %d; a foot nobody lifted is not counted as clear", len(all), len(four))
	}
	byDay := map[day]map[string]bool{}
	for _, v := range visits {
		if byDay[v.day] == nil {
			byDay[v.day] = map[string]bool{}
		}
		byDay[v.day][v.animal] = byDay[v.day][v.animal] || len(v.found) > 0
	}
	var none []string
	for _, d := range slices.Sorted(maps.Keys(byDay)) {
		clear := 0
		for _, hasFinding := range byDay[d] {
			if !hasFinding {
				clear++
			}
		}
		if clear == 0 && len(byDay[d]) > 10 {
			none = append(none, d.String())
		}
	}
	if len(none) > 0 {
		w.note("on %s every animal has a finding (first %s): are animals without findings recorded? If not, every share here is too high", plural(len(none), "day"), none[0])
	}
	if len(found) > 0 {
		w.note("a kind counts for its parent too: SU for U, WLF for WL")
	}
}

// splitLesions adds the share with any lesion, and with each class, by parts of a
// split.
func (w *work) splitLesions(visits []*visit) {
	switch w.q.By {
	case ByFoot:
		w.splitFeet(visits)
		return
	case ByZone:
		w.zoneFigures(visits)
		return
	}
	parts := map[string][]*visit{}
	for _, v := range visits {
		g := w.groupOf(v.animal, v.day, v.pen)
		parts[g] = append(parts[g], v)
	}
	var told []tally
	names, eligible := sortedGroups(parts), w.eligibleParts()
	for _, g := range names {
		x, _ := w.countUnits(parts[g], animalLevel)
		for _, code := range append([]string{""}, topCodes(codesFound(visits))...) {
			name, k := "any lesion", "any"
			if code != "" {
				name, k = className(code), code
			}
			c := x.count(code)
			f := w.lesionShare("animals."+slug(k)+"."+slug(g), name, c, animalLevel)
			f.Section, f.Group = "by "+w.q.By, g
			f.covers(w.known(parts[g]), eligible[g], w.report.Of+" that were in this part").cautions()
			if code == "" {
				told = append(told, c.tally)
			}
		}
	}
	if len(told) == 2 {
		w.compareShares("animals.any", "any lesion", names, told)
	}
	w.note("an animal counts in every part in which she was examined; parts need not add up to the whole")
}

// topCodes keeps the codes without a parent.
func topCodes(list []string) (out []string) {
	for _, c := range list {
		if l := codes.Lesions().Get(c); l != nil && l.Parent == "" {
			out = append(out, c)
		}
	}
	return out
}

// splitFeet adds the share of each foot.
func (w *work) splitFeet(visits []*visit) {
	all, _ := w.countUnits(visits, footLevel)
	for _, foot := range codes.Find("feet").Codes() {
		x := newExamined()
		for u, s := range all.units {
			if u.foot == foot {
				x.units[u] = s
			}
		}
		if len(x.units) == 0 {
			continue
		}
		for _, code := range append([]string{""}, topCodes(codesFound(visits))...) {
			name, k := "any lesion", "any"
			if code != "" {
				name, k = className(code), code
			}
			f := w.lesionShare(fmt.Sprintf("feet.%s.%s", slug(k), foot), name, x.count(code), footLevel)
			f.Section, f.Group = "by foot", foot
			w.trimCover(f, visits)
		}
	}
}
