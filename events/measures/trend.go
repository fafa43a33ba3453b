package measures

import (
	"math"

	"dewclaw/events/measures/stats"
)

// trend makes the row of prevalences of the sessions with what tells a change from
// chance: trend test, p chart, cumulative sums. Scores with a block or wrap on are
// not in it, and scales meet only at lame or not lame.
func (w *work) trend() {
	w.chooseBase(InMilk)
	w.makeLooks()
	sessions := w.herdSessions()
	var shares []stats.Cluster
	var kept []*session
	worn := 0
	for _, s := range sessions {
		free, on := unworn(s.looks)
		worn += on
		if len(free) == 0 {
			continue
		}
		s.looks = free
		t := count(free, isLame)
		shares, kept = append(shares, stats.Cluster{X: t.x, N: t.n}), append(kept, s)
	}
	w.leave("scores with a block or wrap on", worn)
	w.parameter("percent of the herd below which a session stays out of limits and tests", w.q.Cover)
	if len(kept) == 0 {
		w.noSessions(0, 2)
		return
	}
	w.chart(kept, shares)
	whole, told := w.whole(kept, shares)
	if n := len(kept) - len(whole); n > 0 {
		w.note("%s saw less than %v %% of the herd: listed, and in no mean, limit, test or sum, for chosen animals say nothing of the herd; of samples drawn at random set cover lower", plural(n, "session"), w.q.Cover)
	}
	w.noSessions(len(whole), 2)
	if len(whole) > 1 {
		w.rising(whole, told)
		w.cusum(whole, told)
	}
	w.note("trend test, chart and sums take the sessions to be of other animals each time; here the same cows are scored again, so they are a hint and no proof")
	if n := scaleNames(looksIn(kept)); len(kept) > 0 && !oneScale(kept) {
		w.note("the row joins scales (%s) at lame or not lame: a step where the scale changes may be the scale's", n)
	}
}

// whole returns the sessions that saw enough of the herd, with their shares.
func (w *work) whole(list []*session, shares []stats.Cluster) (out []*session, told []stats.Cluster) {
	for i, s := range list {
		if !w.isPartial(s) {
			out, told = append(out, s), append(told, shares[i])
		}
	}
	return out, told
}

func looksIn(list []*session) (out []*look) {
	for _, s := range list {
		out = append(out, s.looks...)
	}
	return out
}

func oneScale(list []*session) bool {
	for _, s := range list {
		if scaleNames(s.looks) != scaleNames(list[0].looks) {
			return false
		}
	}
	return true
}

// fewSessions is from which number of sessions on limits are not rough any more
// (20 to 25 samples, Montgomery, from memory).
const fewSessions = 20

// meanKey is the key of the mean of the sessions, of which limits are made.
const meanKey = "mean"

// beyondLimits stands beside a session that is out.
const beyondLimits = "beyond the limits: more than chance"

// sessionKeys returns the keys of the figures of sessions.
func sessionKeys(list []*session) (out []string) {
	for _, s := range list {
		out = append(out, "lame."+s.day.String())
	}
	return out
}

// chart adds each session with its limits on the p chart.
func (w *work) chart(list []*session, shares []stats.Cluster) {
	chart := stats.NewPChart(shares, func(i int) bool { return !w.isPartial(list[i]) })
	var charted []string
	for i, s := range list {
		t := count(s.looks, isLame)
		f := w.share("lame."+s.day.String(), "lame, without block or wrap", t.x, t.n, "scored without block or wrap")
		f.Section, f.Group, f.Scale = "sessions", s.day.String(), scaleNames(s.looks)
		f.made(t.counted, t.rest)
		w.ofSession(f, s)
		if f.Partial {
			continue
		}
		charted = append(charted, f.Key)
		limits := interval("three standard errors around the mean of the sessions", chart.Points[i].Limits, 100)
		f.Limits, f.Out = &limits, chart.Points[i].Out
		if f.Out {
			f.caution(beyondLimits)
		}
	}
	if len(charted) == 0 {
		return
	}
	f := w.add(meanKey, "mean of the sessions, each animal counting the same")
	f.Section, f.Unit, f.Value = "chart", "%", Number(100*chart.Centre)
	f.from = charted
	if len(charted) < fewSessions {
		f.caution("limits of fewer than %d sessions are rough", fewSessions)
	}
}

// rising adds the trend test, in both forms in print, and the slope.
func (w *work) rising(list []*session, shares []stats.Cluster) {
	var groups []stats.Group
	for i, s := range list {
		groups = append(groups, stats.Group{X: shares[i].X, N: shares[i].N, Score: float64(s.day - list[0].day)})
	}
	t := stats.CochranArmitage(groups)
	f := w.add("slope", "rise of the share lame in a year, weighted by animals")
	f.Section, f.Unit, f.Value, f.from = "trend", "points", Number(100*daysAYear*t.Slope), sessionKeys(list)
	for _, x := range []struct {
		key, what string
		p, chi    float64
	}{
		{"trend", "does the share rise or fall by more than chance: Cochran-Armitage without (N-1)/N", t.P, t.ChiSquare},
		{"trend-n", "the same with the factor (N-1)/N, as other books have it", t.PN, t.ChiSquareN},
	} {
		f := w.add(x.key, x.what)
		f.Section, f.Unit, f.Value, f.from = "trend", "p", Number(x.p), sessionKeys(list)
		f.note("chi-square %.4g with one degree of freedom; scores are days", x.chi)
	}
}

// cusum adds where cumulative sums of standardized shares signal (Page 1954).
func (w *work) cusum(list []*session, shares []stats.Cluster) {
	x, n := 0, 0
	for _, s := range shares {
		x, n = x+s.X, n+s.N
	}
	target := float64(x) / float64(n)
	if w.q.Target > 0 {
		target = w.q.Target / 100
	}
	if target <= 0 || target >= 1 {
		w.note("no cumulative sums: every score says the same")
		return
	}
	w.parameter("target of the cumulative sums", percent(100*target))
	if w.q.Target == 0 {
		w.report.Parameters[len(w.report.Parameters)-1].from = sessionKeys(list)
	}
	w.parameter("standard errors let pass by the cumulative sums", w.q.Slack)
	w.parameter("standard errors at which they signal", w.q.Decision)
	var z []float64
	for _, s := range shares {
		z = append(z, (float64(s.X)/float64(s.N)-target)/math.Sqrt(target*(1-target)/float64(s.N)))
	}
	points := stats.Cusum(z, 0, w.q.Slack, w.q.Decision)
	last := points[len(points)-1]
	for _, side := range []struct {
		key, what string
		value     float64
		sign      func(stats.CusumPoint) float64
	}{
		{"cusum.up", "cumulative sum above the target, now", last.High, func(p stats.CusumPoint) float64 { return p.High }},
		{"cusum.down", "cumulative sum below the target, now", last.Low, func(p stats.CusumPoint) float64 { return p.Low }},
	} {
		f := w.add(side.key, side.what)
		f.Section, f.Unit, f.Value, f.from = "cumulative sums", "standard errors", Number(side.value), sessionKeys(list)
		for i, p := range points {
			if side.sign(p) > w.q.Decision {
				f.Out = true
				f.caution("signalled first at the session of %s", list[i].day)
				break
			}
		}
	}
}
