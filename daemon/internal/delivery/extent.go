package delivery

import (
	"cmp"
	"slices"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// What is told is a kind of facts of a farm, with so much of the animals.
type told struct {
	farm   string
	kind   events.Kind
	fields config.Fields
}

// tells notes whose facts a row tells of.
func (b *batch) tells(p *parcel) {
	if b.told == nil {
		b.told = map[told]bool{}
	}
	farm, barn := p.farm, p.barn
	if p.owner != nil {
		farm, barn = p.owner.Farm, p.owner.Barn
	}
	fields := p.fields
	if fields != config.Pseudonyms {
		fields = config.Identities
	}
	b.told[told{farm, p.kind, fields}] = true
	if barn != "" && !slices.Contains(b.barns, barn) {
		b.barns = append(b.barns, barn)
	}
}

// extents are what the batch may tell of: its rows, and with a mapping what a row may
// have of the examination and visit it belongs to, or of all that belongs to it, under
// the grants of the rule.
func (b *batch) extents(r *rule) []adapters.Extent {
	all := map[told]bool{}
	for t := range b.told {
		all[t] = true
		if b.layout.mapping == nil {
			continue
		}
		also := []events.Kind{events.KindExamination, events.KindVisit}
		if b.layout.byExamination() {
			also = append(also, r.Kinds...)
		}
		for _, k := range also {
			if fields := r.widest(t.farm, k); fields != "" {
				all[told{t.farm, k, fields}] = true
			}
		}
	}
	type key struct {
		farm string
		config.Fields
		config.Period
	}
	kinds := map[key][]events.Kind{}
	for _, k := range events.Kinds() {
		for t := range all {
			if t.kind == k {
				at := key{t.farm, t.fields, r.period(t.farm, k)}
				kinds[at] = append(kinds[at], k)
			}
		}
	}
	var out []adapters.Extent
	for at, list := range kinds {
		out = append(out, adapters.Extent{Farm: at.farm, Kinds: list, Fields: string(at.Fields), From: at.From, To: at.To})
	}
	slices.SortFunc(out, func(a, b adapters.Extent) int {
		return cmp.Or(cmp.Compare(a.Farm, b.Farm), cmp.Compare(a.Fields, b.Fields), cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To))
	})
	return out
}

// period is what holds all days of facts that a grant lets leave; open at both ends
// where no grant is about them.
func (r *rule) period(farm string, k events.Kind) (out config.Period) {
	found := false
	for i := range r.Grants {
		g := &r.Grants[i]
		if g.Farm != farm || !slices.Contains(g.Kinds, k) {
			continue
		}
		if !found {
			out, found = g.Period, true
			continue
		}
		if g.Period.From == "" || out.From != "" && g.Period.From < out.From {
			out.From = g.Period.From
		}
		if g.Period.To == "" || out.To != "" && g.Period.To > out.To {
			out.To = g.Period.To
		}
	}
	return out
}
