package measures

import (
	"fmt"
	"slices"
	"strings"

	"dewclaw/schema/codes"
)

// LeastShared is below how many animals nothing is shared (a proposal without
// outside authority; a setting).
const LeastShared = 5

// Share returns a copy of a report that may go to others: no ids, no curves, no
// observers, and no figure from which few animals could be told. A figure is
// suppressed if the animals it counts, those it does not count, those of which it
// cannot be told, or all of them, are above 0 and fewer than least: animals, however
// many feet, cases or wraps they have. Of figures that add up so many more are
// suppressed that none can be worked out, and with a figure goes what is made of it
// (means, limits, tests, differences). Kinds of lesions are left out, for the
// difference to their class could be worked out. The notes say how many went and why.
//
// Two reports of other periods or splits can still be subtracted from each other:
// who shares many of them must look at that.
func Share(r *Report, least int) *Report {
	out := *r
	out.Shared, out.Curves, out.Figures = least, nil, nil
	out.LeftOut = slices.DeleteFunc(slices.Clone(r.LeftOut), func(l LeftOut) bool { return l.N < least })
	out.Notes = slices.DeleteFunc(slices.Clone(r.Notes), func(n string) bool { return strings.ContainsAny(n, "0123456789") }) // it may be of few
	if r.Measure == agreementName {
		out.Notes = []string{"agreement of observers is about persons and is not shared"}
		return &out
	}
	h := &hiding{least: least, at: map[string]*Figure{}, was: map[string]*Figure{}}
	for i := range r.Figures {
		if f := r.Figures[i]; !isKind(&f) {
			f.ID, f.Events, f.Base, f.Notes = "", nil, nil, nil
			out.Figures = append(out.Figures, f)
		}
	}
	for i := range out.Figures {
		f, was := &out.Figures[i], out.Figures[i]
		h.at[f.Key], h.was[f.Key] = f, &was
	}
	h.few(out.Figures)
	h.sums(append(families(out.Figures), r.sums...))
	h.made(out.Figures)
	h.rest(&out)
	out.Notes = append(out.Notes, h.notes()...)
	return &out
}

// isKind reports whether a figure is of a kind of a lesion, not of a class.
func isKind(f *Figure) bool {
	for _, part := range strings.Split(f.Key, ".") {
		if l := codes.Lesions().Get(part); l != nil && l.Parent != "" {
			return true
		}
	}
	return false
}

// heads are how many animals are behind a figure: all of them, those it counts, and
// those it does not count, with, and without, those of which it cannot be told. One
// animal with several feet may be among all of these.
type heads struct{ n, counted, rest, unclear, sure int }

// A crowd gathers the animals behind a figure that counts something else.
type crowd map[string]int

// What one thing of an animal is to a figure.
const (
	isCounted = 1 << iota
	isRest
	isUnclear
	isSure
)

func (c *crowd) add(animal string, counts, unclear bool) {
	if *c == nil {
		*c = crowd{}
	}
	is := isRest | isSure
	switch {
	case counts:
		is = isCounted
	case unclear:
		is = isRest | isUnclear
	}
	(*c)[animal] |= is
}

func (c crowd) heads() *heads {
	h := &heads{n: len(c)}
	for _, is := range c {
		h.counted += boolInt(is&isCounted != 0)
		h.rest += boolInt(is&isRest != 0)
		h.unclear += boolInt(is&isUnclear != 0)
		h.sure += boolInt(is&isSure != 0)
	}
	return h
}

// tells reports whether few animals could be told from a figure. One without
// counts of its own is made of others: it goes with them.
func (f *Figure) tells(least int) bool {
	h := f.heads
	switch {
	case h != nil:
	case f.X != nil && f.N != nil:
		h = &heads{*f.N, *f.X, *f.N - *f.X, f.unclear, *f.N - *f.X - f.unclear}
	case f.X != nil:
		h = &heads{counted: *f.X}
	case f.N != nil:
		h = &heads{n: *f.N}
	default:
		return false
	}
	return slices.ContainsFunc([]int{h.n, h.counted, h.rest, h.unclear, h.sure}, func(n int) bool { return 0 < n && n < least })
}

// Why a figure is suppressed, as it stands beside it.
const (
	becauseFew  = "suppressed: few animals could be told from it"
	becauseSum  = "suppressed: from it another suppressed figure could be worked out"
	becauseMade = "suppressed: it is made of suppressed figures, which could be worked out from it"
)

// suppress takes every number out of a figure.
func (f *Figure) suppress(why string) {
	*f = Figure{
		Key: f.Key, Section: f.Section, What: f.What, Group: f.Group, Unit: f.Unit, Of: f.Of, Scale: f.Scale, Family: f.Family, from: f.from,
		Value: untold, Upper: untold, Time: untold, Suppressed: true, Cautions: []string{why},
	}
}

// A sum says that what some figures count adds up to what another one counts, or
// leaves of all; with total "" to a number that stands beside them.
type sum struct {
	total string
	parts []string
}

// families returns the sums of figures whose numerators add up to what stands beside
// them.
func families(list []Figure) (out []sum) {
	at := map[string]int{}
	for i := range list {
		f := &list[i]
		if f.Family == "" {
			continue
		}
		k := f.Family + "\x00" + f.Section
		if _, ok := at[k]; !ok {
			at[k] = len(out)
			out = append(out, sum{})
		}
		s := &out[at[k]]
		s.parts = append(s.parts, f.Key)
	}
	return out
}

// A hiding is the making of a shared report.
type hiding struct {
	least   int
	at, was map[string]*Figure // by key: as they are shared, and as they were
	limits  bool               // limits were taken away
}

func (h *hiding) few(list []Figure) {
	for i := range list {
		if f := &list[i]; f.tells(h.least) {
			f.suppress(becauseFew)
		}
	}
}

// sums suppresses more until of no sum a single member is left to be worked out, nor
// several of which it shows that they are few together.
func (h *hiding) sums(all []sum) {
	for again := true; again; {
		again = false
		for i := range all {
			if f := h.next(&all[i]); f != nil {
				f.suppress(becauseSum)
				again = true
			}
		}
	}
}

// next returns the figure of a sum that must be suppressed too, or nil.
func (h *hiding) next(s *sum) (next *Figure) {
	hidden, x, n := 0, 0, 0
	count := func(f *Figure, of func(*Figure) *int) int {
		if c := of(h.was[f.Key]); c != nil {
			return *c
		}
		return 0
	}
	numerator, denominator := func(f *Figure) *int { return f.X }, func(f *Figure) *int { return f.N }
	for _, key := range s.parts {
		f := h.at[key]
		switch {
		case f == nil:
		case f.Suppressed:
			hidden++
			x, n = x+count(f, numerator), n+count(f, denominator)
		case next == nil, count(f, numerator) > 0 && (count(next, numerator) == 0 || count(f, numerator) < count(next, numerator) ||
			count(f, numerator) == count(next, numerator) && f.Key < next.Key):
			next = f
		}
	}
	total := h.at[s.total]
	few := func(n int) bool { return 0 < n && n < h.least }
	switch {
	case hidden == 0 && (total == nil || !total.Suppressed || count(total, numerator) == 0), hidden > 0 && total != nil && total.Suppressed:
		return nil
	case hidden > 1 && !few(x) && !few(n):
		return nil
	case hidden > 0 && total != nil && (next == nil || count(next, numerator) == 0): // the total is what is hidden
		return total
	}
	return next // nil if none is left
}

// made suppresses what is made of suppressed figures.
func (h *hiding) made(list []Figure) {
	for i := range list {
		f := &list[i]
		if !f.Suppressed && slices.ContainsFunc(f.from, func(key string) bool { return h.at[key] != nil && h.at[key].Suppressed }) {
			f.suppress(becauseMade)
		}
		if f.Limits != nil && h.at[meanKey] != nil && slices.ContainsFunc(h.at[meanKey].from, func(key string) bool { return h.at[key].Suppressed }) {
			f.Limits, f.Out, h.limits = nil, false, true
			f.Cautions = slices.DeleteFunc(slices.Clone(f.Cautions), func(c string) bool { return c == beyondLimits })
		}
	}
}

// rest takes away what tells of suppressed figures beside the figures: how many were
// looked at, where that is the sum of what parts are of; settings that are worked
// out.
func (h *hiding) rest(r *Report) {
	gone := map[string]bool{}
	for i := range r.Figures {
		gone[r.Figures[i].Section] = gone[r.Figures[i].Section] || r.Figures[i].Suppressed
	}
	for i := range r.Figures {
		if f := &r.Figures[i]; gone[f.Section] && f.Seen != nil && f.N != nil && *f.N < *f.Seen {
			f.Seen, f.Eligible, f.Eligibly = nil, nil, ""
		}
		if w := r.Figures[i].Worn; w != nil && 0 < *w && *w < h.least {
			r.Figures[i].Worn = nil
		}
	}
	r.Parameters = slices.DeleteFunc(slices.Clone(r.Parameters), func(p Parameter) bool {
		return slices.ContainsFunc(p.from, func(key string) bool { return h.at[key] != nil && h.at[key].Suppressed })
	})
}

// notes say what was suppressed, and why.
func (h *hiding) notes() (out []string) {
	n := map[string]int{}
	for _, f := range h.at {
		if f.Suppressed {
			n[f.Cautions[0]]++
		}
	}
	for _, why := range []string{becauseFew, becauseSum, becauseMade} {
		if n[why] > 0 {
			out = append(out, fmt.Sprintf("%d %s", n[why], why))
		}
	}
	if h.limits {
		out = append(out, "limits, mean and tests are left out: the suppressed session could be worked out from them")
	}
	return out
}
