package stats_test

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"dewclaw/events/measures/stats"
)

// What cannot be told is NaN and never a number.
func TestStats_TellNothingOfNothing(t *testing.T) {
	for name, i := range map[string]stats.Interval{
		"Wilson":            stats.Wilson(0, 0, 0.95),
		"more than all":     stats.Wilson(3, 2, 0.95),
		"Clopper-Pearson":   stats.ClopperPearson(0, 0, 0.95),
		"continuity":        stats.WilsonContinuity(0, 0, 0.95),
		"Wald":              stats.Wald(0, 0, 0.95),
		"design":            stats.WilsonDesign(0, 0, 2, 0.95),
		"less than nothing": stats.PoissonExact(-1, 0.95),
		"difference":        stats.NewcombeDifference(0, 0, 1, 2, 0.95).Interval,
		"ratio":             stats.PrevalenceRatio(0, 5, 1, 2, 0.95).Interval,
		"rate ratio":        stats.RateRatio(0, 5, 1, 2, 0.95).Interval,
		"rate difference":   stats.RateDifference(0, 0, 1, 2, 0.95).Interval,
		"rates of nothing":  stats.RateRatioExact(0, 1, 0, 1, 0.95).Interval,
	} {
		if !i.IsNone() {
			t.Errorf("%s: got %v", name, i)
		}
	}
	for name, v := range map[string]float64{
		"rule of three": stats.RuleOfThree(0, 0.95),
		"blind test":    stats.RoganGladen(0.2, 0.5, 0.5),
		"kappa":         stats.Kappa([][]float64{{0, 0}, {0, 0}}, stats.Unweighted, 0.95).Kappa,
		"no variation":  stats.Kappa([][]float64{{9, 0}, {0, 0}}, stats.Unweighted, 0.95).Kappa,
		"one cluster":   stats.DesignEffect([]stats.Cluster{{X: 1, N: 4}}),
		"flat trend":    stats.CochranArmitage([]stats.Group{{X: 0, N: 5, Score: 1}, {X: 0, N: 5, Score: 2}}).Z,
		"log-rank":      stats.LogRank(nil, nil).P,
		"median":        stats.Survival([]stats.Time{{T: 5}}, 0.95).Median().Value,
	} {
		if !math.IsNaN(v) {
			t.Errorf("%s: got %v", name, v)
		}
	}
}

// An interval holds its share, lies in 0 to 1, and the exact one is never
// narrower at an end where it must hold more often.
func TestIntervals_HoldTheirShare(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 3000).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		p := float64(x) / float64(n)
		for name, i := range map[string]stats.Interval{
			"Wilson": stats.Wilson(x, n, 0.95), "continuity": stats.WilsonContinuity(x, n, 0.95),
			"exact": stats.ClopperPearson(x, n, 0.95), "design": stats.WilsonDesign(x, n, 3, 0.95),
		} {
			if i.IsNone() || !i.Has(p) || i.Low < 0 || i.High > 1 {
				t.Fatalf("%s of %d/%d: %v", name, x, n, i)
			}
		}
		// The exact interval by its definition: the tails at its ends are 2.5 %.
		if i := stats.ClopperPearson(x, n, 0.95); x > 0 {
			if tail := upperTail(x, n, i.Low); math.Abs(tail-0.025) > 1e-6 {
				t.Fatalf("%d/%d: the tail at %v is %v", x, n, i.Low, tail)
			}
		}
	})
}

// upperTail is the probability of x or more of n, added up term by term.
func upperTail(x, n int, p float64) float64 {
	sum := 0.0
	for k := x; k <= n; k++ {
		a, _ := math.Lgamma(float64(n + 1))
		b, _ := math.Lgamma(float64(k + 1))
		c, _ := math.Lgamma(float64(n - k + 1))
		sum += math.Exp(a - b - c + float64(k)*math.Log(p) + float64(n-k)*math.Log1p(-p))
	}
	return sum
}

// Without censoring the curve is the share still without the event.
func TestSurvival_IsTheShareLeftIfNobodyIsLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var times []stats.Time
		for range rapid.IntRange(1, 40).Draw(t, "n") {
			times = append(times, stats.Time{T: float64(rapid.IntRange(1, 12).Draw(t, "t")), Event: true})
		}
		c := stats.Survival(times, 0.95)
		for at := range 13 {
			left := 0
			for _, x := range times {
				if x.T > float64(at) {
					left++
				}
			}
			if want := float64(left) / float64(len(times)); math.Abs(c.At(float64(at)).S-want) > 1e-12 {
				t.Fatalf("S(%d) = %v, wanted %v", at, c.At(float64(at)).S, want)
			}
		}
	})
}

// Two groups in exchange give the same test.
func TestLogRank_IsSymmetric(t *testing.T) {
	a, b := stats.LogRank(mercaptopurine, placebo), stats.LogRank(placebo, mercaptopurine)
	near(t, a.ChiSquare, b.ChiSquare, 1e-12)
	near(t, a.Expected1, b.Expected2, 1e-12)
}

// Feet of one cow that always agree have the design effect of their number;
// feet that have nothing to do with each other one near 1 (Kish 1965: 1 + (m-1) rho).
func TestDesignEffect_FollowsTheClustering(t *testing.T) {
	var alike, apart []stats.Cluster
	for i := range 400 {
		alike = append(alike, stats.Cluster{X: 4 * (i % 2), N: 4})
	}
	for i := range 16 * 25 { // every pattern of four feet equally often
		n := i % 16
		apart = append(apart, stats.Cluster{X: n&1 + n>>1&1 + n>>2&1 + n>>3&1, N: 4})
	}
	near(t, stats.DesignEffect(alike), 4, 0.02)
	near(t, stats.DesignEffect(apart), 1, 0.01)
}

// Every whole percent from 1 to 30 of every herd from 20 to 1,000, by integers: so
// many are affected, and so many must be seen that 20 * C(N-D, n) <= C(N, n).
func TestDetectionSize_EqualsExactIntegers(t *testing.T) {
	step := 1
	if testing.Short() {
		step = 37
	}
	compared := 0
	for size := 20; size <= 1000; size += step {
		for percent := 1; percent <= 30; percent++ {
			d := (percent*size + 99) / 100
			if got := stats.Affected(size, float64(percent)); got != d {
				t.Fatalf("%d %% of %d are %d, wanted %d", percent, size, got, d)
			}
			none, all, n := big.NewInt(20), big.NewInt(1), 0
			for ; none.Cmp(all) > 0; n++ {
				none.Mul(none, big.NewInt(int64(max(0, size-d-n))))
				all.Mul(all, big.NewInt(int64(size-n)))
			}
			if got := stats.DetectionSize(size, d, 0.95); got != n {
				t.Fatalf("to find one of %d in %d: %d, wanted %d", d, size, got, n)
			}
			compared++
		}
	}
	if compared < 700 {
		t.Errorf("only %d compared", compared)
	}
	// Parts of a percent are taken as they are written.
	for _, c := range []struct {
		size, want int
		percent    float64
	}{{1000, 1, 0.1}, {1000, 3, 0.3}, {300, 87, 29}, {1000, 29, 2.9}, {999, 29, 2.9}, {1001, 30, 2.9}} {
		if got := stats.Affected(c.size, c.percent); got != c.want {
			t.Errorf("%v %% of %d are %d, wanted %d", c.percent, c.size, got, c.want)
		}
	}
}
