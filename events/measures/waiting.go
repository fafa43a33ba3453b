package measures

import (
	"cmp"
	"slices"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/measures/stats"
)

// A wait is the time from the first lame score of an animal to her examination.
type wait struct {
	animal string
	from   day
	days   int  // to the examination, or to the end of watching
	done   bool // she was examined
	within answer
	open   bool // watched for less than the hours asked for, and not examined
	left   bool // open because she left the herd
	made   []events.Entity
}

// An answer may be one that cannot be told.
type answer int

const (
	no answer = iota
	unclear
	yes
)

// waiting makes how soon lame animals were examined: 48 hours (dairynz.co.nz,
// identifying lameness; cure falls with every score treated later, Groenevelt et
// al. 2014). It begins with a lame score whose score before was not lame, or that
// has none in the 90 days before, and without a block or wrap on: such a cow was
// seen to. She is examined by any record that somebody looked at her feet, see
// [herd.TellsOfLook]. One of the same day counts unless its hour is known to be before that
// of the score; of several of one day those with an hour count.
func (w *work) waiting() {
	w.parameter("hours within which a lame animal is to be examined", w.q.Hours)
	w.parameter("days before the period in which scores tell how she stood", history)
	w.makeLooks()
	exams := w.lookedAt()
	var times []stats.Time
	var within, waits tally
	short, gone := 0, 0
	for _, x := range w.waits(exams) {
		times = append(times, stats.Time{T: float64(x.days), Event: x.done})
		waits.pair(x.made, x.done)
		waits.crowd.add(x.animal, x.done, false)
		if x.open {
			if short++; x.left {
				gone++
			}
			continue
		}
		within.pair(x.made, x.within == yes)
		within.crowd.add(x.animal, x.within == yes, x.within == unclear)
		if x.within == unclear {
			within.unclear++
		}
	}
	f := w.shareRange("within", "examined in time", within.x, within.unclear, within.n, "lame animals watched long enough")
	f.made(within.counted, within.rest).heads = within.crowd.heads()
	if within.unclear > 0 {
		f.Notes = append(f.Notes[:0], "of some only the days are known: whether it was in time cannot be told")
	}
	if short > 0 {
		f.note("%d not counted: lame so late in the period, or gone so soon (%d), that the time was not over", short, gone)
	}
	w.curve("days from first lame score to examination", times)
	w.times("wait", "days from first lame score to examination", times, waits)
	f = w.share("unseen", "not examined by the end of the period or until she left", waits.n-waits.x, waits.n, "first lame scores")
	f.Intervals = nil
	f.made(waits.rest, waits.counted).heads = waits.crowd.heads()
}

// times adds the median of a curve with its interval.
func (w *work) times(key, what string, times []stats.Time, t tally) {
	f := w.add(key+".median", what+", median")
	f.Unit, f.X, f.N, f.Of = "days", intPtr(t.x), intPtr(len(times)), "watched"
	m := stats.Survival(times, w.q.Level).Median()
	f.Value = Number(m.Value)
	f.Intervals = intervals(Interval{LogLog, Number(m.Low), Number(m.High)})
	f.made(t.counted, t.rest).heads = t.crowd.heads()
	if len(times) > 0 && !f.Value.Told() {
		f.note("fewer than half had it while they were watched")
	}
}

// lookedAt returns the looks at feet of each animal, in order of time. Examinations
// with held rows count: she was looked at.
func (w *work) lookedAt() map[string][]*visit {
	out := map[string][]*visit{}
	for _, list := range [][]herd.Fact{w.d.Exams, w.d.Care} {
		for i := range list {
			f := &list[i]
			if len(f.Doubts) == 0 && herd.TellsOfLook(f.Payload) {
				out[f.Animal] = append(out[f.Animal], &visit{animal: f.Animal, day: dayOf(f.Day, never), at: f.At(), event: f.Entity})
			}
		}
	}
	for _, list := range out {
		slices.SortStableFunc(list, func(a, b *visit) int { return cmp.Compare(a.day, b.day) })
	}
	return out
}

func (w *work) waits(exams map[string][]*visit) (out []wait) {
	before := w.lookBefore()
	for _, l := range w.looks {
		p := before[l]
		first := p == nil || !p.lame || int(l.day-p.day) > history
		if l.lame && first && !l.worn && w.period.has(l.day) {
			out = append(out, w.wait(l, exams[l.animal]))
		}
	}
	return out
}

func (w *work) wait(l *look, exams []*visit) wait {
	x := wait{animal: l.animal, from: l.day, made: slices.Clone(l.entities())}
	end := w.period.to
	if c := w.cows[l.animal]; c != nil {
		end = min(end, c.left(l.day)+1)
	}
	var seen *visit
	var gap float64
	exact := false
	for _, v := range exams {
		g, timed := hours(l.at, v.at)
		switch {
		case v.day < l.day || v.day >= end || timed && g < 0 || seen != nil && v.day > seen.day:
		case seen == nil, timed && (!exact || g < gap):
			seen, gap, exact = v, g, timed
		}
	}
	if seen != nil {
		x.done, x.days = true, int(seen.day-l.day)
		x.made = append(x.made, seen.event)
		x.within = w.inTime(gap, exact, x.days)
		return x
	}
	x.days = int(end - l.day)
	x.open = x.days <= w.q.Hours/24+1-boolInt(w.q.Hours%24 == 0)
	x.left = x.open && end < w.period.to
	return x
}

// inTime judges hours, or days where hours are not known: an examination so many
// days later is in time if that is so at every hour of both days.
func (w *work) inTime(gap float64, exact bool, days int) answer {
	limit := float64(w.q.Hours)
	switch {
	case exact && gap <= limit, !exact && float64(24*(days+1)) <= limit:
		return yes
	case exact, float64(24*(days-1)) >= limit:
		return no
	}
	return unclear
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

// curve keeps a survival curve for pictures.
func (w *work) curve(name string, times []stats.Time) {
	c := stats.Survival(times, w.q.Level)
	n := NamedCurve{Name: name, N: c.N}
	for _, s := range c.Steps {
		n.Steps = append(n.Steps, CurveStep{s.T, s.AtRisk, s.Events, s.Censored, Number(s.S), Number(s.Low), Number(s.High)})
	}
	w.report.Curves = append(w.report.Curves, n)
}
