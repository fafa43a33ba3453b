package worklist

import (
	"fmt"
	"slices"

	"dewclaw/events/herd"
)

// looks adds what became of examinations.
func (a *animal) looks() {
	if n := len(a.Missed); n > 0 {
		m := a.Missed[n-1]
		text := "not done on " + m.Day
		if m.NotDone != "" && m.NotDone != "not-stated" {
			text += " (" + m.NotDone + ")"
		}
		a.add(missed, text, m.Day, "")
	}
	if e := a.Examined; e != nil && e.Outcome == "incomplete" {
		a.add(incomplete, "rows of her examination of "+e.Day+" are held: what was found, and what was put on, is not all known; not to be taken for healthy", e.Day, "")
	}
}

// routine adds the checks of an animal the roster knows, where there is one.
func (a *animal) routine() {
	if !a.roster || !a.Animal.Known || a.Animal.Sex == "male" || a.lifted("trim-time", "") {
		return
	}
	calving := a.calving()
	if a.heifer() {
		a.heifers(calving)
	} else {
		a.beforeDry(calving)
		a.inMilk()
	}
	a.again()
}

// calving returns the earliest day she may calve, or "".
func (a *animal) calving() string { return a.Animal.EarliestCalving(a.day, a.set.Gestation) }

// heifer reports whether she has not calved by what the roster says.
func (a *animal) heifer() bool {
	p := a.Animal.Parity
	return a.Animal.Known && a.Animal.LastCalving(a.day) == "" && (p == nil && a.Animal.Born != "" && a.Animal.Born > addDays(a.day, -3*365) || p != nil && *p == 0)
}

// dry returns the newest drying off since her last calving, up to the day, or "".
func (a *animal) dry() string {
	last := a.Animal.LastCalving(a.day)
	for _, d := range slices.Backward(a.Animal.DryOffs) {
		if d <= a.day && d > last {
			return d
		}
	}
	return ""
}

// lookedWithin reports whether somebody looked at the animal within so many days.
func (a *animal) lookedWithin(n int) bool {
	return a.Checked != nil && a.Checked.Day >= addDays(a.day, -n)
}

// checkedSince reports whether somebody looked at the animal on or after a day.
func (a *animal) checkedSince(day string) bool { return a.Checked != nil && a.Checked.Day >= day }

// beforeDry adds the check before drying off.
func (a *animal) beforeDry(calving string) {
	dry, how := a.Animal.PlannedDryOff, "planned"
	if dry == "" || dry < a.Animal.LastCalving(a.day) {
		if calving == "" {
			return
		}
		dry, how = a.set.DryBefore(calving), fmt.Sprintf("taken to be %d days before the earliest calving", a.set.DryBeforeCalving)
	}
	if dry < a.day && how == "planned" && dry > a.Animal.LastCalving(a.day) && a.dry() == "" && !a.checkedSince(addDays(dry, -a.set.PreDryLooked)) {
		a.add(dryPassed, fmt.Sprintf("planned dry-off %s passed, none recorded: dried? check before drying off missed", dry), dry, "")
	}
	if a.dry() != "" || dry < a.day || a.lookedWithin(a.set.PreDryLooked) {
		return
	}
	window := a.set.PreDryWindow(dry)
	from, to := window.From, window.To
	text := fmt.Sprintf("check before drying off %s (%s): between %s and %s", dry, how, from, to)
	switch {
	case to < a.next:
		if to < a.day {
			text += ", missed"
		}
		a.add(preDryNow, text, from, to)
	case from <= a.day:
		a.add(preDry, text, from, to)
	}
}

// inMilk adds the check in the middle of the lactation.
func (a *animal) inMilk() {
	calved := a.Animal.LastCalving(a.day)
	days, ok := daysBetween(calved, a.day)
	if !ok || a.dry() != "" || a.checkedSince(calved) || days < a.set.MidLactationFrom || days > a.set.MidLactationTo {
		return
	}
	window := a.set.MidLactationWindow(calved)
	from, to := window.From, window.To
	a.add(midLactation, fmt.Sprintf("check at %d days in milk, none since calving %s: between %s and %s", days, calved, from, to), from, to)
}

// heifers adds the check before the first calving.
func (a *animal) heifers(calving string) {
	if calving == "" {
		return
	}
	window := a.set.HeiferWindow(calving)
	from, to := window.From, window.To
	if from > a.day || a.checkedSince(from) || calving < a.day {
		return
	}
	text := fmt.Sprintf("heifer, may calve from %s: look at all feet, trim only what is overgrown: between %s and %s", calving, from, to)
	if to < a.day {
		text += ", missed"
	}
	a.add(heiferCheck, text, from, to)
}

// again adds who should be looked at again: after a bad history, since she came,
// or at all.
func (a *animal) again() {
	if a.Examined == nil && a.Checked == nil {
		if a.adult() {
			a.add(neverExamined, a.neverWords(), "", "")
		}
		return
	}
	if a.lookedWithin(a.set.HighRiskLooked) {
		return
	}
	seen, since := "nobody looked at the whole animal", ""
	if a.Checked != nil {
		seen, since = "all feet last looked at "+a.Checked.Day, a.Checked.Day
	}
	for i := range a.Cases {
		c := &a.Cases[i]
		if Relieved(c) && len(c.Seen) > 0 && c.Last >= addDays(a.day, -a.set.HighRiskHistory) && len(c.Doubts) == 0 {
			a.add(highRisk, fmt.Sprintf("high risk: %s, %s; %s", caseWords(c), c.Last, seen), since, addDays(since, a.set.HighRiskLooked))
			return
		}
	}
	if !a.lookedWithin(a.set.Overdue) {
		a.add(overdue, "overdue: "+seen, since, addDays(since, a.set.Overdue))
	}
}

// adult reports whether she has calved, or nothing says that she has not.
func (a *animal) adult() bool { return !a.heifer() }

func (a *animal) neverWords() string {
	for _, s := range a.Animal.Stays {
		if s.Entered != "" && s.Entered <= a.day && s.Entered > a.Animal.Born {
			return "never examined since she came on " + s.Entered
		}
	}
	return "never examined, by what was recorded"
}

// guards returns what stops routine trimming.
func (a *animal) guards() (out []Guard) {
	add := func(code, text, until string, stops bool) { out = append(out, Guard{code, text, until, stops}) }
	calving := a.calving()
	left, known := daysBetween(a.day, calving)
	switch {
	case known && left < a.set.CalvingGuard:
		add("calving", fmt.Sprintf("no routine trim: may calve from %s; examine if lame", calving), "", true)
	case !known && a.dry() != "":
		add("pregnant", "no routine trim: dried off "+a.dry()+", and when she calves is not known: ask", "", true)
	case !known && a.pregnant():
		add("pregnant", "in calf by what is recorded, and when she calves is not known: ask before trimming", "", false)
	}
	if calved := a.Animal.LastCalving(a.day); calved != "" && a.day < addDays(calved, a.set.FreshGuard) {
		until := addDays(calved, a.set.FreshGuard)
		add("fresh", fmt.Sprintf("no routine trim before %s: calved %s", until, calved), until, true)
	}
	if a.Animal.PlannedDryOff == a.day || slices.Contains(a.Animal.DryOffs, a.day) {
		add("dry-off-day", "no routine trim today: day of drying off", addDays(a.day, 1), true)
	}
	for _, o := range a.forbidden() {
		add("order", "do not trim: "+orderText(&o, a.clock)+"; examine if lame", o.UntilLast(), true)
	}
	if where := a.thin(); where != "" {
		add("thin-sole", "thin sole ("+where+"): no shortening, no horn off the sole", "", false)
	}
	if e := a.Examined; e != nil && e.Restraint == "tilt" && (known && left < a.set.TiltGuard || !known && a.pregnant()) {
		add("tilt", "late in calf: not laid on her side for routine", "", false)
	}
	return out
}

// pregnant reports whether something says that she is in calf, though not when
// she calves.
func (a *animal) pregnant() bool {
	return a.Animal.Known && (a.dry() != "" || a.Animal.PlannedDryOff != "" && a.Animal.PlannedDryOff > a.Animal.LastCalving(a.day) && a.Animal.PlannedDryOff >= addDays(a.day, -90))
}

// thin tells where a sole is thin: measured below the limit, or found so and since
// neither measured at or above it, nor told healed, nor the foot found clear. A block
// or wrap ends nothing, nor does a look that does not tell of it.
func (a *animal) thin() string {
	for _, s := range a.Soles {
		if s.MM.Cmp(a.set.SoleCriticalMM) < 0 {
			return fmt.Sprintf("%s, %s mm on %s", place(s.Foot, s.Claw), s.MM, s.Day)
		}
	}
	i := slices.IndexFunc(a.Cases, func(c herd.Case) bool { return c.Class == "TS" && c.Open && !a.thickSince(&c) })
	if i < 0 {
		return ""
	}
	return fmt.Sprintf("%s, found %s", place(a.Cases[i].Foot, a.Cases[i].Claw), a.Cases[i].Last)
}

// thickSince reports whether the sole of a case was measured at or above the limit
// on a later day. Where the claw of the case was not told no measure is known to be of
// it.
func (a *animal) thickSince(c *herd.Case) bool {
	return slices.ContainsFunc(a.Soles, func(s herd.Sole) bool {
		return s.Foot == c.Foot && s.Claw == c.Claw && s.Day > c.Last && s.MM.Cmp(a.set.SoleCriticalMM) >= 0
	})
}
