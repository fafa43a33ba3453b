package measures

import (
	"cmp"
	"maps"
	"slices"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/schema/codes"
)

// Why an animal was on the chute, as figures are split.
const (
	forRoutine  = "routine"
	forLame     = "lame"
	forRecheck  = "recheck"
	forOther    = "other reasons"
	forNoReason = "reason not stated"
)

// reasonGroups in the order they are told.
var reasonGroups = []string{forRoutine, forLame, forRecheck, forOther, forNoReason}

// reasonOf returns the group of an examination: lame before all, for it says most
// about how she was chosen.
func reasonOf(reasons []string) string {
	group := forNoReason
	for _, r := range reasons {
		g := forNoReason
		switch r {
		case "lame":
			return forLame
		case "routine", "dry-off", "mid-lactation", "pre-calving", "heifer":
			g = forRoutine
		case "recheck":
			g = forRecheck
		case "overgrown", "other":
			g = forOther
		}
		if slices.Index(reasonGroups, g) < slices.Index(reasonGroups, group) {
			group = g
		}
	}
	return group
}

// A visit is one animal on the chute on one day, by one record: the feet that were
// examined and what was found on them.
type visit struct {
	animal string
	day    day
	reason string
	at     string // RFC 3339 or ""
	feet   map[string]bool
	found  []*found
	event  events.Entity // of the examination; "" if only findings tell of it
	pen    events.AsGiven
	clear  bool // an examination says so, whatever the feet

	made []events.Entity // the events of the visit; shared, not to be changed
}

// found is one finding.
type found struct {
	lesion *events.Lesion
	fact   *herd.Fact
	zones  []int // of the map of 13 zones
}

// looked reports whether at least one foot was looked at.
func (v *visit) looked() bool { return len(v.feet) > 0 || v.clear }

// makeVisits returns the visits of the period, by animal and day. Examinations of
// which rows are held are left out with their findings: a held row may say what
// was not seen in the others.
func (w *work) makeVisits() []*visit {
	made := w.kept.visitsOf(w)
	for _, x := range made.left {
		w.leave(x.Why, x.N)
	}
	return made.visits
}

// allVisits makes the visits; see makeVisits.
func (w *work) allVisits() *visitsMade {
	byExam := map[events.Entity]*visit{}
	left := map[events.Entity]string{}
	number := map[string]int{}
	var out []*visit
	for i := range w.d.Exams {
		f := &w.d.Exams[i]
		p, ok := f.Payload.(*events.Examination)
		if !ok {
			continue
		}
		why := ""
		switch {
		case len(f.Doubts) > 0:
			why = "examinations that contradict other records"
		case p.Outcome == "not-done":
			why = "examinations that were not carried out"
		case p.Outcome == "incomplete":
			why = "incomplete examinations: rows of them are held"
		}
		if why != "" {
			left[f.Entity] = why
			number[why]++
			continue
		}
		v := &visit{
			animal: f.Animal, day: dayOf(f.Day, never), reason: reasonOf(p.Reasons), at: f.At(), feet: map[string]bool{}, event: f.Entity,
			pen: p.AsGiven, clear: p.Outcome == "clear" || p.Outcome == "findings" || p.Outcome == "no-cause-in-feet",
		}
		for _, foot := range p.Feet {
			if foot.Examined == "yes" {
				v.feet[foot.Foot] = true
			}
		}
		byExam[f.Entity] = v
		out = append(out, v)
	}
	out = append(out, w.findings(byExam, left, number)...)
	made := &visitsMade{}
	for _, why := range slices.Sorted(maps.Keys(number)) {
		made.left = append(made.left, LeftOut{why, number[why]})
	}
	out = slices.DeleteFunc(out, func(v *visit) bool { return !v.looked() })
	slices.SortFunc(out, func(a, b *visit) int {
		return cmp.Or(cmp.Compare(a.animal, b.animal), cmp.Compare(a.day, b.day), cmp.Compare(a.event, b.event))
	})
	for _, v := range out {
		if v.event != "" {
			v.made = append(v.made, v.event)
		}
		for _, f := range v.found {
			v.made = append(v.made, f.fact.Entity)
		}
	}
	made.visits = out
	return made
}

// findings gives each finding to its examination, or to a visit of its own. A
// finding that was told as healed is none, but its foot was looked at.
func (w *work) findings(byExam map[events.Entity]*visit, left map[events.Entity]string, number map[string]int) (out []*visit) {
	alone := map[string]map[day]*visit{}
	for i := range w.d.Exams {
		f := &w.d.Exams[i]
		l, ok := f.Payload.(*events.Lesion)
		if !ok {
			continue
		}
		if len(f.Doubts) > 0 {
			number["findings that contradict other records"]++
			continue
		}
		if why := left[l.Examination]; why != "" {
			number["findings of "+why]++
			continue
		}
		v := byExam[l.Examination]
		if v == nil {
			d := dayOf(f.Day, never)
			if alone[f.Animal] == nil {
				alone[f.Animal] = map[day]*visit{}
			}
			if v = alone[f.Animal][d]; v == nil {
				v = &visit{animal: f.Animal, day: d, reason: forNoReason, feet: map[string]bool{}, at: f.At(), pen: l.AsGiven, clear: true}
				alone[f.Animal][d] = v
				out = append(out, v)
			}
		}
		if l.Foot != "" {
			v.feet[l.Foot] = true
		}
		if !healed(l) {
			v.found = append(v.found, &found{l, f, zonesOf(l)})
		}
	}
	return out
}

// healed reports whether a finding says that the lesion is gone; M0 is normal skin
// (Döpfer et al. 1997, as told in Vet Res 51 (2020) 9).
func healed(l *events.Lesion) bool {
	return l.Course == "healed" || codes.Lesions().Is(l.Code, "DD") && l.Stage == "M0"
}

// zonesOf returns the zones of a finding on the map of 13 zones; such of other
// maps as have no safe place there are left out.
func zonesOf(l *events.Lesion) (out []int) {
	wide, from := codes.ZoneMaps().Get(codes.WideZones), codes.ZoneMaps().Get(l.Zones.Map)
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

// claws of a foot that figures count; dewclaws are not looked at as a rule.
var claws = []string{"inner", "outer"}

// has reports whether an animal has a claw on a day.
func (w *work) has(animal, foot, claw string, d day) bool {
	return !slices.ContainsFunc(w.lost[animal], func(c *herd.LostClaw) bool {
		return c.Foot == foot && c.Claw == claw && c.Gone(d.String())
	})
}

// among keeps the visits of the animals asked for and says how many were others.
func (w *work) among(visits []*visit) (out []*visit) {
	others := map[string]bool{}
	for _, v := range visits {
		if w.isIn(v.animal, v.day) {
			out = append(out, v)
		} else {
			others[v.animal] = true
		}
	}
	w.leave("examined animals that are not among the "+w.report.Of+" by the rosters", len(others))
	return out
}
