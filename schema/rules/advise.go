package rules

import (
	"strconv"
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// The advisories, as the code list of that name has them; it tells condition,
// default threshold and source of each.
const (
	BlockOnLesion       = "block-on-lesion"
	WrapWithoutProduct  = "wrap-without-product"
	ToeShort            = "toe-short"
	ToeShortNoLandmark  = "toe-short-no-landmark"
	ZoneUnusual         = "zone-unusual"
	MeasureUnusual      = "measure-unusual"
	SoleThin            = "sole-thin"
	StageHealthy        = "stage-healthy"
	TransponderMisused  = "transponder-misused"
	WithdrawalNotStated = "withdrawal-not-stated"
)

// The neutral codes the rules speak of by themselves.
const (
	toeLength     = "toe-length"
	soleThickness = "sole-thickness"
	hairline      = "hairline"
	hardHorn      = "hard-horn"
	unknown       = "unknown"
	before        = "before"
	dermatitis    = "DD"
	healthyStage  = "M0"
	wrap          = "wrap"
	block         = "block"
	medicine      = "medicine"
	topical       = "topical"
)

func note(c *events.Common, code, detail string) {
	c.Notes = append(c.Notes, events.Note{Code: code, Detail: detail})
}

func (s *Settings) judgeIdentifiers(c *events.Common) {
	for _, id := range c.Animal {
		if id.Scheme != codes.Transponder {
			continue
		}
		n, problem := codes.ParseTransponder(id.Value)
		for _, m := range s.MisusedTransponders {
			if problem == nil && n == m {
				note(c, TransponderMisused, n)
			}
		}
	}
}

func judgeLesion(l *events.Lesion) {
	if l.Code == dermatitis && l.Stage == healthyStage {
		note(&l.Common, StageHealthy, l.Code+" "+l.Stage)
	}
	if len(l.Zones.Numbers) == 0 {
		return
	}
	lesion := codes.Lesions().Get(l.Code)
	if lesion == nil {
		return
	}
	var odd []string
	for _, n := range l.Zones.Numbers {
		// Only 1 to 6 are the same place on every map.
		if (l.Zones.Map == codes.WideZones || n >= 1 && n <= 6) && !lesion.Usual(n) {
			odd = append(odd, strconv.Itoa(n))
		}
	}
	if odd != nil {
		note(&l.Common, ZoneUnusual, l.Code+" in zone "+strings.Join(odd, ", "))
	}
}

func (s *Settings) judgeTreatment(t *events.Treatment, record []events.Payload) {
	switch t.What {
	case wrap:
		s.deriveWrap(t)
		if on := lesionUnder(t, record); on && !productNamed(t, record) {
			note(&t.Common, WrapWithoutProduct, dermatitis+" on "+t.Foot)
		}
	case block:
		if code := lesionToRelieve(t, record); code != "" {
			note(&t.Common, BlockOnLesion, code+" on "+t.Foot+" "+t.Claw)
		}
	}
	if (t.What == medicine || t.Medicine.Name != "") && t.Medicine.Milk.State == "" && t.Medicine.Meat.State == "" {
		note(&t.Common, WithdrawalNotStated, t.Medicine.Name)
	}
}

// lesionUnder reports whether the record has digital dermatitis on the foot of
// the wrap.
func lesionUnder(t *events.Treatment, record []events.Payload) bool {
	for _, p := range record {
		if l, ok := p.(*events.Lesion); ok && l.Code == dermatitis && l.Foot == t.Foot && t.Foot != "" {
			return true
		}
	}
	return false
}

// productNamed reports whether the wrap, or what else was put on that foot, says
// what is under it.
func productNamed(t *events.Treatment, record []events.Payload) bool {
	if t.Device.Material != "" || t.Medicine.Name != "" {
		return true
	}
	for _, p := range record {
		o, ok := p.(*events.Treatment)
		if ok && o.Foot == t.Foot && (o.What == topical || o.What == medicine) && (o.Medicine.Name != "" || o.Device.Material != "") {
			return true
		}
	}
	return false
}

// lesionToRelieve returns a lesion on the claw of the block that is one to take
// weight off, the first in the record, or "".
func lesionToRelieve(t *events.Treatment, record []events.Payload) string {
	if t.Foot == "" || t.Claw == "" || t.Claw == unknown || t.Claw == "none" {
		return ""
	}
	for _, p := range record {
		l, ok := p.(*events.Lesion)
		if !ok || l.Foot != t.Foot || l.Claw != t.Claw {
			continue
		}
		if e := codes.Lesions().Get(l.Code); e != nil && e.Relieve {
			return l.Code
		}
	}
	return ""
}

func (s *Settings) judgeMeasure(m *events.ClawMeasure) {
	e := codes.Measures().Get(m.What)
	if e == nil || !m.Value.IsSet() || m.Unit != e.Unit {
		return
	}
	switch m.What {
	case toeLength:
		s.judgeToe(m)
	case soleThickness:
		if m.Value.Cmp(s.SoleCriticalMM) < 0 {
			note(&m.Common, SoleThin, against(m, s.SoleCriticalMM))
		}
	}
	if !e.Soft.Has(m.Value) {
		note(&m.Common, MeasureUnusual, m.Value.String()+" "+m.Unit+", usual "+e.Soft[0].String()+" to "+e.Soft[1].String())
	}
}

// judgeToe judges a length that was not measured before trimming: of one whose
// time is not told the more careful reading holds.
func (s *Settings) judgeToe(m *events.ClawMeasure) {
	if m.When == before {
		return
	}
	code, least := ToeShort, events.Decimal{}
	switch m.Landmark {
	case hairline:
		least = s.ToeHairlineMM
	case hardHorn:
		least = s.ToeHardHornMM
	case "", unknown:
		code, least = ToeShortNoLandmark, s.ToeNoLandmarkMM
	}
	if least.IsSet() && m.Value.Cmp(least) < 0 {
		note(&m.Common, code, against(m, least))
	}
}

func against(m *events.ClawMeasure, least events.Decimal) string {
	s := m.Value.String() + " " + m.Unit
	if m.Landmark != "" && m.What == toeLength {
		s += ", landmark " + m.Landmark
	}
	return s + ", threshold " + least.String() + " " + m.Unit
}
