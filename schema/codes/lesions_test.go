package codes

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"dewclaw/events"
)

func finding(foot, claw, code string, zones ...int) Finding {
	f := Finding{Foot: foot, Claw: claw, Code: code}
	if zones != nil {
		f.Zones = events.Zones{Map: WideZones, Numbers: zones}
	}
	return f
}

// Source of all rows: a parent and its child on one claw and zone are one lesion,
// common practice, no source; the kinds are those of the ICAR Claw Health Atlas,
// 2nd edition 2020, from memory.
func TestLesions_OnceCountsParentAndChildOnce(t *testing.T) {
	other := func(words string) Finding { f := finding("RH", "outer", OtherLesion); f.Words = words; return f }
	onSix := finding("RH", "outer", "WL", 3)
	onSix.Zones.Map = "claw-zones-6"
	skinElsewhere := finding("RH", "outer", "DD", 10)
	skinElsewhere.Zones.Map = "claw-zones-11"
	tests := []struct {
		name  string
		found []Finding
		want  [][]int
	}{
		{"nothing", nil, nil},
		{"parent and child", []Finding{finding("RH", "outer", "WL", 3), finding("RH", "outer", "WLF", 3)}, [][]int{{1, 0}}},
		{"grandchild and no relation", []Finding{finding("RH", "outer", "U", 4), finding("RH", "outer", "SH", 4)}, [][]int{{0}, {1}}},
		{"two kinds of one parent", []Finding{finding("RH", "outer", "SU", 4), finding("RH", "outer", "BU", 6)}, [][]int{{0}, {1}}},
		{"two kinds and their parent", []Finding{finding("RH", "outer", "WLF", 1), finding("RH", "outer", "WLA", 3), finding("RH", "outer", "WL", 3)}, [][]int{{0}, {1, 2}}},
		{"other zone", []Finding{finding("RH", "outer", "WL", 1), finding("RH", "outer", "WLF", 3)}, [][]int{{0}, {1}}},
		{"zone not told", []Finding{finding("RH", "outer", "WL"), finding("RH", "outer", "WLF", 3)}, [][]int{{1, 0}}},
		{"other claw", []Finding{finding("RH", "inner", "WL", 3), finding("RH", "outer", "WLF", 3)}, [][]int{{0}, {1}}},
		{"other foot", []Finding{finding("LH", "outer", "WL", 3), finding("RH", "outer", "WLF", 3)}, [][]int{{0}, {1}}},
		{"claw not told is a claw of its own", []Finding{finding("RH", "unknown", "WL", 3), finding("RH", "outer", "WLF", 3), finding("RH", "", "WL", 3)}, [][]int{{1}, {0, 2}}},
		{"skin belongs to the foot", []Finding{finding("RH", "none", "DD", 10), finding("RH", "outer", "DD", 10)}, [][]int{{0, 1}}},
		{"another map, safe", []Finding{onSix, finding("RH", "outer", "WLF", 3)}, [][]int{{1, 0}}},
		{"another map, not safe: the zone is not told", []Finding{finding("RH", "none", "DD", 9), skinElsewhere}, [][]int{{0, 1}}},
		{"outside the atlas by its words", []Finding{other("horn column"), other("wart"), other("wart")}, [][]int{{0}, {1, 2}}},
	}
	for _, tt := range tests {
		got := Lesions().Once(tt.found)
		for _, g := range got {
			slices.Sort(g[1:])
		}
		slices.SortFunc(got, func(a, b []int) int { return slices.Min(a) - slices.Min(b) })
		want := slices.Clone(tt.want)
		slices.SortFunc(want, func(a, b []int) int { return slices.Min(a) - slices.Min(b) })
		if !slices.EqualFunc(got, want, slices.Equal) {
			t.Errorf("%s: %v, wanted %v", tt.name, got, want)
		}
	}
}

func TestLesions_OnceIsTheSameInAnyOrder(t *testing.T) {
	one := rapid.Custom(func(t *rapid.T) Finding {
		f := Finding{
			Foot: rapid.SampledFrom([]string{"LH", "RH"}).Draw(t, "foot"),
			Claw: rapid.SampledFrom([]string{"inner", "outer", "unknown"}).Draw(t, "claw"),
			Code: rapid.SampledFrom([]string{"WL", "WLF", "WLA", "U", "SU", "DD"}).Draw(t, "code"),
		}
		if n := rapid.SliceOfNDistinct(rapid.IntRange(0, 4), 0, 2, rapid.ID).Draw(t, "zones"); len(n) > 0 {
			f.Zones = events.Zones{Map: WideZones, Numbers: n}
		}
		return f
	})
	rapid.Check(t, func(t *rapid.T) {
		found := rapid.SliceOfN(one, 0, 8).Draw(t, "found")
		shuffled := rapid.Permutation(slices.Clone(found)).Draw(t, "shuffled")
		sizes := func(groups [][]int, of []Finding) (out []string) {
			n := 0
			for _, g := range groups {
				n += len(g)
				lead := of[g[0]]
				for _, i := range g {
					if Lesions().Depth(of[i].Code) > Lesions().Depth(lead.Code) {
						t.Fatalf("%s leads a group with %s", lead.Code, of[i].Code)
					}
				}
				out = append(out, lead.Foot+Lesions().clawOf(&lead)+lead.Code+string(rune('0'+len(g))))
			}
			if n != len(of) {
				t.Fatalf("%d of %d findings are in groups", n, len(of))
			}
			slices.Sort(out)
			return out
		}
		a, b := sizes(Lesions().Once(found), found), sizes(Lesions().Once(shuffled), shuffled)
		if !slices.Equal(a, b) {
			t.Fatalf("%v and in another order %v", a, b)
		}
		if len(a) > len(found) {
			t.Fatalf("%d lesions of %d findings", len(a), len(found))
		}
	})
}

func TestLesions_SameIsSymmetric(t *testing.T) {
	all := Lesions().Codes()
	for _, a := range all {
		for _, b := range all {
			x, y := finding("RH", "outer", a, 4), finding("RH", "outer", b, 4)
			if got, back := Lesions().Same(x, y), Lesions().Same(y, x); got != back || got != (Lesions().Is(a, b) || Lesions().Is(b, a)) {
				t.Errorf("%s and %s are the same: %v and back %v", a, b, got, back)
			}
		}
		if l := Lesions().Get(a); l.Class != a && Lesions().Get(l.Class).Parent != "" || !Lesions().Is(a, l.Class) {
			t.Errorf("%s is of class %s", a, l.Class)
		}
	}
}

func TestLesions_PlacesOfBothSources(t *testing.T) {
	const committee, article = "International Lameness Committee", "agproud.com/articles/28244"
	// Of toe ulcers and digital dermatitis the two disagree: both hold.
	tests := []struct {
		code  string
		zones map[string][]int // by the beginning of the source
	}{
		{"TU", map[string][]int{committee: {1}, article: {4, 5, 6}}},
		{"DD", map[string][]int{committee: {9, 10}, article: {10}}},
		{"SU", map[string][]int{committee: {4}, article: {4, 5, 6}}},
		{"SH", map[string][]int{committee: {4, 5, 6}}},
		{"WL", map[string][]int{article: {1, 2, 3}}},
		{"TS", map[string][]int{committee: {4, 5}}},
		{"HHE", map[string][]int{committee: {6}}},
		{"HFV", map[string][]int{committee: {7, 8}}},
		{"IP", map[string][]int{committee: {9}}},
	}
	for _, tt := range tests {
		l := Lesions().Get(tt.code)
		for source, want := range tt.zones {
			i := slices.IndexFunc(l.Places, func(p Places) bool { return len(p.Source) >= len(source) && p.Source[:len(source)] == source })
			if i < 0 || !slices.Equal(l.Places[i].Zones, want) || l.Places[i].Seen != "yes" {
				t.Errorf("%s by %s: %+v, wanted %v", tt.code, source, l.Places, want)
			}
			for _, n := range want {
				if !l.Usual(n) {
					t.Errorf("%s is not usual in zone %d of %s", tt.code, n, source)
				}
			}
		}
	}
}
