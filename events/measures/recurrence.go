package measures

import (
	"fmt"
	"slices"
	"strconv"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/measures/stats"
)

// recurrence makes the time from the healing of a case to the next one of the
// same class on the same claw, by Kaplan and Meier: those that left, and those
// that had none by the end of the period, were watched until then.
func (w *work) recurrence() {
	w.parameter("days between two records of one case", w.q.Gap)
	next := w.nextCases()
	parts := map[string][]stats.Time{}
	tallies := map[string]*tally{}
	add := func(name, animal string, t stats.Time, made []events.Entity) {
		parts[name] = append(parts[name], t)
		if tallies[name] == nil {
			tallies[name] = &tally{}
		}
		tallies[name].pair(made, t.Event)
		tallies[name].crowd.add(animal, t.Event, false)
	}
	doubtful, unknown, clawless := 0, 0, 0
	for i := range w.d.Cases {
		c := &w.d.Cases[i]
		healed := dayOf(c.Healed, never)
		if !w.period.has(healed) {
			continue
		}
		own := w.cows[c.Animal]
		switch {
		case len(c.Doubts) > 0:
			doubtful++
			continue
		case own == nil:
			unknown++
			continue
		}
		end, t := min(w.period.to-1, own.left(healed)), stats.Time{}
		if since := w.goneSince(c); since < healed {
			clawless++
			continue
		} else if since < end {
			end = since // a claw that is gone has nothing again
		}
		made := seenOn(c)
		if n := next[i]; n != nil && dayOf(n.First, never) <= end {
			t = stats.Time{T: float64(dayOf(n.First, never) - healed), Event: true}
			made = append(made, firstSeen(n)...)
		} else {
			t.T = float64(max(0, end-healed))
		}
		if w.q.By == "" {
			add("any lesion", c.Animal, t, made)
			add(className(c.Class), c.Animal, t, made)
		} else {
			add(w.caseGroup(c, healed), c.Animal, t, made)
		}
	}
	w.leave("cases told of by records that contradict others", doubtful)
	w.leave("cases of animals no roster knows: until when they were there cannot be told", unknown)
	w.leave("cases healed by the loss of their claw", clawless)
	w.recurrenceFigures(parts, tallies)
	if len(parts) == 0 {
		w.note("cannot be worked out: no case was found healed in the period. Cases that nobody looked at again are not healed")
	}
	w.note("of cases that nobody found healed nothing can be told; most second events go back to the first one (Randall et al.: 79 to 83 %%), so a recurrence is not a new disease")
}

// goneSince returns the last day on which there is the claw of a case; never if it
// is not told to be gone.
func (w *work) goneSince(c *herd.Case) day {
	since := never
	for _, x := range w.lost[c.Animal] {
		if d := dayOf(x.Since, never); x.Foot == c.Foot && x.Claw == c.Claw && x.Gone((d + 1).String()) {
			since = min(since, d)
		}
	}
	return since
}

// caseGroup returns the part of the split a case is in on a day.
func (w *work) caseGroup(c *herd.Case, d day) string {
	if w.q.By == ByFoot {
		return c.Foot
	}
	return w.groupOf(c.Animal, d, events.AsGiven{})
}

// seenOn returns every event that told of a case.
func seenOn(c *herd.Case) (out []events.Entity) {
	for _, s := range c.Seen {
		for _, l := range s.Lesions {
			for _, r := range l.Reports {
				out = append(out, r.Entity)
			}
		}
	}
	return out
}

// nextCases returns the case that follows each one on the same claw, by place in
// the cases, which are sorted by animal, foot, class, claw and first day. Cases in
// doubt follow nothing.
func (w *work) nextCases() map[int]*herd.Case {
	out := map[int]*herd.Case{}
	last := -1
	for i := range w.d.Cases {
		b := &w.d.Cases[i]
		if len(b.Doubts) > 0 {
			continue
		}
		if last >= 0 {
			a := &w.d.Cases[last]
			if a.Animal == b.Animal && a.Foot == b.Foot && a.Class == b.Class && a.Claw == b.Claw && a.Words == b.Words {
				out[last] = b
			}
		}
		last = i
	}
	return out
}

// recurrenceFigures adds median and the share back after 90 and 180 days of each
// part, and of two parts of a split the log-rank test.
func (w *work) recurrenceFigures(parts map[string][]stats.Time, tallies map[string]*tally) {
	names := sortedGroups(parts)
	if w.q.By == "" {
		names = append([]string{"any lesion"}, slices.DeleteFunc(names, func(n string) bool { return n == "any lesion" })...)
		if len(parts) == 0 {
			return
		}
	}
	for _, name := range names {
		times, t := parts[name], tallies[name]
		key, from := "again."+slug(name), len(w.report.Figures)
		curve := stats.Survival(times, w.q.Level)
		for _, at := range []int{90, 180} {
			f := w.add(key+"."+strconv.Itoa(at), fmt.Sprintf("back within %d days of healing", at))
			f.Unit, f.X, f.N, f.Of = "%", intPtr(t.x), intPtr(t.n), "healed cases (x: those that came back, whenever)"
			// Where all came back before, nobody is left to be watched, and the share stays.
			if s := curve.At(float64(at)); curve.End() >= float64(at) || s.S == 0 {
				f.Value = Number(100 * (1 - s.S))
				f.Intervals = intervals(Interval{LogLog, Number(100 * (1 - s.High)), Number(100 * (1 - s.Low))})
			} else {
				f.note("nobody was watched so long")
			}
			f.made(t.counted, t.rest).heads = t.crowd.heads()
		}
		w.times(key, "days from healing to recurrence", times, *t)
		for i := range w.report.Figures[from:] {
			w.report.Figures[from+i].Section = name
			if w.q.By != "" {
				w.report.Figures[from+i].Group = name
			}
		}
		if w.q.By != "" || name == "any lesion" {
			w.curve(name, times)
		}
	}
	var keys []string
	for _, name := range names {
		if name != "any lesion" {
			keys = append(keys, "again."+slug(name))
		}
	}
	for _, of := range []string{".90", ".180", ".median"} {
		var parts []string
		for _, k := range keys {
			parts = append(parts, k+of)
		}
		w.addsUp("again.any-lesion"+of, parts...)
	}
	if w.q.By != "" && len(names) == 2 {
		test := stats.LogRank(parts[names[0]], parts[names[1]])
		f := w.add("again.log-rank", "do the two curves differ by more than chance: log-rank test")
		f.Section, f.Unit, f.Value, f.from = "by "+w.q.By, "p", Number(test.P), []string{keys[0] + ".90", keys[1] + ".90"}
		f.note("chi-square %.4g with one degree of freedom; cases of one animal are alike, so it says too much", test.ChiSquare)
	}
}
