package measures

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/measures/stats"
	"dewclaw/schema/codes"
)

// A twice is one animal scored by two observers, or twice by one, on one day and
// on one scale.
type twice struct{ first, second *herd.Score }

// observers names who is compared: pseudonyms in order of the alphabet, which says
// nothing of who is right.
type observers struct{ first, second, scale string }

// agreement makes how far observers that scored the same animals on the same day
// say the same: of lame or not lame, and of the points of the scale.
func (w *work) agreement() {
	pairs := w.pairs()
	if len(pairs) == 0 {
		w.note("cannot be worked out: no animal was scored by two observers, or twice by one, on one day and one scale")
	}
	for _, o := range slices.SortedFunc(maps.Keys(pairs), func(a, b observers) int {
		return cmp.Or(cmp.Compare(a.first, b.first), cmp.Compare(a.second, b.second), cmp.Compare(a.scale, b.scale))
	}) {
		w.agree(o, pairs[o])
	}
	w.note("scores of one animal on one day may differ because she changed; observers are pseudonyms and not ranked: agreement says nothing of who is right")
	w.note("weighted kappas of scales with other numbers of points do not compare (Warrens 2013)")
}

// pairs gathers the scores that can be compared; of more than two by one observer
// on a day the first two count.
func (w *work) pairs() map[observers][]twice {
	type key struct{ animal, day, scale string }
	groups := map[key]map[string][]*herd.Score{}
	doubtful, nobody := 0, 0
	for i := range w.d.Scores {
		s := &w.d.Scores[i]
		if !w.period.has(dayOf(s.Day, never)) || s.Lame == "" || w.q.Scale != "" && s.Scale != w.q.Scale {
			continue
		}
		p, ok := s.Payload.(*events.Locomotion)
		switch {
		case len(s.Doubts) > 0:
			doubtful++
			continue
		case !ok || p.Observer == "":
			nobody++
			continue
		}
		k := key{s.Animal, s.Day, s.Scale}
		if groups[k] == nil {
			groups[k] = map[string][]*herd.Score{}
		}
		groups[k][p.Observer] = append(groups[k][p.Observer], s)
	}
	w.leave("scores that contradict other records", doubtful)
	w.leave("scores without an observer", nobody)
	out := map[observers][]twice{}
	for k, by := range groups {
		names := slices.Sorted(maps.Keys(by))
		for i, a := range names {
			if len(by[a]) > 1 {
				o := observers{a, a, k.scale}
				out[o] = append(out[o], twice{by[a][0], by[a][1]})
			}
			for _, b := range names[i+1:] {
				o := observers{a, b, k.scale}
				out[o] = append(out[o], twice{by[a][0], by[b][0]})
			}
		}
	}
	return out
}

func (w *work) agree(o observers, list []twice) {
	section := fmt.Sprintf("%s and %s on %s", o.first, o.second, o.scale)
	if o.first == o.second {
		section = fmt.Sprintf("%s twice on %s", o.first, o.scale)
	}
	key := slug(o.first) + "." + slug(o.second) + "." + slug(o.scale)
	var made []events.Entity
	lame := table(2)
	points := pointsOf(o.scale)
	raw := table(len(points))
	for _, t := range list {
		made = append(made, t.first.Entity, t.second.Entity)
		lame[second(t.first.Lame == "no")][second(t.second.Lame == "no")]++
		if len(points) > 0 {
			raw[index(points, t.first)][index(points, t.second)]++
		}
	}
	b := &bench{w: w, key: key, section: section, scale: o.scale, n: len(list), made: made}
	b.observed("lame or not lame", "lame", lame)
	b.kappa("kappa, lame or not lame", "lame.kappa", lame, stats.Unweighted)
	b.number("PABAK, lame or not lame", "lame.pabak", stats.PABAK(lame)).caution("alone it says too little")
	two := [2][2]float64{{lame[0][0], lame[0][1]}, {lame[1][0], lame[1][1]}}
	b.number("prevalence index, lame or not lame", "lame.prevalence-index", stats.PrevalenceIndex(two))
	b.number("bias index, lame or not lame", "lame.bias-index", stats.BiasIndex(two))
	if len(points) < 3 {
		return
	}
	b.observed("points of the scale", "points", raw)
	b.kappa("kappa, points, unweighted", "points.kappa", raw, stats.Unweighted)
	b.kappa("weighted kappa, points, linear weights", "points.kappa-linear", raw, stats.Linear)
	b.kappa("weighted kappa, points, quadratic weights", "points.kappa-quadratic", raw, stats.Quadratic)
}

func table(k int) [][]float64 {
	out := make([][]float64, k)
	for i := range out {
		out[i] = make([]float64, k)
	}
	return out
}

func second(is bool) int {
	if is {
		return 1
	}
	return 0
}

// pointsOf returns the points of a scale, or nil for one of any number.
func pointsOf(scale string) []codes.Point {
	if s := codes.Locomotion().Get(scale); s != nil {
		return s.Points
	}
	return nil
}

func index(points []codes.Point, s *herd.Score) int {
	return max(0, slices.IndexFunc(points, func(p codes.Point) bool { return p.Value.Cmp(s.Value) == 0 }))
}

// A bench adds the figures of one pair of observers.
type bench struct {
	w                   *work
	key, section, scale string
	n                   int
	made                []events.Entity
}

func (b *bench) number(what, key string, v float64) *Figure {
	f := b.w.add(b.key+"."+key, what)
	f.Section, f.Scale, f.Value, f.N, f.Of = b.section, b.scale, Number(v), intPtr(b.n), "pairs of scores of one animal on one day"
	return f.made(nil, b.made)
}

// observed adds the share of equal scores. Acceptance used in print: kappa from
// 0.6, agreement from 75 % (Schlageter-Tello et al. 2014, pubmed 24996266).
func (b *bench) observed(what, key string, t [][]float64) {
	same := 0
	for i := range t {
		same += int(t[i][i])
	}
	f := b.w.share(b.key+"."+key, "same score: "+what, same, b.n, "pairs of scores of one animal on one day")
	f.Section, f.Scale = b.section, b.scale
	f.made(nil, b.made)
	if f.Value.Told() && f.Value < 75 {
		f.caution("below 75 %%, the least that is taken as acceptable (Schlageter-Tello et al. 2014)")
	}
}

func (b *bench) kappa(what, key string, t [][]float64, weights stats.Weights) {
	a := stats.Kappa(t, weights, b.w.q.Level)
	f := b.number(what, key, a.Kappa)
	f.Intervals = intervals(interval(LargeSample, a.Interval, 1))
	if !f.Value.Told() {
		f.note("cannot be told: both always said the same of every animal")
	} else if f.Value < 0.6 {
		f.caution("below 0.6, the least that is taken as acceptable (Schlageter-Tello et al. 2014)")
	}
	f.note("expected by chance %.1f %%; standard error %.4f, under no agreement %.4f (for the test only, z %.2f)", 100*a.Expected, a.SE, a.SENull, a.Z)
}
