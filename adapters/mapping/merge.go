package mapping

import (
	"slices"

	"dewclaw/adapters"
	"dewclaw/events"
)

// MergeExamination joins an examination that continues further down in an
// original with what was said of it before: earlier is the stored data of the
// examination so far, later the draft of the new rows. The result is a draft of
// the whole: feet and reasons of both, remarks in their order without repeats,
// lines from the first to the last. An examination of which one part is
// incomplete stays so.
//
// The error is of kind invalid, with field and both values, if the parts say
// different things of the whole (restraint, role, outcome given by the source),
// and of kind corrupt if earlier is no examination. The result shares nothing
// with earlier.
func MergeExamination(earlier []byte, later adapters.Draft) (adapters.Draft, error) {
	a, err := decodeExamination(earlier)
	if err != nil {
		return later, err
	}
	b, err := decodeExamination(later.Data)
	if err != nil {
		return later, err
	}
	for _, s := range single {
		x, y := s.at(a), s.at(b)
		if s.field == "outcome" {
			continue
		}
		if *x != "" && *y != "" && *x != *y {
			return later, &events.Fault{
				Kind: events.ErrInvalid, What: s.field, Wanted: quote(*x) + " as in the rows before of the same examination", Got: quote(*y),
			}
		}
		if *x == "" {
			*x = *y
		}
	}
	if a.Outcome, err = mergeOutcome(a.Outcome, b.Outcome); err != nil {
		return later, err
	}
	a.Feet = mergeFeet(a.Feet, b.Feet)
	a.Reasons = mergeReasons(a.Reasons, b.Reasons)
	mergeCommon(&a.Common, &b.Common)
	var enc events.Encoder
	open := slices.Clone(later.Open[:len(later.Open)-len(later.Data)])
	start := len(open)
	later.Open, later.Digest = enc.Append(open, a)
	later.Data = later.Open[start:]
	return later, nil
}

func decodeExamination(data []byte) (*events.Examination, error) {
	p, err := events.DecodePayload(events.KindExamination, data)
	if err != nil {
		return nil, err
	}
	return p.(*events.Examination), nil
}

// outcomes that we work out, the one that says more last.
var outcomes = []string{"", "clear", "findings", "incomplete"}

func mergeOutcome(a, b string) (string, error) {
	i, k := slices.Index(outcomes, a), slices.Index(outcomes, b)
	switch {
	case a == b:
	case i >= 0 && k >= 0:
		return outcomes[max(i, k)], nil
	case a == "incomplete" || b == "incomplete":
		return "incomplete", nil
	case i == 0:
		return b, nil
	case k == 0:
		return a, nil
	default:
		return "", &events.Fault{
			Kind: events.ErrInvalid, What: "outcome", Wanted: quote(a) + " as in the rows before of the same examination", Got: quote(b),
		}
	}
	return a, nil
}

// results of a foot, the one that says more last.
var results = []string{"", "clear", "unknown", "findings"}

func mergeFeet(a, b []events.FootExam) []events.FootExam {
	for _, f := range b {
		k := slices.IndexFunc(a, func(x events.FootExam) bool { return x.Foot == f.Foot })
		if k < 0 {
			a = append(a, f)
			continue
		}
		x := &a[k]
		if f.Examined == "yes" {
			x.Examined = "yes"
		}
		if slices.Index(results, f.Result) > slices.Index(results, x.Result) {
			x.Result = f.Result
		}
		x.Trimmed = moreTrimmed(x.Trimmed, f.Trimmed)
	}
	slices.SortFunc(a, func(x, y events.FootExam) int { return slices.Index(feet[:], x.Foot) - slices.Index(feet[:], y.Foot) })
	return a
}

// mergeCommon adds to a what b has more.
func mergeCommon(a, b *events.Common) {
	for _, r := range b.Remarks {
		if !slices.Contains(a.Remarks, r) {
			a.Remarks = append(a.Remarks, r)
		}
	}
	a.AsGiven = mergeAsGiven(a.AsGiven, b.AsGiven)
	for _, w := range b.Words {
		if a.Words.Get(w.Field) == "" {
			a.Words = append(a.Words, w)
		}
	}
	for _, n := range b.Notes {
		if !slices.Contains(a.Notes, n) {
			a.Notes = append(a.Notes, n)
		}
	}
	last := max(a.Origin.Line, a.Origin.LastLine, b.Origin.Line, b.Origin.LastLine)
	if a.Origin.Line = min(a.Origin.Line, b.Origin.Line); last > a.Origin.Line {
		a.Origin.LastLine = last
	}
	a.Origin.Archive = ""
}
