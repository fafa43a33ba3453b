package codes

import (
	"cmp"
	"slices"
	"sync"

	"dewclaw/events"
)

// A Lesion is an entry of the list lesions.
type Lesion struct {
	Entry   `yaml:",inline"`
	Group   string   `yaml:"group"`   // list lesion-groups
	Level   string   `yaml:"level"`   // claw, or foot for a finding of the skin of the foot; "" for OTHER
	Stages  bool     `yaml:"stages"`  // it has stages of digital dermatitis
	DD      bool     `yaml:"dd"`      // it may be associated with digital dermatitis (atlas, appendix 2)
	Relieve bool     `yaml:"relieve"` // its claw is the one to take weight off
	Vet     string   `yaml:"vet"`     // why it is one for a vet: infection or deep; "" if it need not be
	Places  []Places `yaml:"places"`  // where it is usual, source by source; nil if nothing is known

	Zones []int  `yaml:"-"` // zones of claw-zones-13 where it is usual by any source, ascending
	Class string `yaml:"-"` // the top of its parents; its own code if it has none
}

// Places are zones of claw-zones-13 in which one source sees a lesion.
type Places struct {
	Zones  []int  `yaml:"zones"`
	Source string `yaml:"source"`
	Seen   string `yaml:"seen"` // as in Entry
}

// OtherLesion is the code of a finding outside the atlas.
const OtherLesion = "OTHER"

// Usual reports whether the lesion is usual in zone n of claw-zones-13, by any
// published source; true where nothing is known. Sources disagree, on toe ulcers
// and digital dermatitis for example: then every one of them holds.
func (l *Lesion) Usual(n int) bool { return len(l.Zones) == 0 || slices.Contains(l.Zones, n) }

// A LesionTable is the list of findings.
type LesionTable struct{ Table[Lesion] }

var lesions = sync.OnceValue(func() *LesionTable {
	t := &LesionTable{*read[Lesion]("lesions")}
	for i := range t.rows {
		l := &t.rows[i]
		for _, p := range l.Places {
			l.Zones = append(l.Zones, p.Zones...)
		}
		slices.Sort(l.Zones)
		l.Zones = slices.Compact(l.Zones)
		l.Class = l.Code
		for e := t.Entry(l.Code); e.Parent != ""; e = t.Entry(e.Parent) {
			l.Class = e.Parent
		}
	}
	return t
})

// Lesions returns the list of findings.
func Lesions() *LesionTable { return lesions() }

// Depth returns how many parents a code has: 0 for a top of the atlas and for a
// code that is not known.
func (t *LesionTable) Depth(code string) int {
	n := 0
	for l := t.Get(code); l != nil && l.Parent != ""; l = t.Get(l.Parent) {
		n++
	}
	return n
}

// A Finding is a lesion as far as it tells whether another one is the same.
type Finding struct {
	Foot  string
	Claw  string // "" is unknown; of a lesion of the foot it does not matter
	Code  string
	Zones events.Zones
	Words string // of a finding outside the atlas
}

// FindingOf returns what a lesion event says of it.
func FindingOf(l *events.Lesion) Finding {
	return Finding{Foot: l.Foot, Claw: l.Claw, Code: l.Code, Zones: l.Zones, Words: l.Description}
}

// Same reports whether two findings of one animal and day are one lesion: on
// the same foot, on the same claw unless the lesion belongs to the foot, with the
// same code or one that is a kind of the other, and with a zone in common or one
// that is not told. An unknown claw is a claw of its own: a finding is never moved
// to a claw on a guess. Zones of two maps are compared where that is safe.
func (t *LesionTable) Same(a, b Finding) bool {
	return t.same(&a, &b, t.zones(&a), t.zones(&b))
}

func (t *LesionTable) same(a, b *Finding, zonesA, zonesB []int) bool {
	if a.Foot != b.Foot || t.clawOf(a) != t.clawOf(b) || a.Code == OtherLesion && a.Words != b.Words {
		return false
	}
	if !t.Is(a.Code, b.Code) && !t.Is(b.Code, a.Code) {
		return false
	}
	if len(zonesA) == 0 || len(zonesB) == 0 {
		return true
	}
	return slices.ContainsFunc(zonesA, func(n int) bool { return slices.Contains(zonesB, n) })
}

// clawOf returns the claw that counts: none for a lesion of the foot.
func (t *LesionTable) clawOf(f *Finding) string {
	if l := t.Get(f.Code); l != nil && l.Level == "foot" {
		return "none"
	}
	return cmp.Or(f.Claw, "unknown")
}

// zones returns the zones of a finding on the map of 13 zones, without those
// that have no safe place there.
func (t *LesionTable) zones(f *Finding) []int {
	from, wide := ZoneMaps().Get(f.Zones.Map), ZoneMaps().Get(WideZones)
	if from == wide || from == nil {
		return f.Zones.Numbers
	}
	var out []int
	for _, n := range f.Zones.Numbers {
		if z, ok := ConvertZone(from, n, wide); ok {
			out = append(out, z)
		}
	}
	return out
}

// Once brings together the findings of one animal and day that are one lesion,
// so that a parent and its child on the same claw and zone count once. It
// returns the indexes of found, one group a lesion; the first of a group is the
// finding that says most: the deepest code. A parent joins one child only. Two
// orders of the same findings give the same groups.
func (t *LesionTable) Once(found []Finding) [][]int {
	order := make([]int, len(found))
	for i := range order {
		order[i] = i
	}
	zones := make([][]int, len(found))
	for i := range found {
		zones[i] = slices.Clone(t.zones(&found[i]))
		slices.Sort(zones[i])
	}
	slices.SortStableFunc(order, func(i, j int) int {
		a, b := &found[i], &found[j]
		return cmp.Or(-cmp.Compare(t.Depth(a.Code), t.Depth(b.Code)), -cmp.Compare(min(len(zones[i]), 1), min(len(zones[j]), 1)),
			cmp.Compare(a.Foot, b.Foot), cmp.Compare(t.clawOf(a), t.clawOf(b)), cmp.Compare(a.Code, b.Code),
			slices.Compare(zones[i], zones[j]), cmp.Compare(a.Words, b.Words))
	})
	var out [][]int
	for _, i := range order {
		at := slices.IndexFunc(out, func(group []int) bool {
			return slices.ContainsFunc(group, func(j int) bool { return t.same(&found[i], &found[j], zones[i], zones[j]) })
		})
		if at < 0 {
			out = append(out, []int{i})
		} else {
			out[at] = append(out[at], i)
		}
	}
	return out
}
