package herd

import (
	"cmp"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Both ways of the index find what comparing two values one by one finds.
func TestNearIndex_AgreesWithComparing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.StringMatching(`[12]{3,6}`)
		x := newNearIndex()
		var all []ident
		for _, v := range rapid.SliceOfNDistinct(value, 0, 12, rapid.ID).Draw(t, "values") {
			all = append(all, ident{herdNumber, v})
			x.add(ident{herdNumber, v})
		}
		n := ident{herdNumber, value.Draw(t, "asked")}
		var want []likeness
		for _, m := range all {
			if why := nearness(n.value, m.value); why != "" {
				want = append(want, likeness{m, why})
			}
		}
		order := func(a, b likeness) int { return cmp.Or(compareIdents(a.ident, b.ident), cmp.Compare(a.why, b.why)) }
		slices.SortFunc(want, order)
		for _, asked := range []int{0, manyAsked} {
			x.asked = asked
			got := x.find(n)
			slices.SortFunc(got, order)
			if !slices.Equal(got, want) {
				t.Fatalf("asked %d times before: %v: got %v, want %v", asked, n, got, want)
			}
		}
	})
}

// Numbers of countries are those of ISO 3166-1, in which ISO 11784 codes them.
func TestPlainNumber_MakesTagAndTransponderEqual(t *testing.T) {
	tests := []struct {
		tag, eid string
		equal    bool
	}{
		{"DE0941200731", "276000941200731", true},
		{"BE012345678", "056000012345678", true},
		{"FR1234567890", "250001234567890", true},
		{"GB123456700001", "826123456700001", true},
		{"DE0941200731", "250000941200731", false},
		{"DE0941200731", "276000941200732", false},
		{"XX0941200731", "276000941200731", false},
		{"DE", "276000000000000", false},
	}
	for _, tt := range tests {
		a, b := plainNumber(ident{earTag, tt.tag}), plainNumber(ident{transponder, tt.eid})
		if (a == b) != tt.equal {
			t.Errorf("%s is %q and %s is %q: equal %v, want %v", tt.tag, a, tt.eid, b, a == b, tt.equal)
		}
	}
}
