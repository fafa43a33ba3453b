package herd

import (
	"cmp"
	"slices"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A Case is one lesion of one animal from its first record to its healing.
//
// Records of one class on one claw are one case, whoever made them, as long as
// no more than the gap lies between one and the next. The class of a code is the
// top of its group in the claw health atlas: WLF and WLA are of class WL, SU and
// TU of class U. So a device that knows no kinds and one that does tell of one
// case. A finding of the skin belongs to the foot and not to a claw. A claw the
// source did not write is a claw of its own ("unknown"): a finding is never
// moved to a claw on a guess. Findings outside the atlas are one class by their
// words.
//
// A case is healed by a record with course healed, by digital dermatitis of
// stage M0 (normal skin: Döpfer et al. 1997, as told in Vet Res 51 (2020) 9),
// or by an examination on a later day that found the foot clear; an examination
// of which rows are held proves nothing. What is found after that, or after the
// gap, is a new case and a recurrence. No case ends because nobody looked.
//
// There is no agreed gap: 28, 42 and 60 days are in use (common practice, no
// source), so it stands beside every figure.
type Case struct {
	Animal string
	Known  bool // a roster has the animal
	Class  string
	Foot   string
	Claw   string // "none" if the class belongs to the foot
	Words  string // of a finding outside the atlas

	First      string // day of the first record
	Last       string // day of the last record that found it
	Healed     string // day it was found healed; "" if it never was
	Open       bool   // not healed, and not followed by another case
	Recurrence bool   // the animal had a case of this class on this claw before
	Seen       []Sighting
	Doubts     []string // contradictions that leave the case out of figures; nil for most
}

// Sources returns the sources that told of the case, sorted.
func (c *Case) Sources() []string {
	var out []string
	for _, s := range c.Seen {
		for _, l := range s.Lesions {
			for _, r := range l.Reports {
				out = append(out, r.Source)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// A Sighting is what was found of a case on one day.
type Sighting struct {
	Day     string
	Lesions []Found // by code and zone
}

// Found is one lesion. Reports of a code and of its parent, on the same claw and
// zone, are one lesion of the code that says more.
type Found struct {
	Code    string
	Zones   []int    `json:",omitempty"` // on the map claw-zones-13, ascending; none if nobody named one that has a place there
	Stage   string   `json:",omitempty"` // of digital dermatitis, if all reports agree
	Reports []Report // by source and entity
}

// A Report is what one source said of a lesion. Severities of two sources stand
// side by side; those of different scales are never compared.
type Report struct {
	Entity   events.Entity
	Source   string
	Code     string
	Severity events.Severity
	Stage    string        `json:",omitempty"`
	Course   string        `json:",omitempty"`
	Signs    []events.Sign `json:",omitempty"`
	Site     string        `json:",omitempty"` // when above the claw
	DD       bool          `json:",omitempty"` // a horn lesion infected by digital dermatitis
}

// caseKey is what records of one case have in common.
type caseKey struct{ foot, class, claw, words string }

// classOf returns the class of a lesion, and whether it belongs to the foot.
func classOf(code string) (class string, foot bool) {
	table := codes.Lesions()
	for {
		l := table.Get(code)
		if l == nil || l.Parent == "" {
			return code, l != nil && l.Level == "foot"
		}
		code = l.Parent
	}
}

func keyOf(l *events.Lesion) caseKey {
	class, foot := classOf(l.Code)
	k := caseKey{l.Foot, class, l.Claw, ""}
	switch {
	case foot:
		k.claw = "none"
	case k.claw == "":
		k.claw = "unknown"
	}
	if class == codes.OtherLesion {
		k.words = l.Description
		if l.Site != "" {
			k.words += " (" + l.Site + ")"
		}
	}
	return k
}

// health is what was told of one key on one day: lesions that are there, or that
// there are none.
type health struct {
	day   day
	found []*Fact
}

// cases works out the cases of one animal from its facts, sorted by foot, class,
// claw, words and first day. Facts in doubt make cases of their own.
func cases(facts []*Fact, gapDays int) []Case {
	var sure, doubtful []*Fact
	for _, f := range facts {
		if len(f.Doubts) > 0 {
			doubtful = append(doubtful, f)
		} else {
			sure = append(sure, f)
		}
	}
	out := follow(sure, sure, gapDays)
	for _, c := range follow(doubtful, facts, gapDays) {
		c.Doubts = doubtsOf(&c, doubtful)
		out = append(out, c)
	}
	slices.SortFunc(out, compareCases)
	return out
}

// CasesOf works out the cases of some facts of one animal, in any order, as the herd
// does of all of hers: what several sources tell of one lesion is one.
func CasesOf(facts []Fact, gapDays int) []Case {
	all := make([]*Fact, len(facts))
	for i := range facts {
		all[i] = &facts[i]
	}
	sortFacts(all)
	return cases(all, gapDays)
}

func compareCases(a, b Case) int {
	return cmp.Or(cmp.Compare(a.Animal, b.Animal), cmp.Compare(a.Foot, b.Foot), cmp.Compare(a.Class, b.Class), cmp.Compare(a.Claw, b.Claw),
		cmp.Compare(a.Words, b.Words), cmp.Compare(a.First, b.First), cmp.Compare(len(a.Doubts), len(b.Doubts)))
}

func doubtsOf(c *Case, facts []*Fact) (out []string) {
	for _, s := range c.Seen {
		for _, l := range s.Lesions {
			for _, r := range l.Reports {
				i := slices.IndexFunc(facts, func(f *Fact) bool { return f.Entity == r.Entity })
				out = append(out, facts[i].Doubts...)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// follow makes cases of the lesions among facts, key by key; the examinations
// among seen may heal them.
func follow(facts, seen []*Fact, gapDays int) (out []Case) {
	told := map[caseKey]map[day]*health{}
	for _, f := range facts {
		p, ok := f.Payload.(*events.Lesion)
		if !ok {
			continue
		}
		k := keyOf(p)
		if told[k] == nil {
			told[k] = map[day]*health{}
		}
		h := told[k][f.day]
		if h == nil {
			h = &health{day: f.day}
			told[k][f.day] = h
		}
		if !gone(p) {
			h.found = append(h.found, f)
		}
	}
	clear := clearFeet(seen)
	for k, days := range told {
		for _, d := range clear[k.foot] {
			if days[d] == nil {
				days[d] = &health{day: d}
			}
		}
		out = append(out, chain(k, days, gapDays)...)
	}
	return out
}

// gone reports whether a lesion is told of as healed.
func gone(l *events.Lesion) bool {
	class, _ := classOf(l.Code)
	return l.Course == "healed" || class == "DD" && l.Stage == "M0"
}

// clearFeet returns the days on which each foot was found clear.
func clearFeet(facts []*Fact) map[string][]day {
	out := map[string][]day{}
	for _, f := range facts {
		p, ok := f.Payload.(*events.Examination)
		if !ok || p.Outcome == "incomplete" {
			continue
		}
		for _, foot := range p.Feet {
			if foot.Examined == "yes" && foot.Result == "clear" {
				out[foot.Foot] = append(out[foot.Foot], f.day)
			}
		}
	}
	return out
}

// chain strings the days of one key into cases.
func chain(k caseKey, days map[day]*health, gapDays int) (out []Case) {
	sorted := make([]*health, 0, len(days))
	for _, h := range days {
		sorted = append(sorted, h)
	}
	slices.SortFunc(sorted, func(a, b *health) int { return cmp.Compare(a.day, b.day) })
	var last day
	for _, h := range sorted {
		var open *Case
		if n := len(out); n > 0 && out[n-1].Open {
			open = &out[n-1]
		}
		if len(h.found) == 0 {
			if open != nil {
				open.Open, open.Healed = false, h.day.String()
			}
			continue
		}
		if open != nil && gap(last, h.day) > gapDays {
			open.Open, open = false, nil
		}
		if open == nil {
			out = append(out, Case{
				Class: k.class, Foot: k.foot, Claw: k.claw, Words: k.words,
				First: h.day.String(), Open: true, Recurrence: len(out) > 0,
			})
			open = &out[len(out)-1]
		}
		last = h.day
		open.Last = h.day.String()
		open.Seen = append(open.Seen, Sighting{h.day.String(), lesions(h.found)})
	}
	return out
}

// lesions brings together the reports of one day.
func lesions(facts []*Fact) (out []Found) {
	sort := slices.Clone(facts)
	slices.SortFunc(sort, func(a, b *Fact) int {
		x, y := a.Payload.(*events.Lesion), b.Payload.(*events.Lesion)
		return cmp.Or(-cmp.Compare(depth(x.Code), depth(y.Code)), cmp.Compare(x.Code, y.Code),
			slices.Compare(zonesOf(x), zonesOf(y)), cmp.Compare(a.Source, b.Source), cmp.Compare(a.Entity, b.Entity))
	})
	for _, f := range sort {
		l := f.Payload.(*events.Lesion)
		r := Report{f.Entity, f.Source, l.Code, l.Severity, l.Stage, l.Course, l.Signs, l.Site, l.DDAssociated}
		zones := zonesOf(l)
		i := slices.IndexFunc(out, func(o Found) bool { return o.takes(l.Code, zones) })
		if i < 0 {
			out = append(out, Found{Code: l.Code, Stage: l.Stage})
			i = len(out) - 1
		}
		o := &out[i]
		if o.Stage != l.Stage {
			o.Stage = ""
		}
		o.Reports = append(o.Reports, r)
		o.Zones = append(o.Zones, zones...)
		slices.Sort(o.Zones)
		o.Zones = slices.Compact(o.Zones)
	}
	for _, o := range out {
		slices.SortFunc(o.Reports, func(a, b Report) int {
			return cmp.Or(cmp.Compare(a.Source, b.Source), cmp.Compare(a.Entity, b.Entity))
		})
	}
	slices.SortStableFunc(out, func(a, b Found) int {
		return cmp.Or(cmp.Compare(a.Code, b.Code), slices.Compare(a.Zones, b.Zones))
	})
	return out
}

// takes reports whether a finding of a code in some zones is another report of
// o: the same code or its parent, and a zone in common or one that is not told.
func (o *Found) takes(code string, zones []int) bool {
	if !codes.Lesions().Is(o.Code, code) {
		return false
	}
	if len(o.Zones) == 0 || len(zones) == 0 {
		return true
	}
	return slices.ContainsFunc(zones, func(z int) bool { return slices.Contains(o.Zones, z) })
}

// zonesOf returns the zones of a lesion on the map of 13 zones, ascending. Zones
// of other maps that have no safe place there are left out.
func zonesOf(l *events.Lesion) (out []int) {
	wide := codes.ZoneMaps().Get(codes.WideZones)
	from := codes.ZoneMaps().Get(l.Zones.Map)
	if from == nil {
		return nil
	}
	for _, n := range l.Zones.Numbers {
		if z, ok := codes.ConvertZone(from, n, wide); ok {
			out = append(out, z)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// depth is how many parents a code has.
func depth(code string) int {
	n := 0
	for l := codes.Lesions().Get(code); l != nil && l.Parent != ""; l = codes.Lesions().Get(l.Parent) {
		n++
	}
	return n
}
