package demo

import (
	"math"
	"time"
)

// examine puts a cow on the chute on day t.
func examine(d dice, c *cow, t time.Time, reason string) *exam {
	x := &exam{cow: c, at: t, reason: reason, toe: map[string]float64{}}
	if b := c.block; b != nil && t.Sub(b.since) >= 26*24*time.Hour {
		x.off = append(x.off, off{"block", b.foot, b.claw})
		c.block = nil
	}
	p := pRoutineLesion
	if reason == "lame" {
		p = pLameLesion
	}
	for n := 0; n < 2 && d.chance(p); n++ {
		l := newLesion(d)
		if n == 1 && x.found[0].foot == l.foot {
			break // the second finding of the demo's cows is on another foot
		}
		x.found = append(x.found, l)
		treat(d, x, l)
		p = pSecondLesion
	}
	c.known = x.found
	for _, foot := range []string{"LH", "RH"} {
		x.toe[foot] = toe(d)
	}
	for _, l := range x.found {
		if _, ok := x.toe[l.foot]; !ok {
			x.toe[l.foot] = toe(d)
		}
	}
	if len(x.found) > 0 && d.chance(0.12) {
		x.remark = pick(d, []string{"painful", "old scar", "look again at the next visit", "soft; springy", `deep, "hot" foot`})
	}
	return x
}

// toe returns a toe length after trimming in mm, a whole number of sixteenths of
// an inch so that both farms can write it exactly: most between 79 and 89 mm.
// The published advice is not below 82.55 mm from the hairline (common practice).
func toe(d dice) float64 {
	sixteenths := math.Round(16 * (83.5 + 2.4*d.NormFloat64()) / 25.4)
	return sixteenths / 16 * 25.4
}

func newLesion(d dice) lesion {
	f := d.finding()
	l := lesion{code: f.code, zone: pick(d, f.zones), severity: min(3, 1+d.within(0, 1)+d.within(0, 1)*d.within(0, 1))}
	hind := d.chance(pHindFoot)
	l.foot = pick(d, []string{"LF", "RF"})
	if hind {
		l.foot = pick(d, []string{"LH", "RH"})
	}
	if f.code == "DD" {
		l.stage = pick(d, []string{"M1", "M2", "M2", "M4", "M4.1"})
	}
	if !f.skin {
		typical := d.chance(pTypicalClaw)
		l.claw = "inner"
		if hind == typical {
			l.claw = "outer"
		}
	}
	return l
}

// treat decides on a block for a graver lesion of the horn, on the partner claw,
// and on a wrap. A cow has one block at a time.
func treat(d dice, x *exam, l lesion) {
	for _, f := range findings {
		if f.code != l.code {
			continue
		}
		if f.block && l.severity >= 2 && x.cow.block == nil && x.blockOn == nil {
			claw := partner(l.claw)
			if d.chance(pWrongClaw) {
				claw = l.claw
			}
			x.blockOn = &block{l.foot, claw, x.at}
			x.cow.block = x.blockOn
		}
	}
	if x.wrapOn == "" && (l.code == "DD" && l.stage == "M2" && d.chance(0.7) || l.code == "SU" && l.severity == 3) {
		x.wrapOn = l.foot
	}
}

func partner(claw string) string {
	if claw == "inner" {
		return "outer"
	}
	return "inner"
}

// wrapOff is the short stop on the day after a wrap was put on.
func wrapOff(d dice, e *exam) *exam {
	next := e.at.AddDate(0, 0, 1).Truncate(24 * time.Hour).Add(time.Duration(d.within(7*60, 9*60)) * time.Minute)
	return &exam{
		cow: e.cow, at: next, reason: "recheck", toe: map[string]float64{},
		off: []off{{"wrap", e.wrapOn, ""}}, vet: e.vet,
	}
}
