package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Wilson returns the score interval of the share x of n, the one to use where
// nothing speaks for another: it never leaves 0 to 1 and holds for few animals
// (Wilson 1927, J Am Stat Assoc 22; method 3 of Newcombe 1998, Stat Med 17:857).
func Wilson(x, n int, level float64) Interval {
	if !share(x, n) {
		return None
	}
	return wilson(float64(x)/float64(n), float64(n), level).ends(x, n)
}

// ends sets the ends that are certain: nothing of none, all of all.
func (i Interval) ends(x, n int) Interval {
	if x == 0 {
		i.Low = 0
	}
	if x == n {
		i.High = 1
	}
	return i.clamp()
}

func wilson(p, n, level float64) Interval {
	z := normal(level)
	mid := 2*n*p + z*z
	half := z * math.Sqrt(z*z+4*n*p*(1-p))
	return Interval{(mid - half) / (2 * (n + z*z)), (mid + half) / (2 * (n + z*z))}
}

// WilsonContinuity is [Wilson] with a continuity correction: wider, for those who
// want an interval that holds at least as often as it says (method 4 of Newcombe
// 1998, Stat Med 17:857).
func WilsonContinuity(x, n int, level float64) Interval {
	if !share(x, n) {
		return None
	}
	z, m := normal(level), float64(n)
	p := float64(x) / m
	low := (2*m*p + z*z - 1 - z*math.Sqrt(z*z-2-1/m+4*p*(m*(1-p)+1))) / (2 * (m + z*z))
	high := (2*m*p + z*z + 1 + z*math.Sqrt(z*z+2-1/m+4*p*(m*(1-p)-1))) / (2 * (m + z*z))
	return Interval{low, high}.ends(x, n)
}

// ClopperPearson returns the interval that people call exact: it holds at least
// as often as it says, mostly more often (Clopper and Pearson 1934, Biometrika 26).
func ClopperPearson(x, n int, level float64) Interval {
	if !share(x, n) {
		return None
	}
	tail := (1 - level) / 2
	i := Interval{0, 1}
	if x > 0 {
		i.Low = betaQuantile(tail, float64(x), float64(n-x+1))
	}
	if x < n {
		i.High = betaQuantile(1-tail, float64(x+1), float64(n-x))
	}
	return i
}

// betaQuantile is the quantile of a beta distribution. What the library returns
// is bettered by Newton's method, kept inside 0 to 1.
func betaQuantile(p, a, b float64) float64 {
	d := distuv.Beta{Alpha: a, Beta: b}
	x := d.Quantile(p)
	for range 4 {
		slope := d.Prob(x)
		if slope == 0 || math.IsInf(slope, 0) || math.IsNaN(slope) {
			break
		}
		next := x - (d.CDF(x)-p)/slope
		if !(next > 0 && next < 1) {
			break
		}
		x = next
	}
	return x
}

// Wald returns p plus and minus z standard errors. It is here for comparison with
// older reports alone: of none in 20 it says 0 to 0.
func Wald(x, n int, level float64) Interval { return WaldDesign(x, n, 1, level) }

// WaldDesign is [Wald] with the variance multiplied by a design effect, the form
// in which surveys of clustered animals are printed (Kish 1965, Survey Sampling).
func WaldDesign(x, n int, effect, level float64) Interval {
	if !share(x, n) {
		return None
	}
	p := float64(x) / float64(n)
	half := normal(level) * math.Sqrt(effect*p*(1-p)/float64(n))
	return Interval{p - half, p + half}
}

// WilsonDesign is [Wilson] with n divided by a design effect: for feet and claws,
// several of which belong to one animal (Kish 1965). An effect below 1 counts as
// 1, so that clustering never makes a figure look surer.
func WilsonDesign(x, n int, effect, level float64) Interval {
	if !share(x, n) {
		return None
	}
	return wilson(float64(x)/float64(n), float64(n)/max(effect, 1), level).ends(x, n)
}

// A Cluster is one animal with some of its feet or claws.
type Cluster struct{ X, N int }

// DesignEffect returns by how much the variance of a share of clustered units is
// greater than that of as many independent ones: the linearized variance of a
// ratio over the binomial one (Cochran 1977, Sampling Techniques, chapter 6). It
// is NaN with fewer than two clusters, or if none or all of the units count.
func DesignEffect(clusters []Cluster) float64 {
	x, n, m := 0, 0, 0
	for _, c := range clusters {
		if c.N > 0 {
			x, n, m = x+c.X, n+c.N, m+1
		}
	}
	if m < 2 || x == 0 || x == n {
		return math.NaN()
	}
	p := float64(x) / float64(n)
	sum := 0.0
	for _, c := range clusters {
		e := float64(c.X) - p*float64(c.N)
		sum += e * e
	}
	variance := float64(m) / float64(m-1) * sum / float64(n) / float64(n)
	return variance / (p * (1 - p) / float64(n))
}

// RuleOfThree returns the one-sided upper bound of a share of which none was seen
// in n: exact, where 3/n is the short form (Hanley and Lippman-Hand 1983, JAMA 249).
func RuleOfThree(n int, level float64) float64 {
	if n <= 0 {
		return math.NaN()
	}
	return 1 - math.Pow(1-level, 1/float64(n))
}

// RoganGladen returns the true prevalence that an apparent one stands for, if the
// test has this sensitivity and specificity, brought into 0 to 1 (Rogan and Gladen
// 1978, Am J Epidemiol 107:71). It is NaN for a test that tells nothing.
func RoganGladen(apparent, sensitivity, specificity float64) float64 {
	if sensitivity+specificity <= 1 {
		return math.NaN()
	}
	return min(max((apparent+specificity-1)/(sensitivity+specificity-1), 0), 1)
}
