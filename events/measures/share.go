package measures

import (
	"slices"
	"strings"

	"dewclaw/schema/codes"
)

// LeastShared is below how many animals nothing is shared (a proposal without
// outside authority; a setting).
const LeastShared = 5

// Share returns a copy of a report that may go to others: no ids, no curves, no
// observers, and no figure from which few animals could be told. A figure is
// suppressed if its denominator, its numerator, or what is left of the one without
// the other, is above 0 and below least. Where only one of figures that add up is
// suppressed the smallest other one is too. Kinds of lesions are left out, for the
// difference to their class could be worked out.
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
	for _, f := range r.Figures {
		if isKind(&f) {
			continue
		}
		f.ID, f.Events, f.Base, f.Notes = "", nil, nil, nil
		if f.tells(least) {
			f.suppress()
		}
		out.Figures = append(out.Figures, f)
	}
	hideSecond(out.Figures)
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

// tells reports whether few animals could be told from a figure. One without
// counts of its own is made of others: it is told apart by what those are.
func (f *Figure) tells(least int) bool {
	few := func(n int) bool { return 0 < n && n < least }
	switch {
	case f.X != nil && f.N != nil:
		return few(*f.N) || few(*f.X) || few(*f.N-*f.X)
	case f.X != nil:
		return few(*f.X)
	case f.N != nil:
		return few(*f.N)
	}
	return false
}

// suppress takes every number out of a figure.
func (f *Figure) suppress() {
	*f = Figure{
		Key: f.Key, Section: f.Section, What: f.What, Group: f.Group, Unit: f.Unit, Of: f.Of, Scale: f.Scale, Family: f.Family,
		Value: untold, Upper: untold, Time: untold, Suppressed: true,
	}
}

// hideSecond suppresses a second figure of each family of which one alone is.
func hideSecond(list []Figure) {
	families := map[string][]*Figure{}
	for i := range list {
		if f := &list[i]; f.Family != "" {
			k := f.Family + "\x00" + f.Section
			families[k] = append(families[k], f)
		}
	}
	for _, members := range families {
		hidden, smallest := 0, (*Figure)(nil)
		for _, f := range members {
			switch {
			case f.Suppressed:
				hidden++
			case f.X != nil && *f.X > 0 && (smallest == nil || *f.X < *smallest.X || *f.X == *smallest.X && f.Key < smallest.Key):
				smallest = f
			}
		}
		if hidden == 1 && smallest != nil {
			smallest.suppress()
		}
	}
}
