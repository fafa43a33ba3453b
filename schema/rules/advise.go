package rules

import (
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// The advisories, as the code list of that name has them; it tells condition,
// default threshold and source of each.
const (
	BlockOnLesion       = "block-on-lesion"
	BlocksOnBothClaws   = "blocks-on-both-claws"
	BlockBesideThinSole = "block-beside-thin-sole"
	BlockAtDryOff       = "block-at-dry-off"
	UlcerWithoutBlock   = "ulcer-without-block"
	WrapWithoutProduct  = "wrap-without-product"
	WrapTimeUnknown     = "wrap-time-unknown"
	OtherHindFoot       = "other-hind-foot"
	VetInfection        = "vet-infection"
	VetDeep             = "vet-deep"
	BlockRocking        = "block-rocking"
	WoundNotHealing     = "wound-not-healing"
	HornCapsuleLost     = "horn-capsule-lost"
	OrderWithoutEnd     = "order-without-end"
	OrderPast           = "order-past"
	SinceLater          = "since-later"
	BathWithoutProduct  = "bath-without-product"
	ToldTwice           = "told-twice"
	ClawMissing         = "claw-missing"
	ZoneUnusual         = "zone-unusual"
	StageHealthy        = "stage-healthy"
	ToeShort            = "toe-short"
	ToeShortNoLandmark  = "toe-short-no-landmark"
	SoleThin            = "sole-thin"
	SoleBorder          = "sole-border"
	SoleLong            = "sole-long"
	AngleLow            = "angle-low"
	HeelLow             = "heel-low"
	ClawsUnequal        = "claws-unequal"
	LongerAfterTrim     = "longer-after-trim"
	MeasureUnusual      = "measure-unusual"
	MeasureForAge       = "measure-for-age"
	CutsContradict      = "cuts-contradict"
	WithdrawalNotStated = "withdrawal-not-stated"
	TransponderMisused  = "transponder-misused"
	PrefixUnknown       = "prefix-unknown"
	TagNotAnimal        = "tag-not-animal"
	TagReplaced         = "tag-replaced"
	CountryLetters      = "country-letters"
	ClockReset          = "clock-reset"
	Midnight            = "midnight"

	// Of a source: see [Watch].
	SidesSwapped   = "sides-swapped"
	MidnightAlways = "midnight-always"
	ClockJump      = "clock-jump"
	RecordsLate    = "records-late"
)

// The neutral codes the rules speak of by themselves.
const (
	toeLength      = "toe-length"
	soleThickness  = "sole-thickness"
	clawAngle      = "claw-angle"
	heelHeight     = "heel-height"
	clawDifference = "claw-difference"
	hairline       = "hairline"
	hardHorn       = "hard-horn"
	unknown        = "unknown"
	before         = "before"
	after          = "after"
	dermatitis     = "DD"
	thinSole       = "TS"
	ulcer          = "U"
	healthyStage   = "M0"
	wrap           = "wrap"
	block          = "block"
	medicine       = "medicine"
	topical        = "topical"
	swelling       = "swelling"
	depth          = "depth"
	lame           = "lame"
	heifer         = "heifer"
	dryOff         = "dry-off"
	midLactation   = "mid-lactation"
	healed         = "healed"
	notDone        = "not-done"
)

// note advises, unless the advisory is switched off.
func (s *Settings) note(c *events.Common, code, detail string) {
	if !s.Off[code] {
		c.Notes = append(c.Notes, events.Note{Code: code, Detail: detail})
		c.Derived.Rules = Version
	}
}

// judgeExamination asks for the other hind foot of a lame animal. Passes of one
// day count together.
func (s *Settings) judgeExamination(x *events.Examination, v *view) {
	if x.Outcome == notDone || v.hindFeet[0] == v.hindFeet[1] {
		return
	}
	for _, reason := range x.Reasons {
		if reason == lame {
			seen, other := hind[0], hind[1]
			if v.hindFeet[1] {
				seen, other = other, seen
			}
			s.note(&x.Common, OtherHindFoot, seen+" was examined, of "+other+" nothing is known")
			return
		}
	}
}

func (s *Settings) judgeTreatment(t *events.Treatment, v *view) {
	switch t.What {
	case wrap:
		s.deriveWrap(t)
		if on := lesionUnder(t, v.record); on && !productNamed(t, v.record) {
			s.note(&t.Common, WrapWithoutProduct, dermatitis+" on "+t.Foot)
		}
		if t.Occurred.Date != "" && t.Occurred.Time == "" {
			s.note(&t.Common, WrapTimeUnknown, t.Occurred.Date)
		}
	case block:
		if code := lesionToRelieve(t, v.record); code != "" {
			s.note(&t.Common, BlockOnLesion, code+" on "+t.Foot+" "+t.Claw)
		}
	}
	if v.blocks > 0 && isBlock(t) {
		s.judgeBlock(t, v)
	}
	if (t.What == medicine || t.Medicine.Name != "") && t.Medicine.Milk.State == "" && t.Medicine.Meat.State == "" {
		s.note(&t.Common, WithdrawalNotStated, t.Medicine.Name)
	}
}

// judgeBlock judges a block beside the rest of the record.
func (s *Settings) judgeBlock(t *events.Treatment, v *view) {
	if v.dryOff {
		s.note(&t.Common, BlockAtDryOff, strings.TrimSpace(t.Foot+" "+t.Claw))
	}
	if t.Foot == "" || !sided(t.Claw) {
		return
	}
	other := false
	for _, p := range v.record {
		o, ok := p.(*events.Treatment)
		other = other || ok && isBlock(o) && o.Foot == t.Foot && sided(o.Claw) && o.Claw != t.Claw
	}
	if other {
		s.note(&t.Common, BlocksOnBothClaws, t.Foot)
	}
	if claw := onlyThinSole(t.Foot, v.record); sided(claw) && claw != t.Claw && !other {
		s.note(&t.Common, BlockBesideThinSole, thinSole+" on "+t.Foot+" "+claw+", block on "+t.Claw)
	}
}

// onlyThinSole returns the claw of the thin sole that is the one finding on a
// foot, or "".
func onlyThinSole(foot string, record []events.Payload) string {
	claw := ""
	for _, p := range record {
		l, ok := p.(*events.Lesion)
		if !ok || l.Foot != foot {
			continue
		}
		if l.Code != thinSole || claw != "" && claw != l.Claw {
			return ""
		}
		claw = l.Claw
	}
	return claw
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
	if t.Foot == "" || t.Claw == "" || t.Claw == unknown || t.Claw == codes.NoClaw {
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
