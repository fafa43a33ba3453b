package stats

import "math"

// An Estimate is a figure with its interval.
type Estimate struct {
	Value float64
	Interval
}

// NewcombeDifference returns x1/n1 minus x2/n2 of independent groups with the
// interval made of two Wilson ones (method 10 of Newcombe 1998, Stat Med 17:873).
func NewcombeDifference(x1, n1, x2, n2 int, level float64) Estimate {
	if !share(x1, n1) || !share(x2, n2) {
		return Estimate{math.NaN(), None}
	}
	p1, p2 := float64(x1)/float64(n1), float64(x2)/float64(n2)
	a, b := Wilson(x1, n1, level), Wilson(x2, n2, level)
	d := p1 - p2
	return Estimate{d, Interval{d - math.Hypot(p1-a.Low, b.High-p2), d + math.Hypot(a.High-p1, p2-b.Low)}}
}

// FisherTwoSided returns the probability of a table at most as likely as the one
// with x1 of n1 and x2 of n2, its margins given (Fisher 1935; of the two-sided
// forms the one that adds up the less likely tables, as R's fisher.test does).
func FisherTwoSided(x1, n1, x2, n2 int) float64 {
	if !share(x1, n1) || !share(x2, n2) {
		return math.NaN()
	}
	k := x1 + x2
	low, high := max(0, k-n2), min(k, n1)
	log := make([]float64, 0, high-low+1)
	for x := low; x <= high; x++ {
		log = append(log, lnChoose(n1, x)+lnChoose(n2, k-x)-lnChoose(n1+n2, k))
	}
	own := log[x1-low]
	p := 0.0
	for _, l := range log {
		if l <= own+1e-7 { // equal tables differ by rounding
			p += math.Exp(l)
		}
	}
	return min(p, 1)
}

func lnChoose(n, k int) float64 {
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	c, _ := math.Lgamma(float64(n - k + 1))
	return a - b - c
}

// PrevalenceRatio returns x1/n1 over x2/n2 with its log interval (Katz et al.
// 1978, Biometrics 34:469). It is NaN if one of them is none.
func PrevalenceRatio(x1, n1, x2, n2 int, level float64) Estimate {
	if !share(x1, n1) || !share(x2, n2) || x1 == 0 || x2 == 0 {
		return Estimate{math.NaN(), None}
	}
	a, b, m, n := float64(x1), float64(x2), float64(n1), float64(n2)
	return logRatio((a/m)/(b/n), math.Sqrt(1/a-1/m+1/b-1/n), level)
}

func logRatio(ratio, se, level float64) Estimate {
	f := math.Exp(normal(level) * se)
	return Estimate{ratio, Interval{ratio / f, ratio * f}}
}
