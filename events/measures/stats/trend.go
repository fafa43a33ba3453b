package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Group is a share at one place of an ordered row.
type Group struct {
	X, N  int
	Score float64 // the place: a day, a dose, a parity
}

// A Trend is a test for a share that rises or falls along a row. It is in print
// in two forms; ChiSquare is Z squared, ChiSquareN the other form, smaller by
// (N-1)/N.
type Trend struct {
	Z, ChiSquare, P float64 // without the factor, as R's prop.trend.test
	ChiSquareN, PN  float64 // with the factor (N-1)/N
	Slope           float64 // of the share, for one step of the score, by weighted least squares
}

// CochranArmitage returns the trend test of groups (Cochran 1954, Biometrics
// 10:417; Armitage 1955, Biometrics 11:375). All is NaN if shares or scores do
// not differ. It takes the animals of the groups to be others; of the same herd
// scored again and again it is a hint and not a proof.
func CochranArmitage(groups []Group) Trend {
	var x, n, ns, nss, xs float64
	for _, g := range groups {
		a, m := float64(g.X), float64(g.N)
		x, n, ns, nss, xs = x+a, n+m, ns+m*g.Score, nss+m*g.Score*g.Score, xs+a*g.Score
	}
	p := x / n
	spread := nss - ns*ns/n
	variance := p * (1 - p) * spread
	if !(variance > 0) {
		nan := math.NaN()
		return Trend{nan, nan, nan, nan, nan, nan}
	}
	u := xs - p*ns
	t := Trend{Z: u / math.Sqrt(variance), Slope: u / spread}
	t.ChiSquare = t.Z * t.Z
	t.ChiSquareN = t.ChiSquare * (n - 1) / n
	one := distuv.ChiSquared{K: 1}
	t.P, t.PN = one.Survival(t.ChiSquare), one.Survival(t.ChiSquareN)
	return t
}
