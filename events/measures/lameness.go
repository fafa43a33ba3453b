package measures

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"

	"dewclaw/events"
	"dewclaw/events/measures/stats"
	"dewclaw/schema/codes"
)

// lameness makes the point prevalence of each session, of all animals asked for
// or by the parts of a split.
func (w *work) lameness() {
	w.chooseBase(InMilk)
	w.makeLooks()
	sessions := w.herdSessions()
	for i := len(sessions) - 1; i >= 0; i-- {
		s := sessions[i]
		w.session(s, i == len(sessions)-1)
		if w.q.By != "" {
			w.splitSession(s)
			break
		}
	}
	w.noSessions(len(sessions), 1)
}

// noSessions says why nothing can be told, if so.
func (w *work) noSessions(n, least int) {
	if n < least {
		w.note("cannot be worked out: %s in the period, at least %d wanted", plural(n, "session"), least)
	}
}

func (w *work) session(s *session, newest bool) {
	key, section := s.day.String(), "session of "+s.day.String()
	lame := count(s.looks, isLame)
	f := w.share("lame."+key, "lame", lame.x, lame.n, "scored")
	f.Section, f.Scale = section, scaleNames(s.looks)
	f.made(lame.counted, lame.rest)
	_, worn := unworn(s.looks)
	if f.Worn = &worn; worn > 0 {
		f.note("%d of them wore a block or wrap, which changes the gait", worn)
	}
	w.ofSession(f, s)
	if newest {
		f.compare(w.lameRanges(s.looks))
	}
	w.severity(key, section, s)
	w.adjusted(key, section, s)
	if newest {
		w.points(key, section, s.looks)
	}
}

// A cell is what the looks with one raw score on one scale come to.
type cell struct {
	n    int
	made []events.Entity
	is   map[string]bool // keys of the figures that its animals are counted in
}

// severity adds severe lameness: by gait grade, which all scales share, and by
// the own cut of each scale.
func (w *work) severity(key, section string, s *session) {
	var t tally
	graded, ungraded := 0, 0
	for _, l := range s.looks {
		if !l.hasGrade() {
			ungraded++
			continue
		}
		graded++
		t.add(l, l.severe == severe)
		if l.severe == maySevere {
			t.unclear++
		}
	}
	if graded > 0 {
		f := w.shareRange("severe."+key, "severely lame, by gait grade", t.x, t.unclear, t.n, "scored")
		f.Section, f.Scale = section, scaleNames(s.looks)
		f.made(t.counted, t.rest)
		if ungraded > 0 {
			f.note("%d scored on scales without grades are not in it", ungraded)
		} else {
			f.covers(s.seen, s.eligible, w.report.Of).census()
		}
		if t.x > 0 {
			// Main et al. 2010 (pubag.nal.usda.gov 2242400): of herds with a severely lame
			// cow 80 % had more than a quarter lame, of the others 24 %.
			f.note("herds with a severely lame cow mostly have more than a quarter lame (Main et al. 2010)")
		}
	}
	for _, scale := range w.nativeScales(s.looks) {
		n := count(slices.DeleteFunc(slices.Clone(s.looks), func(l *look) bool { return l.natively(scale) == "" }),
			func(l *look) bool { return l.natively(scale) == "yes" })
		f := w.share("severe."+slug(scale)+"."+key, "severely lame, by the cut of "+scale, n.x, n.n, "scored on "+scale)
		f.Section, f.Scale = section, scale
		f.made(n.counted, n.rest)
		if n.n == len(s.looks) {
			f.covers(s.seen, s.eligible, w.report.Of).census()
		}
	}
}

// hasGrade reports whether a score of the look has a gait grade.
func (l *look) hasGrade() bool {
	for _, s := range l.scores {
		if s.Severe != "" {
			return true
		}
	}
	return false
}

func (w *work) nativeScales(looks []*look) (out []string) {
	seen := map[string]bool{}
	for _, l := range looks {
		for _, s := range l.scales {
			if s.native != "" {
				seen[s.name] = true
			}
		}
	}
	return slices.Sorted(maps.Keys(seen))
}

// natively returns what the own cut of a scale says of severe, "" if nothing.
func (l *look) natively(scale string) string {
	if on := l.on(scale); on != nil {
		return on.native
	}
	return ""
}

// adjusted adds the prevalence that signs of standing cows stand for, by the
// sensitivity and specificity of the scale (Rogan and Gladen 1978).
func (w *work) adjusted(key, section string, s *session) {
	scale := codes.Locomotion().Get(scaleNames(s.looks))
	if scale == nil || !scale.Sensitivity.IsSet() || !scale.Specificity.IsSet() {
		return
	}
	t := count(s.looks, isLame)
	se, sp := float(scale.Sensitivity), float(scale.Specificity)
	adjust := func(p float64) float64 { return stats.RoganGladen(p, se, sp) }
	f := w.add("adjusted."+key, "lame when walking, as the signs of standing cows let expect")
	f.Section, f.Scale, f.Unit, f.Of = section, scale.Code, "%", "scored"
	f.X, f.N = intPtr(t.x), intPtr(t.n)
	f.Value = Number(100 * adjust(float64(t.x)/float64(t.n)))
	i := stats.Wilson(t.x, t.n, w.q.Level)
	f.Intervals = []Interval{interval(Wilson, stats.Interval{Low: adjust(i.Low), High: adjust(i.High)}, 100)}
	f.made(t.counted, t.rest)
	f.note("sensitivity %v, specificity %v (%s); their own uncertainty is not in the interval", se, sp, scale.Source)
}

func float(d events.Decimal) float64 {
	v, _ := strconv.ParseFloat(d.String(), 64) // a decimal always reads
	return v
}

// points adds how many animals had each raw score, scale by scale. Raw scores are
// counted and never averaged.
func (w *work) points(key, section string, looks []*look) {
	type point struct{ scale, value string }
	cells := map[point]*cell{}
	total := map[string]int{}
	for _, l := range looks {
		for _, s := range l.scales {
			p := point{s.name, s.highest.String()}
			if cells[p] == nil {
				cells[p] = &cell{is: map[string]bool{}}
			}
			c := cells[p]
			c.n++
			total[s.name]++
			c.made = append(c.made, l.entities()...)
			c.is["lame."+key] = c.is["lame."+key] || l.lame
			c.is["severe."+key] = c.is["severe."+key] || l.severe == severe
			c.is["severe."+slug(s.name)+"."+key] = s.native == "yes"
		}
	}
	list := slices.Collect(maps.Keys(cells))
	slices.SortFunc(list, func(a, b point) int {
		x, errX := events.ParseDecimal(a.value)
		y, errY := events.ParseDecimal(b.value)
		if errX != nil || errY != nil {
			return cmp.Or(cmp.Compare(a.scale, b.scale), cmp.Compare(a.value, b.value))
		}
		return cmp.Or(cmp.Compare(a.scale, b.scale), x.Cmp(y))
	})
	with, without := map[string][]string{}, map[string][]string{}
	for _, p := range list {
		c := cells[p]
		f := w.share(fmt.Sprintf("score.%s.%s.%s", slug(p.scale), p.value, key), "score "+p.value+" on "+p.scale, c.n, total[p.scale], "scored on "+p.scale)
		f.Section, f.Scale, f.Intervals, f.Family = section, p.scale, nil, "score."+p.scale
		f.made(c.made, nil)
		for total, is := range c.is {
			if is {
				with[total] = append(with[total], f.Key)
			} else {
				without[total] = append(without[total], f.Key)
			}
		}
	}
	for _, side := range []map[string][]string{with, without} {
		for _, total := range slices.Sorted(maps.Keys(side)) {
			w.addsUp(total, side[total]...)
		}
	}
}

// splitSession adds the lame of each part of a split at a session; of two parts
// also the difference.
func (w *work) splitSession(s *session) {
	parts := map[string][]*look{}
	for _, l := range s.looks {
		g := w.groupOf(l.animal, l.day, l.pen)
		parts[g] = append(parts[g], l)
	}
	w.splitShares("lame."+s.day.String(), "lame", "scored", parts, isLame)
	var keys []string
	for _, g := range sortedGroups(parts) {
		keys = append(keys, "lame."+s.day.String()+"."+slug(g))
	}
	w.addsUp("lame."+s.day.String(), keys...)
}

// splitShares adds one share for each part of a split of looks.
func (w *work) splitShares(key, what, of string, parts map[string][]*look, counts func(*look) bool) {
	var told []tally
	var names []string
	for _, g := range sortedGroups(parts) {
		t := count(parts[g], counts)
		f := w.share(key+"."+slug(g), what, t.x, t.n, of)
		f.Section, f.Group, f.Family, f.Scale = "by "+w.q.By, g, key, scaleNames(parts[g])
		f.made(t.counted, t.rest).cautions()
		told, names = append(told, t), append(names, g)
	}
	if len(told) == 2 {
		w.compareShares(key, what, names, told)
	}
}

// compareShares adds difference, ratio and test of two parts.
func (w *work) compareShares(key, what string, names []string, t []tally) {
	a, b := t[0], t[1]
	if a.n == 0 || b.n == 0 {
		return
	}
	section := "by " + w.q.By
	from := []string{key + "." + slug(names[0]), key + "." + slug(names[1])}
	d := stats.NewcombeDifference(b.x, b.n, a.x, a.n, w.q.Level)
	f := w.add(key+".difference", fmt.Sprintf("%s: %s less %s", what, names[1], names[0]))
	f.Section, f.Unit, f.Value, f.from = section, "points", Number(100*d.Value), from
	f.Intervals = []Interval{interval(Newcombe, d.Interval, 100)}
	f.made(slices.Concat(a.counted, b.counted), slices.Concat(a.rest, b.rest))
	f.note("by chance alone, were there no difference: p = %.4g (Fisher, two-sided)", stats.FisherTwoSided(b.x, b.n, a.x, a.n))
	r := stats.PrevalenceRatio(b.x, b.n, a.x, a.n, w.q.Level)
	f = w.add(key+".ratio", fmt.Sprintf("%s: %s over %s", what, names[1], names[0]))
	f.Section, f.Unit, f.Value, f.from = section, "times", Number(r.Value), from
	if !r.IsNone() {
		f.Intervals = []Interval{interval(Log, r.Interval, 1)}
	}
	f.made(slices.Concat(a.counted, b.counted), slices.Concat(a.rest, b.rest))
}
