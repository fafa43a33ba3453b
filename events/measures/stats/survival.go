package stats

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Time is how long one was watched, and whether it ended with the event or
// because nobody could watch any longer (censored).
type Time struct {
	T     float64
	Event bool
}

// A Step is one moment of a curve at which something happened.
type Step struct {
	T        float64
	AtRisk   int     // watched just before
	Events   int     //
	Censored int     // at the same moment, after the events
	S        float64 // share without the event behind this moment
	SE       float64 // of S, by Greenwood
	Interval         // of S, on the log-log scale; None where S is 1 or 0
}

// A Curve is a survival curve: steps by rising T.
type Curve struct {
	N     int // times it was made of
	Steps []Step
	level float64
}

// Survival returns the Kaplan-Meier curve of times (Kaplan and Meier 1958, J Am
// Stat Assoc 53:457). At one moment events come before censorings. The standard
// error is Greenwood's (1926), the interval the one of log(-log S), which stays
// in 0 to 1 for few (Kalbfleisch and Prentice 1980, section 1.3).
func Survival(times []Time, level float64) *Curve {
	sorted := slices.Clone(times)
	slices.SortFunc(sorted, func(a, b Time) int { return cmp.Compare(a.T, b.T) })
	c := &Curve{N: len(times), level: level}
	s, sum := 1.0, 0.0
	for i := 0; i < len(sorted); {
		step := Step{T: sorted[i].T, AtRisk: len(sorted) - i}
		for ; i < len(sorted) && sorted[i].T == step.T; i++ {
			if sorted[i].Event {
				step.Events++
			} else {
				step.Censored++
			}
		}
		n, d := float64(step.AtRisk), float64(step.Events)
		s *= (n - d) / n
		if d < n {
			sum += d / (n * (n - d))
		}
		step.S, step.SE, step.Interval = s, s*math.Sqrt(sum), None
		if s > 0 && s < 1 {
			f := math.Exp(normal(level) * math.Sqrt(sum) / math.Log(s))
			step.Interval = Interval{math.Pow(s, 1/f), math.Pow(s, f)}
		}
		c.Steps = append(c.Steps, step)
	}
	return c
}

// At returns the step that holds at t, or one with S 1 before the first.
func (c *Curve) At(t float64) Step {
	out := Step{S: 1, AtRisk: c.N, Interval: None}
	for _, s := range c.Steps {
		if s.T > t {
			break
		}
		out = s
	}
	return out
}

// End returns the last moment anybody was watched; 0 of nobody.
func (c *Curve) End() float64 {
	if len(c.Steps) == 0 {
		return 0
	}
	return c.Steps[len(c.Steps)-1].T
}

// Events returns how many events the curve has.
func (c *Curve) Events() (n int) {
	for _, s := range c.Steps {
		n += s.Events
	}
	return n
}

// Median returns the first moment at which S is a half or less, with the moments
// at which the two bounds of its interval are (Brookmeyer and Crowley 1982,
// Biometrics 38:29, on the log-log scale). Each is NaN if it never comes.
func (c *Curve) Median() Estimate {
	first := func(f func(Step) float64) float64 {
		for _, s := range c.Steps {
			if f(s) <= 0.5 {
				return s.T
			}
		}
		return math.NaN()
	}
	return Estimate{
		first(func(s Step) float64 { return s.S }),
		Interval{first(func(s Step) float64 { return s.Low }), first(func(s Step) float64 { return s.High })},
	}
}

// RestrictedMean returns the mean time without the event up to an end: the area
// under the curve (Irwin 1949). Behind the last moment the curve is taken to stay
// where it is.
func (c *Curve) RestrictedMean(to float64) float64 {
	area, from, s := 0.0, 0.0, 1.0
	for _, step := range c.Steps {
		if step.T >= to {
			break
		}
		area += s * (step.T - from)
		from, s = step.T, step.S
	}
	return area + s*(to-from)
}

// A LogRankTest compares the curves of two groups.
type LogRankTest struct {
	Observed1, Observed2 int
	Expected1, Expected2 float64 // if both had one curve
	ChiSquare            float64 // one degree of freedom
	P                    float64
}

// LogRank returns the log-rank test of two groups (Mantel 1966; Peto and Peto
// 1972), with the hypergeometric variance. P is NaN if there is nothing to compare.
func LogRank(first, second []Time) LogRankTest {
	var t LogRankTest
	moments := map[float64]bool{}
	for _, list := range [][]Time{first, second} {
		for _, x := range list {
			if x.Event {
				moments[x.T] = true
			}
		}
	}
	at := make([]float64, 0, len(moments))
	for m := range moments {
		at = append(at, m)
	}
	slices.Sort(at)
	variance := 0.0
	for _, m := range at {
		n1, d1 := watched(first, m)
		n2, d2 := watched(second, m)
		t.Observed1, t.Observed2 = t.Observed1+d1, t.Observed2+d2
		n, d, a := float64(n1+n2), float64(d1+d2), float64(n1)
		t.Expected1 += d * a / n
		t.Expected2 += d * (n - a) / n
		if n > 1 {
			variance += d * (a / n) * (1 - a/n) * (n - d) / (n - 1)
		}
	}
	u := float64(t.Observed1) - t.Expected1
	t.ChiSquare, t.P = math.NaN(), math.NaN()
	if variance > 0 {
		t.ChiSquare = u * u / variance
		t.P = distuv.ChiSquared{K: 1}.Survival(t.ChiSquare)
	}
	return t
}

// watched counts those watched just before a moment, and the events at it.
func watched(list []Time, at float64) (n, events int) {
	for _, x := range list {
		if x.T >= at {
			n++
		}
		if x.T == at && x.Event {
			events++
		}
	}
	return n, events
}
