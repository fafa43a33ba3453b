package mapping

import (
	"dewclaw/events"
	"dewclaw/schema/codes"
)

// This file settles which claw is meant.

// side turns a word of the mapping's claw scheme (list claw-schemes) into inner
// or outer, as the scheme is defined there; codes of a claw stay as they are.
func (m *Mapper) side(claw, foot string) string {
	if !isSide(claw) {
		return claw
	}
	if foot == "" && len(m.reasons) > 0 {
		return claw // the row is held already, perhaps for its foot
	}
	at, p := codes.ClawOf(m.run.in.sides, foot, claw)
	if p != nil {
		m.reason("foot", "", p.Wanted, p.Got)
		return claw
	}
	return at.Claw
}

// settleClaws gives a claw to the events that leave it to the finding: none for
// a finding of the skin of the foot, else unknown; what is not a finding follows
// the findings of the row at its foot. An order that names no claw is about none.
func (m *Mapper) settleClaws() {
	for i := range m.stage.made {
		e := &m.stage.made[i]
		if !e.claw {
			continue
		}
		switch p := e.p.(type) {
		case *events.Lesion:
			if p.Claw == "" {
				p.Claw = clawless(ofSkin(p.Code))
			}
		case *events.Treatment:
			if p.Claw == "" {
				p.Claw = clawless(m.onlySkin(p.Foot))
			}
		case *events.TakenOff:
			if p.Claw == "" {
				p.Claw = clawless(m.onlySkin(p.Foot))
			}
		case *events.Check:
			if p.Claw == "" {
				p.Claw = clawless(p.What == "wrap" || m.onlySkin(p.Foot))
			}
		case *events.Claw:
			if p.Claw == "" {
				p.Claw = clawless(false)
			}
		case *events.ClawMeasure:
			if p.Claw == "" {
				p.Claw = clawless(false)
			}
		}
	}
}

func clawless(skin bool) string {
	if skin {
		return "none"
	}
	return "unknown"
}

func ofSkin(code string) bool {
	l := codes.Lesions().Get(code)
	return l != nil && l.Level == "foot"
}

// onlySkin reports whether the row has findings at the foot, all of the skin.
func (m *Mapper) onlySkin(foot string) bool {
	found := false
	for i := range m.stage.made {
		if l, ok := m.stage.made[i].p.(*events.Lesion); ok && l.Foot == foot {
			if !ofSkin(l.Code) {
				return false
			}
			found = true
		}
	}
	return found
}

// where returns foot and claw of an event.
func where(p events.Payload) (foot, claw string) {
	switch p := p.(type) {
	case *events.Lesion:
		return p.Foot, p.Claw
	case *events.Treatment:
		return p.Foot, p.Claw
	case *events.TakenOff:
		return p.Foot, p.Claw
	case *events.Check:
		return p.Foot, p.Claw
	case *events.ClawMeasure:
		return p.Foot, p.Claw
	case *events.Claw:
		return p.Foot, p.Claw
	case *events.Order:
		return p.Foot, p.Claw
	case *events.Locomotion:
		return p.Limb, ""
	}
	return "", ""
}

func (m *Mapper) rowClaw() string {
	i := m.run.in.claw
	if i < 0 || m.results[i].bad || m.foot == "" {
		return ""
	}
	n := len(m.reasons)
	claw := m.side(m.results[i].value.Text, m.foot)
	m.reasons = m.reasons[:n]
	return claw
}
