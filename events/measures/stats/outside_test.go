package stats_test

import (
	"math"
	"testing"

	"dewclaw/events/measures/stats"
)

// The tables of this file hold every function to values from outside. Where a
// source says "R" the value was computed with R 4.2.2 (base and package survival
// 3.5) and checked by a second program; a source beside it prints the same digits
// as far as it prints them.

func near(t *testing.T, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(want) != math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("got %.9g, wanted %.9g (within %g)", got, want, tolerance)
	}
}

func within(t *testing.T, got stats.Interval, low, high, tolerance float64) {
	t.Helper()
	if math.Abs(got.Low-low) > tolerance || math.Abs(got.High-high) > tolerance || got.IsNone() {
		t.Errorf("got %.9g to %.9g, wanted %.9g to %.9g (within %g)", got.Low, got.High, low, high, tolerance)
	}
}

func TestProportions_AgreeWithPublishedValues(t *testing.T) {
	for _, x := range []struct {
		name      string
		f         func(x, n int, level float64) stats.Interval
		x, n      int
		low, high float64
		source    string
	}{
		{"Wilson", stats.Wilson, 81, 263, 0.2552885, 0.3662096, "R; package epiR, man page of epi.conf: 0.255 to 0.366"},
		{"Wilson", stats.Wilson, 15, 148, 0.0623864, 0.1604872, "R; Newcombe 1998, Stat Med 17:857, table I, from memory: 0.0624 to 0.1605"},
		{"Wilson", stats.Wilson, 0, 20, 0, 0.1611252, "R; Newcombe 1998, from memory: 0 to 0.1611"},
		{"Wilson", stats.Wilson, 1, 29, 0.0061132, 0.1717552, "R; Newcombe 1998, from memory: 0.0061 to 0.1718"},
		{"Wilson", stats.Wilson, 20, 20, 0.8388748, 1, "R; the mirror of 0 of 20"},
		{"Wilson with continuity", stats.WilsonContinuity, 81, 263, 0.2535087, 0.3681762, "R"},
		{"Wilson with continuity", stats.WilsonContinuity, 1, 29, 0.0018026, 0.1962818, "R"},
		{"Clopper-Pearson", stats.ClopperPearson, 81, 263, 0.2527367, 0.3676219, "R"},
		{"Clopper-Pearson", stats.ClopperPearson, 15, 148, 0.0578440, 0.1616505, "R"},
		{"Clopper-Pearson", stats.ClopperPearson, 0, 20, 0, 0.1684335, "R"},
		{"Clopper-Pearson", stats.ClopperPearson, 1, 29, 0.0008726, 0.1776443, "R"},
		{"Clopper-Pearson", stats.ClopperPearson, 4, 200, 0.0054756, 0.0504136, "R; package epiR, man page of epi.conf, example 7: 0.54 to 5.0 %"},
		{"Wald", stats.Wald, 15, 148, 0.0527300, 0.1499727, "R"},
		{"Wald of none", stats.Wald, 0, 20, 0, 0, "by its formula: why it is not used"},
		// The same animals over a period and at one time.
		{"period", stats.Wilson, 172, 419, 0.364420, 0.458209, "R on counts of Mahendran et al., pure.sruc.ac.uk"},
		{"point", stats.Wilson, 48, 392, 0.093613, 0.158613, "R on counts of Mahendran et al."},
		{"point, few", stats.Wilson, 4, 379, 0.004112, 0.026819, "R on counts of Mahendran et al."},
	} {
		t.Run(x.name, func(t *testing.T) { within(t, x.f(x.x, x.n, 0.95), x.low, x.high, 1e-6) })
	}
}

func TestPercentages_AgreeWithPublishedValues(t *testing.T) {
	for _, x := range []struct {
		x, n   int
		want   float64
		source string
	}{
		{11, 45, 24.4, "Thomas et al. 2015, J Dairy Sci 98:4477, sound after 35 days: trim"},
		{14, 39, 35.9, "the same: trim and block"},
		{12, 42, 28.6, "the same: trim and painkiller"},
		{23, 41, 56.1, "the same: all three"},
		{172, 419, 41.1, "Mahendran et al.: over the period"},
		{48, 392, 12.2, "Mahendran et al.: at one time"},
		{4, 379, 1.1, "Mahendran et al.: at one time"},
	} {
		near(t, 100*float64(x.x)/float64(x.n), x.want, 0.05)
	}
}

func TestComparisons_AgreeWithPublishedValues(t *testing.T) {
	t.Run("design effect", func(t *testing.T) { // R; package epiR, man page of epi.conf: 0.57 (0.53 to 0.60), 0.4 x 29 + 1 = 12.6
		within(t, stats.WaldDesign(5898, 10363, 12.6, 0.95), 0.53530, 0.60298, 1e-4)
		near(t, 5898.0/10363, 0.56914, 1e-4)
	})
	t.Run("Newcombe difference", func(t *testing.T) { // R; Newcombe 1998, Stat Med 17:873, from memory: 0.0524 to 0.3339
		d := stats.NewcombeDifference(56, 70, 48, 80, 0.95)
		near(t, d.Value, 0.2, 1e-9)
		within(t, d.Interval, 0.0524315, 0.3338727, 1e-6)
	})
	t.Run("Newcombe difference of a trial", func(t *testing.T) { // R on counts of Thomas et al. 2015
		d := stats.NewcombeDifference(23, 41, 11, 45, 0.95)
		near(t, d.Value, 0.3165312, 1e-6)
		within(t, d.Interval, 0.1093653, 0.4899001, 1e-6)
	})
	t.Run("Fisher", func(t *testing.T) { near(t, stats.FisherTwoSided(23, 41, 11, 45), 0.0039606, 1e-6) }) // R on counts of Thomas et al. 2015
	t.Run("prevalence ratio", func(t *testing.T) {                                                         // R; package epiR, man page of epi.2by2: 4.01 (1.43 to 11.23)
		r := stats.PrevalenceRatio(13, 2176, 5, 3354, 0.95)
		near(t, r.Value, 4.007537, 1e-5)
		within(t, r.Interval, 1.430734, 11.225254, 1e-5)
	})
}

func TestSizes_AgreeWithPublishedValues(t *testing.T) {
	whole := func(t *testing.T, got, want int) {
		t.Helper()
		if got != want {
			t.Errorf("got %d, wanted %d", got, want)
		}
	}
	t.Run("precision", func(t *testing.T) { // R; package epiR, man page of epi.sssimpleestb: 545
		n := stats.SampleSize(0.15, 0.03, 0.95)
		near(t, n, 544.2067, 1e-4)
		whole(t, stats.Whole(n), 545)
	})
	t.Run("a test that errs", func(t *testing.T) { // R; the same page: 1168, and 3166 with design effect 2.71
		n := stats.SampleSizeTest(0.15, 0.03, 0.94, 0.88, 0.95)
		near(t, n, 1167.69, 5e-3)
		whole(t, stats.Whole(n), 1168)
		whole(t, stats.Whole(2.71*float64(stats.Whole(n))), 3166)
	})
	t.Run("endless herd", func(t *testing.T) { // R
		near(t, stats.SampleSize(0.5, 0.05, 0.95), 384.1459, 1e-3)
		near(t, stats.SampleSize(0.25, 0.05, 0.95), 288.1094, 1e-3)
		near(t, stats.SampleSize(0.5, 0.1, 0.95), 96.0365, 1e-3)
	})
	t.Run("table of a welfare protocol", func(t *testing.T) { // R; sample table of the Welfare Quality protocol for dairy cows, from memory
		for size, want := range map[int]int{50: 33, 100: 49, 150: 59, 200: 65, 300: 73} {
			whole(t, int(math.Round(stats.FiniteCochran(stats.SampleSize(0.5, 0.1, 0.95), size))), want)
		}
	})
	t.Run("finite herd, rounded up", func(t *testing.T) { // R
		for size, want := range map[int]int{50: 43, 100: 75, 200: 119, 500: 184, 1000: 224} {
			n0 := stats.SampleSize(0.25, 0.05, 0.95)
			whole(t, stats.Whole(stats.FiniteCochran(n0, size)), want)
			if d := want - stats.Whole(stats.FiniteSimple(n0, size)); d < 0 || d > 1 {
				t.Errorf("herd of %d: the two forms differ by %d animals", size, d)
			}
		}
	})
	t.Run("detection", func(t *testing.T) { // R, hypergeometric; in brackets Cannon and Roe 1982
		for _, x := range []struct {
			size, diseased, want int
			approximate          float64
		}{{100, 5, 45, 44.17}, {200, 10, 51, 50.61}, {1000, 50, 57, 56.73}, {50, 5, 22, math.NaN()}} {
			whole(t, stats.DetectionSize(x.size, x.diseased, 0.95), x.want)
			if !math.IsNaN(x.approximate) {
				near(t, stats.DetectionApproximate(x.size, x.diseased, 0.95), x.approximate, 5e-3)
			}
		}
	})
	t.Run("rule of three", func(t *testing.T) { near(t, stats.RuleOfThree(60, 0.95), 0.0487029, 1e-6) }) // R
	t.Run("two lists", func(t *testing.T) {                                                              // textbook example, from memory; R
		near(t, stats.Chapman(10, 15, 5), 28.3333, 1e-4)
		near(t, stats.LincolnPetersen(10, 15, 5), 30, 1e-9)
	})
}

func TestRoganGladen_AgreesWithPublishedValues(t *testing.T) {
	near(t, stats.RoganGladen(23.0/150, 0.96, 0.89), 0.0509804, 1e-6) // package epiR, man page of epi.prev: 5.1 %
	near(t, stats.RoganGladen(6.0/151, 0.964, 0.927), 0, 0)           // the same page: negative, so 0
	near(t, stats.RoganGladen(0.39, 0.63, 0.77), 0.40, 1e-9)          // Gibbons et al. 2014, agr.gc.ca: 39 % by stall score, 40 % limping
}

func TestRates_AgreeWithPublishedValues(t *testing.T) {
	t.Run("ratio and difference", func(t *testing.T) { // R; package epiR, man page of epi.2by2: 0.46 (90 %: 0.40 to 0.53), -7.22 (90 %: -8.24 to -6.20) per 1000
		r := stats.RateRatio(136, 22050, 1709, 127650, 0.90)
		near(t, r.Value, 0.460690, 1e-6)
		within(t, r.Interval, 0.397890, 0.533402, 1e-6)
		within(t, stats.RateRatio(136, 22050, 1709, 127650, 0.95).Interval, 0.386875, 0.548590, 1e-6)
		d := stats.RateDifference(136, 22050, 1709, 127650, 0.90)
		near(t, 1000*d.Value, -7.220370, 1e-5)
		within(t, stats.Interval{Low: 1000 * d.Low, High: 1000 * d.High}, -8.240446, -6.200295, 1e-5)
	})
	t.Run("Poisson exact", func(t *testing.T) { // R
		for x, want := range map[int][2]float64{0: {0, 3.688879}, 1: {0.025318, 5.571643}, 5: {1.623486, 11.668332}, 10: {4.795389, 18.390356}, 36: {25.213957, 49.839175}} {
			within(t, stats.PoissonExact(x, 0.95), want[0], want[1], 1e-5)
		}
	})
	t.Run("36 cases in 120 cow-years, per 100", func(t *testing.T) { // R
		e, b := stats.PoissonExact(36, 0.95), stats.Byar(36, 0.95)
		within(t, stats.Interval{Low: e.Low / 1.2, High: e.High / 1.2}, 21.01163, 41.53265, 1e-4)
		within(t, stats.Interval{Low: b.Low / 1.2, High: b.High / 1.2}, 21.00871, 41.53388, 1e-4)
	})
	t.Run("6-MP against placebo, log and exact", func(t *testing.T) { // R on the data of Freireich et al. 1963
		r := stats.RateRatio(21, 182, 9, 359, 0.95)
		near(t, 9.0/359, 0.0250696, 1e-6)
		near(t, 21.0/182, 0.1153846, 1e-6)
		near(t, r.Value, 4.602564, 1e-6)
		within(t, r.Interval, 2.108012, 10.049088, 1e-6)
		e := stats.RateRatioExact(21, 182, 9, 359, 0.95)
		near(t, e.Value, 4.602564, 1e-6)
		within(t, e.Interval, 2.020774, 11.414591, 1e-6)
	})
}

// Weeks of remission of 42 children with acute leukaemia, under 6-mercaptopurine
// and under placebo; a plus is a child still in remission when the trial ended.
// Freireich et al. 1963, Blood 21:699, as in the data set "gehan" of the R
// package MASS (Venables and Ripley).
var (
	mercaptopurine = remissions([]float64{6, 6, 6, 7, 10, 13, 16, 22, 23}, []float64{6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35})
	placebo        = remissions([]float64{1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23}, nil)
)

func remissions(ended, plus []float64) (out []stats.Time) {
	for _, t := range ended {
		out = append(out, stats.Time{T: t, Event: true})
	}
	for _, t := range plus {
		out = append(out, stats.Time{T: t})
	}
	return out
}

// TestSurvival_AgreesWithTheRemissionData holds curve, errors, medians, log-rank
// and restricted mean to the classic data, values by R (package survival).
func TestSurvival_AgreesWithTheRemissionData(t *testing.T) {
	c := stats.Survival(mercaptopurine, 0.95)
	for _, x := range []struct {
		t      float64
		s      float64
		atRisk int
		events int
	}{
		{6, 0.857143, 21, 3}, {7, 0.806723, 17, 1}, {10, 0.752941, 15, 1}, {13, 0.690196, 12, 1},
		{16, 0.627451, 11, 1}, {22, 0.537815, 7, 1}, {23, 0.448179, 6, 1},
	} {
		got := c.At(x.t)
		near(t, got.S, x.s, 1e-6)
		if got.AtRisk != x.atRisk || got.Events != x.events {
			t.Errorf("at %v: %d at risk and %d events, wanted %d and %d", x.t, got.AtRisk, got.Events, x.atRisk, x.events)
		}
	}
	for at, want := range map[float64]float64{6: 0.0763604, 10: 0.0963497, 23: 0.1345915} {
		near(t, c.At(at).SE, want, 1e-6)
	}
	within(t, c.At(10).Interval, 0.503, 0.889, 5e-4)

	p := stats.Survival(placebo, 0.95)
	for at, want := range map[float64]float64{
		1: 0.904762, 2: 0.809524, 3: 0.761905, 4: 0.666667, 5: 0.571429, 8: 0.380952,
		11: 0.285714, 12: 0.190476, 15: 0.142857, 17: 0.095238, 22: 0.047619, 23: 0,
	} {
		near(t, p.At(at).S, want, 1e-6)
	}

	m, q := c.Median(), p.Median()
	near(t, m.Value, 23, 0)
	near(t, m.Low, 13, 0)
	near(t, m.High, math.NaN(), 0)
	near(t, q.Value, 8, 0)
	near(t, q.Low, 4, 0)
	near(t, q.High, 11, 0)

	l := stats.LogRank(mercaptopurine, placebo) // classic value in print: 16.8
	near(t, l.ChiSquare, 16.7929, 1e-4)
	near(t, l.P, 4.169e-05, 1e-8)
	near(t, l.Expected1, 19.2505, 1e-4)
	near(t, l.Expected2, 10.7495, 1e-4)

	near(t, c.RestrictedMean(35), 23.28739, 1e-5)
	near(t, p.RestrictedMean(35), 8.66667, 1e-5)
}

func TestAgreement_AgreesWithPublishedValues(t *testing.T) {
	t.Run("both standard errors", func(t *testing.T) {
		// R; a software example in print gives 0.67 (0.56 to 0.79) and 11.53: the
		// null error in an interval.
		a := stats.Kappa([][]float64{{19, 6}, {10, 256}}, stats.Unweighted, 0.95)
		near(t, a.Observed, 0.9450172, 1e-6)
		near(t, a.Expected, 0.8315561, 1e-6)
		near(t, a.Kappa, 0.6735838, 1e-6)
		near(t, a.SE, 0.0762239, 1e-6)
		near(t, a.SENull, 0.0584255, 1e-6)
		within(t, a.Interval, 0.52419, 0.82298, 1e-5)
		within(t, a.NullInterval, 0.55907, 0.78810, 1e-5)
		near(t, a.Z, 11.5289, 1e-4)
	})
	t.Run("adjusted", func(t *testing.T) { // R
		near(t, stats.PABAK([][]float64{{19, 6}, {10, 256}}), 0.8900344, 1e-6)
		near(t, stats.PrevalenceIndex([2][2]float64{{19, 6}, {10, 256}}), -0.8144330, 1e-6)
		near(t, stats.BiasIndex([2][2]float64{{19, 6}, {10, 256}}), -0.0137457, 1e-6)
	})
	t.Run("teaching examples", func(t *testing.T) {
		near(t, stats.Kappa([][]float64{{20, 5}, {10, 15}}, stats.Unweighted, 0.95).Kappa, 0.4, 1e-7)
		near(t, stats.Kappa([][]float64{{22, 2}, {4, 11}}, stats.Unweighted, 0.95).Kappa, 0.6666667, 1e-7)
		near(t, stats.PABAK([][]float64{{22, 2}, {4, 11}}), 0.6923077, 1e-7)
	})
	t.Run("weights", func(t *testing.T) { // R on data "SexualFun" of package vcd (Agresti 1990, table 2.10)
		table := [][]float64{{7, 7, 2, 3}, {2, 8, 3, 7}, {1, 5, 4, 9}, {2, 8, 9, 14}}
		a := stats.Kappa(table, stats.Unweighted, 0.95)
		near(t, a.Kappa, 0.1293303, 1e-6)
		near(t, a.SE, 0.0685985, 1e-6)
		near(t, stats.Kappa(table, stats.Linear, 0.95).Kappa, 0.2373806, 1e-6)
		near(t, stats.Kappa(table, stats.Quadratic, 0.95).Kappa, 0.3320456, 1e-6)
	})
	t.Run("disagreement weights", func(t *testing.T) { // R; Cohen 1960 and 1968, from memory: 0.49, 0.348
		table := [][]float64{{.44, .05, .01}, {.07, .20, .03}, {.09, .05, .06}}
		near(t, stats.Kappa(table, stats.Unweighted, 0.95).Kappa, 0.4915254, 1e-6)
		w := stats.Disagreement([][]float64{{0, 1, 3}, {1, 0, 6}, {3, 6, 0}})
		near(t, stats.Kappa(table, w, 0.95).Kappa, 0.3478261, 1e-6)
	})
}

func TestTrend_AgreesWithPublishedValues(t *testing.T) {
	groups := func(x, n []int, scores ...float64) (out []stats.Group) {
		for i := range x {
			out = append(out, stats.Group{X: x[i], N: n[i], Score: scores[i]})
		}
		return out
	}
	x, n := []int{48, 38, 5, 1, 1}, []int{17114, 14502, 793, 127, 38}
	t.Run("birth defects", func(t *testing.T) { // R; Agresti, Categorical Data Analysis: 6.57; data as on yuanhuang.org
		got := stats.CochranArmitage(groups(x, n, 0, 0.5, 1.5, 4, 7))
		near(t, got.Z, 2.5632273, 1e-6)
		near(t, got.ChiSquare, 6.5701339, 1e-6)
		near(t, got.P, 0.0103704, 1e-6)
	})
	t.Run("last score 8", func(t *testing.T) { // R; user manual of an exact-test program, example 6: 0.0078
		near(t, stats.CochranArmitage(groups(x, n, 0, 0.5, 1.5, 4, 8)).P, 0.0078002, 1e-6)
	})
	t.Run("scores 1 to 5", func(t *testing.T) { // R; in print 0.1765
		near(t, stats.CochranArmitage(groups(x, n, 1, 2, 3, 4, 5)).P, 0.1763858, 5e-4)
	})
	t.Run("doses", func(t *testing.T) { // R prop.trend.test; data v8doc.sas.com, printed Z -4.7918, from memory
		got := stats.CochranArmitage(groups([]int{6, 7, 9, 14, 23}, []int{32, 33, 32, 32, 32}, 0, 1, 2, 3, 4))
		near(t, got.Z, 4.791813, 1e-5)
		near(t, got.ChiSquare, 22.961468, 1e-5)
		near(t, got.P, 1.65281e-06, 1e-10)
	})
	t.Run("the two forms", func(t *testing.T) { // R without the factor; influentialpoints.com prints 11.51, with it
		got := stats.CochranArmitage(groups([]int{5, 14, 18}, []int{30, 30, 30}, 1, 2, 3))
		near(t, got.ChiSquare, 11.634370, 1e-5)
		near(t, got.ChiSquareN, 11.505099, 1e-5)
	})
	t.Run("cattle herds", func(t *testing.T) { // R on data "cbpp" of package lme4: contagious pleuropneumonia of zebu herds, four periods
		x, n := []int{61, 17, 14, 7}, []int{278, 212, 197, 155}
		for i, want := range []float64{0.219424, 0.080189, 0.071066, 0.045161} {
			near(t, float64(x[i])/float64(n[i]), want, 1e-6)
		}
		got := stats.CochranArmitage(groups(x, n, 1, 2, 3, 4))
		near(t, got.Z, -5.789198, 1e-5)
		near(t, got.ChiSquare, 33.51482, 1e-5)
	})
}

func TestCharts_AgreeWithPublishedValues(t *testing.T) {
	of := func(x []int, n int) (out []stats.Cluster) {
		for _, x := range x {
			out = append(out, stats.Cluster{X: x, N: n})
		}
		return out
	}
	spread := func(total, samples int) []int { // the limits depend on the total alone
		x := make([]int, samples)
		for i := range total {
			x[i%samples]++
		}
		return x
	}
	t.Run("100 of each", func(t *testing.T) { // textbook exercise in print (statistical process control, chapter 6): 0.0585 and 0.1289
		c := stats.NewPChart(of(spread(117, 20), 100), nil)
		near(t, c.Centre, 0.0585, 1e-9)
		within(t, c.Points[0].Limits, 0, 0.1289059, 1e-6)
	})
	t.Run("one sample left out", func(t *testing.T) { // the same: 0.0537 and 0.1213
		c := stats.NewPChart(of(append(spread(102, 19), 15), 100), func(i int) bool { return i != 19 })
		near(t, c.Centre, 0.0536842, 1e-6)
		within(t, c.Points[0].Limits, 0, 0.1213023, 1e-6)
		if !c.Points[19].Out {
			t.Error("0.15 is not out of 0 to 0.1213")
		}
	})
	t.Run("50 of each", func(t *testing.T) { // R; Montgomery, chapter 7, orange juice cans, from memory: 0.2313, 0.4102, 0.0524
		c := stats.NewPChart(of(spread(347, 30), 50), nil)
		near(t, c.Centre, 0.2313333, 1e-6)
		within(t, c.Points[0].Limits, 0.0524275, 0.4102391, 1e-6)
	})
	t.Run("cumulative sums", func(t *testing.T) {
		// NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3.1; its printed
		// sums from memory: 3.01, 4.94, 7.45 … 19.04.
		means := []float64{
			324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
			324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
		}
		c := stats.Cusum(means, 325, 0.3175, 4.1959)
		for i, want := range []float64{3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035} {
			near(t, c[12+i].High, want, 1e-4)
		}
		most, at, first := 0.0, 0, 0
		for i, p := range c {
			if p.Low > most {
				most, at = p.Low, i+1
			}
			if p.Signal && first == 0 {
				first = i + 1
			}
		}
		near(t, most, 0.715, 1e-4)
		if at != 8 || first != 14 {
			t.Errorf("greatest lower sum at %d and first signal at %d, wanted 8 and 14", at, first)
		}
	})
}
