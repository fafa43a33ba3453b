package rules

import (
	"strings"

	"dewclaw/events"
)

// This file judges what is told between two examinations.

func (s *Settings) judgeCheck(c *events.Check) {
	where := strings.TrimSpace(c.Foot + " " + c.Claw)
	switch {
	case c.What == block && (c.State == "rocking" || c.State == "loose"):
		s.note(&c.Common, BlockRocking, strings.TrimSpace(c.State+" "+where))
	case c.State == "not-healing":
		s.note(&c.Common, WoundNotHealing, where)
	}
	s.judgeSince(&c.Common, c.Since)
}

func (s *Settings) judgeClaw(c *events.Claw) {
	if c.State == "capsule-lost" && c.Until == "" {
		s.note(&c.Common, HornCapsuleLost, strings.TrimSpace(c.Foot+" "+c.Claw))
	}
	s.judgeSince(&c.Common, c.Since)
}

// judgeSince looks at a day since when something is gone.
func (s *Settings) judgeSince(c *events.Common, since string) {
	if since != "" && c.Occurred.Date != "" && since > c.Occurred.Date {
		s.note(c, SinceLater, since+", told on "+c.Occurred.Date)
	}
}

func (s *Settings) judgeOrder(o *events.Order) {
	if o.Due == "" && o.Until == "" {
		for _, code := range o.Cancels {
			if code != "orders" {
				s.note(&o.Common, OrderWithoutEnd, code)
				break
			}
		}
	}
	for _, t := range []string{o.Due, o.Until} {
		if len(t) >= len("2006-01-02") && t[:len("2006-01-02")] < o.Occurred.Date {
			s.note(&o.Common, OrderPast, t+", given on "+o.Occurred.Date)
			break
		}
	}
}

func (s *Settings) judgeGroup(g *events.Group) {
	if g.Product == "" {
		s.note(&g.Common, BathWithoutProduct, strings.Join(g.Pens, ", "))
	}
}
