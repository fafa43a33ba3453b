package stats

import "math"

// Weights of agreement between category i and j of k, for [Kappa].
type Weights func(i, j, k int) float64

// Unweighted counts equal categories alone (Cohen 1960).
func Unweighted(i, j, _ int) float64 {
	if i == j {
		return 1
	}
	return 0
}

// Linear weights fall by the distance (Cicchetti and Allison 1971).
func Linear(i, j, k int) float64 { return 1 - math.Abs(float64(i-j))/float64(k-1) }

// Quadratic weights fall by the square of the distance (Fleiss and Cohen 1973).
func Quadratic(i, j, k int) float64 {
	d := float64(i-j) / float64(k-1)
	return 1 - d*d
}

// Disagreement makes weights of a table of disagreements, 0 for none (Cohen 1968,
// Psychol Bull 70:213).
func Disagreement(v [][]float64) Weights {
	most := 0.0
	for _, row := range v {
		for _, x := range row {
			most = max(most, x)
		}
	}
	return func(i, j, _ int) float64 { return 1 - v[i][j]/most }
}

// Agreement is how far two observers, or one observer twice, say the same.
type Agreement struct {
	N        float64 // pairs
	Observed float64 // weighted share of agreement
	Expected float64 // by chance, from the margins
	Kappa    float64 // NaN if chance alone would always agree

	// The two standard errors in print. SE is the large-sample one, for intervals
	// (Fleiss, Cohen and Everitt 1969, Psychol Bull 72:323). SENull is the one if
	// there were no agreement beyond chance: for the test of that only. A software
	// example in print makes an interval with the second one; it is too narrow
	// there.
	SE, SENull   float64
	Interval     // with SE
	NullInterval Interval
	Z            float64 // Kappa over SENull
}

// Kappa returns the agreement in a square table: table[i][j] is how often the
// first observer said i and the second j.
func Kappa(table [][]float64, w Weights, level float64) Agreement {
	k := len(table)
	rows, columns := make([]float64, k), make([]float64, k)
	a := Agreement{}
	for i, row := range table {
		for j, x := range row {
			a.N += x
			rows[i] += x
			columns[j] += x
		}
	}
	if a.N == 0 {
		nan := math.NaN()
		return Agreement{Observed: nan, Expected: nan, Kappa: nan, SE: nan, SENull: nan, Interval: None, NullInterval: None, Z: nan}
	}
	for i := range k {
		rows[i] /= a.N
		columns[i] /= a.N
	}
	meanRow, meanColumn := make([]float64, k), make([]float64, k)
	for i := range k {
		for j := range k {
			x := w(i, j, k)
			a.Observed += x * table[i][j] / a.N
			a.Expected += x * rows[i] * columns[j]
			meanRow[i] += x * columns[j]
			meanColumn[j] += x * rows[i]
		}
	}
	po, pe := a.Observed, a.Expected
	a.Kappa = (po - pe) / (1 - pe)
	sum, null := 0.0, 0.0
	for i := range k {
		for j := range k {
			x, m := w(i, j, k), meanRow[i]+meanColumn[j]
			sum += table[i][j] / a.N * math.Pow(x*(1-pe)-m*(1-po), 2)
			null += rows[i] * columns[j] * math.Pow(x-m, 2)
		}
	}
	scale := (1 - pe) * (1 - pe)
	a.SE = math.Sqrt(max(0, sum-math.Pow(po*pe-2*pe+po, 2))/a.N) / scale
	a.SENull = math.Sqrt(max(0, null-pe*pe)/a.N) / (1 - pe)
	z := normal(level)
	a.Interval = Interval{a.Kappa - z*a.SE, a.Kappa + z*a.SE}
	a.NullInterval = Interval{a.Kappa - z*a.SENull, a.Kappa + z*a.SENull}
	a.Z = a.Kappa / a.SENull
	if pe == 1 {
		a.Kappa, a.SE, a.SENull, a.Z = math.NaN(), math.NaN(), math.NaN(), math.NaN()
		a.Interval, a.NullInterval = None, None
	}
	return a
}

// PABAK returns kappa adjusted for prevalence and bias, of a table of any number
// of categories (Byrt, Bishop and Carlin 1993, J Clin Epidemiol 46:423). Alone it
// says too little: it is the share of agreement on another scale.
func PABAK(table [][]float64) float64 {
	same, n := 0.0, 0.0
	for i, row := range table {
		for j, x := range row {
			n += x
			if i == j {
				same += x
			}
		}
	}
	k := float64(len(table))
	return (k*same/n - 1) / (k - 1)
}

// PrevalenceIndex returns how unlike the two kinds of agreement are in a table of
// two categories (Byrt, Bishop and Carlin 1993).
func PrevalenceIndex(t [2][2]float64) float64 {
	return (t[0][0] - t[1][1]) / (t[0][0] + t[0][1] + t[1][0] + t[1][1])
}

// BiasIndex returns how unlike the two kinds of disagreement are.
func BiasIndex(t [2][2]float64) float64 {
	return (t[0][1] - t[1][0]) / (t[0][0] + t[0][1] + t[1][0] + t[1][1])
}
