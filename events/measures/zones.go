package measures

import (
	"fmt"
	"maps"
	"slices"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// ZonesSettled says what stands in print of the zones, and what does not.
const ZonesSettled = "zones of the map claw-zones-13; which of the outer walls 7 and 8, and of the inner walls 11 and 12, is which is from memory and not settled in print"

// Where on the foot figures of zones are told.
const (
	hindFeet  = "hind"
	frontFeet = "front"
)

func pairOf(foot string) string {
	switch foot {
	case "LH", "RH":
		return hindFeet
	case "LF", "RF":
		return frontFeet
	}
	return ""
}

// A place is one zone of one claw, or of the skin of the foot, of hind or front
// feet.
type place struct {
	pair, claw string // claw "" for zones of the skin
	zone       int
}

// zones makes how often each of the 13 zones has a lesion: claws (or feet, for the
// skin) with at least one finding there, of those examined.
func (w *work) zones() {
	w.chooseBase(Cows)
	w.zoneFigures(w.among(w.makeVisits()))
}

func (w *work) zoneFigures(visits []*visit) {
	clawUnits, _ := w.countUnits(visits, clawLevel)
	footUnits, _ := w.countUnits(visits, footLevel)
	base := map[place][]unit{} // without zone
	for u := range clawUnits.units {
		p := place{pair: pairOf(u.foot), claw: u.claw}
		base[p] = append(base[p], u)
	}
	for u := range footUnits.units {
		p := place{pair: pairOf(u.foot)}
		base[p] = append(base[p], u)
	}
	sites, noPlace := w.sites(visits)
	wide := codes.ZoneMaps().Get(codes.WideZones)
	for _, pair := range []string{hindFeet, frontFeet} {
		for n := wide.First; n <= wide.Last; n++ {
			z := wide.Zone(n)
			sides := claws
			if z.Per == "foot" {
				sides = []string{""}
			}
			for _, claw := range sides {
				p := place{pair, claw, n}
				of := base[place{pair: pair, claw: claw}]
				if len(of) == 0 {
					continue
				}
				units, key, what := "claws", fmt.Sprintf("zone.%s.%s.%d", pair, claw, n), z.Name+", "+claw+" claw"
				if claw == "" {
					units, key, what = "feet", fmt.Sprintf("zone.%s.foot.%d", pair, n), z.Name
				}
				f := w.share(key, what, len(sites[p]), len(of), units+" examined")
				f.Section, f.Group, f.Family = pair+" feet", fmt.Sprint("zone ", n), "zone."+pair
				var c crowd
				for _, u := range of {
					c.add(u.animal, sites[p][u] != nil, false)
				}
				f.made(slices.Concat(slices.Collect(maps.Values(sites[p]))...), nil).heads = c.heads()
			}
		}
	}
	if noPlace > 0 {
		w.note("%s without a place in a figure: no zone was told, its map has no such zone, or its claw nobody wrote", plural(noPlace, "finding"))
	}
	if seen, of := w.known(visits), w.eligibleIn(); of > 0 && seen > 0 && 100*seen < wholeHerd*of {
		w.note("only %d of %d %s were looked at: these are selected animals, not the herd", seen, of, w.report.Of)
	}
	w.note("%s", ZonesSettled)
}

// sites returns, for each place, the claws or feet with a finding there and the
// events that tell of it.
func (w *work) sites(visits []*visit) (out map[place]map[unit][]events.Entity, noPlace int) {
	out = map[place]map[unit][]events.Entity{}
	wide := codes.ZoneMaps().Get(codes.WideZones)
	for _, v := range visits {
		for _, f := range v.found {
			l := f.lesion
			placed := false
			for _, n := range f.zones {
				u, p := unit{v.animal, l.Foot, l.Claw}, place{pairOf(l.Foot), l.Claw, n}
				if wide.Zone(n).Per == "foot" {
					u.claw, p.claw = "", ""
				} else if !slices.Contains(claws, l.Claw) || !w.has(v.animal, l.Foot, l.Claw, v.day) {
					continue
				}
				if p.pair == "" {
					continue
				}
				placed = true
				if out[p] == nil {
					out[p] = map[unit][]events.Entity{}
				}
				out[p][u] = append(out[p][u], f.fact.Entity)
			}
			if !placed {
				noPlace++
			}
		}
	}
	return out, noPlace
}
