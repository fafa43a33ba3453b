package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// PoissonExact returns the interval of the expected number of cases where x were
// counted (Garwood 1936, Biometrika 28). Divided by the time at risk it is the
// interval of a rate.
func PoissonExact(x int, level float64) Interval {
	if x < 0 {
		return None
	}
	tail := (1 - level) / 2
	i := Interval{0, distuv.ChiSquared{K: float64(2*x + 2)}.Quantile(1-tail) / 2}
	if x > 0 {
		i.Low = distuv.ChiSquared{K: float64(2 * x)}.Quantile(tail) / 2
	}
	return i
}

// Byar returns a close form of [PoissonExact] (Breslow and Day 1987, Statistical
// Methods in Cancer Research II, page 69).
func Byar(x int, level float64) Interval {
	if x < 0 {
		return None
	}
	z, n := normal(level), float64(x)
	low := 0.0
	if x > 0 {
		low = n * math.Pow(1-1/(9*n)-z/(3*math.Sqrt(n)), 3)
	}
	return Interval{low, (n + 1) * math.Pow(1-1/(9*(n+1))+z/(3*math.Sqrt(n+1)), 3)}
}

// RateRatio returns x1 cases in time t1 over x2 in t2 with its log interval
// (Rothman and Greenland 1998, Modern Epidemiology, chapter 14). It is NaN if one
// of the numbers is none.
func RateRatio(x1 int, t1 float64, x2 int, t2, level float64) Estimate {
	if x1 <= 0 || x2 <= 0 || t1 <= 0 || t2 <= 0 {
		return Estimate{math.NaN(), None}
	}
	a, b := float64(x1), float64(x2)
	return logRatio((a/t1)/(b/t2), math.Sqrt(1/a+1/b), level)
}

// RateRatioExact is [RateRatio] with the exact interval: given the sum of cases,
// those of the first are binomial (Rothman and Greenland 1998, chapter 14). The
// upper end is infinite if x2 is none.
func RateRatioExact(x1 int, t1 float64, x2 int, t2, level float64) Estimate {
	if x1 < 0 || x2 < 0 || x1+x2 == 0 || t1 <= 0 || t2 <= 0 {
		return Estimate{math.NaN(), None}
	}
	p := ClopperPearson(x1, x1+x2, level)
	odds := func(p float64) float64 { return p / (1 - p) * t2 / t1 }
	return Estimate{float64(x1) / t1 / (float64(x2) / t2), Interval{odds(p.Low), odds(p.High)}}
}

// RateDifference returns x1/t1 minus x2/t2 with its normal interval (Rothman and
// Greenland 1998, chapter 14).
func RateDifference(x1 int, t1 float64, x2 int, t2, level float64) Estimate {
	if x1 < 0 || x2 < 0 || t1 <= 0 || t2 <= 0 {
		return Estimate{math.NaN(), None}
	}
	a, b := float64(x1), float64(x2)
	d := a/t1 - b/t2
	half := normal(level) * math.Sqrt(a/t1/t1+b/t2/t2)
	return Estimate{d, Interval{d - half, d + half}}
}
