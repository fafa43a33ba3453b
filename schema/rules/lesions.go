package rules

import (
	"slices"
	"strconv"
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

func (s *Settings) judgeLesion(l *events.Lesion, v *view) {
	if l.Code == dermatitis && l.Stage == healthyStage {
		s.note(&l.Common, StageHealthy, l.Code+" "+l.Stage)
	}
	lesion := codes.Lesions().Get(l.Code)
	if lesion == nil {
		return
	}
	s.judgeDepth(l, lesion)
	if lesion.Level == "claw" && (l.Claw == "" || l.Claw == unknown || l.Claw == codes.NoClaw) {
		s.note(&l.Common, ClawMissing, strings.TrimSpace(l.Code+" on "+l.Foot)+", claw "+orNotSaid(l.Claw))
	}
	if l.Foot != "" && l.Course != healed && lesion.Class == ulcer && !blockOn(l.Foot, v) {
		s.note(&l.Common, UlcerWithoutBlock, l.Code+" on "+l.Foot)
	}
	s.judgeZones(l, lesion)
}

func orNotSaid(claw string) string {
	if claw == "" {
		return "not said"
	}
	return claw
}

// judgeDepth sends to the vet what the list says is for one, and what goes deep.
func (s *Settings) judgeDepth(l *events.Lesion, lesion *codes.Lesion) {
	if l.Course == healed {
		return
	}
	if lesion.Vet == "infection" {
		s.note(&l.Common, VetInfection, l.Code+" on "+l.Foot)
	}
	deep := lesion.Vet == "deep"
	why := l.Code
	for _, x := range l.Signs {
		if x.Sign == depth || x.Sign == swelling && l.Site != "" {
			deep, why = true, why+", "+x.Sign
		}
	}
	if deep {
		if l.Site != "" {
			why += " (" + l.Site + ")"
		}
		s.note(&l.Common, VetDeep, why+" on "+l.Foot)
	}
}

// blockOn reports whether the record has a block on the foot.
func blockOn(foot string, v *view) bool {
	if v.blocks == 0 {
		return false
	}
	return slices.ContainsFunc(v.record, func(p events.Payload) bool {
		t, ok := p.(*events.Treatment)
		return ok && t.Foot == foot && isBlock(t)
	})
}

func (s *Settings) judgeZones(l *events.Lesion, lesion *codes.Lesion) {
	var odd []string
	for _, n := range l.Zones.Numbers {
		// Only 1 to 6 are the same place on every map.
		if (l.Zones.Map == codes.WideZones || n >= 1 && n <= 6) && !lesion.Usual(n) {
			odd = append(odd, strconv.Itoa(n))
		}
	}
	if odd != nil {
		s.note(&l.Common, ZoneUnusual, l.Code+" in zone "+strings.Join(odd, ", "))
	}
}

// judgeTwice notes what tells a lesion again that another finding of the record
// tells already, and says more of. Two lesions of a claw nobody named may be on
// two claws, so nothing is said of them.
func (s *Settings) judgeTwice(record []events.Payload) {
	if s.Off[ToldTwice] || !anyTwice(record) {
		return
	}
	var found []codes.Finding
	var of []*events.Lesion
	for _, p := range record {
		if l, ok := p.(*events.Lesion); ok && placed(l) {
			found, of = append(found, codes.FindingOf(l)), append(of, l)
		}
	}
	for _, group := range codes.Lesions().Once(found) {
		for _, i := range group[1:] {
			s.note(&of[i].Common, ToldTwice, of[i].Code+", told as "+of[group[0]].Code+" on "+of[i].Foot)
		}
	}
}

// anyTwice reports whether two findings of a record are one lesion.
func anyTwice(record []events.Payload) bool {
	table := codes.Lesions()
	for i, p := range record {
		a, ok := p.(*events.Lesion)
		if !ok || !placed(a) {
			continue
		}
		for _, q := range record[:i] {
			b, ok := q.(*events.Lesion)
			if ok && a.Foot == b.Foot && placed(b) && table.Same(codes.FindingOf(a), codes.FindingOf(b)) {
				return true
			}
		}
	}
	return false
}

// placed reports whether it is told where the finding is: its claw, or its foot
// if it belongs to that.
func placed(l *events.Lesion) bool {
	if l.Claw != "" && l.Claw != unknown {
		return l.Foot != ""
	}
	e := codes.Lesions().Get(l.Code)
	return l.Foot != "" && e != nil && e.Level == "foot"
}
