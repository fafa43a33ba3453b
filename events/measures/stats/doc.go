// Package stats has the statistics that herd figures need: intervals for
// proportions and rates, comparisons, sample sizes, survival, agreement between
// observers, trends and control charts. It knows nothing of cows; every function
// is pure and may be called from several goroutines.
//
// # Where to start
//
// [Wilson] is the interval of a proportion, [PoissonExact] of a rate, [Survival]
// the curve of times to something. Where two published forms of a figure differ,
// both are here under names that tell them apart.
//
// # What holds for all
//
// A level is the share of intervals that hold what they are for: 0.95. A number
// that cannot be told is NaN, never 0: an interval of nothing counted, a curve
// behind its end. Counts must not be negative and x must not pass n; then the
// result is NaN as well. Papers are named from memory; outside_test.go holds
// every function to published values.
package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// An Interval is closed at both ends; both are NaN if there is none.
type Interval struct{ Low, High float64 }

// None is the interval of what cannot be told.
var None = Interval{math.NaN(), math.NaN()}

// IsNone reports whether there is no interval.
func (i Interval) IsNone() bool { return math.IsNaN(i.Low) || math.IsNaN(i.High) }

// Has reports whether v lies in the interval.
func (i Interval) Has(v float64) bool { return i.Low <= v && v <= i.High }

// normal returns the quantile of the standard normal distribution that leaves
// half of what the level leaves over on each side: 1.959964 for 0.95.
func normal(level float64) float64 {
	return distuv.UnitNormal.Quantile(1 - (1-level)/2)
}

// clamp brings the interval of a share into 0 to 1: rounding may leave it by a
// hair, and the close forms by more.
func (i Interval) clamp() Interval {
	return Interval{min(max(i.Low, 0), 1), min(max(i.High, 0), 1)}
}

// share reports whether x of n is a share.
func share(x, n int) bool { return n > 0 && x >= 0 && x <= n }
