package demo

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// The chute list of aulnaie: semicolons, decimal commas, Windows-1252, a title
// line before and a total line behind; a row is one foot, and the rows of one
// animal at one time are one record. One file a month; the last one was made
// before the year's end, and then everything from November on a second time.

const semicolonColumns = "Boucle;Numéro;Jour;Heure;Motif;Pied;Onglon;Constat;Stade;Zone;Gravité;Talonnette;Bandage;Retiré;Longueur;Remarque"

// Columns that rot.
const (
	scTag, scDay, scFoot, scFound, scZone, scGrade, scToe = 0, 2, 5, 7, 9, 10, 14
)

var frenchReason = map[string]string{
	"lame": "boiterie", "mid-lactation": "milieu", "dry-off": "tarissement", "heifer": "génisse", "recheck": "contrôle",
}
var frenchFoot = map[string]string{"LF": "AVG", "RF": "AVD", "LH": "ARG", "RH": "ARD"}
var frenchClaw = map[string]string{"inner": "interne", "outer": "externe", "": ""}
var frenchLesion = map[string]string{
	"SU": "ulcère", "SH": "bleime", "WL": "ligne blanche", "DD": "dermatite", "HHE": "talon", "IH": "limace", "TS": "sole mince",
}

// semicolonRow is one row; the rows of an examination share exam.
type semicolonRow struct {
	exam  *exam
	cells []string
	rot   string
}

func semicolonRows(x *exam) []*semicolonRow {
	var rows []*semicolonRow
	for _, foot := range x.feetOf() {
		c := make([]string, strings.Count(semicolonColumns, ";")+1)
		c[0], c[1] = x.cow.earTag, fmt.Sprint(x.cow.number)
		c[2], c[3] = x.at.Format("02/01/2006"), x.at.Format("15:04")
		c[4], c[5] = frenchReason[x.reason], frenchFoot[foot]
		if l := x.lesionOn(foot); l != nil {
			c[6], c[7], c[8] = frenchClaw[l.claw], frenchLesion[l.code], l.stage
			c[9], c[10] = fmt.Sprint(l.zone), fmt.Sprint(l.severity)
		} else if _, ok := x.toe[foot]; ok {
			c[6], c[7] = "externe", "rien"
		}
		if x.blockOn != nil && x.blockOn.foot == foot {
			c[11] = frenchClaw[x.blockOn.claw]
		}
		if x.wrapOn == foot {
			c[12] = "oui"
		}
		for _, o := range x.off {
			if o.foot == foot && o.what == "wrap" {
				c[13] = "bandage"
			} else if o.foot == foot {
				c[13] = "talonnette " + frenchClaw[o.claw]
			}
		}
		if mm, ok := x.toe[foot]; ok {
			c[14] = strings.Replace(fmt.Sprintf("%.1f", mm+0.01), ".", ",", 1)
		}
		if len(rows) == 0 {
			c[15] = frenchRemark[x.remark]
		}
		rows = append(rows, &semicolonRow{exam: x, cells: c})
	}
	return rows
}

var frenchRemark = map[string]string{
	"painful": "très douloureux", "old scar": "cicatrice", "look again at the next visit": "à revoir",
	"soft; springy": "mou; élastique", `deep, "hot" foot`: `pied "chaud"`,
}

// semicolonRot lists the ways a row of this device is spoiled. A row with a
// lesion is wanted where the third value says so.
var semicolonRot = []struct {
	name   string
	lesion bool
	spoil  func(c []string)
}{
	{"word that is no lesion", true, func(c []string) { c[scFound] += " ?" }},
	{"zone off the map", true, func(c []string) { c[scZone] = "14" }},
	{"grade off the scale", true, func(c []string) { c[scGrade] = "5" }},
	{"length without its comma", false, func(c []string) { c[scToe] = strings.Replace(c[scToe], ",", "", 1) }},
	{"letter in a number", false, func(c []string) { c[scToe] = strings.Replace(c[scToe], ",", ",O", 1) }},
	{"foot that is none", false, func(c []string) { c[scFoot] = "A?" }},
	{"day that does not exist", false, func(c []string) { c[scDay] = "31" + "/02" + c[scDay][5:] }},
	{"no animal", false, func(c []string) { c[scTag] = "" }},
}

func semicolons(seed uint64, exams []*exam, rotten int) *device {
	d := newDice(seed, "semicolons")
	v := &device{source: "chute-aulnaie"}
	var rows []*semicolonRow
	var ends []int // rows that may rot: the last of an examination, with a length in it
	for _, x := range exams {
		if x.cow.farm == Aulnaie {
			rows = append(rows, semicolonRows(x)...)
			if rows[len(rows)-1].cells[scToe] != "" {
				ends = append(ends, len(rows)-1)
			}
		}
	}
	for i := range marks(d, rotten, len(ends)) {
		rows[ends[i]].rot = "?"
	}
	turns := map[bool]int{}
	for _, r := range rows {
		if r.rot == "" {
			continue
		}
		lesion := r.cells[scZone] != ""
		rot := semicolonRot[turns[lesion]%len(semicolonRot)]
		for rot.lesion && !lesion {
			turns[lesion]++
			rot = semicolonRot[turns[lesion]%len(semicolonRot)]
		}
		turns[lesion]++
		rot.spoil(r.cells)
		r.rot = rot.name
		v.spoil(rot.name)
	}
	v.semicolonFiles(d, rows)
	v.balance()
	return v
}

// firstUntil is when the last ordinary export of the year was made.
var firstUntil = day(351) // 18 December

func (v *device) semicolonFiles(d dice, rows []*semicolonRow) {
	byMonth := months(rows, func(r *semicolonRow) time.Time { return r.exam.at })
	known := map[*exam]bool{}
	for m, list := range byMonth {
		list = slices.DeleteFunc(slices.Clone(list), func(r *semicolonRow) bool { return !r.exam.at.Before(firstUntil) })
		v.semicolonFile(fmt.Sprintf("parage-%d-%02d.csv", year, m+1), day(0).AddDate(0, m+1, 0), list)
		for _, r := range list {
			known[r.exam] = true
		}
		accepted, held := records(list)
		v.counts.Accepted += len(accepted)
		v.counts.Held += held
		v.counts.Ignored++
	}
	again := slices.Concat(byMonth[10], byMonth[11])
	accepted, held := records(again)
	v.counts.Held += held
	v.counts.Ignored++
	changed := amend(d, again, known)
	for _, x := range accepted {
		switch {
		case changed[x]:
			v.counts.Amended++
		case known[x]:
			v.counts.Duplicate++
		default:
			v.counts.Accepted++
		}
	}
	v.semicolonFile(fmt.Sprintf("parage-%d-11-et-12.csv", year), day(364), again)
}

// records returns the examinations of rows that keep at least one good row, and
// how many rows are held.
func records(rows []*semicolonRow) (good []*exam, held int) {
	for _, r := range rows {
		if r.rot != "" {
			held++
		} else if len(good) == 0 || good[len(good)-1] != r.exam {
			good = append(good, r.exam)
		}
	}
	return good, held
}

// amend changes the grade of three lesions that were exported before: the
// trimmer looked again.
func amend(d dice, rows []*semicolonRow, known map[*exam]bool) map[*exam]bool {
	changed := map[*exam]bool{}
	for _, i := range d.Perm(len(rows)) {
		r := rows[i]
		if r.rot != "" || r.cells[scGrade] == "" || !known[r.exam] || changed[r.exam] || !r.exam.at.Before(firstUntil) {
			continue
		}
		if r.cells[scGrade] == "1" {
			r.cells[scGrade] = "2"
		} else {
			r.cells[scGrade] = "1"
		}
		if changed[r.exam] = true; len(changed) == 3 {
			break
		}
	}
	return changed
}

func (v *device) semicolonFile(name string, when time.Time, rows []*semicolonRow) {
	var b strings.Builder
	b.WriteString("Carnet de parage - export du " + when.AddDate(0, 0, -1).Format("02/01/2006") + "\r\n")
	b.WriteString(semicolonColumns + "\r\n")
	for _, r := range rows {
		for i, c := range r.cells {
			if i > 0 {
				b.WriteByte(';')
			}
			b.WriteString(quoted(c, ";"))
		}
		b.WriteString("\r\n")
	}
	fmt.Fprintf(&b, "Total;%d lignes%s\r\n", len(rows), strings.Repeat(";", strings.Count(semicolonColumns, ";")-1))
	v.add(name, when, latin1(b.String()))
}
