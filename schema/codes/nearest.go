package codes

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"dewclaw/events"
)

// A Problem says what was wanted of a value and what was got.
type Problem struct {
	Wanted string
	Got    string // quoted where it is the source's own text
}

// Error returns the problem as one line.
func (p *Problem) Error() string { return "wanted " + p.Wanted + ", got " + p.Got }

// Reason returns the problem as a reason to hold a record, for the neutral
// field and the column it was read from.
func (p *Problem) Reason(field, column string) events.Reason {
	return events.Reason{Field: field, Column: column, Wanted: p.Wanted, Got: p.Got}
}

// Nearest returns up to n of the candidates that look most like word: first
// those that differ in case only, then by how many letters must be put in, left
// out, changed or swapped; equal ones in the order of their text.
func Nearest(word string, candidates []string, n int) []string {
	type near struct {
		code     string
		distance int
	}
	w := []rune(strings.ToLower(clip(word, 64)))
	all := make([]near, 0, len(candidates))
	for _, c := range candidates {
		all = append(all, near{c, distance(w, []rune(strings.ToLower(clip(c, 64))))})
	}
	slices.SortFunc(all, func(a, b near) int {
		return cmp.Or(cmp.Compare(a.distance, b.distance), cmp.Compare(a.code, b.code))
	})
	var out []string
	for _, x := range all[:min(n, len(all))] {
		out = append(out, x.code)
	}
	return out
}

// distance is the optimal string alignment distance: insertions, deletions,
// changes and swaps of neighbours.
func distance(a, b []rune) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}

// few is how many codes a message lists whole; of more it names the nearest.
const few = 8

func oneOf(list, got string, candidates []string) string {
	if len(candidates) <= few {
		return "one of " + join(candidates)
	}
	return "a code of " + list + " (nearest: " + join(Nearest(got, candidates, 3)) + ")"
}

func join(s []string) string { return strings.Join(s, ", ") }

// quote quotes a text of the source for a message: control characters are
// escaped and a long text is cut.
func quote(s string) string { return strconv.Quote(clip(s, 60)) }

func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && s[n]&0xC0 == 0x80 {
		n--
	}
	return s[:n] + "…"
}
