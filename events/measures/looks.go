package measures

import (
	"cmp"
	"iter"
	"maps"
	"slices"
	"strings"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// How severe a look was, by gait grade.
const (
	notSevere = iota
	maySevere // the scale cannot tell
	severe
)

// A look is what the scores of one animal on one day come to: the most severe of
// each kind, for scores are never averaged.
type look struct {
	animal string
	day    day
	at     string // earliest moment of a lame score, RFC 3339; "" if one of them has none
	lame   bool
	severe int               // by gait grade
	native map[string]string // scale to severe by its own cut, yes or no; scales without a cut are not there
	worn   bool              // a block or wrap was on at one of the scores
	scales []string          // sorted
	points map[string]string // scale to its highest raw value
	pen    events.AsGiven
	scores []*herd.Score
}

func (l *look) entities() (out []events.Entity) {
	for _, s := range l.scores {
		out = append(out, s.Entity)
	}
	return out
}

// nativelySevere reports whether a scale's own cut says severely lame.
func (l *look) nativelySevere() bool {
	for _, v := range l.native {
		if v == "yes" {
			return true
		}
	}
	return false
}

// makeLooks fills the looks by animal and day. Scores in doubt, and such as say
// neither lame nor not, are left out.
func (w *work) makeLooks() {
	doubtful, silent, elsewhere := 0, 0, 0
	byKey := map[string]map[day]*look{}
	for i := range w.d.Scores {
		s := &w.d.Scores[i]
		d := dayOf(s.Day, never)
		inPeriod := w.period.has(d)
		switch {
		case len(s.Doubts) > 0:
			if inPeriod {
				doubtful++
			}
			continue
		case w.q.Scale != "" && s.Scale != w.q.Scale:
			if inPeriod {
				elsewhere++
			}
			continue
		case s.Lame == "":
			if inPeriod {
				silent++
			}
			continue
		}
		if byKey[s.Animal] == nil {
			byKey[s.Animal] = map[day]*look{}
		}
		l := byKey[s.Animal][d]
		if l == nil {
			l = &look{animal: s.Animal, day: d, native: map[string]string{}, points: map[string]string{}}
			byKey[s.Animal][d] = l
		}
		l.take(s)
	}
	w.leave("scores that contradict other records", doubtful)
	w.leave("scores on other scales", elsewhere)
	w.leave("scores that say neither lame nor not lame (not scorable, or a scale without a cut)", silent)
	for _, animal := range slices.Sorted(maps.Keys(byKey)) {
		list := slices.Collect(maps.Values(byKey[animal]))
		slices.SortFunc(list, func(a, b *look) int { return cmp.Compare(a.day, b.day) })
		w.looks = append(w.looks, list...)
	}
}

func (l *look) take(s *herd.Score) {
	lame := s.Lame == "yes"
	switch at := s.At(); {
	case !lame:
	case !l.lame, at < l.at: // the first lame score, or an earlier one; "" is before all
		l.at = at
	}
	l.lame = l.lame || lame
	switch s.Severe {
	case "yes":
		l.severe = severe
	case "undetermined":
		l.severe = max(l.severe, maySevere)
	}
	if s.Native != "" && l.native[s.Scale] != "yes" {
		l.native[s.Scale] = s.Native
	}
	l.worn = l.worn || len(s.On) > 0
	if !slices.Contains(l.scales, s.Scale) {
		l.scales = append(l.scales, s.Scale)
		slices.Sort(l.scales)
	}
	if v, ok := l.points[s.Scale]; !ok || higher(s, l.scores, v) {
		l.points[s.Scale] = s.Value.String()
	}
	l.pen = s.Payload.Base().AsGiven
	l.scores = append(l.scores, s)
}

// higher reports whether a score is above the highest one of its scale so far.
func higher(s *herd.Score, before []*herd.Score, than string) bool {
	for _, b := range before {
		if b.Scale == s.Scale && b.Value.String() == than {
			return s.Value.Cmp(b.Value) > 0
		}
	}
	return true
}

// A session is a day on which the herd was scored.
type session struct {
	day      day
	looks    []*look // of the animals asked for, by animal
	eligible int
	seen     int // of those that the rosters know
}

// herdSessions returns the sessions of the period with the looks of the animals
// asked for, and notes what was left out for the others.
func (w *work) herdSessions() []*session {
	w.parameter("least animals of a session", w.q.Least)
	byDay := map[day]*session{}
	others, spots := 0, 0
	for _, l := range w.looks {
		if !w.period.has(l.day) {
			continue
		}
		if !w.isIn(l.animal, l.day) {
			others++
			continue
		}
		s := byDay[l.day]
		if s == nil {
			s = &session{day: l.day, eligible: w.eligible(l.day)}
			byDay[l.day] = s
		}
		s.looks = append(s.looks, l)
		if w.cows[l.animal] != nil {
			s.seen++
		}
	}
	var out []*session
	for _, d := range slices.Sorted(maps.Keys(byDay)) {
		s := byDay[d]
		if n := len(s.looks); n < w.q.Least && (s.eligible == 0 || 2*n < s.eligible) {
			spots += n
			continue
		}
		out = append(out, s)
	}
	w.leave("scored animals that are not among the "+w.report.Of+" by the rosters", others)
	w.leave("spot scores: days on which too few animals were scored to speak of the herd", spots)
	return out
}

// scaleNames joins the scales of looks.
func scaleNames(looks []*look) string {
	var all []string
	for _, l := range looks {
		all = append(all, l.scales...)
	}
	slices.Sort(all)
	return strings.Join(slices.Compact(all), ", ")
}

// eachAnimal yields the looks of one animal after the other.
func eachAnimal(list []*look) iter.Seq[[]*look] {
	return func(yield func([]*look) bool) {
		for from := 0; from < len(list); {
			to := from + 1
			for to < len(list) && list[to].animal == list[from].animal {
				to++
			}
			if !yield(list[from:to]) {
				return
			}
			from = to
		}
	}
}

// unworn returns the looks without a block or wrap on, and how many had one.
func unworn(looks []*look) (free []*look, worn int) {
	for _, l := range looks {
		if l.worn {
			worn++
		} else {
			free = append(free, l)
		}
	}
	return free, worn
}

// A tally counts looks and keeps the events behind them.
type tally struct {
	x, unclear, n int
	counted, rest []events.Entity
}

func (t *tally) add(l *look, counts bool) {
	t.n++
	if counts {
		t.x++
		t.counted = append(t.counted, l.entities()...)
	} else {
		t.rest = append(t.rest, l.entities()...)
	}
}

func count(looks []*look, counts func(*look) bool) (t tally) {
	for _, l := range looks {
		t.add(l, counts(l))
	}
	return t
}

func isLame(l *look) bool { return l.lame }

// Warnings that stand beside a figure of few or chosen animals. Thresholds: 80 %
// trimmed, Solano et al. 2016 (en.engormix.com, a40758); 30 animals and 20 points
// are a proposal without outside authority.
const (
	wholeHerd  = 80
	fewAnimals = 30
	widePoints = 20
)

// cautions adds the warnings a share of animals deserves.
func (f *Figure) cautions() *Figure {
	if f.N != nil && *f.N == 0 {
		return f // says nothing anyway
	}
	if c := f.Coverage(); c.Told() && c < wholeHerd {
		f.caution("only %.0f %% of the %s were looked at: these are selected animals, not the herd", float64(c), f.Eligibly)
	}
	wide := len(f.Intervals) > 0 && float64(f.Intervals[0].High-f.Intervals[0].Low) > widePoints
	if f.N != nil && *f.N > 0 && !f.Census && (*f.N < fewAnimals || wide) {
		f.caution("few animals: read the interval, not the figure")
	}
	return f
}
