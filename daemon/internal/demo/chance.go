package demo

import (
	"math/rand/v2"
	"time"
)

// How often things happen. Rounded from surveys so that the herd looks like
// one; nothing is computed from them.
const (
	pBecomesLame   = 0.07 // a month; with pRecovers about a fifth of the cows are lame at any time (Afonso et al. 2020: 29.5 % in Britain; Thomsen et al. 2023: mean of 53 studies 22.8 %)
	pRecovers      = 0.30 // a month, from memory
	pSevere        = 0.20 // of the lame (Thomsen et al. 2023: 7.0 of 22.8 %)
	pRoutineLesion = 0.40 // of cows trimmed in their turn (Cramer et al. 2008: 46.4 % in free stalls)
	pLameLesion    = 0.90 // of cows trimmed because they are lame, from memory
	pSecondLesion  = 0.25 // common practice, no source
	pHindFoot      = 0.85 // from memory
	pTypicalClaw   = 0.80 // outer on hind feet, inner on front feet, from memory
	pWrongClaw     = 0.04 // block on the claw with the lesion: a mistake that somebody should see
	pLeaves        = 0.15 // of the cows in the year, after September, from memory
)

// finding is one kind of lesion with how often it is seen among lesions, and
// the zones it sits in, the usual one first (ICAR Claw Health Atlas; zones as in
// the publications named in the list zones).
type finding struct {
	code  string
	share float64
	zones []int
	skin  bool
	block bool // a graver one is relieved by a block on the partner claw
}

var findings = []finding{
	{code: "DD", share: 0.30, zones: []int{10, 10, 10, 9}, skin: true},
	{code: "SU", share: 0.16, zones: []int{4, 4, 4, 5}, block: true},
	{code: "WL", share: 0.15, zones: []int{3, 3, 2, 1}, block: true},
	{code: "SH", share: 0.15, zones: []int{4, 5, 6}},
	{code: "HHE", share: 0.13, zones: []int{6}},
	{code: "IH", share: 0.07, zones: []int{0}, skin: true},
	{code: "TS", share: 0.04, zones: []int{5, 4}},
}

// A dice makes choices from a seed.
type dice struct{ *rand.Rand }

func newDice(seed uint64, stream string) dice {
	var s uint64 = 14695981039346656037 // FNV-1a, 64 bit: a stream of its own for each purpose
	for i := 0; i < len(stream); i++ {
		s = (s ^ uint64(stream[i])) * 1099511628211
	}
	return dice{rand.New(rand.NewPCG(seed, s))}
}

func (d dice) chance(p float64) bool { return d.Float64() < p }

// within returns a whole number from lo to hi, both included.
func (d dice) within(lo, hi int) int { return lo + d.IntN(hi-lo+1) }

func pick[T any](d dice, from []T) T { return from[d.IntN(len(from))] }

func (d dice) finding() finding {
	x := d.Float64()
	for _, f := range findings {
		if x -= f.share; x < 0 {
			return f
		}
	}
	return findings[0]
}

// day returns a day of the demo's year, from 0 for January 1st.
func day(n int) time.Time { return time.Date(year, 1, 1+n, 0, 0, 0, 0, time.UTC) }

// year is the demo's year: past on any clock that is right.
const year = 2025

// LastDay is the last day of the demo's year.
const LastDay = "2025-12-31"

func ymd(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.DateOnly)
}
