package measures_test

import (
	"slices"
	"strings"

	"dewclaw/events"
)

// due is the part of the oracle that counts what was due: it knows the default
// windows (28 to 42 days of a block, 28 to 35 of a recheck, 90 to 120 days in milk,
// 48 hours of a wrap) and asks every event whether it did the thing.
func (o *oracle) due() {
	for _, r := range o.all {
		t, ok := r.p.(*events.Treatment)
		if !ok || o.bad[r.entity] {
			continue
		}
		off, sure := o.off(r)
		if !sure {
			continue
		}
		if t.What == "wrap" {
			late := on(r) + 2
			if off == late { // at which hour, nobody can tell
				if o.counted(cowOf(r), late) {
					o.settled("wrap-off", 0, 1, 0, 0)
				}
				continue
			}
			o.outcome("wrap-off", cowOf(r), late, off)
			continue
		}
		o.outcome("block-off", cowOf(r), on(r)+42, off)
		if off >= on(r)+28 {
			o.outcome("block-check", cowOf(r), on(r)+42, off)
		}
	}
	o.seenAgain()
	o.inMilk()
}

func (o *oracle) counted(cow string, closes int) bool {
	return closes >= o.from && closes <= o.to && o.present(cow, closes) && (o.roster[cow] != nil || len(o.roster) == 0)
}

func (o *oracle) settled(kind string, inTime, unclear, late, missed int) {
	o.add("due/"+kind+".in-time", inTime, unclear, 1)
	o.add("due/"+kind+".late", late, 0, 1)
	o.add("due/"+kind+".missed", missed, 0, 1)
}

// outcome counts one thing that was done on a day, or never.
func (o *oracle) outcome(kind, cow string, closes, did int) {
	if o.counted(cow, closes) {
		inTime, late := did <= closes && did <= o.to, did > closes && did <= o.to
		o.settled(kind, is(inTime), 0, is(late), is(did > o.to))
	}
}

// look returns the first day of some on which somebody looked at the foot, or with
// foot "" at the whole cow; a day that never comes if nobody did.
func (o *oracle) look(cow, foot string, from, to int) int {
	best := 1 << 60
	for _, r := range o.all {
		if cowOf(r) != cow || o.bad[r.entity] || on(r) < from || on(r) > to {
			continue
		}
		saw := false
		switch p := r.p.(type) {
		case *events.Examination:
			if p.Outcome == "not-done" {
				continue
			}
			saw = foot == "" && p.Reasons[0] == "routine"
			for _, f := range p.Feet {
				saw = saw || foot != "" && f.Foot == foot
			}
		case *events.Lesion:
			saw = p.Foot == foot
		case *events.Treatment: // a foot is lifted for a block; a wrap or a medicine is no look, but for a trimmer's or a vet's
			lifted := strings.HasPrefix(p.What, "block") || p.What == "corrective-trim"
			saw = p.Foot == foot && (lifted || p.Role == "trimmer" || p.Role == "vet")
		}
		if saw {
			best = min(best, on(r))
		}
	}
	return best
}

func (o *oracle) seenAgain() {
	type sighting struct {
		cow, foot, claw, class string
		day                    int
	}
	known := map[sighting]bool{}
	for _, r := range o.all {
		l, ok := r.p.(*events.Lesion)
		if !ok || o.bad[r.entity] || healed0(l) {
			continue
		}
		c := classes(l.Code)
		s := sighting{cowOf(r), l.Foot, l.Claw, c[len(c)-1], on(r)}
		if known[s] || s.class != "U" && s.class != "WL" {
			continue
		}
		known[s] = true
		look := o.look(s.cow, s.foot, s.day+1, o.to)
		if look < s.day+28 || o.lost(s.cow, s.foot, s.claw, s.day+35) {
			continue
		}
		o.outcome("recheck", s.cow, s.day+35, look)
	}
}

func (o *oracle) inMilk() {
	for cow, a := range o.roster {
		calvings := slices.Sorted(slices.Values(a.Calvings))
		for i, text := range calvings {
			calved, end := dayNumber(text), 1<<60
			if i+1 < len(calvings) {
				end = dayNumber(calvings[i+1])
			}
			if a.DriedOff != "" && dayNumber(a.DriedOff) > calved {
				end = min(end, dayNumber(a.DriedOff))
			}
			if end <= calved+120 || o.look(cow, "", calved, calved+89) < 1<<60 {
				continue
			}
			o.outcome("mid-lactation", cow, calved+120, o.look(cow, "", calved+90, min(end-1, o.to)))
		}
	}
}
