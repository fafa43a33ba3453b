package worklist

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"dewclaw/events/herd"
	"dewclaw/schema/codes"
)

// lesions adds what her open cases come to.
func (a *animal) lesions() {
	for i := range a.Cases {
		c := &a.Cases[i]
		if !c.Open || len(c.Seen) == 0 {
			continue
		}
		t := talk(c)
		a.urgent(c, &t)
		switch {
		case t.course == "worse" && !a.lookedAfter(c):
			a.add(worse, fmt.Sprintf("getting worse: %s, %s", caseWords(c), c.Last), c.Last, "")
		case t.course == "same" && !a.lookedAfter(c):
			a.add(notImproving, fmt.Sprintf("not improving: %s, the same on %s", caseWords(c), c.Last), c.Last, "")
		}
		if t.stage == "M2" && (a.Since != "" || t.course == "same" || t.course == "worse") {
			a.add(dermatitisActive, fmt.Sprintf("active digital dermatitis and lame or not better: %s, %s", caseWords(c), c.Last), c.Last, "")
		}
		if t.horn {
			a.add(dermatitisHorn, fmt.Sprintf("horn lesion with digital dermatitis: %s, %s", caseWords(c), c.Last), c.Last, "")
		}
		a.recheck(c)
	}
}

// urgent adds a case for the vet. A later examination of the foot that did not tell
// of it lowers it and does not end it: it is to be confirmed that it healed.
func (a *animal) urgent(c *herd.Case, t *told) {
	if t.deep == "" && t.hot == "" || a.vetSince(c.Last, c.Foot) {
		return
	}
	k, past, text := deepSigns, deepPast, fmt.Sprintf("deep signs: %s, %s (%s)", caseWords(c), c.Last, t.deep)
	if t.deep == "" {
		k, past, text = hotSwollen, hotPast, fmt.Sprintf("%s: %s, %s", t.hot, caseWords(c), c.Last)
	}
	for _, f := range a.Feet {
		if f.Foot == c.Foot && f.Exam > c.Last {
			a.add(past, fmt.Sprintf("%s; not told of again when the foot was examined %s, nor told healed: confirm that it healed", text, f.Exam), c.Last, "")
			return
		}
	}
	a.add(k, text+": vet", c.Last, c.Last)
}

// recheck adds a case that is due to be seen again: an ulcer, a white line or a
// toe lesion at which nobody looked again.
func (a *animal) recheck(c *herd.Case) {
	gone := slices.ContainsFunc(a.Claws, func(x herd.LostClaw) bool { return x.Foot == c.Foot && x.Claw == c.Claw && x.Gone(a.day) })
	if !Relieved(c) || gone || a.lookedAfter(c) || a.lifted("recheck-time", c.Foot) {
		return
	}
	window := a.set.RecheckWindow(c.Last)
	from, to := window.From, window.To
	if from > a.day && to >= a.next || from == "" {
		return
	}
	text := fmt.Sprintf("recheck %s, %s: between %s and %s", caseWords(c), c.Last, from, to)
	if to < a.day {
		text += ", missed"
	}
	a.add(recheck, text, c.Last, to)
}

// lookedAfter reports whether the foot of a case was looked at on a later day.
func (a *animal) lookedAfter(c *herd.Case) bool {
	return slices.ContainsFunc(a.Feet, func(f herd.FootSeen) bool { return f.Foot == c.Foot && f.Day > c.Last })
}

// over reports whether a case, never told to have healed, was looked for on a
// later day and not told of again.
func (a *animal) over(c *herd.Case) bool { return a.lookedAfter(c) }

// told is what the newest sighting of a case tells.
type told struct {
	deep, hot     string // why
	course, stage string
	horn          bool
}

func talk(c *herd.Case) (t told) {
	for _, f := range c.Seen[len(c.Seen)-1].Lesions {
		lesion := codes.Lesions().Get(f.Code)
		if lesion != nil && lesion.Vet == "deep" {
			t.deep = f.Code
		}
		if lesion != nil && lesion.Vet == "infection" {
			t.hot = "infected foot"
		}
		if f.Stage != "" {
			t.stage = f.Stage
		}
		for _, r := range f.Reports {
			t.report(r)
		}
	}
	return t
}

// report adds one source's report; of two the more careful one holds.
func (t *told) report(r herd.Report) {
	hot, swollen := false, false
	for _, s := range r.Signs {
		switch s.Sign {
		case "heat":
			hot = true
		case "swelling":
			swollen = true
			if r.Site != "" {
				t.deep = "swelling, " + r.Site
			}
		case "depth":
			t.deep = strings.TrimSpace("deep " + s.Detail)
		}
	}
	if hot && swollen {
		t.hot = "hot swollen foot"
	}
	if r.Stage == "M2" {
		t.stage = "M2"
	}
	if r.Course == "worse" || t.course == "" || t.course != "worse" && r.Course == "same" {
		t.course = r.Course
	}
	t.horn = t.horn || r.DD
}

// Relieved reports whether the claw of a case is one to take weight off: ulcers,
// white line and toe lesions (code list lesions).
func Relieved(c *herd.Case) bool {
	l := codes.Lesions().Get(c.Class)
	return l != nil && l.Relieve
}

func infectious(class string) bool {
	l := codes.Lesions().Get(class)
	return l != nil && l.Group == "infectious"
}

// caseWords writes "RH outer SU zone 4 grade 2".
func caseWords(c *herd.Case) string {
	return strings.TrimSpace(place(c.Foot, c.Claw) + " " + foundWords(c))
}

// foundWords tells what the newest sighting of a case found.
func foundWords(c *herd.Case) string {
	var all []string
	for _, f := range c.Seen[len(c.Seen)-1].Lesions {
		s := f.Code
		if f.Code == codes.OtherLesion && c.Words != "" {
			s = c.Words
		}
		if f.Stage != "" {
			s += " " + f.Stage
		}
		for _, z := range f.Zones {
			s += fmt.Sprint(" zone ", z)
		}
		for _, r := range f.Reports {
			if r.Severity.Value != "" {
				s += fmt.Sprintf(" severity %s (%s)", r.Severity.Value, r.Severity.Scale)
				break
			}
		}
		all = append(all, s)
	}
	return strings.Join(all, ", ")
}

// place writes a foot and claw.
func place(foot, claw string) string {
	switch {
	case foot == "":
		foot = "foot not told"
	}
	if claw == "" || claw == "none" {
		return foot
	}
	if claw == "unknown" {
		return foot + " claw not told"
	}
	return foot + " " + claw
}

// findings returns the last finding of each claw.
func (a *animal) findings() []Finding {
	last := map[[2]string]*herd.Case{}
	for i := range a.Cases {
		c := &a.Cases[i]
		if k := [2]string{c.Foot, c.Claw}; len(c.Seen) > 0 && (last[k] == nil || c.Last >= last[k].Last) {
			last[k] = c
		}
	}
	var out []Finding
	for _, c := range last {
		f := Finding{Foot: c.Foot, Claw: c.Claw, Text: foundWords(c), Day: c.Last, State: "open"}
		switch {
		case c.Healed != "":
			f.State = "healed " + c.Healed
		case !c.Open:
			f.State = "followed by another"
		case a.over(c):
			f.State = "not told of again"
		}
		if len(c.Doubts) > 0 {
			f.State += ", contradictory"
		}
		out = append(out, f)
	}
	slices.SortFunc(out, func(x, y Finding) int {
		return cmp.Or(cmp.Compare(footOrder(x.Foot), footOrder(y.Foot)), strings.Compare(x.Claw, y.Claw))
	})
	return out
}

// footOrder sorts feet as the trade names them.
func footOrder(foot string) int { return slices.Index(tradeFeet, foot) }

var tradeFeet = []string{"LF", "RF", "LH", "RH"}
