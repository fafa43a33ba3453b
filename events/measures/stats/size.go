package stats

import (
	"math"
	"math/big"
	"strconv"
)

// SampleSize returns how many animals of an endless herd must be seen to tell a
// share that is about p to plus and minus d, not rounded (Cochran 1977, Sampling
// Techniques, chapter 4).
func SampleSize(p, d, level float64) float64 {
	z := normal(level)
	return z * z * p * (1 - p) / d / d
}

// SampleSizeTest is [SampleSize] for a test that errs: p is the true share, d the
// wanted precision of the corrected one (Humphry, Cameron and Gunn 2004, Prev Vet
// Med 65:173).
func SampleSizeTest(p, d, sensitivity, specificity, level float64) float64 {
	apparent := p*sensitivity + (1-p)*(1-specificity)
	youden := sensitivity + specificity - 1
	return SampleSize(apparent, d, level) / youden / youden
}

// FiniteCochran reduces n0, the number of an endless herd, to a herd of size
// animals: n0 / (1 + (n0 - 1) / size) (Cochran 1977, formula 4.4).
func FiniteCochran(n0 float64, size int) float64 { return n0 / (1 + (n0-1)/float64(size)) }

// FiniteSimple is the other form in use: n0 / (1 + n0 / size) (package epiR). The
// two differ by one animal at most for herds of common sizes.
func FiniteSimple(n0 float64, size int) float64 { return n0 / (1 + n0/float64(size)) }

// Whole rounds a number of animals up; what is a hair above a whole number by
// rounding alone is that number.
func Whole(n float64) int { return int(math.Ceil(n - 1e-9)) }

// Affected returns the least whole number of animals that is a share of size or
// more, in percent. The share is taken as it is written in decimal: 7 % of 100 are
// 7, although 7.0/100*100 is a hair more in binary.
func Affected(size int, percent float64) int {
	p, ok := new(big.Rat).SetString(strconv.FormatFloat(percent, 'f', -1, 64))
	if !ok { // no number
		return 0
	}
	p.Mul(p, big.NewRat(int64(size), 100))
	n, rest := new(big.Int).QuoRem(p.Num(), p.Denom(), new(big.Int))
	if rest.Sign() > 0 {
		n.Add(n, big.NewInt(1))
	}
	return int(n.Int64())
}

// DetectionSize returns how many of size animals must be seen so that at least
// one of the diseased ones is among them with the probability of the level:
// the smallest n at which the hypergeometric probability of none is 1 - level or
// less. It is 0 if none is diseased: nothing can be found.
func DetectionSize(size, diseased int, level float64) int {
	if diseased <= 0 || size <= 0 {
		return 0
	}
	none := 1.0
	for n := 1; n <= size; n++ {
		none *= max(0, float64(size-diseased-n+1)) / float64(size-n+1)
		if none <= 1-level+1e-12 {
			return n
		}
	}
	return size
}

// DetectionApproximate is the closed form in print for [DetectionSize], not
// rounded (Cannon and Roe 1982, Livestock Disease Surveys).
func DetectionApproximate(size, diseased int, level float64) float64 {
	d := float64(diseased)
	return (1 - math.Pow(1-level, 1/d)) * (float64(size) - (d-1)/2)
}

// Chapman estimates how many there are from two lists of one closed group: first
// and second are their lengths, both how many stand on both (Chapman 1951). It
// assumes that nobody came or went between them and that being on one makes being
// on the other no likelier.
func Chapman(first, second, both int) float64 {
	return float64((first+1)*(second+1))/float64(both+1) - 1
}

// ChapmanInterval returns the normal interval of [Chapman] with the variance of
// Seber (1982, The Estimation of Animal Abundance), not below what was seen.
func ChapmanInterval(first, second, both int, level float64) Interval {
	a, b, m := float64(first), float64(second), float64(both)
	se := math.Sqrt((a + 1) * (b + 1) * (a - m) * (b - m) / (m + 1) / (m + 1) / (m + 2))
	n := Chapman(first, second, both)
	return Interval{max(a+b-m, n-normal(level)*se), n + normal(level)*se}
}

// LincolnPetersen is the older form of [Chapman], biased for few animals.
func LincolnPetersen(first, second, both int) float64 {
	return float64(first) * float64(second) / float64(both)
}
