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
	severe int         // by gait grade
	worn   bool        // a block or wrap was on at one of the scores
	scales []scaleLook // by name; of one or two scales, where maps would cost more than all the rest
	pen    events.AsGiven
	scores []*herd.Score
	made   []events.Entity // of the scores; shared, not to be changed
}

// A scaleLook is what the scores on one scale come to.
type scaleLook struct {
	name    string
	native  string         // severe by its own cut, yes or no; "" if it has none
	highest events.Decimal // raw value
}

// entities returns the events of the look. The slice is shared.
func (l *look) entities() []events.Entity { return l.made }

// nativelySevere reports whether a scale's own cut says severely lame.
func (l *look) nativelySevere() bool {
	for _, s := range l.scales {
		if s.native == "yes" {
			return true
		}
	}
	return false
}

// makeLooks fills the looks by animal and day. Scores in doubt, and such as say
// neither lame nor not, are left out.
func (w *work) makeLooks() {
	made := w.kept.looksOf(w)
	for _, x := range made.left {
		w.leave(x.Why, x.N)
	}
	w.looks = made.looks
}

// allLooks makes the looks of one question; see makeLooks.
func (w *work) allLooks() *looksMade {
	type scored struct {
		*herd.Score
		day day
	}
	doubtful, silent, elsewhere := 0, 0, 0
	var scores []scored
	for i := range w.d.Scores {
		s := scored{&w.d.Scores[i], dayOf(w.d.Scores[i].Day, never)}
		left := &silent
		switch {
		case len(s.Doubts) > 0:
			left = &doubtful
		case w.q.Scale != "" && s.Scale != w.q.Scale:
			left = &elsewhere
		case s.Lame != "":
			scores = append(scores, s)
			continue
		}
		*left += boolInt(w.period.has(s.day))
	}
	out := &looksMade{left: []LeftOut{
		{"scores that contradict other records", doubtful},
		{"scores on other scales", elsewhere},
		{"scores that say neither lame nor not lame (not scorable, or a scale without a cut)", silent},
	}}
	slices.SortStableFunc(scores, func(a, b scored) int { return cmp.Or(cmp.Compare(a.Animal, b.Animal), cmp.Compare(a.day, b.day)) })
	// Few allocations: there are as good as as many looks as scores.
	room, all, made := make([]look, 0, len(scores)), make([]*herd.Score, len(scores)), make([]events.Entity, len(scores))
	from := 0
	for i, s := range scores {
		if n := len(room); n == 0 || room[n-1].animal != s.Animal || room[n-1].day != s.day {
			room = append(room, look{animal: s.Animal, day: s.day})
			out.looks = append(out.looks, &room[n])
			from = i
		}
		all[i], made[i] = s.Score, s.Entity
		l := &room[len(room)-1]
		l.take(s.Score)
		l.scores, l.made = all[from:i+1:i+1], made[from:i+1:i+1]
	}
	return out
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
	l.worn = l.worn || len(s.On) > 0
	on := l.on(s.Scale)
	if on == nil {
		l.scales = append(l.scales, scaleLook{name: s.Scale, highest: s.Value})
		slices.SortFunc(l.scales, func(a, b scaleLook) int { return cmp.Compare(a.name, b.name) })
		on = l.on(s.Scale)
	}
	if s.Native != "" && on.native != "yes" {
		on.native = s.Native
	}
	if s.Value.Cmp(on.highest) > 0 {
		on.highest = s.Value
	}
	l.pen = s.Payload.Base().AsGiven
}

// on returns what the scores on one scale come to, or nil.
func (l *look) on(scale string) *scaleLook {
	for i := range l.scales {
		if l.scales[i].name == scale {
			return &l.scales[i]
		}
	}
	return nil
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
	others, spots := map[string]bool{}, 0
	for _, l := range w.looks {
		if !w.period.has(l.day) {
			continue
		}
		if !w.isIn(l.animal, l.day) {
			others[l.animal] = true
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
	w.leave("scored animals that are not among the "+w.report.Of+" by the rosters", len(others))
	w.leave("spot scores: days on which too few animals were scored to speak of the herd", spots)
	return out
}

// isPartial reports whether so few of the herd were scored that they are taken for
// chosen animals. Where no roster tells how many there are, nobody knows.
func (w *work) isPartial(s *session) bool {
	return s.eligible > 0 && 100*float64(s.seen) < w.q.Cover*float64(s.eligible)
}

// ofSession says of a figure how much of the herd a session saw, and warns.
func (w *work) ofSession(f *Figure, s *session) *Figure {
	f.covers(s.seen, s.eligible, w.report.Of).Partial = w.isPartial(s)
	f.census()
	return f.cautions()
}

// scaleNames joins the scales of looks.
func scaleNames(looks []*look) string {
	var all []string
	for _, l := range looks {
		for _, s := range l.scales {
			if !slices.Contains(all, s.name) {
				all = append(all, s.name)
			}
		}
	}
	slices.Sort(all)
	return strings.Join(all, ", ")
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
	crowd         crowd // where it counts no animals
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
