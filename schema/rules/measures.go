package rules

import (
	"iter"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

func (s *Settings) judgeMeasure(m *events.ClawMeasure, v *view) {
	e := codes.Measures().Get(m.What)
	if e == nil || !m.Value.IsSet() || m.Unit != e.Unit {
		return
	}
	switch m.What {
	case toeLength:
		if v.age != ageHeifer {
			s.judgeToe(m)
		}
		if v.toes > 1 {
			s.judgePairs(m, v)
		}
	case soleThickness:
		s.judgeSole(m)
	case clawAngle:
		s.under(m, AngleLow, s.AngleLeastDeg)
	case heelHeight:
		s.under(m, HeelLow, s.HeelLeastMM)
	case clawDifference:
		if m.When != before && over(m.Value, s.ClawDifferenceMM) {
			s.note(&m.Common, ClawsUnequal, against(m, s.ClawDifferenceMM))
		}
	}
	s.judgeRange(m, e, v)
}

// judgeRange judges the value by the ranges of heifers or cows, where the record
// tells which she is, else by those that span both.
func (s *Settings) judgeRange(m *events.ClawMeasure, e *codes.Measure, v *view) {
	soft, who := e.Soft, ""
	own := codes.Ranges{}
	switch v.age {
	case ageHeifer:
		own, who = e.Heifer, " of a heifer"
	case ageCow:
		own, who = e.Cow, " of a cow"
	}
	if own.IsSet() {
		soft = own.Soft
		if !own.Hard.Has(m.Value) {
			s.note(&m.Common, MeasureForAge, m.Value.String()+" "+m.Unit+who+", possible "+own.Hard.String())
			return
		}
	} else {
		who = ""
	}
	if !soft.Has(m.Value) {
		s.note(&m.Common, MeasureUnusual, m.Value.String()+" "+m.Unit+who+", usual "+soft.String())
	}
}

// judgeToe judges a length that was not measured before trimming: of one whose
// time is not told the more careful reading holds.
func (s *Settings) judgeToe(m *events.ClawMeasure) {
	if m.When == before {
		return
	}
	switch m.Landmark {
	case hairline:
		s.under(m, ToeShort, s.ToeHairlineMM)
	case hardHorn:
		s.under(m, ToeShort, s.ToeHardHornMM)
	case "", unknown:
		s.under(m, ToeShortNoLandmark, s.ToeNoLandmarkMM)
	}
}

func (s *Settings) judgeSole(m *events.ClawMeasure) {
	switch {
	case s.SoleCriticalMM.IsSet() && m.Value.Cmp(s.SoleCriticalMM) < 0:
		s.note(&m.Common, SoleThin, against(m, s.SoleCriticalMM))
	case s.SoleRecommendedMM.IsSet() && m.Value.Cmp(s.SoleRecommendedMM) < 0:
		s.note(&m.Common, SoleBorder, against(m, s.SoleRecommendedMM))
	case m.When == after && over(m.Value, s.SoleThickMM):
		s.note(&m.Common, SoleLong, against(m, s.SoleThickMM))
	}
}

// judgePairs compares a length after trimming with the one of the other claw,
// and with the one of the same claw before. Lengths from two landmarks or by two
// methods are never compared (Laven 2015, en.engormix.com a40714).
func (s *Settings) judgePairs(m *events.ClawMeasure, v *view) {
	if m.When != after || m.Foot == "" || !sided(m.Claw) {
		return
	}
	// The two in turn, so that the order of the record does not matter.
	for _, o := range alike(m, v) {
		if o.When == after && sided(o.Claw) && o.Claw != m.Claw && exceeds(m.Value, o.Value, s.ClawDifferenceMM) {
			s.note(&m.Common, ClawsUnequal, m.Claw+" "+m.Value.String()+", "+o.Claw+" "+o.Value.String()+" "+m.Unit)
		}
	}
	for _, o := range alike(m, v) {
		if o.When == before && o.Claw == m.Claw && exceeds(m.Value, o.Value, s.TrimToleranceMM) {
			s.note(&m.Common, LongerAfterTrim, "before "+o.Value.String()+", after "+m.Value.String()+" "+m.Unit)
		}
	}
}

// alike yields the toe lengths of the record on the foot of m, from its
// landmark and by its method.
func alike(m *events.ClawMeasure, v *view) iter.Seq2[int, *events.ClawMeasure] {
	return func(yield func(int, *events.ClawMeasure) bool) {
		for i, p := range v.record {
			o, ok := p.(*events.ClawMeasure)
			if ok && o.What == toeLength && o.Foot == m.Foot && o.Landmark == m.Landmark && o.Method == m.Method && o.Unit == m.Unit &&
				o.Value.IsSet() && !yield(i, o) {
				return
			}
		}
	}
}

// under notes a value under a threshold that is set.
func (s *Settings) under(m *events.ClawMeasure, code string, least events.Decimal) {
	if least.IsSet() && m.Value.Cmp(least) < 0 {
		s.note(&m.Common, code, against(m, least))
	}
}

// exceeds reports whether a is greater than b by more than most, which is set.
func exceeds(a, b, most events.Decimal) bool {
	if !most.IsSet() {
		return false
	}
	limit, err := b.Add(most)
	return err == nil && a.Cmp(limit) > 0
}

func over(d, most events.Decimal) bool { return most.IsSet() && d.Cmp(most) > 0 }

func against(m *events.ClawMeasure, least events.Decimal) string {
	s := m.Value.String() + " " + m.Unit
	if m.Landmark != "" && m.What == toeLength {
		s += ", landmark " + m.Landmark
	}
	return s + ", threshold " + least.String() + " " + m.Unit
}
