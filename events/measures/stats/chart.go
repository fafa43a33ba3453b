package stats

import "math"

// A ChartPoint is one share on a p chart with its limits.
type ChartPoint struct {
	X, N   int
	Limits Interval // three standard errors around the centre for this n, within 0 to 1
	Out    bool     // beyond a limit; a point on the limit is not out
}

// A PChart is a control chart of shares (Shewhart 1931; Montgomery, Introduction
// to Statistical Quality Control, chapter 7). It takes samples to be independent:
// of the same cows scored again it is indicative only.
type PChart struct {
	Centre float64
	Points []ChartPoint
}

// sigmas is how many standard errors the limits of a control chart are away.
const sigmas = 3

// NewPChart returns the chart of shares with its centre from all of them, or from
// those that base names; base nil is all.
func NewPChart(shares []Cluster, base func(i int) bool) PChart {
	x, n := 0, 0
	for i, s := range shares {
		if base == nil || base(i) {
			x, n = x+s.X, n+s.N
		}
	}
	c := PChart{Centre: float64(x) / float64(n)}
	for _, s := range shares {
		half := sigmas * math.Sqrt(c.Centre*(1-c.Centre)/float64(s.N))
		p := ChartPoint{X: s.X, N: s.N, Limits: Interval{c.Centre - half, c.Centre + half}.clamp()}
		v := float64(s.X) / float64(s.N)
		p.Out = v < p.Limits.Low-1e-12 || v > p.Limits.High+1e-12
		c.Points = append(c.Points, p)
	}
	return c
}

// A CusumPoint is what has gathered on both sides of the target.
type CusumPoint struct {
	High, Low float64
	Signal    bool // one of them is greater than the decision interval
}

// Cusum returns the tabular cumulative sums of values against a target: k is what
// is let pass each time, h the decision interval, both in the unit of the values
// (Page 1954, Biometrika 41:100).
func Cusum(values []float64, target, k, h float64) []CusumPoint {
	out := make([]CusumPoint, 0, len(values))
	var high, low float64
	for _, v := range values {
		high = max(0, high+v-target-k)
		low = max(0, low+target-k-v)
		out = append(out, CusumPoint{high, low, high > h || low > h})
	}
	return out
}
