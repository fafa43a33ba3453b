package demo

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// The barn diary of aulnaie: UTF-8 and semicolons. A row is one look at a block
// or a wound, a lost claw, an order of the vet, or a footbath of a pen, which
// names no animal. One file a month.

const barnColumns = "Jour;Heure;Boucle;Lot;Quoi;Pied;Onglon;État;Depuis;Pour le;Jusqu'au;Qui;Produit;Dose;Passages;Note"

// Columns of the diary.
const (
	bnDay, bnTime, bnTag, bnPen, bnWhat, bnFoot, bnClaw, bnState, bnSince, bnDue, bnUntil, bnWho, bnProduct, bnDose, bnPassed, bnNote = 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15
)

// A barnRow is one row of the diary.
type barnRow struct {
	at    time.Time
	cells []string
}

func newBarnRow(at time.Time, c *cow, what, foot, claw, state string) *barnRow {
	r := &barnRow{at, make([]string, strings.Count(barnColumns, ";")+1)}
	r.cells[bnDay], r.cells[bnTime] = at.Format("02/01/2006"), fmt.Sprintf("%dh%02d", at.Hour(), at.Minute())
	if c != nil {
		r.cells[bnTag] = c.earTag
	}
	r.cells[bnWhat], r.cells[bnFoot], r.cells[bnClaw], r.cells[bnState] = what, frenchFoot[foot], frenchClaw[claw], state
	return r
}

// barnRot lists the ways a row of this device is spoiled.
var barnRot = []struct {
	name  string
	spoil func(c []string)
}{
	{"word that is no state", func(c []string) { c[bnState] = "bizarre" }},
	{"day that does not exist", func(c []string) { c[bnDay] = "31/02" + c[bnDay][5:] }},
	{"no animal", func(c []string) { c[bnTag] = "" }},
}

// barnDiary writes what happened between the trims of aulnaie: baths each
// Tuesday, a look at each block a week after it was put on and at some later
// ones, what the vet ordered for grave lesions, and one amputated claw.
func barnDiary(seed uint64, herd []*cow, exams []*exam, share func(records int) int) *device {
	d := newDice(seed, "barn")
	v := &device{source: "barn-aulnaie"}
	rows := slices.Concat(baths(d), looks(d, exams), amputation(d, herd, exams))
	slices.SortStableFunc(rows, func(a, b *barnRow) int { return cmp.Or(a.at.Compare(b.at), slices.Compare(a.cells, b.cells)) })
	var may []*barnRow // rows that may rot: looks
	for _, r := range rows {
		if r.cells[bnWhat] == "talonnette" {
			may = append(may, r)
		}
	}
	turn, rotten := d.IntN(len(barnRot)), share(len(rows))
	for i := range may {
		if i*rotten/len(may) == (i+1)*rotten/len(may) {
			continue
		}
		turn++
		rot := barnRot[turn%len(barnRot)]
		rot.spoil(may[i].cells)
		v.spoil(rot.name)
		v.counts.Held++
	}
	v.counts.Accepted = len(rows) - v.counts.Held
	for m, list := range months(rows, func(r *barnRow) time.Time { return r.at }) {
		var b strings.Builder
		b.WriteString(barnColumns + "\n")
		for _, r := range list {
			b.WriteString(strings.Join(r.cells, ";") + "\n")
		}
		v.add(fmt.Sprintf("etable-%d-%02d.csv", year, m+1), day(0).AddDate(0, m+1, 0), []byte(b.String()))
	}
	v.balance()
	return v
}

// baths are a footbath of the cows in milk each Tuesday morning.
func baths(d dice) (rows []*barnRow) {
	for n := range 365 {
		if day(n).Weekday() != time.Tuesday {
			continue
		}
		r := newBarnRow(day(n).Add(6*time.Hour+30*time.Minute), nil, "pédiluve", "", "", "")
		r.cells[bnPen], r.cells[bnProduct], r.cells[bnDose] = "1+2", "sulfate de cuivre", "5 %"
		r.cells[bnPassed] = fmt.Sprint(d.within(150, 190))
		if d.chance(0.1) {
			r.cells[bnPassed], r.cells[bnNote] = "", "pas compté"
		}
		rows = append(rows, r)
	}
	return rows
}

// How often a block is found so when somebody looks at it: from memory.
const (
	pBlockRocks = 0.06
	pBlockLoose = 0.04
	pBlockWorn  = 0.10
)

// looks are a look at every block of aulnaie a week after it was put on, and what
// the vet orders where a lesion is grave.
func looks(d dice, exams []*exam) (rows []*barnRow) {
	for _, x := range exams {
		if x.cow.farm != Aulnaie || x.blockOn == nil {
			continue
		}
		at := x.at.AddDate(0, 0, 7).Truncate(24 * time.Hour).Add(time.Duration(d.within(7*60, 9*60)) * time.Minute)
		if l := x.lesionOn(x.blockOn.foot); l != nil && l.severity == 3 {
			r := newBarnRow(x.at.Add(2*time.Hour), x.cow, "consigne", l.foot, "", "revoir")
			r.cells[bnDue], r.cells[bnWho] = x.at.AddDate(0, 0, 28).Format("02/01/2006"), "véto"
			rows = append(rows, r)
		}
		if !at.Before(day(365)) || !x.cow.here(at) {
			continue
		}
		state := "en place"
		switch p := d.Float64(); {
		case p < pBlockRocks:
			state = "bascule"
		case p < pBlockRocks+pBlockLoose:
			state = "bouge"
		case p < pBlockRocks+pBlockLoose+pBlockWorn:
			state = "usée"
		}
		rows = append(rows, newBarnRow(at, x.cow, "talonnette", x.blockOn.foot, x.blockOn.claw, state))
		if state == "bascule" {
			r := newBarnRow(at.Add(time.Hour), x.cow, "consigne", x.blockOn.foot, "", "appeler le véto")
			r.cells[bnDue] = at.AddDate(0, 0, 1).Format("02/01/2006")
			came := newBarnRow(at.AddDate(0, 0, 1).Add(3*time.Hour), x.cow, "talonnette", x.blockOn.foot, x.blockOn.claw, "en place")
			came.cells[bnWho], came.cells[bnNote] = "véto", "recollée"
			rows = append(rows, r)
			if came.at.Before(day(365)) && x.cow.here(came.at) {
				rows = append(rows, came)
			}
		}
	}
	return rows
}

// amputation is one claw that a vet took off in spring, with the wound it left.
// It is a claw on which nothing else was found that year.
func amputation(d dice, herd []*cow, exams []*exam) (rows []*barnRow) {
	const foot, claw = "LF", "outer"
	busy := map[*cow]bool{}
	for _, x := range exams {
		for _, l := range x.found {
			busy[x.cow] = busy[x.cow] || l.foot == foot
		}
	}
	at := day(100).Add(10 * time.Hour)
	for _, c := range herd {
		if c.farm != Aulnaie || busy[c] || !c.here(day(200)) || c.born.After(day(-900)) {
			continue
		}
		r := newBarnRow(at, c, "onglon", foot, claw, "amputé")
		r.cells[bnWho] = "véto"
		rows = append(rows, r)
		for _, s := range []struct {
			days  int
			state string
		}{{4, "ne cicatrise pas"}, {14, "cicatrise"}, {28 + d.within(0, 6), "fermée"}} {
			rows = append(rows, newBarnRow(at.AddDate(0, 0, s.days), c, "plaie", foot, claw, s.state))
		}
		return rows
	}
	return nil
}
